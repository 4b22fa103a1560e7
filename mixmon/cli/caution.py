"""The caution that is accepted once for every session file, and where that is kept."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from mixmon.cli.console import talk
from mixmon.errors import UsageError

CAUTION: Final = (
    "Monitoring only. It will not stop, limit or protect the engine. "
    "Use the ECU's, dyno's and cell's own trips, set from the builder's limits."
)

_FORMAT = 1


class Acceptance:
    """Whether the caution was accepted for a session file of just these contents.

    state  file in which that is kept; by default in the user's state folder
    """

    def __init__(self, session: bytes, name: str, state: Path | None = None) -> None:
        self._digest = hashlib.sha256(session).hexdigest()
        self._name = name
        self._state = state or state_file(os.environ)
        self._now: str | None = None

    @property
    def at(self) -> str | None:
        """When, in UTC; None if it was not."""
        if self._now is not None:
            return self._now
        entry = self._entries().get(self._digest)
        return entry.get("at") if isinstance(entry, dict) else None

    @property
    def words(self) -> str:
        """What a record says of it."""
        return f"caution accepted {self.at}"

    def accept(self) -> str:
        """It is accepted now. Why that cannot be kept, so that it will be asked for again; empty if it is."""
        self._now = datetime.now(UTC).isoformat(timespec="seconds")
        entries = {**self._entries(), self._digest: {"at": self._now, "session": self._name}}
        text = json.dumps({"format": _FORMAT, "accepted": entries}, indent=1, ensure_ascii=False) + "\n"
        fresh = self._state.with_name(f"{self._state.name}.{os.getpid()}")
        try:
            self._state.parent.mkdir(parents=True, exist_ok=True)
            fresh.write_text(text, "utf-8")
            fresh.replace(self._state)
        except OSError as error:
            return (
                f"{self._state}: {error.strerror or error}; expected a place to keep that the caution was "
                "accepted: it will be asked for again; set XDG_STATE_HOME to a folder that can be written to"
            )
        return ""

    def _entries(self) -> dict[str, object]:
        """All that was accepted; nothing where the file is missing or spoilt."""
        try:
            kept = json.loads(self._state.read_text("utf-8"))["accepted"]
        except (OSError, ValueError, KeyError, TypeError):
            return {}
        return kept if isinstance(kept, dict) else {}


def state_file(environment: Mapping[str, str]) -> Path:
    """Where it is kept: $XDG_STATE_HOME/mixmon, or the system's usual place for it."""
    if folder := environment.get("XDG_STATE_HOME"):
        return Path(folder, "mixmon", "caution.json")
    if folder := environment.get("LOCALAPPDATA"):
        return Path(folder, "mixmon", "caution.json")
    return Path.home() / ".local" / "state" / "mixmon" / "caution.json"


def see_to_acceptance(acceptance: Acceptance, *, accepted: bool) -> None:
    """Say the caution on standard error and see that it is accepted; asks where someone can answer.

    accepted: by an option of the command

    Raises:
        UsageError: it was not accepted.
    """
    talk(CAUTION)
    if acceptance.at is not None:
        return
    if not accepted and not _asked():
        raise UsageError(
            "the caution was not accepted for this session file; expected that once for each; "
            "add --accept-caution, or answer y at a terminal"
        )
    if unkept := acceptance.accept():
        talk(unkept)


def _asked() -> bool:
    """Whether a person at a terminal says yes."""
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    sys.stderr.write("mixmon: accepted? y or n: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in {"y", "yes"}
