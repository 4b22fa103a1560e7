"""Two one-sided tests: size, power and coverage by simulation, and against scipy's noncentral t."""

from __future__ import annotations

import functools

import numpy as np
import pytest
import scipy.integrate
import scipy.stats

from mixmon.findings.proof.equivalence import (
    NO_MEAN,
    Outcome,
    cells_needed,
    errors_by_all,
    mean_of_cells,
    outcome_of,
    pooled_deviation,
    power_of,
)

TABLE = {4: 0.49, 6: 0.82, 8: 0.95, 12: 0.997}
"""Power by cells at a margin of 0.5 and a standard deviation of 0.35: `exact_power` gives it too."""


def exact_power(cells: int, deviation: float, margin: float, change: float = 0.0) -> float:
    """By scipy: over the variance, the chance that the mean lies where both tests reject."""
    limit = scipy.stats.t.ppf(0.95, cells - 1)
    error = deviation / np.sqrt(cells)

    def inside(scatter: float) -> float:
        room = margin - limit * error * np.sqrt(scatter / (cells - 1))
        if room <= 0:
            return 0.0
        ends = scipy.stats.norm.cdf([(room - change) / error, (-room - change) / error])
        return float(ends[0] - ends[1]) * scipy.stats.chi2.pdf(scatter, cells - 1)

    most = (cells - 1) * (margin / limit / error) ** 2
    return float(scipy.integrate.quad(inside, 0, most, limit=200)[0])


@pytest.mark.parametrize("cells", TABLE)
def test_power(cells):
    assert power_of(cells, 0.35, 0.5) == pytest.approx(exact_power(cells, 0.35, 0.5), abs=1e-3)
    assert power_of(cells, 0.35, 0.5) == pytest.approx(TABLE[cells], abs=0.01)


def test_power_where_there_are_two_cells():
    assert power_of(2, 0.02, 0.5) == pytest.approx(exact_power(2, 0.02, 0.5), abs=1e-3)


def test_noncentral_t_bounds_the_power():
    """One side alone has the power of the noncentral t; both together lose at most twice what it lacks."""
    for cells in (8, 12):
        degrees, shift = cells - 1, 0.5 * np.sqrt(cells) / 0.35
        one_side = scipy.stats.nct.sf(scipy.stats.t.ppf(0.95, degrees), degrees, shift)
        assert 2 * one_side - 1 == pytest.approx(power_of(cells, 0.35, 0.5), abs=1e-3)


def test_cells_needed():
    assert cells_needed(0.35, 0.5) == 8
    assert cells_needed(0.35, 0.5, 0.5) == 5
    assert cells_needed(0.01, 0.5) == 2
    assert cells_needed(20.0, 0.5) is None
    assert cells_needed(np.nan, 0.5) is None


@functools.cache
def intervals_of(cells: int, error: float = 0.0) -> np.ndarray:
    """Intervals [4000, 2] of simulated paired cells without any change, with a standard deviation of 0.35."""
    means = [
        mean_of_cells(x, np.full(cells, error**2), np.full(cells, 30.0))
        for x in 0.35 * np.random.default_rng(1).standard_normal((4000, cells))
    ]
    return np.array([(m.mean - m.half90, m.mean + m.half90) for m in means])


def test_a_change_of_all_cells_moves_their_mean_and_nothing_else() -> None:
    x, variances, degrees = np.random.default_rng(4).standard_normal((3, 5))
    still, moved = (mean_of_cells(x + by, variances**2, degrees**2) for by in (0.0, 0.5))
    assert moved.mean == pytest.approx(still.mean + 0.5)
    assert (moved.half90, moved.half95) == (pytest.approx(still.half90), pytest.approx(still.half95))


def shares(intervals: np.ndarray) -> dict[Outcome, float]:
    said = [outcome_of(low, high, 0.5) for low, high in intervals.tolist()]
    return {one: said.count(one) / len(said) for one in Outcome}


@pytest.mark.parametrize("cells", TABLE)
def test_power_by_simulation(cells):
    found = shares(intervals_of(cells))[Outcome.EQUIVALENT]
    assert found == pytest.approx(TABLE[cells], abs=0.03)


@pytest.mark.parametrize("cells", TABLE)
def test_known_errors_of_cells_cost_little_power(cells):
    """Where all scatter comes from the readings' errors, cells that agree by chance no longer prove more."""
    found = shares(intervals_of(cells, error=0.35))[Outcome.EQUIVALENT]
    assert TABLE[cells] - 0.06 < found < TABLE[cells] + 0.01  # three standard errors of the simulation


@pytest.mark.parametrize("cells", TABLE)
@pytest.mark.parametrize("change", [0.5, -0.5])
def test_size_is_at_most_five_percent(cells, change):
    """A change of just the margin is said to be equivalent, or different, in five of a hundred at most."""
    found = shares(intervals_of(cells) + change)
    limit = 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)
    assert found[Outcome.EQUIVALENT] <= limit
    assert found[Outcome.DIFFERENT] <= limit


def test_unequal_errors_of_cells_do_not_make_the_size_larger():
    rng = np.random.default_rng(3)
    spread = np.array([0.1, 0.1, 0.2, 0.4, 0.9, 0.1])
    intervals = []
    for x in 0.5 + spread * rng.standard_normal((4000, 6)):
        m = mean_of_cells(x, np.zeros(6), np.full(6, 30.0))
        intervals.append((m.mean - m.half90, m.mean + m.half90))
    assert shares(np.array(intervals))[Outcome.EQUIVALENT] <= 0.06


@pytest.mark.parametrize("cells", TABLE)
def test_coverage(cells):
    low, high = intervals_of(cells).T
    held = ((low <= 0.0) & (high >= 0.0)).mean()
    assert held == pytest.approx(0.9, abs=3 * np.sqrt(0.9 * 0.1 / 4000))


def test_cells_that_share_an_error_do_not_hide_it():
    """Three cells off by the same amount agree by chance: their own errors make the interval."""
    alike = mean_of_cells(np.full(3, 0.3), np.full(3, 0.2**2), np.full(3, 30.0))
    assert alike.half90 == pytest.approx(0.2 / np.sqrt(3) * scipy.stats.t.ppf(0.95, 90), rel=0.01)


def test_one_cell_has_no_interval_and_none_no_mean():
    one = mean_of_cells(np.array([0.1]), np.array([0.01]), np.array([5.0]))
    assert (one.mean, one.error, one.degrees) == (0.1, pytest.approx(0.1), pytest.approx(5.0))
    assert np.isnan(one.half90)
    assert outcome_of(np.nan, np.nan, 0.5) is Outcome.NOT_SHOWN
    assert np.isnan(mean_of_cells(*np.zeros((3, 0))).mean)


def test_deviations_are_pooled_by_their_degrees_of_freedom():
    rng = np.random.default_rng(5)
    x, y = rng.standard_normal(4), rng.standard_normal(7)
    means = [mean_of_cells(v, np.zeros(len(v)), np.ones(len(v))) for v in (x, y, x[:1])]
    squares = 3 * np.var(x, ddof=1) + 6 * np.var(y, ddof=1)
    assert pooled_deviation(means) == pytest.approx(np.sqrt(squares / 9))
    assert np.isnan(pooled_deviation(means[2:]))


def test_a_deviation_is_not_less_than_the_errors_of_the_cells():
    alike = mean_of_cells(np.array([0.1, 0.1001, 0.1]), np.full(3, 0.2**2), np.full(3, 30.0))
    assert pooled_deviation([alike]) == pytest.approx(0.2)


def test_errors_of_means_of_few_cells_are_those_of_moderated_variances() -> None:
    """Smyth, Stat. Appl. Genet. Mol. Biol. 3, 2004 (from memory), with four degrees of the others."""
    rng = np.random.default_rng(7)
    own = [rng.normal(0.0, 0.002, count) for count in (2, 3, 3, 3, 1)]
    means = [mean_of_cells(v, np.full(len(v), 1e-10), np.full(len(v), 50.0)) for v in own]
    found = errors_by_all(means, np.zeros(len(own)))
    others = sum(v.var(ddof=1) * (len(v) - 1) for v in own[1:4]) / 6
    variance = (4 * others + own[0].var(ddof=1)) / 5
    half = scipy.stats.t.ppf(0.975, 5) * np.sqrt(variance / 2)
    assert found[0] * scipy.stats.norm.ppf(0.975) == pytest.approx(half, rel=1e-3)
    every = sum(v.var(ddof=1) * (len(v) - 1) for v in own[:4]) / 7
    alone = scipy.stats.t.ppf(0.975, 4) * np.sqrt(every)
    assert found[4] * scipy.stats.norm.ppf(0.975) == pytest.approx(alone, rel=1e-3)


def test_intervals_of_means_of_few_cells_hold_the_truth() -> None:
    rng, held, count = np.random.default_rng(8), 0, 0
    for _ in range(250):
        own = [rng.normal(0.0, 0.002, cells) for cells in (1, 2, 2, 3, 3, 1, 2, 3)]
        means = [mean_of_cells(v, np.full(len(v), 1e-8), np.full(len(v), 50.0)) for v in own]
        errors = errors_by_all(means, np.zeros(len(own)))
        held += sum(abs(one.mean) <= 1.96 * e for one, e in zip(means, errors.tolist(), strict=True))
        count += len(own)
    assert 0.94 <= held / count <= 0.97


def test_one_mean_alone_has_the_error_of_its_own_cells() -> None:
    one = mean_of_cells(np.array([0.01, 0.012, 0.011]), np.full(3, 1e-8), np.full(3, 50.0))
    (error,) = errors_by_all([one], np.zeros(1)).tolist()
    assert 1.959964 * error == pytest.approx(one.half95, rel=1e-5)
    assert np.isnan(errors_by_all([NO_MEAN], np.zeros(1))).all()
