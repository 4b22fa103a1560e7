"""Trims: from needs to the numbers to enter in the ECU, or the reasons for which none are offered.

    needs by node -> by cylinder -> pooled by injector driver -> shrunk to their median
          -> factors -> scaled to the same mean fuel within limits -> rounded to the ECU's step

Trims multiply: a factor f = 1 + t/100 on a cylinder's fuel. A cylinder that reads m times the reference
needs m times its factor. `plan_trims` is the whole way; the steps follow it, the arithmetic on factors last.

Invariants: the engine's total fuel does not change. The factors are scaled together until their mean is
what it was; what one cylinder may not take because of its limits, the others share. Rounding moves the mean
by at most half a step over the number of cylinders.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.errors import RangeError
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate, robust_deviation
from mixmon.messages.cautions import pairing_cautions
from mixmon.note import Note, note
from mixmon.session.injectors import trimmed_together
from mixmon.session.model import Session

_OUTLYING_SIGMAS = 3.0
"""Standard deviations from which a need is not shrunk: our choice; of sixteen cylinders that are alike, one
is so far out by chance in one engine of twenty-five."""

Groups = tuple[tuple[int, ...], ...]
"""Cylinders that can only have one trim, each group in order; see `session.injectors`."""

_LEAST_ERROR = 1e-9
"""Our choice: a need without any error, as only made-up data have, weighs much and not infinitely much."""

_MEAN_HALVINGS = 200
"""Halvings of the range of the common scale: our choice; some sixty reach the last digit of a double."""

_SUM_SLACK = 1e-12
"""Part by which the total may lie outside the limits: our choice, for rounding errors of a sum."""

_STEP_SLACK = 1e-9
"""Steps by which a value may miss a whole step and count as it: our choice, for rounding errors."""

_AT_LIMIT_PERCENT = 1e-9
"""Distance below which a trim is at its limit: our choice, for rounding errors."""


class MeanOutOfReachError(RangeError):
    """No trims within the limits leave the engine's total fuel as it is.

    mean             factor that the trims now have on average, and should keep
    lowest, highest  mean factors that the limits allow
    """

    def __init__(self, mean: float, lowest: float, highest: float) -> None:
        self.mean, self.lowest, self.highest = mean, lowest, highest
        super().__init__(
            f"trims: mean factor {mean:.5f} cannot be kept; the limits allow {lowest:.5f} to {highest:.5f}; "
            "widen [trims] lowest_percent and highest_percent or change the base map"
        )


@dataclass(frozen=True, slots=True, eq=False)
class TrimPlan:
    """What to enter. Percent, one a cylinder; `new` is NaN throughout when withheld.

    exact  float64[cylinders]  before rounding: the mean fuel is what it was, to rounding error
    moves  float64[nodes]      ln of the change of fuel that each node's cylinders will see
    flags  notes on the trim, one tuple a cylinder
    """

    now: tuple[float, ...]
    exact: tuple[float, ...]
    new: tuple[float, ...]
    moves: Floats
    flags: tuple[tuple[Note, ...], ...]
    withheld: tuple[Note, ...]
    notes: tuple[Note, ...]


def plan_trims(session: Session, needs: tuple[Estimate, ...], blocked: tuple[Note, ...] = ()) -> TrimPlan:
    """Trims that make the cylinders alike and leave the engine's total fuel as it is.

    needs: ln lambda against peers, one a node. A cylinder whose need is not known keeps its trim. The
    others move by their needs without what may be noise (`shrink_to_median`); none of them is held
    fixed, or the others would have to carry the mean for it. Cylinders that share an
    injector driver get one trim: by the mean of their needs, weighted by the inverse squares of their
    errors; where one of them is not known, both keep theirs.

    blocked: reasons to withhold trims, whatever the needs.
    """
    count = session.engine.cylinders
    held = session.trims.now_percent
    now = np.zeros(count) if held is None else np.array(held)
    notes = _list_assumptions(session)
    need = _needs_by_cylinder(session, needs)
    groups = trimmed_together(session)
    known = _mark_movable(groups, need)
    flags = [_flag_need(one) for one in need]
    _flag_shared_drivers(groups, need, flags)
    withheld = blocked + _block_by_engine(session, groups) + _need_enough(groups, need)
    exact, rounded = now.copy(), now.copy()
    if not withheld:
        try:
            exact, rounded = _solve_trims(session, now, need, groups)
        except MeanOutOfReachError as problem:
            withheld = (
                note(
                    BalanceNote.LIMITS_TOO_NARROW,
                    mean_factor=problem.mean,
                    lowest_factor=problem.lowest,
                    highest_factor=problem.highest,
                ),
            )
    moves = np.log((1 + rounded / 100) / (1 + now / 100))
    if not withheld:
        _flag_trims(session, exact=exact, rounded=rounded, now=now, moving=known, flags=flags)
    first = [node.cylinders[0] - 1 for node in session.chain.nodes]
    none = np.full(count, np.nan)
    return TrimPlan(
        now=tuple(now.tolist()),
        exact=tuple((none if withheld else exact).tolist()),
        new=tuple((none if withheld else rounded).tolist()),
        moves=moves[first],
        flags=tuple(tuple(f) for f in flags),
        withheld=withheld,
        notes=notes,
    )


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
    return [note(BalanceNote.WITHIN_ERROR_OF_ZERO)] if abs(need.mean) <= need.half else []


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


def _pool_needs(needs: list[Estimate]) -> tuple[float, float]:
    """Mean and standard error of the needs of one group, weighted by the inverse squares of their errors.

    Needs that come from one sensor are one and the same, and count once.
    """
    single = list(dict.fromkeys(needs))
    if len(single) == 1:
        return single[0].mean, single[0].standard_error
    weights = np.array([1 / max(need.standard_error, _LEAST_ERROR) ** 2 for need in single])
    mean = float((weights * [need.mean for need in single]).sum() / weights.sum())
    return mean, float(1 / np.sqrt(weights.sum()))


def _solve_trims(
    session: Session, now: Floats, needs: list[Estimate | None], groups: Groups
) -> tuple[Floats, Floats]:
    """Exact and rounded trims in percent; float64[cylinders] each."""
    members = [[cylinder - 1 for cylinder in group] for group in groups]
    sizes = np.array([len(group) for group in groups])
    pooled = [_pool_needs(of_group) if (of_group := _known_all(needs, m)) else None for m in members]
    exact, rounded = _solve_groups(session, np.array([now[m].mean() for m in members]), sizes, pooled)
    by_cylinder = np.argsort(np.concatenate(members))
    return np.repeat(exact, sizes)[by_cylinder], np.repeat(rounded, sizes)[by_cylinder]


def _known_all(needs: list[Estimate | None], members: list[int]) -> list[Estimate]:
    """The needs of all members; none where one is not known."""
    known = [need for i in members if (need := needs[i]) is not None]
    return known if len(known) == len(members) else []


def _solve_groups(
    session: Session, now: Floats, sizes: Ints, needs: list[tuple[float, float] | None]
) -> tuple[Floats, Floats]:
    """Exact and rounded trims in percent, one for each group of cylinders; float64[groups] each."""
    trims = session.trims
    factors, shares = 1 + now / 100, sizes / sizes.sum()
    known = np.array([need is not None for need in needs])
    means, errors = np.array([need for need in needs if need is not None]).T
    lam = np.ones(len(now))
    lam[known] = np.exp(shrink_to_median(means, errors)[0])
    reference = reference_lambda(lam[known], factors[known], shares[known])
    wanted = np.where(known, factors * lam / reference, factors)
    lowest = np.where(known, 1 + trims.lowest_percent / 100, factors)
    highest = np.where(known, 1 + trims.highest_percent / 100, factors)
    total = float((shares * factors).sum())
    exact = 100 * (keep_mean(wanted, shares, lowest, highest, total) - 1)
    rounded = now.copy()
    rounded[known] = round_to_step(
        exact[known], trims.step_percent, trims.lowest_percent, trims.highest_percent
    )
    return exact, rounded


def _flag_trims(
    session: Session,
    *,
    exact: Floats,
    rounded: Floats,
    now: Floats,
    moving: Bools,
    flags: list[list[Note]],
) -> None:
    """Adds to the flags of the cylinders whose trims move what to know about their new trims."""
    trims = session.trims
    for i in np.flatnonzero(moving):
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
# Arithmetic on factors: the reference, the mean fuel, whole steps.
# ----------------------------------------------------------------------------------------------------


def reference_lambda(lam: Floats, factors: Floats, shares: Floats) -> float:
    """The engine's lambda: the fuel-weighted mean of the cylinders' lambda.

    lam, factors, shares: float64[n]; a cylinder's fuel is its base share times its factor.
    Aiming at this value leaves the total fuel as it is, exactly.
    """
    fuel = factors * shares
    return float((fuel * lam).sum() / fuel.sum())


def keep_mean(factors: Floats, shares: Floats, lowest: Floats, highest: Floats, total: float) -> Floats:
    """The factors, scaled in common and kept within limits, so that their weighted sum is `total`.

    factors, shares, lowest, highest: float64[n]; equal limits pin a cylinder. The common scale
    is found by bisection; the last step is exact, so that the sum holds to rounding error.

    Raises:
        MeanOutOfReachError: no scale reaches `total` within the limits.
    """
    room = (float((shares * lowest).sum()), float((shares * highest).sum()))
    slack = _SUM_SLACK * abs(total)
    if not room[0] - slack <= total <= room[1] + slack:
        all_fuel = float(shares.sum())
        raise MeanOutOfReachError(total / all_fuel, room[0] / all_fuel, room[1] / all_fuel)
    below, above = 0.0, float(np.max(highest / factors)) + 1.0
    for _ in range(_MEAN_HALVINGS):
        middle = 0.5 * (below + above)
        if float((shares * np.clip(middle * factors, lowest, highest)).sum()) < total:
            below = middle
        else:
            above = middle
    kept = np.clip(above * factors, lowest, highest)
    free = (kept > lowest) & (kept < highest)
    if free.any():
        rest = total - float((shares * kept)[~free].sum())
        kept[free] *= rest / float((shares * kept)[free].sum())
    return kept


def round_to_step(percent: Floats, step: float, lowest: float, highest: float) -> Floats:
    """Whole steps whose sum is nearest the sum of `percent`: floor all, give the rest by size.

    percent: float64[n]. Largest remainders first, equal ones in cylinder order (from memory:
    Balinski & Young, Fair Representation, 1982, Hamilton's method). Each value moves by less than
    a step and the mean by at most step / (2 n), unless a limit leaves no room.
    """
    units = percent / step
    bottom, top = math.ceil(lowest / step - _STEP_SLACK), math.floor(highest / step + _STEP_SLACK)
    down = np.clip(np.floor(units + _STEP_SLACK), bottom, top)
    spare = math.floor(float(units.sum() - down.sum()) + 0.5)
    while spare > 0 and (down < top).any():
        for i in np.argsort(-(units - down), kind="stable"):
            if spare > 0 and down[i] < top:
                down[i] += 1
                spare -= 1
    while spare < 0 and (down > bottom).any():  # the lower limit took more than there was
        for i in np.argsort(units - down, kind="stable"):
            if spare < 0 and down[i] > bottom:
                down[i] -= 1
                spare += 1
    return down * step + 0.0
