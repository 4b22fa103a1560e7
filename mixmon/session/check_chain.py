"""What the keys about buses, the chain and its nodes ask of one another."""

from __future__ import annotations

from typing import Any, Final

from mixmon.session import signals
from mixmon.session.schema import Report, shown
from mixmon.session.written import (
    Check,
    Clean,
    chain_bus,
    chain_signals,
    cylinder_list,
    cylinders_of,
    engine_signals,
    once,
    own_signals,
    signal_text,
)

_NEEDED = 'at least lambda = "Message.Signal", or oxygen'


def _bus_names(clean: Clean, report: Report) -> None:
    buses = clean.get("bus", ())
    once(buses, "name", "bus", report)
    once([{"log_channel": "*", **bus} for bus in buses], "log_channel", "bus", report)
    for i, bus in enumerate(buses, 1):
        if "/" in bus.get("name", ""):
            report(f"bus[{i}].name", f'"{bus["name"]}"', 'a name without "/"')


def _chain_bus(clean: Clean, report: Report) -> None:
    chain, buses = clean.get("chain"), clean.get("bus", ())
    names = [bus["name"] for bus in buses if "name" in bus]
    if chain is None or not names or len(names) < len(buses):
        return
    if "bus" in chain and chain["bus"] not in names:
        report("chain.bus", f'"{chain["bus"]}"', f"a bus declared in [[bus]]: {', '.join(names)}")
    if "bus" not in chain and not report.about("chain.bus") and len(names) > 1:
        report("chain.bus", "missing, with more than one bus", f"one of {', '.join(names)}")


def _engine_buses(clean: Clean, report: Report) -> None:
    names = [bus.get("name") for bus in clean.get("bus", ())] or [chain_bus(clean)]
    if None in names:
        return
    for where, _, value in engine_signals(clean):
        bus, slash, _ = signal_text(value).rpartition("/")
        if slash and bus not in names:
            report(where, f'bus "{bus}"', f"a bus declared in [[bus]]: {', '.join(map(str, names))}")


def _databases(clean: Clean, report: Report) -> None:
    readers = {signal_text(v).rpartition("/")[0]: where for where, _, v in engine_signals(clean)}
    if any(True for _ in chain_signals(clean)):
        readers[chain_bus(clean) or ""] = "chain.signals"
    for i, bus in enumerate(clean.get("bus", ()), 1):
        reader = readers.get(bus.get("name", ""))
        if reader and "database" not in bus and not report.about(f"bus[{i}].database"):
            report(f"bus[{i}].database", "missing", f"a DBC file, as {reader} needs it")


def _mapped(clean: Clean, report: Report) -> None:
    """Whether every node has lambda or oxygen."""
    chain = clean.get("chain")
    if chain is None or report.about("chain.signals"):
        return
    common, nodes = chain.get("signals", {}), chain.get("node", ())
    if not own_signals(chain):
        _shipped(clean, report)
        return
    for i, node in enumerate(nodes or ({},), 1):
        where = f"chain.node[{i}].signals" if "signals" in node else "chain.signals"
        if not {"lambda", "oxygen"} & {*common, *node.get("signals", {})} and not report.about(where):
            report(where, "neither lambda nor oxygen", _NEEDED)


def _shipped(clean: Clean, report: Report) -> None:
    """Whether the chain's own definitions, whose signals need not be named, are among those in use."""
    for bus in clean.get("bus", ()):
        written = bus.get("database", signals.SHIPPED_DATABASE)
        databases = written if isinstance(written, tuple) else (written,)
        if bus.get("name") == chain_bus(clean) and signals.SHIPPED_DATABASE not in databases:
            found = f"missing, and {shown(written)} is not the chain's own {signals.SHIPPED_DATABASE}"
            report("chain.signals", found, _NEEDED)


def _patterns(clean: Clean, report: Report) -> None:
    chain, cylinders = clean.get("chain", {}), clean.get("engine", {}).get("cylinders", 1)
    nodes: Any = chain.get("node") or ({},) * cylinders
    for name, value in chain.get("signals", {}).items():
        text = signal_text(value)
        users = [node for node in nodes if name not in node.get("signals", {})]
        if text and "{" not in text and len(users) > 1:
            found = f'"{text}" for {len(users)} nodes'
            report(f"chain.signals.{name}", found, "a name with {position} in it, or each node's own signals")


def _nodes(clean: Clean, report: Report) -> None:
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


def _covered(clean: Clean, report: Report) -> None:
    chain, cylinders = clean.get("chain", {}), clean.get("engine", {}).get("cylinders")
    nodes, without = chain.get("node", ()), set(chain.get("without_sensor", ()))
    if not cylinders or any("cylinder" not in node for node in nodes):
        return
    every, where = set(range(1, cylinders + 1)), "chain.without_sensor"
    seen = {cylinder for node in nodes for cylinder in cylinders_of(node)}
    if strangers := sorted(without - every):
        report(where, cylinder_list(strangers), f"cylinders from 1 to {cylinders}")
    if both := sorted(without & seen):
        report(where, f"{cylinder_list(both)}, with a node", "cylinders without a node")
    if without >= every:
        report(where, "every cylinder", "at least one cylinder with a sensor")
    left = sorted(every - seen - without)
    if nodes and left:
        expected = f"a node for each cylinder, or chain.without_sensor = {left}"
        report("chain.node", f"no node for {cylinder_list(left)}", expected)


CHECKS: Final[tuple[Check, ...]] = (
    _bus_names,
    _chain_bus,
    _engine_buses,
    _databases,
    _mapped,
    _patterns,
    _nodes,
    _covered,
)
