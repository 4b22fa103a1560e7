"""Logs on disk or on standard input -> FrameBlocks, whatever their format.

    file, run folder, standard input -> LogBytes (unpacks gzip) -> CandumpReader -> FrameBlock
    file of another format           -> python-can's reader     -> message_row   -> FrameBlock

candump text, packed or not, is recognised by its contents. Any other format is left to python-can's
readers, chosen by suffix; frames that come that way have gone through float64 seconds, and the
report says so. A log that breaks off gives all that comes before the break.
"""

from __future__ import annotations

import json
import math
import stat
import zlib
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, suppress
from gzip import GzipFile
from io import BufferedReader, FileIO, TextIOWrapper
from itertools import islice
from pathlib import Path
from typing import Protocol

from mixmon.errors import SourceError
from mixmon.frames.account import ReadReport, Reason
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, FrameRow, Interfaces, block_of
from mixmon.frames.candump import CandumpReader
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_SECOND, LAST_STANDARD, read_line

# The bytes of a log, unpacked if they are gzip data.

PIECE_BYTES = 1 << 20
"""Bytes asked for, and the most that unpacking gives, at a time; our choice: one text of CandumpReader."""

GZIP_MAGIC = b"\x1f\x8b"  # RFC 1952, section 2.3.1
_GZIP_WINDOW = 16 + zlib.MAX_WBITS  # zlib's manual, inflateInit2: gzip data, largest window


class ByteSource(Protocol):
    """What can be read piece by piece."""

    def read(self, size: int, /) -> bytes | None:
        """At most `size` bytes; none at the end."""


class LogBytes:
    """One pass over a stream: pieces of unpacked bytes.

    position  bytes of the stream of which the contents have been given; packed ones that wait do not count
    fault     None, or where and why the stream broke off; it is read up to there
    """

    def __init__(self, stream: ByteSource) -> None:
        self._stream = stream
        self._taken = 0
        self.position = 0
        self.fault: str | None = None

    def __iter__(self) -> Iterator[bytes]:
        pieces = self._read_pieces()
        head = b""
        for piece in pieces:
            head += piece
            if len(head) >= len(GZIP_MAGIC):
                break
        if head.startswith(GZIP_MAGIC):
            yield from self._unpack_members(head, pieces)
        elif head:
            yield head
            yield from pieces

    def _read_pieces(self) -> Iterator[bytes]:
        """The bytes as they stand in the stream."""
        try:
            while piece := self._stream.read(PIECE_BYTES):
                self._taken += len(piece)
                self.position = self._taken
                yield piece
        except OSError as error:
            self.fault = f"reading failed after {self._taken} bytes: {error.strerror or error}"

    def _unpack_members(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
        """The contents of one gzip member after another (RFC 1952, section 2.2)."""
        member = zlib.decompressobj(_GZIP_WINDOW)
        packed = head
        try:
            while packed or (packed := next(pieces, b"")):
                if member.eof:
                    packed = packed.lstrip(b"\0")  # padding of tapes and blocks
                    if not packed:
                        continue
                    member = zlib.decompressobj(_GZIP_WINDOW)
                for data in _inflate_all(member, packed):
                    self.position = self._taken - len(member.unconsumed_tail) - len(member.unused_data)
                    yield data
                packed = member.unused_data
        except zlib.error as error:
            self.fault = f"gzip data broken within the first {self._taken} bytes ({error})"
            return
        if not member.eof and self.fault is None:
            self.fault = f"gzip data end too early, after {self._taken} bytes"


def _inflate_all(member: zlib._Decompress, packed: bytes) -> Iterator[bytes]:
    """What `packed` holds, all of it, also when it breaks somewhere.

    Raises:
        zlib.error: it breaks; what comes before that was given.
    """
    while True:
        before = member.copy()
        try:
            data = member.decompress(packed, PIECE_BYTES)
        except zlib.error:
            yield _inflate_bytewise(before, packed)
            raise
        if not data:
            return
        yield data
        packed = member.unconsumed_tail


def _inflate_bytewise(member: zlib._Decompress, packed: bytes) -> bytes:
    """What a byte at a time gives, where a call for all of them gives nothing but its failure."""
    data = bytearray()
    with suppress(zlib.error):
        for at in range(len(packed)):
            data += member.decompress(packed[at : at + 1])
    return bytes(data)


# The files in the folder of a run, as far as a reader of logs must know them.

FRAMES = "frames.log"
NOTES = "notes.jsonl"

WATCHED = "watched until"
"""Kind of the note that says how far rows were made: a bus that is silent at the end leaves no frame."""


def is_run(path: Path | str) -> bool:
    """True for the folder of a run; False for anything else, also where it cannot be looked at."""
    try:
        return (Path(path) / FRAMES).is_file()
    except (OSError, ValueError):  # ValueError: no name that a file can have
        return False


def watched_until(folder: Path) -> int | None:
    """Data time, ns, up to which a run was watched; None where its notes do not say."""
    try:
        lines = (folder / NOTES).read_bytes().split(b"\n")
    except OSError:
        return None
    found = [t for line in lines if WATCHED.encode() in line and (t := _watched_time(line)) is not None]
    return max(found, default=None)


def _watched_time(line: bytes) -> int | None:
    """The time of a note of kind WATCHED; None for any other line."""
    try:
        note = json.loads(line)
        return int(note["t"]) if note["kind"] == WATCHED else None
    except (ValueError, KeyError, TypeError):
        return None


# Messages of python-can as rows.

# plain numbers: an enum's `|` takes a microsecond
_RECEIVED, _SENT = int(FrameFlag.RECEIVED), int(FrameFlag.SENT)


class LibraryMessage(Protocol):
    """A message as python-can hands it out."""

    timestamp: float
    channel: str | int | Sequence[int] | None
    arbitration_id: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    is_fd: bool
    is_rx: bool
    bitrate_switch: bool
    error_state_indicator: bool
    dlc: int
    data: bytearray


def message_row(message: LibraryMessage, interface: str) -> FrameRow | Reason:
    """The message as a row of `interface`; the reason, if it cannot have been on a bus."""
    if not (math.isfinite(message.timestamp) and 0 <= message.timestamp < LAST_SECOND + 1):
        return Reason.TIME
    if not 0 <= message.arbitration_id <= (LAST_EXTENDED if message.is_extended_id else LAST_STANDARD):
        return Reason.IDENTIFIER
    code = _length_code(message)
    if code is None:
        return Reason.LENGTH
    extended = EXTENDED if message.is_extended_id and not message.is_error_frame else 0
    return FrameRow(
        _stamp_in_ns(message.timestamp),
        message.arbitration_id | extended,
        interface,
        code,
        _flags_of(message),
        b"" if message.is_remote_frame else bytes(message.data),
    )


def _stamp_in_ns(seconds: float) -> int:
    """The stamp in ns. Whole seconds go apart: only the float itself rounds, by 0.24 µs in this century."""
    fraction, whole = math.modf(seconds)
    return int(whole) * 1_000_000_000 + round(fraction * 1e9)


def _length_code(message: LibraryMessage) -> int | None:
    """Raw data length code; None where code and data do not fit together."""
    size = len(message.data)
    if message.is_fd:
        return FD_SIZES.index(size) if size in FD_SIZES else None
    if message.is_remote_frame or size == 8:
        return message.dlc if size <= message.dlc <= 15 else None
    return size if size == message.dlc and size < 8 else None


def _flags_of(message: LibraryMessage) -> int:
    """FrameFlag bits of the message."""
    flags = _RECEIVED if message.is_rx else _SENT
    if message.is_fd:
        flags |= FrameFlag.FD
        flags |= FrameFlag.BIT_RATE_SWITCH if message.bitrate_switch else 0
        flags |= FrameFlag.ERROR_STATE if message.error_state_indicator else 0
    if message.is_remote_frame:
        flags |= FrameFlag.REMOTE
    if message.is_error_frame:
        flags |= FrameFlag.ERROR
    return int(flags)


# Whole logs.

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

_NO_LAST_END = "the last line has no end; a frame that was cut there can look like a shorter one"
_LIBRARY_BLOCK_ROWS = 16_384  # our choice: rows a block, where python-can gives one message at a time
_PROBED_LINES = 100  # our choice: candump text has a frame among so many lines
_SHOWN_REASONS = 3  # our choice: an error fits into a few lines of a terminal
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
        ...     [len(block) for block in log], log.channels, log.report.lines
        ([1], ('can0',), 1)

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
    position  bytes behind the newest block, of `total`; total is None where progress is not known
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
        size = None if path == STDIN else _file_size(self._path)
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
            raise SourceError(f"{self.name}: {_say_nothing_found(self.report)}; {_EXPECTED}")

    def _candump_blocks(self) -> Iterator[FrameBlock]:
        """Blocks of candump text; the last line of a run counts only with its end."""
        reader = CandumpReader()
        self.report = reader.report
        with _open_bytes(self._path) as stream:
            pieces = LogBytes(stream)
            for piece in pieces:
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
        self.report.reader = "python-can"
        interfaces = Interfaces()
        rows = self._library_rows(interfaces)
        while batch := list(islice(rows, _LIBRARY_BLOCK_ROWS)):
            block = block_of(batch, interfaces)
            self.report.count(block.flags)
            yield block

    def _library_rows(self, interfaces: Interfaces) -> Iterator[FrameRow]:
        """Rows of the messages that can have been on a bus; the others are counted."""
        try:
            for message in _library_messages(self._path):
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
    except OSError as error:
        raise _say_unreadable(path, error) from error
    with _open_bytes(path):
        return status.st_size


def _open_bytes(path: str) -> FileIO:
    """The bytes of a file or of standard input, as they come."""
    try:
        return FileIO(0, closefd=False) if path == STDIN else FileIO(path)
    except OSError as error:
        raise _say_unreadable(path, error) from error


def _say_unreadable(path: str, error: OSError) -> SourceError:
    """The error for a user whose file cannot be opened."""
    what = (error.strerror or str(error)).lower()
    return SourceError(
        f"{path}: {what}; expected a log file that can be read; check its name and permissions"
    )


def _format_suffix(path: str) -> str:
    """The last suffix in lower case, that of packing aside; empty for none."""
    suffixes = [suffix.lower() for suffix in Path(path).suffixes]
    return next((suffix for suffix in reversed(suffixes) if suffix != ".gz"), "")


def _is_for_library(path: str) -> bool:
    """Whether the suffix is that of another format, and no line at the beginning is candump text."""
    if _format_suffix(path) not in LIBRARY_READERS:
        return False
    with _open_bytes(path) as file:
        head = next(iter(LogBytes(file)), b"")
    return not any(isinstance(read_line(line), FrameRow) for line in head.split(b"\n")[:_PROBED_LINES])


def _library_messages(path: str) -> Iterator[LibraryMessage]:
    """python-can's messages of a log."""
    import can

    name, mode = LIBRARY_READERS[_format_suffix(path)]
    reader = getattr(can, name)
    with ExitStack() as stack:
        if not mode:
            yield from stack.enter_context(reader(path))
            return
        raw = stack.enter_context(_open_bytes(path))
        packed = path.lower().endswith(".gz")
        contents = stack.enter_context(BufferedReader(GzipFile(fileobj=raw) if packed else raw))
        text = TextIOWrapper(contents, encoding="utf-8", errors="replace") if mode == "text" else contents
        yield from stack.enter_context(reader(text))


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
    return f"no frame in it ({report.skipped} blank lines and comments)"
