"""Files of a folder that came from elsewhere: opened without following a link or waiting for anything."""

from __future__ import annotations

import os
import stat
from io import FileIO
from pathlib import Path


def is_plain_file(path: Path) -> bool:
    """Whether it is a file itself: no link to one, no folder, pipe or device; False where nothing is."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except (OSError, ValueError):  # ValueError: no name that a file can have
        return False


def open_plain(path: Path) -> FileIO:
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
    return FileIO(os.open(path, flags | getattr(os, "O_BINARY", 0)))


def size_of(file: FileIO) -> int:
    """Bytes of an open file."""
    return os.fstat(file.fileno()).st_size
