"""The files in the folder of a recorded run, as far as a reader of logs must know them."""

from __future__ import annotations

import json
from pathlib import Path

FRAMES = "frames.log"
NOTES = "notes.jsonl"

WATCHED = "watched until"
"""Kind of the note that says how far rows were made: a bus that is silent at the end leaves no frame."""


def is_run(path: Path | str) -> bool:
    """Whether the path is the folder of a run."""
    try:
        return (Path(path) / FRAMES).is_file()
    except (OSError, ValueError):  # no name that a file can have, or none that may be looked at
        return False


def watched_until(folder: Path) -> int | None:
    """Data time, ns, up to which a run was watched; None where its notes do not say."""
    try:
        lines = (folder / NOTES).read_bytes().split(b"\n")
    except OSError:
        return None
    found = [t for line in lines if WATCHED.encode() in line and (t := _time_of(line)) is not None]
    return max(found, default=None)


def _time_of(line: bytes) -> int | None:
    """The time of such a note; None if it is another, or none at all."""
    try:
        note = json.loads(line)
        return int(note["t"]) if note["kind"] == WATCHED else None
    except (ValueError, KeyError, TypeError):
        return None
