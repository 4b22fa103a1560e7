"""What all parts of one simulation share: scenario, map, time, fuel, sources of chance."""

from __future__ import annotations

import math
import zlib
from copy import copy

import numpy as np

from mixmon.arrays import Floats
from mixmon.gas.fuel import Fuel, fuel_named
from mixmon.gas.transport import (
    DEFAULT_BORE_MM,
    DEFAULT_CYLINDER_L,
    DEFAULT_DISTANCE_MM,
    cycle_s,
    pipe_volume_l,
    transit_cycles,
)
from mixmon.messages.bind import declared_fuel
from mixmon.session.model import DeclaredFuel
from mixmon.simulate.operating import Charges, LeakAir, OperatingMap
from mixmon.simulate.scenario import Leak, Misfire, Scenario, sensor_at
from mixmon.simulate.timeline import CYCLE_DEG, Timeline

HALF_A_CHARGE = 0.5
"""Cycles from the front of a charge to its middle."""


class World:
    """One scenario with one seed, laid out in time.

    Every source of chance has a generator of its own, named after what it decides, so that one
    does not shift when another is asked more often.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        duration: float | None = None,
        trims: tuple[float, ...] | None = None,
    ) -> None:
        self.scenario, self.seed, self.passes = scenario, seed, 0
        engine, exhaust = scenario.engine, scenario.session.exhaust
        n = engine.cylinders
        self.trims = trims or scenario.session.trims.now_percent or (0.0,) * n
        self.fuel = burnt_fuel(scenario.session.fuel)
        self.map = OperatingMap(scenario.map)
        self.charges = Charges(scenario, self.trims)
        self.timeline = Timeline(scenario, self.rng("pattern"), duration)
        distance_mm = exhaust.sensor_distance_mm or (DEFAULT_DISTANCE_MM,) * n
        bore_mm = exhaust.primary_bore_mm or DEFAULT_BORE_MM
        cylinder_l = engine.displacement_l / n if engine.displacement_l else DEFAULT_CYLINDER_L
        firing = engine.firing_order or tuple(range(1, n + 1))
        angles = engine.firing_angles_deg or tuple(CYCLE_DEG / n * k for k in range(n))
        self.order = tuple(firing.index(i + 1) for i in range(n))
        self.fires_deg = tuple(angles[k] for k in self.order)
        self._pipe = pipe_volume_l(np.array(distance_mm), bore_mm) / cylinder_l
        self.leaks = {
            fault.cylinder - 1: self._make_leak(fault) for fault in scenario.faults if isinstance(fault, Leak)
        }
        self.cylinder_of = sensor_at(n, scenario.faults)

    def again(self, passes: int) -> World:
        """The same world after so many passes, each of which every controller has counted as a start."""
        world = copy(self)
        world.passes = passes
        return world

    def rng(self, what: str, i: int = 0) -> np.random.Generator:
        """The generator of random numbers for one purpose, and one member of several alike."""
        return np.random.Generator(np.random.PCG64([self.seed, zlib.crc32(what.encode()), i]))

    def enrichment(self, t: Floats) -> Floats:
        """Fuel that the control adds to a cold engine, as a share."""
        warm_up = self.scenario.warm_up
        cold = (warm_up.warm_c - self.coolant(t)) / max(warm_up.warm_c - warm_up.start_c, 1.0)
        return np.clip(cold, 0.0, 1.0) * (warm_up.enrich_percent / 100)

    def coolant(self, t: Floats) -> Floats:
        """Coolant temperature in degrees Celsius."""
        warm_up = self.scenario.warm_up
        runs = np.maximum(t - self.timeline.started_s, 0.0)
        return warm_up.end_c - (warm_up.end_c - warm_up.start_c) * np.exp(-runs / warm_up.time_s)

    def missed_cycles(self, i: int) -> list[int]:
        """Numbers of the cycles of cylinder i that do not burn."""
        missed: list[int] = []
        for fault in self.scenario.faults:
            if isinstance(fault, Misfire) and fault.cylinder == i + 1:
                first = self.first_missed(fault)
                missed += range(first, first + fault.cycles)
        return missed

    def first_missed(self, fault: Misfire) -> int:
        """Number of the first cycle of the fault's cylinder that does not burn."""
        t = self.timeline.when(fault.during, fault.rpm, fault.after_s)
        turned = float(self.timeline.crank.angle(np.array([t]))[0])
        return math.ceil((turned - self.fires_deg[fault.cylinder - 1]) / CYCLE_DEG)

    def front_s(self, i: int, rpm: Floats, load: Floats) -> Floats:
        """Seconds from the opening of cylinder i's exhaust valve until its gas comes to the sensor.

        Gas moves in pushes, one a cycle. The mean flow gives the moment at which the middle of a charge
        passes; its front is half a cycle earlier, but not before its valve opens.
        """
        point = self.map.at(rpm, load)
        cycles = transit_cycles(self._pipe[i], point.filling, point.hot_k)
        front = np.maximum(cycles - HALF_A_CHARGE, 0.0)
        return np.asarray(front * cycle_s(np.maximum(rpm, 1.0)), np.float64)

    def _make_leak(self, leak: Leak) -> LeakAir:
        return LeakAir(leak, self.map.at(np.array(leak.rpm), np.array(leak.load)).flow)


def burnt_fuel(declared: DeclaredFuel | None) -> Fuel:
    """The fuel's chemistry; gasoline where none is declared. What was read exists."""
    return declared_fuel(declared, []) or fuel_named("gasoline")
