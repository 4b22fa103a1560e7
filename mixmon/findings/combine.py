"""One need a node from its cells.

Cells are samples of how the engine is used, and a cylinder may really need different fuel in
them (air, dead time, leaks change with flow). So a cell counts by the inverse of its own variance
plus the variance between cells that their errors do not explain: the random-effects mean (from
memory: DerSimonian & Laird, Controlled Clinical Trials 7, 1986), that variance taken over all
nodes together, because one cylinder's trouble moves every other's need against peers. Where the
cells agree, long dwells count more; where they do not, a long dwell in one cell does not outvote
the others, and the interval says how little one number can serve them all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.cells import CellResult
from mixmon.findings.stats import NOTHING, Estimate, student_t95, two_way

_ROUNDS = 3
_SMALLEST_ERROR = 1e-6

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """Needs of n nodes over the cells, in ln lambda.

    peers   against the mean of the nodes in the fuel domain
    target  against the target
    """

    peers: tuple[Estimate, ...]
    target: tuple[Estimate, ...]


def combine(cells: Sequence[CellResult], weights: Floats) -> Combined:
    """Needs over the cells; `weights` float64[n], the cylinders that each node speaks for."""
    n = len(weights)
    if not cells:
        return Combined((NOTHING,) * n, (NOTHING,) * n)
    peers = _means([c.peers for c in cells], common=True)
    known = np.array([np.isfinite(e.mean) for e in peers])
    means = np.array([e.mean for e in peers])
    shift = np.log(np.average(np.exp(-means[known]), weights=weights[known])) if known.any() else 0.0
    shifted = tuple(Estimate(e.mean + shift, e.half, e.standard_error, e.effective) for e in peers)
    return Combined(shifted, _means([c.target for c in cells], common=False))


def _means(cells: list[tuple[Estimate, ...]], *, common: bool) -> tuple[Estimate, ...]:
    """Means over cells; with `common`, each cell may have a zero of its own."""
    y = np.array([[e.mean for e in row] for row in cells])
    error = np.array([[e.standard_error for e in row] for row in cells])
    used = np.isfinite(error)
    variance = np.where(used, np.square(np.fmax(error, _SMALLEST_ERROR)), np.inf)
    count = used.sum(axis=0)
    rows, columns = _fit(y, 1 / variance, common=common)
    between = 0.0
    for _ in range(_ROUNDS):
        between = _between(y - rows[:, None] - columns, 1 / variance, count)
        rows, columns = _fit(y, 1 / (variance + between), common=common)
    weight = (1 / (variance + between)).sum(axis=0)
    effective = np.where(used, np.array([[e.effective for e in row] for row in cells]), 0.0).sum(axis=0)
    return tuple(_estimate(*column) for column in zip(columns, weight, effective, count, strict=True))


def _fit(y: Floats, w: Floats, *, common: bool) -> tuple[Floats, Floats]:
    if common:
        rows, columns = two_way(y, w)
        return np.nan_to_num(rows), columns
    total = w.sum(axis=0)
    weighted = np.where(w > 0, w * np.nan_to_num(y), 0.0).sum(axis=0)
    mean: Floats = np.divide(weighted, total, out=np.full(len(total), np.nan), where=total > 0)
    return np.zeros(len(y)), mean


def _between(residual: Floats, w: Floats, count: NDArray[np.int64]) -> float:
    """Variance between cells beyond their errors, one for all nodes."""
    total = w.sum(axis=0)
    spare = total - np.divide((w**2).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    chi2 = np.where(w > 0, w * np.nan_to_num(residual) ** 2, 0.0).sum(axis=0)
    several = count > 1
    beyond = float((chi2 - (count - 1))[several].sum())
    return max(0.0, beyond / float(spare[several].sum())) if several.any() else 0.0


def _estimate(mean: float, weight: float, effective: float, count: int) -> Estimate:
    if not weight > 0:
        return NOTHING
    error = float(1 / np.sqrt(weight))
    return Estimate(float(mean), student_t95(max(effective - count, 1.0)) * error, error, float(effective))
