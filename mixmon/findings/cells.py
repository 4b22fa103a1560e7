"""What each cylinder needs in each cell, and what the whole engine needs there.

In one cell, ln lambda of batch b and node i is what all share at that moment plus what is the
node's own: the second part is the need against peers, free of the engine's common drift. Node
columns that were missing for a while do not bend the others (least squares, not plain means).
The reference is the engine's mean in the fuel domain, equal air assumed:
lambda of the engine = 1 / mean(1 / lambda_i).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.dwell import BATCH_NS, BATCH_ROWS, BATCH_S, BatchTable, Dwell
from mixmon.findings.mask import Mask
from mixmon.findings.stats import NOTHING, Estimate, estimate, lag1, median_with_holes, two_way

CENSORED_SHARE = 0.02
"""With more than this part of its time at a limit of the range, a node's mean is not a mean."""

_FEWEST_BATCHES = 4
_OUTLIER_SCALE = 6.0
_OUTLIER_FLOOR = 0.01  # in ln lambda
_MAD_TO_SIGMA = 1.4826

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class CellResult:
    """One cell, n nodes. All in ln lambda; a need of x is 100 (exp(x) - 1) percent.

    peers     against the mean of the nodes (fuel domain), one Estimate a node
    target    against the target, one Estimate a node
    engine    the whole engine against the target
    lam       lambda of the whole engine (a number, not its ln)
    usable_s  float64[n]
    scatter   float64[n]  mean square of single rows about the mean
    at_rich, at_lean  float64[n]  share of time at a limit
    outliers  int64[n]  batches left out as outliers
    masked_s  float64[n]  seconds left out around misfires and cuts
    """

    cell: int
    peers: tuple[Estimate, ...]
    target: tuple[Estimate, ...]
    engine: Estimate
    lam: float
    usable_s: Floats
    scatter: Floats
    at_rich: Floats
    at_lean: Floats
    outliers: NDArray[np.int64]
    masked_s: Floats

    def censored(self, node: int) -> bool:
        """True where the node stood at a limit too often for a finite need."""
        return bool(self.at_rich[node] + self.at_lean[node] > CENSORED_SHARE)


class JudgedCells:
    """What every cell of a dwell says; only what has grown is worked again.

    weights: float64[n], cylinders that each node speaks for.
    counted: bool[n], nodes that may be part of the reference.
    mask: moments that are left out.
    """

    def __init__(self, dwell: Dwell, weights: Floats, counted: NDArray[np.bool_], mask: Mask) -> None:
        self._dwell, self._mask = dwell, mask
        self._weights, self._counted = weights, counted
        # by cell: batches and version of the mask then, and what they said
        self._judged: dict[int, tuple[int, int, CellResult]] = {}

    def results(self, patience: float = 0.0) -> list[CellResult]:
        """Every cell that holds batches, in order of cell number.

        A cell that has grown by no more than `patience` of itself stands as it was judged last.
        """
        return [self.result(cell, patience) for cell in sorted(self._dwell.counts)]

    def result(self, cell: int, patience: float = 0.0) -> CellResult:
        """One cell, which holds batches."""
        count, version = self._dwell.counts[cell], self._mask.version
        then, masked_then, judged = self._judged.get(cell, (0, 0, None))
        if judged is None or count - then > patience * then or self._newly_masked(cell, masked_then):
            table = self._dwell.table(cell)
            masked = self._mask.covers(table.t, BATCH_NS) if version else None
            then, judged = count, cell_result(cell, table, self._weights, self._counted, masked)
        self._judged[cell] = then, version, judged
        return judged

    def with_misfires(self, cell: int) -> CellResult:
        """One cell with everything counted that the mask leaves out."""
        return cell_result(cell, self._dwell.table(cell), self._weights, self._counted)

    def _newly_masked(self, cell: int, since: int) -> bool:
        """Whether moments were added that meet the cell."""
        if self._mask.version == since:
            return False
        return bool(self._mask.covers(self._dwell.table(cell).t, BATCH_NS, since).any())


def cell_result(
    cell: int,
    table: BatchTable,
    weights: Floats,
    counted: NDArray[np.bool_],
    masked: NDArray[np.bool_] | None = None,
) -> CellResult:
    """What the batches of one cell say.

    weights: float64[n], cylinders that each node speaks for.
    counted: bool[n], nodes that may be part of the reference.
    masked: bool[m, n], batches that are left out.
    """
    hidden = np.zeros(table.y.shape, np.bool_) if masked is None else masked
    joined = table.visit[1:] == table.visit[:-1]
    y = np.where(counted & ~hidden, table.y, np.nan)
    target = np.where(counted, table.target, np.nan)
    shares = [
        np.where(hidden, 0, limit).mean(axis=0) / BATCH_ROWS for limit in (table.at_rich, table.at_lean)
    ]
    y[:, shares[0] + shares[1] > CENSORED_SHARE] = np.nan
    few = np.isfinite(y).sum(axis=0) < _FEWEST_BATCHES
    y[:, few] = np.nan
    outlying = _outliers(y)
    y[outlying] = np.nan
    common, own = two_way(y, np.ones_like(y))
    reference = -np.log(np.average(np.exp(-own[~few]), weights=weights[~few])) if (~few).any() else np.nan
    # own: node against the mean of ln; reference turns it into the fuel-domain mean.
    against_peers = _estimates(y - common[:, None] - reference, joined)
    against_target = _estimates(y - target, joined)
    engine_target = _row_mean(target)
    engine = _estimates((common + reference - engine_target)[:, None], joined)[0]
    if np.isfinite(y).any(axis=0).sum() < 2:
        against_peers = [NOTHING] * y.shape[1]
    kept = np.isfinite(y)
    return CellResult(
        cell=cell,
        peers=tuple(against_peers),
        target=tuple(against_target),
        engine=engine,
        lam=float(np.exp(_mean_of(common + reference))),
        usable_s=kept.sum(axis=0) * BATCH_S,
        scatter=_scatter(table.scatter, y, kept),
        at_rich=shares[0],
        at_lean=shares[1],
        outliers=outlying.sum(axis=0),
        masked_s=(hidden & np.isfinite(table.y)).sum(axis=0) * BATCH_S,
    )


def _outliers(y: Floats) -> NDArray[np.bool_]:
    """Batches of a node far from what its peers' common movement explains: a burst, a knock on the wire."""
    apart = y - median_with_holes(y, axis=1)[:, None]
    distance = np.abs(apart - median_with_holes(apart, axis=0))
    limit = np.maximum(_OUTLIER_SCALE * _MAD_TO_SIGMA * median_with_holes(distance, axis=0), _OUTLIER_FLOOR)
    far: NDArray[np.bool_] = distance > limit
    return far


def _estimates(series: Floats, joined: NDArray[np.bool_]) -> list[Estimate]:
    """An Estimate for every column of float64[m, n], correlation taken from the column itself."""
    count = np.isfinite(series).sum(axis=0)
    means = np.divide(np.nansum(series, axis=0), count, out=np.zeros(series.shape[1]), where=count > 0)
    rho = lag1(series - means, joined)
    return [estimate(column[np.isfinite(column)], float(r)) for column, r in zip(series.T, rho, strict=True)]


def _scatter(within: Floats, y: Floats, kept: NDArray[np.bool_]) -> Floats:
    """Mean square of single rows about the node's mean: within the batches and between them."""
    count = np.maximum(kept.sum(axis=0), 1)
    mean = np.where(kept, y, 0.0).sum(axis=0) / count
    inside = np.where(kept, within, 0.0).sum(axis=0) / count
    between = np.where(kept, (y - mean) ** 2, 0.0).sum(axis=0) / count
    scatter: Floats = inside + between
    return scatter


def _mean_of(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(known.mean()) if len(known) else np.nan


def _row_mean(x: Floats) -> Floats:
    count = np.isfinite(x).sum(axis=1)
    mean: Floats = np.divide(np.nansum(x, axis=1), count, out=np.full(len(x), np.nan), where=count > 0)
    return mean
