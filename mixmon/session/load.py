"""TOML to Session; every mistake reported at once, each with its key and what was expected.

Three passes over the file: each value by itself (`schema`, with the table in `keys`), then what the keys ask
of one another (`checks`), then the records (`build`). A value that a pass has reported is left out of the
next, so that one mistake is reported once.

What the file may omit:

- `[[bus]]` altogether: one bus, named as `chain.bus` says (or "chain"), on whatever channel the
  log has, with the chain's own message definitions;
- `chain.bus`, where one bus is declared;
- `[chain.signals]` and the chain's `database`, with the chain's own message definitions;
- `[[chain.node]]`: node i of the chain is then cylinder i.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import fsum
from pathlib import Path
from typing import Any, TypeVar

from mixmon.errors import Mistake, SessionError, SourceError, check_path, reason_of
from mixmon.session import checks, keys, model
from mixmon.session.alarm_kinds import ALARM_KINDS
from mixmon.session.entered import load_entries
from mixmon.session.evidence import load_evidence
from mixmon.session.keys import SESSION_TABLE
from mixmon.session.model import Session
from mixmon.session.schema import (
    UNKNOWN_KEY,
    Clean,
    MistakeReport,
    chain_bus,
    cylinders_of,
    key_lines,
    line_of,
    own_signals,
    shown,
)

# ----------------------------------------------------------------------------------------------------
# From clean tables to the frozen records of `session.model`.
# ----------------------------------------------------------------------------------------------------


_Kept = TypeVar("_Kept")
"""What lies beside a session file."""


def build(clean: Clean, path: Path, report: MistakeReport) -> model.Session | None:
    """The session, as far as the clean tables go; None without cylinders or a chain.

    Signals are read here, so that a badly written one is reported and left out. Keys that a mistake has
    removed have their defaults: a session may only be used when nothing was reported, but message
    definitions can be checked against a partial one.
    """
    engine, chain = clean.get("engine", {}), clean.get("chain")
    engine_signals, channels = _read_engine_signals(clean, report), _read_channels(clean, report)
    cylinders, bus = engine.get("cylinders"), chain_bus(clean)
    if chain is None or cylinders is None or bus is None:
        return None
    return model.Session(
        engine=model.Engine(**engine),
        chain=_build_chain(chain, cylinders, bus, report),
        buses=_build_buses(clean, bus),
        name=clean.get("name", ""),
        path=path,
        injection=_build_injection(clean.get("injection", {})),
        exhaust=_build_exhaust(clean.get("exhaust", {}), cylinders),
        fuel=build_fuel(clean.get("fuel")),
        sensors=model.Sensors(**clean["sensors"]) if clean.get("sensors") else None,
        engine_signals=engine_signals,
        channels=channels,
        axes=model.Axes(**clean.get("axes", {})),
        targets=model.Targets(clean["targets"]["lambda"]) if clean.get("targets") else None,
        validity=_build_validity(clean.get("validity", {})),
        trims=model.Trims(**clean.get("trims", {})),
        limits=_build_limits(clean.get("limits", {})),
        recording=model.Recording(**clean.get("recording", {})),
    )


def _build_buses(clean: Clean, chain: str) -> tuple[model.Bus, ...]:
    """The declared buses; without any, the chain's on whatever channel, with its own definitions."""
    buses = [_build_bus(bus) for bus in clean.get("bus", ()) if "name" in bus] or [model.Bus(chain)]
    if own_signals(clean["chain"]):
        return tuple(buses)
    return tuple(
        replace(bus, database=keys.SHIPPED_DATABASE) if bus.name == chain and bus.database is None else bus
        for bus in buses
    )


def _build_bus(bus: Clean) -> model.Bus:
    written = bus.get("database", ())
    databases = written if isinstance(written, tuple) else (written,)
    first = databases[0] if databases else None
    return model.Bus(**{**bus, "database": first, "further_databases": databases[1:]})


def _build_chain(chain: Clean, cylinders: int, bus: str, report: MistakeReport) -> model.Chain:
    without = chain.get("without_sensor", ())
    default = tuple(model.Node(c, (c,)) for c in range(1, cylinders + 1) if c not in without)
    patterns = chain.get("signals", {}) if own_signals(chain) else keys.SHIPPED_PATTERNS
    read = _read_chain_signals(patterns, "chain.signals", bus, report)
    return model.Chain(bus, read, _build_nodes(chain.get("node", ()), bus, report) or default)


def _build_nodes(written: Sequence[Clean], bus: str, report: MistakeReport) -> tuple[model.Node, ...]:
    """The usable nodes. If some are not, none keeps signals of its own: their numbers would be wrong."""
    own = [
        _read_chain_signals(node.get("signals", {}), f"chain.node[{i}].signals", bus, report)
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


def _read_chain_signals(
    written: Clean, where: str, bus: str, report: MistakeReport
) -> dict[str, model.SignalChoice]:
    read = {
        name: keys.read_choice(value, keys.CHAIN_QUANTITIES[name], f"{where}.{name}", report, bus)
        for name, value in written.items()
    }
    return {name: choice for name, choice in read.items() if choice is not None}


def _read_engine_signals(clean: Clean, report: MistakeReport) -> dict[str, model.SignalChoice]:
    quantities = keys.ENGINE_QUANTITIES | keys.CYLINDER_QUANTITIES
    read = {
        name: keys.read_choice(value, quantities[name], f"engine_signals.{name}", report)
        for name, value in clean.get("engine_signals", {}).items()
    }
    return {name: choice for name, choice in read.items() if choice is not None}


def _read_channels(clean: Clean, report: MistakeReport) -> dict[str, model.OwnChannel]:
    read = {
        name: keys.read_channel(value, f"channels.{name}", report)
        for name, value in clean.get("channels", {}).items()
    }
    return {name: channel for name, channel in read.items() if channel is not None}


def _build_injection(injection: Clean) -> model.Injection:
    staging = injection.get("staging")
    return model.Injection(**{**injection, "staging": model.Staging(**staging) if staging else None})


def _build_exhaust(exhaust: Clean, cylinders: int) -> model.Exhaust:
    distance = exhaust.get("sensor_distance_mm")
    each = (distance,) * cylinders if isinstance(distance, float) else distance
    return model.Exhaust(**{**exhaust, "sensor_distance_mm": each})


def build_fuel(fuel: Clean | None) -> model.DeclaredFuel | None:
    """The fuel, its parts scaled to a sum of exactly 1; None where none is declared."""
    if fuel is None:
        return None
    parts = fuel.get("parts", {})
    total = fsum(parts.values()) or 1.0
    return model.DeclaredFuel(**{**fuel, "parts": {name: part / total for name, part in parts.items()}})


def _build_validity(validity: Clean) -> model.Validity:
    nested: dict[str, Any] = {}
    for key, record in (("low_flow_mask", model.LowFlowMask), ("overrun", model.Overrun)):
        table = validity.get(key, {})
        nested[key] = record(**table) if len(table) == len(record.__slots__) else None
    return model.Validity(**{**validity, **nested})


def _build_limits(limits: Clean) -> model.Limits:
    rules = tuple(rule for alarm in limits.get("alarm", ()) if (rule := _build_alarm_rule(alarm)) is not None)
    return model.Limits(limits.get("source"), rules)


def _build_alarm_rule(alarm: Clean) -> model.AlarmRule | None:
    """The rule; None where name or priority is missing, or the limit is not one."""
    kinds = [key for key in ALARM_KINDS if key in alarm]
    if "name" not in alarm or "priority" not in alarm or len(kinds) != 1:
        return None
    others = {key: value for key, value in alarm.items() if key not in ALARM_KINDS}
    return model.AlarmRule(kind=kinds[0], limit=alarm[kinds[0]], **others)


# ----------------------------------------------------------------------------------------------------
# From the file to the session.
# ----------------------------------------------------------------------------------------------------

_CHECKS_BETWEEN_KEYS = (*checks.ENGINE_CHECKS, *checks.CHAIN_CHECKS, *checks.LIMIT_CHECKS)
_MOST_PLACES = 3
"""Places that a mistake lists. Our choice: a name that stands in more tables says little."""

_PLACE_OF_ERROR = re.compile(
    r" \(at (?:line (?P<line>\d+), column (?P<column>\d+)|(?P<end>end of document))\)$"
)


def load_session(path: Path | str) -> Session:
    """The session that a file describes.

    >>> load_session("examples/alder8.toml").engine.firing_order
    (1, 5, 3, 7, 4, 8, 2, 6)

    Args:
        path: of a session file (TOML).

    Raises:
        SessionError: the file has mistakes; all of them are in it.
        SourceError: the file cannot be read.
        UsageError: it is no name of a file.
    """
    check_path(path, "load_session", "a session file")
    session, mistakes = read_session(path)
    if session is None or mistakes:
        raise SessionError(str(path), mistakes)
    return session


def read_session(path: Path | str) -> tuple[Session | None, list[Mistake]]:
    """The session as far as it could be understood, and every mistake, in file order.

    The session may only be used when there are no mistakes; a partial one serves to look for more of them.
    It is None where cylinders or chain are not known.

    Raises:
        SourceError: the file cannot be read.
    """
    path = Path(path)
    text = read_text(path)
    raw = parse_toml(text)
    if isinstance(raw, Mistake):
        return None, [raw]
    report = MistakeReport()
    clean = SESSION_TABLE.read(raw, "", report)
    report.mistakes = [_with_place(mistake) for mistake in report.mistakes]
    for check in _CHECKS_BETWEEN_KEYS:
        check(clean, report)
    session = build(clean, path, report)
    if session is not None:
        evidence = _load_beside(path, report, load_evidence)
        session = replace(session, identity=evidence, entries=_load_beside(path, report, load_entries) or ())
    return session, placed(report.mistakes, text)


def _load_beside(path: Path, report: MistakeReport, load: Callable[[Path], _Kept]) -> _Kept | None:
    """What is kept beside a session file; None after a report."""
    try:
        return load(path)
    except SourceError as error:
        where, _, said = str(error).partition(": ")
        found, _, expected = said.partition("; expected ")
        report(Path(where).name, found, expected)
        return None


def _with_place(mistake: Mistake) -> Mistake:
    """A mistake; that of a key in the wrong table says where the key belongs."""
    places = keys.places_of(mistake.where.rpartition(".")[2]) if mistake.found == UNKNOWN_KEY else ()
    if not places or len(places) > _MOST_PLACES:
        return mistake
    return replace(mistake, expected=f"it as {' or '.join(places)}")


def placed(mistakes: list[Mistake], text: str) -> list[Mistake]:
    """The mistakes with their lines in the file's text, in file order."""
    if not mistakes:
        return []  # finding the lines takes as long as reading the rest of a session
    lines = key_lines(text)
    found = [Mistake(m.where, m.found, m.expected, line_of(m.where, lines)) for m in mistakes]
    return sorted(found, key=lambda mistake: mistake.line or 0)


def read_text(path: Path, what: str = "a session file") -> str:
    """The file's text; a byte order mark, as some editors write it, is no part of it.

    what: that the file should be, for the error text.

    Raises:
        SourceError: there is no such file, it cannot be read, or it is not text.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"byte {error.start + 1} is not text"
        raise SourceError(f"{path}: {found}; expected {what}, TOML in UTF-8; save it as such") from None
    except (OSError, ValueError) as error:
        raise SourceError(f"{path}: {reason_of(error)}; expected {what}; check the path") from None


def parse_toml(text: str) -> dict[str, Any] | Mistake:
    """The tables of a file as written; the mistake that makes it no TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return _syntax_mistake(str(error), text)
    except RecursionError:
        return Mistake("the file", "brackets nested too deeply", "plain tables, lists and values")
    except ValueError as error:  # a number with thousands of digits
        return Mistake("the file", str(error), "shorter numbers")


def _syntax_mistake(message: str, text: str) -> Mistake:
    """The parser's message as a mistake, with its place and the line."""
    lines = text.splitlines() or [""]
    place = _PLACE_OF_ERROR.search(message)
    line = int(place["line"]) if place and place["line"] else len(lines)
    column = f", column {place['column']}" if place and place["column"] else ""
    what = _PLACE_OF_ERROR.sub("", message)
    found = f"{what[:1].lower()}{what[1:]}, in {shown(lines[min(line, len(lines)) - 1].strip())}"
    return Mistake(f"line {line}{column}", found, "TOML: key = value, text in quotes, each key once")
