"""Frames in order of time, and how far time has certainly come.

Two buses in one log, or a USB adapter that bunches, deliver frames slightly out of order.
`FrameClock` holds frames back until the watermark (largest stamp seen, less the allowed lateness)
has passed them and lets them go sorted by stamp; equal stamps keep their order of arrival.
A frame that comes behind the watermark as it stood *before that frame* is late: counted,
and left out, whatever the chunks were.

A stamp more than `FORWARD_JUMP_NS` ahead, or `BACKWARD_JUMP_NS` behind, is not lateness but
another clock: logs joined end to end, a device that was reset, one mad line. The stretch of
time ends there and a new one begins; nothing is reordered across the border.

Only where one clock is known to have stamped all frames, as on live buses and in runs of them, does a stamp
far ahead mean that the bus was silent: there rows are made of the silence, up to `FORWARD_JUMP_NS`.

`clock_text` is the one way in which screens, text and messages show a moment, counted from the first frame.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import SECOND_NS, Ints
from mixmon.frames.block import FrameBlock, concat


def clock_text(seconds: float) -> str:
    """Minutes, seconds and tenths; hours where there are any.

    Negative where stamps have jumped back before the first frame.

    >>> clock_text(251.64), clock_text(3725.0), clock_text(-75.0)
    ('04:11.6', '1:02:05', '-01:15.0')
    """
    tenths = round(10 * seconds) if math.isfinite(seconds) else 0
    sign = "-" if tenths < 0 else ""
    minutes, tenths = divmod(abs(tenths), 600)
    if minutes >= 60:
        return f"{sign}{minutes // 60}:{minutes % 60:02d}:{tenths // 10:02d}"
    return f"{sign}{minutes:02d}:{tenths // 10:02d}.{tenths % 10}"


_CLOCK = re.compile(r"(?:(?:(\d+):)?(\d+):)?(\d+(?:\.\d*)?)", re.ASCII)


_LAST_CLOCK_S = 1e9
"""Our choice: thirty years; no log is longer."""


def clock_seconds(text: str) -> float | None:
    """Seconds of a time as the clock shows it, MM:SS or H:MM:SS, or given as seconds alone; None for others.

    >>> clock_seconds("04:11.6"), clock_seconds("1:02:05"), clock_seconds("12.5"), clock_seconds("1:75")
    (251.6, 3725.0, 12.5, None)
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        return None
    hours, minutes, seconds = found[1], found[2], float(found[3])
    if (minutes is not None and seconds >= 60) or (hours is not None and int(minutes) >= 60):
        return None
    total = 3600.0 * float(hours or 0) + 60.0 * float(minutes or 0) + seconds
    return total if total < _LAST_CLOCK_S else None


DEFAULT_LATENESS_NS = 50_000_000
"""Our choice: well above the 20 ms for which USB adapters hold frames back; rows come this much later."""

FORWARD_JUMP_NS = 10 * SECOND_NS
"""Our choice: longer silences are logs joined end to end rather than a bus that paused."""

BACKWARD_JUMP_NS = SECOND_NS
"""Our choice: far longer than any driver holds frames back."""


KEPT_JUMPS = 3
"""Jumps that are kept with their moment and size; all of them are counted. Our choice: as a line can name."""


@dataclass(frozen=True, slots=True)
class Jump:
    """Time ran to `end` and goes on at `begin`, ns."""

    end: int
    begin: int

    @property
    def words(self) -> str:
        """Where to, and how far.

        >>> Jump(5_000_000_000, 2_000_000_000).words
        'back by 3.0 s'
        """
        way = "ahead" if self.begin > self.end else "back"
        return f"{way} by {abs(self.begin - self.end) / SECOND_NS:.1f} s"


@dataclass(frozen=True, slots=True, eq=False)
class FrameSpan:
    """Frames let go in one step: sorted by time, none later than `through`.

    Nothing earlier than `through` can follow in the same stretch.
    """

    frames: FrameBlock
    through: int
    stretch: int


class FrameClock:
    """A stage: frames in, spans out.

    silence_ns   how much of the time before a jump ahead is a silence of the bus

    late         frames left out
    jumps        steps of the stamps
    first_jumps  the first of them
    """

    def __init__(self, lateness_ns: int = DEFAULT_LATENESS_NS, *, silence_ns: int = FORWARD_JUMP_NS) -> None:
        self._lateness = lateness_ns
        self.silence_ns = silence_ns
        self._pending = FrameBlock.empty()
        self._newest: int | None = None  # largest stamp of the stretch
        self._seen = 0  # largest stamp or advanced time of the stretch
        self._stretch = 0
        self._flushed = False
        self.late = 0
        self.jumps = 0
        self.first_jumps: list[Jump] = []

    def feed(self, block: FrameBlock) -> list[FrameSpan]:
        """The frames that are now certain, in one span a stretch of time."""
        spans: list[FrameSpan] = []
        while len(block):
            same = self._until_jump(block.t)
            if same:
                self._hold_back(block.take(slice(0, same)))
                block = block.take(slice(same, None))
            if len(block):
                spans.append(self._end_stretch(int(block.t[0])))
            self._flushed = False
        if self._newest is not None:
            spans.append(self._release_through(self._find_watermark()))
        return spans

    def advance(self, t: int) -> list[FrameSpan]:
        """Raise the watermark to time `t` although no frame came; not beyond the jump limit."""
        if self._newest is None:
            return []
        self._seen = max(self._seen, min(t, self._newest + FORWARD_JUMP_NS))
        return [self._release_through(self._find_watermark())]

    def flush(self) -> list[FrameSpan]:
        """What is left, up to the last frame; where the stamps jump behind it, nothing was silent."""
        self._flushed = True
        if self._newest is None:
            return []
        return [self._release_through(max(self._newest, self._find_watermark()))]

    def _find_watermark(self) -> int:
        """Frames stamped up to this time are certain; one that comes behind it is late."""
        return self._seen - self._lateness

    def _until_jump(self, t: Ints) -> int:
        """How many of the leading frames belong to the running stretch."""
        if self._newest is None:
            self._newest = self._seen = int(t[0])
        before = _largest_before(t, self._newest)
        jump = (t > before + FORWARD_JUMP_NS) | (t < before - BACKWARD_JUMP_NS)
        first = int(jump.argmax())
        return first if jump[first] else len(t)

    def _hold_back(self, block: FrameBlock) -> None:
        """Add frames of the running stretch to those that wait, without the late ones."""
        kept = block.t >= _largest_before(block.t, self._seen) - self._lateness
        largest = int(block.t.max())
        if not kept.all():
            self.late += len(block) - int(np.count_nonzero(kept))
            block = block.take(kept)
        self._newest = largest if self._newest is None else max(self._newest, largest)
        self._seen = max(self._seen, largest)
        pending = concat([self._pending, block]) if len(self._pending) else block
        if (pending.t[1:] < pending.t[:-1]).any():
            pending = pending.take(np.argsort(pending.t, kind="stable"))
        self._pending = pending

    def _release_through(self, through: int) -> FrameSpan:
        """The frames that wait, stamped up to `through`."""
        count = int(np.searchsorted(self._pending.t, through, side="right"))
        span = FrameSpan(self._pending.take(slice(0, count)), through, self._stretch)
        self._pending = self._pending.take(slice(count, None))
        return span

    def _end_stretch(self, next_t: int) -> FrameSpan:
        """All frames that wait; a new stretch begins at the stamp `next_t`."""
        assert self._newest is not None
        silent = next_t > self._newest and not self._flushed
        last = self._newest + (self.silence_ns if silent else 0)
        span = self._release_through(max(last, self._find_watermark()))
        if len(self.first_jumps) < KEPT_JUMPS:
            self.first_jumps.append(Jump(self._newest, next_t))
        self._newest = self._seen = next_t
        self._stretch += 1
        self.jumps += 1
        return span


def _largest_before(t: Ints, carried: int) -> Ints:
    """For every frame, the largest stamp before it, `carried` included."""
    before = np.empty_like(t)
    before[0] = carried
    np.maximum.accumulate(t[:-1], out=before[1:])
    return np.maximum(before, carried, out=before)
