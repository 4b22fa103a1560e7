"""Small runs for tests, and the run folders that a test has made."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import is_run
from mixmon.record.recorder import Recorder

S = 1_000_000_000
MS = 1_000_000
EPOCH = 1_795_000_000 * S
CHANNELS = ("can0", "can1")
BUSES = (
    BusOptions("can0", "socketcan", "can0", 500_000),
    BusOptions("can1", "slcan", "/dev/x", acknowledge=True),
)


def block(first: int, count: int, step_ns: int = MS) -> FrameBlock:
    """Frames numbered in their data, on two buses by turns."""
    n = np.arange(first, first + count)
    return FrameBlock(
        EPOCH + n * step_ns + 123_000,
        (0x100 + n % 16).astype(np.uint32),
        (n % 2).astype(np.uint8),
        np.full(count, 8, np.uint8),
        np.full(count, 8, np.uint8),
        np.zeros(count, np.uint8),
        n.astype(">u8").view(np.uint8).reshape(count, 8).copy(),
        CHANNELS,
    )


def recorded(root: Path, **options: object) -> Path:
    """A small complete run."""
    recorder = Recorder(root, name="Alder 8 before", buses=BUSES, files={"session.toml": b"a = 1\r\n"})
    assert recorder.start("engine speed above 500")
    for part in range(10):
        recorder.write(block(100 * part, 100))
    recorder.note(EPOCH + 5, "mark", text="λ spike, cylinder 7")
    recorder.close()
    (path,) = list_runs(root)
    return path


def list_runs(root: Path) -> list[Path]:
    """Folders of runs in `root`, oldest first; none if there is no such folder."""
    return sorted(filter(is_run, root.iterdir())) if root.is_dir() else []
