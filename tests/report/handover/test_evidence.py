"""Visits to cells and readings around events, against rows whose times are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from dwells import dwell, session
from laws import everything, same_for_all_splits

from mixmon.findings.events.event import Event, Kind
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import Cell
from mixmon.report.handover.evidence import MOST_TRACES, EventTraceStage, VisitStage, seconds_of

S = 1_000_000_000


def event(t: int, kind: Kind, lam: float, *, seconds: float = 0.5) -> Event:
    return Event(t, kind, (1,), (2,), False, lam, round(seconds * S), 3000.0, 50.0, {})


def joined(*blocks: CylinderBlock) -> CylinderBlock:
    """Blocks one after another as one."""
    names = ("t", "stretch", "lam", "oxygen", "age", "fresh", "state")
    parts = {name: np.concatenate([getattr(b, name) for b in blocks]) for name in names}
    for name in ("shifted", "now"):
        keys = getattr(blocks[0], name)
        parts[name] = {key: np.concatenate([getattr(b, name)[key] for b in blocks]) for key in keys}
    return CylinderBlock(**parts, aux={})


def three_dwells() -> CylinderBlock:
    """13 s at 3000 rpm, 9 s at 6000, and 8 s at 3000 again, one after another."""
    rng, zero = np.random.default_rng(5), np.zeros(3)
    legs = ((13.0, 3000.0), (9.0, 6000.0), (8.0, 3000.0))
    blocks, first = [], 0
    for seconds, rpm in legs:
        blocks.append(dwell(zero, rng, seconds=seconds, rpm=rpm, first=first))
        first += round(100 * seconds)
    return joined(*blocks)


def visits(pieces: list[slice], rows: CylinderBlock) -> str:
    stage = VisitStage(session(3))
    for piece in pieces:
        stage.feed(rows.take(piece))
    return everything(stage.result())


def test_visits_begin_once_settled_and_end_with_the_dwell():
    """Steady: three seconds in one cell, its own row included, so a visit lasts the dwell less 2.99 s."""
    stage = VisitStage(session(3))
    stage.feed(three_dwells())
    found = stage.result()
    assert set(found) == {Cell(3000.0, 50.0), Cell(6000.0, 50.0)}
    first, second = found[Cell(3000.0, 50.0)]
    assert (first.begin, first.end) == (299 * GRID_NS, 1299 * GRID_NS)
    assert (second.begin, second.end) == ((2200 + 299) * GRID_NS, 2999 * GRID_NS)
    assert seconds_of((first, second)) == 10.01 + 5.01


def test_visits_do_not_depend_on_how_rows_are_divided():
    rows = three_dwells()
    same_for_all_splits(len(rows), lambda pieces: visits(pieces, rows), most=40)


def test_a_jump_of_the_stamps_ends_a_visit():
    """The rows after it go on in the grid as if nothing had been, but are of another stretch."""
    rows = dwell(np.zeros(3), np.random.default_rng(6), seconds=20.0)
    early, late = rows.take(slice(0, 1000)), rows.take(slice(1000, 2000))
    stage = VisitStage(session(3))
    stage.feed(early)
    stage.feed(replace(late, stretch=np.ones(1000, np.int64)))
    assert len(stage.result()[Cell(3000.0, 50.0)]) == 2


def test_readings_around_an_event_are_kept_two_seconds_before_and_after():
    rows = dwell(np.zeros(3), np.random.default_rng(7), seconds=20.0)
    stage = EventTraceStage()
    for i in range(20):
        new = [event(8 * S, Kind.MISFIRE, 1.2)] if i == 9 else []
        stage.feed(rows.take(slice(100 * i, 100 * i + 100)), new)
    stage.flush([])
    (trace,) = stage.result()
    assert (int(trace.rows.t[0]), int(trace.rows.t[-1])) == (6 * S, round(10.5 * S))
    lam = rows.lam[600:1051].astype(np.float32)
    assert np.array_equal(trace.rows.lam, lam)


def test_an_event_at_the_end_has_the_rows_there_are():
    rows = dwell(np.zeros(3), np.random.default_rng(8), seconds=10.0)
    stage = EventTraceStage()
    stage.feed(rows, [])
    stage.flush([event(9 * S, Kind.LEAN_EXCURSION, 1.1)])
    (trace,) = stage.result()
    assert int(trace.rows.t[-1]) == int(rows.t[-1])


def test_the_gravest_kinds_and_the_farthest_readings_are_kept():
    rows = dwell(np.zeros(3), np.random.default_rng(9), seconds=30.0)
    mild = [event((5 + i) * S, Kind.RICH_EXCURSION, 0.7) for i in range(20)]
    grave = [event(round((5.5 + i) * S), Kind.MISFIRE, 1.0 + i / 100) for i in range(14)]
    stage = EventTraceStage()
    stage.feed(rows, [*mild, event(6 * S, Kind.TIP_IN, 1.0), *grave])
    stage.flush([])
    kept = [trace.event for trace in stage.result()]
    assert kept == grave[-MOST_TRACES:]
