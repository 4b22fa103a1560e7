"""What the engine's own control measures, asks for and says."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from mixmon.simulate.health import NS, battery
from mixmon.simulate.world import World

Array = NDArray[np.float64]

_SHUT_KPA, _STILL_KPA, _AMBIENT_KPA = 22.0, 100.0, 99.6
_THROTTLED_KPA, _PRESSURE_NOISE = (40.0, 60.0), 0.3
_INTAKE_C, _OIL_BEHIND_C, _RAIL_KPA, _REST_RAIL_KPA = 27.0, 6.0, 350.0, 300.0
_MOVING_LOAD, _MOVING_S = 2.0, 0.05


class Ecu:
    """The engine control of a world, as one sender of its values sees it.

    Each sender draws its own noise: two messages that carry the speed do not agree to the last digit.
    """

    def __init__(self, world: World, sender: int = 0) -> None:
        self._world = world
        self._noise = world.rng("engine", sender)
        self._dead_ms = world.scenario.session.injection.dead_time_ms or 0.0
        self._full_load = max(world.scenario.map.load)

    def values(self, t: NDArray[np.int64]) -> Mapping[str, Array]:
        """Every quantity at t int64[k] ns, float64[k] by its name in a session file; claims are 0 or 1."""
        seconds, noise = t / NS, self._noise.standard_normal((len(t), 3))
        timeline = self._world.timeline
        running = (seconds >= timeline.started_s) & (seconds < timeline.stopped_s)
        turning = timeline.crank.rpm(seconds) > 0
        return {
            **self._speed_and_load(seconds, turning, noise),
            **self._fuelling(seconds, running),
            **self._slow(seconds, running),
        }

    def _speed_and_load(self, t: Array, turning: NDArray[np.bool_], noise: Array) -> dict[str, Array]:
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
        advance = 12 + 22 * np.clip(rpm / 5000, 0, 1) - 8 * filling
        return {
            "rpm": np.where(turning, np.maximum(rpm + noise[:, 0] * scenario.noise.rpm, 0.0), 0.0),
            "throttle": np.clip(throttle, 0, 100),
            "map_kpa": np.where(turning, pressure, _STILL_KPA),
            "spark_deg": np.where(turning, advance, 0.0),
        }

    def _fuelling(self, t: Array, running: NDArray[np.bool_]) -> dict[str, Array]:
        """The pulse is the engine's own, before any cylinder's trim, dead time included."""
        timeline = self._world.timeline
        load = timeline.load(t)
        point = self._world.map.at(timeline.crank.rpm(t), load)
        richer, cut = 1 + self._world.enrichment(t), timeline.fuel_cut(t)
        pulse = point.pulse * richer * (1 + timeline.common_step(t)) + self._dead_ms
        moving = np.abs(load - timeline.load(t - _MOVING_S)) > _MOVING_LOAD
        return {
            "target": point.target / richer,
            "pulse_ms": np.where(cut, 0.0, pulse),
            "fuel_cut": (cut & running).astype(np.float64),
            "spark_cut": timeline.spark_cut(t).astype(np.float64),
            "closed_loop": np.zeros(len(t)),
            "transient": (moving & running & ~cut).astype(np.float64),
        }

    def _slow(self, t: Array, running: NDArray[np.bool_]) -> dict[str, Array]:
        coolant, same = self._world.coolant(t), np.ones(len(t))
        return {
            "coolant_c": coolant,
            "intake_c": _INTAKE_C * same,
            "oil_c": coolant - _OIL_BEHIND_C,
            "baro_kpa": _AMBIENT_KPA * same,
            "fuel_pressure_kpa": np.where(running, _RAIL_KPA, _REST_RAIL_KPA),
            "battery_v": battery(self._world, t),
        }
