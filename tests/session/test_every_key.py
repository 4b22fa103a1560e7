"""Every key with a wrong type, out of its range and misspelt: one line, with its name and line number."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from mixmon.errors import Mistake
from mixmon.session.keys import CHAIN_QUANTITIES, ENGINE_QUANTITIES, SESSION_TABLE
from mixmon.session.load import read_session
from mixmon.session.schema import BOUND, Either, Number, Row, Table, Tables, ValueKind

FULL = tomllib.loads((Path(__file__).parent / "full.toml").read_text(encoding="utf-8"))
STRANGE = [True, "word", 3.5, [[True]], {"x": 1}, dt.date(2020, 2, 2)]

Way = tuple[str, ...]


def keys_of(kind: Any, way: Way = ()) -> Iterator[tuple[Way, ValueKind, bool]]:
    """Every key below a kind, its own kind, and whether its table knows all keys; "[]": first of a list."""
    match kind:
        case Table(keys=keys, others=others):
            for name, inner in {**keys, **({"A": others} if others else {})}.items():
                yield (*way, name), inner, others is None
                yield from keys_of(inner, (*way, name))
        case Tables(table=table):
            yield from keys_of(table, (*way, "[]"))
        case Either(kinds=kinds):
            for one in kinds:
                yield from keys_of(one, way)


def worth_a_look(way: Way) -> bool:
    """All signals are written alike: a number and a claim stand for the others."""
    return way[-2:-1] in {("lambda",), ("fuel_cut",)} or not {*way[-2:-1]} & {
        *CHAIN_QUANTITIES,
        *ENGINE_QUANTITIES,
    }


KEYS = {
    ".".join(way): (way, kind, closed) for way, kind, closed in keys_of(SESSION_TABLE) if worth_a_look(way)
}


def put(tree: Any, way: Way, value: Any) -> Any:
    """The tree with a value at a way, whatever stood in it."""
    if not way:
        return value
    key, *rest = way
    if key == "[]":
        first, *others = tree if isinstance(tree, list) and tree else [{}]
        return [put(first, tuple(rest), value), *others]
    table = tree if isinstance(tree, dict) else {}
    return {**table, key: put(table.get(key), tuple(rest), value)}


def inline(value: Any) -> str:
    """A value on one line of TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {inline(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(inline, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


class Written:
    """A tree as TOML, a key a line, and the line on which each key stands."""

    def __init__(self, tree: dict[str, Any]) -> None:
        self.text: list[str] = []
        self.lines: dict[Way, int] = {}
        self._table(tree, "", ())

    def _table(self, table: dict[str, Any], name: str, way: Way) -> None:
        deep = {k: v for k, v in table.items() if isinstance(v, dict) or _tables(v)}
        for key in table.keys() - deep.keys():
            self._line(f"{key} = {inline(table[key])}", (*way, key))
        for key, value in deep.items():
            inner = f"{name}.{key}" if name else key
            for i, one in enumerate(value if isinstance(value, list) else [value]):
                listed = isinstance(value, list)
                place = ("[]" if i == 0 else f"[{i}]",) if listed else ()
                self._line(f"[[{inner}]]" if listed else f"[{inner}]", (*way, key))
                self._table(one, inner, (*way, key, *place))

    def _line(self, text: str, way: Way) -> None:
        self.text.append(text)
        self.lines.setdefault(way, len(self.text))


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(item, dict) for item in value)


def mistakes_of(folder: Path, way: Way, value: Any, *, instead: bool = False) -> tuple[list[Mistake], int]:
    """Every mistake of a file with that value at that way, and the line on which it stands.

    The file is the full one for a misspelt key. For a value it is its table alone, which is quicker to
    read; what is missing then is told with other names.

    instead: of the key that `way` misspells by its last letter.
    """
    tree = put(FULL if instead else {way[0]: FULL.get(way[0], {})}, way, value)
    if instead:
        tree = without(tree, (*way[:-1], way[-1][:-1]))
    written = Written(tree)
    file = folder / "session.toml"
    file.write_text("\n".join(written.text) + "\n", encoding="utf-8")
    _, mistakes = read_session(file)
    for mistake in mistakes:
        assert "\n" not in str(mistake)
        assert mistake.where
        assert mistake.found
        assert mistake.expected
    return mistakes, written.lines[way]


def without(tree: Any, way: Way) -> Any:
    """The tree without one key."""
    key, *rest = way
    if key == "[]":
        return [without(tree[0], tuple(rest)), *tree[1:]]
    if not rest:
        return {k: v for k, v in tree.items() if k != key}
    return {**tree, key: without(tree[key], tuple(rest))} if key in tree else tree


def about(way: Way, mistakes: list[Mistake], line: int) -> list[Mistake]:
    """The mistakes that name the key, or something inside it, and its line."""
    name = ""
    for part in way:
        name += "[1]" if part == "[]" else f".{part}" if name else part
    return [
        m
        for m in mistakes
        if m.line == line and (m.where == name or m.where.startswith((f"{name}.", f"{name}[")))
    ]


@pytest.mark.parametrize("name", KEYS)
def test_a_value_of_the_wrong_type(tmp_path: Path, name: str) -> None:
    way, kind, _ = KEYS[name]
    for value in (one for one in STRANGE if not kind.takes(one)):
        found = about(way, *mistakes_of(tmp_path, way, value))
        assert len(found) == 1, value
        assert str(found[0]).count(f"(line {found[0].line})") == 1


def ranges(kind: ValueKind, wrap: Any = lambda value: value) -> Iterator[Any]:
    """Values of the right type beyond the range."""
    match kind:
        case Number(lowest=lowest, highest=highest, above=above):
            beyond = [] if lowest == -BOUND else [lowest if above else lowest - 1]
            yield from (wrap(value) for value in [*beyond, *([] if highest == BOUND else [highest + 1])])
            yield from (wrap(value) for value in [float("nan"), float("inf"), 10**400])
            if kind.whole:
                yield wrap(lowest + 0.5)
        case Row(of=of):
            yield from ranges(of, lambda value: wrap([value]))
            yield wrap([])
        case Either(kinds=kinds):
            for one in kinds:
                yield from ranges(one, wrap)


RANGED = [name for name, (_, kind, _) in KEYS.items() if any(True for _ in ranges(kind))]


@pytest.mark.parametrize("name", RANGED)
def test_a_value_out_of_range(tmp_path: Path, name: str) -> None:
    way, kind, _ = KEYS[name]
    for value in ranges(kind):
        found = about(way, *mistakes_of(tmp_path, way, value))
        assert found, value
        assert "expected" in str(found[0])


@pytest.mark.parametrize("name", [name for name, (_, _, closed) in KEYS.items() if closed])
def test_a_key_misspelt_by_a_letter(tmp_path: Path, name: str) -> None:
    way = KEYS[name][0]
    value = FULL
    for part in way:
        if isinstance(value, list):
            value = value[0]
        value = value.get(part, {}) if isinstance(value, dict) and part != "[]" else value
    misspelt = (*way[:-1], f"{way[-1]}q")
    mistakes, line = mistakes_of(tmp_path, misspelt, value, instead=True)
    [found] = about(misspelt, mistakes, line)
    assert (found.found, found.line) == ("unknown key", line)
    assert way[-1] in found.expected


def test_the_keys_are_those_of_the_file() -> None:
    assert {"engine.cylinders", "bus.[].database", "chain.node.[].signals.lambda.scale"} <= KEYS.keys()
    assert {"sensors.curve", "limits.alarm.[].dead_band", "engine_signals.fuel_cut.equals"} <= KEYS.keys()
    assert len(KEYS) > 130
