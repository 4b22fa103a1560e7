"""Checks a session file with its message definitions: every mistake, and every caution."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from mixmon.errors import Mistake, check_path
from mixmon.messages.bind import definition_cautions, find_mistakes
from mixmon.messages.cautions import cautions, key_cautions
from mixmon.note import Note
from mixmon.result import Result
from mixmon.session.load import read_session
from mixmon.session.model import OwnChannel


@dataclass(frozen=True, slots=True, repr=False)
class SessionCheck(Result):
    """What is wrong with a session file, and what is odd in it.

    path      the file
    mistakes  in the order of the file, each with its key, what was found and what was expected; with one the
              file cannot be loaded
    cautions  notes on what can be loaded and is unlikely to be meant
    channels  the own channels, by their names
    """

    path: Path
    mistakes: tuple[Mistake, ...]
    cautions: tuple[Note, ...]
    channels: Mapping[str, OwnChannel]

    @property
    def usable(self) -> bool:
        """Whether `load_session` takes the file."""
        return not self.mistakes


def verify(path: str | Path) -> SessionCheck:
    """Every mistake in a session file and its message definitions, and every caution; see `SessionCheck`.

    >>> import mixmon
    >>> check = mixmon.verify("examples/foreign.toml")
    >>> check.usable, [str(mistake) for mistake in check.mistakes]
    (True, [])

    Args:
        path: the session file.

    Raises:
        SourceError: the file cannot be read.
        UsageError: it is no name of a file.
    """
    check_path(path, "verify", "a session file")
    mistakes = find_mistakes(path)
    session, _ = read_session(path)
    notes: tuple[Note, ...] = ()
    if session is not None:
        notes = (*cautions(session), *key_cautions(path), *definition_cautions(session))
    channels = MappingProxyType({} if session is None else dict(session.channels))
    return SessionCheck(Path(path), tuple(mistakes), notes, channels)
