"""What a live frame costs: processor time, delay, losses, at a set rate.

    python tools/measure_live.py --interface virtual --rate 8000
    python tools/measure_live.py --interface slcan --rate 8000 --record

virtual  python-can's bus within one process; the sender's own processor time is subtracted
slcan    a serial adapter on a pseudo-terminal, emulated by another process
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import numpy as np

from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.record.recorder import Recorder

STEP_S = 0.005
PATIENCE_S = 3.0


class VirtualSender:
    """A thread that sends numbered frames; `cpu_s` is what it used."""

    def __init__(self, channel: str, rate: float, count: int) -> None:
        self.cpu_s = 0.0
        self._bus = can.Bus(interface="virtual", channel=channel, ignore_config=True)
        self._rate, self._count = rate, count
        self._thread = threading.Thread(target=self._send)

    def start(self) -> None:
        self._thread.start()

    def join(self) -> None:
        self._thread.join()
        self._bus.shutdown()

    def _send(self) -> None:
        began, sent = time.monotonic(), 0
        while sent < self._count:
            time.sleep(STEP_S)
            due = min(self._count, int((time.monotonic() - began) * self._rate))
            for n in range(sent, due):
                data = n.to_bytes(8, "big")
                self._bus.send(can.Message(arbitration_id=0x100 + n % 16, is_extended_id=False, data=data))
            sent = due
        self.cpu_s = time.thread_time()


@contextmanager
def virtual(rate: float, count: int) -> Iterator[tuple[BusOptions, VirtualSender]]:
    sender = VirtualSender("measure", rate, count)
    yield BusOptions("can0", "virtual", "measure"), sender
    sender.join()


class SerialSender:
    """The emulator in a process of its own: it starts when the channel is opened."""

    cpu_s = 0.0

    def start(self) -> None:
        pass


@contextmanager
def serial(rate: float, count: int) -> Iterator[tuple[BusOptions, SerialSender]]:
    emulator = Path(__file__).parent / "slcan_emulator.py"
    with tempfile.TemporaryDirectory() as place:
        link = Path(place) / "port"
        command = [sys.executable, str(emulator), f"--rate={rate}", f"--count={count}", f"--link={link}"]
        process = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        try:
            yield BusOptions("can0", "slcan", str(link), 500_000), SerialSender()
        finally:
            process.terminate()
            process.wait()
            process.stdout.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--interface", choices=("virtual", "slcan"), default="virtual")
    parser.add_argument("--rate", type=float, default=8000.0, help="frames a second")
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--record", action="store_true", help="write the frames to disk as well")
    chosen = parser.parse_args()
    count = round(chosen.rate * chosen.seconds)
    source = virtual if chosen.interface == "virtual" else serial
    with source(chosen.rate, count) as (options, sender), tempfile.TemporaryDirectory() as place:
        recorder = Recorder(place)
        if chosen.record:
            recorder.start()
        with Adapters([options]) as adapters:
            measure(adapters, recorder if chosen.record else None, sender, count)
        recorder.close()


def measure(
    adapters: Adapters, recorder: Recorder | None, sender: VirtualSender | SerialSender, count: int
) -> None:
    taken, last_heard = 0, time.monotonic()
    delays: list[float] = []
    began, cpu = time.monotonic(), time.process_time()
    sender.start()
    while taken < count and time.monotonic() - last_heard < PATIENCE_S:
        for block in adapters.take(0.05):
            if recorder is not None:
                recorder.write(block)
            delays.append((adapters.now() - int(block.t[0])) / 1e6)
            taken, last_heard = taken + len(block), time.monotonic()
    cpu = time.process_time() - cpu - sender.cpu_s
    elapsed = time.monotonic() - began
    print(f"{taken} of {count} frames in {elapsed:.2f} s, {taken / elapsed:.0f} a second")
    print(f"processor {1e6 * cpu / max(taken, 1):.1f} µs a frame, {100 * cpu / elapsed:.1f} % of a core")
    print(f"{len(delays)} blocks; delay of their oldest frames: median {np.median(delays):.1f} ms", end=", ")
    print(f"worst {max(delays):.1f} ms")
    print(adapters.status()[0])


if __name__ == "__main__":
    main()
