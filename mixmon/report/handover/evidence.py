"""What the page points to: when each cell was held, and the readings around events.

Two stages, fed with the rows of a run; what they find does not depend on how the rows are divided.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.findings.events.event import Event, Kind
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import NOWHERE, Cell, Steady
from mixmon.session.model import Session
from mixmon.watch.history import HistoryStage, Rows, join_rows


@dataclass(frozen=True, slots=True)
class Visit:
    """Steady time in one cell without a break: first and last moment, ns."""

    begin: int
    end: int

    @property
    def seconds(self) -> float:
        """Its length."""
        return (self.end - self.begin + GRID_NS) / SECOND_NS


class VisitStage:
    """Takes the rows of a run; `result` gives the visits to each cell in order of time.

    A row counts where the engine is steady in the cell and any sample is valid, as for the balance.
    """

    def __init__(self, session: Session) -> None:
        self._steady = Steady(session.axes, session.validity, session.injection.staging)
        self._visits: dict[int, list[Visit]] = {}
        self._last = (NOWHERE, -1, 0)

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, of one stretch of time."""
        if not len(block):
            return
        cells = self._steady.feed(block)
        cells = np.where((block.state == SampleState.VALID).any(axis=1), cells, NOWHERE)
        edges = [0, *(np.flatnonzero(np.diff(cells)) + 1).tolist(), len(cells)]
        stretch = int(block.stretch[0])
        for low, high in pairwise(edges):
            cell, visit = int(cells[low]), Visit(int(block.t[low]), int(block.t[high - 1]))
            if cell == NOWHERE:
                continue
            own = self._visits.setdefault(cell, [])
            if own and self._last == (cell, stretch, visit.begin - GRID_NS):
                visit = Visit(own.pop().begin, visit.end)
            own.append(visit)
            self._last = (cell, stretch, visit.end)

    def result(self) -> dict[Cell, tuple[Visit, ...]]:
        """Visits by cell."""
        return {
            self._steady.grid.cell(number): tuple(visits) for number, visits in sorted(self._visits.items())
        }


TRACED_KINDS: Final = (
    Kind.MISFIRE,
    Kind.NO_FUEL,
    Kind.LEAN_EXCURSION,
    Kind.NOT_CLASSIFIED,
    Kind.RICH_EXCURSION,
)
"""Kinds of which readings are drawn, the gravest first; cuts, tips and silences are told in words."""

MOST_TRACES: Final = 12
"""Our choice: four pages of A4; the table names all the others."""

_AROUND_NS: Final = 2 * SECOND_NS
"""Drawn before and after an event: our choice, some times the lag of a slow sensor."""

_MOST_S: Final = 20
"""Seconds of an event that are drawn at most, from its beginning: our choice."""


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """An event with the rows around it."""

    event: Event
    rows: Rows


class EventTraceStage:
    """Takes rows and the events found in them; keeps the readings around the gravest events.

    Of each kind those with the farthest reading are kept, the gravest kinds first.
    """

    def __init__(self) -> None:
        self._history = HistoryStage()
        self._stretch: int | None = None
        self._waiting: list[Event] = []
        self._kept: list[Trace] = []

    def feed(self, block: CylinderBlock, events: Iterable[Event]) -> None:
        """Takes rows of one stretch of time, and the events that became certain with them."""
        if not len(block):
            return
        new = [event for event in events if event.kind in TRACED_KINDS]
        if self._stretch != int(block.stretch[0]):
            # What the search gave at the end of the stretch before comes with the first rows of this one.
            here = [block.t[0] <= event.t and event.end <= block.t[-1] for event in new]
            self._waiting += [event for event, own in zip(new, here, strict=True) if not own]
            self._cut(None)
            self._stretch = int(block.stretch[0])
            new = [event for event, own in zip(new, here, strict=True) if own]
        self._history.feed(block)
        self._waiting += new
        self._cut(int(block.t[-1]))

    def flush(self, events: Iterable[Event]) -> None:
        """Ends the rows, with the last events."""
        self._waiting += [event for event in events if event.kind in TRACED_KINDS]
        self._cut(None)

    def result(self) -> tuple[Trace, ...]:
        """The traces, in order of time."""
        return tuple(sorted(self._kept, key=lambda one: (one.event.t, one.event.nodes)))

    def _cut(self, until: int | None) -> None:
        """Keeps the rows of events that are over by `until`; of all where it is None."""
        ready = [event for event in self._waiting if until is None or _end_of(event) + SECOND_NS < until]
        for event in ready:
            seconds = self._history.history().between(event.t - _AROUND_NS, _end_of(event))
            if seconds:
                self._kept.append(Trace(event, _part(join_rows(seconds), event)))
        if ready:
            self._waiting = [event for event in self._waiting if event not in ready]
            self._kept = sorted(self._kept, key=_gravity)[:MOST_TRACES]


def _end_of(event: Event) -> int:
    """Up to when an event is drawn, ns."""
    return min(event.end, event.t + _MOST_S * SECOND_NS) + _AROUND_NS


def _part(rows: Rows, event: Event) -> Rows:
    low, high = np.searchsorted(rows.t, [event.t - _AROUND_NS, _end_of(event) + 1]).tolist()
    part = slice(low, high)
    return Rows(
        rows.t[part],
        rows.lam[part],
        rows.oxygen[part],
        rows.target[part],
        rows.state[part],
        rows.supply[part],
        rows.rpm[part],
    )


def _gravity(trace: Trace) -> tuple[int, float, int, tuple[int, ...]]:
    """A key that puts the gravest first."""
    event = trace.event
    far = event.peak_lambda if np.isfinite(event.peak_lambda) else 0.0
    lean = event.kind is not Kind.RICH_EXCURSION
    return TRACED_KINDS.index(event.kind), -far if lean else far, event.t, event.nodes


def seconds_of(visits: Sequence[Visit]) -> float:
    """Steady seconds of some visits."""
    return float(sum(visit.seconds for visit in visits))
