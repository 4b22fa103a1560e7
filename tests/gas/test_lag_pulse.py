"""What a pulse of the gas looks like behind a sensor, against scipy and against figures worked by hand."""

import numpy as np
import pytest
import scipy.signal

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.gas.lag import SensorLag
from mixmon.gas.reading import missed_charge_oxygen

ISOOCTANE = fuel_named("isooctane")


@pytest.mark.parametrize("width", [0.017, 0.088, 0.5])
@pytest.mark.parametrize("lag", [SensorLag(), SensorLag(0.3, 0.3, 0.02), SensorLag(0.05, 0.05, 0.0)], ids=str)
def test_a_pulse_through_both_lags_is_what_scipy_makes_of_it(lag: SensorLag, width: float) -> None:
    t = np.arange(0.0, 1.5, 2e-4)
    system = scipy.signal.lti(
        [1.0], np.polymul([lag.lean_s, 1.0], [lag.filter_s, 1.0]) if lag.filter_s else [lag.lean_s, 1.0]
    )
    edges = scipy.signal.step(system, T=t)[1]
    late = np.interp(t - width, t, edges, left=0.0)
    assert lag.pulse(t, width) == pytest.approx(edges - late, abs=1e-4)


def test_an_element_that_falls_quicker_than_it_rises_is_followed_step_by_step() -> None:
    lag, step = SensorLag(0.30, 0.22, 0.02), 1e-4
    t = np.arange(0.0, 1.2, step)
    element = reading = 0.0
    expected = []
    for gas in (t < 0.2).astype(float):
        tau = 0.30 if gas > element else 0.22
        element += -np.expm1(-step / tau) * (gas - element)
        reading += -np.expm1(-step / 0.02) * (element - reading)
        expected.append(reading)
    assert lag.pulse(t + step, 0.2) == pytest.approx(np.array(expected), abs=2e-3)


def test_a_sensor_measured_as_a_whole_keeps_its_sum() -> None:
    for total in (0.02, 0.105, 0.32):
        assert SensorLag.of_total(total, total).total_s == pytest.approx(total)


# Rise in oxygen percent and peak lambda of one missed cycle at lambda 0.88 behind one lag: peak share
# 1 - exp(-120 / (N tau)) of the step to an unburnt charge (computed by hand from the same formulas)
PEAKS = [
    (0.327, 0.05, 1000, 14.1, 2.31),
    (0.327, 0.05, 4000, 7.0, 1.29),
    (0.327, 0.10, 6000, 2.8, 1.01),
    (0.529, 0.05, 1000, 9.8, 1.57),
    (0.529, 0.05, 2000, 7.5, 1.33),
    (0.529, 0.05, 8000, 2.8, 1.01),
]


@pytest.mark.parametrize(("k_d", "tau", "rpm", "rise", "peak"), PEAKS)
def test_one_missed_cycle_peaks_as_tabulated(
    k_d: float, tau: float, rpm: int, rise: float, peak: float
) -> None:
    burnt = oxygen_balance(0.88, ISOOCTANE)
    step = missed_charge_oxygen(0.88, ISOOCTANE, k_d) - burnt
    shown = step * SensorLag(tau, tau, 0.0).pulse(np.arange(0, 0.5, 1e-4), 120 / rpm).max()
    assert shown == pytest.approx(rise, abs=0.06)
    assert lambda_from_oxygen(burnt + shown, ISOOCTANE) == pytest.approx(peak, abs=0.006)


# Missed cycles in a row at 6800 rpm, lambda 0.87, lag 85 ms, filter 20 ms, oxygen by the short form
# x = 20.95 (lambda - 1) / (lambda + 0.07), +8.05 percent unburnt: peak over 0.87, ms above +0.05 and +0.10
BURSTS = [(1, 0.060, 51, 0), (3, 0.19, 172, 103), (5, 0.33, 236, 168)]


@pytest.mark.parametrize(("cycles", "peak", "over_05", "over_10"), BURSTS)
def test_bursts_of_missed_cycles_look_as_worked_out_beforehand(
    cycles: int, peak: float, over_05: int, over_10: int
) -> None:
    x = 20.95 * (0.87 - 1) / (0.87 + 0.07)
    t = np.arange(0.0, 1.0, 1e-3)
    x = x + (8.05 - x) * SensorLag().pulse(t, cycles * 120 / 6800)
    rise = (20.95 + 0.07 * x) / (20.95 - x) - 0.87
    assert rise.max() == pytest.approx(peak, abs=0.006)  # given to two digits
    assert (rise > 0.05).sum() == pytest.approx(over_05, abs=2)
    assert (rise > 0.10).sum() == pytest.approx(over_10, abs=2)
