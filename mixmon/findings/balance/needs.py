"""The needs of the nodes: one fit over all cells in use, and the reference where a cylinder is missing.

    CellFit -> fit_needs     one need a node, against peers and against the target, with the covariance of all
    CellFit -> place_cell    the needs in one cell against the same reference, and the whole engine in it

Every group of nodes of every cell gives the differences between its nodes; least squares over all of them,
weighted by their errors, gives the needs. Cells are samples of how the engine is used, and a cylinder may
really need different fuel in them (air, dead time and leaks change with flow). So besides its own errors each
cell has a variance between cells, one for all nodes, as large as the cells' disagreement asks for. Where the
cells agree, long dwells weigh more; where they do not, a long dwell in one cell does not outvote the others,
and the intervals grow.

Differences are all that is measured. So nodes that no chain of groups connects have no common zero: each such
set has a reference of its own, and nothing is said across. In a cell where a node is missing, the others
are compared with the same reference by carrying the missing one: its need in the other cells, with the error
of that and the variance between cells.

The reference is the engine's mean in the fuel domain: lambda of the engine =
sum(air) / sum(air_i / lambda_i).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.cells import CellFit, CellGroup
from mixmon.findings.stats import (
    CENSORED_SHARE,
    NO_ESTIMATE,
    NORMAL_95,
    Estimate,
    engine_log_lambda,
    linked,
    longer,
    student_t95,
)

_VARIANCE_ROUNDS = 12
"""Newton steps for the variance between cells: our choice; they approach it from below, and four are enough
for four digits in most tables."""

_VARIANCE_CHANGE = 1e-4
"""Part of itself below which a step no longer matters: our choice."""

_SMALLEST_VARIANCE = 1e-12
"""Of ln lambda: our choice, so that a cell without any noise has a finite weight."""


@dataclass(frozen=True, slots=True, eq=False)
class Needs:
    """Needs of n nodes over the cells, in ln lambda.

    peers       against the mean, in the fuel domain, of the nodes that can be compared with each other
    covariance  float64[n, n] of the errors of `peers`; NaN for nodes without a need
    groups      int64[k] each: nodes that can be compared with each other, two or more
    between     variance between cells that the cells' own errors do not explain
    target      against the target
    joined      the groups that were joined by the target
    """

    peers: tuple[Estimate, ...]
    covariance: Floats
    groups: tuple[Ints, ...]
    between: float
    target: tuple[Estimate, ...]
    joined: tuple[Ints, ...] = ()

    @property
    def means(self) -> Floats:
        """Against peers, float64[n]; NaN for nodes without a need."""
        return np.array([e.mean for e in self.peers])

    def group_of(self, nodes: Ints) -> Ints:
        """The nodes that can be compared with all of `nodes`; no nodes if there are none such."""
        for group in self.groups:
            if set(nodes.tolist()) <= set(group.tolist()):
                return group
        return np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class CellResult:
    """One cell, n nodes. All in ln lambda; a need of x is 100 (exp(x) - 1) percent.

    fit       what the cell says by itself
    peers     against the mean of the nodes (fuel domain), one Estimate a node
    engine    all nodes of the reference against the target
    lam       lambda of the nodes of the reference (a number, not its ln)
    measured  bool[n]  nodes of the reference that were measured in this cell
    carried   bool[n]  nodes of the reference that are known from other cells only
    expected  `peers`, and for the carried nodes what they are expected to need here
    one_reference  whether all nodes are against the same mean; else each group of the cell has its own
    spared    bool[n]  nodes whose readings here are left out of the mean, as they would spoil it: they stand
                       in it with what they need elsewhere
    shift     by how much these would make the others look rich, ln lambda
    """

    fit: CellFit
    peers: tuple[Estimate, ...]
    engine: Estimate
    lam: float
    measured: Bools
    carried: Bools
    expected: tuple[Estimate, ...]
    one_reference: bool
    spared: Bools
    shift: float = 0.0

    @property
    def cell(self) -> int:
        """Its number in the grid."""
        return self.fit.cell

    @property
    def target(self) -> tuple[Estimate, ...]:
        """Against the target, one Estimate a node."""
        return self.fit.target

    def censored(self, node: int) -> bool:
        """True where the node stood at a limit too often for a finite need."""
        return bool(self.fit.censored[node])


# ----------------------------------------------------------------------------------------------------
# The fit over all cells.
# ----------------------------------------------------------------------------------------------------


class GroupTable(NamedTuple):
    """What r groups of nodes say about n nodes: one line for each group.

    x         float64[r, n]     levels within the group; 0 where not in it
    variance  float64[r, n, n]  of their errors; the unit matrix where not in it
    present   bool[r, n]        nodes in the group that have an interval
    effective float64[r, n]     effective number of batches
    changed   float64[r, n]     variance of each node's level by its own changes, which is in `variance`
    """

    x: Floats
    variance: Floats
    present: Bools
    effective: Floats
    changed: Floats


def fit_needs(cells: Sequence[CellFit], weights: Floats, *, join_by_target: bool = False) -> Needs:
    """Needs over the cells; `weights` float64[n], the air that passes each node's sensor.

    A node whose level changed within a cell says little about itself there. What its change does to the mean
    of all is not in the errors of the others; `unlike` widens their intervals by it.

    join_by_target: takes sets of nodes that were never compared for parts of one engine that kept the same
        distance from its target while each was heard.
    """
    n = len(weights)
    table = tabulate_groups(cells, n)
    sets = [nodes for nodes in linked(table.present) if len(nodes) > 1]
    fitted = _fit_table(table, sets)
    need, covariance, changed = fitted.need, fitted.covariance, fitted.changed
    target = _mean_over_cells([c.target for c in cells], n)
    joined = [nodes for nodes in sets if all(np.isfinite(target[i].half) for i in nodes)]
    if not join_by_target or len(joined) < 2:
        joined = []
    else:
        sets = _join_sets(need, covariance, sets, joined, target=target, weights=weights)
    changed = _refer_to_mean(need, covariance, changed, sets=sets, weights=weights)
    own = np.einsum("rii->ri", table.variance)
    wider = np.sqrt(weights_not_known(np.where(table.present, own, np.inf), fitted.between, table.effective))
    covariance *= wider[:, None] * wider
    effective, count = table.effective.sum(axis=0), table.present.sum(axis=0)
    by_others = (changed**2).sum(axis=(1, 2)) - (np.einsum("iri->ri", changed) ** 2).sum(axis=0)
    errors = np.sqrt(np.maximum(np.diag(covariance) - by_others * wider**2, 0.0))
    degrees = _join_degrees(fitted.cells_part, fitted.degrees, effective - count)
    peers = tuple(_estimate_over_cells(*one) for one in zip(need, errors, effective, degrees, strict=True))
    return Needs(peers, covariance, tuple(sets), fitted.between, target, tuple(joined))


def tabulate_groups(cells: Sequence[CellFit], n: int) -> GroupTable:
    """One line for each group of two nodes or more that have an interval."""
    told = [c.with_changes_as_errors() for c in cells]
    variances = [c.change_variance for c in cells for g in c.groups if g.sure.sum() > 1]
    parts = [g for c in told for g in c.groups if g.sure.sum() > 1]
    x, effective, changed = np.zeros((3, len(parts), n))
    variance = np.tile(np.eye(n), (len(parts), 1, 1))
    present = np.zeros((len(parts), n), np.bool_)
    for line, group in enumerate(parts):
        nodes = group.nodes[group.sure]
        x[line, nodes] = group.levels[group.sure]
        variance[line][np.ix_(nodes, nodes)] = group.covariance[np.ix_(group.sure, group.sure)]
        present[line, nodes] = True
        effective[line, nodes] = group.effective[group.sure]
        changed[line, nodes] = variances[line][nodes]
    return GroupTable(x, variance, present, effective, changed)


class _Fitted(NamedTuple):
    """Least squares over the groups of all cells.

    need        float64[n]     with mean zero in every set
    covariance  float64[n, n]  of its errors
    between     variance between cells
    degrees     of freedom that it rests on
    cells_part  float64[n]     part of the variance of each need that the variance between cells makes
    changed     float64[n, r, n]  by how much each need is off by one standard deviation of each node's
                changes in each group
    """

    need: Floats
    covariance: Floats
    between: float
    degrees: int
    cells_part: Floats
    changed: Floats


def _fit_table(table: GroupTable, sets: Sequence[Ints]) -> _Fitted:
    """Needs, their covariance and the variance between cells.

    The variance between cells is that which makes the weighted sum of squared residuals as large as the
    degrees of freedom (from memory: Paule & Mandel, J. Res. Natl. Bur. Stand. 87, 1982), found by Newton's
    steps from zero; the sum falls and is convex, so they come from below and never pass it.
    """
    degrees = int(table.present.sum()) - len(table.x) - sum(len(nodes) - 1 for nodes in sets)
    between = 0.0
    weight = weights_of_groups(table, between)
    need, covariance = _solve_sets(table, weight, sets)
    own = np.diag(covariance)
    for _ in range(_VARIANCE_ROUNDS if degrees > 0 else 0):
        residual = table.x - np.where(table.present, need, 0.0)
        pulled = np.einsum("rij,rj->ri", weight, residual)
        step = _variance_step(pulled, residual, degrees)
        if not step > _VARIANCE_CHANGE * between:
            break
        between += step
        weight = weights_of_groups(table, between)
        need, covariance = _solve_sets(table, weight, sets)
    part = np.clip(1 - own / np.diag(covariance), 0.0, 1.0)
    changed = np.einsum("ij,rjk,rk->irk", np.nan_to_num(covariance), weight, table.changed**0.5)
    return _Fitted(need, covariance, between, degrees, part, changed)


def _variance_step(pulled: Floats, residual: Floats, degrees: int) -> float:
    """Newton's step of the variance between cells; `pulled` are the residuals times their weights."""
    squares, slope = float((pulled * residual).sum()), float((pulled**2).sum())
    return (squares - degrees) / slope if slope > 0 else 0.0


def _join_degrees(cells_part: Floats, cell_degrees: int, own_degrees: Floats) -> Floats:
    """Degrees of freedom of a sum of two variances (from memory: Satterthwaite, Biometrics 2, 1946).

    cells_part: float64[n], the part that the variance between cells makes.
    cell_degrees, own_degrees: of that variance, and of the needs' own float64[n].
    """
    cells = cells_part**2 / max(cell_degrees, 1)
    out: Floats = 1 / (cells + (1 - cells_part) ** 2 / np.maximum(own_degrees, 1.0))
    return out


def weights_not_known(variance: Floats, between: float, effective: Floats) -> Floats:
    """By how much the variance of weighted means is larger as their weights are estimates too, float64[n].

    1 + 4 sum s (1 - s) / f, with s the part of a value in the mean and f the degrees of freedom of its
    variance (from memory: Meier, Biometrics 9, 1953). The variance between cells, which all values share,
    makes the weights alike.

    variance, effective: float64[r, n] of each value; an infinite variance where there is none.
    """
    variance = np.maximum(variance, _SMALLEST_VARIANCE)
    weight = 1 / (variance + between)
    total = weight.sum(axis=0)
    share = np.divide(weight, total, out=np.zeros(weight.shape), where=total > 0)
    own = np.divide(variance, variance + between, out=np.ones(weight.shape), where=np.isfinite(variance))
    out: Floats = 1 + 4 * (share * (1 - share) * own**2 / np.maximum(effective - 1, 1.0)).sum(axis=0)
    return out


def weights_of_groups(table: GroupTable, between: float) -> Floats:
    """What each group says about the differences of its nodes, float64[r, n, n].

    Inverse covariances, less what they say about the nodes' common level.
    """
    if not len(table.x):
        return np.zeros(table.variance.shape)
    members = table.present.astype(float)
    both = members[:, :, None] * members[:, None]
    # Differences do not change by a variance that all nodes share; with it the matrix can be inverted.
    shared = (
        np.einsum("rii,ri->r", table.variance, members) / np.maximum(members.sum(axis=1), 1.0)
        + between
        + _SMALLEST_VARIANCE
    )
    own = (between + _SMALLEST_VARIANCE) * np.einsum("ri,ij->rij", members, np.eye(members.shape[1]))
    inverse = np.linalg.inv(table.variance + own + shared[:, None, None] * both) * both
    level = inverse.sum(axis=2)
    # A group of one node, as where a rotation omits the others, says nothing of differences.
    total = np.where(members.sum(axis=1) > 0, level.sum(axis=1), 1.0)
    out: Floats = inverse - level[:, :, None] * level[:, None] / total[:, None, None]
    return out


def _solve_sets(table: GroupTable, weight: Floats, sets: Sequence[Ints]) -> tuple[Floats, Floats]:
    """Least squares in every set: needs float64[n] with mean zero and their covariance; NaN outside."""
    n = table.x.shape[1]
    need, covariance = np.full(n, np.nan), np.full((n, n), np.nan)
    normal = weight.sum(axis=0)
    right = np.einsum("rij,rj->i", weight, table.x)
    for nodes in sets:
        k = len(nodes)
        # The mean of a set is not measured; a unit of its own for it makes the matrix regular.
        unit = np.full((k, k), float(np.trace(normal[np.ix_(nodes, nodes)])) / k**2)
        inverse = np.linalg.inv(normal[np.ix_(nodes, nodes)] + unit)
        inverse -= inverse.mean()
        covariance[np.ix_(nodes, nodes)] = inverse
        need[nodes] = inverse @ right[nodes]
    return need, covariance


def _join_sets(
    need: Floats,
    covariance: Floats,
    sets: Sequence[Ints],
    joined: Sequence[Ints],
    *,
    target: Sequence[Estimate],
    weights: Floats,
) -> list[Ints]:
    """Shifts every set of `joined` to its own distance from the target, with the error of that.

    Returns the sets that there are then.
    """
    for nodes in joined:
        away = np.array([target[i].mean for i in nodes])
        error = float(np.mean([target[i].standard_error for i in nodes]))
        need[nodes] += engine_log_lambda(away, weights[nodes]) - engine_log_lambda(
            need[nodes], weights[nodes]
        )
        covariance[np.ix_(nodes, nodes)] += error**2
    whole = np.sort(np.concatenate(joined))
    block = covariance[np.ix_(whole, whole)]
    covariance[np.ix_(whole, whole)] = np.where(np.isfinite(block), block, 0.0)
    others = [nodes for nodes in sets if not np.isin(nodes, whole).any()]
    return sorted([whole, *others], key=lambda nodes: int(nodes[0]))


def _refer_to_mean(
    need: Floats, covariance: Floats, changed: Floats, *, sets: Sequence[Ints], weights: Floats
) -> Floats:
    """Refers the needs of each set, and their covariance, to its mean in the fuel domain.

    Returns `changed`, as of `_Fitted`, of these needs.
    """
    out = np.zeros(changed.shape)
    for nodes in sets:
        fuel = weights[nodes] * np.exp(-need[nodes])
        shift = np.eye(len(nodes)) - fuel / fuel.sum()
        need[nodes] -= engine_log_lambda(need[nodes], weights[nodes])
        covariance[np.ix_(nodes, nodes)] = shift @ covariance[np.ix_(nodes, nodes)] @ shift.T
        out[nodes] = np.tensordot(shift, changed[nodes], 1)
    return out


def _mean_over_cells(cells: Sequence[tuple[Estimate, ...]], n: int) -> tuple[Estimate, ...]:
    """One Estimate a node over the cells, each cell with its own error and the variance between them.

    The same variance between cells, of all nodes together, as in `_fit_table`: a table whose lines have
    no level of their own to lose.
    """
    mean = np.array([[e.mean for e in line] for line in cells]).reshape(-1, n)
    error = np.array([[e.standard_error for e in line] for line in cells]).reshape(-1, n)
    effective = np.array([[e.effective for e in line] for line in cells]).reshape(-1, n)
    known = np.isfinite(error)
    x = np.where(known, mean, 0.0)
    variance = np.where(known, np.maximum(error**2, _SMALLEST_VARIANCE), np.inf)
    count = known.sum(axis=0)
    degrees = int((count[count > 0] - 1).sum())
    between, weight = 0.0, 1 / variance
    for _ in range(_VARIANCE_ROUNDS if degrees > 0 else 0):
        residual = np.where(known, x - _weighted_means(x, weight), 0.0)
        step = _variance_step(weight * residual, residual, degrees)
        if not step > _VARIANCE_CHANGE * between:
            break
        between += step
        weight = 1 / (variance + between)
    means, total = _weighted_means(x, weight), weight.sum(axis=0)
    errors = np.divide(1.0, np.sqrt(total), out=np.full(n, np.nan), where=total > 0)
    errors *= np.sqrt(weights_not_known(variance, between, effective))
    effective = np.where(known, effective, 0.0).sum(axis=0)
    degrees = effective - count
    return tuple(_estimate_over_cells(*one) for one in zip(means, errors, effective, degrees, strict=True))


def _weighted_means(x: Floats, weight: Floats) -> Floats:
    """Means down the columns; NaN where all weights are zero."""
    total = weight.sum(axis=0)
    mean: Floats = np.divide(
        (weight * x).sum(axis=0), total, out=np.full(len(total), np.nan), where=total > 0
    )
    return mean


def _estimate_over_cells(mean: float, error: float, effective: float, degrees: float) -> Estimate:
    if not np.isfinite(error):
        return NO_ESTIMATE
    half = student_t95(max(float(degrees), 1.0)) * float(error)
    return Estimate(float(mean), half, float(error), float(effective))


# ----------------------------------------------------------------------------------------------------
# One cell against the reference.
# ----------------------------------------------------------------------------------------------------


class _PlacedGroup(NamedTuple):
    """The reference of one group of a cell, over the mean of the group's nodes.

    offset    ln lambda of the reference over the mean of the group's nodes
    own       float64[k]  weights of the group's nodes in it, with what stands for the carried nodes
    variance  of what is carried
    carried   int64[c]    nodes that are carried
    expected  what these are expected to need
    """

    offset: float
    own: Floats
    variance: float
    carried: Ints
    expected: tuple[Estimate, ...]


def place_cell(
    fit: CellFit,
    needs: Needs | None,
    weights: Floats,
    ends: Floats | None = None,
    spoilt: Floats | None = None,
) -> CellResult:
    """The needs in one cell against the reference of all cells.

    needs: of all cells in use; None for a cell that is not: then nothing is carried into it, and its
        reference is the mean of the nodes that were measured in it.
    ends: float64[2, n], ln lambda of the rich and the lean end of each node's range. A node that stood at
        one of them here is at least so far out.
    spoilt: float64[n], what spoils the readings of some nodes, ln lambda: in the mean they stand without it.
        The interval of the whole engine then reaches as far as the mean of all readings, which may be true.
    """
    n = len(fit.usable_s)
    if spoilt is not None and spoilt.any():
        return _place_without(place_cell(fit, needs, weights, ends), spoilt, weights)
    bounds = np.repeat([[np.inf], [-np.inf]], n, axis=1) if ends is None else ends
    peers, measured, carried = [NO_ESTIMATE] * n, np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    engines, lam, batches = [], 0.0, 0
    expected, sets = [NO_ESTIMATE] * n, set()
    for group in fit.groups:
        reference = _place_group(group, fit, needs, weights, bounds)
        for node, estimate in zip(group.nodes, _needs_in_group(group, reference), strict=True):
            peers[node] = estimate
        measured[group.nodes] = True
        carried[reference.carried] = True
        for node, estimate in zip(reference.carried, reference.expected, strict=True):
            expected[node] = estimate
        sets.add(frozenset([*group.nodes.tolist(), *reference.carried.tolist()]))
        engines.append((group.off_target, reference))
        lam += group.batches * (group.level + reference.offset)
        batches += group.batches
    moved = _doubt_by_changes(fit, int(measured.sum()))
    peers = [longer(e, float(by)) for e, by in zip(peers, moved, strict=True)]
    return CellResult(
        fit=fit,
        peers=tuple(peers),
        engine=longer(_engine_estimate(engines), float(_off_middle(fit).sum()) / max(int(measured.sum()), 1)),
        lam=float(np.exp(lam / batches)) if batches else np.nan,
        measured=measured,
        carried=carried & ~measured,
        expected=tuple(e if m else x for e, x, m in zip(peers, expected, measured, strict=True)),
        one_reference=len(sets) < 2,
        spared=np.zeros(n, np.bool_),
    )


def _place_without(cell: CellResult, spoilt: Floats, weights: Floats) -> CellResult:
    """The same cell with what spoils the readings of some nodes taken off in its mean, not in their needs."""
    fit, spared = cell.fit, spoilt != 0
    if cell.carried.any() or not cell.one_reference:
        return cell
    # Their needs are as read, against a mean in which they stand with what they need where nothing spoils it.
    mended = place_cell(replace(fit, groups=tuple(_take_off(g, spoilt) for g in fit.groups)), None, weights)
    shift = float(np.log(cell.lam / mended.lam))
    peers = tuple(replace(e, mean=e.mean + by) for e, by in zip(mended.peers, spoilt.tolist(), strict=True))
    return replace(
        mended,
        fit=fit,
        peers=peers,
        expected=peers,
        engine=longer(mended.engine, abs(shift)),
        measured=mended.measured & ~spared,
        spared=mended.measured & spared,
        shift=shift,
    )


def _take_off(group: CellGroup, spoilt: Floats) -> CellGroup:
    """The group as it would read without that."""
    off = spoilt[group.nodes]
    return replace(group, levels=group.levels - off)


def _doubt_by_changes(fit: CellFit, measured: int) -> Floats:
    """By how much a need in the cell was out at its least and at its most, float64[n]; see `CellFit.changes`.

    A change moves the node's own need by all of it, and the mean of the nodes, so the need of every other,
    by its share.
    """
    half = _off_middle(fit)
    share = half / max(measured, 1)
    out: Floats = half - share + (share.sum() - share)
    return out


def _off_middle(fit: CellFit) -> Floats:
    """How far the nodes' levels were from what the cell counts, float64[n]: by changes, and at their end."""
    return fit.moved / 2 + fit.ends


def _place_group(
    group: CellGroup, fit: CellFit, needs: Needs | None, weights: Floats, ends: Floats
) -> _PlacedGroup:
    """The reference of a group: its own nodes, and those that can be compared with them but are missing."""
    need = np.full(len(weights), np.nan) if needs is None else needs.means
    known = np.isfinite(need[group.nodes])
    base = group.nodes[known]
    comparable = needs.group_of(base) if needs is not None and len(base) else np.zeros(0, np.int64)
    missing = np.array(sorted(set(comparable.tolist()) - set(group.nodes.tolist())), np.int64)
    values, extra = group.levels, np.zeros(0)
    if len(missing):
        brought = group.levels[known].mean() + need[missing] - need[base].mean()
        brought, extra = _move_beyond_ends(brought, fit, missing, ends[:, missing] - group.level)
        values = np.concatenate([values, brought])
    everyone = np.concatenate([group.nodes, missing])
    fuel = weights[everyone] * np.exp(-values)
    own, carried = np.split(fuel / fuel.sum(), [len(group.nodes)])
    if len(missing):
        own[known] += carried.sum() / len(base)
    offset = engine_log_lambda(values, weights[everyone])
    if needs is None or not len(missing):
        return _PlacedGroup(offset, own, 0.0, missing, ())
    variance, errors = _carried_errors(needs, base, missing, carried, extra)
    expected = [
        Estimate(mean, NORMAL_95 * error, error, 0.0)
        for mean, error in zip((values[len(group.nodes) :] - offset).tolist(), errors.tolist(), strict=True)
    ]
    return _PlacedGroup(offset, own, variance, missing, tuple(expected))


def _move_beyond_ends(values: Floats, fit: CellFit, nodes: Ints, ends: Floats) -> tuple[Floats, Floats]:
    """Carried values, at least as far out as the limit at which the node stood; how far they were moved.

    ends: float64[2, k], the rich and the lean end of each of the k nodes.
    """
    rich, lean = (share[nodes] > CENSORED_SHARE / 2 for share in (fit.at_rich, fit.at_lean))
    censored = fit.censored[nodes]
    moved = np.where(censored & lean, np.maximum(values, ends[1]), values)
    moved = np.where(censored & rich, np.minimum(moved, ends[0]), moved)
    return moved, np.abs(moved - values)


def _carried_errors(
    needs: Needs, nodes: Ints, missing: Ints, part: Floats, extra: Floats
) -> tuple[float, Floats]:
    """Variance that carried nodes bring into the reference, and their own standard errors against it.

    Errors of their needs, cells that differ, and the whole distance by which a value was moved to an end of
    the range.
    """
    every = np.concatenate([missing, nodes])
    pull = np.concatenate([part, np.full(len(nodes), -part.sum() / len(nodes))])
    own = np.eye(len(missing), len(every))
    own[:, len(missing) :] = -1 / len(nodes)
    rows = np.vstack([pull, own - pull])
    covariance = needs.covariance[np.ix_(every, every)] + needs.between * np.eye(len(every))
    variances = np.einsum("ij,jk,ik->i", rows, covariance, rows)
    variances += np.concatenate([[part @ extra], extra]) ** 2
    return float(variances[0]), np.sqrt(variances[1:])


def _needs_in_group(group: CellGroup, reference: _PlacedGroup) -> list[Estimate]:
    """The nodes of a group against the reference. A node that was heard alone is compared with nothing."""
    k = len(group.nodes)
    if k < 2:
        return [NO_ESTIMATE]
    away = np.eye(k) - reference.own
    variance = np.diag(away @ group.covariance @ away.T) + reference.variance
    errors = np.where(group.sure, np.sqrt(np.maximum(variance, 0.0)), np.nan)
    columns = (group.levels - reference.offset, errors, group.effective)
    return [
        Estimate(mean, student_t95(max(effective - 1, 1.0)) * error, error, effective)
        for mean, error, effective in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _engine_estimate(parts: Sequence[tuple[Estimate, _PlacedGroup]]) -> Estimate:
    """The whole engine against the target, from the groups of one cell.

    The groups share what is carried, so their errors are added as if they were one and the same.
    """
    means = np.array([e.mean + r.offset for e, r in parts])
    errors = np.array([np.hypot(e.standard_error, np.sqrt(r.variance)) for e, r in parts])
    effective = np.array([e.effective for e, _ in parts])
    known = np.isfinite(errors)
    if not known.any():
        finite = means[np.isfinite(means)]
        return Estimate(float(finite.mean()), np.nan, np.nan, 0.0) if len(finite) else NO_ESTIMATE
    weight = 1 / np.maximum(errors[known] ** 2, _SMALLEST_VARIANCE)
    weight /= weight.sum()
    error = float(weight @ errors[known])
    half = student_t95(max(float(effective[known].sum()) - int(known.sum()), 1.0)) * error
    return Estimate(float(weight @ means[known]), half, error, float(effective[known].sum()))
