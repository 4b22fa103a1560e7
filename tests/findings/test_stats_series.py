"""Intervals of correlated series, against published values, scipy and known truth."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from mixmon.findings.stats import (
    BATCH_S,
    NO_ESTIMATE,
    NORMAL_95,
    NORMAL_95_SIX_DECIMALS,
    SIGMA_OF_MAD,
    Estimate,
    chi_square_point,
    engine_lambda,
    engine_log_lambda,
    estimate,
    lag1,
    longer,
    mean_of_known,
    median_with_holes,
    needs_percent,
    robust_deviation,
    rolling_median,
    student_t90,
    student_t95,
    widened,
)


@pytest.mark.parametrize("dof", range(1, 31))
def test_student_t_at_table_rows_is_that_of_scipy(dof: int) -> None:
    assert student_t95(dof) == pytest.approx(scipy.stats.t.ppf(0.975, dof), abs=1e-4)
    assert student_t90(dof) == pytest.approx(scipy.stats.t.ppf(0.95, dof), abs=1e-4)


@pytest.mark.parametrize("dof", [3.5, 12.7, 44, 150, 5000])
def test_student_t_between_rows_is_near_that_of_scipy(dof: float) -> None:
    assert student_t95(dof) == pytest.approx(scipy.stats.t.ppf(0.975, dof), rel=6e-3)
    assert student_t90(dof) == pytest.approx(scipy.stats.t.ppf(0.95, dof), rel=6e-3)


def test_the_points_of_the_normal_distribution_are_those_of_scipy() -> None:
    point = scipy.stats.norm.ppf(0.975)
    assert pytest.approx(point, abs=5e-3) == NORMAL_95
    assert pytest.approx(point, abs=5e-7) == NORMAL_95_SIX_DECIMALS
    assert student_t95(np.inf) == NORMAL_95_SIX_DECIMALS


@pytest.mark.parametrize("degrees", [3, 4, 7, 15, 40.5, 400])
@pytest.mark.parametrize("probability", [0.025, 0.5, 0.975, 0.99])
def test_points_of_chi_square_are_near_those_of_scipy(degrees: float, probability: float) -> None:
    point = chi_square_point(degrees, scipy.stats.norm.ppf(probability))
    near = {"rel": 0.005, "abs": 0.02} if probability >= 0.5 else {"abs": 0.04}
    assert point == pytest.approx(scipy.stats.chi2.ppf(probability, degrees), **near)


def test_chi_square_never_goes_below_zero_and_is_there_from_the_first_degree() -> None:
    assert chi_square_point(0, 1.96) == chi_square_point(-1, 1.96) == 0.0
    assert chi_square_point(1, -3.0) == 0.0
    assert chi_square_point(1, 1.96) == pytest.approx(scipy.stats.chi2.ppf(0.975, 1), rel=0.03)
    assert 0 < chi_square_point(0.5, 1.96) < chi_square_point(1, 1.96)


def test_the_robust_deviation_is_that_of_normal_noise_and_outliers_hardly_raise_it() -> None:
    assert pytest.approx(1 / scipy.stats.norm.ppf(0.75), abs=1e-4) == SIGMA_OF_MAD
    noise = 0.3 * np.random.default_rng(7).standard_normal(100_000)
    assert robust_deviation(noise) == pytest.approx(0.3, rel=0.01)
    noise[:1000] = 50.0
    assert robust_deviation(noise) == pytest.approx(0.3, rel=0.03)


@pytest.mark.parametrize("width", [2, 4, 8, 16, 32])
def test_rolling_medians_are_the_medians_of_the_windows(width: int) -> None:
    """numpy's own median of every window; ties and a window as long as the series included."""
    x = np.random.default_rng(width).integers(-9, 9, (5_000, 3)) / 7
    for series in (x, x[:45], x[:width]):
        windows = np.lib.stride_tricks.sliding_window_view(series, width, axis=0)
        assert np.array_equal(rolling_median(series, width), np.median(windows, axis=2))


def test_the_engines_lambda_is_the_same_by_its_logarithm() -> None:
    lam, weights = np.array([0.78, 0.85, 1.02]), np.array([2.0, 1.0, 1.0])
    assert np.exp(engine_log_lambda(np.log(lam), weights)) == pytest.approx(engine_lambda(lam, weights))
    assert engine_lambda(lam, weights) == pytest.approx(4 / (2 / 0.78 + 1 / 0.85 + 1 / 1.02))


def test_effective_size_of_a_first_order_series() -> None:
    # Bayley & Hammersley, J. R. Stat. Soc. Suppl. 8, 1946 (from memory): rho 0.9, n 500 -> 26.316
    values = np.random.default_rng(1).standard_normal(500)
    assert estimate(values, 0.9).effective == pytest.approx(26.316, abs=1e-3)


def ar1(rng: np.random.Generator, rho: float, m: int, n: int) -> np.ndarray:
    start = rng.standard_normal((1, n))
    steps = np.sqrt(1 - rho**2) * rng.standard_normal((m - 1, n))
    return scipy.signal.lfilter([1], [1, -rho], np.concatenate([start, steps]), axis=0)


def coverage(rho: float, m: int, runs: int, *, naive: bool = False) -> float:
    series = ar1(np.random.default_rng(7), rho, m, runs)
    joined = np.ones(m - 1, np.bool_)
    rhos = lag1(series - series.mean(axis=0), joined)
    found = [estimate(column, 0.0 if naive else float(r)) for column, r in zip(series.T, rhos, strict=True)]
    return float(np.mean([abs(e.mean) <= e.half for e in found]))


def test_interval_of_a_correlated_series_covers_the_truth_where_the_usual_formula_does_not() -> None:
    # Published order of size for rho 0.9, n 500, 1500 repeats: lag-1 formula 0.93, s/sqrt(n) 0.35 (computed)
    assert coverage(0.9, 500, 1500) == pytest.approx(0.94, abs=0.025)
    assert coverage(0.9, 500, 1500, naive=True) == pytest.approx(0.35, abs=0.04)


@pytest.mark.parametrize("rho", [0.0, 0.27, 0.6])
def test_interval_of_forty_batches_covers_the_truth(rho: float) -> None:
    assert 0.92 <= coverage(rho, 40, 1500) <= 0.985


def test_neighbours_across_a_pause_do_not_count_as_neighbours() -> None:
    values = np.array([[1.0], [1.0], [1.0], [-1.0], [-1.0], [-1.0]] * 30)
    joined = np.arange(len(values) - 1) % 3 != 2
    apart = lag1(values, ~joined)
    together = lag1(values, joined)
    assert together[0] == pytest.approx(0.95)
    assert apart[0] == 0.0


def test_a_missing_batch_breaks_a_pair_and_no_more() -> None:
    series = ar1(np.random.default_rng(3), 0.5, 400, 1)
    holed = series.copy()
    holed[100:110] = np.nan
    joined = np.ones(399, np.bool_)
    assert lag1(holed, joined)[0] == pytest.approx(lag1(series, joined)[0], abs=0.05)


def test_too_little_data_gives_a_mean_and_no_interval() -> None:
    short = estimate(np.array([1.0, 2.0, 3.0]), 0.3)
    assert short.mean == 2.0
    assert np.isnan(short.half)
    assert estimate(np.zeros(0), 0.0) is NO_ESTIMATE


def test_two_numbers_or_less_than_three_effective_batches_give_no_interval() -> None:
    for values, rho, effective in (([1.0], 0.0, 1.0), ([1.0, 3.0], 0.0, 2.0), ([0.0, 3.0] * 4, 0.5, 8 / 3)):
        few = estimate(np.array(values), rho)
        assert few.effective == pytest.approx(effective)
        assert few.mean == np.mean(values)
        assert np.isnan([few.half, few.standard_error]).all()
    assert np.isfinite(estimate(np.array([1.0, 2.0, 4.0]), 0.0).half)  # three are enough


@pytest.mark.parametrize("m", [3, 8, 40])
def test_without_correlation_the_interval_is_the_one_of_student(m: int) -> None:
    """scipy's interval of the mean of independent numbers."""
    values = np.random.default_rng(m).standard_normal(m)
    expected = scipy.stats.t.interval(0.95, m - 1, values.mean(), scipy.stats.sem(values))
    got = estimate(values, 0.0)
    assert got.interval == pytest.approx(expected, abs=2e-4)
    assert got.standard_error == pytest.approx(scipy.stats.sem(values))
    assert got.effective == m


def test_correlation_makes_the_interval_that_of_fewer_numbers() -> None:
    """rho 0.5 leaves a third: 30 numbers of deviation 1 (divisor 30) count as 10, error 1 / sqrt(9)."""
    got = estimate(np.array([1.0, -1.0] * 15), 0.5)
    assert got.effective == pytest.approx(10)
    assert got.standard_error == pytest.approx(1 / 3)
    assert got.half == pytest.approx(scipy.stats.t.ppf(0.975, 9) / 3, abs=1e-4)


def test_one_more_error_adds_in_squares() -> None:
    first = Estimate(0.2, 0.07, 0.03, 11.0)
    both = widened(first, 0.04**2)
    assert (both.mean, both.effective) == (0.2, 11.0)
    assert both.standard_error == pytest.approx(0.05)
    assert both.half == pytest.approx(scipy.stats.t.ppf(0.975, 10) * 0.05, abs=1e-4)
    assert widened(first, 0.0) is first
    assert widened(first, np.nan) is first
    assert widened(NO_ESTIMATE, 1.0) is NO_ESTIMATE


def test_a_longer_interval_keeps_its_mean_and_its_error_grows_with_it() -> None:
    first = Estimate(0.2, 0.06, 0.03, 11.0)
    assert longer(first, 0.02) == Estimate(0.2, 0.08, pytest.approx(0.04), 11.0)  # type: ignore[arg-type]
    assert longer(first, 0.0) is first
    assert longer(NO_ESTIMATE, 0.02) is NO_ESTIMATE
    # Made-up data without any error: the error does not grow without bounds.
    exact = longer(Estimate(0.2, 1e-9, 5e-10, 1e6), 0.02)
    assert exact.half == pytest.approx(0.02)
    assert exact.standard_error < 0.02


# ----------------------------------------------------------------------------------------------------
# The lag-1 correlation, by hand. A column of ones has 1 by itself, one that changes sign has -1; with p pairs
# the bias of (1 + 3 rho) / p makes them 1 + 4 / p and -1 - 2 / p.
# ----------------------------------------------------------------------------------------------------

ALIKE, OPPOSITE = np.ones(11), np.array([1.0, -1.0] * 5 + [1.0])
JOINED = np.ones(10, np.bool_)


def test_nothing_known_gives_the_usual_correlation() -> None:
    """That of quarter-second means behind a lag of 0.1 s, by exact arithmetic of both."""
    lag, batch = 0.1, BATCH_S
    x = batch / lag
    mean_square = 2 * (x - 1 + np.exp(-x)) / x**2
    neighbours = np.exp(-x) * (np.exp(x) - 1) ** 2 * np.exp(-x) / x**2
    usual = lag1(np.full((1, 2), np.nan), np.zeros(0, np.bool_))
    assert usual == pytest.approx([neighbours / mean_square] * 2, abs=0.01)
    assert usual.tolist() == lag1(np.zeros((11, 2)), np.zeros(10, np.bool_)).tolist()


def test_a_short_column_is_drawn_to_all_columns_and_these_to_the_usual() -> None:
    """10 pairs alike: 1.4 alone; with 40 of 0.27 all columns have 0.496; with 20 of that it has 0.7973."""
    assert lag1(ALIKE[:, None], JOINED) == pytest.approx([(14 + 20 * 0.496) / 30])
    # Beside a column of the opposite, -1.2 alone: all have (14 - 12 + 10.8) / 60.
    both = np.column_stack([ALIKE, OPPOSITE])
    assert lag1(both, JOINED) == pytest.approx([(14 + 20 * 12.8 / 60) / 30, 0.0])
    # Batches that are missing at its end change nothing of it.
    holed = np.append(ALIKE, np.full(5, np.nan))[:, None]
    assert lag1(holed, np.ones(15, np.bool_)) == pytest.approx([(14 + 20 * 0.496) / 30])
    # Beside a column without data, which then has what all have.
    beside = np.column_stack([ALIKE, np.full(11, np.nan)])
    assert lag1(beside, JOINED) == pytest.approx([(14 + 20 * 0.496) / 30, 0.496])


def test_the_correlation_of_a_long_column_is_that_of_numpy() -> None:
    series = ar1(np.random.default_rng(11), 0.6, 20_000, 1)
    by_numpy = np.corrcoef(series[:-1, 0], series[1:, 0])[0, 1]
    assert lag1(series, np.ones(19_999, np.bool_))[0] == pytest.approx(by_numpy, abs=2e-3)


def test_the_correlation_of_numbers_that_hardly_differ_is_none() -> None:
    """Rounding errors of 1e-11 are no noise; 1e-9 is. Without any, own counts as 0 + 1/10."""
    assert lag1(1e-11 * ALIKE[:, None], JOINED) == pytest.approx([(1 + 20 * 11.8 / 50) / 30])
    assert lag1(1e-9 * ALIKE[:, None], JOINED) == pytest.approx(lag1(ALIKE[:, None], JOINED))


# ----------------------------------------------------------------------------------------------------
# Numbers with holes.
# ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("holes", [0.0, 0.4, 1.0])
def test_medians_with_holes_are_those_of_numpy(axis: int, holes: float) -> None:
    rng = np.random.default_rng(5)
    for shape in ((7, 5), (6, 4), (1, 3), (3, 1), (2, 2)):
        x = rng.standard_normal(shape)
        x[rng.random(shape) < holes] = np.nan
        count = np.isfinite(x).sum(axis=axis)
        known = np.ma.median(np.ma.masked_invalid(x), axis=axis).filled(np.nan)
        for fewest in (1, 2, 3):
            expected = np.where(count >= fewest, known, np.nan)
            assert median_with_holes(x, axis, fewest) == pytest.approx(expected, nan_ok=True)
        assert median_with_holes(x, axis).tobytes() == median_with_holes(x, axis, 1).tobytes()


def test_the_median_of_no_rows_has_no_values() -> None:
    assert median_with_holes(np.zeros((0, 3)), 1).tolist() == []


def test_means_of_what_is_known_leave_holes_out() -> None:
    x = np.array([[1.0, np.nan, 3.0, 0.0], [2.0, np.nan, np.nan, 0.0], [6.0, np.nan, 5.0, 0.0]])
    assert mean_of_known(x) == pytest.approx([3.0, np.nan, 4.0, 0.0], nan_ok=True)


def test_the_engines_lambda_needs_two_nodes() -> None:
    lam = np.array([[0.8, np.nan, 1.0], [np.nan, 0.9, np.nan], [np.nan] * 3])
    found = engine_lambda(lam, np.array([1.0, 5.0, 3.0]))
    assert found == pytest.approx([4 / (1 / 0.8 + 3 / 1.0), np.nan, np.nan], nan_ok=True)


def test_needs_are_percent_of_fuel_and_lean_needs_more() -> None:
    lam = np.array([0.9, 0.99, np.nan, 0.9, 0.9])
    reference = np.array([0.9, 0.9, 0.9, 0.0, np.nan])
    assert needs_percent(lam, reference) == pytest.approx([0.0, 10.0, *[np.nan] * 3], nan_ok=True)
    assert needs_percent(np.array([0.45, 1.8]), np.float64(0.9)) == pytest.approx([-50.0, 100.0])
