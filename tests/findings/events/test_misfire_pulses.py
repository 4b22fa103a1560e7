"""Which pulse made a bump: found again from readings that scipy's filters made, noise and all."""

import numpy as np
import pytest
import scipy.signal

from mixmon.findings.events.bumps import noise_of
from mixmon.findings.events.misfire import ROUGHNESS, gas_behind
from mixmon.findings.events.pulses import Pulse, PulseFit, PulseSearch, settle
from mixmon.gas.lag import SensorLag

MS = 1e-3
LAG = SensorLag()


def reading(gas: np.ndarray, lag: SensorLag = LAG) -> np.ndarray:
    """Gas, a number a millisecond, through both lags."""
    for tau in (lag.lean_s, lag.filter_s):
        keep = np.exp(-MS / tau)
        gas = scipy.signal.lfilter([1 - keep], [1, -keep], gas, axis=0)
    return gas


def box(begin: float, width: float, height: float, seconds: float = 1.2) -> np.ndarray:
    t = np.arange(round(seconds / MS)) * MS
    return height * ((t >= begin) & (t < begin + width))


def sampled(gas: np.ndarray, lag: SensorLag, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Moments and readings a hundred a second with white noise; a sample ends its millisecond."""
    shown = reading(gas, lag)[::10]
    return np.arange(len(shown)) * 0.01 + MS, shown + 0.09 * rng.standard_normal(len(shown))


WIDTHS = np.geomspace(0.01, 0.6, 24)


@pytest.mark.parametrize("lag", [LAG, SensorLag(0.3, 0.3, 0.02)], ids=["usual", "slow"])
@pytest.mark.parametrize(("begin", "width", "height"), [(0.402, 0.088, 10.9), (0.317, 0.30, 3.0)])
def test_a_pulse_is_found_again_behind_any_lag(
    lag: SensorLag, begin: float, width: float, height: float
) -> None:
    for seed in range(6):
        t, y = sampled(box(begin, width, height), lag, np.random.default_rng(seed))
        found = PulseFit(t, y, lag, 0.11).best(PulseSearch(0.2, 0.6, WIDTHS, 0.0, 30.0))
        assert found.begin_s == pytest.approx(begin, abs=0.02)
        assert found.width_s * found.height == pytest.approx(width * height, rel=0.08)
        assert found.misfit < 2.0 * len(t)


def test_a_single_cycle_is_placed_within_ten_milliseconds() -> None:
    for seed in range(10):
        t, y = sampled(box(0.403, 0.017, 10.9), LAG, np.random.default_rng(seed))
        found = PulseFit(t, y, LAG, 0.11).best(
            PulseSearch(0.2, 0.6, np.array([0.017, 0.034, 0.051]), 7.0, 16.0, 0.017)
        )
        assert found.begin_s == pytest.approx(0.403, abs=0.01)
        assert found.width_s * found.height == pytest.approx(0.017 * 10.9, rel=0.35)


def test_two_pulses_close_together_are_found_as_two() -> None:
    gas = box(0.40, 0.04, 11.0) + box(0.52, 0.04, 11.0)
    t, y = sampled(gas, LAG, np.random.default_rng(1))
    pair = PulseFit(t, y, LAG, 0.11).best_pair(PulseSearch(0.3, 0.6, np.array([0.04, 0.08]), 7.0, 16.0, 0.04))
    begins = sorted(pulse.begin_s for pulse in pair)
    assert begins == pytest.approx([0.40, 0.52], abs=0.01)
    assert {pulse.width_s for pulse in pair} == {0.04}


def test_pulses_that_overlap_are_settled_together_from_places_that_are_off() -> None:
    planted = [(0.35, 0.30, 2.0), (0.42, 0.08, 10.0), (0.56, 0.04, 10.0)]
    t, y = sampled(sum(box(*one) for one in planted), LAG, np.random.default_rng(3))
    fit = PulseFit(t, y, LAG, 0.11)
    step = PulseSearch(0.1, 0.6, WIDTHS, 0.0, 5.0)
    cycles = PulseSearch(0.1, 0.6, np.array([0.04, 0.08]), 7.0, 16.0, 0.04)
    off = [
        Pulse(0.31, 0.38, 1.0, 0.0, 0.0),
        Pulse(0.435, 0.08, 8.0, 0.0, 0.0),
        Pulse(0.545, 0.04, 8.0, 0.0, 0.0),
    ]
    settled = settle(fit, off, [step, cycles, cycles])
    assert settled[0].misfit < 1.5 * fit.count
    assert settled[0].misfit == pytest.approx(fit.without(settled).misfit)
    for found, (begin, width, height) in zip(settled, planted, strict=True):
        assert found.begin_s == pytest.approx(begin, abs=0.012)
        assert found.end_s == pytest.approx(begin + width, abs=0.02)
        assert found.height == pytest.approx(height, rel=0.12)


def test_heights_beyond_their_bounds_are_held_there_and_the_others_follow() -> None:
    t, y = sampled(box(0.40, 0.04, 4.0) + box(0.52, 0.04, 11.0), LAG, np.random.default_rng(4))
    fit = PulseFit(t, y, LAG, 0.11)
    cycles = PulseSearch(0.3, 0.6, np.array([0.04]), 7.0, 16.0, 0.04)
    off = [Pulse(0.40, 0.04, 9.0, 0.0, 0.0), Pulse(0.52, 0.04, 9.0, 0.0, 0.0)]
    low, high = settle(fit, off, [cycles, cycles])
    assert low.height == 7.0
    assert 7.0 < high.height < 11.5


def test_what_a_pulse_leaves_is_noise() -> None:
    t, y = sampled(box(0.4, 0.1, 8.0), LAG, np.random.default_rng(2))
    fit = PulseFit(t, y, LAG, 0.11)
    left = fit.without([fit.best(PulseSearch(0.2, 0.6, WIDTHS, 0.0, 30.0))])
    assert fit.misfit > 5 * fit.count
    assert left.misfit < 2 * fit.count
    assert noise_of(t, left.y) == pytest.approx(0.09 * np.hypot(1, 0.8), rel=0.25)


def test_noise_is_not_told_from_too_few_readings() -> None:
    assert np.isnan(noise_of(np.arange(20) / 100, np.zeros(20)))


def test_the_gas_is_seen_through_the_lag_with_an_error_that_is_true() -> None:
    """Courses of the gas that scatter as is assumed: the error of each is as large as it says."""
    rng = np.random.default_rng(3)
    off = []
    for _ in range(40):
        steps = ROUGHNESS * rng.standard_normal(120)
        course = np.concatenate([np.zeros(20), np.cumsum(steps - steps.mean()), np.zeros(20)])
        t, y = sampled(np.repeat(course, 10), LAG, rng)
        gas = gas_behind(t, y, LAG, 0.09)
        true = np.interp(gas.t, (np.arange(len(course)) + 0.5) * 0.01, course)
        inside = (gas.t > 0.4) & (gas.t < 1.0)
        off.append((gas.oxygen - true)[inside] / gas.sd)
    assert np.std(off) == pytest.approx(1.0, abs=0.15)


def test_a_plateau_is_seen_at_its_height_and_a_short_peak_keeps_its_area() -> None:
    rng = np.random.default_rng(4)
    t, y = sampled(box(0.4, 0.3, 10.9), LAG, rng)
    gas = gas_behind(t, y, LAG, 0.09)
    assert gas.oxygen[(gas.t > 0.5) & (gas.t < 0.65)] == pytest.approx(10.9, abs=3 * gas.sd)
    t, y = sampled(box(0.4, 0.017, 10.9), LAG, rng)
    gas = gas_behind(t, y, LAG, 0.09)
    assert 3.0 < gas.oxygen.max() < 10.9  # shorter than the resolution: lower, and longer
    assert gas.oxygen.sum() * 0.01 == pytest.approx(0.017 * 10.9, rel=0.25)
    assert 0.02 <= gas.resolution_s <= 0.06


def test_dividing_the_lag_out_plainly_would_raise_the_noise_tenfold() -> None:
    rng = np.random.default_rng(5)
    t, y = sampled(np.zeros(1200), LAG, rng)
    raw = y
    for tau in (0.020, 0.085):
        keep = np.exp(-0.01 / tau)
        raw = (raw[1:] - keep * raw[:-1]) / (1 - keep)
    gas = gas_behind(t, y, LAG, 0.09)
    assert raw.std() > 20 * y.std()
    assert gas.oxygen.std() < 0.3 * raw.std()
    assert gas.oxygen.std() < 1.2 * gas.sd
