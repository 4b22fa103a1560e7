"""How long each sensor took from heating to ready, the first time it is seen to.

Heating begins where the heater is driven; where that is not known, with the node's first sample.

Kept: the moment at which each node's heating began, and whether it was warming in the last row.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mixmon.mixture.block import CylinderBlock, SampleState

_DRIVEN_PERCENT = 10.0
_NEVER = np.iinfo(np.int64).min
_WORKING = np.ones(len(SampleState), np.bool_)
_WORKING[[SampleState.WARMING, SampleState.SILENT, SampleState.SUSPECT, SampleState.LEFT_OUT]] = False


class WarmUpStage:
    """A stage without output: feed it CylinderBlocks and read `seconds`.

    seconds   float64[n], NaN where a node was not seen to become ready from cold

    A node that worked before it was warming was restarted, and counts no more.
    """

    def __init__(self, heaters: Sequence[bool]) -> None:
        """`heaters`: for each node, whether it tells how its heater is driven."""
        nodes = len(heaters)
        self._heaters = heaters
        self.seconds = np.full(nodes, np.nan)
        self._began = np.full(nodes, _NEVER)
        self._over = np.zeros(nodes, np.bool_)
        self._stretch: int | None = None

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._stretch = int(block.stretch[0])
            self._began[:] = _NEVER
        if not self._over.all():
            for j in np.flatnonzero(~self._over).tolist():
                self._follow(block, j)

    def _follow(self, block: CylinderBlock, j: int) -> None:
        state = block.state[:, j]
        working = np.flatnonzero(_WORKING[state])
        until = int(working[0]) if len(working) else len(block)
        if self._began[j] == _NEVER:
            heating = np.flatnonzero(self._heating(block, j)[:until])
            if len(heating):
                self._began[j] = block.t[heating[0]]
        if len(working):
            self._over[j] = True
            if self._began[j] != _NEVER:
                self.seconds[j] = (int(block.t[until]) - int(self._began[j])) / 1e9

    def _heating(self, block: CylinderBlock, j: int) -> NDArray[np.bool_]:
        """Rows in which the node warms; by its heater where the node tells it."""
        warming = block.state[:, j] == SampleState.WARMING
        if not self._heaters[j]:
            return np.asarray(warming)
        return np.asarray(warming & (block.aux["heater"][:, j] > _DRIVEN_PERCENT))
