"""Frames of several live buses in one order of time.

Each bus says through which time it has given everything; frames go out up to the least of
these, sorted by stamp. The order within a bus is never touched: a frame stamped before its
predecessor goes right behind it. What comes out is what the recorder writes, so a replay
sees the frames in the order in which they were seen live.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from mixmon.frames.block import FrameBlock, concat

NEVER = 1 << 62


class Merger:
    """Holds frames until every bus has come as far. `held` counts them.

    A lone bus waits for nobody.
    """

    def __init__(self, buses: int, now: int) -> None:
        self._held: list[deque[FrameBlock]] = [deque() for _ in range(buses)]
        self._through = [now] * buses
        self._newest = [-NEVER] * buses
        self.held = 0

    @property
    def through(self) -> int:
        """Every frame stamped before this has been added (or is late by its own clock)."""
        return min(self._through)

    def add(self, bus: int, block: FrameBlock, through: int) -> None:
        """Frames of one bus, and the time through which that bus is complete."""
        if len(block):
            self._held[bus].append(block)
            self.held += len(block)
        self._through[bus] = max(through, self._through[bus])

    def leave(self, bus: int) -> None:
        """Nothing more will come from this bus."""
        self._through[bus] = NEVER

    def ready(self) -> bool:
        """True when `release` has something to give."""
        limit = self._limit()
        return any(held and held[0].t[0] <= limit for held in self._held)

    def release(self) -> FrameBlock:
        """The frames that are due, in order."""
        parts = [self._due(bus) for bus in range(len(self._held))]
        if len(parts) == 1:
            return parts[0][0]
        blocks = [block for block, _ in parts]
        keys = np.concatenate([key for _, key in parts])
        return concat(blocks).take(np.argsort(keys, kind="stable"))

    def _limit(self) -> int:
        return NEVER if len(self._held) == 1 else self.through

    def _due(self, bus: int) -> tuple[FrameBlock, np.ndarray[tuple[int], np.dtype[np.int64]]]:
        """One bus's frames up to the limit, and the times by which they are sorted."""
        held = self._held[bus]
        if not held:
            return FrameBlock.empty(), np.zeros(0, np.int64)
        block = concat(list(held))
        key = np.maximum(np.maximum.accumulate(block.t), self._newest[bus])
        count = int(np.searchsorted(key, self._limit(), side="right"))
        held.clear()
        if count < len(block):
            held.append(block.take(slice(count, None)))
        if count:
            self._newest[bus] = int(key[count - 1])
        self.held -= count
        return block.take(slice(0, count)), key[:count]
