"""What stands at a path; where no file can have the name (too long, or with a NUL in it), nothing does."""

from __future__ import annotations

import stat
from pathlib import Path


def is_there(path: Path | str) -> bool:
    """Whether a file, a folder or anything else is there."""
    return _mode_of(path) != 0


def is_file(path: Path | str) -> bool:
    """Whether a file is there."""
    return stat.S_ISREG(_mode_of(path))


def is_folder(path: Path | str) -> bool:
    """Whether a folder is there."""
    return stat.S_ISDIR(_mode_of(path))


def _mode_of(path: Path | str) -> int:
    """Kind and permissions; 0 where nothing is, or where it cannot be looked at."""
    try:
        return Path(path).stat().st_mode
    except (OSError, ValueError):
        return 0
