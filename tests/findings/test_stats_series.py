"""Intervals of correlated series, against published values, scipy and known truth."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from mixmon.findings.stats import (
    NO_ESTIMATE,
    SIGMA_OF_MAD,
    engine_lambda,
    engine_log_lambda,
    estimate,
    lag1,
    robust_deviation,
    rolling_median,
    student_t95,
)


@pytest.mark.parametrize("dof", [1, 2, 5, 9, 29, 30])
def test_student_t_at_table_rows_is_that_of_scipy(dof: int) -> None:
    assert student_t95(dof) == pytest.approx(scipy.stats.t.ppf(0.975, dof), abs=1e-4)


@pytest.mark.parametrize("dof", [3.5, 12.7, 44, 150, 5000])
def test_student_t_between_rows_is_near_that_of_scipy(dof: float) -> None:
    assert student_t95(dof) == pytest.approx(scipy.stats.t.ppf(0.975, dof), rel=6e-3)


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
