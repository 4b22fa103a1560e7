"""Why a cell, a cylinder or a whole log is not used for trims: what is missing has its reason."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest
from dwells import dwell, found, needs_of, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import Cell
from mixmon.report.words import sentence
from mixmon.session.model import LowFlowMask, Session, Trims, Validity

EVEN = np.array([0.02, -0.02, 0.01, -0.01])


def visits(*places: tuple[float, float, np.ndarray], seconds: float = 9.0) -> list[CylinderBlock]:
    """Dwells one after the other: speed, load, ln lambda of the cylinders."""
    rng, first, blocks = np.random.default_rng(3), 0, []
    for rpm, load, offsets in places:
        blocks.append(dwell(offsets, rng, rpm=rpm, load=load, seconds=seconds, first=first))
        first += len(blocks[-1]) + 100
    return blocks


def result_of(
    blocks: Sequence[CylinderBlock], made: Session | None = None, excluded: Sequence[Cell] = ()
) -> Balance:
    stage = BalanceStage(made or session(4))
    for cell in excluded:
        stage.judge(cell, keep=False)
    for block in blocks:
        stage.feed(block)
    return stage.result()


def silenced(block: CylinderBlock, *nodes: int) -> CylinderBlock:
    """The dwell with these nodes not heard."""
    state = block.state.copy()
    state[:, nodes] = SampleState.SILENT
    return dataclasses.replace(block, state=state)


MASKED = session(4, validity=Validity(low_flow_mask=LowFlowMask(1400, 5)))
FROM_HALF = session(4, trims=Trims(identity="stated", load_from=60.0))


@pytest.mark.parametrize(
    ("made", "excluded", "reason"),
    [
        (MASKED, [], "low flow"),
        (FROM_HALF, [], "low load"),
        (session(4), [Cell(1100.0, 3.0)], "cell excluded by the operator"),
    ],
    ids=["mask", "load_from", "operator"],
)
def test_a_log_all_in_cells_that_do_not_count_says_so(
    made: Session, excluded: list[Cell], reason: str
) -> None:
    result = result_of(visits((1100.0, 3.0, EVEN)), made, excluded)
    assert result.withheld[0].code is BalanceNote.NO_CELL_USED
    assert reason in sentence(result.withheld[0])
    for cell, one in zip(result.cells, result.cylinders, strict=True):
        assert (cell.used_for_trims, cell.not_used_because) == (False, reason)
        assert cell.usable_s > 4
        assert one.left_out_s[reason] == pytest.approx(cell.usable_s)
        assert found(BalanceNote.ONLY_IN_CELLS_NOT_USED, one.flags) == [{"reasons": (reason,)}]
        assert not found(BalanceNote.TOO_LITTLE_DATA, one.flags)


def test_a_cylinder_known_only_where_nothing_counts_has_that_as_its_reason() -> None:
    idle, load = visits((1100.0, 3.0, EVEN), (3000.0, 50.0, EVEN))
    result = result_of([idle, silenced(load, 2)], MASKED)
    told = {c.cylinder: found(BalanceNote.ONLY_IN_CELLS_NOT_USED, c.flags) for c in result.cylinders}
    assert told == {1: [], 2: [], 3: [{"reasons": ("low flow",)}], 4: []}
    assert not result.withheld
    why = {(c.rpm, c.cylinder): c.not_used_because for c in result.cells}
    assert (why[1100.0, 3], why[3000.0, 3], why[3000.0, 1]) == ("low flow", "no valid sample", None)


def test_seconds_used_and_excluded_add_up_to_the_log() -> None:
    result = result_of(visits((1100.0, 3.0, EVEN), (3000.0, 50.0, EVEN)), MASKED)
    for one in result.cylinders:
        assert one.usable_s + sum(one.left_out_s.values()) == pytest.approx(18.0, abs=2.5)


def test_two_logs_with_different_faults_give_no_trims() -> None:
    """Cylinder 2 is lean in one cell, cylinder 3 in the other: a mean of both would be wrong for each."""
    lean = [EVEN + 0.06 * np.eye(4)[cylinder - 1] for cylinder in (2, 3)]
    result = result_of(visits((3000.0, 50.0, lean[0]), (6000.0, 100.0, lean[1])))
    (told,) = found(BalanceNote.CELLS_TOO_UNLIKE, result.withheld)
    assert told["cylinders"] == (2, 3)
    assert 3 < told["apart_percent"] < 6.5
    assert all(np.isnan(c.trim_new_percent) for c in result.cylinders)


def test_cells_that_differ_as_on_a_sound_engine_do_not_withhold_trims() -> None:
    other = EVEN + np.array([0.01, -0.01, 0.005, -0.005])
    result = result_of(visits((3000.0, 50.0, EVEN), (6000.0, 100.0, other)))
    assert not result.withheld


def test_a_cell_left_out_by_the_session_does_not_withhold_trims() -> None:
    away = EVEN + np.array([0.08, -0.08, 0.0, 0.0])
    result = result_of(visits((3000.0, 50.0, away), (6000.0, 100.0, EVEN)), FROM_HALF)
    assert not result.withheld
    assert result.cylinders[0].needs_percent == pytest.approx(needs_of(EVEN)[0], abs=0.4)


def test_a_cell_too_short_for_an_interval_gives_no_need_of_the_whole_engine() -> None:
    result = result_of(visits((3000.0, 50.0, EVEN), seconds=4.8))
    (engine,) = result.whole_engine
    assert np.isfinite(engine.lam)
    assert np.isnan(engine.needs_percent)
    assert np.isnan(engine.half_interval_percent)


@pytest.mark.parametrize("asked", [False, True])
def test_advice_to_join_by_the_target_is_given_only_where_it_would_join(asked: bool) -> None:
    parts = visits((3000.0, 50.0, EVEN), (6000.0, 100.0, EVEN))
    blocks = [silenced(parts[0], 2, 3), silenced(parts[1], 0, 1)]
    made = session(4, trims=Trims(identity="stated", join_by_target=asked))
    with_target = result_of(blocks, made)
    without = result_of(
        [dataclasses.replace(b, now=no_target(b.now), shifted=no_target(b.shifted)) for b in blocks], made
    )
    (told,) = [sentence(one) for one in without.withheld if one.code is BalanceNote.GROUPS_NOT_COMPARED]
    assert "= true" not in told
    assert ("joins nothing here" in told) == asked
    offered = [sentence(one) for one in with_target.withheld if one.code is BalanceNote.GROUPS_NOT_COMPARED]
    assert [("= true" in one) for one in offered] == ([] if asked else [True])


def no_target(columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {name: column for name, column in columns.items() if name != "target"}


def test_a_log_too_short_for_slow_wander_says_so() -> None:
    one = result_of(visits((3000.0, 50.0, EVEN)))
    two = result_of(visits((3000.0, 50.0, EVEN), (6000.0, 100.0, EVEN)))
    for result, seconds in ((one, 5.5), (two, 11.0)):  # nine each, less settling and the last half second
        (told,) = found(BalanceNote.TOO_SHORT_FOR_WANDER, result.notes)
        assert told["steady_s"] == pytest.approx(seconds, abs=0.5)
        assert told["wanted_s"] == 60
    again = result_of(visits((3000.0, 50.0, EVEN), (6000.0, 100.0, EVEN), (3000.0, 50.0, EVEN)))
    long = result_of(visits((3000.0, 50.0, EVEN), seconds=66.0))
    for result in (again, long):
        assert not found(BalanceNote.TOO_SHORT_FOR_WANDER, result.notes)


def test_the_interval_over_cells_that_differ_holds_the_need_in_each() -> None:
    """One of four needs 1.2 % more in one of two cells: less than what withholds, more than a step."""
    other = EVEN + np.array([0.012, 0.0, 0.0, 0.0])
    result = result_of(visits((3000.0, 50.0, EVEN), (6000.0, 100.0, other), seconds=14.0))
    assert not result.withheld
    low, high = result.cylinders[0].interval95_percent
    assert low < needs_of(EVEN)[0] < needs_of(other)[0] < high
    assert found(BalanceNote.CELLS_DISAGREE, result.cylinders[0].flags) or high - low > 1.5


def test_a_spread_is_predicted_only_where_every_cylinder_is_known() -> None:
    """In the second cell, cylinder 4 was heard for a second: it may be the worst there."""
    whole, part = visits((3000.0, 50.0, EVEN), (6000.0, 100.0, EVEN))
    state = part.state.copy()
    state[425:, 3] = SampleState.HELD
    result = result_of([whole, dataclasses.replace(part, state=state)])
    known = {cell.rpm: np.isfinite(spread.value) for cell, spread in result.predicted_by_cell}
    assert known == {3000.0: True, 6000.0: False}
