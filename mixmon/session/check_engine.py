"""What the keys about the engine, its exhaust and its fuel ask of one another."""

from __future__ import annotations

from typing import Final

from mixmon.session.lines import dotted
from mixmon.session.schema import Report, shown
from mixmon.session.written import (
    Check,
    Clean,
    chain_signals,
    cylinder_list,
    engine_signals,
    rising,
)

FUEL_WAYS: Final = frozenset({"name", "parts", "atoms", "stoich_afr"})
"""The keys of which a fuel has exactly one."""

_PARTS_TOLERANCE = 1e-3


def _strokes(clean: Clean, report: Report) -> None:
    if clean.get("engine", {}).get("strokes") == 3:
        report("engine.strokes", "3", "2 or 4")


def _firing_order(clean: Clean, report: Report) -> None:
    engine = clean.get("engine", {})
    cylinders, order = engine.get("cylinders"), engine.get("firing_order")
    if cylinders and order and sorted(order) != list(range(1, cylinders + 1)):
        report("engine.firing_order", shown(order), f"each cylinder from 1 to {cylinders} once")


def _firing_angles(clean: Clean, report: Report) -> None:
    engine = clean.get("engine", {})
    cylinders, angles, where = (
        engine.get("cylinders"),
        engine.get("firing_angles_deg"),
        "engine.firing_angles_deg",
    )
    if angles is None:
        return
    if "firing_order" not in engine and not report.about("engine.firing_order"):
        report(where, "angles without a firing order", "engine.firing_order as well")
    if cylinders and len(angles) != cylinders:
        report(where, f"{len(angles)} angles", f"{cylinders}, one a cylinder in firing order")
    cycle = 360 if engine.get("strokes") == 2 else 720
    if not rising(angles) or angles[-1] >= cycle:
        report(where, shown(angles), f"angles that rise and stay below {cycle}, in firing order")


def _banks(clean: Clean, report: Report) -> None:
    engine = clean.get("engine", {})
    cylinders, banks = engine.get("cylinders"), engine.get("banks")
    if not cylinders or not banks:
        return
    unread = report.about("engine.banks")  # a bank that was reported may hold the cylinders that are left
    seen: dict[int, str] = {}
    for name, members in banks.items():
        where = dotted("engine.banks", name)
        for cylinder in members:
            if cylinder > cylinders:
                report(where, f"cylinder {cylinder}", f"cylinders from 1 to {cylinders}")
            elif cylinder in seen:
                found = f"cylinder {cylinder}, which is in bank {seen[cylinder]} already"
                report(where, found, "each cylinder in one bank, once")
            seen.setdefault(cylinder, name)
    left = [cylinder for cylinder in range(1, cylinders + 1) if cylinder not in seen]
    if left and not unread:
        report("engine.banks", f"no bank for {cylinder_list(left)}", "each cylinder in one bank")


def _distances(clean: Clean, report: Report) -> None:
    distances = clean.get("exhaust", {}).get("sensor_distance_mm")
    cylinders = clean.get("engine", {}).get("cylinders")
    if isinstance(distances, tuple) and cylinders and len(distances) != cylinders:
        expected = f"one distance, or {cylinders}, one a cylinder"
        report("exhaust.sensor_distance_mm", f"{len(distances)} distances", expected)


def _turbine(clean: Clean, report: Report) -> None:
    aspiration = clean.get("engine", {}).get("aspiration")
    if clean.get("exhaust", {}).get("before_turbine") and aspiration in {"natural", "blower"}:
        found = f'true, with engine.aspiration = "{aspiration}"'
        report("exhaust.before_turbine", found, 'false, or engine.aspiration = "turbine"')


def _fuel(clean: Clean, report: Report) -> None:
    fuel = clean.get("fuel")
    if fuel is None:
        return
    ways = [
        key
        for key in ("name", "parts", "atoms", "stoich_afr")
        if fuel.get(key) not in (None, {}) or report.about(f"fuel.{key}")
    ]
    if len(ways) != 1:
        found = " and ".join(ways) or "nothing that says which fuel"
        report("fuel", found, "exactly one of name, parts, atoms, stoich_afr")
    parts = fuel.get("parts")
    if parts and not report.about("fuel.parts") and abs(sum(parts.values()) - 1) > _PARTS_TOLERANCE:
        found = f"parts that add up to {sum(parts.values()):.4g}"
        report("fuel.parts", found, "parts by volume that add up to 1")


def _stoich(clean: Clean, report: Report) -> None:
    if "fuel" in clean or report.about("fuel"):
        return
    for where, _, value in (*chain_signals(clean), *engine_signals(clean)):
        if isinstance(value, dict) and value.get("unit") == "afr":
            expected = "[fuel] with name, parts, atoms or stoich_afr, as AFR means nothing without its fuel"
            report(f"{where}.unit", '"afr" without a fuel', expected)


def _sensors(clean: Clean, report: Report) -> None:
    sensors = clean.get("sensors", {})
    if "curve" in sensors and "fuel" not in clean and not report.about("fuel"):
        report("sensors.curve", "a curve, and no [fuel] that says what burns", "[fuel] as well")
    pressures = [key for key in ("pressure_bar", "reference_bar") if key in sensors]
    told = "pressure_bar" in sensors or "exhaust_kpa" in clean.get("engine_signals", {})
    if "pressure_k_bar" in sensors and not told and not _about_pressure(report):
        expected = "sensors.pressure_bar or engine_signals.exhaust_kpa as well"
        report("sensors.pressure_k_bar", "a pressure effect, and no pressure", expected)
    if pressures and "pressure_k_bar" not in sensors and not report.about("sensors.pressure_k_bar"):
        expected = "sensors.pressure_k_bar as well, by sensor type"
        report(f"sensors.{pressures[0]}", "a pressure, and no effect of it", expected)


def _about_pressure(report: Report) -> bool:
    return report.about("sensors.pressure_bar") or report.about("engine_signals.exhaust_kpa")


CHECKS: Final[tuple[Check, ...]] = (
    _strokes,
    _firing_order,
    _firing_angles,
    _banks,
    _distances,
    _turbine,
    _fuel,
    _sensors,
    _stoich,
)
