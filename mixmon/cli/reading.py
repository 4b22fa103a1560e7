"""A log read for a command: the chosen stretch of it, with progress, and an account at the end."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np

from mixmon.cli.options import Window
from mixmon.errors import SourceError
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import open_log
from mixmon.report.progress import Progress
from mixmon.run import LogFacts


class Reading:
    """Blocks of the frames that lie in the window; never empty ones.

    first   stamp of the log's first frame, ns, from which the window counts
    frames  frames given so far

    Raises:
        SourceError: the log cannot be read, or nothing lies in the window.
    """

    def __init__(self, path: str, window: Window, *, quiet: bool) -> None:
        self._source = open_log(path)
        self._window = window
        self._quiet = quiet
        self.first = 0
        self.frames = 0
        self._newest: int | None = None

    def __iter__(self) -> Iterator[FrameBlock]:
        source = self._source
        with Progress(sys.stderr, source.total, quiet=self._quiet) as progress:
            for block in source:
                self._note(block)
                inside = self._inside(block)
                self.frames += len(inside)
                if len(inside):
                    yield inside
                progress.advance(len(block), source.position)
        if not self.frames:
            length = ((self._newest or 0) - self.first) / 1e9
            raise SourceError(
                f"{source.name}: no frame in the chosen stretch; expected --from and --to within its "
                f"{length:.3f} s; correct them"
            )

    def facts(self, duration_s: float, *, jumps: int, corrupt: int) -> LogFacts:
        """What became of the log's lines."""
        report = self._source.report
        return LogFacts(
            frames=report.frames,
            rejected_lines=report.rejected_lines,
            first_rejected=report.first_rejected,
            skipped=report.skipped,
            losses=report.losses,
            duration_s=duration_s,
            jumps=jumps,
            decoded=self.frames,
            corrupt=corrupt,
            faults=report.faults,
        )

    def _note(self, block: FrameBlock) -> None:
        if self._newest is None:
            self.first = self._newest = int(block.t[0])
        self._newest = max(self._newest, int(block.t.max()))

    def _inside(self, block: FrameBlock) -> FrameBlock:
        if self._window.whole:
            return block
        since = block.t - self.first
        end = np.iinfo(np.int64).max if self._window.end is None else self._window.end
        return block.take((since >= self._window.begin) & (since < end))
