"""Clean tables to the frozen records of `session.model`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from mixmon.session import model, signals
from mixmon.session.schema import Report
from mixmon.session.written import Clean, chain_bus, cylinders_of, own_signals


def build(clean: Clean, path: Path, report: Report) -> model.Session | None:
    """The session, as far as the clean tables say; None without cylinders or a chain.

    Signals are read here, so that a badly written one is reported and left out. Keys that a
    mistake has removed fall back to their defaults: a session is only to be used when nothing
    was reported, but definitions can be checked against what there is of it.
    """
    engine, chain = clean.get("engine", {}), clean.get("chain")
    engine_signals = _engine_signals(clean, report)
    cylinders, bus = engine.get("cylinders"), chain_bus(clean)
    if chain is None or cylinders is None or bus is None:
        return None
    return model.Session(
        engine=model.Engine(**engine),
        chain=_chain(chain, cylinders, bus, report),
        buses=_buses(clean, bus),
        name=clean.get("name", ""),
        path=path,
        injection=model.Injection(**clean.get("injection", {})),
        exhaust=_exhaust(clean.get("exhaust", {}), cylinders),
        fuel=build_fuel(clean.get("fuel")),
        sensors=model.Sensors(**clean["sensors"]) if clean.get("sensors") else None,
        engine_signals=engine_signals,
        axes=model.Axes(**clean.get("axes", {})),
        targets=model.Targets(clean["targets"]["lambda"]) if clean.get("targets") else None,
        validity=_validity(clean.get("validity", {})),
        trims=model.Trims(**clean.get("trims", {})),
        limits=_limits(clean.get("limits", {})),
        recording=model.Recording(**clean.get("recording", {})),
    )


def _buses(clean: Clean, chain: str) -> tuple[model.Bus, ...]:
    """The declared buses; without any, the chain's on whatever channel, with its own definitions."""
    buses = [_bus(bus) for bus in clean.get("bus", ()) if "name" in bus] or [model.Bus(chain)]
    if own_signals(clean["chain"]):
        return tuple(buses)
    return tuple(
        replace(bus, database=signals.SHIPPED_DATABASE) if bus.name == chain and bus.database is None else bus
        for bus in buses
    )


def _bus(bus: Clean) -> model.Bus:
    written = bus.get("database", ())
    databases = written if isinstance(written, tuple) else (written,)
    first = databases[0] if databases else None
    return model.Bus(**{**bus, "database": first, "further_databases": databases[1:]})


def _chain(chain: Clean, cylinders: int, bus: str, report: Report) -> model.Chain:
    without = chain.get("without_sensor", ())
    default = tuple(model.Node(c, (c,)) for c in range(1, cylinders + 1) if c not in without)
    patterns = chain.get("signals", {}) if own_signals(chain) else signals.SHIPPED_PATTERNS
    read = _chain_signals(patterns, "chain.signals", bus, report)
    return model.Chain(bus, read, _nodes(chain.get("node", ()), bus, report) or default)


def _nodes(written: Sequence[Clean], bus: str, report: Report) -> tuple[model.Node, ...]:
    """The usable nodes. If some are not, none keeps signals of its own: their numbers would be wrong."""
    own = [
        _chain_signals(node.get("signals", {}), f"chain.node[{i}].signals", bus, report)
        for i, node in enumerate(written, 1)
    ]
    usable = ["position" in node and "cylinder" in node for node in written]
    return tuple(
        model.Node(
            node["position"], cylinders_of(node), node.get("sensor"), signals_of if all(usable) else {}
        )
        for node, signals_of, good in zip(written, own, usable, strict=True)
        if good
    )


def _chain_signals(written: Clean, where: str, bus: str, report: Report) -> dict[str, model.SignalChoice]:
    read = {
        name: signals.read_choice(value, signals.CHAIN[name], f"{where}.{name}", report, bus)
        for name, value in written.items()
    }
    return {name: choice for name, choice in read.items() if choice is not None}


def _engine_signals(clean: Clean, report: Report) -> dict[str, model.SignalChoice]:
    read = {
        name: signals.read_choice(value, signals.ENGINE[name], f"engine_signals.{name}", report)
        for name, value in clean.get("engine_signals", {}).items()
    }
    return {name: choice for name, choice in read.items() if choice is not None}


def _exhaust(exhaust: Clean, cylinders: int) -> model.Exhaust:
    distance = exhaust.get("sensor_distance_mm")
    each = (distance,) * cylinders if isinstance(distance, float) else distance
    return model.Exhaust(**{**exhaust, "sensor_distance_mm": each})


def build_fuel(fuel: Clean | None) -> model.Fuel | None:
    """The fuel, its parts brought to a sum of exactly 1."""
    if fuel is None:
        return None
    parts = fuel.get("parts", {})
    total = sum(parts.values()) or 1.0
    return model.Fuel(**{**fuel, "parts": {name: part / total for name, part in parts.items()}})


def _validity(validity: Clean) -> model.Validity:
    nested: dict[str, Any] = {}
    for key, record in (("low_flow_mask", model.LowFlowMask), ("overrun", model.Overrun)):
        table = validity.get(key, {})
        nested[key] = record(**table) if len(table) == len(record.__slots__) else None
    return model.Validity(**{**validity, **nested})


def _limits(limits: Clean) -> model.Limits:
    rules = tuple(
        model.AlarmRule(**alarm)
        for alarm in limits.get("alarm", ())
        if "name" in alarm and "priority" in alarm
    )
    return model.Limits(limits.get("source"), rules)
