"""A second reading of a recording, ahead of its playing: what its time line shows.

One thread reads the log once, by the same pipeline and observer as its playing, so that it finds what the
playing will find. It rests as long as it works, so that the playing and the screen have their time.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from typing import Final

from mixmon.errors import MixmonError, UsageError
from mixmon.live.recording import MARK, NOTE, note_words
from mixmon.live.replay import ReplaySource
from mixmon.live.source import begin_pipeline
from mixmon.messages.binding import Binding
from mixmon.watch.observer import Observer
from mixmon.watch.timeline import KnownMoments, MomentBook

TELL_S: Final = 0.1
"""What is known is published so often; our choice: as often as a picture is drawn."""


class LogScan:
    """Reads a recording in the background.

    source    of the same recording and the same part as the one that is played, as fast as possible
    left_out  cylinders that are not counted

    known     what is known by now; swapped, never changed
    """

    def __init__(
        self, binding: Binding, source: ReplaySource, *, left_out: frozenset[int] = frozenset()
    ) -> None:
        self._source = source
        self._pipeline = begin_pipeline(binding, source, left_out)
        self._observer = Observer(binding, left_out=left_out)
        self._book = MomentBook(source.place_of)
        self._jumps_kept = 0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.known = KnownMoments()

    def start(self) -> None:
        """Begin to read."""
        self._thread = threading.Thread(target=self._run_thread, name="scan", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Read nothing more; harmless when done twice or before the start."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def _run_thread(self) -> None:
        try:
            self._read_log()
        except MixmonError as error:
            self._publish(str(error))
        except Exception as error:  # noqa: BLE001 - the playing goes on, and the line says why it ends
            self._publish(f"{type(error).__name__}: {error}")

    def _read_log(self) -> None:
        source, told = self._source, 0.0
        source.open()
        for action in source.actions():
            with suppress(UsageError):  # the playing tells it
                self._observer.act(action)
        for step in source.steps():
            with suppress(UsageError):
                self._observer.act_on_steps(step)
        while not source.ended and not self._stop.is_set():
            began = time.monotonic()
            self._take_frames()
            if began - told >= TELL_S or source.ended:
                told = began
                self._publish()
            self._stop.wait(time.monotonic() - began)

    def _take_frames(self) -> None:
        """The next frames, and what is found in them; at the end what the stages still hold."""
        source, observer, book = self._source, self._observer, self._book
        for frames in source.take():
            if observer.origin_ns is None and source.first_ns is not None:
                observer.origin_ns = source.first_ns
                self._pipeline.anchor_grid(source.first_ns)
            for rows in self._pipeline.feed(frames):
                book.add_alarms(observer.feed(rows))
        if source.ended:
            for rows in self._pipeline.flush():
                book.add_alarms(observer.feed(rows))
            book.add_alarms(observer.flush())
        book.add_events(observer.happened())
        book.add_pulls(observer.pulls())
        book.add_jumps(self._pipeline.first_jumps[self._jumps_kept :])
        self._jumps_kept = len(self._pipeline.first_jumps)
        for note in source.notes():
            if note.kind in {MARK, NOTE}:
                book.add_mark(note.t, note_words(note))

    def _publish(self, failure: str = "") -> None:
        place = self._source.playing.place
        self.known = KnownMoments(self._book.moments(), place, place if self._source.ended else None, failure)
