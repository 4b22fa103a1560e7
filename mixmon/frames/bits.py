"""How long frames are on the wire, bit by bit with their stuff bits, and how full that makes a bus.

Frame layout and stuffing: ISO 11898-1 as described in Davis, Burns, Bril and Lukkien,
"Controller Area Network (CAN) schedulability analysis", Real-Time Systems 35 (2007) 239-272;
CAN FD: include/linux/can/length.h of Linux. All lengths include the intermission of three bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Floats, Ints
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag

# Checksums and stuff bits of many bit strings at once, a byte a step. A bit string is a row of bytes;
# rows are sorted by length, longest first, so that each step works on the first so many of them.
# Stuffing is a machine with ten states, the last bit and the length of its run: after five equal bits
# the complement is inserted, and starts the next run (ISO 11898-1).

Words = NDArray[np.uint16]

_POLYNOMIAL = 0x4599
"""CRC-15 of classic frames; starts at zero, nothing reflected, no final exclusive or (ISO 11898-1)."""

_CRC_BITS = 0x7FFF  # 15 bits (ISO 11898-1)
_LONGEST_RUN = 5  # equal bits before a stuff bit (ISO 11898-1)


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


_STUFFING_CRC = _crc_table()
_STUFF = _stuff_table()


def padded(values: Ints, bits: int) -> Bytes:
    """Numbers of so many bits as whole bytes, transposed [bytes, n].

    In front stand one to eight bits that alternate and end with 1: nothing is stuffed there, and
    the start bit, a zero, begins a run of its own.
    """
    missing = 8 - bits % 8
    pad = (0x55 & ((1 << missing) - 1)) << bits
    return unpadded(values | pad, bits + missing)


def unpadded(values: Ints, bits: int) -> Bytes:
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
        added = _STUFFING_CRC.take(top >> 7 ^ column)
        top <<= 8
        top ^= added
        top &= _CRC_BITS
    return register


# Lengths of frames in bits.

INTERMISSION = 3  # ISO 11898-1
_HEADER_BITS = {False: 19, True: 39}
"""Start bit to data length code, by whether the identifier has 29 bits."""

_CRC = 15  # ISO 11898-1
_TRAILER = 1 + 2 + 7 + INTERMISSION
"""CRC delimiter, acknowledge slot and delimiter, end of frame."""

_FD_HEADER = {False: 22, True: 41}  # start bit to data length code (linux/can/length.h)
_FD_SWITCHED = 6
"""Bits of the header from the bit-rate switch on; behind it the data rate holds."""

_FD_TRAILER = 2 + 7 + INTERMISSION  # acknowledge slot and delimiter, end of frame
_FD_CRC = 4 + 17 + 1 + 6
"""Stuff count, CRC-17, delimiter and fixed stuff bits, up to 16 data bytes."""

_FD_LONG_CRC = 4 + 21 + 1 + 7  # the same with CRC-21
_FD_LAST_SHORT = 16  # data bytes up to which CRC-17 is used (ISO 11898-1)

_ERROR_FRAME = 6 + 8 + INTERMISSION
"""The shortest one: an error flag and its delimiter."""

_SIGNALLED = 0x08 | 0x80
"""Class bits of errors that went over the wire as error frames (linux/can/error.h: PROT, BUSERROR)."""

_ROWS_AT_ONCE = 16_384  # our choice: bounds memory and keeps the columns in the cache
_FD, _REMOTE, _ERROR = int(FrameFlag.FD), int(FrameFlag.REMOTE), int(FrameFlag.ERROR)
_SWITCH, _PASSIVE = int(FrameFlag.BIT_RATE_SWITCH), int(FrameFlag.ERROR_STATE)


@dataclass(frozen=True, slots=True)
class Load:
    """How full a bus is: shares of its time, 0 to 1.

    mean     over the whole span from the first frame to the last
    peak     of the fullest window
    """

    mean: float
    peak: float


def frame_bits(block: FrameBlock) -> Ints:
    r"""Bits of each frame on the wire, int64[n]; exact for data and remote frames.

    An error frame counts with the 17 bits that one has at least, or with none if it reports on the
    controller only.

        >>> from mixmon.frames.candump import CandumpReader
        >>> frame_bits(CandumpReader().feed(b"(1.0) can0 123#00\n(2.0) can0 123#R\n")).tolist()
        [58, 48]
    """
    nominal, fast = phase_bits(block)
    return nominal + fast


def phase_bits(block: FrameBlock) -> tuple[Ints, Ints]:
    """The same in two parts: at the nominal rate, and at the data rate of frames that switch to it.

    The data rate holds from the bit behind the switch to the CRC delimiter. A run of five that
    ends on the last data bit of a CAN FD frame counts its stuff bit, as in Linux; ISO 11898-1 may
    let the fixed stuff bit that follows take its place.
    """
    nominal, fast = np.zeros(len(block), np.int64), np.zeros(len(block), np.int64)
    error = (block.flags & _ERROR) != 0
    nominal[error & ((block.can_id & _SIGNALLED) != 0)] = _ERROR_FRAME
    fd, long = (block.flags & _FD) != 0, block.can_id >= EXTENDED
    for flexible, extended in product((False, True), repeat=2):
        chosen = np.flatnonzero(~error & (fd == flexible) & (long == extended))
        for at in range(0, len(chosen), _ROWS_AT_ONCE):
            rows = chosen[at : at + _ROWS_AT_ONCE]
            rows = rows[np.argsort(-block.size[rows].astype(np.int8), kind="stable")]  # longest first
            part = block.take(rows)
            if flexible:
                nominal[rows], fast[rows] = _fd_bits(part, extended=extended)
            else:
                nominal[rows] = _classic_bits(part, extended=extended)
    return nominal, fast


def worst_case_bits(size: int, *, extended: bool, fd: bool = False) -> int:
    """The longest that a frame of so many data bytes can be.

    Davis, Burns, Bril and Lukkien 2007, equation for the worst case: every fourth bit after the
    first is followed by a stuff bit.

        >>> worst_case_bits(8, extended=False), worst_case_bits(8, extended=True)
        (135, 160)
    """
    if fd:
        stuffed = _FD_HEADER[extended] + 8 * size
        return stuffed + (stuffed - 1) // 4 + int(_fd_crc(np.array(size))) + _FD_TRAILER
    stuffed = _HEADER_BITS[extended] + 8 * size + _CRC
    return stuffed + (stuffed - 1) // 4 + _TRAILER


def load(bits: Floats | Ints, t: Ints, bitrate: float, window_ns: int) -> Load:
    """Share of a bus's time that these frames take; a lower bound.

    Frames count where their stamp lies, which is their end. Errors that were not logged and
    repeated frames take time that no log shows. Windows start at multiples of `window_ns`;
    for switching CAN FD frames add `fast * bitrate / data_bitrate` to the nominal bits.

        >>> stamps = np.arange(0, 1_000_000_000, 10_000_000)
        >>> load(np.full(100, 125), stamps, bitrate=500_000, window_ns=100_000_000).peak
        0.025
    """
    if len(t) == 0:
        return Load(0.0, 0.0)
    place = np.unique(t // window_ns, return_inverse=True)[1]
    filled = np.bincount(place, bits) / (bitrate * window_ns * 1e-9)
    span_s = max(int(t.max()) - int(t.min()), window_ns) * 1e-9
    return Load(float(np.sum(bits)) / (bitrate * span_s), float(filled.max()))


def _classic_bits(block: FrameBlock, *, extended: bool) -> Ints:
    """Bits of each classic frame; rows stand longest first."""
    header = _classic_header(block, extended=extended)
    bits = _HEADER_BITS[extended]
    data = _data_columns(block)
    crc = crc15([*unpadded(header, bits), *data], len(block))
    machine = Stuffing(len(block))
    for column in [*padded(header, bits), *data]:
        machine.take(column)
    # the sixteenth bit is the opposite of the last: it ends a run and stuffs nothing
    for column in unpadded((crc << 1 | ~crc & 1).astype(np.int64), _CRC + 1):
        machine.take(column)
    return bits + 8 * block.size.astype(np.int64) + _CRC + _TRAILER + machine.inserted


def _classic_header(block: FrameBlock, *, extended: bool) -> Ints:
    """Start bit, identifier, RTR, IDE, r0 (or SRR, IDE, the rest, RTR, r1, r0), length code."""
    number: Ints = (block.can_id & ~np.uint32(EXTENDED)).astype(np.int64)
    if extended:
        number = (number >> 18) << 27 | 0b11 << 25 | (number & 0x3FFFF) << 7
    else:
        number <<= 7
    number |= ((block.flags & _REMOTE) != 0).astype(np.int64) << 6
    number |= block.dlc
    return number


def _fd_bits(block: FrameBlock, *, extended: bool) -> tuple[Ints, Ints]:
    """Bits at the nominal and at the data rate."""
    header = _fd_header(block, extended=extended)
    bits = _FD_HEADER[extended]
    before, whole = Stuffing(len(block)), Stuffing(len(block))
    for column in padded(header >> _FD_SWITCHED, bits - _FD_SWITCHED):
        before.take(column)
    for column in [*padded(header, bits), *_data_columns(block)]:
        whole.take(column)
    total = bits + 8 * block.size.astype(np.int64) + whole.inserted + _fd_crc(block.size) + _FD_TRAILER
    nominal = bits - _FD_SWITCHED + 1 + before.inserted.astype(np.int64) + _FD_TRAILER
    nominal = np.where(block.flags & _SWITCH, nominal, total)
    return nominal, total - nominal


def _fd_header(block: FrameBlock, *, extended: bool) -> Ints:
    """Start bit, identifier, RRS, IDE, FDF, res, BRS, ESI (or with SRR, IDE, the rest), length code."""
    number: Ints = (block.can_id & ~np.uint32(EXTENDED)).astype(np.int64)
    if extended:
        number = (number >> 18) << 29 | 0b11 << 27 | (number & 0x3FFFF) << 9
    else:
        number <<= 10
    number |= 1 << 7
    number |= ((block.flags & _SWITCH) != 0).astype(np.int64) << 5
    number |= ((block.flags & _PASSIVE) != 0).astype(np.int64) << 4
    number |= block.dlc
    return number


def _fd_crc(size: NDArray[np.integer]) -> Ints:
    """Bits from the stuff count to the fixed stuff bits, by the number of data bytes."""
    return np.where(size <= _FD_LAST_SHORT, _FD_CRC, _FD_LONG_CRC)


def _data_columns(block: FrameBlock) -> list[Bytes]:
    """Data bytes, the first of all rows, the second of those that have two, and so on."""
    longest = int(block.size.max(initial=0))
    columns = np.ascontiguousarray(block.data[:, :longest].T)
    return [columns[place, : np.count_nonzero(block.size > place)] for place in range(longest)]
