"""Biases and needs, against plain least squares by NumPy and engines whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from rotations import PLACES, Engine, known_error, shifted

from mixmon.errors import UsageError
from mixmon.findings.bias.notes import BiasNote
from mixmon.findings.bias.rotation import ENOUGH_POWER, Rotation, fit_rotation
from mixmon.findings.stats import chi_square_above, chi_square_point


def truth(count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Needs and biases that sum to zero, percent of ln lambda."""
    needs, biases = rng.uniform(-5, 5, count), rng.normal(0, 1, count)
    return needs - needs.mean(), biases - biases.mean()


def rotated(seed: int, sensors: list[list[int]], **more) -> tuple[np.ndarray, np.ndarray, Rotation]:
    """One engine through these sessions: true needs (fuel domain) and biases, percent, and what was found."""
    rng = np.random.default_rng(seed)
    needs, biases = truth(len(sensors[0]), rng)
    found = fit_rotation(Engine(needs, biases, rng, **more).sessions(sensors))
    return needs_percent(needs), 100 * np.expm1(biases / 100), found


def needs_percent(needs: np.ndarray) -> np.ndarray:
    """Needs against the mean in the fuel domain, percent, from percent of ln lambda."""
    return 100 * (np.exp(needs / 100) * np.mean(np.exp(-needs / 100)) - 1)


def bias_of(found: Rotation, count: int) -> np.ndarray:
    """Biases in order of the sensors' numbers."""
    by_name = {one.sensor: one.bias_percent for one in found.sensors}
    return np.array([by_name[f"S-{s + 1}"] for s in range(count)])


def hits(found: Rotation, needs: np.ndarray, biases: np.ndarray) -> tuple[int, int]:
    """How many intervals of needs, and of biases, hold the truth."""
    of_needs = sum(
        abs(one.needs_percent - needs[one.cylinder - 1]) <= one.half_interval_percent
        for one in found.cylinders
    )
    of_biases = sum(
        abs(one.bias_percent - biases[int(one.sensor[2:]) - 1]) <= one.half_interval_percent
        for one in found.sensors
    )
    return of_needs, of_biases


def codes(found: Rotation) -> set[BiasNote]:
    return {note.code for note in found.notes}


MISSING = [[*range(8)], [7, 0, 1, -1, 3, 4, 5, 6], [5, 6, 7, 0, 1, 2, -1, 4]]


@pytest.mark.parametrize("sensors", [shifted(8, (0, 1)), shifted(8, (0, 1, 3)), MISSING])
def test_against_plain_least_squares(sensors):
    """Readings of equal error: dummies of sessions, cylinders and sensors, solved by NumPy."""
    rng = np.random.default_rng(4)
    count, sigma = 8, 0.25
    # Small where there are looks to spare, so that no variance is added for what they disagree by.
    y = rng.normal(0, 1 if len(sensors) == 2 else 0.1, (len(sensors), count))
    looks = [(k, c, s) for k, own in enumerate(sensors) for c, s in enumerate(own) if s >= 0]
    design = np.zeros((len(looks), len(sensors) + 2 * count))
    for row, (k, c, s) in enumerate(looks):
        design[row, [k, len(sensors) + c, len(sensors) + count + s]] = 1.0
    found = fit_rotation(known_error(sensors, sigma, y))
    right = np.linalg.lstsq(design, np.array([y[k, c] for k, c, _ in looks]), rcond=None)[0]
    cylinders, biases = right[len(sensors) :].reshape(2, count)
    assert found.look_error_percent == pytest.approx(0.3 if len(sensors) == 2 else 0.0)
    expected = 100 * np.expm1((biases - biases.mean()) / 100)
    assert bias_of(found, count) == pytest.approx(expected, abs=1e-9)
    said = [one.needs_percent for one in found.cylinders]
    assert said == pytest.approx(needs_percent(cylinders), abs=1e-9)
    inverse = (sigma**2 + found.look_error_percent**2) * np.linalg.pinv(design.T @ design)
    centre = np.eye(count) - 1 / count
    error = np.sqrt(np.diag(centre @ inverse[-count:, -count:] @ centre))
    halves = [one.half_interval_percent for one in found.sensors if one.looks]
    assert halves == pytest.approx(1.96 * error, rel=0.02)  # percent of lambda for percent of its logarithm


CASES = {
    "nothing but the readings": {},
    "seats": {"seat": 0.15},
    "seats and cells": {"seat": 0.1, "by_cell": 0.15},
}


@pytest.mark.parametrize("name", CASES)
def test_intervals_hold_the_truth(name):
    """Coverage of 95 % intervals; tools/rotation_study.py plays some hundred of each."""
    count, trials, found_needs, found_biases = 8, 25, 0, 0
    for seed in range(trials):
        needs, biases, found = rotated(seed, shifted(count, (0, 1, 3)), places=PLACES[:2], **CASES[name])
        of_needs, of_biases = hits(found, needs, biases)
        found_needs, found_biases = found_needs + of_needs, found_biases + of_biases
    assert 0.93 <= found_needs / (count * trials) <= 0.985
    assert 0.93 <= found_biases / (count * trials) <= 0.985


def test_a_need_that_differs_by_cell_is_nobodys_bias():
    """Needs that change with load are the cylinders' own; sensors keep their biases."""
    rng = np.random.default_rng(3)
    needs, biases = truth(8, rng)
    by_cell = needs + np.array([[-2.0], [0.0], [2.0]]) * rng.standard_normal(8)
    found = fit_rotation(Engine(by_cell, biases, rng).sessions(shifted(8, (0, 1, 3))))
    off = bias_of(found, 8) - 100 * np.expm1(biases / 100)
    assert np.abs(off).max() < 0.2
    assert max(one.half_interval_percent for one in found.sensors) < 0.2
    assert min(one.half_interval_percent for one in found.cylinders) > 0.5


def test_sessions_share_some_cells_only():
    """One session was never in the second cell: its needs are not taken for those of that cell."""
    rng = np.random.default_rng(5)
    needs, biases = truth(8, rng)
    by_cell = np.stack([needs, needs + rng.uniform(-4, 4, 8)])
    engine = Engine(by_cell, biases, rng, places=PLACES[:2], silent={(2, 1): range(8)})
    found = fit_rotation(engine.sessions(shifted(8, (0, 1, 3))))
    assert [one.cells for one in found.sessions] == [2, 2, 1]
    assert np.abs(bias_of(found, 8) - 100 * np.expm1(biases / 100)).max() < 0.3


def test_sessions_without_a_cell_in_common():
    rng = np.random.default_rng(6)
    engine = Engine(*truth(8, rng), rng, places=PLACES[:2], silent={(0, 0): range(8), (1, 1): range(8)})
    found = fit_rotation(engine.sessions(shifted(8, (0, 1))))
    assert found.why_not.code is BiasNote.NO_CELL_IN_COMMON
    assert found.cylinders == found.sensors == found.design == ()


def test_two_sessions_are_solved_and_nothing_checks_them():
    needs, biases, found = rotated(7, shifted(8, (0, 1)))
    assert found.solvable
    assert found.residual_degrees == 0
    assert found.consistent is None
    said = next(dict(one.values) for one in found.notes if one.code is BiasNote.NOTHING_CHECKS)
    assert said["assumed_look_error_percent"] == pytest.approx(0.3)
    assert np.isnan(found.agreement_power)
    assert len(found.design) == 8
    assert sum(hits(found, needs, biases)) >= 14


def test_intervals_of_two_sessions_hold_the_truth_of_looks_that_nothing_checks():
    """Looks that are off by 0.3 % each: with 0.1 % assumed, 58 % of the intervals held the truth."""
    held = []
    for seed in range(12):
        needs, biases, found = rotated(seed, shifted(8, (0, 1)), seat=0.3)
        held += hits(found, needs, biases)
    assert np.mean(held) > 0.9


@pytest.mark.parametrize(("count", "shifts", "enough"), [(2, (0, 1, 0), False), (8, (0, 1, 3), True)])
def test_agreement_by_few_looks_is_said_to_say_little(count, shifts, enough):
    """The stated power is the share of rotations with such looks that are said to disagree."""
    noticed, stated, silent = [], [], []
    for seed in range(40):
        found = rotated(seed, shifted(count, shifts), seat=0.3, places=PLACES[:1])[2]
        noticed.append(not found.consistent)
        stated.append(found.agreement_power)
        silent.append(BiasNote.AGREEMENT_SAYS_LITTLE not in {one.code for one in found.notes})
    assert np.mean(noticed) == pytest.approx(np.mean(stated), abs=0.2)  # three binomial errors of forty
    assert (min(stated) > ENOUGH_POWER) is enough
    assert [a or b for a, b in zip(noticed, silent, strict=True)] == [enough or a for a in noticed]


def test_a_session_with_one_node_says_nothing_and_warns_of_nothing():
    """Warnings are errors in tests: a quotient without a value among the weights was one."""
    sessions = known_error([[0, 1, 2], [1, -1, -1], [1, 2, 0]], 0.1)
    alone = replace(sessions[1], cylinders=((1,),), sensors=("S-2",), charges=np.ones(1))
    fit = next(iter(sessions[1].cells.values()))
    assert fit.groups[0].nodes.tolist() == [0]
    found = fit_rotation([sessions[0], alone, sessions[2]])
    assert found.solvable
    assert len(found.cylinders) == 3


def test_what_all_sensors_share_stays_and_is_said():
    rng = np.random.default_rng(8)
    needs, biases = truth(8, rng)
    found = fit_rotation(Engine(needs, biases + 3.0, rng).sessions(shifted(8, (0, 1, 3))))
    assert np.abs(bias_of(found, 8) - 100 * np.expm1(biases / 100)).max() < 0.3
    assert BiasNote.COMMON_BIAS_STAYS in codes(found)


def test_a_sensor_that_is_missing_in_one_session():
    dead = {(1, q): [2] for q in range(3)}
    needs, biases, found = rotated(9, shifted(8, (0, 1, 3)), silent=dead)
    assert found.solvable
    assert found.residual_degrees == 6
    assert [one.heard for one in found.sessions[1].placed] == [i != 2 for i in range(8)]
    assert sum(hits(found, needs, biases)) >= 14


def test_a_sensor_that_is_silent_in_some_cells_only():
    dead = {(1, 0): [2], (2, 1): [5, 6]}
    needs, biases, found = rotated(10, shifted(8, (0, 1, 3)), silent=dead)
    assert found.residual_degrees == 7
    assert sum(hits(found, needs, biases)) >= 14


def test_a_node_that_is_dead_in_all_sessions():
    """Its cylinder is not known, and the sensors that sat there are found by their other looks."""
    dead = {(k, q): [3] for k in range(3) for q in range(3)}
    rng = np.random.default_rng(11)
    needs, biases = truth(8, rng)
    found = fit_rotation(Engine(needs, biases, rng, silent=dead).sessions(shifted(8, (0, 1, 3))))
    assert found.solvable
    assert np.isnan(found.cylinders[3].needs_percent)
    known = np.delete(np.arange(8), 3)
    for i, one in zip(known, [c for c in found.cylinders if c.cylinder != 4], strict=True):
        expected = needs_percent(needs[known])[list(known).index(i)]
        assert abs(one.needs_percent - expected) < 2 * one.half_interval_percent
    assert np.abs(bias_of(found, 8) - 100 * np.expm1(biases / 100)).max() < 0.4


def test_a_cylinder_that_changed_between_sessions_is_noticed():
    """By 2 % after the first session: intervals grow, and the look is named."""
    for seed in range(5):
        needs, biases, found = rotated(seed, shifted(8, (0, 1, 3)), extra={(0, 4): 2.0}, seat=0.05)
        assert found.consistent is False
        named = [dict(one.values) for one in found.notes if one.code is BiasNote.LOOK_ODD]
        assert [(one["session"], one["cylinders"]) for one in named] == [(1, (5,))]
        assert named[0]["percent"] == pytest.approx(2.0, abs=0.6)
        quiet = rotated(seed, shifted(8, (0, 1, 3)), seat=0.05)[2]
        before, after = (np.mean([one.half_interval_percent for one in f.sensors]) for f in (quiet, found))
        assert after > 3 * before
        assert sum(hits(found, needs, biases)) >= 14


def test_exchanged_labels_are_noticed_and_named():
    """In the second session the sensors of cylinders 3 and 6 are exchanged against what its file says."""
    sensors = shifted(8, (0, 1, 3))
    told = [list(own) for own in sensors]
    told[1][2], told[1][5] = told[1][5], told[1][2]
    rng = np.random.default_rng(12)
    needs, biases = truth(8, rng)
    biases[[1, 4]] = 1.2, -1.0
    sessions = Engine(needs, biases, rng).sessions(sensors)
    sessions[1] = replace(sessions[1], sensors=tuple(f"S-{s + 1}" for s in told[1]))
    found = fit_rotation(sessions)
    assert found.consistent is False
    named = [dict(one.values) for one in found.notes if one.code is BiasNote.LOOKS_EXCHANGED]
    assert [(one["session"], one["cylinders"]) for one in named] == [(2, (3, 6))]
    assert abs(named[0]["percent"]) == pytest.approx(2.2, abs=0.4)


def test_a_sensor_that_changed_after_the_second_of_four_sessions():
    sensors = shifted(8, (0, 1, 2, 4))
    later = {(k, own.index(3)): -1.5 for k, own in enumerate(sensors) if k > 1}
    found = rotated(13, sensors, extra=later)[2]
    named = [dict(one.values) for one in found.notes if one.code is BiasNote.SENSOR_CHANGED]
    assert [(one["sensor"], one["after"]) for one in named] == [("S-4", 2)]


def test_sessions_that_agree_are_seldom_said_to_disagree():
    found = [
        rotated(seed, shifted(8, (0, 1, 3)), noise=(1.0, 2.0), places=PLACES[:1])[2] for seed in range(40)
    ]
    assert sum(one.consistent is False for one in found) <= 2


def test_trims_that_changed_are_known_offsets():
    rng = np.random.default_rng(14)
    needs, biases = truth(8, rng)
    trims = [np.zeros(8), np.array([3.0, 0, 0, -4, 0, 0, 0, 0]), np.array([3.0, 0, 0, -4, 0, 0, 0, 2])]
    found = fit_rotation(Engine(needs, biases, rng, trims=trims).sessions(shifted(8, (0, 1, 3))))
    assert found.consistent
    expected = needs_percent(needs - 100 * np.log1p(trims[2] / 100))
    assert hits(found, expected, 100 * np.expm1(biases / 100))[0] >= 7
    changed = next(dict(one.values) for one in found.notes if one.code is BiasNote.TRIMS_CHANGED)
    assert changed["cylinders"] == (1, 4, 8)


def test_biases_that_differ_by_cell_are_told():
    found = rotated(15, shifted(8, (0, 1, 3)), by_cell=0.5)[2]
    assert BiasNote.BIASES_DIFFER_BY_CELL in codes(found)
    assert BiasNote.BIASES_DIFFER_BY_CELL not in codes(rotated(15, shifted(8, (0, 1, 3)))[2])


def test_a_mixture_that_moved_between_sessions_is_told():
    sessions = known_error(shifted(8, (0, 1)), 0.25)
    cell, fit = next(iter(sessions[1].cells.items()))
    moved = replace(fit, groups=(replace(fit.groups[0], level=fit.groups[0].level + 0.05),))
    found = fit_rotation([sessions[0], replace(sessions[1], cells={cell: moved})])
    assert BiasNote.OPERATING_POINT_MOVED in codes(found)
    assert BiasNote.OPERATING_POINT_MOVED not in codes(fit_rotation(sessions))


def test_the_order_of_the_sessions_does_not_matter():
    rng = np.random.default_rng(16)
    sessions = Engine(*truth(8, rng), rng, seat=0.1).sessions(shifted(8, (0, 1, 3)))
    one, other = fit_rotation(sessions), fit_rotation(sessions[::-1])
    assert bias_of(one, 8) == pytest.approx(bias_of(other, 8), abs=1e-9)
    halves = [sorted(b.half_interval_percent for b in found.sensors) for found in (one, other)]
    assert halves[0] == pytest.approx(halves[1])


def test_sixteen_sensors():
    needs, biases, found = rotated(17, shifted(16, (0, 1, 3)), places=PLACES[:1])
    assert found.residual_degrees == 15
    assert sum(hits(found, needs, biases)) >= 27


def test_sessions_of_different_engines_are_refused():
    first, second = known_error(shifted(8, (0, 1)), 0.25)
    with pytest.raises(UsageError, match="6 cylinders"):
        fit_rotation([first, replace(second, count=6)])
    with pytest.raises(UsageError, match="axes"):
        fit_rotation([first, replace(second, load="map_kpa")])
    with pytest.raises(UsageError, match="now_percent"):
        fit_rotation([first, replace(second, trims=np.full(8, 0.01))])
    staged = [
        replace(one, cells={replace(cell, injection_stage=stage): fit for cell, fit in one.cells.items()})
        for stage, one in ((1, first), (2, second))
    ]
    with pytest.raises(UsageError, match="different injection stages"):
        fit_rotation(staged)


@pytest.mark.parametrize("degrees", [1, 3, 7, 28])
@pytest.mark.parametrize("normal", [-0.3, 2.326, 3.09])
def test_points_of_chi_square(degrees, normal):
    right = scipy.stats.chi2.ppf(scipy.stats.norm.cdf(normal), degrees)
    assert chi_square_point(degrees, normal) == pytest.approx(right, rel=0.02 if degrees > 1 else 0.12)


@pytest.mark.parametrize("degrees", [1, 2, 3, 7, 28])
@pytest.mark.parametrize("share", [0.02, 0.3, 1.0, 2.0])
def test_probabilities_of_chi_square(degrees, share):
    right = scipy.stats.chi2.sf(share * degrees, degrees)
    assert chi_square_above(degrees, share * degrees) == pytest.approx(right, abs=0.03)
