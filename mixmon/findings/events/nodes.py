"""Nodes that fall silent, start again, or send no value: from the states of their samples alone.

Way: the state of each sample gives what its node does; a change ends one activity and begins the next;
an activity other than measuring becomes an event when it ends.

Invariants: a held sample changes nothing, because a node is silent only once its samples are too old to
be held. The event of a silent node begins with its last sample. A node that has never measured has no
events. Silences of all nodes that were heard, which begin and end together, are one event: their bus, or its
adapter. Time in which nobody sends, neither node nor engine control, up to the end of the rows or to a jump
of the time stamps, is the end of what was recorded and the silence of no node. State kept for each node: its
activity, whether it has ever measured, its last silence, and its count of starts; and when a node last sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.findings.events.event import DropOutReason, Event, Kind, Value
from mixmon.findings.stage import StretchStage
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

_NEVER = int(np.iinfo(np.int64).min)
"""Stands for a moment that has not been: no time stamp has this value."""

_SHORTEST_NS = 100_000_000
"""Shorter activities give no event. Our choice: 0.1 s, so that a few lost frames are none."""

_LAST_TOGETHER_NS = SECOND_NS
"""Nodes that end within so long of the last one end with the rows. Our choice: longer than a slow node's own
period."""

_ALL_AT_ONCE_NS = SECOND_NS
"""Silences of all nodes that begin, and end, within so long of each other are one. Our choice: nodes that
lose their bus stop with it, and come back one after another."""

_ENGINE_HELD_NS = 6 * SECOND_NS
"""A speed that is known for no longer than this after the last sample was sent with it. Our choice: the last
speed is held for five periods of its message, at most five seconds."""


class _Does(IntEnum):
    """What a node does at a row."""

    MEASURES = 0
    SILENT = 1
    WARMS = 2
    NO_VALUE = 3
    AS_BEFORE = 4
    DOUBLED = 5


_DOES = np.full(len(SampleState), _Does.MEASURES, np.int8)
"""What a node does, by the state of its sample."""
_DOES[[SampleState.HELD, SampleState.LEFT_OUT]] = _Does.AS_BEFORE
_DOES[SampleState.SILENT] = _Does.SILENT
_DOES[SampleState.WARMING] = _Does.WARMS
_DOES[SampleState.SUSPECT] = _Does.NO_VALUE
_DOES[SampleState.DUPLICATE_NODE] = _Does.DOUBLED


@dataclass(slots=True)
class _Activity:
    """What a node does, since when (ns), and what was known at that moment.

    measured       True where the node has measured before or does now
    resets         its count of starts
    after_silence  True where the activity before was silence
    """

    does: int = _Does.AS_BEFORE
    measured: bool = False
    since: int = 0
    rpm: float = np.nan
    load: float = np.nan
    supply: float = np.nan
    resets: float = np.nan
    lam: float = np.nan
    after_silence: bool = False


class NodeStage(StretchStage[Event]):
    """Finds events of the nodes themselves, each when it is over."""

    def __init__(self, cylinders: Sequence[tuple[int, ...]]) -> None:
        self._cylinders = cylinders
        self._end = 0
        self._starts = np.full(len(cylinders), np.nan)
        super().__init__()

    def _restart(self) -> None:
        self._activities = [_Activity() for _ in self._cylinders]
        self._last = np.full(len(self._cylinders), _Does.AS_BEFORE, np.int8)
        self._newest = self._engine = _NEVER
        self._silences: list[Event] = []
        self._silent = [(_NEVER, _NEVER)] * len(self._cylinders)

    def _feed_rows(self, block: CylinderBlock) -> list[Event]:
        found: list[Event] = []
        does = _DOES[block.state]
        before = np.concatenate([self._last[None], does[:-1]])
        for row, node in np.argwhere(does != before).tolist():
            found += self._release_silences(int(block.t[row]))
            if does[row, node] not in (_Does.AS_BEFORE, self._activities[node].does):
                found += self._change_activity(block, row, node, int(does[row, node]))
        self._last = does[-1].copy()
        counts = block.aux.get("resets")
        self._starts = np.array(
            [self._newest_count(counts, len(block), i) for i in range(len(self._activities))]
        )
        self._end = int(block.t[-1]) + GRID_NS
        found += self._release_silences(int(block.t[-1]))
        self._newest = max(self._newest, _last_sample(block))
        self._engine = max(self._engine, _last_known_speed(block))
        return found

    def flush(self) -> list[Event]:
        """Gives the events that nothing ended."""
        over = self._has_ended()
        end = self._newest + GRID_NS if over else self._end
        found = [
            e
            for i, node in enumerate(self._activities)
            if not (over and node.does == _Does.SILENT and node.since > self._newest - _LAST_TOGETHER_NS)
            for e in self._finish_activity(i, end, np.nan, ended=False)
        ]
        self._silences += [e for e in found if e.kind is Kind.NODE_SILENT]
        found = self._release_silences(None) + [e for e in found if e.kind is not Kind.NODE_SILENT]
        self._restart()
        return found

    def _release_silences(self, t: int | None) -> list[Event]:
        """Gives the silences that are over, as soon as it is known whether they were of all nodes at once.

        t  now; None where nothing follows
        """
        found: list[Event] = []
        while self._silences:
            first = self._silences[0]
            heard = {
                i for i, node in enumerate(self._activities) if node.measured and self._was_heard(i, first.t)
            }
            group = [e for e in self._silences if abs(e.t - first.t) <= _ALL_AT_ONCE_NS]
            over = {i for e in group for i in e.nodes}
            silent = {
                i
                for i, node in enumerate(self._activities)
                if node.does == _Does.SILENT and abs(node.since - first.t) <= _ALL_AT_ONCE_NS
            }
            waits = t is not None and t <= max(e.end for e in group) + _ALL_AT_ONCE_NS
            if heard <= over | silent and not heard <= over and waits:
                break
            self._silences = [e for e in self._silences if e not in group]
            found += [join_silences(group, all_nodes=True)] if len(group) > 1 and heard <= over else group
        return found

    def _was_heard(self, i: int, t: int) -> bool:
        """True where the node was not silent before, when others fell silent at t."""
        node, (begin, end) = self._activities[i], self._silent[i]
        before = t - _ALL_AT_ONCE_NS
        return not (node.does == _Does.SILENT and node.since < before) and not begin < before < t < end

    def _has_ended(self) -> bool:
        """True where by the last row neither a node nor the engine control sends."""
        quiet = self._engine < self._end - GRID_NS and self._engine <= self._newest + _ENGINE_HELD_NS
        return quiet and self._newest + _LAST_TOGETHER_NS < self._end

    def _change_activity(self, block: CylinderBlock, row: int, i: int, does: int) -> list[Event]:
        old, t = self._activities[i], int(block.t[row])
        if old.does == _Does.SILENT:
            self._silent[i] = old.since, t
        counts = block.aux.get("resets")
        over = self._finish_activity(i, t, self._newest_count(counts, row + 1, i), ended=True)
        silent = does == _Does.SILENT
        self._activities[i] = _Activity(
            does=does,
            measured=old.measured or does == _Does.MEASURES,
            since=t - int(block.age[row, i]) if silent else t,
            rpm=_engine_value(block, "rpm", row),
            load=_engine_value(block, "load", row),
            supply=_node_value(block.aux.get("supply"), row, i),
            resets=self._newest_count(counts, row, i),
            lam=float(block.lam[row, i]),
            after_silence=old.does == _Does.SILENT,
        )
        self._silences += [e for e in over if e.kind is Kind.NODE_SILENT]
        return self._release_silences(t) + [e for e in over if e.kind is not Kind.NODE_SILENT]

    def _newest_count(self, counts: Floats | None, end: int, i: int) -> float:
        """Gives the newest count of starts before row `end`; NaN where none is known."""
        known = np.zeros(0) if counts is None else counts[:end, i]
        known = known[np.isfinite(known)]
        return float(known[-1]) if len(known) else float(self._starts[i])

    def _finish_activity(self, i: int, t: int, resets: float, *, ended: bool) -> list[Event]:
        """Gives the event that ends at time t; none for a node that measures, or has never measured."""
        node = self._activities[i]
        if (
            not node.measured
            or node.does in (_Does.MEASURES, _Does.AS_BEFORE)
            or t - node.since < _SHORTEST_NS
        ):
            return []
        starts = resets - node.resets
        kind = Kind.NODE_SILENT if node.does == _Does.SILENT else Kind.SENSOR_DROP_OUT
        if node.does == _Does.WARMS and (node.after_silence or abs(starts) > 0):
            kind = Kind.NODE_RESET
        evidence: dict[str, Value] = {
            "supply_v": None if np.isnan(node.supply) else round(node.supply, 2),
            "ended": ended,
        }
        if node.does == _Does.NO_VALUE:
            evidence["why"] = DropOutReason.NO_VALUE if np.isnan(node.lam) else DropOutReason.STANDS_STILL
        if node.does == _Does.DOUBLED:
            evidence["why"] = DropOutReason.TWO_CONTROLLERS
        if node.does == _Does.WARMS:
            evidence["after_silence"] = node.after_silence
        if np.isfinite(starts):
            evidence["started_again"] = starts != 0
        return [
            Event(
                t=node.since,
                kind=kind,
                nodes=(i,),
                cylinders=self._cylinders[i],
                all_nodes=False,
                peak_lambda=np.nan,
                duration_ns=t - node.since,
                rpm=node.rpm,
                load=node.load,
                evidence=evidence,
            )
        ]


def join_silences(silences: Sequence[Event], *, all_nodes: bool) -> Event:
    """Gives silences of nodes as one event, from the first beginning to the last end."""
    first = min(silences, key=lambda e: e.t)
    supplies = [e.evidence["supply_v"] for e in silences]
    lowest = min((v for v in supplies if isinstance(v, float)), default=None)
    return replace(
        first,
        nodes=tuple(sorted({i for e in silences for i in e.nodes})),
        cylinders=tuple(sorted({c for e in silences for c in e.cylinders})),
        all_nodes=all_nodes,
        duration_ns=max(e.end for e in silences) - first.t,
        evidence={
            "all_at_once": all_nodes,
            "supply_v": lowest,
            "ended": all(e.evidence["ended"] for e in silences),
        },
    )


def _node_value(column: Floats | None, row: int, node: int) -> float:
    return np.nan if column is None else float(column[row, node])


def _engine_value(block: CylinderBlock, name: str, row: int) -> float:
    column = block.now.get(name)
    return np.nan if column is None else float(column[row])


def _last_sample(block: CylinderBlock) -> int:
    """The moment at which the newest sample of any node was sent, ns; `_NEVER` where there is none."""
    age = block.age[-1]
    known = age[age >= 0]
    return int(block.t[-1]) - int(known.min()) if len(known) else _NEVER


def _last_known_speed(block: CylinderBlock) -> int:
    """The last row in which the engine's speed is known, ns; `_NEVER` where there is none."""
    known = np.flatnonzero(np.isfinite(block.now.get("rpm", np.zeros(0))))
    return int(block.t[known[-1]]) if len(known) else _NEVER
