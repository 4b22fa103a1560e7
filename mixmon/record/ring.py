"""The last seconds before a recording begins."""

from __future__ import annotations

from collections import deque

from mixmon.frames.block import FrameBlock

S = 1_000_000_000
MOST_FRAMES = 1_000_000
"""Two minutes of 8,000 frames a second, 35 MB."""
MOST_NOTES = 10_000


class Ring:
    """Frames and notes of the last `seconds`, by data time. Memory is bounded."""

    def __init__(self, seconds: float) -> None:
        self._span = round(seconds * S)
        self._blocks: deque[FrameBlock] = deque()
        self._notes: deque[tuple[int, bytes]] = deque(maxlen=MOST_NOTES)
        self._frames = 0
        self._newest = 0

    def add(self, block: FrameBlock) -> None:
        """Frames that came; those that are too old now are forgotten."""
        if not len(block):
            return
        self._newest = max(self._newest, int(block.t.max()))
        self._blocks.append(block)
        self._frames += len(block)
        while self._blocks and (self._frames > MOST_FRAMES or self._is_old(self._blocks[0])):
            self._frames -= len(self._blocks.popleft())

    def note(self, t: int, line: bytes) -> None:
        """A note at data time `t`."""
        self._notes.append((t, line))
        while self._notes and self._notes[0][0] < self._newest - self._span:
            self._notes.popleft()

    @property
    def rate(self) -> float:
        """Frames a second, over what is held."""
        if not self._blocks:
            return 0.0
        spanned = self._newest - int(self._blocks[0].t.min())
        return self._frames / max(spanned / S, 1.0)

    def drain(self) -> tuple[list[FrameBlock], list[bytes]]:
        """What is held of the last seconds; the ring is empty then."""
        since = self._newest - self._span
        blocks = [block.take(block.t >= since) for block in self._blocks]
        notes = [line for t, line in self._notes if t >= since]
        self._blocks.clear()
        self._notes.clear()
        self._frames = 0
        return [block for block in blocks if len(block)], notes

    def _is_old(self, block: FrameBlock) -> bool:
        return int(block.t.max()) < self._newest - self._span
