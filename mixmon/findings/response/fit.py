"""How sensors follow a step of their gas: dead time, lag and levels, with their errors.

The way of the data: readings [k, n] at their own times go in; `_guess_start` reads a start from levels and
crossings; `least_squares.solve` fits all sensors at once; `StepFit` names the parameters.

The model: the reading stands at a level, and from the end of the dead time on it answers as two lags in a
row. The longer one is the element's; the shorter one stands for the controller's filter and for whatever
blurs the gas. Only a large and sharp step separates the shorter lag from the dead time, so it is drawn, a
little, towards its usual value; and because the controllers of a chain filter alike and see gas that is
blurred alike, each sensor is fitted again with the filter that all of them show together. The filter is
fitted by the root of its time constant: none and a long one are then equally far from the usual one.

Beside it an element that is a porous layer is fitted, with the same filter. A layer begins to answer more
slowly; two lags take that for dead time, and their T63 is a seventh shorter. Both shapes reach 63 % at the
same moment, and only the first readings of a sharp step tell them apart. So each fit says how much better
the layer fits, and whoever has many fits weighs both (`sensors`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import fsum
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.least_squares import Known, Model, ParameterLimits, Samples, Solution, solve
from mixmon.gas.lag import (
    LAYER_T63,
    USUAL_FILTER_S,
    Respond,
    layer_response,
    step_response,
    time_63,
    time_63_of,
)
from mixmon.mixture.align import GRID_NS

FEWEST_STEP_SAMPLES = 12
"""Our choice: more than two samples for each of the five parameters."""

ALIKE_ROWS = 40
"""Rows over which neighbouring residuals may be alike: our choice, 0.4 s, four usual lags."""

_LEVEL, _HEIGHT, _DEAD, _TAU, _FILTER = np.eye(5)
_TAU_S, _FILTER_S = (0.004, 6.0), (0.0005, 0.200)
"""ParameterLimits of both time constants, s: our choice, wider than any sensor in service."""

_STEP_LIMITS = ParameterLimits(
    lowest=np.array([-np.inf, -np.inf, -np.inf, np.log(_TAU_S[0]), np.sqrt(_FILTER_S[0])]),
    highest=np.array([np.inf, np.inf, np.inf, np.log(_TAU_S[1]), np.sqrt(_FILTER_S[1])]),
    stride=np.array([np.inf, np.inf, 0.1, 0.7, 0.1]),
)
"""The strides, 0.1 s and a factor of two, keep a round within the reach of its slopes: our choice."""

_EARLY, _REACHED = 0.15, 1.0 - np.exp(-1.0)
"""Shares of the step whose crossings give the start: the first is our choice, above the noise."""

_FOOT_S = 0.15
"""How long before the rise the gas may begin to change in another way: our choice, a closing throttle."""

_NUDGE = 1e-4
"""Relative step of numerical derivatives: our choice, small against any curvature, large against rounding."""

_COARSE = 0.005
"""Share of a step to which two plain lags describe a sensor: our choice, so that a step without noise does
not seem known without error."""

NOT_SHARP = 0.025
"""Error of T63, as a share, that residuals do not show: no gas changes at once, and no element is exactly two
lags (computed: the fits of cuts of a simulated engine with known lags stay within it)."""


_UNSEEN_SHARE = 12**-0.5
"""Standard error of T63, in times between samples, where an edge may lie anywhere between two of them: it
looks like one behind a filter. Where there is a filter longer than that, so much less (simulated)."""

_LAYER_DEAD, _LAYER_LAG = 0.09, 0.41
"""Dead time and lag that fit a porous layer best, in diffusion times (computed)."""

_LEAST_TOLD = 1.05
"""Least precision of a sensor's filter, in parts of what was known beforehand: our choice. One that says less
than a twentieth of that says nothing of the filter."""

_LEAST_NOISE = 1e-9
"""Least rms of residuals, in the unit of the readings: our choice, so that made-up data without noise do not
divide by zero."""


class Prior(NamedTuple):
    """A value that is known beforehand, and its standard deviation."""

    value: float
    sd: float


USUAL_FILTER = Prior(USUAL_FILTER_S, 0.020)
"""The shorter lag in s, and its standard deviation: none to 60 ms (common practice, no source). A sensor
without a filter is drawn towards one by a few ms (computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class StepFit:
    """The fits of n sensors; float64[n], NaN where a sensor could not be fitted.

    dead_s      from the zero of time to the first movement
    tau_s       time constant of the element
    filter_s    of the shorter lag
    t63_s       from the end of the dead time until 63 % of the step
    before, after   levels, in the reading's unit
    *_sd        standard deviations
    misfit      rms of the residuals as a share of the step
    samples     int64[n]
    layer_s     T63 if the element is a porous layer
    layer_gain  sum of squares that a layer leaves less than two lags, in noise variances
    shape_half_s  how far T63 and dead time may be off, against each other, by the shape (`sensors`); 95 %
    """

    dead_s: Floats
    tau_s: Floats
    filter_s: Floats
    t63_s: Floats
    before: Floats
    after: Floats
    dead_sd: Floats
    tau_sd: Floats
    t63_sd: Floats
    misfit: Floats
    samples: Ints
    layer_s: Floats
    layer_gain: Floats
    shape_half_s: Floats


def fit_steps(
    samples: Samples,
    filter_s: Prior = USUAL_FILTER,
    *,
    before: Prior | None = None,
    after: Prior | None = None,
    blur: float = NOT_SHARP,
    foot: float = 0.0,
) -> StepFit:
    """Fits one step of n sensors.

    Args:
        samples: readings in a unit in which the sensor is linear.
        filter_s: the shorter lag.
        before: level before the step, where the readings do not show it.
        after: level after it, where they do not show that.
        blur: error of T63 that no residual shows, as a share of it.
        foot: share of the step below which the readings just before the rise do not count, because the
            gas may have begun to change in some other way.
    """
    t, y, used = samples
    used = used & np.isfinite(y)
    y = np.where(used, y, 0.0)
    known = [Known(_LEVEL, before.value, before.sd)] if before else []
    known += [Known(_LEVEL + _HEIGHT, after.value, after.sd)] if after else []
    start = np.array([_guess_start(t[u, j], y[u, j], filter_s.value) for j, u in enumerate(used.T)])
    if before:
        start[:, 1] += start[:, 0] - before.value
        start[:, 0] = before.value
    able = np.isfinite(start).all(axis=1)
    start[~able] = (0.0, 1.0, 0.0, np.log(0.1), np.sqrt(filter_s.value))

    able_ones = Samples(t, y, used & able & ~_find_feet(t, y, used, start, foot))
    coarse = _COARSE * np.abs(start[:, 1])

    def fit_shape(respond: Respond, begin: Floats) -> tuple[Solution, Solution]:
        def fit_with(root: Prior, begin: Floats) -> Solution:
            every, model = [Known(_FILTER, *root), *known], _model_of(respond, t)
            return solve(model, able_ones, begin, every, _STEP_LIMITS, alike=ALIKE_ROWS, coarse=coarse)

        usual = _root_of(filter_s)
        alone = fit_with(usual, begin)
        return alone, fit_with(_pool_filters(alone, usual, able), alone.theta)

    alone, found = fit_shape(step_response, start)
    _, layer = fit_shape(layer_response, _start_as_layer(found.theta))
    return _as_fit(found, alone, layer, able, (blur, _period_of(t, used)))


def _period_of(t: Floats, used: Bools) -> Floats:
    """Mean time between the samples of each sensor, s, float64[n]; 0 where there are none."""
    seconds = np.where(used, t, -np.inf).max(axis=0) - np.where(used, t, np.inf).min(axis=0)
    return np.asarray(np.maximum(seconds, 0.0) / np.maximum(used.sum(axis=0) - 1, 1))


def _root_of(filter_s: Prior) -> Prior:
    """The square root of a filter's time constant."""
    root = float(np.sqrt(filter_s.value))
    return Prior(root, filter_s.sd / (2.0 * root))


def _pool_filters(alone: Solution, root: Prior, able: Bools) -> Prior:
    """What all sensors together say of the root of the filter's time constant, beside what was known of it.

    Where they differ by more than their errors, that difference is in the standard deviation (DerSimonian &
    Laird, Control. Clin. Trials 7, 1986; from memory); where it is then no smaller than before, they say
    nothing.
    """
    known = 1.0 / root.sd**2
    each = 1.0 / np.maximum(alone.sd(_FILTER), _LEAST_NOISE) ** 2
    told = able & (each > _LEAST_TOLD * known)
    own = each[told] - known
    value = (alone.theta[told, 4] * each[told] - root.value * known) / own
    pooled = fsum([*own, known])
    mean = fsum([*(own * value), root.value * known]) / pooled
    apart = fsum(own * (value - mean) ** 2) / max(len(own) - 1, 1)
    between = max(apart - 1.0, 0.0) * len(own) / fsum(own) if len(own) else 0.0
    sd = float(np.sqrt(1.0 / pooled + between))
    return Prior(mean, sd) if sd < root.sd else root


def _model_of(respond: Respond, t: Floats) -> Model:
    """The readings at times t, and their slopes, of sensors with that response."""

    def model(theta: Floats) -> tuple[Floats, Floats]:
        level, height, dead = theta[:, :3].T
        tau, still = np.exp(theta[:, 3]), theta[:, 4] ** 2
        answer = respond(t - dead, tau, still)
        by = (
            -height * answer.by_t,
            height * tau * answer.by_tau,
            2.0 * height * theta[:, 4] * answer.by_filter,
        )
        slopes = np.stack([np.ones_like(answer.share), answer.share, *by], axis=2)
        return level + height * answer.share, slopes

    return model


def _start_as_layer(theta: Floats) -> Floats:
    """Where to begin with a porous layer, from the parameters of two lags."""
    start = theta.copy()
    start[:, 3] -= np.log(_LAYER_LAG)
    start[:, 2] -= _LAYER_DEAD / _LAYER_LAG * np.exp(theta[:, 3])
    return start


def _guess_start(t: Floats, y: Floats, filter_s: float) -> Floats:
    """Levels from both ends, time constant from two crossings, float64[5]; NaN where there is no step."""
    if len(y) < FEWEST_STEP_SAMPLES:
        return np.full(5, np.nan)
    first, last = float(np.median(y[:3])), float(np.median(y[-5:]))
    if first == last:
        return np.full(5, np.nan)
    share = (y - first) / (last - first)
    early, late = (float(t[int(np.argmax(share >= s))]) for s in (_EARLY, _REACHED))
    tau = float(np.clip((late - early) / (1.0 - _EARLY), GRID_NS / 1e9, 1.0))
    return np.array(
        [first, last - first, early - _EARLY * tau - filter_s / 2, np.log(tau), np.sqrt(filter_s)]
    )


def _find_feet(t: Floats, y: Floats, used: Bools, start: Floats, foot: float) -> Bools:
    """Samples shortly before each reading has first covered the share `foot` of its step, bool[k, n]."""
    covered = used & ((y - start[:, 0]) / start[:, 1] >= foot)
    reached = np.take_along_axis(t, np.argmax(covered, axis=0)[None], axis=0)[0]
    return np.asarray((foot > 0.0) & (t < reached) & (t > reached - _FOOT_S))


def _as_fit(
    found: Solution, alone: Solution, layer: Solution, able: Bools, more: tuple[float, Floats]
) -> StepFit:
    """The parameters of two lags by their names, with errors; NaN for sensors that are not `able`.

    `more` makes error that no residual shows: a share of T63, and by sensor the time between samples, s.

    Errors are those of each sensor alone: the error of the common filter is common too, and not normal where
    the filter is short.
    """
    theta = np.where(able[:, None], found.theta, np.nan)
    tau, still = np.exp(theta[:, 3]), theta[:, 4] ** 2
    t63 = time_63(tau, still)
    by_tau = (time_63(tau * (1 + _NUDGE), still) - t63) / _NUDGE
    by_filter = 2.0 * theta[:, 4] * (time_63(tau, still * (1 + _NUDGE)) - t63) / (_NUDGE * still)
    by_t63 = by_tau[:, None] * _TAU + by_filter[:, None] * _FILTER
    share, period_s = more
    unseen_s = _UNSEEN_SHARE * period_s * np.minimum(1.0, period_s / still)
    blur = np.hypot(share * t63, unseen_s)
    return StepFit(
        dead_s=theta[:, 2],
        tau_s=tau,
        filter_s=still,
        t63_s=t63,
        before=theta[:, 0],
        after=theta[:, 0] + theta[:, 1],
        dead_sd=np.hypot(alone.sd(_DEAD), blur),
        tau_sd=np.hypot(alone.sd(_TAU) * tau, blur),
        t63_sd=np.hypot(alone.sd(by_t63), blur),
        misfit=found.rms / np.abs(theta[:, 1]),
        samples=np.where(able, found.count, 0),
        layer_s=np.where(able, _layer_t63(layer.theta), np.nan),
        layer_gain=np.where(able, _layer_gain(found, layer), np.nan),
        shape_half_s=np.where(able, 0.0, np.nan),
    )


def _layer_t63(theta: Floats) -> Floats:
    """T63 of porous layers with their filters, s."""
    diffusion, still = np.exp(theta[:, 3]), theta[:, 4] ** 2
    return time_63_of(layer_response, LAYER_T63 * diffusion + still, diffusion, still)


def _layer_gain(lags: Solution, layer: Solution) -> Floats:
    """How much less the layers leave than two lags, in noise variances."""
    free = np.maximum(lags.count - lags.theta.shape[1], 1)
    noise = np.maximum(np.minimum(lags.rms, layer.rms), _LEAST_NOISE)
    return np.asarray(free * (lags.rms**2 - layer.rms**2) / noise**2)
