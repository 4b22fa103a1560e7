"""The trim sheet: present value, new value, difference, why and how sure, in the engine control's own order.

    Balance -> split_parts                   whole engine, bank, cylinder
            -> trims of the session's shape  one a cylinder; one a bank and one a cylinder; a map
            -> CellOutlook                   the spread of every cell once they are typed
            -> TrimSheet

Invariant: where trims are withheld nothing on the sheet can be typed: every new value is NaN.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import (
    UNKNOWN_SPREAD,
    Balance,
    CellNeed,
    CylinderNeed,
    Spread,
    StagedNeeds,
    StagingStep,
    predicted_spread,
)
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.steps import WantedTrims, best_steps
from mixmon.findings.balance.trims import TrimPlan, base_map_percent, plan_trims
from mixmon.findings.stats import NO_ESTIMATE, NORMAL_95_SIX_DECIMALS, Estimate
from mixmon.findings.trims.maps import (
    MapPlan,
    MapTrim,
    against_a_map,
    estimate_in_cell,
    moves_in_cell,
    of_every_stage,
    plan_map,
)
from mixmon.findings.trims.notes import Certainty, Outlook, SheetNote
from mixmon.findings.trims.parts import BankPart, Parts, bank_of, estimate_of, shifted, split_parts
from mixmon.mixture.steady import Cell
from mixmon.note import Note, note
from mixmon.result import Result
from mixmon.session.charges import own_targets, relative_charges
from mixmon.session.evidence import IdentityState
from mixmon.session.model import Session

EVEN_PERCENT = 2.5
"""Spread up to which a cell is even: common practice, no source; what a good competition engine keeps at full
load."""

_OF_LABELS = frozenset({BalanceNote.IDENTITY_NOT_PROVED, BalanceNote.IDENTITY_DISPROVED})


@dataclass(frozen=True, slots=True)
class TrimRow:
    """One line to type. Percent; `new` and `difference` are NaN where no trims are offered.

    output              of the engine control, from 1; None where the session does not tell the order
    cylinder            by its label where labels are not proved
    interval95_percent  of the need, as it repeats
    certainty           how sure the need is
    why                 what there is to know about the trim
    """

    output: int | None
    cylinder: int
    position: int
    sensor: str | None
    bank: str | None
    needs_percent: float
    interval95_percent: tuple[float, float]
    now_percent: float
    new_percent: float
    difference_percent: float
    certainty: Note
    why: tuple[Note, ...]


@dataclass(frozen=True, slots=True)
class BankTrim:
    """The trim of one bank, where the engine control has such; percent."""

    bank: str
    needs_percent: float
    half_interval_percent: float
    now_percent: float
    new_percent: float
    differs: bool


@dataclass(frozen=True, slots=True)
class CellOutlook:
    """The spread of one cell, percent of fuel, as it is and as it will be.

    now_percent     largest less smallest need
    after           with its 95 % interval, once the sheet is typed, as these sensors read it; its total
                    interval holds their own errors, which no trim on their word takes away
    used_for_trims  whether the trims rest on this cell
    outlook         a note with an `Outlook`
    """

    rpm: float | None
    load: float | None
    now_percent: float
    after: Spread
    used_for_trims: bool
    outlook: Note
    injection_stage: int | None = None


@dataclass(frozen=True, slots=True, repr=False)
class TrimSheet(Result):
    """The trims to type, in the engine control's order and shape, with why and how sure.

    shape         of the engine control's trims: "cylinder", "bank" or "map"
    rows          one a cylinder, by output where the order is told, else by cylinder
    banks         trims of banks, where there are such
    map           trims by speed and load, where there are such; `rows` then only name needs
    parts         whole engine, banks, cylinders
    fuel_percent  what the new trims add to the engine's fuel; NaN for a map, and where withheld
    outlook       of every cell
    by_label      whether cylinders are those of labels that nobody has proved
    withheld      why nothing is offered; empty where trims are
    staged, staging_steps  of one trim a cylinder, where both injection stages were held: what to type for
                  each by itself, as of a `Balance`; `rows` are those of the first
    first_ns, last_ns  data time of what was measured
    """

    shape: str
    step_percent: float
    rows: tuple[TrimRow, ...]
    banks: tuple[BankTrim, ...]
    map: tuple[MapTrim, ...]
    parts: Parts
    fuel_percent: float
    outlook: tuple[CellOutlook, ...]
    identity: IdentityState
    by_label: bool
    withheld: tuple[Note, ...]
    notes: tuple[Note, ...]
    staged: tuple[StagedNeeds, ...] = ()
    staging_steps: tuple[StagingStep, ...] = ()
    first_ns: int | None = None
    last_ns: int | None = None

    @property
    def base_map_percent(self) -> float:
        """What the base map has to add so that the engine's fuel stays."""
        return base_map_percent(self.fuel_percent)


def make_sheet(session: Session, balance: Balance, *, by_cell: bool = True) -> TrimSheet:
    """The sheet of a balance against peers.

    session: with the trims that the engine control held while the balance was measured.
    by_cell: whether to say what the trims do to every cell, which takes thousands of draws a cell; without,
        `outlook` is empty.
    """
    maker = {"map": _make_map, "bank": _make_banks}.get(session.trims.shape, _make_cylinders)
    made, change = maker(session, balance, split_parts(session, balance))
    return replace(made, outlook=_outlook(session, change)) if by_cell and not made.withheld else made


@dataclass(frozen=True, slots=True, eq=False)
class _FuelChange:
    """What a set of trims changes, to be judged cell by cell.

    balance  with the needs of the cells
    moves    ln of the change of fuel that every node sees in a cell, float64[nodes]
    whole    whether one trim serves all cells, so that a cell's own error is none of theirs
    found    the spreads as the balance predicts them, where it does
    """

    balance: Balance
    moves: Callable[[Cell], Floats]
    whole: bool = True
    found: Mapping[Cell, Spread] | None = None


# One trim a cylinder: as the balance has them.


def _make_cylinders(session: Session, balance: Balance, parts: Parts) -> tuple[TrimSheet, _FuelChange]:
    rows = [_row(session, one, one.trim_new_percent, one.flags) for one in balance.cylinders]
    notes = [note(SheetNote.BANK_PART_IN_CYLINDERS)] if parts.banks_differ else []
    made = _sheet(session, balance, parts, rows, notes=notes, withheld=balance.withheld)
    made = replace(made, staged=balance.staged, staging_steps=balance.staging_steps)
    change = _of_nodes(session, np.array([one.trim_now_percent for one in balance.cylinders]), rows)
    found = dict(balance.predicted_by_cell)
    return _with_fuel(made, balance.fuel_percent), _FuelChange(balance, lambda _: change, found=found)


def _of_nodes(session: Session, now: Floats, rows: Sequence[TrimRow]) -> Floats:
    """Ln of the change of fuel that every node sees, by one trim a cylinder, float64[nodes]."""
    new = np.array([row.new_percent for row in rows])
    moves = np.log((100 + new) / (100 + now))
    return moves[[node.cylinders[0] - 1 for node in session.chain.nodes]]


# One a bank and one a cylinder.


def _make_banks(session: Session, balance: Balance, parts: Parts) -> tuple[TrimSheet, _FuelChange]:
    """The banks' trims take the banks' parts in steps; the cylinders' take what is left of their needs."""
    held = {b.bank: session.trims.bank_now_percent.get(b.bank, 0.0) for b in parts.banks}
    new = dict(held) if balance.withheld else _bank_trims(session, balance, parts.banks, held)
    moves = {name: float(np.log((100 + new[name]) / (100 + held[name]))) for name in held}
    of_node = [moves.get(bank_of(session, node.cylinders[0]) or "", 0.0) for node in session.chain.nodes]
    needs = [
        shifted(_followed(balance, node.cylinders[0]), -by)
        for node, by in zip(session.chain.nodes, of_node, strict=True)
    ]
    plan = plan_trims(session, tuple(needs), balance.withheld)
    rows = [_row(session, one, plan.new[one.cylinder - 1], _flags_of(one, plan)) for one in balance.cylinders]
    banks = tuple(
        BankTrim(
            b.bank,
            b.needs_percent,
            b.half_interval_percent,
            held[b.bank],
            np.nan if balance.withheld else new[b.bank],
            b.differs,
        )
        for b in parts.banks
    )
    change = plan.moves + np.array(of_node)
    notes = [] if parts.banks_differ else [note(SheetNote.BANKS_ALIKE)]
    if not session.trims.bank_now_percent:
        notes.append(note(SheetNote.BANK_NOW_ASSUMED))
    fuel = _fuel_added(session, balance, moves, plan)
    made = _sheet(session, balance, parts, rows, notes=notes, withheld=plan.withheld)
    return replace(_with_fuel(made, fuel), banks=banks), _FuelChange(balance, lambda _: change)


def _bank_trims(
    session: Session, balance: Balance, parts: Sequence[BankPart], held: dict[str, float]
) -> dict[str, float]:
    """New trims of the banks: the best set, by the parts of those that differ."""
    fuel = _base_fuel(session, balance)
    of_bank = [np.array(session.engine.banks[b.bank]) - 1 for b in parts]
    needs = [_bank_estimate(b) if b.differs else None for b in parts]
    now = np.array([held[b.bank] for b in parts])
    share = np.array([fuel[own].sum() for own in of_bank])
    if not any(need is not None for need in needs):
        return dict(held)
    wanted = WantedTrims.of(session.trims, now, share, needs)
    new = best_steps(wanted, session.trims.step_percent)
    return dict(zip((b.bank for b in parts), new.tolist(), strict=True))


def _bank_estimate(bank: BankPart) -> Estimate:
    half = bank.half_interval_percent / 100
    return Estimate(float(np.log1p(bank.needs_percent / 100)), half, half / NORMAL_95_SIX_DECIMALS, 1.0)


def _base_fuel(session: Session, balance: Balance) -> Floats:
    """Fuel of each cylinder as it is, in any unit: air over lambda, float64[cylinders]."""
    need = np.array([one.needs_percent for one in balance.cylinders])
    lam = own_targets(session.engine) * (1 + np.nan_to_num(need) / 100)
    fuel: Floats = relative_charges(session.engine) / lam
    return fuel


def _fuel_added(session: Session, balance: Balance, moves: dict[str, float], plan: TrimPlan) -> float:
    """What banks' and cylinders' trims together add to the engine's fuel, percent; NaN where withheld."""
    if plan.withheld:
        return np.nan
    fuel = _base_fuel(session, balance)
    own = (100 + np.array(plan.new)) / (100 + np.array(plan.now))
    of_bank = [moves.get(bank_of(session, c) or "", 0.0) for c in range(1, len(fuel) + 1)]
    return 100 * float((fuel * own * np.exp(of_bank)).sum() / fuel.sum() - 1)


def _followed(balance: Balance, cylinder: int) -> Estimate:
    """The need of a cylinder that a trim may follow; none of one that moved while it was measured."""
    one = balance.cylinders[cylinder - 1]
    moving = any(flag.code is BalanceNote.TRIM_KEPT_MOVING for flag in one.flags)
    return NO_ESTIMATE if moving else estimate_of(one)


_OF_THE_PLAN = frozenset(
    {
        BalanceNote.TRIM_KEPT,
        BalanceNote.WITHIN_ERROR_OF_ZERO,
        BalanceNote.TRIM_AT_LIMIT,
        BalanceNote.LARGE_TRIM_CHANGE,
        BalanceNote.ROUNDED_FOR_TOTAL,
        BalanceNote.LESS_THAN_HALF_A_STEP,
        BalanceNote.SHARED_INJECTOR_DRIVER,
        BalanceNote.TIED_BY_SENSORS,
        BalanceNote.PARTNER_NOT_KNOWN,
    }
)
"""Flags of a cylinder that are of its trim as the balance has it, and not of its need."""


def _flags_of(one: CylinderNeed, plan: TrimPlan) -> tuple[Note, ...]:
    """The flags of a cylinder's need, and those of its trim in another plan."""
    of_need = tuple(flag for flag in one.flags if flag.code not in _OF_THE_PLAN)
    return (*of_need, *plan.flags[one.cylinder - 1])


# One a cylinder at every breakpoint.


def _make_map(session: Session, balance: Balance, parts: Parts) -> tuple[TrimSheet, _FuelChange]:
    """Cells that differ are no reason to withhold: each has trims of its own."""
    withheld = against_a_map(balance.withheld)
    balance = of_every_stage(balance)
    plan = plan_map(session, balance, offered=not withheld)
    rows = [_row(session, one, np.nan, _need_flags(one)) for one in balance.cylinders]
    made = replace(_sheet(session, balance, parts, rows, notes=plan.notes, withheld=withheld), map=plan.trims)
    return made, _FuelChange(balance, lambda cell: _node_moves(session, plan, cell), whole=False)


def _need_flags(one: CylinderNeed) -> tuple[Note, ...]:
    return tuple(flag for flag in one.flags if flag.code not in _OF_THE_PLAN)


def _node_moves(session: Session, plan: MapPlan, cell: Cell) -> Floats:
    """Ln of the change of fuel that every node sees in a cell."""
    moves = moves_in_cell(session.trims, plan, cell)
    return moves[[node.cylinders[0] - 1 for node in session.chain.nodes]]


# What all shapes share.


def _sheet(
    session: Session,
    balance: Balance,
    parts: Parts,
    rows: Sequence[TrimRow],
    *,
    notes: Sequence[Note],
    withheld: tuple[Note, ...],
) -> TrimSheet:
    order = session.injection.output_order
    if order is None:
        notes = [*notes, note(SheetNote.ORDER_BY_CYLINDER)]
    first = [one for one in balance.notes if one.code is BalanceNote.BY_CYLINDERS_SEEN]
    by_output = sorted(rows, key=lambda row: row.output or row.cylinder)
    return TrimSheet(
        shape=session.trims.shape,
        step_percent=session.trims.step_percent,
        rows=tuple(by_output),
        banks=(),
        map=(),
        parts=parts,
        fuel_percent=np.nan,
        outlook=(),
        identity=balance.identity,
        by_label=any(one.code in _OF_LABELS for one in balance.withheld),
        withheld=withheld,
        notes=(*first, *notes, *(one for one in balance.notes if one not in first)),
    )


def _row(session: Session, one: CylinderNeed, new: float, flags: tuple[Note, ...]) -> TrimRow:
    order = session.injection.output_order
    changed = np.isfinite(new) and new != one.trim_now_percent
    why = flags if flags or not changed else (note(SheetNote.MOVED_BY_NEED, needs_percent=one.needs_percent),)
    return TrimRow(
        output=None if order is None else order.index(one.cylinder) + 1,
        cylinder=one.cylinder,
        position=one.position,
        sensor=one.sensor,
        bank=bank_of(session, one.cylinder),
        needs_percent=one.needs_percent,
        interval95_percent=one.interval95_percent,
        now_percent=one.trim_now_percent,
        new_percent=new,
        difference_percent=round(new - one.trim_now_percent, 9) if np.isfinite(new) else np.nan,
        certainty=_certainty(one),
        why=why,
    )


def _certainty(one: CylinderNeed) -> Note:
    """How sure the need is, by its interval; with how many of its half-widths it is away from zero."""
    low, high = one.interval95_percent
    if not np.isfinite(high - low):
        return note(Certainty.NEED_NOT_KNOWN)
    half = (high - low) / 2
    times = abs(one.needs_percent) / half if half > 0 else np.inf
    return note(Certainty.CLEAR if times > 1 else Certainty.WITHIN_ERROR, half_percent=half)


def _with_fuel(made: TrimSheet, fuel_percent: float) -> TrimSheet:
    """The sheet with what its trims add to the engine's fuel; without, where nothing is offered."""
    return made if made.withheld else replace(made, fuel_percent=fuel_percent)


def _outlook(session: Session, change: _FuelChange) -> tuple[CellOutlook, ...]:
    """The spread of every cell once fuel has changed."""
    balance, moves, whole, found = change.balance, change.moves, change.whole, change.found
    first = [node.cylinders[0] for node in session.chain.nodes]
    over = [estimate_of(balance.cylinders[c - 1]) for c in first]
    own = np.nan_to_num([balance.cylinders[c - 1].sensor_error_percent for c in first]) / 100
    by_cell = _needs_by_cell(balance, first)
    known = {i for needs in by_cell.values() for i, need in enumerate(needs) if np.isfinite(need.half)}
    out = []
    for cell, needs in by_cell.items():
        after = total = UNKNOWN_SPREAD
        if len(balance.groups) < 2 and all(np.isfinite(needs[i].half) for i in known):
            if found is None:
                after = predicted_spread(needs, moves(cell), over if whole else None)
            wide = _with_own_errors(over, own) if whole else None
            total = predicted_spread(_with_own_errors(needs, own), moves(cell), wide)
        if found is not None:
            after = found.get(cell, UNKNOWN_SPREAD)
        out.append(_judge_cell(balance, cell, after, total.interval95))
    return tuple(out)


def _needs_by_cell(balance: Balance, first: Sequence[int]) -> dict[Cell, list[Estimate]]:
    """The needs of the nodes in every cell, by the first cylinder of each."""
    measured: dict[Cell, dict[int, CellNeed]] = {}
    for one in balance.cells:
        measured.setdefault(Cell(one.rpm, one.load, one.injection_stage), {})[one.cylinder] = one
    return {
        cell: [estimate_in_cell(here[c]) if c in here else NO_ESTIMATE for c in first]
        for cell, here in measured.items()
    }


def _with_own_errors(needs: Sequence[Estimate], own: Floats) -> list[Estimate]:
    """The needs with the errors of their own sensors, halves of 95 % intervals, ln lambda."""
    halves = [float(np.hypot(need.half, error)) for need, error in zip(needs, own, strict=True)]
    return [
        Estimate(need.mean, half, half / NORMAL_95_SIX_DECIMALS, need.effective)
        for need, half in zip(needs, halves, strict=True)
    ]


def _judge_cell(balance: Balance, cell: Cell, after: Spread, total: tuple[float, float]) -> CellOutlook:
    """What a cell is and will be; the total interval holds that of repeatability."""
    spreads = {Cell(s.rpm, s.load, s.injection_stage): s.spread_percent for s in balance.cell_spreads}
    spread = spreads.get(cell, np.nan)
    here = [c for c in balance.cells if Cell(c.rpm, c.load, c.injection_stage) == cell]
    used = any(one.used_for_trims for one in here)
    low, high = after.interval95
    if np.isfinite(high) and np.isfinite(total[1]):
        after = replace(after, total_interval95=(min(low, total[0]), max(high, total[1])))
    code = _judge_outlook(spread, after)
    told = note(code, limit_percent=EVEN_PERCENT)
    return CellOutlook(cell.rpm, cell.load, spread, after, used, told, cell.injection_stage)


def _judge_outlook(now: float, after: Spread) -> Outlook:
    """By the interval of the spread to come: below what is even, above it, or neither."""
    low, high = after.interval95
    if not np.isfinite(high):
        return Outlook.OUTLOOK_NOT_KNOWN
    if high <= EVEN_PERCENT:
        return Outlook.EVENED if now > EVEN_PERCENT else Outlook.EVEN_ALREADY
    return Outlook.STAYS_UNEVEN if low > EVEN_PERCENT else Outlook.NOT_SURE
