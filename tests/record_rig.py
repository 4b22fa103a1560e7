"""`record` as a process of its own on two emulated serial adapters, on one of which numbered frames come.

    scenario = Scenarios()

    @scenario
    def test_something(rig: Rig) -> None: ...

    begun = scenario.fixture()

Such tests wait most of the time. So some of a file run at the same time, each with a rig of its own.
"""

from __future__ import annotations

import math
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest
from live_rig import EXAMPLE, until
from programs import Program, Starter
from run_folders import list_runs
from slcan_emulator import SlcanEmulator

from mixmon.frames.block import concat
from mixmon.frames.logs import open_log

RATE = 500

AT_ONCE = 4
"""Scenarios that run side by side: more would starve each other of the processor."""


class Rig:
    """Two adapters; on the first one frames come, a running number in their data, until `stop`."""

    def __init__(self, starter: Starter, place: Path) -> None:
        self.place, self.starter = place, starter
        self.chain, self.engine = SlcanEmulator(place / "a"), SlcanEmulator(place / "b")
        self.chain.plug()
        self.engine.plug()
        self._senders: list[threading.Thread] = []

    def send(self, count: int = 1_000_000, *, as_fast_as_taken: bool = False) -> None:
        """Begin to send so many frames, numbered from 0."""
        rate = math.inf if as_fast_as_taken else RATE
        run = threading.Thread(target=lambda: self.chain.run(rate, count, first_id=0x2A0))
        run.start()
        self._senders.append(run)

    def wait_sent(self) -> None:
        """Wait until the frames that were begun are sent."""
        until(lambda: not any(sender.is_alive() for sender in self._senders), "the frames to be sent")

    def start(self, command: str, *words: str, runs: Path | None = None, **limits: int) -> Program:
        """Start a command that records into `runs`; nothing is sent yet."""
        links = (f"chain={self.chain.link}", "-c", f"engine={self.engine.link}")
        options = ["-s", str(EXAMPLE), "-i", "slcan", "-c", *links, "--accept-caution"]
        folder = ["--folder", str(runs or self.place / "runs")]
        program = self.starter.start(
            command, *options, *folder, *words, place=self.place, XDG_STATE_HOME=str(self.place), **limits
        )
        both = (self.chain, self.engine)
        until(
            lambda: all(one.opened.is_set() for one in both) or program.ended(), "the adapters to be opened"
        )
        return program

    def record(self, *words: str, runs: Path | None = None, **limits: int) -> Program:
        """Start to record into `runs` without talk, and to send."""
        program = self.start("record", "--quiet", *words, runs=runs, **limits)
        self.send()
        return program

    def sent_by_now(self) -> int:
        """Frames sent by a moment after this: with all that the program can have by now."""
        marks = len(self.chain.sent)
        until(lambda: len(self.chain.sent) > marks, "frames to be sent")
        return self.chain.sent[marks][1]

    def close(self) -> None:
        """Pull both plugs."""
        self.chain.unplug()
        self.engine.unplug()
        for sender in self._senders:
            sender.join()


class Scenarios:
    """The scenarios of a file; each becomes a test that asks how its scenario went."""

    def __init__(self) -> None:
        self._functions: dict[str, Callable[[Rig], None]] = {}

    def __call__(self, function: Callable[[Rig], None]) -> Callable[[dict[str, Future[None]]], None]:
        """Add one; the test of it."""
        name = function.__name__
        self._functions[name] = function

        def test(begun: dict[str, Future[None]]) -> None:
            begun[name].result()

        test.__name__, test.__doc__ = name, function.__doc__
        return test

    def fixture(self) -> Callable[..., Iterator[dict[str, Future[None]]]]:
        """Begins those that are asked for, some at once."""

        @pytest.fixture(scope="module")
        def begun(
            request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
        ) -> Iterator[dict[str, Future[None]]]:
            asked = [name for name in self._functions if any(i.name == name for i in request.session.items)]
            with Starter() as starter, ThreadPoolExecutor(AT_ONCE) as pool:
                places = [tmp_path_factory.mktemp("rig") for _ in asked]
                yield {
                    name: pool.submit(self._run, name, starter, place)
                    for name, place in zip(asked, places, strict=True)
                }

        return begun

    def _run(self, name: str, starter: Starter, place: Path) -> None:
        rig = Rig(starter, place)
        try:
            self._functions[name](rig)
        finally:
            rig.close()


def lines(folder: Path, which: int = -1) -> int:
    """Lines of frames in a run of a folder by now; 0 where there is none."""
    runs = list_runs(folder)
    return (runs[which] / "frames.log").read_bytes().count(b"\n") if runs else 0


def numbers(*runs: Path) -> list[int]:
    """The running numbers of all frames of these runs, in order; a run that has just begun may have none."""
    logs = [run / "frames.log" for run in runs]
    frames = concat([block for log in logs if log.stat().st_size for block in open_log(log)])
    found: list[int] = frames.data.copy().view(">u8")[:, 0].tolist()
    return found


def whole(*runs: Path) -> list[int]:
    """The same, of which none may be missing or doubled."""
    found = numbers(*runs)
    steps = [(before, after) for before, after in pairwise(found) if after != before + 1]
    assert not steps, f"of {len(found)} frames these do not follow each other: {steps[:10]}"
    return found


def whole_after_failure(failed: Path, following: Path) -> list[int]:
    """Numbers of a run that could not go on and of the next, of which none may be missing.

    The next begins at the latest with the frame after the last one kept; it may keep once more what was not
    yet known to be on the disk.
    """
    before, after = whole(failed), whole(following)
    assert after[0] <= before[-1] + 1 <= after[-1] + 1
    return before[: after[0] - before[0]] + after


def ended(program: Program) -> int:
    """Ends it by Ctrl-C; its exit status."""
    program.signal(signal.SIGINT)
    return program.wait()
