"""The engine: what its control measures and says, and what each cylinder burns, cycle by cycle.

The fuel of a cycle is what the fuel control asked for when it was injected. It leaves the
cylinder 0.8 cycles later and then travels down the primary. Gas does not overtake gas.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR
from mixmon.gas.reading import missed_charge_oxygen
from mixmon.gas.transport import DEFAULT_CYCLES_BEFORE
from mixmon.session.keys import trim_quantity
from mixmon.simulate.health import battery
from mixmon.simulate.operating import LeakAir
from mixmon.simulate.timeline import CYCLE_DEG
from mixmon.simulate.world import World

# What an engine control says where nothing of the scenario decides it: common practice, no source.
_SHUT_KPA, _STILL_KPA, _AMBIENT_KPA = 22.0, 100.0, 99.6
"""Intake pressure with a shut throttle and with the engine still, and the barometer."""

_THROTTLED_KPA, _PRESSURE_NOISE = (40.0, 60.0), 0.3
"""Intake pressure at no filling, what full filling adds, and its noise in kPa."""

_ADVANCE_DEG, _ADVANCE_BY_SPEED, _ADVANCE_BY_FILLING, _FULL_ADVANCE_RPM = 12, 22, 8, 5000
"""Ignition: at idle, what speed adds up to 5000 rpm, and what full filling takes."""

_INTAKE_C, _OIL_BEHIND_C, _RAIL_KPA, _REST_RAIL_KPA = 27.0, 6.0, 350.0, 300.0
"""Intake air; oil below coolant; fuel pressure with the engine running and at rest."""

_MOVING_LOAD, _MOVING_S = 2.0, 0.05
"""The control calls it a transient when the load moves by more than this in this time."""

SPARK_TO_EXHAUST_DEG = 140.0
"""Crank angle from spark to the opening of the exhaust valve (common practice, no source)."""

INJECTION_TO_EXHAUST_DEG = DEFAULT_CYCLES_BEFORE * CYCLE_DEG
"""Crank angle from the middle of the injection to the opening of the exhaust valve."""

_LIMITER_STRIDES = (3, 5, 7)
"""The limiter leaves out every third spark, or fifth or seventh, so that all cylinders have their turn."""

_FILM_CYCLE_S_RPM = 120.0
"""Seconds of a four-stroke cycle, times rpm (computed: two turns of 60 s)."""


class Ecu:
    """The engine control of a world, as one sender of its values sees it.

    Each sender draws its own noise: two messages that carry the speed do not agree to the last digit.
    """

    def __init__(self, world: World, sender: int = 0) -> None:
        self._world = world
        self._noise = world.rng("engine", sender)
        self._dead_ms = world.scenario.session.injection.dead_time_ms or 0.0
        self._full_load = max(world.scenario.map.load)

    def values(self, t: Ints) -> Mapping[str, Floats]:
        """Every quantity at t int64[k] ns, float64[k] by its name in a session file; claims are 0 or 1."""
        seconds, noise = t / SECOND_NS, self._noise.standard_normal((len(t), 3))
        timeline = self._world.timeline
        running = (seconds >= timeline.started_s) & (seconds < timeline.stopped_s)
        turning = timeline.crank.rpm(seconds) > 0
        return {
            **self._speed_and_load(seconds, turning, noise),
            **self._fuel_values(seconds, running),
            **self._slow_values(seconds, running),
            **self._trim_values(seconds),
        }

    def _speed_and_load(self, t: Floats, turning: Bools, noise: Floats) -> dict[str, Floats]:
        """Speed, throttle, intake pressure and ignition."""
        scenario, timeline = self._world.scenario, self._world.timeline
        rpm, load = timeline.crank.rpm(t), timeline.load(t)
        filling = self._world.map.at(rpm, load).filling / scenario.map.full_filling
        shown = load + turning * noise[:, 1] * scenario.noise.load
        if scenario.session.axes.load_signal == "map_kpa":
            pressure = np.maximum(shown, _SHUT_KPA)
            throttle = (shown - _SHUT_KPA) / (self._full_load - _SHUT_KPA) * 100
        else:
            shut, more = _THROTTLED_KPA
            pressure, throttle = shut + more * filling + _PRESSURE_NOISE * noise[:, 2], shown
        advance = (
            _ADVANCE_DEG
            + _ADVANCE_BY_SPEED * np.clip(rpm / _FULL_ADVANCE_RPM, 0, 1)
            - _ADVANCE_BY_FILLING * filling
        )
        return {
            "rpm": np.where(turning, np.maximum(rpm + noise[:, 0] * scenario.noise.rpm, 0.0), 0.0),
            "throttle": np.clip(throttle, 0, 100),
            "map_kpa": np.where(turning, pressure, _STILL_KPA),
            "spark_deg": np.where(turning, advance, 0.0),
        }

    def _fuel_values(self, t: Floats, running: Bools) -> dict[str, Floats]:
        """The pulse is the engine's own, before any cylinder's trim, dead time included; of two it is one."""
        timeline = self._world.timeline
        load = timeline.load(t)
        point = self._world.map.at(timeline.crank.rpm(t), load)
        richer, cut = 1 + self._world.enrichment(t), timeline.fuel_cut(t)
        opening = point.pulse * richer * (1 + timeline.common_step(t))
        pulse = np.where(timeline.split_pulse(t), opening / 2, opening) + self._dead_ms
        moving = np.abs(load - timeline.load(t - _MOVING_S)) > _MOVING_LOAD
        return {
            "target": point.target / richer,
            "pulse_ms": np.where(cut, 0.0, pulse),
            "fuel_cut": (cut & running).astype(np.float64),
            "spark_cut": timeline.spark_cut(t).astype(np.float64),
            "closed_loop": np.zeros(len(t)),
            "transient": (moving & running & ~cut).astype(np.float64),
        }

    def _trim_values(self, t: Floats) -> dict[str, Floats]:
        """What the fuel control adds to each cylinder, percent: the trim that it holds, and the step."""
        timeline = self._world.timeline
        return {
            trim_quantity(i + 1): 100 * ((1 + held / 100) * (1 + timeline.step(i, t)) - 1)
            for i, held in enumerate(self._world.trims)
        }

    def _slow_values(self, t: Floats, running: Bools) -> dict[str, Floats]:
        """Temperatures, pressures and voltage."""
        coolant, same = self._world.coolant(t), np.ones(len(t))
        return {
            "coolant_c": coolant,
            "intake_c": _INTAKE_C * same,
            "oil_c": coolant - _OIL_BEHIND_C,
            "baro_kpa": _AMBIENT_KPA * same,
            "fuel_pressure_kpa": np.where(running, _RAIL_KPA, _REST_RAIL_KPA),
            "battery_v": battery(self._world, t),
        }


class ArrivingGas(NamedTuple):
    """What arrives at a sensor: float64[a] moments in s, and the oxygen balance as the sensor reads it."""

    t: Floats
    oxygen: Floats


class Cylinder:
    """Cylinder `i` (from 0) of a world, and the pipe to a sensor. Keeps the gas on its way."""

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
        self._coming = ArrivingGas(np.zeros(0), np.zeros(0))

    def run(self, from_s: float, to_s: float) -> ArrivingGas:
        """The gas that arrives in [from_s, to_s), given that everything before was asked for."""
        new = self._release_gas(from_s, to_s)
        t = np.concatenate([self._coming.t, new.t])
        oxygen = np.concatenate([self._coming.oxygen, new.oxygen])
        here = int(np.searchsorted(t, to_s, "left"))
        self._coming = ArrivingGas(t[here:], oxygen[here:])
        return ArrivingGas(t[:here], oxygen[:here])

    def _release_gas(self, from_s: float, to_s: float) -> ArrivingGas:
        """The cycles whose exhaust valve opens in the time, with the moments of their arrival."""
        crank = self._world.timeline.crank
        opens = self._fires_deg + SPARK_TO_EXHAUST_DEG
        first, end = np.ceil((crank.angle(np.array([from_s, to_s])) - opens) / CYCLE_DEG).astype(np.int64)
        cycle = np.arange(first, end)
        angle = opens + CYCLE_DEG * cycle
        injected = crank.time(np.maximum(angle - INJECTION_TO_EXHAUST_DEG, 0.0))
        sparked = crank.time(np.maximum(angle - SPARK_TO_EXHAUST_DEG, 0.0))
        oxygen = self._apply_sensor_errors(self._charge_oxygen(cycle, injected, sparked))
        return ArrivingGas(self._arrival_times(crank.time(angle)), oxygen)

    def _arrival_times(self, opened: Floats) -> Floats:
        """When gas that leaves at the moments `opened` arrives; never before gas that left earlier."""
        timeline = self._world.timeline
        rpm, load = timeline.crank.rpm(opened), timeline.load(opened)
        arrival = opened + self._world.front_s(self._i, rpm, load)
        arrival = np.maximum.accumulate(np.concatenate([[self._last], arrival]))[1:]
        self._last = float(arrival[-1]) if len(arrival) else self._last
        return arrival

    def _charge_oxygen(self, cycle: Ints, injected: Floats, sparked: Floats) -> Floats:
        """Oxygen balance of the gas of each cycle, in percent."""
        timeline, fuel = self._world.timeline, self._world.fuel
        lam = self._sensed_lambda(injected)
        oxygen = oxygen_balance(lam, fuel)
        cut = timeline.spark_cut(sparked) & (
            (cycle * self._world.scenario.size + self._order) % self._stride == 0
        )
        missed = cut | np.isin(cycle, self._missed)
        oxygen[missed] = missed_charge_oxygen(lam[missed], fuel, self._world.scenario.misfire_speed)
        oxygen[timeline.fuel_cut(injected)] = self._world.scenario.free_air
        return oxygen

    def _sensed_lambda(self, injected: Floats) -> Floats:
        """Lambda of the gas as it will reach the sensor: the charge, and the air that a leak adds."""
        world, timeline, i = self._world, self._world.timeline, self._i
        rpm, load = timeline.crank.rpm(injected), timeline.load(injected)
        point = world.map.at(rpm, load)
        pulses = 1 + timeline.split_pulse(injected).astype(np.int64)
        lam = world.charges.lam(i, point, load, timeline.step(i, injected), pulses)
        lam = lam / (1 + world.enrichment(injected))
        noise = self._rng.standard_normal(len(injected)) * (world.scenario.noise.cycle_percent / 100)
        lam = lam * self._film_factor(rpm, load) / (1 + noise)
        return lam if self._leak is None else lam * (1 + self._leak.share(point.flow))

    def _film_factor(self, rpm: Floats, load: Floats) -> Floats:
        """What the wall film takes when the throttle opens, and gives back when it closes."""
        cylinders = self._world.scenario.cylinders
        share = cylinders.film_percent[self._i] / 100
        before = np.concatenate([[self._film_load], load])[: len(load)]
        self._film_load = float(load[-1]) if len(load) else self._film_load
        if share == 0.0:
            return np.ones(len(load))
        rise = share * np.log(self._world.map.at(rpm, load).filling / self._world.map.at(rpm, before).filling)
        kept = np.exp(-_FILM_CYCLE_S_RPM / np.maximum(rpm, 1.0) / cylinders.film_s)
        out = []
        for up, keep in zip(rise.tolist(), kept.tolist(), strict=True):
            self._film = self._film * keep + up
            out.append(self._film)
        return np.exp(np.array(out, np.float64))

    def _apply_sensor_errors(self, oxygen: Floats) -> Floats:
        """The same gas as this cylinder's sensor takes it: its bias in lambda, its error in air."""
        fuel = self._world.fuel
        if self._bias != 1.0:
            oxygen = oxygen_balance(lambda_from_oxygen(oxygen, fuel) * self._bias, fuel)
        return oxygen * (1 + self._air_gain * np.maximum(oxygen, 0.0))
