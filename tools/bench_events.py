"""Processor time and memory of `mixmon events` with and without misfire, on 97 s and on an hour.

    python tools/bench_events.py [--seconds 97 3600] [--share 0 0.05] [--all]

An eight-cylinder engine stands at 3000 rpm; of the charges of one cylinder (with `--all` of each) that share
does not burn, at random. Each run is a process of its own, start-up included; its memory is the largest
resident set that the system saw. The logs are simulated anew in a temporary folder: an hour with misfire
takes some minutes.
"""

from __future__ import annotations

import argparse
import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

from mixmon.frames.candump_write import write_candump
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import session_toml, simulate

CHARGES_A_SECOND = 25  # of one cylinder at 3000 rpm, four strokes
STEADY_S = 20  # from then on
AT_THE_END_S = 2  # without misfire, so that each is over

SCENARIO = """\
format = 1
based_on = "plain"
name = "Misfires"
about = "Steady, with misfires at random"

[[profile]]
kind = "off"
until = 0.5
[[profile]]
kind = "start"
name = "idle"
rpm = 1000
load = 3
until = {steady}
[[profile]]
kind = "steady"
name = "cell"
rpm = 3000
load = 20
until = {end}
"""

FAULT = """\
[[fault]]
kind = "misfires"
cylinder = {cylinder}
during = "cell"
after_s = {after:.3f}
cycles = 1
"""


def write_log(folder: Path, seconds: int, share: float, cylinders: list[int]) -> tuple[Path, Path]:
    """A log with misfires, and its session."""
    chance = random.Random(3)
    room = seconds - STEADY_S - AT_THE_END_S
    times = sorted(
        chance.uniform(AT_THE_END_S, room)
        for _ in range(int(room * CHARGES_A_SECOND * share * len(cylinders)))
    )
    faults = "".join(FAULT.format(cylinder=chance.choice(cylinders), after=t) for t in times)
    scenario, log, session = (folder / name for name in ("scenario.toml", "a.log", "session.toml"))
    scenario.write_text(SCENARIO.format(steady=STEADY_S, end=seconds) + faults)
    simulation = simulate(load_scenario(str(scenario)), seed=1)
    session.write_text(session_toml(simulation.session), "utf-8")
    with log.open("wb") as stream:
        for block in simulation:
            stream.write(write_candump(block))
    return log, session


def measure(log: Path, session: Path) -> str:
    """What `mixmon events` costs, in words."""
    words = [sys.executable, "-m", "mixmon", "events", str(log), "-s", str(session), "--quiet", "--json"]
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"exit status {process.returncode}")
    return f"{usage.ru_utime + usage.ru_stime:6.2f} s of processor time, {usage.ru_maxrss / 1024:4.0f} MiB"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=int, nargs="+", default=[97, 3600])
    parser.add_argument("--share", type=float, nargs="+", default=[0.0, 0.05])
    parser.add_argument("--all", action="store_true", help="misfires of all cylinders")
    asked = parser.parse_args()
    cylinders = list(range(1, 9)) if asked.all else [4]
    with tempfile.TemporaryDirectory() as folder:
        for seconds in asked.seconds:
            for share in asked.share:
                log, session = write_log(Path(folder), seconds, share, cylinders)
                print(f"{seconds:5d} s, {100 * share:g} % misfire: {measure(log, session)}", flush=True)


if __name__ == "__main__":
    main()
