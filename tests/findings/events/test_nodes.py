"""Events of nodes, from the states of their samples: sequences written out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from laws import everything, same_for_all_splits

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.nodes import NodeStage
from mixmon.live.recording import event_words
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

MS = 1_000_000
V, H, S, W, X, T = (
    SampleState.VALID,
    SampleState.HELD,
    SampleState.SILENT,
    SampleState.WARMING,
    SampleState.SUSPECT,
    SampleState.SETTLING,
)

Course = list[tuple[SampleState, int]]


def rows(course: Course, *, resets: list[float] | None = None, lam: float = 0.9) -> CylinderBlock:
    """One node whose samples are in these states for so many rows each; ages grow while none comes."""
    state = np.concatenate([np.full(n, s, np.uint8) for s, n in course])
    age = np.zeros(len(state), np.int64)
    for i in range(1, len(state)):
        age[i] = age[i - 1] + GRID_NS if state[i] in {H, S} else 0
    counts = [3.0] * len(course) if resets is None else resets
    aux = {
        "supply": np.full((len(state), 1), 12.8),
        "resets": np.concatenate([np.full(n, c) for (_, n), c in zip(course, counts, strict=True)])[:, None],
    }
    return CylinderBlock(
        t=np.arange(len(state)) * GRID_NS,
        stretch=np.zeros(len(state), np.int64),
        lam=np.full((len(state), 1), lam),
        oxygen=np.zeros((len(state), 1)),
        age=age[:, None],
        fresh=(age == 0)[:, None],
        state=state[:, None],
        shifted={},
        now={"rpm": np.full(len(state), 5800.0), "load": np.full(len(state), 100.0)},
        aux=aux,
    )


def events(block: CylinderBlock) -> list[tuple[Kind, float, float]]:
    return [(e.kind, e.t / 1e9, e.duration_ns / 1e9) for e in found(block)]


def found(block: CylinderBlock) -> list[Event]:
    stage = NodeStage([(8,)])
    return stage.feed(block) + stage.flush()


def test_a_loss_of_supply_is_a_silence_from_its_last_sample_and_a_reset() -> None:
    block = rows([(V, 100), (H, 25), (S, 16), (W, 600), (V, 50)], resets=[3, 3, 3, 4, 4])
    assert events(block) == [
        (Kind.NODE_SILENT, pytest.approx(0.99), pytest.approx(0.42)),
        (Kind.NODE_RESET, pytest.approx(1.41), pytest.approx(6.0)),
    ]
    silent, reset = found(block)
    assert (silent.cylinders, silent.rpm, silent.load) == ((8,), 5800.0, 100.0)
    assert silent.evidence["supply_v"] == 12.8
    assert reset.evidence["started_again"] is True
    assert np.isnan(silent.peak_lambda)


def test_a_second_loss_while_it_warms_is_told_as_well() -> None:
    course = [(V, 100), (S, 40), (W, 60), (H, 25), (S, 30), (W, 600), (V, 10)]
    assert [kind for kind, _, _ in events(rows(course))] == [
        Kind.NODE_SILENT,
        Kind.NODE_RESET,
        Kind.NODE_SILENT,
        Kind.NODE_RESET,
    ]


def test_a_silence_without_warming_is_no_reset() -> None:
    assert [kind for kind, _, _ in events(rows([(V, 100), (S, 100), (V, 10)]))] == [Kind.NODE_SILENT]


def test_one_that_is_not_ready_without_having_been_silent_has_dropped_out() -> None:
    assert events(rows([(V, 100), (W, 80), (T, 100), (V, 10)])) == [
        (Kind.SENSOR_DROP_OUT, pytest.approx(1.0), pytest.approx(0.8))
    ]
    counted = rows([(V, 100), (W, 80), (V, 10)], resets=[3, 4, 4])
    assert [kind for kind, _, _ in events(counted)] == [Kind.NODE_RESET]


def test_two_controllers_as_one_node_are_called_so_and_not_a_value_that_stands_still() -> None:
    (event,) = found(rows([(V, 100), (SampleState.DUPLICATE_NODE, 300), (V, 50)]))
    assert (event.kind, event.evidence["why"]) == (Kind.SENSOR_DROP_OUT, "two controllers as one node")
    assert event.duration_ns == 300 * GRID_NS
    assert event_words(event) == (
        "cyl 8 sensor drop-out, two controllers as one node, for 3.00 s at 5800 rpm"
    )


@pytest.mark.parametrize(
    ("lam", "why"), [(0.9, "the value stands still"), (np.nan, "no value")], ids=["frozen", "no value"]
)
def test_a_value_that_cannot_be_trusted_is_a_drop_out_with_its_reason(lam: float, why: str) -> None:
    (event,) = found(rows([(V, 100), (X, 200), (V, 10)], lam=lam))
    assert (event.kind, event.evidence["why"]) == (Kind.SENSOR_DROP_OUT, why)


def test_a_node_that_never_measured_has_no_event() -> None:
    assert events(rows([(S, 100), (W, 500), (V, 100)])) == []


def test_held_samples_and_short_stumbles_are_no_event() -> None:
    assert events(rows([(V, 100), (H, 10), (V, 10), (X, 5), (V, 10), (H, 3), (V, 9)])) == []


def test_a_silence_to_the_end_says_so() -> None:
    (event,) = found(rows([(V, 100), (H, 25), (S, 75)]))
    assert (event.kind, event.evidence["ended"]) == (Kind.NODE_SILENT, False)
    assert event.duration_ns == pytest.approx(1.01e9)


def chain(courses: list[Course], *, engine_until: int | None = None) -> CylinderBlock:
    """Several nodes side by side; the engine's speed is known up to that row, or to the end."""
    parts = [rows(course) for course in courses]
    sides = {
        name: np.concatenate([getattr(part, name) for part in parts], axis=1)
        for name in ("lam", "oxygen", "age", "fresh", "state")
    }
    now = {name: column.copy() for name, column in parts[0].now.items()}
    for column in now.values():
        column[len(column) if engine_until is None else engine_until :] = np.nan
    return replace(parts[0], **sides, now=now, aux={})


def silences(*blocks: CylinderBlock) -> list[tuple[tuple[int, ...], float, float]]:
    stage = NodeStage([(i,) for i in range(1, blocks[0].state.shape[1] + 1)])
    events = [e for block in blocks for e in stage.feed(block)] + stage.flush()
    assert {e.kind for e in events} <= {Kind.NODE_SILENT}
    return [(e.cylinders, e.t / 1e9, e.duration_ns / 1e9) for e in events]


SILENT_TO_THE_END: Course = [(V, 500), (H, 25), (S, 975)]


def test_nothing_is_silent_across_a_jump_of_the_time_stamps() -> None:
    """Ten seconds in which nobody sends, and then another stretch, or nothing more."""
    before = chain([SILENT_TO_THE_END, SILENT_TO_THE_END], engine_until=525)
    after = replace(before, t=before.t + 60 * 10**9, stretch=before.stretch + 1)
    assert silences(before, after) == []


def test_a_node_that_was_silent_before_the_jump_is_silent_up_to_it() -> None:
    early: Course = [(V, 300), (H, 25), (S, 1175)]
    block = chain([SILENT_TO_THE_END, early], engine_until=525)
    assert silences(block) == [((2,), pytest.approx(2.99), pytest.approx(2.01))]


def test_nodes_that_are_silent_while_the_engine_still_sends_are_silent() -> None:
    block = chain([SILENT_TO_THE_END, SILENT_TO_THE_END])
    assert [cylinders for cylinders, _, _ in silences(block)] == [(1, 2)]


def test_a_bus_that_stops_for_a_while_is_one_silence_of_all_nodes() -> None:
    """The nodes come back one after another; the later one ends it."""
    courses: list[Course] = [[(V, 300), (H, 25), (S, 200 + late), (V, 500 - late)] for late in (0, 60)]
    block = chain(courses)
    assert silences(block) == [((1, 2), pytest.approx(2.99), pytest.approx(2.86))]
    pieces = [block.take(slice(a, a + 97)) for a in range(0, len(block), 97)]
    assert silences(*pieces) == silences(block)


@pytest.mark.parametrize("back", [0, 150, 700])
def test_a_bus_that_stops_is_one_silence_beside_a_node_that_was_silent_before(back: int) -> None:
    """The third node is silent for a second more; it never comes back, or does some time after the others."""
    rest: Course = [(V, 300 + 25 + 200 + 800)]
    both: Course = [(V, 300), (H, 25), (S, 200), (V, 800)]
    alone: Course = [(V, 150), (H, 25), (S, 350 + back), (V, 800 - back)] if back else [(V, 150), (S, 1175)]
    block = chain([both, both, alone])
    told = sorted((cylinders, round(t, 2)) for cylinders, t, _ in silences(block))
    assert told == [((1, 2), 2.99), ((3,), 1.49)]
    assert {cylinders for cylinders, _, _ in silences(chain([both, both, rest]))} == {(1,), (2,)}
    for size in (97, 400):
        pieces = [block.take(slice(a, a + size)) for a in range(0, len(block), size)]
        assert sorted(silences(*pieces)) == sorted(silences(block))


@pytest.mark.parametrize("late", [150, 490])
def test_nodes_that_fall_silent_or_come_back_apart_are_told_one_by_one(late: int) -> None:
    together = [(V, 300), (S, 200), (V, 1000)]
    later_end = chain([together, [(V, 300), (S, 200 + late), (V, 1000 - late)]])
    later_begin = chain([together, [(V, 300 + late), (S, 200), (V, 1000 - late)]])
    for block in (later_end, later_begin):
        assert sorted(cylinders for cylinders, _, _ in silences(block)) == [(1,), (2,)]


def test_the_blocks_do_not_matter() -> None:
    whole = rows(
        [(V, 100), (S, 40), (W, 60), (H, 25), (S, 30), (W, 300), (V, 10), (X, 200), (V, 20), (S, 40)]
    )

    def run(pieces: list[slice]) -> str:
        stage = NodeStage([(8,)])
        return everything([e for p in pieces for e in stage.feed(whole.take(p))] + stage.flush())

    assert str(same_for_all_splits(len(whole), run)).count("Event(") == 6
