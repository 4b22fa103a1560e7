"""How long time ran, and where it broke.

Frames are taken in the order of their arrival. Where the stamps jump by more than the clock of
`frames.clock` would bridge (logs joined end to end, a device that was reset) time is broken:
nothing that is measured in time may span the break.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import BACKWARD_JUMP_NS, FORWARD_JUMP_NS


@dataclass(frozen=True, slots=True)
class Break:
    """Time ran to `end` and goes on at `begin`, ns."""

    end: int
    begin: int


class Timeline:
    """A stage: cuts blocks where time breaks, and counts.

    first, newest   stamp of the first frame; largest stamp since the last break; None before any
    breaks          breaks of time
    backward        frames stamped before the frame that came before them, breaks left out
    """

    def __init__(self) -> None:
        self.first: int | None = None
        self.newest: int | None = None
        self.breaks = 0
        self.backward = 0
        self._begin = 0
        self._ran = 0
        self._previous = 0

    @property
    def duration_ns(self) -> int:
        """Time that ran, breaks left out."""
        return 0 if self.newest is None else self._ran + self.newest - self._begin

    def cut(self, block: FrameBlock) -> Iterator[FrameBlock | Break]:
        """The block in unbroken parts, with a Break before each part that needs one."""
        while len(block):
            if self.newest is None:
                self.first = self.newest = self._begin = self._previous = int(block.t[0])
            same = self._until_break(block)
            if same:
                part = block if same == len(block) else block.take(slice(0, same))
                self._note(part)
                yield part
            if same == len(block):
                return
            block = block.take(slice(same, None))
            yield self._break(int(block.t[0]))

    def _until_break(self, block: FrameBlock) -> int:
        """How many of the leading frames come before time breaks."""
        before = np.maximum.accumulate(np.concatenate([[self.newest], block.t[:-1]]))
        broken = (block.t > before + FORWARD_JUMP_NS) | (block.t < before - BACKWARD_JUMP_NS)
        first = int(broken.argmax())
        return first if broken[first] else len(block)

    def _note(self, part: FrameBlock) -> None:
        assert self.newest is not None
        self.newest = max(self.newest, int(part.t.max()))
        self.backward += int(np.count_nonzero(np.diff(part.t, prepend=self._previous) < 0))
        self._previous = int(part.t[-1])

    def _break(self, begin: int) -> Break:
        assert self.newest is not None
        found = Break(self.newest, begin)
        self._ran += self.newest - self._begin
        self.breaks += 1
        self.newest = self._begin = self._previous = begin
        return found
