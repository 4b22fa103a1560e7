"""Plain lines of candump text, thousands at a time, as whole columns.

Wants. Reading is the first and largest cost of every command: a log has millions of lines, and a
Python object for each of them would take longer than all analysis of them.

Goals. Whatever is read here comes out as `candump_line` reads it. A line counts as read only if
every one of its bytes was compared with what that grammar allows there; all others are left to
that module, and cost nothing but time.

Plan. Logs repeat themselves: the stamp of a line has the layout of the stamp before (so many
digits before and after the dot), behind it stands an interface that was seen before, then an
identifier of three or eight digits. So every field lies at a known distance from the line's start,
or from the `#` found that way. It is fetched for all lines at once, as words of eight characters,
compared with a pattern, and turned into numbers by arithmetic on whole columns. The file follows
the line from left to right: words, stamp, interface, identifier, direction, data.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Ints
from mixmon.frames.block import CLASSIC_WIDTH, EXTENDED, FD_WIDTH, FrameFlag
from mixmon.frames.candump_line import (
    ERROR_BIT,
    FD_FLAGS,
    FD_SIZES,
    LAST_EXTENDED,
    LAST_SECOND,
    LAST_STANDARD,
)

Words = NDArray[np.uint64]
"""Eight characters a word, the first in its lowest byte. In words of faults, zero means no fault."""

Rows = NDArray[np.intp]
"""Places in the text, or numbers of lines."""


def _repeat_byte(byte: int) -> np.uint64:
    """A word of eight equal bytes."""
    return np.uint64(byte * 0x0101_0101_0101_0101)


_ZERO_DIGITS = _repeat_byte(ord("0"))
_SIX, _HIGH = _repeat_byte(6), _repeat_byte(0xF0)  # computed: 9 + 6 is the last sum below 16
_NO_BYTE = np.uint64(0xFF00_FF00_FF00_FF00)  # computed: the high byte of each entry of `_HEX_PAIRS`
_PAIRS_OF_4 = np.uint64(0x0000_00FF_0000_00FF)  # computed: the first and the third pair of digits
_EVEN_PAIRS = np.uint64(100 + (1_000_000 << 32))  # computed: weights of the third and the first pair
_ODD_PAIRS = np.uint64(1 + (10_000 << 32))  # computed: weights of the fourth and the second pair
_TEN, _U8, _U16, _U32 = (np.uint64(count) for count in (10, 8, 16, 32))


def _hex_table() -> NDArray[np.uint16]:
    """The byte that two characters stand for, by both as one number; above 255 if they do not."""
    table = np.full((256, 256), 0xFF00, np.uint16)
    digits = [(char, int(chr(char), 16)) for char in b"0123456789ABCDEFabcdef"]
    for first, high in digits:
        for second, low in digits:
            table[second, first] = high << 4 | low
    return table.ravel()


_HEX_PAIRS = _hex_table()


def as_words(text: bytes) -> Words:
    """The text as words, filled up with NULs."""
    words: Words = np.frombuffer(text + bytes(-len(text) % 8), np.uint64)
    return words


def fetch(text: Bytes, at: Rows, words: int) -> Words:
    """Words of the text from any byte on, one row a place: [n, words]."""
    size = 8 * words
    pieces: NDArray[np.void] = np.ndarray((len(text) - size,), f"V{size}", text.data, strides=(1,))
    fetched: Words = pieces[at].view(np.uint64).reshape(len(at), words)
    return fetched


def unlike(words: Words, pattern: bytes) -> Words:
    """Zero where the words match the pattern; its NULs stand for any character."""
    wanted = as_words(pattern)
    masks = as_words(bytes(0xFF if char else 0 for char in pattern))
    faults: Words = (words[:, 0] & masks[0]) ^ wanted[0]
    for column in range(1, len(wanted)):
        part = words[:, column] & masks[column]
        part ^= wanted[column]
        faults |= part
    return faults


def filled(words: Words, field: Words | np.uint64) -> Words:
    """The characters where `field` has bits, `0` elsewhere."""
    kept = words ^ _ZERO_DIGITS
    kept &= field
    kept ^= _ZERO_DIGITS
    return kept


def hex_bytes(chars: Words) -> tuple[Bytes, Words]:
    """The bytes [.., 4 n] that hex digits of either case [.., n] stand for, and the faults [.., n]."""
    values = _HEX_PAIRS.take(chars.view(np.uint16))
    return values.astype(np.uint8), values.view(np.uint64) & _NO_BYTE


def decimal(chars: Words) -> tuple[Words, Words]:
    """The number that eight decimal digits make, and the faults.

    In steps of pairs, fours and eight (a common trick, no source); a digit is right if neither
    it nor it plus six reaches sixteen, and no right one spills into its neighbour.
    """
    digits = chars ^ _ZERO_DIGITS
    faults = digits + _SIX
    faults |= digits
    faults &= _HIGH
    pairs = digits * _TEN
    digits >>= _U8
    pairs += digits
    odd = pairs >> _U16
    odd &= _PAIRS_OF_4
    odd *= _ODD_PAIRS
    pairs &= _PAIRS_OF_4
    pairs *= _EVEN_PAIRS
    pairs += odd
    pairs >>= _U32
    return pairs, faults


# The head of a line: stamp and interface are written the same way again and again, so they are not
# searched for but compared with what was seen before.

LONGEST_REGION = 32
"""Characters of blanks, interface and blanks that are compared by columns. Our choice: a name of Linux has
15 (linux/if.h); each eight characters more cost one comparison a line and region."""

_MOST_REGIONS = 256
"""As many as a FrameBlock numbers interfaces."""

_PLAIN_STAMP = re.compile(rb"\(([0-9]{1,15})\.([0-9]{1,9})\)")
_REGION = re.compile(rb"\)([ \t]+[!-~]+[ \t]+)")


@dataclass(frozen=True, slots=True)
class StampLayout:
    """How stamps are written: digits before and after the dot, and the highest ones themselves.

    Digits above the last eight of the seconds change every three years; as a part of the
    layout they need no arithmetic.
    """

    seconds: int
    fraction: int
    upper: bytes

    @classmethod
    def of(cls, line: bytes) -> StampLayout | None:
        """The layout of this line's stamp, if it can be read by columns."""
        match = _PLAIN_STAMP.match(line)
        if not match or (int(match[1]) // 10**8 + 1) * 10**8 > LAST_SECOND:
            return None
        return cls(len(match[1]), len(match[2]), match[1][:-8])

    @property
    def length(self) -> int:
        """Characters from bracket to bracket."""
        return self.seconds + self.fraction + 3

    def read(self, text: Bytes, starts: Rows) -> tuple[Ints, Bools]:
        """Stamps in ns, and which lines have this layout.

        The words are fetched so that the second one ends before the dot: `(17`, `00000000`,
        `.123456)`; so it reads the seconds and the third one the fraction.
        """
        low = min(self.seconds, 8)
        fixed = (b"(" + self.upper).rjust(16 - low, b"\0") + bytes(low) + b"." + bytes(self.fraction) + b")"
        digit = bytes(16 - low) + b"\xff" * low + b"\0" + b"\xff" * self.fraction + b"\0"
        fields = as_words(digit)
        words = fetch(text, starts + (self.seconds - 15), len(fields))
        faults = unlike(words, fixed)
        number, wrong = decimal(filled(words[:, 1], fields[1]))
        faults |= wrong
        number *= np.uint64(1_000_000_000)
        part, wrong = decimal(filled(words[:, 2], fields[2]))  # the dot counts as a zero: seven digits
        faults |= wrong
        part *= np.uint64(100)
        number += part
        if len(fields) > 3:
            part, wrong = decimal(filled(words[:, 3], fields[3]))  # two digits more, and six zeros
            faults |= wrong
            part //= np.uint64(1_000_000)
            number += part
        number += np.uint64(int(self.upper or b"0") * 10**17)
        return number.view(np.int64), faults == 0


class Regions:
    """What stood between stamp and identifier so far: blanks, an interface, blanks; and its number."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}

    def learn(self, line: bytes, number: int) -> None:
        """Remembers the region of a line that is a frame of this interface."""
        match = _REGION.search(line)
        if not match or match[1] in self._numbers or len(match[1]) > LONGEST_REGION:
            return
        if len(self._numbers) < _MOST_REGIONS:
            self._numbers[match[1]] = number
            # where one is the beginning of another (more blanks behind it), the longer one wins
            self._numbers = dict(sorted(self._numbers.items(), key=lambda item: len(item[0])))

    def find(self, text: Bytes, at: Rows) -> tuple[Bytes, Rows]:
        """Number and length of the region that stands there; length 0 for none that is known."""
        words = fetch(text, at, LONGEST_REGION // 8)
        found = np.zeros(len(at), np.intp)
        for count, region in enumerate(self._numbers, start=1):
            np.copyto(found, count, where=unlike(words, region) == 0)
        numbers = np.array([0, *self._numbers.values()], np.uint8)
        lengths = np.array([0, *map(len, self._numbers)])
        return numbers.take(found), lengths.take(found)


# The whole line, left to right.

BYTES_BEFORE = 64
"""Bytes that must precede the first line in the text: words of a stamp begin before the line."""

BYTES_BEHIND = 256
"""Bytes that must follow the last line: words of data are fetched as if each line had 64 bytes."""

_HASH, _CR, _BLANK, _RECEIVED, _SENT = b"#\r RT"
_NO_SIZE = 255  # our choice: any number above 64
_ERROR = np.uint8(FrameFlag.ERROR)  # the enumeration itself would widen columns to 64 bits


@dataclass(slots=True)
class Columns:
    """One row a line; the columns are those of a FrameBlock, and mean something where `valid`."""

    valid: Bools
    t: Ints
    can_id: NDArray[np.uint32]
    bus: Bytes
    size: Bytes
    dlc: Bytes
    flags: Bytes
    data: Bytes

    @classmethod
    def unread(cls, lines: int) -> Columns:
        """Columns for so many lines, none of which is read."""
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
    valid &= length > 0
    can_id, error, at, known = _read_identifiers(text, at + length)
    valid &= known
    ends, flags = _read_direction(text, ends)
    flags[error] |= _ERROR
    at += 1
    fd = text[at] == _HASH
    fd &= valid
    data, size, known = _read_data(text, at, ends, CLASSIC_WIDTH)
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


def _read_identifiers(text: Bytes, at: Rows) -> tuple[NDArray[np.uint32], Bools, Rows, Bools]:
    """Identifiers as in FrameBlock, which are those of error frames, the places of `#`, validity."""
    (word,) = fetch(text, at, 1).T
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


def _read_direction(text: Bytes, ends: Rows) -> tuple[Rows, Bytes]:
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


def _sizes_by_digits(legal: Sequence[int], width: int) -> Bytes:
    """Data bytes by number of digits, up to one more than the longest."""
    sizes = np.full(2 * width + 2, _NO_SIZE, np.uint8)
    sizes[[2 * size for size in legal]] = legal
    return sizes


_SIZES_BY_DIGITS = {
    CLASSIC_WIDTH: _sizes_by_digits(range(9), CLASSIC_WIDTH),
    FD_WIDTH: _sizes_by_digits(FD_SIZES, FD_WIDTH),
}


def _masks_by_digits(width: int) -> NDArray[np.void]:
    """Masks of so many digits, one row a number."""
    numbers = np.arange(len(_SIZES_BY_DIGITS[width]))
    digits = np.arange(2 * width) < numbers[:, None]
    return (digits * np.uint8(0xFF)).view(f"V{2 * width}")[:, 0]


_MASKS_BY_DIGITS = {width: _masks_by_digits(width) for width in _SIZES_BY_DIGITS}


def _read_data(text: Bytes, at: Rows, ends: Rows, width: int) -> tuple[Bytes, Bytes, Bools]:
    """Data bytes [n, width], zero beyond their number; that number; validity."""
    sizes = _SIZES_BY_DIGITS[width]
    digits = np.clip(ends - at, 0, len(sizes) - 1)
    size = sizes[digits]
    words = width // 4
    field = _MASKS_BY_DIGITS[width][digits].view(np.uint64).reshape(len(at), words)
    data, faults = hex_bytes(filled(fetch(text, at, words), field))
    valid = size != _NO_SIZE
    for column in range(words):
        valid &= faults[:, column] == 0
    return data, size, valid


_FD_FLAGS_BY_DIGIT = np.zeros(256, np.uint8)
_FD_FLAGS_BY_DIGIT[list(b"0123456789ABCDEF")] = FD_FLAGS * 4
_FD_FLAGS_BY_DIGIT[list(b"abcdef")] = (FD_FLAGS * 4)[10:]


def _read_fd(columns: Columns, text: Bytes, at: Rows, ends: Rows, rows: Rows) -> None:
    """Fills in the rows whose data begin with a second `#`: a flag digit and up to 64 bytes."""
    data, size, valid = _read_data(text, at[rows] + 2, ends[rows], FD_WIDTH)
    flags = _FD_FLAGS_BY_DIGIT[text[at[rows] + 1]]
    valid &= flags != 0
    rows, data, size, flags = rows[valid], data[valid], size[valid], flags[valid]
    width = FD_WIDTH if size.max(initial=0) > CLASSIC_WIDTH else CLASSIC_WIDTH
    columns.widen(width)
    columns.data[rows, :width] = data[:, :width]
    columns.size[rows] = size
    columns.dlc[rows] = np.searchsorted(FD_SIZES, size)
    columns.flags[rows] |= flags
    columns.valid[rows] = True
