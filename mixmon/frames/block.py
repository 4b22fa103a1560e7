"""FrameBlock: frames as columns.

The one shape in which frames travel. A block is immutable; its constructor checks dtype,
shape and contiguity once, so that nothing later has to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntFlag
from typing import Any, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Ints

EXTENDED = 0x8000_0000
"""Bit of `can_id` that marks a 29-bit identifier."""

CLASSIC_WIDTH = 8  # data bytes of a classic frame (ISO 11898-1)
FD_WIDTH = 64  # data bytes of a CAN FD frame (ISO 11898-1)


def identifier_text(can_id: int) -> str:
    """An identifier as logs write it: three hex digits, or eight for 29-bit identifiers.

    >>> identifier_text(0x2A0), identifier_text(EXTENDED | 0x18FEF100)
    ('2A0', '18FEF100')
    """
    return f"{can_id & ~EXTENDED:08X}" if can_id & EXTENDED else f"{can_id:03X}"


class FrameFlag(IntFlag):
    """What a frame is besides its identifier and bytes."""

    FD = 1
    BIT_RATE_SWITCH = 2
    ERROR_STATE = 4
    REMOTE = 8
    ERROR = 16
    SENT = 32
    RECEIVED = 64


NOT_DATA = FrameFlag.REMOTE | FrameFlag.ERROR
"""Frames with one of these flags are evidence about the bus and are never decoded."""

_FRAME_COLUMNS = (
    ("t", np.int64),
    ("can_id", np.uint32),
    ("bus", np.uint8),
    ("size", np.uint8),
    ("dlc", np.uint8),
    ("flags", np.uint8),
)


@dataclass(frozen=True, slots=True, eq=False)
class FrameBlock:
    """n frames in the order in which they arrived.

    t        int64[n]    nanoseconds, as stamped by the log or the bus; never reordered here
    can_id   uint32[n]   identifier; bit 31 set for 29-bit identifiers
                         (an error frame keeps its class bits, and the ERROR flag)
    bus      uint8[n]    index into `channels`
    size     uint8[n]    data bytes that follow (0 for remote frames)
    dlc      uint8[n]    raw data length code, 0..15 (a remote frame's asked length)
    flags    uint8[n]    FrameFlag bits
    data     uint8[n,w]  w = 8, or 64 in a block with CAN FD; zero beyond `size`
    channels             names of the interfaces, as in the log; only ever grows
    """

    t: Ints
    can_id: NDArray[np.uint32]
    bus: Bytes
    size: Bytes
    dlc: Bytes
    flags: Bytes
    data: Bytes
    channels: tuple[str, ...]

    def __repr__(self) -> str:
        return f"<FrameBlock: {len(self.t)} frames of {', '.join(self.channels)}>"

    def __post_init__(self) -> None:
        n = len(self.t)
        for name, dtype in _FRAME_COLUMNS:
            column = getattr(self, name)
            if column.dtype != dtype or column.shape != (n,):
                raise ValueError(f"FrameBlock.{name}: {column.dtype}{column.shape}, expected {dtype}({n},)")
        if self.data.dtype != np.uint8 or self.data.shape not in ((n, CLASSIC_WIDTH), (n, FD_WIDTH)):
            raise ValueError(
                f"FrameBlock.data: {self.data.dtype}{self.data.shape}, expected uint8({n}, 8 or 64)"
            )
        if not self.data.flags.c_contiguous:
            raise ValueError("FrameBlock.data: expected C order")

    def __len__(self) -> int:
        return len(self.t)

    @property
    def width(self) -> int:
        """Bytes of data a row can hold: 8 or 64."""
        return int(self.data.shape[1])

    @classmethod
    def empty(cls, channels: tuple[str, ...] = (), width: int = CLASSIC_WIDTH) -> Self:
        """A block with no frames."""
        none = np.zeros(0, np.uint8)
        data = np.zeros((0, width), np.uint8)
        return cls(np.zeros(0, np.int64), np.zeros(0, np.uint32), none, none, none, none, data, channels)

    def take(self, rows: NDArray[Any] | slice) -> FrameBlock:
        """The chosen frames (mask, indices or slice), in the order given."""
        return FrameBlock(
            self.t[rows],
            self.can_id[rows],
            self.bus[rows],
            self.size[rows],
            self.dlc[rows],
            self.flags[rows],
            np.ascontiguousarray(self.data[rows]),
            self.channels,
        )

    def widened(self, width: int) -> FrameBlock:
        """The same frames in rows of at least `width` data bytes."""
        if width <= self.width:
            return self
        data = np.zeros((len(self), width), np.uint8)
        data[:, : self.width] = self.data
        return FrameBlock(self.t, self.can_id, self.bus, self.size, self.dlc, self.flags, data, self.channels)


def concat(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """All frames of the blocks, in order; the last block's `channels` must extend the others'.

    Raises:
        ValueError: the channel tables disagree.
    """
    if not blocks:
        return FrameBlock.empty()
    if len(blocks) == 1:
        return blocks[0]
    channels = max((b.channels for b in blocks), key=len)
    if any(b.channels != channels[: len(b.channels)] for b in blocks):
        raise ValueError("blocks with different channel tables cannot be joined")
    width = max(b.width for b in blocks)
    wide = [b.widened(width) for b in blocks]
    return FrameBlock(
        np.concatenate([b.t for b in wide]),
        np.concatenate([b.can_id for b in wide]),
        np.concatenate([b.bus for b in wide]),
        np.concatenate([b.size for b in wide]),
        np.concatenate([b.dlc for b in wide]),
        np.concatenate([b.flags for b in wide]),
        np.concatenate([b.data for b in wide]),
        channels,
    )


# Frames that come one at a time, and the block they make.

MOST_INTERFACES = 256
"""A FrameBlock numbers interfaces in one byte."""


class FrameRow(NamedTuple):
    """One frame: the fields of a FrameBlock's row, with the interface by name."""

    t: int
    can_id: int
    interface: str
    dlc: int
    flags: int
    data: bytes


class Interfaces:
    """Numbers of interfaces, in order of first appearance."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}
        self.names: tuple[str, ...] = ()

    def number(self, name: str) -> int | None:
        """The number of an interface; a new one gets the next, None when there is none left."""
        number = self._numbers.get(name)
        if number is None and len(self._numbers) < MOST_INTERFACES:
            number = self._numbers[name] = len(self._numbers)
            self.names = (*self.names, name)
        return number

    def __getitem__(self, name: str) -> int:
        return self._numbers[name]


def block_of(rows: Sequence[FrameRow], interfaces: Interfaces) -> FrameBlock:
    """The rows as columns, 64 data bytes wide if one of them needs it.

    Raises:
        KeyError: an interface has no number (see `Interfaces.number`).
    """
    if not rows:
        return FrameBlock.empty(interfaces.names)
    t, can_id, names, dlc, flags, data = zip(*rows, strict=True)
    size = np.array([len(each) for each in data], np.uint8)
    width = CLASSIC_WIDTH if size.max() <= CLASSIC_WIDTH else FD_WIDTH
    joined = bytearray().join([each.ljust(width, b"\0") for each in data])
    return FrameBlock(
        np.array(t, np.int64),
        np.array(can_id, np.uint32),
        np.array([interfaces[name] for name in names], np.uint8),
        size,
        np.array(dlc, np.uint8),
        np.array(flags, np.uint8),
        np.frombuffer(joined, np.uint8).reshape(len(rows), width),
        interfaces.names,
    )
