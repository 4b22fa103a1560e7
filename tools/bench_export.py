"""Time and memory of `mixmon export` on an hour of eight nodes and an engine bus, in every format.

    python tools/bench_export.py

The log is simulated once and kept in the temporary folder (about 230 MB). Each export is a process of its
own, start-up included; its memory is the largest resident set the system saw. `mixmon balance` on the same
log stands beside it, as a measure of the machine.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import bench_balance

SECONDS = 3600
NODES = 8
EXPORTS = {
    "rows as Parquet": ["--to", "parquet", "rows.parquet"],
    "rows as MDF 4": ["--to", "mdf", "rows.mf4"],
    "rows as CSV": ["--to", "csv", "rows.csv"],
    "frames as Parquet": ["--tables", "frames", "--to", "parquet", "frames.parquet"],
    "frames as MDF 4": ["--tables", "frames", "--to", "mdf", "frames.mf4"],
    "frames as candump text": ["--to", "candump", "frames.log"],
    "all tables as Parquet": ["--tables", "all", "--to", "parquet", "all"],
}


def main() -> None:
    log, session, frames = bench_balance.made(SECONDS, NODES)
    mixmon = [sys.executable, "-m", "mixmon"]
    logs = [str(log), "-s", str(session), "--quiet"]
    took, worked, memory = bench_balance.measured([*mixmon, "balance", *logs])
    print(f"{SECONDS} s, {NODES} nodes, {frames:,d} frames: seconds, those of processor time, peak, size")
    print(f"{'balance':24s} {took:6.1f} s {worked:6.1f} s {memory:5.0f} MiB")
    for name, (*options, out) in EXPORTS.items():
        with tempfile.TemporaryDirectory() as folder:
            place = Path(folder) / out
            command = [*mixmon, "export", *logs, *options, "--out", str(place)]
            took, worked, memory = bench_balance.measured(command)
            files = [place] if place.is_file() else [*place.iterdir()]
            size = sum(path.stat().st_size for path in files) / 1e6
        print(f"{name:24s} {took:6.1f} s {worked:6.1f} s {memory:5.0f} MiB {size:7.1f} MB", flush=True)


if __name__ == "__main__":
    main()
