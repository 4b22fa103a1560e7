"""Pairs: what the same cylinders read in the same cells before and after.

    BalanceStage.cells_used -> RunSide     one run: its session, cells, conditions, and the trims the ECU held
    RunSide, RunSide -> pair_cells -> PairTable
                                           one line for each group of cylinders that both runs heard together
    PairTable -> fit_pairs -> FittedPairs  lines with the common level of each taken out

Only cells in which both runs have readings count, and in them only cylinders that were heard together in
both. What all cylinders of a line do together (the engine's own drift) is taken out by the two-way fit of
line + cylinder, so that a cylinder that is missing in one cell does not bend the others there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Floats, Ints
from mixmon.errors import UsageError
from mixmon.findings.balance.cells import CellFit, CellGroup
from mixmon.findings.proof.equivalence import NO_MEAN, CellMean, mean_of_cells
from mixmon.findings.stats import linked, two_way
from mixmon.findings.wander import Wander
from mixmon.mixture.steady import Cell
from mixmon.session.charges import reference_weights
from mixmon.session.model import Session


@dataclass(frozen=True, slots=True, eq=False)
class RunSide:
    """One of the two runs.

    name        what it is called in the result
    session     its own
    cells       what each cell that counts for trims says by itself
    conditions  means by quantity (`conditions.ConditionStage`)
    begin_ns    stamp of its first frame; None where not known
    wander      of its nodes; None where not looked for
    places      where in each cell the engine was (`conditions.PlaceStage`)
    """

    name: str
    session: Session
    cells: Mapping[Cell, CellFit]
    conditions: Mapping[str, float]
    begin_ns: int | None = None
    wander: Wander | None = None
    places: Mapping[Cell, Cell] = field(default_factory=dict)

    @property
    def load(self) -> str:
        """The signal of the load axis; empty where there is none."""
        axes = self.session.axes
        return axes.load_signal if axes.load else ""

    @property
    def charges(self) -> Floats:
        """How much each node counts in the mean of the cylinders."""
        return reference_weights(self.session)


def check_sides(before: RunSide, after: RunSide) -> None:
    """Refuses runs that cannot be compared.

    Cells of one centre reach as far as those beside them are away, so other axes are other cells.

    Raises:
        UsageError: other numbers of cylinders, other targets of them, cells by another load or on other
            axes, or the same readings.
    """
    ours, theirs = before.session.engine.cylinders, after.session.engine.cylinders
    if ours != theirs:
        raise UsageError(
            f"{after.name}: {theirs} cylinders, and {before.name} has {ours}; expected one engine; name two "
            "runs of it"
        )
    if _offsets(before.session) != _offsets(after.session):
        raise UsageError(
            f"{after.name}: other targets of the cylinders than {before.name}; expected the same [engine] "
            "target_offset_percent in both, as needs are against them; correct one of them"
        )
    if before.load != after.load:
        raise UsageError(
            f"{after.name}: cells by {after.load or 'no load'}, and {before.name} by "
            f"{before.load or 'no load'}; expected the same [axes] in both; correct them"
        )
    axes = [(side.session.axes.rpm, side.session.axes.load) for side in (before, after)]
    if axes[0] != axes[1]:
        raise UsageError(
            f"{after.name}: other cells than {before.name}; expected the same [axes] in both, as a centre "
            "does not say how far its cell reaches; correct them, or name one session for both"
        )
    shared = [(fit, after.cells[cell]) for cell, fit in before.cells.items() if cell in after.cells]
    same = sum(_has_same_readings(one, other) for one, other in shared)
    if same:
        raise UsageError(
            f"{after.name}: the same readings as in {before.name} in {same} of {len(shared)} cells that both "
            "have; expected two runs; a run is always like itself: name another"
        )


def shared_stages(before: RunSide, after: RunSide) -> tuple[int, ...]:
    """The injection stages with cells in both runs, first the one with most; none without staged injection.

    Other injectors work beyond the staging line, so a change there is another one.
    """
    shared = [cell.injection_stage for cell in before.cells if cell in after.cells]
    told = sorted(stage for stage in shared if stage is not None)
    return tuple(sorted(dict.fromkeys(told), key=told.count, reverse=True))


def in_stage(side: RunSide, stage: int) -> RunSide:
    """A run in the cells of one injection stage."""
    cells = {cell: fit for cell, fit in side.cells.items() if cell.injection_stage == stage}
    return replace(side, cells=cells)


def _has_same_readings(one: CellFit, other: CellFit) -> bool:
    """Whether two fits are of the same rows: noise never repeats itself to the last digit."""
    noisy = bool((np.nan_to_num(one.scatter) > 0).any())
    return noisy and all(
        np.array_equal(getattr(one, name), getattr(other, name), equal_nan=True)
        for name in ("scatter", "usable_s")
    )


def _offsets(session: Session) -> tuple[float, ...]:
    return session.engine.target_offset_percent or (0.0,) * session.engine.cylinders


class MatchedNodes(NamedTuple):
    """The nodes of both runs that speak for the same cylinders; all in order of the first run's nodes.

    cylinders  of each
    before, after  int64[n], their nodes in each run
    """

    cylinders: tuple[tuple[int, ...], ...]
    before: Ints
    after: Ints


def match_nodes(before: RunSide, after: RunSide) -> MatchedNodes:
    """The nodes of both runs by their cylinders; those that only one of them has are left out."""
    theirs = [node.cylinders for node in after.session.chain.nodes]
    both = [
        (node.cylinders, i, theirs.index(node.cylinders))
        for i, node in enumerate(before.session.chain.nodes)
        if node.cylinders in theirs
    ]
    return MatchedNodes(
        tuple(one for one, _, _ in both),
        np.array([i for _, i, _ in both], np.int64),
        np.array([i for _, _, i in both], np.int64),
    )


@dataclass(frozen=True, slots=True, eq=False)
class PairTable:
    """r lines, n nodes of `MatchedNodes`; NaN where a node is not in a line. In ln lambda.

    cells         of each line
    before, after float64[r, n], levels against the mean of the line's nodes
    variances     float64[3, r, n]: of the errors of `before`, of `after`, and of what they differ by
    degrees       float64[r, n], degrees of freedom of these errors
    orders        int64[r] for each run, the lines in the order of time; none where times are not known
    """

    cells: tuple[Cell, ...]
    before: Floats
    after: Floats
    variances: Floats
    degrees: Floats
    orders: tuple[Ints, ...]


def pair_cells(before: RunSide, after: RunSide, placed: MatchedNodes) -> PairTable:
    """All lines of the cells that both runs have, in order of speed and load."""
    shared = sorted(before.cells.keys() & after.cells.keys(), key=lambda c: (c.rpm or 0.0, c.load or 0.0))
    lines = [
        (cell, line)
        for cell in shared
        for line in _pair_groups(before.cells[cell], after.cells[cell], placed)
    ]
    table = np.array([line for _, line in lines]).reshape(len(lines), 6, len(placed.cylinders))
    times = [np.array([side.cells[cell].middle_s for cell, _ in lines]) for side in (before, after)]
    return PairTable(
        tuple(cell for cell, _ in lines),
        table[:, 0],
        table[:, 1],
        table[:, 2:5].swapaxes(0, 1),
        table[:, 5],
        tuple(own.argsort(kind="stable") for own in times) if np.isfinite(times).all() else (),
    )


def _pair_groups(before: CellFit, after: CellFit, placed: MatchedNodes) -> Iterator[Floats]:
    """One array [6, n] for each pair of groups with two nodes in common or more."""
    first, second = before.with_changes_as_errors(), after.with_changes_as_errors()
    for one in first.groups:
        for other in second.groups:
            ours, theirs = _rows_of(one, placed.before), _rows_of(other, placed.after)
            both = np.flatnonzero((ours >= 0) & (theirs >= 0))
            if len(both) > 1:
                yield _pair_group(one, other, (ours[both], theirs[both]), both, len(placed.cylinders))


def _rows_of(group: CellGroup, nodes: Ints) -> Ints:
    """For each of the nodes, its row in the group; -1 where it is not in it, or has no interval."""
    rows = {int(node): row for row, node in enumerate(group.nodes.tolist()) if group.sure[row]}
    return np.array([rows.get(node, -1) for node in nodes.tolist()], np.int64)


def _pair_group(
    before: CellGroup, after: CellGroup, rows: tuple[Ints, Ints], nodes: Ints, count: int
) -> Floats:
    """Levels and errors of the nodes that both groups have, against the mean of these."""
    out = np.full((6, count), np.nan)
    own = np.eye(len(nodes)) - 1 / len(nodes)
    covariances = []
    for line, (group, at) in enumerate(zip((before, after), rows, strict=True)):
        out[line, nodes] = own @ group.levels[at]
        covariances.append(own @ group.covariance[np.ix_(at, at)] @ own.T)
        out[2 + line, nodes] = np.diag(covariances[-1])
    out[4, nodes] = np.diag(covariances[0] + covariances[1])
    effective = np.minimum(before.effective[rows[0]], after.effective[rows[1]])
    out[5, nodes] = np.maximum(effective - 1, 1.0)
    return out


class FittedPairs(NamedTuple):
    """What the lines of a table say of each node.

    values  float64[r, n], by line, with what the nodes of the line have in common taken out
    means   one a node, over the lines; `NO_MEAN` for nodes that cannot be compared with the others
    """

    values: Floats
    means: tuple[CellMean, ...]

    @property
    def mean(self) -> Floats:
        """float64[n]; NaN where not known."""
        return np.array([one.mean for one in self.means])


def compared_nodes(table: PairTable) -> Ints:
    """The largest set of nodes that the lines connect; the first of equals."""
    sets = [nodes for nodes in linked(np.isfinite(table.before)) if len(nodes) > 1]
    return max(sets, key=len) if sets else np.zeros(0, np.int64)


def free_of_levels(values: Floats, nodes: Ints) -> Floats:
    """The values of those in `nodes`, free of what the nodes of each line have in common; float64[r, n]."""
    own = np.full(values.shape, np.nan)
    own[:, nodes] = values[:, nodes]
    level, _ = two_way(own, np.isfinite(own).astype(float))
    out: Floats = own - level[:, None]
    return out


def fit_pairs(free: Floats, variances: Floats, degrees: Floats, phi: Floats) -> FittedPairs:
    """One mean a node of `free_of_levels`; all arrays float64[r, n].

    phi: float64[n], how alike lines are that follow each other in time.
    """
    columns = zip(free.T, variances.T, degrees.T, phi.tolist(), strict=True)
    return FittedPairs(free, tuple(_mean_of_node(*column) for column in columns))


def _mean_of_node(values: Floats, variances: Floats, degrees: Floats, phi: float) -> CellMean:
    known = np.isfinite(values)
    return mean_of_cells(values[known], variances[known], degrees[known], phi) if known.any() else NO_MEAN
