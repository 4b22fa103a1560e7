"""Causes from rows: what is named, what is said beside it, and what must not be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dwells import dwell, session

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.unlike import flow_of
from mixmon.findings.causes.causes import Causes, CausesStage, CylinderCauses
from mixmon.findings.causes.notes import CauseNote, NextTest, PossibleCause
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import Cell
from mixmon.session.model import Axes, Engine, Injection, Staging

AXES = Axes(rpm=(1200.0, 2000.0, 3000.0, 4500.0, 6000.0), load=(10.0, 35.0, 60.0, 100.0))
CELLS = ((1200.0, 10.0), (2000.0, 35.0), (3000.0, 60.0), (4500.0, 100.0), (6000.0, 100.0))
FLOW = np.array([flow_of(Cell(*cell), AXES) for cell in CELLS])
BASE = np.array([0.0, 0.002, -0.002, 0.0, 0.06, -0.002, 0.002, 0.0])
PULSE_MS = (3.0, 5.0, 7.0, 10.0, 11.0)


def blocks(offsets: np.ndarray, seed: int = 1, *, pulse: bool = True) -> list[CylinderBlock]:
    """Every cell once; `offsets` float64[cells, cylinders] are ln lambda."""
    rng, first, made = np.random.default_rng(seed), 0, []
    for (rpm, load), row, ms in zip(CELLS, offsets, PULSE_MS, strict=True):
        block = dwell(row, rng, rpm=rpm, load=load, first=first)
        shown = {"pulse_ms": np.full(len(block), ms + 0.9)} if pulse else {}
        made.append(replace(block, now={**block.now, **shown}))
        first += len(block)
    return made


def causes_of(made: list[CylinderBlock], **more: object) -> Causes:
    told: dict[str, object] = {"axes": AXES, "injection": Injection(dead_time_ms=0.9)}
    told["engine"] = Engine(8, banks={"A": (1, 2, 3, 4), "B": (5, 6, 7, 8)})
    stage = CausesStage(session(8, **(told | more)))
    for block in made:
        stage.feed(block)
    return stage.result()


def leaking() -> np.ndarray:
    shares = 0.08 * FLOW[0] / FLOW
    return BASE + np.log1p(shares)[:, None] * (np.arange(8) == 2)


def named(one: CylinderCauses) -> set[PossibleCause]:
    return {cause.cause for cause in one.causes}


def codes(found: Causes) -> set[object]:
    return {one.code for one in found.notes}


@pytest.fixture(scope="module")
def found() -> Causes:
    return causes_of(blocks(leaking()))


def test_a_weak_injector_and_a_leak_are_named_with_tests_and_the_others_are_not(found: Causes) -> None:
    third, fifth = found.cylinders[2], found.cylinders[4]
    assert {PossibleCause.LEAK, PossibleCause.SYNC} <= named(third)
    assert NextTest.SMOKE in {test.code for test in third.tests}
    assert fifth.level_percent == pytest.approx(6.2, abs=0.5)
    assert fifth.causes[0].cause is PossibleCause.FLOW
    assert NextTest.EXCHANGE in {test.code for test in fifth.tests}
    sound = [one for one in found.cylinders if one.cylinder not in {3, 5}]
    assert all(one.change_percent != one.change_percent for one in sound)  # not known
    assert all(abs(one.level_percent) < 0.6 for one in sound)


def test_the_suspect_is_left_out_of_the_mean_and_that_is_said(found: Causes) -> None:
    assert found.left_out_of_reference == (3,)
    assert CauseNote.LEFT_OUT_OF_REFERENCE in {flag.code for flag in found.cylinders[2].flags}
    assert {BalanceNote.REFERENCE_WITHOUT_SUSPECTS, BalanceNote.CELL_OR_TIME} <= codes(found)


def test_one_throttle_for_all_is_no_cause_and_is_not_tested() -> None:
    single = Engine(8, throttles="single")
    third = causes_of(blocks(leaking()), engine=single).cylinders[2]
    assert PossibleCause.SYNC not in named(third)
    assert NextTest.STOP not in {test.code for test in third.tests}


def test_without_a_pulse_flow_goes_by_speed_and_load_and_dead_times_are_in_no_ms() -> None:
    late = BASE + np.array([[0.06 / ms] for ms in PULSE_MS]) * (np.arange(8) == 0)
    without = causes_of(blocks(late, pulse=False))
    assert CauseNote.FLOW_BY_SPEED_AND_LOAD in codes(without)
    sizes = [c.size for c in without.cylinders[0].causes if c.cause is PossibleCause.DEAD_TIME]
    assert all(np.isnan(size) for size in sizes)
    not_told = causes_of(blocks(late), injection=Injection())
    assert CauseNote.DEAD_TIME_NOT_GIVEN in codes(not_told)


def test_cylinders_that_were_never_compared_have_no_causes() -> None:
    """The second half is silent while the first is heard, and the other way round."""
    made = blocks(leaking())
    for k, block in enumerate(made):
        silent = slice(0, 4) if k % 2 else slice(4, 8)
        block.state[:, silent] = SampleState.SILENT
    apart = causes_of(made)
    assert BalanceNote.GROUPS_NOT_COMPARED in codes(apart)
    assert all(one.causes == () and np.isnan(one.level_percent) for one in apart.cylinders)
    assert apart.patterns == ()


def test_the_answer_does_not_depend_on_where_blocks_are_cut(found: Causes) -> None:
    pieces = [block.take(slice(k, k + 331)) for block in blocks(leaking()) for k in range(0, len(block), 331)]
    again = causes_of(pieces)
    assert [one.level_percent for one in again.cylinders] == [one.level_percent for one in found.cylinders]
    assert again.tests == found.tests
    assert again.patterns == found.patterns


def test_no_rows_no_causes() -> None:
    nothing = causes_of([])
    assert nothing.next_test is not None  # the labels are still to be proved
    assert all(one.causes == () for one in nothing.cylinders)


def test_a_step_at_the_staging_line_is_taken_for_no_cause_of_one_law_over_all_cells() -> None:
    """Further injectors make cylinder 4 lean from 4500 rpm on: over all cells it looks like a dead time."""
    beyond = np.array([rpm >= 4500.0 for rpm, _ in CELLS])
    made = blocks(BASE + 0.04 * beyond[:, None] * (np.arange(8) == 3))
    staged = Injection(dead_time_ms=0.9, staging=Staging(rpm_above=3800.0))
    assert np.isfinite(causes_of(made).cylinders[3].change_percent)
    found = causes_of(made, injection=staged)
    assert found.cells == 3
    assert not any(np.isfinite(one.change_percent) for one in found.cylinders)
    assert BalanceNote.OF_INJECTION_STAGE in codes(found)
