"""FrameBlock -> candump text, as `candump -l` writes it.

How it works: every line is laid out in a row of fixed cells, one field a range of cells, with
NUL where a line has no character; dropping the NULs gives the text. No line is handled alone.
"""

from __future__ import annotations

import re

import numpy as np

from mixmon.arrays import Bytes, Ints
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag
from mixmon.frames.candump_line import ERROR_BIT

_LINES_AT_ONCE = 16_384
"""Lines laid out at a time; bounds memory and keeps the cells in the cache."""

_HEX_CHARS = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_HEX_PAIRS_OF_BYTE = np.array([[_HEX_CHARS[byte >> 4], _HEX_CHARS[byte & 15]] for byte in range(256)])
_UNNAMEABLE = re.compile(rb"[^!-~]")
_SECOND_DIGITS = 10  # as candump -l writes them (can-utils, candump.c)
_FD_MARK = 4
"""Flag bit of CAN FD itself, which recent kernels log (linux/can.h, CANFD_FDF)."""


def write_candump(block: FrameBlock, fraction_digits: int = 6) -> bytes:
    r"""The frames as lines of a candump log, each ended by a newline.

    Stamps are cut to `fraction_digits` (1 to 9); with 9, `CandumpReader` gives the same block
    again. Interface names are not padded; what cannot stand in one (a blank, a letter beyond
    ASCII) is written as `_`.

        >>> from mixmon.frames.candump import CandumpReader
        >>> block = CandumpReader().feed(b"(1.5) can0 123#1122 T\n")
        >>> write_candump(block, fraction_digits=3)
        b'(0000000001.500) can0 123#1122 T\n'

    Raises:
        ValueError: a stamp before the epoch, for which candump text has no form, or another
            number of digits.
    """
    if not 1 <= fraction_digits <= 9:
        raise ValueError(f"fraction_digits: {fraction_digits}, expected 1 to 9")
    if len(block) and int(block.t.min()) < 0:
        raise ValueError(f"stamp {int(block.t.min())} ns lies before the epoch; expected 0 or more")
    rows = (
        block.take(slice(at, at + _LINES_AT_ONCE)) for at in range(0, len(block), _LINES_AT_ONCE)
    )  # never empty
    return b"".join(_lay_out_lines(part, fraction_digits) for part in rows)


def _lay_out_lines(block: FrameBlock, fraction_digits: int) -> bytes:
    """The lines of a block that is not empty."""
    cells = np.hstack(
        [
            _repeat_text(block, b"("),
            _write_decimal(block.t // 1_000_000_000, _SECOND_DIGITS),
            _repeat_text(block, b"."),
            _write_decimal(block.t % 1_000_000_000 // 10 ** (9 - fraction_digits), fraction_digits),
            _repeat_text(block, b") "),
            _write_names(block),
            _repeat_text(block, b" "),
            _write_identifiers(block),
            _repeat_text(block, b"#"),
            _write_remote(block) if np.any(block.flags & FrameFlag.REMOTE) else _no_cells(block),
            _write_fd_flags(block) if np.any(block.flags & FrameFlag.FD) else _no_cells(block),
            _write_data(block),
            _write_raw_code(block) if np.any(block.dlc > 8) else _no_cells(block),
            _write_direction(block),
            _repeat_text(block, b"\n"),
        ]
    )
    text: bytes = cells[cells != 0].tobytes()
    return text


def _no_cells(block: FrameBlock) -> Bytes:
    """Cells of a field that no line has: uint8[n, 0]. Every writer of a field gives uint8[n, cells]."""
    return np.zeros((len(block), 0), np.uint8)


def _repeat_text(block: FrameBlock, text: bytes) -> Bytes:
    """The same text in every line."""
    return np.broadcast_to(np.frombuffer(text, np.uint8), (len(block), len(text)))


def _write_decimal(values: Ints, digits: int) -> Bytes:
    """Numbers in so many digits, with zeros in front."""
    cells = np.empty((len(values), digits), np.uint8)
    for column in range(digits - 1, -1, -1):
        tens = values // 10
        cells[:, column] = values - 10 * tens + ord("0")
        values = tens
    return cells


def _write_names(block: FrameBlock) -> Bytes:
    """Names of the interfaces, with `_` for what cannot stand in one."""
    names = [_UNNAMEABLE.sub(b"_", name.encode("ascii", "replace")) or b"_" for name in block.channels]
    width = max(map(len, names), default=0)
    table = np.frombuffer(b"".join(name.ljust(width, b"\0") for name in names), np.uint8)
    cells: Bytes = table.reshape(len(names), width)[block.bus]
    return cells


def _write_identifiers(block: FrameBlock) -> Bytes:
    """Three hex digits, or eight for 29-bit identifiers and error frames."""
    error = (block.flags & FrameFlag.ERROR) != 0
    number = np.where(error, block.can_id | ERROR_BIT, block.can_id) & ~np.uint32(EXTENDED)
    shifts = np.arange(28, -4, -4, dtype=np.uint32)
    cells: Bytes = _HEX_CHARS[(number[:, None] >> shifts) & 15]
    cells[~error & (block.can_id < EXTENDED), :5] = 0
    return cells


def _write_remote(block: FrameBlock) -> Bytes:
    """`R`, `R5` or `R8_9`, by the length asked for."""
    cells = np.zeros((len(block), 4), np.uint8)
    remote = (block.flags & FrameFlag.REMOTE) != 0
    cells[remote, 0] = ord("R")
    asked = remote & (block.dlc > 0)
    cells[asked, 1] = _HEX_CHARS[np.minimum(block.dlc[asked], 8)]
    return cells


def _write_fd_flags(block: FrameBlock) -> Bytes:
    """`#` and the flag digit."""
    fd = (block.flags & FrameFlag.FD) != 0
    digit = (block.flags & FrameFlag.BIT_RATE_SWITCH) // 2 + (block.flags & FrameFlag.ERROR_STATE) // 2
    cells = np.zeros((len(block), 2), np.uint8)
    cells[fd, 0] = ord("#")
    cells[fd, 1] = _HEX_CHARS[digit[fd] + _FD_MARK]
    return cells


def _write_data(block: FrameBlock) -> Bytes:
    """Two hex digits for each data byte."""
    cells = _HEX_PAIRS_OF_BYTE[block.data]
    cells[np.arange(block.width) >= block.size[:, None]] = 0
    return cells.reshape(len(block), 2 * block.width)


def _write_raw_code(block: FrameBlock) -> Bytes:
    """`_9` to `_F` behind eight bytes or `R8`; that of CAN FD follows from the length."""
    raw = (block.dlc > 8) & ((block.flags & FrameFlag.FD) == 0)
    cells = np.zeros((len(block), 2), np.uint8)
    cells[raw, 0] = ord("_")
    cells[raw, 1] = _HEX_CHARS[block.dlc[raw] & 15]
    return cells


def _write_direction(block: FrameBlock) -> Bytes:
    """` R` or ` T` where the direction is known."""
    cells = np.zeros((len(block), 2), np.uint8)
    for flag, mark in ((FrameFlag.RECEIVED, b" R"), (FrameFlag.SENT, b" T")):
        cells[(block.flags & flag) != 0] = np.frombuffer(mark, np.uint8)
    return cells
