"""Nodes that fall silent, start again, or send no value: from the states of their samples alone.

Held samples change nothing: a node is silent once its samples are too old to be held. The event
of a silent node begins with its last sample.

Kept for each node: what it does, since when, whether it has ever measured, and its count of starts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.event import Event, Kind, Value
from mixmon.findings.stage import StretchStage
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

_MEASURES, _SILENT, _WARMS, _NO_VALUE, _AS_BEFORE = range(5)
_SHORTEST_NS = 100_000_000

_DOES = np.full(len(SampleState), _MEASURES, np.int8)
_DOES[[SampleState.HELD, SampleState.LEFT_OUT]] = _AS_BEFORE
_DOES[SampleState.SILENT] = _SILENT
_DOES[SampleState.WARMING] = _WARMS
_DOES[SampleState.SUSPECT] = _NO_VALUE


@dataclass(slots=True)
class _Node:
    """What a node does and what is known of the moment since when."""

    does: int = _AS_BEFORE
    measured: bool = False
    since: int = 0
    rpm: float = np.nan
    load: float = np.nan
    supply: float = np.nan
    resets: float = np.nan
    lam: float = np.nan
    after_silence: bool = False


class NodeStage(StretchStage[Event]):
    """Finds what the nodes themselves did, each when it is over."""

    def __init__(self, cylinders: Sequence[tuple[int, ...]]) -> None:
        self._cylinders = cylinders
        self._end = 0
        self._starts = np.full(len(cylinders), np.nan)
        super().__init__()

    def _restart(self) -> None:
        self._nodes = [_Node() for _ in self._cylinders]
        self._last = np.full(len(self._cylinders), _AS_BEFORE, np.int8)

    def _feed_rows(self, block: CylinderBlock) -> list[Event]:
        found: list[Event] = []
        does = _DOES[block.state]
        before = np.concatenate([self._last[None], does[:-1]])
        for row, node in np.argwhere(does != before).tolist():
            if does[row, node] not in (_AS_BEFORE, self._nodes[node].does):
                found += self._change(block, row, node, int(does[row, node]))
        self._last = does[-1].copy()
        counts = block.aux.get("resets")
        self._starts = np.array([self._counted(counts, len(block), i) for i in range(len(self._nodes))])
        self._end = int(block.t[-1]) + GRID_NS
        return found

    def flush(self) -> list[Event]:
        """Events that nothing ended."""
        found = [e for i in range(len(self._nodes)) for e in self._over(i, self._end, np.nan, ended=False)]
        self._restart()
        return found

    def _change(self, block: CylinderBlock, row: int, i: int, does: int) -> list[Event]:
        old, t = self._nodes[i], int(block.t[row])
        counts = block.aux.get("resets")
        found = self._over(i, t, self._counted(counts, row + 1, i), ended=True)
        silent = does == _SILENT
        self._nodes[i] = _Node(
            does=does,
            measured=old.measured or does == _MEASURES,
            since=t - int(block.age[row, i]) if silent else t,
            rpm=_now(block, "rpm", row),
            load=_now(block, "load", row),
            supply=_at(block.aux.get("supply"), row, i),
            resets=self._counted(counts, row, i),
            lam=float(block.lam[row, i]),
            after_silence=old.does == _SILENT,
        )
        return found

    def _counted(self, counts: Floats | None, end: int, i: int) -> float:
        """The newest count of starts before row `end`; NaN where none is known."""
        known = np.zeros(0) if counts is None else counts[:end, i]
        known = known[np.isfinite(known)]
        return float(known[-1]) if len(known) else float(self._starts[i])

    def _over(self, i: int, t: int, resets: float, *, ended: bool) -> list[Event]:
        """The event that is over with time t; none for a node that measures, or has never done so."""
        node = self._nodes[i]
        if not node.measured or node.does in (_MEASURES, _AS_BEFORE) or t - node.since < _SHORTEST_NS:
            return []
        starts = resets - node.resets
        kind = Kind.NODE_SILENT if node.does == _SILENT else Kind.SENSOR_DROP_OUT
        if node.does == _WARMS and (node.after_silence or abs(starts) > 0):
            kind = Kind.NODE_RESET
        evidence: dict[str, Value] = {
            "supply_v": None if np.isnan(node.supply) else round(node.supply, 2),
            "ended": ended,
        }
        if node.does == _NO_VALUE:
            evidence["why"] = "no value" if np.isnan(node.lam) else "the value stands still"
        if node.does == _WARMS:
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


def _at(column: Floats | None, row: int, node: int) -> float:
    return np.nan if column is None else float(column[row, node])


def _now(block: CylinderBlock, name: str, row: int) -> float:
    column = block.now.get(name)
    return np.nan if column is None else float(column[row])
