"""One sensor and its controller: what it would say at each moment, from key-on to key-off.

A controller that is not ready may still send a number, and the number may look good: after a
loss of supply it repeats its last reading, and while it settles it reads lean and comes down.
Only its state tells.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.messages.chain import NodeState
from mixmon.simulate.cylinder import Cylinder, Gas
from mixmon.simulate.health import NS, Health, NodeHealth
from mixmon.simulate.lag import ElementLag
from mixmon.simulate.states import SETTLING_S, States
from mixmon.simulate.world import World

Array = NDArray[np.float64]

_SETTLING_ERROR = 0.25
_SLOPE_STEP = 5e-4
_LEAST_SLOPE = 5.0
_NEARLY_AIR = 15.0


class Readings(NamedTuple):
    """k rows: lam and oxygen (percent) float64[k] with NaN for no value, state uint8[k] (NodeState)."""

    lam: Array
    oxygen: Array
    state: NDArray[np.uint8]


class Node:
    """The node at one position (from 1), with the sensor and the cylinders that it really hangs on."""

    def __init__(self, world: World, position: int, cylinders: tuple[int, ...] | None = None) -> None:
        """`cylinders` (from 0) are those before the sensor, if not the one of its position."""
        cylinders = cylinders or (world.cylinder_of[position - 1],)
        scenario, sensor = world.scenario, cylinders[0]
        self._world = world
        self.serial = serial_number(scenario.sensors.serial[sensor])
        self._states = States(world, position)
        self._health = NodeHealth(world, position, self._states)
        self._cylinders = [Cylinder(world, i, sensor, world.leaks.get(i)) for i in cylinders]
        lean, rich = scenario.sensors.lean_s[sensor], scenario.sensors.rich_s[sensor]
        self._lag = ElementLag(lean, rich, scenario.controllers.filter_s, scenario.free_air)
        self._white = world.rng("white", position)
        self._held = np.nan

    def silent(self, t: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Whether the node has no supply at t int64[k] ns."""
        return self._states.silent(t / NS)

    def health(self, t: NDArray[np.int64]) -> Health:
        """What the node knows of itself at rising moments t int64[k] ns."""
        return self._health.rows(t)

    def readings(self, from_ns: int, to_ns: int, t: NDArray[np.int64]) -> Readings:
        """The readings at rising moments t int64[k] in [from_ns, to_ns); calls follow one another."""
        gas = self._gas(from_ns / NS, to_ns / NS)
        seconds, fuel = t / NS, self._world.fuel
        oxygen = self._lag.run(gas.t, gas.oxygen, seconds)
        oxygen = oxygen + self._white_noise(oxygen)
        state = self._states.at(seconds)
        lam = self._while_not_ready(self._limited(lambda_from_oxygen(oxygen, fuel)), state, seconds)
        in_air = (state == NodeState.READY) & (oxygen > 0)
        return Readings(lam, np.where(in_air, oxygen, oxygen_balance(lam, fuel)), state)

    def _gas(self, from_s: float, to_s: float) -> Gas:
        """The gas at the sensor, of all cylinders before it."""
        gas = [cylinder.run(from_s, to_s) for cylinder in self._cylinders]
        t = np.concatenate([g.t for g in gas])
        order = np.argsort(t, kind="stable")
        return Gas(t[order], np.concatenate([g.oxygen for g in gas])[order])

    def _white_noise(self, oxygen: Array) -> Array:
        """Noise in the oxygen balance that is the wanted noise in lambda around the reading."""
        fuel, sigma = self._world.fuel, self._world.scenario.noise.lambda_white
        lam = lambda_from_oxygen(np.minimum(oxygen, _NEARLY_AIR), fuel)
        rise = oxygen_balance(lam + _SLOPE_STEP, fuel) - oxygen_balance(lam - _SLOPE_STEP, fuel)
        slope = np.maximum(rise / (2 * _SLOPE_STEP), _LEAST_SLOPE)
        return self._white.standard_normal(len(oxygen)) * sigma * slope

    def _limited(self, lam: Array) -> Array:
        controllers = self._world.scenario.controllers
        return np.clip(lam, controllers.lowest, controllers.highest)

    def _while_not_ready(self, lam: Array, state: NDArray[np.uint8], t: Array) -> Array:
        """Nothing before the first reading, the last one after a loss of supply, a drift while settling."""
        if len(lam) == 0:
            return lam
        ready = state == NodeState.READY
        good = ready & ~self._states.silent(t)
        newest = np.maximum.accumulate(np.where(good, np.arange(len(t)), -1))
        held = np.where(newest >= 0, lam[newest], self._held)
        self._held = float(held[-1])
        drift = 1 + _SETTLING_ERROR * (1 - self._states.since(t) / SETTLING_S)
        settling = self._limited(lam * drift)
        return np.where(ready, lam, np.where(state == NodeState.SETTLING, settling, held))


def serial_number(text: str) -> int:
    """The digits of a serial such as S-101; none is 0.

    >>> serial_number("S-088")
    88
    """
    return int("".join(character for character in text if character.isdigit()) or 0) % 2**32
