"""The dashboard for one viewer in a browser: a driver that draws into a channel, and the screens over it.

The screens run as a task of an event loop, as many as there are viewers, all over the same worker. What they
draw is text with the control sequences of a terminal; the page in the browser has the terminal.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from io import StringIO
from typing import Any, Final

from rich.console import Console
from textual._xterm_parser import XTermParser
from textual.app import App
from textual.driver import Driver
from textual.events import Resize
from textual.geometry import Size

from mixmon.dashboard.app import Dashboard, DashboardOptions
from mixmon.watch.commands import Watching

LEAST, MOST = (20, 5), (500, 200)
"""Columns and rows that a browser may ask for; our choice: what is drawn for one viewer stays bounded."""

_ESCAPE_S: Final = 0.15
"""An escape that nothing follows for so long is the key. Our choice: longer than any sequence takes."""

_SCREEN_ON = "\x1b[?1049h\x1b[?25l\x1b[?1000h\x1b[?1003h\x1b[?1006h"
_SCREEN_OFF = "\x1b[?1006l\x1b[?1003l\x1b[?1000l\x1b[?25h\x1b[?1049l"
"""The other screen, no cursor, mouse (xterm's control sequences; Textual's own drivers send the same)."""


def bounded(columns: int, rows: int) -> tuple[int, int]:
    """A size within what is drawn.

    >>> bounded(0, 24), bounded(10**9, 60)
    ((20, 24), (500, 60))
    """
    return min(max(columns, LEAST[0]), MOST[0]), min(max(rows, LEAST[1]), MOST[1])


class ChannelDriver(Driver):
    """Draws into the channel of its screens, and takes keys from there."""

    def __init__(
        self, app: App[Any], *, debug: bool = False, mouse: bool = True, size: tuple[int, int] | None = None
    ) -> None:
        super().__init__(app, debug=debug, mouse=mouse, size=size)
        assert isinstance(app, BrowserDashboard)
        self._draw = app.draw_text
        self._parser = XTermParser()
        self._later: asyncio.TimerHandle | None = None

    def write(self, data: str) -> None:
        """Draws."""
        self._draw(data)

    def start_application_mode(self) -> None:
        """Begins to draw."""
        self.write(_SCREEN_ON)
        self.resize(*(self._size or (80, 24)))

    def disable_input(self) -> None:
        """Nothing reads: keys are handed over."""

    def stop_application_mode(self) -> None:
        """Ends the drawing."""
        if self._later is not None:
            self._later.cancel()
        self.write(_SCREEN_OFF)

    def type(self, text: str) -> None:
        """Takes what the terminal in the browser sends for keys and the mouse."""
        for event in self._parser.feed(text):
            self.process_message(event)
        if self._later is not None:
            self._later.cancel()
        self._later = self._loop.call_later(_ESCAPE_S, self._end_sequence)

    def _end_sequence(self) -> None:
        for event in self._parser.tick():
            self.process_message(event)

    def resize(self, columns: int, rows: int) -> None:
        """The terminal in the browser has another size."""
        self._size = bounded(columns, rows)
        size = Size(*self._size)
        self.send_message(Resize(size, size))


class BrowserDashboard(Dashboard):
    """The screens of one viewer; `draw_text` takes what they draw."""

    def __init__(
        self, watching: Watching, options: DashboardOptions, draw_text: Callable[[str], None]
    ) -> None:
        self.draw_text = draw_text
        super().__init__(watching, options)
        # Browsers have all colours, whatever the terminal has from which the server was started.
        self.console = Console(
            color_system="truecolor", force_terminal=True, legacy_windows=False, file=StringIO()
        )
        # Textual redirects both for as long as screens run. They are the process's own here, as screens of
        # several viewers begin and end in any order, and the last to end would put back what is gone.
        self._capture_stdout, self._capture_stderr = sys.stdout, sys.stderr  # type: ignore[assignment]

    def get_driver_class(self) -> type[Driver]:
        """The channel."""
        return ChannelDriver

    def type(self, text: str) -> None:
        """Keys and mouse of the browser."""
        if isinstance(self._driver, ChannelDriver):
            self._driver.type(text)

    def resize(self, columns: int, rows: int) -> None:
        """Another size of the browser's window."""
        if isinstance(self._driver, ChannelDriver):
            self._driver.resize(columns, rows)
