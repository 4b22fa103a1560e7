"""How far another clock is off: two records of the engine's speed laid over each other.

Coarse: correlation of the two at every lag, over what both know. Where one of them has gaps, or they overlap
in part, sums over the pairs of known samples take the place of sums over all (masked normalised correlation,
Padfield, IEEE Transactions on Image Processing 21, 2012, p. 2706; from memory); without gaps it is the usual
cross-correlation of time delay (Knapp and Carter, IEEE Transactions on Acoustics, Speech, and Signal
Processing 24, 1976, p. 320; from memory).

Fine: around every peak the lag, and the drift of the clock, are fitted by least squares to the speeds
themselves, sample by sample, so that a table that was sampled once a second is never made finer than it is.
An instrument that averages its speed shows it late, while its torque may not be: the lag is told for both, by
how round the corners of its speed are.
The error of the fit is a jackknife over blocks of time (Kuensch, Annals of Statistics 17, 1989, p. 1217; from
memory), since what two instruments show of a speed differs for longer than a sample.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.stats import student_t95

COARSE_S: Final = 0.05
"""Step of the coarse search. Our choice: a sweep of 1000 rpm/s moves 50 rpm in it; the fit goes on there."""

LEAST_CORRELATION: Final = 0.97
"""Correlation that the best lag must reach. Our choice: two instruments on one engine reach 0.99 and more."""

LEAST_PAIRS: Final = 10
LEAST_SECONDS: Final = 5.0
LEAST_IN_COMMON: Final = 0.5
"""Overlap that counts: samples, seconds, and a share of the shorter record. Our choice: a short overlap at
either end of two records agrees by chance."""

MOST_OFF_PERCENT: Final = 3.0
"""By which the speeds may differ over all. Our choice: a wrong count of teeth is off by more."""

AS_GOOD_RATIO: Final = 1.5
AS_GOOD_PERCENT: Final = 1.0
"""Another lag is as good where its misfit is less than so many times the best one's, or less than so much of
the speed. Our choice: two instruments agree to a percent."""

MOST_HALF_S: Final = 0.75
"""Half interval of a lag that is of no use. Our choice: what an instrument that averages over
two seconds and a half leaves."""

MOST_MISFIT_PERCENT: Final = 1.5
"""Of the mean speed: what the speeds may differ by, rms, at the best lag. Our choice: two instruments on one
engine differ by less than a percent; pulls of another run that happen to be alike by more than two."""

USUAL_DRIFT: Final = 3e-4
"""Standard deviation of what clocks gain on each other before anything is known: our choice, three times what
quartz clocks are off (100 ppm; common practice, no source)."""

USUAL_GAIN: Final = 0.02
"""Standard deviation of what one instrument of speed reads over another: our choice. It is fitted beside the
lag, as in a single sweep a percent of speed looks like a tenth of a second."""

_BLOCK_S = 2.0
"""Blocks of the jackknife. Our choice: longer than filters of speed last."""

_LEAST_HALF_S = 0.02
"""Least half interval: computed, one row of a run, and half of 20 ms for which a speed is held in it."""

_MOST_PEAKS = 12
_MOST_FITS = 12
"""Peaks that are refined, and rounds of the fit at most. Our choice: the fit ends after four as a rule."""


class MatchFault(StrEnum):
    """Why two records of speed do not tell the lag."""

    NO_OVERLAP = "no overlap"
    STEADY = "steady"
    UNLIKE = "unlike"
    OFF = "off"
    ALIKE = "alike"
    VAGUE = "vague"


@dataclass(frozen=True, slots=True)
class ClockMatch:
    """What two records of speed say of the lag: seconds to be added to a time of the table.

    lag_s, half_s      at `middle_s`, and half of its 95 % interval
    middle_s           time of the table at which the lag is best known
    drift, drift_half  seconds that the table's clock loses a second, and half of the 95 % interval
    correlation        of the speeds at the best lag; NaN where no lag has enough in common
    off_percent        by which the table's speed reads over the run's there
    misfit_rpm         rms of the difference
    slow_misfit_rpm    the same of its means over a second, in which noise of samples is little
    samples            that were compared
    other_lag_s        another lag that fits as well; NaN where there is none
    averaged_s         the shortest and the longest time over which the table may average its speed
    fault              why the lag is not to be used; None: it is
    """

    lag_s: float = np.nan
    half_s: float = np.nan
    middle_s: float = 0.0
    drift: float = 0.0
    drift_half: float = 0.0
    correlation: float = np.nan
    off_percent: float = np.nan
    misfit_rpm: float = np.nan
    slow_misfit_rpm: float = np.nan
    samples: int = 0
    other_lag_s: float = np.nan
    averaged_s: tuple[float, float] = (0.0, 0.0)
    fault: MatchFault | None = None

    def to_run(self, t: Floats) -> Floats:
        """Times of the run from times of the table, s."""
        return t + self.lag_s + self.drift * (t - self.middle_s)

    def half_at(self, t: Floats) -> Floats:
        """Half of the 95 % interval of these times, s."""
        return np.hypot(self.half_s, self.drift_half * (t - self.middle_s))


@dataclass(frozen=True, slots=True, eq=False)
class SpeedRecord:
    """Speed over time: t float64[k] rising in s, rpm float64[k], NaN where not known."""

    t: Floats
    rpm: Floats

    def known(self) -> SpeedRecord:
        """What is known of it."""
        good = np.isfinite(self.rpm) & np.isfinite(self.t)
        return SpeedRecord(self.t[good], self.rpm[good])

    @property
    def seconds(self) -> float:
        """From its first to its last sample."""
        return float(self.t[-1] - self.t[0]) if len(self.t) else 0.0

    @property
    def step_s(self) -> float:
        """Usual time between samples."""
        return float(np.median(np.diff(self.t))) if len(self.t) > 1 else np.inf


def match_clocks(run: SpeedRecord, table: SpeedRecord) -> ClockMatch:
    """The lag of a table's clock by speed; its `fault` says why it is not to be used.

    Args:
        run: on the run's clock.
        table: on its own; both may have gaps and any rate.
    """
    run, table = run.known(), table.known()
    if min(len(run.t), len(table.t)) < LEAST_PAIRS:
        return ClockMatch(fault=MatchFault.NO_OVERLAP)
    lags, correlation = correlate_known(run, table)
    if not np.isfinite(correlation).any():
        return ClockMatch(fault=MatchFault.NO_OVERLAP)
    return _match_peaks(_Curve(run), table, lags, correlation)


def fits_at_stamps(run: SpeedRecord, table: SpeedRecord, match: ClockMatch, most_s: float) -> bool:
    """Whether equal clocks, to within `most_s`, are among what two records of speed allow.

    match  of the two, where several lags fit, or one is known roughly
    """
    if match.fault is not MatchFault.ALIKE:
        return abs(match.lag_s) <= most_s + match.half_s
    run, table = run.known(), table.known()
    found = _refine(_Curve(run), table, 0.0)
    if found is None:
        return False
    as_good = _still_as_good(match.misfit_rpm, table)
    return abs(found.lag_s) <= most_s + found.half_s and found.misfit_rpm < as_good


def _still_as_good(misfit_rpm: float, table: SpeedRecord) -> float:
    """The misfit up to which another lag is as good as the best one."""
    return max(AS_GOOD_RATIO * misfit_rpm, 0.01 * AS_GOOD_PERCENT * float(np.mean(np.abs(table.rpm))))


def _match_peaks(curve: _Curve, table: SpeedRecord, lags: Floats, correlation: Floats) -> ClockMatch:
    """The best of the fits from the peaks on, judged beside the others."""
    best = int(np.nanargmax(correlation))
    seen = float(correlation[best])
    off = _percent_off(curve, table, float(lags[best]))
    if seen >= LEAST_CORRELATION and abs(off) > MOST_OFF_PERCENT:
        return ClockMatch(correlation=seen, off_percent=off, fault=MatchFault.OFF)
    fits = [_refine(curve, table, float(lags[i])) for i in _find_peaks(correlation)]
    found = sorted((fit for fit in fits if fit is not None), key=lambda fit: fit.misfit_rpm)
    if not found:
        return ClockMatch(correlation=seen, fault=_unlike_or_steady(table))
    return _judge(table, found, _allow_averages(curve, table, found[0]))


def _percent_off(curve: _Curve, table: SpeedRecord, lag: float) -> float:
    """By how much the table's speed reads over the run's at a lag, percent."""
    speed, _ = curve.at(table.t + lag)
    good = np.isfinite(speed)
    power = float(speed[good] @ speed[good])
    return float(100 * (table.rpm[good] @ speed[good] / power - 1)) if power > 0 else np.nan


def _unlike_or_steady(table: SpeedRecord) -> MatchFault:
    """Why no lag fits: a speed that does not change cannot tell one."""
    steady = float(np.std(table.rpm)) < 0.01 * AS_GOOD_PERCENT * abs(float(np.mean(table.rpm)))
    return MatchFault.STEADY if steady else MatchFault.UNLIKE


def correlate_known(run: SpeedRecord, table: SpeedRecord, step_s: float = COARSE_S) -> tuple[Floats, Floats]:
    """Lags in s, and the correlation of the two at each; NaN where they have too little in common.

    Both are laid on a grid of `step_s`; over gaps of a record nothing is known.
    """
    a, known_a = _on_grid(run, step_s)
    b, known_b = _on_grid(table, step_s)
    # Around their levels, so that little is lost where squares of sums are subtracted.
    a = np.where(known_a, a - np.mean(a[known_a]), 0.0)
    b = np.where(known_b, b - np.mean(b[known_b]), 0.0)
    ones_a, ones_b = known_a.astype(np.float64), known_b.astype(np.float64)
    count = np.rint(_crossed(ones_a, ones_b))
    n = np.maximum(count, 1)
    sum_a, sum_b = _crossed(a, ones_b), _crossed(ones_a, b)
    spread = (_crossed(a * a, ones_b) - sum_a**2 / n, _crossed(ones_a, b * b) - sum_b**2 / n)
    shared = _crossed(a, b) - sum_a * sum_b / n
    shorter = min(ones_a.sum(), ones_b.sum())
    good = count >= max(LEAST_IN_COMMON * shorter, LEAST_SECONDS / step_s)
    for one in spread:
        good &= one > max(_NO_SPREAD * float(one.max()), np.finfo(float).tiny)
    found = np.full(len(count), np.nan)
    found[good] = shared[good] / np.sqrt(spread[0][good] * spread[1][good])
    return np.arange(-len(b) + 1, len(a)) * step_s + run.t[0] - table.t[0], found


_NO_SPREAD = 1e-9
"""Part of the largest spread below which one is rounding; our choice."""


JOINED_STEPS: Final = 2.5
"""Usual steps between samples that a line still joins. Our choice: one lost sample makes no gap, two do."""


def _crossed(x: Floats, y: Floats) -> Floats:
    """Sums of products of two columns at every lag, from the earliest on."""
    size = 1 << int(np.ceil(np.log2(len(x) + len(y))))
    whole: Floats = np.fft.irfft(np.fft.rfft(x, size) * np.conj(np.fft.rfft(y, size)), size)
    return np.concatenate([whole[size - len(y) + 1 :], whole[: len(x)]])


def _on_grid(record: SpeedRecord, step_s: float) -> tuple[Floats, Bools]:
    """Speed on a grid from its first sample on, and where it is known: between neighbours."""
    t = record.t[0] + np.arange(int(record.seconds / step_s) + 1) * step_s
    return np.interp(t, record.t, record.rpm), between_near(record.t, t, _longest_gap(record))


def between_near(own: Floats | Ints, t: Floats | Ints, longest: float) -> Bools:
    """Which times `t` lie between neighbours of `own`, at least two, that are at most `longest` apart."""
    after = np.clip(np.searchsorted(own, t, side="left"), 1, len(own) - 1)
    return np.asarray(own[after] - own[after - 1] <= longest)


def _longest_gap(record: SpeedRecord) -> float:
    """Time between samples over which a line may join them."""
    return max(JOINED_STEPS * record.step_s, COARSE_S)


def _find_peaks(correlation: Floats) -> list[int]:
    """The highest local peaks, as indices."""
    known = np.where(np.isfinite(correlation), correlation, -2.0)
    inside = np.concatenate([[-2.0], known, [-2.0]])
    peaks = np.flatnonzero((known >= inside[:-2]) & (known >= inside[2:]) & (known > 0))
    best = peaks[np.argsort(-known[peaks], kind="stable")][:_MOST_PEAKS]
    return [int(i) for i in best]


class _Curve:
    """The run's speed and its slope at any time; NaN in gaps and beyond the ends."""

    def __init__(self, run: SpeedRecord) -> None:
        self._run = run
        self._most = _longest_gap(run)
        areas = np.diff(run.t) * (run.rpm[1:] + run.rpm[:-1]) / 2
        self._areas = np.concatenate([[0.0], np.cumsum(areas)])

    def _integral_to(self, t: Floats) -> Floats:
        """The speed added up to times `t`, lines between samples and level beyond the ends."""
        run = self._run
        before = np.clip(np.searchsorted(run.t, t, side="right") - 1, 0, len(run.t) - 1)
        reached = np.interp(t, run.t, run.rpm)
        return self._areas[before] + (t - run.t[before]) * (run.rpm[before] + reached) / 2

    def at(self, t: Floats, width_s: float = 0.0) -> tuple[Floats, Floats]:
        """Speed and slope, float64[k] each; means over `width_s`, half of it to either side, where told."""
        run = self._run
        after = np.clip(np.searchsorted(run.t, t, side="left"), 1, len(run.t) - 1)
        inside = (t >= run.t[0]) & (t <= run.t[-1]) & (run.t[after] - run.t[after - 1] <= self._most)
        speed = np.where(inside, np.interp(t, run.t, run.rpm), np.nan)
        if width_s:
            begin, end = t - width_s / 2, t + width_s / 2
            mean = (self._integral_to(end) - self._integral_to(begin)) / width_s
            slope = (np.interp(end, run.t, run.rpm) - np.interp(begin, run.t, run.rpm)) / width_s
            return np.where(inside, mean, np.nan), np.where(inside, slope, np.nan)
        # The slope over a tenth of a second to either side, as the steps of held samples are no slope.
        ahead, behind = np.interp(t + 0.1, run.t, run.rpm), np.interp(t - 0.1, run.t, run.rpm)
        return speed, np.where(inside, (ahead - behind) / 0.2, np.nan)


def _refine(curve: _Curve, table: SpeedRecord, lag: float) -> ClockMatch | None:
    """Lag, drift and gain by least squares from a lag on; None where too little is common to both."""
    return _settle(curve, table, _SpeedFit(lag, float(np.median(table.t))))


def _settle(curve: _Curve, table: SpeedRecord, fit: _SpeedFit) -> ClockMatch | None:
    """What a fit settles at; None where too little is common to both."""
    for _ in range(_MOST_FITS):
        pairs = fit.pairs(curve, table)
        if pairs is None:
            return None
        fit, moved = fit.step(pairs)
        if moved < _STILL_S:
            break
    pairs = fit.pairs(curve, table)
    return None if pairs is None else fit.match(pairs)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Samples of the table and the run's speed beside them: t, told, speed, slope float64[k]."""

    t: Floats
    told: Floats
    speed: Floats
    slope: Floats


@dataclass(frozen=True, slots=True)
class _SpeedFit:
    """told(t) = gain speed(t + lag + drift (t - middle)), the speed averaged over `width_s`."""

    lag: float
    middle: float
    drift: float = 0.0
    gain: float = 1.0
    width_s: float = 0.0

    def pairs(self, curve: _Curve, table: SpeedRecord) -> _Pairs | None:
        """What both know; None where that is too little."""
        speed, slope = curve.at(table.t + self.lag + self.drift * (table.t - self.middle), self.width_s)
        good = np.isfinite(speed)
        if good.sum() < LEAST_PAIRS or not slope[good].any():
            return None
        return _Pairs(table.t[good], table.rpm[good], speed[good], slope[good])

    def step(self, pairs: _Pairs) -> tuple[_SpeedFit, float]:
        """The next fit, and by how much the lag has moved."""
        power = pairs.slope**2
        middle = float(power @ pairs.t / power.sum())
        lag = self.lag + self.drift * (middle - self.middle)
        here = replace(self, lag=lag, middle=middle)
        _, _, whole, right = here.equations(pairs)
        more = np.linalg.solve(whole, right)
        moved = float(np.clip(more[0], -_MOST_STEP_S, _MOST_STEP_S))
        drift = float(np.clip(self.drift + more[1], -_MOST_DRIFT, _MOST_DRIFT))
        gain = self.gain + float(more[2])
        return replace(here, lag=lag + moved, drift=drift, gain=gain), abs(moved)

    def equations(self, pairs: _Pairs) -> tuple[Floats, Floats, Floats, Floats]:
        """Columns, what is left of the speeds, and the normal equations with what is known beforehand."""
        rest = pairs.told - self.gain * pairs.speed
        columns = np.stack([pairs.slope, pairs.slope * (pairs.t - self.middle), pairs.speed], axis=1)
        noise = max(float(np.mean(rest**2)), 1.0)
        known = np.array([0.0, noise / USUAL_DRIFT**2, noise / USUAL_GAIN**2])
        whole: Floats = columns.T @ columns + np.diag(known)
        right: Floats = columns.T @ rest - known * np.array([0.0, self.drift, self.gain - 1])
        return columns, rest, whole, right

    def match(self, pairs: _Pairs) -> ClockMatch:
        """The fit with its intervals and how well it fits."""
        half, drift_half = self._halves(pairs)
        rest = pairs.told - self.gain * pairs.speed
        varies = np.ptp(pairs.told) > 0 and np.ptp(pairs.speed) > 0
        return ClockMatch(
            lag_s=self.lag,
            half_s=max(half, _LEAST_HALF_S),
            middle_s=self.middle,
            drift=self.drift,
            drift_half=drift_half,
            correlation=float(np.corrcoef(pairs.told, pairs.speed)[0, 1]) if varies else np.nan,
            off_percent=100 * (self.gain - 1),
            misfit_rpm=float(np.sqrt(np.mean(rest**2))),
            slow_misfit_rpm=_rms_by_second(pairs.t, rest),
            samples=len(rest),
            averaged_s=(self.width_s, self.width_s),
        )

    def _halves(self, pairs: _Pairs) -> tuple[float, float]:
        """Half of the 95 % intervals of lag and drift, by leaving out one block of time after the other."""
        columns, rest, whole, right = self.equations(pairs)
        block = np.floor((pairs.t - pairs.t[0]) / _BLOCK_S).astype(np.int64)
        _, number = np.unique(block, return_inverse=True)
        count = int(number.max()) + 1
        if count < 3:
            return np.inf, np.inf
        squares, products = np.zeros((count, 3, 3)), np.zeros((count, 3))
        np.add.at(squares, number, columns[:, :, None] * columns[:, None, :])
        np.add.at(products, number, columns * rest[:, None])
        without = np.linalg.solve(whole - squares, (right - products)[:, :, None])[:, :, 0]
        weight = squares[:, 0, 0]
        effective = float(weight.sum() ** 2 / (weight @ weight))
        error = np.sqrt((count - 1) * without.var(axis=0))
        # What drift and gain may be where the speeds say little of them.
        told = np.sqrt(np.diag(np.linalg.inv(whole)) * max(float(np.mean(rest**2)), 1.0))
        times = student_t95(max(effective - 1, 1.0))
        halves = np.maximum(times * error, 2 * told)
        return float(halves[0]), float(halves[1])


def _allow_averages(curve: _Curve, table: SpeedRecord, sharp: ClockMatch) -> ClockMatch:
    """The best fit with an interval that allows for averages of the table's speed.

    An average over the time before a sample is late by half of that time, and nothing but rounded corners of
    the speed tells it from a clock that is late. So the clock's lag lies between that of the speeds and half
    of the longest average later that the corners allow.
    """
    fits = [sharp]
    for width in _AVERAGES_S:
        start = _SpeedFit(
            fits[-1].lag_s, fits[-1].middle_s, fits[-1].drift, 1 + fits[-1].off_percent / 100, width
        )
        fit = _settle(curve, table, start)
        if fit is None:
            break
        fits.append(fit)
        if fit.misfit_rpm > _HOPELESS * min(one.misfit_rpm for one in fits) + 1.0:
            break
    best = min(fits, key=lambda fit: fit.misfit_rpm)
    most = best.misfit_rpm**2 * (1 + _AVERAGE_CHI / _count_independent(curve, table, best))
    floor = best.misfit_rpm**2 + 1.0
    able = [fit.averaged_s[0] for fit in fits if fit.misfit_rpm**2 <= max(most, floor)]
    longer = next((width for width in _AVERAGES_S if width > max(able)), max(able))
    high = (max(able) + longer) / 2
    late = high / 4
    return replace(best, lag_s=best.lag_s + late, half_s=best.half_s + late, averaged_s=(min(able), high))


_AVERAGES_S: Final = (0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0, 1.25, 1.5, 1.8, 2.2, 2.6, 3.0, 3.5)
"""Times over which an instrument may average, as they are tried. Our choice: the longest is what falls off
in a second."""

_HOPELESS: Final = 2.0
"""Times the best misfit from which on longer averages are not tried. Our choice: far above noise."""

_AVERAGE_CHI: Final = 6.0
"""Rise of the squared misfit, in independent samples, up to which an average counts as possible. Our choice,
above 3.84 of one number at 95 % (chi-square), as noise is not the same in sweeps and between them."""


def _count_independent(curve: _Curve, table: SpeedRecord, fit: ClockMatch) -> float:
    """How many independent samples the rest of a fit has, by how alike neighbours are."""
    speed, _ = curve.at(fit.to_run(table.t), fit.averaged_s[0])
    rest = table.rpm - (1 + fit.off_percent / 100) * speed
    rest = rest[np.isfinite(rest)]
    alike = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), np.finfo(float).tiny)
    alike = min(max(alike, 0.0), 0.999)
    return max(len(rest) * (1 - alike) / (1 + alike), 3.0)


def _rms_by_second(t: Floats, rest: Floats) -> float:
    """Rms of the means over each second, weighted by their samples."""
    second = np.floor(t - t[0]).astype(np.int64)
    _, number, count = np.unique(second, return_inverse=True, return_counts=True)
    sums = np.bincount(number, rest)
    return float(np.sqrt(np.sum(sums**2 / count) / len(rest)))


_STILL_S = 1e-5
_MOST_STEP_S = 0.5
_MOST_DRIFT = 0.01
"""Where the fit ends; how far it goes at a time; and what no clock drifts by: a percent. Our choice."""


def _most_misfit_rpm(level: float) -> float:
    """The most that speeds of this mean may differ by, rms of means over a second, rpm."""
    return 0.01 * MOST_MISFIT_PERCENT * level


def _judge(table: SpeedRecord, found: list[ClockMatch], best: ClockMatch) -> ClockMatch:
    """The best fit as averages allow it, with the reason why it is not to be used where there is one.

    found  by their misfits, the best first, as sharp as they are
    """
    sharp, *others = found
    level = float(np.mean(np.abs(table.rpm)))
    as_good = _still_as_good(sharp.misfit_rpm, table)
    apart = max(2 * sharp.half_s, _OTHER_LAG_S) if np.isfinite(sharp.half_s) else _OTHER_LAG_S
    rival = next(
        (one for one in others if abs(one.lag_s - sharp.lag_s) > apart and one.misfit_rpm < as_good), None
    )
    fault = None
    if not (best.correlation >= LEAST_CORRELATION and best.slow_misfit_rpm <= _most_misfit_rpm(level)):
        fault = MatchFault.STEADY if best.misfit_rpm < 0.01 * AS_GOOD_PERCENT * level else MatchFault.UNLIKE
    elif abs(best.off_percent) > MOST_OFF_PERCENT:
        fault = MatchFault.OFF
    elif rival is not None:
        fault = MatchFault.ALIKE
    elif not best.half_s <= MOST_HALF_S:
        fault = MatchFault.VAGUE
    return replace(best, fault=fault, other_lag_s=np.nan if rival is None else rival.lag_s)


_OTHER_LAG_S = 0.3
"""Lags that are nearer are one; our choice: two peaks of the coarse search that the fit has not joined."""
