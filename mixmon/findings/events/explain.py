"""Which gas explains a bump: a mixture, charges that did not burn, or both at once.

    PulseFit, MissedCharge -> explain_by_mixture   pulses of any length below what a burning mixture can show
                           -> explain_by_misfire   whole cycles as high as unburnt charges
                           -> explain_by_both      a lean step, and missed cycles within it
    lags that the sensor may have -> explain       the best explanation of each kind over all of them

Why both: a cylinder that is lean for seconds and misses within it has too much oxygen for its missed cycles
and too high peaks for a mixture. Misfires alone would fill the lean time with cycles that burnt.

Why several lags: behind the lag of a slow sensor missed cycles look like a lean mixture behind a usual one.
A lag that was measured is right within some ten percent; one that was not may be anything that sensors in
service have. The fall after the bump has the lag in it, so often one kind fits at no lag at all; where two
kinds fit, each at a lag of its own, only a measured lag can tell them apart.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from mixmon.findings.events.pulses import (
    Pulse,
    PulseFit,
    PulseSearch,
    place_anew,
    settle,
    total_misfit,
    with_misfit,
)
from mixmon.gas.lag import SensorLag

LOWEST_OF_MISSED, HIGHEST_OF_LEAN = 0.7, 0.6
"""In parts of the height of a missed charge by the slowest reading (k_d of `VAPOUR_KNUDSEN`):
a pulse at least so high may be a misfire, one at most so high a mixture. They overlap because
the sensor's lag is known to some ten percent."""

_HIGHEST_OF_MISSED = 1.1
"""In parts of the height by `VAPOUR_MOLECULAR`: the same ten percent above the highest."""

_SHORT_S, _SHORT_BONUS = 0.060, 15.0
"""For each pulse of a mixture shorter than a cycle at 2000 rpm, the misfit by which a misfire may be worse.
Our choice: a difference in likelihood of e^7.5. Two such pulses fit two single misfires as well."""

_EACH_PULSE = 25.0
"""Misfit that a further pulse must save. Our choice: well above the 3 that its three numbers save by chance
(computed: mean of chi squared)."""

_MOST_PULSES, _MOST_MOVED = 8, 4
"""Missed pulses fitted to one bump, and pulses up to which the others are placed anew. Our choice: bounds the
time of one bump."""

_MOST_STEPS = 6
"""Pulses of one mixture. Our choice: six steps follow a course that rises and falls within a tenth."""

_WELL = 1.2
"""Misfit per sample that needs no further pulse: 1 is noise alone; our choice: a fifth above."""

_PULSE_WIDTHS = 24
"""Widths that are tried: neighbours differ by 13 to 27 % for bumps of 0.2 to 5 s (computed)."""

_EARLIEST_S, _LATEST_S = 0.20, 0.05
"""Before and after the first row of the bump, where a pulse may begin. Our choice: a small or slow rise
passes the share of the limit some 0.2 s late at most; noise may pass it early."""

_SHORTEST_MIXTURE_S, _LONGER_S = 0.02, 0.15
"""The shortest pulse of a mixture, a cycle at 6000 rpm, and how much longer than the bump one may be. Our
choice: its gas may begin that much before the reading rises."""

_SHORTEST_STEP_S = 0.15
"""A further pulse of a mixture, and the lean step around misfires, are no shorter. Our choice: fuel that is
carried on the walls of a port does not come and go within less."""

_STEP_EARLIER_S, _STEP_LATER_S = 0.6, 0.6
"""A lean step may begin and end so long before and after the bump. Our choice: a small step passes the share
of the limit only where misfires add to it."""

_LONGEST_MISSED_S = 1.0
"""Longest pulse of missed cycles within a lean step. Our choice: a longer one is several."""

_KNOWN_LAGS, _KNOWN_SPREAD = (0.8, 1.25), 0.10
"""Ends of the lags that a known one may stand for, in parts of it, and their standard deviation: some ten
percent, because it was measured at another temperature and flow (our choice)."""

_ASSUMED_LAGS, _ASSUMED_SPREAD = (0.45, 3.6), 0.6
"""The same for one that nobody measured: 50 to 380 ms where 105 ms are assumed. Quick elements have 50 ms and
less (published, see `lags.DEFAULT_LAG_S`); three times the usual is what age and soot make of one (common
practice, no source)."""

_WAYS = ((1.0, 1.8, 3.0), (0.6,))
"""Lags from which the best is looked for, in parts of one that nobody measured, away from it on either side.
Our choice: from each, steps lead half way to the next."""

_STEPS = (1.12, 1.04)
"""Factors between neighbouring lags on the way to the best, first the large one. Our choice: what is left is
less than what the lag of a real element is off two lags in a row."""

_HOPELESS, _FAR_BEHIND = 100.0, 3.0
"""Misfit over the best so far, and that in parts of the best, from which a lag or a cause is followed no
farther. Our choice: the way to the best lag saves less."""

_FEW, _LONG_S = 3, 1.0
"""Pulses up to which a bump longer than that is explained at further lags, where it takes more at the first.
Our choice, for the time that it takes."""


class Cause(StrEnum):
    """What may explain a lean bump."""

    MIXTURE = "lean mixture"
    MISFIRE = "misfire"
    BOTH = "misfire while lean"


@dataclass(frozen=True, slots=True)
class MissedCharge:
    """What unburnt charges would show, oxygen percent.

    level            reading before the bump
    lowest, highest  rise above that level, by the slowest and the quickest vapour
    cycle_s          length of a cycle; an assumed one where speed is not known
    """

    level: float
    lowest: float
    highest: float
    cycle_s: float
    cycle_known: bool


@dataclass(frozen=True, slots=True)
class BumpSpan:
    """Where the bump stands on the clock of the samples, s, and which way it goes (1 lean, -1 rich)."""

    begin_s: float
    width_s: float
    sign: int

    @property
    def end_s(self) -> float:
        """The first moment after it."""
        return self.begin_s + self.width_s


@dataclass(frozen=True, slots=True)
class Explanation:
    """Pulses of the gas that explain a bump.

    mixture, missed  in order of time; with both, the mixture is one lean step
    misfit           sum of squares that all leave together, in noise variances
    cost             the misfit, and a price for each pulse and for a lag far from the expected one
    lag              at which they do
    """

    mixture: tuple[Pulse, ...]
    missed: tuple[Pulse, ...]
    misfit: float
    cost: float
    lag: SensorLag


Explanations = dict[Cause, Explanation]


def explain(
    make_fit: Callable[[SensorLag], PulseFit],
    lag: SensorLag,
    span: BumpSpan,
    missed: MissedCharge,
    *,
    lag_known: bool,
    thorough: bool,
) -> Explanations:
    """Gives the best explanation of each kind, over all lags that the sensor may have.

    Args:
        make_fit: the reading behind any lag.
        lag: of the sensor, as measured, given or assumed.
        span: of the bump.
        missed: what unburnt charges would show.
        lag_known: whether the lag is more than assumed.
        thorough: whether to try other lags, more than one step of the mixture, and both causes at once. The
            course of a bump that all cylinders have in common is that of sensors with lags of their own.
    """
    trial = _Trial(lambda scale: make_fit(_scaled(lag, scale)), span, missed, lag_known=lag_known)
    if not thorough or span.sign < 0:
        trial.try_simple((1.0,), steps=1)
        return trial.found
    for way in ((1.0,),) if lag_known else _WAYS:
        trial.try_simple(way)
    trial.climb_likely()
    trial.try_both()
    return trial.found


class _Trial:
    """Tries explanations of one bump at several lags, and keeps the best one of each cause."""

    def __init__(
        self, fit_at: Callable[[float], PulseFit], span: BumpSpan, missed: MissedCharge, *, lag_known: bool
    ) -> None:
        """`fit_at`: the reading behind a lag, by its scale."""
        self._fit_at, self._span, self._missed, self._known = fit_at, span, missed, lag_known
        self.best: dict[Cause, tuple[float, Explanation]] = {}

    @property
    def found(self) -> Explanations:
        """The best of each cause."""
        return {cause: one for cause, (_, one) in self.best.items()}

    def _keep(self, cause: Cause, one: Explanation, scale: float) -> Explanation:
        """Keeps what costs less than the best so far, and gives it with the cost of its lag."""
        spread = _KNOWN_SPREAD if self._known else _ASSUMED_SPREAD
        one = replace(one, cost=one.cost + (math.log(scale) / spread) ** 2)
        if cause not in self.best or one.cost < self.best[cause][1].cost:
            self.best[cause] = scale, one
        return one

    def try_simple(self, scales: Sequence[float], steps: int = _MOST_STEPS) -> None:
        """Tries mixture and misfire at each lag, until both cost far more than at another.

        Args:
            scales: of the lags.
            steps: the most of the mixture.
        """
        for scale in scales:
            fit = self._fit_at(scale)
            costs = [self._try(Cause.MIXTURE, fit, scale, steps)]
            if self._span.sign > 0:
                costs.append(self._try(Cause.MISFIRE, fit, scale, _MOST_PULSES))
            if min(costs) > min(e.cost for e in self.found.values()) + _HOPELESS:
                break

    def _try(self, cause: Cause, fit: PulseFit, scale: float, most: int) -> float:
        """Gives the cost of a cause at one more lag: few pulses explain a long bump at the right one."""
        if cause in self.best:
            one = self.best[cause][1]
            many = len(one.mixture) + len(one.missed)
            most = min(most, _FEW if many > _FEW and self._span.width_s > _LONG_S else many + 1)
        search = explain_by_mixture if cause is Cause.MIXTURE else explain_by_misfire
        return self._keep(cause, search(fit, self._span, self._missed, most), scale).cost

    def climb_likely(self) -> None:
        """Climbs with each cause that is not far behind the best."""
        best = min(e.cost for e in self.found.values())
        for cause, one in self.found.items():
            if one.cost < _FAR_BEHIND * best + _HOPELESS:
                self.climb(cause)

    def climb(self, cause: Cause) -> None:
        """Follows the best of a cause to the lag at which it costs least, its pulses moved on the way."""
        least, most = _KNOWN_LAGS if self._known else _ASSUMED_LAGS
        for factor in _STEPS:
            for part in (factor, 1.0 / factor):
                while least <= (scale := self.best[cause][0] * part) <= most:
                    moved = _moved(self._fit_at(scale), self.best[cause][1], self._span, self._missed)
                    if moved is None or self._keep(cause, moved, scale) is not self.best[cause][1]:
                        break
        self._drop(cause)

    def _drop(self, cause: Cause) -> None:
        """Omits pulses that a better lag no longer needs."""
        scale, one = self.best[cause]
        for pulses in _with_one_less(one, cause):
            less = _moved(self._fit_at(scale), pulses, self._span, self._missed)
            if less is not None:
                self._keep(cause, less, scale)
        if self.best[cause][1] is not one:
            self._drop(cause)

    def try_both(self) -> None:
        """Tries both causes together, where neither alone explains the bump well."""
        if not _may_be_both(self.found, self._span, self._fit_at(1.0).count):
            return
        fit = self._fit_at(1.0)
        longest = max(self.best[Cause.MIXTURE][1].mixture, key=lambda pulse: pulse.width_s)
        for step in (longest, _usual_step(fit, self._span)):
            self._keep(Cause.BOTH, explain_by_both(fit, self._span, self._missed, [step]), 1.0)
        self.climb(Cause.BOTH)
        scale, one = self.best[Cause.BOTH]
        if scale != 1.0:
            fit = self._fit_at(scale)
            again = explain_by_both(fit, self._span, self._missed, [*one.mixture, *one.missed])
            if self._keep(Cause.BOTH, again, scale) is self.best[Cause.BOTH][1]:
                self.climb(Cause.BOTH)
        if _step_alone_s(self.best[Cause.BOTH][1]) < 2 * _SHORTEST_STEP_S:
            del self.best[Cause.BOTH]


def _with_one_less(one: Explanation, cause: Cause) -> Iterator[Explanation]:
    """Gives the explanation without each pulse that it can spare; both causes need one each."""
    both = cause is Cause.BOTH
    if not both and len(one.mixture) + len(one.missed) < 2:
        return
    for i in range(len(one.mixture) if len(one.mixture) > both else 0):
        yield replace(one, mixture=one.mixture[:i] + one.mixture[i + 1 :])
    for i in range(len(one.missed) if len(one.missed) > both else 0):
        yield replace(one, missed=one.missed[:i] + one.missed[i + 1 :])


def _step_alone_s(both: Explanation) -> float:
    """Gives the time of the lean step in which no cycle was missed: a step is seen in nothing else."""
    step = both.mixture[0]
    covered = math.fsum(
        max(0.0, min(p.end_s, step.end_s) - max(p.begin_s, step.begin_s)) for p in both.missed
    )
    return step.width_s - covered


def _scaled(lag: SensorLag, scale: float) -> SensorLag:
    return SensorLag.of_total(*((tau + lag.filter_s) * scale for tau in (lag.lean_s, lag.rich_s)))


def _may_be_both(best: Explanations, span: BumpSpan, count: int) -> bool:
    """False for bumps too short for a lean step, and for those that one pulse explains well."""
    if span.width_s < 2 * _SHORTEST_STEP_S:
        return False
    simple = [e for e in best.values() if len(e.mixture) + len(e.missed) == 1]
    return all(e.misfit > _WELL * count for e in simple)


def explain_by_mixture(
    fit: PulseFit, span: BumpSpan, missed: MissedCharge, most: int = _MOST_STEPS
) -> Explanation:
    """Gives the best pulses that a mixture which burns could have made: one, or steps on each other."""
    longest = span.width_s + _LONGER_S
    highest = HIGHEST_OF_LEAN * missed.lowest
    heights = (0.0, highest) if span.sign > 0 else (-np.inf, 0.0)
    first = span.begin_s - _EARLIEST_S
    widths = np.geomspace(_SHORTEST_MIXTURE_S, longest, _PULSE_WIDTHS)
    pulses = [fit.best(PulseSearch(first, span.begin_s + _LATEST_S, widths, *heights))]
    misfit = pulses[0].misfit
    widths = np.geomspace(_SHORTEST_STEP_S, longest, _PULSE_WIDTHS // 2)
    step = PulseSearch(first, span.end_s, widths, 0.0, highest)
    while span.sign > 0 and len(pulses) < most and misfit > _WELL * fit.count:
        more = [*pulses, fit.without(pulses).rough(step)]
        again = place_anew if len(more) <= _MOST_MOVED else settle
        more = again(fit, more, [step] * len(more))
        left = total_misfit(fit, more)
        if left + _EACH_PULSE > misfit or _highest_together(more) > highest:
            break
        pulses, misfit = more, left
    return _explained(fit, pulses, (), misfit)


def _highest_together(pulses: Sequence[Pulse]) -> float:
    """Gives the highest sum of the pulses at any moment, oxygen percent."""
    return max(math.fsum(p.height for p in pulses if p.begin_s <= at.begin_s < p.end_s) for at in pulses)


def explain_by_misfire(
    fit: PulseFit, span: BumpSpan, missed: MissedCharge, most: int = _MOST_PULSES
) -> Explanation:
    """Gives the best pulses that missed cycles could have made.

    Adds one after another as long as each saves enough misfit, and then places the others anew.
    """
    wide = _search_missed(span.width_s + 0.1, span, missed, last=span.begin_s + _LATEST_S)
    short = replace(wide, last_s=span.end_s, widths_s=wide.widths_s[: _PULSE_WIDTHS // 2])
    pulses = [fit.best(wide)]
    misfit = pulses[0].misfit
    while len(pulses) < most and misfit > _WELL * fit.count:
        added = fit.without(pulses).rough(short)
        more = [*pulses, added]
        if len(more) == 2:
            pair = fit.best_pair(replace(short, widths_s=short.widths_s[:2]))
            more = list(pair) if pair[0].misfit < added.misfit else more
        again = place_anew if len(more) <= _MOST_MOVED else settle
        more = again(fit, more, [short] * len(more))
        left = total_misfit(fit, more)
        if left + _EACH_PULSE > misfit:
            break
        pulses, misfit = more, left
    pulses, misfit = _split_longest(fit, pulses, misfit, [short] * len(pulses))
    return _explained(fit, (), pulses, misfit)


def _split_longest(
    fit: PulseFit, pulses: list[Pulse], misfit: float, searches: Sequence[PulseSearch]
) -> tuple[list[Pulse], float]:
    """Puts two pulses in the place of the longest one, as often as that saves enough misfit.

    A cycle that burnt between missed ones is found so: a pulse over all of them leaves no room for another.
    Pulses without a whole number of cycles stay as they are.
    """
    searches = list(searches)
    while len(pulses) < _MOST_PULSES and misfit > _WELL * fit.count:
        several = [i for i, s in enumerate(searches) if s.cycle_s and pulses[i].width_s > 2.5 * s.cycle_s]
        if not several:
            break
        at = max(several, key=lambda i: pulses[i].width_s)
        others, search = [*pulses[:at], *pulses[at + 1 :]], searches[at]
        widths = search.widths_s[search.widths_s < 0.9 * pulses[at].width_s]
        part = replace(search, widths_s=widths)
        one = fit.without(others).rough(part)
        more = [*others, one, fit.without([*others, one]).rough(part)]
        order = [*searches[:at], *searches[at + 1 :], part, part]
        again = place_anew if len(more) <= _MOST_MOVED + 1 else settle
        more = again(fit, again(fit, more, order), order)
        left = total_misfit(fit, more)
        if left + _EACH_PULSE > misfit:
            break
        pulses, misfit = more, left
        searches = [*searches[:at], *searches[at + 1 :], search, search]
    return pulses, misfit


def cost_of_air(fit: PulseFit, span: BumpSpan, missed: MissedCharge, heights: tuple[float, float]) -> float:
    """Gives the cost of one pulse of air for a whole number of cycles, its height within the bounds."""
    cycles = _search_missed(span.width_s + 0.1, span, missed, last=span.begin_s + _LATEST_S)
    return fit.best(replace(cycles, lowest=heights[0], highest=heights[1])).misfit + _EACH_PULSE


def _search_missed(longest_s: float, span: BumpSpan, missed: MissedCharge, *, last: float) -> PulseSearch:
    cycles = max(int(np.ceil(longest_s / missed.cycle_s)), 1)
    widths = np.unique(np.round(np.geomspace(1, cycles, _PULSE_WIDTHS))) * missed.cycle_s
    heights = (LOWEST_OF_MISSED * missed.lowest, _HIGHEST_OF_MISSED * missed.highest)
    return PulseSearch(span.begin_s - _EARLIEST_S, last, widths, *heights, missed.cycle_s)


def _usual_step(fit: PulseFit, span: BumpSpan) -> Pulse:
    """Gives a step over the bump as high as the reading is for most of it: misfires bend a fitted one."""
    inside = fit.y[(fit.t > span.begin_s) & (fit.t < span.end_s)]
    low = float(np.quantile(inside, 0.4)) if len(inside) else 0.0
    return Pulse(span.begin_s - 0.1, span.width_s, max(low, 0.1), 0.0, np.inf)


def _search_step(span: BumpSpan, missed: MissedCharge) -> PulseSearch:
    widths = np.geomspace(2 * _SHORTEST_STEP_S, span.width_s + _STEP_LATER_S, _PULSE_WIDTHS)
    first, last = span.begin_s - _STEP_EARLIER_S, span.begin_s + 0.5 * span.width_s
    return PulseSearch(first, last, widths, 0.0, HIGHEST_OF_LEAN * missed.lowest)


def explain_by_both(
    fit: PulseFit, span: BumpSpan, missed: MissedCharge, first: Sequence[Pulse]
) -> Explanation:
    """Gives the best lean step with missed cycles within it, grown from a step or from a step and some."""
    lean = _search_step(span, missed)
    cycles = _search_missed(min(span.width_s, _LONGEST_MISSED_S), span, missed, last=span.end_s)
    pulses = list(first)
    misfit = total_misfit(fit, pulses) if len(pulses) > 1 else np.inf
    while len(pulses) <= _MOST_PULSES:
        more = [*pulses, fit.without(pulses).rough(cycles)]
        searches = [lean, *[cycles] * (len(more) - 1)]
        if len(more) == 2:
            more[0] = fit.without(more[1:]).rough(lean)
        again = place_anew if len(more) <= _MOST_MOVED + 1 else settle
        more = again(fit, more, searches)
        left = total_misfit(fit, more)
        if left + _EACH_PULSE > misfit:
            break
        pulses, misfit = more, left
        if misfit < _WELL * fit.count:
            break
    pulses, misfit = _split_longest(fit, pulses, misfit, [lean, *[cycles] * (len(pulses) - 1)])
    return _explained(fit, pulses[:1], pulses[1:], misfit)


def _moved(fit: PulseFit, one: Explanation, span: BumpSpan, missed: MissedCharge) -> Explanation | None:
    """Gives the same pulses behind another lag, moved until they fit; None where no mixture is so lean."""
    cycles = _search_missed(min(span.width_s, _LONGEST_MISSED_S), span, missed, last=span.end_s)
    lean = _search_step(span, missed)
    many = len(one.mixture)
    pulses = settle(fit, [*one.mixture, *one.missed], [lean] * many + [cycles] * len(one.missed))
    if many and _highest_together(pulses[:many]) > lean.highest:
        return None
    return _explained(fit, pulses[:many], pulses[many:], total_misfit(fit, pulses))


def _explained(
    fit: PulseFit, mixture: Sequence[Pulse], missed: Sequence[Pulse], misfit: float
) -> Explanation:
    """Gives the explanation by these pulses, with its cost at this lag."""
    cost = misfit + _EACH_PULSE * (len(mixture) + len(missed))
    if not missed:
        cost += _SHORT_BONUS * sum(pulse.width_s < _SHORT_S for pulse in mixture)
    return Explanation(with_misfit(mixture, misfit), with_misfit(missed, misfit), misfit, cost, fit.lag)
