"""Time and memory of `mixmon report` on ten minutes and on an hour of eight nodes.

    python tools/bench_report.py

The logs are those of `bench_export`. Each page is made by a process of its own, start-up included; its memory
is the largest resident set the system saw. `mixmon balance` on the same log stands beside it, as a measure of
the machine.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import bench_balance
from bench_export import DURATIONS_S, NODES


def main() -> None:
    for seconds in DURATIONS_S:
        log, session, frames = bench_balance.made(seconds, NODES)
        print(f"{seconds} s, {NODES} nodes, {frames:,d} frames: seconds, those of processor time, peak, size")
        words = [str(log), "-s", str(session), "--quiet"]
        with tempfile.TemporaryDirectory() as folder:
            page = Path(folder) / "page.html"
            for name, more in (("balance", []), ("report", ["--ledger", ":memory:", "-o", str(page)])):
                command = [sys.executable, "-m", "mixmon", name, *words, *more]
                took, worked, memory = bench_balance.measured(command)
                size = f" {page.stat().st_size / 1e3:7.0f} kB" if page.is_file() else ""
                print(f"{name:24s} {took:6.1f} s {worked:6.1f} s {memory:5.0f} MiB{size}", flush=True)


if __name__ == "__main__":
    main()
