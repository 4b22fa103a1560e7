"""The progress of a long read, on standard error: frames a second and time left.

A terminal gets one line that is redrawn, and erased at the end; anything else gets one closing line, and only
if the work took longer than a second.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Self, TextIO

from mixmon.report.text import counted

_SILENT_S = 1.0  # our choice: a shorter read needs no line
_REDRAW_S = 0.2  # our choice: quick enough to be seen moving, slow enough to be read


class Progress:
    """Counts the frames of one read and writes its progress.

    `total` and the positions given are in the source's own measure (bytes of a file); without
    a total no time left is shown. A position before the last one begins another read, timed
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
        """Counts `frames` more, up to `position` in the source; redraws the line when it is time."""
        now = self._clock()
        if position is not None and position < self._position:
            self._began, self._frames = self._last, 0
        self._position, self._last = position or 0, now
        self._frames += frames
        if self._redraws and not self._silent and now >= self._draw_from:
            self._draw_from, self._drawn = now + _REDRAW_S, True
            self._write_now(f"\r\x1b[K{self._progress_line(now - self._began, position)}")

    def close(self) -> None:
        """Erases the line; without a terminal, writes what was read if that took longer than a second."""
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
