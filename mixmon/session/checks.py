"""What the keys of a session file ask of one another, after each value has been read by itself.

A check gets the clean tables and the report. Any key may be missing from a clean table, because the user
omitted it or because it was reported and left out; a check therefore asks the report before it calls an
absence a mistake, so that one mistake is reported once. The checks run in the order of the three tuples
at the ends of the sections: engine, chain, limits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import fsum
from typing import Any, Final

from mixmon.session import keys
from mixmon.session.alarm_kinds import ALARM_KINDS, AlarmKind, LimitAxis
from mixmon.session.injectors import are_firing_angles, cycle_degrees
from mixmon.session.model import Trims, Validity, reach_of
from mixmon.session.schema import (
    Check,
    Clean,
    MistakeReport,
    chain_bus,
    chain_signals,
    cylinder_list,
    cylinders_of,
    dotted,
    engine_signals,
    nearest,
    once,
    own_channels,
    own_signals,
    rising,
    shown,
    signal_text,
)
from mixmon.session.when import ConditionError, names, parse

# ----------------------------------------------------------------------------------------------------
# The engine, its injection, exhaust and fuel, and the sensors.
# ----------------------------------------------------------------------------------------------------

FUEL_WAYS: Final = frozenset({"name", "parts", "atoms", "stoich_afr"})
"""The keys of which a fuel has exactly one."""

_MOST_UNEQUAL_AIR = 2.0
"""Our choice: cylinders that run together differ by far less, so more is a wrong digit."""

_LEAST_OFFSET = 0.25
"""Percent: our choice; below it cylinders are meant to be alike, or parts are written in place of percent."""

_PARTS_TOLERANCE = 1e-3
"""Our choice: parts written with three decimals add up to 1 within this."""


_CYLINDER_LITRES = (0.02, 4.0)
"""Our choice: from the smallest engine with a port of its own to the largest with a throttle."""


def _check_displacement(clean: Clean, report: MistakeReport) -> None:
    engine = clean.get("engine", {})
    cylinders, litres = engine.get("cylinders"), engine.get("displacement_l")
    least, most = _CYLINDER_LITRES
    if cylinders and litres and not least <= litres / cylinders <= most:
        found = f"{litres:g} for {cylinders} cylinders, {litres / cylinders:.3g} litres each"
        expected = f"the litres of all cylinders together, {least:g} to {most:g} each"
        report("engine.displacement_l", found, expected)


def _check_strokes(clean: Clean, report: MistakeReport) -> None:
    if clean.get("engine", {}).get("strokes") == 3:
        report("engine.strokes", "3", "2 or 4")


def _check_firing_order(clean: Clean, report: MistakeReport) -> None:
    engine = clean.get("engine", {})
    cylinders, order = engine.get("cylinders"), engine.get("firing_order")
    if cylinders and order and sorted(order) != list(range(1, cylinders + 1)):
        report("engine.firing_order", shown(order), f"each cylinder from 1 to {cylinders} once")


def _check_firing_angles(clean: Clean, report: MistakeReport) -> None:
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
    cycle = cycle_degrees(engine.get("strokes", 4))
    if not are_firing_angles(angles, engine.get("strokes", 4)):
        report(where, shown(angles), f"angles that rise and stay below {cycle:g}, in firing order")


def _check_staging(clean: Clean, report: MistakeReport) -> None:
    staging, where = clean.get("injection", {}).get("staging"), "injection.staging"
    if staging is None:
        return
    if not staging and not report.about(where):
        report(where, "no line", "rpm_above, load_above or both")
    load = clean.get("axes", {}).get("load_signal", "throttle")
    for key, signal in (("rpm_above", "rpm"), ("load_above", load)):
        mapped = signal in clean.get("engine_signals", {}) or report.about(f"engine_signals.{signal}")
        if key in staging and not mapped:
            report(f"{where}.{key}", f"a line by {signal}, and no signal", f"engine_signals.{signal} as well")
    for key, name in (("rpm_above", "rpm"), ("load_above", "load")):
        centres, line = clean.get("axes", {}).get(name), staging.get(key)
        if line is None or not centres or not rising(centres):
            continue
        low, high = reach_of(centres)
        if not low < line < high:
            expected = f"a line within the cells of axes.{name}, {low:g} to {high:g}, or no line"
            report(f"{where}.{key}", f"{line:g}, with all cells on one side", expected)


def _check_charge_share(clean: Clean, report: MistakeReport) -> None:
    engine, where = clean.get("engine", {}), "engine.charge_share"
    cylinders, shares = engine.get("cylinders"), engine.get("charge_share")
    if not shares:
        return
    if cylinders and len(shares) != cylinders:
        report(where, f"{len(shares)} shares", f"{cylinders}, one a cylinder")
    if max(shares) > _MOST_UNEQUAL_AIR * min(shares):
        expected = f"shares of which none is over {_MOST_UNEQUAL_AIR:g} times another"
        report(where, f"{min(shares):g} and {max(shares):g}", expected)


def _check_target_offsets(clean: Clean, report: MistakeReport) -> None:
    engine = clean.get("engine", {})
    cylinders, offsets = engine.get("cylinders"), engine.get("target_offset_percent")
    if cylinders and offsets and len(offsets) != cylinders:
        found, expected = f"{len(offsets)} offsets", f"{cylinders}, one a cylinder"
        report("engine.target_offset_percent", found, expected)
    most = max(map(abs, offsets or (0.0,)))
    if 0 < most < _LEAST_OFFSET:
        expected = "percent, such as 2 for 2 %, where cylinders are meant to differ"
        report("engine.target_offset_percent", f"{most:g} % at most", expected)


def _check_banks(clean: Clean, report: MistakeReport) -> None:
    engine = clean.get("engine", {})
    cylinders, banks = engine.get("cylinders"), engine.get("banks")
    if not cylinders or not banks:
        return
    reported = report.about("engine.banks")  # a bank with a mistake may hold the cylinders that are left
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
    if left and not reported:
        report("engine.banks", f"no bank for {cylinder_list(left)}", "each cylinder in one bank")


def _check_lists_of_cylinders(clean: Clean, report: MistakeReport) -> None:
    """Fuel rails and shared ports: every cylinder that is in one is in one only, and the engine has it."""
    cylinders = clean.get("engine", {}).get("cylinders")
    for table, key in (("injection", "fuel_rails"), ("engine", "shared_ports")):
        named: set[int] = set()
        for i, members in enumerate(clean.get(table, {}).get(key) or (), 1):
            where = f"{table}.{key}[{i}]"
            if key == "shared_ports" and len(members) < 2:
                report(where, shown(members), "two cylinders or more, which share the port")
            for cylinder in members:
                if cylinders and cylinder > cylinders:
                    report(where, f"cylinder {cylinder}", f"cylinders from 1 to {cylinders}")
                elif cylinder in named:
                    report(where, f"cylinder {cylinder} a second time", "each cylinder in one, once")
                named.add(cylinder)


def _check_distances(clean: Clean, report: MistakeReport) -> None:
    distances = clean.get("exhaust", {}).get("sensor_distance_mm")
    cylinders = clean.get("engine", {}).get("cylinders")
    if isinstance(distances, tuple) and cylinders and len(distances) != cylinders:
        expected = f"one distance, or {cylinders}, one a cylinder"
        report("exhaust.sensor_distance_mm", f"{len(distances)} distances", expected)


def _check_turbine(clean: Clean, report: MistakeReport) -> None:
    aspiration = clean.get("engine", {}).get("aspiration")
    if clean.get("exhaust", {}).get("before_turbine") and aspiration in {"natural", "blower"}:
        found = f'true, with engine.aspiration = "{aspiration}"'
        report("exhaust.before_turbine", found, 'false, or engine.aspiration = "turbine"')


def _check_fuel(clean: Clean, report: MistakeReport) -> None:
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
    if parts and not report.about("fuel.parts") and abs(fsum(parts.values()) - 1) > _PARTS_TOLERANCE:
        found = f"parts that add up to {fsum(parts.values()):.4g}"
        report("fuel.parts", found, "parts by volume that add up to 1")


def _check_afr_has_fuel(clean: Clean, report: MistakeReport) -> None:
    if "fuel" in clean or report.about("fuel"):
        return
    for where, _, value in (*chain_signals(clean), *engine_signals(clean)):
        if isinstance(value, dict) and value.get("unit") == "afr":
            expected = "[fuel] with name, parts, atoms or stoich_afr, as AFR means nothing without its fuel"
            report(f"{where}.unit", '"afr" without a fuel', expected)


def _check_sensors(clean: Clean, report: MistakeReport) -> None:
    sensors = clean.get("sensors", {})
    if "curve" in sensors and "fuel" not in clean and not report.about("fuel"):
        report("sensors.curve", "a curve, and no [fuel] that says what burns", "[fuel] as well")
    pressures = [key for key in ("pressure_bar", "reference_bar") if key in sensors]
    told = "pressure_bar" in sensors or "exhaust_kpa" in clean.get("engine_signals", {})
    if "pressure_k_bar" in sensors and not told and not _is_pressure_reported(report):
        expected = "sensors.pressure_bar or engine_signals.exhaust_kpa as well"
        report("sensors.pressure_k_bar", "a pressure effect, and no pressure", expected)
    if pressures and "pressure_k_bar" not in sensors and not report.about("sensors.pressure_k_bar"):
        expected = "sensors.pressure_k_bar as well, by sensor type"
        report(f"sensors.{pressures[0]}", "a pressure, and no effect of it", expected)
    known = sensors.get("known_bias", {})
    for serial, pair in known.items() if isinstance(known, dict) else ():
        if len(pair) != 2 or pair[1] <= 0:
            expected = "bias and half of its interval above 0, in percent, such as [0.6, 0.3]"
            report(f"sensors.known_bias.{serial}", str(list(pair)), expected)


def _is_pressure_reported(report: MistakeReport) -> bool:
    return report.about("sensors.pressure_bar") or report.about("engine_signals.exhaust_kpa")


ENGINE_CHECKS: Final[tuple[Check, ...]] = (
    _check_displacement,
    _check_strokes,
    _check_firing_order,
    _check_firing_angles,
    _check_staging,
    _check_charge_share,
    _check_target_offsets,
    _check_banks,
    _check_lists_of_cylinders,
    _check_distances,
    _check_turbine,
    _check_fuel,
    _check_sensors,
    _check_afr_has_fuel,
)


# ----------------------------------------------------------------------------------------------------
# Buses, the chain and its nodes.
# ----------------------------------------------------------------------------------------------------

_EXPECTED_OF_A_NODE = 'at least lambda = "Message.Signal", or oxygen'


def _check_bus_names(clean: Clean, report: MistakeReport) -> None:
    buses = clean.get("bus", ())
    once(buses, "name", "bus", report)
    once([{"log_channel": "*", **bus} for bus in buses], "log_channel", "bus", report)
    for i, bus in enumerate(buses, 1):
        if "/" in bus.get("name", ""):
            report(f"bus[{i}].name", f'"{bus["name"]}"', 'a name without "/"')


def _check_chain_bus(clean: Clean, report: MistakeReport) -> None:
    chain, buses = clean.get("chain"), clean.get("bus", ())
    names = [bus["name"] for bus in buses if "name" in bus]
    if chain is None or not names or len(names) < len(buses):
        return
    if "bus" in chain and chain["bus"] not in names:
        report("chain.bus", f'"{chain["bus"]}"', f"a bus declared in [[bus]]: {', '.join(names)}")
    if "bus" not in chain and not report.about("chain.bus") and len(names) > 1:
        report("chain.bus", "missing, with more than one bus", f"one of {', '.join(names)}")


def _check_engine_buses(clean: Clean, report: MistakeReport) -> None:
    names = [bus.get("name") for bus in clean.get("bus", ())] or [chain_bus(clean)]
    if None in names:
        return
    for where, _, value in (*engine_signals(clean), *own_channels(clean)):
        bus, slash, _ = signal_text(value).rpartition("/")
        if slash and bus not in names:
            report(where, f'bus "{bus}"', f"a bus declared in [[bus]]: {', '.join(map(str, names))}")


def _check_databases(clean: Clean, report: MistakeReport) -> None:
    mapped = (*engine_signals(clean), *own_channels(clean))
    readers = {signal_text(v).rpartition("/")[0]: where for where, _, v in mapped}
    if any(True for _ in chain_signals(clean)):
        readers[chain_bus(clean) or ""] = "chain.signals"
    for i, bus in enumerate(clean.get("bus", ()), 1):
        reader = readers.get(bus.get("name", ""))
        if reader and "database" not in bus and not report.about(f"bus[{i}].database"):
            report(f"bus[{i}].database", "missing", f"a DBC file, as {reader} needs it")


def _check_nodes_are_mapped(clean: Clean, report: MistakeReport) -> None:
    """Reports nodes without lambda and without oxygen."""
    chain = clean.get("chain")
    if chain is None or report.about("chain.signals"):
        return
    common, nodes = chain.get("signals", {}), chain.get("node", ())
    if not own_signals(chain):
        _check_shipped_definitions(clean, report)
        return
    for i, node in enumerate(nodes or ({},), 1):
        where = f"chain.node[{i}].signals" if "signals" in node else "chain.signals"
        if not {"lambda", "oxygen"} & {*common, *node.get("signals", {})} and not report.about(where):
            report(where, "neither lambda nor oxygen", _EXPECTED_OF_A_NODE)


def _check_shipped_definitions(clean: Clean, report: MistakeReport) -> None:
    """Reports a chain without signals and without the shipped definitions, which need no names."""
    for bus in clean.get("bus", ()):
        written = bus.get("database", keys.SHIPPED_DATABASE)
        databases = written if isinstance(written, tuple) else (written,)
        if bus.get("name") == chain_bus(clean) and keys.SHIPPED_DATABASE not in databases:
            found = f"missing, and {shown(written)} is not the chain's own {keys.SHIPPED_DATABASE}"
            report("chain.signals", found, _EXPECTED_OF_A_NODE)


def _check_patterns(clean: Clean, report: MistakeReport) -> None:
    chain, cylinders = clean.get("chain", {}), clean.get("engine", {}).get("cylinders", 1)
    nodes: Any = chain.get("node") or ({},) * cylinders
    for name, value in chain.get("signals", {}).items():
        text = signal_text(value)
        users = [node for node in nodes if name not in node.get("signals", {})]
        if text and "{" not in text and len(users) > 1:
            found = f'"{text}" for {len(users)} nodes'
            report(f"chain.signals.{name}", found, "a name with {position} in it, or each node's own signals")


def _check_nodes(clean: Clean, report: MistakeReport) -> None:
    nodes = clean.get("chain", {}).get("node", ())
    once(nodes, "position", "chain.node", report)
    once(nodes, "sensor", "chain.node", report)
    cylinders = clean.get("engine", {}).get("cylinders")
    seen: dict[int, int] = {}
    for i, node in enumerate(nodes, 1):
        for cylinder in cylinders_of(node):
            where = f"chain.node[{i}].cylinder"
            if cylinders and cylinder > cylinders:
                report(where, str(cylinder), f"a cylinder from 1 to {cylinders}")
            elif cylinder in seen:
                found = f"{cylinder}, as in chain.node[{seen[cylinder]}]"
                report(where, found, "a cylinder that no other node has")
            seen.setdefault(cylinder, i)


def _check_every_cylinder_has_node(clean: Clean, report: MistakeReport) -> None:
    chain, cylinders = clean.get("chain", {}), clean.get("engine", {}).get("cylinders")
    nodes, listed = chain.get("node", ()), chain.get("without_sensor", ())
    without = set(listed)
    if not cylinders or any("cylinder" not in node for node in nodes):
        return
    every, where = set(range(1, cylinders + 1)), "chain.without_sensor"
    seen = {cylinder for node in nodes for cylinder in cylinders_of(node)}
    if unknown := sorted(without - every):
        report(where, cylinder_list(unknown), f"cylinders from 1 to {cylinders}")
    if len(without) < len(listed):
        report(where, shown(listed), "each cylinder once")
    if both := sorted(without & seen):
        report(where, f"{cylinder_list(both)}, with a node", "cylinders without a node")
    if without >= every:
        report(where, "every cylinder", "at least one cylinder with a sensor")
    left = sorted(every - seen - without)
    if nodes and left:
        expected = f"a node for each cylinder, or chain.without_sensor = {left}"
        report("chain.node", f"no node for {cylinder_list(left)}", expected)


CHAIN_CHECKS: Final[tuple[Check, ...]] = (
    _check_bus_names,
    _check_chain_bus,
    _check_engine_buses,
    _check_databases,
    _check_nodes_are_mapped,
    _check_patterns,
    _check_nodes,
    _check_every_cylinder_has_node,
)


# ----------------------------------------------------------------------------------------------------
# Axes, targets, validity, trims and alarms.
# ----------------------------------------------------------------------------------------------------


def _check_axes(clean: Clean, report: MistakeReport) -> None:
    axes = clean.get("axes", {})
    for name in ("rpm", "load"):
        if name in axes and not rising(axes[name]):
            report(f"axes.{name}", shown(axes[name]), "cell centres that rise")
    throttle = axes.get("load_signal", "throttle") == "throttle" and not report.about("axes.load_signal")
    if throttle and "load" in axes and max(axes["load"]) > 100:
        report("axes.load", shown(axes["load"]), 'throttle from 0 to 100 %, or axes.load_signal = "map_kpa"')


def _check_targets(clean: Clean, report: MistakeReport) -> None:
    rows, axes = clean.get("targets", {}).get("lambda"), clean.get("axes", {})
    if rows is None:
        return
    for name in ("load", "rpm"):
        if name not in axes and not report.about(f"axes.{name}"):
            report(
                "targets.lambda", f"targets without axes.{name}", f"axes.{name}, by which they are laid out"
            )
    if "load" in axes and len(rows) != len(axes["load"]):
        report("targets.lambda", f"{len(rows)} rows", f"{len(axes['load'])}, one for each of axes.load")
    for i, row in enumerate(rows, 1):
        if "rpm" in axes and len(row) != len(axes["rpm"]):
            expected = f"{len(axes['rpm'])}, one for each of axes.rpm"
            report(f"targets.lambda[{i}]", f"{len(row)} columns", expected)


def _check_validity(clean: Clean, report: MistakeReport) -> None:
    rich, lean = _range_of_readings(clean)
    if rich >= lean:
        report("validity.rich_limit", f"{rich:g}", f"less than the lean limit, {lean:g}")


def _range_of_readings(clean: Clean) -> tuple[float, float]:
    validity, usual = clean.get("validity", {}), Validity()
    return validity.get("rich_limit", usual.rich_limit), validity.get("lean_limit", usual.lean_limit)


def _check_trims(clean: Clean, report: MistakeReport) -> None:
    trims, usual = clean.get("trims", {}), Trims()
    lowest = trims.get("lowest_percent", usual.lowest_percent)
    highest = trims.get("highest_percent", usual.highest_percent)
    if lowest >= highest:
        report("trims.lowest_percent", f"{lowest:g}", f"less than the highest, {highest:g}")
    now, cylinders = trims.get("now_percent"), clean.get("engine", {}).get("cylinders")
    if now is None:
        return
    if cylinders and len(now) != cylinders:
        report("trims.now_percent", f"{len(now)} trims", f"{cylinders}, one a cylinder")
    for i, trim in enumerate(now, 1):
        if lowest < highest and not lowest <= trim <= highest:
            report(
                f"trims.now_percent[{i}]", f"{trim:g}", f"from {lowest:g} to {highest:g}, the limits above"
            )


def _check_output_order(clean: Clean, report: MistakeReport) -> None:
    cylinders, order = (
        clean.get("engine", {}).get("cylinders"),
        clean.get("injection", {}).get("output_order"),
    )
    if cylinders and order and sorted(order) != list(range(1, cylinders + 1)):
        report("injection.output_order", shown(order), f"each cylinder from 1 to {cylinders} once")


def _check_trim_shape(clean: Clean, report: MistakeReport) -> None:
    """What a map or bank trims need, and whether what they hold now fits."""
    trims, engine = clean.get("trims", {}), clean.get("engine", {})
    shape, banks = trims.get("shape"), engine.get("banks")
    if shape == "bank" and len(banks or {}) < 2 and not report.about("engine.banks"):
        report("trims.shape", '"bank" without banks', "two banks or more in engine.banks")
    for name in sorted(set(trims.get("bank_now_percent", {})) - set(banks or {})) if banks else ():
        report(dotted("trims.bank_now_percent", name), "no such bank", f"one of {', '.join(banks)}")
    for name in ("map_rpm", "map_load"):
        points = trims.get(name)
        if shape == "map" and not points and not report.about(f"trims.{name}"):
            report(f"trims.{name}", "missing", 'the breakpoints of the table, as shape is "map"')
        if points and list(points) != sorted(set(points)):
            report(f"trims.{name}", shown(points), "rising breakpoints")
    _check_map_now(clean, report)


def _check_map_now(clean: Clean, report: MistakeReport) -> None:
    """That each table of trims has a row for each load and a column for each speed, within the limits."""
    trims, usual = clean.get("trims", {}), Trims()
    cylinders = clean.get("engine", {}).get("cylinders")
    loads, speeds = len(trims.get("map_load", ())), len(trims.get("map_rpm", ()))
    lowest = trims.get("lowest_percent", usual.lowest_percent)
    highest = trims.get("highest_percent", usual.highest_percent)
    for name, rows in trims.get("map_now_percent", {}).items():
        where = dotted("trims.map_now_percent", name)
        if cylinders and name not in {str(c) for c in range(1, cylinders + 1)}:
            report(where, "no such cylinder", f"cylinders from 1 to {cylinders}, as text")
        if loads and speeds and (len(rows) != loads or any(len(row) != speeds for row in rows)):
            report(where, "a table of another shape", f"{loads} rows of {speeds}, as map_load and map_rpm")
        if any(not lowest <= one <= highest for row in rows for one in row):
            report(where, "a trim beyond the limits", f"from {lowest:g} to {highest:g}, the limits above")


def _check_identity(clean: Clean, report: MistakeReport) -> None:
    trims = clean.get("trims", {})
    stated = trims.get("identity") == "stated"
    for key, what in (("identity_by", "the name of who states it"), ("identity_reason", "the reason")):
        if stated and key not in trims and not report.about(f"trims.{key}"):
            report(f"trims.{key}", "missing", f'{what}, as identity is "stated"')


def _check_trim_loads(clean: Clean, report: MistakeReport) -> None:
    first, loads = clean.get("trims", {}).get("load_from"), clean.get("axes", {}).get("load")
    if first is not None and loads and first > max(loads):
        expected = f"at most {max(loads):g}, the highest of axes.load: else no cell would decide the trims"
        report("trims.load_from", f"{first:g}", expected)


def _each_alarm(clean: Clean) -> Iterator[tuple[str, Clean]]:
    for i, alarm in enumerate(clean.get("limits", {}).get("alarm", ()), 1):
        yield f"limits.alarm[{i}]", alarm


def _kinds_in_alarm(alarm: Clean) -> Iterator[tuple[str, AlarmKind]]:
    """The kinds of which the alarm gives a limit, with their keys; more than one only by mistake."""
    return ((key, kind) for key, kind in ALARM_KINDS.items() if key in alarm)


def _each_alarm_limit(clean: Clean) -> Iterator[tuple[str, float, AlarmKind]]:
    """Where a limit is written, the limit, and its kind."""
    for where, alarm in _each_alarm(clean):
        for key, kind in _kinds_in_alarm(alarm):
            yield f"{where}.{key}", alarm[key], kind


def _check_alarm_names(clean: Clean, report: MistakeReport) -> None:
    once([alarm for _, alarm in _each_alarm(clean)], "name", "limits.alarm", report)


def _check_one_limit_each(clean: Clean, report: MistakeReport) -> None:
    for where, alarm in _each_alarm(clean):
        written = [kind for kind in ALARM_KINDS if kind in alarm or report.about(f"{where}.{kind}")]
        if len(written) != 1:
            found = " and ".join(written) or "no limit"
            report(where, found, f"exactly one of {', '.join(ALARM_KINDS)}")


def _check_limits_within_readings(clean: Clean, report: MistakeReport) -> None:
    rich, lean = _range_of_readings(clean)
    for where, limit, kind in _each_alarm_limit(clean):
        if kind.axis is LimitAxis.LAMBDA and rich < lean and not rich < limit < lean:
            expected = f"between {rich:g} and {lean:g}: readings beyond validity's limits are not counted"
            report(where, f"{limit:g}", expected)


def _check_dead_bands(clean: Clean, report: MistakeReport) -> None:
    """Reports dead bands as wide as the limit where values have a lowest end: the alarm would never clear."""
    for where, alarm in _each_alarm(clean):
        for key, kind in _kinds_in_alarm(alarm):
            if kind.lowest is not None and alarm.get("dead_band", 0) >= alarm[key] - kind.lowest:
                found = f"{alarm.get('dead_band', 0):g}, with {key} = {alarm[key]:g}"
                report(f"{where}.dead_band", found, "less than the limit: such an alarm would never clear")


def _check_conditions(clean: Clean, report: MistakeReport) -> None:
    for where, alarm in _each_alarm(clean):
        for key in ("when", "suppress_when"):
            if key in alarm:
                check_condition(alarm[key], f"{where}.{key}", clean, report)


def check_condition(text: str, where: str, clean: Clean, report: MistakeReport) -> None:
    """Reports a condition that cannot be read, or that names what no signal carries."""
    try:
        tree = parse(text)
    except ConditionError as error:
        report(where, f"{error.found} at column {error.column} of {shown(text)}", error.expected)
        return
    mapped = clean.get("engine_signals", {})
    for name in names(tree):
        if name in keys.ENGINE_STATES:
            _check_engine_state(name, where, clean, report)
        elif name in clean.get("channels", {}) or report.about(f"channels.{name}"):
            continue
        elif name not in keys.ENGINE_QUANTITIES:
            known = (*keys.ENGINE_QUANTITIES, *keys.ENGINE_STATES, *clean.get("channels", {}))
            report(where, f'"{name}" in {shown(text)}', nearest(name, known))
        elif name not in mapped and not report.about(f"engine_signals.{name}"):
            report(where, f'"{name}", which no signal carries', f"a signal in engine_signals.{name}")


_OWN_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,31}")
_TAKEN_NAMES: Final = frozenset(
    {
        *keys.ENGINE_QUANTITIES,
        *keys.CYLINDER_QUANTITIES,
        *keys.CHAIN_QUANTITIES,
        *keys.ENGINE_STATES,
        *keys.OPERATING_POINT,
        *("and", "or", "not"),
        *("t", "t_s", "t_ns", "stretch", "lam", "state", "age", "age_s", "fresh", "cylinders_valid"),
    }
)
"""Words of conditions, and columns that rows have already."""

_NAME_OF_COLUMN = re.compile(
    r"(trim|lambda_|oxygen_percent_|state_|age_s_|fresh_|target_|needs_vs_target_percent_|needs_vs_peers_percent_"
    r"|supply_|heater_|resets_|over_temperature_)\d.*|beside_.*"
)
"""Columns that rows have for each cylinder, and for tables beside a run."""


def _check_channel_names(clean: Clean, report: MistakeReport) -> None:
    seen: dict[str, str] = {}
    for where, name, _ in own_channels(clean):
        plain = name.lower()
        if not _OWN_NAME.fullmatch(name):
            expected = "a letter, then letters, digits and _, 32 at most, so that conditions can name it"
            report(where, f'the name "{name}"', expected)
        elif plain in _TAKEN_NAMES or _NAME_OF_COLUMN.fullmatch(plain):
            report(where, f'the name "{name}", which is taken', "a name of your own, such as egt_1")
        elif plain in seen:
            report(where, f'"{name}" beside "{seen[plain]}"', "names that differ by more than capitals")
        seen.setdefault(plain, name)


def _check_engine_state(name: str, where: str, clean: Clean, report: MistakeReport) -> None:
    needed = keys.ENGINE_STATES[name]
    told = any(report.about(f"engine_signals.{signal}") for signal in needed)
    if not told and not any(signal in clean.get("engine_signals", {}) for signal in needed):
        expected = f"a signal in engine_signals.{' or engine_signals.'.join(needed)}"
        report(where, f'"{name}", which no signal tells', expected)


def _check_limits_have_signals(clean: Clean, report: MistakeReport) -> None:
    """Reports limits without the signals that their values need: such an alarm could never be raised."""
    for where, _, kind in _each_alarm_limit(clean):
        for name in kind.needs:
            if name == "target":
                told = report.about("targets") or report.about("engine_signals.target")
                if not told and "targets" not in clean and "target" not in clean.get("engine_signals", {}):
                    report(where, "no target to compare with", "engine_signals.target, or [targets]")
            elif name in keys.CHAIN_QUANTITIES and not _chain_gives(name, clean, report):
                report(where, f"no {name} to compare", f"chain.signals.{name}")
            elif name not in keys.CHAIN_QUANTITIES and not _engine_gives(name, clean, report):
                report(where, f"no {name} to compare", f"engine_signals.{name}")


def _chain_gives(name: str, clean: Clean, report: MistakeReport) -> bool:
    mapped = {mapped_name for _, mapped_name, _ in chain_signals(clean)} or set(keys.SHIPPED_PATTERNS)
    return name in mapped or report.about(f"chain.signals.{name}")


def _engine_gives(name: str, clean: Clean, report: MistakeReport) -> bool:
    return name in clean.get("engine_signals", {}) or report.about(f"engine_signals.{name}")


LIMIT_CHECKS: Final[tuple[Check, ...]] = (
    _check_axes,
    _check_targets,
    _check_validity,
    _check_trims,
    _check_output_order,
    _check_trim_shape,
    _check_identity,
    _check_trim_loads,
    _check_alarm_names,
    _check_one_limit_each,
    _check_limits_within_readings,
    _check_dead_bands,
    _check_channel_names,
    _check_conditions,
    _check_limits_have_signals,
)
