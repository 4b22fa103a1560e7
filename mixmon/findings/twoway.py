"""Two effects in one table: what belongs to the column, what to the row.

y[b, i] = row[b] + column[i] + noise, with gaps. Used for batches x cylinders (the engine's
common drift against the cylinders' differences) and for cells x cylinders.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def two_way(
    y: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted least squares: (row effects float64[m], column effects float64[n]).

    y, weights: float64[m, n]; weight 0 marks a gap. Column effects of columns that appear
    sum to zero; rows and columns without data are NaN.
    """
    w = np.where(np.isfinite(y), weights, 0.0)
    values = np.where(w > 0, y, 0.0)
    row_weight, used = w.sum(axis=1), w.sum(axis=0) > 0
    rows = row_weight > 0
    if not used.any():
        return np.full(y.shape[0], np.nan), np.full(y.shape[1], np.nan)
    share = w[rows] / row_weight[rows, None]
    row_mean = (share * values[rows]).sum(axis=1)
    # Eliminate the row effects; what remains is a small symmetric system of the columns.
    normal = np.diag(w.sum(axis=0)) - w[rows].T @ share
    right = (w * values).sum(axis=0) - w[rows].T @ row_mean
    columns = np.full(y.shape[1], np.nan)
    columns[used] = np.linalg.pinv(normal[np.ix_(used, used)], hermitian=True) @ right[used]
    columns[used] -= columns[used].mean()
    effect = np.where(used, columns, 0.0)
    row_effect = np.full(y.shape[0], np.nan)
    row_effect[rows] = row_mean - share @ effect
    return row_effect, columns
