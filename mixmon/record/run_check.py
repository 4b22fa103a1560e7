"""Whether the files of a run are as they were when it ended: all there, of their sizes, with their checksums.

A folder that came from elsewhere may hold anything. So only plain files of the folder itself are read, no
link is followed, nothing waits for a pipe or a device, and no more is read than the run says it has.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from io import FileIO
from pathlib import Path, PurePath
from typing import Final

from mixmon.frames.logs import FRAMES, MANIFEST, NOTES
from mixmon.record.run_writer import SUMS, Manifest

MOST_BYTES: Final = 64 << 20
"""Of any file of a run but its frames; our choice: far above message definitions and a day of notes."""

_PIECE: Final = 1 << 20
_SUM: Final = re.compile(r"([0-9a-f]{64})  (.+)")
_LOSS_LINE: Final = b"\nDROPCOUNT: "
"""Begins a line of frames.log that is no frame: see `RunWriter.lose`."""


def read_small(path: Path) -> bytes:
    """A file of the run that is small.

    Raises:
        OSError: it is not there, no plain file, or larger than `MOST_BYTES`.
    """
    with _opened(path) as file:
        if _size(file) > MOST_BYTES:
            raise OSError(0, f"larger than {MOST_BYTES >> 20} MiB")
        data = bytearray()
        while len(data) <= MOST_BYTES and (piece := file.read(_PIECE)):
            data += piece
        return bytes(data)


def read_sums(path: Path, faults: list[str]) -> dict[str, str] | None:
    """Checksums by file name; None where the run has none. What is wrong with them is added to `faults`."""
    try:
        lines = read_small(path / SUMS).decode().splitlines()
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        faults.append(f"{SUMS}: cannot be read ({_why(error)})")
        return None
    sums: dict[str, str] = {}
    for line in lines:
        found = _SUM.fullmatch(line)
        if found is None or not _is_plain(found[2]):
            faults.append(f"{SUMS}: {line[:100]!r} is no checksum of a file of this folder")
        else:
            sums[found[2]] = found[1]
    return sums


def find_wrong_files(path: Path, manifest: Manifest, sums: Mapping[str, str]) -> list[str]:
    """Words for every file that is missing, has no checksum, or is not as it was when the run ended."""
    found = [
        f"{MANIFEST}: {name[:100]!r} is no file of this folder"
        for name in manifest.files
        if not _is_plain(name)
    ]
    sizes = 0
    for name in dict.fromkeys([FRAMES, NOTES, MANIFEST, *filter(_is_plain, manifest.files), *sums]):
        most = manifest.size if name in {FRAMES, NOTES} else MOST_BYTES
        try:
            seen = _look_at(path / name, most)
        except OSError as error:
            found.append(f"{name}: {_why(error)}")
            continue
        sizes += seen.size if name in {FRAMES, NOTES} else 0
        if name not in sums:
            found.append(f"{name}: {SUMS} has no checksum of it; it cannot be verified")
        elif seen.digest != sums[name]:
            found.append(f"{name}: differs from its checksum; it was changed after the run ended")
        if name == FRAMES and seen.digest and seen.frames != manifest.frames:
            found.append(f"{FRAMES}: {seen.frames} frames; expected {manifest.frames} by {MANIFEST}")
    if not found and sizes != manifest.size:
        found.append(f"{FRAMES} and {NOTES}: {sizes} bytes; expected {manifest.size} by {MANIFEST}")
    return found


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
    with _opened(path) as file:
        size = _size(file)
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


@contextmanager
def _opened(path: Path) -> Iterator[FileIO]:
    """A plain file, opened without waiting for anything, and without following a link.

    Raises:
        OSError: it is not there, cannot be read, or is something else.
    """
    mode = path.lstat().st_mode
    if stat.S_ISLNK(mode):
        raise OSError(0, "a link, which was not followed; expected a file of this folder")
    if not stat.S_ISREG(mode):
        raise OSError(0, "not read; expected a plain file")
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    with FileIO(os.open(path, flags | getattr(os, "O_BINARY", 0))) as file:
        yield file


def _is_plain(name: str) -> bool:
    """Whether it is the name of a file of the folder itself."""
    try:
        os.fsencode(name)
    except UnicodeError:  # half a character, which JSON can hold and no name of a file
        return False
    return PurePath(name).name == name != ".." and "\0" not in name


def _size(file: FileIO) -> int:
    return os.fstat(file.fileno()).st_size


def _why(error: OSError | ValueError) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()
