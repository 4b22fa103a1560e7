"""Plain lines of candump text, thousands at a time, as whole columns.

How it works: where a line starts, its stamp has a known layout (so many digits before and
after the dot), behind it stands an interface that was seen before, then an identifier of three
or eight digits. So every field lies at a known distance from the line's start, or from the `#`
found that way, and is fetched for all lines at once as words of eight characters.

The invariant: a line counts as read only if every one of its bytes was compared with what the
grammar of `candump_line` allows there. All others are left to that module, and cost nothing
but time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.block import CLASSIC_WIDTH, EXTENDED, FD_WIDTH, FrameFlag
from mixmon.frames.candump_head import Mask, Regions, StampLayout
from mixmon.frames.candump_line import (
    ERROR_BIT,
    FD_FLAGS,
    FD_SIZES,
    LAST_EXTENDED,
    LAST_STANDARD,
)
from mixmon.frames.words import Bytes, Rows, fetch, filled, hex_bytes

BEFORE = 64
"""Bytes that must precede the first line in the text."""

BEHIND = 256
"""Bytes that must follow the last line."""

_HASH, _CR, _BLANK, _RECEIVED, _SENT = b"#\r RT"
_NO_SIZE = 255
_ERROR = np.uint8(FrameFlag.ERROR)  # the enumeration itself would widen columns to 64 bits


@dataclass(slots=True)
class Columns:
    """One row a line; the columns are those of a FrameBlock, and mean something where `valid`."""

    valid: Mask
    t: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    bus: Bytes
    size: Bytes
    dlc: Bytes
    flags: Bytes
    data: Bytes

    @classmethod
    def none(cls, lines: int) -> Columns:
        """No line is read."""
        t, can_id, data = (
            np.zeros(lines, np.int64),
            np.zeros(lines, np.uint32),
            np.zeros((lines, 8), np.uint8),
        )
        bus, size, dlc, flags = np.zeros((4, lines), np.uint8)
        return cls(np.zeros(lines, np.bool_), t, can_id, bus, size, dlc, flags, data)

    def put(self, rows: Rows, others: Columns) -> None:
        """Takes over the others, whose rows these are, as far as they are valid."""
        if len(rows) == len(self.valid):
            for name in self.__slots__:
                setattr(self, name, getattr(others, name))
            return
        width = others.data.shape[1]
        self.widen(width)
        rows = rows[others.valid]
        for name in ("t", "can_id", "bus", "size", "dlc", "flags", "valid"):
            getattr(self, name)[rows] = getattr(others, name)[others.valid]
        self.data[rows, :width] = others.data[others.valid]

    def widen(self, width: int) -> None:
        """Makes room for so many data bytes."""
        if width > self.data.shape[1]:
            data = np.zeros((len(self.t), width), np.uint8)
            data[:, : self.data.shape[1]] = self.data
            self.data = data


def read_columns(text: Bytes, starts: Rows, ends: Rows, layout: StampLayout, regions: Regions) -> Columns:
    """The lines from `starts` to `ends` (of their newlines), as far as they are plain."""
    t, valid = layout.read(text, starts)
    at = starts + layout.length
    bus, length = regions.find(text, at)
    at += length  # behind no known region the identifier starts with a blank, and fails
    can_id, error, at, known = _identifiers(text, at)
    valid &= known
    ends, flags = _marks(text, ends)
    flags[error] |= _ERROR
    at += 1
    fd = text[at] == _HASH
    fd &= valid
    data, size, known = _data(text, at, ends, CLASSIC_WIDTH)
    valid &= known
    columns = Columns(valid, t, can_id, bus, size, size.copy(), flags, data)
    if fd.any():
        _read_fd(columns, text, at, ends, np.flatnonzero(fd & ~error))
    return columns


_SHORT_OR_LONG = (
    np.array([0xFFFF_FFFF_FFFF_FFFF, 0xFF_FFFF], np.uint64),  # characters that are digits
    np.array([8, 3]),  # their number
    np.array([0, 20], np.uint32),  # bits that the three lie too high in the number of eight
    np.array([ERROR_BIT | LAST_EXTENDED, LAST_STANDARD], np.uint32),
    np.array([EXTENDED, 0], np.uint32),
)


def _identifiers(text: Bytes, at: Rows) -> tuple[NDArray[np.uint32], Mask, Rows, Mask]:
    """Identifiers as in FrameBlock, which are those of error frames, the places of `#`, validity."""
    word = fetch(text, at, 1)[:, 0]
    short = (word & np.uint64(0xFF00_0000)) == np.uint64(_HASH << 24)
    kind = short.astype(np.intp)
    field, length, shift, last, extended = (table.take(kind) for table in _SHORT_OR_LONG)
    packed, faults = hex_bytes(filled(word, field))
    number = packed.view(">u4").astype(np.uint32)
    number >>= shift
    hashes = at + length
    valid = faults == 0
    valid &= text[hashes] == _HASH
    valid &= number <= last
    number |= extended
    error = number > np.uint32(EXTENDED | LAST_EXTENDED)
    if error.any():
        number[error] &= np.uint32(LAST_EXTENDED)
    return number, error, hashes, valid


def _marks(text: Bytes, ends: Rows) -> tuple[Rows, Bytes]:
    """Where the data end, before carriage return and direction; the flags of the direction."""
    flags = np.zeros(len(ends), np.uint8)
    last = text[ends - 1]
    returns = last == _CR
    if returns.any():
        ends = ends - returns
        last = text[ends - 1]
    for char, flag in ((_RECEIVED, FrameFlag.RECEIVED), (_SENT, FrameFlag.SENT)):
        marked = last == char
        if marked.any():
            marked &= text[ends - 2] == _BLANK
            flags[marked] = flag
            ends = ends - 2 * marked
    return ends, flags


def _sizes(legal: Sequence[int], width: int) -> Bytes:
    """Data bytes by number of digits, up to one more than the longest."""
    sizes = np.full(2 * width + 2, _NO_SIZE, np.uint8)
    sizes[[2 * size for size in legal]] = legal
    return sizes


def _fields(width: int) -> NDArray[np.void]:
    """Masks of so many digits, one row a number."""
    digits = np.arange(2 * width) < np.arange(2 * width + 2)[:, None]
    return (digits * np.uint8(0xFF)).view(f"V{2 * width}")[:, 0]


_SIZES = {CLASSIC_WIDTH: _sizes(range(9), CLASSIC_WIDTH), FD_WIDTH: _sizes(FD_SIZES, FD_WIDTH)}
_FIELDS = {width: _fields(width) for width in (CLASSIC_WIDTH, FD_WIDTH)}


def _data(text: Bytes, at: Rows, ends: Rows, width: int) -> tuple[Bytes, Bytes, Mask]:
    """Data bytes [n, width], zero beyond their number; that number; validity."""
    digits = np.clip(ends - at, 0, 2 * width + 1)
    size = _SIZES[width][digits]
    words = width // 4
    field = _FIELDS[width][digits].view(np.uint64).reshape(len(at), words)
    data, faults = hex_bytes(filled(fetch(text, at, words), field))
    valid = size != _NO_SIZE
    for column in range(words):
        valid &= faults[:, column] == 0
    return data, size, valid


_FD_FLAGS = np.zeros(256, np.uint8)
_FD_FLAGS[list(b"0123456789ABCDEF")] = FD_FLAGS * 4
_FD_FLAGS[list(b"abcdef")] = (FD_FLAGS * 4)[10:]
_FD_CODES = np.zeros(256, np.uint8)
_FD_CODES[list(FD_SIZES)] = range(16)


def _read_fd(columns: Columns, text: Bytes, at: Rows, ends: Rows, rows: Rows) -> None:
    """Fills in the rows whose data begin with a second `#`: a flag digit and up to 64 bytes."""
    data, size, valid = _data(text, at[rows] + 2, ends[rows], FD_WIDTH)
    flags = _FD_FLAGS[text[at[rows] + 1]]
    valid &= flags != 0
    rows, data, size, flags = rows[valid], data[valid], size[valid], flags[valid]
    width = FD_WIDTH if size.max(initial=0) > CLASSIC_WIDTH else CLASSIC_WIDTH
    columns.widen(width)
    columns.data[rows, :width] = data[:, :width]
    columns.size[rows] = size
    columns.dlc[rows] = _FD_CODES[size]
    columns.flags[rows] |= flags
    columns.valid[rows] = True
