"""Lags against scipy's filters and the analytic step response, in any split of the rows."""

from math import exp, sqrt

import numpy as np
import pytest
from gas_steps import t63
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import TransferFunction, lfilter, step
from scipy.special import erfc

from mixmon.errors import RangeError
from mixmon.gas.lag import (
    FirstOrderLag,
    SensorLag,
    diffusion_layer_step,
    hold_gas,
    keep_apart,
    step_response,
    time_63,
)

ROWS = 400
PAIRS = [(0.085, 0.020), (0.3, 0.02), (0.02, 0.085), (0.05, 0.05), (0.012, 0.005)]
TAUS = ([0.085, 0.085, 0.3], [0.085, 0.06, 0.22])


@pytest.fixture(scope="module")
def walk() -> NDArray[np.float64]:
    rng = np.random.default_rng(7)
    walk: NDArray[np.float64] = np.cumsum(rng.normal(size=(ROWS, 3)), axis=0)
    return walk


@given(st.floats(1e-4, 0.1), st.floats(1e-3, 1.0))
def test_a_step_follows_the_exponential(period: float, tau: float) -> None:
    y = FirstOrderLag(period, [tau], start=[0.0]).feed(np.ones((150, 1)))[:, 0]
    k = np.arange(1, 151)
    np.testing.assert_allclose(y, -np.expm1(-k * period / tau), rtol=1e-9, atol=1e-13)


def test_the_filter_of_a_signal_library(walk: NDArray[np.float64]) -> None:
    """scipy.signal.lfilter of y[k] = a y[k-1] + (1 - a) x[k]."""
    for column, tau in enumerate((0.02, 0.085, 0.3)):
        a = exp(-0.01 / tau)
        expected, _ = lfilter([1 - a], [1, -a], walk[:, column], zi=[a * walk[0, column]])
        found = FirstOrderLag(0.01, [tau]).feed(walk[:, column : column + 1])[:, 0]
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-12 * np.abs(walk).max())


def test_two_time_constants_by_direction(walk: NDArray[np.float64]) -> None:
    """The recursion written out."""
    found = FirstOrderLag(0.01, *TAUS).feed(walk)
    y = walk[0].copy()
    for k in range(ROWS):
        tau = np.where(walk[k] > y, *TAUS)
        y += (1 - np.exp(-0.01 / tau)) * (walk[k] - y)
        np.testing.assert_allclose(found[k], y, rtol=0, atol=1e-11)


def test_rising_and_falling_steps_take_their_own_time() -> None:
    lag = FirstOrderLag(0.001, [0.3], [0.22], start=[0.0])
    up = lag.feed(np.ones((3000, 1)))[:, 0]
    down = lag.feed(np.zeros((3000, 1)))[:, 0]
    share = 1 - exp(-1)
    assert 1 + np.argmax(up >= share - 1e-12) == 300
    assert 1 + np.argmax(down <= up[-1] * (1 - share) + 1e-12) == 220


@settings(max_examples=60)
@given(st.lists(st.integers(0, ROWS), max_size=40), st.sampled_from([(TAUS[0], None), TAUS]), st.booleans())
def test_any_split_gives_the_same_bits(
    walk: NDArray[np.float64], cuts: list[int], taus: tuple[list[float], list[float] | None], started: bool
) -> None:
    start = [0.1, -0.2, 0.3] if started else None
    whole = FirstOrderLag(0.01, *taus, start=start).feed(walk)
    lag = FirstOrderLag(0.01, *taus, start=start)
    pieces = [lag.feed(piece) for piece in np.split(walk, sorted(cuts))]
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


def test_row_by_row_gives_the_same_bits(walk: NDArray[np.float64]) -> None:
    lag = FirstOrderLag(0.01, *TAUS)
    singles = np.concatenate([lag.feed(row) for row in walk[:, None, :]])
    np.testing.assert_array_equal(singles, FirstOrderLag(0.01, *TAUS).feed(walk))


def test_the_input_is_left_alone(walk: NDArray[np.float64]) -> None:
    kept = walk.copy()
    FirstOrderLag(0.01, *TAUS).feed(walk)
    np.testing.assert_array_equal(walk, kept)


def test_a_steady_input_stays_steady_and_no_lag_passes_all(walk: NDArray[np.float64]) -> None:
    steady = FirstOrderLag(0.01, [0.085]).feed(np.full((1000, 1), -2.87))
    np.testing.assert_allclose(steady, -2.87, rtol=1e-14)
    np.testing.assert_array_equal(FirstOrderLag(0.01, [0.0, 0.0, 0.0]).feed(walk), walk)


def test_unknown_input_stays_in_its_column(walk: NDArray[np.float64]) -> None:
    spoilt = walk.copy()
    spoilt[100, 1] = np.nan
    for taus in ((TAUS[0], None), TAUS):
        found, clean = FirstOrderLag(0.01, *taus).feed(spoilt), FirstOrderLag(0.01, *taus).feed(walk)
        np.testing.assert_array_equal(found[:, [0, 2]], clean[:, [0, 2]])
        np.testing.assert_array_equal(found[:100, 1], clean[:100, 1])
        assert np.isnan(found[100:, 1]).all()


@pytest.mark.parametrize(("rpm", "kept"), [(900, 0.391), (2000, 0.188), (6000, 0.064)])
def test_ripple_of_one_cycle_fades(rpm: float, kept: float) -> None:
    """1/sqrt(1 + (2 pi N tau/120)^2) at tau 50 ms (computed)."""
    period = 120 / rpm / 400
    t = np.arange(400 * 40) * period
    y = FirstOrderLag(period, [0.05]).feed(np.sin(2 * np.pi * rpm / 120 * t)[:, None])[-4000:, 0]
    assert np.ptp(y) / 2 == pytest.approx(kept, abs=2e-3)
    assert kept == pytest.approx(1 / sqrt(1 + (2 * np.pi * rpm * 0.05 / 120) ** 2), abs=6e-4)


@pytest.mark.parametrize("rpm", [1000, 4000, 8000])
def test_peak_of_one_missed_cycle(rpm: float) -> None:
    """1 - exp(-120/(N tau)) of the height."""
    cycle = 120 / rpm
    slug = np.zeros((600, 1))
    slug[:100] = 1.0
    y = FirstOrderLag(cycle / 100, [0.05], start=[0.0]).feed(slug)
    assert y.max() == pytest.approx(1 - exp(-cycle / 0.05), rel=1e-12)


@pytest.mark.parametrize(
    ("share", "when"), [(0.10, 0.1302), (0.50, 0.3787), (1 - exp(-1), 0.5032), (0.90, 1.0311)]
)
def test_diffusion_layer_times(share: float, when: float) -> None:
    """Inverse transform of 1/cosh(sqrt(s t_D)) / s (computed)."""
    found = brentq(lambda t: diffusion_layer_step(t) - share, 0.01, 3.0)
    assert found == pytest.approx(when, abs=1e-4)


@given(st.floats(0.001, 10.0))
def test_diffusion_layer_by_its_other_series(t: float) -> None:
    """2 sum (-1)^n erfc((2n + 1)/(2 sqrt t)): the expansion for small times (Carslaw & Jaeger,
    Conduction of Heat in Solids, 1959; from memory)."""
    n = np.arange(60)
    expected = 2 * np.sum((-1.0) ** n * erfc((2 * n + 1) / (2 * sqrt(t))))
    assert diffusion_layer_step(t) == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_diffusion_layer_before_the_step_and_unknown() -> None:
    np.testing.assert_array_equal(diffusion_layer_step(np.array([-1.0, 0.0, np.nan])), [0.0, 0.0, np.nan])


def test_impossible_lags() -> None:
    with pytest.raises(RangeError, match="period in s = 0"):
        FirstOrderLag(0.0, [0.1])
    with pytest.raises(RangeError, match="time constants"):
        FirstOrderLag(0.01, [0.1, -0.1])
    with pytest.raises(RangeError, match="time constants"):
        FirstOrderLag(0.01, [0.1, 0.1], [0.1, float("nan")])
    with pytest.raises(ValueError, match="tau_rich_s"):
        FirstOrderLag(0.01, [0.1, 0.1], [0.1])
    with pytest.raises(ValueError, match=r"\(k, 2\)"):
        FirstOrderLag(0.01, [0.1, 0.1]).feed(np.zeros((4, 3)))


@pytest.mark.parametrize(("tau", "still"), PAIRS)
def test_a_step_through_two_lags_is_what_scipy_makes_of_it(tau: float, still: float) -> None:
    system = TransferFunction([1.0], np.polymul([tau, 1.0], [still, 1.0]))
    t = np.linspace(0.0, 1.0, 401)
    expected = step(system, T=t)[1]
    assert step_response(t, tau, still).share == pytest.approx(expected, abs=4e-4)
    assert float(time_63(tau, still)) == pytest.approx(t63(tau, still), abs=1e-4)


@pytest.mark.parametrize(("tau", "still"), PAIRS)
def test_slopes_are_the_differences_of_responses(tau: float, still: float) -> None:
    t, small = np.linspace(0.003, 1.0, 200), 1e-6
    answer = step_response(t, tau, still)
    if tau == still:  # moved apart inside: a difference across that jump says nothing
        tau = still * 1.001
    for name, nudged in (
        ("by_t", step_response(t + small, tau, still)),
        ("by_tau", step_response(t, tau + small, still)),
        ("by_filter", step_response(t, tau, still - small)),
    ):
        sign = -1.0 if name == "by_filter" else 1.0
        difference = sign * (nudged.share - step_response(t, tau, still).share) / small
        assert getattr(answer, name) == pytest.approx(difference, abs=2e-2 * np.abs(difference).max())


@pytest.mark.parametrize("width", [0.005, 0.08, 0.6])
def test_gas_that_is_held_and_then_gone_is_a_pulse(width: float) -> None:
    lag, still = SensorLag(0.30, 0.22, 0.02), np.zeros(1)
    taus = (np.array([lag.lean_s]), np.array([lag.rich_s]), lag.filter_s)
    up = hold_gas(1.0, still, still, width, taus)
    for later in (0.0, 0.01, 0.3, 2.0):
        _, shown = hold_gas(0.0, *up, later, taus)
        assert shown == pytest.approx(lag.pulse(np.array([width + later]), width), rel=1e-9, abs=1e-12)
    whole = hold_gas(1.0, still, still, 0.25, taus)
    parts = hold_gas(1.0, *hold_gas(1.0, still, still, 0.1, taus), 0.15, taus)
    assert np.array(parts) == pytest.approx(np.array(whole), rel=1e-12)


def test_time_constants_are_kept_apart_and_others_are_left_alone() -> None:
    kept = keep_apart(np.array([0.0199999, 0.02, 0.0201, 0.085]), 0.02)
    assert kept.tolist() == [0.02002, 0.02002, 0.0201, 0.085]
