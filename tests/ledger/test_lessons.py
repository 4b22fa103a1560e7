"""What a log teaches of its sensors, against the frames of the log as cantools decodes them."""

from __future__ import annotations

import functools
import gzip
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cantools
import pytest

import mixmon
from mixmon.errors import UsageError
from mixmon.findings.events.event import Event, Kind
from mixmon.ledger.entries import EntryKind, HarmfulEvent
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.lessons import enter_run, find_lost_supplies
from mixmon.ledger.notes import LedgerNote
from mixmon.ledger.standing import SensorRecord, records
from mixmon.run import Run, review_response
from mixmon.session.model import Session

ROOT = Path(__file__).parents[2]
LOG = ROOT / "examples" / "alder8_short.log.gz"
READY = 3


@functools.cache
def session() -> Session:
    return mixmon.load_session(ROOT / "examples" / "alder8.toml")


@pytest.fixture
def part(tmp_path: Path) -> Path:
    """The first frames of the log, unpacked."""
    path = tmp_path / "part.log"
    path.write_bytes(b"".join(gzip.decompress(LOG.read_bytes()).splitlines(keepends=True)[:12_000]))
    return path


def run(log: Path = LOG, of: Session | None = None) -> Run:
    return mixmon.read_run(of or session(), log)


@functools.cache
def taught() -> dict[str, SensorRecord]:
    with Ledger(":memory:") as ledger:
        enter_run(ledger, run())
        return {one.serial: one for one in records(ledger.entries())}


@functools.cache
def ready_seconds() -> Counter[int]:
    """Seconds of each position in which its own frames say that it is ready, one frame for 10 ms."""
    definitions = cantools.database.load_file(ROOT / "dbc" / "mixture_chain.dbc")
    fast = {message.frame_id: message for message in definitions.messages if message.name.endswith("_Fast")}
    seconds: Counter[int] = Counter()
    for line in gzip.decompress(LOG.read_bytes()).decode().splitlines():
        _, _, (identifier, data) = *line.split()[:2], line.split()[2].split("#")
        message = fast.get(int(identifier, 16)) if len(identifier) == 3 else None
        if message and message.decode(bytes.fromhex(data), decode_choices=False)["State"] == READY:
            seconds[int(re.findall(r"\d+", message.name)[0])] += 0.01
    return seconds


def test_hours_are_those_of_the_frames_that_say_ready():
    for node in session().chain.nodes:
        hot_s = taught()[node.sensor].runs[0].hot_s
        assert hot_s == pytest.approx(ready_seconds()[node.position], abs=0.3), node.sensor


def test_response_air_and_warm_up_are_those_of_the_response_review():
    for one in review_response(run().binding, run()).sensors:
        (found,) = taught()[one.sensor].runs
        lean = None if found.lean is None else found.lean.value
        assert lean == (one.lean.t63_s if one.lean.cuts + one.lean.steps else None)
        assert found.warm_up_s == (one.warm_up_s if one.warm_up_s == one.warm_up_s else None)
        off = None if found.air_off is None else found.air_off.value
        assert off == (one.air_to_peers_percent if one.air_percent == one.air_percent else None)


def test_the_planted_faults_are_in_it():
    """By the scenario of the log: S-088 is slow, and node 8 loses its supply at full speed."""
    slow = [serial for serial, one in taught().items() if LedgerNote.SLOWER_THAN_CLASS in codes(one)]
    assert slow == ["S-088"]
    harms = {serial: [harm.what for harm in one.harms] for serial, one in taught().items() if one.harms}
    assert harms == {"S-108": [HarmfulEvent.SUPPLY_LOST_HOT]}
    assert taught()["S-108"].heater_cycles == 2


@pytest.mark.parametrize(
    ("kind", "rpm", "harms"),
    [
        (Kind.NODE_RESET, 5800.0, 1),
        (Kind.NODE_RESET, 0.0, 0),
        (Kind.NODE_RESET, float("nan"), 0),
        (Kind.NODE_SILENT, 5800.0, 0),
        (Kind.SENSOR_DROP_OUT, 5800.0, 0),
    ],
    ids=["started again", "engine stands", "speed not known", "off the bus", "no value"],
)
def test_supply_was_lost_where_a_controller_starts_again_while_the_engine_runs(kind, rpm, harms):
    event = Event(5, kind, (7,), (8,), False, 0.0, 6, rpm, 100.0, {"supply_v": 11.2})
    found = list(find_lost_supplies([event]))
    assert [(harm.what, harm.node, harm.t) for harm in found] == [
        (HarmfulEvent.SUPPLY_LOST_HOT, 7, 5)
    ] * harms


def codes(one: SensorRecord) -> list[str]:
    return [flag.code for flag in one.flags]


def test_a_log_teaches_once_however_it_is_packed(tmp_path, part):
    packed = tmp_path / "packed.log.gz"
    packed.write_bytes(gzip.compress(part.read_bytes()))
    with Ledger(tmp_path / "ledger") as ledger:
        first = enter_run(ledger, run(part))
        again = enter_run(ledger, run(packed))
        assert len(first.entries) == len(ledger.entries()) > 8
        assert (again.entries, again.log) == ((), first.log)
        assert [note.code for note in again.notes] == [LedgerNote.ALREADY_ENTERED]


def test_a_corrected_serial_is_taught_by_the_same_log(tmp_path, part):
    nodes = list(session().chain.nodes)
    nodes[4] = replace(nodes[4], sensor="S-105")
    corrected = replace(session(), chain=replace(session().chain, nodes=tuple(nodes)))
    with Ledger(tmp_path / "ledger") as ledger:
        enter_run(ledger, run(part))
        lesson = enter_run(ledger, run(part, corrected))
        assert {entry.serial for entry in lesson.entries} == {"S-105"}


def test_a_part_of_a_log_is_a_copy_and_not_entered(tmp_path, part):
    with Ledger(tmp_path / "ledger") as ledger:
        enter_run(ledger, run())
        lesson = enter_run(ledger, run(part))
        assert lesson.entries == ()
        assert [note.code for note in lesson.notes] == [LedgerNote.OVERLAPS]


def test_the_same_time_in_another_place_is_entered_and_told(tmp_path, part):
    with Ledger(tmp_path / "ledger") as ledger:
        enter_run(ledger, run(part))
        part.write_bytes(part.read_bytes()[: -len(part.read_bytes()) // 4])
        assert enter_run(ledger, run(part, replace(session(), name="another engine"))).entries
        assert all(LedgerNote.TWO_PLACES_AT_ONCE in codes(one) for one in records(ledger.entries()))


def test_one_serial_on_two_nodes_and_none_on_another(tmp_path, part):
    nodes = list(session().chain.nodes)
    nodes[1] = replace(nodes[1], sensor="S-101")
    nodes[2] = replace(nodes[2], sensor=None)
    odd = replace(session(), chain=replace(session().chain, nodes=tuple(nodes)), fuel=None)
    with Ledger(tmp_path / "ledger") as ledger:
        lesson = enter_run(ledger, run(part, odd))
        assert set(ledger.serials()) == {"S-104", "S-088", "S-106", "S-107", "S-108"}
        assert {note.code for note in lesson.notes} == {
            LedgerNote.NO_SERIAL,
            LedgerNote.TWO_NODES,
            LedgerNote.NOT_KNOWN_WITHOUT,
        }
        facts = [entry.fact.facts for entry in lesson.entries if entry.kind is EntryKind.RUN]
        assert {fact["leaded"] for fact in facts} == {None}


def test_a_chain_with_lambda_alone_teaches_little_and_says_what_is_missing():
    other = mixmon.load_session(ROOT / "examples" / "foreign.toml")
    nodes = tuple(
        replace(node, sensor=f"F-{node.position}", signals={"lambda": node.signals["lambda"]})
        for node in other.chain.nodes
    )
    named = replace(other, chain=replace(other.chain, nodes=nodes))
    with Ledger(":memory:") as ledger:
        lesson = enter_run(ledger, run(ROOT / "examples" / "foreign.log.gz", named))
        found = records(ledger.entries())
    missing = {
        dict(note.values)["fact"] for note in lesson.notes if note.code is LedgerNote.NOT_KNOWN_WITHOUT
    }
    assert "hours hot and heater cycles" in missing
    assert "over-temperature" in missing
    assert all(one.runs[0].hot_s is None and one.heater_cycles is None for one in found)
    assert all(one.runs[0].lean is not None for one in found)


def test_a_part_of_a_run_is_refused():
    part = mixmon.read_run(session(), LOG, end_s=10.0)
    with Ledger(":memory:") as ledger, pytest.raises(UsageError, match="whole logs"):
        enter_run(ledger, part)
