"""A run read back, whole or cut off: its facts and notes; its frames are read by `frames.logs.open_log`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mixmon.errors import SourceError
from mixmon.frames.logs import FRAMES, MANIFEST, NOTES
from mixmon.record.run_check import find_wrong_files, read_small, read_sums
from mixmon.record.run_writer import RECORDING, RUN_FORMAT, SUMS, Manifest

SESSION_FILE = "session.toml"
CUT_OFF = "cut off: the program ended before the run did, or records it still"


@dataclass(frozen=True, slots=True)
class RunNote:
    """One line of notes.jsonl: data time in ns, kind, and the rest."""

    t: int
    kind: str
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class RunFolder:
    """A run on disk.

    log       the frames, as candump text
    session   the session file as it was used; None if none was kept
    notes     marks, notes and events, in order of writing
    cut_off   the program ended before the run did
    verified  every file agrees with its checksum
    faults    what is wrong with the folder, in words
    """

    path: Path
    manifest: Manifest
    log: Path
    session: Path | None
    notes: tuple[RunNote, ...]
    cut_off: bool
    verified: bool
    faults: tuple[str, ...]


def open_run(path: Path | str) -> RunFolder:
    """The run in a folder; its `faults` say what is damaged.

    Raises:
        SourceError: there is no run, or one of a later format.
    """
    path = Path(path)
    faults: list[str] = []
    manifest = _read_manifest(path, faults)
    log = path / FRAMES
    if not log.is_file():
        raise SourceError(f"{path}: no {FRAMES}; expected the folder of a run; name one")
    sums = read_sums(path, faults)
    cut_off = sums is None and manifest.state == RECORDING
    if sums is None:
        faults.append(CUT_OFF if cut_off else f"no {SUMS}: not verified")
    wrong = [] if sums is None else find_wrong_files(path, manifest, sums)
    session = path / SESSION_FILE
    return RunFolder(
        path,
        manifest,
        log,
        session if session.is_file() else None,
        _read_notes(path / NOTES, faults),
        cut_off,
        sums is not None and not wrong,
        (*faults, *wrong),
    )


def _read_manifest(path: Path, faults: list[str]) -> Manifest:
    """The manifest; one that knows nothing but the name where it cannot be read.

    Raises:
        SourceError: the run is of a later format.
    """
    try:
        manifest = Manifest.from_json(read_small(path / MANIFEST))
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        faults.append(f"{MANIFEST}: cannot be read ({why}); only the frames are known")
        return Manifest(path.name, 0)
    if manifest.format > RUN_FORMAT:
        raise SourceError(
            f"{path}: run of format {manifest.format}; expected {RUN_FORMAT} or lower; use a newer mixmon"
        )
    return manifest


def _read_notes(path: Path, faults: list[str]) -> tuple[RunNote, ...]:
    """The notes in order of writing; lines that are none are counted in `faults`."""
    try:
        lines = read_small(path).split(b"\n")
    except OSError as error:
        faults.append(f"{NOTES}: {(error.strerror or str(error)).lower()}")
        return ()
    notes, bad = [], 0
    for line in lines:
        try:
            fields = json.loads(line) if line else None
            if fields is not None:
                notes.append(RunNote(int(fields.pop("t")), str(fields.pop("kind")), fields))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            bad += 1
    if bad:
        faults.append(f"{NOTES}: {bad} lines are no notes")
    return tuple(notes)
