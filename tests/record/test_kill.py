"""A recording program is killed in mid-pull, for real, and its run is read."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from bisect import bisect_right
from dataclasses import dataclass
from pathlib import Path

import pytest
from run_folders import list_runs
from slcan_emulator import SlcanEmulator

from mixmon.frames.block import concat
from mixmon.frames.logs import open_log
from mixmon.record.run_folder import open_run

KILLS = 10
RATE = 500
MOST_LOST_S = 1.0

STARTER = """
import os
import sys
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.adapters import Adapters
from mixmon.record.recorder import Recorder
import mixmon.frames.adapters.slcan

def record(port, folder):
    recorder = Recorder(folder)
    recorder.start()
    with Adapters([BusOptions("can0", "slcan", port, 500_000)]) as adapters:
        while True:
            for block in adapters.take(0.05):
                recorder.write(block)
            for event in adapters.events():
                recorder.note_event(event)

for line in sys.stdin:
    order, *arguments = line.rstrip("\\n").split("\\t")
    if order == "record":
        program = os.fork()
        if not program:
            try:
                record(*arguments)
            finally:
                os._exit(1)
        print(program, flush=True)
    else:
        print(os.waitstatus_to_exitcode(os.waitpid(int(arguments[0]), 0)[1]), flush=True)
"""
"""Starts recording programs, each a process of its own; what they need is imported once, before."""


class Starter:
    """The process that starts the programs and waits for their ends; any thread may ask it."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._asked = threading.Lock()

    def record(self, port: Path, folder: Path) -> int:
        """Start a program; its process."""
        return self._ask("record", str(port), str(folder))

    def wait(self, program: int) -> int:
        """The exit code of a program, as subprocess gives it, once it has ended."""
        return self._ask("wait", str(program))

    def close(self) -> None:
        """End it."""
        with self._process:
            assert self._process.stdin is not None
            self._process.stdin.close()

    def _ask(self, *order: str) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with self._asked:
            self._process.stdin.write("\t".join(order) + "\n")
            self._process.stdin.flush()
            return int(self._process.stdout.readline())


@dataclass(frozen=True)
class Killed:
    """What was found after a kill."""

    alive_s: float
    lost_s: float
    frames: int


def kill_one(starter: Starter, place: Path, seed: int) -> Killed:
    """Record frames that come without end, kill after 1.1 to 2 s, read the run."""
    emulator = SlcanEmulator(place / "port")
    emulator.plug()
    program = starter.record(emulator.link, place / "runs")
    sender = threading.Thread(target=emulator.run, args=(RATE, 1_000_000))
    try:
        assert emulator.opened.wait(30)
        began = time.monotonic()
        sender.start()
        sender.join(random.Random(seed).uniform(1.1, 2.0))  # it never ends by itself
    finally:
        killed = time.monotonic()
        os.kill(program, signal.SIGKILL)
    assert starter.wait(program) == -signal.SIGKILL
    emulator.unplug()
    sender.join()
    run = open_run(list_runs(place / "runs")[0])
    assert run.cut_off
    data = concat(list(open_log(run.path))).data.copy().view(">u8")[:, 0]
    told = [note.data for note in run.notes]
    assert data.tolist() == list(range(len(data))), f"a hole in the record; its notes: {told}"
    first_lost = bisect_right(emulator.sent, len(data), key=lambda entry: entry[1])
    lost_s = killed - emulator.sent[first_lost][0] if first_lost < len(emulator.sent) else 0.0
    return Killed(killed - began, lost_s, len(data))


@pytest.mark.slow
def test_killed_program_loses_at_most_a_second(tmp_path: Path) -> None:
    found: list[Killed] = []
    starter = Starter()
    places = [tmp_path / str(n) for n in range(KILLS)]
    threads = []
    for n, place in enumerate(places):
        place.mkdir()
        threads.append(
            threading.Thread(target=lambda n=n, place=place: found.append(kill_one(starter, place, n)))
        )
        threads[-1].start()
    for thread in threads:
        thread.join()
    starter.close()
    assert len(found) == KILLS
    assert max(each.lost_s for each in found) < MOST_LOST_S
    for each in found:
        assert each.frames > (each.alive_s - MOST_LOST_S) * RATE
    print(sorted(round(each.lost_s * 1000) for each in found), "ms lost")
