"""Frames that come one at a time, and the block they make."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from mixmon.frames.block import CLASSIC_WIDTH, FD_WIDTH, FrameBlock

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
