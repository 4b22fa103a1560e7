"""One bus: frames that senders ask for, put behind one another as on a wire, stamped at their end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.bits import frame_bits
from mixmon.frames.block import FrameBlock, concat

STAMP_NS = 1000
"""Stamps are whole microseconds, as candump writes them, so that log and stream are the same."""

NS = 1_000_000_000


class Wire:
    """A bus of one bit rate. Frames wait until the one before has ended; ties go by identifier."""

    def __init__(self, bitrate: int) -> None:
        self._bit_ns = NS / bitrate
        self._free = -(2**62)
        self._waiting = FrameBlock.empty()
        self._sent = FrameBlock.empty()

    def send(self, asked: FrameBlock, to_ns: int) -> FrameBlock:
        """The frames whose stamp is before `to_ns`, in order.

        `asked` holds frames with the moment at which their sender wants to send; all moments
        before `to_ns` must have been asked for by now.
        """
        frames = concat([self._waiting, asked])
        order = np.lexsort((frames.can_id, frames.t))
        now = order[: int(np.searchsorted(frames.t[order], to_ns, "left"))]
        self._waiting = frames.take(order[len(now) :])
        ended = concat([self._sent, self._put_on(frames.take(now))])
        out = int(np.searchsorted(ended.t, to_ns, "left"))
        self._sent = ended.take(slice(out, None))
        return ended.take(slice(0, out))

    def _put_on(self, frames: FrameBlock) -> FrameBlock:
        """Each frame starts when asked and when the bus is free: a running maximum over start minus load."""
        if len(frames) == 0:
            return frames
        length = np.rint(frame_bits(frames) * self._bit_ns).astype(np.int64)
        before = np.cumsum(length) - length
        start = np.maximum.accumulate(np.maximum(frames.t, self._free) - before) + before
        ended = start + length
        self._free = int(ended[-1])
        return _stamped(frames, ended // STAMP_NS * STAMP_NS)


def merged(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """Ordered blocks of several buses as one, in the order of their stamps."""
    together = concat(blocks)
    return together.take(np.argsort(together.t, kind="stable"))


def shifted(frames: FrameBlock, by_ns: int) -> FrameBlock:
    """The same frames, later."""
    return _stamped(frames, frames.t + by_ns)


def _stamped(frames: FrameBlock, t: NDArray[np.int64]) -> FrameBlock:
    return FrameBlock(
        t, frames.can_id, frames.bus, frames.size, frames.dlc, frames.flags, frames.data, frames.channels
    )
