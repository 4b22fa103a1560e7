"""Checksums and stuff bits of many bit strings at once, a byte a step.

A bit string is a row of bytes; rows are sorted by length, longest first, so that each step works
on the first so many of them. Stuffing is a machine with ten states, the last bit and the length of
its run: after five equal bits the complement is inserted, and starts the next run (ISO 11898-1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint16]

_POLYNOMIAL = 0x4599
"""CRC-15 of classic frames; starts at zero, nothing reflected, no final exclusive or (ISO 11898-1)."""

_CRC_BITS = 0x7FFF
_LONGEST_RUN = 5


def _crc_table() -> Words:
    """What a byte at the top of the register adds to it."""
    table = np.arange(256, dtype=np.uint32) << 7
    for _ in range(8):
        table = (table << 1) ^ np.where(table & 0x4000, _POLYNOMIAL, 0)
    return (table & _CRC_BITS).astype(np.uint16)


def _stuff_table() -> Words:
    """By state and byte: the next state (high byte) and the stuff bits inserted (low byte).

    A state is 5 x last bit + length of its run - 1.
    """
    state = np.repeat(np.arange(2 * _LONGEST_RUN), 256)
    byte = np.tile(np.arange(256), 2 * _LONGEST_RUN)
    last, run = state // _LONGEST_RUN, state % _LONGEST_RUN + 1
    inserted = np.zeros_like(state)
    for shift in range(7, -1, -1):
        bit = byte >> shift & 1
        run = np.where(bit == last, run + 1, 1)
        full = run == _LONGEST_RUN
        last = np.where(full, 1 - bit, bit)
        run = np.where(full, 1, run)
        inserted += full
    return ((_LONGEST_RUN * last + run - 1) << 8 | inserted).astype(np.uint16)


_CRC = _crc_table()
_STUFF = _stuff_table()


def padded(values: NDArray[np.int64], bits: int) -> Bytes:
    """Numbers of so many bits as whole bytes, transposed [bytes, n].

    In front stand one to eight bits that alternate and end with 1: nothing is stuffed there, and
    the start bit, a zero, begins a run of its own.
    """
    missing = 8 - bits % 8
    pad = (0x55 & ((1 << missing) - 1)) << bits
    return unpadded(values | pad, bits + missing)


def unpadded(values: NDArray[np.int64], bits: int) -> Bytes:
    """Numbers of at most so many bits as whole bytes with zeros in front, transposed [bytes, n]."""
    used = -(-bits // 8)
    return np.ascontiguousarray(values.astype(">i8").view(np.uint8).reshape(-1, 8)[:, 8 - used :].T)


class Stuffing:
    """The machine, one for n rows: takes bytes and counts stuff bits."""

    def __init__(self, rows: int) -> None:
        self.inserted = np.zeros(rows, np.uint16)
        self._state = np.zeros(rows, np.uint16)

    def take(self, column: Bytes) -> None:
        """The next byte of the first rows, as many as there are."""
        rows = len(column)
        entry = _STUFF.take(self._state[:rows] | column)
        self.inserted[:rows] += entry & 0xFF
        self._state[:rows] = entry & 0xFF00


def crc15(columns: list[Bytes], rows: int) -> Words:
    """Checksums of n rows: each column is the next byte of the first rows, as many as there are."""
    register = np.zeros(rows, np.uint16)
    for column in columns:
        top = register[: len(column)]
        added = _CRC.take(top >> 7 ^ column)
        top <<= 8
        top ^= added
        top &= _CRC_BITS
    return register
