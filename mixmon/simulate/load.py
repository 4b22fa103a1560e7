"""TOML to Scenario; every mistake reported at once, each with its key and what was expected.

The way of a file: its text is read as TOML and laid over the scenario that it is based on (`read_scenario`);
each value is cleaned by itself (`SCENARIO_KEYS`); then what the keys ask of one another is checked
(`SCENARIO_CHECKS`); then the records are made, with defaults for what is omitted (`make_scenario`); last
comes what only the profile laid out in time can show. The part that the engine's owner would declare is
read by the session's own passes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any, Final

import numpy as np

from mixmon.errors import Mistake, ScenarioError, UsageError
from mixmon.messages.bind import declared_fuel
from mixmon.messages.chain import CHAIN_FILE, ENGINE_FILE
from mixmon.session import checks
from mixmon.session.checks import FUEL_WAYS
from mixmon.session.keys import MOST_CYLINDERS, SESSION_TABLE
from mixmon.session.load import build, build_fuel, placed, read_text
from mixmon.session.model import Session
from mixmon.session.schema import (
    Boolean,
    Check,
    Clean,
    Either,
    MistakeReport,
    Number,
    Row,
    Table,
    Tables,
    Text,
    ValueKind,
    rising,
    shown,
)
from mixmon.simulate import scenario as model
from mixmon.simulate.scenario import DropOut, Misfire, Scenario
from mixmon.simulate.timeline import KINDS, Timeline, shortest


def scenario_names() -> tuple[str, ...]:
    """The scenarios that are shipped with mixmon."""
    folder = resources.files("mixmon.simulate") / "scenarios"
    return tuple(sorted(item.name[:-5] for item in folder.iterdir() if item.name.endswith(".toml")))


def load_scenario(name: str | Path, cylinders: int | None = None) -> Scenario:
    """The scenario of that name, or the one in that file.

    Args:
        name: one of `scenario_names()`, or the path of a TOML file.
        cylinders: play it with another number of cylinders; only for scenarios that do not say
            more about single cylinders than this number allows, such as "plain".

    Raises:
        ScenarioError: the file has mistakes; all of them are in it.
        SourceError: the file cannot be read.
        UsageError: no such scenario.
    """
    if isinstance(name, str) and name in scenario_names():
        text = _read_shipped(name)
    elif Path(name).suffix == ".toml":
        text = read_text(Path(name), "a scenario file")
    else:
        raise UsageError(
            f"scenario: {name}; expected one of {', '.join(scenario_names())} or a .toml file; name one"
        )
    scenario, mistakes = read_scenario(text, cylinders)
    if scenario is None or mistakes:
        raise ScenarioError(str(name), mistakes)
    return scenario


def _read_shipped(name: str) -> str:
    return (resources.files("mixmon.simulate") / "scenarios" / f"{name}.toml").read_text("utf-8")


def _resolve_base(raw: Mapping[str, Any]) -> dict[str, Any]:
    """A scenario's keys, laid over those of the shipped one that it is based on, if any."""
    own = dict(raw)
    base = own.pop("based_on", None)
    return own if base is None else _lay_over(_resolve_base(tomllib.loads(_read_shipped(base))), own)


def _lay_over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The base with a scenario's own keys laid over it, table by table; a value replaces the base's.

    A fuel is declared in one of several ways: another way replaces that of the base.
    """
    merged = dict(base)
    for key, value in own.items():
        old = merged.get(key)
        if not isinstance(old, dict) or not isinstance(value, dict):
            merged[key] = value
            continue
        if key == "fuel" and not FUEL_WAYS.isdisjoint(value):
            old = {name: way for name, way in old.items() if name not in FUEL_WAYS}
        merged[key] = {**old, **value}
    return merged


def read_scenario(text: str, cylinders: int | None = None) -> tuple[Scenario | None, list[Mistake]]:
    """The scenario in a text, None where there are mistakes, and every mistake in file order."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [Mistake("the file", str(error), "TOML: key = value, text in quotes, each key once")]
    base = raw.get("based_on")
    if base is not None and base not in scenario_names():
        expected = f"one of {', '.join(scenario_names())}"
        return None, placed([Mistake("based_on", shown(base), expected)], text)
    raw = _resolve_base(raw)
    if cylinders is not None and isinstance(raw.get("engine"), dict):
        raw["engine"]["cylinders"] = cylinders
    report = MistakeReport()
    clean = SCENARIO_KEYS.read(raw, "", report)
    for check in (*checks.ENGINE_CHECKS, *checks.LIMIT_CHECKS, *SCENARIO_CHECKS):
        check({**clean, "engine_signals": DECLARED_SIGNALS}, report)
    declared_fuel(build_fuel(clean.get("fuel")), report.mistakes)
    if report.mistakes:
        return None, placed(report.mistakes, text)
    scenario = make_scenario(clean)
    _check_moments(scenario, report)
    return (None if report.mistakes else scenario), placed(report.mistakes, text)


def _check_moments(scenario: Scenario, report: MistakeReport) -> None:
    """Report what only the profile laid out in time can show: parts too short, faults that never come."""
    for i, part in enumerate(scenario.profile, 1):
        least = shortest(part, scenario.size)
        if part.seconds < least:
            report(f"profile[{i}]", f"{part.seconds:g} s", f"at least {least:g} s for {part.kind}")
    if report.mistakes:
        return
    timeline = Timeline(scenario, np.random.default_rng(0))
    for i, fault in enumerate(scenario.faults, 1):
        if isinstance(fault, Misfire | DropOut):
            try:
                timeline.when(fault.during, fault.rpm, fault.after_s)
            except KeyError:
                found = f"{fault.rpm:g} rpm after {fault.after_s:g} s"
                report(f"fault[{i}]", found, f'a moment that comes during "{fault.during}"')


# --- Every key of a scenario file, its kind and its range. ---
#
# Some are those of a session file, which the engine's owner would fill in; only the simulation knows the
# others. Ranges catch slips; they are common practice, no source.

DECLARED: Final = ("name", "engine", "injection", "exhaust", "fuel", "axes", "validity", "trims", "limits")
"""What is read as in a session file."""

_place = Number(1, MOST_CYLINDERS, whole=True)
_rpm = Number(0, 30_000, "rpm")
_load = Number(0, 1000, "% or kPa")
_percent = Number(-60, 60, "%")
_share = Number(0, 10)
_seconds = Number(0, 86_400, "s")
_lag = Number(0, 10, "s", above=True)
_sigma = Number(0, 1000)


def _one_a_cylinder(kind: ValueKind) -> ValueKind:
    """One value a cylinder: the same for all, a list, or a table by cylinder number."""
    return Either((kind, Row(kind), Table(others=kind, what="a table by cylinder, such as { 3 = -6 }")))


def _one_a_point(kind: ValueKind) -> ValueKind:
    """One value a point of the map: the same everywhere, one row for all loads, or a row a load."""
    return Either((kind, _GridRows(kind)))


@dataclass(frozen=True, slots=True)
class _GridRows:
    """A list of one kind, or a list of such lists."""

    of: ValueKind

    @property
    def expected(self) -> str:
        """A list of what."""
        return f"a list, each {self.of.expected}, or such a list for each load"

    def takes(self, value: object) -> bool:
        """Whether it is a list."""
        return isinstance(value, list)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """A tuple of members, or of tuples of members."""
        nested = isinstance(value, list) and bool(value) and isinstance(value[0], list)
        return Row(Row(self.of) if nested else self.of).read(value, where, report)


_MAP_KEYS = Table(
    {
        "rpm": Row(_rpm),
        "load": Row(_load),
        "target": _one_a_point(Number(0.4, 2, "lambda")),
        "pulse_ms": _one_a_point(Number(0.1, 100, "ms")),
        "base_error_percent": _one_a_point(_percent),
        "exhaust_k": _one_a_point(Number(300, 1600, "K")),
        "full_filling": Number(0.1, 4),
    },
    ("rpm", "load", "target", "pulse_ms"),
    what="a table [map] with rpm, load, target and pulse_ms",
)
_CYLINDER_KEYS = Table(
    {
        "flow_percent": _one_a_cylinder(_percent),
        "dead_time_ms": _one_a_cylinder(Number(-2, 2, "ms")),
        "air_percent": _one_a_cylinder(_percent),
        "sync_percent": _one_a_cylinder(_percent),
        "sync_share": Row(_share),
        "film_percent": _one_a_cylinder(Number(0, 60, "%")),
        "film_s": _lag,
    }
)
_SENSOR_KEYS = Table(
    {
        "serial": Row(Text(what="a serial number, as text")),
        "bias_percent": _one_a_cylinder(_percent),
        "lean_s": _one_a_cylinder(_lag),
        "rich_s": _one_a_cylinder(_lag),
        "ready_s": _one_a_cylinder(Number(1.5, 120, "s")),
        "free_air_percent": _one_a_cylinder(_percent),
    }
)
_CONTROLLER_KEYS = Table(
    {
        "rate_hz": Number(1, 500, "readings a second"),
        "bitrate": Number(50_000, 1_000_000, "bit/s", whole=True),
        "heater_groups": Row(Row(_place)),
        "group_gap_s": _seconds,
        "lowest": Number(0.4, 1, "lambda"),
        "highest": Number(1.1, 16.5, "lambda"),
        "filter_s": _lag,
        "rewarm_s": Number(1.5, 120, "s"),
        "lead_v": Number(0, 5, "V"),
        "step_v": Number(0, 5, "V"),
    }
)
_NOISE_KEYS = Table(
    {
        "cycle_percent": _sigma,
        "lambda_white": Number(0, 0.2, "lambda"),
        "rpm": _sigma,
        "load": _sigma,
        "jitter_s": Number(0, 0.005, "s"),
        "clock_ppm": _sigma,
    }
)
_celsius = Number(-40, 150, "degC")
_WARM_UP_KEYS = Table(
    {
        "start_c": _celsius,
        "end_c": _celsius,
        "time_s": Number(0, 3600, "s", above=True),
        "warm_c": _celsius,
        "enrich_percent": Number(0, 100, "%"),
    }
)

FAULT_KEYS: Final = {
    "leak": ("cylinder", "rpm", "load", "percent"),
    "exchanged nodes": ("positions",),
    "misfires": ("cylinder", "during", "cycles"),
    "supply drop-out": ("position", "during", "seconds"),
}
"""The keys that each kind of fault needs."""

_ONE_FAULT_KEYS = Table(
    {
        "kind": Text(tuple(FAULT_KEYS)),
        "cylinder": _place,
        "position": _place,
        "positions": Row(_place),
        "during": Text(what="the name of a part of the profile"),
        "rpm": Either((_rpm, Row(_rpm))),
        "load": Row(_load),
        "percent": Row(Number(0, 60, "%")),
        "cycles": Number(1, 10_000, whole=True),
        "after_s": _seconds,
        "seconds": _seconds,
    },
    ("kind",),
    what="a table [[fault]] with its kind",
)
_PART_KEYS = Table(
    {
        "kind": Text(KINDS),
        "name": Text(),
        "seconds": _seconds,
        "until": _seconds,
        "rpm": _rpm,
        "load": _load,
        "ramp_s": _seconds,
        "percent": Number(0, 20, "%", above=True),
        "step_s": Number(0, 120, "s", above=True),
        "pause_s": _seconds,
        "lead_s": _seconds,
        "method": Text(("coded", "single")),
        "hold_s": _lag,
        "to_load": _load,
        "times": Number(1, 100, whole=True),
        "drop_rpm": Number(0, 2000, "rpm", above=True),
    },
    ("kind",),
    what="a table [[profile]] with its kind",
)

NEEDS_POINT: Final = {
    "limiter": ("rpm",),
    "overrun": ("rpm",),
    **dict.fromkeys(
        ("start", "steady", "sweep", "identity", "pattern", "split-pulse", "tip-in"), ("rpm", "load")
    ),
}
"""The keys that each kind of part needs, for the point to which it goes."""

SCENARIO_KEYS: Final = Table(
    {
        **{key: SESSION_TABLE.keys[key] for key in ("format", *DECLARED)},
        "about": Text(),
        "map": _MAP_KEYS,
        "cylinders": _CYLINDER_KEYS,
        "sensors": _SENSOR_KEYS,
        "controllers": _CONTROLLER_KEYS,
        "noise": _NOISE_KEYS,
        "warm_up": _WARM_UP_KEYS,
        "misfire_speed": Number(0, 1),
        "free_air": Number(18, 21, "%"),
        "reports_trims": Boolean(),
        "fault": Tables(_ONE_FAULT_KEYS),
        "profile": Tables(_PART_KEYS),
        "repeat_from": Text(what="the name of a part of the profile"),
    },
    ("engine", "fuel", "map", "profile"),
)
"""The whole file."""


# --- What the keys ask of one another, after each value has been cleaned by itself. ---

_MAP_GRIDS = ("target", "pulse_ms", "base_error_percent", "exhaust_k")


def _cylinder_count(clean: Clean) -> int:
    """The number of cylinders; 0 where it is missing or wrong, which has been reported."""
    return int(clean.get("engine", {}).get("cylinders", 0))


def _check_strokes(clean: Clean, report: MistakeReport) -> None:
    if clean.get("engine", {}).get("strokes") == 2:
        report("engine.strokes", "2", "4: two-stroke engines are not simulated")


def _check_cylinder_values(clean: Clean, report: MistakeReport) -> None:
    """Values by cylinder: as many as cylinders, or under numbers that exist."""
    n = _cylinder_count(clean)
    for section in ("cylinders", "sensors"):
        for key, value in clean.get(section, {}).items():
            where = f"{section}.{key}"
            if key == "sync_share" or not n:
                continue
            if isinstance(value, tuple) and len(value) != n:
                report(where, f"{len(value)} values", f"{n}, one a cylinder")
            if isinstance(value, dict):
                for number in value:
                    if number not in {str(i) for i in range(1, n + 1)}:
                        report(where, f'"{number}"', f"cylinder numbers from 1 to {n}")


def _check_map_axes(clean: Clean, report: MistakeReport) -> None:
    table = clean.get("map", {})
    for name in ("rpm", "load"):
        if name in table and not rising(table[name]):
            report(f"map.{name}", shown(table[name]), "values that rise")


def _check_map_size(clean: Clean, report: MistakeReport) -> None:
    table = clean.get("map", {})
    if "rpm" not in table or "load" not in table:
        return
    columns, rows = len(table["rpm"]), len(table["load"])
    for key in _MAP_GRIDS:
        grid = table.get(key)
        if isinstance(grid, tuple) and not _fits_map(grid, rows, columns):
            expected = f"{columns} values, one a speed, or {rows} such rows, one a load"
            report(f"map.{key}", shown(grid), expected)
    share = clean.get("cylinders", {}).get("sync_share")
    if share is not None and len(share) != rows:
        report("cylinders.sync_share", f"{len(share)} values", f"{rows}, one a load of the map")


def _fits_map(grid: tuple[Any, ...], rows: int, columns: int) -> bool:
    """Whether a grid is one row for all loads, or one row a load."""
    if not isinstance(grid[0], tuple):
        return len(grid) == columns
    return len(grid) == rows and all(len(row) == columns for row in grid)


def _check_heater_groups(clean: Clean, report: MistakeReport) -> None:
    n, groups = _cylinder_count(clean), clean.get("controllers", {}).get("heater_groups", ())
    members = [position for group in groups for position in group]
    if groups and n and sorted(members) != list(range(1, n + 1)):
        report("controllers.heater_groups", shown(members), f"each position from 1 to {n} once")


def _check_faults(clean: Clean, report: MistakeReport) -> None:
    n, names = _cylinder_count(clean), {part.get("name") for part in clean.get("profile", ())}
    for i, fault in enumerate(clean.get("fault", ()), 1):
        where = f"fault[{i}]"
        for key in FAULT_KEYS.get(fault.get("kind", ""), ()):
            if key not in fault and not report.about(f"{where}.{key}"):
                report(f"{where}.{key}", "missing", f"a value: {fault['kind']} needs it")
        for key in ("cylinder", "position"):
            if n and fault.get(key, 0) > n:
                report(f"{where}.{key}", str(fault[key]), f"at most {n}")
        if "during" in fault and fault["during"] not in names:
            report(f"{where}.during", shown(fault["during"]), "the name of a part of the profile")
        _check_fault_lists(fault, where, n, report)


def _check_leaks(clean: Clean, report: MistakeReport) -> None:
    leaks = [(i, f) for i, f in enumerate(clean.get("fault", ()), 1) if f.get("kind") == "leak"]
    seen: set[int] = set()
    for i, leak in leaks:
        if leak.get("cylinder") in seen:
            report(f"fault[{i}].cylinder", str(leak["cylinder"]), "one leak a cylinder")
        seen |= {leak["cylinder"]} if "cylinder" in leak else set()


def _check_fault_lists(fault: Clean, where: str, n: int, report: MistakeReport) -> None:
    positions = fault.get("positions", (1, 2))
    if len(set(positions)) != 2 or len(positions) != 2 or (n and max(positions) > n):
        report(f"{where}.positions", shown(positions), f"two different positions, at most {n}")
    if fault.get("kind") == "leak":
        lists = [fault.get(key, ()) for key in ("rpm", "load", "percent")]
        if any(isinstance(values, float) for values in lists) or len({len(values) for values in lists}) != 1:
            report(where, "rpm, load and percent of different lengths", "three lists of one length")
    elif isinstance(fault.get("rpm"), tuple):
        report(f"{where}.rpm", shown(fault["rpm"]), "one speed")


def _check_parts(clean: Clean, report: MistakeReport) -> None:
    for i, part in enumerate(clean.get("profile", ()), 1):
        where, kind = f"profile[{i}]", part.get("kind")
        if ("seconds" in part) == ("until" in part) and not report.about(where):
            report(where, "both" if "seconds" in part else "neither", "one of seconds and until")
        for key in NEEDS_POINT.get(kind, ()):
            if key not in part and not report.about(f"{where}.{key}"):
                report(f"{where}.{key}", "missing", f"a value: {kind} needs it")
    if clean.get("profile") == ():
        report("profile", "no parts", "at least one [[profile]]")


def _check_part_names(clean: Clean, report: MistakeReport) -> None:
    names: set[str] = set()
    for i, part in enumerate(clean.get("profile", ()), 1):
        if part.get("name") in names:
            report(f"profile[{i}].name", shown(part["name"]), "a name used once")
        names |= {part["name"]} if "name" in part else set()
    again = clean.get("repeat_from")
    if again is not None and again not in names:
        report("repeat_from", shown(again), "the name of a part of the profile")


def _check_warm_up(clean: Clean, report: MistakeReport) -> None:
    warm_up = clean.get("warm_up", {})
    start, end = warm_up.get("start_c"), warm_up.get("end_c")
    if start is not None and end is not None and not start < end:
        report("warm_up.start_c", f"{start:g} and {end:g}", "the first smaller than the second")


SCENARIO_CHECKS: Final[tuple[Check, ...]] = (
    _check_strokes,
    _check_cylinder_values,
    _check_map_axes,
    _check_map_size,
    _check_heater_groups,
    _check_faults,
    _check_leaks,
    _check_parts,
    _check_part_names,
    _check_warm_up,
)


# --- Clean tables to the records of `simulate.scenario`; defaults for what is omitted. ---

CHAIN_NAME, ENGINE_NAME = "chain", "engine"
"""Names of the two buses in the session that is declared."""

LOG_CHANNELS = ("can0", "can1")
"""Channels of the two buses in a simulated log, in the order of the buses."""

BITRATE = 500_000
"""Bit rate of both buses unless the scenario says otherwise, bit/s: common practice, no source."""

DECLARED_SIGNALS = {
    "rpm": f"{ENGINE_NAME}/Engine_Fast.Speed",
    "throttle": f"{ENGINE_NAME}/Engine_Fast.Throttle",
    "map_kpa": f"{ENGINE_NAME}/Engine_Fast.ManifoldPressure",
    "target": f"{ENGINE_NAME}/Engine_Fuel.Target",
    "pulse_ms": f"{ENGINE_NAME}/Engine_Fuel.PulseWidth",
    "fuel_cut": f"{ENGINE_NAME}/Engine_Fuel.FuelCut",
    "spark_cut": f"{ENGINE_NAME}/Engine_Fuel.SparkCut",
    "closed_loop": f"{ENGINE_NAME}/Engine_Fuel.ClosedLoop",
    "coolant_c": f"{ENGINE_NAME}/Engine_Slow.Coolant",
    "intake_c": f"{ENGINE_NAME}/Engine_Slow.Intake",
    "baro_kpa": f"{ENGINE_NAME}/Engine_Slow.Barometer",
    "fuel_pressure_kpa": f"{ENGINE_NAME}/Engine_Slow.FuelPressure",
    "battery_v": f"{ENGINE_NAME}/Engine_Slow.Battery",
}
"""The engine's signals as its owner declares them: all that the own layer sends but the oil temperature."""

_DECLARED_TRIM: Final = {"trim": f"{ENGINE_NAME}/Engine_Trim{{cylinder:02d}}.Trim"}
"""Beside them where the engine control reports its trims."""

# Defaults of what a scenario omits: a plain engine and plain sensors. Our choice, after common practice, no
# source: a wideband element of 85 ms behind a filter of 20 ms, ten seconds to ready, a hundred readings a
# second; scatter of a cycle of 1.5 % of fuel.
_DEFAULT_CYLINDERS = dict.fromkeys(
    ("flow_percent", "dead_time_ms", "air_percent", "sync_percent", "film_percent"), 0.0
)
_DEFAULT_SENSORS = {
    "bias_percent": 0.0,
    "lean_s": 0.085,
    "rich_s": 0.085,
    "ready_s": 10.0,
    "free_air_percent": 0.0,
}
_DEFAULT_CONTROLLERS = {
    "rate_hz": 100.0,
    "group_gap_s": 8.0,
    "lowest": 0.6,
    "highest": 4.0,
    "filter_s": 0.020,
    "rewarm_s": 6.0,
    "lead_v": 0.041,
    "step_v": 0.0061,
}
_DEFAULT_NOISE = {
    "cycle_percent": 1.5,
    "lambda_white": 0.003,
    "rpm": 4.0,
    "load": 0.06,
    "jitter_s": 0.0001,
    "clock_ppm": 30.0,
}
_DEFAULT_WARM_UP = {"start_c": 80.0, "end_c": 85.0, "time_s": 60.0, "warm_c": 70.0, "enrich_percent": 0.0}
_DEFAULT_GRIDS = {"base_error_percent": 0.0, "exhaust_k": 950.0}
_DEFAULT_FULL_FILLING, _DEFAULT_FILM_S = 0.95, 0.4
_PLAIN_KEYS = ("misfire_speed", "free_air", "reports_trims", "repeat_from", "about")


def make_scenario(clean: Clean) -> model.Scenario:
    """The scenario that tables without mistakes describe."""
    n = clean["engine"]["cylinders"]
    faults = tuple(_make_fault(fault) for fault in clean.get("fault", ()))
    sensors = _make_sensors(clean.get("sensors", {}), n)
    return model.Scenario(
        session=_make_session(clean, n, faults, sensors),
        map=_make_map(clean["map"]),
        cylinders=_make_cylinders(clean.get("cylinders", {}), n, len(clean["map"]["load"])),
        sensors=sensors,
        controllers=_make_controllers(clean.get("controllers", {}), n),
        noise=model.Noise(**{**_DEFAULT_NOISE, **clean.get("noise", {})}),
        warm_up=model.WarmUp(**{**_DEFAULT_WARM_UP, **clean.get("warm_up", {})}),
        profile=_make_profile(clean["profile"]),
        faults=faults,
        **{key: clean[key] for key in _PLAIN_KEYS if key in clean},
    )


def _make_session(
    clean: Clean, n: int, faults: tuple[model.Fault, ...], sensors: model.SimulatedSensors
) -> Session:
    """What the owner declares: label i in primary i, whatever the truth; serials as the nodes send them."""
    behind = model.sensor_at(n, faults)
    chain, engine = LOG_CHANNELS
    bitrate = clean.get("controllers", {}).get("bitrate", BITRATE)
    declared: dict[str, Any] = {key: clean[key] for key in DECLARED if key in clean}
    declared["trims"] = {"now_percent": (0.0,) * n, **declared.get("trims", {})}
    declared["bus"] = (
        {
            "name": CHAIN_NAME,
            "log_channel": chain,
            "bitrate": bitrate,
            "role": "acknowledge",
            "database": CHAIN_FILE,
        },
        {"name": ENGINE_NAME, "log_channel": engine, "bitrate": BITRATE, "database": ENGINE_FILE},
    )
    nodes = [{"position": i + 1, "cylinder": i + 1, "sensor": sensors.serial[behind[i]]} for i in range(n)]
    signals = DECLARED_SIGNALS | (_DECLARED_TRIM if clean.get("reports_trims") else {})
    declared |= {"chain": {"bus": CHAIN_NAME, "node": nodes}, "engine_signals": signals}
    session = build(declared, Path(), MistakeReport())
    if session is None:
        raise AssertionError("a scenario without mistakes has cylinders and a chain")
    return replace(session, path=None)


def _make_map(table: Clean) -> model.Map:
    """The map with every grid as one row a load."""
    rows, columns = len(table["load"]), len(table["rpm"])
    grids = {
        key: _spread_over_map(table.get(key, _DEFAULT_GRIDS.get(key)), rows, columns)
        for key in ("target", "pulse_ms", "base_error_percent", "exhaust_k")
    }
    return model.Map(
        table["rpm"], table["load"], full_filling=table.get("full_filling", _DEFAULT_FULL_FILLING), **grids
    )


def _spread_over_map(value: Any, rows: int, columns: int) -> model.Grid:
    """One row a load from one value for all points, one row for all loads, or a row a load."""
    if isinstance(value, float):
        return ((value,) * columns,) * rows
    return value if isinstance(value[0], tuple) else (value,) * rows


def _spread_over_cylinders(value: Any, n: int, default: Any) -> tuple[Any, ...]:
    """One value a cylinder from one for all, a list, or a table by cylinder number."""
    if isinstance(value, tuple):
        return value
    if isinstance(value, dict):
        return tuple(value.get(str(i), default) for i in range(1, n + 1))
    return (default if value is None else value,) * n


def _make_cylinders(table: Clean, n: int, loads: int) -> model.CylinderDifferences:
    each = {
        key: _spread_over_cylinders(table.get(key), n, default) for key, default in _DEFAULT_CYLINDERS.items()
    }
    share = table.get("sync_share", (1.0,) + (0.0,) * (loads - 1))
    return model.CylinderDifferences(sync_share=share, film_s=table.get("film_s", _DEFAULT_FILM_S), **each)


def _make_sensors(table: Clean, n: int) -> model.SimulatedSensors:
    each = {
        key: _spread_over_cylinders(table.get(key), n, default) for key, default in _DEFAULT_SENSORS.items()
    }
    return model.SimulatedSensors(serial=table.get("serial", tuple(f"S-{101 + i}" for i in range(n))), **each)


def _make_controllers(table: Clean, n: int) -> model.Controllers:
    half = (n + 1) // 2
    groups = table.get("heater_groups", (tuple(range(1, half + 1)), tuple(range(half + 1, n + 1))))
    return model.Controllers(
        heater_groups=groups,
        **{key: table.get(key, default) for key, default in _DEFAULT_CONTROLLERS.items()},
    )


def _make_fault(table: Clean) -> model.Fault:
    kind = table["kind"]
    moment = {key: table[key] for key in ("rpm", "after_s") if key in table}
    if kind == "leak":
        return model.Leak(table["cylinder"], table["rpm"], table["load"], table["percent"])
    if kind == "exchanged nodes":
        return model.Exchange(table["positions"])
    if kind == "misfires":
        return model.Misfire(table["cylinder"], table["during"], table["cycles"], **moment)
    return model.DropOut(table["position"], table["during"], table["seconds"], **moment)


def _make_profile(tables: tuple[Clean, ...]) -> tuple[model.Part, ...]:
    """The parts, all with a name and with seconds instead of the moment until which they last."""
    seconds: list[float] = []
    begins = 0.0
    for table in tables:
        seconds.append(table["seconds"] if "seconds" in table else table["until"] - begins)
        begins += seconds[-1]  # rounded as the timeline does, so that a part ends at its `until`
    given = [{k: v for k, v in table.items() if k not in {"until", "seconds", "name"}} for table in tables]
    return tuple(
        model.Part(
            name=table.get("name", f"{table['kind']} {k}"),
            seconds=length,
            **{"rpm": 0.0, "load": 0.0, **fields},
        )
        for k, (table, length, fields) in enumerate(zip(tables, seconds, given, strict=True), 1)
    )
