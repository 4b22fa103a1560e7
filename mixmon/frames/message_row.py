"""One message of python-can as a row of a FrameBlock, or why it cannot have been on a bus."""

from __future__ import annotations

import math
from typing import Protocol

from mixmon.frames.block import EXTENDED, FrameFlag
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_SECOND, LAST_STANDARD
from mixmon.frames.read_report import Reason
from mixmon.frames.rows import FrameRow

# plain numbers: an enum's `|` takes a microsecond
_RECEIVED, _SENT = int(FrameFlag.RECEIVED), int(FrameFlag.SENT)


class Message(Protocol):
    """A message as python-can hands it out."""

    timestamp: float
    arbitration_id: int
    is_extended_id: bool
    is_remote_frame: bool
    is_error_frame: bool
    is_fd: bool
    is_rx: bool
    bitrate_switch: bool
    error_state_indicator: bool
    dlc: int
    data: bytearray


def message_row(message: Message, interface: str) -> FrameRow | Reason:
    """The message as a row of `interface`."""
    if not (math.isfinite(message.timestamp) and 0 <= message.timestamp < LAST_SECOND + 1):
        return Reason.TIME
    if not 0 <= message.arbitration_id <= (LAST_EXTENDED if message.is_extended_id else LAST_STANDARD):
        return Reason.IDENTIFIER
    code = _length_code(message)
    if code is None:
        return Reason.LENGTH
    extended = EXTENDED if message.is_extended_id and not message.is_error_frame else 0
    return FrameRow(
        _nanoseconds(message.timestamp),
        message.arbitration_id | extended,
        interface,
        code,
        _flags(message),
        b"" if message.is_remote_frame else bytes(message.data),
    )


def _nanoseconds(seconds: float) -> int:
    """Whole seconds apart, so that only the float itself rounds: 0.24 µs in this century."""
    fraction, whole = math.modf(seconds)
    return int(whole) * 1_000_000_000 + round(fraction * 1e9)


def _length_code(message: Message) -> int | None:
    """Raw data length code; None where length and data cannot belong together."""
    size = len(message.data)
    if message.is_fd:
        return FD_SIZES.index(size) if size in FD_SIZES else None
    if message.is_remote_frame or size == 8:
        return message.dlc if size <= message.dlc <= 15 else None
    return size if size == message.dlc and size < 8 else None


def _flags(message: Message) -> int:
    flags = _RECEIVED if message.is_rx else _SENT
    if message.is_fd:
        flags |= FrameFlag.FD
        flags |= FrameFlag.BIT_RATE_SWITCH if message.bitrate_switch else 0
        flags |= FrameFlag.ERROR_STATE if message.error_state_indicator else 0
    if message.is_remote_frame:
        flags |= FrameFlag.REMOTE
    if message.is_error_frame:
        flags |= FrameFlag.ERROR
    return int(flags)
