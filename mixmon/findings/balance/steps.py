"""The best set of trims in the engine control's steps, by exact search.

    wanted trims, needs and limits -> WantedTrims   what each trim wants, and between what it may lie
                                   -> best_steps    the best of all allowed sets

Rules, which no set breaks: a trim whose need is within error of zero, or not known, stays where it is; no
trim moves against its need, or beyond it by more than half a step, or past a limit; rounding takes a trim
from what it wants by three quarters of a step at most (farther only to the last step before a limit); of two
trims that are alike now the one with the larger need never gets the smaller change, and equal needs get equal
changes.

The best of the sets that keep the rules is, each of these decided among the sets that are alike before it:

    1. one that keeps the engine's fuel, within half a step of one mean cylinder, if there is any;
    2. what is left lies closest together: the least range of wanted less new, over all trims;
    3. the engine's fuel changes least;
    4. the fewest trims change, so that zeros stay;
    5. the trims themselves are smallest.

Where no rule binds and all fuel counts alike this is the method of the largest remainders (Hamilton's; from
memory: Balinski & Young, Fair Representation, 1982): of all sets of one total it has the least range.
Where the fuel cannot be kept, nobody pays for it: what is left over is fuel for the whole engine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Floats, Ints
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate, chi_square_point, robust_deviation
from mixmon.session.model import Trims

STEP_SLACK = 1e-9
"""Steps by which a value may miss a whole step and count as it: our choice, for rounding errors."""

_MOST_ROUNDING = 0.75
"""Steps by which rounding may take a trim from what it wants: our choice; half a step that every rounding
costs, and a quarter for the sake of the others."""

_OUTLYING_SIGMAS = 3.0
"""Standard deviations from which a need is not shrunk: our choice; of sixteen cylinders that are alike, one
is so far out by chance in one engine of twenty-five."""


@dataclass(frozen=True, slots=True, eq=False)
class WantedTrims:
    """What g groups of cylinders with one trim each should get. Percent, float64[g].

    held    trims that the ECU holds
    fuel    base fuel, any unit
    exact   trims before rounding: by the needs without what may be noise, within limits
    needed  by the whole needs, also beyond limits; `held` where the need is within error of zero
    lowest, highest  trims may lie between them: from now to half a step beyond the need, within limits
    """

    held: Floats
    fuel: Floats
    exact: Floats
    needed: Floats
    lowest: Floats
    highest: Floats

    @classmethod
    def of(
        cls,
        rules: Trims,
        held: Floats,
        fuel: Floats,
        needs: Sequence[Estimate | None],
        *,
        limits: tuple[Floats, Floats] | None = None,
    ) -> WantedTrims:
        """From base fuel and needs, one a group; None where a need is not known.

        limits  lowest and highest trim of each group, float64[g]; None: those of the rules
        """
        floor, ceiling = limits or (rules.lowest_percent, rules.highest_percent)
        exact, needed = held.copy(), held.copy()
        known = np.array([need is not None for need in needs], np.bool_)
        if known.any():
            mean, half, error = np.array(
                [(n.mean, n.half, n.standard_error) for n in needs if n is not None]
            ).T
            clear = np.abs(mean) > half
            wanted = _in_order(mean, shrink_to_median(mean, error)[0])
            for trims, by in ((needed, mean), (exact, wanted)):
                trims[known] += (100 + held[known]) * np.expm1(np.where(clear, by, 0.0))
        change, beyond = needed - held, rules.step_percent / 2
        least = np.minimum(held, floor)
        most = np.maximum(held, ceiling)
        return cls(
            held=held,
            fuel=fuel,
            exact=np.clip(exact, least, most),
            needed=needed,
            lowest=np.maximum(held + np.where(change < 0, change - beyond, 0.0), least),
            highest=np.minimum(held + np.where(change > 0, change + beyond, 0.0), most),
        )

    def nearest_steps(self, step: float) -> Floats:
        """Each trim in the whole step nearest to it; one that may not move, or has no step, stays."""
        return np.array([self.steps_in_reach(i, step)[0] for i in range(len(self.held))])

    def steps_in_reach(self, i: int, step: float) -> Floats:
        """What one trim may become, the nearest to what it wants first."""
        held, exact = self.held[i], self.exact[i]
        first = np.ceil(self.lowest[i] / step - STEP_SLACK)
        last = np.floor(self.highest[i] / step + STEP_SLACK)
        if self.lowest[i] == self.highest[i] or first > last:
            return np.array([held])
        steps = np.round(np.arange(first, last + 1) * step, _decimals(step)) + 0.0
        steps = np.where(np.abs(steps - held) <= STEP_SLACK * step, held, steps)
        steps = np.unique(np.append(steps, held))
        off = np.abs(steps - exact)
        near = off <= max((_MOST_ROUNDING + STEP_SLACK) * step, float(off.min()))
        order = np.lexsort((-np.abs(steps), np.round(off / step, 9)))
        found: Floats = steps[order][near[order]]
        return found


def best_steps(wanted: WantedTrims, step: float) -> Floats:
    """The best set of trims in whole steps, percent, float64[g]; see the head of this module.

    Trims that stay are not rounded.
    """
    share = wanted.fuel / wanted.fuel.mean()
    order = np.lexsort((wanted.needed, wanted.held)).tolist()
    sets, before = [_Sets.none()], None
    for i in order:
        choice = _Choice(wanted.steps_in_reach(i, step), wanted.exact[i], wanted.held[i], share[i])
        alike = before is not None and wanted.held[before] == wanted.held[i]
        equal = alike and wanted.needed[before] == wanted.needed[i]
        sets.append(sets[-1].joined_by(choice, alike=alike, equal=equal))
        before = i
    out, best = np.empty(len(order)), sets[-1].find_best(step)
    for i, so_far in zip(reversed(order), reversed(sets), strict=False):
        out[i], best = so_far.newest[best], so_far.without[best]
    return out


class _Choice(NamedTuple):
    """What one trim may become, float64[s], what it wants and holds, and its share of the fuel."""

    steps: Floats
    exact: float
    held: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class _Sets:
    """Sets of the trims so far, k of them, and by what they are judged. float64[k] each, but `without`.

    newest       the trim that was added last
    without      int64[k], number of the set that it was added to
    added        what they add to the fuel, percent of one mean cylinder
    least, most  what is left of what is wanted, from the least to the most
    moved        trims that change
    size         sum of the trims without their signs
    """

    newest: Floats
    without: Ints
    added: Floats
    least: Floats
    most: Floats
    moved: Floats
    size: Floats

    @classmethod
    def none(cls) -> _Sets:
        """The set of no trims."""
        one = np.zeros(1)
        return cls(one, np.zeros(1, np.int64), one, one + np.inf, one - np.inf, one, one)

    def joined_by(self, choice: _Choice, *, alike: bool, equal: bool) -> _Sets:
        """Every set with everything that the next trim may become, in order where both are alike now."""
        sets = np.repeat(np.arange(len(self.added)), len(choice.steps))
        picks = np.tile(choice.steps, len(self.added))
        if alike:
            before = self.newest[sets]
            kept = picks == before if equal else picks >= before
            sets, picks = sets[kept], picks[kept]
        left = choice.exact - picks
        return _Sets(
            picks,
            sets,
            self.added[sets] + choice.share * (picks - choice.held),
            np.minimum(self.least[sets], left),
            np.maximum(self.most[sets], left),
            self.moved[sets] + (picks != choice.held),
            self.size[sets] + np.abs(picks),
        )

    def find_best(self, step: float) -> int:
        """The number of the best set."""
        added = np.round(np.abs(self.added) / step, 9)
        keys = (
            self.size,
            self.moved,
            added,
            np.round((self.most - self.least) / step, 9),
            added > 0.5 + STEP_SLACK,
        )
        return int(np.lexsort(keys)[0])


def _decimals(step: float) -> int:
    """Decimal digits of a step as it was written, so that its multiples have no more.

    >>> _decimals(0.1), _decimals(0.25), _decimals(2.0)
    (1, 2, 1)
    """
    return max(-int(Decimal(repr(step)).as_tuple().exponent), 0)


def _in_order(mean: Floats, shrunk: Floats) -> Floats:
    """Needs without what may be noise, between zero and the needs, and in the order of these.

    A need that is less sure is shrunk more; it gets at least what a smaller one of the same sign gets, and as
    much as an equal one.
    """
    out = np.zeros(len(mean))
    for sign in (-1.0, 1.0):
        own = np.flatnonzero(sign * mean > 0)
        own = own[np.argsort(np.abs(mean[own]), kind="stable")]
        size = np.abs(mean[own])
        grown = np.maximum.accumulate(np.clip(sign * shrunk[own], 0.0, size))
        out[own] = sign * grown[np.searchsorted(size, size, side="right") - 1]
    return out


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
