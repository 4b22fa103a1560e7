"""The strip: twenty seconds back, ten points a second."""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.stats import engine_lambda, mean_of_known
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.snapshot import Strip

POINT_NS = 100_000_000
POINTS = 200

Floats = NDArray[np.float64]


class StripStage:
    """A stage: rows in; one point for every tenth of a second that is over.

    A point belongs to its tenth of a second of data time, whatever the blocks were.
    """

    def __init__(self, weights: Floats) -> None:
        self._weights = weights
        self._open: list[CylinderBlock] = []
        self._slot = -1
        self._points: deque[tuple[int, float, float, float]] = deque(maxlen=POINTS)

    def feed(self, rows: CylinderBlock) -> None:
        """Take rows of one stretch of time; points of another are dropped."""
        if self._open and self._open[0].stretch[0] != rows.stretch[0]:
            self._open.clear()
            self._points.clear()
        oldest = int(rows.t[-1]) - (POINTS + 1) * POINT_NS
        rows = rows.take(slice(int(np.searchsorted(rows.t, oldest)), None))
        slots = rows.t // POINT_NS
        borders = [0, *(np.flatnonzero(np.diff(slots)) + 1).tolist(), len(rows)]
        for first, end in pairwise(borders):
            slot = int(slots[first])
            if self._open and slot != self._slot:
                self._close()
            self._slot = slot
            self._open.append(rows.take(slice(first, end)))

    def strip(self) -> Strip:
        """The points so far, oldest first."""
        table = np.array(self._points, np.float64).reshape(-1, 4)
        slot, target, engine, leanest = table.T
        seconds = (slot - self._slot) * (POINT_NS / 1e9)
        return Strip(seconds, target.copy(), engine.copy(), leanest.copy())

    def _close(self) -> None:
        lam = np.concatenate([np.where(r.state == SampleState.VALID, r.lam, np.nan) for r in self._open])
        mean = mean_of_known(lam)
        now = [r.now["target"] for r in self._open if "target" in r.now]
        target = float(mean_of_known(np.concatenate(now))) if now else float("nan")
        leanest = float(np.fmax.reduce(mean))
        self._points.append((self._slot, target, float(engine_lambda(mean, self._weights)), leanest))
        self._open.clear()
