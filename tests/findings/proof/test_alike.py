"""Whether cells that follow each other change alike, on series whose correlation is planted."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from mixmon.findings.proof.alike import growth, likeness
from mixmon.findings.proof.equivalence import mean_of_cells


def series(rng: np.random.Generator, phi: float, shape: tuple[int, ...]) -> np.ndarray:
    """Stationary first-order autoregressions of variance 1 along the last axis but one, by scipy."""
    long = rng.standard_normal((*shape[:-2], shape[-2] + 60, shape[-1]))
    return np.sqrt(1 - phi**2) * lfilter([1.0], [1.0, -phi], long, axis=-2)[..., 60:, :]


@pytest.mark.parametrize(("phi", "count"), [(0.3, 4), (0.6, 8), (0.9, 12)])
def test_growth_of_variances(phi, count):
    """Against many series; that of a sum of correlated values is also any handbook's formula."""
    values = series(np.random.default_rng(1), phi, (20_000, count, 1))[..., 0]
    of_mean = values.mean(axis=1).var() * count
    scatter = values.var(axis=1, ddof=1).mean()
    by_scatter, by_errors = growth(phi, count)
    lags = np.arange(1, count)
    assert by_errors == pytest.approx(1 + 2 * ((1 - lags / count) * phi**lags).sum(), rel=1e-9)
    assert by_errors == pytest.approx(of_mean, rel=0.04)
    assert by_scatter == pytest.approx(of_mean / scatter, rel=0.05)


def found(values: np.ndarray, order: np.ndarray | None = None) -> float:
    own = np.arange(len(values)) if order is None else order
    return likeness(values - values.mean(axis=1, keepdims=True), (own, own))


@pytest.mark.parametrize("count", [4, 6, 8, 12])
def test_noise_is_hardly_ever_alike(count):
    rng = np.random.default_rng(count)
    alarms = sum(found(x) > 0 for x in rng.standard_normal((1000, count, 8)) * rng.uniform(0.5, 2, 8))
    assert alarms <= 25  # 10 expected, and the statistic is not quite normal


@pytest.mark.parametrize("count", [8, 12])
def test_a_wander_is_found_in_the_order_of_time(count):
    rng = np.random.default_rng(2)
    order = rng.permutation(count)
    told = np.zeros((100, 2))
    for k, values in enumerate(series(rng, 0.7, (100, count, 8))):
        shuffled = np.empty_like(values)
        shuffled[order] = values
        told[k] = found(shuffled, order), found(shuffled)
    assert (told[:, 0] > 0).mean() > 0.8
    assert (told[:, 1] > 0).mean() < 0.5 * (told[:, 0] > 0).mean()
    assert np.median(told[:, 0]) == pytest.approx(0.7, abs=0.12)


def test_what_cannot_be_told():
    rising = np.outer(np.arange(6.0), [1.0, -1.0, 0.5, -0.5])
    assert found(rising) > 0.5
    assert found(rising[:3]) == 0.0
    assert found(np.zeros((6, 4))) == 0.0
    assert likeness(rising, ()) == 0.0
    holed = rising.copy()
    holed[2, 1:] = np.nan
    assert likeness(holed, (np.arange(6),)) == 0.0


def test_coverage_where_readings_wander():
    """Twelve cells that are alike by 0.6: intervals of independent cells hold the truth in six of ten."""
    rng = np.random.default_rng(4)
    held = np.zeros(2)
    engines = series(rng, 0.6, (150, 12, 8))
    for values in engines:
        own = values - values.mean(axis=1, keepdims=True)
        phi = found(values)
        for k, alike in enumerate((0.0, phi)):
            for column in own.T:
                m = mean_of_cells(column, np.zeros(12), np.full(12, 30.0), alike)
                held[k] += abs(m.mean) <= m.half90
    assert held[0] / engines.shape[0] / 8 < 0.70
    assert held[1] / engines.shape[0] / 8 > 0.82
