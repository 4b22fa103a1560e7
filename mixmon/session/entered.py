"""What was typed into the engine control, kept beside the session, and which trims a log was made with.

`NAME.trims.json` lies beside `NAME.toml`. `mixmon trims --entered` adds to it; whoever loads the session
reads it. An entry holds the trims before and after it and the time of the log that led to it. A later log was
made with the trims after it, that log and earlier ones with the trims before it: by the stamps of the logs,
which must be those of a clock that knows the date.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from mixmon.arrays import DATED_FROM_NS
from mixmon.session.beside import KeptRecord
from mixmon.session.model import Session, TrimEntry

ENTERED_FORMAT: Final = 1
"""The version of the file that this program reads and writes."""

_ALIKE_PERCENT: Final = 1e-6
"""Trims that are nearer than this are the same: our choice, for rounding errors."""

_ENTRIES: Final = KeptRecord(
    ENTERED_FORMAT,
    most_bytes=10_000_000,
    what="record of trims",
    advice="what mixmon trims --entered writes; remove it, or move it away",
)
"""Bytes at most: our choice, ten thousand entries of sixteen cylinders."""

Trims = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class TrimsHeld:
    """The trims that the engine control held while a log was made.

    percent   one a cylinder; None where nothing tells them
    entry     the entry that tells them, or is against what the session says
    after     whether the log is later than the entry
    against   by what the session says, although the entry says otherwise
    undated   there are entries, and the log has no date to place it by
    """

    percent: Trims | None
    entry: TrimEntry | None = None
    after: bool = False
    against: bool = False
    undated: bool = False


def trims_held(session: Session, t_ns: int | None) -> TrimsHeld:
    """The trims that the engine control held at a moment of data time; what the session says comes first."""
    said = session.trims.now_percent
    if not session.entries or t_ns is None:
        return TrimsHeld(said)
    if t_ns < DATED_FROM_NS or any(entry.last_ns < DATED_FROM_NS for entry in session.entries):
        return TrimsHeld(said, undated=said is None)
    entry, after = _placing_entry(session.entries, t_ns)
    kept = entry.after if after else entry.before
    if len(kept) != session.engine.cylinders:
        return TrimsHeld(said)
    if said is None:
        return TrimsHeld(kept, entry, after)
    against = max(abs(a - b) for a, b in zip(said, kept, strict=True)) > _ALIKE_PERCENT
    return TrimsHeld(said, entry if against else None, after, against=against)


def _placing_entry(entries: tuple[TrimEntry, ...], t_ns: int) -> tuple[TrimEntry, bool]:
    """The entry that tells the trims of a moment, and whether the moment is after it.

    An entry knows best what its own log was made with: trims may have been typed between two of them.
    """
    in_time = sorted(entries, key=lambda entry: entry.last_ns)
    earlier = [entry for entry in in_time if entry.last_ns < t_ns]
    own = next((entry for entry in in_time if entry.first_ns <= t_ns <= entry.last_ns), None)
    if own is not None and earlier and earlier[-1].after != own.before:
        return own, False
    return (earlier[-1], True) if earlier else (in_time[0], False)


# --- The file. ---


def entered_path(session: Path) -> Path:
    """Where the entries of a session file lie.

    >>> entered_path(Path("cars/alder8.toml")).as_posix()
    'cars/alder8.trims.json'
    """
    return session.with_suffix(".trims.json")


def entered_text(entries: tuple[TrimEntry, ...]) -> str:
    """The entries as the text of their file."""
    return (
        json.dumps({"format": ENTERED_FORMAT, "entries": [asdict(one) for one in entries]}, indent=1) + "\n"
    )


def load_entries(session: Path) -> tuple[TrimEntry, ...]:
    """The entries beside a session file; none where there is no file.

    Raises:
        SourceError: there is a file that cannot be read as such, or of a newer format.
    """
    found = _ENTRIES.load(entered_path(session), lambda raw: tuple(map(_read_entry, raw["entries"])))
    return () if found is None else found


def _read_entry(raw: Mapping[str, Any]) -> TrimEntry:
    return TrimEntry(
        log=str(raw["log"]),
        fingerprint=str(raw["fingerprint"]),
        first_ns=int(raw["first_ns"]),
        last_ns=int(raw["last_ns"]),
        entered_at=str(raw["entered_at"]),
        by=None if raw["by"] is None else str(raw["by"]),
        sensors=tuple(None if one is None else str(one) for one in raw["sensors"]),
        before=_read_trims(raw["before"]),
        after=_read_trims(raw["after"]),
    )


def _read_trims(raw: Any) -> Trims:
    """Trims in percent; no number, or one that leaves no fuel, is none."""
    trims = tuple(map(float, raw))
    if not all(-100 < one < math.inf for one in trims):
        raise ValueError("no trims")
    return trims
