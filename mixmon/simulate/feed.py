"""A simulation played in real time onto virtual buses of this process.

Only python-can's virtual interface is ever opened here: nothing reaches a wire.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from typing import Final

import can
import numpy as np

from mixmon.frames.block import EXTENDED, FrameBlock
from mixmon.simulate.simulation import Simulation

HANDFUL_S: Final = 0.005
"""Frames are sent together, each late by this at most: our choice, a tenth of the pipeline's batch."""


class Feed:
    """A thread that sends the frames of a simulation when they fall due.

    channels  names of python-can's virtual channels, one a bus, in the session's order
    repeat    begin again at the end

    ended     set when all has been sent
    """

    def __init__(self, simulation: Simulation, channels: Sequence[str], *, repeat: bool = False) -> None:
        self._simulation = simulation
        self._repeat = repeat
        self._stop = threading.Event()
        self.ended = threading.Event()
        self._buses = [can.Bus(interface="virtual", channel=name, ignore_config=True) for name in channels]
        self._thread = threading.Thread(target=self._send_all, name="feed", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def close(self) -> None:
        """Send nothing more."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for bus in self._buses:
            bus.shutdown()

    def _send_all(self) -> None:
        began, passed = time.monotonic_ns(), 0
        while not self._stop.is_set():
            first: int | None = None
            for handful in _cut_handfuls(self._simulation):
                first = int(handful.t[0]) if first is None else first
                due = began + passed + int(handful.t[-1]) - first
                if self._stop.wait(max(0, due - time.monotonic_ns()) / 1e9):
                    return
                self._send_frames(handful)
            if not self._repeat:
                break
            passed += round(self._simulation.duration_s * 1e9)
        self.ended.set()

    def _send_frames(self, frames: FrameBlock) -> None:
        for can_id, bus, size, data in zip(
            frames.can_id.tolist(), frames.bus.tolist(), frames.size.tolist(), frames.data, strict=True
        ):
            extended = can_id >= EXTENDED
            self._buses[bus].send(
                can.Message(
                    arbitration_id=can_id & ~EXTENDED, is_extended_id=extended, data=bytes(data[:size])
                )
            )


def _cut_handfuls(simulation: Simulation) -> Iterator[FrameBlock]:
    """The frames, cut where the step is over."""
    step = round(HANDFUL_S * 1e9)
    for block in simulation:
        if len(block):
            borders = np.flatnonzero(np.diff(block.t // step)) + 1
            for rows in np.split(np.arange(len(block)), borders):
                yield block.take(slice(int(rows[0]), int(rows[-1]) + 1))
