"""The one widget: rows in, lines out. It lays out nothing and redraws only what has changed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from textual.events import Resize
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from mixmon.dashboard.paint import strip_of, styles
from mixmon.dashboard.view_text import Row


class PageView(Widget):
    """A screenful of rows, drawn line by line. `redraw` is called when there is a new size to draw for.

    Invariant: what is on the terminal is `_rows` in `_palette`; `show` compares with it.
    """

    DEFAULT_CSS = "PageView { width: 100%; height: 100%; }"

    def __init__(self, redraw: Callable[[], None]) -> None:
        super().__init__()
        self._redraw = redraw
        self._rows: Sequence[Row] = ()
        self._palette = "print"

    def show(self, rows: Sequence[Row], palette: str) -> None:
        """Take new rows; only those that differ are drawn."""
        before = self._rows
        whole = palette != self._palette or len(rows) != len(before)
        self._rows, self._palette = rows, palette
        if whole:
            self.refresh()
            return
        changed = [y for y, (new, old) in enumerate(zip(rows, before, strict=True)) if new != old]
        if changed:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in changed))

    def on_resize(self, _: Resize) -> None:
        """Ask for rows of the new size."""
        self._redraw()

    def render_line(self, y: int) -> Strip:
        """Line `y` of the terminal."""
        looks = styles(self._palette)
        if y >= len(self._rows):
            return Strip.blank(self.size.width, looks["text"])
        return strip_of(self._rows[y], looks)
