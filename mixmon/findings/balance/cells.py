"""What each cylinder needs in each cell and over the cells, and how much of that time misfired.

    BatchTable -> cell_result    one cell: needs of the nodes and of the whole engine (kept by `JudgedCells`)
    CellResult -> combine        one need a node from all cells in use
    Mask -> misfire_shares       the share of the counted time that misfired, by node

In one cell, ln lambda of batch b and node i is what all share at that moment plus what is the
node's own: the second part is the need against peers, free of the engine's common drift. Node
columns that were missing for a while do not bend the others (least squares, not plain means).
The reference is the engine's mean in the fuel domain: lambda of the engine =
sum(air) / sum(air_i / lambda_i).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.dwell import BATCH_NS, BATCH_ROWS, BatchTable, Dwell, Mask
from mixmon.findings.stats import (
    BATCH_S,
    CENSORED_SHARE,
    NO_ESTIMATE,
    SIGMA_OF_MAD,
    Estimate,
    engine_log_lambda,
    estimate,
    lag1,
    mean_of_known,
    median_with_holes,
    student_t95,
    two_way,
)

_FEWEST_BATCHES = 4
"""Fewer batches of a node are no need: our choice, one second."""

_OUTLIER_SCALE = 6.0
"""In robust standard deviations: our choice; of normal batches one in five hundred million is farther."""

_OUTLIER_FLOOR = 0.01
"""In ln lambda; nearer to its peers no batch is an outlier, however quiet the others are: our choice."""


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
    outliers  int64[n]  batches excluded as outliers
    masked_s  float64[n]  seconds excluded around misfires and cuts
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
    outliers: Ints
    masked_s: Floats

    def censored(self, node: int) -> bool:
        """True where the node stood at a limit too often for a finite need."""
        return bool(self.at_rich[node] + self.at_lean[node] > CENSORED_SHARE)


class JudgedCells:
    """The result of every cell of a dwell; only cells that have grown are computed again.

    weights: float64[n], air that passes each node's sensor.
    counted: bool[n], nodes that may be part of the reference.
    mask: moments that are excluded.
    """

    def __init__(self, dwell: Dwell, weights: Floats, counted: Bools, mask: Mask) -> None:
        self._dwell, self._mask = dwell, mask
        self._weights, self._counted = weights, counted
        # by cell: number of batches and version of the mask at that time, and the result
        self._judged: dict[int, tuple[int, int, CellResult]] = {}

    def results(self, patience: float = 0.0) -> list[CellResult]:
        """Every cell that holds batches, in order of cell number.

        A cell that has grown by no more than `patience` of itself keeps its last result.
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
        """One cell with everything counted that the mask excludes."""
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
    counted: Bools,
    masked: Bools | None = None,
) -> CellResult:
    """The needs in one cell, from its batches.

    weights: float64[n], air that passes each node's sensor.
    counted: bool[n], nodes that may be part of the reference.
    masked: bool[m, n], batches that are excluded.
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
    outlying = _find_outliers(y)
    y[outlying] = np.nan
    common, own = two_way(y, np.ones_like(y))
    reference = engine_log_lambda(own[~few], weights[~few]) if (~few).any() else np.nan
    # own: node against the mean of ln; reference turns it into the fuel-domain mean.
    against_peers = _estimate_columns(y - common[:, None] - reference, joined)
    against_target = _estimate_columns(y - target, joined)
    engine_target = _row_mean(target)
    engine = _estimate_columns((common + reference - engine_target)[:, None], joined)[0]
    if np.isfinite(y).any(axis=0).sum() < 2:
        against_peers = [NO_ESTIMATE] * y.shape[1]
    kept = np.isfinite(y)
    return CellResult(
        cell=cell,
        peers=tuple(against_peers),
        target=tuple(against_target),
        engine=engine,
        lam=float(np.exp(mean_of_known(common + reference))),
        usable_s=kept.sum(axis=0) * BATCH_S,
        scatter=_row_scatter(table.scatter, y, kept),
        at_rich=shares[0],
        at_lean=shares[1],
        outliers=outlying.sum(axis=0),
        masked_s=(hidden & np.isfinite(table.y)).sum(axis=0) * BATCH_S,
    )


def _find_outliers(y: Floats) -> Bools:
    """Batches of a node far from its peers' common movement: a burst or an electrical disturbance."""
    apart = y - median_with_holes(y, axis=1)[:, None]
    distance = np.abs(apart - median_with_holes(apart, axis=0))
    limit = np.maximum(_OUTLIER_SCALE * SIGMA_OF_MAD * median_with_holes(distance, axis=0), _OUTLIER_FLOOR)
    far: Bools = distance > limit
    return far


def _estimate_columns(series: Floats, joined: Bools) -> list[Estimate]:
    """An Estimate for every column of float64[m, n], correlation taken from the column itself."""
    count = np.isfinite(series).sum(axis=0)
    means = np.divide(np.nansum(series, axis=0), count, out=np.zeros(series.shape[1]), where=count > 0)
    rho = lag1(series - means, joined)
    return [estimate(column[np.isfinite(column)], float(r)) for column, r in zip(series.T, rho, strict=True)]


def _row_scatter(within: Floats, y: Floats, kept: Bools) -> Floats:
    """Mean square of single rows about the node's mean: within the batches and between them."""
    count = np.maximum(kept.sum(axis=0), 1)
    mean = np.where(kept, y, 0.0).sum(axis=0) / count
    inside = np.where(kept, within, 0.0).sum(axis=0) / count
    between = np.where(kept, (y - mean) ** 2, 0.0).sum(axis=0) / count
    scatter: Floats = inside + between
    return scatter


def _row_mean(x: Floats) -> Floats:
    """Mean of each row without NaN; NaN where there is no number."""
    count = np.isfinite(x).sum(axis=1)
    mean: Floats = np.divide(np.nansum(x, axis=1), count, out=np.full(len(x), np.nan), where=count > 0)
    return mean


# ----------------------------------------------------------------------------------------------------
# One need a node from its cells.
# ----------------------------------------------------------------------------------------------------

_VARIANCE_ROUNDS = 3
"""Times that variance and means are computed from each other: our choice."""

_SMALLEST_ERROR = 1e-6
"""In ln lambda: our choice, so that a cell without any noise has a finite weight."""


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """Needs of n nodes over the cells, in ln lambda.

    peers   against the mean of the nodes in the fuel domain
    target  against the target
    """

    peers: tuple[Estimate, ...]
    target: tuple[Estimate, ...]


def combine(cells: Sequence[CellResult], weights: Floats) -> Combined:
    """Needs over the cells; `weights` float64[n], the air that passes each node's sensor.

    Cells are samples of how the engine is used, and a cylinder may really need different fuel in them (air,
    dead time and leaks change with flow). So the weight of a cell is the inverse of its own variance plus the
    variance between cells that their errors do not explain: the random-effects mean (from memory: DerSimonian
    & Laird, Controlled Clinical Trials 7, 1986). That variance is taken over all nodes together, because one
    cylinder's trouble moves every other's need against peers. Where the cells agree, long dwells weigh more;
    where they do not, a long dwell in one cell does not outvote the others, and the interval grows.
    """
    n = len(weights)
    if not cells:
        return Combined((NO_ESTIMATE,) * n, (NO_ESTIMATE,) * n)
    peers = _combine_cells([c.peers for c in cells], common=True)
    known = np.array([np.isfinite(e.mean) for e in peers])
    means = np.array([e.mean for e in peers])
    engine = engine_log_lambda(means[known], weights[known]) if known.any() else 0.0
    shifted = tuple(Estimate(e.mean - engine, e.half, e.standard_error, e.effective) for e in peers)
    return Combined(shifted, _combine_cells([c.target for c in cells], common=False))


def _combine_cells(cells: list[tuple[Estimate, ...]], *, common: bool) -> tuple[Estimate, ...]:
    """Means over cells; with `common`, each cell may have a zero of its own."""
    y = np.array([[e.mean for e in row] for row in cells])
    error = np.array([[e.standard_error for e in row] for row in cells])
    used = np.isfinite(error)
    variance = np.where(used, np.square(np.fmax(error, _SMALLEST_ERROR)), np.inf)
    count = used.sum(axis=0)
    rows, columns = _fit_means(y, 1 / variance, common=common)
    between = 0.0
    for _ in range(_VARIANCE_ROUNDS):
        between = _variance_between_cells(y - rows[:, None] - columns, 1 / variance, count)
        rows, columns = _fit_means(y, 1 / (variance + between), common=common)
    weight = (1 / (variance + between)).sum(axis=0)
    effective = np.where(used, np.array([[e.effective for e in row] for row in cells]), 0.0).sum(axis=0)
    return tuple(
        _estimate_over_cells(*column) for column in zip(columns, weight, effective, count, strict=True)
    )


def _fit_means(y: Floats, w: Floats, *, common: bool) -> tuple[Floats, Floats]:
    """Offsets of the cells float64[m], zero without `common`, and means of the nodes float64[n]."""
    if common:
        rows, columns = two_way(y, w)
        return np.nan_to_num(rows), columns
    total = w.sum(axis=0)
    weighted = np.where(w > 0, w * np.nan_to_num(y), 0.0).sum(axis=0)
    mean: Floats = np.divide(weighted, total, out=np.full(len(total), np.nan), where=total > 0)
    return np.zeros(len(y)), mean


def _variance_between_cells(residual: Floats, w: Floats, count: Ints) -> float:
    """Variance between cells beyond their errors, one for all nodes."""
    total = w.sum(axis=0)
    spare = total - np.divide((w**2).sum(axis=0), total, out=np.zeros_like(total), where=total > 0)
    chi2 = np.where(w > 0, w * np.nan_to_num(residual) ** 2, 0.0).sum(axis=0)
    several = count > 1
    beyond = float((chi2 - (count - 1))[several].sum())
    return max(0.0, beyond / float(spare[several].sum())) if several.any() else 0.0


def _estimate_over_cells(mean: float, weight: float, effective: float, count: int) -> Estimate:
    if not weight > 0:
        return NO_ESTIMATE
    error = float(1 / np.sqrt(weight))
    return Estimate(float(mean), student_t95(max(effective - count, 1.0)) * error, error, float(effective))


# ----------------------------------------------------------------------------------------------------
# How much of a cylinder's counted time misfired.
# ----------------------------------------------------------------------------------------------------

OFTEN_EVENTS, OFTEN_SHARE, OFTEN_MASKED = 3, 0.005, 0.15
"""Misfire is frequent from so many events on, if they are at least this share of the cycles, or the time
excluded around them is at least this share of the time: our choice. Misfire that is found is excluded, but
there is more that is not found the more is found; half a percent of the cycles makes up to 0.4 % of fuel."""

_LEAN_PER_SHARE = (0.52, 0.75)
"""Relative rise of the mean lambda over the share of missed cycles, least and most (computed: at lambda 0.88,
vapour 0.53 and 0.33 times as quick as oxygen)."""


@dataclass(frozen=True, slots=True)
class MisfireShare:
    """Misfire of one node in the time that is used for trims.

    events, cycles  number of misfires, and of the cycles that they missed
    share           of the cycles
    masked_s        seconds excluded around misfires and cuts
    steady_s        seconds that would have been used
    """

    node: int
    events: int
    cycles: int
    share: float
    masked_s: float
    steady_s: float

    @property
    def frequent(self) -> bool:
        """Whether so much misfired that trims would rest on readings of misfires that were not found."""
        often = self.share >= OFTEN_SHARE or self.masked_s >= OFTEN_MASKED * self.steady_s
        return self.events >= OFTEN_EVENTS and often

    @property
    def lean_percent(self) -> tuple[float, float]:
        """By how much the missed cycles alone would raise the mean reading, if they were counted."""
        low, high = _LEAN_PER_SHARE
        return (100.0 * low * self.share, 100.0 * high * self.share)


def misfire_shares(mask: Mask, tables: Sequence[BatchTable]) -> list[MisfireShare]:
    """The nodes that misfire in the batches of the cells used, in order."""
    if not tables or not mask.version:
        return []
    t = np.sort(np.concatenate([table.t for table in tables]))
    y = np.concatenate([table.y for table in tables])
    masked = np.concatenate([mask.covers(table.t, BATCH_NS) for table in tables])
    known = np.isfinite(y)
    shares = []
    for node in sorted({m.node for m in mask.moments if m.misses}):
        hits = [m for m in mask.moments if m.node == node and m.misses and _meets_batch(t, m.begin, m.end)]
        steady_s = float(known[:, node].sum() * BATCH_S)
        if not hits or not steady_s:
            continue
        cycles = sum(m.misses for m in hits)
        lost_s = float((masked & known)[:, node].sum() * BATCH_S)
        share = min(1.0, sum(m.misses * m.cycle_s for m in hits) / steady_s)
        shares.append(MisfireShare(node, len(hits), cycles, share, lost_s, steady_s))
    return shares


def _meets_batch(t: Ints, begin: int, end: int) -> bool:
    """Whether a batch that begins at one of the rising moments t meets [begin, end)."""
    at = int(np.searchsorted(t, end)) - 1
    return at >= 0 and int(t[at]) + BATCH_NS > begin
