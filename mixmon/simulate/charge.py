"""The mixture in one cylinder, and what of it reaches the sensor: the truth that is looked for.

    lambda = target * air_i / [(1 + g) (1 + k_i) (PW (1 + trim_i) - d_i) / PW]

with g what the base map gives too much, k_i the injector's flow, d_i how much later it opens
than its peers, PW the effective pulse, and air_i the share of the air that its runner and its
throttle give the cylinder. Computed from what each of these does to air and fuel.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.simulate.operating import Point
from mixmon.simulate.scenario import Leak, Scenario

Array = NDArray[np.float64]

_LEAST_FLOW = 1e-6


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

    def lam(self, i: int, point: Point, load: Array, step: Array | float = 0.0) -> Array:
        """Lambda float64[k] of cylinder i; `step` is fuel added on top of its trim, as a share."""
        sync = np.interp(load, self._sync_load, self._sync_share) * self._sync[i]
        opening = point.pulse * self._trim[i] * (1 + step) - self._late[i]
        fuel = (1 + point.base) * self._flow[i] * opening / point.pulse
        return np.asarray(point.target * (self._air[i] + sync) / fuel, np.float64)


class LeakAir:
    """Outside air that a leak adds before a sensor, as a share of the air through the cylinder."""

    def __init__(self, leak: Leak, flow: Array) -> None:
        """`flow` is the engine's flow at the points for which the leak gives its percentages."""
        order = np.argsort(flow)
        self._log_flow = np.log(np.maximum(flow, _LEAST_FLOW))[order]
        self._share = np.array(leak.percent)[order] / 100

    def share(self, flow: Array) -> Array:
        """The share at k flows; between the given points straight over the logarithm of the flow."""
        return np.interp(np.log(np.maximum(flow, _LEAST_FLOW)), self._log_flow, self._share)
