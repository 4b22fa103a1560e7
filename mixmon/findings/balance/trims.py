"""Trims: from needs to the numbers to enter in the ECU, or the reasons for which none are offered.

    needs by node -> by cylinder -> pooled by injector driver -> shrunk to their median, in order
          -> zero where within error of zero -> limits -> the ECU's steps, same total fuel if they allow it

Trims multiply: a factor f = 1 + t/100 on a cylinder's fuel. A cylinder that reads m times the reference
needs m times its factor. `plan_trims` is the whole way; the steps follow it.

Fuel is counted as it is burnt: a cylinder with air a, lambda l and factor f has the base fuel a / (l f), so
unequal injectors, unequal air and trims that are in place are all in it, and the reference and the total
rest on one assumption, that of the air.

Invariants: a need that is within error of zero moves nothing; no trim changes against its need, or beyond
it by more than half a step; of two needs that are clear the larger never gets the smaller change, but for
limits and trims that are off the steps now. Only rounding is free to keep the engine's total fuel, all
cylinders alike and by a quarter of a step at most. What is left is told as fuel for the whole engine.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from math import fsum

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate, chi_square_point, robust_deviation
from mixmon.messages.cautions import pairing_cautions
from mixmon.note import Note, note
from mixmon.session.charges import own_targets, relative_charges
from mixmon.session.injectors import trimmed_together
from mixmon.session.model import Session

_OUTLYING_SIGMAS = 3.0
"""Standard deviations from which a need is not shrunk: our choice; of sixteen cylinders that are alike, one
is so far out by chance in one engine of twenty-five."""

Groups = tuple[tuple[int, ...], ...]
"""Cylinders that can only have one trim, each group in order; see `session.injectors`."""

_LEAST_ERROR = 1e-9
"""Our choice: a need without any error, as only made-up data have, weighs much and not infinitely much."""

_STEP_SLACK = 1e-9
"""Steps by which a value may miss a whole step and count as it: our choice, for rounding errors."""

_AT_LIMIT_PERCENT = 1e-9
"""Distance below which a trim is at its limit: our choice, for rounding errors."""

_MOST_SHIFT = 0.25
"""Steps by which all trims may be moved before rounding, so that the total stays: our choice, so that a trim
is never off what it should be by more than three quarters of a step."""


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
    Cylinders that share an injector driver get one trim: by the mean of their needs, weighted by the
    inverse squares of their errors; where one of them is not known, both keep theirs.

    blocked: reasons to withhold trims, whatever the needs.
    """
    count = session.engine.cylinders
    held = session.trims.now_percent
    now = np.zeros(count) if held is None else np.array(held)
    need = _needs_by_cylinder(session, needs)
    fuel = _base_fuel(session, need, now)
    groups = trimmed_together(session)
    flags = [_flag_need(one) for one in need]
    _flag_shared_drivers(groups, need, flags)
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
    first = [node.cylinders[0] - 1 for node in session.chain.nodes]
    none = np.full(count, np.nan)
    return TrimPlan(
        now=tuple(now.tolist()),
        exact=tuple((none if withheld else exact).tolist()),
        new=tuple((none if withheld else rounded).tolist()),
        moves=np.log((100 + rounded) / (100 + now))[first],
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
        reasons.append(note(BalanceNote.ONE_TRIM_FOR_ALL, timing=session.injection.timing))
    return (*reasons, *pairing_cautions(session))


def _mark_movable(groups: Groups, needs: list[Estimate | None]) -> Bools:
    """Which cylinders can get a new trim: those of groups in which every need is known; bool[cylinders]."""
    movable = np.zeros(len(needs), np.bool_)
    for group in groups:
        movable[[cylinder - 1 for cylinder in group]] = all(
            needs[cylinder - 1] is not None for cylinder in group
        )
    return movable


def _flag_shared_drivers(groups: Groups, needs: list[Estimate | None], flags: list[list[Note]]) -> None:
    """Adds to the flags of cylinders that share an injector driver with which, and which need is missing."""
    for group in groups if len(groups) > 1 else ():
        for cylinder in group if len(group) > 1 else ():
            others = tuple(other for other in group if other != cylinder)
            flags[cylinder - 1].append(note(BalanceNote.SHARED_INJECTOR_DRIVER, with_cylinders=others))
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
    """Trims in percent, float64[cylinders] each: exact, in steps, and in the nearest steps."""
    members = [[cylinder - 1 for cylinder in group] for group in groups]
    pooled = [_pool_needs(of_group) if (of_group := _known_all(needs, m)) else None for m in members]
    wanted = _WantedTrims.of(
        session,
        np.array([now[m].mean() for m in members]),
        np.array([fuel[m].sum() for m in members]),
        pooled,
    )
    step = session.trims.step_percent
    found = wanted.exact, wanted.round_to_step(step), wanted.nearest_step(step, 0.0)
    sizes = [len(m) for m in members]
    by_cylinder = np.argsort(np.concatenate(members))
    exact, rounded, nearest = (np.repeat(one, sizes)[by_cylinder] for one in found)
    return exact, rounded, nearest


def _known_all(needs: list[Estimate | None], members: list[int]) -> list[Estimate]:
    """The needs of all members; none where one is not known."""
    known = [need for i in members if (need := needs[i]) is not None]
    return known if len(known) == len(members) else []


@dataclass(frozen=True, slots=True, eq=False)
class _WantedTrims:
    """What g groups of cylinders with one trim each should get. Percent, float64[g].

    held    trims that the ECU holds
    fuel    base fuel, any unit
    exact   trims before rounding: by the needs without what may be noise, within limits
    lowest, highest  trims may lie between them: from now to half a step beyond the need, within limits
    """

    held: Floats
    fuel: Floats
    exact: Floats
    lowest: Floats
    highest: Floats

    @classmethod
    def of(cls, session: Session, held: Floats, fuel: Floats, needs: list[Estimate | None]) -> _WantedTrims:
        """From base fuel and needs, one a group; None where a need is not known."""
        known = np.array([need is not None for need in needs])
        mean, half, error = np.array([(n.mean, n.half, n.standard_error) for n in needs if n is not None]).T
        shrunk = shrink_to_median(mean, error)[0]
        clear = np.abs(mean) > half
        moves = {"need": np.where(clear, mean, 0.0), "wanted": np.where(clear, _in_order(mean, shrunk), 0.0)}
        trims = {name: held.copy() for name in moves}
        for name, by in moves.items():
            trims[name][known] += (100 + held[known]) * np.expm1(by)
        rules, change = session.trims, trims["need"] - held
        least = np.minimum(held, rules.lowest_percent)
        most = np.maximum(held, rules.highest_percent)
        beyond = rules.step_percent / 2
        return cls(
            held=held,
            fuel=fuel,
            exact=np.clip(trims["wanted"], least, most),
            lowest=np.maximum(held + np.where(change < 0, change - beyond, 0.0), least),
            highest=np.minimum(held + np.where(change > 0, change + beyond, 0.0), most),
        )

    def nearest_step(self, step: float, shift: float) -> Floats:
        """The whole step nearest to each trim and a common shift, percent.

        Trims that may not move, or have no whole step to move to, stay as they are.
        """
        lowest = np.ceil(self.lowest / step - _STEP_SLACK)
        highest = np.floor(self.highest / step + _STEP_SLACK)
        units = np.clip(np.floor((self.exact + shift) / step + 0.5 + _STEP_SLACK), lowest, highest)
        trims = np.round(units * step, _decimals(step)) + 0.0
        moves = (lowest <= highest) & (self.lowest < self.highest)
        moves &= np.abs(trims - self.held) > _STEP_SLACK * step
        return np.where(moves, trims, self.held)

    def round_to_step(self, step: float) -> Floats:
        """Trims in whole steps, percent: the nearest to the trims and a common shift.

        It is the smallest shift, of `_MOST_SHIFT` at most, with which the total fuel is within half a step of
        one mean cylinder of that of now; none where no shift does that.
        """
        to_next = self.exact / step - np.floor(self.exact / step) - 0.5
        shifts = np.concatenate([-to_next + _STEP_SLACK * 2, -to_next - _STEP_SLACK * 2])
        shifts = np.concatenate([[0.0], shifts[np.abs(shifts) <= _MOST_SHIFT]]) * step
        share = self.fuel / self.fuel.mean()
        for shift in sorted(shifts.tolist(), key=abs):
            trims = self.nearest_step(step, shift)
            if abs(float((share * (trims - self.held)).sum())) <= step / 2 + _STEP_SLACK:
                return trims
        return self.nearest_step(step, 0.0)


def _decimals(step: float) -> int:
    """Decimal digits of a step as it was written, so that its multiples have no more.

    >>> _decimals(0.1), _decimals(0.25), _decimals(2.0)
    (1, 2, 1)
    """
    return max(-int(Decimal(repr(step)).as_tuple().exponent), 0)


def _in_order(mean: Floats, shrunk: Floats) -> Floats:
    """Needs without what may be noise, between zero and the needs, and in the order of these.

    A need that is less sure is shrunk more; it gets at least what a smaller one of the same sign gets.
    """
    out = np.zeros(len(mean))
    for sign in (-1.0, 1.0):
        own = np.flatnonzero(sign * mean > 0)
        own = own[np.argsort(np.abs(mean[own]), kind="stable")]
        out[own] = sign * np.maximum.accumulate(np.clip(sign * shrunk[own], 0.0, np.abs(mean[own])))
    return out


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


def shrink_to_median(means: Floats, errors: Floats) -> tuple[Floats, Floats]:
    """Needs float64[n] shrunk to their median, and the share of their standard errors that is left then.

    Needs are shrunk as far as their own errors can explain that they differ. Where cylinders are alike,
    their estimates differ by noise, and noise entered as trims would make them unlike; where they are not
    alike, almost nothing is shrunk.

    Empirical Bayes with limited translation (from memory: Efron & Morris, J. Am. Stat. Assoc. 67,
    1972): a cylinder far outside the others stays where it is. The variance between the others is
    taken at the lower end of its 95 % interval (chi square): as alike as the cylinders can be.
    """
    middle = np.median(means)
    away = means - middle
    typical = max(robust_deviation(away), float(np.median(errors)))
    inside = np.abs(away) <= _OUTLYING_SIGMAS * typical
    least = float((away[inside] ** 2).sum()) / chi_square_point(
        max(int(inside.sum()) - 1, 1), NORMAL_95_SIX_DECIMALS
    )
    between = max(0.0, least - float(np.mean(errors[inside] ** 2)))
    keep = np.where(inside, between / (between + errors**2), 1.0)
    return middle + keep * away, np.sqrt(keep)
