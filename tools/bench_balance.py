"""Time and memory of `mixmon balance` on ten minutes and on an hour of sixteen nodes and an engine bus.

    python tools/bench_balance.py

The logs are simulated once and kept in the temporary folder (about 370 MB). Each run is a process
of its own, start-up included; its memory is the largest resident set the system saw. Beside it,
in the same run, the time that can-utils' log2asc (Debian package can-utils) takes to print the
same log, as a measure of the machine.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from mixmon.frames.candump_write import write_candump
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import session_toml, simulate

NODES = 16
DURATIONS_S = (600, 3600)


def made(seconds: int, nodes: int = NODES) -> tuple[Path, Path, int]:
    """Log, session file, and frames in the log."""
    folder = Path(tempfile.gettempdir())
    log, session = folder / f"mixmon-bench-{nodes}-{seconds}.log", folder / f"mixmon-bench-{nodes}.toml"
    simulation = simulate(load_scenario("plain", nodes), seed=5, duration=seconds)
    session.write_text(session_toml(simulation.session), "utf-8")
    if not log.exists():
        partial = log.with_suffix(".part")
        with partial.open("wb") as stream:
            for block in simulation:
                stream.write(write_candump(block))
        partial.rename(log)
    with log.open("rb") as stream:
        frames = sum(piece.count(b"\n") for piece in iter(lambda: stream.read(1 << 20), b""))
    return log, session, frames


def timed(command: list[str]) -> tuple[float, float]:
    """Seconds and MiB of a child process; see `measured`."""
    took, _, memory = measured(command)
    return took, memory


def measured(command: list[str]) -> tuple[float, float, float]:
    """Seconds, seconds of processor time, and MiB of a child process."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"{command[0]}: exit status {process.returncode}")
    worked = usage.ru_utime + usage.ru_stime
    return time.perf_counter() - began, worked, usage.ru_maxrss / 1024


def main() -> None:
    for seconds in DURATIONS_S:
        log, session, frames = made(seconds)
        command = [sys.executable, "-m", "mixmon", "balance", str(log), "-s", str(session), "--quiet"]
        took, memory = min(timed(command) for _ in range(3))
        line = f"{seconds:5d} s, {frames:9,d} frames: balance {took:5.2f} s, {memory:4.0f} MiB"
        if shutil.which("log2asc"):
            printing, _ = min(timed(["log2asc", "-I", str(log), "can0", "can1"]) for _ in range(3))
            line += f"; log2asc {printing:5.2f} s, {printing / took:.1f} times as long"
        print(line)


if __name__ == "__main__":
    main()
