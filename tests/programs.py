"""Commands as processes of their own, forked from one that has imported what they need.

    with Starter() as starter:
        program = starter.start("balance", "a.log", out=tmp_path / "out")
        until(lambda: program.position("a.log") > 0)
        program.signal(signal.SIGTERM)
        assert program.wait() == 130

A fork takes a hundredth of a second, a new interpreter with all imports a hundred times that. The child is a
process of the usual kind: files and signals of its own, and an end by the interpreter.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Self

from live_rig import PATIENCE_S

STARTER = """
import importlib, json, os, resource, signal, stat, sys
from mixmon.cli import main as front
for name in front.COMMANDS:
    importlib.import_module(f"mixmon.cli.{name}")
import mixmon.dashboard.app
import mixmon.frames.adapters.slcan
for line in sys.stdin:
    order = json.loads(line)
    if "poll" in order:
        found, status = os.waitpid(order["poll"], os.WNOHANG)
        print(json.dumps(os.waitstatus_to_exitcode(status) if found else None), flush=True)
        continue
    child = os.fork()
    if child:
        print(child, flush=True)
        continue
    signal.signal(signal.SIGINT, signal.default_int_handler)  # the tests may ignore it
    signal.signal(signal.SIGHUP, signal.SIG_DFL)
    os.environ.update(order["environment"])
    os.chdir(order["folder"])
    for number, name in enumerate(order["files"]):
        there = os.path.exists(name)
        handle = os.open(name, os.O_RDWR if there else os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        if there and number and stat.S_ISFIFO(os.stat(name).st_mode):  # it must not be its own reader
            both, handle = handle, os.open(name, os.O_WRONLY)
            os.close(both)
        os.dup2(handle, number)
        os.close(handle)
    sys.stdin = sys.__stdin__ = open(0, "r", closefd=False)
    sys.stdout = sys.__stdout__ = open(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = sys.__stderr__ = open(2, "w", encoding="utf-8", closefd=False)
    if order["largest"] is not None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (order["largest"], resource.RLIM_INFINITY))
    sys.argv = ["mixmon", *order["words"]]
    sys.exit(front.main())
"""


class Program:
    """A command that was started."""

    def __init__(self, starter: Starter, number: int, out: Path, err: Path) -> None:
        self._starter, self.number = starter, number
        self._out, self._err = out, err
        self.status: int | None = None

    @property
    def out(self) -> str:
        """What it has written on standard output."""
        return self._out.read_text()

    @property
    def err(self) -> str:
        """What it has written on standard error."""
        return self._err.read_text()

    def ended(self) -> bool:
        """Whether it has ended."""
        if self.status is None:
            self.status = self._starter.ask({"poll": self.number})
        return self.status is not None

    def signal(self, number: int) -> None:
        """Send a signal, if it still runs."""
        if not self.ended():
            os.kill(self.number, number)

    def wait(self, longest_s: float = PATIENCE_S) -> int:
        """The exit status; fails if it does not end in that time."""
        end, pause = time.monotonic() + longest_s, threading.Event()
        while not self.ended():
            assert time.monotonic() < end, f"still running after {longest_s} s: {self.err[-2000:]}"
            pause.wait(0.01)
        assert self.status is not None
        return self.status

    def cpu_s(self) -> float:
        """Processor seconds used so far."""
        fields = Path(f"/proc/{self.number}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def position(self, name: str) -> int:
        """How far it has read or written in a file whose path ends so; -1 while it has none open."""
        found = -1
        for handle in Path(f"/proc/{self.number}/fd").iterdir():
            try:
                if str(handle.readlink()).endswith(name):
                    text = Path(f"/proc/{self.number}/fdinfo/{handle.name}").read_text()
                    found = max(found, int(text.split()[1]))
            except FileNotFoundError:
                continue
        return found


class Starter:
    """The process that forks them; what still runs in the end is ended."""

    def __init__(self) -> None:
        self._asked = threading.Lock()
        self._programs: list[Program] = []
        self._process = subprocess.Popen(
            [sys.executable, "-c", STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for program in self._programs:
            program.signal(signal.SIGKILL)
        with self._process:
            assert self._process.stdin is not None
            self._process.stdin.close()

    def start(
        self,
        *words: str,
        place: Path,
        folder: Path | None = None,
        stdin: str = "/dev/null",
        stdout: str | None = None,
        terminal: str | None = None,
        largest: int | None = None,
        **environment: str,
    ) -> Program:
        """Start `mixmon WORDS`; what it writes goes into files in `place`.

        folder         to work in, instead of this one
        stdin, stdout  other files for these
        terminal       terminal to be both of these
        largest        bytes that a file may have
        """
        stem = f"{words[0]}-{len(self._programs)}"
        out, err = place / f"{stem}.out", place / f"{stem}.err"
        err.touch()
        files = [terminal or stdin, terminal or stdout or str(out), str(err)]
        order = {
            "words": words,
            "files": files,
            "folder": str(folder or Path.cwd()),
            "largest": largest,
            "environment": environment,
        }
        number = self.ask(order)
        assert number is not None
        self._programs.append(Program(self, number, out, err))
        return self._programs[-1]

    def ask(self, order: dict[str, object]) -> int | None:
        """Give an order; its answer."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with self._asked:
            self._process.stdin.write(json.dumps(order) + "\n")
            self._process.stdin.flush()
            answer = self._process.stdout.readline()
        found: int | None = json.loads(answer)
        return found
