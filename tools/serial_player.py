"""A simulated engine on emulated serial adapters, one a bus, in real time, with unknown identifiers added.

    python tools/serial_player.py --cylinders 16 --rate 8000 --seconds 60 --links /tmp/a /tmp/b

begins once both adapters are open, and at the end prints how many frames each has sent. A line on
standard input ends it early.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from slcan_emulator import SlcanEmulator

from mixmon.frames.block import EXTENDED, FrameBlock
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import Simulation, simulate

STEP_NS = 5_000_000
UNKNOWN_IDS = range(0x600, 0x620)


def handfuls(simulation: Simulation) -> Iterator[tuple[int, FrameBlock]]:
    """Step by step, also the empty ones: the end of the step in ns from the start, and its frames."""
    first, step = None, 0
    for block in simulation:
        if not len(block):
            continue
        first = int(block.t[0]) // STEP_NS if first is None else first
        steps = block.t // STEP_NS - first
        for number in range(step, int(steps[-1]) + 1):
            rows = slice(*np.searchsorted(steps, [number, number + 1]).tolist())
            yield (number + 1) * STEP_NS, block.take(rows)
        step = int(steps[-1]) + 1


class Adapter:
    """One emulated adapter: the frames of its bus, and unknown identifiers up to its rate."""

    def __init__(self, link: Path, bus: int, rate: float) -> None:
        self.emulator = SlcanEmulator(link)
        self.emulator.plug()
        self.sent = 0
        self._bus, self._rate = bus, rate

    def send(self, frames: FrameBlock, until_ns: int) -> None:
        mine = frames.take(frames.bus == self._bus)
        frame = self.emulator.frame
        lines = [
            frame(can_id & ~EXTENDED, bytes(data[:size]), extended=can_id >= EXTENDED)
            for can_id, size, data in zip(mine.can_id.tolist(), mine.size.tolist(), mine.data, strict=True)
        ]
        missing = int(self._rate * until_ns / 1e9) - self.sent - len(lines)
        lines += [
            frame(UNKNOWN_IDS[n % len(UNKNOWN_IDS)], (self.sent + n).to_bytes(8, "big"))
            for n in range(missing)
        ]
        if self.emulator.write(b"".join(lines)):
            self.sent += len(lines)


def end(ended: threading.Event, adapters: list[Adapter]) -> None:
    """Waits for a line, then pulls the plugs: an adapter that nobody reads any more would wait forever."""
    sys.stdin.readline()
    ended.set()
    for adapter in adapters:
        adapter.emulator.unplug()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenario", default="plain")
    parser.add_argument("--cylinders", type=int)
    parser.add_argument("--rate", type=float, default=0.0, help="frames a second, all buses together")
    parser.add_argument("--seconds", type=float, default=3600.0)
    parser.add_argument("--links", type=Path, nargs="+", required=True, help="names of the ports, one a bus")
    chosen = parser.parse_args()
    simulation = simulate(load_scenario(chosen.scenario, chosen.cylinders), seed=1, duration=chosen.seconds)
    adapters = [Adapter(link, i, chosen.rate / len(chosen.links)) for i, link in enumerate(chosen.links)]
    print("ready", flush=True)
    ended = threading.Event()
    ender = threading.Thread(target=end, args=(ended, adapters))
    ender.start()
    for adapter in adapters:
        adapter.emulator.opened.wait()
    began = time.monotonic_ns()
    for until, frames in handfuls(simulation):
        if ended.wait(max(0, began + until - time.monotonic_ns()) / 1e9):
            break
        for adapter in adapters:
            adapter.send(frames, until)
    print("sent", *(adapter.sent for adapter in adapters), flush=True)
    ender.join()


if __name__ == "__main__":
    main()
