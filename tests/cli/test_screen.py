"""The dashboard as a person meets it: the command at a terminal of its own, keys in, picture out."""

import os
import pty
import re
import select
import subprocess
import sys
import termios
import time

import pytest

BOUND_S = 30.0
"""Much longer than it takes; a screen that never comes must not hang the tests."""

_CONTROL = re.compile(rb"\x1b\[[0-9;?<>=]*[a-zA-Z]|\x1b[()][A-Z0-9]|\x1b[=>]")


class Terminal:
    """A command at a terminal of 80 by 24; `seen` is all that it has drawn, without colours."""

    def __init__(self, *arguments: str) -> None:
        self._keyboard, terminal = pty.openpty()
        termios.tcsetwinsize(terminal, (24, 80))
        command = [sys.executable, "-m", "mixmon", *arguments]
        environment = os.environ | {"TERM": "xterm-256color"}
        self.process = subprocess.Popen(
            command, stdin=terminal, stdout=terminal, stderr=terminal, env=environment
        )
        os.close(terminal)
        self.seen = ""

    def read_until(self, words: str, *, pressing: str = "") -> None:
        """Wait for the words, `pressing` keys again and again meanwhile."""
        raw, end = b"", time.monotonic() + BOUND_S
        while words not in self.seen:
            assert time.monotonic() < end, f"{words!r} never came; seen: {self.seen[-2000:]}"
            self.press(pressing)
            if select.select([self._keyboard], [], [], 0.2)[0]:
                raw += os.read(self._keyboard, 65536)
                self.seen = _CONTROL.sub(b"", raw).decode("utf-8", "replace")

    def press(self, keys: str | bytes) -> None:
        """Type them."""
        os.write(self._keyboard, keys.encode() if isinstance(keys, str) else keys)

    def end(self) -> int:
        """Wait until the command has ended; its exit status."""
        end = time.monotonic() + BOUND_S
        while self.process.poll() is None and time.monotonic() < end:
            if select.select([self._keyboard], [], [], 0.05)[0]:
                try:
                    os.read(self._keyboard, 65536)
                except OSError:  # the other end is closed
                    break
        return self.process.wait(BOUND_S)

    def close(self) -> None:
        """Leave nothing behind, whatever happened."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self._keyboard)


@pytest.fixture
def terminal():
    """Starts a command; what still runs in the end is ended."""
    begun: list[Terminal] = []

    def start(*arguments: str) -> Terminal:
        begun.append(Terminal(*arguments))
        return begun[-1]

    yield start
    for one in begun:
        one.close()


def test_the_screen_knows_the_speed_that_was_asked_for(terminal):
    log, session = "examples/alder8_short.log.gz", "examples/alder8.toml"
    screen = terminal("replay", log, "-s", session, "--speed", "0.5")
    screen.read_until("REPLAY x0.5")
    screen.press("qq")
    assert screen.end() == 0


def test_the_demo_says_nothing_of_hardware_that_it_has_not(terminal):
    screen = terminal("demo")
    screen.read_until("valid 0/8")
    screen.press("/\r")  # all events
    screen.read_until("no events yet")
    screen.press("qq")
    assert screen.end() == 0
    assert "listen" not in screen.seen


def test_a_key_of_a_terminal_that_speaks_latin_1_does_not_end_the_screens(terminal):
    """ISO 8859-1: e acute is the byte E9, which begins a character of three bytes in UTF-8 (RFC 3629)."""
    screen = terminal("replay", "examples/alder8_short.log.gz", "-s", "examples/alder8.toml")
    screen.read_until("REPLAY")
    screen.press(b"\xe9a")
    screen.read_until("BALANCE", pressing="b")  # what came with it may be lost, what comes later is not
    screen.press("qq")
    assert screen.end() == 0
    assert "Traceback" not in screen.seen


def test_a_replay_begins_at_a_place_and_goes_to_another(terminal):
    screen = terminal("replay", "examples/alder8_short.log.gz", "-s", "examples/alder8.toml", "--at", "0:12")
    screen.read_until("REPLAY 00:12.")
    screen.press(".")
    screen.read_until("PAUSED 00:1")
    screen.read_until("│ 00:38 ")  # the whole log is known
    screen.press("\x1b[C")  # right: the next moment
    screen.read_until("00:18.6 P1 lean under load cyl 4: enter")
    screen.press("\r")
    screen.read_until("PAUSED 00:18.6")
    screen.press("qq")
    assert screen.end() == 0
