"""What caused a bump: charges that did not burn, a mixture that was leaner or richer, or both.

    bump, lag of its sensor -> BumpClassifier -> Verdict: findings with their pulses of the gas, evidence

Wants: a misfire is not called a lean mixture, and a lean mixture not a misfire, because one needs a spark
and the other fuel; and neither is called so where the reading cannot tell.

Why it is hard: a charge that did not burn brings oxygen and fuel vapour to the sensor and shows so much
oxygen that no mixture that burns can show it; but behind the sensor's lag a short high pulse and a long
low one look alike.

Plan: find the best explanation of each cause (`explain`), and take the one that costs least. Where two that
ask for different looks cost nearly the same, or where none fits, the bump is not classified.

In the file: the classifier and its evidence; the gas behind the lag, for the evidence alone (`gas_behind`).
Nothing is kept between bumps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import fsum

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.events.bumps import BUMP_SHARE, Bump, sparks_left_out
from mixmon.findings.events.event import DoubtReason, Kind, MisfireShape, Value
from mixmon.findings.events.explain import (
    BumpSpan,
    Cause,
    Explanation,
    Explanations,
    MissedCharge,
    cost_of_air,
    explain,
)
from mixmon.findings.events.pulses import Pulse, PulseFit
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR, Fuel
from mixmon.gas.lag import SensorLag
from mixmon.gas.reading import VAPOUR_KNUDSEN, VAPOUR_MOLECULAR, missed_charge_oxygen
from mixmon.gas.transport import UNKNOWN_CYCLE_S, cycle_s
from mixmon.mixture.align import GRID_NS, ROW_S
from mixmon.mixture.block import SampleState

_COSTS_ALIKE = 5.0
"""Costs nearer to each other than this are alike: the worse explanation is as likely as one in twelve
(computed: exp(-2.5)). Our choice."""

_FEWER_PULSES = 1.6
"""Behind a lag that nobody measured, a misfire of fewer pulses than the mixture has steps is alike up to that
many times the cost. Our choice: three steps follow the fall of a slow sensor better than one misfire at a lag
that is nearly right; to planted lean mixtures a misfire seldom came so near (computed)."""

_TOO_MANY_STEPS, _SHORT_BUMP_S = 4, 1.0
"""Steps from which a mixture within less than that time explains anything, where the lag is free as well. Our
choice: no planted lean mixture took more than three (computed)."""

_ALSO_LEAN = 1.6
"""A lean step around misfires is told where the misfires alone cost that many times as much. Our choice: the
fall after a misfire is seldom exactly the lag's, and a step that mends it saves a third (computed)."""

_NOTHING_FITS, _UNEXPLAINED = 3.0, 0.01
"""Misfit per sample, and the part of the bump's own sum of squares, above which an explanation does not fit.
Our choice: the noise explains 1, and a lag or a height that is a little wrong leaves up to a hundredth."""

_NO_MIXTURE = 2.0
"""Cost over the best explanation's from which a mixture is excluded although nothing fits: the reading rose
higher than one can make it. Our choice: misfire that comes and goes for seconds raises its own baseline."""

_LOWEST_OF_AIR = 18.0
"""Oxygen percent of the gas of a cylinder without fuel, at least: damp air at 19.7 (computed) less the ten
percent by which the sensor's lag is known."""

_APART_S = 0.1
"""Rest between two pulses that makes them two events. Our choice: a person counts them as two."""

_FEWEST_BUMP_SAMPLES = 3
"""Samples around a bump. Our choice: with fewer, one wrong sample looks like a pulse."""

_RISING_ROWS = 3
"""Rows before the reading passes a share of the limit in which the next bump has begun. Our choice: 30 ms, in
which a misfire rises by that share."""

_NOISE_OVER_LIMIT = 0.2
"""The most that a sample adds, over the limit of an excess (computed)."""

_AFTER_ROWS = 50
"""Rows after the bump whose lowest reading is reported. Our choice: half a second, for the way back."""

_DECAY_FROM, _DECAY_TO = 0.8, 0.3
"""Parts of the peak between which the fall gives its time constant. Our choice: above, the pulse may still
last; below, noise counts."""

_DIP_ROWS, _FEWEST_DIP_ROWS = 30, 10
"""Rows in which speed may dip: 0.3 s, some cycles; rows that the line before needs. Our choice."""

_HIGHEST_SHOWN, _LOWEST_SHOWN_LAMBDA = 0.99, 0.4
"""Part of the oxygen of air, and lambda, beyond which a gas has no lambda that means anything. Our choice:
near air lambda grows without bound; below 0.4 nothing burns."""


@dataclass(frozen=True, slots=True)
class BumpPart:
    """One event of a bump.

    begin_s, end_s  of its gas, s after the first row of the window
    missed          whether its reading is of charges that did not burn, in whole or in part
    evidence        reasons for the kind, from this part alone
    """

    kind: Kind
    begin_s: float
    end_s: float
    missed: bool
    evidence: dict[str, Value]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What caused a bump.

    parts     events that it gives: neighbouring missed cycles are one; a lean step around them comes first
    lag       with which they explain it
    evidence  reasons for the kind, from the whole bump
    unburnt   the best explanation by charges that did not burn; None for a rich bump
    """

    parts: tuple[BumpPart, ...]
    lag: SensorLag
    evidence: dict[str, Value]
    unburnt: Explanation | None

    @property
    def kind(self) -> Kind:
        """Kind of the first part."""
        return self.parts[0].kind

    def as_cut(self, kind: Kind, evidence: dict[str, Value]) -> Verdict:
        """Gives the same parts as events of another kind, with more evidence."""
        parts = tuple(replace(part, kind=kind) for part in self.parts)
        return replace(self, parts=parts, evidence={**self.evidence, **evidence})


class BumpClassifier:
    """Finds the causes of bumps of the nodes of one engine."""

    def __init__(self, fuel: Fuel, strokes: int) -> None:
        self._fuel, self._strokes = fuel, strokes

    def classify(
        self,
        bump: Bump,
        lag: SensorLag,
        *,
        lag_known: bool = True,
        alone: bool = True,
        thorough: bool = True,
    ) -> Verdict | None:
        """Classifies a bump that is not part of a cut, as a sensor of that lag shows it.

        None where too few samples show it, or where the height of its pulse cannot be known.

        Args:
            bump: as found.
            lag: of its sensor.
            lag_known: whether the lag was measured or given; if not, others are tried as well.
            alone: whether it is one cylinder's; the common one of all is never both lean and misfire.
            thorough: whether to try all lags and both causes at once; if not, it takes a tenth of the time.
        """
        t, y, noise = self._samples(bump)
        if len(t) < _FEWEST_BUMP_SAMPLES:
            return None
        missed = self._expect_missed(bump)
        begin = float((bump.t[bump.begin] - bump.t[0]) / 1e9)
        span = BumpSpan(begin, (bump.end - bump.begin) * GRID_NS / 1e9, bump.sign)
        found = explain(
            lambda one: PulseFit(t, y, one, noise),
            lag,
            span,
            missed,
            lag_known=lag_known,
            thorough=thorough and alone,
        )
        cause = min(found, key=lambda c: found[c].cost)
        if cause is Cause.BOTH and found[Cause.MISFIRE].cost < found[cause].cost * _ALSO_LEAN:
            del found[cause]
            cause = min(found, key=lambda c: found[c].cost)
        best = found[cause]
        if max(p.height_sd for p in (*best.mixture, *best.missed)) > abs(missed.lowest):
            return None
        fit = PulseFit(t, y, best.lag, noise)
        evidence = self._collect_evidence(bump, best.lag, fit, t, missed)
        evidence["misfit_per_sample"] = round(best.misfit / fit.count, 2)
        evidence["lag_measured"] = lag_known
        doubt = _find_doubt(found, cause, fit, lag, lag_known=lag_known) if alone and bump.sign > 0 else None
        if doubt is not None and not (best.missed and sparks_left_out(bump)):
            doubtful = self._doubtful_part(span, found, best, missed, doubt)
            return Verdict((doubtful,), best.lag, evidence, found.get(Cause.MISFIRE))
        parts = self._make_parts(bump, best, missed)
        return Verdict(parts, best.lag, evidence, found.get(Cause.MISFIRE))

    def leave(self, bump: Bump) -> Verdict | None:
        """Gives a lean bump as not classified, because there are too many of them to try explanations."""
        missed = self._expect_missed(bump)
        rise = bump.excess[bump.begin : bump.end]
        if not np.isfinite(rise).any():
            return None
        begin = float((bump.t[bump.begin] - bump.t[0]) / 1e9)
        length = (bump.end - bump.begin) * ROW_S
        why = DoubtReason.TOO_MANY
        said: dict[str, Value] = {"gas_s": round(length, 4), "pulse_lambda": None, "why": why}
        evidence = {"rise_oxygen_percent": round(float(np.nanmax(rise)), 2), **_measure_size(bump, missed)}
        part = BumpPart(Kind.NOT_CLASSIFIED, begin, begin + length, True, said)
        return Verdict((part,), SensorLag(), evidence, None)

    def fit_air(self, bump: Bump, lag: SensorLag) -> float:
        """Gives the cost, as of an explanation, of charges without fuel: air for a whole number of cycles."""
        t, y, noise = self._samples(bump)
        missed = self._expect_missed(bump)
        begin = float((bump.t[bump.begin] - bump.t[0]) / 1e9)
        span = BumpSpan(begin, (bump.end - bump.begin) * GRID_NS / 1e9, bump.sign)
        heights = (_LOWEST_OF_AIR - missed.level, 100.0 * OXYGEN_IN_AIR - missed.level)
        return cost_of_air(PulseFit(t, y, lag, noise), span, missed, heights)

    def highest_unburnt(self, bump: Bump) -> float:
        """Gives the highest oxygen that unburnt charges of the mixture before the bump can show, percent."""
        missed = self._expect_missed(bump)
        return missed.level + missed.highest

    def _make_parts(self, bump: Bump, best: Explanation, missed: MissedCharge) -> tuple[BumpPart, ...]:
        """Gives the events of the bump by its explanation."""
        if best.missed and sparks_left_out(bump):
            return self._missed_parts(best.missed, missed, Kind.SPARK_CUT)
        parts = self._missed_parts(best.missed, missed, Kind.MISFIRE) if best.missed else ()
        if best.mixture:
            kind = Kind.LEAN_EXCURSION if bump.sign > 0 else Kind.RICH_EXCURSION
            cycles = sum(_count_cycles(p, missed) for p in best.missed)
            inside: dict[str, Value] = {"missed_cycles_inside": cycles} if cycles else {}
            described = self._describe_pulses(best.mixture, missed) | inside
            begin, end = best.mixture[0].begin_s, _last_end(best.mixture)
            parts = (BumpPart(kind, begin, end, False, described), *parts)
        return parts

    def _doubtful_part(
        self, span: BumpSpan, found: Explanations, best: Explanation, missed: MissedCharge, doubt: DoubtReason
    ) -> BumpPart:
        """Gives the bump as one event that is not classified."""
        pulses = (*best.mixture, *best.missed)
        begin, end = min(p.begin_s for p in pulses), max(_last_end(pulses), span.end_s)
        return BumpPart(Kind.NOT_CLASSIFIED, begin, end, True, self._describe_doubt(found, missed, doubt))

    def _missed_parts(
        self, pulses: tuple[Pulse, ...], missed: MissedCharge, kind: Kind
    ) -> tuple[BumpPart, ...]:
        """Gives one event for each group of neighbouring pulses."""
        return tuple(
            BumpPart(
                kind,
                group[0].begin_s,
                _last_end(group),
                True,
                self._describe_pulses(group, missed) | _count_missed_cycles(group, missed),
            )
            for group in _group_pulses(pulses)
        )

    def _describe_pulses(self, pulses: tuple[Pulse, ...], missed: MissedCharge) -> dict[str, Value]:
        """Gives what the gas was; of a mixture in several steps, its highest."""
        high = max(pulses, key=lambda p: abs(_sum_at(pulses, p.begin_s)))
        height = _sum_at(pulses, high.begin_s)
        return {
            "gas_s": round(_last_end(pulses) - pulses[0].begin_s, 4),
            "pulse_oxygen_percent": round(height, 2),
            "pulse_sd_percent": round(high.height_sd, 2),
            "pulse_lambda": _lambda_or_none(missed.level + height, self._fuel),
        }

    def _describe_doubt(
        self, found: Explanations, missed: MissedCharge, doubt: DoubtReason
    ) -> dict[str, Value]:
        """Gives what speaks for each cause: the misfit that it leaves, at which lag, and what it would be."""
        count: dict[str, Value] = {"why": doubt}
        for cause, name in _SHORT_NAMES.items():
            one = found.get(cause)
            if one is None:
                continue
            count[f"cost_if_{name}"] = round(one.cost, 1)
            count[f"lag_if_{name}_s"] = round(one.lag.total_s, 3)
            if one.missed:
                count[f"missed_cycles_if_{name}"] = sum(_count_cycles(p, missed) for p in one.missed)
            if one.mixture:
                count[f"lambda_if_{name}"] = self._describe_pulses(one.mixture, missed)["pulse_lambda"]
        lean = self._describe_pulses(found[Cause.MIXTURE].mixture, missed)
        return {"gas_s": lean["gas_s"], "pulse_lambda": lean["pulse_lambda"], **count}

    def _samples(self, bump: Bump) -> tuple[Floats, Floats, float]:
        """Gives the moments of the samples, each sample once, its excess, and the noise of one.

        The noise is bounded, because the node may have misfired before the bump too. Another bump
        that follows is left out: no pulse of this one made it.
        """
        most = _NOISE_OVER_LIMIT * bump.limit
        known = np.isfinite(bump.excess) & _is_its_own(bump)
        t = ((bump.t - bump.t[0] - bump.age) / 1e9)[known]
        fresh = np.concatenate([[True], np.diff(t) > GRID_NS / 2e9])[: len(t)]
        noise = min(bump.noise, most) if bump.noise > 0 else most / 2.0
        return t[fresh], bump.excess[known][fresh], noise

    def _expect_missed(self, bump: Bump) -> MissedCharge:
        """Computes what unburnt charges of the mixture before the bump would show."""
        level = float(np.nanmedian((bump.oxygen - bump.excess)[: bump.begin + 1]))
        lam = lambda_from_oxygen(level, self._fuel)
        shown = [missed_charge_oxygen(lam, self._fuel, k) - level for k in (VAPOUR_KNUDSEN, VAPOUR_MOLECULAR)]
        cycle = cycle_s(bump.valve_rpm, self._strokes)
        known = cycle > 0
        return MissedCharge(level, shown[0], shown[1], cycle if known else UNKNOWN_CYCLE_S, known)

    def _collect_evidence(
        self, bump: Bump, lag: SensorLag, fit: PulseFit, t: Floats, missed: MissedCharge
    ) -> dict[str, Value]:
        """Collects the evidence that does not depend on the kind."""
        y = fit.y * bump.sign
        peak = int(np.argmax(y))
        gas = gas_behind(t, fit.y, lag, max(fit.noise, 1e-3))
        at = int(np.argmax(bump.sign * gas.oxygen))
        length = (bump.end - bump.begin) * GRID_NS / 1e9
        gas_lambda = _lambda_or_none(missed.level + float(gas.oxygen[at]), self._fuel)
        after = bump.excess[bump.end : bump.end + _AFTER_ROWS] * bump.sign
        after = after[np.isfinite(after)]
        return {
            "rise_oxygen_percent": round(float(fit.y[peak]), 2),
            **_measure_size(bump, missed),
            "length_cycles": round(length / missed.cycle_s, 1),
            "rise_s": round(float(t[peak]) - float(bump.t[bump.begin] - bump.t[0]) / 1e9, 3),
            "decay_s": _fit_decay(t, y, peak),
            "lag_s": round(lag.total_s, 3),
            "gas_peak_oxygen_percent": round(missed.level + float(gas.oxygen[at]), 2),
            "gas_peak_sd_percent": round(gas.sd, 2),
            "gas_peak_lambda": gas_lambda,
            "gas_resolution_s": round(gas.resolution_s, 3),
            "unburnt_would_be_percent": round(missed.level + missed.lowest, 2),
            "at_limit_s": round(_count_at_limit(bump) * ROW_S, 2),
            "other_cylinders": bump.others,
            "rpm_dip": _measure_dip(bump),
            "after_percent": round(float(after.min()) * bump.sign, 2) if len(after) else None,
            "noise_limit_percent": round(bump.limit, 2),
            **({} if missed.cycle_known else {"assumed_cycle_s": missed.cycle_s}),
        }


def _measure_size(bump: Bump, missed: MissedCharge) -> dict[str, Value]:
    """Gives area and length of a bump, as evidence."""
    area = float(np.nansum(bump.excess[bump.begin : bump.end])) * ROW_S
    return {
        "area_percent_s": round(area, 4),
        "area_in_missed_cycles": round(area / (missed.lowest * missed.cycle_s), 1),
        "length_s": round((bump.end - bump.begin) * GRID_NS / 1e9, 3),
    }


def _is_its_own(bump: Bump) -> Bools:
    """True for the rows before another bump begins, to the same side or to the other, bool[k]."""
    out = bump.sign * bump.excess
    inside = np.arange(len(out)) < bump.end
    other = np.flatnonzero((out < -bump.limit) & ~inside)
    again = np.flatnonzero((out > bump.limit) & ~inside)
    first = len(out) if not len(other) else int(other[0])
    if len(again):
        low = np.flatnonzero(out[bump.end : again[0]] < BUMP_SHARE * bump.limit)
        first = min(first, bump.end + (int(low[-1]) - _RISING_ROWS if len(low) else 0))
    return np.arange(len(out)) < max(first, bump.end)


_SHORT_NAMES = {Cause.MIXTURE: "lean", Cause.MISFIRE: "misfire", Cause.BOTH: "both"}
"""Ends of the names of evidence."""


def _find_doubt(
    found: Explanations, cause: Cause, fit: PulseFit, lag: SensorLag, *, lag_known: bool
) -> DoubtReason | None:
    """Gives the reason why the best explanation is no answer; None where it is one."""
    best = found[cause]
    if best.misfit > max(_NOTHING_FITS * fit.count, _UNEXPLAINED * fit.misfit):
        return None if _is_no_mixture(found, cause) else DoubtReason.NOTHING_FITS
    unlike = [e for c, e in found.items() if _asks_otherwise(c, cause)]
    near = [e for e in unlike if e.cost - best.cost < _COSTS_ALIKE]
    if cause is Cause.MIXTURE and not lag_known:
        misfire = found[Cause.MISFIRE]
        fewer = misfire.cost < _FEWER_PULSES * best.cost and len(misfire.missed) < len(best.mixture)
        length = _last_end(best.mixture) - best.mixture[0].begin_s
        if fewer or (len(best.mixture) >= _TOO_MANY_STEPS and length < _SHORT_BUMP_S):
            near.append(misfire)
    if not near:
        return None
    same_lag = all(_is_near_lag(e, best.lag) for e in near)
    return DoubtReason.FIT_ALIKE if same_lag and _is_near_lag(best, lag) else DoubtReason.LAG_NOT_MEASURED


def _is_no_mixture(found: Explanations, cause: Cause) -> bool:
    """True where charges certainly missed, however badly their number is known."""
    return cause is not Cause.MIXTURE and found[Cause.MIXTURE].cost > _NO_MIXTURE * found[cause].cost


def _asks_otherwise(one: Cause, other: Cause) -> bool:
    """True where only one of two causes is a misfire, so that another look is asked for."""
    return (one is Cause.MIXTURE) != (other is Cause.MIXTURE)


def _is_near_lag(one: Explanation, lag: SensorLag) -> bool:
    """True where it needs no other lag than a measured one might stand for."""
    return abs(one.lag.total_s / lag.total_s - 1.0) < 0.2


def _group_pulses(pulses: tuple[Pulse, ...]) -> tuple[tuple[Pulse, ...], ...]:
    """Gives the pulses in groups with at least `_APART_S` of rest between them."""
    groups: list[tuple[Pulse, ...]] = [pulses[:1]]
    for pulse in pulses[1:]:
        if pulse.begin_s - _last_end(groups[-1]) > _APART_S:
            groups.append((pulse,))
        else:
            groups[-1] += (pulse,)
    return tuple(groups)


def _last_end(pulses: Sequence[Pulse]) -> float:
    return max(pulse.end_s for pulse in pulses)


def _sum_at(pulses: Sequence[Pulse], t: float) -> float:
    """Gives the height of all pulses together at a moment, oxygen percent."""
    return fsum(p.height for p in pulses if p.begin_s <= t < p.end_s)


def _count_cycles(pulse: Pulse, missed: MissedCharge) -> int:
    return round(pulse.width_s / missed.cycle_s)


def _count_missed_cycles(pulses: tuple[Pulse, ...], missed: MissedCharge) -> dict[str, Value]:
    """Counts missed cycles: from the lengths of pulses, and from their areas by both extremes of k_d."""
    cycles = sum(_count_cycles(p, missed) for p in pulses)
    area = fsum(p.width_s * p.height for p in pulses) / missed.cycle_s
    return {
        "shape": _shape_of(pulses, cycles),
        "missed_cycles": cycles,
        "missed_cycles_least": max(1, round(area / missed.highest)),
        "missed_cycles_most": max(1, round(area / missed.lowest)),
        "height_over_unburnt": round(pulses[0].height / missed.lowest, 2),
    }


def _shape_of(pulses: tuple[Pulse, ...], cycles: int) -> MisfireShape:
    """One cycle, several without a pause, or several with pauses."""
    if cycles == 1:
        return MisfireShape.SINGLE
    return MisfireShape.BURST if len(pulses) == 1 else MisfireShape.ON_AND_OFF


def _count_at_limit(bump: Bump) -> int:
    limits = (SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT)
    return int(np.isin(bump.state[bump.begin : bump.end], limits).sum())


def _lambda_or_none(oxygen: float, fuel: Fuel) -> float | None:
    """Gives lambda of a burnt gas with that balance; None beyond what a burnt gas can have."""
    if oxygen >= 100.0 * _HIGHEST_SHOWN * OXYGEN_IN_AIR or oxygen <= oxygen_balance(
        _LOWEST_SHOWN_LAMBDA, fuel
    ):
        return None
    return round(float(lambda_from_oxygen(oxygen, fuel)), 3)


def _fit_decay(t: Floats, y: Floats, peak: int) -> float | None:
    """Gives the time constant of the fall after the peak, s; None where the fall is too short."""
    fall = y[peak:]
    begin = int(np.argmax(fall < _DECAY_FROM * fall[0]))
    end = int(np.argmax(fall < _DECAY_TO * fall[0]))
    if end - begin < 2 or begin == 0:
        return None
    slope = np.polyfit(t[peak + begin : peak + end], np.log(fall[begin:end]), 1)[0]
    return round(float(-1.0 / slope), 3) if slope < 0 else None


def _measure_dip(bump: Bump) -> float | None:
    """Measures how far speed fell below the line that it followed before the bump, rpm."""
    before, during = bump.rpm[: bump.begin], bump.rpm[bump.begin : bump.begin + _DIP_ROWS]
    if len(before) < _FEWEST_DIP_ROWS or not np.isfinite(before).all() or not np.isfinite(during).all():
        return None
    line = np.polyfit(np.arange(len(before)), before, 1)
    expected = np.polyval(line, len(before) + np.arange(len(during)))
    return round(float(np.median(expected - during)), 1)


# The gas behind the sensor's lag, as well as it can be known.
#
# Dividing the lag out of a reading raises its noise without bound, so the gas is required to be smooth as
# well: of all courses of the gas, constant over steps of 10 ms, the one is taken that minimises
#
# sum (reading - lagged gas)^2 / noise^2  +  sum (step of the gas)^2 / roughness^2
#
# That is the mean of the courses that agree with the reading if steps of the gas scatter with that roughness;
# their standard deviation comes with it. Peaks shorter than the resolution are seen lower and longer than
# they were; the area under them stays.
#
# Source of the method: Tikhonov regularisation in its reading as a Gaussian prior (from memory: Tarantola,
# Inverse Problem Theory, 1987).

GAS_STEP_S = 0.010
"""Length of a step of the gas: one row, because samples come no more often."""

ROUGHNESS = 1.5
"""Standard deviation of a step of the gas in 10 ms, oxygen percent: a missed charge raises a tip's
gas by some ten percent within a cycle of 15 to 100 ms (computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class GasCourse:
    """The gas at the sensor's tip.

    t             float64[m]  middle of each step, s, on the clock of the samples
    oxygen        float64[m]  oxygen percent, in the zero of the reading
    sd            standard deviation of each number of `oxygen`
    resolution_s  full width at half height with which a short peak is seen
    """

    t: Floats
    oxygen: Floats
    sd: float
    resolution_s: float


def gas_behind(t: Floats, reading: Floats, lag: SensorLag, noise: float) -> GasCourse:
    """The gas that made a reading, which began and ended at rest at zero.

    Args:
        t: moments of the samples float64[k], s, rising.
        reading: oxygen percent float64[k], the level before taken off.
        lag: of the sensor.
        noise: standard deviation of a sample, oxygen percent.
    """
    edges = np.arange(t[0] - 5 * GAS_STEP_S, t[-1] + GAS_STEP_S, GAS_STEP_S)
    late = t[:, None] - edges
    lagged = lag.pulse(late, GAS_STEP_S) / noise
    m = len(edges)
    # each step of the gas is as if measured to be zero; so are the ends
    steps = (np.eye(m + 1, m) - np.eye(m + 1, m, -1)) / ROUGHNESS
    information = lagged.T @ lagged + steps.T @ steps
    covariance = np.linalg.inv(information)
    solve = covariance @ lagged.T
    middle = m // 2
    seen = solve @ lagged[:, middle]  # what a peak of one step would look like
    return GasCourse(
        t=edges + GAS_STEP_S / 2,
        oxygen=np.asarray(solve @ (reading / noise), np.float64),
        sd=float(np.sqrt(covariance[middle, middle])),
        resolution_s=float(np.count_nonzero(seen > seen.max() / 2) * GAS_STEP_S),
    )
