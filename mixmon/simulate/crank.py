"""The crankshaft: speed as straight lines between points, angle and time turned into each other exactly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CYCLE_DEG = 720.0
"""Crank angle of one four-stroke cycle."""

_DEG_PER_S = 6.0
"""Degrees a second at one revolution a minute."""


class Crank:
    """Speed over time and the crank angle that follows from it.

    Between two points the speed is a straight line, so the angle is a parabola there and can be
    turned back without iteration. Before the first and after the last point the speed is constant.
    """

    def __init__(self, t: NDArray[np.float64], rpm: NDArray[np.float64]) -> None:
        self._t = t
        self._rate = rpm * _DEG_PER_S
        steps = np.diff(t)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(steps > 0, np.diff(self._rate) / steps, 0.0)
        self._slope = np.append(slope, 0.0)
        area = (self._rate[1:] + self._rate[:-1]) / 2 * steps
        self._angle = np.concatenate([[0.0], np.cumsum(area)])

    def rpm(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Speed at times `t`."""
        return np.interp(t, self._t, self._rate / _DEG_PER_S)

    def angle(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        """Crank angle in degrees turned since the first point."""
        at = np.clip(np.searchsorted(self._t, t, "right") - 1, 0, None)
        late = t - self._t[at]
        return self._angle[at] + late * (self._rate[at] + self._slope[at] / 2 * late)

    def time(self, angle: NDArray[np.float64]) -> NDArray[np.float64]:
        """When the crank passes each angle; infinite where it never gets there.

        The root is written so that it keeps its digits when the speed hardly changes.
        """
        at = np.clip(np.searchsorted(self._angle, angle, "right") - 1, 0, None)
        left, rate, slope = angle - self._angle[at], self._rate[at], self._slope[at]
        root = np.sqrt(np.maximum(rate * rate + 2 * slope * left, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            late = np.where(left > 0, 2 * left / (rate + root), 0.0)
        return self._t[at] + late
