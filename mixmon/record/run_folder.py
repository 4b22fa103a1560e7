"""A run read back, whole or cut off: its facts and notes; its frames are read by `frames.logs.open_log`."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Any

from mixmon.errors import SourceError, reason_of
from mixmon.frames.logs import FRAMES, MANIFEST, MOST_NOTES, NOTES, note_lines
from mixmon.frames.plain_file import is_plain_file
from mixmon.record.run_check import (
    MOST_LISTING_BYTES,
    find_extra_files,
    find_wrong_files,
    first_few,
    read_small,
    read_sums,
)
from mixmon.record.run_writer import RECORDING, RUN_FORMAT, SUMS, Manifest
from mixmon.session.load import load_session
from mixmon.session.model import Session

SESSION_FILE = "session.toml"
MOST_KEPT_NOTES = 250_000
"""Notes that are held at once; our choice: some hundred megabytes."""

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
    cut_off   the program ended before the run did
    verified  every file agrees with its checksum
    faults    what is wrong with the folder, in words
    extra     names of what else lies in the folder and is not of the run
    """

    path: Path
    manifest: Manifest
    log: Path
    cut_off: bool
    verified: bool
    faults: tuple[str, ...]
    extra: tuple[str, ...]

    @property
    def session(self) -> Path | None:
        """The session file as it was used; see `kept_session`."""
        return kept_session(self.path)

    @property
    def notes(self) -> tuple[RunNote, ...]:
        """Marks, notes and events, in order of writing, read anew; the first `MOST_KEPT_NOTES`."""
        return tuple(islice(self.each_note(), MOST_KEPT_NOTES))

    def each_note(self) -> Iterator[RunNote]:
        """The same one by one, all of them, as far as they can be read."""
        try:
            for line in islice(note_lines(self.path), MOST_NOTES):
                if (note := _read_note(line)) is not None:
                    yield note
        except OSError:
            return


def kept_session(path: Path) -> Path | None:
    """The session file in the folder of a run; None if it has none.

    Raises:
        SourceError: something in the folder is a link, by which the session could read what lies outside.
    """
    with os.scandir(path) as entries:
        link = next((one.name for one in entries if one.is_symlink()), None)
    if link is not None:
        raise SourceError(
            f"{path}: {link} is a link, which is not followed; expected files of this folder; "
            "copy it there, or give --session"
        )
    session = path / SESSION_FILE
    return session if is_plain_file(session) else None


def load_kept_session(path: Path) -> Session | None:
    """The session of a run, with the message definitions of its folder alone; None if it has none.

    Raises:
        SourceError: as `kept_session`.
        SessionError: it has mistakes.
    """
    kept = kept_session(path)
    return None if kept is None else replace(load_session(kept), of_run=True)


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
    cut_off = sums is None and manifest is not None and manifest.state == RECORDING
    if sums is None:
        faults.append(CUT_OFF if cut_off else f"no {SUMS}: not verified")
    wrong = [] if sums is None else find_wrong_files(path, manifest, sums)
    _check_notes(path, faults)
    return RunFolder(
        path,
        manifest or Manifest(path.name, 0),
        log,
        cut_off,
        sums is not None and manifest is not None and not wrong,
        first_few([*faults, *wrong], "faults"),
        () if sums is None or manifest is None else find_extra_files(path, manifest, sums),
    )


GROWS_S = 5.0
"""A run that is being recorded is written to at least so often. Our choice: frames are flushed each second; a
bus that is silent for longer hides its run, which costs no more than a second record of it."""

_MOST_LOOKED_AT = 50  # our choice: names of runs sort by time, and the one that grows is among the newest


def find_growing(root: Path, now: Callable[[], float] = time.time) -> Path | None:
    """The newest run in a folder of runs that is being recorded at this moment; None if none is."""
    try:
        newest = sorted((one for one in root.iterdir() if one.is_dir()), reverse=True)[:_MOST_LOOKED_AT]
    except OSError:
        return None
    return next((run for run in newest if is_growing(run, now())), None)


def is_growing(run: Path, now: float) -> bool:
    """Whether a run is being recorded at a moment, s since 1970."""
    try:
        manifest = _read_manifest(run, [])
        written = (run / FRAMES).stat().st_mtime
    except (OSError, SourceError):
        return False
    return manifest is not None and manifest.state == RECORDING and abs(now - written) < GROWS_S


def _read_manifest(path: Path, faults: list[str]) -> Manifest | None:
    """The manifest; None where it cannot be read.

    Raises:
        SourceError: the run is of a later format.
    """
    try:
        manifest = Manifest.from_json(read_small(path / MANIFEST, MOST_LISTING_BYTES))
    except (OSError, ValueError) as error:
        faults.append(f"{MANIFEST}: cannot be read ({reason_of(error)}); only the frames are known")
        return None
    if manifest.format > RUN_FORMAT:
        raise SourceError(
            f"{path}: run of format {manifest.format}; expected {RUN_FORMAT} or lower; use a newer mixmon"
        )
    return manifest


def _check_notes(path: Path, faults: list[str]) -> None:
    """Counts in `faults` the lines of notes that are none; none of them is kept."""
    lines = bad = 0
    try:
        for line in note_lines(path):
            if lines == MOST_NOTES:
                faults.append(f"{NOTES}: only the first {MOST_NOTES} lines were read")
                break
            lines += 1
            bad += line != b"\n" and _read_note(line) is None
    except OSError as error:
        faults.append(f"{NOTES}: {reason_of(error).lower()}")
    if bad:
        faults.append(f"{NOTES}: {bad} lines are no notes")


def _read_note(line: bytes) -> RunNote | None:
    """The note on a line; None where it is none."""
    try:
        fields = json.loads(line)
        return RunNote(int(fields.pop("t")), str(fields.pop("kind")), fields)
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None
