"""The delay at any speed and load, from the few points at which it was measured.

    delay = a cycle + k pipe + c,   pipe = (1/2 + max(transit - 1/2, 0)) cycle

a cycles pass from injection to the opening of the exhaust valve; a command waits half a cycle, on
average, for the next injection; the gas of a charge stands in the pipe between pushes, so that its
front is half a cycle ahead of the mean flow but never ahead of its valve; c is whatever does not
change with speed, such as the controller's own dead time. Transit comes from the pipe's volume and
a typical charge (`gas.transport`), which may be off by a factor k. a, k and c are fitted, drawn
towards what is usual, so one point is enough, and every prediction has an error that grows away
from the points.

Source of the form: a part counted in cycles and a part that is volume over flow (from memory:
Zhang, Grigoriadis, Franchek & Makki, J. Dyn. Sys. Meas. Control, 2007).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.gas.transport import DEFAULT_CYCLES_BEFORE, cycle_s, valve_to_sensor_delay_s
from mixmon.mixture.align import Geometry

_USUAL = np.array([DEFAULT_CYCLES_BEFORE, 1.0, 0.005])
_USUAL_SD = np.array([0.25, 0.2, 0.010])
"""0.75 to 1.25 cycles are in use; the typical charge is good to a fifth; some milliseconds for a
controller (common practice, no source)."""

_FORM_SD = 0.004
"""What the form itself may be wrong by, s (own choice)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Measured:
    """One measured dead time: speed, load, seconds, standard deviation."""

    rpm: float
    load: float
    dead_s: float
    sd: float


@dataclass(frozen=True, slots=True, eq=False)
class DelayModel:
    """The fitted form.

    cycles       a, and cycles_sd
    pipe_factor  k, and pipe_factor_sd
    constant_s   c, and constant_sd
    residual_s   measured less modelled, one a point
    """

    cycles: float
    cycles_sd: float
    pipe_factor: float
    pipe_factor_sd: float
    constant_s: float
    constant_sd: float
    residual_s: tuple[float, ...]
    _pipe: _Pipe
    _covariance: Floats

    def at(self, rpm: float, load: float) -> tuple[float, float]:
        """Dead time from command to first movement in s, and its standard deviation."""
        by = np.array([*self._pipe.at(rpm, load), 1.0])
        dead = float(by @ (self.cycles, self.pipe_factor, self.constant_s))
        return dead, float(np.sqrt(by @ self._covariance @ by + _FORM_SD**2))


@dataclass(frozen=True, slots=True)
class _Pipe:
    """What is not fitted: geometry, and which load the charge is read from."""

    geometry: Geometry
    load_signal: str

    def at(self, rpm: float, load: float) -> tuple[float, float]:
        """Seconds of a cycle, and of the wait and the pipe together."""
        geometry = self.geometry
        cycle = float(cycle_s(rpm, geometry.strokes))
        pipe = valve_to_sensor_delay_s(
            rpm,
            load,
            distance_mm=float(np.mean(geometry.distance_mm)),
            bore_mm=geometry.bore_mm,
            cylinder_volume_l=geometry.cylinder_volume_l,
            cycles_before=0.0,
            strokes=geometry.strokes,
            load_signal=self.load_signal,
        )
        return cycle, max(float(pipe), 0.5 * cycle)


def fit_delay(points: Sequence[Measured], geometry: Geometry, load_signal: str) -> DelayModel | None:
    """The model through the points; None without any.

    Args:
        points: measured dead times.
        geometry: of pipes and cylinders.
        load_signal: "throttle" or "map_kpa", what the points' load is.
    """
    if not points:
        return None
    pipe = _Pipe(geometry, load_signal)
    rows = np.array([[*pipe.at(point.rpm, point.load), 1.0] for point in points])
    dead = np.array([point.dead_s for point in points])
    weight = 1.0 / (np.array([point.sd for point in points]) ** 2 + _FORM_SD**2)
    covariance = np.linalg.inv(rows.T @ (rows * weight[:, None]) + np.diag(_USUAL_SD**-2))
    found = covariance @ (rows.T @ (weight * dead) + _USUAL / _USUAL_SD**2)
    sd = np.sqrt(np.diag(covariance))
    return DelayModel(
        cycles=float(found[0]),
        cycles_sd=float(sd[0]),
        pipe_factor=float(found[1]),
        pipe_factor_sd=float(sd[1]),
        constant_s=float(found[2]),
        constant_sd=float(sd[2]),
        residual_s=tuple((dead - rows @ found).tolist()),
        _pipe=pipe,
        _covariance=np.asarray(covariance, np.float64),
    )
