"""Time and memory of `mixmon export` on ten minutes and on an hour of eight nodes, in every format.

    python tools/bench_export.py

The logs are simulated once and kept in the temporary folder (about 180 MB). Each export is a process of its
own, start-up included; its memory is the largest resident set the system saw. `mixmon balance` on the same
log stands beside it, as a measure of the machine.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import bench_balance

DURATIONS_S = (600, 3600)
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
    for seconds in DURATIONS_S:
        log, session, frames = bench_balance.made(seconds, NODES)
        print(f"{seconds} s, {NODES} nodes, {frames:,d} frames: seconds, those of processor time, peak, size")
        logs = [str(log), "-s", str(session), "--quiet"]
        took, worked, memory = bench_balance.measured([sys.executable, "-m", "mixmon", "balance", *logs])
        print(f"{'balance':24s} {took:6.1f} s {worked:6.1f} s {memory:5.0f} MiB")
        for name, options in EXPORTS.items():
            print(f"{name:24s} {measured(logs, options)}", flush=True)


def measured(logs: list[str], options: list[str]) -> str:
    """What one export took; the last of the options is the name of its file or folder."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / options[-1]
        words = [*logs, *options[:-1], "--out", str(place)]
        took, worked, memory = bench_balance.measured([sys.executable, "-m", "mixmon", "export", *words])
        files = [place] if place.is_file() else [*place.iterdir()]
        size = sum(path.stat().st_size for path in files) / 1e6
    return f"{took:6.1f} s {worked:6.1f} s {memory:5.0f} MiB {size:7.1f} MB"


if __name__ == "__main__":
    main()
