"""A program of the user's that makes alarms heard: a speaker, a voice, the cell's own beacon."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from contextlib import suppress
from typing import Final

from mixmon.errors import UsageError

MOST_AT_ONCE: Final = 4
"""Programs that may still be speaking when another begins; a stream of alarms starts no more."""


class Sound:
    """Starts the program with two more arguments, and does not wait for it.

    The first one is the pattern: urgent, until clear; notice; done. The second one is a few
    words, such as `cyl 3 lean under load`.

    Raises:
        UsageError: there is no such program.
    """

    def __init__(self, command: str) -> None:
        try:
            self._command = shlex.split(command)
        except ValueError as error:
            raise UsageError(f"--sound {command!r}: {error}; expected a program and its arguments") from error
        if not self._command or shutil.which(self._command[0]) is None:
            raise UsageError(
                f"--sound {command!r}: no such program; expected one that can be started with a pattern "
                "and words; correct it"
            )
        self._running: list[subprocess.Popen[bytes]] = []

    @property
    def running(self) -> int:
        """How many still speak."""
        self._running = [one for one in self._running if one.poll() is None]
        return len(self._running)

    def wait(self, longest_s: float) -> None:
        """Until all have spoken, each for so long at most; what speaks longer is left to itself."""
        for one in self._running:
            with suppress(subprocess.TimeoutExpired):
                one.wait(longest_s)

    def __call__(self, pattern: str, words: str) -> None:
        """Make it heard. What the program says and how it ends is its own affair."""
        if self.running >= MOST_AT_ONCE and pattern != "clear":
            return
        try:
            begun = subprocess.Popen(  # noqa: S603 - the user's own program, by its name, without a shell
                [*self._command, pattern, words],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError:
            return  # the screen shows every alarm; sound is a convenience
        self._running.append(begun)
