"""Which pulse of the gas made a bump of the reading: when it began, how long it was, how high.

The gas is taken to have been higher by one amount for one stretch of time, and the reading to
have followed as the sensor's lag says. All beginnings and lengths of a grid are tried at once by
least squares, then the neighbourhood of the best one is tried finer.

Neighbouring readings share noise, because cycle-to-cycle noise passes the same lag. So both
sides are first freed of what a reading has from the one before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.sensor_lag import SensorLag

_KEPT = 0.8
"""What of a noise is left in the reading 10 ms later: typical of 85 ms of lag with a part of white noise."""

_STEP_S, _FINE_S = 0.010, 0.0025

Floats = NDArray[np.float64]


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


class Bump:
    """One bump of one node's reading, ready to be compared with pulses.

    t      float64[k]  moments of the samples, s, rising
    y      float64[k]  reading above what was expected, oxygen percent
    noise  standard deviation of what a sample adds to what it has from the one before
    """

    def __init__(self, t: Floats, y: Floats, lag: SensorLag, noise: float) -> None:
        self.t, self.y, self.lag, self.noise = t, y, lag, noise
        self._kept = _KEPT ** (np.diff(t) / 0.010)
        self._y = self._freed(y)

    def without(self, pulse: Pulse) -> Bump:
        """What is left when a pulse is taken away."""
        shape = self.lag.pulse(self.t - pulse.begin_s, pulse.width_s)
        return Bump(self.t, self.y - pulse.height * shape, self.lag, self.noise)

    @property
    def misfit(self) -> float:
        """Sum of squares in noise variances, with no pulse at all."""
        return float(self._y @ self._y) / self.noise**2

    @property
    def count(self) -> int:
        """How many sums of squares `misfit` adds up."""
        return len(self._y)

    def best(self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float) -> Pulse:
        """The best pulse that begins from first_s to last_s, has one of the widths and a height between."""
        begins = np.arange(first_s, last_s + _STEP_S, _STEP_S)
        coarse = widths_s[:: max(1, len(widths_s) // 8)]
        rough = self._best_of(begins, coarse, lowest, highest)
        near = np.searchsorted(widths_s, rough.width_s)
        step = max(1, len(widths_s) // 8)
        finer = widths_s[max(0, near - step) : near + step + 1]
        begins = rough.begin_s + np.arange(-2 * _STEP_S, 2 * _STEP_S + _FINE_S, _FINE_S)
        return self._best_of(begins, finer, lowest, highest)

    def best_pair(
        self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float
    ) -> tuple[Pulse, Pulse]:
        """The best two pulses of equal height; each alone might be put in the middle between them."""
        begins = np.repeat(np.arange(first_s, last_s + _STEP_S, _STEP_S), len(widths_s))
        widths = np.tile(widths_s, len(begins) // len(widths_s))
        shapes = self._freed(self.lag.pulse(self.t - begins[:, None], widths[:, None]))
        match, together = shapes @ self._y, shapes @ shapes.T
        power = np.diag(together)
        match = match[:, None] + match
        power = np.maximum(power[:, None] + power + 2.0 * together, 1e-12)
        height = np.clip(match / power, lowest, highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        misfit = self.misfit - float(gain[at]) / self.noise**2
        sd = float(self.noise / np.sqrt(power[at]))
        one, two = (Pulse(float(begins[i]), float(widths[i]), float(height[at]), sd, misfit) for i in at)
        return one, two

    def _best_of(self, begins: Floats, widths: Floats, lowest: float, highest: float) -> Pulse:
        late = self.t - begins[:, None, None]
        shapes = self._freed(self.lag.pulse(late, widths[:, None]))
        match, power = shapes @ self._y, np.einsum("ijk,ijk->ij", shapes, shapes)
        power = np.maximum(power, 1e-12)
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

    def _freed(self, y: Floats) -> Floats:
        return np.asarray(y[..., 1:] - self._kept * y[..., :-1], np.float64)


def noise_of(t: Floats, y: Floats) -> float:
    """Standard deviation of what each sample adds, from quiet readings, robust; NaN from fewer than 30."""
    new = y[1:] - _KEPT ** (np.diff(t) / 0.010) * y[:-1]
    new = new[np.isfinite(new)]
    return 1.4826 * float(np.median(np.abs(new))) if len(new) >= 30 else np.nan
