"""Whatever stands under whatever key, the reader reports it or takes it; it never breaks."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mixmon.errors import SessionError
from mixmon.session.alarm_kinds import ALARM_KINDS
from mixmon.session.keys import SESSION_TABLE
from mixmon.session.load import load_session, read_session
from mixmon.session.schema import Either, Row, Table, Tables

FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")


def known_paths(kind: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Every path of keys that the file can have."""
    match kind:
        case Table(keys=keys, others=others):
            inside = {**keys, **({"A": others} if others else {})}
            return [path, *(p for k, v in inside.items() for p in known_paths(v, (*path, k)))]
        case Tables(table=table):
            return known_paths(table, (*path, "[]"))
        case Either(kinds=kinds):
            return [p for k in kinds for p in known_paths(k, path)]
        case Row():
            return [path]
    return [path]


PATHS = sorted({p for p in known_paths(SESSION_TABLE) if p})
words = st.sampled_from(
    ["*", "chain", "engine/A.B", "A.B", "Mix{position}.B", "{", "{}", "rpm > 1", "E10", "afr", "phi", "λ"]
)
inner_keys = st.sampled_from(["signal", "unit", "a.b", *ALARM_KINDS])
numbers = st.sampled_from([0, 1, 2, 3, 8, 16, -1, 10**400, 0.9, 1.5, 1e308, float("nan"), float("inf"), -0.0])
leaves = st.one_of(words, numbers, st.booleans(), st.text(max_size=4), st.dates(), st.times())
values = st.recursive(
    leaves,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(inner_keys, inner, max_size=3)),
    max_leaves=8,
)


def put(tree: Any, path: Sequence[str], value: Any) -> Any:
    """The tree with a value at a path ("[]" is the first of a list), whatever stood in the way."""
    if not path:
        return value
    key, *rest = path
    if key == "[]":
        first, *others = tree if isinstance(tree, list) and tree else [None]
        return [put(first, rest, value), *others]
    table = tree if isinstance(tree, dict) else {}
    return {**table, key: put(table.get(key), rest, value)}


def toml(value: Any) -> str:
    """A value as inline TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(c if c.isalnum() or c in " _" else f"\\U{ord(c):08x}" for c in value) + '"'
    return str(value)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(PATHS), values), min_size=1, max_size=8))
def test_no_value_under_a_known_key_breaks_the_reader(tmp_path_factory, changes) -> None:
    tree = tomllib.loads(FULL)
    for path, value in changes:
        tree = put(tree, path, value)
    file = tmp_path_factory.mktemp("any") / "any.toml"
    file.write_text("\n".join(f"{key} = {toml(value)}" for key, value in tree.items()), encoding="utf-8")
    _, mistakes = read_session(file)
    assert all(m.where and m.found and m.expected and "\n" not in str(m) for m in mistakes)
    if mistakes:
        with pytest.raises(SessionError, match=r".+; expected .+"):
            load_session(file)
    else:
        assert load_session(file).path == file
