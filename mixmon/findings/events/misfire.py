"""What made a bump: charges that did not burn, or a mixture that was leaner or richer.

A charge that did not burn brings oxygen and fuel vapour to the sensor, and shows so much oxygen
that no mixture that burns could show it. Behind the sensor's lag both look alike, so the
question is which pulse of the gas explains the reading: one of a whole number of cycles and of
the height of unburnt charges, or a lower one of any length. The better one wins; for the
shortest bumps, which no mixture makes, the misfire is preferred.

Misfire that comes and goes within one bump is several such pulses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.bumps import Bump, Pulse, Spike, sparks_left_out
from mixmon.findings.events.event import Kind, Value
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR, Fuel
from mixmon.gas.lag import SensorLag
from mixmon.gas.reading import VAPOUR_KNUDSEN, VAPOUR_MOLECULAR, missed_charge_oxygen
from mixmon.gas.transport import UNKNOWN_CYCLE_S, cycle_s
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState

# ----------------------------------------------------------------------------------------------------
# The gas behind the sensor's lag, as well as it can be known.
#
# Dividing the lag out of a reading raises its noise without bound, so the gas is asked to be
# smooth as well: of all courses of the gas, constant over steps of 10 ms, the one is taken that
# makes
#
# sum (reading - lagged gas)^2 / noise^2  +  sum (step of the gas)^2 / roughness^2
#
# least. That is the mean of the courses that agree with the reading if steps of the gas scatter
# with that roughness; their standard deviation comes with it. Peaks shorter than the resolution
# are seen lower and longer than they were; the area under them stays.
#
# Source of the method: Tikhonov regularisation in its reading as a Gaussian prior (from memory:
# Tarantola, Inverse Problem Theory, 1987).
# ----------------------------------------------------------------------------------------------------

STEP_S = 0.010
ROUGHNESS = 1.5
"""Standard deviation of a step of the gas in 10 ms, oxygen percent: a missed charge raises a tip's
gas by some ten percent within a cycle of 15 to 100 ms (computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Gas:
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


def gas_behind(t: Floats, reading: Floats, lag: SensorLag, noise: float) -> Gas:
    """The gas that made a reading, which began and ended at rest at zero.

    Args:
        t: moments of the samples float64[k], s, rising.
        reading: oxygen percent float64[k], the level before taken off.
        lag: of the sensor.
        noise: standard deviation of a sample, oxygen percent.
    """
    edges = np.arange(t[0] - 5 * STEP_S, t[-1] + STEP_S, STEP_S)
    late = t[:, None] - edges
    lagged = lag.pulse(late, STEP_S) / noise
    m = len(edges)
    # each step of the gas is as if measured to be zero; so are the ends
    steps = (np.eye(m + 1, m) - np.eye(m + 1, m, -1)) / ROUGHNESS
    information = lagged.T @ lagged + steps.T @ steps
    covariance = np.linalg.inv(information)
    solve = covariance @ lagged.T
    middle = m // 2
    seen = solve @ lagged[:, middle]  # what a peak of one step would look like
    return Gas(
        t=edges + STEP_S / 2,
        oxygen=np.asarray(solve @ (reading / noise), np.float64),
        sd=float(np.sqrt(covariance[middle, middle])),
        resolution_s=float(np.count_nonzero(seen > seen.max() / 2) * STEP_S),
    )


LOWEST_OF_MISSED, HIGHEST_OF_LEAN = 0.7, 0.6
"""In parts of the height of a missed charge by the slowest reading (k_d of `VAPOUR_KNUDSEN`):
a pulse at least so high may be a misfire, one at most so high a mixture. They overlap because
the sensor's lag is known to some ten percent."""

_HIGHEST_OF_MISSED = 1.1  # in parts of the height by `VAPOUR_MOLECULAR`
_SHORT_S, _SHORT_BONUS = 0.060, 15.0
_EACH_PULSE = 25.0  # misfit that a further pulse must save
_MOST_PULSES, _MOST_MOVED = 8, 4
_WELL = 1.2  # misfit per sample that needs no further pulse
_APART_S = 0.1
_WIDTHS = 24
_EARLIEST_S, _LATEST_S = 0.20, 0.05
_FEWEST_SAMPLES = 3  # around a bump, so that a pulse can be told from a sample that is wrong
_NOISE_OVER_LIMIT = 0.2  # the most that a sample adds, over the limit of an excess (computed)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a bump is taken for.

    parts      pulses of the gas that explain it, s after the first row of the window, those near each
               other together: one event each
    evidence   what speaks for the kind, of the whole bump
    of_parts   the same, of each part
    """

    kind: Kind
    parts: tuple[tuple[Pulse, ...], ...]
    evidence: dict[str, Value]
    of_parts: tuple[dict[str, Value], ...]


@dataclass(frozen=True, slots=True)
class _Missed:
    """What unburnt charges would show above what is read, oxygen percent, and how long one lasts.

    Where the speed is not known that is `UNKNOWN_CYCLE_S`.
    """

    level: float
    lowest: float
    highest: float
    cycle_s: float
    cycle_known: bool


class Judge:
    """Judges bumps of the nodes of one engine."""

    def __init__(self, fuel: Fuel, strokes: int) -> None:
        self._fuel, self._strokes = fuel, strokes

    def verdict(self, spike: Spike, lag: SensorLag) -> Verdict | None:
        """The kind of a bump that is not part of a cut, seen by a sensor of that lag.

        None where too few samples show it, or where its gas would have come while none did.
        """
        bump, t = self._bump(spike, lag)
        if len(t) < _FEWEST_SAMPLES:
            return None
        begin = float((spike.t[spike.begin] - spike.t[0]) / 1e9)
        missed = self._missed(spike)
        width = (spike.end - spike.begin) * GRID_NS / 1e9
        shaped = _mixture(bump, begin, width, missed, spike.sign)
        kind = Kind.LEAN_EXCURSION if spike.sign > 0 else Kind.RICH_EXCURSION
        pulses: tuple[Pulse, ...] = (shaped,)
        if spike.sign > 0:
            burst = _misfire(bump, begin, width, missed)
            if _misfit(burst) <= _misfit((shaped,)) + (_SHORT_BONUS if shaped.width_s < _SHORT_S else 0.0):
                kind, pulses = Kind.MISFIRE, burst
        if max(p.height_sd for p in pulses) > abs(missed.lowest):
            return None
        if kind is Kind.MISFIRE and sparks_left_out(spike):
            kind = Kind.SPARK_CUT
        evidence = self._evidence(spike, lag, bump, t, missed)
        evidence["misfit_per_sample"] = round(_misfit(pulses) / bump.count, 2)
        parts = _apart(pulses)
        return Verdict(kind, parts, evidence, tuple(self._part(p, kind, missed) for p in parts))

    def _part(self, pulses: tuple[Pulse, ...], kind: Kind, missed: _Missed) -> dict[str, Value]:
        gas = missed.level + pulses[0].height
        return {
            "gas_s": round(_ends(pulses) - pulses[0].begin_s, 4),
            "pulse_oxygen_percent": round(pulses[0].height, 2),
            "pulse_sd_percent": round(pulses[0].height_sd, 2),
            "pulse_lambda": _lambda(gas, self._fuel),
            **(_missed_cycles(pulses, missed) if kind is Kind.MISFIRE else {}),
        }

    def _bump(self, spike: Spike, lag: SensorLag) -> tuple[Bump, Floats]:
        """The bump at the moments of its samples, each sample once.

        Before it the node may have misfired too, and is then noisier than a node can be.
        """
        most = _NOISE_OVER_LIMIT * spike.limit
        known = np.isfinite(spike.excess)
        t = ((spike.t - spike.t[0] - spike.age) / 1e9)[known]
        fresh = np.concatenate([[True], np.diff(t) > GRID_NS / 2e9])
        noise = min(spike.noise, most) if spike.noise > 0 else most / 2.0
        return Bump(t[fresh], spike.excess[known][fresh], lag, noise), t[fresh]

    def _missed(self, spike: Spike) -> _Missed:
        """What unburnt charges of the mixture that was there would show."""
        level = float(np.nanmedian((spike.oxygen - spike.excess)[: spike.begin + 1]))
        lam = lambda_from_oxygen(level, self._fuel)
        shown = [missed_charge_oxygen(lam, self._fuel, k) - level for k in (VAPOUR_KNUDSEN, VAPOUR_MOLECULAR)]
        cycle = cycle_s(spike.valve_rpm, self._strokes)
        known = cycle > 0
        return _Missed(level, shown[0], shown[1], cycle if known else UNKNOWN_CYCLE_S, known)

    def _evidence(
        self, spike: Spike, lag: SensorLag, bump: Bump, t: Floats, missed: _Missed
    ) -> dict[str, Value]:
        """What can be said of any bump."""
        y = bump.y * spike.sign
        peak = int(np.argmax(y))
        gas = gas_behind(t, bump.y, lag, max(bump.noise, 1e-3))
        at = int(np.argmax(spike.sign * gas.oxygen))
        length = (spike.end - spike.begin) * GRID_NS / 1e9
        inside = slice(spike.begin, spike.end)
        step_s = GRID_NS / 1e9
        gas_lambda = _lambda(missed.level + float(gas.oxygen[at]), self._fuel)
        area = float(np.nansum(spike.excess[inside])) * step_s
        after = spike.excess[spike.end : spike.end + 50] * spike.sign
        after = after[np.isfinite(after)]
        return {
            "rise_oxygen_percent": round(float(bump.y[peak]), 2),
            "area_percent_s": round(area, 4),
            "area_in_missed_cycles": round(area / (missed.lowest * missed.cycle_s), 1),
            "length_s": round(length, 3),
            "length_cycles": round(length / missed.cycle_s, 1),
            "rise_s": round(float(t[peak]) - float(spike.t[spike.begin] - spike.t[0]) / 1e9, 3),
            "decay_s": _decay(t, y, peak),
            "lag_s": round(lag.total_s, 3),
            "gas_peak_oxygen_percent": round(missed.level + float(gas.oxygen[at]), 2),
            "gas_peak_sd_percent": round(gas.sd, 2),
            "gas_peak_lambda": gas_lambda,
            "gas_resolution_s": round(gas.resolution_s, 3),
            "unburnt_would_be_percent": round(missed.level + missed.lowest, 2),
            "at_limit_s": round(_at_limit(spike) * step_s, 2),
            "other_cylinders": spike.others,
            "rpm_dip": _dip(spike),
            "after_percent": round(float(after.min()) * spike.sign, 2) if len(after) else None,
            "noise_limit_percent": round(spike.limit, 2),
            **({} if missed.cycle_known else {"assumed_cycle_s": missed.cycle_s}),
        }


def _mixture(bump: Bump, begin: float, width: float, missed: _Missed, sign: int) -> Pulse:
    """The best pulse that a mixture which burns could have made."""
    widths = np.geomspace(0.02, width + 0.15, _WIDTHS)
    heights = (0.0, HIGHEST_OF_LEAN * missed.lowest) if sign > 0 else (-np.inf, 0.0)
    return bump.best(begin - _EARLIEST_S, begin + _LATEST_S, widths, *heights)


def _misfire(bump: Bump, begin: float, width: float, missed: _Missed) -> tuple[Pulse, ...]:
    """The best pulses that missed cycles could have made, in order of time.

    One after another is added where it saves enough; the others then find their places anew.
    """
    longest = max(int(np.ceil((width + 0.1) / missed.cycle_s)), 1)
    widths = np.unique(np.round(np.geomspace(1, longest, _WIDTHS))) * missed.cycle_s
    heights = (LOWEST_OF_MISSED * missed.lowest, _HIGHEST_OF_MISSED * missed.highest)
    first, short = begin - _EARLIEST_S, widths[: _WIDTHS // 2]
    pulses = [bump.best(first, begin + _LATEST_S, widths, *heights)]
    while len(pulses) < _MOST_PULSES and pulses[-1].misfit > _WELL * bump.count:
        more = [*pulses, _left(bump, pulses).best(first, begin + width, short, *heights)]
        if len(more) == 2:
            more = min(
                more, list(bump.best_pair(first, begin + width, short[:2], *heights)), key=_last_misfit
            )
        for _ in more if len(more) <= _MOST_MOVED else ():
            others = more[1:]
            more = [*others, _left(bump, others).best(first, begin + width, short, *heights)]
        if more[-1].misfit + _EACH_PULSE > pulses[-1].misfit:
            break
        pulses = more
    misfit = pulses[-1].misfit
    placed = (replace(pulse, misfit=misfit) for pulse in pulses)
    return tuple(sorted(placed, key=lambda pulse: pulse.begin_s))


def _last_misfit(pulses: list[Pulse]) -> float:
    return pulses[-1].misfit


def _left(bump: Bump, pulses: list[Pulse]) -> Bump:
    for pulse in pulses:
        bump = bump.without(pulse)
    return bump


def _apart(pulses: tuple[Pulse, ...]) -> tuple[tuple[Pulse, ...], ...]:
    """The pulses in groups with at least `_APART_S` of rest between them."""
    groups: list[tuple[Pulse, ...]] = [pulses[:1]]
    for pulse in pulses[1:]:
        if pulse.begin_s - _ends(groups[-1]) > _APART_S:
            groups.append((pulse,))
        else:
            groups[-1] += (pulse,)
    return tuple(groups)


def _ends(pulses: tuple[Pulse, ...]) -> float:
    return max(pulse.begin_s + pulse.width_s for pulse in pulses)


def _misfit(pulses: tuple[Pulse, ...]) -> float:
    """What they leave together, and the price of their number."""
    return pulses[0].misfit + _EACH_PULSE * len(pulses)


def _missed_cycles(pulses: tuple[Pulse, ...], missed: _Missed) -> dict[str, Value]:
    """How many cycles were missed: from the pulses' lengths, and from their areas by both extremes of k_d."""
    cycles = sum(round(p.width_s / missed.cycle_s) for p in pulses)
    area = sum(p.width_s * p.height for p in pulses) / missed.cycle_s
    return {
        "shape": "single" if cycles == 1 else "burst" if len(pulses) == 1 else "on and off",
        "missed_cycles": cycles,
        "missed_cycles_least": max(1, round(area / missed.highest)),
        "missed_cycles_most": max(1, round(area / missed.lowest)),
        "height_over_unburnt": round(pulses[0].height / missed.lowest, 2),
    }


def _at_limit(spike: Spike) -> int:
    limits = (SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT)
    return int(np.isin(spike.state[spike.begin : spike.end], limits).sum())


def _lambda(oxygen: float, fuel: Fuel) -> float | None:
    """Lambda of a burnt gas with that balance; None for more oxygen than air has."""
    if oxygen >= 99.0 * OXYGEN_IN_AIR or oxygen <= oxygen_balance(0.4, fuel):
        return None
    return round(float(lambda_from_oxygen(oxygen, fuel)), 3)


def _decay(t: Floats, y: Floats, peak: int) -> float | None:
    """Time constant of the fall from four fifths of the peak to three tenths, s; None where too short."""
    fall = y[peak:]
    begin = int(np.argmax(fall < 0.8 * fall[0]))
    end = int(np.argmax(fall < 0.3 * fall[0]))
    if end - begin < 2 or begin == 0:
        return None
    slope = np.polyfit(t[peak + begin : peak + end], np.log(fall[begin:end]), 1)[0]
    return round(float(-1.0 / slope), 3) if slope < 0 else None


def _dip(spike: Spike) -> float | None:
    """How far speed fell below the line that it followed before the bump, within 0.3 s of its beginning."""
    before, during = spike.rpm[: spike.begin], spike.rpm[spike.begin : spike.begin + 30]
    if len(before) < 10 or not np.isfinite(before).all() or not np.isfinite(during).all():
        return None
    line = np.polyfit(np.arange(len(before)), before, 1)
    expected = np.polyval(line, len(before) + np.arange(len(during)))
    return round(float(np.median(expected - during)), 1)
