"""A session as the text of a session file, so that a simulated log can be read like any other."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from typing import Any

from mixmon.session.keys import FORMAT
from mixmon.session.model import Bus, Chain, Node, Session, SignalChoice
from mixmon.simulate.scenario import Scenario

Table = Mapping[str, Any]


def scenario_session(scenario: Scenario, trims: tuple[float, ...] | None = None) -> Session:
    """What the user of the simulated engine declares; `trims` are those that the fuel control holds."""
    if trims is None:
        return scenario.session
    return replace(scenario.session, trims=replace(scenario.session.trims, now_percent=trims))


def session_toml(session: Session) -> str:
    """The session as TOML, from which `session.load` reads the same session again."""
    return "\n".join(_lines(session)) + "\n"


def _lines(session: Session) -> Iterator[str]:
    yield f"format = {FORMAT}"
    if session.name:
        yield f"name = {_value(session.name)}"
    for name in ("engine", "injection", "exhaust", "fuel", "sensors"):
        yield from _table(f"[{name}]", _fields(getattr(session, name)))
    for bus in session.buses:
        yield from _table("[[bus]]", _bus(bus))
    yield from _chain(session.chain)
    yield from _table("[engine_signals]", _signals(session.engine_signals))
    yield from _table("[axes]", _fields(session.axes))
    if session.targets is not None:
        yield from _table("[targets]", {"lambda": session.targets.lam})
    yield from _table("[validity]", _fields(session.validity))
    yield from _table("[trims]", _fields(session.trims))
    yield from _table("[limits]", {"source": session.limits.source})
    for alarm in session.limits.alarms:
        yield from _table("[[limits.alarm]]", _fields(alarm))
    yield from _table("[recording]", _fields(session.recording))


def _table(header: str, table: Table) -> Iterator[str]:
    """A table with what is set in it; nothing of an empty one."""
    lines = [f"{_key(key)} = {_value(value)}" for key, value in table.items() if _is_set(value)]
    if lines:
        yield from ("", header, *lines)


def _fields(record: Any) -> Table:
    return {} if record is None else asdict(record)


def _is_set(value: Any) -> bool:
    return value is not None and value not in ("", (), {})


def _bus(bus: Bus) -> Table:
    fields = {key: value for key, value in asdict(bus).items() if not key.endswith("databases")}
    return {**fields, "database": list(bus.databases) if bus.further_databases else bus.database}


def _chain(chain: Chain) -> Iterator[str]:
    yield from _table("[chain]", {"bus": chain.bus})
    yield from _table("[chain.signals]", _signals(chain.signals, chain=True))
    for node in chain.nodes:
        yield from _table("[[chain.node]]", _node(node))


def _node(node: Node) -> Table:
    cylinders = node.cylinders
    return {
        "position": node.position,
        "cylinder": cylinders[0] if len(cylinders) == 1 else cylinders,
        "sensor": node.sensor,
        "signals": _signals(node.signals, chain=True),
    }


def _signals(choices: Mapping[str, SignalChoice], *, chain: bool = False) -> Table:
    """The choices by quantity; those of the chain do not name their bus."""
    return {name: _choice(choice, chain=chain) for name, choice in choices.items()}


def _choice(choice: SignalChoice, *, chain: bool) -> Table | str:
    name = f"{choice.message}.{choice.signal}"
    name = name if chain else f"{choice.bus}/{name}"
    table: dict[str, Any] = {"signal": name}
    table |= {} if choice.scale == 1.0 else {"scale": choice.scale}
    table |= {} if choice.offset == 0.0 else {"offset": choice.offset}
    table |= {} if choice.unit is None else {"unit": choice.unit}
    table |= {} if choice.equals is None else {"equals": choice.equals}
    return name if len(table) == 1 else table


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key, ensure_ascii=False)


def _value(value: Any) -> str:
    """A value as TOML writes it. JSON's strings are TOML's, as long as no character is left out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items() if _is_set(item))
        return f"{{ {inner} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)
