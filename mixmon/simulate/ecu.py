"""What the engine's own control says on its bus."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from mixmon.simulate.health import NS, battery
from mixmon.simulate.ticks import Ticks
from mixmon.simulate.world import World

Array = NDArray[np.float64]

FAST_PERIOD_NS, SLOW_PERIOD_NS, POLL_PERIOD_NS = 20_000_000, 200_000_000, 200_000_000
_FUEL_AFTER_NS = 700_000
_POLL_LATE_S = (0.02, 0.09)
_LEAST_PRESSURE_KPA = 22.0


class FastRows(NamedTuple):
    """50 Hz: t int64[k] ns; rpm, throttle %, manifold kPa, spark advance deg, float64[k]."""

    t: NDArray[np.int64]
    rpm: Array
    throttle: Array
    map_kpa: Array
    spark: Array


class FuelRows(NamedTuple):
    """50 Hz: t int64[k] ns; target lambda, commanded pulse ms float64[k]; cuts and transient bool[k]."""

    t: NDArray[np.int64]
    target: Array
    pulse_ms: Array
    fuel_cut: NDArray[np.bool_]
    spark_cut: NDArray[np.bool_]
    transient: NDArray[np.bool_]


class SlowRows(NamedTuple):
    """5 Hz: t int64[k] ns; coolant, intake degC, rail and ambient kPa, battery V, float64[k]."""

    t: NDArray[np.int64]
    coolant: Array
    intake: Array
    fuel_pressure: Array
    barometer: Array
    battery: Array


class PollRows(NamedTuple):
    """5 Hz: t int64[k] ns of an answer to a scan tool, and the speed in it, float64[k] rpm, already old."""

    t: NDArray[np.int64]
    rpm: Array


class EngineBlock(NamedTuple):
    """What the engine bus carries in a stretch of time."""

    fast: FastRows
    fuel: FuelRows
    slow: SlowRows
    poll: PollRows


class EcuSimulation:
    """The engine control of a world."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._fast = Ticks(FAST_PERIOD_NS, 2_100_000)
        self._fuel = Ticks(FAST_PERIOD_NS, 2_100_000 + _FUEL_AFTER_NS)
        self._slow = Ticks(SLOW_PERIOD_NS, 7_300_000)
        self._poll = Ticks(POLL_PERIOD_NS, 61_000_000)
        self._noise = world.rng("engine")
        self._poll_noise = world.rng("poll")
        self._dead_ms = world.scenario.session.injection.dead_time_ms or 0.0
        self._full_load = max(world.scenario.map.load)

    def run(self, to_ns: int) -> EngineBlock:
        """What it sends up to `to_ns`, from where the last call ended."""
        return EngineBlock(
            self._fast_rows(self._fast.until(to_ns)),
            self._fuel_rows(self._fuel.until(to_ns)),
            self._slow_rows(self._slow.until(to_ns)),
            self._poll_rows(self._poll.until(to_ns)),
        )

    def _fast_rows(self, t: NDArray[np.int64]) -> FastRows:
        seconds, noise = t / NS, self._noise.standard_normal((len(t), 3))
        scenario, timeline = self._world.scenario, self._world.timeline
        true_rpm, load = timeline.crank.rpm(seconds), timeline.load(seconds)
        turning = true_rpm > 0
        rpm = np.where(turning, np.maximum(true_rpm + noise[:, 0] * scenario.noise.rpm, 0.0), 0.0)
        load = np.where(turning, load + noise[:, 1] * scenario.noise.load, load)
        filling = self._world.map.at(true_rpm, load).filling / scenario.map.full_filling
        if scenario.session.axes.load_signal == "map_kpa":
            pressure = np.where(turning, np.maximum(load, _LEAST_PRESSURE_KPA), 100.0)
            throttle = (load - _LEAST_PRESSURE_KPA) / (self._full_load - _LEAST_PRESSURE_KPA) * 100
        else:
            pressure = np.where(turning, 40 + 60 * filling + 0.3 * noise[:, 2], 100.0)
            throttle = load
        spark = np.where(turning, 12 + 22 * np.clip(true_rpm / 5000, 0, 1) - 8 * filling, 0.0)
        return FastRows(t, rpm, np.clip(throttle, 0, 100), pressure, spark)

    def _fuel_rows(self, t: NDArray[np.int64]) -> FuelRows:
        seconds, timeline = t / NS, self._world.timeline
        rpm, load = timeline.crank.rpm(seconds), timeline.load(seconds)
        point = self._world.map.at(rpm, load)
        richer = 1 + self._world.enrichment(seconds)
        cut = timeline.fuel_cut(seconds)
        step = self._common_step(seconds)
        pulse = np.where(cut, 0.0, point.pulse * richer * (1 + step) + self._dead_ms)
        moving = np.abs(timeline.load(seconds) - timeline.load(seconds - 0.05)) > 2.0
        running = (seconds >= timeline.started_s) & (seconds < timeline.stopped_s)
        return FuelRows(
            t,
            point.target / richer,
            pulse,
            cut & running,
            timeline.spark_cut(seconds),
            moving & running & ~cut,
        )

    def _common_step(self, t: Array) -> Array:
        """Fuel steps that all cylinders share; the pulse on the bus is the engine's, without trims."""
        steps = np.array([self._world.timeline.step(i, t) for i in range(self._world.scenario.size)])
        return np.where((steps == steps[0]).all(axis=0), steps[0], 0.0)

    def _slow_rows(self, t: NDArray[np.int64]) -> SlowRows:
        seconds = t / NS
        k = len(t)
        running = (seconds >= self._world.timeline.started_s) & (seconds < self._world.timeline.stopped_s)
        rail = np.where(running, 350.0, 300.0)
        return SlowRows(
            t,
            self._world.coolant(seconds),
            np.full(k, 27.0),
            rail,
            np.full(k, 99.6),
            battery(self._world, seconds),
        )

    def _poll_rows(self, t: NDArray[np.int64]) -> PollRows:
        asked = t / NS - self._poll_noise.uniform(*_POLL_LATE_S, len(t))
        return PollRows(t, self._world.timeline.crank.rpm(asked))
