"""Text in words of eight characters: fetched from any place, compared, and turned into numbers.

A word holds eight characters, the first in its lowest byte. What was not as it should be shows
in words of faults: zero means that all was well.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
Bytes = NDArray[np.uint8]
Rows = NDArray[np.intp]


def _each(byte: int) -> np.uint64:
    """A word of eight equal bytes."""
    return np.uint64(byte * 0x0101_0101_0101_0101)


_ZERO_DIGITS = _each(ord("0"))
_SIX, _HIGH = _each(6), _each(0xF0)
_NO_BYTE = np.uint64(0xFF00_FF00_FF00_FF00)
_PAIRS_OF_4 = np.uint64(0x0000_00FF_0000_00FF)
_EVEN_PAIRS = np.uint64(100 + (1_000_000 << 32))
_ODD_PAIRS = np.uint64(1 + (10_000 << 32))
_TEN, _U8, _U16, _U32 = (np.uint64(count) for count in (10, 8, 16, 32))


def _hex_table() -> NDArray[np.uint16]:
    """The byte that two characters stand for, by both as one number; above 255 if they do not."""
    table = np.full(1 << 16, 0xFF00, np.uint16)
    digits = [(char, int(chr(char), 16)) for char in b"0123456789ABCDEFabcdef"]
    for first, high in digits:
        for second, low in digits:
            table[first | second << 8] = high << 4 | low
    return table


_HEX = _hex_table()


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
    values = _HEX.take(chars.view(np.uint16))
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
