"""Columns of frames whose source may hold what cannot have been on a bus -> FrameBlock, and the rejects.

What python-can's readers and MDF files hand out is checked here, whole columns at a time; candump text has
a grammar of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.frames.account import KEPT_REJECTS, ReadReport, Reason
from mixmon.frames.block import CLASSIC_WIDTH, EXTENDED, FD_WIDTH, FrameBlock, FrameFlag, Interfaces
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_SECOND, LAST_STANDARD

UNNAMED = "unnamed"
"""Interface of frames whose log names none."""

IMPOSSIBLE = -1
"""Stamp of a frame without a possible one (see `LAST_SECOND`); our choice: no stamp is negative."""

_NO_CODE = 255  # our choice: above every data length code
_REMOTE, _ERROR, _FD = int(FrameFlag.REMOTE), int(FrameFlag.ERROR), int(FrameFlag.FD)


def _fd_codes() -> Bytes:
    """Data length codes of CAN FD by size, up to one byte more than the longest."""
    codes = np.full(FD_WIDTH + 2, _NO_CODE, np.uint8)
    codes[list(FD_SIZES)] = np.arange(len(FD_SIZES))
    return codes


_FD_CODES = _fd_codes()


@dataclass(frozen=True, slots=True, eq=False)
class Unchecked:
    """n frames as their source gave them.

    t         int64[n]    ns; IMPOSSIBLE where there is none
    can_id    int64[n]    identifier without the mark of its length
    extended  bool[n]     it has 29 bits
    flags     uint8[n]    FrameFlag bits
    code      int64[n]    data length code, or the size in bytes: sources differ
    size      int64[n]    data bytes that follow
    names     the interfaces
    name      int64[n]    index into `names`
    data      all data bytes, frame after frame
    """

    t: Ints
    can_id: Ints
    extended: Bools
    flags: Bytes
    code: Ints
    size: Ints
    names: Sequence[str]
    name: Ints
    data: Bytes


def in_ns(seconds: Floats) -> Ints:
    """Stamps in ns. Whole seconds go apart: only the float itself rounds, by 0.24 us in this century."""
    possible = np.isfinite(seconds) & (seconds >= 0) & (seconds < LAST_SECOND + 1)
    fraction, whole = np.modf(np.where(possible, seconds, 0.0))
    t = whole.astype(np.int64) * 1_000_000_000 + np.rint(fraction * 1e9).astype(np.int64)
    return np.where(possible, t, IMPOSSIBLE)


def check(raw: Unchecked, interfaces: Interfaces, report: ReadReport) -> FrameBlock:
    """The frames that can have been on a bus; the others are rejected.

    `report.lines` counts them all, one line a frame.
    """
    code = _length_codes(raw)
    last = np.where(raw.extended, LAST_EXTENDED, LAST_STANDARD)
    wrong_id = (raw.can_id < 0) | (raw.can_id > last)
    why = np.zeros(len(raw.t), np.uint8)  # index into _REASONS; the first that applies
    for reason, wrong in ((3, code == _NO_CODE), (2, wrong_id), (1, raw.t < 0)):
        why[wrong] = reason
    bus, unnumbered = _number_interfaces(raw, why == 0, interfaces)
    why[unnumbered] = 4
    block = _join(raw, code, bus, why == 0, interfaces.names)
    _count(why, raw, block, report)
    return block


_REASONS = (None, Reason.TIME, Reason.IDENTIFIER, Reason.LENGTH, Reason.INTERFACES)


def _length_codes(raw: Unchecked) -> Bytes:
    """Raw data length codes; _NO_CODE where code and data do not fit together."""
    size, code = raw.size, raw.code
    codes = np.where((size == code) & (size < CLASSIC_WIDTH), size, _NO_CODE)
    free = (raw.flags & _REMOTE != 0) | (size == CLASSIC_WIDTH)
    codes[free] = np.where((code >= size) & (code <= 15), code, _NO_CODE)[free]
    fd = raw.flags & _FD != 0
    codes[fd] = _FD_CODES[np.minimum(size[fd], FD_WIDTH + 1)]
    return codes.astype(np.uint8)


def _number_interfaces(raw: Unchecked, valid: Bools, interfaces: Interfaces) -> tuple[Bytes, Bools]:
    """Numbers of the interfaces, in order of first appearance among valid frames; which have none left."""
    rows = np.flatnonzero(valid)[::-1]
    first = np.full(len(raw.names), len(raw.t))
    first[raw.name[rows]] = rows  # of several rows the last that is written stays: the first frame's
    numbers = np.zeros(len(raw.names), np.uint8)
    none_left = np.zeros(len(raw.names), np.bool_)
    for index in np.argsort(first, kind="stable").tolist():
        if first[index] < len(raw.t):
            number = interfaces.number(raw.names[index])
            numbers[index], none_left[index] = number or 0, number is None
    return numbers[raw.name], valid & none_left[raw.name]


def _join(raw: Unchecked, code: Bytes, bus: Bytes, valid: Bools, channels: tuple[str, ...]) -> FrameBlock:
    """The valid frames; remote frames have no data."""
    size = np.where(raw.flags & _REMOTE != 0, 0, raw.size)
    data = raw.data
    if not valid.all() or (size != raw.size).any():
        kept = np.repeat(valid & (size == raw.size), raw.size)
        data, size = data[kept], size[valid]
        raw = Unchecked(
            raw.t[valid],
            raw.can_id[valid],
            raw.extended[valid],
            raw.flags[valid],
            raw.code,
            raw.size,
            raw.names,
            raw.name,
            data,
        )
        code, bus = code[valid], bus[valid]
    width = CLASSIC_WIDTH if size.max(initial=0) <= CLASSIC_WIDTH else FD_WIDTH
    rows = np.zeros((len(size), width), np.uint8)
    rows[np.arange(width) < size[:, None]] = data
    can_id = raw.can_id.astype(np.uint32)
    can_id[raw.extended & (raw.flags & _ERROR == 0)] |= np.uint32(EXTENDED)
    return FrameBlock(raw.t, can_id, bus, size.astype(np.uint8), code, raw.flags, rows, channels)


def _count(why: Bytes, raw: Unchecked, block: FrameBlock, report: ReadReport) -> None:
    """Counts frames and rejects."""
    for row in np.flatnonzero(why).tolist():
        reason = _REASONS[why[row]]
        assert reason is not None
        text = _describe(raw, row) if len(report.first_rejected) < KEPT_REJECTS else ""
        report.reject(report.lines + row + 1, reason, text)
    report.lines += len(why)
    report.count(block.flags)


def _describe(raw: Unchecked, row: int) -> str:
    """One of them as text."""
    first = int(raw.size[:row].sum())
    data = raw.data[first : first + min(int(raw.size[row]), FD_WIDTH)].tobytes()
    stamp = "no time" if raw.t[row] == IMPOSSIBLE else f"{raw.t[row] / 1e9:.6f}"
    name = raw.names[raw.name[row]]
    lengths = f"{raw.size[row]} bytes, length code {raw.code[row]}"
    return f"({stamp}) {name} {raw.can_id[row]:X}#{data.hex().upper()} {lengths}"
