"""Every command ends within five seconds of a signal, whatever it is doing; real processes, real signals."""

from __future__ import annotations

import fcntl
import gzip
import hashlib
import itertools
import json
import os
import select
import signal
import sys
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from live_rig import EXAMPLE, until
from programs import Program, Starter
from run_folders import list_runs
from slcan_emulator import SlcanEmulator

from mixmon.cli.main import DONE
from mixmon.cli.stopping import INTERRUPTED
from mixmon.record.run_folder import open_run

ENDS_S = 5.0
SIGNALS = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)
MANY_BYTES = 8 << 30
"""Of a run to be verified, most of them a hole in the file: more than is read in some seconds."""


@pytest.fixture(scope="module")
def starter() -> Iterator[Starter]:
    with Starter() as one:
        yield one


@pytest.fixture(scope="module")
def long_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Enough to be worked on for some ten seconds: the example, again and again."""
    path = tmp_path_factory.mktemp("logs") / "long.log"
    text = gzip.decompress(Path("examples/alder8_short.log.gz").read_bytes())
    with path.open("wb") as file:
        for _ in range(8):
            file.write(text)
    return path


@pytest.fixture(scope="module")
def large_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("runs") / "large"
    path.mkdir()
    files = {
        "notes.jsonl": b"",
        "run.json": json.dumps({"format": 1, "state": "complete", "size": MANY_BYTES}),
    }
    for name, text in files.items():
        (path / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    with (path / "frames.log").open("wb") as file:
        file.truncate(MANY_BYTES)
    sums = {name: hashlib.sha256((path / name).read_bytes()).hexdigest() for name in files}
    lines = [f"{digest}  {name}" for name, digest in (sums | {"frames.log": "0" * 64}).items()]
    (path / "SHA256SUMS").write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def adapters(tmp_path: Path) -> Iterator[list[SlcanEmulator]]:
    """A serial adapter for each of the two buses."""
    emulators = [SlcanEmulator(tmp_path / name) for name in ("a", "b")]
    for emulator in emulators:
        emulator.plug()
    yield emulators
    for emulator in emulators:
        emulator.unplug()


def check_end(program: Program, number: int, ready: Callable[[], object]) -> None:
    """In the middle of its work it gets a signal, and ends in time as an interrupted command does."""
    until(lambda: ready() or program.ended(), f"the work of {program.number}")
    assert not program.ended(), program.err
    program.signal(number)
    assert program.wait(ENDS_S) == INTERRUPTED
    assert "Traceback" not in program.err


LOGS = {
    "census": ["--json"],
    "balance": ["--json"],
    "events": ["--json"],
    "pulls": ["--json"],
    "response": ["--json"],
    "replay": ["--text"],
    "decode": [],
}


@pytest.mark.slow
@pytest.mark.parametrize(("command", "number"), [*zip(LOGS, itertools.cycle(SIGNALS), strict=False)])
def test_a_command_that_reads_a_log(
    starter: Starter, long_log: Path, tmp_path: Path, command: str, number: int
) -> None:
    words = [command, str(long_log), "-s", str(EXAMPLE), *LOGS[command]]
    program = starter.start(*words, place=tmp_path)
    check_end(program, number, lambda: program.position(long_log.name) > 500_000)


def test_a_command_that_waits_for_a_log_from_a_pipe(starter: Starter, tmp_path: Path) -> None:
    pipe = tmp_path / "log"
    os.mkfifo(pipe)
    program = starter.start("balance", "-", "-s", str(EXAMPLE), place=tmp_path, stdin=str(pipe))
    handle = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    os.write(handle, b"(1700000000.000000) can0 2A0#0000000000000000\n")
    check_end(program, signal.SIGHUP, lambda: waiting(handle) == 0)
    os.close(handle)


def test_a_simulation(starter: Starter, tmp_path: Path) -> None:
    """Its log goes into a pipe that is full after 64 KiB: a fast machine would have ended it by itself."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    handle = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    program = starter.start("simulate", "--out", str(pipe), place=tmp_path)
    check_end(program, signal.SIGTERM, lambda: waiting(handle) > 50_000)
    os.close(handle)


def test_a_demo_as_text_leaves_nothing_behind(starter: Starter, tmp_path: Path) -> None:
    program = starter.start("demo", place=tmp_path, TMPDIR=str(tmp_path))
    check_end(program, signal.SIGHUP, lambda: list(tmp_path.glob("mixmon-demo-*/*.log")))
    assert not list(tmp_path.glob("mixmon-demo-*"))


def test_a_verification(starter: Starter, tmp_path: Path, large_run: Path) -> None:
    program = starter.start("verify", str(large_run), place=tmp_path)
    check_end(program, signal.SIGINT, lambda: program.position("frames.log") > 0)


@pytest.mark.parametrize("name", ["a.csv", "a.parquet", "tables"])
def test_a_decode_leaves_what_it_was_to_write_over(starter: Starter, tmp_path: Path, name: str) -> None:
    log, out = tmp_path / "log", tmp_path / "out" / name
    os.mkfifo(log)
    there = out / "can0.Mix01_Fast.csv" if name == "tables" else out
    there.parent.mkdir(parents=True)
    there.write_text("what was there")
    wide = ["--wide"] if name == "tables" else []
    words = ["decode", "-", "-d", "mixture_chain.dbc", "--out", str(out), "--force", *wide]
    program = starter.start(*words, place=tmp_path, stdin=str(log))
    handle = os.open(log, os.O_RDWR | os.O_NONBLOCK)
    os.write(handle, b"(1700000000.000000) can0 2A0#0000000000000000\n" * 20)
    check_end(program, signal.SIGINT, lambda: list(there.parent.glob(".mixmon-*")))
    os.close(handle)
    assert list(there.parent.iterdir()) == [there]
    assert there.read_text() == "what was there"


def test_a_result_that_nobody_takes(starter: Starter, tmp_path: Path) -> None:
    """A pipe takes 64 KiB (pipe(7)); the command waits until somebody reads."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    handle = os.open(pipe, os.O_RDWR | os.O_NONBLOCK)
    words = ["decode", "examples/alder8_short.log.gz", "-s", str(EXAMPLE), "--to", "5"]
    program = starter.start(*words, place=tmp_path, stdout=str(pipe))
    check_end(program, signal.SIGTERM, lambda: waiting(handle) > 60_000)
    os.close(handle)


SHORT_LOG = "short.log"
SHORT = ("-s", "examples/foreign.toml")
UNREAD = {
    "verify": [str(EXAMPLE)],
    "census": [SHORT_LOG],
    "replay": [SHORT_LOG, *SHORT, "--text"],
    "decode": ["examples/foreign.log.gz", *SHORT],
    "balance": [SHORT_LOG, *SHORT],
    "events": [SHORT_LOG, *SHORT],
    "pulls": [SHORT_LOG, *SHORT],
    "response": [SHORT_LOG, *SHORT],
    "simulate": ["--list"],
    "convert": ["lambda", "0.9"],
    "help": ["events"],
}


@pytest.fixture(scope="module")
def short_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first seconds of an example."""
    path = tmp_path_factory.mktemp("logs") / SHORT_LOG
    with gzip.open("examples/foreign.log.gz") as log:
        path.write_bytes(b"".join(itertools.islice(log, 2000)))
    return path


@pytest.mark.parametrize("command", UNREAD)
def test_a_result_of_which_nobody_reads_a_line(
    starter: Starter, tmp_path: Path, short_log: Path, command: str
) -> None:
    """As before `| true`, or `| head -1` that has its line: nothing is wrong, and nobody is told."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    words = [str(short_log) if word == SHORT_LOG else word for word in UNREAD[command]]
    program = starter.start(command, *words, place=tmp_path, stdout=str(pipe))
    assert program.wait() == DONE
    assert "Traceback" not in program.err
    assert "Broken pipe" not in program.err


def waiting(handle: int) -> int:
    """Bytes in a pipe."""
    return int.from_bytes(fcntl.ioctl(handle, termios.FIONREAD, bytes(4)), sys.byteorder)


@pytest.mark.parametrize(("command", "number"), [*zip(("record", "watch", "census"), SIGNALS, strict=True)])
def test_a_command_on_live_buses(
    starter: Starter, tmp_path: Path, adapters: list[SlcanEmulator], command: str, number: int
) -> None:
    runs = tmp_path / "runs"
    kept = ["--accept-caution", "--folder", str(runs)]
    further = {"record": kept, "watch": [*kept, "--text"], "census": ["--for", "60"]}
    links = (f"chain={adapters[0].link}", "-c", f"engine={adapters[1].link}")
    words = [command, "-s", str(EXAMPLE), "-i", "slcan", "-c", *links, *further[command]]
    program = starter.start(*words, place=tmp_path, XDG_STATE_HOME=str(tmp_path))
    check_end(
        program, number, lambda: adapters[1].opened.is_set() and (command == "census" or list_runs(runs))
    )
    if command != "census":
        assert open_run(list_runs(runs)[0]).verified


class Screen:
    """The demo on a terminal of its own, with its talk in a file, and its record begun."""

    def __init__(self, starter: Starter, place: Path) -> None:
        self._keyboard, terminal = os.openpty()
        termios.tcsetwinsize(terminal, (24, 80))
        self.runs = place / "runs"
        self.program = starter.start(
            "demo", place=place, folder=place, terminal=os.ttyname(terminal), TERM="xterm-256color"
        )
        self.drawn = b""
        until(lambda: b"rpm" in self._read(), "the screen")
        os.close(terminal)
        self.press(b"r")
        until(lambda: self._read() and list_runs(self.runs), "the record")

    def _read(self) -> bytes:
        while select.select([self._keyboard], [], [], 0)[0]:
            self.drawn += os.read(self._keyboard, 65536)
        return self.drawn

    def press(self, keys: bytes) -> None:
        """Type them."""
        os.write(self._keyboard, keys)

    def close(self) -> None:
        """The window goes; no signal comes, as none does where the terminal is not the controlling one."""
        os.close(self._keyboard)


def test_the_screens_end_with_their_terminal(starter: Starter, tmp_path: Path) -> None:
    screen = Screen(starter, tmp_path)
    screen.close()
    assert screen.program.wait(ENDS_S) == INTERRUPTED
    assert open_run(list_runs(screen.runs)[0]).verified
    assert "Traceback" not in screen.program.err


def test_control_c_twice_ends_the_screens_and_closes_the_record(starter: Starter, tmp_path: Path) -> None:
    screen = Screen(starter, tmp_path)
    screen.press(b"\x03\x03")
    assert screen.program.wait(ENDS_S) == INTERRUPTED
    (run,) = list_runs(screen.runs)
    where, interrupted = screen.program.err.splitlines()
    assert where.startswith(f"mixmon: runs/{run.name}: 00:")
    assert where.endswith(f"; next: mixmon replay runs/{run.name}")
    assert interrupted == "mixmon: interrupted; what had been written is whole"
    assert open_run(run).verified


def test_a_signal_again_and_again_is_one_signal(starter: Starter, long_log: Path, tmp_path: Path) -> None:
    program = starter.start("balance", str(long_log), "-s", str(EXAMPLE), place=tmp_path)
    until(lambda: program.position(long_log.name) > 500_000, "the work")
    while not program.ended():
        program.signal(signal.SIGINT)
    assert program.status == INTERRUPTED
    assert program.err.splitlines()[-1] == "mixmon: interrupted; what had been written is whole"
    assert "Traceback" not in program.err
