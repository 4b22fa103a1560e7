"""Time stamps of live frames: one clock for all buses, whatever stamped them.

`HostClock` is the clock: nanoseconds since the epoch, read once from the system clock and
carried on by a steady one, so that a corrected system clock never moves data time.

Three kinds of stamp are brought onto it, one kind a source and never mixed:

host     the moment of the read
system   the kernel's stamp: its age by the system clock is subtracted from the moment of the read
device   the adapter's own counter: unwrapped, then aligned with the host clock by `DeviceStamps`
"""

from __future__ import annotations

import time
from collections import deque
from enum import StrEnum
from typing import TypeVar

import numpy as np

from mixmon.arrays import SECOND_NS, Ints

TRIES = 5
"""Readings of both clocks before the best is taken; our choice."""

HELD_UP_NS = 20_000
"""Between two readings of a clock: more means that the program was held up; our choice, a reading takes
less than a microsecond."""

MINIMUM_EVERY_NS = SECOND_NS
"""One point of the line a second; our choice: many frames, of which one is hardly delayed."""

KEPT_MINIMA = 60
"""The last minute; our choice: crystals drift with temperature over minutes."""

SLOPE_FROM_NS = 10 * SECOND_NS
"""Shorter stretches say nothing about drift: a millisecond of USB delay is 100 ppm of ten seconds."""
LARGEST_SLOPE = 500e-6
"""Crystals are good to 100 ppm, resonators to a few hundred (from memory); more is not drift."""
JUMP_NS = 500_000_000
"""A stamp so far off the line means another clock; our choice: longer than drivers hold frames back."""


CLOCK_STEP_NS = 10_000_000
"""The system clock was stepped if it is so far from where it was; our choice: it is never off so far because
this program was held up between two readings, and time servers step by more."""


STAMP_STEP_NS = 1000
"""Stamps of live frames are whole microseconds: what the six decimals of candump text hold. Our choice; a
frame takes 47 bits at least (ISO 11898-1), 47 microseconds at 1 Mbit/s."""


Moment = TypeVar("Moment", int, Ints)


def cut_to_microseconds(t: Moment) -> Moment:
    """The last whole microsecond of each moment, ns."""
    return t // STAMP_STEP_NS * STAMP_STEP_NS


class StampKind(StrEnum):
    """Who stamped the frames of a source."""

    HOST = "host clock at the read"
    SYSTEM = "system clock at reception"
    DEVICE = "adapter's clock, aligned with the host clock"


class HostClock:
    """Epoch nanoseconds that never step. Time asleep is counted where the system can tell."""

    def __init__(self) -> None:
        self._offset = time.time_ns() - _steady_ns()

    def now(self) -> int:
        """Data time of this moment."""
        return self._offset + _steady_ns()

    def from_system(self) -> int:
        """What to add to a fresh stamp of the system clock; changes when that clock is corrected.

        The clocks are read one after the other: again, if the program was held up in between.
        """
        tries = []
        for _ in range(TRIES):
            before, system, after = self.now(), time.time_ns(), self.now()
            tries.append((after - before, (before + after) // 2 - system))
            if after - before < HELD_UP_NS:
                break
        return min(tries)[1]


class SystemStamps:
    """The kernel's stamps on data time, also of frames that were stamped before the system clock was stepped.

    steps_ns  how far the system clock was stepped, each time; emptied by whoever tells it
    """

    def __init__(self, clock: HostClock) -> None:
        self._clock = clock
        self._offset = clock.from_system()
        self._older: int | None = None
        self.steps_ns: list[int] = []

    def to_host(self, stamps: Ints, *, emptied: bool) -> Ints:
        """Data time of fresh stamps of the system clock, ns; `emptied`: no older ones are still to come.

        Whether a stamp was made before the last step is told by its age: it came a moment ago.
        """
        offset = self._clock.from_system()
        if abs(step := self._offset - offset) > CLOCK_STEP_NS:
            self.steps_ns.append(step)
            self._older = self._offset
        self._offset = offset
        t = stamps + offset
        if self._older is not None:
            older, now = stamps + self._older, self._clock.now()
            t = np.where(np.abs(older - now) < np.abs(t - now), older, t)
            self._older = None if emptied else self._older
        return t


def _steady_ns() -> int:
    boot = getattr(time, "CLOCK_BOOTTIME", None)  # counts suspended time, the monotonic clock does not
    return time.monotonic_ns() if boot is None else time.clock_gettime_ns(boot)


class DeviceStamps:
    """A device's stamps, unwrapped and aligned with the host clock.

    A frame reaches the host later than it was stamped, never earlier: host time less device
    time, plotted over device time, lies above a line, and that line is the device's clock.
    It is found as the edge of the lower convex hull under the mean, which no delayed frame
    can bend (Moon, Skelly, Towsley, "Estimation and removal of clock skew from network delay
    measurements", INFOCOM 1999; from memory). Points are the smallest of each second, for the
    last minute. Until ten seconds are seen the line is level.

    Wraps are counted by the host clock, as a silence may be longer than a wrap.
    `jumps` counts restarts: the device's clock was set, or the device was reset.
    """

    def __init__(self, wrap_ns: int | None = None) -> None:
        self._wrap = wrap_ns
        self._minima: deque[tuple[int, int]] = deque(maxlen=KEPT_MINIMA)
        self._window: tuple[int, int] | None = None  # the smallest of the running second
        self._pivot = 0
        self._offset: int | None = None
        self._slope = 0.0
        self._last_t = 0
        self._last_read = 0
        self.jumps = 0

    def to_host(self, stamps: Ints, arrived: int) -> Ints:
        """Data time of frames stamped `stamps` (int64[n] ns, device) and read at `arrived`.

        Call it after every read, also with no frames: how long nothing was read distinguishes a late
        frame from a jump.
        """
        waited, self._last_read = arrived - self._last_read, arrived
        if not len(stamps):
            return stamps
        if self._offset is None:
            self._restart_line(self._unwrap_stamps(stamps, int(stamps[-1])), arrived)
        unwrapped = self._unwrap_stamps(stamps, self._expect_stamp(arrived))
        lag = arrived - self._place_on_line(int(unwrapped[-1]))
        if lag > waited + JUMP_NS or lag < -JUMP_NS:
            self.jumps += 1
            unwrapped = self._unwrap_stamps(stamps, int(stamps[-1]))
            self._restart_line(unwrapped, arrived)
        self._learn_minimum(unwrapped, arrived)
        t = np.minimum(self._place_all(unwrapped), arrived)
        t = np.maximum(t, self._last_t)
        self._last_t = int(t.max())
        return t

    def _unwrap_stamps(self, stamps: Ints, near: int) -> Ints:
        """Stamps with as many wraps added as bring each nearest to `near`."""
        if self._wrap is None:
            return stamps
        return stamps + (near - stamps + self._wrap // 2) // self._wrap * self._wrap

    def _expect_stamp(self, arrived: int) -> int:
        """The device's time, without wraps, when the host clock shows `arrived`."""
        assert self._offset is not None
        return arrived - self._offset - round(self._slope * (arrived - self._offset - self._pivot))

    def _place_on_line(self, device: int) -> int:
        """Data time of one device time."""
        assert self._offset is not None
        return device + self._offset + round(self._slope * (device - self._pivot))

    def _place_all(self, device: Ints) -> Ints:
        """The same of many, in integers."""
        assert self._offset is not None
        drift: Ints = np.rint(self._slope * (device - self._pivot)).astype(np.int64)
        return device + self._offset + drift

    def _restart_line(self, unwrapped: Ints, arrived: int) -> None:
        """A level line through the newest frame; all points are forgotten."""
        self._minima.clear()
        self._window = None
        self._slope = 0.0
        self._offset = arrived - int(unwrapped.max())
        self._last_t = 0

    def _learn_minimum(self, unwrapped: Ints, arrived: int) -> None:
        """Take the newest frame into the smallest delay of its second."""
        newest = int(unwrapped.max())
        point = (newest, arrived - newest)
        if self._window is None:
            self._window = point
        elif newest // MINIMUM_EVERY_NS > self._window[0] // MINIMUM_EVERY_NS:
            self._minima.append(self._window)
            self._window = point
            self._fit_line()
        elif newest >= self._window[0]:
            self._window = min(self._window, point, key=lambda p: p[1])
        if not self._slope:
            assert self._offset is not None
            self._offset = min(self._offset, point[1])

    def _fit_line(self) -> None:
        """Lay the line along the smallest delays, if they span long enough."""
        first, last = self._minima[0][0], self._minima[-1][0]
        if last - first < SLOPE_FROM_NS:
            return
        left, right = _edge_under(list(self._minima), (first + last) / 2)
        slope = (right[1] - left[1]) / (right[0] - left[0])
        if abs(slope) <= LARGEST_SLOPE:
            self._pivot, self._offset, self._slope = left[0], left[1], slope


def _edge_under(points: list[tuple[int, int]], x: float) -> tuple[tuple[int, int], tuple[int, int]]:
    """The edge of the lower convex hull below `x`; the points stand in order of their first number."""
    hull: list[tuple[int, int]] = []
    for p in points:
        while len(hull) > 1 and _bends_down(hull[-2], hull[-1], p):
            hull.pop()
        hull.append(p)
    right = next(i for i, p in enumerate(hull) if i and p[0] >= x)
    return hull[right - 1], hull[right]


def _bends_down(a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> bool:
    """True when b lies on or above the chord from a to c."""
    return (b[1] - a[1]) * (c[0] - a[0]) >= (c[1] - a[1]) * (b[0] - a[0])
