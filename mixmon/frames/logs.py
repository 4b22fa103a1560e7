"""Logs on disk or on standard input -> FrameBlocks, whatever their format.

    file, run folder, standard input -> LogBytes (unpacks) -> CandumpReader       -> FrameBlock
    file of another format           -> LogBytes           -> python-can's reader -> FrameBlock
    MDF 4                                                  -> asammdf             -> FrameBlock

candump text, packed or not, is recognised by its contents. Any other format is left to python-can's
readers, or for MDF to asammdf, chosen by suffix; frames that come that way have gone through float64 seconds,
and the report says by whom they were read. A log that breaks off gives all that comes before the break.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, closing
from io import BufferedReader, FileIO
from itertools import chain, islice
from pathlib import Path
from shutil import disk_usage
from sqlite3 import connect
from tempfile import NamedTemporaryFile
from typing import Any, TextIO, cast

from mixmon.arrays import SECOND_NS
from mixmon.errors import SourceError, UsageError, reason_of
from mixmon.frames.account import ReadReport, Reason
from mixmon.frames.block import FrameBlock, FrameRow
from mixmon.frames.candump import CandumpReader
from mixmon.frames.candump_line import LAST_SECOND, LAST_STAMP, read_line
from mixmon.frames.clock import FORWARD_JUMP_NS
from mixmon.frames.library import csv_rows, message_blocks, sqlite_rows
from mixmon.frames.log_bytes import PACKED_SUFFIXES, BrokenError, LogBytes, UnpackedFile, UnpackError
from mixmon.frames.mdf import mdf_blocks
from mixmon.frames.plain_file import is_plain_file, open_plain
from mixmon.frames.text_logs import TrcLines, asc_lines, take_frames_off, text_lines

# The files in the folder of a run, as far as a reader of logs must know them.

FRAMES = "frames.log"
NOTES = "notes.jsonl"
MANIFEST = "run.json"

WATCHED = "watched until"
"""Kind of the note that says how far rows were made: a bus that is silent at the end leaves no frame."""

MOST_NOTES = 3_000_000
"""Lines of notes of a run that are read; our choice: thirty a second for a day, which no run has, and some
ten seconds of reading."""

_LONGEST_NOTE = 1 << 20  # our choice: bytes of a line of notes that are read at once; most have some hundred


def is_run(path: Path | str) -> bool:
    """True for the folder of a run; False for anything else, also where it cannot be looked at."""
    try:
        return (Path(path) / FRAMES).is_file()
    except (OSError, ValueError):  # ValueError: no name that a file can have
        return False


def watched_until(folder: Path) -> int | None:
    """Data time, ns, up to which a run was watched; None where its notes do not say."""
    newest = None
    try:
        for line in islice(note_lines(folder), MOST_NOTES):
            if WATCHED.encode() in line and (t := _watched_time(line)) is not None:
                newest = t if newest is None else max(newest, t)
    except OSError:
        pass
    return newest


def are_losses_counted(folder: Path) -> bool:
    """False where the manifest of a run says that its sources did not count the frames that were lost."""
    try:
        with BufferedReader(open_plain(folder / MANIFEST)) as file:
            fields = json.loads(file.read(_LONGEST_NOTE))
    except (OSError, ValueError, RecursionError):
        return True
    return not isinstance(fields, dict) or fields.get("lost", 0) is not None


def note_lines(folder: Path) -> Iterator[bytes]:
    """The lines of notes of a run one by one; one that is too long comes in pieces.

    What reads them ends after `MOST_NOTES`.

    Raises:
        OSError: there are none, they cannot be read, or they are no plain file of the folder.
    """
    with BufferedReader(open_plain(folder / NOTES)) as file:
        while line := file.readline(_LONGEST_NOTE):
            yield line


def _watched_time(line: bytes) -> int | None:
    """The time of a note of kind WATCHED; None for any other line, and for a time that no frame can have."""
    try:
        note = json.loads(line)
        t = int(note["t"]) if note["kind"] == WATCHED else -1
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None
    return t if 0 <= t <= LAST_STAMP else None


# Whole logs.

STDIN = "-"

LIBRARY_SUFFIXES = (".asc", ".blf", ".csv", ".db", ".mf4", ".trc")
"""Suffixes of the formats that python-can reads."""

_NO_LAST_END = "the last line has no end; a frame that was cut there can look like a shorter one"
_LIBRARY_BLOCK_ROWS = 16_384  # our choice: rows a block, where python-can gives one message at a time
_PROBED_LINES = 100  # our choice: candump text has a frame among so many lines
_SHOWN_REASONS = 3  # our choice: an error fits into a few lines of a terminal
_EXPECTED_TEXT = "expected candump text such as `(1436509052.249713) can0 123#1122`, plain or packed, or a "
_EXPECTED = f"{_EXPECTED_TEXT}log that python-can reads ({' '.join(LIBRARY_SUFFIXES)})"
_EXPECTED_PIPED = f"{_EXPECTED_TEXT}file for any other format ({' '.join(LIBRARY_SUFFIXES)})"

MOST_UNPACKED_BYTES = 4 << 30
"""Of a packed log that is unpacked to the disk; our choice: a long day on several buses."""

LEFT_FREE_BYTES = 256 << 20
"""Kept free on that disk; our choice: a record that is written there goes on for an hour."""

_UNPACK = "expected room for it; unpack it where there is room, and name what it holds"

_HEAD_BYTES = 16  # our choice: as many as the longest of these
_BINARY_FORMATS = {
    b"LOGG": ("a BLF log", ".blf"),
    b"SQLite format 3\0": ("an SQLite log", ".db"),
    b"MDF     ": ("an MDF log", ".mf4"),
}
"""How binary logs begin (python-can's documentation and source), and the suffix by which they are read."""


def open_log(path: str | Path) -> LogSource:
    """The log of that name or of the run in that folder, or standard input for `-`.

        >>> from pathlib import Path
        >>> from tempfile import TemporaryDirectory
        >>> with TemporaryDirectory() as folder:
        ...     path = Path(folder, "run.log")
        ...     _ = path.write_text("(1436509052.249713) can0 123#1122")
        ...     log = open_log(path)
        ...     [len(block) for block in log], log.channels, log.report.lines
        ([1], ('can0',), 1)

    Raises:
        SourceError: there is no such file, it is empty, or it must not be read.
    """
    return LogSource(str(path))


def check_part(begin_s: float, end_s: float | None) -> tuple[int, int | None]:
    """The part of a log between two times from its first frame, ns.

    >>> check_part(1.5, None), check_part(0.0, 3.0)
    ((1500000000, None), (0, 3000000000))

    Raises:
        UsageError: a time that is negative or no number, or an end that is not after the begin.
    """
    for name, seconds in (("begin_s", begin_s), ("end_s", end_s)):
        number = isinstance(seconds, int | float) and 0 <= seconds <= LAST_SECOND
        if not number and not (seconds is None and name == "end_s"):
            raise UsageError(
                f"{name} {seconds!r:.40}: expected seconds from the log's first frame, 0 or more; correct it"
            )
    if end_s is not None and end_s <= begin_s:
        raise UsageError(f"end_s {end_s:g}: not after begin_s {begin_s:g}; expected a later time; correct it")
    return round(begin_s * SECOND_NS), None if end_s is None else round(end_s * SECOND_NS)


class LogSource:
    """Frames of one log, block by block; every iteration reads it from its start.

    Standard input can be read once. A log that breaks off gives its frames up to there, and
    the place is noted in `report.faults`.

    name      as the user gave it
    report    counts of the last or running pass
    channels  interfaces seen in it
    position  bytes behind the newest block, of `total`; total is None where progress is not known
    once      it can be read once only, as standard input
    watched   data time, ns, up to which a run was watched; None where that is not known
    losses_counted  False: frames may have been lost that nobody counted
    silence_ns  how much of the time before a jump ahead of its stamps is a silence of the bus: a run has one
              clock; of other logs nobody knows

    Of a run a last line without its end is left out: the run was cut off while it was written.

    Of a folder from elsewhere nothing is read that lies outside: a link is refused.

    Iterating raises:
        SourceError: it cannot be read, or nothing in it is a frame.
    """

    def __init__(self, path: str) -> None:
        self.name = "standard input" if path == STDIN else path
        self.report = ReadReport()
        self.channels: tuple[str, ...] = ()
        self.position = 0
        self._head = b""
        self._is_run = path != STDIN and is_run(path)
        self._path = str(Path(path) / FRAMES) if self._is_run else path
        if self._is_run and not is_plain_file(Path(self._path)):
            raise SourceError(f"{path}: {FRAMES} is a link, which is not followed; expected a file")
        self.watched = watched_until(Path(path)) if self._is_run else None
        self.losses_counted = not self._is_run or are_losses_counted(Path(path))
        self.silence_ns = FORWARD_JUMP_NS if self._is_run else 0
        size = None if path == STDIN else _file_size(self._path)
        self.once = size is None
        self._suffix = "" if size is None else self._find_suffix()
        self.total = None if self._suffix else size

    def __iter__(self) -> Iterator[FrameBlock]:
        self.report, self.channels, self.position, self._head = ReadReport(), (), 0, b""
        try:
            for block in self._library_blocks() if self._suffix else self._candump_blocks():
                self.channels = block.channels
                if len(block):
                    yield block
        except UnpackError as error:
            raise SourceError(f"{self.name}: {error}") from error
        if self.report.frames == 0:
            raise SourceError(f"{self.name}: {self._say_nothing_found()}")

    def _say_nothing_found(self) -> str:
        """Why the log gave no frame, what was expected, and what to do."""
        known = next((one for magic, one in _BINARY_FORMATS.items() if self._head.startswith(magic)), None)
        if known is None or self._suffix:
            expected = _EXPECTED_PIPED if self._path == STDIN else _EXPECTED
            return f"{_say_nothing_found(self.report)}; {expected}"
        what, suffix = known
        if self._path == STDIN:
            return f"{what}; expected candump text, or a file; write it to one that ends in {suffix}"
        return f"{what}; expected the suffix by which it is read; name it so that it ends in {suffix}"

    def _find_suffix(self) -> str:
        try:
            return _library_suffix(self._path)
        except UnpackError as error:
            raise SourceError(f"{self.name}: {error}") from error

    def _candump_blocks(self) -> Iterator[FrameBlock]:
        """Blocks of candump text; the last line of a run counts only with its end."""
        reader = CandumpReader()
        self.report = reader.report
        with _open_bytes(self._path) as stream:
            pieces = LogBytes(stream)
            for piece in pieces:
                self._head = self._head or piece[:_HEAD_BYTES]
                self.position = pieces.position
                yield reader.feed(piece)
        last = FrameBlock.empty(reader.channels) if self._is_run else reader.flush()
        yield last
        if pieces.fault:
            self.report.faults.append(pieces.fault)
        elif len(last):
            self.report.faults.append(_NO_LAST_END)

    def _library_blocks(self) -> Iterator[FrameBlock]:
        """Blocks of any other format."""
        self.report.reader = "asammdf" if self._suffix == ".mf4" else "python-can"
        try:
            with ExitStack() as stack:
                yield from self._open_blocks(stack)
        except (UnpackError, SourceError):
            raise
        except Exception as error:  # noqa: BLE001 - readers raise anything on odd input
            what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            done = self.report.frames + self.report.rejected_lines
            self.report.faults.append(f"{self.report.reader} stopped after message {done} ({what})")
        take_frames_off(self.report)

    def _open_blocks(self, stack: ExitStack) -> Iterator[FrameBlock]:
        """The same, as far as a reader does not raise; `stack` closes what is opened."""
        report = self.report
        if self._suffix == ".mf4":
            return mdf_blocks(_plain_name(self._path, stack), report)
        if self._suffix == ".db":
            name = Path(_plain_name(self._path, stack)).absolute().as_uri()
            table = stack.enter_context(closing(connect(f"{name}?mode=ro", uri=True)))
            return message_blocks(sqlite_rows(table), report, marks_fd=False)
        contents = LogBytes(stack.enter_context(_open_bytes(self._path)))
        stack.callback(self._note_fault, contents)
        if self._suffix == ".csv":
            return message_blocks(csv_rows(text_lines(contents, report)), report, marks_fd=False)
        messages = stack.enter_context(self._library_reader(contents))
        return message_blocks(messages, report, marks_fd=True)

    def _library_reader(self, contents: LogBytes) -> Any:
        """python-can's reader of the log: a context manager, and iterable."""
        from can import ASCReader, TRCReader

        if self._suffix == ".blf":
            from mixmon.frames.blf import BoundedBlfReader

            return BoundedBlfReader(BufferedReader(UnpackedFile(contents)))
        lines = text_lines(contents, self.report)
        if self._suffix == ".trc":
            return TRCReader(cast("TextIO", TrcLines(lines)))
        return ASCReader(cast("TextIO", asc_lines(lines, self.report)), relative_timestamp=False)

    def _note_fault(self, contents: LogBytes) -> None:
        """Notes where packed data broke off."""
        if contents.fault:
            self.report.faults.append(contents.fault)


def _file_size(path: str) -> int | None:
    """Size of a regular file that can be read; None for a pipe.

    Raises:
        SourceError: it is none of these, or empty.
    """
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            raise SourceError(f"{path}: a folder; expected a log file, or the folder of a run; name one")
        if not stat.S_ISREG(status.st_mode):
            return None
        if status.st_size == 0:
            raise SourceError(f"{path}: the file is empty; {_EXPECTED}; check the recorder")
    except (OSError, ValueError) as error:  # ValueError: no name that a file can have
        raise _say_unreadable(path, error) from error
    with _open_bytes(path):
        return status.st_size


class _SizedFile(FileIO):
    """A file up to the size that it had when it was opened: one that grows is not run after."""

    def __init__(self, path: str) -> None:
        super().__init__(path)
        status = os.fstat(self.fileno())
        self._end = status.st_size if stat.S_ISREG(status.st_mode) else None

    def read(self, size: int | None = -1) -> bytes:
        """At most so many bytes."""
        if self._end is None:
            return super().read(size) or b""
        left = max(self._end - self.tell(), 0)
        return super().read(left if size is None or size < 0 else min(size, left)) or b""


def _open_bytes(path: str) -> FileIO:
    """The bytes of a file or of standard input, as they come."""
    try:
        return FileIO(0, closefd=False) if path == STDIN else _SizedFile(path)
    except OSError as error:
        raise _say_unreadable(path, error) from error


def _say_unreadable(path: str, error: OSError | ValueError) -> SourceError:
    """The error for a user whose file cannot be opened."""
    what = reason_of(error).lower()
    return SourceError(
        f"{path}: {what}; expected a log file that can be read; check its name and permissions"
    )


def _format_suffix(path: str) -> str:
    """The last suffix in lower case, those of packing aside; empty for none."""
    suffixes = [suffix.lower() for suffix in Path(path).suffixes]
    return next((suffix for suffix in reversed(suffixes) if suffix not in PACKED_SUFFIXES), "")


def _library_suffix(path: str) -> str:
    """The suffix by which the log is left to a library; empty where its beginning holds candump text.

    Of a zip, the name of the file in it counts.

    Raises:
        UnpackError: it is packed in a way that cannot be unpacked here.
    """
    with _open_bytes(path) as file:
        contents = LogBytes(file)
        head = next(iter(contents), b"")
    suffix = _format_suffix(contents.member or path)
    lines = head.split(b"\n")[:_PROBED_LINES]
    if suffix not in LIBRARY_SUFFIXES or any(isinstance(read_line(line), FrameRow) for line in lines):
        return ""
    return suffix


def _plain_name(path: str, stack: ExitStack) -> str:
    """Name of the log for a library that wants to open it itself; a packed one is unpacked on the disk.

    Raises:
        BrokenError: the packed data break off.
        UnpackError: there is no room for what it unpacks to.
    """
    with _open_bytes(path) as file:
        contents = LogBytes(file)
        pieces = iter(contents)
        first = next(pieces, b"")
        if not contents.packed:
            return path
        plain = stack.enter_context(NamedTemporaryFile(suffix=_format_suffix(contents.member or path)))  # noqa: SIM115
        try:
            for size, piece in _measure(chain([first], pieces)):
                check_room(size, Path(plain.name).parent)
                plain.write(piece)
            plain.flush()
        except OSError as error:
            raise UnpackError(f"cannot be unpacked to {plain.name}: {reason_of(error)}; {_UNPACK}") from error
    if contents.fault:
        raise BrokenError(contents.fault)
    return plain.name


def _measure(pieces: Iterable[bytes]) -> Iterator[tuple[int, bytes]]:
    """Each piece, with the bytes of all up to it."""
    size = 0
    for piece in pieces:
        size += len(piece)
        yield size, piece


def check_room(size: int, folder: Path) -> None:
    """Whether so many bytes may be unpacked to the disk: a small file can hold very many.

    Raises:
        UnpackError: they are too many, or the disk is nearly full.
    """
    if size > MOST_UNPACKED_BYTES:
        raise UnpackError(f"unpacks to more than {MOST_UNPACKED_BYTES >> 30} GiB; {_UNPACK}")
    if disk_usage(folder).free < LEFT_FREE_BYTES:
        raise UnpackError(f"unpacks to more than {size >> 20} MiB, which {folder} has no room for; {_UNPACK}")


def _say_nothing_found(report: ReadReport) -> str:
    """Why a log gave no frame."""
    if report.faults:
        return f"no frame could be read: {report.faults[0]}"
    if report.rejected.get(Reason.NOT_TEXT, 0) > report.lines // 2:
        return "binary data of no known kind"
    if report.rejected:
        first = "; ".join(
            f"line {r.line}: {r.why}: {r.text!r}" for r in report.first_rejected[:_SHOWN_REASONS]
        )
        hint = f"; {report.hint}" if report.hint else ""
        return f"no frame in {report.lines} lines ({first}){hint}"
    if not report.lines:
        return "nothing in it"
    return f"no frame in it ({report.skipped} lines that are blank, comments or of no known kind)"
