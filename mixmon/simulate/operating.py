"""What the engine does at a speed and a load, and what each cylinder makes of it.

`OperatingMap` reads the scenario's tables, on straight lines between their points. `Charges` is the mixture
in one cylinder, which is the truth that an analysis looks for; `LeakAir` what a leak adds before its
sensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Floats, Ints
from mixmon.simulate.scenario import Grid, Leak, Map, Scenario


class OperatingPoint(NamedTuple):
    """The engine at k moments, one float64[k] each.

    target   lambda aimed at, warm
    pulse    effective injector opening, ms
    base     what the base map gives too much, as a share
    hot_k    gas temperature in the primaries, kelvin
    filling  air per cycle over cylinder volume
    flow     air per time over that at the map's corner where it is largest
    """

    target: Floats
    pulse: Floats
    base: Floats
    hot_k: Floats
    filling: Floats
    flow: Floats


@dataclass(frozen=True, slots=True)
class _MapSquare:
    """Where k points lie in the map: the lower corner of a square, and how far into it."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    up: Floats
    along: Floats

    def of(self, table: Floats) -> Floats:
        """The table at the points; exactly the table's own number at its corners."""
        low = _interpolate(table[self.row, self.column], table[self.row, self.column + 1], self.along)
        high = _interpolate(
            table[self.row + 1, self.column], table[self.row + 1, self.column + 1], self.along
        )
        return _interpolate(low, high, self.up)


class OperatingMap:
    """The map of a scenario, ready to be looked up. Points outside it are as at its edge."""

    def __init__(self, tables: Map) -> None:
        self._rpm, self._load = _two_point_axis(tables.rpm), _two_point_axis(tables.load)
        self._target = _two_by_two_table(tables.target)
        self._pulse = _two_by_two_table(tables.pulse_ms)
        self._base = _two_by_two_table(tables.base_error_percent) / 100
        self._hot = _two_by_two_table(tables.exhaust_k)
        air = self._target * self._pulse
        self._fill = tables.full_filling / air.max()
        self._full_flow = float((air * self._rpm[: air.shape[1]]).max())

    def at(self, rpm: Floats, load: Floats) -> OperatingPoint:
        """The engine at k speeds and loads."""
        square = self._find_square(rpm, load)
        target, pulse = square.of(self._target), square.of(self._pulse)
        air = target * pulse
        return OperatingPoint(
            target,
            pulse,
            square.of(self._base),
            square.of(self._hot),
            air * self._fill,
            air * rpm / self._full_flow,
        )

    def _find_square(self, rpm: Floats, load: Floats) -> _MapSquare:
        column, along = _find_place(self._rpm, rpm)
        row, up = _find_place(self._load, load)
        return _MapSquare(row, column, up, along)


def _interpolate(a: Floats, b: Floats, share: Floats) -> Floats:
    return a + share * (b - a)


def _two_point_axis(values: tuple[float, ...]) -> Floats:
    """The axis, with a second point where there is only one."""
    return np.array(values if len(values) > 1 else (values[0], values[0] + 1.0))


def _two_by_two_table(grid: Grid) -> Floats:
    """The table, at least two by two."""
    table = np.array(grid)
    table = np.repeat(table, 2, axis=0) if table.shape[0] == 1 else table
    return np.repeat(table, 2, axis=1) if table.shape[1] == 1 else table


def _find_place(axis: Floats, value: Floats) -> tuple[NDArray[np.intp], Floats]:
    """The interval of the axis in which each value lies, and how far into it, 0 to 1."""
    at = np.clip(np.searchsorted(axis, value, "right") - 1, 0, len(axis) - 2)
    return at, np.clip((value - axis[at]) / (axis[at + 1] - axis[at]), 0.0, 1.0)


# --- The mixture in one cylinder. ---
#
# lambda = target * air_i / [(1 + g) (1 + k_i) (PW (1 + trim_i) - d_i) / PW]
#
# with g what the base map gives too much, k_i the injector's flow, d_i how much later it opens
# than its peers, PW the effective pulse, and air_i the share of the air that its runner and its
# throttle give the cylinder. Computed from what each of these does to air and fuel.

_LEAST_FLOW = 1e-6
"""Flow, as a share of the largest, below which logarithms stop: our choice, far below idle."""


class Charges:
    """How the charges of each cylinder differ in a scenario. `i` counts cylinders from 0."""

    def __init__(self, scenario: Scenario, trims_percent: tuple[float, ...]) -> None:
        c = scenario.cylinders
        self._flow = 1 + np.array(c.flow_percent) / 100
        self._late = np.array(c.dead_time_ms)
        self._air = 1 + np.array(c.air_percent) / 100
        self._sync = np.array(c.sync_percent) / 100
        self._sync_load, self._sync_share = np.array(scenario.map.load), np.array(c.sync_share)
        self._trim = 1 + np.array(trims_percent) / 100

    def lam(
        self,
        i: int,
        point: OperatingPoint,
        load: Floats,
        step: Floats | float = 0.0,
        pulses: Ints | int = 1,
    ) -> Floats:
        """Lambda float64[k] of cylinder i; `step` is fuel added on top of its trim, as a share.

        pulses: a cycle, which share the opening; the injector opens late at each of them, and the control
            adds its dead time, the same for all, to each.
        """
        sync = np.interp(load, self._sync_load, self._sync_share) * self._sync[i]
        opening = point.pulse * self._trim[i] * (1 + step) - pulses * self._late[i]
        fuel = (1 + point.base) * self._flow[i] * opening / point.pulse
        return np.asarray(point.target * (self._air[i] + sync) / fuel, np.float64)


class LeakAir:
    """Outside air that a leak adds before a sensor, as a share of the air through the cylinder."""

    def __init__(self, leak: Leak, flow: Floats) -> None:
        """`flow` is the engine's flow at the points for which the leak gives its percentages."""
        order = np.argsort(flow)
        self._log_flow = np.log(np.maximum(flow, _LEAST_FLOW))[order]
        self._share = np.array(leak.percent)[order] / 100

    def share(self, flow: Floats) -> Floats:
        """The share at k flows; between the given points straight over the logarithm of the flow."""
        return np.interp(np.log(np.maximum(flow, _LEAST_FLOW)), self._log_flow, self._share)
