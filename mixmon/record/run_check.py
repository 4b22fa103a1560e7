"""Whether the files of a run are as they were when it ended: all there, of their sizes, with their checksums.

A folder that came from elsewhere may hold anything. So only plain files of the folder itself are read, no
link is followed, nothing waits for a pipe or a device, and no more is read than the run says it has.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

from mixmon.errors import reason_of
from mixmon.frames.logs import FRAMES, MANIFEST, NOTES
from mixmon.frames.plain_file import open_plain, size_of
from mixmon.record.run_writer import SUMS, Manifest

MOST_BYTES: Final = 64 << 20
"""Of all files of a run but frames and notes; our choice: far above a session and message definitions."""

MOST_LISTING_BYTES: Final = 1 << 20
"""Of run.json and of SHA256SUMS, which have some hundred bytes; our choice: JSON grows twentyfold."""

MOST_FILES: Final = 1000
"""That run.json or SHA256SUMS may name; our choice: a run has a handful."""

_TOLD_SINGLY: Final = 20  # our choice: faults and names that are told one by one
_PIECE: Final = 1 << 20
_SUM: Final = re.compile(r"([0-9a-f]{64})  (.+)")
_LOSS_LINE: Final = b"\nDROPCOUNT: "
"""Begins a line of frames.log that is no frame: see `RunWriter.lose`."""


def first_few(words: Sequence[str], what: str) -> tuple[str, ...]:
    """The first of them, and how many more there are."""
    if len(words) <= _TOLD_SINGLY:
        return tuple(words)
    return (*words[:_TOLD_SINGLY], f"and {len(words) - _TOLD_SINGLY} more {what}")


def read_small(path: Path, most: int) -> bytes:
    """A file of the run that is small.

    Raises:
        OSError: it is not there, no plain file, or larger than `most`.
    """
    with open_plain(path) as file:
        if size_of(file) > most:
            raise OSError(0, f"more than {most} bytes")
        data = bytearray()
        while len(data) <= most and (piece := file.read(_PIECE)):
            data += piece
        return bytes(data)


def read_sums(path: Path, faults: list[str]) -> dict[str, str] | None:
    """Checksums by file name; None where the run has none. What is wrong with them is added to `faults`."""
    try:
        lines = read_small(path / SUMS, MOST_LISTING_BYTES).decode().splitlines()
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        faults.append(f"{SUMS}: cannot be read ({reason_of(error).lower()})")
        return None
    if len(lines) > MOST_FILES:
        faults.append(f"{SUMS}: {len(lines)} lines; expected at most {MOST_FILES}")
        return None
    sums: dict[str, str] = {}
    for line in lines:
        found = _SUM.fullmatch(line)
        if found is None or not _is_plain(found[2]):
            faults.append(f"{SUMS}: {line[:100]!r} is no checksum of a file of this folder")
        else:
            sums[found[2]] = found[1]
    return sums


def find_wrong_files(path: Path, manifest: Manifest | None, sums: Mapping[str, str]) -> list[str]:
    """Words for every file that is missing, has no checksum, or is not as it was when the run ended.

    Without a manifest files are compared with their checksums alone, as far as `MOST_BYTES` each.
    """
    named = () if manifest is None else manifest.files
    if len(named) > MOST_FILES:
        return [f"{MANIFEST}: names {len(named)} files; expected at most {MOST_FILES}"]
    found = [f"{MANIFEST}: {name[:100]!r} is no file of this folder" for name in named if not _is_plain(name)]
    recorded = MOST_BYTES if manifest is None else manifest.size
    sizes, others = 0, MOST_BYTES
    for name in dict.fromkeys([FRAMES, NOTES, MANIFEST, *filter(_is_plain, named), *sums]):
        grows = name in {FRAMES, NOTES}
        try:
            seen = _look_at(path / name, recorded if grows else others)
        except OSError as error:
            found.append(f"{name[:100]}: {reason_of(error).lower()}")
            continue
        sizes += seen.size if grows else 0
        others -= 0 if grows else len(seen.digest) and seen.size
        found += _compare(name, seen, manifest, sums)
    if manifest is not None and not found and sizes != manifest.size:
        found.append(f"{FRAMES} and {NOTES}: {sizes} bytes; expected {manifest.size} by {MANIFEST}")
    return found


def _compare(name: str, seen: _Seen, manifest: Manifest | None, sums: Mapping[str, str]) -> Iterator[str]:
    """Words for what is wrong with one file."""
    if name not in sums:
        yield f"{name}: {SUMS} has no checksum of it; it cannot be verified"
    elif not seen.digest and manifest is not None and name in {FRAMES, NOTES}:
        yield f"{name}: {seen.size} bytes, more than {MANIFEST} says; not read, and not verified"
    elif not seen.digest:
        yield f"{name}: {seen.size} bytes are too many to be read; not verified"
    elif seen.digest != sums[name]:
        yield f"{name}: differs from its checksum; it was changed after the run ended"
    if manifest is not None and name == FRAMES and seen.digest and seen.frames != manifest.frames:
        yield f"{FRAMES}: {seen.frames} frames; expected {manifest.frames} by {MANIFEST}"


def find_extra_files(path: Path, manifest: Manifest, sums: Mapping[str, str]) -> tuple[str, ...]:
    """Names of what lies in the folder and is not of the run, the first few and a count."""
    known = {FRAMES, NOTES, MANIFEST, SUMS, *manifest.files, *sums}
    return first_few(sorted({file.name for file in path.iterdir()} - known), "files")


@dataclass(frozen=True, slots=True)
class _Seen:
    """A file as it is: its size, its checksum, and its frames.

    A file that is too large to be what was recorded has no checksum.
    """

    size: int
    digest: str
    frames: int


def _look_at(path: Path, most: int) -> _Seen:
    """Reads a file, but nothing of one that is larger than `most`.

    Raises:
        OSError: it cannot be read, or is no plain file.
    """
    with open_plain(path) as file:
        size = size_of(file)
        if size > most:
            return _Seen(size, "", 0)
        digest, lines, losses, left, tail = hashlib.sha256(), 0, 0, size, b"\n"
        while left and (piece := file.read(min(_PIECE, left))):
            left -= len(piece)
            digest.update(piece)
            lines += piece.count(b"\n")
            losses += (tail + piece).count(_LOSS_LINE)
            tail = (tail + piece)[-len(_LOSS_LINE) + 1 :]
        return _Seen(size, digest.hexdigest(), lines - losses)


def _is_plain(name: str) -> bool:
    """Whether it is the name of a file of the folder itself."""
    try:
        os.fsencode(name)
    except UnicodeError:  # half a character, which JSON can hold and no name of a file
        return False
    return PurePath(name).name == name != ".." and "\0" not in name
