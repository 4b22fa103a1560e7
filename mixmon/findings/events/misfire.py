"""What caused a bump: charges that did not burn, or a mixture that was leaner or richer.

    bump, lag of its sensor -> BumpClassifier -> Verdict: kind, pulses of the gas, evidence

Wants: a misfire is not called a lean mixture, and a lean mixture not a misfire, because one needs a spark
and the other fuel.

Why it is hard: a charge that did not burn brings oxygen and fuel vapour to the sensor and shows so much
oxygen that no mixture that burns can show it; but behind the sensor's lag a short high pulse and a long
low one look alike.

Plan: fit both. A misfire is one or several pulses of a whole number of cycles with the height of unburnt
charges; a mixture is one lower pulse of any length. The better fit wins; for the shortest bumps, which no
mixture makes, the misfire is preferred. Misfire that comes and goes within one bump is several pulses.

In the file: the classifier and its evidence; the fit of pulses (`PulseFit`); the gas behind the lag, for
the evidence alone (`gas_behind`). Nothing is kept between bumps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.bumps import CARRIED, Bump, sparks_left_out
from mixmon.findings.events.event import Kind, MisfireShape, Value
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR, Fuel
from mixmon.gas.lag import SensorLag
from mixmon.gas.reading import VAPOUR_KNUDSEN, VAPOUR_MOLECULAR, missed_charge_oxygen
from mixmon.gas.transport import UNKNOWN_CYCLE_S, cycle_s
from mixmon.mixture.align import GRID_NS, ROW_S
from mixmon.mixture.block import SampleState

LOWEST_OF_MISSED, HIGHEST_OF_LEAN = 0.7, 0.6
"""In parts of the height of a missed charge by the slowest reading (k_d of `VAPOUR_KNUDSEN`):
a pulse at least so high may be a misfire, one at most so high a mixture. They overlap because
the sensor's lag is known to some ten percent."""

_HIGHEST_OF_MISSED = 1.1
"""In parts of the height by `VAPOUR_MOLECULAR`: the same ten percent above the highest."""

_LOWEST_OF_AIR = 18.0
"""Oxygen percent of the gas of a cylinder without fuel, at least: damp air at 19.7 (computed) less the same
ten percent."""

_SHORT_S, _SHORT_BONUS = 0.060, 15.0
"""For a mixture's pulse shorter than a cycle at 2000 rpm, the misfit by which a misfire may be worse. Our
choice: a difference in likelihood of e^7.5."""

_EACH_PULSE = 25.0
"""Misfit that a further pulse must save. Our choice: well above the 3 that its three numbers save by chance
(computed: mean of chi squared)."""

_MOST_PULSES, _MOST_MOVED = 8, 4
"""Pulses fitted to one bump, and pulses up to which the others are placed anew. Our choice: bounds the time
of one bump."""

_WELL = 1.2
"""Misfit per sample that needs no further pulse: 1 is noise alone; our choice: a fifth above."""

_APART_S = 0.1
"""Rest between two pulses that makes them two events. Our choice: a person counts them as two."""

_PULSE_WIDTHS = 24
"""Widths that are tried: neighbours differ by 13 to 27 % for bumps of 0.2 to 5 s (computed)."""

_EARLIEST_S, _LATEST_S = 0.20, 0.05
"""Before and after the first row of the bump, where a pulse may begin. Our choice: a small or slow rise
passes the share of the limit some 0.2 s late at most; noise may pass it early."""

_SHORTEST_MIXTURE_S, _LONGER_S = 0.02, 0.15
"""The shortest pulse of a mixture, a cycle at 6000 rpm, and how much longer than the bump one may be. Our
choice: its gas may begin that much before the reading rises."""

_FEWEST_BUMP_SAMPLES = 3
"""Samples around a bump. Our choice: with fewer, one wrong sample looks like a pulse."""

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
class Verdict:
    """What caused a bump.

    parts      pulses of the gas that explain it, s after the first row of the window, in groups of
               neighbours: one event each
    evidence   reasons for the kind, from the whole bump
    of_parts   reasons for the kind, from each part
    misfit     sum of squares that the pulses leave, in noise variances, plus a price for their number
    """

    kind: Kind
    parts: tuple[tuple[Pulse, ...], ...]
    evidence: dict[str, Value]
    of_parts: tuple[dict[str, Value], ...]
    misfit: float


@dataclass(frozen=True, slots=True)
class _MissedCharge:
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


class BumpClassifier:
    """Finds the causes of bumps of the nodes of one engine."""

    def __init__(self, fuel: Fuel, strokes: int) -> None:
        self._fuel, self._strokes = fuel, strokes

    def classify(self, bump: Bump, lag: SensorLag) -> Verdict | None:
        """Classifies a bump that is not part of a cut, as a sensor of that lag shows it.

        None where too few samples show it, or where the height of its pulse cannot be known.
        """
        fit, t = self._prepare_fit(bump, lag)
        if len(t) < _FEWEST_BUMP_SAMPLES:
            return None
        begin = float((bump.t[bump.begin] - bump.t[0]) / 1e9)
        missed = self._expect_missed(bump)
        width = (bump.end - bump.begin) * GRID_NS / 1e9
        shaped = _fit_mixture(fit, begin, width, missed, bump.sign)
        kind = Kind.LEAN_EXCURSION if bump.sign > 0 else Kind.RICH_EXCURSION
        pulses: tuple[Pulse, ...] = (shaped,)
        if bump.sign > 0:
            burst = _fit_misfire(fit, begin, width, missed)
            if _total_misfit(burst) <= _total_misfit((shaped,)) + (
                _SHORT_BONUS if shaped.width_s < _SHORT_S else 0.0
            ):
                kind, pulses = Kind.MISFIRE, burst
        if max(p.height_sd for p in pulses) > abs(missed.lowest):
            return None
        if kind is Kind.MISFIRE and sparks_left_out(bump):
            kind = Kind.SPARK_CUT
        evidence = self._collect_evidence(bump, lag, fit, t, missed)
        evidence["misfit_per_sample"] = round(_total_misfit(pulses) / fit.count, 2)
        parts = _group_pulses(pulses)
        of_parts = tuple(self._describe_part(p, kind, missed) for p in parts)
        return Verdict(kind, parts, evidence, of_parts, _total_misfit(pulses))

    def fit_air(self, bump: Bump, lag: SensorLag) -> float:
        """Gives the misfit, as in a verdict, of charges without fuel: air for a whole number of cycles."""
        fit, _ = self._prepare_fit(bump, lag)
        begin = float((bump.t[bump.begin] - bump.t[0]) / 1e9)
        missed = self._expect_missed(bump)
        widths = _whole_cycles((bump.end - bump.begin) * GRID_NS / 1e9, missed.cycle_s)
        heights = (_LOWEST_OF_AIR - missed.level, 100.0 * OXYGEN_IN_AIR - missed.level)
        return _total_misfit((fit.best(begin - _EARLIEST_S, begin + _LATEST_S, widths, *heights),))

    def highest_unburnt(self, bump: Bump) -> float:
        """Gives the highest oxygen that unburnt charges of the mixture before the bump can show, percent."""
        missed = self._expect_missed(bump)
        return missed.level + missed.highest

    def _describe_part(
        self, pulses: tuple[Pulse, ...], kind: Kind, missed: _MissedCharge
    ) -> dict[str, Value]:
        gas = missed.level + pulses[0].height
        return {
            "gas_s": round(_last_end(pulses) - pulses[0].begin_s, 4),
            "pulse_oxygen_percent": round(pulses[0].height, 2),
            "pulse_sd_percent": round(pulses[0].height_sd, 2),
            "pulse_lambda": _lambda_or_none(gas, self._fuel),
            **(_count_missed_cycles(pulses, missed) if kind is Kind.MISFIRE else {}),
        }

    def _prepare_fit(self, bump: Bump, lag: SensorLag) -> tuple[PulseFit, Floats]:
        """Prepares the fit: the bump at the moments of its samples, each sample once.

        The noise is bounded, because the node may have misfired before the bump too.
        """
        most = _NOISE_OVER_LIMIT * bump.limit
        known = np.isfinite(bump.excess)
        t = ((bump.t - bump.t[0] - bump.age) / 1e9)[known]
        fresh = np.concatenate([[True], np.diff(t) > GRID_NS / 2e9])
        noise = min(bump.noise, most) if bump.noise > 0 else most / 2.0
        return PulseFit(t[fresh], bump.excess[known][fresh], lag, noise), t[fresh]

    def _expect_missed(self, bump: Bump) -> _MissedCharge:
        """Computes what unburnt charges of the mixture before the bump would show."""
        level = float(np.nanmedian((bump.oxygen - bump.excess)[: bump.begin + 1]))
        lam = lambda_from_oxygen(level, self._fuel)
        shown = [missed_charge_oxygen(lam, self._fuel, k) - level for k in (VAPOUR_KNUDSEN, VAPOUR_MOLECULAR)]
        cycle = cycle_s(bump.valve_rpm, self._strokes)
        known = cycle > 0
        return _MissedCharge(level, shown[0], shown[1], cycle if known else UNKNOWN_CYCLE_S, known)

    def _collect_evidence(
        self, bump: Bump, lag: SensorLag, fit: PulseFit, t: Floats, missed: _MissedCharge
    ) -> dict[str, Value]:
        """Collects the evidence that does not depend on the kind."""
        y = fit.y * bump.sign
        peak = int(np.argmax(y))
        gas = gas_behind(t, fit.y, lag, max(fit.noise, 1e-3))
        at = int(np.argmax(bump.sign * gas.oxygen))
        length = (bump.end - bump.begin) * GRID_NS / 1e9
        inside = slice(bump.begin, bump.end)
        gas_lambda = _lambda_or_none(missed.level + float(gas.oxygen[at]), self._fuel)
        area = float(np.nansum(bump.excess[inside])) * ROW_S
        after = bump.excess[bump.end : bump.end + _AFTER_ROWS] * bump.sign
        after = after[np.isfinite(after)]
        return {
            "rise_oxygen_percent": round(float(fit.y[peak]), 2),
            "area_percent_s": round(area, 4),
            "area_in_missed_cycles": round(area / (missed.lowest * missed.cycle_s), 1),
            "length_s": round(length, 3),
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


def _fit_mixture(fit: PulseFit, begin: float, width: float, missed: _MissedCharge, sign: int) -> Pulse:
    """Gives the best pulse that a mixture which burns could have made."""
    widths = np.geomspace(_SHORTEST_MIXTURE_S, width + _LONGER_S, _PULSE_WIDTHS)
    heights = (0.0, HIGHEST_OF_LEAN * missed.lowest) if sign > 0 else (-np.inf, 0.0)
    return fit.best(begin - _EARLIEST_S, begin + _LATEST_S, widths, *heights)


def _fit_misfire(fit: PulseFit, begin: float, width: float, missed: _MissedCharge) -> tuple[Pulse, ...]:
    """Gives the best pulses that missed cycles could have made, in order of time.

    Adds one after another as long as each saves enough misfit, and then places the others anew.
    """
    widths = _whole_cycles(width, missed.cycle_s)
    heights = (LOWEST_OF_MISSED * missed.lowest, _HIGHEST_OF_MISSED * missed.highest)
    first, short = begin - _EARLIEST_S, widths[: _PULSE_WIDTHS // 2]
    pulses = [fit.best(first, begin + _LATEST_S, widths, *heights)]
    while len(pulses) < _MOST_PULSES and pulses[-1].misfit > _WELL * fit.count:
        more = [*pulses, _remove_pulses(fit, pulses).best(first, begin + width, short, *heights)]
        if len(more) == 2:
            more = min(
                more, list(fit.best_pair(first, begin + width, short[:2], *heights)), key=_misfit_of_last
            )
        for _ in more if len(more) <= _MOST_MOVED else ():
            others = more[1:]
            more = [*others, _remove_pulses(fit, others).best(first, begin + width, short, *heights)]
        if more[-1].misfit + _EACH_PULSE > pulses[-1].misfit:
            break
        pulses = more
    misfit = pulses[-1].misfit
    placed = (replace(pulse, misfit=misfit) for pulse in pulses)
    return tuple(sorted(placed, key=lambda pulse: pulse.begin_s))


def _whole_cycles(width: float, cycle_s: float) -> Floats:
    """Gives the widths that pulses in a bump of that width are tried with, in whole cycles, s."""
    longest = max(int(np.ceil((width + 0.1) / cycle_s)), 1)
    return np.asarray(np.unique(np.round(np.geomspace(1, longest, _PULSE_WIDTHS))) * cycle_s)


def _misfit_of_last(pulses: list[Pulse]) -> float:
    return pulses[-1].misfit


def _remove_pulses(fit: PulseFit, pulses: list[Pulse]) -> PulseFit:
    for pulse in pulses:
        fit = fit.without(pulse)
    return fit


def _group_pulses(pulses: tuple[Pulse, ...]) -> tuple[tuple[Pulse, ...], ...]:
    """Gives the pulses in groups with at least `_APART_S` of rest between them."""
    groups: list[tuple[Pulse, ...]] = [pulses[:1]]
    for pulse in pulses[1:]:
        if pulse.begin_s - _last_end(groups[-1]) > _APART_S:
            groups.append((pulse,))
        else:
            groups[-1] += (pulse,)
    return tuple(groups)


def _last_end(pulses: tuple[Pulse, ...]) -> float:
    return max(pulse.begin_s + pulse.width_s for pulse in pulses)


def _total_misfit(pulses: tuple[Pulse, ...]) -> float:
    """Gives the misfit that they leave together plus a price for their number."""
    return pulses[0].misfit + _EACH_PULSE * len(pulses)


def _count_missed_cycles(pulses: tuple[Pulse, ...], missed: _MissedCharge) -> dict[str, Value]:
    """Counts missed cycles: from the lengths of pulses, and from their areas by both extremes of k_d."""
    cycles = sum(round(p.width_s / missed.cycle_s) for p in pulses)
    area = sum(p.width_s * p.height for p in pulses) / missed.cycle_s
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


# Which pulse of the gas caused a bump of the reading: when it began, how long it was, how high.
#
# The gas is assumed to have been higher by one amount for one span of time, and the reading to have followed
# with the sensor's lag. All beginnings and lengths of a grid are tried at once by least squares, then the
# neighbourhood of the best one on a finer grid. Neighbouring readings share noise, because the noise from
# cycle to cycle passes the same lag. So the part that a reading carries from the one before it is subtracted
# on both sides.

_COARSE_STEP_S, _FINE_STEP_S = 0.010, 0.0025
"""Steps of the beginning: a row, and a quarter of it. Our choice: a finer step moves a pulse by less than
its own error."""

_COARSE_WIDTHS = 8
"""Widths tried on the coarse grid. Our choice: a third of all, the others follow on the fine grid."""

_NO_POWER = 1e-12
"""Least sum of squares of a shape, so that a pulse outside the samples divides by no zero (our choice)."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """A pulse of the gas.

    begin_s    on the clock of the samples
    width_s    how long
    height     oxygen percent
    height_sd  standard deviation of the height, all else given
    misfit     sum of squares that the pulse leaves, in noise variances
    """

    begin_s: float
    width_s: float
    height: float
    height_sd: float
    misfit: float


class PulseFit:
    """The reading of one bump, to be compared with pulses.

    t      float64[k]  moments of the samples, s, rising
    y      float64[k]  reading above what was expected, oxygen percent
    noise  standard deviation of what a sample adds to what it has from the one before
    """

    def __init__(self, t: Floats, y: Floats, lag: SensorLag, noise: float) -> None:
        self.t, self.y, self.lag, self.noise = t, y, lag, noise
        self._kept = CARRIED ** (np.diff(t) / 0.010)
        self._y = self._remove_carried(y)

    def without(self, pulse: Pulse) -> PulseFit:
        """Gives the fit of what is left when a pulse is subtracted."""
        shape = self.lag.pulse(self.t - pulse.begin_s, pulse.width_s)
        return PulseFit(self.t, self.y - pulse.height * shape, self.lag, self.noise)

    @property
    def misfit(self) -> float:
        """Sum of squares in noise variances, with no pulse at all."""
        return float(self._y @ self._y) / self.noise**2

    @property
    def count(self) -> int:
        """Number of squares that `misfit` adds up."""
        return len(self._y)

    def best(self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float) -> Pulse:
        """Gives the best pulse that begins from first_s to last_s, with one of the widths, height bounded."""
        begins = np.arange(first_s, last_s + _COARSE_STEP_S, _COARSE_STEP_S)
        coarse = widths_s[:: max(1, len(widths_s) // _COARSE_WIDTHS)]
        rough = self._find_best(begins, coarse, lowest, highest)
        near = np.searchsorted(widths_s, rough.width_s)
        step = max(1, len(widths_s) // _COARSE_WIDTHS)
        finer = widths_s[max(0, near - step) : near + step + 1]
        begins = rough.begin_s + np.arange(
            -2 * _COARSE_STEP_S, 2 * _COARSE_STEP_S + _FINE_STEP_S, _FINE_STEP_S
        )
        return self._find_best(begins, finer, lowest, highest)

    def best_pair(
        self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float
    ) -> tuple[Pulse, Pulse]:
        """Gives the best two pulses of equal height; a single one would be placed between them."""
        begins = np.repeat(np.arange(first_s, last_s + _COARSE_STEP_S, _COARSE_STEP_S), len(widths_s))
        widths = np.tile(widths_s, len(begins) // len(widths_s))
        shapes = self._remove_carried(self.lag.pulse(self.t - begins[:, None], widths[:, None]))
        match, together = shapes @ self._y, shapes @ shapes.T
        power = np.diag(together)
        match = match[:, None] + match
        power = np.maximum(power[:, None] + power + 2.0 * together, _NO_POWER)
        height = np.clip(match / power, lowest, highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        misfit = self.misfit - float(gain[at]) / self.noise**2
        sd = float(self.noise / np.sqrt(power[at]))
        one, two = (Pulse(float(begins[i]), float(widths[i]), float(height[at]), sd, misfit) for i in at)
        return one, two

    def _find_best(self, begins: Floats, widths: Floats, lowest: float, highest: float) -> Pulse:
        late = self.t - begins[:, None, None]
        shapes = self._remove_carried(self.lag.pulse(late, widths[:, None]))
        match, power = shapes @ self._y, np.einsum("ijk,ijk->ij", shapes, shapes)
        power = np.maximum(power, _NO_POWER)
        height = np.clip(match / power, lowest, highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        return Pulse(
            begin_s=float(begins[at[0]]),
            width_s=float(widths[at[1]]),
            height=float(height[at]),
            height_sd=float(self.noise / np.sqrt(power[at])),
            misfit=self.misfit - float(gain[at]) / self.noise**2,
        )

    def _remove_carried(self, y: Floats) -> Floats:
        return np.asarray(y[..., 1:] - self._kept * y[..., :-1], np.float64)


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
