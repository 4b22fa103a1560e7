"""Trims: from needs to the numbers to enter in the ECU, or the reasons for which none are offered.

    needs by node -> by cylinder -> pooled by injector driver -> shrunk to their median
          -> targets: zero where within error of zero -> limits -> same total fuel -> the ECU's steps

Trims multiply: a factor f = 1 + t/100 on a cylinder's fuel. A cylinder that reads m times the reference
needs m times its factor. `plan_trims` is the whole way; the steps follow it, the arithmetic on factors last.

Fuel is counted as it is burnt: a cylinder with air a, lambda l and factor f has the base fuel a / (l f), so
unequal injectors, unequal air and trims that are in place are all in it, and the reference and the total
rest on one assumption, that of the air.

Invariants: a need that is within error of zero moves nothing; no trim changes against its need, or beyond
it by more than half a step. Within these the engine's total fuel stays as it is. What cannot be placed is
left off and told as fuel for the whole engine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate, robust_deviation
from mixmon.messages.cautions import pairing_cautions
from mixmon.note import Note, note
from mixmon.session.charges import relative_charges
from mixmon.session.injectors import trimmed_together
from mixmon.session.model import Session

_OUTLYING_SIGMAS = 3.0
"""Standard deviations from which a need is not shrunk: our choice; of sixteen cylinders that are alike, one
is so far out by chance in one engine of twenty-five."""

Groups = tuple[tuple[int, ...], ...]
"""Cylinders that can only have one trim, each group in order; see `session.injectors`."""

_LEAST_ERROR = 1e-9
"""Our choice: a need without any error, as only made-up data have, weighs much and not infinitely much."""

_SCALE_HALVINGS = 200
"""Halvings of the range of the common scale: our choice; some sixty reach the last digit of a double."""

_SUM_SLACK = 1e-12
"""Part by which the total may lie outside the limits: our choice, for rounding errors of a sum."""

_STEP_SLACK = 1e-9
"""Steps by which a value may miss a whole step and count as it: our choice, for rounding errors."""

_AT_LIMIT_PERCENT = 1e-9
"""Distance below which a trim is at its limit: our choice, for rounding errors."""

_DIGITS = 9
"""Decimals to which ways of rounding are compared, percent: our choice, so that rounding errors of a sum do
not decide between two that are alike."""


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
    """Trims that make the cylinders alike and leave the engine's total fuel as it is.

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
    withheld = blocked + _block_by_engine(session, groups) + _need_enough(groups, need)
    exact, rounded = now.copy(), now.copy()
    if not withheld:
        exact, rounded = _solve_trims(session, now, fuel, need, groups)
        _flag_trims(session, need, exact=exact, rounded=rounded, now=now, flags=flags)
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
    return Estimate(mean, widest * error, error, sum(need.effective for need in single))


def _solve_trims(
    session: Session, now: Floats, fuel: Floats, needs: list[Estimate | None], groups: Groups
) -> tuple[Floats, Floats]:
    """Exact and rounded trims in percent; float64[cylinders] each."""
    members = [[cylinder - 1 for cylinder in group] for group in groups]
    pooled = [_pool_needs(of_group) if (of_group := _known_all(needs, m)) else None for m in members]
    wanted = _WantedTrims.of(
        session,
        np.array([now[m].mean() for m in members]),
        np.array([fuel[m].sum() for m in members]),
        pooled,
    )
    exact = wanted.exact()
    rounded = wanted.round_to_step(exact, session.trims.step_percent)
    sizes = [len(m) for m in members]
    by_cylinder = np.argsort(np.concatenate(members))
    return np.repeat(exact, sizes)[by_cylinder], np.repeat(rounded, sizes)[by_cylinder]


def _known_all(needs: list[Estimate | None], members: list[int]) -> list[Estimate]:
    """The needs of all members; none where one is not known."""
    known = [need for i in members if (need := needs[i]) is not None]
    return known if len(known) == len(members) else []


@dataclass(frozen=True, slots=True, eq=False)
class _WantedTrims:
    """What g groups of cylinders with one trim each should get. Factors float64[g], limits included.

    held    trims that the ECU holds, percent
    now     the same as factors
    fuel    base fuel, any unit
    need    factors by the needs as measured: no trim may go farther, but for rounding
    wanted  by the needs without what may be noise
    nearest, farthest  how little and how much may be taken instead, so that the total stays
    lowest, highest  limits
    """

    held: Floats
    now: Floats
    fuel: Floats
    need: Floats
    wanted: Floats
    nearest: Floats
    farthest: Floats
    lowest: Floats
    highest: Floats

    @classmethod
    def of(cls, session: Session, held: Floats, fuel: Floats, needs: list[Estimate | None]) -> _WantedTrims:
        """From base fuel and needs, one a group; None where a need is not known."""
        known = np.array([need is not None for need in needs])
        mean, half, error = np.array([(n.mean, n.half, n.standard_error) for n in needs if n is not None]).T
        shrunk = shrink_to_median(mean, error)[0]
        clear = np.abs(mean) > half
        size = np.clip(np.sign(mean) * shrunk, 0, np.abs(mean))
        half_step = session.trims.step_percent / 200
        near = np.clip(np.abs(mean) - np.maximum(half, half_step), 0, size)
        factors = 1 + held / 100

        def moved(by: Floats) -> Floats:
            out = factors.copy()
            out[known] *= np.exp(np.where(clear, np.sign(mean) * by, 0.0))
            return out

        return cls(
            held=held,
            now=factors,
            fuel=fuel,
            need=moved(np.abs(mean)),
            wanted=moved(size),
            nearest=moved(near),
            farthest=moved(size + half_step),
            lowest=np.minimum(factors, 1 + session.trims.lowest_percent / 100),
            highest=np.maximum(factors, 1 + session.trims.highest_percent / 100),
        )

    def exact(self) -> Floats:
        """Trims before rounding, percent.

        What one group may not take because of its limits, the others share, all in proportion, down to
        no change at all. What is missing because small needs move nothing, they share as far as their
        intervals and half a step allow; where that is not enough, the total is left off by all of it.
        """
        kept = np.clip(self.wanted, self.lowest, self.highest)
        if (kept != self.wanted).any():
            kept = self._share_out(kept, self.now, kept, float((self.fuel * self.wanted).sum()))
        farthest = np.clip(self.farthest, self.lowest, self.highest)
        kept = self._share_out(kept, self.nearest, farthest, float((self.fuel * self.now).sum()))
        return np.where(self.need == self.now, self.held, 100 * (kept - 1))

    def _share_out(self, kept: Floats, one_end: Floats, other_end: Floats, total: float) -> Floats:
        """The factors moved between the ends until the fuel is `total`; as they are if that cannot be."""
        lowest = np.minimum(kept, np.minimum(one_end, other_end))
        highest = np.maximum(kept, np.maximum(one_end, other_end))
        moved = keep_total(kept, self.fuel, lowest, highest, total)
        return kept if moved is None else moved

    def round_to_step(self, exact: Floats, step: float) -> Floats:
        """Trims in whole steps, percent; those that may not move keep what they have."""
        change = 100 * (self.need - self.now)
        least = self.held + np.where(change < 0, change - step / 2, 0.0)
        most = self.held + np.where(change > 0, change + step / 2, 0.0)
        least = np.maximum(least, 100 * (self.lowest - 1))
        most = np.minimum(most, 100 * (self.highest - 1))
        moves = change != 0
        choices = [
            (choices_of(value, step, low, high) if move else []) or [held]
            for value, low, high, held, move in zip(exact, least, most, self.held, moves, strict=True)
        ]
        return best_choices(choices, exact, self.fuel, step)


def _flag_trims(
    session: Session,
    needs: list[Estimate | None],
    *,
    exact: Floats,
    rounded: Floats,
    now: Floats,
    flags: list[list[Note]],
) -> None:
    """Adds to the flags of the cylinders that need a change what to know about their new trims."""
    trims = session.trims
    for i, need in enumerate(needs):
        if need is None or (_within_error(need) and exact[i] == now[i]):
            continue
        if min(exact[i] - trims.lowest_percent, trims.highest_percent - exact[i]) < _AT_LIMIT_PERCENT:
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
    least = float((away[inside] ** 2).sum()) / _chi2_upper(max(int(inside.sum()) - 1, 1))
    between = max(0.0, least - float(np.mean(errors[inside] ** 2)))
    keep = np.where(inside, between / (between + errors**2), 1.0)
    return middle + keep * away, np.sqrt(keep)


def _chi2_upper(degrees: int) -> float:
    """The 97.5 % point of chi square (Wilson & Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory)."""
    part = 2 / (9 * degrees)
    return float(degrees * (1 - part + NORMAL_95_SIX_DECIMALS * np.sqrt(part)) ** 3)


# ----------------------------------------------------------------------------------------------------
# Arithmetic on factors: the reference, the total fuel, whole steps.
# ----------------------------------------------------------------------------------------------------


def reference_lambda(lam: Floats, factors: Floats, fuel: Floats) -> float:
    """The engine's lambda: the fuel-weighted mean of the cylinders' lambda.

    lam, factors, fuel: float64[n]; a cylinder's fuel is its base fuel times its factor.
    Aiming at this value leaves the total fuel as it is, exactly.
    """
    burnt = factors * fuel
    return float((burnt * lam).sum() / burnt.sum())


def keep_total(factors: Floats, fuel: Floats, lowest: Floats, highest: Floats, total: float) -> Floats | None:
    """The factors, scaled in common and kept within limits, so that the fuel is `total`; None if none does.

    factors, fuel, lowest, highest: float64[n]; equal limits pin a cylinder. The common scale
    is found by bisection; the last step is exact, so that the sum holds to rounding error.
    """
    room = (float((fuel * lowest).sum()), float((fuel * highest).sum()))
    slack = _SUM_SLACK * abs(total)
    if not room[0] - slack <= total <= room[1] + slack:
        return None
    below, above = 0.0, float(np.max(highest / factors)) + 1.0
    for _ in range(_SCALE_HALVINGS):
        middle = 0.5 * (below + above)
        if float((fuel * np.clip(middle * factors, lowest, highest)).sum()) < total:
            below = middle
        else:
            above = middle
    kept = np.clip(above * factors, lowest, highest)
    free = (kept > lowest) & (kept < highest)
    if free.any():
        rest = total - float((fuel * kept)[~free].sum())
        kept[free] *= rest / float((fuel * kept)[free].sum())
    return kept


def choices_of(percent: float, step: float, lowest: float, highest: float) -> list[float]:
    """The whole steps next to `percent`, below and above, that lie within the limits.

    >>> choices_of(0.7, 0.5, 0.0, 0.95), choices_of(1.0, 0.5, 0.0, 1.25)
    ([0.5], [1.0])
    """
    units = percent / step
    down, up = math.floor(units + _STEP_SLACK), math.ceil(units - _STEP_SLACK)
    slack = _STEP_SLACK * step
    return [n * step + 0.0 for n in sorted({down, up}) if lowest - slack <= n * step <= highest + slack]


def best_choices(choices: list[list[float]], exact: Floats, fuel: Floats, step: float) -> Floats:
    """One of the trims of each cylinder, so that all together are best; float64[n].

    choices  trims, percent, one or two a cylinder
    exact    float64[n], trims before rounding
    fuel     float64[n], base fuel in any unit

    Best is, first, a total fuel within half a step of one mean cylinder of that of the exact trims, or as
    near to that as can be; then the least sum of squares of what rounding moves; then the least change
    of the fuel. Every combination is tried: 65536 of sixteen cylinders.
    """
    share = fuel / fuel.mean()
    moved, squares = np.zeros(1), np.zeros(1)
    for offered, value, weight in zip(choices, exact, share, strict=True):
        away = np.array(offered) - value
        moved = (moved[:, None] + weight * away).ravel()
        squares = (squares[:, None] + away**2).ravel()
    off = np.round(np.abs(moved), _DIGITS)
    beyond = np.maximum(off - step / 2, 0.0)
    best = np.lexsort((off, np.round(squares, _DIGITS), beyond))[0]
    places = np.unravel_index(best, [len(offered) for offered in choices])
    return np.array([offered[k] for offered, k in zip(choices, places, strict=True)])
