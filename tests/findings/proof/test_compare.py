"""Changes of needs over cells, on readings whose truth is known, and what is said of runs that differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dwells import dwell, needs_of, session
from laws import same_for_all_splits
from rotations import Engine

from mixmon.errors import UsageError
from mixmon.findings.proof.compare import BeforeAfter, compare_runs
from mixmon.findings.proof.conditions import ConditionStage, PlaceStage, compare_conditions
from mixmon.findings.proof.effect import is_loop_closed
from mixmon.findings.proof.equivalence import Outcome
from mixmon.findings.proof.notes import ProofNote
from mixmon.findings.proof.pairs import RunSide
from mixmon.findings.wander import Wander
from mixmon.mixture.steady import Cell
from mixmon.report.words import sentence
from mixmon.session.model import Axes, Sensors

PLACES = tuple((rpm, load) for rpm in (1100.0, 3000.0, 6000.0) for load in (3.0, 50.0, 100.0))
EIGHT = 8


def sides(
    rng: np.random.Generator, change: np.ndarray, noise: tuple[float, float] = (0.3, 0.9), **more
) -> list[RunSide]:
    """Two runs of an engine whose needs change; `change` in percent of ln lambda."""
    needs, biases = rng.uniform(-4, 4, EIGHT), rng.normal(0, 1, EIGHT)
    made = []
    for name, own in (("before", needs), ("after", needs + change)):
        engine = Engine(own, biases, rng, places=PLACES, noise=noise, **more)
        (looks,) = engine.sessions([range(EIGHT)])
        made.append(RunSide(name, session(EIGHT), looks.cells, {}))
    return made


def true_change(before: np.ndarray, change: np.ndarray) -> np.ndarray:
    """Of the needs in the fuel domain, percent, from percent of ln lambda."""
    after = (1 + needs_of((before + change) / 100) / 100) / (1 + needs_of(before / 100) / 100)
    return 100 * (after - 1)


def codes(found: BeforeAfter) -> set[ProofNote]:
    return {one.code for one in found.notes}


SILENT = {(0, 2): (3,), (0, 5): (0, 3)}
"""Nodes that are not heard in some cells."""


@pytest.mark.parametrize(("by_cell", "silent"), [(0.25, SILENT), (0.0, {})])
def test_coverage_of_intervals_and_how_often_the_margin_is_passed_wrongly(by_cell, silent):
    """Changes of just the margin: said to be less in five of a hundred at most."""
    held, wrong, trials = 0, 0, 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        needs = np.random.default_rng(seed).uniform(-4, 4, EIGHT)
        change = np.array([0.5, -0.5, 0.5, -0.5, 0.0, 0.0, 0.5, -0.5])
        before, after = sides(rng, change, by_cell=by_cell, silent=silent)
        found = compare_runs(before, after, 0.5)
        true = true_change(needs, change)
        for one, t in zip(found.cylinders, true.tolist(), strict=True):
            held += one.interval90_percent[0] <= t <= one.interval90_percent[1]
            wrong += one.equivalent and abs(t) >= 0.5
            trials += 1
    assert 0.87 <= held / trials <= 0.97
    assert wrong / trials <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)


def test_a_cylinder_that_changed_and_one_that_is_missing_in_cells():
    """What a cylinder does bends no other one, although it is not heard in every cell."""
    change = np.zeros(EIGHT)
    change[3] = 15.0
    quiet = sides(np.random.default_rng(1), change, noise=(0.05, 0.1), silent=SILENT)
    found = compare_runs(*quiet, 0.5)
    needs = np.random.default_rng(1).uniform(-4, 4, EIGHT)
    off = [c.change_percent - t for c, t in zip(found.cylinders, true_change(needs, change), strict=True)]
    assert np.abs(off).max() < 0.05
    assert found.cylinders[3].outcome is Outcome.DIFFERENT
    assert found.cylinders[3].cells == len(PLACES) - 2


def test_no_cell_in_common():
    before, after = sides(np.random.default_rng(2), np.zeros(EIGHT))
    first, *rest = before.cells
    found = compare_runs(
        replace(before, cells={first: before.cells[first]}),
        replace(after, cells={cell: after.cells[cell] for cell in rest}),
    )
    assert found.cells == ()
    assert ProofNote.NO_CELL_SHARED in codes(found)
    assert {one.outcome for one in found.cylinders} == {Outcome.NOT_SHOWN}
    assert not found.all_equivalent


def test_runs_of_two_engines_are_refused():
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    with pytest.raises(UsageError, match="expected one engine"):
        compare_runs(before, replace(after, session=session(6)))
    with pytest.raises(UsageError, match="margin 0 %"):
        compare_runs(before, after, 0.0)


def test_cells_on_other_axes_are_refused():
    """The same centre with wider neighbours is another cell: the engine may have been elsewhere in it."""
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    own = before.session
    fine, coarse = (
        replace(own, axes=replace(own.axes, rpm=rpm)) for rpm in ((2000.0, 3000.0, 4000.0), (1000.0, 3000.0))
    )
    with pytest.raises(UsageError, match=r"after: other cells than before; expected the same \[axes\]"):
        compare_runs(replace(before, session=fine), replace(after, session=coarse))


def with_serials(side: RunSide, biases: dict[str, tuple[float, float]]) -> RunSide:
    chain = side.session.chain
    nodes = tuple(replace(node, sensor=f"S-{i}") for i, node in enumerate(chain.nodes))
    own = replace(side.session, chain=replace(chain, nodes=nodes), sensors=Sensors(known_bias=biases))
    return replace(side, session=own)


def test_a_bias_that_is_told_in_one_session_only_is_no_change():
    """The readings of sensor S-3 are divided by 1.02 in one run and not in the other."""
    told = -100 * np.log(1.02) * (np.arange(EIGHT) == 3)
    for seed in range(5):
        before, after = sides(np.random.default_rng(seed), told, noise=(0.1, 0.2))
        alike = compare_runs(with_serials(before, {}), with_serials(after, {}))
        assert alike.cylinders[3].outcome is Outcome.DIFFERENT
        found = compare_runs(with_serials(before, {}), with_serials(after, {"S-3": (2.0, 0.2)}))
        assert ProofNote.BIASES_DIFFER in codes(found)
        assert found.cylinders[3].outcome is Outcome.NOT_SHOWN
        for one in found.cylinders:
            assert one.interval90_percent[0] <= 0 <= one.interval90_percent[1]


def test_a_run_after_that_began_earlier_is_told():
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    hour = 3_600_000_000_000
    exchanged = compare_runs(replace(before, begin_ns=9 * hour), replace(after, begin_ns=6 * hour))
    (told,) = [one for one in exchanged.notes if one.code is ProofNote.AFTER_IS_EARLIER]
    assert dict(told.values)["seconds"] == 3 * 3600
    assert "3 h earlier" in sentence(told)
    for begin in (None, 9 * hour - 1_000, 9 * hour, 12 * hour):
        found = compare_runs(replace(before, begin_ns=9 * hour), replace(after, begin_ns=begin))
        assert ProofNote.AFTER_IS_EARLIER not in codes(found)


def with_times(side: RunSide, order: np.ndarray) -> RunSide:
    """The same with cells that were visited in this order, one every fourteen seconds."""
    cells = zip(order.tolist(), side.cells.items(), strict=True)
    return replace(side, cells={cell: replace(fit, middle_s=14.0 * k) for k, (cell, fit) in cells})


def test_readings_that_drift_while_cells_are_visited_prove_less():
    """One cylinder's need follows the time of the run; what is known of its mean is less than it looks."""
    order = np.array([4, 0, 7, 2, 8, 1, 3, 6, 5])
    rng = np.random.default_rng(5)
    before, _ = sides(rng, np.zeros(EIGHT), noise=(0.1, 0.2))
    drift = np.outer(order - 4.0, 0.1 * rng.choice([-1.0, 1.0], EIGHT)) / 100
    cells = {
        cell: replace(fit, groups=(replace(fit.groups[0], levels=fit.groups[0].levels + by - by.mean()),))
        for (cell, fit), by in zip(before.cells.items(), drift, strict=True)
    }
    after = replace(before, name="after", cells=cells)
    found, alike = (
        compare_runs(before, after),
        compare_runs(*(with_times(s, order) for s in (before, after))),
    )
    assert ProofNote.CELLS_ALIKE in codes(alike)
    assert ProofNote.CELLS_ALIKE not in codes(found)  # when is not known
    for one, other in zip(found.cylinders, alike.cylinders, strict=True):
        assert np.ptp(other.interval90_percent) > 2 * np.ptp(one.interval90_percent)
    assert alike.power < found.power
    assert (alike.cells_needed or 201) > found.cells_needed


@pytest.mark.parametrize("which", [0, 1])
def test_readings_that_wander_within_a_run(which):
    rng = np.random.default_rng(6)
    both = sides(rng, np.zeros(EIGHT), by_cell=0.2)
    excess = 3.0 * (np.arange(EIGHT) == 2)
    wander = Wander(False, excess, np.full(EIGHT, 1e-6), longest_s=10.0, steady_s=90.0, again=False)
    calm = compare_runs(*both)
    both[which] = replace(both[which], wander=wander)
    found = compare_runs(*both)
    (told,) = [one for one in found.notes if one.code is ProofNote.READINGS_WANDER]
    assert dict(told.values)["cylinders"] == (3,)
    assert np.ptp(found.cylinders[2].interval90_percent) > 1.5 * np.ptp(calm.cylinders[2].interval90_percent)
    assert found.cylinders[3].interval90_percent == calm.cylinders[3].interval90_percent
    both[which] = replace(both[which], wander=replace(wander, excess=0 * excess, steady_s=40.0))
    short = compare_runs(*both)
    assert ProofNote.WANDER_NOT_SEEN in codes(short)
    assert ProofNote.READINGS_WANDER not in codes(short)


def test_labels_that_were_exchanged_between_the_runs_are_told():
    needs = np.array([3.0, -3.0, 1.0, 0.0, -1.0, 2.0, -2.0, 0.5])
    rng = np.random.default_rng(7)

    def run(name: str, own: np.ndarray) -> RunSide:
        (looks,) = Engine(own, np.zeros(EIGHT), rng, places=PLACES, noise=(0.1, 0.3)).sessions([range(EIGHT)])
        return RunSide(name, session(EIGHT), looks.cells, {})

    def told(found: BeforeAfter) -> list[tuple[int, ...]]:
        return [dict(n.values)["cylinders"] for n in found.notes if n.code is ProofNote.LOOKS_EXCHANGED]

    before, exchanged = run("before", needs), run("after", needs[[0, 6, 2, 3, 5, 4, 1, 7]])
    assert told(compare_runs(before, exchanged)) == [(5, 6)]  # cylinders 2 and 7 differ by a percent only
    assert told(compare_runs(before, run("after", needs))) == []
    assert told(compare_runs(before, exchanged, entered={5: -3.0, 6: 3.0})) == []  # the trims explain it


def test_where_in_a_cell_the_engine_was():
    """The same bits for every split of the rows; rows that do not count are not in it."""
    own = replace(session(2), axes=Axes((2000.0, 3000.0), (20.0, 80.0), "throttle"))
    block = dwell(np.zeros(2), np.random.default_rng(5), seconds=8.0)
    rows = np.arange(len(block))
    now = {**block.now, "rpm": 3200 + 0.01 * rows, "load": np.full(len(block), 75.0)}
    block = replace(block, now=now)

    def run(pieces: list[slice]) -> dict[Cell, Cell]:
        stage = PlaceStage(own)
        for piece in pieces:
            stage.feed(block.take(piece))
        return stage.result()

    ((cell, place),) = same_for_all_splits(len(block), run).items()
    steady = rows[round(own.validity.settle_s * 100) - 1 :]
    assert cell == Cell(3000.0, 80.0)
    assert (place.rpm, place.load) == (pytest.approx(3200 + 0.01 * steady.mean(), abs=0.01), 75.0)


@pytest.mark.parametrize(("rpm", "load", "told"), [(50.0, 1.0, False), (90.0, 0.0, True), (0.0, 3.0, True)])
def test_cells_in_which_the_engine_was_elsewhere_are_told(rpm, load, told):
    """The bands of steady running are 60 rpm and 2 of load."""
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    there = {cell: Cell(cell.rpm + rpm, cell.load - load) for cell in before.cells}
    found = compare_runs(
        replace(before, places={cell: cell for cell in before.cells}), replace(after, places=there)
    )
    notes = [one for one in found.notes if one.code is ProofNote.PLACES_DIFFER]
    assert bool(notes) is told
    if told:
        assert dict(notes[0].values) == {"cells": len(PLACES), "rpm": rpm, "load": load}


@pytest.mark.parametrize("entered", [{3: np.nan}, {3: -100.0}, {3: 51.0}, {0: 1.0}, {9: 1.0}])
def test_trims_that_cannot_be_are_refused(entered):
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    with pytest.raises(UsageError, match=r"entered: .*expected"):
        compare_runs(before, after, entered=entered)


def test_conditions_are_compared_by_bands():
    found = compare_conditions({"coolant_c": 85.0, "intake_c": 20.0}, {"coolant_c": 88.0, "intake_c": 31.0})
    assert {one.quantity: one.alike for one in found} == {
        "coolant_c": True,
        "intake_c": False,
        "oil_c": None,
        "baro_kpa": None,
    }
    before, after = sides(np.random.default_rng(4), np.zeros(EIGHT))
    compared = compare_runs(
        replace(before, conditions={"intake_c": 20.0}), replace(after, conditions={"intake_c": 31.0})
    )
    assert codes(compared) >= {ProofNote.CONDITIONS_DIFFER, ProofNote.CONDITIONS_UNKNOWN}


def test_the_mean_of_a_condition_is_over_rows_that_count():
    """The same bits for every split of the rows."""
    rng = np.random.default_rng(5)
    block = dwell(np.zeros(2), rng, seconds=4.0)
    coolant = 80 + rng.standard_normal(len(block))
    coolant[7] = np.nan
    state = block.state.copy()
    state[:100] = 1
    block = replace(block, state=state, now={**block.now, "coolant_c": coolant})

    def run(pieces: list[slice]) -> float:
        stage = ConditionStage()
        for piece in pieces:
            stage.feed(block.take(piece))
        assert np.isnan(stage.result()["oil_c"])
        return stage.result()["coolant_c"]

    assert same_for_all_splits(len(block), run) == pytest.approx(np.mean(coolant[100:]), abs=1e-3)


@pytest.mark.parametrize(("share", "told"), [(0.5, True), (0.01, False), (np.nan, False)])
def test_a_closed_loop_that_was_reported_is_told(share, told):
    before, after = sides(np.random.default_rng(3), np.zeros(EIGHT))
    block = dwell(np.zeros(2), np.random.default_rng(5), seconds=4.0)
    stage = ConditionStage()
    reported = np.where(np.arange(len(block)) < share * len(block), 1.0, 0.0 * share)
    stage.feed(replace(block, now={**block.now, "closed_loop": reported}))
    found = compare_runs(before, replace(after, conditions=stage.result()))
    notes = [one for one in found.notes if one.code is ProofNote.LOOP_REPORTED]
    assert [dict(one.values)["runs"] for one in notes] == ([("after",)] if told else [])
    assert "closed_loop" not in {one.quantity for one in found.conditions}


def test_a_loop_is_closed_where_a_mean_stays_against_its_trims():
    entered, error = np.array([0.05, 0.02, 0.04, 0.01]), np.full(4, 0.002)
    assert is_loop_closed(entered, entered.mean() - entered, error)
    assert not is_loop_closed(entered, -entered, error)
    assert not is_loop_closed(entered, np.zeros(4), np.full(4, 0.02))  # too noisy to say
    assert not is_loop_closed(entered / 10, np.zeros(4), error)  # too small to say
    assert not is_loop_closed(entered, np.full(4, np.nan), error)  # no target


def test_runs_are_compared_in_one_injection_stage_and_the_other_is_not_silent():
    """Cylinder 5 changes by 4 % beyond the staging line alone."""
    still, change = np.zeros(EIGHT), 4.0 * np.eye(EIGHT)[4]
    made = []
    for changed, stage, cells in ((still, 1, 5), (change, 2, 4)):
        for side in sides(np.random.default_rng(3), changed, noise=(0.05, 0.1)):
            kept = list(side.cells.items())[:cells]
            made.append({replace(cell, injection_stage=stage): fit for cell, fit in kept})
    before, after = sides(np.random.default_rng(3), still)
    found = compare_runs(replace(before, cells=made[0] | made[2]), replace(after, cells=made[1] | made[3]))
    assert found.injection_stage == 1
    assert len(found.cells) == 5
    assert all(one.equivalent for one in found.cylinders)
    assert not found.all_equivalent
    told = dict(found.notes[0].values)
    assert found.notes[0].code is ProofNote.OF_INJECTION_STAGE
    assert (told["other_cells"], told["changed_there"]) == (4, (5,))
    assert told["percent"][0] == pytest.approx(true_change(np.zeros(EIGHT), change)[4], abs=0.3)
    alone = compare_runs(replace(before, cells=made[2]), replace(after, cells=made[3]))
    assert (alone.injection_stage, dict(alone.notes[0].values)["other_cells"]) == (2, 0)
