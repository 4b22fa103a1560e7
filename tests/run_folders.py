"""The run folders that a test has made."""

from __future__ import annotations

from pathlib import Path

from mixmon.frames.logs import is_run


def list_runs(root: Path) -> list[Path]:
    """Folders of runs in `root`, oldest first; none if there is no such folder."""
    return sorted(filter(is_run, root.iterdir())) if root.is_dir() else []
