"""The life of all alarms: edges and operator actions in, one record a transition out.

Everything is worked in the order of data time: of what bears the same time, edges come first
(in their own order), then shelves that end and alarms that have stood long enough to be
announced again, then operator actions in the order in which they
were given. An action waits until all rows up to its time have been seen; one that comes behind
them is stamped with the newest row's time, and it is that stamp that must be kept: with it a
replay goes the same way. Nothing here looks at a clock, so no split of the rows can matter.

When a clock was set back between two stretches of time, shelves and rates are moved by the
same step, as though no time had passed; the wait for a re-alarm by a step ahead as well.
"""

from __future__ import annotations

import difflib
import math
from bisect import insort
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from mixmon.arrays import Floats
from mixmon.errors import UsageError
from mixmon.findings.alarms.detect import ENGINE_WIDE, AlarmEdges, EdgeKind
from mixmon.findings.alarms.records import (
    CHATTER_ABOVE,
    Alarm,
    AlarmEvent,
    AlarmList,
    Happening,
    OperatorAction,
    Verb,
)
from mixmon.findings.alarms.states import AlarmFlag, AlarmState, AlarmStep, after
from mixmon.session.alarm_kinds import AlarmKind, kind_of
from mixmon.session.model import AlarmRule, Node

# ----------------------------------------------------------------------------------------------------
# One alarm while it lives: its state, what silences it, and how often it was announced lately.
#
# While any flag is set, the condition is followed but moves nothing. When the last flag goes,
# an active condition is announced as new, whatever was acknowledged before; an inactive one takes
# the step that it would have taken.
# ----------------------------------------------------------------------------------------------------

MINUTE_NS = 60_000_000_000


class Announcements:
    """A rate meter: how many announcements lie within the last `window_ns`."""

    def __init__(self, window_ns: int) -> None:
        self._window = window_ns
        self._times: deque[int] = deque()

    def add(self, t: int) -> None:
        """One more, at t."""
        self._times.append(t)

    def count(self, t: int) -> int:
        """Those later than t less the window; older ones are forgotten."""
        while self._times and self._times[0] <= t - self._window:
            self._times.popleft()
        return len(self._times)

    def shift(self, step: int) -> None:
        """Follow a clock that was set."""
        self._times = deque(t + step for t in self._times)


@dataclass(slots=True)
class Watched:
    """A rule with its kind looked up, and whether its engine state suppresses it now."""

    number: int
    rule: AlarmRule
    kind: AlarmKind = field(init=False)
    suppressed: bool = False

    def __post_init__(self) -> None:
        self.kind = kind_of(self.rule)

    def event(self, stretch: int, t: int, what: Happening, *, since: int, in_ten_minutes: int) -> AlarmEvent:
        """The record of an engine state that suppresses, or releases, all alarms of the rule."""
        return AlarmEvent(
            stretch=stretch,
            t=t,
            rule=self.rule.name,
            priority=self.rule.priority,
            position=None,
            cylinders=(),
            what=what,
            before=None,
            state=None,
            flags=AlarmFlag.SUPPRESSED if self.suppressed else AlarmFlag.NONE,
            active=False,
            announced=False,
            since=since,
            value=math.nan,
            limit=self.rule.limit,
            unit=self.kind.unit,
            in_ten_minutes=in_ten_minutes,
            chattering=False,
            reason=self.rule.suppress_when or "",
        )


@dataclass(slots=True)
class Standing:
    """One alarm: a rule at a node, or for the engine."""

    watched: Watched
    node: int
    position: int | None
    cylinders: tuple[int, ...]
    state: AlarmState = AlarmState.NORMAL
    own_flags: AlarmFlag = AlarmFlag.NONE
    active: bool = False
    since: int | None = None
    changed: int = 0
    announced: int = 0
    value: float = math.nan
    shelved_until: int | None = None
    reason: str = ""
    lately: Announcements = field(default_factory=lambda: Announcements(MINUTE_NS))

    @property
    def flags(self) -> AlarmFlag:
        """Everything that silences it."""
        return self.own_flags | (AlarmFlag.SUPPRESSED if self.watched.suppressed else AlarmFlag.NONE)

    @property
    def shown(self) -> bool:
        """Whether a list of alarms must name it."""
        return self.state is not AlarmState.NORMAL or bool(self.own_flags)

    @property
    def re_alarm_at(self) -> int | None:
        """When it is to be announced again if nothing changes; None: not at all."""
        wait = self.watched.rule.re_alarm_s
        if wait is None or not self.active or self.flags:
            return None
        return self.announced + round(wait * 1e9)

    def announce(self, t: int, *, again: bool) -> None:
        """Count an announcement; one for standing long is no chatter."""
        self.announced = t
        if not again:
            self.lately.add(t)

    def step(self, step: AlarmStep) -> None:
        """Move by the table."""
        self.state = after(self.state, step, latching=self.watched.rule.latching)

    def follow(self, active: bool, since: int, value: float) -> None:
        """Take the condition as it now is."""
        self.active, self.since, self.value = active, since, value
        if not self.flags:
            self.step(AlarmStep.CONDITION_TRUE if active else AlarmStep.CONDITION_FALSE)

    def silence(self, flag: AlarmFlag, reason: str, until: int | None = None) -> None:
        """Set one of its own flags; `until` is the end of a shelf."""
        self.own_flags |= flag
        self.reason = reason
        if flag is AlarmFlag.SHELVED:
            self.shelved_until = until

    def unsilence(self, flag: AlarmFlag) -> None:
        """Take back one of its own flags."""
        self.own_flags &= ~flag
        if flag is AlarmFlag.SHELVED:
            self.shelved_until = None
        if not self.own_flags:
            self.reason = ""

    def speak_again(self) -> bool:
        """Catch up after a flag went, if it was the last; whether the alarm is thereby new."""
        if self.flags:
            return False
        if self.active:
            self.state = AlarmState.UNACKNOWLEDGED
        else:
            self.step(AlarmStep.CONDITION_FALSE)
        return self.active

    def chattering(self, t: int) -> bool:
        """Whether it has been announced too often in the last minute."""
        return self.lately.count(t) > CHATTER_ABOVE

    def pressing(self) -> tuple[int, int, int, int, int]:
        """Sorts alarms: new, acknowledged, cleared, latched, then silenced; priority; newest; place."""
        rank = len(_RANK) + self.flags.value if self.flags else _RANK.index(self.state)
        return rank, self.watched.rule.priority, -self.changed, self.watched.number, self.node

    def event(
        self,
        stretch: int,
        t: int,
        what: Happening,
        *,
        before: AlarmState,
        announced: bool,
        in_ten_minutes: int,
        reason: str,
    ) -> AlarmEvent:
        """The record of what has just moved it from the state `before`."""
        return AlarmEvent(
            stretch=stretch,
            t=t,
            rule=self.watched.rule.name,
            priority=self.watched.rule.priority,
            position=self.position,
            cylinders=self.cylinders,
            what=what,
            before=before,
            state=self.state,
            flags=self.flags,
            active=self.active,
            announced=announced,
            since=self.since,
            value=self.value,
            limit=self.watched.rule.limit,
            unit=self.watched.kind.unit,
            in_ten_minutes=in_ten_minutes,
            chattering=self.chattering(t),
            reason=reason,
        )

    def record(self, t: int, latest: Sequence[Floats]) -> Alarm:
        """As it stands at t; `latest` are the values of all rules in the newest row, none where empty."""
        values = latest[self.watched.number] if latest else ()
        return Alarm(
            rule=self.watched.rule,
            position=self.position,
            cylinders=self.cylinders,
            state=self.state,
            flags=self.flags,
            active=self.active,
            since=self.since,
            changed=self.changed,
            value=self.value,
            value_now=float(values[max(self.node, 0)]) if len(values) else math.nan,
            limit=self.watched.rule.limit,
            unit=self.watched.kind.unit,
            chattering=self.chattering(t),
            shelved_until=self.shelved_until,
            reason=self.reason,
        )


_RANK = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
    AlarmState.NORMAL,
)


_SETS = {
    Verb.SHELVE: (AlarmFlag.SHELVED, Happening.SHELVED),
    Verb.SUPPRESS: (AlarmFlag.SUPPRESSED, Happening.SUPPRESSED),
    Verb.OUT_OF_SERVICE: (AlarmFlag.OUT_OF_SERVICE, Happening.OUT_OF_SERVICE),
}
_TAKES_BACK = {
    Verb.UNSHELVE: (AlarmFlag.SHELVED, Happening.SHELF_ENDED),
    Verb.RELEASE: (AlarmFlag.SUPPRESSED, Happening.RELEASED),
    Verb.IN_SERVICE: (AlarmFlag.OUT_OF_SERVICE, Happening.IN_SERVICE),
}
_STEPS = {
    Verb.ACKNOWLEDGE: (AlarmStep.ACKNOWLEDGE, Happening.ACKNOWLEDGED),
    Verb.RESET: (AlarmStep.RESET, Happening.RESET),
}


class AlarmBook:
    """A stage: `feed` edges and `act` actions; records come back, `current` shows what stands."""

    def __init__(self, rules: Sequence[AlarmRule], nodes: Sequence[Node]) -> None:
        self._watched = [Watched(number, rule) for number, rule in enumerate(rules)]
        self._alarms = {
            (standing.watched.number, standing.node): standing
            for watched in self._watched
            for standing in _standings(watched, nodes)
        }
        self._actions: list[OperatorAction] = []
        self._lately = Announcements(10 * MINUTE_NS)
        self._stretch = 0
        self._until: int | None = None

    def act(self, action: OperatorAction) -> OperatorAction:
        """The action as it will be worked and must be recorded: stamped not behind the rows seen.

        Raises:
            UsageError: there is no such alarm.
        """
        self._check(action)
        if self._until is not None and _moment(action) < (self._stretch, self._until):
            action = replace(action, stretch=self._stretch, t=self._until)
        insort(self._actions, action, key=_moment)
        return action

    def feed(self, edges: AlarmEdges, *, stretch: int, first: int, until: int) -> tuple[AlarmEvent, ...]:
        """The records of the rows from `first` to `until`, all of one stretch of time, and their edges."""
        records = list(self._enter(stretch, first))
        for i, t in enumerate(edges.t.tolist()):
            records += self._through(t - 1)
            records += self._edge(edges, i)
        records += self._through(until)
        self._until = until
        return tuple(records)

    def result(self) -> tuple[AlarmEvent, ...]:
        """The records of actions that wait for no row: on silent buses none may come for a long time."""
        return () if self._until is None else tuple(self._through(self._until))

    def flush(self) -> tuple[AlarmEvent, ...]:
        """The records of actions that are stamped behind the last row."""
        records: list[AlarmEvent] = []
        while self._actions:
            records += self._enter(self._actions[0].stretch, self._actions[0].t)
            self._until = max(self._actions[0].t, self._until or 0)
            records += self._through(self._until)
        return tuple(records)

    def current(self, latest: Sequence[Floats] = ()) -> AlarmList:
        """All that is not simply normal after the rows seen so far.

        latest  the value of each rule in the newest row, as the detector gives them
        """
        now = self._until or 0
        shown = sorted((a for a in self._alarms.values() if a.shown), key=Standing.pressing)
        return AlarmList(
            stretch=self._stretch,
            t=now,
            alarms=tuple(alarm.record(now, latest) for alarm in shown),
            suppressed=tuple(watched.rule.name for watched in self._watched if watched.suppressed),
            in_ten_minutes=self._lately.count(now),
        )

    def silences(self) -> tuple[OperatorAction, ...]:
        """The actions that would silence a new book as this one is silenced now by the operator."""
        t = self._until or 0
        return tuple(
            OperatorAction(
                t,
                verb,
                alarm.watched.rule.name,
                alarm.position,
                alarm.shelved_until - t if verb is Verb.SHELVE and alarm.shelved_until is not None else None,
                alarm.reason,
                self._stretch,
            )
            for alarm in self._alarms.values()
            for verb, (flag, _) in _SETS.items()
            if flag in alarm.own_flags
        )

    def _enter(self, stretch: int, first: int) -> Iterator[AlarmEvent]:
        """Finish the stretch before, and follow a clock that was set back."""
        while self._actions and self._actions[0].stretch < stretch:
            action = self._actions[0]
            self._stretch, self._until = action.stretch, action.t
            yield from self._through(action.t)
        if stretch != self._stretch and self._until is not None and first < self._until:
            self._shift(first - self._until)
        if stretch != self._stretch and self._until is not None:
            for alarm in self._alarms.values():
                alarm.announced += first - self._until
        self._stretch = stretch

    def _shift(self, step: int) -> None:
        self._lately.shift(step)
        for alarm in self._alarms.values():
            alarm.lately.shift(step)
            if alarm.shelved_until is not None:
                alarm.shelved_until += step

    def _through(self, t: int) -> Iterator[AlarmEvent]:
        """What falls due, and actions given, up to and with t."""
        while self._actions and _moment(self._actions[0]) <= (self._stretch, t):
            action = self._actions.pop(0)
            yield from self._fall_due(action.t)
            yield from self._work(action)
        yield from self._fall_due(t)

    def _fall_due(self, t: int) -> Iterator[AlarmEvent]:
        """Ends of shelves and re-alarms up to and with t, one after the other: each can bring the next."""
        while (due := min(self._due(), default=None)) is not None and due[0] <= t:
            end, is_re_alarm, key = due
            alarm = self._alarms[key]
            if is_re_alarm:
                before = alarm.state
                alarm.step(AlarmStep.RE_ALARM)
                yield self._record(alarm, end, Happening.RE_ALARMED, before, announced=True)
            else:
                yield from self._take_back(alarm, end, AlarmFlag.SHELVED, Happening.SHELF_ENDED)

    def _due(self) -> Iterator[tuple[int, bool, tuple[int, int]]]:
        for key, alarm in self._alarms.items():
            if alarm.shelved_until is not None:
                yield alarm.shelved_until, False, key
            if (again := alarm.re_alarm_at) is not None:
                yield again, True, key

    def _edge(self, edges: AlarmEdges, i: int) -> Iterator[AlarmEvent]:
        kind, rule, node = EdgeKind(int(edges.kind[i])), int(edges.rule[i]), int(edges.node[i])
        t, since = int(edges.t[i]), int(edges.since[i])
        if kind in {EdgeKind.SUPPRESS, EdgeKind.RELEASE}:
            yield from self._suppression(self._watched[rule], t, since, on=kind is EdgeKind.SUPPRESS)
            return
        alarm, active = self._alarms[rule, node], kind is EdgeKind.RAISE
        before = alarm.state
        alarm.follow(active=active, since=since, value=float(edges.value[i]))
        what = Happening.CONDITION_TRUE if active else Happening.CONDITION_FALSE
        yield self._record(alarm, t, what, before, announced=active and not alarm.flags)
        if not active and alarm.shelved_until is None:
            yield from self._take_back(alarm, t, AlarmFlag.SHELVED, Happening.SHELF_ENDED)

    def _suppression(self, watched: Watched, t: int, since: int, *, on: bool) -> Iterator[AlarmEvent]:
        watched.suppressed = on
        what = Happening.SUPPRESSED if on else Happening.RELEASED
        yield watched.event(self._stretch, t, what, since=since, in_ten_minutes=self._lately.count(t))
        if not on:
            for alarm in self._of(watched):
                before = alarm.state
                announced = alarm.speak_again()
                if announced or alarm.state is not before:
                    yield self._record(alarm, t, what, before, announced=announced)

    def _work(self, action: OperatorAction) -> Iterator[AlarmEvent]:
        watched = next(w for w in self._watched if w.rule.name == action.rule)
        for alarm in self._of(watched):
            if action.position in {None, alarm.position}:
                yield from self._work_on(alarm, action)

    def _work_on(self, alarm: Standing, action: OperatorAction) -> Iterator[AlarmEvent]:
        """What an action does to one alarm; nothing, where it changes nothing."""
        before = alarm.state
        if action.verb in _STEPS:
            step, what = _STEPS[action.verb]
            alarm.step(step)
            if alarm.state is not before:
                yield self._record(alarm, action.t, what, before, reason=action.reason)
        elif action.verb in _SETS:
            flag, what = _SETS[action.verb]
            if flag is AlarmFlag.SHELVED or flag not in alarm.own_flags:
                ends = None if action.duration_ns is None else action.t + action.duration_ns
                alarm.silence(flag, action.reason, ends)
                yield self._record(alarm, action.t, what, before, reason=action.reason)
        else:
            flag, what = _TAKES_BACK[action.verb]
            yield from self._take_back(alarm, action.t, flag, what, action.reason)

    def _take_back(
        self, alarm: Standing, t: int, flag: AlarmFlag, what: Happening, reason: str = ""
    ) -> Iterator[AlarmEvent]:
        if flag in alarm.own_flags:
            before = alarm.state
            alarm.unsilence(flag)
            announced = alarm.speak_again()
            yield self._record(alarm, t, what, before, announced=announced, reason=reason)

    def _record(
        self,
        alarm: Standing,
        t: int,
        what: Happening,
        before: AlarmState,
        *,
        announced: bool = False,
        reason: str = "",
    ) -> AlarmEvent:
        alarm.changed = t
        if announced:
            self._lately.add(t)
            alarm.announce(t, again=what is Happening.RE_ALARMED)
        return alarm.event(
            self._stretch,
            t,
            what,
            before=before,
            announced=announced,
            in_ten_minutes=self._lately.count(t),
            reason=reason,
        )

    def _of(self, watched: Watched) -> list[Standing]:
        return [alarm for alarm in self._alarms.values() if alarm.watched is watched]

    def _check(self, action: OperatorAction) -> None:
        names = [watched.rule.name for watched in self._watched]
        if action.rule not in names:
            near = difflib.get_close_matches(action.rule, names, n=1)
            expected = f"'{near[0]}'" if near else "one of " + (", ".join(names) or "no alarms at all")
            raise UsageError(f"{action.verb.value}: no alarm is named '{action.rule}'; expected {expected}")
        places = [a.position for a in self._of(self._watched[names.index(action.rule)])]
        if action.position is not None and action.position not in places:
            known = ", ".join(str(place) for place in places if place is not None) or "none: leave it out"
            raise UsageError(
                f"{action.verb.value} '{action.rule}': position {action.position}; "
                f"expected a position of the chain ({known})"
            )


def _moment(action: OperatorAction) -> tuple[int, int]:
    return action.stretch, action.t


def _standings(watched: Watched, nodes: Sequence[Node]) -> Iterator[Standing]:
    if not watched.kind.per_node:
        yield Standing(watched, ENGINE_WIDE, None, ())
        return
    for number, node in enumerate(nodes):
        yield Standing(watched, number, node.position, node.cylinders)
