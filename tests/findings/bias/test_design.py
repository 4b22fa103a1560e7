"""Designs, against an independent solution of the network: the pseudo-inverse of its Laplacian."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import scipy.sparse.csgraph
from rotations import shifted

import mixmon
from mixmon.errors import UsageError
from mixmon.findings.bias.design import best_shifts, judge_design
from mixmon.findings.bias.notes import BiasNote

NORMAL_95 = 1.96


def resistances(count: int, sensors: list[list[int]]) -> np.ndarray:
    """Effective resistance between cylinders of the network that has one resistor of one for each look.

    y = cylinder + sensor is, with the sign of the sensors turned, a difference along an edge; so the variance
    of a difference of two cylinders is the effective resistance between them (from memory: Klein & Randic, J.
    Math. Chem. 12, 1993; Bailey & Cameron 2009). Infinite where nothing connects them.
    """
    laplacian = np.zeros((2 * count, 2 * count))
    for own in sensors:
        for cylinder, sensor in enumerate(own):
            edge = np.zeros(2 * count)
            edge[[cylinder, count + sensor]] = 1.0, -1.0
            laplacian += np.outer(edge, edge)
    inverse = np.linalg.pinv(laplacian)
    own = np.diag(inverse)[:count]
    _, part = scipy.sparse.csgraph.connected_components(laplacian)
    apart = part[:count, None] != part[:count]
    return np.where(apart, np.inf, own[:, None] + own - 2 * inverse[:count, :count])


def mean_deviation(count: int, sensors: list[list[int]]) -> float:
    """Mean standard deviation of a difference of two cylinders, in errors of one look."""
    apart = resistances(count, sensors)
    return float(np.mean([np.sqrt(apart[i, j]) for i, j in combinations(range(count), 2)]))


TABLE = {
    (0, 1): (1.29, 1.71, 2.33),
    (0, 1, 2): (0.87, 1.02, 1.29),
    (0, 1, 3): (0.87, 0.94, 1.07),
}
"""Of shifts, for 4, 8 and 16 sensors (computed beforehand for the design of this program)."""


@pytest.mark.parametrize("shifts", TABLE)
@pytest.mark.parametrize("column", [0, 1, 2])
def test_what_shifts_give(shifts, column):
    count = (4, 8, 16)[column]
    sensors = shifted(count, shifts)
    assert mean_deviation(count, sensors) == pytest.approx(TABLE[shifts][column], abs=0.006)
    plan = [{(c + 1,): str(s) for c, s in enumerate(own)} for own in sensors]
    found = judge_design(plan, look_error_percent=NORMAL_95)
    # Against the mean of all, a variance is the mean of the resistances less half of the mean of all of them.
    apart = resistances(count, sensors)
    expected = NORMAL_95 * np.sqrt(apart.mean(axis=1) - apart.mean() / 2)
    assert found.half_interval_percent == pytest.approx(expected, rel=1e-9)
    assert found.residual_degrees == (len(shifts) - 2) * (count - 1)


def test_a_full_square():
    for count, known in ((4, 0.71), (8, 0.50), (16, 0.35)):
        assert mean_deviation(count, shifted(count, range(count))) == pytest.approx(known, abs=0.005)
        best = best_shifts(count, count)
        # Each cylinder is the mean of as many looks as there are cylinders.
        assert best.half_interval_percent == pytest.approx(np.sqrt((1 - 1 / count) / count))


@pytest.mark.parametrize(
    ("sessions", "shifts", "error"),
    [(2, (0, 1), 0.29), (3, (0, 1, 3), 0.16), (4, (0, 1, 2, 4), 0.13), (8, tuple(range(8)), 0.08)],
)
def test_eight_sensors_with_looks_of_a_quarter_percent(sessions, shifts, error):
    best = best_shifts(8, sessions, 0.25)
    assert best.shifts == shifts
    assert best.half_interval_percent == pytest.approx(error, abs=0.006)


@pytest.mark.parametrize(("count", "sessions"), [(7, 3), (8, 3), (8, 4), (9, 4)])
def test_no_other_shifts_are_better(count, sessions):
    """Against the resistances of every set of shifts."""
    best = best_shifts(count, sessions)
    least = min(
        np.sqrt(resistances(count, shifted(count, (0, *more))).mean() / 2)
        for more in combinations(range(1, count), sessions - 1)
    )
    assert best.half_interval_percent == pytest.approx(least)
    apart = resistances(count, shifted(count, best.shifts))
    assert best.half_interval_percent == pytest.approx(np.sqrt(apart.mean() / 2))


def test_the_fewest_sessions_that_reach_the_error():
    for wanted, sessions in ((0.6, 2), (0.35, 3), (0.3, 4), (0.17, 8)):
        design = mixmon.design_rotation(8, error_percent=wanted)
        assert len(design.sessions) == sessions
        assert design.reached
        before = design.choices[design.chosen - 1].half_interval_percent if design.chosen else np.inf
        assert max(design.half_interval_percent) <= wanted < before
    design = mixmon.design_rotation(8, error_percent=0.1)
    assert len(design.sessions) == 8
    assert not design.reached


def test_every_sensor_is_once_in_each_session_and_never_twice_in_a_cylinder():
    for count in (2, 3, 8, 16):
        design = mixmon.design_rotation(count)
        assert len(design.sessions) == min(3, count)
        for session in design.sessions:
            assert sorted(session) == sorted(design.sensors)
        for seats in zip(*design.sessions, strict=True):
            assert len(set(seats)) == len(seats)
        assert design.solvable


def test_two_sessions_are_not_checked_and_that_is_said():
    design = mixmon.design_rotation(8, error_percent=0.6)
    assert design.residual_degrees == 0
    assert BiasNote.NOTHING_CHECKS in {note.code for note in design.notes}
    assert BiasNote.COMMON_BIAS_STAYS in {note.code for note in design.notes}


@pytest.mark.parametrize("count", [1, 17])
def test_numbers_of_sensors_without_a_design(count):
    with pytest.raises(UsageError, match="expected 2 to 16"):
        mixmon.design_rotation(count)


def test_an_impossible_error_is_refused():
    with pytest.raises(UsageError, match="above zero"):
        mixmon.design_rotation(8, error_percent=0.0)
