"""What watching costs: processor time, the age of what is shown, losses, and the time to the first value.

    python tools/measure_watch.py --seconds 120 [--screen]

First, the demo is started some times, and the time to its first sample on the screen is taken. Then a second
process plays sixteen cylinders on two emulated serial adapters, filled up with unknown identifiers to 8,000
frames a second; this one watches and records, with --screen with the dashboard in this terminal. The age of
the newest value is that of the newest row worked, or of the newest one drawn, looked at a hundred times a
second: waiting for the next picture counts. Then general libraries take the same frames at the same rate:
python-can reads the adapters and writes a candump log, cantools decodes the messages of both buses, and
nothing else is done with them. Where they do not keep up, the adapters wait: their cost a frame is compared.
"""

from __future__ import annotations

import argparse
import os
import pty
import re
import resource
import select
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import can
import cantools
import numpy as np

from mixmon.cli.screen import units_of
from mixmon.dashboard.app import Dashboard, DashboardOptions
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.live.recording import RunRecording
from mixmon.live.source import BusSource
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.record.recorder import Recorder
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.watch.snapshot import Snapshot

HERE = Path(__file__).parent
DATABASES, PLAYED = HERE.parent / "dbc", ("mixture_chain.dbc", "engine_bus.dbc")
LOOK_S = 0.01

SIZE = (60, 200)
PAINT = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
SAMPLE = re.compile(r"warming +\d+ ms")
"""The age of a cylinder's first sample, as the dashboard writes it."""


def load(seconds: float, rate: float, cylinders: int, folder: Path, *, screen: bool) -> float:
    """Watch the second process, and say what it cost; CPU seconds a frame."""
    links = links_in(folder)
    session = simulate(load_scenario("plain", cylinders), seed=1).session
    options = {"sleep_after_open": 0.1, "stamps": False}
    buses = [
        replace(BusOptions.from_session(bus), interface="slcan", channel=str(link), options=options)
        for bus, link in zip(session.buses, links, strict=True)
    ]
    with play(seconds, rate, cylinders, links) as player:
        source = BusSource(buses)
        recording = RunRecording(Recorder(folder / "runs", name="measured", buses=buses))
        worker = Worker(bind(session, load_databases(session)), source, recording)
        worker.start()
        began, cpu = time.monotonic(), time.process_time()
        if screen:
            ages, parts = ages_on_screen(worker, source, seconds)
        else:
            ages, parts = ages_until(lambda: worker.snapshot, source, seconds)
        cpu, elapsed = time.process_time() - cpu, time.monotonic() - began
        threads = ", ".join(f"{name} {100 * spent / elapsed:.1f}" for name, spent in cpu_by_thread().items())
        sent = player.sent()
        worker.close()
        player.end()
    told(worker, sent, ages, 100 * cpu / elapsed, parts)
    print(f"of that by thread, since they began: {threads}")
    return cpu / worker.snapshot.frames


def links_in(folder: Path) -> list[Path]:
    """The names of the two ports."""
    return [folder / "chain", folder / "engine"]


class Play:
    """The second process: it plays once both adapters are open."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self._read_line()

    def _read_line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline()

    def sent(self) -> list[int]:
        """How many frames each adapter has sent, at the end, and half a second later."""
        sent = [int(word) for word in self._read_line().split()[1:]]
        threading.Event().wait(0.5)
        return sent

    def end(self) -> None:
        """End it."""
        self._process.communicate("\n")


@contextmanager
def play(seconds: float, rate: float, cylinders: int, links: list[Path]) -> Iterator[Play]:
    """The second process, ready to play."""
    command = [sys.executable, str(HERE / "serial_player.py"), f"--cylinders={cylinders}", f"--rate={rate}"]
    command += [f"--seconds={seconds}", "--links", *map(str, links)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield Play(process)


def libraries(seconds: float, rate: float, cylinders: int, folder: Path) -> float:
    """CPU seconds a frame of python-can and cantools, which read, log and decode the same frames."""
    known = [
        cantools.database.load_file(DATABASES / name) for name in ("mixture_chain.dbc", "engine_bus.dbc")
    ]
    messages = {message.frame_id: message for one in known for message in one.messages}
    taken, decoded = [0], [0]

    def decode(frame: can.Message) -> None:
        taken[0] += 1
        if message := messages.get(frame.arbitration_id):
            message.decode(frame.data, decode_choices=False)
            decoded[0] += 1

    links = links_in(folder)
    with play(seconds, rate, cylinders, links) as player, can.CanutilsLogWriter(folder / "peer.log") as log:
        buses = [
            can.Bus(interface="slcan", channel=str(link), sleep_after_open=0.1, ignore_config=True)
            for link in links
        ]
        began, cpu = time.monotonic(), time.process_time()
        notifier = can.Notifier(buses, [decode, log])
        threading.Event().wait(seconds)
        cpu, elapsed = time.process_time() - cpu, time.monotonic() - began
        notifier.stop()
        for bus in buses:
            bus.shutdown()
        player.end()
    print(
        f"python-can and cantools: {taken[0] / elapsed:.0f} frames a second, {decoded[0]} decoded; "
        f"processor {100 * cpu / elapsed:.1f} % of a core"
    )
    return cpu / taken[0]


def cpu_by_thread() -> dict[str, float]:
    """CPU seconds of every thread so far, by its name; those of one name together."""
    spent: dict[str, float] = {}
    for thread in threading.enumerate():
        assert thread.ident is not None
        seconds = time.clock_gettime(time.pthread_getcpuclockid(thread.ident))
        spent[thread.name] = spent.get(thread.name, 0.0) + seconds
    return spent


def ages_on_screen(worker: Worker, source: BusSource, seconds: float) -> tuple[np.ndarray, list[float]]:
    """The same of what the dashboard has drawn, in this terminal."""
    until = time.monotonic() + seconds
    units = units_of(worker.binding, "lambda")
    app = Dashboard(worker, DashboardOptions(units, bell=False, over=lambda: time.monotonic() > until))
    found: list[tuple[np.ndarray, list[float]]] = []
    looking = threading.Thread(
        target=lambda: found.append(ages_until(lambda: app.shown, source, seconds - LOOK_S))
    )
    looking.start()
    app.run()
    looking.join()
    return found[0]


def ages_until(
    shown: Callable[[], Snapshot], source: BusSource, seconds: float
) -> tuple[np.ndarray, list[float]]:
    """Age in ms of the newest row shown, looked at a hundred times a second; CPU seconds by tenth."""
    ages, parts = [], [time.process_time()]
    pause, began = threading.Event(), time.monotonic()
    while (passed := time.monotonic() - began) < seconds:
        pause.wait(LOOK_S)
        newest = shown().t
        if newest is not None:
            ages.append((source.now() - newest) / 1e6)
        if passed >= seconds * len(parts) / 10:
            parts.append(time.process_time())
    return np.array(ages), np.diff(parts).tolist()


def told(worker: Worker, sent: list[int], ages: np.ndarray, percent: float, parts: list[float]) -> None:
    shown = worker.snapshot
    lost = sum(sent) - shown.frames
    print(f"sent {sent}, watched {shown.frames}, lost {lost}; late {shown.late_by_clock}; {shown.failure}")
    print(f"processor {percent:.1f} % of a core; first tenth {parts[0]:.2f} s, last {parts[-1]:.2f} s")
    p50, p99 = np.percentile(ages, [50, 99])
    print(f"age of the newest value: median {p50:.0f} ms, 99 % {p99:.0f} ms, worst {ages.max():.0f} ms")
    print(f"largest resident set {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")
    assert worker.recording is not None
    print(f"recorded {worker.recording.runs[0].frames} frames, {worker.recording.runs[0].size} bytes")


def first_samples(times: int) -> None:
    """From the start of `mixmon demo` to its first sample on the screen, with python-can's virtual bus."""
    for _ in range(times):
        master, slave = pty.openpty()
        termios.tcsetwinsize(slave, SIZE)
        began, written = time.monotonic(), ""
        program = [sys.executable, "-m", "mixmon", "demo"]
        with subprocess.Popen(program, stdin=slave, stdout=slave, stderr=slave) as demo:
            while not SAMPLE.search(PAINT.sub("", written)):
                written += os.read(master, 1 << 16).decode(errors="replace")
            print(f"first sample on the screen {time.monotonic() - began:.2f} s after the start", flush=True)
            demo.terminate()
            while select.select([master], [], [], 2.0)[0]:
                os.read(master, 1 << 16)
        os.close(slave)
        os.close(master)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=120.0)
    parser.add_argument("--rate", type=float, default=8000.0)
    parser.add_argument("--cylinders", type=int, default=16)
    parser.add_argument("--starts", type=int, default=5)
    parser.add_argument("--screen", action="store_true", help="with the dashboard, in this terminal")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        first_samples(chosen.starts)
        folder = Path(place)
        ours = load(chosen.seconds, chosen.rate, chosen.cylinders, folder, screen=chosen.screen)
        theirs = libraries(chosen.seconds, chosen.rate, chosen.cylinders, folder)
        print(f"processor time a frame: {1e6 * ours:.0f} us, {ours / theirs:.2f} times that of the libraries")


if __name__ == "__main__":
    main()
