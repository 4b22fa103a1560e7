"""A simulation as a source for the worker, played in real time without a bus: nothing is sent anywhere.

Frames are stamped with the moment at which they are due, whenever the worker comes to ask for them. So a
busy machine shows them later, and makes no node late: time goes no further than the frames that were given.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from typing import Final

from mixmon.arrays import SECOND_NS
from mixmon.frames.adapters.receiver import SourceEvent, SourceState, SourceStatus
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import FrameBlock, concat
from mixmon.live.source import NotRecorded
from mixmon.simulate.layers import shifted
from mixmon.simulate.simulation import Simulation

MOST_NS: Final = 2 * SECOND_NS
"""Data time that one take gives at most. Our choice: after a pause of this computer the worker catches up in
steps, so that keys are answered meanwhile."""


class Feed(NotRecorded):
    """A source of a simulation's frames as they fall due; at its end it begins again, without a gap.

    simulation  with channels in the order of its session's buses
    clock       data time of now

    The frames of a second pass follow those of the first as if the engine had been stopped and the key turned
    off and on: the controllers count a start, so that their warming up is no drop-out.
    """

    def __init__(self, simulation: Simulation, clock: HostClock | None = None) -> None:
        self._simulation = simulation
        self._clock = HostClock() if clock is None else clock
        self._buses = {bus.log_channel: bus.bitrate for bus in simulation.session.buses}
        self._frames = self._play_frames()
        self._waiting: FrameBlock | None = None
        self._began = self._given = 0
        self._sent = 0
        self._stopped = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the buses."""
        return tuple(self._buses)

    def open(self) -> None:
        """The first frame is due now."""
        self._began = self._given = self._clock.now()

    def take(self) -> list[FrameBlock]:
        """The frames that are due, one block or none."""
        until = self._given if self._stopped else min(self._clock.now(), self._given + MOST_NS)
        due: list[FrameBlock] = []
        while True:
            if self._waiting is None:
                self._waiting = next(self._frames)
            given = int(self._waiting.t.searchsorted(until, side="right"))
            due.append(self._waiting.take(slice(0, given)))
            if given < len(self._waiting):
                self._waiting = self._waiting.take(slice(given, None))
                break
            self._waiting = None
        self._given = until
        block = concat(due)
        self._sent += len(block)
        return [block] if len(block) else []

    def through(self) -> int | None:
        """Data time through which all frames have been given; None before the first."""
        return self._given if self._sent else None

    def now(self) -> int:
        """Data time of this moment: how far frames have been given."""
        return self._given

    def events(self) -> list[SourceEvent]:
        """None: nothing befalls a bus that is not there."""
        return []

    def status(self) -> tuple[SourceStatus, ...]:
        """Every bus is live, and nothing is lost."""
        return tuple(SourceStatus(name, SourceState.LIVE, dropped=0) for name in self._buses)

    def bitrate(self, channel: str) -> int | None:
        """Bits a second, as in the session."""
        return self._buses.get(channel)

    def stop(self) -> None:
        """Give nothing more."""
        self._stopped = True

    def _play_frames(self) -> Iterator[FrameBlock]:
        """The frames of one pass after the other, stamped when they are due; blocks with frames alone."""
        passed = 0
        for passes in count():
            first: int | None = None
            for block in self._simulation.again(passes):
                if len(block):
                    first = int(block.t[0]) if first is None else first
                    yield shifted(block, self._began + passed - first)
            passed += round(self._simulation.duration_s * SECOND_NS)
