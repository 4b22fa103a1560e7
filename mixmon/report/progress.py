"""How far a long read has come, on standard error: frames a second and time left.

Talk, never a result: a terminal gets one line that is redrawn and wiped at the end; anything
else gets one closing line, and only if the work took longer than a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Self, TextIO

from mixmon.report.text import counted

_SILENT_S = 1.0
_REDRAW_S = 0.2


class Progress:
    """Counts frames of one read and says now and then how it goes.

    `total` and the positions given are in the source's own measure (bytes of a file); without
    a total there is no time left to tell. A position before the last one begins another read, timed
    by itself. The clock is a parameter so that tests need not wait.
    """

    def __init__(
        self, stream: TextIO, total: int | None, *, quiet: bool, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._stream = stream
        self._total = total
        self._silent = quiet
        self._redraws = stream.isatty()
        self._clock = clock
        self._began = self._last = clock()
        self._draw_from = self._began + _SILENT_S
        self._drawn = False
        self._frames = self._position = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def advance(self, frames: int, position: int | None) -> None:
        """Takes note of that many more frames, up to `position` in the source."""
        now = self._clock()
        if position is not None and position < self._position:
            self._began, self._frames = self._last, 0
        self._position, self._last = position or 0, now
        self._frames += frames
        if self._redraws and not self._silent and now >= self._draw_from:
            self._draw_from, self._drawn = now + _REDRAW_S, True
            self._write_now(f"\r\x1b[K{self._progress_line(now - self._began, position)}")

    def close(self) -> None:
        """Wipes the line, or says in one line what was read if that took its time."""
        took = self._clock() - self._began
        if self._drawn:
            self._write_now("\r\x1b[K")
        elif not self._redraws and not self._silent and took > _SILENT_S:
            self._write_now(f"{counted(self._frames, 'frame')} read in {took:.1f} s\n")

    def _progress_line(self, took: float, position: int | None) -> str:
        line = (
            f"{counted(self._frames, 'frame')}, {counted(round(self._frames / took), 'a second', 'a second')}"
        )
        if self._total and position:
            done = min(position / self._total, 1.0)
            line += f", {100 * done:.0f} %, {took * (1 / done - 1):.0f} s left"
        return line

    def _write_now(self, line: str) -> None:
        self._stream.write(line)
        self._stream.flush()
