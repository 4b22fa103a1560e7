"""Supply, heater and element of one controller, and the battery behind all of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.chain import NodeState
from mixmon.simulate.scenario import DropOut
from mixmon.simulate.states import States
from mixmon.simulate.world import World

Array = NDArray[np.float64]

NS = 1_000_000_000

_HOT_C, _COLD_C, _HEATING_S = 780.0, 20.0, 3.0
_RUNNING_DUTY, _WARMING_LOAD = 42.0, 1.8
_SUPPLY_NOISE_V, _DUTY_NOISE, _ELEMENT_NOISE_C = 0.02, 2.0, 1.0
_LOOSE_V, _LOOSE_FROM = 0.4, 0.9
_LOW_SUPPLY_V = 9.0
_RESTING_V, _CRANKING_V, _CHARGING_V = 12.5, 10.4, 13.9


class Health(NamedTuple):
    """k rows: supply V, element degC, heater duty %, float64[k]; resets int64[k]; supply low bool[k]."""

    supply: Array
    element_c: Array
    duty: Array
    resets: NDArray[np.int64]
    low: NDArray[np.bool_]


class NodeHealth:
    """The health of the controller at a position of the chain (from 1)."""

    def __init__(self, world: World, position: int, states: States) -> None:
        self._world, self._position, self._states = world, position, states
        self._noise = world.rng("health", position)
        self._starts_before = int(world.rng("starts", position).integers(3, 60))
        loose = [f.rpm for f in world.scenario.faults if isinstance(f, DropOut) and f.position == position]
        self._shakes_above = _LOOSE_FROM * min(loose) if loose else np.inf

    def rows(self, t: NDArray[np.int64]) -> Health:
        """What the controller says of itself at t int64[k] ns."""
        seconds, noise = t / NS, self._noise.standard_normal((len(t), 4))
        state = self._states.at(seconds)
        off, heating = state == NodeState.OFF, state == NodeState.HEATING
        warms = _HOT_C + (_COLD_C - _HOT_C) * np.exp(-self._states.since(seconds) / _HEATING_S)
        element = np.where(off, _COLD_C, np.where(heating, warms, _HOT_C)) + _ELEMENT_NOISE_C * noise[:, 0]
        duty = np.where(heating, 100.0, _RUNNING_DUTY) + _DUTY_NOISE * noise[:, 1]
        supply = self._supply(seconds, heating, noise[:, 2:])
        resets = (self._starts_before + self._states.resets(seconds)) % 250
        return Health(
            supply, element, np.where(off, 0.0, np.clip(duty, 0.0, 100.0)), resets, supply < _LOW_SUPPLY_V
        )

    def _supply(self, t: Array, heating: NDArray[np.bool_], noise: Array) -> Array:
        """Volts at the controller: less along the chain, less while warming, less at a loose pin.

        The lead carries the current of all nodes, each stretch of wire that of the nodes behind it.
        """
        wire, n = self._world.scenario.controllers, self._world.scenario.size
        carried = sum(n - j for j in range(1, self._position))
        drop = (wire.lead_v * n + wire.step_v * carried) * np.where(heating, _WARMING_LOAD, 1.0)
        shaken = self._world.timeline.crank.rpm(t) > self._shakes_above
        drop = drop + np.where(shaken, _LOOSE_V * np.abs(noise[:, 1]), 0.0)
        return battery(self._world, t) - drop + _SUPPLY_NOISE_V * noise[:, 0]


def battery(world: World, t: Array) -> Array:
    """Volts at the battery: at rest, cranking, charging."""
    started, stopped = world.timeline.started_s, world.timeline.stopped_s
    cranking = (t > started - 0.5) & (t < started + 0.3)
    running = (t >= started + 0.3) & (t < stopped)
    return np.where(cranking, _CRANKING_V, np.where(running, _CHARGING_V, _RESTING_V))
