"""What is on the buses now: frames and load over the last second, and whose identifiers."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.bits import frame_bits
from mixmon.frames.block import FrameBlock, FrameFlag

WINDOW_NS = 1_000_000_000
PATIENCE_NS = 200_000_000
"""Frames come in batches: a bus is not called slower for a batch that is on its way."""

MOST_IDENTIFIERS = 2048

Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """One channel: over the last second of data time, and since the beginning.

    frames_per_s, bits_per_s  over the last second
    newest    stamp of its newest frame; None before the first
    frames    data and remote frames so far
    errors    error frames so far
    """

    frames_per_s: float
    bits_per_s: float
    newest: int | None
    frames: int
    errors: int


UNHEARD = ChannelNow(0.0, 0.0, None, 0, 0)
"""A channel of which nothing has come."""


class Meter:
    """Counts frames as they arrive. `identifiers` holds those seen, by channel."""

    def __init__(self) -> None:
        self._channels: tuple[str, ...] = ()
        self._lately: deque[tuple[int, int, Counts, Counts]] = deque()  # first, last, frames, bits
        self._newest: dict[str, int] = {}
        self._frames: dict[str, int] = {}
        self._errors: dict[str, int] = {}
        self._last: int | None = None
        self.identifiers: dict[str, set[int]] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take frames of one source; channels are numbered as they were, and more may join."""
        if not len(block):
            return
        self._channels = block.channels
        error = (block.flags & FrameFlag.ERROR) != 0
        self._count(block, error)
        first, last = int(block.t[0]), int(block.t[-1])
        if self._last is not None and abs(last - self._last) > WINDOW_NS:
            self._lately.clear()  # a pause, or another clock: rates begin anew
        self._last = last
        recent = block.take(slice(int(np.searchsorted(block.t, last - WINDOW_NS)), None))
        bits = frame_bits(recent).astype(np.float64)
        size = len(block.channels)
        sums = np.bincount(recent.bus, bits, size).astype(np.int64)
        self._lately.append((first, last, np.bincount(recent.bus, minlength=size), sums))
        while self._lately[0][1] <= last - WINDOW_NS:
            self._lately.popleft()

    def now(self, t: int) -> dict[str, ChannelNow]:
        """Every channel so far, at data time `t`."""
        frames, bits = np.zeros(len(self._channels)), np.zeros(len(self._channels))
        end = t if self._last is None or t - self._last > PATIENCE_NS else self._last
        lately = [part for part in self._lately if part[1] > end - WINDOW_NS]
        for _, _, count, sums in lately:
            frames[: len(count)] += count
            bits[: len(sums)] += sums
        span = end - lately[0][0] if lately else WINDOW_NS
        seconds = min(max(span, PATIENCE_NS), WINDOW_NS) / WINDOW_NS
        return {
            name: ChannelNow(
                float(frames[i]) / seconds,
                float(bits[i]) / seconds,
                self._newest.get(name),
                self._frames.get(name, 0),
                self._errors.get(name, 0),
            )
            for i, name in enumerate(self._channels)
        }

    def _count(self, block: FrameBlock, error: NDArray[np.bool_]) -> None:
        for i in np.unique(block.bus).tolist():
            name, here = block.channels[i], block.bus == i
            errors = int(np.count_nonzero(error & here))
            self._newest[name] = int(block.t[here].max())
            self._errors[name] = self._errors.get(name, 0) + errors
            self._frames[name] = self._frames.get(name, 0) + int(np.count_nonzero(here)) - errors
            known = self.identifiers.setdefault(name, set())
            if len(known) < MOST_IDENTIFIERS:
                known.update(np.unique(block.can_id[here & ~error]).tolist())
