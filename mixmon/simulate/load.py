"""TOML to Scenario; every mistake reported at once, each with its key and what was expected.

As for session files: first each value by itself, then what the keys ask of one another, then
the records. The part that the engine's owner would declare is read by the session's own passes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from mixmon.errors import Mistake, ScenarioError, UsageError
from mixmon.messages.bind import declared_fuel
from mixmon.session import checks
from mixmon.session.checks import FUEL_WAYS
from mixmon.session.load import build_fuel, placed, read_text
from mixmon.session.schema import Report, shown
from mixmon.simulate.checks import CHECKS
from mixmon.simulate.keys import SCENARIO
from mixmon.simulate.make import ENGINE_SIGNALS, make_scenario
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
        text = read_text(Path(name), "a scenario file")
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


def _whole(raw: Mapping[str, Any]) -> dict[str, Any]:
    """A scenario's keys, laid over those of the shipped one that it is based on, if any."""
    own = dict(raw)
    base = own.pop("based_on", None)
    return own if base is None else _over(_whole(tomllib.loads(_bundled(base))), own)


def _over(base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The base with a scenario's own keys laid over it, table by table; what stands in a key is replaced.

    A fuel is told in one of several ways: another way takes the place of the base's.
    """
    merged = dict(base)
    for key, value in own.items():
        old = merged.get(key)
        if not isinstance(old, dict) or not isinstance(value, dict):
            merged[key] = value
            continue
        if key == "fuel" and not FUEL_WAYS.isdisjoint(value):
            old = {name: told for name, told in old.items() if name not in FUEL_WAYS}
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
    raw = _whole(raw)
    if cylinders is not None and isinstance(raw.get("engine"), dict):
        raw["engine"]["cylinders"] = cylinders
    report = Report()
    clean = SCENARIO.read(raw, "", report)
    for check in (*checks.ENGINE_CHECKS, *checks.LIMIT_CHECKS, *CHECKS):
        check({**clean, "engine_signals": ENGINE_SIGNALS}, report)
    declared_fuel(build_fuel(clean.get("fuel")), report.mistakes)
    if report.mistakes:
        return None, placed(report.mistakes, text)
    scenario = make_scenario(clean)
    _moments(scenario, report)
    return (None if report.mistakes else scenario), placed(report.mistakes, text)


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
