"""Plays and converts a recorded run with can-utils' own canplayer and log2asc, and compares every frame.

The same for a log of nine decimals, which these tools cannot read, after `mixmon export --to candump`.

    apt-get install can-utils gcc
    python tools/check_can_utils.py

canplayer opens a CAN socket although it prints to standard output; where the kernel has none, a library
of three functions that is compiled here and loaded before the others gives it one that leads nowhere.
Ends with status 1 if a line differs.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, FrameRow, Interfaces, block_of
from mixmon.frames.candump_write import write_candump
from mixmon.frames.logs import FRAMES, open_log
from mixmon.record.recorder import Recorder

EPOCH_US = 1_795_000_000_123_456
COUNT = 2000

STAND_IN = """
#include <sys/socket.h>
#include <fcntl.h>
int socket(int family, int type, int protocol) { return open("/dev/null", O_RDWR); }
int bind(int s, const struct sockaddr *address, socklen_t length) { return 0; }
int setsockopt(int s, int level, int name, const void *value, socklen_t length) { return 0; }
"""


def frames() -> FrameBlock:
    """Frames of every kind that a run can hold, at uneven times."""
    rng = np.random.default_rng(12)
    t = EPOCH_US + np.cumsum(rng.integers(1, 40_000, COUNT))
    fd = int(FrameFlag.FD)
    kinds = [
        lambda: (0x2A0, 8, 0, rng.bytes(8)),
        lambda: (0x18FEF100 | EXTENDED, 5, 0, rng.bytes(5)),
        lambda: (0x7FF, 0, 0, b""),
        lambda: (0x123, 5, int(FrameFlag.REMOTE), b""),
        lambda: (0x456, 9, fd | int(FrameFlag.BIT_RATE_SWITCH), rng.bytes(12)),
        lambda: (0x457, 15, fd, rng.bytes(64)),
        lambda: (0x321, 2, int(FrameFlag.SENT), rng.bytes(2)),
    ]
    interfaces = Interfaces()
    rows = []
    for i, stamp in enumerate(t.tolist()):
        can_id, dlc, flags, data = kinds[i % len(kinds)]()
        name = f"can{i % 2}"
        interfaces.number(name)
        rows.append(FrameRow(stamp * 1000, can_id, name, dlc, flags, data))
    return block_of(rows, interfaces)


def recorded(folder: Path, block: FrameBlock) -> Path:
    recorder = Recorder(folder, name="can-utils")
    recorder.start()
    recorder.write(block)
    recorder.close()
    (run,) = folder.iterdir()
    return run


def environment(folder: Path) -> dict[str, str]:
    """With a stand-in for CAN sockets where the kernel has none."""
    try:
        socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW).close()
    except OSError:
        source, library = folder / "stand_in.c", folder / "stand_in.so"
        source.write_text(STAND_IN)
        subprocess.run(["gcc", "-shared", "-fPIC", "-o", library, source], check=True)
        return {**os.environ, "LD_PRELOAD": str(library)}
    return dict(os.environ)


def played(log: Path, folder: Path) -> str:
    """What canplayer prints, without waiting between the lines."""
    command = ["canplayer", "-t", "-I", str(log), "stdout=can0", "stdout=can1"]
    return subprocess.run(
        command, env=environment(folder), check=False, capture_output=True, text=True
    ).stdout


def converted(log: Path) -> list[tuple[int, int, bytes]]:
    """Microseconds from the first frame, identifier and data of every frame that log2asc prints."""
    text = subprocess.run(
        ["log2asc", "-I", str(log), "can0", "can1"], check=True, capture_output=True, text=True
    ).stdout
    classic = re.compile(r" *(\d+)\.(\d{6}) \d +([0-9A-F]+)x? +[RT]x +([dr]) (\d+) ?(.*)")
    flexible = re.compile(r" *(\d+)\.(\d{6}) CANFD +\d [RT]x +([0-9A-F]+) +\d \d [0-9a-f] +(\d+) (.*)")
    found = []
    for line in text.splitlines():
        if match := classic.fullmatch(line):
            data = match[6].strip()
        elif match := flexible.fullmatch(line):
            data = " ".join(match[5].split()[: int(match[4])])
        else:
            continue
        found.append((int(match[1]) * 10**6 + int(match[2]), int(match[3], 16), bytes.fromhex(data)))
    return found


def exported(log: Path, place: Path) -> Path:
    """The log as `mixmon export` writes it for these tools."""
    command = [sys.executable, "-m", "mixmon", "export", log, "--to", "candump", "--out", place, "--quiet"]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return place


def main() -> int:
    missing = [name for name in ("canplayer", "log2asc", "gcc") if not shutil.which(name)]
    if missing:
        print(f"missing: {', '.join(missing)}: apt-get install can-utils gcc", file=sys.stderr)
        return 2
    block = frames()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        log = recorded(folder / "runs", block) / FRAMES
        text = log.read_text()
        (read,) = open_log(log)
        expected = [
            ((t - int(block.t[0])) // 1000, can_id & ~EXTENDED, data[:size].tobytes())
            for t, can_id, size, data in zip(
                block.t.tolist(), block.can_id.tolist(), block.size.tolist(), block.data, strict=True
            )
        ]
        checks = {
            "mixmon reads the stamps that were recorded": bool((read.t == block.t).all()),
            "canplayer prints the lines of the run": played(log, folder) == text,
            "log2asc gives every time, identifier and byte": converted(log) == expected,
        }
        log.write_bytes(write_candump(block, fraction_digits=9))
        checks["log2asc misreads nine decimals, so the check sees them"] = converted(log) != expected
        checks["canplayer refuses nine decimals, so the check sees them"] = played(log, folder) != text
        six = exported(log, folder / "six.log")
        checks["canplayer prints the lines of the export of nine decimals"] = played(six, folder) == text
        checks["log2asc gives every frame of the export of nine decimals"] = converted(six) == expected
    for what, right in checks.items():
        print(f"{'right' if right else 'WRONG'}  {what}")
    return 0 if all(checks.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
