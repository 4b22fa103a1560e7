"""A recording program is killed in mid-pull, for real, and its run is read."""

from __future__ import annotations

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

KILLS = 20
AT_ONCE = 10
RATE = 500
MOST_LOST_S = 1.0

PROGRAM = """
import sys
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.adapters import Adapters
from mixmon.record.recorder import Recorder

recorder = Recorder(sys.argv[2])
recorder.start()
with Adapters([BusOptions("can0", "slcan", sys.argv[1], 500_000)]) as adapters:
    while True:
        for block in adapters.take(0.05):
            recorder.write(block)
"""


@dataclass(frozen=True)
class Killed:
    """What was found after a kill."""

    alive_s: float
    lost_s: float
    frames: int


def kill_one(place: Path, seed: int) -> Killed:
    """Record frames that come without end, kill after 1.1 to 2 s, read the run."""
    emulator = SlcanEmulator(place / "port")
    emulator.plug()
    program = subprocess.Popen([sys.executable, "-c", PROGRAM, str(emulator.link), str(place / "runs")])
    assert emulator.opened.wait(30)
    sender = threading.Thread(target=emulator.run, args=(RATE, 1_000_000))
    began = time.monotonic()
    sender.start()
    try:
        program.wait(random.Random(seed).uniform(1.1, 2.0))
    except subprocess.TimeoutExpired:
        killed = time.monotonic()
        program.send_signal(signal.SIGKILL)
        assert program.wait(10) == -signal.SIGKILL
    emulator.unplug()
    sender.join()
    run = open_run(list_runs(place / "runs")[0])
    assert run.cut_off
    data = concat(list(open_log(run.path))).data.copy().view(">u8")[:, 0]
    assert data.tolist() == list(range(len(data))), "a hole in the record"
    first_lost = bisect_right(emulator.sent, len(data), key=lambda entry: entry[1])
    lost_s = killed - emulator.sent[first_lost][0] if first_lost < len(emulator.sent) else 0.0
    return Killed(killed - began, lost_s, len(data))


@pytest.mark.slow
def test_killed_program_loses_at_most_a_second(tmp_path: Path) -> None:
    found: list[Killed] = []
    places = [tmp_path / str(n) for n in range(KILLS)]
    for at in range(0, KILLS, AT_ONCE):
        threads = []
        for n in range(at, at + AT_ONCE):
            places[n].mkdir()
            threads.append(threading.Thread(target=lambda n=n: found.append(kill_one(places[n], n))))
            threads[-1].start()
        for thread in threads:
            thread.join()
    assert len(found) == KILLS
    assert max(each.lost_s for each in found) < MOST_LOST_S
    for each in found:
        assert each.frames > (each.alive_s - MOST_LOST_S) * RATE
    print(sorted(round(each.lost_s * 1000) for each in found), "ms lost")
