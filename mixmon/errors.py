"""What can go wrong that a person can mend.

    MixmonError                  anything below; the command line catches this and nothing else
    ├── UsageError               a command or call that cannot mean anything
    ├── SessionError             the session file: carries every mistake, not just the first
    ├── ScenarioError            what a simulation shall play: the same
    ├── DefinitionError          a message definition file (DBC)
    ├── SourceError              a log or a device that cannot be read
    ├── OutputError              a place that cannot be written to
    └── RangeError               a physical quantity outside the range where a formula holds

Bad *data* never raises: it is counted where it is found, and shown. Every text names
where it happened, what was found, what was expected, and what to do.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable
from dataclasses import dataclass


def reason_of(error: OSError | ValueError) -> str:
    """Why a file, folder or device cannot be used, in the system's words.

    A ValueError comes from a name that no file can have.

    >>> reason_of(OSError(2, "No such file or directory")), reason_of(ValueError("embedded null byte"))
    ('No such file or directory', 'embedded null byte')
    """
    return getattr(error, "strerror", None) or str(error)


_MOST_GUESSES = 3  # our choice: more would fill the line


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean ...? ` for the known words that look most like it; empty if none does.

    >>> nearest("censsus", ["verify", "census"])
    'did you mean census? '
    """
    close = difflib.get_close_matches(word, list(known), n=_MOST_GUESSES, cutoff=0.6)  # difflib's own default
    return f"did you mean {' or '.join(close)}? " if close else ""


def check_kind(given: object, kind: type | tuple[type, ...], where: str, expected: str) -> None:
    """Refuses what a caller gave by mistake, such as a name in the place of a run, in one line.

    >>> check_kind("a.log", int, "balance", "a run, as read_run gives it")
    Traceback (most recent call last):
    mixmon.errors.UsageError: balance: found 'a.log'; expected a run, as read_run gives it; give one

    Raises:
        UsageError: it is of another kind.
    """
    if not isinstance(given, kind):
        short = given is None or isinstance(given, str | bytes | int | float)
        found = f"{given!r:.60}" if short else type(given).__name__
        raise UsageError(f"{where}: found {found}; expected {expected}; give one")


def check_path(given: object, where: str, expected: str) -> None:
    """Refuses what names no file.

    Raises:
        UsageError: it is neither text nor a path.
    """
    check_kind(given, (str, os.PathLike), where, f"the name of {expected}")


class MixmonError(Exception):
    """Base of every error that the user can mend."""


class UsageError(MixmonError):
    """A command, option or call that cannot mean anything."""


class DefinitionError(MixmonError):
    """A message definition file that cannot be used."""


class SourceError(MixmonError):
    """A log or device that cannot be read."""


class OutputError(MixmonError):
    """A file or folder that cannot be written."""


class RangeError(MixmonError, ValueError):
    """A quantity outside the range in which a formula is valid."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file that the user wrote: where, what was found, what was expected.

    `where` is a dotted key such as `chain.node[3].cylinder`; tables of one name are counted from
    1, as they stand in the file. `line` is the line in the file, None where none can be named.
    """

    where: str
    found: str
    expected: str
    line: int | None = None

    def __str__(self) -> str:
        line = "" if self.line is None else f" (line {self.line})"
        return f"{self.where}{line}: {self.found}; expected {self.expected}"


class SessionError(MixmonError):
    """A session file with mistakes; `mistakes` holds all of them in file order."""

    def __init__(self, source: str, mistakes: list[Mistake]) -> None:
        self.source = source
        self.mistakes = mistakes
        super().__init__(source, mistakes)

    def __str__(self) -> str:
        first, count = self.mistakes[0], len(self.mistakes)
        rest = "" if count == 1 else f" (and {count - 1} more: mixmon verify {self.source})"
        return f"{self.source}: {first}{rest}"


class ScenarioError(MixmonError):
    """A scenario file with mistakes; `mistakes` holds all of them in file order."""

    def __init__(self, source: str, mistakes: list[Mistake]) -> None:
        self.source = source
        self.mistakes = mistakes
        super().__init__(source, mistakes)

    def __str__(self) -> str:
        return "\n".join(f"{self.source}: {mistake}" for mistake in self.mistakes)
