"""Every key of the session file as a reference: what it is for, its values, default, readers, and an example.

Range and unit are the schema's, the default is the record's, the readers are found in the code. What a key is
for, and its example, stand in `keys.toml` beside this file; for a limit of an alarm, in its kind.
"""

from __future__ import annotations

import functools
import re
import tomllib
import types
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, Final, Union, get_args, get_origin, get_type_hints

from mixmon.guide.markdown import as_table
from mixmon.session.alarm_kinds import ALARM_KINDS, AlarmKind
from mixmon.session.default_limits import placeholder_rules
from mixmon.session.keys import (
    CHAIN_QUANTITIES,
    CYLINDER_QUANTITIES,
    ENGINE_QUANTITIES,
    SESSION_TABLE,
    Quantity,
)
from mixmon.session.model import Session
from mixmon.session.schema import Either, Table, Tables, ValueKind, one_of, shown

FIELD_OF_KEY: Final = {
    "alarm": "alarms",
    "banks": "banks",
    "bus": "buses",
    "cylinder": "cylinders",
    "database": "databases",
    "lambda": "lam",
    "node": "nodes",
}
"""Keys whose attribute in `session.model` has another name."""

READ_BY_THE_SESSION_ITSELF: Final = {
    "format": "the schema refuses every other number",
    "engine.aspiration": "checked against exhaust.before_turbine",
    "chain.without_sensor": "decides which nodes there are where none is written, and excuses missing ones",
}
"""Keys whose whole effect is in the session's room, and which."""

ANY_NAME: Final = "NAME"
"""Stands for a key that the user names."""

_OWNERS: Final = {
    "alarm": ("rule", "rules", "alarm"),
    "low_flow_mask": ("mask", "low_flow_mask"),
    "validity": ("validity", "rules"),
    "trims": ("trims", "rules"),
}
"""Names under which the code holds a table, where it is not the table's own."""

_PACKAGE: Final = Path(__file__).parents[1]


@dataclass(frozen=True, slots=True)
class KeyEntry:
    """One key.

    path      with its tables, such as `engine.cylinders`
    header    the line above it in the file: `[engine]`, `[[bus]]`; empty at the top
    kind      what its values may be
    about     what it is for
    example   as it is written after its equals sign
    default   what holds without it, in words
    """

    path: str
    header: str
    kind: ValueKind
    about: str
    example: str
    default: str

    @property
    def readers(self) -> tuple[str, ...]:
        """The parts of the program on which its value has an effect."""
        return _readers_of(self.path)

    @property
    def key(self) -> str:
        """The key without its tables."""
        return self.path.rpartition(".")[2]

    @property
    def values(self) -> str:
        """What its values may be, in words."""
        quantity = _quantity_of(self.path)
        if quantity is None:
            return self.kind.expected
        units = one_of(quantity.units).replace('"', "")
        return f"a signal, or a table with signal, scale, offset, points, unit, equals; in {units}"


def key_entries() -> tuple[KeyEntry, ...]:
    """All keys, in the order of the schema; the keys of signals once, under their tables."""
    told = _told_keys()
    return tuple(
        KeyEntry(path, header, kind, *_told_of(path, kind, told), default)
        for path, header, kind, default in _each_key(SESSION_TABLE, "", "", Session)
    )


def _each_key(
    table: Table, path: str, header: str, record: type | None
) -> Iterator[tuple[str, str, ValueKind, str]]:
    """Path, header, kind and default of every key, tables before what is in them."""
    for name, kind in table.keys.items():
        inner = f"{path}.{name}" if path else name
        below = _record_of(record, name)
        found = _table_in(kind)
        if found is not None and found.others is not None and not path and not found.keys:
            yield f"{inner}.{ANY_NAME}", f"[{inner}]", found.others, "none"
        if not (found is not None and not path):  # the tables of the file are headings
            yield inner, header, kind, _default_of(record, name, required=name in table.required)
        if found is not None and found.keys and _quantity_of(inner) is None and not _is_repeated(inner):
            yield from _each_key(found, inner, _header_of(inner, kind, header), below)


def _is_repeated(path: str) -> bool:
    """Whether the keys below are those of another table, which are told there."""
    return path == "chain.node.signals"


def _header_of(path: str, kind: ValueKind, outside: str) -> str:
    """The line above the keys of a table; a small table stands in the line of its key."""
    if isinstance(kind, Tables):
        return f"[[{path}]]"
    return f"[{path}]" if "." not in path or path.endswith("signals") else f"{outside} {path}"


def _table_in(kind: ValueKind) -> Table | None:
    """The table that a value is, or holds many of."""
    match kind:
        case Table():
            return kind
        case Tables(table=inner):
            return inner
        case Either(kinds=kinds):
            return next((one for one in kinds if isinstance(one, Table)), None)
    return None


def _record_of(record: type | None, name: str) -> type | None:
    """The record that a table becomes; None where it becomes a mapping."""
    if record is None:
        return None
    hint = get_type_hints(record).get(FIELD_OF_KEY.get(name, name))
    return next((one for one in _parts_of_hint(hint) if isinstance(one, type) and is_dataclass(one)), None)


def _parts_of_hint(hint: Any) -> Iterator[Any]:
    if get_origin(hint) in {Union, types.UnionType, tuple}:
        for part in get_args(hint):
            yield from _parts_of_hint(part)
    else:
        yield hint


def _default_of(record: type | None, name: str, *, required: bool) -> str:
    """What holds without the key, in words."""
    if required:
        return "required"
    if record is None:
        return "none"
    found = {field.name: field for field in fields(record)}.get(FIELD_OF_KEY.get(name, name))
    if found is None or found.default is MISSING or found.default in (None, ()) or found.default == "":
        return "none"
    return shown(found.default)


def _quantity_of(path: str) -> Quantity | None:
    """The quantity that a signal is mapped for."""
    table, _, name = path.rpartition(".")
    if table == "engine_signals":
        return {**ENGINE_QUANTITIES, **CYLINDER_QUANTITIES}.get(name)
    return CHAIN_QUANTITIES.get(name) if table == "chain.signals" else None


# What keys are for, and their examples.


@functools.cache
def _told_keys() -> Mapping[str, tuple[str, str]]:
    """What `keys.toml` says of each path."""
    raw = tomllib.loads((Path(__file__).parent / "keys.toml").read_text(encoding="utf-8"))
    told: dict[str, tuple[str, str]] = {}
    for name, value in raw.items():
        if isinstance(value, dict):
            told |= {f"{name}.{key}": (about, example) for key, (about, example) in value.items()}
        else:
            told[name] = (value[0], value[1])
    return told


def _told_of(path: str, kind: ValueKind, told: Mapping[str, tuple[str, str]]) -> tuple[str, str]:
    """What a key is for, and its example."""
    if isinstance(kind, AlarmKind):
        limits = {rule.kind: rule.limit for rule in placeholder_rules()}
        key = path.rpartition(".")[2]
        side = "above" if kind.above else "below"
        return f"alarm when {side} this: {kind.words}", f"{limits.get(key, kind.limit.highest):g}"
    return told[path]


def told_but_unknown() -> set[str]:
    """Paths in `keys.toml` that are no keys; empty as long as the file is right."""
    return set(_told_keys()) - {entry.path for entry in key_entries()}


# Who reads a key: the code that takes the attribute of its name.

_OWN_USE: Final = {"grade", "simulate"}
"""Rooms whose reading of a key matters to no user, as long as another reads it."""

_READ_UNDER_ANOTHER_NAME: Final[dict[str, tuple[str, ...]]] = {
    "fuel.parts": ("gas",),
    "fuel.atoms": ("gas",),
    "chain.bus": ("messages",),
    f"channels.{ANY_NAME}": ("alarms", "mixmon export", "rows", "screens"),
    "engine_signals.trim": ("alarms", "identity", "proof"),
    "validity.overrun": ("rows",),
    "trims.identity": ("balance",),
}
"""Keys, with what is in them, whose values the code hands on under other names."""


@functools.cache
def _readers_by_attribute() -> Mapping[str, tuple[tuple[str, str], ...]]:
    """Owner and reader of each attribute that the package takes, and of each quoted word ("" owns it)."""
    found: dict[str, set[tuple[str, str]]] = {}
    pattern = re.compile(r'\b(?=(\w+)\.([a-z_0-9]+)\b(?!\())|"([a-z_]+)"')
    for path in sorted(_PACKAGE.rglob("*.py")):
        parts = path.relative_to(_PACKAGE).with_suffix("").parts
        if parts[0] in {"session", "guide"}:
            continue
        reader = _reader_name(parts)
        for owner, attribute, word in pattern.findall(path.read_text(encoding="utf-8")):
            found.setdefault(attribute or word, set()).add((owner, reader))
    return {name: tuple(sorted(pairs)) for name, pairs in found.items()}


_HELPERS: Final = {
    "live": "mixmon watch",
    "screen": "screens",
    **dict.fromkeys(("options", "output", "runs"), "commands that read logs"),
}
"""Modules beside the commands, and which commands they serve."""


def _reader_name(parts: tuple[str, ...]) -> str:
    """What a person calls a part of the program."""
    room = parts[0]
    if room == "findings":
        return parts[1]
    if room == "cli":
        return _HELPERS.get(parts[1], f"mixmon {parts[1]}")
    return {"dashboard": "screens", "report": "reports", "mixture": "rows", "run": "reading of logs"}.get(
        room, room
    )


def _readers_of(path: str) -> tuple[str, ...]:
    """The parts of the program that read a key; those that name its table first of all."""
    if path in READ_BY_THE_SESSION_ITSELF:
        return (f"the session itself: {READ_BY_THE_SESSION_ITSELF[path]}",)
    table, _, name = path.rpartition(".")
    if path in _READ_UNDER_ANOTHER_NAME or table in _READ_UNDER_ANOTHER_NAME:
        return _READ_UNDER_ANOTHER_NAME.get(path) or _READ_UNDER_ANOTHER_NAME[table]
    if name in ALARM_KINDS:
        return ("alarms", "screens")
    pairs = _readers_by_attribute().get(FIELD_OF_KEY.get(name, name), ())
    if _quantity_of(path) is not None:
        found = {reader for owner, reader in pairs if not owner} | {"alarms"}  # `when` may name every signal
    else:
        last = table.rpartition(".")[2]
        owners = _OWNERS.get(last, (last or "session", FIELD_OF_KEY.get(last, last)))
        found = {reader for owner, reader in pairs if owner in owners}
        if not found and "_" in name:
            found = {reader for owner, reader in pairs if owner}
    return tuple(sorted(found - _OWN_USE or found))


# The reference as Markdown.

EVERYTHING: Final = "all"


def keys_text(part: str | None) -> str:
    """The keys in short; one key, one table, or everything in full.

    part: a path such as `engine.cylinders`, a key, or a table; EVERYTHING; None for the short list.
    """
    entries = key_entries()
    if part is None:
        rows = [[f"`{entry.path}`", entry.about] for entry in entries]
        return (
            "# Keys of the session file\n\n`mixmon guide keys KEY` has values, default, readers, an "
            f"example; KEY may be a table such as `trims`, or `{EVERYTHING}`.\n\n"
            + as_table(["key", "what it is for"], rows)
        )
    chosen = entries if part == EVERYTHING else _chosen_keys(part, entries)
    return "".join(_entry_text(entry) for entry in chosen)


def key_parts() -> list[str]:
    """Everything that can be asked for: tables, paths, keys."""
    paths = [entry.path for entry in key_entries()]
    tables = {path[:i] for path in paths for i, c in enumerate(path) if c == "."}
    return [EVERYTHING, *sorted(tables), *paths, *sorted({path.rpartition(".")[2] for path in paths})]


def _chosen_keys(part: str, entries: tuple[KeyEntry, ...]) -> list[KeyEntry]:
    """A table's keys, else the keys of that name wherever they are."""
    of_table = [entry for entry in entries if entry.path == part or entry.path.startswith(f"{part}.")]
    return of_table or [entry for entry in entries if entry.key == part]


def _entry_text(entry: KeyEntry) -> str:
    heading = f"## {entry.path}\n\n{entry.about[0].upper()}{entry.about[1:]}.\n\n"
    readers = ", ".join(entry.readers) or "none"
    facts = f"- values: {entry.values}\n- default: {entry.default}\n- read by: {readers}\n\n"
    header = f"{entry.header}\n" if entry.header.startswith("[") and " " not in entry.header else ""
    inside = entry.header.partition(" ")[2]
    line = f"{entry.key} = {entry.example}"
    if inside:
        header, line = f"{entry.header.partition(' ')[0]}\n", f"{inside.rpartition('.')[2]} = {{ {line} }}"
    return f"{heading}{facts}```toml\n{header}{line}\n```\n\n"
