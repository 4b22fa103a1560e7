"""Where a signal's bits lie in a row of bytes, and how to take them out and put them in.

Bit n is bit n % 8 of byte n // 8, bit 0 the least significant. A little-endian field starts at
its least significant bit and rises. A big-endian one starts at its most significant bit and
goes down within a byte, then on from bit 7 of the next byte. Counting the bits of big-endian
fields in the order in which they are sent, p = 8 (n // 8) + 7 - n % 8, makes both a plain run.

Source: DBC files as read by cantools; worked values in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.plan import SignalPlan

Raw = NDArray[np.uint64]

_WORD = 8


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


class Rows:
    """Rows of bytes, read eight at a time: the words of each byte offset are made once."""

    def __init__(self, data: NDArray[np.uint8]) -> None:
        """`data` is uint8[n, w], C-ordered, w at least 8."""
        self.data = data
        self._words: dict[tuple[int, bool], Raw] = {}

    @property
    def width(self) -> int:
        """Bytes a row."""
        return int(self.data.shape[1])

    def byte(self, column: int) -> NDArray[np.uint8]:
        """One byte of every row, uint8[n]."""
        return self.data[:, column]

    def take(self, field: Field) -> Raw:
        """The field's raw values, unsigned, uint64[n]. The field must end within the rows."""
        at = min(field.first_byte, self.width - _WORD)
        inner = field.first - 8 * at
        if inner + field.length > 64:
            return self._take_spilled(field, at, inner)
        shift = 64 - inner - field.length if field.big_endian else inner
        return _low_bits(_shifted(self._word(at, field.big_endian), shift), field.length, shift)

    def _take_spilled(self, field: Field, at: int, inner: int) -> Raw:
        """A field of 58 to 64 bits that touches nine bytes: a word, and bits of the byte after it."""
        word, ninth = self._word(at, field.big_endian), self.data[:, at + _WORD].astype(np.uint64)
        beyond = inner + field.length - 64
        if field.big_endian:
            joined = word << np.uint64(beyond) | ninth >> np.uint64(8 - beyond)
        else:
            joined = word >> np.uint64(inner) | ninth << np.uint64(64 - inner)
        return joined & np.uint64((1 << field.length) - 1)

    def _word(self, at: int, big_endian: bool) -> Raw:
        key = (at, big_endian)
        if key not in self._words:
            window = np.ascontiguousarray(self.data[:, at : at + _WORD])
            self._words[key] = window.view(">u8" if big_endian else "<u8")[:, 0].astype(np.uint64)
        return self._words[key]


def _shifted(word: Raw, shift: int) -> Raw:
    return word >> np.uint64(shift) if shift else word


def _low_bits(word: Raw, length: int, shift: int) -> Raw:
    """`word` without what lies above the field; nothing does when the shift left just the field."""
    if length + shift == 64:
        return word
    return word & np.uint64((1 << length) - 1)


def put(data: NDArray[np.uint8], field: Field, raw: Raw, rows: NDArray[Any] | slice = slice(None)) -> None:
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
