"""Notes and marks of this watch, newest on top."""

from __future__ import annotations

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, blank, fit_row, wrap
from mixmon.dashboard.verdict import Verdict
from mixmon.dashboard.view_status import Sheet, framed, status

_BEGIN = ("mark", "note")
"""Remarks that begin so are the operator's own."""


def notes_page(scene: Scene, verdict: Verdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Every note with its time, whole; `first` rows are scrolled away."""
    width = sheet.width
    notes = [remark for remark in scene.snapshot.remarks if remark[1].startswith(_BEGIN)]
    head = [status(scene, verdict, width, title=f"NOTES {len(notes)}")]
    body: list[Row] = []
    for t, words in reversed(notes):
        for i, line in enumerate(wrap(words, max(width - 11, 8))):
            time = scene.clock(t) if i == 0 else ""
            body.append(fit_row([(f" {time:>7}  ", "dim"), (line, "text")], width))
    if not body:
        body = [blank(width), fit_row([("  no notes yet: n writes one, space marks a moment", "dim")], width)]
    return framed(head, body, sheet, first=first)
