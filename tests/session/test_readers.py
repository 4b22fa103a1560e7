"""Every key of the session file has an effect: something outside the session's room reads it.

The keys are those of the schema. A key is read where the package takes an attribute of its name, so a
common name (`name`, `unit`) proves little; the keys that once had no effect have names of their own.
"""

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

import pytest

import mixmon
from mixmon.guide.keys import FIELD_OF_KEY, READ_BY_THE_SESSION_ITSELF
from mixmon.session.alarm_kinds import ALARM_KINDS
from mixmon.session.keys import CHAIN_QUANTITIES, CYLINDER_QUANTITIES, ENGINE_QUANTITIES, SESSION_TABLE
from mixmon.session.schema import Either, Row, Table, Tables

ROOT = Path(mixmon.__file__).parent


def keys_of(kind: object, way: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    match kind:
        case Table(keys=keys):
            for name, inner in keys.items():
                yield (*way, name)
                yield from keys_of(inner, (*way, name))
        case Tables(table=inner) | Row(of=inner):
            yield from keys_of(inner, way)
        case Either(kinds=kinds):
            for one in kinds:
                yield from keys_of(one, way)


def is_of_a_signal(way: tuple[str, ...]) -> bool:
    """Signals are read by their names, which tables of the code hold, and alarm limits by their kinds."""
    return way[-1] in ALARM_KINDS or (
        bool({*way[-2:]} & {*CHAIN_QUANTITIES, *ENGINE_QUANTITIES, *CYLINDER_QUANTITIES})
        and "signals" in "".join(way)
    )


KEYS = sorted({".".join(way) for way in keys_of(SESSION_TABLE) if not is_of_a_signal(way)})


@functools.cache
def texts() -> dict[str, str]:
    """Modules outside the session's room, the short ones first."""
    found = {path.relative_to(ROOT): path.read_text("utf-8") for path in ROOT.rglob("*.py")}
    outside = {
        module.as_posix(): text
        for module, text in found.items()
        if module.parts[0] not in {"session", "guide"}
    }
    return dict(sorted(outside.items(), key=lambda item: (len(item[1]), item[0])))


@functools.cache
def attributes_read(module: str) -> set[str]:
    """The attributes that a module reads."""
    nodes = ast.walk(ast.parse(texts()[module]))
    return {node.attr for node in nodes if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Load)}


def is_read(name: str, module: str) -> bool:
    """Whether the module reads an attribute of the name; only one that has the word is parsed."""
    return f".{name}" in texts()[module] and name in attributes_read(module)


@pytest.mark.parametrize("key", KEYS)
def test_every_key_is_read_by_something(key: str) -> None:
    name = key.rsplit(".", maxsplit=1)[-1]
    if key in READ_BY_THE_SESSION_ITSELF:
        assert f'"{name}"' in "".join(path.read_text("utf-8") for path in (ROOT / "session").glob("*.py"))
    else:
        attribute = FIELD_OF_KEY.get(name, name)
        assert any(is_read(attribute, module) for module in texts()), (
            f"{key} is read by nothing outside mixmon/session"
        )


def test_the_keys_are_those_of_the_file() -> None:
    assert {"engine.throttles", "exhaust.after_merge", "limits.alarm.cause", "bus.role"} <= set(KEYS)
    assert set(READ_BY_THE_SESSION_ITSELF) <= set(KEYS)


@pytest.mark.parametrize(
    ("key", "module"),
    [
        ("throttles", "messages/cautions.py"),
        ("sensor_angle_deg", "messages/cautions.py"),
        ("leaded", "messages/cautions.py"),
        ("after_merge", "findings/balance/trims.py"),
        ("timing", "findings/balance/trims.py"),
        ("firing_angles_deg", "simulate/world.py"),
        ("firing_angles_deg", "messages/cautions.py"),
        ("target_offset_percent", "mixture/layout.py"),
        ("staging", "findings/balance/balance.py"),
    ],
)
def test_the_readers_of_keys_that_once_had_no_effect(key: str, module: str) -> None:
    assert is_read(key, module)
