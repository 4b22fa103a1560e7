"""One pass through a recording: frames up to a place, and where that is."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import LogSource
from mixmon.live.axis import Axis


class Reel:
    """Frames of a recording in order, wound on as far as is asked for.

    log       tells how many bytes have been read
    blocks    the recording's frames
    begin_ns, end_ns  the part that is wound, in ns from the first frame

    first     stamp of the recording's first frame, None before it was read
    place     how far it has been wound, ns from the first frame of the part
    ended     nothing is left
    channels  seen so far
    """

    def __init__(
        self, log: LogSource, blocks: Iterable[FrameBlock], begin_ns: int, end_ns: int | None
    ) -> None:
        self._log, self._blocks = log, iter(blocks)
        self._begin, self._end = begin_ns, end_ns
        self._axis = Axis()
        self._pending = FrameBlock.empty()
        self._places = self._stamps = np.zeros(0, np.int64)
        self.first: int | None = None
        self._newest: tuple[int, int] | None = None  # place and largest stamp of the frames given
        self._bytes = (0, 0)  # of the log, before and after the block at hand
        self._given = self._size = 0  # frames of that block
        self.place = 0
        self.ended = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels, as far as they have been seen."""
        return self._pending.channels

    @property
    def stamp(self) -> int | None:
        """Stamp of the place; None before the first frame. It never passes a frame not yet given."""
        return None if self._newest is None else self._newest[1] + self.place - self._newest[0]

    @property
    def share(self) -> float:
        """Share of the log that has been wound, 0 to 1; 0 where that cannot be told."""
        if self.ended:
            return 1.0
        before, after = self._bytes
        wound = before + (after - before) * self._given / max(self._size, 1)
        return min(wound / self._log.total, 1.0) if self._log.total else 0.0

    def wind(self, limit: int, most: int) -> list[FrameBlock]:
        """The frames up to the place `limit`, at most so many."""
        out: list[FrameBlock] = []
        while most and self._fill():
            count = min(int(np.searchsorted(self._places, limit, side="right")), most)
            if not count:
                break
            out.append(self._pending.take(slice(0, count)))
            self.place = int(self._places[count - 1])
            self._newest = self.place, int(self._stamps[count - 1])
            self._drop(count)
            most -= count
        if len(self._places) and most:
            self.place = max(self.place, min(limit, int(self._places[0])))
        return out

    def stop(self) -> None:
        """Read nothing more."""
        self._blocks = iter(())
        self._drop(len(self._pending))

    def _drop(self, count: int) -> None:
        self._pending = self._pending.take(slice(count, None))
        self._places, self._stamps = self._places[count:], self._stamps[count:]
        self._given += count

    def _fill(self) -> bool:
        """See to it that some frames are pending; False at the end."""
        while not len(self._pending) and not self.ended:
            block = self._next()
            if block is None:
                self.ended = True
            else:
                self._pending = block
                self._places, self._stamps = self._axis.feed(block.t)
        return not self.ended

    def _next(self) -> FrameBlock | None:
        """The next block's frames in the chosen part, maybe none; None at the end of log or part."""
        block = next(self._blocks, None)
        if block is None:
            return None
        if self.first is None:
            self.first = int(block.t[0])
        since = block.t - self.first
        inside = since >= self._begin
        if self._end is not None:
            inside &= since < self._end
            if (since >= self._end).all():
                return None
        kept = block if inside.all() else block.take(inside)
        self._bytes, self._given, self._size = (self._bytes[1], self._log.position), 0, len(kept)
        return kept
