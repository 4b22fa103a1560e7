"""Needs that differ by cell: with the flow, with time, or neither; and the cells that trims may rest on.

    batches by cell -> Stays                the needs in every stay in a cell, however often it was visited
    stays           -> find_drifts          cells that were visited again, and needs that had moved
    cells and flow  -> find_lean_at_low_flow  the pattern of a leak or of reversion
                    -> compare_cells        what to say, and the cells that are left for trims

A trim serves all cells. Air that enters before the sensor is a larger share of little exhaust gas than of
much, so a need that rests on it falls with the flow and belongs to no trim. A need that drifts looks like
one that differs by cell where every cell is visited once; only a second visit separates the two.

Invariant: every test is for all cylinders and cells together. Its limits are those that noise passes in one
engine of a hundred, so that a large engine with many cells raises no more false alarms than a small one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import compress, pairwise
from statistics import NormalDist

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.findings.balance.cells import CellFit, JudgedCells
from mixmon.findings.balance.dwell import BatchTable
from mixmon.findings.balance.needs import CellResult, Needs, place_cell
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import (
    BATCH_S,
    NO_ESTIMATE,
    NORMAL_95_SIX_DECIMALS,
    Estimate,
    longer,
    median_with_holes,
)
from mixmon.gas.transport import charge
from mixmon.mixture.steady import Cell, CellGrid
from mixmon.note import Note, note
from mixmon.session.model import Axes, Session

FALSE_ALARMS = 0.01
"""Chance that noise alone passes a test anywhere in an engine: our choice."""

DISAGREEMENT_PERCENT = 1.0
"""Difference of a cylinder's needs in its cells, of those that certainly differ, from which it is told: our
choice, two trim steps of 0.5 %; one trim then is off by a step in one of the cells."""

_TOO_UNLIKE_PERCENT = 3.0
"""Certain difference of a cylinder's needs between cells that trims would rest on, from which none are
offered: our choice, six trim steps of 0.5 %; one trim leaves half of that at least in one of the cells, and
the needs are likelier of two faults, or of two states of the engine, than of one."""

_DRIFT_PERCENT = 0.5
"""Least certain drift that is told: our choice, a trim step of 0.5 %."""

_SAME_STAY_S = 5.0
"""Longest pause within one stay in a cell: our choice; after a longer one, as between two logs, the engine
may be another."""

_SUDDEN_PART = 0.5
"""Part of the time between two stays within which a need changed at once: our choice."""

_LEAK_LEFT_PERCENT = 0.5
"""Air of a leak, over that in the best cell for trims, up to which a cell is used for them: our choice."""

_LEAK_IN_BEST_CELL_PERCENT = 2.0
"""Air of a leak that may be left in the best cell for trims, percent: our choice; with more, none serves.
What is left widens the interval."""

_EXPONENTS = (1.0, 0.5, 1.5, 2.0)
"""Powers of the flow with which a leak's share falls, the usual one first: one is a leak of constant air; the
others are our choice, for pressure that falls or rises with the flow, and for reversion."""

_BETTER_FIT = 4.0
"""Chi square by which another power must fit better than the usual one: our choice, two standard errors."""

_EXPLAINED = 0.75
"""Part of the difference between cells that the flow must explain: our choice."""

_SPOILS_PERCENT = 0.25
"""Part of a mean that a leak's air must make for its cylinder's reading to be left out, percent: our choice,
half a trim step of 0.5 %; so far is the mean moved at least by a suspicion that is wrong."""

_FEWEST_SOUND = 3
"""Nodes without a leak's pattern from which a cell's reference is made without the others: our choice; with
two, either may be the odd one."""

_FEWEST_CELLS = 3
"""Cells that a pattern takes: our choice; with two, any two needs fit."""

_FLOWS_APART = 1.5
"""Least ratio of the most flow to the least: our choice; nearer cells show no pattern."""

_FEWEST_PARTING, _LEAST_PARTING = 2, 1 / 4
"""Nodes, and part of all, whose needs rise with the flow against the others', from which either these or the
others may be at fault: our choice; one alone is likelier to be at fault than all others."""

_LEAST_CELL_ERROR = 5e-4
"""Smallest standard error of a need in one cell, ln lambda: our choice, so that one very sure cell does not
decide how well a pattern fits."""


# ----------------------------------------------------------------------------------------------------
# Intervals that hold together.
# ----------------------------------------------------------------------------------------------------


def joint_z(tests: int) -> float:
    """Two-sided normal limit that noise passes in one of so many tests with the chance `FALSE_ALARMS`.

    >>> round(joint_z(1), 3)
    2.576
    """
    return NormalDist().inv_cdf(1 - FALSE_ALARMS / (2 * max(tests, 1)))


def joint_half(error: Floats, effective: Floats, z: float) -> Floats:
    """Half-widths of intervals that hold together, from standard errors and effective batches.

    Student's t from its normal limit z (Wallace, Ann. Math. Stat. 30, 1959, from memory).
    """
    degrees = np.fmax(effective - 1, 1.0)
    scaled = z * (8 * degrees + 3) / (8 * degrees + 1)
    half: Floats = np.sqrt(degrees * np.expm1(scaled**2 / degrees)) * error
    return half


@dataclass(frozen=True, slots=True, eq=False)
class NeedTable:
    """Needs of n nodes in m cells or stays, in ln lambda.

    y     float64[m, n]  NaN where not known
    half  float64[m, n]  of the interval that holds together with all others; infinite where not known
    z     the normal limit of these intervals
    """

    y: Floats
    half: Floats
    z: float

    @classmethod
    def of(cls, rows: Sequence[Sequence[Estimate]]) -> NeedTable:
        """From the needs of each row; the intervals are for every need that has an error."""
        mean, error, effective = (
            np.array([[getattr(need, name) for need in row] for row in rows], np.float64)
            for name in ("mean", "standard_error", "effective")
        )
        known = np.isfinite(error)
        z = joint_z(int(known.sum()))
        return cls(np.where(known, mean, np.nan), np.where(known, joint_half(error, effective, z), np.inf), z)

    def aligned(self) -> Floats:
        """The needs less what all nodes of a row have in common, such as a mean without a missing node.

        It is the median of how far the nodes are from their own medians; one node apart does not move it.
        """
        apart = self.y - median_with_holes(self.y, axis=0)
        aligned: Floats = self.y - median_with_holes(apart, axis=1)[:, None]
        return aligned

    def weights(self) -> Floats:
        """Inverse squares of the errors of normal numbers with the same limits; 0 where not known."""
        weights: Floats = np.fmax(self.half / self.z, _LEAST_CELL_ERROR) ** -2.0
        return weights

    def disagreements(self) -> list[tuple[float, float] | None]:
        """Least and most need of each node, percent, where they certainly differ, and by enough to tell."""
        y = self.aligned()
        ends = 100 * np.expm1(np.array([np.fmin.reduce(y, axis=0), np.fmax.reduce(y, axis=0)]))
        told = self.apart() > DISAGREEMENT_PERCENT
        return [(float(a), float(b)) if one else None for a, b, one in zip(*ends, told, strict=True)]

    def apart(self) -> Floats:
        """By how much the needs of each node differ between rows, percent, float64[n]; 0 if not certainly.

        A standard error is taken off at either end, so that rows which say little do not make the most of it.
        """
        return np.where(self.certainly_apart() > 0, self._range_within(1 / self.z), 0.0)

    def certainly_apart(self) -> Floats:
        """By how much the needs of each node certainly differ between rows, percent, float64[n]."""
        return self._range_within(1.0)

    def _range_within(self, part: float) -> Floats:
        """The range of each node's needs when all are nearer to each other by this part of their errors."""
        y, nearer = self.aligned(), part * self.half
        low, high = np.fmin.reduce(y + nearer, axis=0), np.fmax.reduce(y - nearer, axis=0)
        apart: Floats = 100 * (np.expm1(high) - np.expm1(low))
        return apart


# ----------------------------------------------------------------------------------------------------
# Stays: the needs by time.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Stay:
    """Time in one cell without another one, a long pause, or a change of a node's level between; in seconds.

    row  number of its first batch in the cell
    t    its middle
    """

    cell: int
    row: int
    t: float
    begin: float
    end: float
    visit: int
    peers: tuple[Estimate, ...]


class Stays:
    """The stays of a dwell; only those that have grown, or been masked anew, are computed again."""

    def __init__(self, judged: JudgedCells, weights: Floats) -> None:
        self._judged, self._weights = judged, weights
        self._cells: tuple[CellFit, ...] = ()
        self._stays: list[Stay] = []
        # by cell and first batch: batches and masked ones then, and the stay
        self._known: dict[tuple[int, int], tuple[int, int, Stay]] = {}

    def of(self, cells: Sequence[CellFit]) -> list[Stay]:
        """Every stay in these cells in order of time; as before where no cell was judged again."""
        same = len(cells) == len(self._cells) and all(
            new is old for new, old in zip(cells, self._cells, strict=True)
        )
        if not same:
            self._cells = tuple(cells)
            visits = [np.unique(self._judged.table(one.cell).visit) for one in cells]
            every = np.sort(np.concatenate(visits)) if visits else np.zeros(0, np.int64)
            stays = [stay for one in cells for stay in self._stays_in(one, every)]
            self._stays = sorted(stays, key=lambda stay: (stay.visit, stay.row))
        return self._stays

    def _stays_in(self, fit: CellFit, every: Ints) -> Iterable[Stay]:
        """The stays in one cell; `every` are the visits to all cells, in order."""
        table, masked = self._judged.table(fit.cell), self._judged.masked(fit.cell)
        apart = np.diff(table.t)
        begins = np.diff(np.searchsorted(every, table.visit)) > 1
        begins |= (apart > _SAME_STAY_S * SECOND_NS) | (apart < 0)
        edges = {0, len(table.t), *(np.flatnonzero(begins) + 1).tolist(), *(one.row for one in fit.changes)}
        for first, end in pairwise(sorted(edges)):
            yield self._judge(fit.cell, table, slice(first, end), masked)

    def _judge(self, cell: int, table: BatchTable, rows: slice, masked: Bools | None) -> Stay:
        hidden = None if masked is None else masked[rows]
        grown = (rows.stop - rows.start, 0 if hidden is None else int(hidden.sum()))
        before = self._known.get((cell, rows.start))
        if before is not None and before[:2] == grown:
            return before[2]
        fit = replace(self._judged.fit_rows(cell, rows, hidden), ends=np.zeros(len(self._weights)))
        found = place_cell(fit, None, self._weights)
        t = table.t[rows] / SECOND_NS
        stay = Stay(
            cell=cell,
            row=rows.start,
            t=float(t.mean()),
            begin=float(t[0]),
            end=float(t[-1]) + BATCH_S,
            visit=int(table.visit[rows.start]),
            peers=found.peers,
        )
        self._known[cell, rows.start] = (*grown, stay)
        return stay


@dataclass(frozen=True, slots=True)
class Drift:
    """A need that moved between visits to the same cells, by `moved` ± `half` (95 %) in ln lambda.

    seconds  in which it did
    changed  when it did most of that, if at once: between these moments, s; None where it moved gradually
    """

    moved: float
    half: float
    seconds: float
    changed: tuple[float, float] | None = None

    def at(self, t: float, begin: float) -> float:
        """How far the need had moved at t, s, if it moves gradually from `begin` on."""
        if self.changed is not None:
            return self.moved if t > sum(self.changed) / 2 else 0.0
        return self.moved / self.seconds * (t - begin)


def cells_visited_again(stays: Sequence[Stay]) -> set[int]:
    """Cells with two stays or more in which two nodes have needs."""
    known = [stay.cell for stay in stays if sum(np.isfinite(need.half) for need in stay.peers) > 1]
    return {cell for cell in known if known.count(cell) > 1}


def find_drifts(stays: Sequence[Stay]) -> list[Drift | None]:
    """For every node, whether its need moved while the same cells were visited again.

    One slope a node from all cells with several stays, each with a mean of its own.
    """
    again = cells_visited_again(stays)
    stays = [stay for stay in stays if stay.cell in again]
    if not stays:
        return []
    table = NeedTable.of([stay.peers for stay in stays])
    cell, t = np.array([stay.cell for stay in stays]), np.array([stay.t for stay in stays])
    aligned = table.aligned()
    changes = [
        _change_of_node(stays, cell, *column, table.z) for column in zip(aligned.T, table.half.T, strict=True)
    ]
    columns = zip(aligned.T, table.weights().T, strict=True)
    drifts = [_drift_of_node(cell, t, *column, table.z) for column in columns]
    return [_likelier(*both) for both in zip(drifts, changes, strict=True)]


def _likelier(drift: Drift | None, change: Drift | None) -> Drift | None:
    """Of a gradual drift and a change the one that says more; both are certain."""
    if drift is None or change is None or change.changed is None:
        return change if drift is None else drift
    begin, end = change.changed
    sudden = end - begin < _SUDDEN_PART * change.seconds
    return change if sudden or abs(change.moved) - change.half > abs(drift.moved) + drift.half else drift


def _change_of_node(stays: Sequence[Stay], cell: Ints, y: Floats, half: Floats, z: float) -> Drift | None:
    """What one node's need certainly changed by between two stays in one cell, where it did most.

    A line through all stays does not see a need that stood still until it changed.
    """
    most, ends = 100 * np.log1p(_DRIFT_PERCENT / 100), None
    for one in np.unique(cell):
        at = np.flatnonzero((cell == one) & np.isfinite(y))
        if len(at) > 1:
            low, high = int(at[np.argmin((y + half)[at])]), int(at[np.argmax((y - half)[at])])
            sure = 100 * float(y[high] - half[high] - y[low] - half[low])
            if sure > most:
                most, ends = sure, (low, high)
    if ends is None:
        return None
    first, last = sorted(ends)
    at = np.flatnonzero((cell == cell[first]) & np.isfinite(y))
    at = at[(at >= first) & (at <= last)]
    jump = int(np.argmax(np.abs(np.diff(y[at]))))
    error = float(np.hypot(half[first], half[last])) / z
    return Drift(
        moved=float(y[last] - y[first]),
        half=NORMAL_95_SIX_DECIMALS * error,
        seconds=stays[last].t - stays[first].t,
        changed=(stays[at[jump]].end, stays[at[jump + 1]].begin),
    )


def _drift_of_node(cell: Ints, t: Floats, y: Floats, weight: Floats, z: float) -> Drift | None:
    """One node in stays at t float64[m], s; NaN in y where not known, with weight 0."""
    value = np.nan_to_num(y)
    moved, later, spare, span = value.copy(), t.copy(), -1, 0.0
    for one in np.unique(cell):
        at = (cell == one) & (weight > 0)
        if at.any():
            moved[at] -= np.average(value[at], weights=weight[at])
            later[at] -= np.average(t[at], weights=weight[at])
            spare += int(at.sum()) - 1
            span = max(span, float(np.ptp(t[at])))
    power = float((weight * later**2).sum())
    if spare < 0 or not power > 0:
        return None
    slope = float((weight * later * moved).sum()) / power
    chi2 = float((weight * (moved - slope * later) ** 2).sum())
    wide = max(1.0, chi2 / spare) if spare else 1.0
    error = span * float(np.sqrt(wide / power))
    if 100 * np.expm1(abs(slope) * span - z * error) < _DRIFT_PERCENT:
        return None
    return Drift(slope * span, NORMAL_95_SIX_DECIMALS * error, span)


# ----------------------------------------------------------------------------------------------------
# Lean at low flow: the pattern of a leak before the sensor, or of reversion.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class LeanAtLowFlow:
    """A need that falls with the flow: `excess` float64[m] is its part of leaked air, ln lambda."""

    exponent: float
    excess: Floats


def flow_of(cell: Cell, axes: Axes) -> float:
    """Air flow of a typical engine in a cell, in any unit; NaN where speed or load is not known."""
    if cell.rpm is None or cell.load is None:
        return np.nan
    return float(cell.rpm * charge(cell.rpm, cell.load, axes.load_signal).eta_v)


def find_lean_at_low_flow(
    needs: Sequence[tuple[Estimate, ...]], flow: Floats, *, rich: bool = False
) -> list[LeanAtLowFlow | None]:
    """For every node, whether its need falls with the flow as the share of a leak does.

    needs  of n nodes in each of m cells; flow float64[m], any unit, NaN where not known
    rich   the other way round: whether its need rises with the flow, as if most others leaked
    """
    table = NeedTable.of(needs)
    columns = zip((-1 if rich else 1) * table.aligned().T, table.weights().T, strict=True)
    return [_lean_at_low_flow(flow, *column, table.z) for column in columns]


def _lean_at_low_flow(flow: Floats, y: Floats, weight: Floats, z: float) -> LeanAtLowFlow | None:
    known = np.isfinite(y) & (flow > 0)
    if known.sum() < _FEWEST_CELLS or flow[known].max() < _FLOWS_APART * flow[known].min():
        return None
    weight = np.where(known, weight, 0.0)
    shares = [np.where(flow > 0, (flow[known].min() / flow) ** n, np.nan) for n in _EXPONENTS]
    fits = [_fit_share(np.nan_to_num(share), np.nan_to_num(y), weight) for share in shares]
    best = min(range(len(fits)), key=lambda k: fits[k].chi2)
    best = best if fits[best].chi2 < fits[0].chi2 - _BETTER_FIT else 0
    fit, share = fits[best], shares[best]
    wide = max(1.0, fit.chi2 / (int(known.sum()) - 2))
    sure = (fit.gain - z * fit.error * np.sqrt(wide)) * (1 - share[known].min())
    if 100 * np.expm1(sure) <= DISAGREEMENT_PERCENT or fit.chi2 > (1 - _EXPLAINED) * fit.chi2_without:
        return None
    return LeanAtLowFlow(_EXPONENTS[best], np.where(known, fit.gain * share, np.nan))


@dataclass(frozen=True, slots=True)
class _ShareFit:
    """Needs as a constant and a gain times a share; chi squares with the share and without it."""

    gain: float
    error: float
    chi2: float
    chi2_without: float


def _fit_share(share: Floats, y: Floats, weight: Floats) -> _ShareFit:
    apart = share - np.average(share, weights=weight)
    moved = y - np.average(y, weights=weight)
    power = float((weight * apart**2).sum())
    gain = float((weight * apart * moved).sum()) / power
    chi2 = float((weight * (moved - gain * apart) ** 2).sum())
    return _ShareFit(gain, power**-0.5, chi2, float((weight * moved**2).sum()))


# ----------------------------------------------------------------------------------------------------
# What to say, and which cells are left.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class CellsCompared:
    """What the cells say when they are compared.

    serves    bool[m], cells that trims may rest on
    suspects  float64[m, n], how much leaner than at most flow nodes with a leak's pattern read in a cell, ln
              lambda, where that spoils its mean; else 0
    excess    float64[m, n], part of each need that falls with the flow as a leak's share does, ln lambda; in
              cells that serve, what may be left of it
    needs     of n nodes in each of m cells, each cell against its own mean, as they would be at one moment
    rich      nodes whose needs rise with the flow against most others, so that these may be at fault
    left      float64[n], most air of a leak that may be left in a need over the cells, ln lambda; without
              it the need is less by so much
    unsure    float64[n], how much more than by its interval a need over the cells may be out, ln lambda: by
              half of what cells in use differ by, by what was read last, by what the mean moved with the
              drifts of others
    moments   float64[2, n], least and most need at any moment in the cells that serve, of nodes that drift;
              NaN for the others
    moving    bool[n], nodes that drift by more than a trim step: no trim suits them
    flags     by node
    notes     on the result
    withheld  why no trims are offered
    """

    serves: Bools
    suspects: Floats
    excess: Floats
    needs: tuple[tuple[Estimate, ...], ...]
    rich: tuple[int, ...]
    left: Floats
    unsure: Floats
    moments: Floats
    moving: Bools
    flags: tuple[tuple[Note, ...], ...]
    notes: tuple[Note, ...]
    withheld: tuple[Note, ...]

    def among(self, inside: Bools, cells: Sequence[CellResult]) -> CellsCompared:
        """The same, told of all cells, of which those that are `inside` (bool[m]) were compared."""
        if inside.all():
            return self
        serves, (suspects, excess) = (
            np.zeros(len(cells), np.bool_),
            np.zeros((2, len(cells), len(self.flags))),
        )
        serves[inside], suspects[inside], excess[inside] = self.serves, self.suspects, self.excess
        own = iter(self.needs)
        needs = tuple(next(own) if kept else one.peers for kept, one in zip(inside, cells, strict=True))
        return replace(self, serves=serves, suspects=suspects, excess=excess, needs=needs)

    def widen(self, needs: Needs) -> Needs:
        """The needs with intervals that allow for what `unsure` holds, and hold those at every moment.

        A node that drifts is put in the middle of what it needed, and moves the mean of its group by that.
        """
        needs = self._without_left(needs)
        peers = [longer(*one) for one in zip(needs.peers, self.unsure.tolist(), strict=True)]
        target = [longer(*one) for one in zip(needs.target, self.unsure.tolist(), strict=True)]
        to_middle = np.zeros(len(peers))
        for node, (low, high) in enumerate(self.moments.T.tolist()):
            one = peers[node]
            if np.isfinite(one.half) and low <= high:
                ends = min(low, one.mean - one.half), max(high, one.mean + one.half)
                to_middle[node] = sum(ends) / 2 - one.mean
                by = (ends[1] - ends[0]) / 2 - one.half
                peers[node] = longer(one, by)
                target[node] = longer(_moved(target[node], to_middle[node]), by)
        for group in needs.groups:
            own = to_middle[group]
            for node, by in zip(group.tolist(), own - (own.sum() - own) / (len(own) - 1), strict=True):
                peers[node] = _moved(peers[node], by)
        return replace(needs, peers=tuple(peers), target=tuple(target))

    def _without_left(self, needs: Needs) -> Needs:
        """The needs in the middle between all that is left of a leak and nothing of it, intervals to both.

        Air that leaks in only makes a sensor read leaner: the true need is what is read or less, never more.
        """
        if not self.left.any():
            return needs
        half = self.left / 2
        peers, target = (
            list(needs.peers),
            [longer(_moved(one, -by), by) for one, by in zip(needs.target, half.tolist(), strict=True)],
        )
        for group in needs.groups:
            own = half[group]
            others = (own.sum() - own) / len(own)
            for node, by, mean in zip(group.tolist(), own.tolist(), others.tolist(), strict=True):
                moved = by * (1 - 1 / len(own))
                peers[node] = longer(_moved(peers[node], mean - moved), moved + mean)
        return replace(needs, peers=tuple(peers), target=tuple(target))

    def still(self, needs: tuple[Estimate, ...]) -> tuple[Estimate, ...]:
        """The needs that trims may follow: those of nodes that do not drift."""
        return tuple(NO_ESTIMATE if out else e for e, out in zip(needs, self.moving.tolist(), strict=True))


def compare_cells(
    session: Session, grid: CellGrid, cells: Sequence[CellResult], may_serve: Bools, stays: Sequence[Stay]
) -> CellsCompared:
    """Compares the needs by cell, by flow and by time.

    cells      all, each against the mean of its own nodes
    may_serve  bool[m], those that trims may rest on by the session and the operator
    """
    nodes = len(session.chain.nodes)
    if not cells:
        return _nothing_compared(nodes, may_serve)
    drifts = find_drifts(stays) or [None] * nodes
    drifts = [one or _drift_in_a_cell(cells, stays, node) for node, one in enumerate(drifts)]
    flags = [[] if drift is None else [_note_drift(drift, stays[0].begin)] for drift in drifts]
    apart = NeedTable.of([one.peers for one in cells]).disagreements()
    for told, ends in zip(flags, apart, strict=True):
        if ends is not None:
            told.append(note(BalanceNote.CELLS_DISAGREE, least_percent=ends[0], most_percent=ends[1]))
    notes = []
    if any(apart) and not cells_visited_again(stays):
        first = grid.cell(stays[0].cell)
        notes.append(note(BalanceNote.CELL_OR_TIME, rpm=first.rpm, load=first.load))
    flow = np.array([flow_of(grid.cell(one.cell), session.axes) for one in cells])
    at_one_moment = _without_drift(cells, stays, drifts)
    leaks = find_lean_at_low_flow(at_one_moment, flow)
    richer = find_lean_at_low_flow(at_one_moment, flow, rich=True)
    centres = [grid.cell(one.cell) for one in cells]
    low = _leave_low_flow(leaks, flow, may_serve)
    serves, left = low.serves, low.mean()
    for told, leak, most in zip(flags, leaks, left.tolist(), strict=True):
        if leak is not None:
            told.append(_note_leak(leak, most, centres))
    last = _last_ends(cells, serves, stays)
    for told, end in zip(flags, (100 * np.expm1(last)).tolist(), strict=True):
        if end and not any(one.code is BalanceNote.NEED_CHANGED for one in told):
            told.append(note(BalanceNote.END_APART, apart_percent=end))
    moved = np.array([0.0 if drift is None else abs(drift.moved) for drift in drifts])
    unsure = last + _mean_moved_by_others(drifts, last)
    used = NeedTable.of([one.peers for one, serve in zip(cells, serves, strict=True) if serve])
    if len(used.y) > 1:
        unsure = np.maximum(unsure, np.log1p(used.apart() / 100) / 2)
    return CellsCompared(
        serves=serves,
        suspects=find_suspects(at_one_moment, leaks, serves),
        excess=np.where(serves[:, None], low.left, _excess_of(leaks, len(cells))),
        needs=tuple(at_one_moment),
        rich=tuple(node for node, one in enumerate(richer) if one is not None),
        left=left,
        unsure=unsure,
        moments=_least_and_most(stays, list(compress(cells, serves)), moved > 0),
        moving=100 * np.expm1(moved) > session.trims.step_percent,
        flags=tuple(map(tuple, flags)),
        notes=tuple(notes),
        withheld=(
            *_withhold_for_leaks(session, low.best),
            *_withhold_for_groups(session, richer, may_serve),
            *_withhold_for_unlike(session, used),
        ),
    )


def _mean_moved_by_others(drifts: Sequence[Drift | None], last: Floats) -> Floats:
    """How far the drifts of the other nodes, and what these read last, moved the mean of all, float64[n]."""
    moved = np.array([0.0 if one is None else abs(one.moved) + one.half for one in drifts]) / 2 + last
    by_others: Floats = (moved.sum() - moved) / max(len(moved), 1)
    return by_others


def _nothing_compared(nodes: int, may_serve: Bools) -> CellsCompared:
    """What no cells say."""
    return CellsCompared(
        serves=may_serve,
        suspects=np.zeros((0, nodes)),
        excess=np.zeros((0, nodes)),
        needs=(),
        rich=(),
        left=np.zeros(nodes),
        unsure=np.zeros(nodes),
        moments=np.full((2, nodes), np.nan),
        moving=np.zeros(nodes, np.bool_),
        flags=((),) * nodes,
        notes=(),
        withheld=(),
    )


def _last_ends(cells: Sequence[CellResult], serves: Bools, stays: Sequence[Stay]) -> Floats:
    """How far apart each node's last batches lie, float64[n], if no other cell was visited after them."""
    last = stays[-1].cell if stays else None
    ends = (one.fit.ends for one, serve in zip(cells, serves, strict=True) if serve and one.cell == last)
    return next(ends, np.zeros(len(cells[0].peers)))


def _drift_in_a_cell(cells: Sequence[CellResult], stays: Sequence[Stay], node: int) -> Drift | None:
    """A node's largest change within a cell, where stays are too short to be compared."""
    changes = [(one.cell, change) for one in cells for change in one.fit.changes if change.node == node]
    if not changes:
        return None
    cell, change = max(changes, key=lambda one: abs(one[1].moved))
    before = [stay for stay in stays if stay.cell == cell and stay.row < change.row][-1]
    after = next(stay for stay in stays if stay.cell == cell and stay.row >= change.row)
    return Drift(change.moved, change.half, after.t - before.t, (before.end, after.begin))


def _least_and_most(stays: Sequence[Stay], cells: Sequence[CellResult], drifting: Bools) -> Floats:
    """Ends of the intervals of the needs in these cells and all stays in them; NaN where none drifts.

    Both against the mean of the nodes at that moment, and against one that does not move with them.
    """
    numbers = {one.cell for one in cells}
    rows = [*(stay.peers for stay in stays if stay.cell in numbers), *(one.peers for one in cells)]
    if not rows or not drifting.any():
        return np.full((2, len(drifting)), np.nan)
    y, half = (np.array([[getattr(e, name) for e in row] for row in rows]) for name in ("mean", "half"))
    y = np.where(np.isfinite(half), y, np.nan)
    known = np.isfinite(y).sum(axis=1)
    whole = known == known.max()
    both = np.concatenate([NeedTable.of(rows).aligned(), y[whole]])
    half = np.concatenate([half, half[whole]])
    out = np.array([np.fmin.reduce(both - half, axis=0), np.fmax.reduce(both + half, axis=0)])
    return np.where(drifting, out, np.nan)


def _note_drift(drift: Drift, begin: float) -> Note:
    """A drift; the moments of a change are told from the first time that was counted, at `begin`, on."""
    values = {
        "change_percent": 100 * float(np.expm1(drift.moved)),
        "half_percent": 100 * drift.half,
        "seconds": drift.seconds,
    }
    if drift.changed is None:
        return note(BalanceNote.NEED_DRIFTS, **values)
    first, last = (t - begin for t in drift.changed)
    return note(BalanceNote.NEED_CHANGED, **values, from_s=first, until_s=last)


@dataclass(frozen=True, slots=True, eq=False)
class _LowFlowLeft:
    """The cells that serve for trims, and the air of leaks that may be left in them, ln lambda.

    serves  bool[m]
    left    float64[m, n], in every cell
    best    float64[n], in the best cell for trims
    """

    serves: Bools
    left: Floats
    best: Floats

    def mean(self) -> Floats:
        """What may be left in a need over the cells that serve, float64[n]."""
        if not self.serves.any():
            return np.zeros(self.left.shape[1])
        mean: Floats = self.left[self.serves].mean(axis=0)
        return mean


def _leave_low_flow(leaks: Sequence[LeanAtLowFlow | None], flow: Floats, may_serve: Bools) -> _LowFlowLeft:
    """Leaves the cells in which a leak's air is more than in the best by enough to matter.

    What is left is that of a leak of constant air, or less: a power fitted over the whole range says
    little about its end.

    flow       float64[m], any unit
    may_serve  bool[m], the cells that do if nothing leaks
    """
    serves, left, in_best = may_serve.copy(), np.zeros((len(flow), len(leaks))), np.zeros(len(leaks))
    for node, leak in enumerate(leaks):
        if leak is None or not (may_serve & np.isfinite(leak.excess)).any():
            continue
        best = int(np.nanargmin(np.where(may_serve, leak.excess, np.nan)))
        least = int(np.nanargmax(leak.excess))
        serves &= ~(100 * (np.expm1(leak.excess) - np.expm1(leak.excess[best])) > _LEAK_LEFT_PERCENT)
        more = leak.excess[least] - leak.excess[best]
        constant_air = more / (flow / flow[least] - flow / flow[best]) if best != least else np.inf
        left[:, node] = np.nan_to_num(np.minimum(leak.excess, constant_air))
        in_best[node] = left[best, node]
    return _LowFlowLeft(serves, left, in_best)


def _excess_of(leaks: Sequence[LeanAtLowFlow | None], cells: int) -> Floats:
    """What looks like leaked air in every need, float64[cells, n]; 0 where nothing does."""
    none = np.zeros(cells)
    return np.stack([none if one is None else np.nan_to_num(one.excess) for one in leaks], axis=1)


def find_suspects(
    needs: Sequence[tuple[Estimate, ...]], leaks: Sequence[LeanAtLowFlow | None], serves: Bools
) -> Floats:
    """How much leaner nodes with a leak's pattern read in a cell than they do at most flow, float64[m, n].

    In ln lambda, as read; 0 where that moves no mean by enough to matter (`_SPOILS_PERCENT`), in cells that
    serve for trims, and where not `_FEWEST_SOUND` others, and more than half of all, are left: where as many
    show the pattern, nothing says which of them are at fault.
    """
    table = NeedTable.of(needs)
    away, weights = np.zeros(table.y.shape), table.weights()
    for node, leak in enumerate(leaks):
        if leak is None:
            continue
        y, more = table.aligned()[:, node], leak.excess - np.fmin.reduce(leak.excess)
        weight = np.where(100 * np.expm1(more) <= _LEAK_LEFT_PERCENT, weights[:, node], 0.0)
        own = y - np.average(np.nan_to_num(y - more), weights=weight)
        away[:, node] = np.where(100 * np.expm1(own) > _SPOILS_PERCENT * len(leaks), own, 0.0)
    sound = (away == 0).sum(axis=1)
    away[serves | (sound < _FEWEST_SOUND) | (sound <= len(leaks) / 2)] = 0.0
    return away


def _withhold_for_leaks(session: Session, left: Floats) -> tuple[Note, ...]:
    """Why no trims are offered: leaks of which too much is left in every cell that might serve."""
    return tuple(
        note(BalanceNote.LEAK_IN_ALL_CELLS, cylinders=node.cylinders, left_percent=percent)
        for node, percent in zip(session.chain.nodes, (100 * np.expm1(left)).tolist(), strict=True)
        if percent > _LEAK_IN_BEST_CELL_PERCENT
    )


def _withhold_for_groups(
    session: Session, richer: Sequence[LeanAtLowFlow | None], may_serve: Bools
) -> tuple[Note, ...]:
    """Why no trims are offered: several nodes part from the rest with the flow, and either may be at fault.

    Peers only show that they part. That the rest leaks is no less likely than that these are rich there.
    """
    parting = set()
    for node, one in enumerate(richer):
        excess = np.zeros(0) if one is None else one.excess[may_serve & np.isfinite(one.excess)]
        if len(excess) and 100 * float(np.expm1(np.ptp(excess))) > _LEAK_LEFT_PERCENT:
            parting.add(node)
    nodes = session.chain.nodes
    if len(parting) < _FEWEST_PARTING or len(parting) < _LEAST_PARTING * len(nodes):
        return ()
    groups = [
        tuple(sorted(c for i, node in enumerate(nodes) if (i in parting) == of for c in node.cylinders))
        for of in (False, True)
    ]
    return (note(BalanceNote.LEAK_OR_RICH, lean=groups[0], rich=groups[1]),)


def _withhold_for_unlike(session: Session, used: NeedTable) -> tuple[Note, ...]:
    """Why no trims are offered: cylinders that need too different things in the cells that serve."""
    if len(used.y) < 2:
        return ()
    apart = used.certainly_apart()
    unlike = np.flatnonzero(apart > _TOO_UNLIKE_PERCENT).tolist()
    cylinders = tuple(sorted(c for node in unlike for c in session.chain.nodes[node].cylinders))
    if not cylinders:
        return ()
    return (note(BalanceNote.CELLS_TOO_UNLIKE, cylinders=cylinders, apart_percent=float(np.nanmax(apart))),)


def _note_leak(leak: LeanAtLowFlow, left: float, cells: Sequence[Cell]) -> Note:
    """The pattern with its numbers, from the cell of least flow to that of most, and what may be left."""
    least, most = int(np.nanargmax(leak.excess)), int(np.nanargmin(leak.excess))
    extra = 100 * float(np.expm1(leak.excess[least]) - np.expm1(leak.excess[most]))
    return note(
        BalanceNote.LEAN_AT_LOW_FLOW,
        extra_percent=extra,
        rpm=cells[least].rpm,
        load=cells[least].load,
        most_rpm=cells[most].rpm,
        most_load=cells[most].load,
        exponent=leak.exponent,
        left_percent=100 * float(np.expm1(left)),
    )


def _without_drift(
    cells: Sequence[CellResult], stays: Sequence[Stay], drifts: Sequence[Drift | None]
) -> list[tuple[Estimate, ...]]:
    """The needs in each cell as they would be at one moment, by the drifts that were found."""
    out = []
    for one in cells:
        t = float(np.mean([stay.t for stay in stays if stay.cell == one.cell]))
        out.append(
            tuple(
                need if drift is None else _moved(need, -drift.at(t, stays[0].t))
                for need, drift in zip(one.peers, drifts, strict=True)
            )
        )
    return out


def _moved(need: Estimate, by: float) -> Estimate:
    return Estimate(need.mean + by, need.half, need.standard_error, need.effective)
