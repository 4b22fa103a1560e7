"""TOML to Scenario; every mistake reported at once, each with its key and what was expected.

As for session files: first each value by itself, then what the keys ask of one another, then
the records. The part that the engine's owner would declare is read by the session's own passes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from mixmon.errors import Mistake, ScenarioError, UsageError
from mixmon.session import check_engine
from mixmon.session.load import placed, read_text
from mixmon.session.schema import Report, shown
from mixmon.session.written import Clean, rising
from mixmon.simulate.keys import FAULT_KEYS, NEEDS_POINT, SCENARIO
from mixmon.simulate.make import make_scenario
from mixmon.simulate.scenario import DropOut, Misfire, Scenario
from mixmon.simulate.timeline import Timeline, shortest


def scenario_names() -> tuple[str, ...]:
    """The scenarios that come with mixmon."""
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
        text = _bundled(name)
    elif Path(name).suffix == ".toml":
        text = read_text(Path(name))
    else:
        raise UsageError(
            f"scenario: {name}; expected one of {', '.join(scenario_names())} or a .toml file; name one"
        )
    scenario, mistakes = read_scenario(text, cylinders)
    if scenario is None or mistakes:
        raise ScenarioError(str(name), mistakes)
    return scenario


def _bundled(name: str) -> str:
    return (resources.files("mixmon.simulate") / "scenarios" / f"{name}.toml").read_text("utf-8")


def _over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The base with a scenario's own keys laid over it, table by table; what stands in a key is replaced."""
    merged = dict(base)
    for key, value in own.items():
        old = merged.get(key)
        merged[key] = {**old, **value} if isinstance(old, dict) and isinstance(value, dict) else value
    return merged


def read_scenario(text: str, cylinders: int | None = None) -> tuple[Scenario | None, list[Mistake]]:
    """The scenario in a text, None where there are mistakes, and every mistake in file order."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, [Mistake("the file", str(error), "TOML: key = value, text in quotes, each key once")]
    base = raw.pop("based_on", None)
    if base is not None and base not in scenario_names():
        found = shown(base)
        return None, placed([Mistake("based_on", found, f"one of {', '.join(scenario_names())}")], text)
    if base is not None:
        raw = _over(tomllib.loads(_bundled(str(base))), raw)
    if cylinders is not None and isinstance(raw.get("engine"), dict):
        raw["engine"]["cylinders"] = cylinders
    report = Report()
    clean = SCENARIO.read(raw, "", report)
    for check in (*check_engine.CHECKS, *_CHECKS):
        check(clean, report)
    if report.mistakes:
        return None, placed(report.mistakes, text)
    scenario = make_scenario(clean)
    _moments(scenario, report)
    return (None if report.mistakes else scenario), placed(report.mistakes, text)


def _cylinder_count(clean: Clean) -> int:
    return int(clean.get("engine", {}).get("cylinders", 0))


def _strokes(clean: Clean, report: Report) -> None:
    if clean.get("engine", {}).get("strokes") == 2:
        report("engine.strokes", "2", "4: two-stroke engines are not simulated")


def _one_each(clean: Clean, report: Report) -> None:
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


def _map_size(clean: Clean, report: Report) -> None:
    table = clean.get("map", {})
    axes = [table.get("rpm"), table.get("load")]
    for name, axis in zip(("rpm", "load"), axes, strict=True):
        if axis is not None and not rising(axis):
            report(f"map.{name}", shown(axis), "values that rise")
    if None in axes:
        return
    columns, rows = len(axes[0]), len(axes[1])
    for key in ("target", "pulse_ms", "base_error_percent", "exhaust_k"):
        grid = table.get(key)
        if not isinstance(grid, tuple):
            continue
        nested = isinstance(grid[0], tuple)
        sizes = {len(row) for row in grid} if nested else {len(grid)}
        if sizes != {columns} or (nested and len(grid) != rows):
            found = f"{len(grid)} rows of {shown(sorted(sizes))}" if nested else f"{len(grid)} values"
            report(f"map.{key}", found, f"{columns} values, one a speed, or {rows} such rows, one a load")
    share = clean.get("cylinders", {}).get("sync_share")
    if share is not None and len(share) != rows:
        report("cylinders.sync_share", f"{len(share)} values", f"{rows}, one a load of the map")


def _controllers(clean: Clean, report: Report) -> None:
    n, groups = _cylinder_count(clean), clean.get("controllers", {}).get("heater_groups", ())
    members = [position for group in groups for position in group]
    if groups and n and sorted(members) != list(range(1, n + 1)):
        report("controllers.heater_groups", shown(members), f"each position from 1 to {n} once")


def _faults(clean: Clean, report: Report) -> None:
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
        _fault_lists(fault, where, n, report)


def _fault_lists(fault: Clean, where: str, n: int, report: Report) -> None:
    positions = fault.get("positions", (1, 2))
    if len(set(positions)) != 2 or len(positions) != 2 or (n and max(positions) > n):
        report(f"{where}.positions", shown(positions), f"two different positions, at most {n}")
    if fault.get("kind") == "leak":
        lists = [fault.get(key, ()) for key in ("rpm", "load", "percent")]
        if any(isinstance(values, float) for values in lists) or len({len(values) for values in lists}) != 1:
            report(where, "rpm, load and percent of different lengths", "three lists of one length")
    elif isinstance(fault.get("rpm"), tuple):
        report(f"{where}.rpm", shown(fault["rpm"]), "one speed")


def _profile(clean: Clean, report: Report) -> None:
    parts = clean.get("profile", ())
    names: set[str] = set()
    for i, part in enumerate(parts, 1):
        where, kind = f"profile[{i}]", part.get("kind")
        if ("seconds" in part) == ("until" in part) and not report.about(where):
            report(where, "seconds and until" if "seconds" in part else "neither", "one of seconds and until")
        wanted = ["rpm"] if kind in NEEDS_POINT else []
        wanted += ["load"] if kind in NEEDS_POINT and kind not in {"limiter", "overrun"} else []
        for key in wanted:
            if key not in part and not report.about(f"{where}.{key}"):
                report(f"{where}.{key}", "missing", f"a value: {kind} needs it")
        if part.get("name") in names:
            report(f"{where}.name", shown(part["name"]), "a name used once")
        names |= {part["name"]} if "name" in part else set()
    again = clean.get("repeat_from")
    if again is not None and again not in names:
        report("repeat_from", shown(again), "the name of a part of the profile")
    if not parts and "profile" in clean:
        report("profile", "no parts", "at least one [[profile]]")


def _limits(clean: Clean, report: Report) -> None:
    for where, low, high in _pairs(clean):
        if low is not None and high is not None and not low < high:
            report(where, f"{low:g} and {high:g}", "the first smaller than the second")


def _pairs(clean: Clean) -> Iterator[tuple[str, Any, Any]]:
    trims, warm_up = clean.get("trims", {}), clean.get("warm_up", {})
    yield "trims.lowest_percent", trims.get("lowest_percent"), trims.get("highest_percent")
    yield "warm_up.start_c", warm_up.get("start_c"), warm_up.get("end_c")


def _held(clean: Clean, report: Report) -> None:
    n, held = _cylinder_count(clean), clean.get("trims", {}).get("now_percent")
    if held is not None and n and len(held) != n:
        report("trims.now_percent", f"{len(held)} values", f"{n}, one a cylinder")


def _moments(scenario: Scenario, report: Report) -> None:
    """What only the laid-out profile tells: parts that are too short, faults that never come."""
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


_CHECKS = (_strokes, _one_each, _map_size, _controllers, _faults, _profile, _limits, _held)
