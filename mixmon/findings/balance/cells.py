"""What the nodes of one cell read against each other, and how much of that time misfired.

    BatchTable -> fit_cell       one cell: its groups, with the levels of their nodes (kept by `JudgedCells`)
    Mask -> misfire_shares       the share of the counted time that misfired, by node

In one cell, ln lambda of batch b and node i is what all share at that moment plus what is the
node's own: the second part is free of the engine's common drift. Node columns that were missing for a while
do not bend the others (least squares, not plain means). Nodes that were never heard together, not even by
way of others, cannot be compared: each `CellGroup` stands for itself. What cannot be known from one cell,
the needs of the cylinders against all of them, is made of all cells together in `needs`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from math import fsum

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.findings.balance.changes import Change, range_of_changes, sort_batches
from mixmon.findings.balance.dwell import BATCH_NS, BATCH_ROWS, BatchTable, Dwell, Mask
from mixmon.findings.rounding import rounding_variance
from mixmon.findings.stats import (
    BATCH_S,
    CENSORED_SHARE,
    FEWEST_EFFECTIVE,
    NORMAL_95_SIX_DECIMALS,
    Estimate,
    estimate,
    invert_symmetric,
    lag1,
    linked,
    mean_of_known,
    median_with_holes,
    two_way,
    widened,
)
from mixmon.findings.wander import Differences, differences, pool, together

_FEWEST_BATCHES = 4
"""Fewer batches of a node are no need: our choice, one second."""

_STUCK_SHARE = 0.05
"""Part of its batches in which a reading stands still, from which a node's mean is not used: our choice, so
that one batch in a long dwell does not cost the cylinder; a live sensor has next to none."""

_LIVE_STEPS = 2.0
"""Standard deviation of the nodes' readings within a batch, in steps of a node, from which that node does not
stand still for half a second if it is live: our choice; of five samples, one in two thousand times does
(computed: normal noise rests on one of its steps with a chance of 0.2)."""

_MOVING_STEPS = 0.5
"""Standard deviation of the nodes' readings within a cell, in steps of a node, from which its suspect rests
are counted: our choice; with less its step was only not known yet when it was suspect."""


@dataclass(frozen=True, slots=True, eq=False)
class CellGroup:
    """k nodes of one cell that were heard together, directly or by way of others. All in ln lambda.

    nodes       int64[k]
    levels      float64[k]     of each node over the mean of the k nodes
    covariance  float64[k, k]  of the errors of `levels`
    effective   float64[k]     effective number of batches
    sure        bool[k]        where there is enough for an interval
    level       mean of the k nodes, over the group's batches
    batches     how many those are
    off_target  the mean of the k nodes over the target
    slow        differences of longer means of the k nodes
    """

    nodes: Ints
    levels: Floats
    covariance: Floats
    effective: Floats
    sure: Bools
    level: float
    batches: int
    off_target: Estimate
    slow: Differences


@dataclass(frozen=True, slots=True, eq=False)
class CellFit:
    """What one cell says by itself, n nodes. All in ln lambda.

    groups    nodes in different groups were never heard together
    target    against the target, one Estimate a node
    usable_s  float64[n]
    scatter   float64[n]  mean square of single rows about the mean
    at_rich, at_lean  float64[n]  share of time at a limit
    stuck     bool[n]  the reading stood still too often, while those of others moved
    outliers  int64[n]  batches excluded as outliers
    masked_s  float64[n]  seconds excluded around misfires and cuts
    ends      float64[n]  by how much the last batches of a node lie apart, which may be a change; else 0
    changes   of the nodes' levels; groups and target are as if each had stood in the middle of its levels
    middle_s  mean time of its batches, by the stamps; NaN where not known
    """

    cell: int
    groups: tuple[CellGroup, ...]
    target: tuple[Estimate, ...]
    usable_s: Floats
    scatter: Floats
    at_rich: Floats
    at_lean: Floats
    stuck: Bools
    outliers: Ints
    masked_s: Floats
    ends: Floats
    changes: tuple[Change, ...] = ()
    middle_s: float = np.nan

    @property
    def moved(self) -> Floats:
        """By how much the nodes' levels changed, largest less smallest, float64[n]."""
        return range_of_changes(self.changes, len(self.usable_s))

    @property
    def censored(self) -> Bools:
        """Nodes that stood at a limit too often for a finite need, bool[n]."""
        out: Bools = self.at_rich + self.at_lean > CENSORED_SHARE
        return out

    @property
    def effective(self) -> Floats:
        """Effective number of batches by node, float64[n]; 0 where there is none."""
        return self._spread_over_nodes([g.effective for g in self.groups], 0.0)

    @property
    def errors(self) -> Floats:
        """Standard errors of the nodes' levels within their groups, float64[n]; NaN where not known."""
        own = [np.where(g.sure, np.sqrt(np.diag(g.covariance)), np.nan) for g in self.groups]
        return self._spread_over_nodes(own, np.nan)

    @property
    def slow(self) -> Differences:
        """Differences of longer means of all n nodes."""
        return together(((g.nodes.tolist(), g.slow) for g in self.groups), len(self.usable_s))

    def with_errors(self, variance: Floats) -> CellFit:
        """The same, where every node is also off by an error of its own that no time makes smaller.

        variance: float64[n] of those errors.
        """
        if not variance.any():
            return self
        return replace(
            self,
            groups=tuple(_add_errors(group, variance[group.nodes]) for group in self.groups),
            target=tuple(widened(e, float(v)) for e, v in zip(self.target, variance, strict=True)),
        )

    def with_changes_as_errors(self) -> CellFit:
        """The same, where the middle of a node's levels is off by half of what they differ by, at 95 %."""
        return self.with_errors(self.change_variance)

    @property
    def change_variance(self) -> Floats:
        """Variance of an error, half of what each node's levels differ by at 95 %, float64[n]."""
        out: Floats = (self.moved / (2 * NORMAL_95_SIX_DECIMALS)) ** 2
        return out

    def _spread_over_nodes(self, parts: Sequence[Floats], missing: float) -> Floats:
        out = np.full(len(self.usable_s), missing)
        for group, values in zip(self.groups, parts, strict=True):
            if len(group.nodes) > 1:
                out[group.nodes] = values
        return out


class JudgedCells:
    """The fit of every cell of a dwell; only cells that have grown are computed again.

    counted: bool[n], nodes that may be part of the reference.
    mask: moments that are excluded.

    `wander` is how much the nodes wander by themselves, by all cells at the last call of `fits`.
    """

    def __init__(self, dwell: Dwell, counted: Bools, mask: Mask) -> None:
        self._dwell, self._mask = dwell, mask
        self._counted = counted
        # by cell: number of batches and version of the mask at that time, and the fit
        self._judged: dict[int, tuple[int, int, CellFit]] = {}
        self.wander = pool([], len(counted))

    def fits(self, used: Callable[[int], bool], patience: float = 0.0) -> list[CellFit]:
        """Every cell that holds batches, in order of cell number.

        A cell that has grown by no more than `patience` of itself keeps its last fit. Slow wander is looked
        for in the cells that are `used`, and only their errors know of it: at low flow needs move for
        reasons of their own.
        """
        fits = [self._fit_alone(cell, patience) for cell in sorted(self._dwell.counts)]
        self.wander = pool([f.slow for f in fits if used(f.cell)], len(self._counted))
        return [f.with_errors(self.wander.variance(f.slow)) if used(f.cell) else f for f in fits]

    def fit(self, cell: int, patience: float = 0.0) -> CellFit:
        """One cell, which holds batches."""
        alone = self._fit_alone(cell, patience)
        return alone.with_errors(self.wander.variance(alone.slow))

    def _fit_alone(self, cell: int, patience: float) -> CellFit:
        """What one cell says, without what the others say about slow wander."""
        count, version = self._dwell.counts[cell], self._mask.version
        then, masked_then, judged = self._judged.get(cell, (0, 0, None))
        if judged is None or count - then > patience * then or self._newly_masked(cell, masked_then):
            table = self._dwell.table(cell)
            then, judged = count, fit_cell(cell, table, self._counted, self.masked(cell))
        self._judged[cell] = then, version, judged
        return judged

    def table(self, cell: int) -> BatchTable:
        """All whole batches of one cell."""
        return self._dwell.table(cell)

    def masked(self, cell: int) -> Bools | None:
        """Which batches of one cell are excluded, bool[m, n]; None where no moment is."""
        return self._mask.covers(self._dwell.table(cell).t, BATCH_NS) if self._mask.version else None

    def fit_rows(self, cell: int, rows: slice, masked: Bools | None) -> CellFit:
        """What some of the batches of one cell say, without what others say about slow wander.

        masked: those of them that are excluded, bool[k, n].
        """
        table = self._dwell.table(cell)
        then, version, judged = self._judged.get(cell, (0, 0, None))
        whole = (rows.start, rows.stop) == (0, len(table.t))
        if judged is not None and whole and (then, version) == (rows.stop, self._mask.version):
            return judged
        part = BatchTable(**{one.name: getattr(table, one.name)[rows] for one in fields(BatchTable)})
        return fit_cell(cell, part, self._counted, masked)

    def with_misfires(self, cell: int) -> CellFit:
        """One cell with everything counted that the mask excludes."""
        return fit_cell(cell, self._dwell.table(cell), self._counted)

    def _newly_masked(self, cell: int, since: int) -> bool:
        """Whether moments were added that meet the cell."""
        if self._mask.version == since:
            return False
        return bool(self._mask.covers(self._dwell.table(cell).t, BATCH_NS, since).any())


def fit_cell(cell: int, table: BatchTable, counted: Bools, masked: Bools | None = None) -> CellFit:
    """What the nodes read against each other in one cell, from its batches.

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
    stuck = _find_stuck(table, hidden)
    y[:, (shares[0] + shares[1] > CENSORED_SHARE) | stuck] = np.nan
    y[:, np.isfinite(y).sum(axis=0) < _FEWEST_BATCHES] = np.nan
    step = _steps(table, y)
    batches = sort_batches(y, step, table.visit)
    y[batches.far] = np.nan
    even = np.where(batches.far, np.nan, batches.even)
    kept = np.isfinite(y)
    wanted = _row_mean(target)
    fit = CellFit(
        cell=cell,
        groups=_fit_groups(even, joined, wanted),
        target=tuple(_estimate_columns(even - target, joined)),
        usable_s=kept.sum(axis=0) * BATCH_S,
        scatter=_row_scatter(table.scatter, y, kept),
        at_rich=shares[0],
        at_lean=shares[1],
        stuck=stuck,
        outliers=batches.far.sum(axis=0),
        masked_s=(hidden & np.isfinite(table.y)).sum(axis=0) * BATCH_S,
        ends=batches.ends,
        changes=batches.changes,
        middle_s=float(np.mean(table.t / SECOND_NS)),
    )
    return fit.with_errors(rounding_variance(y, table.scatter, table.code, step, table.visit))


def _steps(table: BatchTable, y: Floats) -> Floats:
    """Step of each node's readings in ln lambda, float64[n], as known last; infinite where not known."""
    level = np.exp(mean_of_known(y))
    out: Floats = table.step[-1] / np.where(np.isfinite(level), level, 1.0)
    return out


def _find_stuck(table: BatchTable, hidden: Bools) -> Bools:
    """Nodes whose reading stands still again and again while those of the others move, bool[n].

    It then rests at an end of its range that the session does not tell, or its controller repeats itself;
    what it shows in between is the part of the gas that came within the range, and not its mean. Two
    batches of one value in a row count, and all of a rest that is long enough to be suspect.

    hidden: bool[m, n], batches that are excluded.
    """
    still = (table.code == table.peak) & ~hidden
    alike = still[1:] & still[:-1] & (table.code[1:] == table.code[:-1])
    alike &= (table.visit[1:] == table.visit[:-1])[:, None]
    suspect = 2 * table.stuck > BATCH_ROWS
    rests = suspect.copy()
    rests[1:] |= alike
    rests[:-1] |= alike
    heard = np.maximum(((table.rows > 0) | rests).sum(axis=0), 1)
    scatter = mean_of_known(table.scatter)
    about = mean_of_known((table.y - mean_of_known(table.y)) ** 2)
    noise, moves = (np.sqrt(median_with_holes(x, axis=0)) for x in (scatter, scatter + about))
    step = _steps(table, np.where(np.isfinite(table.y), table.y, np.nan))
    often = (rests.sum(axis=0) > _STUCK_SHARE * heard) & (noise > _LIVE_STEPS * step)
    out: Bools = often | (suspect.sum(axis=0) > _STUCK_SHARE * heard) & (moves > _MOVING_STEPS * step)
    return out


def _fit_groups(y: Floats, joined: Bools, wanted: Floats) -> tuple[CellGroup, ...]:
    """The levels of nodes that were heard together, from all batches y float64[m, n] of the cell.

    joined: bool[m - 1], neighbours that follow each other without a pause.
    wanted: float64[m], the target.
    """
    sets = linked(np.isfinite(y))
    found = [two_way(y[:, nodes], np.ones((len(y), len(nodes)))) for nodes in sets]
    residual = np.full(y.shape, np.nan)
    for nodes, (common, levels) in zip(sets, found, strict=True):
        residual[:, nodes] = y[:, nodes] - common[:, None] - levels
    rho = lag1(residual, joined)  # of all groups at once: each says something about how the others wander
    return tuple(
        _make_group(
            nodes,
            levels,
            residual[:, nodes],
            rho[nodes],
            common=common,
            off_target=_estimate_columns((common - wanted)[:, None], joined)[0],
            slow=differences(residual[:, nodes], joined, BATCH_S),
        )
        for nodes, (common, levels) in zip(sets, found, strict=True)
    )


def _make_group(
    nodes: Ints,
    levels: Floats,
    residual: Floats,
    rho: Floats,
    *,
    common: Floats,
    off_target: Estimate,
    slow: Differences,
) -> CellGroup:
    """One group, with the errors of its levels.

    residual: float64[m, k] about the common movement; rho: float64[k], correlation of neighbouring batches.
    """
    count = np.isfinite(residual).sum(axis=0)
    effective = count * (1 - rho) / (1 + rho)
    sure = (count > 1) & (effective >= FEWEST_EFFECTIVE)
    # As in `stats.estimate`: a mean of n_eff values has the variance s^2 / (n_eff - 1).
    inflation = count / np.where(sure, effective - 1, 1.0)
    heard = np.isfinite(common)
    return CellGroup(
        nodes=nodes,
        levels=levels,
        covariance=_covariance_of_levels(residual, inflation),
        effective=effective,
        sure=sure,
        level=float(common[heard].mean()),
        batches=int(heard.sum()),
        off_target=off_target,
        slow=slow,
    )


def _add_errors(group: CellGroup, variance: Floats) -> CellGroup:
    """The group with errors of its nodes that stay the same in all batches, float64[k] variances."""
    k = len(variance)
    apart = np.eye(k) - 1 / k
    return replace(
        group,
        covariance=group.covariance + apart @ np.diag(variance) @ apart,
        off_target=widened(group.off_target, float(variance.sum()) / k**2),
    )


_SINGULAR = 1e-9
"""Part of the largest eigenvalue below which one is none: our choice. What all nodes do together leaves
rounding errors, which NumPy's limit of 1e-15 took for a direction once in a thousand patterns of gaps; a
link by one batch of a day leaves 1e-6."""


def _covariance_of_levels(residual: Floats, inflation: Floats) -> Floats:
    """Covariance float64[k, k] of the levels that least squares gives to nodes heard together.

    residual: float64[m, k], NaN where a node was not heard.
    inflation: float64[k], by how much the correlation of its batches raises the variance of a node's mean.

    Batches in which the same nodes were heard count alike. The levels are N+ times the sum of what the
    batches say against their own means (N: matrix of the normal equations), so the covariance is N+ M N+ with
    M the covariance of that sum. Where only a few batches link two sets of nodes, N is small in that
    direction and the error of the link is in every difference across it.
    """
    k = residual.shape[1]
    patterns, batches = _patterns_of(np.isfinite(residual))
    heard = patterns.sum(axis=1)
    patterns, batches, heard = (x[heard > 0] for x in (patterns.astype(float), batches, heard))
    each = np.eye(k) * patterns[:, None] - patterns[:, :, None] * patterns[:, None] / heard[:, None, None]
    variances = _variances_of_nodes(residual, patterns, batches, heard) * inflation
    normal = np.einsum("p,pij->ij", batches, each)
    sum_of_scores = np.einsum("p,pij,j,pjk->ik", batches, each, variances, each)
    solved = invert_symmetric(normal, _SINGULAR)
    out: Floats = solved @ sum_of_scores @ solved
    return out


def _patterns_of(known: Bools) -> tuple[Bools, Floats]:
    """The different rows of bool[m, k], and how many there are of each."""
    if known.all():
        return known[:1], np.array([float(len(known))])
    patterns, pattern = np.unique(known, axis=0, return_inverse=True)
    return patterns, np.bincount(pattern.ravel(), minlength=len(patterns)).astype(float)


def _variances_of_nodes(residual: Floats, patterns: Floats, batches: Floats, heard: Ints) -> Floats:
    """Variance float64[k] of one batch of each node, from residuals about the common movement.

    A residual holds (1 - 1/k) of the node's own noise and 1/k of every other's: a linear system. Of two
    nodes only the sum can be known; each is given half.
    """
    k = residual.shape[1]
    squares = np.nansum(residual**2, axis=0)
    counts = batches @ patterns
    shared = np.einsum("p,pi,pj->ij", batches / heard**2, patterns, patterns)
    system = shared + np.diag((batches * (1 - 2 / heard)) @ patterns)
    scale = np.maximum(counts, 1.0)
    found = np.linalg.lstsq(system / scale[:, None], squares / scale, rcond=1e-9)[0]
    out: Floats = np.maximum(found, 0.0).reshape(k)
    return out


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
        share = min(1.0, fsum(m.misses * m.cycle_s for m in hits) / steady_s)
        shares.append(MisfireShare(node, len(hits), cycles, share, lost_s, steady_s))
    return shares


def _meets_batch(t: Ints, begin: int, end: int) -> bool:
    """Whether a batch that begins at one of the rising moments t meets [begin, end)."""
    at = int(np.searchsorted(t, end)) - 1
    return at >= 0 and int(t[at]) + BATCH_NS > begin
