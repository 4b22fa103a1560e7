"""Balance: what every cylinder needs, how sure that is, and what to do about it.

    rows -> Steady -> Dwell            batches of every cell
            JudgedCells                what the nodes read against each other in every cell
            fit_needs -> plan_trims    one need a node over the cells in use, and the trims to offer
            place_cell                 the needs in every cell, against the same reference
            Balance                    the same by cylinder and in percent of fuel, with flags and notes

`BalanceStage` keeps the batches and can be asked at any time; `Balance` and the classes in it are what it
answers; the spread of the cylinders, now and after the trims, stands at the end.

Invariants: needs are ln lambda by node until `_BalanceBuilder` makes them percent by cylinder. The answer
depends on the rows and events fed, not on how they were split or on when it was asked for before; only
`quick_result` may be behind, by `_PATIENCE`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain, combinations, compress
from math import fsum

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.cells import CellFit, JudgedCells, MisfireShare, misfire_shares
from mixmon.findings.balance.dwell import MASKED, Dwell, Mask
from mixmon.findings.balance.known import KnownBiases
from mixmon.findings.balance.limited import Limited, at_limit, find_limited, nearest_levels
from mixmon.findings.balance.needs import CellResult, Needs, fit_needs, place_cell
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.steps import shrink_to_median
from mixmon.findings.balance.total import TotalErrors
from mixmon.findings.balance.trims import TrimPlan, plan_trims
from mixmon.findings.balance.unlike import CellsCompared, Stays, compare_cells
from mixmon.findings.events.event import Event
from mixmon.findings.lags import Lags, node_lags
from mixmon.findings.stats import (
    BATCH_S,
    NO_ESTIMATE,
    NORMAL_95_SIX_DECIMALS,
    Estimate,
    longer,
    student_t95,
)
from mixmon.findings.wander import SHORT_LOG_S, WANTED_DWELLS, Wander
from mixmon.mixture.align import GRID_NS, ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.opening import Opening
from mixmon.mixture.steady import NOWHERE, Cell, Steady
from mixmon.note import Note, note
from mixmon.result import Result
from mixmon.session.charges import node_targets, reference_weights
from mixmon.session.entered import trims_held
from mixmon.session.evidence import (
    IdentityStanding,
    IdentityState,
    by_cylinders_seen,
    identity_standing,
)
from mixmon.session.injectors import sets_with_several_sensors
from mixmon.session.model import Session
from mixmon.session.observation import observation_of

_NOISE_DRAWS = 4000
"""Draws of a bootstrap: our choice; the ends of an interval then repeat within some percent of its width."""

_SAME_END = 0.001
"""Ends of a range that lie nearer in lambda are one: our choice, about the last digit of a gauge."""

_SEED = 20210
"""Our choice, any fixed number: the same data give the same interval."""

_SCALE_PERCENT = 20.0
"""Whole engine against target from which a wrong scale is likelier than such a mixture: our choice."""

_LEAST_PULL_S = 2.0
"""Seconds at full load without a dwell that are a log of pulls: our choice, one short pull."""

_LEAST_PART_LOAD_S = 20.0
"""Steady seconds that trims from part load need beside pulls: our choice, two dwells of ten seconds."""

_FULL_LOAD_CELL = 0.8
"""Part of the highest load from which a cell is one of full load: our choice."""

_TOLD_EXCESS = 0.002
"""Part of a need, ln lambda, that may be leaked air and counts: our choice, less than half a usual step."""

_MOST_SUSPECTS = 3
"""Suspects of which each may leak or not: our choice; more are eight spreads and more for one interval."""

_PATIENCE = 0.02
"""Part of itself by which a cell must grow before `quick_result` judges it again: our choice, so that a
screen's cost does not grow with the time watched."""

LOW_FLOW = "low flow"
LOW_LOAD = "low load"
BY_OPERATOR = "cell excluded by the operator"
LEAN_AT_LOW_FLOW = "cell with a leak's pattern"
OTHER_STAGE = "other injection stage"
"""Why steady time in a cell is not used for trims."""

Interval = tuple[float, float]
UNKNOWN_INTERVAL: Interval = (np.nan, np.nan)


@dataclass(frozen=True, slots=True)
class CylinderNeed:
    """One cylinder, all used cells together. Percent of fuel, positive = add fuel; NaN = not known.

    interval95_percent        how well the readings repeat
    total_interval95_percent  with the sensors' own errors as well (`findings.balance.total`)
    sensor_error_percent      half-width of the 95 % interval of its sensor's own error, percent of lambda
    """

    cylinder: int
    position: int
    sensor: str | None
    needs_percent: float
    interval95_percent: Interval
    usable_s: float
    effective_samples: float
    left_out_s: Mapping[str, float]
    trim_now_percent: float
    trim_new_percent: float
    flags: tuple[Note, ...]
    total_interval95_percent: Interval = UNKNOWN_INTERVAL
    sensor_error_percent: float = np.nan


@dataclass(frozen=True, slots=True)
class CellNeed:
    """One cylinder in one cell; the total half-width holds the sensors' own errors as well.

    half_interval_percent  where a suspect is left out of the mean, it reaches as far as the mean with it
    not_used_because  why it does not count for trims; None where it does
    """

    rpm: float | None
    load: float | None
    cylinder: int
    needs_percent: float
    half_interval_percent: float
    usable_s: float
    used_for_trims: bool
    total_half_interval_percent: float = np.nan
    not_used_because: str | None = None
    injection_stage: int | None = None


@dataclass(frozen=True, slots=True)
class CellSpread:
    """Largest less smallest need in one cell, of the cylinders that have an interval; two at least.

    usable_s        of the cylinder with the least
    used_for_trims  of any of them
    """

    rpm: float | None
    load: float | None
    spread_percent: float
    usable_s: float
    used_for_trims: bool
    injection_stage: int | None = None


@dataclass(frozen=True, slots=True)
class ReferenceCylinders:
    """The cylinders whose mean the needs are against.

    cylinders  measured, or carried
    left_out   all others of the engine: the mean is not that of the whole engine if there are any
    carried    those of `cylinders` that were not measured in this cell but are known from others
    suspect    those of `left_out` whose readings in this cell would spoil the mean, as a leak is suspected:
               they stand in it with what they need at most flow
    """

    cylinders: tuple[int, ...]
    left_out: tuple[int, ...]
    carried: tuple[int, ...] = ()
    suspect: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class EngineNeed:
    """The whole engine against the target in one cell.

    needs_percent  NaN where no target is known, where the mean is not that of the whole engine, and where
                   there is too little for an interval; where a leak is suspected, of the other cylinders,
                   with an interval that reaches as far as the mean of all
    lam            lambda of the cylinders of the reference
    """

    rpm: float | None
    load: float | None
    needs_percent: float
    half_interval_percent: float
    lam: float
    reference: ReferenceCylinders
    total_half_interval_percent: float = np.nan
    injection_stage: int | None = None


@dataclass(frozen=True, slots=True)
class BankNeed:
    """A bank's mean against the whole engine: a clue to fuel supply, exhaust or cams, not a trim.

    half_interval_percent  with the scatter of the cylinders within their banks: cylinders that have nothing
                           in common show that as well; NaN where no bank has two known cylinders
    cylinders              known ones
    """

    bank: str
    needs_percent: float
    half_interval_percent: float
    cylinders: int


@dataclass(frozen=True, slots=True)
class Spread:
    """Largest need less smallest, percent of fuel, with what it rests on.

    `total_interval95` holds the sensors' own errors as well. Cylinders that share a sensor are one reading.
    A range grows with the number of cylinders by itself: compare like with like.
    """

    value: float
    interval95: tuple[float, float]
    standard_deviation: float
    cylinders_used: int
    total_interval95: Interval = UNKNOWN_INTERVAL
    sensors_used: int = 0
    of_cylinders: int = 0


UNKNOWN_SPREAD = Spread(np.nan, (np.nan, np.nan), np.nan, 0)


@dataclass(frozen=True, slots=True)
class MisfireEffect:
    """What misfire does to one cylinder's trim: its share of the time used, and the numbers with it counted.

    events, missed_cycles  found in that time
    share_percent          of the cylinder's cycles
    left_out_s             around misfires and cuts
    lean_percent           by how much the missed cycles would raise the mean reading, least and most
    needs_percent, trim_new_percent            as offered, with the misfire left out
    needs_counted_percent, trim_counted_percent  with it counted; NaN where no trim could be made
    """

    cylinder: int
    events: int
    missed_cycles: int
    share_percent: float
    left_out_s: float
    lean_percent: Interval
    needs_percent: float
    needs_counted_percent: float
    trim_new_percent: float
    trim_counted_percent: float


@dataclass(frozen=True, slots=True)
class StagedNeeds:
    """What the cells of one injection stage say by themselves: 1 before the staging line, 2 beyond it.

    cells  of that stage, as they count for its own trims
    """

    injection_stage: int
    cylinders: tuple[CylinderNeed, ...]
    spread: Spread
    withheld: tuple[Note, ...]
    cells: tuple[CellNeed, ...] = ()


@dataclass(frozen=True, slots=True)
class StagingStep:
    """By how much a cylinder's need is higher beyond the staging line, against the middle of all; percent.

    half_interval_percent  95 %, of this cylinder by itself
    clear                  whether it is more than chance makes of as many cylinders
    at_line                of a clear one: whether it is more than what the needs change with speed and load
                           within the injection stages, taken on to the other side; None where not known
    """

    cylinder: int
    percent: float
    half_interval_percent: float
    clear: bool
    at_line: bool | None = None


@dataclass(frozen=True, slots=True, repr=False)
class Balance(Result):
    """What every cylinder needs, the spread, the trims, and how sure each number is.

    `withheld` holds the reasons for which no trims are offered; empty when they are.

    fuel_percent    what the new trims add to the engine's total fuel; NaN when none are offered
    predicted_in    the cell used for trims of which `predicted_spread` is, where all cells together do not
                    cover it; else None
    excluded_cells  cells with data that the operator has excluded
    reference       the cylinders whose mean the needs against peers are against; of the largest group
    injection_stage the one whose cells all is of; None where injection is not staged
    staged, staging_steps  both injection stages apart, and the steps at the line (`findings.balance.staged`)
    identity        what is known of the labels; without a proof, or a word for it, no trims are offered
    identity_own    fuel steps in the rows themselves show it
    groups          cylinders that can be compared with each other. With more than one group, each has a
                    reference of its own, and nothing is said across
    """

    against: str
    cylinders: tuple[CylinderNeed, ...]
    cells: tuple[CellNeed, ...]
    whole_engine: tuple[EngineNeed, ...]
    banks: tuple[BankNeed, ...]
    spread: Spread
    predicted_spread: Spread
    predicted_in: Cell | None
    predicted_by_cell: tuple[tuple[Cell, Spread], ...]
    fuel_percent: float
    withheld: tuple[Note, ...]
    notes: tuple[Note, ...]
    misfires: tuple[MisfireEffect, ...] = ()
    excluded_cells: tuple[Cell, ...] = ()
    cell_spreads: tuple[CellSpread, ...] = ()
    reference: ReferenceCylinders = ReferenceCylinders((), ())
    groups: tuple[tuple[int, ...], ...] = ()
    identity: IdentityState = IdentityState.UNPROVED
    identity_own: bool = False
    injection_stage: int | None = None
    staged: tuple[StagedNeeds, ...] = ()
    staging_steps: tuple[StagingStep, ...] = ()


def cell_spreads(cells: Sequence[CellNeed]) -> tuple[CellSpread, ...]:
    """The spread in each cell in which two cylinders or more have an interval."""
    places: dict[tuple[float | None, float | None, int | None], list[CellNeed]] = {}
    for cell in cells:
        if np.isfinite(cell.half_interval_percent):
            places.setdefault((cell.rpm, cell.load, cell.injection_stage), []).append(cell)
    return tuple(
        CellSpread(
            *place[:2],
            max(c.needs_percent for c in here) - min(c.needs_percent for c in here),
            min(c.usable_s for c in here),
            any(c.used_for_trims for c in here),
            place[2],
        )
        for place, here in places.items()
        if len(here) > 1
    )


@dataclass(frozen=True, slots=True)
class Dwelling:
    """The dwell under way.

    cell     cell number, NOWHERE if none
    still    rows for which the engine has been still there, at most those of the settle time
    waiting  rows of this visit that are in no counted batch yet
    judged   what the cell says so far; None if it holds no batch
    """

    cell: int
    still: int
    waiting: int
    judged: CellFit | None


class BalanceStage:
    """Takes every CylinderBlock of a run (or of several); `result` answers at the end, or meanwhile.

    Events that `EventStage` finds in the same rows go to `exclude`, whenever they are known.

    Args:
        session: the session whose nodes the rows are of.
        left_out: cylinders that are not counted.
        lag_s: sensor lag for all cylinders or by cylinder; see `node_lags`.
    """

    def __init__(
        self, session: Session, left_out: frozenset[int] = frozenset(), lag_s: Lags | None = None
    ) -> None:
        self.session = self._declared = session
        self._mask = Mask(node_lags(session.chain.nodes, lag_s).max(axis=0), session.engine.strokes)
        self._nodes = session.chain.nodes
        self.left_out = np.array([bool(left_out & set(n.cylinders)) for n in self._nodes])
        self._steady = Steady(session.axes, session.validity, session.injection.staging)
        self.excluded_cells: set[Cell] = set()
        self.grid = self._steady.grid
        self._dwell = Dwell(len(self._nodes))
        self.weights = reference_weights(session)
        self.own_targets = node_targets(session)
        self.standing = identity_standing(session)
        self._cells = JudgedCells(self._dwell, ~self.left_out, self._mask)
        self._stays = Stays(self._cells, self.weights)
        self._opening = Opening(session.axes)
        self._pulled_rows = 0
        self._ends: dict[str, Floats] = {}
        self.known_biases = KnownBiases(session)
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    def feed(self, block: CylinderBlock) -> None:
        """Takes rows of one stretch of time."""
        if len(block):
            self.first_ns = int(block.t[0]) if self.first_ns is None else self.first_ns
            self.last_ns = int(block.t[-1])
            self._ends = {name: block.aux[name][-1] for name in ("rich_end", "lean_end") if name in block.aux}
        block = self.known_biases.correct(block.with_one_target())
        cell = self._steady.feed(block)
        self._dwell.feed(block, cell)
        full = self._opening.now(block) >= self._opening.full_from(block.now)
        self._pulled_rows += int(np.count_nonzero(full & (cell == NOWHERE)))

    def take_standing(self, standing: IdentityStanding) -> None:
        """Takes what steps in the rows themselves say of the labels; nodes go by the cylinders that they see.

        `session` is the declared one with these cylinders from then on.
        """
        if standing == self.standing:
            return
        self.standing = standing
        self.session = by_cylinders_seen(self._declared, standing)
        self._nodes = self.session.chain.nodes
        self.weights = reference_weights(self.session)
        self._stays = Stays(self._cells, self.weights)

    @property
    def wander(self) -> Wander:
        """How much the nodes wander by themselves, by the last result."""
        return self._cells.wander

    @property
    def session_held(self) -> Session:
        """The session with the trims that the engine control held while the rows were made."""
        held = trims_held(self.session, self.first_ns)
        return replace(self.session, trims=replace(self.session.trims, now_percent=held.percent))

    def _block_changed_trims(self) -> tuple[Note, ...]:
        """Why no trims are offered: they were changed between the first row and the last."""
        first, last = (trims_held(self.session, t) for t in (self.first_ns, self.last_ns))
        if first.after == last.after and first.entry == last.entry:
            return ()
        changed = last.entry or first.entry
        return (note(BalanceNote.TRIMS_CHANGED_BETWEEN, log="" if changed is None else changed.log),)

    def notes_on_entries(self) -> tuple[Note, ...]:
        """Where the trims of now come from, if not from the session, and what is against them."""
        held = trims_held(self.session, self.first_ns)
        if held.undated:
            return (note(BalanceNote.ENTRIES_NOT_PLACED),)
        if held.entry is None:
            return ()
        code = BalanceNote.TRIMS_AGAINST_ENTRY if held.against else BalanceNote.TRIMS_NOW_FROM_ENTRY
        one = held.entry
        percent = one.after if held.after else one.before
        values = {"log": one.log, "entered_at": one.entered_at, "by": one.by, "after": held.after}
        return (note(code, **values, entry_percent=percent),)

    def found_ends(self, node: int) -> list[float]:
        """Ends of a node's range in lambda that its readings show and the session does not tell."""
        rules = self.session.validity
        told = {"rich_end": rules.rich_limit, "lean_end": rules.lean_limit}
        ends = {name: float(column[node]) for name, column in self._ends.items()}
        return [end for name, end in ends.items() if abs(end - told[name]) > _SAME_END]

    @property
    def cuts_unknown_s(self) -> float:
        """Seconds in cells that do not count because fuel and spark cuts were no longer reported."""
        return self._steady.cuts_unknown * GRID_NS / 1e9

    def exclude(self, events: Iterable[Event]) -> None:
        """Excludes what was read around misfires and cuts, counted already or still to come."""
        self._mask.add(events)

    def result(self, against: str = "peers", gaps: tuple[Note, ...] = ()) -> Balance:
        """The balance of the rows so far.

        Args:
            against: "peers" or "target": the reference of the needs shown. Trims are always
                against peers, so that they leave the engine's total fuel alone.
            gaps: what could not be done because something is missing; the first of the notes.
        """
        return self._start_builder(against, 0.0, self.first_stage).build(gaps)

    def result_of_stage(self, injection_stage: int) -> Balance:
        """The balance of the cells of one injection stage alone; see `findings.balance.staged`."""
        return self._start_builder("peers", 0.0, injection_stage).build((), by_cell=False)

    @property
    def injection_stages(self) -> tuple[int, ...]:
        """The injection stages in which anything was counted; none where injection is not staged."""
        heard = {self.grid.cell(number).injection_stage for number in self._dwell.counts}
        return tuple(sorted(stage for stage in heard if stage is not None))

    @property
    def first_stage(self) -> int | None:
        """The injection stage that the balance is of; None where injection is not staged."""
        return next(iter(self.injection_stages), None)

    @property
    def near_line_s(self) -> float:
        """Seconds in cells that do not count because they are too near to the staging line."""
        return self._steady.near_line * GRID_NS / 1e9

    def quick_result(self, against: str = "peers", gaps: tuple[Note, ...] = ()) -> Balance:
        """The same as `result`, for a screen: at a cost that does not grow with the time watched.

        A cell is judged again once it has grown by `_PATIENCE` of itself. `predicted_by_cell`, which takes
        thousands of draws a cell, and `misfires` stay empty.
        """
        return self._start_builder(against, _PATIENCE, self.first_stage).build(gaps, by_cell=False)

    @property
    def counted(self) -> bool:
        """Whether any steady time has been counted yet."""
        return bool(self._dwell.counts)

    def dwelling(self) -> Dwelling:
        """The dwell under way, for a screen."""
        cell, rows = self._steady.newest_cell()
        judged = self._cells.fit(cell, _PATIENCE) if cell in self._dwell.counts else None
        return Dwelling(cell, rows, self._dwell.waiting, judged)

    def _start_builder(self, against: str, patience: float, stage: int | None) -> _BalanceBuilder:
        """stage: the injection stage whose cells count; None where injection is not staged."""
        fits, alone, compared = self._compare_cells(patience, stage)
        used = [c for c, serves in zip(fits, compared.serves, strict=True) if serves]
        needs = self._fit_needs(used)
        cells = [
            self._place(fit, needs) if serves else self._spare(by_itself, suspects)
            for fit, by_itself, serves, suspects in zip(
                fits, alone, compared.serves, compared.suspects, strict=True
            )
        ]
        needs = compared.widen(needs)
        serving = zip(cells, compared.serves.tolist(), strict=True)
        limited = self._find_limited([c for c, serves in serving if serves], needs)
        shares = misfire_shares(self._mask, [self._dwell.table(c.cell) for c in used])
        blocked = (
            *_block_by_identity(self.standing),
            *self._block_unused(fits, compared.serves, stage),
            *self._misfire_blocks(shares),
            *self._block_separate_groups(needs, used),
            *self._block_limited(limited),
            *compared.withheld,
            *self._block_pulls(used),
            *self._block_changed_trims(),
        )
        plan = plan_trims(self.session_held, compared.still(needs.peers), blocked)
        effects = self._misfire_effects(shares, used, needs, plan) if shares and not patience else ()
        return _BalanceBuilder(
            self,
            against,
            cells,
            needs,
            plan,
            compared=compared,
            limited=limited,
            misfires=effects,
            injection_stage=stage,
        )

    def compared(self) -> tuple[list[Cell], list[CellResult], CellsCompared]:
        """Every cell so far, its needs against its own mean, and what the cells say together."""
        fits, alone, compared = self._compare_cells(0.0, self.first_stage)
        return [self.grid.cell(fit.cell) for fit in fits], alone, compared

    def cells_used(self, *, every_stage: bool = False) -> dict[Cell, CellFit]:
        """What each cell that counts for trims says by itself, so far.

        every_stage  also those of the second injection stage, which count for trims of their own
        """
        stages = self.injection_stages if every_stage else ()
        found: dict[Cell, CellFit] = {}
        for stage in stages or (self.first_stage,):
            fits, _, compared = self._compare_cells(0.0, stage)
            serving = zip(fits, compared.serves.tolist(), strict=True)
            found |= {self.grid.cell(fit.cell): fit for fit, serves in serving if serves}
        return found

    def _compare_cells(
        self, patience: float, stage: int | None
    ) -> tuple[list[CellFit], list[CellResult], CellsCompared]:
        """Every cell by itself, its needs against its own mean, and whether those of the stage are alike."""
        fits = self._cells.fits(lambda number: self.used(number, stage), patience)
        alone = [place_cell(c, None, self.weights) for c in fits]
        stages = [self.grid.cell(c.cell).injection_stage for c in fits]
        inside = np.array([one == stage for one in stages], np.bool_)
        kept = list(compress(fits, inside))
        may_serve = np.array([self.used(c.cell, stage) for c in kept], np.bool_)
        compared = compare_cells(
            self.session, self.grid, list(compress(alone, inside)), may_serve, self._stays.of(kept)
        )
        return fits, alone, compared.among(inside, alone)

    def _fit_needs(self, used: Sequence[CellFit]) -> Needs:
        return fit_needs(used, self.weights, join_by_target=self.session.trims.join_by_target)

    def _place(self, cell: CellFit, needs: Needs) -> CellResult:
        return place_cell(cell, needs, self.weights, self._log_ends())

    def _spare(self, cell: CellResult, suspects: Floats) -> CellResult:
        """A cell that counts for no trim, against a mean without what a suspected leak adds to it."""
        return place_cell(cell.fit, None, self.weights, spoilt=suspects) if suspects.any() else cell

    def _log_ends(self) -> Floats:
        """Ln lambda of the rich and the lean end of each node's range, as told or found, float64[2, n].

        Over its own target, as all readings are here.
        """
        rules, count = self.session.validity, len(self._nodes)
        told = {"rich_end": rules.rich_limit, "lean_end": rules.lean_limit}
        ends = [(self._ends.get(name, np.full(count, np.nan)), end) for name, end in told.items()]
        out: Floats = np.log([np.where(np.isfinite(found), found, end) for found, end in ends])
        return out - np.log(self.own_targets)

    def _find_limited(self, used: Sequence[CellResult], needs: Needs) -> Limited:
        """The nodes that have no need because they stood at a limit in the cells used."""
        ends = self._log_ends()
        touched = [c for c in used if at_limit(c.fit).any()]
        nearest = [nearest_levels(c.fit, self._cells.table(c.cell), ends) for c in touched]
        return find_limited(touched, nearest, needs, ~self.left_out, self.weights)

    def cylinders_of(self, nodes: Iterable[int]) -> tuple[int, ...]:
        """The cylinders that nodes speak for, in order."""
        return tuple(sorted(c for node in nodes for c in self._nodes[node].cylinders))

    def _block_unused(self, fits: Sequence[CellFit], serves: Bools, stage: int | None) -> tuple[Note, ...]:
        """Why no trims are offered: all that was heard was heard in cells that are not used for them."""
        heard = [fit for fit in fits if fit.usable_s.any()]
        if not heard or serves.any():
            return ()
        reasons = tuple(
            dict.fromkeys(self.why_not_used(fit.cell, stage) or LEAN_AT_LOW_FLOW for fit in heard)
        )
        return (note(BalanceNote.NO_CELL_USED, reasons=reasons),)

    def _block_separate_groups(self, needs: Needs, used: Sequence[CellFit]) -> tuple[Note, ...]:
        """Why no trims are offered: cylinders that were never compared with each other.

        `by_target` says whether the target could join them: it is known while two of the groups or more were
        heard, each of several cylinders.
        """
        groups = [nodes.tolist() for nodes in needs.groups] or self._heard_alone(used)
        if len(groups) < 2:
            return ()
        with_target = [
            nodes for nodes in needs.groups if all(np.isfinite(needs.target[i].half) for i in nodes)
        ]
        return (
            note(
                BalanceNote.GROUPS_NOT_COMPARED,
                groups=tuple(self.cylinders_of(nodes) for nodes in groups),
                by_target=len(with_target) > 1,
                join_by_target=self.session.trims.join_by_target,
            ),
        )

    @staticmethod
    def _heard_alone(used: Sequence[CellFit]) -> list[list[int]]:
        """Nodes that were measured, but never together with another; each by itself."""
        groups = [group.nodes.tolist() for cell in used for group in cell.groups]
        together = {node for nodes in groups if len(nodes) > 1 for node in nodes}
        return [[node] for node in sorted({node for nodes in groups for node in nodes} - together)]

    def _block_limited(self, limited: Limited) -> tuple[Note, ...]:
        """Why no trims are offered: cylinders of which only the side is known pull the mean without bound."""
        return (note(BalanceNote.CYLINDERS_AT_LIMIT, **self.name_limited(limited)),) if limited.any else ()

    def name_limited(self, limited: Limited) -> dict[str, tuple[int, ...]]:
        """The cylinders at the rich and at the lean limit, for a note."""
        return {"rich": self.cylinders_of(limited.rich), "lean": self.cylinders_of(limited.lean)}

    def _block_pulls(self, used: list[CellFit]) -> tuple[Note, ...]:
        """Why no trims are offered: little steady time at part load, in a log of pulls."""
        full = _FULL_LOAD_CELL * max(self.session.axes.load, default=0.0)
        loads = [self.grid.cell(c.cell).load for c in used]
        if not used or any(load is None or load >= full for load in loads):
            return ()
        used_s = float(np.sum([c.usable_s for c in used], axis=0).max())
        pulled_s = self._pulled_rows * GRID_NS / 1e9
        if pulled_s < _LEAST_PULL_S or used_s >= _LEAST_PART_LOAD_S:
            return ()
        return (note(BalanceNote.PULLS_WITHOUT_DWELLS, used_s=used_s, pulled_s=pulled_s),)

    def _misfire_blocks(self, shares: list[MisfireShare]) -> tuple[Note, ...]:
        """Why no trims are offered: misfire that is frequent."""
        return tuple(
            note(
                BalanceNote.FREQUENT_MISFIRE,
                cylinders=self._nodes[s.node].cylinders,
                events=s.events,
                used_s=s.steady_s,
                share_percent=100 * s.share,
                lean_least_percent=s.lean_percent[0],
                lean_most_percent=s.lean_percent[1],
            )
            for s in shares
            if s.frequent
        )

    def _misfire_effects(
        self, shares: list[MisfireShare], used: list[CellFit], needs: Needs, plan: TrimPlan
    ) -> tuple[MisfireEffect, ...]:
        """The nodes that misfired, with needs and trims as they would be with the misfire counted."""
        counted = self._fit_needs(
            [self._cells.with_misfires(c.cell) if c.masked_s.any() else c for c in used]
        )
        wrong = plan_trims(self.session_held, counted.peers)
        return tuple(
            MisfireEffect(
                cylinder=cylinder,
                events=s.events,
                missed_cycles=s.cycles,
                share_percent=100 * s.share,
                left_out_s=s.masked_s,
                lean_percent=s.lean_percent,
                needs_percent=percent(needs.peers[s.node].mean),
                needs_counted_percent=percent(counted.peers[s.node].mean),
                trim_new_percent=plan.new[cylinder - 1],
                trim_counted_percent=wrong.new[cylinder - 1],
            )
            for s in shares
            for cylinder in self._nodes[s.node].cylinders
        )

    def judge(self, cell: Cell, *, keep: bool) -> None:
        """Excludes the cell from needs and trims, as the operator decided; with `keep`, counts it again."""
        if keep:
            self.excluded_cells.discard(cell)
        else:
            self.excluded_cells.add(cell)

    def used(self, number: int, injection_stage: int | None = None) -> bool:
        """Whether the cell of that number may count for trims; readings are shown in any case."""
        return self.why_not_used(number, injection_stage) is None

    def why_not_used(self, number: int, injection_stage: int | None = None) -> str | None:
        """Why the cell of that number cannot count for trims, by the session or the operator; None if it can.

        The zone of reversion and leaks, loads below `[trims] load_from`, and cells that the operator has
        excluded do not.
        """
        rules, mask = self.session.trims, self.session.validity.low_flow_mask
        cell = self.grid.cell(number)
        if Cell(cell.rpm, cell.load) in self.excluded_cells:
            return BY_OPERATOR
        if injection_stage is not None and cell.injection_stage != injection_stage:
            return OTHER_STAGE
        if cell.load is None:
            return None
        if mask and cell.rpm is not None and cell.rpm < mask.rpm_below and cell.load < mask.load_below:
            return LOW_FLOW
        return LOW_LOAD if rules.load_from is not None and cell.load < rules.load_from else None

    def left_out_s(
        self, cells: Sequence[CellResult], not_used: Sequence[str | None]
    ) -> list[dict[str, float]]:
        """For every node, seconds that were not counted, by reason.

        cells     all results so far
        not_used  why each of them does not count for trims; None where it does
        """
        out = self._dwell.left_out_s()
        for cell, reason in zip(cells, not_used, strict=True):
            lost = {MASKED: cell.fit.masked_s} | ({} if reason is None else {reason: cell.fit.usable_s})
            for word, seconds in lost.items():
                for node in np.flatnonzero(seconds).tolist():
                    out[node][word] = round(out[node].get(word, 0.0) + float(seconds[node]), 2)
        return out


def _block_by_identity(standing: IdentityStanding) -> tuple[Note, ...]:
    """Why no trims are offered: labels are not proved, or proved wrong."""
    if standing.state is IdentityState.DISPROVED:
        return (note(BalanceNote.IDENTITY_DISPROVED, labels=standing.odd, in_this_log=standing.own),)
    if standing.state is IdentityState.UNPROVED:
        values = {"changed_positions": standing.changed, "open_positions": standing.open}
        return (note(BalanceNote.IDENTITY_NOT_PROVED, **values),)
    return ()


class _BalanceBuilder:
    """Makes a `Balance` of the stage's results: cylinders from nodes, percent from ln, flags and notes."""

    def __init__(
        self,
        stage: BalanceStage,
        against: str,
        cells: list[CellResult],
        needs: Needs,
        plan: TrimPlan,
        *,
        compared: CellsCompared,
        limited: Limited,
        misfires: tuple[MisfireEffect, ...],
        injection_stage: int | None,
    ) -> None:
        self._injection_stage = injection_stage
        self._stage, self._session, self._grid = stage, stage.session, stage.grid
        self._against, self._cells, self._fitted, self._plan = against, cells, needs, plan
        self._compared, self._limited = compared, limited
        self._used = compared.serves.tolist()
        self._cells_used = [c for c, is_used in zip(cells, self._used, strict=True) if is_used]
        self._needs = needs.peers if against == "peers" else needs.target
        self._not_used = [
            None if is_used else stage.why_not_used(c.cell, injection_stage) or LEAN_AT_LOW_FLOW
            for c, is_used in zip(cells, self._used, strict=True)
        ]
        self._left_out = stage.left_out_s(cells, self._not_used)
        self._cuts_unknown_s = stage.cuts_unknown_s
        self._excluded_cells = [
            place
            for place in dict.fromkeys(
                Cell(at.rpm, at.load) for at in map(self._grid.cell, (c.cell for c in cells))
            )
            if place in stage.excluded_cells
        ]
        self._misfires = misfires
        self._total = TotalErrors(
            stage.session, stage.weights, cells, self._used, against, own_targets=stage.own_targets
        )
        self._total_needs = self._total.needs(self._needs)

    def build(self, gaps: tuple[Note, ...], *, by_cell: bool = True) -> Balance:
        peers = self._fitted.peers
        by_cell_predicted = self._predict_by_cell(self._cells if by_cell else self._find_worst_cell())
        cells, alone = tuple(self._cell_needs()), self._total.alone(peers)
        predicted, worst = self._predict_spread(by_cell_predicted, alone)
        return Balance(
            against=self._against,
            cylinders=tuple(self._cylinder_need(c) for c in range(1, self._session.engine.cylinders + 1)),
            cells=cells,
            whole_engine=tuple(self._engine_needs()),
            banks=tuple(self._bank_needs()),
            spread=self._count_cylinders(self._with_total(spread(peers), spread(alone)), peers),
            predicted_spread=self._count_cylinders(predicted, peers),
            predicted_in=worst,
            predicted_by_cell=tuple(by_cell_predicted.values()) if by_cell else (),
            fuel_percent=self._plan.fuel_percent,
            withheld=self._plan.withheld,
            notes=(
                *self._notes_on_identity(),
                *gaps,
                *self._stage.known_biases.notes(),
                *self._stage.notes_on_entries(),
                *self._plan.notes,
                *self._notes_on_result(),
            ),
            misfires=self._misfires,
            excluded_cells=tuple(self._excluded_cells),
            cell_spreads=self._cell_spreads(cells),
            reference=self._reference(self._largest_group),
            groups=tuple(self._stage.cylinders_of(nodes.tolist()) for nodes in self._fitted.groups),
            identity=self._stage.standing.state,
            identity_own=self._stage.standing.own,
            injection_stage=self._injection_stage,
        )

    def _count_cylinders(self, found: Spread, needs: Sequence[Estimate]) -> Spread:
        """The spread, with the cylinders that its sensors see, of all that the engine has."""
        known = [i for i, one in enumerate(needs) if np.isfinite(one.half)] if found.sensors_used else []
        used, every = len(self._stage.cylinders_of(known)), self._session.engine.cylinders
        return replace(found, cylinders_used=used, of_cylinders=every)

    def _cell_spreads(self, cells: Sequence[CellNeed]) -> tuple[CellSpread, ...]:
        """The spread in each cell whose cylinders are against one mean."""
        one = [self._grid.cell(c.cell) for c in self._cells if self._one_mean(c)]
        return cell_spreads(
            [need for need in cells if Cell(need.rpm, need.load, need.injection_stage) in one]
        )

    def _with_total(self, repeats: Spread, total: Spread) -> Spread:
        """The first, with the interval of the second as its total one; none for cylinders never compared.

        The total one holds that of repeatability: noise of the sensors' own makes a drawn range larger, and
        moved the lower end past the value itself.
        """
        if self._apart:
            return UNKNOWN_SPREAD
        (low, high), (total_low, total_high) = repeats.interval95, total.interval95
        return replace(repeats, total_interval95=(min(low, total_low), max(high, total_high)))

    @property
    def _apart(self) -> bool:
        """Whether there are cylinders that were never compared with each other."""
        return len(self._fitted.groups) > 1

    @property
    def _largest_group(self) -> list[int]:
        groups = [nodes.tolist() for nodes in self._fitted.groups]
        longest = max(map(len, groups), default=0)
        return next((nodes for nodes in groups if len(nodes) == longest), [])

    def _reference(self, nodes: Iterable[int], carried: Iterable[int] = ()) -> ReferenceCylinders:
        cylinders = self._stage.cylinders_of(nodes)
        everyone = range(1, self._session.engine.cylinders + 1)
        left_out = tuple(c for c in everyone if c not in cylinders)
        return ReferenceCylinders(cylinders, left_out, self._stage.cylinders_of(carried))

    def _find_worst_cell(self) -> list[CellResult]:
        """The cell used for trims whose needs lie farthest apart once the trims are in; empty without one."""
        used = self._cells_used
        if not used:
            return []
        needs = np.array([[e.mean if np.isfinite(e.half) else np.nan for e in c.peers] for c in used])
        left = needs - self._plan.moves
        apart = np.fmax.reduce(left, axis=1) - np.fmin.reduce(left, axis=1)
        return [used[int(np.argmax(np.nan_to_num(apart, nan=-1.0)))]]

    def _predict_by_cell(self, cells: list[CellResult]) -> dict[int, tuple[Cell, Spread]]:
        """The spread to expect in each of the cells, by number."""
        numbers = [c.cell for c in self._cells]
        return {
            c.cell: (
                self._grid.cell(c.cell),
                self._predict_in_cell(numbers.index(c.cell)) if self._all_known(c) else UNKNOWN_SPREAD,
            )
            for c in cells
        }

    def _predict_in_cell(self, index: int) -> Spread:
        """The spread to expect in a cell; its interval holds what leaks change.

        What falls with the flow as a leak does may be outside air, all of it, none, or what brings its
        cylinder nearest to the others; what the suspects need that the mean is without is then not known.
        """
        moves, peers, needs = self._plan.moves, self._fitted.peers, self._cells[index].expected
        read = predicted_spread(needs, moves, peers)
        excess, spared = self._compared.excess[index], self._cells[index].spared
        likely = [i for i in np.argsort(-excess).tolist() if excess[i] > _TOLD_EXCESS][:_MOST_SUSPECTS]
        if not likely:
            return read
        nearest = _nearest_to_others(needs, moves, np.where(np.isin(range(len(excess)), likely), excess, 0.0))
        ends = [read.interval95, predicted_spread(nearest, moves, peers).interval95]
        for out in chain.from_iterable(combinations(likely, k + 1) for k in range(len(likely))):
            ways = [[replace(e, mean=e.mean - float(excess[i])) for i, e in enumerate(needs)]]
            ways += [[NO_ESTIMATE] * len(needs)] if spared[list(out)].any() else []
            for way in ways:
                mixed = [way[i] if i in out else e for i, e in enumerate(needs)]
                ends.append(predicted_spread(mixed, moves, peers).interval95)
        low, high = zip(*ends, strict=True)
        return replace(read, interval95=(min(low), max(high)))

    def _all_known(self, cell: CellResult) -> bool:
        """Whether a cell tells of every cylinder that is known at all: a missing one may be the worst."""
        known = {i for c in self._cells for i, e in enumerate(c.peers) if np.isfinite(e.half)}
        return self._one_mean(cell) and all(np.isfinite(cell.expected[i].half) for i in known)

    def _one_mean(self, cell: CellResult) -> bool:
        """Whether all cylinders of a cell are against one mean, so that their needs can be compared."""
        return cell.one_reference and not self._apart

    def _predict_spread(
        self, by_cell: dict[int, tuple[Cell, Spread]], alone: Sequence[Estimate]
    ) -> tuple[Spread, Cell | None]:
        """The spread to expect over all cells; that of the worst cell, where all together do not cover it.

        alone  the needs with the errors of their own sensors, for the total interval
        """
        moves = self._plan.moves
        whole = self._with_total(predicted_spread(self._fitted.peers, moves), predicted_spread(alone, moves))
        used = {c.cell for c in self._cells_used}
        known = [one for number, one in by_cell.items() if number in used and np.isfinite(one[1].value)]
        worst = max(known, key=lambda one: one[1].value, default=None)
        if worst is None or not (
            worst[1].value > whole.interval95[1] or worst[1].interval95[0] > whole.value
        ):
            return whole, None
        low = min(whole.interval95[0], worst[1].interval95[0])
        high = max(one[1].interval95[1] for one in known)
        total = (min(low, whole.total_interval95[0]), max(high, whole.total_interval95[1]))
        return replace(worst[1], interval95=(low, high), total_interval95=total), worst[0]

    def _node_of(self, cylinder: int) -> int | None:
        for index, node in enumerate(self._session.chain.nodes):
            if cylinder in node.cylinders:
                return index
        return None

    def _cylinder_need(self, cylinder: int) -> CylinderNeed:
        node = self._node_of(cylinder)
        now, new = self._plan.now[cylinder - 1], self._plan.new[cylinder - 1]
        if node is None:
            gone = (np.nan, np.nan)
            flags = (note(BalanceNote.NO_SENSOR),)
            return CylinderNeed(cylinder, 0, None, np.nan, gone, 0.0, 0.0, {}, now, now, flags)
        need, chained = self._needs[node], self._session.chain.nodes[node]
        low, high = need.interval
        total = self._total_needs[node].interval
        used = self._cells_used
        return CylinderNeed(
            cylinder=cylinder,
            position=chained.position,
            sensor=chained.sensor,
            needs_percent=percent(need.mean),
            interval95_percent=(percent(low), percent(high)),
            usable_s=fsum(c.fit.usable_s[node] for c in used),
            effective_samples=self._count_effective_samples(node, used),
            left_out_s=self._left_out[node],
            trim_now_percent=now,
            trim_new_percent=new,
            flags=(*self._flag_cylinder(cylinder, node), *self._flag_trim(cylinder, node)),
            total_interval95_percent=(percent(total[0]), percent(total[1])),
            sensor_error_percent=float(self._total.own_percent[node]),
        )

    def _count_effective_samples(self, node: int, used: list[CellResult]) -> float:
        """Independent single readings that the mean is worth: scatter over squared standard error.

        What all cylinders do together is in the scatter and costs a need against peers no precision, so that
        the ratio can exceed the number of rows; no mean is worth more readings than it was made of.
        """
        need = self._needs[node]
        seconds = np.array([c.fit.usable_s[node] for c in used])
        if not seconds.sum() or not need.standard_error > 0:
            return 0.0
        scatter = float(np.average([c.fit.scatter[node] for c in used], weights=seconds))
        return min(scatter / need.standard_error**2, float(seconds.sum()) / ROW_S)

    def _flag_cylinder(self, cylinder: int, node: int) -> list[Note]:
        flags = []
        others = tuple(c for c in self._session.chain.nodes[node].cylinders if c != cylinder)
        if others:
            flags.append(note(BalanceNote.SHARED_SENSOR, with_cylinders=others))
        if self._stage.left_out[node]:
            flags.append(note(BalanceNote.LEFT_OUT_AS_ASKED))
        elif not np.isfinite(self._needs[node].half):
            flags.append(self._note_unknown(node))
        limits = {BalanceNote.AT_RICH_LIMIT: "at_rich", BalanceNote.AT_LEAN_LIMIT: "at_lean"}
        for code, share in limits.items():
            limited = [c for c in self._cells if c.censored(node) and getattr(c.fit, share)[node] > 0]
            if limited:
                flags.append(note(code, cells=len(limited)))
        stuck = sum(bool(c.fit.stuck[node]) for c in self._cells)
        if stuck:
            flags.append(note(BalanceNote.STANDS_STILL, cells=stuck))
        flags += [note(BalanceNote.RANGE_ENDS_HERE, lam=end) for end in self._stage.found_ends(node)]
        flags += self._flag_wander(node)
        flags += self._flag_group(node)
        flags += self._compared.flags[node]
        left, used = self._left_out[node], fsum(c.fit.usable_s[node] for c in self._cells)
        if left.get(SampleState.HELD.word, 0.0) > max(used, 1.0):
            flags.append(note(BalanceNote.SENDS_TOO_SELDOM))
        flags += self._flag_misfire(cylinder)
        outliers = int(sum(c.fit.outliers[node] for c in self._cells))
        if outliers:
            flags.append(note(BalanceNote.OUTLIERS_EXCLUDED, seconds=outliers * BATCH_S))
        return flags

    def _flag_trim(self, cylinder: int, node: int) -> tuple[Note, ...]:
        """What there is to know about the trim; of a need that moves, that it is known and not followed."""
        flags = self._plan.flags[cylinder - 1]
        if not self._compared.moving[node]:
            return flags
        kept = [one for one in flags if one.code is not BalanceNote.TRIM_KEPT]
        return (note(BalanceNote.TRIM_KEPT_MOVING), *kept)

    def _flag_wander(self, node: int) -> list[Note]:
        """That a reading wanders by itself, and whether its visits show how far."""
        wander = self._stage.wander
        if wander.guessed[node]:
            dwell_s = wander.longest_s
            return [note(BalanceNote.WANDERS_SLOWLY, dwell_s=dwell_s, wanted_s=WANTED_DWELLS * dwell_s)]
        return [note(BalanceNote.WANDERS_BETWEEN_VISITS)] if wander.excess[node] > 0 else []

    def _note_unknown(self, node: int) -> Note:
        """Why a node has no need, although cells that do not count for trims may tell one."""
        reasons = tuple(
            dict.fromkeys(
                reason
                for cell, reason in zip(self._cells, self._not_used, strict=True)
                if reason is not None and np.isfinite(self._of_cell(cell)[node].half)
            )
        )
        if reasons:
            return note(BalanceNote.ONLY_IN_CELLS_NOT_USED, reasons=reasons)
        return note(BalanceNote.TOO_LITTLE_DATA)

    def _of_cell(self, cell: CellResult) -> tuple[Estimate, ...]:
        """The needs of the nodes in a cell, against what was asked for."""
        return cell.peers if self._against == "peers" else cell.target

    def _flag_group(self, node: int) -> list[Note]:
        """With which cylinders this one was compared, where there are others with which it was not."""
        own = next((nodes for nodes in self._fitted.groups if node in nodes), None)
        if not self._apart or own is None or self._against != "peers":
            return []
        return [note(BalanceNote.COMPARED_WITHIN_GROUP, cylinders=self._stage.cylinders_of(own.tolist()))]

    def _flag_misfire(self, cylinder: int) -> list[Note]:
        """What was excluded as misfire, with needs and trims where it would move them by half a step."""
        effect = next((m for m in self._misfires if m.cylinder == cylinder), None)
        if effect is None:
            return []
        values: dict[str, float] = {"missed_cycles": effect.missed_cycles, "events": effect.events}
        moved = abs(effect.needs_counted_percent - effect.needs_percent)
        if not moved < self._session.trims.step_percent / 2:
            values |= {
                "needs_percent": effect.needs_percent,
                "trim_new_percent": effect.trim_new_percent,
                "needs_counted_percent": effect.needs_counted_percent,
                "trim_counted_percent": effect.trim_counted_percent,
            }
        return [note(BalanceNote.MISFIRE_EXCLUDED, **values)]

    def _notes_on_result(self) -> list[Note]:
        """Notes on cells that the operator excluded, and on what makes the whole result doubtful."""
        notes = [*self._notes_on_staging(), *self._notes_on_sensors(), *self._compared.notes]
        wander = self._stage.wander
        if wander.not_to_be_seen and self._fitted.groups:
            notes.append(
                note(BalanceNote.TOO_SHORT_FOR_WANDER, steady_s=wander.steady_s, wanted_s=SHORT_LOG_S)
            )
        if self._excluded_cells:
            rpm, load = (
                None if None in centres else centres
                for centres in zip(*((cell.rpm, cell.load) for cell in self._excluded_cells), strict=True)
            )
            notes.append(note(BalanceNote.CELLS_EXCLUDED_BY_OPERATOR, rpm=rpm, load=load))
        notes += self._notes_on_reference()
        notes += self._notes_on_suspects()
        off = [percent(c.engine.mean) for c in self._cells if np.isfinite(c.engine.mean)]
        if off and abs(float(np.median(off))) > _SCALE_PERCENT:
            notes.append(note(BalanceNote.ENGINE_FAR_FROM_TARGET, needs_percent=float(np.median(off))))
        axes, known = self._session.axes, self._session.engine_signals
        if not axes.rpm and "rpm" not in known:
            notes.append(note(BalanceNote.NO_SPEED))
        if self._cuts_unknown_s:
            notes.append(note(BalanceNote.CUTS_UNKNOWN, seconds=self._cuts_unknown_s))
        return notes

    def _notes_on_staging(self) -> list[Note]:
        """Of which injection stage the result is, and what is too near to the line."""
        line = self._session.injection.staging
        if line is None or self._injection_stage is None:
            return []
        return [
            note(
                BalanceNote.OF_INJECTION_STAGE,
                injection_stage=self._injection_stage,
                rpm_above=line.rpm_above,
                load_above=line.load_above,
                near_line_s=self._stage.near_line_s,
            )
        ]

    def _notes_on_sensors(self) -> list[Note]:
        """What the sensors cannot tell apart, whom none of them sees, and who is meant to differ."""
        seen, offsets = observation_of(self._session), self._session.engine.target_offset_percent
        notes = [note(BalanceNote.SPLIT_NOT_KNOWN, cylinders=together) for together in seen.together]
        if seen.unseen:
            code, count = BalanceNote.CYLINDERS_NOT_MEASURED, seen.cylinders
            notes.append(note(code, cylinders=seen.unseen, sensors=seen.sensors, of_cylinders=count))
        if offsets is not None and any(offsets):
            notes.append(note(BalanceNote.OWN_TARGETS, offset_percent=offsets))
        return notes

    def _notes_on_identity(self) -> list[Note]:
        """Labels that see other cylinders than their own; who vouches for labels that are not proved."""
        standing, trims = self._stage.standing, self._session.trims
        if standing.by_cylinder and standing.odd:
            return [note(BalanceNote.BY_CYLINDERS_SEEN, labels=standing.odd)]
        apart = sets_with_several_sensors(self._session)
        if standing.state is IdentityState.PROVED and apart:
            return [note(BalanceNote.WITHIN_PAIRS_NOT_PROVED, cylinders=apart)]
        if standing.state is not IdentityState.STATED:
            return []
        return [note(BalanceNote.IDENTITY_STATED, by=trims.identity_by, reason=trims.identity_reason)]

    def _notes_on_reference(self) -> list[Note]:
        """That the reference is not the whole engine's mean, and what was joined by the target."""
        notes = []
        groups = self._fitted.groups
        reference = self._reference(groups[0]) if len(groups) == 1 else None
        if reference is not None and reference.left_out:
            code = BalanceNote.REFERENCE_OF_SOME
            notes.append(note(code, cylinders=reference.cylinders, left_out=reference.left_out))
        if reference is not None and self._limited.any:
            least = self._limited.least
            by = percent(-least) if np.isfinite(least) else None
            code = BalanceNote.REFERENCE_WITHOUT_LIMITED
            notes.append(note(code, **self._stage.name_limited(self._limited), least_percent=by))
        if self._fitted.joined:
            joined = tuple(self._stage.cylinders_of(nodes.tolist()) for nodes in self._fitted.joined)
            notes.append(note(BalanceNote.JOINED_BY_TARGET, groups=joined))
        return notes

    def _notes_on_suspects(self) -> list[Note]:
        """Which cylinders were left out of the mean in which cells, and what they would have done to it."""
        cells = [c for c in self._cells if c.spared.any()]
        if not cells:
            return []
        worst = max(cells, key=lambda c: abs(c.shift))
        centre = self._grid.cell(worst.cell)
        return [
            note(
                BalanceNote.REFERENCE_WITHOUT_SUSPECTS,
                cylinders=self._stage.cylinders_of(
                    np.flatnonzero(np.any([c.spared for c in cells], axis=0)).tolist()
                ),
                cells=len(cells),
                rpm=centre.rpm,
                load=centre.load,
                shift_percent=percent(worst.shift),
                own_throttles=self._session.engine.throttles != "single",
            )
        ]

    def _cell_needs(self) -> list[CellNeed]:
        needs = []
        for index, cell in enumerate(self._cells):
            centre, total = self._grid.cell(cell.cell), self._total.in_cell(index)
            for cylinder in range(1, self._session.engine.cylinders + 1):
                node = self._node_of(cylinder)
                if node is None:
                    continue
                # Whether a suspect leaks is not known: with it in the mean, every need here is another.
                doubt = abs(cell.shift) if self._against == "peers" else 0.0
                e, whole = longer(self._of_cell(cell)[node], doubt), longer(total[node], doubt)
                why = self._not_used[index] or _why_no_need(cell, node)
                needs.append(
                    CellNeed(
                        centre.rpm,
                        centre.load,
                        cylinder,
                        percent(e.mean),
                        half_percent(e),
                        float(cell.fit.usable_s[node]),
                        why is None,
                        half_percent(whole),
                        why,
                        centre.injection_stage,
                    )
                )
        return needs

    def _engine_needs(self) -> list[EngineNeed]:
        out = []
        for index, cell in enumerate(self._cells):
            centre = self._grid.cell(cell.cell)
            nodes = np.flatnonzero(cell.measured | cell.carried).tolist()
            if not cell.one_reference:
                nodes = max((group.nodes.tolist() for group in cell.fit.groups), key=len)
            reference = self._reference(nodes, np.flatnonzero(cell.carried).tolist())
            reference = replace(
                reference, suspect=self._stage.cylinders_of(np.flatnonzero(cell.spared).tolist())
            )
            missing = set(reference.left_out) - set(reference.suspect)
            whole = cell.one_reference and not missing and not cell.fit.censored.any()
            whole &= bool(np.isfinite(cell.engine.half)) and not cell.fit.stuck.any()
            need = cell.engine if whole else NO_ESTIMATE
            total = half_percent(self._total.engine(index)) if whole else np.nan
            numbers = (percent(need.mean), half_percent(need), cell.lam)
            out.append(
                EngineNeed(centre.rpm, centre.load, *numbers, reference, total, centre.injection_stage)
            )
        return out

    def _bank_needs(self) -> list[BankNeed]:
        """Every bank's mean against the mean of all, where all known cylinders can be compared.

        A sensor that sees cylinders of two banks tells of neither.
        """
        banks = {}
        for name, cylinders in self._session.engine.banks.items():
            chained = self._session.chain.nodes
            nodes = [i for i, node in enumerate(chained) if set(node.cylinders) <= set(cylinders)]
            known = [i for i in nodes if np.isfinite(self._fitted.peers[i].half)]
            if known:
                banks[name] = np.array([self._fitted.peers[i].mean for i in known])
        return [] if self._apart or len(self._session.engine.banks) < 2 else compare_banks(banks)


def _why_no_need(cell: CellResult, node: int) -> str | None:
    """Why a node has no need with an interval in a cell; None where it has one."""
    if np.isfinite(cell.peers[node].half):
        return None
    if cell.censored(node):
        return (SampleState.AT_RICH_LIMIT if cell.fit.at_rich[node] else SampleState.AT_LEAN_LIMIT).word
    if cell.fit.stuck[node]:
        return "reading stands still"
    return "too little data" if cell.fit.usable_s[node] else "no valid sample"


def compare_banks(banks: Mapping[str, Floats]) -> list[BankNeed]:
    """Means of banks over the mean of all, from the needs of their cylinders, in ln lambda.

    The interval is that of a mean of few cylinders which differ as much as those within one bank do (one-way
    analysis of variance, variance pooled over the banks; any textbook of statistics). The scatter within
    banks holds the errors of the needs as well.
    """
    count = sum(len(own) for own in banks.values())
    degrees = count - len(banks)
    within = fsum(float(((own - own.mean()) ** 2).sum()) for own in banks.values())
    centre = float(np.concatenate(list(banks.values())).mean()) if banks else 0.0
    out = []
    for name, own in banks.items():
        half = np.nan
        if degrees > 0 and len(banks) > 1:
            error = np.sqrt(within / degrees * (1 / len(own) - 1 / count))
            half = 100.0 * student_t95(degrees) * float(error)
        out.append(BankNeed(name, percent(float(own.mean()) - centre), half, len(own)))
    return out


def percent(x: float) -> float:
    """A need in ln lambda as percent of fuel."""
    return 100.0 * float(np.expm1(x))


def half_percent(e: Estimate) -> float:
    """Half-width of the interval in percent of fuel."""
    return 100.0 * float(np.exp(e.mean) * np.sinh(e.half))


# ----------------------------------------------------------------------------------------------------
# How far the cylinders are apart, now and after the trims.
# ----------------------------------------------------------------------------------------------------


def spread(needs: Sequence[Estimate]) -> Spread:
    """The spread of the needs (ln lambda, one a node) that have an interval.

    The noise of the needs makes a range too large on average; the interval is the pivotal one of
    a parametric bootstrap (from memory: Davison & Hinkley, Bootstrap Methods, 1997, ch. 5), and
    reaches down to zero when noise alone could make such a range.
    """
    means, errors = _means_and_errors(needs)
    if len(means) < 2:
        return UNKNOWN_SPREAD
    value = float(_spread_percent(means))
    noise = _draw_noise(errors)
    low, high = np.percentile(_spread_percent(means[:, None] + noise), [2.5, 97.5])
    alone = float(np.percentile(_spread_percent(noise), 97.5))
    lower = 0.0 if value <= alone else max(0.0, 2 * value - float(high))
    upper = max(value, 2 * value - float(low))
    deviation, count = float(np.std(100.0 * np.expm1(means), ddof=1)), len(means)
    return Spread(value, (lower, upper), deviation, count, sensors_used=count)


def predicted_spread(
    needs: Sequence[Estimate], moves: Floats, over_cells: Sequence[Estimate] | None = None
) -> Spread:
    """The true spread to expect once ln fuel has been changed by `moves` float64[n].

    Where no trim moves it is the spread of now. Else it is what rounding and limits leave, and the error of
    the needs themselves. Where cylinders are
    nearly alike, their estimates differ by that error already, and adding it once more would
    predict too much; where they are not alike, it must be added. So the range is drawn both with the
    estimates as the truth and with the estimates shrunk to their median (`shrink_to_median`), and the
    interval holds the middle 95 % of each.

    A cell with little data differs from the others by error too. The trims remove what it has in common
    with them, but not that error. So where `needs` are those of one cell and `over_cells` those of all
    cells together, the range is drawn once more with the cell's needs shrunk to those of all.
    """
    at = [i for i, e in enumerate(needs) if np.isfinite(e.half)]
    means, errors = _means_and_errors(needs)
    if len(means) < 2:
        return UNKNOWN_SPREAD
    if not moves[at].any():
        return spread(needs)
    drawn = [(means, errors)]
    if over_cells is not None:
        drawn.append(_shrink_to_all_cells(means, errors, [over_cells[i] for i in at]))
    shrunk, sure = shrink_to_median(*drawn[-1])
    drawn.append((shrunk, drawn[-1][1] * sure))
    ranges = np.array(
        [_spread_percent((truth - moves[at])[:, None] + _draw_noise(error)) for truth, error in drawn]
    )
    ends = np.percentile(ranges, [2.5, 97.5], axis=1)
    lower, upper = float(ends[0].min()), float(ends[1].max())
    deviation = float(np.std(100.0 * np.expm1(means - moves[at]), ddof=1))
    count = len(means)
    return Spread(float(np.median(ranges)), (lower, upper), deviation, count, sensors_used=count)


def _nearest_to_others(needs: Sequence[Estimate], moves: Floats, excess: Floats) -> list[Estimate]:
    """The needs less as much of `excess` float64[n] as brings each to the middle of those without any.

    The spread after `moves` is least there, and largest with all or nothing of each: it is convex.
    """
    left = np.array([e.mean for e in needs]) - moves
    sound = left[(excess == 0) & np.isfinite([e.half for e in needs])]
    if not len(sound):
        return list(needs)
    away = np.clip(left - (sound.min() + sound.max()) / 2, 0.0, excess)
    return [replace(e, mean=e.mean - by) for e, by in zip(needs, away.tolist(), strict=True)]


def _shrink_to_all_cells(
    means: Floats, errors: Floats, over_cells: Sequence[Estimate]
) -> tuple[Floats, Floats]:
    """A cell's needs shrunk to those over all cells, as far as its own errors can explain the difference.

    The part that is shrunk has the error of the need over all cells; a node without one stays.
    """
    whole = np.array([e.mean for e in over_cells])
    error = np.array([e.half for e in over_cells]) / NORMAL_95_SIX_DECIMALS
    known = np.isfinite(error)
    whole, error = np.where(known, whole, means), np.where(known, np.minimum(error, errors), errors)
    away, sure = shrink_to_median(means - whole, errors)
    return whole + away, np.sqrt((sure * errors) ** 2 + (1 - sure**2) * error**2)


def _spread_percent(x: Floats) -> Floats:
    """Largest need less smallest along the first axis, percent: lambda over the mean in the fuel domain."""
    lam = np.exp(x)
    spread: Floats = 100.0 * np.ptp(lam, axis=0) * np.mean(1 / lam, axis=0)
    return spread


def _means_and_errors(needs: Sequence[Estimate]) -> tuple[Floats, Floats]:
    """Means of the needs that have an interval, and the errors of normal numbers with the same intervals."""
    known = [e for e in needs if np.isfinite(e.half)]
    return np.array([e.mean for e in known]), np.array([e.half for e in known]) / NORMAL_95_SIX_DECIMALS


def _draw_noise(errors: Floats) -> Floats:
    """Normal noise of these standard errors, float64[n, _NOISE_DRAWS]; the same at every call."""
    drawn: Floats = _draw_normal(len(errors)) * errors[:, None]
    return drawn


@lru_cache(maxsize=32)
def _draw_normal(count: int) -> Floats:
    """Normal numbers of standard error 1, float64[count, _NOISE_DRAWS]: a row a node, quick to sum."""
    drawn: Floats = np.random.default_rng(_SEED).standard_normal((_NOISE_DRAWS, count)).T.copy()
    drawn.setflags(write=False)
    return drawn
