"""A screen as a text file: all of it, without what scrolls and without the keys."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

from mixmon.dashboard.state import State
from mixmon.dashboard.view_pages import draw
from mixmon.dashboard.view_scene import Scene

COLUMNS: Final = 110
_ROWS: Final = 500


def page_text(scene: Scene, state: State, at: datetime) -> str:
    """The screen's rows, as many as there are, below when they were written."""
    plain = replace(state, first=0, prompt=None, message="")
    rows = draw(scene, plain, COLUMNS, _ROWS)[:-1]
    lines = ["".join(text for text, _ in row).rstrip() for row in rows]
    while lines and not lines[-1]:
        lines.pop()
    name = scene.setting.session.name
    return "\n".join([f"{name}  written {at:%Y-%m-%d %H:%M:%S} UTC".strip(), *lines, ""])


def write_page(scene: Scene, state: State, at: datetime) -> str:
    """Where it was written, or why not, in words for the last line."""
    name = f"{at:%Y-%m-%dT%H-%M-%SZ}-{state.page.value.lower().replace(' & ', ' ').replace(' ', '-')}.txt"
    path = Path(scene.setting.session.recording.folder, name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page_text(scene, state, at), "utf-8")
    except OSError as error:
        return f"{path}: not written: {error.strerror or error}"
    return f"written: {path}"
