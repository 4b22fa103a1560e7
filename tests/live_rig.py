"""Live buses for tests: part of a simulation played onto python-can's virtual buses, in real time."""

from __future__ import annotations

import functools
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import can
import numpy as np
from can.interfaces.virtual import VirtualBus

from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.block import EXTENDED, FrameBlock, concat
from mixmon.live.recording import RunRecording
from mixmon.live.source import BusSource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.record.recorder import SYNC_S, Recorder
from mixmon.session.load import load_session
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate

PATIENCE_S = 60.0
"""Only a failing test waits so long; a busy machine may take a good part of it to start a program."""
EXAMPLE = Path("examples/alder8.toml")
WORKERS: list[Worker] = []
"""Those made here; `close_all` closes them, also after a test that failed."""

STEP_NS = 5_000_000


def until(true: Callable[[], object], what: str = "it") -> None:
    """Wait for something that another thread does."""
    deadline = time.monotonic() + PATIENCE_S
    pause = threading.Event()
    while not true():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        pause.wait(0.01)


@functools.cache
def glimpse(begin_s: float, end_s: float) -> FrameBlock:
    """Part of the demo engine's forty seconds; simulated once a process."""
    simulation = simulate(load_scenario("alder8-glimpse"), seed=1, duration=end_s)
    frames = concat([block for block in simulation if len(block)])
    return frames.take(frames.t >= frames.t[0] + round(begin_s * 1e9))


def session_file(folder: Path, **changed: str) -> Path:
    """The example session with other values for some keys, in a file of its own."""
    lines = EXAMPLE.read_text().splitlines()
    for key, value in changed.items():
        (place,) = [i for i, line in enumerate(lines) if line.split("=")[0].strip() == key]
        lines[place] = f"{key} = {value}"
    path = folder / "session.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


def virtual_worker(session: Path, names: tuple[str, str], recording: RunRecording | None = None) -> Worker:
    """A worker that watches two virtual buses, as the session's chain and engine bus."""
    loaded = load_session(session)
    buses = [
        BusOptions(bus.log_channel, "virtual", name, bus.bitrate)
        for bus, name in zip(loaded.buses, names, strict=True)
    ]
    WORKERS.append(Worker(bind(loaded, load_databases(loaded)), BusSource(buses), recording))
    return WORKERS[-1]


def close_all() -> None:
    """Close the workers that tests have made."""
    while WORKERS:
        WORKERS.pop().close()


def keeper_in(folder: Path, session: Path, *, sync_s: float = SYNC_S, **options: object) -> RunRecording:
    """A recording whose runs hold the session file; `sync_s` is how soon a run notices that it is gone."""
    files = {"session.toml": session.read_bytes()}
    recorder = Recorder(folder, name="test", files=files, pre_trigger_s=2.0, sync_s=sync_s)
    return RunRecording(recorder, **options)  # type: ignore[arg-type]


class StampingBus(VirtualBus):
    """A virtual bus that stamps a frame while nobody can look into the queues it goes into.

    python-can's own stamps first and queues later: a busy machine may stop the sender in between, and the
    frame comes later than any driver delivers one.
    """

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002 - queues have no end
        """Put the frame into the queue of everyone else on the channel."""
        for queue in self.channel:
            if queue is not self.queue:
                with queue.mutex:
                    msg.timestamp = time.time()
                    queue.queue.append(msg)
                    queue.unfinished_tasks += 1
                    queue.not_empty.notify()


class Player:
    """A thread that sends frames on virtual buses, each when it falls due, and counts them.

    It begins once something listens on every bus: what a virtual bus is sent before that is lost.
    """

    def __init__(self, frames: FrameBlock, names: tuple[str, ...]) -> None:
        self._frames = frames
        self._buses = [StampingBus(name) for name in names]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self.done = threading.Event()
        self.sent = 0

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        for bus in self._buses:
            bus.shutdown()

    def _wait_for_listeners(self) -> None:
        while not self._stop.is_set() and any(len(bus.channel) < 2 for bus in self._buses):
            self._stop.wait(0.005)

    def _run(self) -> None:
        self._wait_for_listeners()
        began, first = time.monotonic_ns(), int(self._frames.t[0])
        for handful in self._handfuls():
            due = began + int(handful.t[-1]) - first
            if self._stop.wait(max(0, due - time.monotonic_ns()) / 1e9):
                return
            for number, bus, size, data in zip(
                handful.can_id.tolist(),
                handful.bus.tolist(),
                handful.size.tolist(),
                handful.data,
                strict=True,
            ):
                message = can.Message(
                    arbitration_id=number & ~EXTENDED,
                    is_extended_id=number >= EXTENDED,
                    data=bytes(data[:size]),
                )
                self._buses[bus].send(message)
                self.sent += 1
        self.done.set()

    def _handfuls(self) -> Iterator[FrameBlock]:
        borders = np.flatnonzero(np.diff(self._frames.t // STEP_NS)) + 1
        for rows in np.split(np.arange(len(self._frames)), borders):
            yield self._frames.take(rows)
