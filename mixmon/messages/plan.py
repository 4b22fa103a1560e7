"""What a decoder needs to know about a message: plain records, free of any library.

`messages.database` makes them from DBC files, `messages.chain` makes the project's own. Beside the records
stand the rules that follow from them alone: which raw values are codes (`top_two`, `j1939`), which mean a
number in the declared range (`raw_limits`), and where a signal's bits lie in a row of bytes (`Field`,
`ByteRows`, `put`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes

Raw = NDArray[np.uint64]
"""The bits of a signal as an unsigned number, one a frame."""

Ranges = tuple[tuple[int, int], ...]
"""Inclusive ranges of raw values."""


class Quality(IntEnum):
    """How much a decoded value can be believed, one a value."""

    GOOD = 0
    NOT_AVAILABLE = 1  # the sender says that it has no value (raw code)
    ERROR = 2  # the sender says that the value is in error (raw code)
    MISSING = 3  # the bytes are not in the frame, or the multiplexer selects another branch
    CORRUPT = 4  # the frame's checksum is wrong or its counter repeats: kept, marked, not counted
    TWO_SENDERS = 5  # two controllers send the message in turn: the value stays, but is not one sensor's


@dataclass(frozen=True, slots=True)
class Selector:
    """When a multiplexed signal is present: its parent's raw value lies in one of the ranges."""

    parent: str
    ranges: Ranges


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """One signal: where its bits lie and how its raw value becomes a number with a unit.

    `start` is counted as in DBC files: least significant bit for little-endian signals,
    most significant bit for big-endian ones. value = raw * scale + offset, in float64.
    `selectors` are alternatives: the signal is present where any of them holds; without any,
    always.
    """

    name: str
    start: int
    length: int
    big_endian: bool
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: Mapping[int, str] = field(default_factory=dict)
    selectors: tuple[Selector, ...] = ()
    not_available: Ranges = ()  # inclusive ranges of raw values
    error: Ranges = ()
    comment: str = ""
    initial: float | None = None  # raw value that a sender uses before it knows better


@dataclass(frozen=True, slots=True)
class Protection:
    """Rolling counter and checksum of a message.

    counter    name of the counter's signal, None without one
    checksum   name of the checksum's signal, None without one
    algorithm  how the checksum is computed: "none" or one of `integrity.ALGORITHMS`
    data_id    two bytes that go into the checksum and are not in the frame; None without
    """

    counter: str | None = None
    checksum: str | None = None
    algorithm: str = "none"
    data_id: int | None = None


@dataclass(frozen=True, slots=True)
class MessagePlan:
    """One message.

    can_id      bit 31 is set for 29-bit identifiers, as in FrameBlock
    size        bytes of a frame
    signals     in the order of the definition
    cycle_ns    time from frame to frame; None where the definition does not say
    protection  its rolling counter and checksum
    by_pgn      frames of its parameter group (SAE J1939) are its own, whatever priority and source they have
    """

    name: str
    can_id: int
    size: int
    signals: tuple[SignalPlan, ...]
    cycle_ns: int | None = None
    protection: Protection = Protection()
    comment: str = ""
    by_pgn: bool = False

    def signal(self, name: str) -> SignalPlan:
        """The signal of that name.

        Raises:
            KeyError: there is none.
        """
        for signal in self.signals:
            if signal.name == name:
                return signal
        raise KeyError(name)


# --- Parameter groups: what is left of a 29-bit identifier without priority, source and destination. ---

_BROADCAST_FROM = 240
"""From this PDU format on, the next byte belongs to the group; below it, it is a destination."""


def parameter_groups(identifiers: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The parameter group number of each 29-bit identifier, uint32[n]; bits above are ignored.

    Source: SAE J1939-21 from memory; the tests compare with cantools.

    >>> [hex(pgn) for pgn in parameter_groups(np.array([0x0CF00400, 0x18EA2131], np.uint32)).tolist()]
    ['0xf004', '0xea00']
    """
    group = identifiers >> np.uint32(8) & np.uint32(0x3FFFF)
    directed = (group >> np.uint32(8) & np.uint32(0xFF)) < _BROADCAST_FROM
    return np.where(directed, group & np.uint32(0x3FF00), group)


# --- Which raw values mean "not available" and "error", under each convention. ---


def top_two(length: int) -> tuple[Ranges, Ranges]:
    """The codes of mixmon's own layer: all ones is "not available", all ones less one "error".

    A single bit has no room for them. Returns (not available, error).

    >>> top_two(2)
    (((3, 3),), ((2, 2),))
    """
    if length < 2:
        return (), ()
    ones = (1 << length) - 1
    return ((ones, ones),), ((ones - 1, ones - 1),)


_HIGHEST_VALID = {  # by length in bits; source: asammdf's bus logging module
    4: 0xA,
    8: 0xFA,
    10: 0x3FA,
    12: 0xFAF,
    16: 0xFAFF,
    20: 0xF_AFFF,
    24: 0xFA_FFFF,
    28: 0xFAF_FFFF,
    32: 0xFAFF_FFFF,
}


def j1939(length: int) -> tuple[Ranges, Ranges]:
    """The codes of SAE J1939-71: a most significant byte FE is "error", FF "not available".

    FB (parameter specific) and FC to FD (reserved) count as errors, since no number is valid
    there; two-bit states use 10 and 11. Widths for which no rule is known have no codes.
    Returns (not available, error).

    Source: SAE J1939-71 from memory; highest valid values as in asammdf's bus logging module.

    >>> j1939(16)
    (((65280, 65535),), ((64256, 65279),))
    """
    if length == 2:
        return top_two(2)
    if length not in _HIGHEST_VALID:
        return (), ()
    ones = (1 << length) - 1
    not_available = ones if length in (4, 10) else 0xFF << (length - 8)
    return ((not_available, ones),), ((_HIGHEST_VALID[length] + 1, not_available - 1),)


# --- Which raw values mean a number in the declared range. ---


_ROUNDING_STEPS = 1e-6
"""Steps by which the end of a range may miss a whole step: 0.3 / 0.1 is not 3. Our choice."""


def natural_limits(signal: SignalPlan) -> tuple[int, int]:
    """Lowest and highest raw value that an integer signal can have and that is no code.

    >>> natural_limits(SignalPlan("Level", 0, 8, False, not_available=((255, 255),), error=((254, 254),)))
    (0, 253)
    """
    bits = signal.length - signal.signed
    low, high = (-(1 << bits) if signal.signed else 0), (1 << bits) - 1
    return low, min([high, *(first - 1 for first, _ in (*signal.not_available, *signal.error))])


def raw_limits(signal: SignalPlan) -> tuple[int, int]:
    """Lowest and highest raw value that mean a number in the declared range.

    A range in which no raw value lies counts as none.

    >>> raw_limits(SignalPlan("Level", 0, 8, False, scale=0.5, minimum=0.0, maximum=100.0))
    (0, 200)
    """
    low, high = natural_limits(signal)
    ends = [_raw_end(signal, end) for end in (signal.minimum, signal.maximum)]
    if signal.scale < 0:
        ends.reverse()
    least, most = ends
    within = (
        low if least is None else max(low, math.ceil(least - _ROUNDING_STEPS)),
        high if most is None else min(high, math.floor(most + _ROUNDING_STEPS)),
    )
    return within if within[0] <= within[1] else (low, high)


def _raw_end(signal: SignalPlan, end: float | None) -> float | None:
    """One end of the declared range in raw steps; None where it limits nothing."""
    if end is None or signal.scale == 0.0 or not math.isfinite(end):
        return None
    return (end - signal.offset) / signal.scale


# --- Where a signal's bits lie in a row of bytes, and how to take them out and put them in. ---
#
# Bit n is bit n % 8 of byte n // 8, bit 0 the least significant. A little-endian field starts at
# its least significant bit and rises. A big-endian one starts at its most significant bit and
# goes down within a byte, then on from bit 7 of the next byte. Counting the bits of big-endian
# fields in the order in which they are sent, p = 8 (n // 8) + 7 - n % 8, makes both a plain run.
#
# Source: DBC files as read by cantools; worked values in the tests.

_WORD = 8
"""Bytes of a machine word: a field of up to 57 bits lies in one word wherever it starts."""


@dataclass(frozen=True, slots=True)
class Field:
    """A run of `length` bits (1 to 64), the first at `first`, counted in the run's own order."""

    first: int
    length: int
    big_endian: bool

    @classmethod
    def of(cls, signal: SignalPlan) -> Field:
        """The field of a signal.

        >>> Field.of(SignalPlan("Torque", 7, 16, big_endian=True))
        Field(first=0, length=16, big_endian=True)
        """
        start = signal.start
        if signal.big_endian:
            start = 8 * (start // 8) + 7 - start % 8
        return cls(start, signal.length, signal.big_endian)

    @property
    def first_byte(self) -> int:
        """The first byte that holds one of its bits."""
        return self.first // 8

    @property
    def end_byte(self) -> int:
        """One past the last byte that holds one of its bits: bytes a frame needs to carry it."""
        return (self.first + self.length + 7) // 8


class ByteRows:
    """Rows of bytes, read eight at a time: the words of each byte offset are made once."""

    def __init__(self, data: Bytes) -> None:
        """`data` is uint8[n, w], C-ordered, w at least 8."""
        self.data = data
        self._words: dict[tuple[int, bool], Raw] = {}

    @property
    def width(self) -> int:
        """Bytes a row."""
        return int(self.data.shape[1])

    def byte(self, column: int) -> Bytes:
        """One byte of every row, uint8[n]."""
        return self.data[:, column]

    def take(self, field: Field) -> Raw:
        """The field's raw values, unsigned, uint64[n]. The field must end within the rows."""
        at = min(field.first_byte, self.width - _WORD)
        inner = field.first - 8 * at
        if inner + field.length > 64:
            return self._take_spilled(field, at, inner)
        shift = 64 - inner - field.length if field.big_endian else inner
        return _low_bits(_shift_down(self._word_at(at, field.big_endian), shift), field.length, shift)

    def _take_spilled(self, field: Field, at: int, inner: int) -> Raw:
        """A field of 58 to 64 bits that touches nine bytes: a word, and bits of the byte after it."""
        word, ninth = self._word_at(at, field.big_endian), self.data[:, at + _WORD].astype(np.uint64)
        beyond = inner + field.length - 64
        if field.big_endian:
            joined = word << np.uint64(beyond) | ninth >> np.uint64(8 - beyond)
        else:
            joined = word >> np.uint64(inner) | ninth << np.uint64(64 - inner)
        return joined & np.uint64((1 << field.length) - 1)

    def _word_at(self, at: int, big_endian: bool) -> Raw:
        key = (at, big_endian)
        if key not in self._words:
            window = np.ascontiguousarray(self.data[:, at : at + _WORD])
            self._words[key] = window.view(">u8" if big_endian else "<u8")[:, 0].astype(np.uint64)
        return self._words[key]


def _shift_down(word: Raw, shift: int) -> Raw:
    return word >> np.uint64(shift) if shift else word


def _low_bits(word: Raw, length: int, shift: int) -> Raw:
    """`word` without what lies above the field; nothing does when the shift left just the field."""
    if length + shift == 64:
        return word
    return word & np.uint64((1 << length) - 1)


def put(data: Bytes, field: Field, raw: Raw, rows: NDArray[Any] | slice = slice(None)) -> None:
    """Write raw values uint64[m] into the field in the chosen m rows of `data`, uint8[n, w].

    Bits above the field's length are ignored; the other bits of its bytes stay as they are.
    """
    for byte in range(field.first_byte, field.end_byte):
        low, high = max(field.first, 8 * byte), min(field.first + field.length, 8 * byte + 8)
        if field.big_endian:
            from_bit, to_bit = field.first + field.length - high, 8 * byte + 8 - high
        else:
            from_bit, to_bit = low - field.first, low - 8 * byte
        mask = (1 << (high - low)) - 1
        piece = (raw >> np.uint64(from_bit) & np.uint64(mask)) << np.uint64(to_bit)
        kept = data[rows, byte] & np.uint8(~(mask << to_bit) & 0xFF)
        data[rows, byte] = kept | piece.astype(np.uint8)
