"""One controller over time: its state, its supply, heater and element, and the battery behind all of them.

`States` follows the controller from off over heating and settling to ready, and through losses of supply;
`NodeHealth` is what it then says of itself.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints
from mixmon.messages.chain import NodeState
from mixmon.simulate.scenario import DropOut
from mixmon.simulate.world import World

SETTLING_S = 1.0
"""Time before ready in which a controller already sends a number: common practice, no source."""


class States:
    """The states of the controller at a position of the chain (from 1).

    heats_s, ready_s   when it begins to heat and when it is ready for the first time
    outages            losses of its supply in order: when gone, when back
    """

    def __init__(self, world: World, position: int) -> None:
        scenario = world.scenario
        sensor = world.cylinder_of[position - 1]
        self.outages = _find_outages(world, position)
        self.heats_s = _heater_on_s(world, position)
        self.ready_s = self.heats_s + scenario.sensors.ready_s[sensor]
        edges = [(-np.inf, NodeState.OFF), *_warm_up_edges(self.heats_s, self.ready_s)]
        for _, back in self.outages:
            edges = [edge for edge in edges if edge[0] < back]
            edges += _warm_up_edges(back, back + scenario.controllers.rewarm_s)
        self._t = np.array([t for t, _ in edges])
        self._state = np.array([state for _, state in edges], np.uint8)

    def at(self, t: Floats) -> Bytes:
        """NodeState at times t."""
        return np.asarray(self._state[self._find_edge(t)])

    def since(self, t: Floats) -> Floats:
        """Seconds since the state began."""
        return np.asarray(t - self._t[self._find_edge(t)])

    def silent(self, t: Floats) -> Bools:
        """Whether the controller has no supply."""
        edges = np.array(self.outages).ravel()
        return np.asarray(np.searchsorted(edges, t, "right") % 2 == 1)

    def resets(self, t: Floats) -> Ints:
        """Starts since key-on."""
        back = np.array([back for _, back in self.outages])
        return np.asarray(np.searchsorted(back, t, "right"), np.int64)

    def _find_edge(self, t: Floats) -> NDArray[np.intp]:
        return np.searchsorted(self._t, t, "right") - 1


def _warm_up_edges(heats: float, ready: float) -> list[tuple[float, NodeState]]:
    """The states of one warm-up with the moments at which they begin."""
    return [
        (heats, NodeState.HEATING),
        (max(heats, ready - SETTLING_S), NodeState.SETTLING),
        (ready, NodeState.READY),
    ]


def _heater_on_s(world: World, position: int) -> float:
    """When the heater of a position is switched on: groups follow one another."""
    controllers = world.scenario.controllers
    group = next(k for k, members in enumerate(controllers.heater_groups) if position in members)
    return group * controllers.group_gap_s


def _find_outages(world: World, position: int) -> list[tuple[float, float]]:
    """Losses of supply in order; those that touch are one."""
    faults = [f for f in world.scenario.faults if isinstance(f, DropOut) and f.position == position]
    gone = [(world.timeline.when(f.during, f.rpm, f.after_s), f.seconds) for f in faults]
    apart: list[tuple[float, float]] = []
    for begins, ends in sorted((t, t + seconds) for t, seconds in gone):
        if apart and begins <= apart[-1][1]:
            apart[-1] = (apart[-1][0], max(apart[-1][1], ends))
        else:
            apart.append((begins, ends))
    return apart


# How a controller is. Common practice, no source.
_HOT_C, _COLD_C, _HEATING_S = 780.0, 20.0, 3.0
"""Element at work and at rest, and the time constant of its heating."""

_RUNNING_DUTY, _WARMING_LOAD = 42.0, 1.8
"""Heater on-time at work, percent, and how much more current a node draws while it heats."""

_SUPPLY_NOISE_V, _DUTY_NOISE, _ELEMENT_NOISE_C = 0.02, 2.0, 1.0
"""Standard deviations of what it reports."""

_LOOSE_V, _LOOSE_FROM = 0.4, 0.9
"""A pin that will lose contact at some speed already takes volts from this share of it."""

_LOW_SUPPLY_V = 9.0
"""Below this a controller says that its supply is low."""

_RESTING_V, _CRANKING_V, _CHARGING_V = 12.5, 10.4, 13.9
_CRANKS_BEFORE_S, _CHARGES_AFTER_S = 0.5, 0.3
"""Battery at rest, cranking, charging; cranking begins and charging begins so long before and after the
start."""


class Health(NamedTuple):
    """k rows: supply V, element degC, heater duty %, float64[k]; resets int64[k]; supply low bool[k]."""

    supply: Floats
    element_c: Floats
    duty: Floats
    resets: Ints
    low: Bools


class NodeHealth:
    """The health of the controller at a position of the chain (from 1)."""

    def __init__(self, world: World, position: int, states: States) -> None:
        self._world, self._position, self._states = world, position, states
        self._noise = world.rng("health", position)
        in_a_pass = 1 + int(states.resets(np.array([world.timeline.duration_s]))[0])
        first = int(world.rng("starts", position).integers(3, 60))
        self._starts_before = first + world.passes * in_a_pass
        loose = [f.rpm for f in world.scenario.faults if isinstance(f, DropOut) and f.position == position]
        self._shakes_above = _LOOSE_FROM * min(loose) if loose else np.inf

    def rows(self, t: Ints) -> Health:
        """What the controller says of itself at t int64[k] ns."""
        seconds, noise = t / SECOND_NS, self._noise.standard_normal((len(t), 4))
        state = self._states.at(seconds)
        off, heating = state == NodeState.OFF, state == NodeState.HEATING
        warms = _HOT_C + (_COLD_C - _HOT_C) * np.exp(-self._states.since(seconds) / _HEATING_S)
        element = np.where(off, _COLD_C, np.where(heating, warms, _HOT_C)) + _ELEMENT_NOISE_C * noise[:, 0]
        duty = np.where(heating, 100.0, _RUNNING_DUTY) + _DUTY_NOISE * noise[:, 1]
        supply = self._supply_volts(seconds, heating, noise[:, 2:])
        resets = (self._starts_before + self._states.resets(seconds)) % 250
        return Health(
            supply, element, np.where(off, 0.0, np.clip(duty, 0.0, 100.0)), resets, supply < _LOW_SUPPLY_V
        )

    def _supply_volts(self, t: Floats, heating: Bools, noise: Floats) -> Floats:
        """Volts at the controller: less along the chain, less while warming, less at a loose pin.

        The lead carries the current of all nodes, each length of wire that of the nodes behind it.
        """
        wire, n = self._world.scenario.controllers, self._world.scenario.size
        carried = sum(n - j for j in range(1, self._position))
        drop = (wire.lead_v * n + wire.step_v * carried) * np.where(heating, _WARMING_LOAD, 1.0)
        shaken = self._world.timeline.crank.rpm(t) > self._shakes_above
        drop = drop + np.where(shaken, _LOOSE_V * np.abs(noise[:, 1]), 0.0)
        return battery(self._world, t) - drop + _SUPPLY_NOISE_V * noise[:, 0]


def battery(world: World, t: Floats) -> Floats:
    """Volts at the battery: at rest, cranking, charging."""
    started, stopped = world.timeline.started_s, world.timeline.stopped_s
    cranking = (t > started - _CRANKS_BEFORE_S) & (t < started + _CHARGES_AFTER_S)
    running = (t >= started + _CHARGES_AFTER_S) & (t < stopped)
    return np.where(cranking, _CRANKING_V, np.where(running, _CHARGING_V, _RESTING_V))
