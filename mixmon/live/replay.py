"""A log or a run as a source for the worker, played at the pace of its own stamps or faster.

    log -> LogCursor (frames up to a place) <- PlaybackPace (the place that is due by the clock)

A place is the time from the log's first frame in ns, as it passes for an observer (`PlaybackAxis`).
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np

from mixmon.arrays import SECOND_NS, Times
from mixmon.errors import SourceError, UsageError
from mixmon.findings.alarms.records import OperatorAction
from mixmon.findings.identity.guide import StepAction
from mixmon.frames.adapters.receiver import SourceEvent, SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import BACKWARD_JUMP_NS, FORWARD_JUMP_NS, clock_text
from mixmon.frames.logs import STDIN, WATCHED, LogSource, open_log
from mixmon.live.recording import ACTION, ALARM, FUEL_STEP, RECORDING, action_of, is_readable, step_of
from mixmon.live.source import Applied
from mixmon.pipeline import Pipeline
from mixmon.record.run_folder import MOST_KEPT_NOTES, RunFolder, RunNote
from mixmon.run import LATENESS_NS
from mixmon.watch.commands import Pause, ReplayCommand, Resume, Seek, Speed, Step
from mixmon.watch.timeline import Playing

KEPT_STRETCHES = 1000
"""Our choice: more than logs that anybody joins; of a mad log the newest are kept."""


class PlaybackAxis:
    """A stage: stamps in, places in ns from the first frame out; places never fall.

    Stamps may jump: logs joined end to end, a device that was reset. A jump ahead is played as a silence of
    `silence_ns`, a jump back as none.
    """

    def __init__(self, silence_ns: int) -> None:
        self._silence = silence_ns
        self._newest: int | None = None
        self._offset = 0  # stamp less place
        self._stretches: deque[tuple[int, int]] = deque(maxlen=KEPT_STRETCHES)  # first stamp, offset
        self.jumped = False

    def place_of(self, t: int) -> int:
        """The place of a stamp that has passed: in the newest stretch of time that it may be of."""
        for first, offset in reversed(self._stretches):
            if t >= first - BACKWARD_JUMP_NS and t - offset <= self._reached:
                return max(t - offset, 0)
        return self._reached

    @property
    def _reached(self) -> int:
        """The place of the newest stamp, and as much as rows may be ahead of it."""
        return (self._newest or 0) - self._offset + FORWARD_JUMP_NS

    def feed(self, t: Times) -> tuple[Times, Times]:
        """The place of every stamp of int64[n], and the largest stamp up to it in its stretch of time."""
        places, largest = np.empty(len(t), np.int64), np.empty(len(t), np.int64)
        done = 0
        while done < len(t):
            done = self._place_stretch(t, done, places, largest)
        return places, largest

    def _place_stretch(self, t: Times, first: int, places: Times, largest: Times) -> int:
        """Place the stamps from `first` up to the next jump; where that is."""
        start = int(t[first])
        if self._newest is None:
            self._offset = start
        elif start > self._newest + FORWARD_JUMP_NS:
            self._offset += start - self._newest - self._silence
        elif start < self._newest - BACKWARD_JUMP_NS:
            self._offset += start - self._newest
        else:
            start = max(start, self._newest)
        if not self._stretches or self._stretches[-1][1] != self._offset:
            self.jumped = bool(self._stretches)
            self._stretches.append((start, self._offset))
        risen = np.maximum.accumulate(np.concatenate([[start], t[first:]]))
        step = t[first:] - risen[:-1]
        jump = (step > FORWARD_JUMP_NS) | (step < -BACKWARD_JUMP_NS)
        count = int(jump.argmax()) if jump.any() else len(step)
        largest[first : first + count] = risen[1 : count + 1]
        places[first : first + count] = risen[1 : count + 1] - self._offset
        self._newest = int(risen[count])
        return first + count


class LogCursor:
    """One pass through a log: its frames in order, as far as is asked for.

    log       the frames, and how many bytes have been read
    begin_ns, end_ns  the part that is played, in ns from the first frame

    first     stamp of the log's first frame; None before it was read
    begun     place of the first frame of the part; None before that was read
    place     how far it has advanced
    axis      where stamps stand
    ended     nothing is left
    channels  seen so far
    """

    def __init__(self, log: LogSource, begin_ns: int, end_ns: int | None) -> None:
        self._log, self._blocks = log, iter(log)
        self._begin, self._end = begin_ns, end_ns
        self.axis = PlaybackAxis(log.silence_ns)
        self._pending = FrameBlock.empty()
        self._places = self._stamps = np.zeros(0, np.int64)
        self.first: int | None = None
        self.begun: int | None = None
        self._newest: tuple[int, int] | None = None  # place and largest stamp of the frames given
        self._bytes = (0, 0)  # of the log, before and after the current block
        self._given = self._size = 0  # frames of that block
        self.place = 0
        self.ended = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels, as far as they have been seen."""
        return self._pending.channels

    @property
    def stamp(self) -> int | None:
        """Stamp of the place; None before the first frame. It never passes a frame not yet given."""
        return None if self._newest is None else self._newest[1] + self.place - self._newest[0]

    @property
    def clock(self) -> int | None:
        """Its stamp less that of the log's first frame; None before the first frame."""
        return None if self.stamp is None or self.first is None else self.stamp - self.first

    @property
    def share(self) -> float:
        """Share of the log that has been given, 0 to 1; 0 where its size is not known."""
        if self.ended:
            return 1.0
        before, after = self._bytes
        passed = before + (after - before) * self._given / max(self._size, 1)
        return min(passed / self._log.total, 1.0) if self._log.total else 0.0

    def begin(self) -> bool:
        """Read on to the first frame of the part; True where it has just been found after others."""
        if self.begun is not None or not self._fill_pending():
            return False
        self.begun = self.place = int(self._places[0])
        return self.place > 0

    def next_frame(self) -> tuple[int, int] | None:
        """Place and clock of the frame that comes next; None at the end."""
        if not self._fill_pending() or self.first is None:
            return None
        return int(self._places[0]), int(self._stamps[0]) - self.first

    def frames_to_jump(self) -> int:
        """How many of the pending frames come before the stamps jump."""
        jumps = np.flatnonzero(np.diff(self._stamps - self._places))
        return int(jumps[0]) + 1 if len(jumps) else len(self._places)

    def advance(self, limit: int, most: int) -> list[FrameBlock]:
        """The frames up to the place `limit`, at most so many."""
        out: list[FrameBlock] = []
        while most and self._fill_pending():
            count = min(int(np.searchsorted(self._places, limit, side="right")), most)
            if not count:
                break
            out.append(self._pending.take(slice(0, count)))
            self.place = int(self._places[count - 1])
            self._newest = self.place, int(self._stamps[count - 1])
            self._drop_given(count)
            most -= count
        if len(self._places) and most:
            self.place = max(self.place, min(limit, int(self._places[0])))
        return out

    def stop(self) -> None:
        """Read nothing more."""
        self._blocks = iter(())
        self._drop_given(len(self._pending))

    def _drop_given(self, count: int) -> None:
        self._pending = self._pending.take(slice(count, None))
        self._places, self._stamps = self._places[count:], self._stamps[count:]
        self._given += count

    def _fill_pending(self) -> bool:
        """Read on until some frames are pending; False at the end."""
        while not len(self._pending) and not self.ended:
            self.ended = not self._read_block()
        return not self.ended

    def _read_block(self) -> bool:
        """Make the next block's frames of the chosen part pending, perhaps none; False at its end."""
        block = next(self._blocks, None)
        if block is None:
            return False
        if self.first is None:
            self.first = int(block.t[0])
        places, stamps = self.axis.feed(block.t)
        since = block.t - self.first
        inside = (since >= self._begin) | (self._begin <= 0)  # stamps may fall behind the first one's
        if self._end is not None:
            inside &= since < self._end
            if (since >= self._end).all():
                return False
        self._pending = block if inside.all() else block.take(inside)
        self._places, self._stamps = places[inside], stamps[inside]
        self._bytes, self._given = (self._bytes[1], self._log.position), 0
        self._size = len(self._pending)
        return True


NO_LIMIT = 1 << 62  # computed: a place above every other that fits into int64


STOPPED_NS = 5 * SECOND_NS
"""When nobody asked for so long the program was stopped, and goes on where it was. Our choice: no work takes
as long."""


class PlaybackPace:
    """How far a log is to be played by now, by the clock on the wall.

    speed   1 as it was recorded; None as fast as it can be worked
    paused  nothing more falls due
    """

    def __init__(self, speed: float | None, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self.speed = speed
        self.paused = False
        self._clock = clock
        self._from = (clock(), 0)
        self._asked = clock()
        self._rush_to: int | None = None

    def due(self, place: int) -> int:
        """How far may be played now; `place` is how far it has been."""
        now = self._clock()
        if now - self._asked > STOPPED_NS:
            self.anchor(place)
        self._asked = now
        if self._rush_to is not None:
            if place < self._rush_to:
                return self._rush_to
            self._rush_to = None
            self.anchor(place)
        if self.paused:
            return place
        if self.speed is None:
            return NO_LIMIT
        began, at = self._from
        return at + int((now - began) * self.speed)

    @property
    def goal(self) -> int | None:
        """The place to which it is played without waiting; None: there is none."""
        return self._rush_to

    @property
    def hurried(self) -> bool:
        """True while there is nothing to wait for."""
        return self._rush_to is not None or (self.speed is None and not self.paused)

    def anchor(self, place: int) -> None:
        """Count from here and now."""
        self._asked = self._clock()
        self._from = (self._asked, place)

    def rush(self, to: int) -> None:
        """Play up to that place without waiting, then as before."""
        self._rush_to = to


FRAMES_A_TAKE: Final = 4096
"""Frames taken at a time, so that commands are applied and pictures drawn meanwhile."""

_FASTEST = 1000.0  # our choice: far above what any machine reaches


class ReplaySource:
    """A source of the frames of one log, or of a recorded run with its notes and actions.

    path      the log, or the run's folder as `open_run` read it
    speed     1 as it was recorded; None as fast as it can be worked
    begin_ns, end_ns  the part that is played, in ns from the log's first frame

    log         with the account of its lines
    unreadable  how many notes of the run are not what their kind says, and are left out
    beyond      how many notes are more than are held at once, and are left out

    Raises:
        SourceError: there is no such log.
        UsageError: a speed that is not above 0 and at most 1000.
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
        self.unreadable = self.beyond = 0
        self._notes = () if self._run is None else self._keep_notes(self._run)
        self.log: LogSource = open_log(path if isinstance(path, str) else path.path)
        self.silence_ns = self.log.silence_ns
        self._can_rewind = path != STDIN
        self._begin, self._end = begin_ns, end_ns
        self._pace = PlaybackPace(_check_speed(speed))
        self._cursor = self._open_cursor()
        self._clock_goal: int | None = None
        self._told = 0
        self._stopped = False

    def _keep_notes(self, run: RunFolder) -> tuple[RunNote, ...]:
        """The notes that a replay needs; alarms, of which there may be very many, it finds again."""
        kept: list[RunNote] = []
        for note in run.each_note():
            if not is_readable(note):
                self.unreadable += 1
            elif note.kind != ALARM and len(kept) < MOST_KEPT_NOTES:
                kept.append(note)
            elif note.kind != ALARM:
                self.beyond += 1
        return tuple(kept)

    def check_heard(self, pipeline: Pipeline) -> None:
        """Refuses a log that is of no use with the session, once it has been played.

        Raises:
            SourceError: no frame of the session's lies in the part that was played.
        """
        if not pipeline.decoded:
            raise SourceError(
                f"{self.log.name}: {pipeline.frames} frames, none of the session's; expected some; "
                "mixmon census shows what is in the log"
            )

    @property
    def name(self) -> str:
        """Name of the log or the run."""
        return Path(self.log.name).name

    @property
    def channels(self) -> tuple[str, ...]:
        """Channels seen so far."""
        return self._cursor.channels

    @property
    def hurried(self) -> bool:
        """True when more is due already."""
        return self._pace.hurried and not self._cursor.ended

    @property
    def ended(self) -> bool:
        """True when all has been played."""
        return self._cursor.ended

    @property
    def first_ns(self) -> int | None:
        """Stamp of the log's first frame; None before it was read."""
        return self._cursor.first

    @property
    def duration_s(self) -> float:
        """Seconds of data time that have been played."""
        return (self._cursor.place - (self._cursor.begun or 0)) / SECOND_NS

    @property
    def playing(self) -> Playing:
        """Where it is played: rows stand as far behind the frames as late frames are waited for."""
        place, goal = self._cursor.place, self._pace.goal
        begin = self._cursor.begun or 0
        behind = 0 if self.ended else LATENESS_NS
        return Playing(
            max(place - behind, begin),
            None if goal is None or self.ended or place >= goal else max(goal - LATENESS_NS, begin),
            begin,
        )

    def place_of(self, t: int) -> int:
        """The place of a stamp that has passed."""
        return self._cursor.axis.place_of(t)

    @property
    def position(self) -> float:
        """Share of the log that has been played, 0 to 1; 0 where its size is not known."""
        return self._cursor.share

    def open(self) -> None:
        """Begin to count time."""
        self._pace.anchor(0)

    def take(self) -> list[FrameBlock]:
        """The frames that are due."""
        if self._cursor.begin():
            self._pace.anchor(self._cursor.place)
        most = FRAMES_A_TAKE
        if self._clock_goal is not None:
            most = self._aim_at_clock(self._clock_goal)
        return self._cursor.advance(self._pace.due(self._cursor.place), most)

    def through(self) -> int | None:
        """Stamp of the place that has been reached; at the end, what brings rows as far as they came then."""
        stamp = self._cursor.stamp
        if stamp is None or not self.ended or self._stopped or self._end is not None:
            return stamp
        return max([stamp, *(note.t + LATENESS_NS for note in self._notes if note.kind == WATCHED)])

    def now(self) -> int:
        """Stamp of the place that has been reached; 0 before the first frame."""
        return self._cursor.stamp or 0

    def events(self) -> list[SourceEvent]:
        """None: what happened to the buses when the run was recorded is in its notes."""
        return []

    def notes(self) -> list[RunNote]:
        """Notes that have fallen due since the last call, in the order in which they were written."""
        now, first = self._cursor.stamp, self._told
        while self._told < len(self._notes):
            if not self.ended and (now is None or self._notes[self._told].t > now):
                break
            self._told += 1
        return list(self._notes[first : self._told])

    def actions(self) -> tuple[OperatorAction, ...]:
        """The operator's actions in the recorded run, in stretches of time as this replay counts them."""
        return tuple(action_of(note, self._began) for note in self._notes if note.kind == ACTION)

    def steps(self) -> tuple[StepAction, ...]:
        """What the operator did to the test by fuel steps in the recorded run, likewise."""
        return tuple(step_of(note, self._began) for note in self._notes if note.kind == FUEL_STEP)

    @property
    def _began(self) -> int:
        """The stretch of time in which the run began."""
        return next((n.data.get("stretch", 0) for n in self._notes if n.kind == RECORDING), 0)

    def status(self) -> tuple[SourceStatus, ...]:
        """None."""
        return ()

    def bitrate(self, channel: str) -> int | None:
        """Bits a second of a channel, as the run's folder says; None for a log."""
        buses = () if self._run is None else self._run.manifest.buses
        return next((bus.get("bitrate") for bus in buses if bus.get("name") == channel), None)

    def apply(self, command: ReplayCommand) -> Applied:
        """Apply pause, resume, step, seek or speed; what that brought, in words.

        Raises:
            UsageError: a speed that is not above 0 and at most 1000, or a seek back in standard input.
        """
        match command:
            case Pause():
                self._pace.paused = True
                return Applied("paused")
            case Resume():
                self._pace.paused = False
                self._pace.anchor(self._cursor.place)
                return Applied("resumed")
            case Speed(factor):
                self._pace.speed = _check_speed(factor)
                self._pace.anchor(self._cursor.place)
                return Applied(f"plays {_say_speed(factor)}")
            case Step(seconds):
                self._pace.rush(self._cursor.place + round(seconds * SECOND_NS))
                return Applied(f"plays {seconds:g} s")
            case Seek(seconds, by_clock):
                return self._seek(round(seconds * SECOND_NS), by_clock=by_clock)

    def stop(self) -> None:
        """Take nothing more from the log."""
        self._stopped = True
        self._cursor.stop()

    def _seek(self, to: int, *, by_clock: bool) -> Applied:
        """Go to a place, or to where the clock shows a time first; then rows stand there."""
        goal = max(to, self._cursor.begun or 0) + LATENESS_NS
        back = goal < self._cursor.place
        if by_clock:
            back = self._cursor.axis.jumped or to + LATENESS_NS < (self._cursor.clock or 0)
        if back and not self._can_rewind:
            raise UsageError("standard input cannot be read again; expected a later place; replay a file")
        if back:
            self._cursor, self._told = self._open_cursor(), 0
        self._clock_goal = to + LATENESS_NS if by_clock else None
        self._pace.rush(goal)
        return Applied(f"goes on at {clock_text(to / SECOND_NS)}", restarted=back)

    def _aim_at_clock(self, clock: int) -> int:
        """Rush to where the clock shows that, as it stands; how many frames come before it jumps."""
        coming = self._cursor.next_frame()
        if coming is not None and coming[1] < clock:
            self._pace.rush(coming[0] + clock - coming[1])
            return min(FRAMES_A_TAKE, self._cursor.frames_to_jump())
        self._clock_goal = None
        self._pace.rush(self._cursor.place)
        return FRAMES_A_TAKE

    def _open_cursor(self) -> LogCursor:
        return LogCursor(self.log, self._begin, self._end)


def _check_speed(speed: float | None) -> float | None:
    """The speed.

    Raises:
        UsageError: it is not above 0 and at most 1000.
    """
    if speed is not None and not 0 < speed <= _FASTEST:
        raise UsageError(f"speed {speed:g}: expected a number above 0, up to {_FASTEST:g}, or max")
    return speed


def _say_speed(speed: float | None) -> str:
    return "as fast as possible" if speed is None else f"at {speed:g} times its recorded speed"
