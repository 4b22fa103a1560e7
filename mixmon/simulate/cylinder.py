"""One cylinder, cycle by cycle: what it burns, or fails to burn, and when that reaches its sensor.

The fuel of a cycle is what the fuel control asked for when it was injected. It leaves the
cylinder 0.8 cycles later and then travels down the primary. Gas does not overtake gas.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR
from mixmon.gas.reading import missed_charge_oxygen
from mixmon.gas.transport import DEFAULT_CYCLES_BEFORE
from mixmon.simulate.charge import LeakAir
from mixmon.simulate.crank import CYCLE_DEG
from mixmon.simulate.world import World

Array = NDArray[np.float64]

SPARK_TO_EXHAUST_DEG = 140.0
"""Crank angle from spark to the opening of the exhaust valve (common practice, no source)."""

INJECTION_TO_EXHAUST_DEG = DEFAULT_CYCLES_BEFORE * CYCLE_DEG
"""Crank angle from the middle of the injection to the opening of the exhaust valve."""

_LIMITER_STRIDES = (3, 5, 7)


class Gas(NamedTuple):
    """What arrives at a sensor: float64[a] moments in s, and the oxygen balance as the sensor reads it."""

    t: Array
    oxygen: Array


class Cylinder:
    """Cylinder `i` (from 0) of a world, and the pipe to a sensor. Keeps the gas under way."""

    def __init__(self, world: World, i: int, sensor: int, leak: LeakAir | None) -> None:
        """`sensor` is the cylinder after which the sensor is counted in the scenario."""
        scenario = world.scenario
        self._world, self._i, self._leak = world, i, leak
        self._fires_deg = world.fires_deg[i]
        self._order = world.order[i]
        self._rng = world.rng("cycle", i)
        self._bias = 1 + scenario.sensors.bias_percent[sensor] / 100
        self._air_gain = scenario.sensors.free_air_percent[sensor] / 100 / (100 * OXYGEN_IN_AIR)
        self._missed = np.array(world.missed_cycles(i), np.int64)
        n = scenario.size
        self._stride = next(s for s in _LIMITER_STRIDES if math.gcd(s, n) == 1)
        self._film = self._film_load = 0.0
        self._last = -math.inf
        self._coming = Gas(np.zeros(0), np.zeros(0))

    def run(self, from_s: float, to_s: float) -> Gas:
        """The gas that arrives in [from_s, to_s), given that everything before was asked for."""
        new = self._leaving(from_s, to_s)
        t = np.concatenate([self._coming.t, new.t])
        oxygen = np.concatenate([self._coming.oxygen, new.oxygen])
        here = int(np.searchsorted(t, to_s, "left"))
        self._coming = Gas(t[here:], oxygen[here:])
        return Gas(t[:here], oxygen[:here])

    def _leaving(self, from_s: float, to_s: float) -> Gas:
        """The cycles whose exhaust valve opens in the time, with the moments of their arrival."""
        crank = self._world.timeline.crank
        opens = self._fires_deg + SPARK_TO_EXHAUST_DEG
        first, end = np.ceil((crank.angle(np.array([from_s, to_s])) - opens) / CYCLE_DEG).astype(np.int64)
        cycle = np.arange(first, end)
        angle = opens + CYCLE_DEG * cycle
        injected = crank.time(np.maximum(angle - INJECTION_TO_EXHAUST_DEG, 0.0))
        sparked = crank.time(np.maximum(angle - SPARK_TO_EXHAUST_DEG, 0.0))
        oxygen = self._read(self._oxygen(cycle, injected, sparked))
        return Gas(self._arrival(crank.time(angle)), oxygen)

    def _arrival(self, opened: Array) -> Array:
        timeline = self._world.timeline
        rpm, load = timeline.crank.rpm(opened), timeline.load(opened)
        arrival = opened + self._world.front_s(self._i, rpm, load)
        arrival = np.maximum.accumulate(np.concatenate([[self._last], arrival]))[1:]
        self._last = float(arrival[-1]) if len(arrival) else self._last
        return arrival

    def _oxygen(self, cycle: NDArray[np.int64], injected: Array, sparked: Array) -> Array:
        """Oxygen balance of the gas of each cycle, in percent."""
        timeline, fuel = self._world.timeline, self._world.fuel
        lam = self._mixture(injected)
        oxygen = oxygen_balance(lam, fuel)
        cut = timeline.spark_cut(sparked) & (
            (cycle * self._world.scenario.size + self._order) % self._stride == 0
        )
        missed = cut | np.isin(cycle, self._missed)
        oxygen[missed] = missed_charge_oxygen(lam[missed], fuel, self._world.scenario.misfire_speed)
        oxygen[timeline.fuel_cut(injected)] = self._world.scenario.free_air
        return oxygen

    def _mixture(self, injected: Array) -> Array:
        """Lambda of the gas as it will reach the sensor: the charge, and the air that a leak adds."""
        world, timeline, i = self._world, self._world.timeline, self._i
        rpm, load = timeline.crank.rpm(injected), timeline.load(injected)
        point = world.map.at(rpm, load)
        lam = world.charges.lam(i, point, load, timeline.step(i, injected))
        lam = lam / (1 + world.enrichment(injected))
        noise = self._rng.standard_normal(len(injected)) * (world.scenario.noise.cycle_percent / 100)
        lam = lam * self._film_factor(rpm, load) / (1 + noise)
        return lam if self._leak is None else lam * (1 + self._leak.share(point.flow))

    def _film_factor(self, rpm: Array, load: Array) -> Array:
        """What the wall film takes when the throttle opens, and gives back when it closes."""
        cylinders = self._world.scenario.cylinders
        share = cylinders.film_percent[self._i] / 100
        before = np.concatenate([[self._film_load], load])[: len(load)]
        self._film_load = float(load[-1]) if len(load) else self._film_load
        if share == 0.0:
            return np.ones(len(load))
        rise = share * np.log(self._world.map.at(rpm, load).filling / self._world.map.at(rpm, before).filling)
        kept = np.exp(-120.0 / np.maximum(rpm, 1.0) / cylinders.film_s)
        out = []
        for up, keep in zip(rise.tolist(), kept.tolist(), strict=True):
            self._film = self._film * keep + up
            out.append(self._film)
        return np.exp(np.array(out, np.float64))

    def _read(self, oxygen: Array) -> Array:
        """The same gas as this cylinder's sensor takes it: its bias in lambda, its error in air."""
        fuel = self._world.fuel
        if self._bias != 1.0:
            oxygen = oxygen_balance(lambda_from_oxygen(oxygen, fuel) * self._bias, fuel)
        return oxygen * (1 + self._air_gain * np.maximum(oxygen, 0.0))
