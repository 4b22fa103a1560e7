"""Faults that take long, with real processes: what was kept, what was told, how it ended.

    python tools/faults.py [kill] [stop] [disk] [set] [clock] [cut] [large] [--gigabytes 2]

Without names all of them run, in about an hour, most of it for the large log. The quick ones are tests:
test_stopping.py, test_record_faults.py and test_record_adapters.py in tests/cli. The last result:
DEVELOPERS.md, "Faults".
"""

from __future__ import annotations

import argparse
import gzip
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from itertools import chain
from pathlib import Path

import numpy as np
from slcan_emulator import SlcanEmulator

from mixmon.frames.block import FrameBlock, concat
from mixmon.frames.logs import open_log
from mixmon.record.run_folder import open_run

EXAMPLES = Path(__file__).parents[1] / "examples"
SESSION, LOG = EXAMPLES / "alder8.toml", EXAMPLES / "alder8_short.log.gz"
RATE = 2000
KILLS = 20
STOPS_S = (5.0, 60.0)
SLOW_S = 5.0
STRICT = {"balance": ["--strict"], "events": ["--strict"], "census": ["--strict"], "replay": []}
MEBIBYTE = 1 << 20
SLOW_DISK = f"""
import os, sys, time
sync = os.fsync
def slowly(handle):
    time.sleep({SLOW_S})
    sync(handle)
os.fsync = slowly
from mixmon.cli.main import main
sys.exit(main())
"""
"""A disk that takes seconds to say that it has what it was given."""

SLOW_WRITES = f"""
import io, sys, time
class SlowFile(io.FileIO):
    slow_from = time.monotonic() + {SLOW_S}
    def write(self, data):
        if time.monotonic() > SlowFile.slow_from:
            time.sleep({SLOW_S})
            SlowFile.slow_from = time.monotonic() + {SLOW_S}
        return super().write(data)
io.FileIO = SlowFile
from mixmon.cli.main import main
sys.exit(main())
"""
"""A disk that takes nothing for seconds, again and again, as one whose cache is full."""

SET_CLOCK = """
import os, sys, time
from pathlib import Path
system = time.time_ns
def now():
    return system() + int(Path(os.environ["CLOCK_STEP"]).read_text()) * 10**9
time.time_ns, time.time = now, lambda: now() / 1e9
from mixmon.cli.main import main
sys.exit(main())
"""
"""A system clock that is set while it is used: by the seconds in a file. The real one of an emulated machine
is set in socketcan_rig.py."""


def until(true: Callable[[], object], longest_s: float = 120.0) -> None:
    """Wait for something that another process does."""
    end = time.monotonic() + longest_s
    while not true():
        if time.monotonic() > end:
            sys.exit("waited in vain")
        time.sleep(0.01)


class Rig:
    """Two adapters, on one of which numbered frames come, and a program that records them."""

    def __init__(self, place: Path, *words: str, program: tuple[str, ...] = ("-m", "mixmon")) -> None:
        self.runs = place / "runs"
        self.adapters = [SlcanEmulator(place / name) for name in "ab"]
        for adapter in self.adapters:
            adapter.plug()
        chain, engine = self.adapters
        links = ["-c", f"chain={chain.link}", "-c", f"engine={engine.link}", "--folder", str(self.runs)]
        options = ["-s", str(SESSION), "-i", "slcan", *links, "--accept-caution"]
        self._talk = place / "talk"
        with self._talk.open("wb") as talk, (place / "out").open("wb") as out:
            self.program = subprocess.Popen(
                [sys.executable, *program, *words, *options],
                stdout=out,
                stderr=talk,
                env=os.environ | {"XDG_STATE_HOME": str(place), "CLOCK_STEP": str(place / "step")},
            )
        until(lambda: all(adapter.opened.is_set() for adapter in self.adapters))
        until(lambda: list(self.runs.glob("*/frames.log")))
        self._sender = threading.Thread(target=lambda: chain.run(RATE, 1_000_000_000))
        self._sender.start()

    @property
    def sent(self) -> list[tuple[float, int]]:
        """Monotonic time, and frames sent by then."""
        return self.adapters[0].sent

    @property
    def told(self) -> str:
        """What the program has said."""
        return self._talk.read_text()

    def close(self, number: int) -> int:
        """A signal, and the plugs pulled; the exit status."""
        self.program.send_signal(number)
        status = self.program.wait(30)
        for adapter in self.adapters:
            adapter.unplug()
        self._sender.join()
        return status

    def frames(self) -> FrameBlock:
        """All that was kept."""
        blocks = [block for run in sorted(self.runs.iterdir()) for block in open_log(run)]
        return concat(blocks) if blocks else FrameBlock.empty()

    def numbers(self) -> list[int]:
        """The running numbers that were kept."""
        kept = self.frames()
        found: list[int] = kept.data.copy().view(">u8")[:, 0].tolist() if len(kept) else []
        return found


def whole(numbers: list[int]) -> str:
    """Whether none is missing."""
    return "no gap" if numbers == list(range(len(numbers))) else "A GAP"


def kill(place: Path) -> None:
    """kill -9 at random moments: frames up to the last tenths of a second are there."""
    chance = random.Random(1)
    for command in (("record",), ("watch", "--text")):
        lost, gaps = [], 0
        for n in range(KILLS):
            folder = place / f"{command[0]}{n}"
            folder.mkdir()
            rig = Rig(folder, *command)
            time.sleep(chance.uniform(0.3, 3.0))
            killed, count = time.monotonic(), rig.sent[-1][1] if rig.sent else 0
            rig.close(signal.SIGKILL)
            kept = rig.numbers()
            gaps += kept != list(range(len(kept)))
            first_lost = next((t for t, sent in rig.sent if sent > len(kept)), killed)
            lost.append(max(0.0, killed - first_lost) if len(kept) < count else 0.0)
        middle, most = 1000 * sorted(lost)[KILLS // 2], 1000 * max(lost)
        words = f"the last {middle:.0f} ms of frames lost (median), {most:.0f} at most"
        print(f"kill -9 of {' '.join(command)}, {KILLS} times: {words}; runs with a gap: {gaps}")


def stop(place: Path) -> None:
    """SIGSTOP for seconds: what waits in the adapter is kept, and the pause is told."""
    for seconds in STOPS_S:
        folder = place / f"stop{seconds:g}"
        folder.mkdir()
        rig = Rig(folder, "record")
        until(lambda rig=rig: rig.sent and rig.sent[-1][1] > RATE)
        rig.program.send_signal(signal.SIGSTOP)
        time.sleep(seconds)
        rig.program.send_signal(signal.SIGCONT)
        until(lambda rig=rig: "asleep or busy for" in rig.told)
        status = rig.close(signal.SIGINT)
        told = re.findall(r"asleep or busy for ([0-9.]+) s", rig.told)
        print(f"SIGSTOP for {seconds:g} s: {whole(rig.numbers())}; told, in s: {told}; status {status}")


def disk(place: Path) -> None:
    """A disk that takes seconds to sync, or to write: no frame is lost, and Ctrl-C ends in time."""
    for what, program in (("sync", SLOW_DISK), ("write, now and then", SLOW_WRITES)):
        folder = place / what.partition(",")[0]
        folder.mkdir()
        slow_disk(folder, what, program)


def slow_disk(place: Path, what: str, program: str) -> None:
    """The same with one of these programs."""
    rig = Rig(place, "record", program=("-c", program))
    time.sleep(4 * SLOW_S)
    sent = rig.sent[-1][1]
    began = time.monotonic()
    status = rig.close(signal.SIGINT)
    kept = rig.numbers()
    state = open_run(next(rig.runs.iterdir()))
    print(
        f"{SLOW_S:g} s for each {what}: {whole(kept)}, {len(kept)} of {sent} frames and more kept; "
        f"ended {time.monotonic() - began:.1f} s after Ctrl-C with status {status}, "
        f"{'cut off' if state.cut_off else 'closed'}"
    )


def set_clock(place: Path) -> None:
    """The system clock is set by an hour, ahead and back, while it is recorded: the frames' time goes on."""
    step = place / "step"
    step.write_text("0")
    rig = Rig(place, "record", program=("-c", SET_CLOCK))
    for by_s in (3600, -3600, 0):
        before = rig.sent[-1][1] if rig.sent else 0
        until(lambda before=before: rig.sent and rig.sent[-1][1] > before + 2 * RATE)
        fresh = step.with_suffix(".new")
        fresh.write_text(str(by_s))
        fresh.replace(step)
    time.sleep(2.0)
    status = rig.close(signal.SIGINT)
    apart = np.diff(rig.frames().t)
    print(
        f"clock set by an hour, ahead and back: {whole(rig.numbers())}; frames {apart.min() / 1e6:.3f} to "
        f"{apart.max() / 1e6:.1f} ms apart; status {status}"
    )


def run_command(*words: str) -> tuple[int, str, int, float]:
    """Exit status, what was said, largest memory in MiB, and seconds of a command."""
    with tempfile.TemporaryFile() as talk:
        began = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "mixmon", *words], stdout=subprocess.DEVNULL, stderr=talk
        )
        _, status, usage = os.wait4(process.pid, 0)
        talk.seek(0)
        said = talk.read().decode()
    return os.waitstatus_to_exitcode(status), said, usage.ru_maxrss // 1024, time.monotonic() - began


def wrong(said: str) -> str:
    """A word about a traceback."""
    return "; A TRACEBACK" if "Traceback" in said else ""


def text_of_example() -> bytes:
    return gzip.decompress(LOG.read_bytes())


class Lines:
    """A log's text, cut at its stamps, to be had with other ones."""

    def __init__(self, text: bytes) -> None:
        _, *parts = re.split(rb"(?m)^\((\d+)", text)
        self._seconds, self._rests = parts[::2], parts[1::2]
        self.length_s = int(self._seconds[-1]) - int(self._seconds[0]) + 1

    def shifted(self, by_s: int) -> bytes:
        """The lines with stamps so much later."""
        stamps = {second: b"(%d" % (int(second) + by_s) for second in set(self._seconds)}
        pairs = zip(map(stamps.__getitem__, self._seconds), self._rests, strict=True)
        return b"".join(chain.from_iterable(pairs))


def clock(place: Path) -> None:
    """The stamps step by an hour in the middle of a log, ahead and back."""
    text = text_of_example()
    middle = text.index(b"\n", len(text) // 2) + 1
    for by_s in (3600, -3600):
        path = place / f"clock{by_s}.log"
        path.write_bytes(text[:middle] + Lines(text[middle:]).shifted(by_s))
        for command in ("balance", "events", "census", "replay"):
            status, said, _, _ = run_command(
                command, str(path), "-s", str(SESSION), "--json", *STRICT[command]
            )
            jumps = re.findall(r"time stamps jump[^;.]*", said)
            print(f"clock stepped by {by_s} s: {command}: status {status}; {jumps}{wrong(said)}")


def cut(place: Path) -> None:
    """A packed log that ends in the middle."""
    packed = LOG.read_bytes()
    for share in (0.01, 0.5, 0.99):
        path = place / f"cut{share}.log.gz"
        path.write_bytes(packed[: int(len(packed) * share)])
        status, said, _, _ = run_command("balance", str(path), "-s", str(SESSION), "--strict")
        last = said.splitlines()[-1][-150:] if said else ""
        print(f"gzip cut at {share:.0%}: status {status}: {last}")


def large(place: Path, gigabytes: float) -> None:
    """A log of gigabytes, in one stretch of time, in little memory."""
    lines = Lines(text_of_example())
    path, size, times = place / "large.log", 0, 0
    with path.open("wb") as file:
        while size < gigabytes * 1e9:
            size += file.write(lines.shifted(times * lines.length_s))
            times += 1
    for command in ("census", "decode", "balance", "events"):
        status, said, memory, seconds = run_command(command, str(path), "-s", str(SESSION))
        print(
            f"{size / 1e9:.2f} GB: {command}: status {status}, {memory} MiB, {seconds:.0f} s{wrong(said)}",
            flush=True,
        )


SECTIONS = {"kill": kill, "stop": stop, "disk": disk, "set": set_clock, "clock": clock, "cut": cut}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sections", nargs="*", help=", ".join([*SECTIONS, "large"]))
    parser.add_argument("--gigabytes", type=float, default=2.0)
    chosen = parser.parse_args()
    names = chosen.sections or [*SECTIONS, "large"]
    with tempfile.TemporaryDirectory(prefix="mixmon-faults-") as folder:
        for name in names:
            place = Path(folder, name)
            place.mkdir()
            if name == "large":
                large(place, chosen.gigabytes)
            else:
                SECTIONS[name](place)
            sys.stdout.flush()


if __name__ == "__main__":
    main()
