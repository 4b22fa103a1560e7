"""The caution as a screen of its own: y accepts, n or escape does not."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.events import Key
from textual.screen import ModalScreen

from mixmon.dashboard.page import PageView
from mixmon.dashboard.view_caution import caution_page


class Caution(ModalScreen[bool]):
    """Shows the caller's text; dismissed with True when it was accepted, with False when not."""

    def __init__(self, text: str, palette: str) -> None:
        super().__init__()
        self._text = text
        self._palette = palette
        self._first = 0

    def compose(self) -> ComposeResult:
        """One page."""
        yield PageView(self._draw)

    def on_key(self, event: Key) -> None:
        """Accept, leave or scroll."""
        event.stop()
        if event.character in {"y", "Y"}:
            self.dismiss(True)
        elif event.character in {"n", "N", "q"} or event.key in {"escape", "ctrl+c"}:
            self.dismiss(False)
        elif event.key in {"up", "down"}:
            self._first = max(self._first + (1 if event.key == "down" else -1), 0)
            self._draw()

    def _draw(self) -> None:
        page = self.query_one(PageView)
        page.show(caution_page(self._text, *page.size, first=self._first), self._palette)
