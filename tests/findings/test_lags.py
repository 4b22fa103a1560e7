"""What is known of the sensors' lags: given, measured, assumed; and learnt from cuts while rows come."""

from __future__ import annotations

import dataclasses
import functools

import confusion
import numpy as np
import pytest
from laws import everything, same_for_all_splits
from planted import FUEL, Engine

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.events import EventStage
from mixmon.findings.lags import (
    DEFAULT_LAG_S,
    Lags,
    LagSource,
    NodeLag,
    OnlineLags,
    is_far_lag,
    lags_by_cylinder,
    middle_lean_lag,
    sensor_lags,
)
from mixmon.findings.response.sensors import ResponseTime, SensorResponse
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import Node

SLOW = 4
NODES = (Node(1, (1,)), Node(2, (2, 3)), Node(3, (4,)))


@functools.cache
def rows() -> tuple[Engine, CylinderBlock]:
    """A burst of five in the cylinder of a slow sensor before a cut, in the cut's wake, and later."""
    lags = [(0.085, 0.085, 0.020)] * 8
    lags[SLOW] = (0.300, 0.220, 0.020)
    one = Engine(np.random.default_rng(31), 62, 8, 6800.0, lags=lags)
    one.misfire(12.0, SLOW, 5, 0.53)
    one.cut_fuel(22.0, 2.5, None, told=True)
    one.misfire(36.0, SLOW, 5, 0.53)
    one.misfire(48.0, SLOW, 5, 0.53)
    return one, one.block()


def events(block: CylinderBlock, pieces: list[slice], lag_s: Lags | None = None) -> list[Event]:
    stage = EventStage(confusion.session_of(8), FUEL, lag_s)
    found = [event for piece in pieces for event in stage.feed(block.take(piece))]
    return [e for e in found + stage.flush() if e.nodes == (SLOW,)]


def test_a_slow_sensor_is_judged_by_what_a_cut_has_told_of_it() -> None:
    one, block = rows()
    before, *after = events(block, [slice(0, len(block))])
    assert before.kind is Kind.NOT_CLASSIFIED  # five cycles behind 320 ms, which nothing has told yet
    assert [e.kind for e in after] == [Kind.MISFIRE, Kind.MISFIRE]
    for event, truth in zip(after, [t for t in one.truth if t.kind == "misfire"][1:], strict=True):
        assert event.t / 1e9 == pytest.approx(truth.t, abs=0.05)
        assert event.evidence["missed_cycles"] == pytest.approx(5, abs=1)
        assert event.evidence["lag_s"] == pytest.approx(0.32, rel=0.1)  # scipy's filters: 0.300 and 0.020 s


def test_lags_that_are_given_are_kept() -> None:
    _, block = rows()
    found = events(block, [slice(0, len(block))], dict.fromkeys(range(1, 9), DEFAULT_LAG_S))
    assert {e.kind for e in found} == {Kind.LEAN_EXCURSION}
    told = events(block, [slice(0, len(block))], {SLOW + 1: (0.32, 0.24)})
    assert [e.kind for e in told] == [Kind.MISFIRE] * 3


def test_what_is_learnt_does_not_depend_on_the_blocks() -> None:
    _, block = rows()
    same_for_all_splits(len(block), lambda pieces: list(map(everything, events(block, pieces))), most=40)


def test_a_lag_holds_for_what_begins_after_the_cut_and_in_every_later_stretch() -> None:
    _, block = rows()
    nodes = confusion.session_of(8).chain.nodes
    learnt = OnlineLags(nodes)
    learnt.feed(block)
    assert learnt.at(0, 22_000_000_000)[0, SLOW] == DEFAULT_LAG_S
    lean, rich = learnt.at(0, 40_000_000_000)
    assert lean[SLOW] == pytest.approx(0.32, rel=0.1)
    assert rich[SLOW] == pytest.approx(0.24, rel=0.1)
    assert np.delete(lean, SLOW) == pytest.approx(0.105, rel=0.1)
    again = dataclasses.replace(block.take(slice(0, 500)), stretch=np.ones(500, np.int64))
    learnt.feed(again)
    assert np.array_equal(learnt.at(1, int(again.t[0])), [lean, rich])


def test_cuts_measured_on_demand_tell_the_same() -> None:
    _, block = rows()
    nodes = confusion.session_of(8).chain.nodes
    at_once, on_demand = OnlineLags(nodes), OnlineLags(nodes, on_demand=True)
    for stretch in range(3):
        again = dataclasses.replace(block, stretch=np.full(len(block), stretch))
        for piece in (slice(0, 2300), slice(2300, 3100), slice(3100, len(block))):
            at_once.feed(again.take(piece))
            on_demand.feed(again.take(piece))
    for stretch, t_s in ((2, 48), (2, 22), (1, 22), (0, 48), (0, 22)):
        moment = stretch, t_s * 1_000_000_000
        assert np.array_equal(on_demand.at(*moment), at_once.at(*moment))
        assert np.array_equal(on_demand.known_at(*moment), at_once.known_at(*moment))
    assert on_demand.known_at(0, 48_000_000_000).all()


def test_events_without_tips_are_the_others() -> None:
    _, block = rows()
    opened = np.where(np.arange(len(block)) < 5000, 20.0, 70.0)
    block = dataclasses.replace(block, now={**block.now, "load": opened, "throttle": opened})
    with_tips, without = (EventStage(confusion.session_of(8), FUEL, tips=tips) for tips in (True, False))
    every = [*with_tips.feed(block), *with_tips.flush()]
    others = [*without.feed(block), *without.flush()]
    tips = [e for e in every if e.kind in (Kind.TIP_IN, Kind.TIP_OUT)]
    assert tips
    assert list(map(everything, others)) == [everything(e) for e in every if e not in tips]


def sensor(lean: ResponseTime, rich: ResponseTime) -> SensorResponse:
    nan = np.nan
    return SensorResponse(
        1, (1,), None, lean, rich, nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, {}, ()
    )  # fmt: skip


def test_given_comes_before_measured_and_measured_before_assumed() -> None:
    measured = [
        sensor(ResponseTime(0.2, 0.02), ResponseTime(0.15, 0.02)),
        sensor(ResponseTime(), ResponseTime()),
        sensor(ResponseTime(), ResponseTime()),
    ]
    known = sensor_lags(NODES, {3: 0.09}, measured)
    assert known == (
        NodeLag(1, (1,), 0.2, 0.15, LagSource.MEASURED),
        NodeLag(2, (2, 3), 0.09, 0.09, LagSource.GIVEN),
        NodeLag(3, (4,), DEFAULT_LAG_S, DEFAULT_LAG_S, LagSource.ASSUMED),
    )
    assert lags_by_cylinder(known)[2] == lags_by_cylinder(known)[3] == (0.09, 0.09)
    assert {k.source for k in sensor_lags(NODES)} == {LagSource.ASSUMED}
    assert {k.source for k in sensor_lags(NODES, 0.1, measured)} == {LagSource.GIVEN}


@pytest.mark.parametrize(
    ("lean", "rich", "pair"),
    [
        (ResponseTime(0.2, 0.02), ResponseTime(), (0.2, 0.2)),
        (ResponseTime(0.2, 0.06), ResponseTime(0.15, 0.01), (0.15, 0.15)),
        (ResponseTime(0.2, 0.06), ResponseTime(0.15, 0.05), None),
        (ResponseTime(1.5, 0.1), ResponseTime(), None),
    ],
)
def test_times_that_are_not_sure_are_not_used(
    lean: ResponseTime, rich: ResponseTime, pair: tuple[float, float] | None
) -> None:
    (known,) = sensor_lags(NODES[:1], None, [sensor(lean, rich)])
    assert (known.source is LagSource.MEASURED) == (pair is not None)
    assert (known.lean_s, known.rich_s) == (pair or (DEFAULT_LAG_S, DEFAULT_LAG_S))


def test_the_middle_lag_is_that_of_a_sensor_and_far_ones_are_a_quarter_away() -> None:
    lags = [NodeLag(j, (j,), lean, 0.1, LagSource.ASSUMED) for j, lean in enumerate((0.3, 0.1, 0.2, 0.4))]
    assert middle_lean_lag(lags) == 0.2
    assert middle_lean_lag(lags[:3]) == 0.2
    for lean, rich, far in ((0.124, 0.1, False), (0.126, 0.1, True), (0.1, 0.074, True)):
        assert is_far_lag(NodeLag(1, (1,), lean, rich, LagSource.GIVEN), 0.1) is far
    assert not is_far_lag(lags[0], 0.0)


def test_a_cut_with_which_the_rows_end_counts_among_the_cuts() -> None:
    _, block = rows()
    stage = EventStage(confusion.session_of(8), FUEL)
    stage.feed(block.take(slice(0, 2500)))  # 0.5 s after the end of the cut
    assert stage.cuts == ()
    stage.flush()
    assert [round(cut.t / 1e9) for cut in stage.cuts] == [22]
