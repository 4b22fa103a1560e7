"""How noisy means over parts of a sweep are, from the sweep itself.

A band of a pull holds three or four quarter-second batches: too few to tell their own scatter.
So the scatter is taken from second differences of neighbouring batches, which leave out what
changes smoothly with speed, and is shared: over neighbouring batches of all nodes for how it
changes along the pull (cycles are longer, and so fewer, at low speed), over the whole pull for how
one node differs from the others. What comes out is a density: variance of a mean = density /
seconds, for means long against the lag.

Noise that went through a first-order lag tau has batch means of length T with

    variance     S/T (1 - (1 - e) tau/T),  e = exp(-T/tau), S the density
    correlation  (1 - e)^2 / (2 (T/tau - 1 + e)) between neighbours, times e for each further one

(computed). White noise on top makes the intervals slightly too wide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.pull_bands import BATCH_S
from mixmon.findings.stats import student_t95

_POOL = 60
"""Second differences that are shared to tell how noise changes along the pull."""

_FEWEST = 8
_PRIOR = 10
_SHORTEST_LAG_S = 0.02

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SweepNoise:
    """What the means of m batches of n nodes are worth.

    density  float64[m, n]  variance times seconds; NaN where it cannot be told
    t95      float64[n]     half-width of a 95 % interval in standard errors
    lag_s    float64[n]
    """

    density: Floats
    t95: Floats
    lag_s: Floats

    def standard_error(self, batches: NDArray[np.bool_], seconds: Floats) -> Floats:
        """Of means over `batches` bool[m] that hold float64[n] counted seconds: float64[n]."""
        of_band = self.density[batches].mean(axis=0)
        counted = np.where(seconds > 0, seconds, np.nan)
        return np.asarray(np.sqrt(of_band / counted * _smoothing(counted, self.lag_s)))


def sweep_noise(y: Floats, lag_s: Floats) -> SweepNoise:
    """Noise of batch means float64[m, n] in order of speed, NaN where there is none.

    What all nodes do together must have been taken out where it is not to count as noise.
    """
    lag = np.maximum(lag_s, _SHORTEST_LAG_S)
    bend = y[2:] - 2 * y[1:-1] + y[:-2]
    power = np.full(y.shape, np.nan)
    power[1:-1] = bend**2 * (_density_of_variance(lag) / _bend_of_variance(lag))
    known = np.isfinite(power)
    count = known.sum(axis=0)
    if count.sum() < _FEWEST:
        nothing = np.full(y.shape[1], np.nan)
        return SweepNoise(np.full(y.shape, np.nan), nothing, lag)
    along = _along(power, known)
    share = np.where(known, power / along[:, None], 0.0).sum(axis=0)
    own = (share + _PRIOR) / (count + _PRIOR)
    t95 = [student_t95(c / 2 + _PRIOR / 2) for c in count.tolist()]
    return SweepNoise(along[:, None] * own, np.array(t95), lag)


def _along(power: Floats, known: NDArray[np.bool_]) -> Floats:
    """Mean over all nodes and enough neighbouring batches, float64[m]."""
    m = len(power)
    number = np.concatenate([[0], np.cumsum(known.sum(axis=1))])
    total = np.concatenate([[0.0], np.cumsum(np.where(known, power, 0.0).sum(axis=1))])
    out = np.empty(m)
    for i in range(m):
        half = 1
        while number[min(i + half + 1, m)] - number[max(i - half, 0)] < min(_POOL, number[-1]):
            half += 1
        low, high = max(i - half, 0), min(i + half + 1, m)
        out[i] = (total[high] - total[low]) / (number[high] - number[low])
    return np.maximum(out, np.finfo(np.float64).tiny)


def _smoothing(seconds: Floats, lag: Floats) -> Floats:
    """Variance of a mean over that time, over density / seconds."""
    ratio = lag / seconds
    return np.asarray(1.0 - ratio * -np.expm1(-1.0 / ratio))


def _density_of_variance(lag: Floats) -> Floats:
    """Density over the variance of a batch."""
    return np.asarray(BATCH_S / _smoothing(np.full(lag.shape, BATCH_S), lag))


def _bend_of_variance(lag: Floats) -> Floats:
    """Mean square of second differences over the variance of a batch."""
    ratio = BATCH_S / lag
    e = np.exp(-ratio)
    rho = (1 - e) ** 2 / (2 * (ratio - 1 + e))
    return np.asarray(6 - 8 * rho + 2 * rho * e)
