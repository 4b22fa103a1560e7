"""Speed of mixmon against other tools, in one run: python tools/bench.py SECTION...

Every section times all its rivals in turns, best of three rounds, on the same log (or on one file of
definitions), and prints frames (or signals) a second and the ratio to mixmon, by the clock on the wall and by
processor time (which other work on the machine disturbs less). The log is made once and kept in the
temporary folder.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

import can
import cantools.database
import numpy as np

from mixmon.frames.block import EXTENDED, FrameBlock, concat
from mixmon.frames.candump_write import write_candump
from mixmon.frames.logs import open_log
from mixmon.messages.chain import (
    CHAIN_FILE,
    ENGINE_FILE,
    chain_messages,
    engine_messages,
    shipped_database,
)
from mixmon.messages.database import load_database
from mixmon.messages.decode import Decoder
from mixmon.messages.encode import Encoder
from mixmon.messages.plan import MessagePlan

ROUNDS = 3
BRANCHES = 3_000
"""Signals under one multiplexer in the section `definitions`."""
LIBRARY_FRAMES = 200_000
"""Frames that slow readers are timed on; their figure is per frame."""

# identifier, bytes, frames a second, bus: sixteen sensor nodes on one bus, an engine's on the other
NODES = [(0x2A0 + 4 * node, 8, 100.0, 0) for node in range(16)]
NODES += [(0x2A1 + 4 * node, 8, 5.0, 0) for node in range(16)]
ENGINE = [
    (0x0C1, 8, 100.0, 1),
    (0x0C5, 6, 100.0, 1),
    (0x1D2, 4, 50.0, 1),
    (0x18FE0A31 | EXTENDED, 8, 20.0, 1),
    (0x18FE0B31 | EXTENDED, 5, 2.0, 1),
]

Rival = Callable[[], int]
"""Does the work once and gives the number of frames it did."""


def made_log(frames: int) -> Path:
    """A candump log of two interfaces, as long as asked for; random data, stamps with jitter."""
    path = Path(tempfile.gettempdir()) / f"mixmon-bench-{frames}.log"
    if not path.exists():
        rng = np.random.default_rng(16)
        unfinished = path.with_suffix(".part")
        with unfinished.open("wb") as file:
            for start in range(0, frames, 100_000):
                file.write(write_candump(_traffic(rng, start, min(100_000, frames - start))))
        unfinished.rename(path)
    return path


def _traffic(rng: np.random.Generator, start: int, frames: int) -> FrameBlock:
    kinds = np.array([(can_id, size, bus) for can_id, size, _, bus in NODES + ENGINE])
    rates = np.array([rate for _, _, rate, _ in NODES + ENGINE])
    chosen = kinds[rng.choice(len(kinds), frames, p=rates / rates.sum())]
    gap = int(1e9 / rates.sum())
    t = 1_700_000_000_000_000_000 + gap * (start + np.arange(frames)) + rng.integers(0, gap, frames)
    size = chosen[:, 1].astype(np.uint8)
    data = rng.integers(0, 256, (frames, 8), np.uint8)
    data[np.arange(8) >= size[:, None]] = 0
    none = np.zeros(frames, np.uint8)
    return FrameBlock(
        t,
        chosen[:, 0].astype(np.uint32),
        chosen[:, 2].astype(np.uint8),
        size,
        size,
        none,
        data,
        ("can0", "can1"),
    )


def read_section(frames: int) -> dict[str, Rival]:
    """Log text to columns."""
    log = made_log(frames)

    def mixmon() -> int:
        return sum(len(block) for block in open_log(log))

    def log2asc() -> int:
        command = ["log2asc", "-I", str(log), "-O", "/dev/null", "can0", "can1"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        return frames

    def python_can() -> int:
        with can.CanutilsLogReader(log) as reader:
            return sum(1 for _ in islice(reader, LIBRARY_FRAMES))

    rivals = {"mixmon": mixmon, "python-can CanutilsLogReader": python_can}
    if shutil.which("log2asc"):
        rivals["log2asc (C)"] = log2asc
    else:
        print("log2asc is missing: apt-get install can-utils", file=sys.stderr)
    return rivals


def made_chain_log(frames: int) -> Path:
    """A candump log of a chain of sixteen nodes and an engine, in the project's own messages."""
    path = Path(tempfile.gettempdir()) / f"mixmon-bench-chain-{frames}.log"
    if not path.exists():
        rng = np.random.default_rng(17)
        plans = [*((0, plan) for plan in chain_messages()), *((1, plan) for plan in engine_messages())]
        rate = sum(1e9 / plan.cycle_ns for _, plan in plans if plan.cycle_ns)
        whole = concat([_sent(rng, bus, plan, frames / rate) for bus, plan in plans])
        unfinished = path.with_suffix(".part")
        unfinished.write_bytes(write_candump(whole.take(np.argsort(whole.t, kind="stable"))))
        unfinished.rename(path)
    return path


def _sent(rng: np.random.Generator, bus: int, plan: MessagePlan, seconds: float) -> FrameBlock:
    """One message for that long, with random values within their ranges."""
    cycle = plan.cycle_ns or 1_000_000_000
    count = round(seconds * 1e9 / cycle)
    t = 1_700_000_000_000_000_000 + rng.integers(0, cycle) + cycle * np.arange(count)
    columns = {s.name: rng.uniform(s.minimum or 0, s.maximum or 0, count) for s in plan.signals}
    return Encoder(plan).encode(t, columns, bus, ("can0", "can1"))


def decode_section(frames: int) -> dict[str, Rival]:
    """Log text to the values of every signal, checksums and counters checked by mixmon only."""
    log = made_chain_log(frames)

    def mixmon() -> int:
        decoder, done = Decoder([(0, chain_messages()), (1, engine_messages())]), 0
        for block in open_log(log):
            buses = np.array([0 if channel == "can0" else 1 for channel in block.channels], np.uint8)
            decoder.decode(block, buses)
            done += len(block)
        return done

    def libraries() -> int:
        of: dict[Any, Any] = {
            channel: cantools.database.load_file(shipped_database(name) or name)
            for channel, name in (("can0", CHAIN_FILE), ("can1", ENGINE_FILE))
        }
        done = 0
        with can.CanutilsLogReader(log) as reader:
            for message in islice(reader, LIBRARY_FRAMES):
                of[message.channel].decode_message(message.arbitration_id, message.data)
                done += 1
        return done

    return {"mixmon": mixmon, "python-can + cantools": libraries}


def definitions_section(_frames: int) -> dict[str, Rival]:
    """A DBC file with three thousand signals under one multiplexer, to records that can decode."""
    path = Path(tempfile.gettempdir()) / "mixmon-bench-definitions.dbc"
    branches = (f' SG_ S{i} m{i} : 16|16@1+ (0.1,0) [0|100] "u" X\n' for i in range(BRANCHES))
    path.write_text('BO_ 291 Big: 8 X\n SG_ Page M : 0|16@1+ (1,0) [0|0] "" X\n' + "".join(branches))

    def mixmon() -> int:
        return len(load_database(path).messages[0].signals)

    def library() -> int:
        return len(cantools.database.load_file(path, strict=False).messages[0].signals)

    return {"mixmon": mixmon, "cantools": library}


FORMATS = {
    ".asc": (can.ASCReader, 100_000),
    ".blf": (can.BLFReader, 200_000),
    ".csv": (can.CSVReader, 200_000),
    ".db": (can.SqliteReader, 200_000),
    ".mf4": (can.MF4Reader, 20_000),
    ".trc": (can.TRCReader, 200_000),
}
"""python-can's readers, and frames at most: its writer of MDF takes seventy seconds for a million."""

_TABLE = """CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER,
remote INTEGER, error INTEGER, dlc INTEGER, data BLOB)"""


def made_format(suffix: str, frames: int) -> Path:
    """The candump log in another format."""
    path = Path(tempfile.gettempdir()) / f"mixmon-bench-{frames}{suffix}"
    if path.exists():
        return path
    with can.CanutilsLogReader(made_log(frames)) as reader:
        if suffix == ".db":  # its writer may drop what comes faster than it stores
            rows = ((m.timestamp, m.arbitration_id, m.is_extended_id, 0, 0, m.dlc, m.data) for m in reader)
            with closing(sqlite3.connect(path)) as table, table:
                table.execute(_TABLE)
                table.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        else:
            with can.Logger(str(path)) as writer:
                for message in reader:
                    writer(message)
    return path


def format_section(suffix: str) -> Callable[[int], dict[str, Rival]]:
    """The section of one format."""
    reader, most = FORMATS[suffix]

    def section(frames: int) -> dict[str, Rival]:
        path = made_format(suffix, min(frames, most))

        def mixmon() -> int:
            return sum(len(block) for block in open_log(path))

        def python_can() -> int:
            with reader(path) as messages:
                return sum(1 for _ in messages)

        return {"mixmon": mixmon, f"python-can {reader.__name__}": python_can}

    section.__doc__ = f"A log {suffix} to columns, and to python-can's messages; at most {most:,} frames."
    return section


SECTIONS: dict[str, Callable[[int], dict[str, Rival]]] = {
    "read": read_section,
    "decode": decode_section,
    "definitions": definitions_section,
    **{suffix[1:]: format_section(suffix) for suffix in FORMATS},
}


class Speed(NamedTuple):
    """Frames a second, best of the rounds."""

    wall: float
    processor: float


def measured(rivals: dict[str, Rival]) -> dict[str, Speed]:
    """The speed of each, in rounds in which they take turns."""
    best = dict.fromkeys(rivals, Speed(0.0, 0.0))
    for _ in range(ROUNDS):
        for name, work in rivals.items():
            wall, processor = time.perf_counter(), processor_s()
            frames = work()
            wall, processor = time.perf_counter() - wall, processor_s() - processor
            best[name] = Speed(
                max(best[name].wall, frames / wall), max(best[name].processor, frames / processor)
            )
    return best


def processor_s() -> float:
    """Processor time used by this process and those it waited for."""
    return sum(os.times()[:4])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", default=list(SECTIONS), metavar=" | ".join(SECTIONS))
    parser.add_argument("--frames", type=int, default=2_000_000)
    arguments = parser.parse_args()
    for section in arguments.sections:
        make = SECTIONS[section]
        things = "signals" if section == "definitions" else "frames"
        print(
            f"{section}: {make.__doc__} ({BRANCHES if things == 'signals' else arguments.frames:,} {things})"
        )
        speeds = measured(make(arguments.frames))
        mine = speeds["mixmon"]
        for name, speed in speeds.items():
            ratio, of_time = mine.wall / speed.wall, mine.processor / speed.processor
            print(
                f"  {name:30} {speed.wall:12,.0f} {things}/s{ratio:7.1f} x"
                f"   processor {speed.processor:12,.0f} {things}/s{of_time:7.1f} x"
            )


if __name__ == "__main__":
    main()
