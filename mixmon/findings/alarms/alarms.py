"""Alarms from rows to records: detection and book in one stage.

`measures` and `detect` say when a condition holds, `book` what becomes of the alarm by the table in
`states`, `records` hold what goes in and comes out; the kinds of alarm are in `session.alarm_kinds`.
This program watches; no alarm of it stops, limits or protects an engine.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mixmon.findings.alarms.book import AlarmBook
from mixmon.findings.alarms.detect import AlarmDetector
from mixmon.findings.alarms.measures import PacesAt
from mixmon.findings.alarms.misfire import MisfireWatch
from mixmon.findings.alarms.records import AlarmEvent, AlarmList, OperatorAction
from mixmon.findings.events.event import Event
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import AlarmRule, Node


class Alarms:
    """A stage: cylinder rows and operator actions in, one record a transition out.

    rules   with names that differ, as in the session file
    nodes   of the chain, in session order: the columns of the rows
    misfires  marks lean alarms that may be misfires; None: no alarm is marked
    paces_at  how slowly each sensor followed fuel cuts, as is known at a moment; None: not known

    Raises:
        UsageError: a rule of an unknown kind, or with a condition that cannot be read.
    """

    def __init__(
        self,
        rules: Sequence[AlarmRule],
        nodes: Sequence[Node],
        misfires: MisfireWatch | None = None,
        paces_at: PacesAt | None = None,
    ) -> None:
        self._detector = AlarmDetector(rules, misfires, paces_at)
        self._book = AlarmBook(rules, nodes, paces_at)
        self._began = (-1, 0)

    def act(self, action: OperatorAction) -> OperatorAction:
        """The action as it must be recorded; its records come with the rows that follow.

        Raises:
            UsageError: there is no such alarm.
        """
        return self._book.act(action)

    def feed(self, block: CylinderBlock, events: Sequence[Event] = ()) -> tuple[AlarmEvent, ...]:
        """The records of these rows, and of what is due by the last of them.

        events  found since the last call in rows up to these; they say what had raised lean alarms
        """
        edges = self._detector.feed(block)
        self._take_events(block, events)
        records: list[AlarmEvent] = []
        borders = np.flatnonzero(np.diff(block.stretch)) + 1
        for rows in np.split(np.arange(len(block)), borders) if len(block) else ():
            first, last = int(rows[0]), int(rows[-1])
            stretch = int(block.stretch[first])
            records += self._book.feed(
                edges.take(np.flatnonzero(edges.stretch == stretch)),
                stretch=stretch,
                first=int(block.t[first]),
                until=int(block.t[last]),
            )
        return tuple(records)

    def result(self) -> tuple[AlarmEvent, ...]:
        """The records that can be given without further rows, each once: of actions that wait for none."""
        return self._book.result()

    def flush(self, events: Sequence[Event] = ()) -> tuple[AlarmEvent, ...]:
        """The records of actions that are stamped behind the last row, and of the last events."""
        for event in events:
            self._book.conclude(event, self._began[0])
        return self._book.flush()

    def _take_events(self, block: CylinderBlock, events: Sequence[Event]) -> None:
        """Gives the book the events, each with its stretch of time: this one, or the one before it."""
        if not len(block):
            return
        before = self._began[0]
        if block.stretch[-1] != before:
            first = int(np.searchsorted(block.stretch, block.stretch[-1]))
            self._began = int(block.stretch[-1]), int(block.t[first])
        for event in events:
            here = self._began[1] <= event.t and event.end <= int(block.t[-1])
            self._book.conclude(event, self._began[0] if here else before)

    def current(self) -> AlarmList:
        """All alarms that are not simply normal, the most pressing first."""
        return self._book.current(self._detector.latest())

    def explain(self, t: int, cause: str, *, of_engine: bool = False) -> tuple[OperatorAction, ...]:
        """The actions that say why all nodes, or the engine, are silent, to be given to `act`."""
        return self._book.explain(t, cause, of_engine=of_engine)

    def silences(self) -> tuple[OperatorAction, ...]:
        """The actions that would silence new alarms as these are silenced now by the operator."""
        return self._book.silences()
