"""A worker followed without a screen: what happens becomes lines, until it ends or is asked to."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from mixmon.cli.console import talk
from mixmon.report.text import printable

if TYPE_CHECKING:
    from mixmon.cli.stopping import Stopping
    from mixmon.findings.alarm_records import AlarmEvent
    from mixmon.live.worker import Worker

LOOK_S = 0.1


class StatusLine:
    """One line at the bottom of a terminal, drawn over itself; nothing where standard error is none."""

    def __init__(self, *, quiet: bool) -> None:
        self._shown = not quiet and sys.stderr is not None and sys.stderr.isatty()
        self._drawn = False

    def show(self, text: str) -> None:
        """Draw the line."""
        if self._shown:
            sys.stderr.write(f"\r{printable(text)[:110]}\x1b[K")
            sys.stderr.flush()
            self._drawn = True

    def wipe(self) -> None:
        """Take it away, before anything else is written."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._drawn = False


class Follower:
    """Says remarks on standard error and hands alarm records on.

    told     is given every alarm record
    second   is called about once a second
    """

    def __init__(
        self,
        worker: Worker,
        *,
        quiet: bool,
        told: Callable[[AlarmEvent], None],
        second: Callable[[], None],
        status: StatusLine | None = None,
    ) -> None:
        self._worker = worker
        self._quiet = quiet
        self._told, self._second = told, second
        self._status = status or StatusLine(quiet=True)

    def follow(self, stopping: Stopping, duration_s: float | None) -> None:
        """Until the worker ends, someone asks to stop, or the time is over."""
        began = time.monotonic()
        done = 0
        while not stopping.asked and not self._worker.ended.wait(LOOK_S):
            self.heed()
            passed = time.monotonic() - began
            if passed >= done + 1:
                done = int(passed)
                self._second()
            if duration_s is not None and passed >= duration_s:
                return

    def heed(self) -> None:
        """What has happened since the last time."""
        from mixmon.findings.alarm_records import AlarmEvent
        from mixmon.live.run_notes import event_words
        from mixmon.watching import Remark

        items = self._worker.drain()
        if items:
            self._status.wipe()
        for item in items:
            if isinstance(item, AlarmEvent):
                self._told(item)
            else:
                words = item.text if isinstance(item, Remark) else event_words(item)
                talk(words, quiet=self._quiet)
