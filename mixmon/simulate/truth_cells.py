"""What is true of each steady cell of a simulation, before any noise: lambda, needs, spread, delay."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR
from mixmon.gas.transport import cycle_s
from mixmon.simulate.crank import CYCLE_DEG
from mixmon.simulate.cylinder import INJECTION_TO_EXHAUST_DEG
from mixmon.simulate.lag import step_time_s
from mixmon.simulate.operating import Point
from mixmon.simulate.world import HALF_A_CHARGE, World

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Cell:
    """One speed and load of the profile, and the stretches of time in which it is held, warm."""

    rpm: float
    load: float
    windows: tuple[tuple[float, float], ...]


def cells_of(world: World) -> list[Cell]:
    """The cells of all steady parts, in the order in which they first come."""
    windows: dict[tuple[float, float], list[tuple[float, float]]] = {}
    warm_s = _warm_s(world)
    for window in world.timeline.windows:
        begins, ends = max(window.settled_s, warm_s), min(window.to_s, world.timeline.duration_s)
        if window.kind in {"start", "steady"} and begins < ends:
            windows.setdefault((window.rpm, window.load), []).append((begins, ends))
    return [Cell(rpm, load, tuple(held)) for (rpm, load), held in windows.items()]


def _warm_s(world: World) -> float:
    """When the control no longer adds fuel for the cold."""
    warm_up, started = world.scenario.warm_up, world.timeline.started_s
    if warm_up.enrich_percent == 0.0 or warm_up.start_c >= warm_up.warm_c:
        return started
    if warm_up.end_c <= warm_up.warm_c:
        return float("inf")
    left = (warm_up.end_c - warm_up.warm_c) / (warm_up.end_c - warm_up.start_c)
    return float(started - warm_up.time_s * np.log(left))


class CellTruth:
    """The engine held at one cell; arrays float64[n] are in cylinder order."""

    def __init__(self, world: World, cell: Cell) -> None:
        self.cell, self._world = cell, world
        rpm, load = np.array([cell.rpm]), np.array([cell.load])
        self._point: Point = world.map.at(rpm, load)
        n = world.scenario.size
        self.lam = np.array([world.charges.lam(i, self._point, load)[0] for i in range(n)])
        self.leak = np.zeros(n)
        for i, leak in world.leaks.items():
            self.leak[i] = leak.share(self._point.flow)[0]
        self.read = self._as_read(self.lam * (1 + self.leak))
        self.target = float(self._point.target[0])

    def _as_read(self, lam: Array) -> Array:
        """The steady reading of each cylinder's sensor: its bias in lambda, its error towards air."""
        fuel, sensors = self._world.fuel, self._world.scenario.sensors
        oxygen = oxygen_balance(lam * (1 + np.array(sensors.bias_percent) / 100), fuel)
        gain = np.array(sensors.free_air_percent) / 100 * np.maximum(oxygen, 0.0) / (100 * OXYGEN_IN_AIR)
        return lambda_from_oxygen(oxygen * (1 + gain), fuel)

    def exact_trims(self) -> Array:
        """Trims, percent, that would bring every cylinder to the engine's mean and keep the mean."""
        pulse, late = float(self._point.pulse[0]), np.array(self._world.scenario.cylinders.dead_time_ms)
        opening = pulse * (1 + np.array(self._world.trims) / 100) - late
        wanted = opening * (1 + needs(self.lam) / 100)
        return np.asarray(100 * ((wanted + late) / pulse - 1), np.float64)

    def dead_delays(self) -> Array:
        """Seconds from injection until the middle of its gas passes the sensor."""
        rpm, load = np.array([self.cell.rpm]), np.array([self.cell.load])
        around = (INJECTION_TO_EXHAUST_DEG / CYCLE_DEG + HALF_A_CHARGE) * cycle_s(self.cell.rpm)
        front = [self._world.front_s(i, rpm, load)[0] for i in range(self._world.scenario.size)]
        return np.asarray(around + np.array(front), np.float64)

    def as_json(self) -> dict[str, Any]:
        """Everything, with percentages where the name says so."""
        scenario, dead = self._world.scenario, self.dead_delays()
        lags = [step_time_s(tau, scenario.controllers.filter_s) for tau in scenario.sensors.lean_s]
        return {
            "rpm": self.cell.rpm,
            "load": self.cell.load,
            "windows_s": [list(window) for window in self.cell.windows],
            "target": self.target,
            "pulse_ms": float(self._point.pulse[0]),
            "base_error_percent": 100 * float(self._point.base[0]),
            "lambda_true": self.lam.tolist(),
            "lambda_read": self.read.tolist(),
            "leak_percent": (100 * self.leak).tolist(),
            "needs_vs_peers_percent": needs(self.lam).tolist(),
            "needs_vs_target_percent": (100 * (self.lam / self.target - 1)).tolist(),
            "read_vs_peers_percent": needs(self.read).tolist(),
            "engine_lambda": engine_lambda(self.lam),
            "engine_needs_percent": 100 * (engine_lambda(self.lam) / self.target - 1),
            "engine_needs_read_percent": 100 * (engine_lambda(self.read) / self.target - 1),
            "spread_percent": spread(self.lam),
            "spread_read_percent": spread(self.read),
            "exact_trims_percent": self.exact_trims().tolist(),
            "dead_delay_s": dead.tolist(),
            "delay_63_s": [float(d + lag) for d, lag in zip(dead, lags, strict=True)],
        }


def engine_lambda(lam: Array) -> float:
    """Lambda of the whole engine: mean in the fuel domain, equal air assumed."""
    return float(1 / np.mean(1 / lam))


def needs(lam: Array) -> Array:
    """What each cylinder needs against its peers, percent; adds fuel where positive."""
    return 100 * (lam / engine_lambda(lam) - 1)


def spread(lam: Array) -> float:
    """Largest less smallest need, percent."""
    return float(np.ptp(needs(lam)))


def full_load(truths: list[CellTruth]) -> Iterator[CellTruth]:
    """The cells at the highest load of the profile."""
    highest = max(truth.cell.load for truth in truths)
    return (truth for truth in truths if truth.cell.load == highest)
