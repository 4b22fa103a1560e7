"""Moments in which a reading says nothing about the fuel that a cylinder needs.

Around a misfire or a cut, from three sensor lags and two cycles before the gas came to as much
after it had gone, or until the reading had faded, if that was later. The moments are kept apart
from the readings: an event is certain only seconds after its rows have been counted, and then
takes them out again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.event import NOT_FUELLING, Event, Kind
from mixmon.gas.transport import cycle_s

_LAGS, _CYCLES = 3.0, 2.0
_UNKNOWN_CYCLE_S = 0.04


@dataclass(frozen=True, slots=True)
class Masked:
    """One event's moments of one node, ns; `misses` are the cycles that did not burn, 0 for a cut."""

    node: int
    begin: int
    end: int
    misses: int
    cycle_s: float


class Mask:
    """The moments of n nodes. Events may come in any order, each once.

    version  counts the events that were taken
    """

    def __init__(self, lag_s: NDArray[np.float64], strokes: int) -> None:
        """`lag_s` float64[n]: element and filter together."""
        self._lag_s, self._strokes = lag_s, strokes
        self.moments: list[Masked] = []
        self._edges: list[tuple[NDArray[np.int64], NDArray[np.int64]] | None] = [None] * len(lag_s)

    @property
    def version(self) -> int:
        """Rises with every moment that is added."""
        return len(self.moments)

    def add(self, events: Iterable[Event]) -> None:
        """Takes the events around which readings are no fuelling figure; others are passed over."""
        for event in events:
            if event.kind in NOT_FUELLING:
                for node in event.nodes:
                    self.moments.append(self._moment(event, node))
                    self._edges[node] = None

    def covers(self, t: NDArray[np.int64], length_ns: int, since: int = 0) -> NDArray[np.bool_]:
        """Which nodes are masked somewhere in [t, t + length), bool[m, n].

        since: only by moments that were added after that version.
        """
        covered = np.zeros((len(t), len(self._lag_s)), np.bool_)
        for node in {moment.node for moment in self.moments[since:]}:
            begin, end = self._sorted(node) if since == 0 else _edges(node, self.moments[since:])
            before = np.searchsorted(begin, t + length_ns) - 1
            covered[:, node] = (before >= 0) & (end[before] > t)
        return covered

    def _moment(self, event: Event, node: int) -> Masked:
        cycle = float(cycle_s(event.rpm, self._strokes))
        cycle = cycle if cycle > 0 else _UNKNOWN_CYCLE_S
        around = round((_LAGS * self._lag_s[node] + _CYCLES * cycle) * 1e9)
        gas, misses = event.evidence.get("gas_s"), event.evidence.get("missed_cycles", 0)
        gone = event.t + round(gas * 1e9) if isinstance(gas, float) else event.end
        counted = misses if event.kind is Kind.MISFIRE and isinstance(misses, int) else 0
        return Masked(node, event.t - around, max(event.end, gone + around), counted, cycle)

    def _sorted(self, node: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        edges = self._edges[node]
        if edges is None:
            edges = self._edges[node] = _edges(node, self.moments)
        return edges


def _edges(node: int, moments: list[Masked]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Beginnings of a node's moments in order, and the latest end of all that began so far."""
    own = sorted((m.begin, m.end) for m in moments if m.node == node)
    begin, end = np.array(own, np.int64).reshape(-1, 2).T
    return begin, np.maximum.accumulate(end)
