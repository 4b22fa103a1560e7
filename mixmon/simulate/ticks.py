"""The moments at which one sender sends: an even beat of its own clock."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray


class Ticks:
    """Moments `phase + k * period` in whole ns; each call gives those from the last call's end on."""

    def __init__(self, period_ns: float, phase_ns: int) -> None:
        self._period, self._phase, self._next = period_ns, phase_ns, 0

    def until(self, to_ns: int) -> NDArray[np.int64]:
        """int64[k] moments before `to_ns` that have not been given yet."""
        end = max(self._next, math.ceil((to_ns - self._phase) / self._period))
        k = np.arange(self._next, end)
        self._next = end
        return np.asarray(np.rint(k * self._period), np.int64) + self._phase
