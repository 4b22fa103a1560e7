"""How long the gas travels: from the injector to the valve, and from the valve to the sensor.

Dead time is a part counted in engine cycles and a part that is pipe volume over flow (Zhang,
Grigoriadis, Franchek & Makki, J. Dyn. Sys. Meas. Control, 2007; from memory). Both depend on the
operating point, so one fixed delay is wrong at one end or the other. Sensor lag comes on top and
is `gas.lag`'s business.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from mixmon.errors import RangeError, UsageError
from mixmon.gas.exhaust import Quantity, as_given, need_not_negative, need_positive
from mixmon.gas.fuel import AIR_MOLAR_MASS

DEFAULT_DISTANCE_MM = 320.0
"""Exhaust valve seat to sensor where the session does not say: our choice."""

DEFAULT_BORE_MM = 40.0
"""Inner diameter of the primary where the session does not say: our choice; volume goes with its square."""

DEFAULT_CYLINDER_L = 0.5
"""Swept volume of a cylinder where the session does not say: our choice, a 2 l engine of four cylinders."""

DEFAULT_CYCLES_BEFORE = 0.8
"""Injection to exhaust valve opening, in cycles: 0.75 with late injection (Guzzella & Onder, from
memory), up to 1.25 with early port injection (common practice, no source)."""

UNKNOWN_CYCLE_S = 0.04
"""Cycle of an engine whose speed is not known: our choice, 3000 rpm of a four-stroke engine."""

_TYPICAL_AFR = 12.9
"""Air over fuel by mass, rich as at full load: our choice, lambda 0.88; one unit more or less changes the
travel by 0.6 %."""

_EXHAUST_MOLAR_MASS = 28.6
"""g/mol of burnt gas (computed: `composition` of gasoline at lambda 0.92; 28.3 at 0.88, 29.0 at 1)."""

_INTAKE_K = 300.0
"""Air temperature to which `Charge.eta_v` refers: our choice, 27 °C."""

_PRESSURE_RATIO = 1.05
"""Pressure in the primary over outside pressure: our choice, a free exhaust; the travel goes with it."""


class Charge(NamedTuple):
    """What a cylinder takes in and gives out.

    eta_v           air per cycle over the air that fills the cylinder at 300 K and outside pressure
    exhaust_k       gas temperature in the primary, kelvin
    pressure_ratio  exhaust over outside pressure
    """

    eta_v: Any
    exhaust_k: Any
    pressure_ratio: float


@np.errstate(all="ignore")
def charge(rpm: Any, load: Any, load_signal: str = "throttle") -> Charge:
    """A typical charge at an operating point: numbers, or arrays that broadcast together.

    Smooth in both arguments; a negative load counts as zero. With "throttle" the load is throttle
    opening in percent: flow area grows with the opening, and the charge saturates where area over
    speed is large. With "map_kpa" it is manifold pressure, and the charge goes with it. Exhaust
    temperature rises with air flow.

    An assumption, fitted (computed) to typical charges and gas temperatures from idle to full load,
    themselves common practice without a source; transit times from it agree with theirs within
    15 %. An engine's own air map would be better.

    Raises:
        UsageError: a load signal that is neither "throttle" nor "map_kpa".
    """
    if load_signal not in _FILLING:
        raise UsageError(
            f"charge: load signal {load_signal!r}; expected {' or '.join(_FILLING)}; name one of these"
        )
    krpm = np.asarray(rpm, np.float64) / 1000.0
    above = krpm - 6.8
    wide_open = 1.06 / (1.0 + 0.0105 * above * above)
    eta_v = wide_open * _FILLING[load_signal](np.maximum(load, 0.0), krpm)
    flow = eta_v * krpm
    return Charge(eta_v, 690.0 + 720.0 * flow / (flow + 2.5), _PRESSURE_RATIO)


def _filling_by_throttle(percent: Any, krpm: Any) -> Any:
    """Share of the wide-open charge that passes a throttle; a tenth remains when it is shut."""
    area = 0.2 + 0.046 * percent + 0.0013 * percent * percent
    return 0.1 + 0.9 * area / np.sqrt(area * area + krpm * krpm)


def _filling_by_pressure(kpa: Any, krpm: Any) -> Any:
    """Share of the charge at 100 kPa; never less than a tenth."""
    return np.maximum(kpa / 100.0, 0.1) + 0.0 * krpm


_FILLING = {"throttle": _filling_by_throttle, "map_kpa": _filling_by_pressure}


@np.errstate(all="ignore")
def cycle_s(rpm: Quantity, strokes: int = 4) -> Quantity:
    """Seconds for one engine cycle, NaN where the engine does not turn.

    >>> cycle_s(6000.0)
    0.02

    Raises:
        UsageError: strokes other than 2 or 4.
    """
    if strokes not in (2, 4):
        raise UsageError(f"engine: {strokes} strokes; expected 2 or 4; correct the session file")
    turning = np.asarray(rpm, np.float64)
    turning = np.where(turning > 0.0, turning, np.nan)
    return as_given(rpm, 30.0 * strokes / turning)


def pipe_volume_l(distance_mm: Any, bore_mm: float) -> Any:
    """Litres in a pipe of that length and bore; the length may be an array.

    >>> round(pipe_volume_l(320, 44), 3)
    0.487

    Raises:
        RangeError: a bore not above zero.
    """
    need_positive("exhaust", "primary bore in mm", bore_mm)
    return np.pi * bore_mm * bore_mm / 4.0 * distance_mm * 1e-6


@np.errstate(all="ignore")
def transit_cycles(
    volume_ratio: Any,
    eta_v: Any,
    exhaust_k: Any,
    pressure_ratio: float = _PRESSURE_RATIO,
    afr: float = _TYPICAL_AFR,
) -> Any:
    """Engine cycles that gas needs through a pipe, pushed by what each cycle adds (plug flow).

    Gas stands still between exhaust events, so arrival is quantised to cycles; this is the mean.

    Args:
        volume_ratio: pipe volume over cylinder volume.
        eta_v: air per cycle over the cylinder's fill at 300 K and outside pressure.
        exhaust_k: gas temperature in the pipe.
        pressure_ratio: pressure in the pipe over outside pressure.
        afr: air-fuel ratio by mass, for the fuel's share of the gas.

    Source: ideal gas, computed.
    """
    per_cycle = np.asarray(eta_v, np.float64) * (1.0 + 1.0 / afr) * (AIR_MOLAR_MASS / _EXHAUST_MOLAR_MASS)
    return volume_ratio * pressure_ratio * (_INTAKE_K / np.asarray(exhaust_k, np.float64)) / per_cycle


@np.errstate(all="ignore")
def valve_to_sensor_delay_s(
    rpm: Any,
    load: Any,
    distance_mm: Any = None,
    bore_mm: float | None = None,
    cylinder_volume_l: float | None = None,
    *,
    cycles_before: float = DEFAULT_CYCLES_BEFORE,
    strokes: int = 4,
    load_signal: str = "throttle",
) -> Any:
    """Seconds from injection to the arrival of its gas at the sensor, sensor lag not included.

    Numbers, or arrays that broadcast together: rpm and load as [k, 1] with distances [n] give
    [k, n]. Unknown geometry (None) is taken as 320 mm, 40 mm bore and 0.5 l a cylinder. NaN in
    rpm or load gives NaN, and so does an engine that does not turn.

    >>> round(float(valve_to_sensor_delay_s(3000.0, 18.0, 320.0, 44.0, 0.499)), 3)
    0.058

    Args:
        rpm: engine speed.
        load: throttle percent or manifold kPa, as `load_signal` says.
        distance_mm: exhaust valve seat to sensor, along the pipe.
        bore_mm: inner diameter of the primary.
        cylinder_volume_l: swept volume of one cylinder.
        cycles_before: cycles from injection to the opening of the exhaust valve. Zero gives the
            pipe alone.
        strokes: 2 or 4.
        load_signal: "throttle" or "map_kpa".

    Raises:
        RangeError: impossible geometry.
        UsageError: strokes or load signal unknown.
    """
    litres = DEFAULT_CYLINDER_L if cylinder_volume_l is None else cylinder_volume_l
    need_positive("engine", "cylinder volume in l", litres)
    need_not_negative("exhaust", "cycles from injection to exhaust", cycles_before)
    distance = np.asarray(DEFAULT_DISTANCE_MM if distance_mm is None else distance_mm, np.float64)
    if not np.all(distance >= 0.0):
        raise RangeError(
            f"exhaust: sensor distance {distance.tolist()} mm; expected zero or more; "
            "correct the session file"
        )
    volume = pipe_volume_l(distance, DEFAULT_BORE_MM if bore_mm is None else bore_mm)
    cylinder = charge(rpm, load, load_signal)
    pipe = transit_cycles(volume / litres, cylinder.eta_v, cylinder.exhaust_k, cylinder.pressure_ratio)
    return (cycles_before + pipe) * cycle_s(np.asarray(rpm, np.float64), strokes)
