"""Target lambda from a table by load and speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class TargetTable:
    """lam float64[loads, speeds] at rising `load` and `rpm`; bilinear between, held beyond the ends."""

    rpm: NDArray[np.float64]
    load: NDArray[np.float64]
    lam: NDArray[np.float64]

    def at(self, rpm: NDArray[np.float64], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Target at the operating points, any shape; NaN in, NaN out."""
        column, across = _place(self.rpm, rpm)
        row, up = _place(self.load, load)
        next_column = np.minimum(column + 1, len(self.rpm) - 1)
        next_row = np.minimum(row + 1, len(self.load) - 1)
        low = self.lam[row, column] * (1 - across) + self.lam[row, next_column] * across
        high = self.lam[next_row, column] * (1 - across) + self.lam[next_row, next_column] * across
        return low * (1 - up) + high * up


def _place(
    axis: NDArray[np.float64], x: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Index of the point at or below x, and the way to the next one, 0 to 1."""
    inside = np.clip(x, axis[0], axis[-1])
    known = np.where(np.isnan(inside), axis[0], inside)
    index = np.clip(np.searchsorted(axis, known, side="right") - 1, 0, max(len(axis) - 2, 0))
    step = axis[np.minimum(index + 1, len(axis) - 1)] - axis[index]
    fraction = np.divide(inside - axis[index], step, out=np.zeros_like(inside), where=step > 0)
    return index, np.where(np.isnan(inside), np.nan, fraction)
