"""python-can's messages -> FrameBlocks: a live bus gives one at a time, a log thousands.

Of thousands no message is handled alone: each attribute is taken from all of them, and the combinations of
those that hardly differ (interface, kind, length code) are looked at once for all messages alike.
"""

from __future__ import annotations

import math
import struct
from binascii import a2b_base64
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from operator import attrgetter, index
from sqlite3 import Connection
from typing import Any, NamedTuple, Protocol

import numpy as np

from mixmon.frames.account import ReadReport, Reason
from mixmon.frames.block import (
    CLASSIC_WIDTH,
    EXTENDED,
    FrameBlock,
    FrameFlag,
    FrameRow,
    Interfaces,
    block_of,
)
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_SECOND, LAST_STANDARD
from mixmon.frames.columns import UNNAMED, Unchecked, check, in_ns


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


# One message of a live bus.

# plain numbers: an enum's `|` takes a microsecond
_RECEIVED, _SENT, _FD = int(FrameFlag.RECEIVED), int(FrameFlag.SENT), int(FrameFlag.FD)


def message_row(
    message: LibraryMessage | TableRow, interface: str, *, marks_fd: bool = True
) -> FrameRow | Reason:
    """The message as a row of `interface`; the reason, if it cannot have been on a bus.

    `marks_fd` is False where messages do not say which are CAN FD: then those are that hold more data than a
    classic frame can.
    """
    if not (math.isfinite(message.timestamp) and 0 <= message.timestamp < LAST_SECOND + 1):
        return Reason.TIME
    if not 0 <= message.arbitration_id <= (LAST_EXTENDED if message.is_extended_id else LAST_STANDARD):
        return Reason.IDENTIFIER
    size = len(message.data)
    unmarked = not (marks_fd or message.is_remote_frame) and CLASSIC_WIDTH < size == message.dlc
    code = _length_code(message, size, fd=message.is_fd or unmarked)
    if code is None:
        return Reason.LENGTH
    extended = EXTENDED if message.is_extended_id and not message.is_error_frame else 0
    return FrameRow(
        _stamp_in_ns(message.timestamp),
        message.arbitration_id | extended,
        interface,
        code,
        _flags_of(message) | (_FD if unmarked else 0),
        b"" if message.is_remote_frame else bytes(message.data),
    )


def _stamp_in_ns(seconds: float) -> int:
    """The stamp in ns. Whole seconds go apart: only the float itself rounds, by 0.24 µs in this century."""
    fraction, whole = math.modf(seconds)
    return int(whole) * 1_000_000_000 + round(fraction * 1e9)


def _length_code(message: LibraryMessage | TableRow, size: int, *, fd: bool) -> int | None:
    """Raw data length code; None where code and data do not fit together."""
    if fd:
        return FD_SIZES.index(size) if size in FD_SIZES else None
    if message.is_remote_frame or size == CLASSIC_WIDTH:
        return message.dlc if size <= message.dlc <= 15 else None
    return size if size == message.dlc and size < CLASSIC_WIDTH else None


def _flags_of(message: LibraryMessage | TableRow | _MessageKind) -> int:
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


# The messages of a log.


class _MessageKind(NamedTuple):
    """What the messages of a log have in common with many others."""

    channel: str | int | None
    dlc: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    is_fd: bool
    is_rx: bool
    bitrate_switch: bool
    error_state_indicator: bool


class _MessageKinds(dict[tuple[Any, ...], int]):
    """Numbers of the kinds of messages, in order of first appearance."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[_MessageKind] = []

    def __missing__(self, key: tuple[Any, ...]) -> int:
        kind = _MessageKind(*key)
        code = min(max(index(kind.dlc), -1), _ANY_LARGER)
        self.seen.append(kind._replace(dlc=code))
        self[key] = number = len(self)
        return number


_ANY_LARGER = 255  # our choice: above every length of a frame
_STAMP, _ID, _DATA = attrgetter("timestamp"), attrgetter("arbitration_id"), attrgetter("data")
_KIND = attrgetter(*_MessageKind._fields)
_MISFITS = (TypeError, ValueError, OverflowError, struct.error)  # what a conversion to numbers raises
_COLUMN_TYPES = (np.float64, np.int64, np.int64, np.int64, np.uint8)  # stamp, identifier, size, kind, data

_MESSAGES_AT_ONCE = 256  # our choice: their memory is used again at once, which more of them would outgrow
_MESSAGES_A_BLOCK = 16_384  # our choice


class _Gathered:
    """Messages as columns of numbers, as they come."""

    def __init__(self) -> None:
        self.kinds = _MessageKinds()
        self._count = 0
        self._columns: list[list[bytes]] = [[] for _ in _COLUMN_TYPES]  # each in parts

    def __len__(self) -> int:
        return self._count

    def add(self, messages: Sequence[LibraryMessage | TableRow]) -> None:
        """Adds all of them, or none where one of them is refused.

        Raises:
            one of `_MISFITS`: an attribute is not what python-can says it is.
        """
        data = list(map(_DATA, messages))
        floats, integers = f"{len(messages)}d", f"{len(messages)}q"
        parts = (
            struct.pack(floats, *map(_STAMP, messages)),
            struct.pack(integers, *map(_ID, messages)),
            struct.pack(integers, *map(len, data)),
            struct.pack(integers, *map(self.kinds.__getitem__, map(_KIND, messages))),
            b"".join(data),
        )
        for column, part in zip(self._columns, parts, strict=True):
            column.append(part)
        self._count += len(messages)

    def as_unchecked(self, *, marks_fd: bool) -> Unchecked:
        """All of them; `marks_fd` as for `message_row`."""
        stamp, can_id, size, kind, data = (
            np.frombuffer(b"".join(column), dtype)
            for column, dtype in zip(self._columns, _COLUMN_TYPES, strict=True)
        )
        seen = self.kinds.seen
        code = np.array([each.dlc for each in seen], np.int64)[kind]
        flags = np.array([_flags_of(each) for each in seen], np.uint8)[kind]
        if not marks_fd:
            remote = flags & np.uint8(FrameFlag.REMOTE) != 0
            flags[(size > CLASSIC_WIDTH) & (size == code) & ~remote] |= np.uint8(FrameFlag.FD)
        return Unchecked(
            in_ns(stamp),
            can_id,
            np.array([bool(each.is_extended_id) for each in seen])[kind],
            flags,
            code,
            size,
            [UNNAMED if each.channel is None else str(each.channel) for each in seen],
            kind,
            data,
        )


def message_blocks(
    messages: Iterable[LibraryMessage | TableRow], report: ReadReport, *, marks_fd: bool
) -> Iterator[FrameBlock]:
    """Blocks of the messages of a log, also of those before the one at which its reader fails.

    `marks_fd` as for `message_row`.

    Raises:
        Exception: what the reader of the log raises.
    """
    interfaces, gathered = Interfaces(), _Gathered()
    left = iter(messages)
    failure: Exception | None = None
    while True:
        some: list[LibraryMessage | TableRow] = []
        try:
            some.extend(islice(left, _MESSAGES_AT_ONCE))  # keeps what came before a failure
        except Exception as error:  # noqa: BLE001 - readers raise anything on odd input
            failure = error
        odd: Sequence[LibraryMessage | TableRow] = ()
        try:
            gathered.add(some)
        except _MISFITS:
            odd = some
        ended = failure is not None or len(some) < _MESSAGES_AT_ONCE
        if len(gathered) and (ended or odd or len(gathered) >= _MESSAGES_A_BLOCK):
            yield check(gathered.as_unchecked(marks_fd=marks_fd), interfaces, report)
            gathered = _Gathered()
        if odd:
            yield _check_one_by_one(odd, interfaces, report, marks_fd=marks_fd)
        if failure is not None:
            raise failure
        if ended:
            return


def _check_one_by_one(
    messages: Sequence[LibraryMessage | TableRow],
    interfaces: Interfaces,
    report: ReadReport,
    *,
    marks_fd: bool,
) -> FrameBlock:
    """The same where a message holds what does not fit into a column; that one is refused."""
    rows: list[FrameRow] = []
    for message in messages:
        report.lines += 1
        try:
            name = UNNAMED if message.channel is None else str(message.channel)
            row = message_row(message, name, marks_fd=marks_fd)
        except _MISFITS:
            row = Reason.LAYOUT
        if isinstance(row, FrameRow) and interfaces.number(row.interface) is None:
            row = Reason.INTERFACES
        if isinstance(row, FrameRow):
            rows.append(row)
        else:
            report.reject(report.lines, row, _describe(message))
    block = block_of(rows, interfaces)
    report.count(block.flags)
    return block


def _describe(message: LibraryMessage | TableRow) -> str:
    """The message as text, as far as it can be written as one."""
    try:
        return str(message)
    except _MISFITS:
        return ""


# python-can's own formats, CSV and SQLite. Their tables are read here without its messages, the making of
# which costs more than all the rest.


class _TableFields(NamedTuple):
    """The columns of such a table (python-can's documentation: CSVWriter, SqliteWriter)."""

    timestamp: float
    arbitration_id: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    dlc: int
    data: bytes


class TableRow(_TableFields):
    """A row as a message, with what the tables do not say."""

    __slots__ = ()
    channel = None
    is_fd = False
    is_rx = True
    bitrate_switch = False
    error_state_indicator = False


def csv_rows(lines: Iterator[str]) -> Iterator[TableRow]:
    """The rows of a CSV log; its first line names the columns. Other lines give a row that is refused."""
    next(lines, None)
    for line in lines:
        try:
            stamp, number, extended, remote, error, dlc, data = line.split(",")
            yield TableRow(
                float(stamp),
                int(number, 16),
                extended == "1",
                remote == "1",
                error == "1",
                int(dlc),
                a2b_base64(data),
            )
        except ValueError:
            yield TableRow(line, 0, False, False, False, 0, b"")  # type: ignore[arg-type]


def sqlite_rows(connection: Connection) -> Iterator[TableRow]:
    """The rows of an SQLite log."""
    return map(TableRow._make, connection.execute("SELECT * FROM messages"))
