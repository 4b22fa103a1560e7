"""The truth beside a simulated log, for graders: everything that an analysis can be asked for.

`CellTruth` is what is true of one steady cell before any noise (lambda, needs, spread, delay); `truth_of`
gathers all of a simulation: cells, labels, sensors, faults, fuel steps, parts and events.

Times are seconds of data time from `epoch_s` on. Cylinders are the real ones, counted from 1;
positions are places in the chain, whose labels may be wrong. A misfire has the moment of its
missing spark (`t_s`) and the one at which its gas reaches the sensor (`seen_s`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR
from mixmon.gas.transport import cycle_s
from mixmon.simulate.engine import INJECTION_TO_EXHAUST_DEG, SPARK_TO_EXHAUST_DEG
from mixmon.simulate.health import States
from mixmon.simulate.operating import OperatingPoint
from mixmon.simulate.scenario import Misfire
from mixmon.simulate.sensor import SimulatedNode, step_time_s
from mixmon.simulate.simulation import EPOCH_NS, Simulation
from mixmon.simulate.timeline import CYCLE_DEG, PlayedPart
from mixmon.simulate.world import HALF_A_CHARGE, World


@dataclass(frozen=True, slots=True)
class TrueCell:
    """One speed and load of the profile, and the spans of time in which it is held, warm."""

    rpm: float
    load: float
    windows: tuple[tuple[float, float], ...]


def cells_of(world: World) -> list[TrueCell]:
    """The cells of all steady parts, in the order in which they first come."""
    windows: dict[tuple[float, float], list[tuple[float, float]]] = {}
    warm_s = _warm_s(world)
    for window in world.timeline.windows:
        begins, ends = max(window.settled_s, warm_s), min(window.to_s, world.timeline.duration_s)
        if window.kind in {"start", "steady"} and begins < ends:
            windows.setdefault((window.rpm, window.load), []).append((begins, ends))
    return [TrueCell(rpm, load, tuple(held)) for (rpm, load), held in windows.items()]


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

    def __init__(self, world: World, cell: TrueCell) -> None:
        self.cell, self._world = cell, world
        rpm, load = np.array([cell.rpm]), np.array([cell.load])
        self._point: OperatingPoint = world.map.at(rpm, load)
        n = world.scenario.size
        self.lam = np.array([world.charges.lam(i, self._point, load)[0] for i in range(n)])
        self.leak = np.zeros(n)
        for i, leak in world.leaks.items():
            self.leak[i] = leak.share(self._point.flow)[0]
        self.read = self._as_read(self.lam * (1 + self.leak))
        self.target = float(self._point.target[0])

    def _as_read(self, lam: Floats) -> Floats:
        """The steady reading of each cylinder's sensor: its bias in lambda, its error towards air."""
        fuel, sensors = self._world.fuel, self._world.scenario.sensors
        oxygen = oxygen_balance(lam * (1 + np.array(sensors.bias_percent) / 100), fuel)
        gain = np.array(sensors.free_air_percent) / 100 * np.maximum(oxygen, 0.0) / (100 * OXYGEN_IN_AIR)
        return lambda_from_oxygen(oxygen * (1 + gain), fuel)

    def exact_trims(self) -> Floats:
        """Trims, percent, that would bring every cylinder to the engine's mean and keep the mean."""
        pulse, late = float(self._point.pulse[0]), np.array(self._world.scenario.cylinders.dead_time_ms)
        opening = pulse * (1 + np.array(self._world.trims) / 100) - late
        wanted = opening * (1 + needs(self.lam) / 100)
        return np.asarray(100 * ((wanted + late) / pulse - 1), np.float64)

    def dead_delays(self) -> Floats:
        """Seconds from injection until the middle of its gas passes the sensor."""
        rpm, load = np.array([self.cell.rpm]), np.array([self.cell.load])
        around = (INJECTION_TO_EXHAUST_DEG / CYCLE_DEG + HALF_A_CHARGE) * cycle_s(self.cell.rpm)
        front = [self._world.front_s(i, rpm, load)[0] for i in range(self._world.scenario.size)]
        return np.asarray(around + np.array(front), np.float64)

    def as_json(self) -> dict[str, Any]:
        """The JSON object of the cell; shares in percent where the name says so."""
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


def engine_lambda(lam: Floats) -> float:
    """Lambda of the whole engine: mean in the fuel domain, equal air assumed."""
    return float(1 / np.mean(1 / lam))


def needs(lam: Floats) -> Floats:
    """What each cylinder needs against its peers, percent; adds fuel where positive."""
    return 100 * (lam / engine_lambda(lam) - 1)


def spread(lam: Floats) -> float:
    """Largest less smallest need, percent."""
    return float(np.ptp(needs(lam)))


def full_load(truths: list[CellTruth]) -> Iterator[CellTruth]:
    """The cells at the highest load of the profile."""
    highest = max(truth.cell.load for truth in truths)
    return (truth for truth in truths if truth.cell.load == highest)


TRUTH_FORMAT = 1
"""Version of the JSON object."""

_BEFORE_S, _AFTER_S, _STEP_NS = 5.0, 0.8, 1_000_000
"""A misfire is played once more without noise: from so long before, to so long after, in steps of 1 ms. Our
choice: longer than any lag needs to settle."""

_OVER = (0.05, 0.10)
"""Rises of lambda over which the time of a misfire's pulse is counted."""

_TRUTH_DIGITS = 6
"""Decimals in the JSON object: our choice, finer than any tolerance of the grader."""


def truth_of(simulation: Simulation) -> dict[str, Any]:
    """The truth of a simulation, ready for JSON."""
    world = simulation.world
    scenario = world.scenario
    cells = [CellTruth(world, cell) for cell in cells_of(world)]
    return {
        "format": TRUTH_FORMAT,
        "scenario": scenario.session.name,
        "about": scenario.about,
        "seed": world.seed,
        "epoch_s": EPOCH_NS // SECOND_NS,
        "duration_s": simulation.duration_s,
        "trims_held_percent": list(world.trims),
        "identity": _identity_rows(world),
        "sensors": _sensor_rows(world),
        "controller_filter_s": scenario.controllers.filter_s,
        "noise": asdict(scenario.noise),
        "cells": [_round_numbers(cell.as_json()) for cell in cells],
        "full_load": _round_numbers(_full_load_means(cells)) if cells else {},
        "differences": _round_numbers(asdict(scenario.cylinders)),
        "faults": _fault_rows(world),
        "fuel_steps": [asdict(step) for step in world.timeline.steps],
        "split_pulses": [{"from_s": begins, "to_s": ends} for begins, ends in world.timeline.splits],
        "parts": [asdict(window) for window in world.timeline.windows],
        "events": sorted(_event_rows(world), key=lambda event: (event["t_s"], event["kind"])),
    }


def truth_json(simulation: Simulation) -> str:
    """The truth as a JSON text."""
    return json.dumps(truth_of(simulation), indent=1, ensure_ascii=False) + "\n"


def _identity_rows(world: World) -> list[dict[str, Any]]:
    """Which cylinder each position of the chain really sees, and which one its label names."""
    serial = world.scenario.sensors.serial
    return [
        {"position": k + 1, "label": k + 1, "cylinder": i + 1, "sensor": serial[i], "right": k == i}
        for k, i in enumerate(world.cylinder_of)
    ]


def _sensor_rows(world: World) -> list[dict[str, Any]]:
    """The sensors in the order of the chain, each with its place and its errors."""
    sensors = world.scenario.sensors
    rows = []
    for k, i in enumerate(world.cylinder_of):
        states = States(world, k + 1)
        rows.append(
            {
                "sensor": sensors.serial[i],
                "position": k + 1,
                "cylinder": i + 1,
                "bias_percent": sensors.bias_percent[i],
                "free_air_percent": sensors.free_air_percent[i],
                "lean_s": sensors.lean_s[i],
                "rich_s": sensors.rich_s[i],
                "warm_up_s": sensors.ready_s[i],
                "heats_s": states.heats_s,
                "ready_s": states.ready_s,
            }
        )
    return rows


def _full_load_means(cells: list[CellTruth]) -> dict[str, Any]:
    """Means over the cells at the highest load of the profile."""
    chosen = list(full_load(cells))
    return {
        "cells": [[truth.cell.rpm, truth.cell.load] for truth in chosen],
        "needs_vs_peers_percent": np.mean([needs(truth.lam) for truth in chosen], axis=0).tolist(),
        "read_vs_peers_percent": np.mean([needs(truth.read) for truth in chosen], axis=0).tolist(),
        "exact_trims_percent": np.mean([truth.exact_trims() for truth in chosen], axis=0).tolist(),
    }


def _fault_rows(world: World) -> list[dict[str, Any]]:
    return [{"kind": type(fault).__name__.lower(), **asdict(fault)} for fault in world.scenario.faults]


def _event_rows(world: World) -> list[dict[str, Any]]:
    """What happens, with its moment; only what lies within the duration."""
    timeline = world.timeline
    events: list[dict[str, Any]] = [
        {"kind": "fuel cut", "t_s": begins, "to_s": ends, "cylinders": "all"}
        for begins, ends in timeline.fuel_cuts
    ]
    events += [
        {"kind": "spark cut", "t_s": begins, "to_s": ends, "cylinders": "in turn"}
        for begins, ends in timeline.spark_cuts
    ]
    events += [{"kind": "throttle opens", "t_s": t, "cylinders": "all"} for t in timeline.openings]
    events += [_pull_event(world, window) for window in timeline.windows if window.kind == "sweep"]
    events += [
        {"kind": window.kind, "t_s": window.from_s, "to_s": window.to_s, "name": window.name}
        for window in timeline.windows
        if window.kind in {"tip-in", "identity", "pattern", "split-pulse"}
    ]
    events += [event for k in range(world.scenario.size) for event in _supply_events(world, k + 1)]
    events += [_misfire_event(world, fault) for fault in world.scenario.faults if isinstance(fault, Misfire)]
    return [_round_numbers(event) for event in events if event["t_s"] < timeline.duration_s]


def _pull_event(world: World, window: PlayedPart) -> dict[str, Any]:
    rpm = world.timeline.crank.rpm(np.array([window.from_s, window.to_s]))
    return {
        "kind": "pull",
        "name": window.name,
        "t_s": window.from_s,
        "to_s": window.to_s,
        "from_rpm": float(rpm[0]),
        "to_rpm": float(rpm[1]),
        "load": window.load,
    }


def _supply_events(world: World, position: int) -> list[dict[str, Any]]:
    """Losses of supply of one node, with the moment from which its readings count again."""
    states = States(world, position)
    again: list[float] = []
    for _, back in reversed(states.outages):
        ready = back + world.scenario.controllers.rewarm_s
        lost_before = again and states.outages[-len(again)][0] < ready
        again.append(again[-1] if lost_before else ready)
    return [
        {
            "kind": "supply drop-out",
            "t_s": gone,
            "to_s": back,
            "ready_again_s": ready,
            "position": position,
            "cylinder": world.cylinder_of[position - 1] + 1,
            "rpm": float(world.timeline.crank.rpm(np.array([gone]))[0]),
        }
        for (gone, back), ready in zip(states.outages, reversed(again), strict=True)
    ]


def _misfire_event(world: World, fault: Misfire) -> dict[str, Any]:
    """Missed cycles in a row, and what the reading would show of them without noise."""
    i, crank = fault.cylinder - 1, world.timeline.crank
    first = world.fires_deg[i] + CYCLE_DEG * world.first_missed(fault)
    last = first + CYCLE_DEG * (fault.cycles - 1)
    sparks = crank.time(np.array([first, last, first + SPARK_TO_EXHAUST_DEG]))
    rpm, load = crank.rpm(sparks), world.timeline.load(sparks)
    return {
        "kind": "misfire",
        "t_s": float(sparks[0]),
        "to_s": float(sparks[1]),
        "seen_s": float((sparks + world.front_s(i, rpm, load))[2]),
        "cylinder": fault.cylinder,
        "position": world.cylinder_of.index(i) + 1,
        "cycles": fault.cycles,
        "rpm": float(rpm[0]),
        "load": float(load[0]),
        **_seen_reading(world, fault, float(sparks[0])),
    }


def _seen_reading(world: World, fault: Misfire, t_s: float) -> dict[str, float]:
    """What the reading does after t_s if nothing else happens and nothing is random."""
    scenario = world.scenario
    others = tuple(f for f in scenario.faults if f is fault or not isinstance(f, Misfire))
    noise = replace(scenario.noise, cycle_percent=0.0, lambda_white=0.0)
    quiet = World(replace(scenario, noise=noise, faults=others), world.seed, None, world.trims)
    begins, ends = round(max(t_s - _BEFORE_S, 0.0) * SECOND_NS), round((t_s + _AFTER_S) * SECOND_NS)
    t = np.arange(begins, ends, _STEP_NS)
    node = SimulatedNode(quiet, world.cylinder_of.index(fault.cylinder - 1) + 1)
    lam = node.readings(begins, ends, t).lam
    spark = int(np.searchsorted(t, round(t_s * SECOND_NS)))
    rise = lam[spark:] - lam[spark - 1]
    return {
        "lambda_before": float(lam[spark - 1]),
        "peak_lambda": float(lam[spark:].max()),
        **{
            f"above_{over:.2f}_s": float(np.count_nonzero(rise > over) * _STEP_NS / SECOND_NS)
            for over in _OVER
        },
    }


def _round_numbers(value: Any) -> Any:
    """The same with numbers rounded to six decimals."""
    if isinstance(value, dict):
        return {key: _round_numbers(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_round_numbers(item) for item in value]
    return round(value, _TRUTH_DIGITS) if isinstance(value, float) else value
