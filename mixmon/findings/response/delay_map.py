"""The delay at any speed and load, from the few points at which it was measured.

    delay = a cycle + k pipe + c,   pipe = (1/2 + max(transit - 1/2, 0)) cycle

From injection to the opening of the exhaust valve pass a cycles. A command waits half a cycle, on average,
for the next injection. The gas of a charge stands in the pipe between pulses, so its front is half a cycle
ahead of the mean flow, but never ahead of its valve. The constant c is the part that does not change with
speed, such as the controller's own dead time. Transit comes from the pipe's volume and a typical charge
(`gas.transport`). That charge is wrong by a factor k everywhere, and by a further share that is alike only
where speed and charge are alike.

The numbers a, k, c and those shares begin at usual values with errors, and the measured points narrow them
(Gaussian process regression; from memory: Rasmussen & Williams, 2006). So one point is enough, a prediction
near a measured point follows it, and the error grows with the distance from the points.

Source of the form: a part counted in cycles and a part that is volume over flow (from memory:
Zhang, Grigoriadis, Franchek & Makki, J. Dyn. Sys. Meas. Control, 2007).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.stats import NORMAL_95
from mixmon.gas.transport import DEFAULT_CYCLES_BEFORE, cycle_s, valve_to_sensor_delay_s
from mixmon.mixture.align import Geometry

_USUAL = np.array([DEFAULT_CYCLES_BEFORE, 1.0, 0.005])
_USUAL_SD = np.array([0.25, 0.3, 0.010])
"""Cycles, pipe factor and constant, s, before a measurement: 0.75 to 1.25 cycles are in use, the typical
charge is right to a third, a controller takes some milliseconds (common practice, no source)."""

_LOCAL_SHARE = 0.25
_ALIKE_SPEED, _ALIKE_CHARGE = 0.4, 0.4
"""Share of the pipe by which a point may differ from the rest, and how far apart in ln of speed and of charge
points still differ alike: our choice, so that a measured point governs its neighbours of the same speed."""

_FORM_S, _FORM_SHARE = 0.004, 0.05
"""Error of the form itself, s and as a share of the delay: our choice, the least interval of any
prediction."""


@dataclass(frozen=True, slots=True)
class MeasuredDeadTime:
    """One measured dead time with its standard deviation, at one speed and load.

    pipe_share   further error of the typical charge at this point, as a share of the pipe
    late         the command's stamp lies behind the first movement: of use for an error of the stamps alone
    """

    rpm: float
    load: float
    dead_s: float
    sd: float
    pipe_share: float = 0.0
    late: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class DelayModel:
    """The fitted form.

    cycles       a, and cycles_sd
    pipe_factor  k, and pipe_factor_sd
    constant_s   c, and constant_sd
    residual_s   measured dead time less the one by a, k and c alone; one for each point
    """

    cycles: float
    cycles_sd: float
    pipe_factor: float
    pipe_factor_sd: float
    constant_s: float
    constant_sd: float
    residual_s: tuple[float, ...]
    _pipe: _Pipe
    _rows: Floats
    _inverse: Floats
    _surprise: Floats

    @property
    def cycles_half(self) -> float:
        """Half of the 95 % interval of the cycles."""
        return NORMAL_95 * self.cycles_sd

    def at(self, rpm: float, load: float) -> tuple[float, float]:
        """Dead time from command to first movement in s, and its standard deviation."""
        here = self._pipe.at(rpm, load)[None]
        shared = _shared_variance(here, self._rows)[0]
        dead = float(here[0] @ _USUAL + shared @ self._inverse @ self._surprise)
        variance = float(_shared_variance(here, here)[0, 0] - shared @ self._inverse @ shared)
        return dead, float(np.sqrt(max(variance, 0.0) + _form_variance(dead)))


@dataclass(frozen=True, slots=True)
class _Pipe:
    """The part that is not fitted: geometry, and the load signal that gives the charge."""

    geometry: Geometry
    load_signal: str

    def at(self, rpm: float, load: float) -> Floats:
        """The factors of a, k and c, float64[3]: seconds of a cycle, seconds of wait and pipe, and one."""
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
        return np.array([cycle, max(float(pipe), 0.5 * cycle), 1.0])


def fit_delay(points: Sequence[MeasuredDeadTime], geometry: Geometry, load_signal: str) -> DelayModel | None:
    """The model through the points; None without any.

    Args:
        points: measured dead times.
        geometry: of pipes and cylinders.
        load_signal: "throttle" or "map_kpa", what the points' load is.
    """
    if not points:
        return None
    pipe = _Pipe(geometry, load_signal)
    rows = np.array([pipe.at(point.rpm, point.load) for point in points])
    dead = np.array([point.dead_s for point in points])
    sd = np.array([(point.sd, point.pipe_share) for point in points])
    noise = sd[:, 0] ** 2 + (sd[:, 1] * rows[:, 1]) ** 2 + _form_variance(dead)
    inverse = np.linalg.inv(_shared_variance(rows, rows) + np.diag(noise))
    surprise = dead - rows @ _USUAL
    known = rows * _USUAL_SD**2
    found = _USUAL + known.T @ inverse @ surprise
    covariance = np.diag(_USUAL_SD**2) - known.T @ inverse @ known
    error = np.sqrt(np.diag(covariance))
    return DelayModel(
        cycles=float(found[0]),
        cycles_sd=float(error[0]),
        pipe_factor=float(found[1]),
        pipe_factor_sd=float(error[1]),
        constant_s=float(found[2]),
        constant_sd=float(error[2]),
        residual_s=tuple((dead - rows @ found).tolist()),
        _pipe=pipe,
        _rows=rows,
        _inverse=np.asarray(inverse, np.float64),
        _surprise=surprise,
    )


@dataclass(frozen=True, slots=True)
class ClockError:
    """How much later the engine's stamps are than the nodes', s, with its standard deviation.

    dead_s, expected_s   mean of the measured dead times, and of those that are usual
    """

    late_s: float
    sd: float
    dead_s: float
    expected_s: float


def find_clock_error(
    points: Sequence[MeasuredDeadTime], geometry: Geometry, load_signal: str
) -> ClockError | None:
    """The error of the stamps, where dead times are such as no gas can have; None where they may be true.

    Stamps that are late by some time make every dead time shorter by it. Impossible is a dead time below
    three quarters of a cycle (Guzzella & Onder, from memory: the least from injection to exhaust) and the
    shortest transit, and one that is farther from all usual ones than these scatter.
    """
    if not points:
        return None
    pipe = _Pipe(geometry, load_signal)
    rows = np.array([pipe.at(point.rpm, point.load) for point in points])
    dead, sd = (np.array([getattr(point, name) for point in points]) for name in ("dead_s", "sd"))
    usual = rows @ _USUAL
    inverse = np.linalg.inv(_shared_variance(rows, rows) + np.diag(sd**2 + _form_variance(usual)))
    weight = inverse.sum(axis=0)
    late, error = float(weight @ (usual - dead) / weight.sum()), float(np.sqrt(1.0 / weight.sum()))
    least = _LEAST_CYCLES * rows[:, 0] + (1.0 - _SHORTEST_SIGMAS * _USUAL_SD[1]) * rows[:, 1]
    impossible = bool((dead + 2.0 * sd < least - _LEAST_CLOCK_ERROR_S).any())
    far = abs(late) > max(_FAR_SIGMAS * error, _LEAST_CLOCK_ERROR_S)
    if not (impossible or far):
        return None
    return ClockError(late, error, float(np.mean(dead)), float(np.mean(usual)))


_LEAST_CYCLES, _SHORTEST_SIGMAS = 0.75, 1.5
"""Least cycles from injection to exhaust (Guzzella & Onder, from memory), and standard deviations by which
the transit may be shorter than usual: our choice, about half of the usual one."""

_LEAST_CLOCK_ERROR_S, _FAR_SIGMAS = 0.020, 4.0
"""Least error of the stamps that is told, s, and standard deviations from which one is: our choice, more
than engine signals and adapters jitter, and more than an unusual engine is off."""


def _shared_variance(here: Floats, there: Floats) -> Floats:
    """Covariance of the delays of points before a measurement, [m, n]."""
    shared = (here * _USUAL_SD**2) @ there.T
    speed = np.log(here[:, None, 0] / there[:, 0]) / _ALIKE_SPEED
    charge = np.log(here[:, None, 1] / here[:, None, 0] / (there[:, 1] / there[:, 0])) / _ALIKE_CHARGE
    local = _LOCAL_SHARE**2 * here[:, None, 1] * there[:, 1]
    return np.asarray(shared + local * np.exp(-0.5 * (speed**2 + charge**2)))


def _form_variance(dead_s: Any) -> Any:
    """Variance of the form at a dead time."""
    return _FORM_S**2 + (_FORM_SHARE * dead_s) ** 2
