"""The best assignment of labels to cylinders, and what every other one would cost more.

Exact, for the few labels of an engine: shortest augmenting paths with prices for rows and columns (from
memory: Jonker & Volgenant, Computing 38, 1987). With the prices of the best assignment no other place is
cheaper than its own, so the least that a forced place costs more is a shortest path through the others.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Floats, Ints


def best_assignment(cost: Floats) -> Ints:
    """For each row its column, each column once at most, so that the sum of the costs is least; int64[n].

    >>> best_assignment(np.array([[1.0, 2.0, 9.0], [1.0, 3.0, 9.0]])).tolist()
    [1, 0]

    Args:
        cost: float64[n, m], finite, with n at most m.
    """
    return _solve(cost)[0]


def extra_costs(cost: Floats) -> tuple[Ints, Floats]:
    """The best assignment int64[n], and what it costs more to give row i column j instead: float64[n, m].

    Zero at the best places; the others are free to move with it.

    >>> chosen, extra = extra_costs(np.array([[0.0, 5.0], [4.0, 0.0]]))
    >>> chosen.tolist(), extra.tolist()
    ([0, 1], [[0.0, 9.0], [9.0, 0.0]])
    """
    rows, columns = cost.shape
    square = np.vstack([cost, np.zeros((columns - rows, columns))])
    chosen, of_rows, of_columns = _solve(square)
    reduced = np.maximum(square - of_rows[:, None] - of_columns, 0.0)
    away = reduced[:, chosen]  # [a, b]: row a takes the column of row b
    np.fill_diagonal(away, 0.0)
    for via in range(columns):
        away = np.minimum(away, away[:, via, None] + away[via])
    owner = np.empty(columns, np.int64)
    owner[chosen] = np.arange(columns)
    extra = reduced + away[owner].T
    extra[np.arange(columns), chosen] = 0.0
    return chosen[:rows], extra[:rows]


def _solve(cost: Floats) -> tuple[Ints, Floats, Floats]:
    """The column of each row, and the prices of rows and columns."""
    rows, columns = cost.shape
    of_rows, of_columns = np.zeros(rows), np.zeros(columns)
    owner = np.full(columns, -1)
    for row in range(rows):
        nearest = np.full(columns, np.inf)
        before, seen = np.full(columns, -1), np.zeros(columns, np.bool_)
        at, column, reached = row, -1, 0.0
        while at >= 0:
            way = reached + cost[at] - of_rows[at] - of_columns
            shorter = ~seen & (way < nearest)
            nearest[shorter], before[shorter] = way[shorter], column
            column = int(np.argmin(np.where(seen, np.inf, nearest)))
            reached, seen[column] = float(nearest[column]), True
            at = int(owner[column])
        done = seen.copy()
        done[column] = False
        of_rows[row] += reached
        of_rows[owner[done]] += reached - nearest[done]
        of_columns[done] -= reached - nearest[done]
        while column >= 0:
            previous = int(before[column])
            owner[column] = row if previous < 0 else owner[previous]
            column = previous
    chosen = np.empty(rows, np.int64)
    taken = np.flatnonzero(owner >= 0)
    chosen[owner[taken]] = taken
    return chosen, of_rows, of_columns
