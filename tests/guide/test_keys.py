"""The reference of the session's keys: every key is told, and what is told of it is true."""

import tomllib

import pytest

from mixmon.guide.keys import EVERYTHING, KeyEntry, key_entries, keys_text, told_but_unknown
from mixmon.session.keys import CHAIN_QUANTITIES, CYLINDER_QUANTITIES, ENGINE_QUANTITIES, read_choice
from mixmon.session.schema import MistakeReport
from mixmon.session.when import parse

ENTRIES = {entry.path: entry for entry in key_entries()}


@pytest.mark.parametrize("entry", ENTRIES.values(), ids=lambda entry: entry.path)
def test_an_example_is_a_value_that_the_key_takes(entry: KeyEntry) -> None:
    report = MistakeReport()
    value = entry.kind.read(tomllib.loads(f"x = {entry.example}")["x"], entry.path, report)
    table, _, name = entry.path.rpartition(".")
    of_node = table == "chain.signals"
    quantity = ({**CHAIN_QUANTITIES} if of_node else {**ENGINE_QUANTITIES, **CYLINDER_QUANTITIES}).get(name)
    if quantity and (of_node or table == "engine_signals"):
        assert read_choice(value, quantity, entry.path, report, "chain" if of_node else None)
    if name in {"when", "suppress_when"}:
        parse(value)
    assert [m for m in report.mistakes if m.found != "missing"] == []
    assert entry.about
    assert entry.readers


def test_nothing_is_told_of_a_key_that_is_not_there() -> None:
    assert told_but_unknown() == set()


@pytest.mark.parametrize(
    ("path", "default", "reader", "values"),
    [
        ("engine.cylinders", "required", "balance", "a whole number from 1 to 16"),
        ("engine.strokes", "4", "rows", "a whole number from 2 to 4"),
        ("validity.rich_limit", "0.65", "rows", "a number from 0.3 to 10 lambda"),
        ("bus.role", '"listen"', "frames", '"acknowledge" or "listen"'),
        ("trims.step_percent", "0.5", "balance", "a number above 0, at most 10 %"),
        ("limits.alarm.dead_band", "0", "alarms", "a number from 0 to 100"),
        ("exhaust.after_merge", "false", "balance", "true or false"),
        ("chain.node.sensor", "none", "ledger", "the sensor's serial number, as one line of text"),
        (
            "engine_signals.target",
            "none",
            "rows",
            "a signal, or a table with signal, scale, offset, points, unit, equals; in lambda, phi or afr",
        ),
    ],
)
def test_default_reader_and_values_of_a_key(path: str, default: str, reader: str, values: str) -> None:
    entry = ENTRIES[path]
    assert (entry.default, entry.values) == (default, values)
    assert reader in entry.readers


def test_the_whole_reference_has_every_key_and_an_example_that_is_toml() -> None:
    text = keys_text(EVERYTHING)
    for path, entry in ENTRIES.items():
        assert f"## {path}\n" in text
        assert f"{entry.key} = {entry.example}" in text
    for part in text.split("```toml\n")[1:]:
        tomllib.loads(part.partition("```")[0])
