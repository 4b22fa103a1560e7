"""How far the mean of rounded readings can be from the truth.

Readings that come in steps q are off by up to half a step, all alike, for as long as what they show stays
between two edges. Noise moves them over the edges, and their mean comes nearer to the truth: for
normal noise of standard deviation s it is off by

    q sum (-1)^k / (pi k) sin(2 pi k mu / q) exp(-2 pi^2 k^2 s^2 / q^2),  k = 1, 2, ...

with mu the truth (from memory: Widrow, Kollar & Liu, Statistical theory of quantization, IEEE Trans. Instrum.
Meas. 45, 1996). How much noise there was is seen in the readings themselves: those that rest on two
neighbouring steps have the variance f (1 - f) q^2, with f the place of their mean between the two, however
the noise is; only what is beyond that comes from noise that reaches farther.
"""

from __future__ import annotations

from functools import cache
from math import erfc, fsum, sqrt

import numpy as np

from mixmon.arrays import Bools, Floats, Ints

_HARMONICS = 40
"""Terms of the sum: our choice; it is cut off at half a step, where more would matter."""

_NOISIEST = 1.2
"""In steps; more noise leaves less than a millionth of a millionth of a step (computed)."""

_WILD_SHARE = 0.05
"""Part of the batches, those farthest out, that says nothing about the noise: our choice, so that single
excursions do not count as noise that was there all the time."""


@cache
def _tables() -> tuple[Floats, Floats]:
    """Variance of rounded noise about the middle of a step, and the worst error of its mean; by noise."""
    noise = np.linspace(0.0, _NOISIEST, 241)
    edges = np.arange(20) + 0.5
    variance = [0.0] + [
        fsum((2 * k + 1) * erfc(edge / (sqrt(2) * s)) for k, edge in enumerate(edges)) for s in noise[1:]
    ]
    k = np.arange(1, _HARMONICS + 1)[:, None]
    series = (np.exp(-2 * np.pi**2 * k**2 * noise**2) / (np.pi * k)).sum(axis=0)
    return np.array(variance), np.minimum(series, 0.5)


def worst_error(spread: Floats) -> Floats:
    """Most by which a mean of rounded readings is off, in steps, float64[n].

    spread: variance of the readings, in steps squared, beyond that of two neighbouring steps.

    >>> worst_error(np.array([0.0, 0.1, 1.0])).round(3).tolist()
    [0.5, 0.051, 0.0]
    """
    variance, error = _tables()
    out: Floats = np.interp(spread, variance, error)
    return out


def rounding_variance(y: Floats, scatter: Floats, code: Floats, step: Floats, visit: Ints) -> Floats:
    """Variance of the error that rounding leaves in the mean of each column, float64[n].

    The error is as a sine of the truth's place between two steps, with the worst error as its amplitude, and
    the place is not known: half of the amplitude squared. Noise is what happens within a visit: that a
    reading rests on another step at the next visit does not bring the mean of either nearer to the truth.

    y        float64[m, n]  means of batches, NaN where there is none
    scatter  float64[m, n]  mean square of the readings about them
    code     float64[m, n]  one reading of each batch, as it is
    step     float64[n]     of the readings; infinite or NaN: not known, then nothing is said
    visit    int64[m]       number of the visit, rising
    """
    rounded = np.isfinite(step) & (step > 0)
    if not rounded.any() or not len(y):
        return np.zeros(y.shape[1])
    begins = np.flatnonzero(np.diff(visit, prepend=visit[0] - 1))
    known = np.isfinite(y)
    about = y - _mean_of_visits(y, known, begins)
    far = np.where(known, scatter + about**2, np.nan)
    kept = far <= _quantile(far, 1.0 - _WILD_SHARE)
    mean = _mean_of_visits(y, kept, begins)
    size = np.where(rounded, step, 1.0)
    place = np.mod((mean - np.fmin.reduce(code, axis=0)) / size, 1.0)
    spread = (scatter + (y - mean) ** 2) / size**2 - place * (1 - place)
    spread = np.where(kept, spread, 0.0).sum(axis=0) / np.maximum(kept.sum(axis=0), 1)
    return np.where(rounded, 0.5 * (worst_error(spread) * size) ** 2, 0.0)


def _mean_of_visits(y: Floats, used: Bools, begins: Ints) -> Floats:
    """For every batch the mean of its visit, float64[m, n]."""
    count = np.add.reduceat(used.astype(np.float64), begins, axis=0)
    total = np.add.reduceat(np.where(used, y, 0.0), begins, axis=0)
    length = np.diff(begins, append=len(y))
    return np.repeat(total / np.maximum(count, 1.0), length, axis=0)


def _quantile(x: Floats, share: float) -> Floats:
    """The number that this share of each column's numbers do not exceed."""
    ordered = np.sort(x, axis=0)
    at = np.clip(np.ceil(share * np.isfinite(x).sum(axis=0)).astype(np.int64) - 1, 0, len(x) - 1)
    return np.asarray(ordered[at, np.arange(x.shape[1])])
