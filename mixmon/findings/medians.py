"""Medians of columns that have holes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median_with_holes(x: Floats, axis: int, fewest: int = 1) -> Floats:
    """The median along an axis, NaN left out; NaN where fewer than `fewest` numbers are left.

    The numbers are sorted, so that the result does not depend on how many others are worked on
    at the same time.

    >>> median_with_holes(np.array([[1.0, np.nan, 4.0], [7.0, np.nan, np.nan]]), axis=1, fewest=2)
    array([2.5, nan])
    """
    ordered = np.sort(x, axis=axis)
    count = np.isfinite(x).sum(axis=axis, keepdims=True)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, x.shape[axis] - 1)
    middle = np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis)
    middle *= 0.5
    np.copyto(middle, np.nan, where=count < fewest)
    return np.asarray(np.squeeze(middle, axis), np.float64)
