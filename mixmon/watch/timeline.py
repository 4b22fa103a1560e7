"""The time line of a recording: what happened in it, where, and how far that is known.

A place is the time from the first frame of the log as it passes for who watches it, ns: a jump of the stamps
takes as long as it is played. A clock is a stamp less that of the log's first frame; without a jump both are
the same.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from operator import attrgetter

from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.pulls.pulls import Pull
from mixmon.frames.clock import Jump

MOST_MOMENTS = 10_000
"""Our choice: far more than any line has places for; an hour with constant misfire has 3,775 events."""

EVERY_LIFT = frozenset({Kind.FUEL_CUT, Kind.TIP_IN, Kind.TIP_OUT})
"""What every throttle lift brings: it would fill the line."""


class MomentKind(StrEnum):
    """What a moment is, the most pressing first."""

    JUMP = "jump"
    ALARM = "alarm"
    MARK = "mark"
    EVENT = "event"
    PULL = "pull"


@dataclass(frozen=True, slots=True)
class Moment:
    """Something to go to.

    place, end  ns; only a pull has an end of its own
    t           its stamp, ns
    name        rule, kind of event, the operator's words, or how the stamps jump
    cylinders   those concerned; empty for the whole engine
    priority    of an alarm; 0 for all else
    rpm         of a pull: from and to
    """

    kind: MomentKind
    place: int
    end: int
    t: int
    name: str
    cylinders: tuple[int, ...] = ()
    priority: int = 0
    rpm: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class KnownMoments:
    """What is known of a recording by now.

    moments  in order of place
    through  place up to which all are known
    length   place of its end; None until that was read
    failure  why no more will be known; empty while all is well
    """

    moments: tuple[Moment, ...] = ()
    through: int = 0
    length: int | None = None
    failure: str = ""


@dataclass(frozen=True, slots=True)
class Playing:
    """Where a recording is being played.

    place  of the newest row
    goal   place or clock to which it is played without waiting; None: at the speed that was asked for
    begin  place of the first frame of the part that is played
    """

    place: int
    goal: int | None = None
    begin: int = 0


@dataclass(frozen=True, slots=True)
class LogTimeline:
    """Where a recording is being played, and what is known of it."""

    playing: Playing
    known: KnownMoments = field(default_factory=KnownMoments)

    @property
    def reach(self) -> int:
        """Place of the end, as far as that is known; above 0."""
        return max(self.known.length or 0, self.known.through, self.playing.place, 1)

    def beside(self, moment: Moment | None, step: int) -> Moment | None:
        """The moment `step` further than the one given, or than where it is played; None without any."""
        moments = self.known.moments
        if not moments:
            return None
        if moment in moments:
            at = moments.index(moment) + step
        else:
            after = bisect_right(moments, self.playing.place, key=attrgetter("place"))
            at = after if step > 0 else after - 1
        return moments[min(max(at, 0), len(moments) - 1)]


class MomentBook:
    """Moments as they are found, kept in order of place.

    place_of  gives the place of a stamp
    """

    def __init__(self, place_of: Callable[[int], int]) -> None:
        self._place_of = place_of
        self._kept: list[Moment] = []
        self._pulls: set[int] = set()

    def moments(self) -> tuple[Moment, ...]:
        """Those kept."""
        return tuple(self._kept)

    def add_alarms(self, records: Iterable[AlarmEvent]) -> None:
        """Keeps alarms where they are announced."""
        for one in records:
            if one.announced:
                self._add(MomentKind.ALARM, one.t, one.rule, one.cylinders, one.priority)

    def add_events(self, events: Iterable[Event]) -> None:
        """Keeps events but those of every throttle lift."""
        for one in events:
            if one.kind not in EVERY_LIFT:
                self._add(MomentKind.EVENT, one.t, one.kind, () if one.all_nodes else one.cylinders)

    def add_pulls(self, pulls: Iterable[Pull]) -> None:
        """Keeps pulls that were not kept before."""
        for one in pulls:
            if one.begin not in self._pulls:
                self._pulls.add(one.begin)
                self._add(MomentKind.PULL, one.begin, "", rpm=(one.from_rpm, one.to_rpm), end=one.end)

    def add_jumps(self, jumps: Iterable[Jump]) -> None:
        """Keeps jumps of the stamps, each where time goes on."""
        for one in jumps:
            self._add(MomentKind.JUMP, one.begin, one.words)

    def add_mark(self, t: int, words: str) -> None:
        """Keeps a mark or a note of the operator."""
        self._add(MomentKind.MARK, t, words)

    def _add(
        self,
        kind: MomentKind,
        t: int,
        name: str,
        cylinders: tuple[int, ...] = (),
        priority: int = 0,
        *,
        rpm: tuple[float, float] | None = None,
        end: int | None = None,
    ) -> None:
        if len(self._kept) >= MOST_MOMENTS:
            return
        place = self._place_of(t)
        last = place if end is None else place + end - t
        moment = Moment(kind, place, last, t, name, cylinders, priority, rpm)
        at = bisect_right(self._kept, place, key=attrgetter("place"))
        self._kept.insert(at, moment)
