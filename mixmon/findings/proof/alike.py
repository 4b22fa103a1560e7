"""Whether cells that follow each other in time change alike, and what that does to a mean over them.

    values by line and node, the orders in which the runs came to the lines -> likeness -> phi
    phi, number of lines -> growth -> by how much variances of a mean over the lines grow

Readings that wander over minutes are alike in cells that follow each other: the mean over the cells is then
known worse than their scatter says, twice over, as what they share is in the mean and not in the scatter.
Cells are taken as a series that is alike by phi from one to the next (a first-order autoregression). One
node's few cells do not tell phi; all nodes together do.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from mixmon.arrays import Floats, Ints

_FEWEST_LINES = 4
"""Fewer cells do not show what follows what: our choice."""

_NOT_BY_CHANCE = 2.33
"""Standard errors by which neighbours must be more alike than by chance: its probability is 0.01 then (normal
table), so that a proof loses no power where nothing wanders."""

PHI_OF_WANDER = 0.5
"""How alike cells are where readings surely wander: computed as exp(-1.4 / 2), since a wander is taken to be
alike for twice a visit (`findings.wander`), and visits of ten seconds begin about fourteen apart."""

_PHI = np.linspace(0.0, 0.95, 96)
"""What is looked for: our choice; beyond it a run does not tell a wander from a change."""


def likeness(values: Floats, orders: Sequence[Ints]) -> float:
    """How alike neighbours in time are, 0 where no more than by chance.

    values  float64[r, n], by line, free of what the nodes of a line have in common; NaN where not known
    orders  int64[r] for each run, the lines in the order of time
    """
    whole = values[:, np.isfinite(values).all(axis=0)]
    count, nodes = whole.shape
    if count < _FEWEST_LINES or nodes < 2 or not orders:
        return 0.0
    left = whole - whole.mean(axis=0)
    squares = (left**2).sum(axis=0)
    if not squares.sum() > 0:
        return 0.0
    products = np.mean([(left[order][1:] * left[order][:-1]).sum() for order in orders])
    found = float(products / squares.sum())
    # Of one white series with its mean taken out (from memory: Moran, Biometrika 35, 1948).
    error = (count - 2) / (count * (count - 1) ** 0.5)
    series = float(squares.sum() ** 2 / (squares**2).sum()) * (nodes - 1) / nodes
    if found + 1 / count < _NOT_BY_CHANCE * error / series**0.5:
        return 0.0
    return float(np.interp(found, _expected(count), _PHI))


def growth(phi: float, count: int) -> tuple[float, float]:
    """By how much the variance of a mean over so many lines grows: by their scatter, by their errors.

    >>> growth(0.0, 8)
    (1.0, 1.0)
    """
    if not phi > 0 or count < 2:
        return 1.0, 1.0
    alike = _correlations(phi, count)
    of_mean = float(alike.sum()) / count
    scatter = (count - of_mean) / (count - 1)
    return of_mean / scatter, of_mean


def _correlations(phi: float, count: int) -> Floats:
    steps = np.arange(count)
    out: Floats = phi ** np.abs(steps[:, None] - steps).astype(np.float64)
    return out


@lru_cache(maxsize=16)
def _expected(count: int) -> Floats:
    """The products of neighbours over the squares that are expected for each of `_PHI`, with the mean out."""
    centre = np.eye(count) - 1 / count
    out = []
    for phi in _PHI.tolist():
        around = centre @ _correlations(phi, count) @ centre
        out.append(float(np.trace(around, offset=1) / np.trace(around)))
    return np.array(out)
