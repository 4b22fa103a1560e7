"""What one controller is doing over time: off, heating, settling, ready, or without supply."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.chain import NodeState
from mixmon.simulate.scenario import DropOut
from mixmon.simulate.world import World

Array = NDArray[np.float64]

SETTLING_S = 1.0
"""Time before ready in which a controller already sends a number."""


class States:
    """The states of the controller at a position of the chain (from 1).

    heats_s, ready_s   when it begins to heat and when it is ready for the first time
    outages            losses of its supply in order: when gone, when back
    """

    def __init__(self, world: World, position: int) -> None:
        scenario = world.scenario
        sensor = world.cylinder_of[position - 1]
        self.outages = _outages(world, position)
        self.heats_s = _heater_on_s(world, position)
        self.ready_s = self.heats_s + scenario.sensors.ready_s[sensor]
        edges = [(-np.inf, NodeState.OFF), *_warming(self.heats_s, self.ready_s)]
        for _, back in self.outages:
            edges = [edge for edge in edges if edge[0] < back]
            edges += _warming(back, back + scenario.controllers.rewarm_s)
        self._t = np.array([t for t, _ in edges])
        self._state = np.array([state for _, state in edges], np.uint8)

    def at(self, t: Array) -> NDArray[np.uint8]:
        """NodeState at times t."""
        return np.asarray(self._state[self._edge(t)])

    def since(self, t: Array) -> Array:
        """Seconds since the state began."""
        return np.asarray(t - self._t[self._edge(t)])

    def silent(self, t: Array) -> NDArray[np.bool_]:
        """Whether the controller has no supply."""
        edges = np.array(self.outages).ravel()
        return np.asarray(np.searchsorted(edges, t, "right") % 2 == 1)

    def resets(self, t: Array) -> NDArray[np.int64]:
        """Starts since key-on."""
        back = np.array([back for _, back in self.outages])
        return np.asarray(np.searchsorted(back, t, "right"), np.int64)

    def _edge(self, t: Array) -> NDArray[np.intp]:
        return np.searchsorted(self._t, t, "right") - 1


def _warming(heats: float, ready: float) -> list[tuple[float, NodeState]]:
    return [
        (heats, NodeState.HEATING),
        (max(heats, ready - SETTLING_S), NodeState.SETTLING),
        (ready, NodeState.READY),
    ]


def _heater_on_s(world: World, position: int) -> float:
    controllers = world.scenario.controllers
    group = next(k for k, members in enumerate(controllers.heater_groups) if position in members)
    return group * controllers.group_gap_s


def _outages(world: World, position: int) -> list[tuple[float, float]]:
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
