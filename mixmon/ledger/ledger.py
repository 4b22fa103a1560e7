"""The ledger on disk: one SQLite file, to which facts are added and in which nothing is changed.

Wants: two programs may write at once; a program that is killed loses at most what it was entering; a file
that is not a ledger, or that a later mixmon wrote, is never touched; nobody else on the machine reads it.

How: everything of one log is entered in one transaction, begun with the right to write, so that what is there
already is looked up and added to by one program at a time. SQLite's write-ahead log (WAL) keeps a transaction
whole whenever the program or the power ends, and lets others read meanwhile. `application_id` says that the
file is a ledger and `user_version` which format it has; both stand in the first hundred bytes of the file
(SQLite's file format, section 1.3) and are read there before SQLite opens it. Triggers refuse to change or
delete a row.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from mixmon.errors import OutputError, SourceError, UsageError, reason_of
from mixmon.ledger.entries import NEEDED_NAMES, Entry, EntryKind, Fact, in_force

PLACE_VARIABLE: Final = "MIXMON_LEDGER"
"""The environment variable that names another file than the usual one."""

IN_MEMORY: Final = ":memory:"
"""SQLite's name for a file that is nowhere: what is entered is gone at the end."""

LEDGER_FORMAT: Final = 1
"""Goes up when an older mixmon would misread the file."""

_APPLICATION: Final = 0x6D784C64
"""Our choice: `mxLd`, not among the numbers that SQLite's own list of file types gives (from memory)."""

_MAGIC: Final = b"SQLite format 3\0"
_VERSION_AT, _APPLICATION_AT, _HEADER_BYTES = 60, 68, 100  # SQLite's file format, section 1.3
_WAIT_S = 30.0
"""How long to wait for another program to finish writing: our choice; an entry takes milliseconds."""

_UNWRITABLE: Final = ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_IOERR")
"""Names of SQLite's errors where the files beside a ledger cannot be made: read-only, or a full disk."""

_TABLES: Final = (
    """CREATE TABLE entry (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        entered_ns INTEGER NOT NULL,
        serial TEXT NOT NULL,
        kind TEXT NOT NULL,
        log TEXT,
        log_name TEXT NOT NULL,
        begin_ns INTEGER,
        end_ns INTEGER,
        facts TEXT NOT NULL
    )""",
    "CREATE INDEX entry_of_serial ON entry (serial)",
    """CREATE TRIGGER entry_is_kept BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'entries are kept'); END""",
    """CREATE TRIGGER entry_is_not_changed BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'entries are not changed'); END""",
    f"PRAGMA application_id = {_APPLICATION}",
    f"PRAGMA user_version = {LEDGER_FORMAT}",
)
"""What a new file gets, in one transaction."""

_COLUMNS: Final = "number, entered_ns, serial, kind, log, log_name, begin_ns, end_ns, facts"


def default_ledger_path() -> Path:
    """Where the ledger is if nobody names another place: MIXMON_LEDGER, else the user's data folder."""
    named = os.environ.get(PLACE_VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_data_path  # asked for here alone

    return user_data_path("mixmon", appauthor=False) / "sensors.ledger"


class Ledger:
    """What is known of every sensor, by its serial: facts, which are added and never changed.

    >>> import mixmon
    >>> with mixmon.Ledger(":memory:") as ledger:
    ...     number = ledger.add_bias("S-101", 0.6, 0.3, reason="rotation of 12 May")
    ...     [(entry.number, entry.serial, entry.fact.facts["percent"]) for entry in ledger.entries()]
    [(1, 'S-101', 0.6)]

    A file that is not there yet holds nothing, and is made, for its user alone, with the first entry.

    Args:
        path: the file; None: `default_ledger_path()`; ":memory:" keeps nothing.

    Raises:
        SourceError: it is no ledger, or one of a later format; the file is left as it is.
    """

    def __init__(self, path: Path | str | None = None) -> None:
        self.path = default_ledger_path() if path is None else Path(path)
        self._db: sqlite3.Connection | None = None
        if str(self.path) == IN_MEMORY:
            self._open()
        elif self._is_written():
            self._check_header()
            self._open()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the file; what was entered is in it already."""
        if self._db is not None:
            self._db.close()
            self._db = None

    # Reading.

    def entries(self, serial: str | None = None) -> tuple[Entry, ...]:
        """All entries in the order in which they were entered, withdrawn ones too; of one sensor if named.

        Raises:
            SourceError: the file cannot be read.
        """
        if self._db is None:
            return ()
        with self._reported_reading():
            return self._read_entries(self._db, serial)

    def serials(self) -> tuple[str, ...]:
        """The serials of all sensors of which something is known, in the order of their names."""
        return tuple(sorted({entry.serial for entry in in_force(self.entries())}))

    # Writing.

    def enter(self, facts: Sequence[Fact]) -> tuple[Entry, ...]:
        """Adds the facts, all of them or none, and gives them as they stand in the ledger.

        What a log taught is added once only: nothing about a sensor whose run of the same log is there, and
        no bias that the same runs of a rotation gave.

        Raises:
            OutputError: the file cannot be written.
        """
        for fact in facts:
            _check_serial(fact.serial)
        with self._writing() as db:
            there = [
                entry
                for serial in {fact.serial for fact in facts}
                for entry in in_force(self._read_entries(db, serial))
            ]
            runs = {(entry.serial, entry.fact.log) for entry in there if entry.kind is EntryKind.RUN}
            moved = {(entry.serial, rotation_of(entry.fact)) for entry in there}
            new = [
                fact
                for fact in facts
                if (fact.log is None or (fact.serial, fact.log) not in runs)
                and (not rotation_of(fact) or (fact.serial, rotation_of(fact)) not in moved)
            ]
            return tuple(_insert(db, fact) for fact in new)

    def add_bias(
        self, serial: str, percent: float, half_percent: float, *, reason: str, source: str = "typed"
    ) -> int:
        """Adds a sensor's own error, and gives the number of the entry.

        Args:
            serial: the sensor.
            percent: by how much it reads lean, percent of lambda; negative: rich.
            half_percent: half of the 95 % interval of that.
            reason: where it is from, in words.
            source: "rotation", or "typed" by a person.

        Raises:
            UsageError: no serial, no reason, or an impossible number.
            OutputError: the file cannot be written.
        """
        fact = bias_fact(serial, percent, half_percent, reason=reason, source=source)
        return self.enter([fact])[0].number

    def add_air_check(self, serial: str, percent: float, expected_percent: float) -> int:
        """Adds what a sensor read in free air, and gives the number of the entry.

        Args:
            serial: the sensor.
            percent: oxygen that it read, percent, wet.
            expected_percent: oxygen of that air, percent, wet: `gas.exhaust.free_air_oxygen`.

        Raises:
            UsageError: no serial, or no reading of air.
            OutputError: the file cannot be written.
        """
        if not serial.strip():
            raise UsageError("air check: no serial; expected one; say which sensor it was")
        if not _LEAST_IN_AIR <= percent <= _MOST_IN_AIR:
            raise UsageError(
                f"air check of {serial}: {percent:g} % oxygen; expected {_LEAST_IN_AIR:g} to "
                f"{_MOST_IN_AIR:g} %, as air holds about 20; correct it"
            )
        facts = {"percent": percent, "expected_percent": expected_percent}
        return self.enter([Fact(serial, EntryKind.AIR_CHECK, facts)])[0].number

    def withdraw(self, number: int, *, reason: str) -> tuple[Entry, ...]:
        """Adds that an entry counts no more; with a run, all that its log taught of the sensor.

        Gives the entries that were withdrawn. They stay in the file.

        Raises:
            UsageError: there is no such entry that counts, or no reason.
            OutputError: the file cannot be written.
        """
        if not reason.strip():
            raise UsageError(f"withdraw {number}: no reason; expected why it counts no more; say it")
        if self._db is None:
            raise _no_entry(number)
        with self._writing() as db:
            every = in_force(self._read_entries(db, None))
            named = next((entry for entry in every if entry.number == number), None)
            if named is None:
                raise _no_entry(number)
            gone = [named, *(e for e in every if _is_taught_with(e, named))]
            for entry in gone:
                facts = {"number": entry.number, "reason": reason}
                _insert(db, Fact(entry.serial, EntryKind.WITHDRAWAL, facts))
            return tuple(gone)

    # The file.

    def _is_written(self) -> bool:
        """Whether there is a file with anything in it; what is no file is refused."""
        try:
            if not self.path.exists():
                return False
            if not self.path.is_file():
                raise SourceError(f"{self.path}: no file; expected a ledger; name another place")
            return self.path.stat().st_size > 0
        except (OSError, ValueError) as error:
            raise SourceError(f"{self.path}: {reason_of(error)}; expected a ledger; name another") from error

    def _check_header(self) -> None:
        """Refuses what is no ledger, and a later format, by the first bytes of the file."""
        try:
            with self.path.open("rb") as file:
                header = file.read(_HEADER_BYTES)
        except OSError as error:
            raise SourceError(f"{self.path}: {reason_of(error)}; expected a ledger; name another") from error
        if not header.startswith(_MAGIC) or _header_number(header, _APPLICATION_AT) != _APPLICATION:
            raise SourceError(
                f"{self.path}: not a ledger of mixmon; expected one, or a file that is not there yet; "
                "it was left as it is; name another place"
            )
        self._refuse_later(_header_number(header, _VERSION_AT))

    def _refuse_later(self, version: int) -> None:
        if version > LEDGER_FORMAT:
            raise SourceError(
                f"{self.path}: format {version}; expected {LEDGER_FORMAT} or less; a later mixmon wrote it; "
                "it was left as it is; update mixmon"
            )

    def _open(self) -> sqlite3.Connection:
        """Opens the file that is there, or one in memory."""
        try:
            self._db = db = self._connect()
            if _format_of(db) == 0:  # in memory, or somebody was killed while making it
                _make_tables(db)
            self._refuse_later(_format_of(db))
            db.execute("PRAGMA synchronous = FULL")
        except sqlite3.Error as error:
            self.close()
            raise SourceError(
                f"{self.path}: {error}; expected a ledger that can be read; name another"
            ) from error
        except SourceError:
            self.close()
            raise
        return db

    def _connect(self) -> sqlite3.Connection:
        """A connection to the file; for reading alone where its place cannot be written, as WAL asks for."""
        db = sqlite3.connect(str(self.path), timeout=_WAIT_S, isolation_level=None)
        try:
            _format_of(db)
        except sqlite3.OperationalError as error:
            log = Path(f"{self.path}-wal")
            whole = not (log.exists() and log.stat().st_size)  # else what is newest stands in the log alone
            db.close()
            if not whole or not error.sqlite_errorname.startswith(_UNWRITABLE):
                raise
            place = f"{self.path.resolve().as_uri()}?mode=ro&immutable=1"
            db = sqlite3.connect(place, uri=True, isolation_level=None)
        return db

    def _make(self) -> sqlite3.Connection:
        """Makes the file, readable by its user alone, with its tables; another program may do so too."""
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with contextlib.suppress(FileExistsError):
                os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            if self._is_written():
                self._check_header()
            db = sqlite3.connect(str(self.path), timeout=_WAIT_S, isolation_level=None)
        except (OSError, ValueError, sqlite3.Error) as error:
            raise OutputError(
                f"{self.path}: {reason_of(error) if isinstance(error, (OSError, ValueError)) else error}; "
                "expected a place that can be written; name another"
            ) from error
        _make_tables(db)
        with contextlib.suppress(sqlite3.OperationalError):  # another program has it open: it will set it
            db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        self._db = db
        return db

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction, begun with the right to write; all of it or none is in the file."""
        try:
            db = self._db or self._make()
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise OutputError(
                f"{self.path}: {error}; expected a ledger that can be written; nothing was entered; try again"
            ) from error

    @contextlib.contextmanager
    def _reported_reading(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError) as error:
            raise SourceError(
                f"{self.path}: {error}; expected a ledger that can be read; name another"
            ) from error

    @staticmethod
    def _read_entries(db: sqlite3.Connection, serial: str | None) -> tuple[Entry, ...]:
        query = f"SELECT {_COLUMNS} FROM entry"  # noqa: S608  # both parts stand above
        if serial is None:
            rows = db.execute(f"{query} ORDER BY number")
        else:
            rows = db.execute(f"{query} WHERE serial = ? ORDER BY number", (serial,))
        return tuple(_entry_of(row) for row in rows)


_MOST_BIAS_PERCENT = 20.0
"""Our choice, as for `[sensors] bias_percent`: more is a sensor that does not measure."""


_LEAST_IN_AIR, _MOST_IN_AIR = 10.0, 30.0
"""Oxygen, percent, that a sensor in air may read: our choice; others are of another gas or another unit."""


def rotation_of(fact: Fact) -> tuple[str, ...]:
    """The fingerprints of the runs of a rotation that gave a bias, in order; nothing of other facts."""
    runs = fact.facts.get("runs", ()) if fact.kind is EntryKind.BIAS else ()
    return tuple(runs) if isinstance(runs, list | tuple) and all(isinstance(one, str) for one in runs) else ()


def _check_serial(serial: str) -> None:
    """Refuses a serial that does not fit on one line.

    Raises:
        UsageError: it holds a line break or another character that no screen shows.
    """
    if not serial.isprintable():
        raise UsageError(
            f"serial {serial!r}: a character that cannot be shown, such as a line break; expected one line "
            "of text; correct it"
        )


def bias_fact(
    serial: str,
    percent: float,
    half_percent: float,
    *,
    reason: str,
    source: str,
    runs: Sequence[str] = (),
) -> Fact:
    """A sensor's own error as a fact; see `Ledger.add_bias`. `runs`: fingerprints of those of a rotation.

    Raises:
        UsageError: no serial, no reason, or an impossible number.
    """
    if not serial.strip() or not reason.strip():
        raise UsageError("bias: no serial or no reason; expected both; say where the number is from")
    if not (abs(percent) <= _MOST_BIAS_PERCENT and 0 < half_percent <= _MOST_BIAS_PERCENT):
        raise UsageError(
            f"bias of {serial}: {percent:g} ± {half_percent:g} %; expected up to "
            f"{_MOST_BIAS_PERCENT:g} % of lambda, and a half interval above 0; correct it"
        )
    facts: dict[str, Any] = {
        "percent": percent,
        "half_percent": half_percent,
        "source": source,
        "reason": reason,
    }
    return Fact(serial, EntryKind.BIAS, facts | ({"runs": sorted(runs)} if runs else {}))


def _header_number(header: bytes, at: int) -> int:
    """A whole number in the header of an SQLite file: four bytes, the highest first."""
    return int.from_bytes(header[at : at + 4], "big")


def _format_of(db: sqlite3.Connection) -> int:
    """The format of the tables; 0 where there are none yet."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def _make_tables(db: sqlite3.Connection) -> None:
    """Makes the tables, unless another program has made them meanwhile."""
    db.execute("BEGIN IMMEDIATE")
    if _format_of(db) == 0:
        for statement in _TABLES:
            db.execute(statement)
    db.execute("COMMIT")


def _no_entry(number: int) -> UsageError:
    return UsageError(
        f"entry {number}: there is none that counts; expected the number of one; mixmon sensors SERIAL lists "
        "them"
    )


def _is_taught_with(entry: Entry, run: Entry) -> bool:
    """Whether an entry was taught by the same log as a run of the same sensor."""
    same = entry.serial == run.serial and entry.fact.log is not None and entry.fact.log == run.fact.log
    return run.kind is EntryKind.RUN and same and entry.number != run.number


def _insert(db: sqlite3.Connection, fact: Fact) -> Entry:
    entered = time.time_ns()
    row = (
        entered,
        fact.serial,
        fact.kind.value,
        fact.log,
        fact.log_name,
        fact.begin_ns,
        fact.end_ns,
        json.dumps(dict(fact.facts), allow_nan=False),
    )
    cursor = db.execute(
        "INSERT INTO entry (entered_ns, serial, kind, log, log_name, begin_ns, end_ns, facts) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    )
    return Entry(int(cursor.lastrowid or 0), entered, fact)


def _entry_of(row: Iterable[Any]) -> Entry:
    """The entry in a row of the file; ValueError where another program wrote what is none."""
    number, entered, serial, kind, log, log_name, begin, end, text = row
    facts = json.loads(text)
    if kind not in set(EntryKind) or not isinstance(facts, dict):
        raise ValueError(f"entry {number} is none of a sensor")
    lacking = NEEDED_NAMES[EntryKind(kind)] - facts.keys()
    if lacking:
        raise ValueError(f"entry {number}, {kind}: no {', '.join(sorted(lacking))}")
    return Entry(number, entered, Fact(serial, EntryKind(kind), facts, log, log_name, begin, end))
