"""All live buses of a session, as one source that a worker asks for frames.

    with Adapters([BusOptions("can0", "socketcan", "can0"), ...]) as adapters:
        while watching:
            for block in adapters.take(0.05):
                recorder.write(block)
                pipeline.feed(block)
            pipeline.advance(adapters.bus_time)

One thread a bus reads; `take` merges what they read in order of time. The queue between them is
bounded; frames that find no room in it are counted, and an event says so.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from types import TracebackType
from typing import Self

import numpy as np

from mixmon.errors import UsageError
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.listener import Listener
from mixmon.frames.adapters.receiver import SourceEvent, SourceStatus
from mixmon.frames.adapters.stamps import HostClock, cut_to_microseconds
from mixmon.frames.block import FrameBlock, concat

END_OF_TIME = 1 << 62  # computed: above every stamp, and its negative fits into int64


class Merger:
    """Frames of several live buses in one order of time.

    Each bus says through which time it has given everything; frames go out up to the least of
    these, sorted by stamp. The order within a bus is never touched: a frame stamped before its
    predecessor goes right behind it. What comes out is what the recorder writes, so a replay
    sees the frames in the order in which they were seen live. A single bus waits for nobody.

    held  frames that wait
    """

    def __init__(self, buses: int, now: int) -> None:
        self._held: list[deque[FrameBlock]] = [deque() for _ in range(buses)]
        self._through = [now] * buses
        self._newest = [-END_OF_TIME] * buses
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
        self._through[bus] = END_OF_TIME

    def ready(self) -> bool:
        """True when `release` has something to give."""
        limit = self._find_limit()
        return any(held and held[0].t[0] <= limit for held in self._held)

    def release(self) -> FrameBlock:
        """The frames that are due, in order."""
        parts = [self._take_due(bus) for bus in range(len(self._held))]
        if len(parts) == 1:
            return parts[0][0]
        blocks = [block for block, _ in parts]
        keys = np.concatenate([key for _, key in parts])
        return concat(blocks).take(np.argsort(keys, kind="stable"))

    def _find_limit(self) -> int:
        """The time up to which frames may go out."""
        return END_OF_TIME if len(self._held) == 1 else self.through

    def _take_due(self, bus: int) -> tuple[FrameBlock, np.ndarray[tuple[int], np.dtype[np.int64]]]:
        """One bus's frames up to the limit, and the times by which they are sorted."""
        held = self._held[bus]
        if not held:
            return FrameBlock.empty(), np.zeros(0, np.int64)
        block = concat(list(held))
        key = np.maximum(np.maximum.accumulate(block.t), self._newest[bus])
        count = int(np.searchsorted(key, self._find_limit(), side="right"))
        held.clear()
        if count < len(block):
            held.append(block.take(slice(count, None)))
        if count:
            self._newest[bus] = int(key[count - 1])
        self.held -= count
        return block.take(slice(0, count)), key[:count]


QUEUE_FRAMES = 200_000
"""25 s of 8,000 frames a second: longer than a disk makes a writer wait."""

CLOSE_S = 1.5
"""Our choice: many reads long; an adapter that is being opened again may keep its driver for ten seconds."""

WAITING_EVENTS = 10_000
"""Events that wait for `events`, before the oldest are dropped; our choice: it bounds memory."""


class Adapters:
    """Live buses. `take`, `events` and `close` belong to one thread, `status` to any.

    channels  names of the buses, in the order in which FrameBlocks number them

    Raises:
        UsageError: no bus, or two of one name.
    """

    def __init__(
        self,
        buses: Sequence[BusOptions],
        *,
        silence_s: float = 2.0,
        queue_frames: int = QUEUE_FRAMES,
    ) -> None:
        self.channels = tuple(bus.name for bus in buses)
        if not buses or len(set(self.channels)) < len(buses):
            raise UsageError(
                f"live buses {list(self.channels)}: expected one or more, each with its own name"
            )
        self._clock = HostClock()
        self._ready = threading.Condition()
        self._queue_frames = queue_frames
        self._events: deque[SourceEvent] = deque(maxlen=WAITING_EVENTS)
        self._bus_time = self._clock.now()
        self._merger = Merger(len(buses), self._bus_time)
        self._listeners = [
            Listener(bus, index, self.channels, self._clock, self, silence_s=silence_s)
            for index, bus in enumerate(buses)
        ]

    def start(self) -> Self:
        """Open all devices, then read them.

        Raises:
            SourceError: a device cannot be opened.
            UsageError: the options of a bus cannot mean anything.
        """
        try:
            for listener in self._listeners:
                listener.open()
        except BaseException:
            self.close()
            raise
        for listener in self._listeners:
            listener.start()
        return self

    def take(self, timeout_s: float) -> list[FrameBlock]:
        """Frames in order of time, none or one block; waits up to `timeout_s` for some."""
        with self._ready:
            self._ready.wait_for(self._merger.ready, timeout_s)
            block = self._merger.release()
            through = self._merger.through
            self._bus_time = self._clock.now() if through == END_OF_TIME else max(through, self._bus_time)
        return [block] if len(block) else []

    @property
    def bus_time(self) -> int:
        """Data time, ns, through which `take` has given every frame of every bus.

        It goes on while buses are silent or lost, and so can be given to `advance`.
        """
        return self._bus_time

    def now(self) -> int:
        """Data time of this moment: for marks, notes and keys pressed."""
        return self._clock.now()

    def events(self) -> list[SourceEvent]:
        """Events since the last call, oldest first."""
        return [self._events.popleft() for _ in range(len(self._events))]

    def status(self) -> tuple[SourceStatus, ...]:
        """The current status of every bus."""
        return tuple(listener.status for listener in self._listeners)

    def close(self) -> None:
        """Stop reading and close all devices. What was read can still be taken.

        A device whose driver does not come back within `CLOSE_S` is left behind: records are closed in time.
        """
        for listener in self._listeners:
            listener.ask_to_stop()
        end = time.monotonic() + CLOSE_S
        for index, listener in enumerate(self._listeners):
            listener.join(max(0.0, end - time.monotonic()))
            self.leave(index)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def deliver(self, index: int, block: FrameBlock, through: int) -> int:
        """From a listener: frames, and the time through which its bus is complete.

        From here on both are whole microseconds, so that what a run keeps is what was analysed.
        """
        block = replace(block, t=cut_to_microseconds(block.t))
        through = cut_to_microseconds(through)
        with self._ready:
            full = self._merger.held + len(block) > self._queue_frames
            self._merger.add(index, FrameBlock.empty(self.channels) if full else block, through)
            if self._merger.ready():
                self._ready.notify()
        return len(block) if full else 0

    def leave(self, index: int) -> None:
        """From a listener: nothing more will come."""
        with self._ready:
            self._merger.leave(index)
            self._ready.notify()

    def tell(self, event: SourceEvent) -> None:
        """From a listener: an event."""
        self._events.append(event)
