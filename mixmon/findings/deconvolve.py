"""The gas behind the sensor's lag, as well as it can be known.

Dividing the lag out of a reading raises its noise without bound, so the gas is asked to be
smooth as well: of all courses of the gas, constant over steps of 10 ms, the one is taken that
makes

    sum (reading - lagged gas)^2 / noise^2  +  sum (step of the gas)^2 / roughness^2

least. That is the mean of the courses that agree with the reading if steps of the gas scatter
with that roughness; their standard deviation comes with it. Peaks shorter than the resolution
are seen lower and longer than they were; the area under them stays.

Source of the method: Tikhonov regularisation in its reading as a Gaussian prior (from memory:
Tarantola, Inverse Problem Theory, 1987).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.sensor_lag import SensorLag

STEP_S = 0.010
ROUGHNESS = 1.5
"""Standard deviation of a step of the gas in 10 ms, oxygen percent: a missed charge raises a tip's
gas by some ten percent within a cycle of 15 to 100 ms (computed)."""

Floats = NDArray[np.float64]


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
