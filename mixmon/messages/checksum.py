"""Checksums over columns of bytes: one table look-up a byte column, for all frames at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Crc8:
    """An 8-bit CRC without reflection: its table (start 0), first register value and final XOR."""

    table: Bytes
    init: int
    final_xor: int

    def over(self, columns: Iterable[Bytes], count: int) -> Bytes:
        """The CRC of each of `count` rows over the byte columns uint8[count], first column first.

        >>> text = np.frombuffer(b"123456789", np.uint8)
        >>> hex(CRC8_J1850.over(text[:, None], 1)[0])
        '0x4b'
        """
        register = np.full(count, self.init, np.uint8)
        for column in columns:
            register = self.table.take(register ^ column)
        return register ^ np.uint8(self.final_xor)


def crc8_table(polynomial: int) -> Bytes:
    """The 256 registers that follow from each register value after one byte of zeros.

    >>> crc8_table(0x1D)[:8].tolist()
    [0, 29, 58, 39, 116, 105, 78, 83]
    """
    table = np.arange(256)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ polynomial, table << 1) & 0xFF
    return table.astype(np.uint8)


CRC8_J1850 = Crc8(crc8_table(0x1D), 0xFF, 0xFF)
"""SAE J1850; AUTOSAR's Crc_CalculateCRC8 (check values: AUTOSAR SWS CRC library)."""
CRC8_H2F = Crc8(crc8_table(0x2F), 0xFF, 0xFF)
"""AUTOSAR's Crc_CalculateCRC8H2F, as in end-to-end profile 2."""
CRC8_1D = Crc8(crc8_table(0x1D), 0x00, 0x00)
"""The same polynomial with nothing before or after: in effect AUTOSAR end-to-end profile 1."""

ALGORITHMS = ("CRC8_J1850", "CRC8_H2F", "CRC8_1D", "XOR8")
"""Names by which message definitions ask for a checksum."""

_CRCS = {"CRC8_J1850": CRC8_J1850, "CRC8_H2F": CRC8_H2F, "CRC8_1D": CRC8_1D}


def checksum(algorithm: str, columns: Sequence[Bytes], count: int, data_id: int | None = None) -> Bytes:
    """The checksum uint8[count] over the byte columns uint8[count], first column first.

    With a `data_id`, its low and then its high byte, which are not in the frame, go first
    (with CRC8_1D: AUTOSAR end-to-end profile 1, both bytes).

    Raises:
        ValueError: the algorithm is not one of ALGORITHMS.
    """
    if algorithm not in ALGORITHMS:
        raise ValueError(f"checksum {algorithm}: expected one of {', '.join(ALGORITHMS)}")
    if data_id is not None:
        front = [np.full(count, byte, np.uint8) for byte in (data_id & 0xFF, data_id >> 8 & 0xFF)]
        columns = [*front, *columns]
    if algorithm == "XOR8":
        return np.bitwise_xor.reduce(columns) if columns else np.zeros(count, np.uint8)
    return _CRCS[algorithm].over(columns, count)
