"""When the gas at the sensors turns to air, and back: the two edges of every fuel cut.

All cylinders pump air at once in a cut and in nothing else, so the sensors themselves tell: most of
those that measure read far leaner than any engine burns. No signal of the engine is needed.

Kept: whether the sensors are in air.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.latch import latch

AIR_PERCENT = 5.0
"""Oxygen balance above which no engine burns: lambda 1.35 (computed)."""

_MOST, _FEW = 2 / 3, 1 / 3

MEASURING = np.ones(len(SampleState), np.bool_)
"""By SampleState: whether the number held is what the gas is. A sample in a cut or at a limit is."""
MEASURING[[SampleState.WARMING, SampleState.SILENT, SampleState.SUSPECT, SampleState.LEFT_OUT]] = False


class AirEdges:
    """Follows the rows of one stretch of time."""

    def __init__(self) -> None:
        self._in_air = False

    def feed(self, block: CylinderBlock) -> list[tuple[int, bool]]:
        """Rows of the block at which the sensors come into air (True) or leave it (False)."""
        measuring = MEASURING[block.state]
        count = measuring.sum(axis=1)
        lean = ((block.oxygen > AIR_PERCENT) & measuring).sum(axis=1)
        in_air = latch((lean > _MOST * count) & (count > 0), lean <= _FEW * count, self._in_air)
        turned = np.flatnonzero(np.diff(in_air, prepend=self._in_air))
        self._in_air = bool(in_air[-1])
        return [(row, bool(in_air[row])) for row in turned.tolist()]


def movement(level: NDArray[np.float64], rise: int, fall: int) -> tuple[int, int]:
    """The last row before the readings leave their level, and the last one before they come back.

    Args:
        level: middle reading of all sensors, float64[k], from well before a cut to its end.
        rise: row at which the sensors are half way into air.
        fall: row at which they are half way out of it.
    """
    burnt, air = float(np.median(level[: max(rise - 30, 1)])), float(level[rise : fall + 1].max())
    near = 0.05 * (air - burnt)
    low = np.flatnonzero(level[:rise] <= burnt + near)
    high = np.flatnonzero(level[rise:fall] >= air - near)
    return (int(low[-1]) if len(low) else 0), (rise + int(high[-1]) if len(high) else fall)
