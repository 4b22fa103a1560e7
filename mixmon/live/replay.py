"""A recording as a source for the worker, played at the pace of its own stamps or faster."""

from __future__ import annotations

from typing import Final

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import OperatorAction
from mixmon.frames.adapters.receiver import SourceEvent, SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import STDIN, WATCHED, LogSource, open_log
from mixmon.live.pace import Pace
from mixmon.live.reel import Reel
from mixmon.live.run_notes import ACTION, RECORDING, action_of
from mixmon.live.source import Obeyed
from mixmon.record.run_folder import Note, RunFolder
from mixmon.run import LATENESS_NS
from mixmon.watching import Pause, ReplayCommand, Resume, Seek, Speed, Step

MOST_FRAMES: Final = 16_384
"""Frames taken at a time, so that commands are obeyed and pictures drawn meanwhile."""

_S = 1_000_000_000
_FASTEST = 1000.0


class ReplaySource:
    """A source of the frames of one log, or of a recorded run with its notes and actions.

    path      the log, or the run's folder as `open_run` read it
    speed     1 as it was recorded; None as fast as it can be worked
    begin_ns, end_ns  the part that is played, in ns from the log's first frame

    log       with the account of its lines

    Raises:
        SourceError: there is no such log.
        UsageError: a speed that means nothing.
    """

    live = False
    lateness_ns = LATENESS_NS

    def __init__(
        self,
        path: str | RunFolder,
        *,
        speed: float | None = 1.0,
        begin_ns: int = 0,
        end_ns: int | None = None,
    ) -> None:
        self._run = path if isinstance(path, RunFolder) else None
        self._notes = () if self._run is None else self._run.notes
        self.log: LogSource = open_log(path if isinstance(path, str) else path.log)
        self._winds_back = path != STDIN
        self._begin, self._end = begin_ns, end_ns
        self._pace = Pace(_checked(speed))
        self._reel = self._fresh_reel()
        self._told = 0
        self._stopped = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels seen so far."""
        return self._reel.channels

    @property
    def hurried(self) -> bool:
        """True when more is due already."""
        return self._pace.hurried and not self._reel.ended

    @property
    def ended(self) -> bool:
        """True when all has been played."""
        return self._reel.ended

    @property
    def first_ns(self) -> int | None:
        """Stamp of the log's first frame; None before it was read."""
        return self._reel.first

    @property
    def duration_s(self) -> float:
        """Seconds of data time that have been played."""
        return self._reel.place / _S

    @property
    def position(self) -> float:
        """Share of the log that has been played, 0 to 1; 0 where that cannot be told."""
        return self._reel.share

    def open(self) -> None:
        """Begin to count time."""
        self._pace.anchor(0)

    def take(self) -> list[FrameBlock]:
        """The frames that are due."""
        return self._reel.wind(self._pace.due(self._reel.place), MOST_FRAMES)

    def through(self) -> int | None:
        """Stamp of the place that has been reached; at the end, what brings rows as far as they came then."""
        stamp = self._reel.stamp
        if stamp is None or not self.ended or self._stopped or self._end is not None:
            return stamp
        return max([stamp, *(note.t + LATENESS_NS for note in self._notes if note.kind == WATCHED)])

    def now(self) -> int:
        """Stamp of the place that has been reached; 0 before the first frame."""
        return self._reel.stamp or 0

    def events(self) -> list[SourceEvent]:
        """None: what happened to the buses then is in the notes."""
        return []

    def notes(self) -> list[Note]:
        """Notes whose time has come, in the order in which they were written."""
        now, first = self._reel.stamp, self._told
        while self._told < len(self._notes):
            if not self.ended and (now is None or self._notes[self._told].t > now):
                break
            self._told += 1
        return list(self._notes[first : self._told])

    def actions(self) -> tuple[OperatorAction, ...]:
        """What the operator did then, in stretches of time as this replay counts them."""
        began = next((n.data.get("stretch", 0) for n in self._notes if n.kind == RECORDING), 0)
        return tuple(action_of(note, began) for note in self._notes if note.kind == ACTION)

    def status(self) -> tuple[SourceStatus, ...]:
        """None."""
        return ()

    def bitrate(self, channel: str) -> int | None:
        """A log does not tell; a run's folder does."""
        buses = () if self._run is None else self._run.manifest.buses
        return next((bus.get("bitrate") for bus in buses if bus.get("name") == channel), None)

    def obey(self, command: ReplayCommand) -> Obeyed:
        """Hold, go on, wind.

        Raises:
            UsageError: a speed that means nothing, or winding a pipe back.
        """
        match command:
            case Pause():
                self._pace.paused = True
                return Obeyed("held")
            case Resume():
                self._pace.paused = False
                self._pace.anchor(self._reel.place)
                return Obeyed("goes on")
            case Speed(factor):
                self._pace.speed = _checked(factor)
                self._pace.anchor(self._reel.place)
                return Obeyed(f"plays {_words(factor)}")
            case Step(seconds):
                self._pace.rush(self._reel.place + round(seconds * _S))
                return Obeyed(f"plays {seconds:g} s")
            case Seek(seconds):
                return self._seek(max(round(seconds * _S), 0))

    def stop(self) -> None:
        """Take nothing more from the log."""
        self._stopped = True
        self._reel.stop()

    def _seek(self, to: int) -> Obeyed:
        back = to < self._reel.place
        if back and not self._winds_back:
            raise UsageError("standard input cannot be wound back; expected a later place; replay a file")
        if back:
            self._reel, self._told = self._fresh_reel(), 0
        self._pace.rush(to)
        return Obeyed(f"goes to {to / _S:.1f} s", restarted=back)

    def _fresh_reel(self) -> Reel:
        cut_off = self._run is not None and self._run.cut_off
        blocks = self._run.blocks() if self._run is not None and cut_off else self.log
        return Reel(self.log, blocks, self._begin, self._end)


def _checked(speed: float | None) -> float | None:
    if speed is not None and not 0 < speed <= _FASTEST:
        raise UsageError(f"speed {speed:g}: expected a number above 0, up to {_FASTEST:g}, or max")
    return speed


def _words(speed: float | None) -> str:
    return "as fast as it can be worked" if speed is None else f"at {speed:g} times its own speed"
