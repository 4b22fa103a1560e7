"""Trims by speed and load: one for each cylinder at every breakpoint of the engine control's table.

    cells of the session -> nearest breakpoint -> one need a cylinder, pooled where cells share it
                         -> plan_trims at every breakpoint by itself -> MapTrim

Nothing is smoothed from one breakpoint to the next: where injectors are staged, or a leak ends, neighbours
differ in truth, and a breakpoint takes the cells of its own side of the staging line. One without a cell that
serves keeps what it holds, and says why. Between breakpoints the engine control is taken to interpolate in
straight lines, and to hold the outermost values beyond them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import OTHER_STAGE, Balance, CellNeed
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.trims import TrimPlan, plan_trims
from mixmon.findings.stats import NO_ESTIMATE, NORMAL_95_SIX_DECIMALS, Estimate
from mixmon.findings.trims.notes import SheetNote
from mixmon.mixture.steady import Cell
from mixmon.note import Note, note
from mixmon.session.model import Session, Staging, Trims

_AT_BREAKPOINT = 0.25
"""Part of the way to the next breakpoint from which a cell is told to lie between two: our choice, half of
what the nearest one serves."""


@dataclass(frozen=True, slots=True)
class MapTrim:
    """One cylinder at one breakpoint. Percent; `new` is NaN where no trims are offered.

    needs_percent, half_interval_percent  of the cells that count there; NaN where not known
    why  what there is to know, such as why it keeps what it holds
    """

    rpm: float
    load: float
    cylinder: int
    needs_percent: float
    half_interval_percent: float
    now_percent: float
    new_percent: float
    why: tuple[Note, ...]


@dataclass(frozen=True, slots=True, eq=False)
class MapPlan:
    """The whole table.

    now, new  float64[cylinders, loads, speeds], percent
    """

    trims: tuple[MapTrim, ...]
    now: Floats
    new: Floats
    notes: tuple[Note, ...]


def plan_map(session: Session, balance: Balance, *, offered: bool) -> MapPlan:
    """Trims at every breakpoint; with `offered` False none, and what is held and needed all the same."""
    rules = session.trims
    now = map_now(session)
    new = now.copy()
    moving = _moving_cylinders(balance)
    placed = _place_cells(session, balance)
    trims, notes = [], _note_places(rules, placed)
    for j, load in enumerate(rules.map_load):
        for i, rpm in enumerate(rules.map_rpm):
            cells = placed.get((i, j), [])
            needs = {c: _pool(ones) for c, ones in _used_by_cylinder(cells).items() if c not in moving}
            plan = _plan_point(session, now[:, j, i], needs) if any(map(_is_known, needs.values())) else None
            if plan is not None and not plan.withheld:
                new[:, j, i] = plan.new
                notes += _note_fuel(rpm, load, plan)
            for cylinder in range(1, session.engine.cylinders + 1):
                held = float(now[cylinder - 1, j, i])
                need = needs.get(cylinder, NO_ESTIMATE)
                trims.append(
                    MapTrim(
                        rpm,
                        load,
                        cylinder,
                        100 * float(np.expm1(need.mean)),
                        100 * float(np.exp(need.mean) * np.sinh(need.half)),
                        held,
                        float(new[cylinder - 1, j, i]) if offered else np.nan,
                        _reasons(cells, plan, cylinder),
                    )
                )
    if balance.staged:
        notes.append(note(SheetNote.MAP_OF_BOTH_STAGES))
    if not rules.map_now_percent:
        notes.append(note(SheetNote.MAP_NOW_ASSUMED))
    return MapPlan(tuple(trims), now, new if offered else now, tuple(notes))


def against_a_map(withheld: Sequence[Note]) -> tuple[Note, ...]:
    """The reasons of a balance against trims that are also against a map; cells may differ there."""
    return tuple(one for one in withheld if one.code is not BalanceNote.CELLS_TOO_UNLIKE)


def of_every_stage(balance: Balance) -> Balance:
    """The balance with every cell as it counts for trims of its own injection stage, as a map holds both."""
    own = {part.injection_stage: part for part in balance.staged if not against_a_map(part.withheld)}
    cells = [one for one in balance.cells if one.injection_stage not in own]
    cells += [one for part in own.values() for one in part.cells]
    order = {Cell(one.rpm, one.load, one.injection_stage): i for i, one in enumerate(balance.cells)}
    cells.sort(key=lambda one: (order[Cell(one.rpm, one.load, one.injection_stage)], one.cylinder))
    return replace(balance, cells=tuple(cells)) if own else balance


def map_now(session: Session) -> Floats:
    """What the table holds, float64[cylinders, loads, speeds]; where not told, the cylinder's one trim."""
    rules, count = session.trims, session.engine.cylinders
    single = np.zeros(count) if rules.now_percent is None else np.array(rules.now_percent)
    table = np.tile(single[:, None, None], (1, len(rules.map_load), len(rules.map_rpm)))
    for name, rows in rules.map_now_percent.items():
        table[int(name) - 1] = rows
    return table


def moves_in_cell(rules: Trims, plan: MapPlan, cell: Cell) -> Floats:
    """Ln of the change of fuel of every cylinder in a cell, between breakpoints in straight lines."""
    if cell.rpm is None or cell.load is None:
        return np.zeros(len(plan.now))
    now, new = (_interpolate(rules, table, cell.rpm, cell.load) for table in (plan.now, plan.new))
    out: Floats = np.log((100 + new) / (100 + now))
    return out


def _interpolate(rules: Trims, table: Floats, rpm: float, load: float) -> Floats:
    """Each cylinder's table at a speed and a load, float64[cylinders]."""
    by_load = [[np.interp(rpm, rules.map_rpm, row) for row in of_one] for of_one in table]
    return np.array([np.interp(load, rules.map_load, column) for column in by_load])


def _plan_point(session: Session, held: Floats, needs: Mapping[int, Estimate]) -> TrimPlan:
    """Trims at one breakpoint by itself."""
    here = replace(session, trims=replace(session.trims, now_percent=tuple(held.tolist())))
    return plan_trims(here, tuple(needs.get(n.cylinders[0], NO_ESTIMATE) for n in session.chain.nodes))


def _is_known(need: Estimate) -> bool:
    return bool(np.isfinite(need.half))


def _moving_cylinders(balance: Balance) -> set[int]:
    """Cylinders whose needs moved while they were measured, and whose trims stay for that."""
    return {
        one.cylinder
        for one in (*balance.cylinders, *(one for part in balance.staged for one in part.cylinders))
        if any(flag.code is BalanceNote.TRIM_KEPT_MOVING for flag in one.flags)
    }


# Cells and breakpoints.


def _place_cells(session: Session, balance: Balance) -> dict[tuple[int, int], list[CellNeed]]:
    """The needs in the session's cells by the breakpoint that is nearest, as (speed, load).

    One that lies on the other side of the staging line than its breakpoint does not count there.
    """
    rules, line = session.trims, session.injection.staging
    placed: dict[tuple[int, int], list[CellNeed]] = {}
    for one in balance.cells:
        if one.rpm is not None and one.load is not None:
            at = _nearest(rules.map_rpm, one.rpm), _nearest(rules.map_load, one.load)
            point = rules.map_rpm[at[0]], rules.map_load[at[1]]
            across = line is not None and one.injection_stage != _stage_at(line, *point)
            unused = replace(one, used_for_trims=False, not_used_because=one.not_used_because or OTHER_STAGE)
            placed.setdefault(at, []).append(unused if across else one)
    return placed


def _stage_at(line: Staging, rpm: float, load: float) -> int:
    """The injection stage of a breakpoint: 1 before the staging line, 2 beyond it."""
    limits = ((rpm, line.rpm_above), (load, line.load_above))
    return 2 if all(limit is None or value > limit for value, limit in limits) else 1


def _nearest(points: Sequence[float], value: float) -> int:
    return int(np.argmin(np.abs(np.array(points) - value)))


def _is_between(points: Sequence[float], value: float) -> bool:
    """Whether a value lies between two breakpoints rather than at one."""
    left = max((p for p in points if p <= value), default=None)
    right = min((p for p in points if p >= value), default=None)
    if left is None or right is None or left == right:
        return False
    return _AT_BREAKPOINT < (value - left) / (right - left) < 1 - _AT_BREAKPOINT


def _note_places(rules: Trims, placed: Mapping[tuple[int, int], Sequence[CellNeed]]) -> list[Note]:
    """Cells that lie between breakpoints, and breakpoints to which several cells belong."""
    cells = {(one.rpm, one.load) for ones in placed.values() for one in ones if one.used_for_trims}
    known = sorted((rpm, load) for rpm, load in cells if rpm is not None and load is not None)
    between = [
        (rpm, load)
        for rpm, load in known
        if _is_between(rules.map_rpm, rpm) or _is_between(rules.map_load, load)
    ]
    notes = []
    if between:
        rpm, load = (tuple(axis) for axis in zip(*between, strict=True))
        notes.append(note(SheetNote.BETWEEN_BREAKPOINTS, rpm=rpm, load=load))
    return notes


def _used_by_cylinder(cells: Sequence[CellNeed]) -> dict[int, list[Estimate]]:
    """The needs that count at a breakpoint, in ln lambda, one a cell."""
    found: dict[int, list[Estimate]] = {}
    for one in cells:
        if one.used_for_trims and np.isfinite(one.half_interval_percent):
            found.setdefault(one.cylinder, []).append(estimate_in_cell(one))
    return found


def estimate_in_cell(one: CellNeed) -> Estimate:
    """A need in a cell, in ln lambda; the inverse of how it was made percent."""
    if not np.isfinite(one.half_interval_percent):
        return NO_ESTIMATE
    factor = 1 + one.needs_percent / 100
    half = float(np.arcsinh(one.half_interval_percent / 100 / factor))
    return Estimate(float(np.log(factor)), half, half / NORMAL_95_SIX_DECIMALS, one.usable_s)


def _pool(needs: Sequence[Estimate]) -> Estimate:
    """One need of those in several cells, weighted by their errors; its interval holds each of them."""
    if len(needs) == 1:
        return needs[0]
    means = np.array([need.mean for need in needs])
    weights = 1 / np.array([max(need.standard_error, 1e-9) for need in needs]) ** 2
    mean = float((weights * means).sum() / weights.sum())
    error = float(1 / np.sqrt(weights.sum()))
    half = max(NORMAL_95_SIX_DECIMALS * error, float(np.abs(means - mean).max()))
    return Estimate(mean, half, half / NORMAL_95_SIX_DECIMALS, float(np.sum([n.effective for n in needs])))


# What there is to know.


def _reasons(cells: Sequence[CellNeed], plan: TrimPlan | None, cylinder: int) -> tuple[Note, ...]:
    """Why a breakpoint keeps what it holds, or what there is to know about its new trim."""
    if plan is not None and not plan.withheld:
        return plan.flags[cylinder - 1]
    own = [one for one in cells if one.cylinder == cylinder]
    if plan is not None:
        return plan.withheld
    if not own:
        return (note(SheetNote.MAP_CELL_EMPTY),)
    reasons = tuple(dict.fromkeys(one.not_used_because or "" for one in own))
    return (note(SheetNote.MAP_CELL_NOT_USED, reasons=tuple(filter(None, reasons))),)


def _note_fuel(rpm: float, load: float, plan: TrimPlan) -> list[Note]:
    """The fuel that the trims at a breakpoint add, where it is more than rounding may leave."""
    return [
        note(SheetNote.MAP_FUEL_LEFT_OVER, rpm=rpm, load=load, **dict(one.values))
        for one in plan.notes
        if one.code is BalanceNote.FUEL_LEFT_OVER
    ]
