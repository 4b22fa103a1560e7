"""The readings of all sensors around one moment, at their own times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.air_edges import MEASURING
from mixmon.findings.recent import Recent
from mixmon.mixture.block import CylinderBlock

_BEFORE_NS, _AFTER_NS = 1_000_000_000, 2_000_000_000

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SensorTrace:
    """k rows of n sensors.

    t        ns, zero of `sampled`
    sampled  float64[k, n], s, when each sample was sent
    oxygen   float64[k, n], percent
    used     bool[k, n], samples that are new and tell what the gas is
    """

    t: int
    sampled: Floats
    oxygen: Floats
    used: NDArray[np.bool_]

    def of(self, j: int) -> tuple[Floats, Floats]:
        """Times and readings of one sensor."""
        used = self.used[:, j]
        return self.sampled[used, j], self.oxygen[used, j]


def trace_of(recent: Recent, begin: int, end: int, t: int) -> SensorTrace:
    """The rows begin..end-1 of what was kept, with times from t on."""
    rows = {name: recent.rows(name, begin, end) for name in ("t", "age", "oxygen", "state", "fresh")}
    return SensorTrace(
        t=t,
        sampled=(rows["t"][:, None] - rows["age"] - t) / 1e9,
        oxygen=rows["oxygen"],
        used=rows["fresh"] & MEASURING[rows["state"]] & np.isfinite(rows["oxygen"]),
    )


class TraceStage:
    """A stage that keeps the rows around one moment: `trace` after the last block, None if there were none.

    Args:
        since_s: the moment, in seconds from the first row.
    """

    def __init__(self, since_s: float) -> None:
        self._since = round(since_s * 1e9)
        self._moment: int | None = None
        self._stretch = -1
        self._recent = Recent()

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows."""
        if not len(block):
            return
        if self._moment is None:
            self._moment, self._stretch = int(block.t[0]) + self._since, int(block.stretch[0])
        near = (block.t >= self._moment - _BEFORE_NS) & (block.t < self._moment + _AFTER_NS)
        near &= block.stretch == self._stretch
        if near.any():
            names = ("t", "age", "oxygen", "state", "fresh")
            self._recent.add({name: getattr(block, name)[near] for name in names}, int(near.sum()))

    @property
    def trace(self) -> SensorTrace | None:
        """What was kept."""
        if not self._recent.end or self._moment is None:
            return None
        return trace_of(self._recent, 0, self._recent.end, self._moment)
