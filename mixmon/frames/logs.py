"""Logs on disk or on standard input -> FrameBlocks, whatever their format.

candump text, packed or not, is recognised by its contents and read here. Any other format is
left to python-can's readers, chosen by suffix; frames that come that way have gone through
float64 seconds, and the report says so.
"""

from __future__ import annotations

import stat
from collections.abc import Iterator
from contextlib import ExitStack
from gzip import GzipFile
from io import BufferedReader, FileIO, TextIOWrapper
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from mixmon.errors import SourceError
from mixmon.frames.block import FrameBlock
from mixmon.frames.candump import CandumpReader
from mixmon.frames.candump_line import read_line
from mixmon.frames.log_bytes import LogBytes
from mixmon.frames.message_row import message_row
from mixmon.frames.read_report import ReadReport, Reason
from mixmon.frames.rows import FrameRow, Interfaces, block_of
from mixmon.frames.run_files import FRAMES, is_run, watched_until

if TYPE_CHECKING:
    from can import Message

STDIN = "-"

LIBRARY_READERS = {
    ".asc": ("ASCReader", "text"),
    ".blf": ("BLFReader", "bytes"),
    ".csv": ("CSVReader", "text"),
    ".db": ("SqliteReader", ""),
    ".mf4": ("MF4Reader", "bytes"),
    ".trc": ("TRCReader", "text"),
}
"""python-can's readers by suffix, and how each wants its file: as text, as bytes, or by name."""

UNNAMED = "unnamed"
"""Interface of frames whose log names none."""

_BATCH = 16_384
_LOOKED_AT = 100
_SHOWN_REASONS = 3
_EXPECTED = (
    "expected candump text such as `(1436509052.249713) can0 123#1122`, plain or gzip, or a log that "
    f"python-can reads ({' '.join(LIBRARY_READERS)})"
)


def open_log(path: str | Path) -> LogSource:
    """The log of that name or of the run in that folder, or standard input for `-`.

        >>> from pathlib import Path
        >>> from tempfile import TemporaryDirectory
        >>> with TemporaryDirectory() as folder:
        ...     path = Path(folder, "run.log")
        ...     _ = path.write_text("(1436509052.249713) can0 123#1122")
        ...     log = open_log(path)
        ...     [len(block) for block in log], log.channels, log.report.no_final_newline
        ([1], ('can0',), True)

    Raises:
        SourceError: there is no such file, it is empty, or it must not be read.
    """
    return LogSource(str(path))


class LogSource:
    """Frames of one log, block by block; every iteration reads it from its start.

    Standard input can be read once. A log that breaks off gives its frames up to there, and
    the place is noted in `report.faults`.

    name      as the user gave it
    report    counts of the last or running pass
    channels  interfaces seen in it
    position  bytes behind the newest block, of `total`; total is None where progress cannot be told
    once      it can be read once only, as standard input
    watched   data time, ns, up to which a run was watched; None where that is not known

    Of a run a last line without its end is left out: the run was cut off while it was written.

    Iterating raises:
        SourceError: it cannot be read, or nothing in it is a frame.
    """

    def __init__(self, path: str) -> None:
        self.name = "standard input" if path == STDIN else path
        self.report = ReadReport()
        self.channels: tuple[str, ...] = ()
        self.position = 0
        self._is_run = path != STDIN and is_run(path)
        self._path = str(Path(path) / FRAMES) if self._is_run else path
        self.watched = watched_until(Path(path)) if self._is_run else None
        size = None if path == STDIN else _size(self._path)
        self.once = size is None
        self._library = size is not None and _is_for_library(self._path)
        self.total = None if self._library else size

    def __iter__(self) -> Iterator[FrameBlock]:
        self.report, self.channels, self.position = ReadReport(), (), 0
        for block in self._library_blocks() if self._library else self._candump_blocks():
            self.channels = block.channels
            if len(block):
                yield block
        if self.report.frames == 0:
            raise SourceError(f"{self.name}: {_nothing_found(self.report)}; {_EXPECTED}")

    def _candump_blocks(self) -> Iterator[FrameBlock]:
        reader = CandumpReader()
        self.report = reader.report
        with _open(self._path) as stream:
            pieces = LogBytes(stream)
            for piece in pieces:
                self.position = pieces.position
                yield reader.feed(piece)
        if not self._is_run:
            yield reader.flush()
        if pieces.fault:
            self.report.faults.append(pieces.fault)

    def _library_blocks(self) -> Iterator[FrameBlock]:
        self.report.reader = "python-can"
        interfaces = Interfaces()
        rows = self._library_rows(interfaces)
        while batch := list(islice(rows, _BATCH)):
            block = block_of(batch, interfaces)
            self.report.count(block.flags)
            yield block

    def _library_rows(self, interfaces: Interfaces) -> Iterator[FrameRow]:
        try:
            for message in _messages(self._path):
                self.report.lines += 1
                row = message_row(message, UNNAMED if message.channel is None else str(message.channel))
                if isinstance(row, FrameRow) and interfaces.number(row.interface) is None:
                    row = Reason.INTERFACES
                if isinstance(row, FrameRow):
                    yield row
                else:
                    self.report.reject(self.report.lines, row, str(message))
        except Exception as error:  # noqa: BLE001 - its readers raise anything on odd input
            what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            self.report.faults.append(f"python-can stopped after message {self.report.lines} ({what})")


def _size(path: str) -> int | None:
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
    except OSError as error:
        raise _unreadable(path, error) from error
    with _open(path):
        return status.st_size


def _open(path: str) -> FileIO:
    """The bytes of a file or of standard input, as they come."""
    try:
        return FileIO(0, closefd=False) if path == STDIN else FileIO(path)
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: str, error: OSError) -> SourceError:
    what = (error.strerror or str(error)).lower()
    return SourceError(f"{path}: {what}; expected a log file that can be read; check its name and rights")


def _suffix(path: str) -> str:
    suffixes = [suffix.lower() for suffix in Path(path).suffixes]
    return next((suffix for suffix in reversed(suffixes) if suffix != ".gz"), "")


def _is_for_library(path: str) -> bool:
    """Whether the suffix is that of another format, and the contents do not disagree."""
    if _suffix(path) not in LIBRARY_READERS:
        return False
    with _open(path) as file:
        head = next(iter(LogBytes(file)), b"")
    return not any(isinstance(read_line(line), FrameRow) for line in head.split(b"\n")[:_LOOKED_AT])


def _messages(path: str) -> Iterator[Message]:
    """python-can's messages of a log."""
    import can

    name, mode = LIBRARY_READERS[_suffix(path)]
    reader = getattr(can, name)
    with ExitStack() as stack:
        if not mode:
            yield from stack.enter_context(reader(path))
            return
        raw = stack.enter_context(_open(path))
        packed = path.lower().endswith(".gz")
        contents = stack.enter_context(BufferedReader(GzipFile(fileobj=raw) if packed else raw))
        text = TextIOWrapper(contents, encoding="utf-8", errors="replace") if mode == "text" else contents
        yield from stack.enter_context(reader(text))


def _nothing_found(report: ReadReport) -> str:
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
    return f"no frame in it ({report.skipped} blank lines and comments)"
