"""What can be measured in a simulated log, by readers and estimators that are not the package's own."""

from dataclasses import replace

import numpy as np
import pytest
from outside_reader import Log, window
from scipy.integrate import quad
from scipy.optimize import curve_fit

from mixmon.frames.candump_write import write_candump
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Part
from mixmon.simulate.simulation import simulate

FILTER_S = 0.020
FULL_LOAD = (7000.0, 100.0)


def played(scenario, **options):
    blocks = simulate(scenario, **{"seed": 11, **options})
    return Log(b"".join(write_candump(block) for block in blocks))


def warm(scenario, *parts):
    """The scenario warm and with ready sensors from early on, then the given parts."""
    n = scenario.size
    start = (Part("off", "off", 1.0, 0.0, 0.0), Part("start", "start", 9.0, 1100.0, 3.0))
    return replace(
        scenario,
        sensors=replace(scenario.sensors, ready_s=(5.0,) * n),
        controllers=replace(scenario.controllers, group_gap_s=0.5),
        warm_up=replace(scenario.warm_up, start_c=80.0),
        faults=tuple(f for f in scenario.faults if type(f).__name__ in {"Leak", "Exchange"}),
        profile=start + parts,
    )


ALDER = load_scenario("alder8")
HELD = warm(ALDER, Part("steady", "held", 122.0, *FULL_LOAD))
STEPPED = warm(
    ALDER,
    Part("pattern", "pattern", 24.0, 3000.0, 18.0),
    Part("steady", "run up", 4.0, 6000.0, 60.0),
    Part("overrun", "overrun", 4.0, 5500.0, 0.0),
    Part("steady", "on again", 4.0, 5500.0, 0.0, ramp_s=0.1),
)


@pytest.fixture(scope="module")
def held():
    return played(HELD)


@pytest.fixture(scope="module")
def stepped():
    return played(STEPPED)


def cycle_noise_share(tau, cycle_s):
    """Standard deviation after both lags over that of the cycles, each held for its cycle: by quadrature."""

    def passed(f):
        lags = (1 + (2 * np.pi * f * tau) ** 2) * (1 + (2 * np.pi * f * FILTER_S) ** 2)
        return 2 * cycle_s * np.sinc(f * cycle_s) ** 2 / lags

    return np.sqrt(quad(passed, 0, 400, limit=2000)[0])


def correlation_of_lags(late, tau):
    """Autocorrelation of white noise behind two lags in a row."""
    return (tau * np.exp(-late / tau) - FILTER_S * np.exp(-late / FILTER_S)) / (tau - FILTER_S)


@pytest.mark.parametrize("position", [1, 7], ids=["position 1", "position 7"])
def test_noise_of_steady_readings_is_as_large_as_the_formula_says(held, position):
    t, lam, _, _ = held.node(position)
    steady = window(t, lam, 14.0, 132.0)
    tau = ALDER.sensors.lean_s[position - 1]
    cycles = 0.015 * np.mean(steady) * cycle_noise_share(tau, 120 / FULL_LOAD[0])
    # about 560 independent values in 118 s (T over 2 tau): the standard deviation is known to 3 %
    assert np.std(steady) == pytest.approx(np.hypot(cycles, 0.003), rel=0.09)


def test_readings_are_correlated_as_the_lags_make_them(held):
    lam = np.array([window(*held.node(position)[:2], 14.0, 132.0)[:11_790] for position in (1, 2, 6, 7)])
    left = lam - lam.mean(axis=1, keepdims=True)

    def covariance(steps):
        return np.mean(left[:, steps:] * left[:, : left.shape[1] - steps])

    first, *later = (covariance(steps) for steps in (1, 5, 10, 20, 40))
    expected = [
        correlation_of_lags(k / 100, 0.085) / correlation_of_lags(0.01, 0.085) for k in (5, 10, 20, 40)
    ]
    assert np.array(later) / first == pytest.approx(expected, abs=0.09)
    white = covariance(0) - first / correlation_of_lags(0.01, 0.085)
    assert np.sqrt(white) == pytest.approx(0.003, rel=0.15)


def test_steady_readings_are_the_tables_within_their_noise(held):
    # by label, labels 3 and 4 exchanged: worked by hand (computed)
    read = [0.864, 0.847, 0.853, 0.916, 0.875, 0.855, 0.860, 0.842]
    found = [window(*held.node(position)[:2], 14.0, 132.0).mean() for position in range(1, 9)]
    assert found == pytest.approx(read, abs=0.0015)


def two_lags(t, begins, tau, low, high):
    late = np.maximum(t - begins, 0)
    left = (tau * np.exp(-late / tau) - FILTER_S * np.exp(-late / FILTER_S)) / (tau - FILTER_S)
    return high + (low - high) * left


def test_the_cut_is_flagged_and_felt_as_long_as_it_is_played(stepped):
    t, cut = stepped.engine("fuel_cut")
    flagged = t[cut == 1]
    # parts of 1, 9, 24 and 4 s before it; 4 s of overrun, of which 0.1 s is closing
    assert (flagged[0], flagged[-1]) == pytest.approx((38.1, 42.0), abs=0.021)
    t, _, oxygen, _ = stepped.node(1)
    in_air = t[(oxygen > 10) & (t > 30)]
    assert (in_air[0], in_air[-1]) == pytest.approx((38.2, 42.1), abs=0.06)


@pytest.mark.parametrize("position", range(1, 9))
def test_time_constants_from_the_step_into_air(stepped, position):
    cut = stepped.engine("fuel_cut")
    begins = cut[0][np.flatnonzero(cut[1])[0]]
    t, _, oxygen, _ = stepped.node(position)
    here = (t > begins - 0.3) & (t < begins + 2.0)
    (_, tau, _, high), _ = curve_fit(two_lags, t[here] - begins, oxygen[here], [0.03, 0.1, -2.0, 20.0])
    physical = {3: 4, 4: 3}.get(position, position)
    expected = {5: 0.300}.get(physical, 0.085)
    assert tau == pytest.approx(expected, rel=0.07)
    assert high == pytest.approx(20.7 * (0.981 if physical == 5 else 1.0), abs=0.1)


def test_the_old_sensor_is_faster_towards_rich(stepped):
    cut = stepped.engine("fuel_cut")
    ends = cut[0][np.flatnonzero(cut[1])[-1]]
    t, _, oxygen, _ = stepped.node(5)
    here = (t > ends - 0.3) & (t < ends + 2.0)
    (_, tau, _, _), _ = curve_fit(two_lags, t[here] - ends, oxygen[here], [0.03, 0.15, 20.0, -2.0])
    assert tau == pytest.approx(0.220, rel=0.07)


@pytest.mark.parametrize("position", [1, 2, 7, 8])
def test_transport_delay_from_the_random_pattern(stepped, position):
    """The delay at which two lags behind the logged pulse width fit the oxygen balance best."""
    t, _, oxygen, _ = stepped.node(position)
    moments, pulse = stepped.engine("pulse_ms")
    grid = np.arange(14.0, 33.0, 0.005)
    level = np.interp(grid, t, oxygen)
    level = level - level.mean()
    response = np.diff(1 - two_lags(np.arange(200) * 0.005, 0.0, 0.085, 1.0, 0.0), prepend=0.0)

    def misfit(delay):
        steps = np.interp(np.arange(13.0, 33.0, 0.005) - delay, moments, pulse)
        behind = np.convolve(steps, response)[200 : 200 + len(grid)]
        behind = behind - behind.mean()
        gain = behind @ level / (behind @ behind)
        return np.sum((level - gain * behind) ** 2), gain

    delays = np.arange(0.0, 0.2, 0.002)
    best = delays[np.argmin([misfit(delay)[0] for delay in delays])]
    assert misfit(best)[1] < 0  # more fuel, less oxygen
    # 0.8 cycles of 40 ms and 28 ms through 320 mm of pipe (computed); the bus adds up to 20 ms of hold
    assert best == pytest.approx(0.060, abs=0.015)
