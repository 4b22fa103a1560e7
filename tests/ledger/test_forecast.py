"""Forecasts against scipy's straight line, a root found numerically, and simulated drift of a known end."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from mixmon.ledger.forecast import DriftPoint, Forecast, forecast
from mixmon.ledger.notes import LedgerNote

LIMIT = 0.15
SCATTER = ((1, 0.001), (7, -0.002), (20, 0.002), (33, 0), (60, -0.001))


def drifting(
    rng: np.random.Generator, runs: int = 12, sd: float = 0.003, start: float = 0.085, per_h: float = 0.0004
) -> tuple[list[DriftPoint], float]:
    """T63 in runs over a hundred hours, and the hours that are left after the last of them."""
    hours = np.sort(rng.uniform(0, 100, runs))
    values = start + per_h * hours + rng.normal(0, sd, runs)
    return [DriftPoint(h, v, 1.96 * sd) for h, v in zip(hours.tolist(), values.tolist(), strict=True)], (
        LIMIT - start
    ) / per_h - hours[-1]


def test_slope_and_interval_are_those_of_scipy_where_all_points_weigh_the_same():
    points = [
        DriftPoint(h, 0.08 + 0.0005 * h + e)
        for h, e in ((1, 0.001), (7, -0.002), (20, 0.002), (33, 0), (60, -0.001))
    ]
    found = forecast("t63 lean", points, LIMIT)
    line = scipy.stats.linregress([p.hours for p in points], [p.value for p in points])
    assert found.per_100_h == pytest.approx(100 * line.slope, rel=1e-12)
    assert found.per_100_h_half == pytest.approx(100 * line.stderr * scipy.stats.t.ppf(0.975, 3), rel=1e-4)
    assert found.hours_left == pytest.approx((LIMIT - line.intercept) / line.slope - 60, rel=1e-12)


def test_the_interval_ends_where_a_test_of_the_line_against_the_limit_just_rejects():
    """Fieller's interval by its definition: the line less the limit, over its standard error, is t."""
    points, _ = drifting(np.random.default_rng(1))
    found = forecast("t63 lean", points, LIMIT)
    x, y = (np.array([getattr(p, name) for p in points]) for name in ("hours", "value"))
    line, t = scipy.stats.linregress(x, y), scipy.stats.t.ppf(0.975, len(x) - 2)
    sd = points[0].own_half / 1.96
    scale = max(1.0, math.sqrt(np.sum((y - line.intercept - line.slope * x) ** 2) / (len(x) - 2)) / sd)

    def excess(at: float) -> float:
        error = scale * sd * math.sqrt(1 / len(x) + (at - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2))
        return abs(line.intercept + line.slope * at - LIMIT) / error - t

    meet = x.max() + found.hours_left
    low = scipy.optimize.brentq(excess, x.mean(), meet)
    high = scipy.optimize.brentq(excess, meet, 20 * meet)
    assert np.array(found.interval95_h) == pytest.approx([low - x.max(), high - x.max()], rel=1e-3)


def simulated(sd: float, seed: int) -> list[tuple[Forecast, float]]:
    """A thousand sensors that drift by 40 ms in a hundred hours, each with the hours that are left."""
    rng = np.random.default_rng(seed)
    made = [drifting(rng, sd=sd) for _ in range(1000)]
    found = [(forecast("t63 lean", points, LIMIT), left) for points, left in made]
    return [(one, left) for one, left in found if one.why_not is None]


def test_simulated_drift_is_forecast_within_a_quarter():
    """Twelve runs, each with T63 to 2 ms: 3 ms from one fuel cut, two or three cuts a run."""
    given = simulated(0.002, seed=2)
    assert len(given) >= 990
    assert np.mean([abs(one.hours_left - left) <= 0.25 * left for one, left in given]) >= 0.95


def test_the_end_of_simulated_drift_lies_in_the_interval():
    """At least 95 %, less what chance takes: errors grow with the scatter and never shrink."""
    for sd in (0.002, 0.005):
        given = simulated(sd, seed=3)
        assert np.mean([one.interval95_h[0] <= left <= one.interval95_h[1] for one, left in given]) >= 0.935


def test_noise_without_drift_is_rarely_forecast():
    rng = np.random.default_rng(3)
    found = [forecast("t63 rich", drifting(rng, per_h=1e-9)[0], LIMIT) for _ in range(1000)]
    assert np.mean([one.why_not is None for one in found]) < 0.04
    codes = [one.why_not.code for one in found if one.why_not is not None]
    assert set(codes) <= {LedgerNote.NO_TREND, LedgerNote.TOO_FAR}


def test_what_all_points_share_widens_the_interval():
    points, _ = drifting(np.random.default_rng(4))
    shared = [DriftPoint(p.hours, p.value, p.own_half, 0.008) for p in points]
    alone, together = (forecast("t63 lean", which, LIMIT) for which in (points, shared))
    assert together.hours_left == alone.hours_left
    slope = alone.per_100_h / 100
    assert together.interval95_h[0] < alone.interval95_h[0] - 0.5 * 0.008 / slope
    assert together.interval95_h[1] > alone.interval95_h[1] + 0.5 * 0.008 / slope


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([DriftPoint(float(h), 0.1 + 0.001 * h) for h in range(4)], LedgerNote.TOO_FEW_POINTS),
        ([DriftPoint(float(h % 2), 0.1 + 0.001 * h) for h in range(8)], LedgerNote.TOO_FEW_POINTS),
        ([DriftPoint(float(h), 0.1 - 0.001 * h) for h in range(8)], LedgerNote.NO_TREND),
        ([DriftPoint(float(h), 0.16 + 0.001 * h) for h in range(8)], LedgerNote.BEYOND_LIMIT),
        ([DriftPoint(float(h), 0.1 + 0.001 * h) for h in range(8)], LedgerNote.TOO_FAR),
    ],
)
def test_there_is_no_forecast_without_ground(points, why):
    found = forecast("t63 lean", points, LIMIT)
    assert found.why_not.code is why
    assert math.isnan(found.hours_left)
    assert all(math.isnan(end) for end in found.interval95_h)
