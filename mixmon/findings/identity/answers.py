"""What each label answers to the fuel steps: its response behind its own delay and lag, with errors.

    StepWindow      readings and fuel while speed and load were held, in bins of 50 ms
    measure_answers the response of each label in as many directions as the steps have
    measure_decay   how far responses fall while a step is held, as a control that corrects it makes them

The steps of c cylinders move in r directions: a few group steps in few, single steps in c. `Answers.basis`
turns directions into cylinders: a label that sees cylinder i alone answers `basis[:, i]`, by the balance of
air and fuel (a step of +3 % moves ln lambda by -0.03), whatever the code was.

A matched filter: the fuel of each direction behind a first-order lag, shifted by a delay, is fitted to
the readings beside a slow drift of each window. Of all lags and delays the one that fits best counts, for
each label by itself. Errors rest on residuals in quarter seconds and on how alike neighbours are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.stats import BATCH_S, lag1
from mixmon.gas.lag import FirstOrderLag

BIN_ROWS = 5
"""Rows of a bin: our choice, 50 ms; more than 20 readings a second tell little more of a delay."""

BIN_S = 0.05
"""The same in seconds."""

_LAGS_S = (0.05, 0.12, 0.3)
"""Lags that are tried: our choice; a step lasts many of them, so that none between fits much better."""

_SHIFT_BINS = 2
"""Bins between two delays that are tried: our choice, 0.1 s, a thirtieth of a short step."""

_LEAST_DIRECTION = 0.1
"""A direction in which the fuel moves less than this part of the strongest is rounding: our choice."""

_LEAST_SHARE, _LEAST_KNOWN = 0.5, 0.25
"""Part of the time for which a label must be valid, and of what the whole time tells of the least known
direction: our choice. Half of the steps missing leaves errors twice as large."""

_SINGULAR_SHARE = 1e-9
"""Part of the power of all columns below which a fit is not solved: our choice, far above rounding errors and
far below what steps a bin apart leave."""

_BATCH_BINS = round(BATCH_S / BIN_S)

HOLD_BINS = 20
"""Bins for which fuel must stay as it is to be a step: our choice, 1 s, ten usual lags."""

STEP_SHARE = 0.005
"""Change of fuel that is a step: our choice, half a percent, a usual step of a trim."""


@dataclass(frozen=True, slots=True, eq=False)
class StepWindow:
    """k bins in which speed and load were held, n labels and c cylinders.

    ln_lambda  float64[k, n]  mean of the valid readings of a bin; NaN where there was none
    ln_fuel    float64[k, c]  ln of the fuel of each cylinder, up to a constant
    closed_loop  whether the engine control reported that it corrects by its own sensor
    """

    ln_lambda: Floats
    ln_fuel: Floats
    closed_loop: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What n labels answer in r directions of the fuel of c cylinders.

    basis       float64[r, c]     orthonormal rows; column i is what a label answers that sees cylinder i
    response    float64[n, r]     minus ln lambda by ln fuel; NaN for labels that are not known
    covariance  float64[n, r, r]  of its errors
    delay_s, lag_s  float64[n]    at which the readings fit best
    known       bool[n]           labels with enough valid readings
    steps       number of steps held for a second and more
    """

    basis: Floats
    response: Floats
    covariance: Floats
    delay_s: Floats
    lag_s: Floats
    known: Bools
    steps: int


@dataclass(frozen=True, slots=True, eq=False)
class Decay:
    """The share of their responses that labels lose while a step is held, and its standard error."""

    share: float
    error: float


def measure_answers(windows: Sequence[StepWindow], delays_s: tuple[float, float]) -> Answers:
    """The response of each label.

    Args:
        windows: with the same labels and cylinders; the fuel moves in one of them at least.
        delays_s: least and most delay that a reading may have behind the fuel. It is negative where the
            moments of the steps are not exact.
    """
    basis = _directions(windows)
    fit = _Fit(windows)
    moved = [(w.ln_fuel - w.ln_fuel[0]) @ basis.T for w in windows]
    found, whole = _search(fit, moved, delays_s)
    labels, rank = fit.readings.shape[1], len(basis)
    answers = Answers(
        basis,
        response=np.full((labels, rank), np.nan),
        covariance=np.full((labels, rank, rank), np.nan),
        delay_s=np.full(labels, np.nan),
        lag_s=np.full(labels, np.nan),
        known=np.zeros(labels, np.bool_),
        steps=sum(len(_held_steps(w.ln_fuel)) for w in windows),
    )
    for j, best in enumerate(found):
        known = best is not None and _least_eigenvalue(best.power) >= _LEAST_KNOWN * whole
        if best is None or not known:
            continue
        answers.known[j] = True
        answers.delay_s[j], answers.lag_s[j] = best.delay_s, best.lag_s
        answers.response[j] = -best.solution
        answers.covariance[j] = np.linalg.inv(best.power)
    residual = fit.residuals(moved, found)
    answers.covariance[:] *= fit.bin_variance(residual)[:, None, None]
    return answers


def measure_decay(windows: Sequence[StepWindow], answers: Answers, cylinder: Sequence[int | None]) -> Decay:
    """How far the responses fall from the beginning to the end of a held step.

    Args:
        windows: as for `measure_answers`.
        answers: from there.
        cylinder: index of the cylinder that each label sees; None for labels not to ask.
    """
    fit, top, weight = _Fit(windows), 0.0, 0.0
    for j, i in enumerate(cylinder):
        if i is None or not answers.known[j]:
            continue
        own = [_from_baseline(w.ln_fuel)[:, [i]] for w in windows]
        fading = [one * _age_in_hold(w.ln_fuel)[:, None] for one, w in zip(own, windows, strict=True)]
        both = [np.hstack(pair) for pair in zip(own, fading, strict=True)]
        x = fit.design(both, float(answers.lag_s[j]), round(float(answers.delay_s[j]) / BIN_S))
        used = np.isfinite(fit.readings[:, j])
        part = _Projected(fit.drift, fit.readings[:, [j]], used)
        power, wanted = part.normal(x)
        if _is_singular(power, x):
            continue
        mean, change = (-_solved(power, wanted)[:, 0]).tolist()
        residual = np.full((len(used), 1), np.nan)
        residual[used] = part.residual(x, _solved(power, wanted))
        variance = float(fit.bin_variance(residual)[0] * np.linalg.inv(power)[1, 1])
        top += -change * mean / variance
        weight += mean**2 / variance
    if not weight:
        return Decay(np.nan, np.nan)
    return Decay(top / weight, float(1 / np.sqrt(weight)))


def _directions(windows: Sequence[StepWindow]) -> Floats:
    """Orthonormal directions in which the fuel of the cylinders moves, float64[r, c]."""
    moved = np.vstack([w.ln_fuel - w.ln_fuel.mean(axis=0) for w in windows])
    _, size, directions = np.linalg.svd(moved, full_matrices=False)
    return np.asarray(directions[size > _LEAST_DIRECTION * size[0]])


@dataclass(frozen=True, slots=True, eq=False)
class _Best:
    """The lag and the delay that fit one label best, and the fit there."""

    delay_s: float
    lag_s: float
    misfit: float
    solution: Floats
    power: Floats


def _search(
    fit: _Fit, moved: Sequence[Floats], delays_s: tuple[float, float]
) -> tuple[list[_Best | None], float]:
    """The best fit of each label, None where it has too few readings; and what all time tells least of."""
    finite = np.isfinite(fit.readings)
    patterns, group = np.unique(finite, axis=1, return_inverse=True)
    best: list[_Best | None] = [None] * fit.readings.shape[1]
    parts = []
    for g in range(patterns.shape[1]):
        labels = np.flatnonzero(group.ravel() == g)
        if patterns[:, g].mean() >= _LEAST_SHARE:
            parts.append((labels, _Projected(fit.drift, fit.readings[:, labels], patterns[:, g])))
    first, last = (round(s / BIN_S) for s in delays_s)
    whole = _Projected(fit.drift, fit.readings[:, :0], np.ones(len(finite), np.bool_))
    least = np.inf
    for lag_s in _LAGS_S:
        lagged = [_lagged(column, lag_s) for column in moved]
        for shift in range(first, last + 1, _SHIFT_BINS):
            x = _later(lagged, shift)
            least = min(least, _least_eigenvalue(whole.normal(x)[0]))
            for labels, part in parts:
                power, wanted = part.normal(x)
                if _is_singular(power, x):
                    continue
                solution = _solved(power, wanted)
                misfit = part.square - (wanted * solution).sum(axis=0)
                for column, j in enumerate(labels.tolist()):
                    before = best[j]
                    if before is None or misfit[column] < before.misfit:
                        best[j] = _Best(
                            shift * BIN_S, lag_s, float(misfit[column]), solution[:, column], power
                        )
    return best, least


def _solved(power: Floats, wanted: Floats) -> Floats:
    return np.asarray(np.linalg.solve(power, wanted), np.float64)


def _least_eigenvalue(power: Floats) -> float:
    return float(np.linalg.eigvalsh(power)[0])


def _is_singular(power: Floats, x: Floats) -> bool:
    """Whether rounding errors alone, which differ by machine, could make the columns x of a fit unlike."""
    return _least_eigenvalue(power) <= _SINGULAR_SHARE * float((x**2).sum())


class _Fit:
    """The readings of all windows, one below the other, and their slow drift.

    readings  float64[k, n]
    drift     float64[k, 3 windows]: a parabola for each window
    """

    def __init__(self, windows: Sequence[StepWindow]) -> None:
        self.readings = np.vstack([w.ln_lambda for w in windows])
        self._sizes = [len(w.ln_fuel) for w in windows]
        self.drift = np.zeros((len(self.readings), 3 * len(windows)))
        for i, rows in enumerate(self._places()):
            x = np.linspace(-1.0, 1.0, rows.stop - rows.start)
            self.drift[rows, 3 * i : 3 * i + 3] = np.stack([np.ones_like(x), x, x**2], axis=1)

    def _places(self) -> Iterator[slice]:
        end = 0
        for size in self._sizes:
            yield slice(end, end + size)
            end += size

    def design(self, columns: Sequence[Floats], lag_s: float, shift: int) -> Floats:
        """Columns of each window behind a lag and so many bins later, one window below the other."""
        return _later([_lagged(column, lag_s) for column in columns], shift)

    def residuals(self, moved: Sequence[Floats], best: Sequence[_Best | None]) -> Floats:
        """What the best fit leaves of each reading, float64[k, n]; NaN where there is none."""
        left = np.full(self.readings.shape, np.nan)
        for j, one in enumerate(best):
            if one is None:
                continue
            used = np.isfinite(self.readings[:, j])
            part = _Projected(self.drift, self.readings[:, [j]], used)
            x = self.design(moved, one.lag_s, round(one.delay_s / BIN_S))
            left[used, j] = part.residual(x, one.solution[:, None])[:, 0]
        return left

    def bin_variance(self, residuals: Floats) -> Floats:
        """Variance a bin of independent noise that makes means as uncertain as these, float64[n]."""
        parts, joined = [], []
        for rows in self._places():
            batches = (rows.stop - rows.start) // _BATCH_BINS
            piece = residuals[rows][: batches * _BATCH_BINS]
            parts.append(piece.reshape(batches, _BATCH_BINS, -1).mean(axis=1))
            joined += [True] * (batches - 1) + [False]
        means = np.vstack(parts)
        rho = lag1(means, np.array(joined[:-1], np.bool_))
        variance = np.nan_to_num(np.nanvar(np.where(np.isfinite(means).any(axis=0), means, 0.0), axis=0))
        return np.asarray(variance * (1 + rho) / (1 - rho) * _BATCH_BINS, np.float64)


class _Projected:
    """Readings of labels in the bins used, without their drift."""

    def __init__(self, drift: Floats, readings: Floats, used: Bools) -> None:
        self._used = used
        self._drift = np.linalg.qr(drift[used])[0]
        self._readings = self._without_drift(readings[used])
        self.square = (self._readings**2).sum(axis=0)

    def _without_drift(self, x: Floats) -> Floats:
        return np.asarray(x - self._drift @ (self._drift.T @ x))

    def normal(self, x: Floats) -> tuple[Floats, Floats]:
        """The normal equations of a fit of columns x to the readings."""
        free = self._without_drift(x[self._used])
        return free.T @ free, free.T @ self._readings

    def residual(self, x: Floats, solution: Floats) -> Floats:
        """What that fit leaves."""
        return np.asarray(self._readings - self._without_drift(x[self._used]) @ solution)


def _lagged(x: Floats, lag_s: float) -> Floats:
    return FirstOrderLag(BIN_S, [lag_s] * x.shape[1]).feed(x)


def _later(columns: Sequence[Floats], bins: int) -> Floats:
    """Columns of each window so many bins later, one window below the other."""
    return np.vstack([_shifted(column, bins) for column in columns])


def _shifted(x: Floats, bins: int) -> Floats:
    """The rows so many bins later; the first and the last one are held."""
    return x[np.clip(np.arange(len(x)) - bins, 0, len(x) - 1)]


# --- Which bins hold a step. ---


def _holds(ln_fuel: Floats) -> list[tuple[int, int]]:
    """Begin and end of the times for which the fuel of all cylinders stays as it is."""
    moves = np.flatnonzero(np.abs(np.diff(ln_fuel, axis=0)).max(axis=1, initial=0.0) > STEP_SHARE / 5) + 1
    edges = [0, *moves.tolist(), len(ln_fuel)]
    return [(a, b) for a, b in pairwise(edges) if b - a >= HOLD_BINS]


def _baseline(ln_fuel: Floats) -> Floats:
    """The fuel to which the engine control comes back most often, float64[c]."""
    held = [np.median(ln_fuel[a:b], axis=0) for a, b in _holds(ln_fuel)] or [ln_fuel[0]]
    visits = [sum(bool(np.abs(one - other).max() < STEP_SHARE) for other in held) for one in held]
    return np.asarray(held[int(np.argmax(visits))])


def _from_baseline(ln_fuel: Floats) -> Floats:
    return np.asarray(ln_fuel - _baseline(ln_fuel))


def _held_steps(ln_fuel: Floats) -> list[tuple[int, int]]:
    """Begin and end of every step that is held."""
    away = np.abs(_from_baseline(ln_fuel)).max(axis=1)
    return [(a, b) for a, b in _holds(ln_fuel) if np.median(away[a:b]) >= STEP_SHARE]


def _age_in_hold(ln_fuel: Floats) -> Floats:
    """From -0.5 at the beginning of each held step to 0.5 at its end; 0 elsewhere, float64[k]."""
    age = np.zeros(len(ln_fuel))
    for a, b in _held_steps(ln_fuel):
        age[a:b] = np.linspace(-0.5, 0.5, b - a)
    return age
