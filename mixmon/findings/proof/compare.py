"""Before and after: what every cylinder's need did from one run to the next, and what that shows.

    RunSide, RunSide -> pair_cells -> fit_pairs -> CylinderChange    change, interval, equivalent or not
                     -> fit_needs -> Needs                           each run by itself in these cells
                     -> judge_effect -> TrimEffect               did the trims take
                     -> compare_conditions, notes -> BeforeAfter

Numbers are ln lambda by node until `BeforeAfter` makes them percent by cylinder. A change is of the need
against the mean of the cylinders, so a drift of the whole engine is not in it. Sensors' own errors cancel
where the same sensor, by its serial, sat at the same cylinder; where another one does, its error and that of
the one before are in the interval. So is what one sensor's known biases of the two sessions differ by.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.errors import UsageError
from mixmon.findings.balance.balance import Spread, half_percent, percent, spread
from mixmon.findings.balance.known import KnownBiases
from mixmon.findings.balance.needs import Needs, fit_needs
from mixmon.findings.balance.total import peer_error, sensor_error_percent
from mixmon.findings.proof.alike import PHI_OF_WANDER, growth, likeness
from mixmon.findings.proof.conditions import CLOSED_LOOP, Condition, compare_conditions
from mixmon.findings.proof.effect import Effect, Moves, NodeEffect, is_loop_closed, judge_effect
from mixmon.findings.proof.equivalence import (
    NO_MEAN,
    WANTED_POWER,
    Outcome,
    cells_needed,
    errors_by_all,
    outcome_of,
    pooled_deviation,
    power_of,
    widened_by,
)
from mixmon.findings.proof.notes import EffectVerdict, ProofNote
from mixmon.findings.proof.pairs import (
    MatchedNodes,
    PairTable,
    RunSide,
    check_sides,
    compared_nodes,
    fit_pairs,
    free_of_levels,
    in_stage,
    match_nodes,
    pair_cells,
    shared_stages,
)
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate, engine_log_lambda
from mixmon.findings.wander import SHORT_LOG_S
from mixmon.mixture.steady import Cell
from mixmon.note import Note, note
from mixmon.result import Result

USUAL_MARGIN_PERCENT = 0.5
"""Change of a need that counts as none: our choice, the usual step of a trim."""

_MIXTURE_MOVED = 0.03
"""Change of a cell's ln lambda that is told: our choice; a sensor with an error of gain of 5 % then reads
another 0.15 % off (computed from the slope of the gain error near 0.9)."""

LARGEST_TRIM_PERCENT = 50.0
"""Trims beyond it are refused: our choice; a larger one is a misplaced point."""

_ONE_MOMENT_NS = 10 * SECOND_NS
"""Runs that begin so near each other have no common clock: our choice."""

_EXCHANGED_APART = 4.0
"""Margins by which the needs of two cylinders must differ for an exchange of their labels to be told: our
choice, far more than needs change by themselves."""

_LOOP_SHARE = 0.02
"""Part of a run in closed loop from which it is told: our choice, one cell of fifty."""

_SAME_LN = 1e-6
"""Known biases and trims that differ by less, ln, are the same: rounding."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class CylinderChange:
    """One cylinder. Percent of fuel, positive = it needs more than before; NaN = not known.

    cells                how many tell it
    before, after        its need in these cells, with half of the 95 % interval, as read
    before_target, after_target   the same against the target
    change_percent       of its need against the mean of the cylinders, the mean over the cells
    interval90_percent   within the margin where less than that is shown, each side at 5 %
    equivalent           whether it is
    outcome              or whether more than the margin is shown, or neither
    after_mean_percent   the need after, the mean over the cells, as read: without the sensor's own error
    after_outcome        of that against zero
    same_sensor          whether the same serial was there in both runs; None where not told
    """

    cylinder: int
    cells: int
    before_percent: float
    before_half_interval_percent: float
    after_percent: float
    after_half_interval_percent: float
    before_target_percent: float
    after_target_percent: float
    change_percent: float
    interval90_percent: Interval
    equivalent: bool
    outcome: Outcome
    after_mean_percent: float
    after_interval90_percent: Interval
    after_outcome: Outcome
    same_sensor: bool | None


@dataclass(frozen=True, slots=True)
class TrimEffect:
    """What became of the trim that was entered for one cylinder.

    entered_percent  what the trim was multiplied by, percent
    slope            what the cylinder did over what it was asked to do; NaN where not known
    interval95       of the slope
    verdict          a note with an `EffectVerdict`
    """

    cylinder: int
    entered_percent: float
    slope: float
    interval95: Interval
    verdict: Note


@dataclass(frozen=True, slots=True)
class ComparedCell:
    """A cell that both runs have: lambda of what was heard, and how many cylinders in both."""

    rpm: float | None
    load: float | None
    lambda_before: float
    lambda_after: float
    cylinders: int


@dataclass(frozen=True, slots=True, repr=False)
class BeforeAfter(Result):
    """What every need did from one run to the next, and whether entered trims took.

    margin_percent    the declared margin
    spread_before, spread_after   of the needs in the shared cells, of the same cylinders
    effect            of the trims that were changed; empty where none was, or where it is not known
    effect_slope      of all together, with half of its 95 % interval
    deviation_percent how much one cell's change scatters (standard deviation), of all cylinders; at least
                      what the errors of its readings make
    cells_needed      cells with which equivalence would be shown with a chance of 0.95 where nothing
                      differs; None where more than 200, or not known
    power             that chance with the cells there are
    conditions        of both runs
    injection_stage   in which all that is; None where injection is not staged
    beyond_line       changes of the cylinders in the other injection stage, where it has cells in both runs
    """

    margin_percent: float
    names: tuple[str, str]
    cells: tuple[ComparedCell, ...]
    cylinders: tuple[CylinderChange, ...]
    spread_before: Spread
    spread_after: Spread
    effect: tuple[TrimEffect, ...]
    effect_slope: float
    effect_half_interval: float
    deviation_percent: float
    cells_needed: int | None
    power: float
    conditions: tuple[Condition, ...]
    notes: tuple[Note, ...]
    injection_stage: int | None = None
    beyond_line: tuple[CylinderChange, ...] = ()

    @property
    def all_equivalent(self) -> bool:
        """Whether every cylinder of the engine is shown to have changed by less than the margin."""
        return bool(self.cylinders) and all(one.equivalent for one in (*self.cylinders, *self.beyond_line))


def compare_runs(
    before: RunSide,
    after: RunSide,
    margin_percent: float = USUAL_MARGIN_PERCENT,
    entered: Mapping[int, float] | None = None,
) -> BeforeAfter:
    """Two runs of one engine.

    Args:
        before: the first run.
        after: the second.
        margin_percent: change of a need that counts as none.
        entered: trims that the engine control held in the second run, percent by cylinder, in place of those
            of its session; cylinders that are not named kept theirs.

    Raises:
        UsageError: a margin that is not above zero, runs that cannot be compared, a cylinder that the engine
            does not have, or a trim beyond `LARGEST_TRIM_PERCENT`.
    """
    if not (margin_percent > 0 and np.isfinite(margin_percent)):
        raise UsageError(f"margin {margin_percent:g} %; expected a number above zero; correct it")
    check_sides(before, after)
    trims = _trims_of(before, after, entered)
    stages = shared_stages(before, after)
    if not stages:
        return _Comparer(before, after, margin_percent, trims).build()
    first, *others = (
        _Comparer(in_stage(before, stage), in_stage(after, stage), margin_percent, trims).build()
        for stage in stages
    )
    beyond = tuple(one for other in others for one in other.cylinders)
    changed = [one for one in beyond if one.outcome is Outcome.DIFFERENT]
    told = note(
        ProofNote.OF_INJECTION_STAGE,
        injection_stage=stages[0],
        other_cells=sum(len(other.cells) for other in others),
        changed_there=tuple(one.cylinder for one in changed),
        percent=tuple(one.change_percent for one in changed),
    )
    notes = (told, *first.notes)
    return replace(first, injection_stage=stages[0], beyond_line=beyond, notes=notes)


def _trims_of(
    before: RunSide, after: RunSide, entered: Mapping[int, float] | None
) -> tuple[Sequence[float], Sequence[float]] | None:
    """The trims of all cylinders in each run, percent; None where not told."""
    count = before.session.engine.cylinders
    held = before.session.trims.now_percent
    if entered is None:
        now = after.session.trims.now_percent
        return None if held is None or now is None else (held, now)
    for cylinder, trim in entered.items():
        if not 1 <= cylinder <= count:
            raise UsageError(f"entered: cylinder {cylinder}; expected 1 to {count}; correct it")
        if not abs(trim) <= LARGEST_TRIM_PERCENT:
            raise UsageError(
                f"entered: {trim:g} % for cylinder {cylinder}; expected {-LARGEST_TRIM_PERCENT:g} to "
                f"{LARGEST_TRIM_PERCENT:g}; correct it"
            )
    held = (0.0,) * count if held is None else held
    return held, [entered.get(c, held[c - 1]) for c in range(1, count + 1)]


class _Comparer:
    """Two runs on their way to a `BeforeAfter`; n nodes that both have, in order of the first run's."""

    def __init__(
        self,
        before: RunSide,
        after: RunSide,
        margin: float,
        trims: tuple[Sequence[float], Sequence[float]] | None,
    ) -> None:
        self._before, self._after, self._margin = before, after, margin
        self._placed: MatchedNodes = match_nodes(before, after)
        self._table: PairTable = pair_cells(before, after, self._placed)
        self._nodes: Ints = compared_nodes(self._table)
        self._charges: Floats = after.charges[self._placed.after]
        self._same = _same_sensors(before, after, self._placed)
        stayed = np.array([one is True for one in self._same], np.bool_)
        self._other_biases = np.where(stayed, _bias_differences(before, after, self._placed), 0.0)
        self._own_errors = _sensor_errors(before, after, self._placed, self._same, self._other_biases)
        self._sides = [_needs_of(side, self._table.cells) for side in (before, after)]
        self._trims = trims
        table = self._table
        changes, left = (
            free_of_levels(values, self._nodes) for values in (table.after - table.before, table.after)
        )
        self._likeness = likeness(changes, table.orders)
        self._wanders = _find_wander(before, after, self._placed)
        self._phi = np.maximum(np.where(self._wanders, PHI_OF_WANDER, 0.0), self._likeness)
        self._changed = fit_pairs(changes, table.variances[2], table.degrees, self._phi)
        self._left = fit_pairs(left, table.variances[1], table.degrees, self._phi)

    def build(self) -> BeforeAfter:
        deviation = pooled_deviation(self._changed.means)
        margin = float(np.log1p(self._margin / 100))
        count = max((one.cells for one in self._changed.means), default=0)
        # What counts for a mean is the scatter of cells that are not alike.
        grown = deviation * float(growth(self._phi.max(initial=0.0), count)[0]) ** 0.5
        effect = self._judge_effect()
        return BeforeAfter(
            margin_percent=self._margin,
            names=(self._before.name, self._after.name),
            cells=tuple(self._compared_cells()),
            cylinders=self._cylinder_changes(),
            spread_before=self._spread_of(0),
            spread_after=self._spread_of(1),
            effect=tuple(self._name_effect(c, one) for one in effect.nodes for c in self._of(one.node)),
            effect_slope=effect.slope,
            effect_half_interval=effect.half,
            deviation_percent=100 * deviation,
            cells_needed=cells_needed(grown, margin, WANTED_POWER),
            power=power_of(count, grown, margin) if count > 1 else 0.0,
            conditions=compare_conditions(self._before.conditions, self._after.conditions),
            notes=tuple(self._notes()),
        )

    def _of(self, node: int) -> tuple[int, ...]:
        """The cylinders of a node."""
        return self._placed.cylinders[node]

    # Changes.

    def _cylinder_changes(self) -> tuple[CylinderChange, ...]:
        shifts = self._reference_shifts()
        at = {c: node for node, own in enumerate(self._placed.cylinders) for c in own}
        return tuple(
            self._cylinder_change(c, at.get(c), shifts)
            for c in range(1, self._before.session.engine.cylinders + 1)
        )

    def _reference_shifts(self) -> tuple[float, float]:
        """What to take from changes, and from needs after: the mean in the fuel domain."""
        if not len(self._nodes):
            return np.nan, np.nan
        change, left = self._changed.mean[self._nodes], self._left.mean[self._nodes]
        air = self._charges[self._nodes]
        after = engine_log_lambda(left, air)
        return after - engine_log_lambda(left - change, air), after

    def _cylinder_change(
        self, cylinder: int, node: int | None, shifts: tuple[float, float]
    ) -> CylinderChange:
        changed = NO_MEAN if node is None else self._changed.means[node]
        left = NO_MEAN if node is None else self._left.means[node]
        error = np.nan if node is None else float(self._own_errors[node])
        interval = _interval_percent(changed.mean - shifts[0], widened_by(changed.half90, error))
        of_left = _interval_percent(left.mean - shifts[1], left.half90)
        outcome = outcome_of(*interval, self._margin)
        sides = [self._side_estimates(which, node) for which in (0, 1)]
        return CylinderChange(
            cylinder=cylinder,
            cells=changed.cells,
            before_percent=percent(sides[0][0].mean),
            before_half_interval_percent=half_percent(sides[0][0]),
            after_percent=percent(sides[1][0].mean),
            after_half_interval_percent=half_percent(sides[1][0]),
            before_target_percent=percent(sides[0][1].mean),
            after_target_percent=percent(sides[1][1].mean),
            change_percent=percent(changed.mean - shifts[0]),
            interval90_percent=interval,
            equivalent=outcome is Outcome.EQUIVALENT,
            outcome=outcome,
            after_mean_percent=percent(left.mean - shifts[1]),
            after_interval90_percent=of_left,
            after_outcome=outcome_of(*of_left, self._margin),
            same_sensor=None if node is None else self._same[node],
        )

    # Each run by itself, in the shared cells.

    def _side_estimates(self, which: int, node: int | None) -> tuple[Estimate, Estimate]:
        """The need of a node in one run, against peers and against the target."""
        if node is None:
            return _NOT_THERE, _NOT_THERE
        needs, own = self._sides[which], (self._placed.before, self._placed.after)[which]
        return needs.peers[own[node]], needs.target[own[node]]

    def _spread_of(self, which: int) -> Spread:
        """The spread of one run, of the cylinders that are compared."""
        nodes = self._nodes.tolist()
        found = spread([self._side_estimates(which, i)[0] for i in nodes])
        used = sum(len(self._of(i)) for i in nodes) if found.sensors_used else 0
        return replace(found, cylinders_used=used, of_cylinders=self._before.session.engine.cylinders)

    def _compared_cells(self) -> list[ComparedCell]:
        cells = dict.fromkeys(self._table.cells)
        known = np.isfinite(self._table.before)
        return [
            ComparedCell(
                cell.rpm,
                cell.load,
                float(np.exp(_level_of(self._before, cell))),
                float(np.exp(_level_of(self._after, cell))),
                int(known[[one == cell for one in self._table.cells]].sum()),
            )
            for cell in cells
        ]

    # Did the trims take.

    def _judge_effect(self) -> Effect:
        if self._trims is None or not len(self._nodes):
            return Effect()
        entered = self._entered()
        if not np.abs(entered).any():
            return Effect()
        errors = np.hypot(errors_by_all(self._changed.means, self._phi), self._own_errors)
        banks = self._banks()
        return judge_effect(
            Moves(-self._changed.mean, errors, entered), banks, self._closed_banks(banks, entered)
        )

    def _entered(self) -> Floats:
        """Change of ln(1 + trim) by node."""
        if self._trims is None:
            return np.zeros(len(self._placed.cylinders))
        ln = [np.log1p(np.array(side, np.float64) / 100) for side in self._trims]
        moved = ln[1] - ln[0]
        return np.array([float(np.mean([moved[c - 1] for c in own])) for own in self._placed.cylinders])

    def _banks(self) -> list[Ints]:
        """Compared nodes of each bank; all in one where the session has none."""
        told = self._before.session.engine.banks.values()
        banks = [
            np.array([i for i in self._nodes.tolist() if set(self._of(i)) <= set(bank)], np.int64)
            for bank in told
        ]
        whole = sorted(i for bank in banks for i in bank.tolist()) == sorted(self._nodes.tolist())
        return banks if banks and whole else [self._nodes]

    def _closed_banks(self, banks: Sequence[Ints], entered: Floats) -> list[bool]:
        """For each bank, whether its mean was held against the target."""
        estimates = [
            [self._side_estimates(which, node)[1] for node in range(len(entered))] for which in (0, 1)
        ]
        means, errors = (
            np.array([[getattr(e, name) for e in side] for side in estimates])
            for name in ("mean", "standard_error")
        )
        moved, error = means[1] - means[0], np.hypot(*errors)
        return [is_loop_closed(entered[bank], moved[bank], error[bank]) for bank in banks]

    def _name_effect(self, cylinder: int, one: NodeEffect) -> TrimEffect:
        verdict = one.verdict
        if one.appears_at is not None:
            verdict = note(EffectVerdict.WRONG_CYLINDER, appears_at=self._of(one.appears_at))
        return TrimEffect(cylinder, percent(one.entered), one.slope, one.interval95, verdict)

    # Notes.

    def _notes(self) -> list[Note]:
        return [
            *self._notes_on_cells(),
            *self._notes_on_sensors(),
            *self._notes_on_trims(),
            *self._notes_on_run(),
        ]

    def _notes_on_cells(self) -> list[Note]:
        notes = []
        shared = len(set(self._table.cells))
        if shared < 2:
            notes.append(note(ProofNote.ONE_CELL_SHARED if shared else ProofNote.NO_CELL_SHARED))
        if Cell(None, None) in self._table.cells:
            notes.append(note(ProofNote.ONE_CELL_FOR_ALL))
        moved = [
            (c, by)
            for c in self._compared_cells()
            if (by := abs(float(np.log(c.lambda_after / c.lambda_before)))) > _MIXTURE_MOVED
        ]
        if moved:
            notes.append(
                note(ProofNote.MIXTURE_MOVED, cells=len(moved), percent=100 * max(by for _, by in moved))
            )
        if apart := self._places_apart():
            rpm, load = np.max(apart, axis=0).tolist()
            notes.append(note(ProofNote.PLACES_DIFFER, cells=len(apart), rpm=rpm, load=load))
        if self._likeness > 0:
            notes.append(note(ProofNote.CELLS_ALIKE, phi=self._likeness))
        wanders = tuple(c for i in np.flatnonzero(self._wanders).tolist() for c in self._of(i))
        if wanders:
            notes.append(note(ProofNote.READINGS_WANDER, cylinders=wanders))
        sides = (self._before, self._after)
        short = tuple(one.name for one in sides if one.wander and one.wander.not_to_be_seen)
        if short:
            notes.append(note(ProofNote.WANDER_NOT_SEEN, runs=short, needed_s=SHORT_LOG_S))
        alone = [i for i in range(len(self._placed.cylinders)) if i not in self._nodes]
        if alone and len(self._nodes):
            notes.append(note(ProofNote.NOT_COMPARED, cylinders=tuple(c for i in alone for c in self._of(i))))
        return notes

    def _places_apart(self) -> list[tuple[float, float]]:
        """By how much speed and load differed within cells, where it is more than their bands."""
        rules = self._before.session.validity
        apart = []
        for cell in dict.fromkeys(self._table.cells):
            one, other = self._before.places.get(cell), self._after.places.get(cell)
            if one is not None and other is not None:
                rpm, load = (
                    0.0 if a is None or b is None else abs(a - b)
                    for a, b in ((one.rpm, other.rpm), (one.load, other.load))
                )
                if rpm > rules.rpm_band or load > rules.load_band:
                    apart.append((rpm, load))
        return apart

    def _notes_on_sensors(self) -> list[Note]:
        notes = []
        count = self._before.session.engine.cylinders
        both = {c for own in self._placed.cylinders for c in own}
        if missing := tuple(c for c in range(1, count + 1) if c not in both):
            notes.append(note(ProofNote.NODES_NOT_IN_BOTH, cylinders=missing))
        other = [i for i, same in enumerate(self._same) if same is False]
        unknown = [i for i, same in enumerate(self._same) if same is None]
        if other:
            notes.append(
                note(ProofNote.SENSORS_OTHER, cylinders=tuple(c for i in other for c in self._of(i)))
            )
        if unknown:
            notes.append(
                note(ProofNote.SERIALS_UNKNOWN, cylinders=tuple(c for i in unknown for c in self._of(i)))
            )
        notes += [
            note(ProofNote.LOOKS_EXCHANGED, cylinders=(*self._of(i), *self._of(j)))
            for i, j in self._find_exchanged()
        ]
        if differ := np.flatnonzero(np.abs(self._other_biases) > _SAME_LN).tolist():
            notes.append(
                note(
                    ProofNote.BIASES_DIFFER,
                    cylinders=tuple(c for i in differ for c in self._of(i)),
                    percent=percent(float(np.abs(self._other_biases).max())),
                )
            )
        if len(other) < len(self._same):
            notes.append(note(ProofNote.COMMON_BIAS_CANCELS))
        return notes

    def _find_exchanged(self) -> list[tuple[int, int]]:
        """Pairs of nodes that read after as the other did before, without a trim that would explain it."""
        margin, entered = float(np.log1p(self._margin / 100)), self._entered()
        after = self._left.mean
        before = after - self._changed.mean
        still = [i for i in self._nodes.tolist() if abs(entered[i]) < _SAME_LN]
        return [
            (i, j)
            for i, j in combinations(still, 2)
            if abs(before[i] - before[j]) > _EXCHANGED_APART * margin
            and max(abs(after[i] - before[j]), abs(after[j] - before[i])) < margin
        ]

    def _notes_on_trims(self) -> list[Note]:
        sides = (self._before, self._after)
        closed = tuple(one.name for one in sides if one.conditions.get(CLOSED_LOOP, 0.0) > _LOOP_SHARE)
        return [
            *([note(ProofNote.LOOP_REPORTED, runs=closed)] if closed else []),
            *self._notes_on_entries(),
        ]

    def _notes_on_entries(self) -> list[Note]:
        if self._trims is None:
            return [note(ProofNote.TRIMS_NOT_TOLD)]
        entered = self._entered()
        if not np.abs(entered).any():
            return [note(ProofNote.NO_TRIM_CHANGED)]
        if len(self._nodes) and any(self._closed_banks(self._banks(), entered)):
            return [note(ProofNote.LOOP_HELD_MEAN)]
        return []

    def _notes_on_run(self) -> list[Note]:
        conditions = compare_conditions(self._before.conditions, self._after.conditions)
        differ = tuple(one.quantity for one in conditions if one.alike is False)
        unknown = tuple(one.quantity for one in conditions if one.alike is None)
        notes = []
        begins = [side.begin_ns for side in (self._before, self._after)]
        if begins[0] is not None and begins[1] is not None and begins[0] - begins[1] > _ONE_MOMENT_NS:
            earlier = (begins[0] - begins[1]) / SECOND_NS
            notes.append(note(ProofNote.AFTER_IS_EARLIER, seconds=earlier))
        if differ:
            notes.append(note(ProofNote.CONDITIONS_DIFFER, quantities=differ))
        if unknown:
            notes.append(note(ProofNote.CONDITIONS_UNKNOWN, quantities=unknown))
        return notes


_NOT_THERE = Estimate(np.nan, np.nan, np.nan, 0.0)


def _interval_percent(mean: float, half: float) -> Interval:
    return percent(mean - half), percent(mean + half)


def _needs_of(side: RunSide, cells: Sequence[Cell]) -> Needs:
    """The needs of one run in the shared cells."""
    fits = [side.cells[cell] for cell in dict.fromkeys(cells)]
    return fit_needs(fits, side.charges, join_by_target=side.session.trims.join_by_target)


def _level_of(side: RunSide, cell: Cell) -> float:
    """Mean ln lambda of one run in a cell."""
    groups = side.cells[cell].groups
    return float(np.average([g.level for g in groups], weights=[g.batches for g in groups]))


def _same_sensors(before: RunSide, after: RunSide, placed: MatchedNodes) -> list[bool | None]:
    """Whether each node has the same sensor in both runs, by its serial; None where one is not told.

    Where serials are missing, sensors are taken to be where they were, and a note says so.
    """
    pairs = zip(placed.before.tolist(), placed.after.tolist(), strict=True)
    serials = [
        (before.session.chain.nodes[one].sensor, after.session.chain.nodes[other].sensor)
        for one, other in pairs
    ]
    return [first == second if first and second else None for first, second in serials]


def _find_wander(before: RunSide, after: RunSide, placed: MatchedNodes) -> Bools:
    """Nodes whose readings surely wander in one of the runs, bool[n]."""
    out = np.zeros(len(placed.cylinders), np.bool_)
    for side, own in ((before, placed.before), (after, placed.after)):
        if side.wander is not None:
            out |= side.wander.excess[own] > 0
    return out


def _bias_differences(before: RunSide, after: RunSide, placed: MatchedNodes) -> Floats:
    """By how much more the readings after were corrected for a known bias, ln lambda; float64[n]."""
    known = [np.nan_to_num(KnownBiases(side.session).percent) for side in (before, after)]
    out: Floats = np.log1p(known[1][placed.after] / 100) - np.log1p(known[0][placed.before] / 100)
    return out


def _sensor_errors(
    before: RunSide,
    after: RunSide,
    placed: MatchedNodes,
    same: Sequence[bool | None],
    other_biases: Floats,
) -> Floats:
    """What sensors do to each change, as a standard deviation: others than before, or otherwise corrected.

    other_biases: of the same sensors, what their corrections differ by; one or the other of them is wrong, or
        the sensor drifted, so that all of it may be an error: it is taken for a standard deviation.
    """
    errors = [_own_error(side) for side in (before, after)]
    others = np.array([one is False for one in same], np.bool_)
    corrected = NORMAL_95_SIX_DECIMALS * other_biases
    squares = np.where(others, errors[0][placed.before] ** 2 + errors[1][placed.after] ** 2, corrected**2)
    own = peer_error(np.sqrt(squares), after.charges[placed.after], np.ones(len(same), np.bool_))
    return own / NORMAL_95_SIX_DECIMALS


def _own_error(side: RunSide) -> Floats:
    """Half of the 95 % interval of each sensor's own error, in ln lambda."""
    levels = [_level_of(side, cell) for cell, fit in side.cells.items() if fit.groups]
    lam = float(np.exp(np.mean(levels))) if levels else 1.0
    known = KnownBiases(side.session).half
    usual = sensor_error_percent(side.session, np.full(len(known), lam))
    return np.log1p(np.where(np.isfinite(known), known, usual) / 100)
