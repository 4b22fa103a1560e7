"""One sensor and its controller: what it says at each moment, from key-on to key-off.

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
from mixmon.simulate.cylinder import Cylinder
from mixmon.simulate.health import NS, Health, NodeHealth
from mixmon.simulate.lag import ElementLag
from mixmon.simulate.states import SETTLING_S, States
from mixmon.simulate.ticks import Ticks
from mixmon.simulate.world import World

Array = NDArray[np.float64]

_HEALTH_PERIOD_NS, _IDENTITY_PERIOD_NS = 100_000_000, 2_000_000_000
_SETTLING_ERROR = 0.25
_SLOPE_STEP = 5e-4
_LEAST_SLOPE = 5.0
_NEARLY_AIR = 15.0


class Readings(NamedTuple):
    """Fast rows: t int64[k] ns, lam and oxygen (percent) float64[k] with NaN for no value, state uint8[k]."""

    t: NDArray[np.int64]
    lam: Array
    oxygen: Array
    state: NDArray[np.uint8]


class NodeBlock(NamedTuple):
    """What one node sends in a stretch of time."""

    position: int
    serial: int
    readings: Readings
    health: Health
    identity_t: NDArray[np.int64]


class NodeSimulation:
    """The node at one position (from 1), with the sensor and the cylinder that it really hangs on."""

    def __init__(self, world: World, position: int) -> None:
        scenario, sensor = world.scenario, world.cylinder_of[position - 1]
        self._world, self._position = world, position
        self._serial = serial_number(scenario.sensors.serial[sensor])
        self._states = States(world, position)
        self._say = NodeHealth(world, position, self._states)
        self._cylinder = Cylinder(world, sensor, world.leaks.get(sensor))
        lean, rich = scenario.sensors.lean_s[sensor], scenario.sensors.rich_s[sensor]
        self._lag = ElementLag(lean, rich, scenario.controllers.filter_s, scenario.free_air)
        clock = world.rng("clock", position)
        slow = 1 + clock.standard_normal() * scenario.noise.clock_ppm * 1e-6
        periods = (NS / scenario.controllers.rate_hz, _HEALTH_PERIOD_NS, _IDENTITY_PERIOD_NS)
        self._fast, self._health, self._identity = (
            Ticks(period * slow, int(clock.uniform(0, period))) for period in periods
        )
        self._white, self._jitter = world.rng("white", position), world.rng("jitter", position)
        self._held = np.nan

    def run(self, from_ns: int, to_ns: int) -> NodeBlock:
        """What the node sends in [from_ns, to_ns)."""
        gas = self._cylinder.run(from_ns / NS, to_ns / NS)
        t, identity = self._fast.until(to_ns), self._identity.until(to_ns)
        readings = self._readings(t, self._lag.run(gas.t, gas.oxygen, t / NS))
        health = self._say.rows(self._health.until(to_ns))
        identity = identity[~self._states.silent(identity / NS)]
        return NodeBlock(self._position, self._serial, readings, health, identity)

    def _readings(self, t: NDArray[np.int64], oxygen: Array) -> Readings:
        seconds, fuel = t / NS, self._world.fuel
        oxygen = oxygen + self._white_noise(oxygen)
        state = self._states.at(seconds)
        lam = self._while_not_ready(self._limited(lambda_from_oxygen(oxygen, fuel)), state, seconds)
        in_air = (state == NodeState.READY) & (oxygen > 0)
        shown = np.where(in_air, oxygen, oxygen_balance(lam, fuel))
        late = np.abs(self._jitter.standard_normal(len(t))) * (self._world.scenario.noise.jitter_s * NS)
        sent = ~self._states.silent(seconds)
        return Readings((t + late.astype(np.int64))[sent], lam[sent], shown[sent], state[sent])

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
