"""The file of the ledger: what is refused, what is kept, and what two programs or a kill do to it.

The standard library's SQLite reads and damages files beside it.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self, TextIO

import pytest

from mixmon.errors import OutputError, SourceError, UsageError
from mixmon.ledger.entries import NEEDED_NAMES, EntryKind, Fact, in_force
from mixmon.ledger.ledger import LEDGER_FORMAT, PLACE_VARIABLE, Ledger, default_ledger_path


def run_facts(serial: str, log: str = "a" * 64) -> list[Fact]:
    """A run of one sensor and what its log taught beside it."""
    return [
        Fact(serial, EntryKind.RUN, dict.fromkeys(NEEDED_NAMES[EntryKind.RUN]), log, "a.log", 1, 2),
        Fact(serial, EntryKind.WARM_UP, {"seconds": 11.5, "at_least": False}, log, "a.log", 1, 2),
    ]


@pytest.fixture
def place(tmp_path: Path) -> Path:
    return tmp_path / "data" / "sensors.ledger"


def test_a_file_is_made_with_the_first_entry_for_its_user_alone(place):
    with Ledger(place) as ledger:
        assert ledger.entries() == ()
        assert not place.exists()
        ledger.add_bias("S-1", 0.6, 0.3, reason="rotation")
        files = sorted(place.parent.iterdir())
        assert [stat.S_IMODE(path.stat().st_mode) for path in files] == [0o600] * len(files)
    db = sqlite3.connect(place)
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert db.execute("PRAGMA user_version").fetchone() == (LEDGER_FORMAT,)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_entries_come_back_as_they_were_entered(place):
    facts = run_facts("S-1")
    with Ledger(place) as ledger:
        entered = ledger.enter(facts)
    with Ledger(place) as ledger:
        assert ledger.entries() == entered
        assert [entry.fact for entry in ledger.entries("S-1")] == facts
        assert ledger.entries("S-2") == ()
        assert ledger.serials() == ("S-1",)


def test_a_log_is_entered_once_for_a_sensor(place):
    with Ledger(place) as ledger:
        assert len(ledger.enter([*run_facts("S-1"), *run_facts("S-2")])) == 4
        assert ledger.enter(run_facts("S-1")) == ()
        assert len(ledger.enter([*run_facts("S-1"), *run_facts("S-3")])) == 2
        assert len(ledger.enter(run_facts("S-1", "b" * 64))) == 2


def test_nothing_in_the_file_can_be_changed_or_deleted(place):
    with Ledger(place) as ledger:
        ledger.enter(run_facts("S-1"))
    db = sqlite3.connect(place)
    for order in ("UPDATE entry SET serial = 'S-2'", "DELETE FROM entry WHERE number = 1"):
        with pytest.raises(sqlite3.IntegrityError, match="entries are"):
            db.execute(order)
    db.close()


def test_what_is_withdrawn_counts_no_more_and_stays(place):
    with Ledger(place) as ledger:
        ledger.enter([*run_facts("S-1"), *run_facts("S-2")])
        gone = ledger.withdraw(1, reason="serial typed wrong")
        assert [entry.number for entry in gone] == [1, 2]
        assert len(ledger.entries("S-1")) == 4
        assert [entry.serial for entry in in_force(ledger.entries())] == ["S-2", "S-2"]
        assert len(ledger.enter(run_facts("S-1"))) == 2, "its log can teach again"
        for number in (1, 99):
            with pytest.raises(UsageError, match="none that counts"):
                ledger.withdraw(number, reason="again")
        with pytest.raises(UsageError, match="no reason"):
            ledger.withdraw(3, reason=" ")


@pytest.mark.parametrize(
    ("percent", "half", "reason"), [(25, 1, "r"), (1, 0, "r"), (float("nan"), 1, "r"), (1, 1, "")]
)
def test_an_impossible_bias_is_refused(place, percent, half, reason):
    with Ledger(place) as ledger, pytest.raises(UsageError):
        ledger.add_bias("S-1", percent, half, reason=reason)
    assert not place.exists()


def write_other_database(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE entry (number INTEGER)")
    db.commit()
    db.close()


def write_later_format(path: Path) -> None:
    with Ledger(path) as ledger:
        ledger.enter(run_facts("S-1"))
    db = sqlite3.connect(path)
    db.execute(f"PRAGMA user_version = {LEDGER_FORMAT + 1}")
    db.close()


@pytest.mark.parametrize(
    ("write", "says"),
    [
        (write_other_database, "not a ledger"),
        (lambda path: path.write_text("sensors of 2025\n"), "not a ledger"),
        (lambda path: path.write_bytes(b"SQLite format 3\0" + bytes(20)), "not a ledger"),
        (write_later_format, f"format {LEDGER_FORMAT + 1}; expected {LEDGER_FORMAT} or less"),
        (lambda path: path.mkdir(), "no file"),
    ],
    ids=["other database", "text", "header alone", "later format", "folder"],
)
def test_what_is_no_ledger_of_this_format_is_refused_and_left_as_it_is(tmp_path, write, says):
    path = tmp_path / "sensors.ledger"
    write(path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()}
    with pytest.raises(SourceError, match=says):
        Ledger(path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir() if p.is_file()} == before


def test_a_damaged_file_is_a_plain_error(place):
    with Ledger(place) as ledger:
        ledger.enter([fact for i in range(200) for fact in run_facts(f"S-{i}")])
    data = bytearray(place.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    place.write_bytes(data)
    with Ledger(place) as ledger, pytest.raises(SourceError, match="expected a ledger that can be read"):
        ledger.entries()


@pytest.mark.parametrize(
    ("kind", "facts", "says"),
    [
        ("bias", "{}", "entry 3, bias: no half_percent, percent"),
        ("bias", "[]", "entry 3 is none"),
        ("other", "{}", "entry 3 is none"),
        ("run", '{"seconds": 1}', "entry 3, run: no cylinders"),
    ],
)
def test_an_entry_that_another_program_wrote_is_named(place, kind, facts, says):
    with Ledger(place) as ledger:
        ledger.enter(run_facts("S-1"))
    with sqlite3.connect(place) as db:
        db.execute(
            "INSERT INTO entry (entered_ns, serial, kind, log_name, facts) VALUES (1, 'S-1', ?, '', ?)",
            (kind, facts),
        )
    db.close()
    with Ledger(place) as ledger, pytest.raises(SourceError, match=says):
        ledger.entries()


def test_a_place_that_cannot_be_written_is_a_plain_error(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with (
        Ledger(tmp_path / "file" / "sensors.ledger") as ledger,
        pytest.raises(OutputError, match="name another"),
    ):
        ledger.add_bias("S-1", 1, 1, reason="r")


def test_a_ledger_whose_place_cannot_be_written_is_read(place, tmp_path):
    """SQLite cannot make the file of shared memory beside it, as on a read-only disk or a full one."""
    half = tmp_path / "half"
    with Ledger(place) as ledger:
        ledger.add_bias("S-1", 0.6, 0.3, reason="rotation")
        # What was entered last may stand in the write-ahead log alone, until the last program closes.
        half.write_bytes(place.read_bytes())
        Path(f"{half}-wal").write_bytes(Path(f"{place}-wal").read_bytes())
    for path in (place, half):
        Path(f"{path}-shm").mkdir()
    before = place.read_bytes()
    with Ledger(place) as ledger:
        assert ledger.serials() == ("S-1",)
        with pytest.raises(OutputError, match="nothing was entered"):
            ledger.add_bias("S-1", 0.7, 0.3, reason="rotation")
    assert place.read_bytes() == before
    with Ledger(half) as ledger:
        assert ledger.serials() == ("S-1",)


def test_the_place_is_named_by_the_environment_or_the_platform(monkeypatch, tmp_path):
    monkeypatch.setenv(PLACE_VARIABLE, str(tmp_path / "mine"))
    assert default_ledger_path() == tmp_path / "mine"
    monkeypatch.delenv(PLACE_VARIABLE)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_ledger_path().name == "sensors.ledger"
    assert "mixmon" in default_ledger_path().parts


WRITERS = """
import os, sys
from mixmon.ledger.ledger import Ledger
for order in sys.stdin:
    place, serial, count, pipe = order.rstrip("\\n").split("\\t")
    child = os.fork()
    if child:
        print(child, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
        continue
    with open(pipe, "w") as told, Ledger(place) as ledger:
        for i in range(int(count)):
            print(ledger.add_bias(serial, 0.1, 0.1, reason=f"number {i}"), file=told, flush=True)
    os._exit(0)
"""
"""Forks programs that write, one after the other; each is told by a line: ledger, serial, count, pipe."""


class Writers:
    """The process from which they are forked: a new interpreter takes fifty times as long to be ready."""

    def __init__(self, place: Path, folder: Path) -> None:
        self._place, self._pipe = place, folder / "pipe"
        os.mkfifo(self._pipe)
        self._process = subprocess.Popen(
            [sys.executable, "-c", WRITERS], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    @contextmanager
    def begun(self, serial: str, count: int) -> Iterator[tuple[int, TextIO]]:
        """A program that enters so many: its process, and what it tells of them."""
        self._process.stdin.write(f"{self._place}\t{serial}\t{count}\t{self._pipe}\n")
        self._process.stdin.flush()
        program = int(self._process.stdout.readline())
        with self._pipe.open() as told:
            yield program, told
        self.status = int(self._process.stdout.readline())


def test_twenty_kills_lose_at_most_the_entry_that_was_being_entered(place, tmp_path):
    chance = random.Random(12)
    with Writers(place, tmp_path) as writers:
        for kill in range(20):
            last = count_of(place)
            with writers.begun("S-1", 1_000_000) as (program, told):
                for _ in range(chance.randint(0, 12)):
                    last = int(told.readline())
                os.kill(program, signal.SIGKILL)
                last = max([last, *map(int, told.read().split())])
            assert writers.status == -signal.SIGKILL
            assert last <= count_of(place) <= last + 1, f"kill {kill}"
    db = sqlite3.connect(place)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def count_of(place: Path) -> int:
    with Ledger(place) as ledger:
        return len(ledger.entries())


def test_two_programs_that_write_at_once_both_get_all_their_entries_in(place, tmp_path):
    folders = [tmp_path / serial for serial in ("S-1", "S-2")]
    for folder in folders:
        folder.mkdir()
    one, two = (Writers(place, folder) for folder in folders)
    with one, two, one.begun("S-1", 60) as (_, told), two.begun("S-2", 60) as (_, other):
        numbers = [[int(line) for line in part.read().split()] for part in (told, other)]
    assert [one.status, two.status] == [0, 0]
    assert sorted(numbers[0] + numbers[1]) == list(range(1, 121))
    with Ledger(place) as ledger:
        for serial, own in zip(("S-1", "S-2"), numbers, strict=True):
            assert [entry.number for entry in ledger.entries(serial)] == own
