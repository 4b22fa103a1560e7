"""Clean tables of a scenario file to the records of `simulate.scenario`; what is left out is filled in."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE
from mixmon.session.load import build
from mixmon.session.model import Session
from mixmon.session.schema import Clean, Report
from mixmon.simulate import scenario as model
from mixmon.simulate.keys import DECLARED

CHAIN, ENGINE = "chain", "engine"
LOG_CHANNELS = ("can0", "can1")

BITRATE = 500_000

ENGINE_SIGNALS = {
    "rpm": f"{ENGINE}/Engine_Fast.Speed",
    "throttle": f"{ENGINE}/Engine_Fast.Throttle",
    "map_kpa": f"{ENGINE}/Engine_Fast.ManifoldPressure",
    "target": f"{ENGINE}/Engine_Fuel.Target",
    "pulse_ms": f"{ENGINE}/Engine_Fuel.PulseWidth",
    "fuel_cut": f"{ENGINE}/Engine_Fuel.FuelCut",
    "spark_cut": f"{ENGINE}/Engine_Fuel.SparkCut",
    "closed_loop": f"{ENGINE}/Engine_Fuel.ClosedLoop",
    "coolant_c": f"{ENGINE}/Engine_Slow.Coolant",
    "intake_c": f"{ENGINE}/Engine_Slow.Intake",
    "baro_kpa": f"{ENGINE}/Engine_Slow.Barometer",
    "fuel_pressure_kpa": f"{ENGINE}/Engine_Slow.FuelPressure",
    "battery_v": f"{ENGINE}/Engine_Slow.Battery",
}
_CYLINDERS = dict.fromkeys(
    ("flow_percent", "dead_time_ms", "air_percent", "sync_percent", "film_percent"), 0.0
)
_SENSORS = {"bias_percent": 0.0, "lean_s": 0.085, "rich_s": 0.085, "ready_s": 10.0, "free_air_percent": 0.0}
_CONTROLLERS = {
    "rate_hz": 100.0,
    "group_gap_s": 8.0,
    "lowest": 0.6,
    "highest": 4.0,
    "filter_s": 0.020,
    "rewarm_s": 6.0,
    "lead_v": 0.041,
    "step_v": 0.0061,
}
_NOISE = {
    "cycle_percent": 1.5,
    "lambda_white": 0.003,
    "rpm": 4.0,
    "load": 0.06,
    "jitter_s": 0.0001,
    "clock_ppm": 30.0,
}
_WARM_UP = {"start_c": 80.0, "end_c": 85.0, "time_s": 60.0, "warm_c": 70.0, "enrich_percent": 0.0}
_GRIDS = {"base_error_percent": 0.0, "exhaust_k": 950.0}
_OTHERS = ("misfire_speed", "free_air", "repeat_from", "about")


def make_scenario(clean: Clean) -> model.Scenario:
    """The scenario that tables without mistakes describe."""
    n = clean["engine"]["cylinders"]
    faults = tuple(_fault(fault) for fault in clean.get("fault", ()))
    sensors = _sensors(clean.get("sensors", {}), n)
    return model.Scenario(
        session=_session(clean, n, faults, sensors),
        map=_map(clean["map"]),
        cylinders=_cylinders(clean.get("cylinders", {}), n, len(clean["map"]["load"])),
        sensors=sensors,
        controllers=_controllers(clean.get("controllers", {}), n),
        noise=model.Noise(**{**_NOISE, **clean.get("noise", {})}),
        warm_up=model.WarmUp(**{**_WARM_UP, **clean.get("warm_up", {})}),
        profile=_profile(clean["profile"]),
        faults=faults,
        **{key: clean[key] for key in _OTHERS if key in clean},
    )


def _session(clean: Clean, n: int, faults: tuple[model.Fault, ...], sensors: model.Sensors) -> Session:
    """What the owner declares: label i in primary i, whatever the truth; serials as the nodes tell them."""
    behind = model.sensor_at(n, faults)
    chain, engine = LOG_CHANNELS
    bitrate = clean.get("controllers", {}).get("bitrate", BITRATE)
    declared: dict[str, Any] = {key: clean[key] for key in DECLARED if key in clean}
    declared["trims"] = {"now_percent": (0.0,) * n, **declared.get("trims", {})}
    declared["bus"] = (
        {
            "name": CHAIN,
            "log_channel": chain,
            "bitrate": bitrate,
            "role": "acknowledge",
            "database": CHAIN_FILE,
        },
        {"name": ENGINE, "log_channel": engine, "bitrate": BITRATE, "database": ENGINE_FILE},
    )
    nodes = [{"position": i + 1, "cylinder": i + 1, "sensor": sensors.serial[behind[i]]} for i in range(n)]
    declared |= {"chain": {"bus": CHAIN, "node": nodes}, "engine_signals": ENGINE_SIGNALS}
    session = build(declared, Path(), Report())
    if session is None:
        raise AssertionError("a scenario without mistakes has cylinders and a chain")
    return replace(session, path=None)


def _map(table: Clean) -> model.Map:
    rows, columns = len(table["load"]), len(table["rpm"])
    grids = {
        key: _grid(table.get(key, _GRIDS.get(key)), rows, columns)
        for key in ("target", "pulse_ms", "base_error_percent", "exhaust_k")
    }
    return model.Map(table["rpm"], table["load"], full_filling=table.get("full_filling", 0.95), **grids)


def _grid(value: Any, rows: int, columns: int) -> model.Grid:
    if isinstance(value, float):
        return ((value,) * columns,) * rows
    return value if isinstance(value[0], tuple) else (value,) * rows


def _each(value: Any, n: int, default: Any) -> tuple[Any, ...]:
    """One value a cylinder from one for all, a list, or a table by cylinder number."""
    if isinstance(value, tuple):
        return value
    if isinstance(value, dict):
        return tuple(value.get(str(i), default) for i in range(1, n + 1))
    return (default if value is None else value,) * n


def _cylinders(table: Clean, n: int, loads: int) -> model.Cylinders:
    each = {key: _each(table.get(key), n, default) for key, default in _CYLINDERS.items()}
    share = table.get("sync_share", (1.0,) + (0.0,) * (loads - 1))
    return model.Cylinders(sync_share=share, film_s=table.get("film_s", 0.4), **each)


def _sensors(table: Clean, n: int) -> model.Sensors:
    each = {key: _each(table.get(key), n, default) for key, default in _SENSORS.items()}
    return model.Sensors(serial=table.get("serial", tuple(f"S-{101 + i}" for i in range(n))), **each)


def _controllers(table: Clean, n: int) -> model.Controllers:
    half = (n + 1) // 2
    groups = table.get("heater_groups", (tuple(range(1, half + 1)), tuple(range(half + 1, n + 1))))
    return model.Controllers(
        heater_groups=groups, **{key: table.get(key, default) for key, default in _CONTROLLERS.items()}
    )


def _fault(table: Clean) -> model.Fault:
    kind = table["kind"]
    moment = {key: table[key] for key in ("rpm", "after_s") if key in table}
    if kind == "leak":
        return model.Leak(table["cylinder"], table["rpm"], table["load"], table["percent"])
    if kind == "exchanged nodes":
        return model.Exchange(table["positions"])
    if kind == "misfires":
        return model.Misfire(table["cylinder"], table["during"], table["cycles"], **moment)
    return model.DropOut(table["position"], table["during"], table["seconds"], **moment)


def _profile(tables: tuple[Clean, ...]) -> tuple[model.Part, ...]:
    """The parts, all with a name and with seconds instead of the moment until which they last."""
    seconds: list[float] = []
    for table in tables:
        seconds.append(table["seconds"] if "seconds" in table else table["until"] - sum(seconds))
    given = [{k: v for k, v in table.items() if k not in {"until", "seconds", "name"}} for table in tables]
    return tuple(
        model.Part(
            name=table.get("name", f"{table['kind']} {k}"),
            seconds=length,
            **{"rpm": 0.0, "load": 0.0, **fields},
        )
        for k, (table, length, fields) in enumerate(zip(tables, seconds, given, strict=True), 1)
    )
