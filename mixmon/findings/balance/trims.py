"""Trims: from needs to the numbers to enter in the ECU, or the reasons for which none are offered.

    needs by node -> by cylinder -> pooled by injector driver and sensor -> shrunk to their median, in order
          -> zero where within error of zero -> limits -> the best set of the ECU's steps

Trims multiply: a factor f = 1 + t/100 on a cylinder's fuel. A cylinder that reads m times the reference
needs m times its factor. `plan_trims` is the whole way; the steps follow it.

Fuel is counted as it is burnt: a cylinder with air a, lambda l and factor f has the base fuel a / (l f), so
unequal injectors, unequal air and trims that are in place are all in it, and the reference and the total
rest on one assumption, that of the air.

The rules that no trim breaks, and what makes one set of trims better than another: `findings.balance.steps`.
What they leave of the engine's fuel is told as fuel for the whole engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.steps import STEP_SLACK, WantedTrims, best_steps
from mixmon.findings.stats import Estimate
from mixmon.messages.cautions import pairing_cautions
from mixmon.note import Note, note
from mixmon.session.charges import own_targets, relative_charges
from mixmon.session.injectors import moved_together, trimmed_together
from mixmon.session.model import Session

Groups = tuple[tuple[int, ...], ...]
"""Cylinders whose trims are changed alike, each group in order; see `session.injectors`."""

_LEAST_ERROR = 1e-9
"""Our choice: a need without any error, as only made-up data have, weighs much and not infinitely much."""

_AT_LIMIT_PERCENT = 1e-9
"""Distance below which a trim is at its limit: our choice, for rounding errors."""


@dataclass(frozen=True, slots=True, eq=False)
class TrimPlan:
    """What to enter. Percent, one a cylinder; `new` is NaN throughout when withheld.

    exact  float64[cylinders]  before rounding
    moves  float64[nodes]      ln of the change of fuel that each node's cylinders will see
    fuel_percent               what the new trims add to the engine's total fuel; NaN when withheld
    flags  notes on the trim, one tuple a cylinder
    """

    now: tuple[float, ...]
    exact: tuple[float, ...]
    new: tuple[float, ...]
    moves: Floats
    fuel_percent: float
    flags: tuple[tuple[Note, ...], ...]
    withheld: tuple[Note, ...]
    notes: tuple[Note, ...]


def plan_trims(session: Session, needs: tuple[Estimate, ...], blocked: tuple[Note, ...] = ()) -> TrimPlan:
    """Trims that make the cylinders alike, with the engine's total fuel as it is where rounding allows it.

    needs: ln lambda against peers, one a node. A cylinder whose need is not known, or is within error of
    zero, keeps its trim. The others move by their needs without what may be noise (`shrink_to_median`).
    Cylinders that share an injector driver or a sensor get one change of trim: by the mean of their needs,
    weighted by the inverse squares of their errors; where one of them is not known, all keep theirs.

    blocked: reasons to withhold trims, whatever the needs.
    """
    count = session.engine.cylinders
    held = session.trims.now_percent
    now = np.zeros(count) if held is None else np.array(held)
    need = _needs_by_cylinder(session, needs)
    fuel = _base_fuel(session, need, now)
    groups = moved_together(session)
    flags = [_flag_need(one) for one in need]
    _flag_shared_drivers(session, groups, need, flags)
    withheld = blocked + _block_by_engine(session, groups)
    if all(reason.code is not BalanceNote.NO_CELL_USED for reason in blocked):
        withheld += _need_enough(groups, need)
    exact, rounded = now.copy(), now.copy()
    if not withheld:
        exact, rounded, nearest = _solve_trims(session, now, fuel, need, groups)
        _flag_trims(
            session, need, groups, exact=exact, rounded=rounded, nearest=nearest, now=now, flags=flags
        )
    added = 100 * float((fuel * (rounded - now)).sum() / (fuel * (100 + now)).sum())
    burnt = fuel * (100 + rounded), fuel * (100 + now)
    moves = [
        np.log(np.divide(*(one[[c - 1 for c in node.cylinders]].sum() for one in burnt)))
        for node in session.chain.nodes
    ]
    none = np.full(count, np.nan)
    return TrimPlan(
        now=tuple(now.tolist()),
        exact=tuple((none if withheld else exact).tolist()),
        new=tuple((none if withheld else rounded).tolist()),
        moves=np.array(moves),
        fuel_percent=np.nan if withheld else added,
        flags=tuple(tuple(f) for f in flags),
        withheld=withheld,
        notes=(*_list_assumptions(session), *_note_fuel_left(session, added)),
    )


def base_map_percent(fuel_percent: float) -> float:
    """What the base map has to add, percent, so that the total stays when trims add `fuel_percent`.

    >>> round(base_map_percent(0.25), 4)
    -0.2494
    """
    return 100 * (1 / (1 + fuel_percent / 100) - 1)


def _note_fuel_left(session: Session, added: float) -> tuple[Note, ...]:
    """The fuel that the trims add or take in total, where it is more than rounding may leave."""
    if abs(added) <= session.trims.step_percent / (2 * session.engine.cylinders):
        return ()
    values = {"trims_add_percent": added, "base_map_percent": base_map_percent(added)}
    return (note(BalanceNote.FUEL_LEFT_OVER, **values),)


def _base_fuel(session: Session, needs: list[Estimate | None], now: Floats) -> Floats:
    """Fuel of each cylinder without its trim, in any unit: air / (lambda x factor); float64[cylinders].

    A cylinder whose need is not known is taken to be at the reference.
    """
    lam = np.exp([0.0 if need is None else need.mean for need in needs])
    lam = lam * own_targets(session.engine)
    fuel: Floats = relative_charges(session.engine) / (lam * (1 + now / 100))
    return fuel


def _list_assumptions(session: Session) -> tuple[Note, ...]:
    """What is assumed because the session does not say it."""
    assumed = []
    if session.engine.charge_share is None:
        assumed.append(note(BalanceNote.EQUAL_AIR_ASSUMED))
    if session.trims.now_percent is None:
        assumed.append(note(BalanceNote.TRIMS_NOW_ASSUMED_ZERO))
    if session.trims.shape != "cylinder":
        assumed.append(note(BalanceNote.OTHER_SHAPE, shape=session.trims.shape))
    return tuple(assumed)


def _needs_by_cylinder(session: Session, needs: tuple[Estimate, ...]) -> list[Estimate | None]:
    out: list[Estimate | None] = [None] * session.engine.cylinders
    for node, need in zip(session.chain.nodes, needs, strict=True):
        for cylinder in node.cylinders:
            out[cylinder - 1] = need if np.isfinite(need.half) else None
    return out


def _flag_need(need: Estimate | None) -> list[Note]:
    """What to know about a need before it is used."""
    if need is None:
        return [note(BalanceNote.TRIM_KEPT)]
    return [note(BalanceNote.WITHIN_ERROR_OF_ZERO)] if _within_error(need) else []


def _within_error(need: Estimate) -> bool:
    """Whether zero lies in the interval of a need."""
    return abs(need.mean) <= need.half


def _need_enough(groups: Groups, needs: list[Estimate | None]) -> tuple[Note, ...]:
    """The reason to withhold trims where fewer than two cylinders or pairs can be compared; else nothing."""
    known = sum(need is not None for need in needs)
    if known < 2:
        return (note(BalanceNote.TOO_FEW_NEEDS, known=known, cylinders=len(needs)),)
    movable = _mark_movable(groups, needs)
    pairs = sum(bool(movable[group[0] - 1]) for group in groups)
    if 1 < len(groups) < len(needs) and pairs < 2:
        return (note(BalanceNote.TOO_FEW_PAIRS, known=pairs, pairs=len(groups)),)
    return ()


def _block_by_engine(session: Session, groups: Groups) -> tuple[Note, ...]:
    """The reasons in the build of the engine for which no cylinder can have a trim of its own."""
    reasons = []
    if session.exhaust.after_merge:
        reasons.append(note(BalanceNote.SENSORS_AFTER_MERGE))
    if len(groups) == 1 and session.engine.cylinders > 1:
        one = len(trimmed_together(session)) == 1
        code, timing = BalanceNote.ONE_TRIM_FOR_ALL, {"timing": session.injection.timing}
        reasons.append(note(code, **timing) if one else note(BalanceNote.ALL_TIED_TOGETHER))
    return (*reasons, *pairing_cautions(session))


def _mark_movable(groups: Groups, needs: list[Estimate | None]) -> Bools:
    """Which cylinders can get a new trim: those of groups in which every need is known; bool[cylinders]."""
    movable = np.zeros(len(needs), np.bool_)
    for group in groups:
        movable[[cylinder - 1 for cylinder in group]] = all(
            needs[cylinder - 1] is not None for cylinder in group
        )
    return movable


def _flag_shared_drivers(
    session: Session, groups: Groups, needs: list[Estimate | None], flags: list[list[Note]]
) -> None:
    """Adds to the flags of cylinders with whom they share a driver or are tied, and who is unknown."""
    drivers = {c: group for group in trimmed_together(session) for c in group}
    sensors = {c: node.cylinders for node in session.chain.nodes for c in node.cylinders}
    for group in groups if len(groups) > 1 else ():
        for cylinder in group if len(group) > 1 else ():
            others = tuple(other for other in group if other != cylinder)
            driven = tuple(other for other in drivers[cylinder] if other != cylinder)
            if driven:
                flags[cylinder - 1].append(note(BalanceNote.SHARED_INJECTOR_DRIVER, with_cylinders=driven))
            if set(others) - set(driven) - set(sensors.get(cylinder, ())):
                flags[cylinder - 1].append(note(BalanceNote.TIED_BY_SENSORS, with_cylinders=others))
            unknown = tuple(other for other in others if needs[other - 1] is None)
            if unknown and needs[cylinder - 1] is not None:
                flags[cylinder - 1].append(note(BalanceNote.PARTNER_NOT_KNOWN, cylinders=unknown))


def _pool_needs(needs: list[Estimate]) -> Estimate:
    """The mean of the needs of one group, weighted by the inverse squares of their errors.

    Needs that come from one sensor are one and the same, and count once.
    """
    single = list(dict.fromkeys(needs))
    if len(single) == 1:
        return single[0]
    errors = np.array([max(need.standard_error, _LEAST_ERROR) for need in single])
    weights = 1 / errors**2
    mean = float((weights * [need.mean for need in single]).sum() / weights.sum())
    error = float(1 / np.sqrt(weights.sum()))
    widest = max(need.half / e for need, e in zip(single, errors, strict=True))
    return Estimate(mean, widest * error, error, fsum(need.effective for need in single))


def _solve_trims(
    session: Session, now: Floats, fuel: Floats, needs: list[Estimate | None], groups: Groups
) -> tuple[Floats, Floats, Floats]:
    """Trims in percent, float64[cylinders] each: exact, in steps, and in the nearest steps.

    A group is decided by its first cylinder, and the others change by as many steps; what they hold need not
    be the same where they only share a sensor.
    """
    rules, members = session.trims, [[cylinder - 1 for cylinder in group] for group in groups]
    pooled = [_pool_needs(of_group) if (of_group := _known_all(needs, m)) else None for m in members]
    first = np.array([now[m[0]] for m in members])
    # No member goes beyond a limit, or farther beyond the one that it is past already.
    down = [float(np.minimum(rules.lowest_percent - now[m], 0.0).max()) for m in members]
    up = [float(np.maximum(rules.highest_percent - now[m], 0.0).min()) for m in members]
    share = np.array([fuel[m].sum() for m in members])
    wanted = WantedTrims.of(rules, first, share, pooled, limits=(first + down, first + up))
    step = rules.step_percent
    found = wanted.exact, best_steps(wanted, step), wanted.nearest_steps(step)
    exact, rounded, nearest = (_change_alike(one, first, now, members) for one in found)
    return exact, _on_steps(rounded, now, step), _on_steps(nearest, now, step)


def _change_alike(new: Floats, first: Floats, now: Floats, members: list[list[int]]) -> Floats:
    """Trims of all cylinders, where the first of each group gets `new` and the others change by as much."""
    out = now.copy()
    for m, to, held in zip(members, new, first, strict=True):
        out[m] = np.where(now[m] == held, to, now[m] + (to - held))
    return out


def _on_steps(trims: Floats, now: Floats, step: float) -> Floats:
    """Each trim that changes at the nearest whole step; one that is there but for rounding errors stays."""
    whole = np.round(trims / step) * step
    stays = (trims == now) | (np.abs(trims - whole) <= STEP_SLACK * step)
    out: Floats = np.where(stays, trims, np.round(whole, 9) + 0.0)
    return out


def _known_all(needs: list[Estimate | None], members: list[int]) -> list[Estimate]:
    """The needs of all members; none where one is not known."""
    known = [need for i in members if (need := needs[i]) is not None]
    return known if len(known) == len(members) else []


def _flag_trims(
    session: Session,
    needs: list[Estimate | None],
    groups: Groups,
    *,
    exact: Floats,
    rounded: Floats,
    nearest: Floats,
    now: Floats,
    flags: list[list[Note]],
) -> None:
    """Adds to the flags of the cylinders that need a change what to know about their new trims."""
    trims = session.trims
    movable = _mark_movable(groups, needs)
    for i, need in enumerate(needs):
        if need is None or not movable[i] or (_within_error(need) and exact[i] == now[i]):
            continue
        at_limit = min(exact[i] - trims.lowest_percent, trims.highest_percent - exact[i]) < _AT_LIMIT_PERCENT
        if rounded[i] != nearest[i]:
            flags[i].append(note(BalanceNote.ROUNDED_FOR_TOTAL, nearest_percent=float(nearest[i])))
        elif not at_limit and rounded[i] == now[i] and abs(exact[i] - now[i]) < trims.step_percent:
            flags[i].append(note(BalanceNote.LESS_THAN_HALF_A_STEP, wanted_percent=float(exact[i] - now[i])))
        if at_limit:
            flags[i].append(note(BalanceNote.TRIM_AT_LIMIT))
        if abs(rounded[i] - now[i]) > trims.ask_above_percent:
            flags[i].append(note(BalanceNote.LARGE_TRIM_CHANGE, limit_percent=trims.ask_above_percent))
