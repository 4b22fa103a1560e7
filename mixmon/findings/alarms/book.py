"""The life of all alarms: edges and operator actions in, one record a transition out.

Wants: a replay of the rows and actions of a run gives the same records, however the rows are split.
Nothing here looks at a clock. Everything is worked in the order of data time; at one time edges come first
(in their own order), then shelves that end and alarms that are due for a re-alarm, then operator actions in
the order in which they were given. An action waits until all rows up to its time have been seen; one that
comes later is stamped with the time of the newest row, and that stamp must be recorded.

When the clock was set back between two stretches of time, the ends of shelves and the rates move by the same
step, as if no time had passed; the wait for a re-alarm also moves with a step ahead.
"""

from __future__ import annotations

import difflib
import math
from bisect import insort
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from mixmon.arrays import SECOND_NS, Floats
from mixmon.errors import UsageError
from mixmon.findings.alarms.detect import ENGINE_WIDE, AlarmEdges, EdgeKind
from mixmon.findings.alarms.measures import PacesAt, needs_engine
from mixmon.findings.alarms.misfire import CONCLUDED_NS, NEAR_NS, MisfireMark, mark_by_event
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
from mixmon.findings.events.event import Event
from mixmon.findings.response.sensors import SensorPace
from mixmon.session.alarm_kinds import (
    MISFIRE_ADVICE,
    MISFIRE_BESIDE_LEAN,
    SILENCE_WORDS,
    AlarmKind,
    RangeEnd,
    SilenceCause,
    TailAlarm,
    kind_of,
)
from mixmon.session.model import AlarmRule, Node

# ----------------------------------------------------------------------------------------------------
# One alarm: its state, what silences it, and how often it was announced.
#
# While any flag is set, the condition is followed but moves nothing. When the last flag is taken back, an
# active condition is announced as new, even where it was acknowledged before; an inactive one takes the step
# that it would have taken.
# ----------------------------------------------------------------------------------------------------

MINUTE_NS = 60 * SECOND_NS
"""The time in which chatter is counted, and a tenth of that in which floods are (ISA-18.2, second-hand)."""


class Announcements:
    """A rate meter: how many announcements lie within the last `window_ns`."""

    def __init__(self, window_ns: int) -> None:
        self._window = window_ns
        self._times: deque[int] = deque()

    def add(self, t: int) -> None:
        """Counts one announcement at t."""
        self._times.append(t)

    def count(self, t: int) -> int:
        """How many are later than t less the window; older ones are dropped."""
        while self._times and self._times[0] <= t - self._window:
            self._times.popleft()
        return len(self._times)

    def shift(self, step: int) -> None:
        """Moves all times by a step of the clock."""
        self._times = deque(t + step for t in self._times)


@dataclass(slots=True)
class WatchedRule:
    """A rule with its kind, and whether an engine state, or an alarm that explains it, suppresses it now.

    explained_by  name of the alarm of all nodes, or of the engine, while it stands; else empty
    with_chain    of the engine's silence: the chain that is silent explains it
    """

    number: int
    rule: AlarmRule
    kind: AlarmKind = field(init=False)
    in_state: bool = False
    explained_by: str = ""
    with_chain: bool = False

    def __post_init__(self) -> None:
        self.kind = kind_of(self.rule)

    @property
    def suppressed(self) -> bool:
        """Whether all its alarms are suppressed by design."""
        return self.in_state or bool(self.explained_by)

    @property
    def shown_name(self) -> str:
        """Its name, with the alarm that explains it."""
        return f"{self.rule.name} (by {self.explained_by})" if self.explained_by else self.rule.name

    def event(
        self, stretch: int, t: int, what: Happening, *, since: int, in_ten_minutes: int, reason: str
    ) -> AlarmEvent:
        """The record of what suppresses or releases all alarms of the rule: an engine state, or an alarm."""
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
            reason=reason,
        )


@dataclass(slots=True)
class LiveAlarm:
    """One alarm: a rule at a node, for all nodes at once, for the last ones, or for the engine.

    node          its number; ENGINE_WIDE; -k for the last k nodes, as in `AlarmEdges`
    explained_by  names of the alarms of the last nodes that stand and explain this one
    """

    watched: WatchedRule
    node: int
    position: int | None
    cylinders: tuple[int, ...]
    short: str = ""
    state: AlarmState = AlarmState.NORMAL
    own_flags: AlarmFlag = AlarmFlag.NONE
    active: bool = False
    since: int | None = None
    changed: int = 0
    announced: int = 0
    value: float = math.nan
    raised: float = math.nan
    misfire: MisfireMark | None = None
    lean_before: bool = False
    explained: str = ""
    marked: tuple[int, int] = (-1, 0)
    began: tuple[int, int] = (-1, 0)
    shelved_until: int | None = None
    reason: str = ""
    explained_by: set[str] = field(default_factory=set)
    lately: Announcements = field(default_factory=lambda: Announcements(MINUTE_NS))

    @property
    def flags(self) -> AlarmFlag:
        """Everything that silences it."""
        by_design = self.watched.suppressed or bool(self.explained_by)
        return self.own_flags | (AlarmFlag.SUPPRESSED if by_design else AlarmFlag.NONE)

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
        """Counts an announcement; a re-alarm does not count as chatter."""
        self.announced = t
        if not again:
            self.lately.add(t)

    def step(self, step: AlarmStep) -> None:
        """Move by the table."""
        self.state = after(self.state, step, latching=self.watched.rule.latching)

    def follow(self, active: bool, since: int, value: float, now: tuple[int, int]) -> None:
        """Takes the condition as it is at `now`, and makes its step unless the alarm is silenced.

        now  stretch and ns
        """
        self.active, self.since, self.value = active, since, value
        if active:
            self.raised, self.began = value, (now[0], since)
            self.misfire = self.misfire if self.marked == now else None
            self.lean_before = False
        if not self.flags:
            self.step(AlarmStep.CONDITION_TRUE if active else AlarmStep.CONDITION_FALSE)

    def stood_before(self, moment: tuple[int, int]) -> bool:
        """Whether it began too long before that moment to be raised by what came then."""
        return self.began[0] == moment[0] and self.began[1] < moment[1] - NEAR_NS

    def silence(self, flag: AlarmFlag, reason: str, until: int | None = None) -> None:
        """Sets one of the operator's flags; `until` is the end of a shelf."""
        self.own_flags |= flag
        self.reason = reason
        if flag is AlarmFlag.SHELVED:
            self.shelved_until = until

    def unsilence(self, flag: AlarmFlag) -> None:
        """Takes back one of the operator's flags."""
        self.own_flags &= ~flag
        if flag is AlarmFlag.SHELVED:
            self.shelved_until = None
        if not self.own_flags:
            self.reason = ""

    def catch_up(self) -> bool:
        """Catches up after the last flag was taken back; whether the alarm is new by that."""
        if self.flags:
            return False
        if self.active:
            self.state = AlarmState.UNACKNOWLEDGED
        else:
            self.step(AlarmStep.CONDITION_FALSE)
        return self.active

    def chattering(self, t: int) -> bool:
        """Whether it was announced too often in the last minute."""
        return self.lately.count(t) > CHATTER_ABOVE

    def pressing(self) -> tuple[int, int, int, int, int]:
        """Sort key: new, acknowledged, cleared, latched, then silenced; by priority, newest first, place."""
        rank = len(_PRESSING_STATES) + self.flags.value if self.flags else _PRESSING_STATES.index(self.state)
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
        pace: SensorPace | None,
    ) -> AlarmEvent:
        """The record of the transition from the state `before`."""
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
            all_nodes=self.all_nodes,
            misfire=self.misfire,
            lean_before=self.lean_before,
            pace=pace,
        )

    def record(self, t: int, latest: Sequence[Floats], pace: SensorPace | None) -> Alarm:
        """The alarm at t; `latest` are the values of all rules in the newest row, none where empty."""
        values = latest[self.watched.number] if latest else ()
        return Alarm(
            rule=self._shown_rule(),
            position=self.position,
            cylinders=self.cylinders,
            state=self.state,
            flags=self.flags,
            active=self.active,
            since=self.since,
            changed=self.changed,
            value=self.raised,
            value_now=float(values[self.node]) if len(values) else math.nan,
            limit=self.watched.rule.limit,
            unit=self.watched.kind.unit,
            chattering=self.chattering(t),
            shelved_until=self.shelved_until,
            reason=self.reason,
            all_nodes=self.all_nodes,
            misfire=self.misfire,
            lean_before=self.lean_before,
            explained=self.explained,
            short=self.short,
            pace=pace,
        )

    @property
    def all_nodes(self) -> bool:
        """Whether it is of all nodes at once, beside those of single nodes."""
        return self.node == ENGINE_WIDE and self.watched.kind.per_node

    @property
    def of_engine(self) -> bool:
        """Whether it says that nothing is known of the engine."""
        return bool(self.watched.kind.no_engine)

    @property
    def of_tail(self) -> bool:
        """Whether it is of the last nodes of the chain at once."""
        return self.node < ENGINE_WIDE

    def _shown_rule(self) -> AlarmRule:
        """The rule, with other words where a cause is known, or a misfire may be one."""
        rule = self.watched.rule
        if self.explained:
            sender = "the engine's controller" if self.of_engine else "the whole chain"
            words = SILENCE_WORDS[SilenceCause(self.explained)]
            cause, response = (word.format(sender=sender) for word in words)
            return replace(rule, cause=cause, response=response)
        if self.misfire in {MisfireMark.SUSPECTED, MisfireMark.CONFIRMED}:
            cause, consequence, response = MISFIRE_ADVICE
            if self.lean_before:
                cause, consequence, response = (
                    f"{own}; {added}"
                    for own, added in zip(
                        (rule.cause, rule.consequence, rule.response), MISFIRE_BESIDE_LEAN, strict=True
                    )
                )
            return replace(rule, cause=cause, consequence=consequence, response=response)
        return rule


_PRESSING_STATES = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
    AlarmState.NORMAL,
)


_SILENCING_VERBS = {
    Verb.SHELVE: (AlarmFlag.SHELVED, Happening.SHELVED),
    Verb.SUPPRESS: (AlarmFlag.SUPPRESSED, Happening.SUPPRESSED),
    Verb.OUT_OF_SERVICE: (AlarmFlag.OUT_OF_SERVICE, Happening.OUT_OF_SERVICE),
}
_UNSILENCING_VERBS = {
    Verb.UNSHELVE: (AlarmFlag.SHELVED, Happening.SHELF_ENDED),
    Verb.RELEASE: (AlarmFlag.SUPPRESSED, Happening.RELEASED),
    Verb.IN_SERVICE: (AlarmFlag.OUT_OF_SERVICE, Happening.IN_SERVICE),
}
_STEPPING_VERBS = {
    Verb.ACKNOWLEDGE: (AlarmStep.ACKNOWLEDGE, Happening.ACKNOWLEDGED),
    Verb.RESET: (AlarmStep.RESET, Happening.RESET),
}


class AlarmBook:
    """A stage: edges (`feed`) and actions (`act`) in, records out; `current` lists the alarms."""

    def __init__(
        self, rules: Sequence[AlarmRule], nodes: Sequence[Node], paces_at: PacesAt | None = None
    ) -> None:
        self._paces_at = paces_at
        self._watched = [WatchedRule(number, rule) for number, rule in enumerate(rules)]
        self._alarms = {
            (alarm.watched.number, alarm.node): alarm
            for watched in self._watched
            for alarm in _make_live_alarms(watched, nodes, self._name_common(watched))
        }
        self._commons = [alarm for alarm in self._alarms.values() if alarm.all_nodes]
        self._tails = [alarm for alarm in self._alarms.values() if alarm.of_tail]
        self._engines = [alarm for alarm in self._alarms.values() if alarm.of_engine]
        self._released: list[LiveAlarm] = []
        self._actions: list[OperatorAction] = []
        self._conclusions: list[Conclusion] = []
        self._last_ten_minutes = Announcements(10 * MINUTE_NS)
        self._stretch = 0
        self._until: int | None = None

    def _name_common(self, watched: WatchedRule) -> str:
        """The name of a rule's alarm of all nodes, which no rule has, nor the same of a rule before it."""
        name = watched.kind.common.name if watched.kind.common else ""
        before = self._watched[: watched.number]
        taken = {one.rule.name for one in self._watched} | {
            one.kind.common.name for one in before if one.kind.common
        }
        return f"{name} ({watched.rule.name})" if name in taken else name

    def act(self, action: OperatorAction) -> OperatorAction:
        """The action as it is worked and must be recorded: stamped no earlier than the newest row.

        Raises:
            UsageError: there is no such alarm.
        """
        self._refuse_unknown_alarm(action)
        if self._until is not None and _moment_of_action(action) < (self._stretch, self._until):
            action = replace(action, stretch=self._stretch, t=self._until)
        insort(self._actions, action, key=_moment_of_action)
        return action

    def conclude(self, event: Event, stretch: int) -> None:
        """Takes an event of that stretch of time, which says later what had raised a lean alarm."""
        mark = mark_by_event(event)
        if mark in _MARK_HAPPENINGS:
            insort(self._conclusions, Conclusion(stretch, event.end + CONCLUDED_NS, event, mark), key=_due)

    def feed(self, edges: AlarmEdges, *, stretch: int, first: int, until: int) -> tuple[AlarmEvent, ...]:
        """The records of the rows from `first` to `until`, all of one stretch of time, and their edges."""
        records = list(self._enter_stretch(stretch, first))
        for i, t in enumerate(edges.t.tolist()):
            records += self._work_until(t - 1)
            records += self._follow_edge(edges, i)
            if i + 1 == len(edges) or edges.t[i + 1] != t:
                records += self._release_explained(t)
        records += self._work_until(until)
        self._until = until
        return tuple(records)

    def result(self) -> tuple[AlarmEvent, ...]:
        """The records of actions that are due without a further row, as none may come on silent buses."""
        return () if self._until is None else tuple(self._work_until(self._until))

    def flush(self) -> tuple[AlarmEvent, ...]:
        """The records of actions later than the last row, and of conclusions, at the last row."""
        records: list[AlarmEvent] = []
        while self._conclusions:
            one = self._conclusions.pop(0)
            records += self._work_conclusion(one, one.t if self._until is None else self._until)
        while self._actions:
            records += self._enter_stretch(self._actions[0].stretch, self._actions[0].t)
            self._until = max(self._actions[0].t, self._until or 0)
            records += self._work_until(self._until)
        return tuple(records)

    def current(self, latest: Sequence[Floats] = ()) -> AlarmList:
        """All alarms that are not simply normal after the rows seen so far.

        latest  the value of each rule in the newest row, as the detector gives them
        """
        now = self._until or 0
        shown = sorted((a for a in self._alarms.values() if a.shown), key=LiveAlarm.pressing)
        return AlarmList(
            stretch=self._stretch,
            t=now,
            alarms=tuple(alarm.record(now, latest, self._find_pace(alarm, now)) for alarm in shown),
            suppressed=(
                *(watched.shown_name for watched in self._watched if watched.suppressed),
                *(self._name_suppressed(tail) for tail in self._tails if tail.active and not tail.flags),
            ),
            in_ten_minutes=self._last_ten_minutes.count(now),
        )

    def silences(self) -> tuple[OperatorAction, ...]:
        """The actions that silence a new book as the operator has silenced this one."""
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
            for verb, (flag, _) in _SILENCING_VERBS.items()
            if flag in alarm.own_flags
        ) + tuple(
            self._name_cause(alarm, t, alarm.explained)
            for alarm in (*self._commons, *self._engines)
            if alarm.explained
        )

    def explain(self, t: int, cause: str, *, of_engine: bool = False) -> tuple[OperatorAction, ...]:
        """The actions that say why all nodes, or else the engine, are silent, from t ns on.

        cause  a `SilenceCause`, or nothing
        """
        told = self._engines if of_engine else self._commons
        return tuple(self._name_cause(alarm, t, cause) for alarm in told)

    def _name_cause(self, alarm: LiveAlarm, t: int, cause: str) -> OperatorAction:
        return OperatorAction(t, Verb.EXPLAIN, alarm.watched.rule.name, reason=cause, stretch=self._stretch)

    def _enter_stretch(self, stretch: int, first: int) -> Iterator[AlarmEvent]:
        """Finishes the stretch before, and follows a clock that was set back."""
        while self._conclusions and self._conclusions[0].stretch < stretch:
            one = self._conclusions.pop(0)
            yield from self._work_conclusion(one, self._until or one.t)
        while self._actions and self._actions[0].stretch < stretch:
            action = self._actions[0]
            self._stretch, self._until = action.stretch, action.t
            yield from self._work_until(action.t)
        if stretch != self._stretch and self._until is not None:
            step = first - self._until
            self._shift_clock(min(step, 0))
            for alarm in self._alarms.values():
                alarm.announced += step
        self._stretch = stretch

    def _shift_clock(self, step: int) -> None:
        self._last_ten_minutes.shift(step)
        for alarm in self._alarms.values():
            alarm.lately.shift(step)
            if alarm.shelved_until is not None:
                alarm.shelved_until += step

    def _work_until(self, t: int) -> Iterator[AlarmEvent]:
        """The records of due times, conclusions and actions up to and including t."""
        while self._conclusions and _due(self._conclusions[0]) <= (self._stretch, t):
            one = self._conclusions.pop(0)
            yield from self._work_actions_until(min(one.t, t))
            yield from self._work_conclusion(one, max(one.t, self._until or one.t))
        yield from self._work_actions_until(t)

    def _work_actions_until(self, t: int) -> Iterator[AlarmEvent]:
        while self._actions and _moment_of_action(self._actions[0]) <= (self._stretch, t):
            action = self._actions.pop(0)
            yield from self._work_due_times(action.t)
            yield from self._work_action(action)
        yield from self._work_due_times(t)

    def _work_due_times(self, t: int) -> Iterator[AlarmEvent]:
        """The records of ended shelves and re-alarms up to and including t; each can cause the next."""
        while (due := min(self._each_due_time(), default=None)) is not None and due[0] <= t:
            end, is_re_alarm, key = due
            alarm = self._alarms[key]
            if is_re_alarm:
                before = alarm.state
                alarm.step(AlarmStep.RE_ALARM)
                yield self._record_transition(alarm, end, Happening.RE_ALARMED, before, announced=True)
            else:
                yield from self._take_back(alarm, end, AlarmFlag.SHELVED, Happening.SHELF_ENDED)

    def _each_due_time(self) -> Iterator[tuple[int, bool, tuple[int, int]]]:
        for key, alarm in self._alarms.items():
            if alarm.shelved_until is not None:
                yield alarm.shelved_until, False, key
            if (again := alarm.re_alarm_at) is not None:
                yield again, True, key

    def _follow_edge(self, edges: AlarmEdges, i: int) -> Iterator[AlarmEvent]:
        kind, rule, node = EdgeKind(int(edges.kind[i])), int(edges.rule[i]), int(edges.node[i])
        t, since = int(edges.t[i]), int(edges.since[i])
        if kind in {EdgeKind.SUPPRESS, EdgeKind.RELEASE}:
            yield from self._follow_suppression(self._watched[rule], t, since, on=kind is EdgeKind.SUPPRESS)
            return
        if kind in {EdgeKind.WITH_CHAIN, EdgeKind.WITHOUT_CHAIN}:
            self._watched[rule].with_chain = kind is EdgeKind.WITH_CHAIN
            yield from self._follow_engine_with_chain(self._watched[rule], t)
            return
        alarm, active = self._alarms[rule, node], kind is EdgeKind.RAISE
        before, now = alarm.state, (self._stretch, t)
        if kind is EdgeKind.MARK:
            alarm.misfire, alarm.marked = MisfireMark.SUSPECTED, now
            alarm.lean_before = alarm.active and alarm.stood_before(now)
            if alarm.active:
                yield self._record_transition(alarm, t, Happening.MISFIRE_SUSPECTED, before)
            return
        alarm.follow(active=active, since=since, value=float(edges.value[i]), now=now)
        what = Happening.CONDITION_TRUE if active else Happening.CONDITION_FALSE
        yield self._record_transition(alarm, t, what, before, announced=active and not alarm.flags)
        if not active and alarm.shelved_until is None:
            yield from self._take_back(alarm, t, AlarmFlag.SHELVED, Happening.SHELF_ENDED)
        if not active and (alarm.all_nodes or alarm.of_tail or alarm.of_engine):
            self._released.append(alarm)
        elif alarm.all_nodes or alarm.of_engine:
            yield from self._follow_common(alarm, t, since)
        elif alarm.of_tail:
            yield from self._follow_tail(alarm, t)

    def _follow_common(self, common: LiveAlarm, t: int, since: int) -> Iterator[AlarmEvent]:
        """The alarm of all nodes suppresses those of its rule while it stands, and until the row is over.

        That of the engine so suppresses those of the rules that cannot be judged without it.
        """
        reason = common.watched.rule.name
        for watched in self._rules_under(common):
            if not watched.explained_by:
                for one in (watched, *self._tails_of(watched)):
                    one.explained_by = reason
                yield self._record_suppression(watched, t, since, reason, on=True)
        for engine in () if common.of_engine else self._engines:
            yield from self._follow_engine_with_chain(engine.watched, t)

    def _follow_engine_with_chain(self, watched: WatchedRule, t: int) -> Iterator[AlarmEvent]:
        """The alarm of all nodes suppresses that of an engine that fell silent with them."""
        chain = next((common for common in self._commons if common.active), None)
        if watched.with_chain and chain and not watched.explained_by:
            watched.explained_by = chain.watched.rule.name
            yield self._record_suppression(watched, t, t, watched.explained_by, on=True)
        elif watched.explained_by and not watched.with_chain:
            yield from self._release_rule(watched, t)

    def _rules_under(self, common: LiveAlarm) -> list[WatchedRule]:
        """The rules whose alarms one of all nodes, or of the engine, explains."""
        if common.of_engine:
            return [watched for watched in self._watched if needs_engine(watched.rule)]
        return [self._watched[common.watched.number]]

    def _follow_tail(self, tail: LiveAlarm, t: int) -> Iterator[AlarmEvent]:
        """The alarm of the last nodes suppresses theirs while it stands, and until the row is over."""
        reason = tail.watched.rule.name
        for alarm in self._nodes_in(tail):
            shown = alarm.active and not alarm.flags
            alarm.explained_by.add(reason)
            if shown:
                yield self._record_transition(alarm, t, Happening.SUPPRESSED, alarm.state, reason=reason)

    def _release_explained(self, t: int) -> Iterator[AlarmEvent]:
        """The records of alarms that no longer are explained by one of all nodes, the last, or the engine."""
        while self._released:
            ended = self._released.pop()
            if ended.of_tail:
                for alarm in self._nodes_in(ended):
                    alarm.explained_by.discard(ended.watched.rule.name)
                    yield from self._catch_up_one(alarm, t)
                continue
            if ended.of_engine and any(alarm.active for alarm in self._engines):
                continue
            for watched in self._rules_under(ended):
                yield from self._release_rule(watched, t)

    def _release_rule(self, watched: WatchedRule, t: int) -> Iterator[AlarmEvent]:
        """The records of a rule that another alarm suppressed by design until now."""
        reason = watched.explained_by
        for one in (watched, *self._tails_of(watched)):
            one.explained_by = ""
        yield self._record_suppression(watched, t, t, reason, on=False)
        for one in (*self._tails_of(watched), watched):
            yield from self._catch_up(one, t)

    def _tails_of(self, watched: WatchedRule) -> list[WatchedRule]:
        """The alarms of the last nodes beside a rule."""
        return [tail.watched for tail in self._tails if tail.watched.number == watched.number]

    def _nodes_in(self, tail: LiveAlarm) -> list[LiveAlarm]:
        """The alarms of the single nodes that an alarm of the last nodes is of."""
        single = [a for (rule, node), a in self._alarms.items() if rule == tail.watched.number and node >= 0]
        return single[tail.node :]

    def _name_suppressed(self, tail: LiveAlarm) -> str:
        """The rule and the nodes that an alarm of the last nodes suppresses, and its short name."""
        where = ", ".join(str(alarm.position) for alarm in self._nodes_in(tail))
        return f"{self._watched[tail.watched.number].rule.name} at {where} (by {tail.short})"

    def _work_conclusion(self, one: Conclusion, t: int) -> Iterator[AlarmEvent]:
        """The records of lean alarms that an event explains: confirmed, or withdrawn."""
        event, what = one.event, _MARK_HAPPENINGS[one.mark]
        for (_, node), alarm in self._alarms.items():
            lean = alarm.watched.kind.bound is RangeEnd.LEAN and (event.all_nodes or node in event.nodes)
            if lean and one.concerns(alarm) and one.mark in _MARKS_AFTER[alarm.misfire]:
                alarm.misfire, alarm.lean_before = one.mark, alarm.stood_before(one.moment)
                yield self._record_transition(alarm, t, what, alarm.state)

    def _follow_suppression(
        self, watched: WatchedRule, t: int, since: int, *, on: bool
    ) -> Iterator[AlarmEvent]:
        commons = (common.watched for common in self._commons)
        shared = [*commons, *self._tails_of(watched)]
        concerned = [watched, *(one for one in shared if one.number == watched.number)]
        for one in concerned:
            one.in_state = on
        yield self._record_suppression(watched, t, since, watched.rule.suppress_when or "", on=on)
        if not on:
            for one in concerned:
                yield from self._catch_up(one, t)

    def _record_suppression(
        self, watched: WatchedRule, t: int, since: int, reason: str, *, on: bool
    ) -> AlarmEvent:
        what, rate = Happening.SUPPRESSED if on else Happening.RELEASED, self._last_ten_minutes.count(t)
        return watched.event(self._stretch, t, what, since=since, in_ten_minutes=rate, reason=reason)

    def _catch_up(self, watched: WatchedRule, t: int) -> Iterator[AlarmEvent]:
        """The records of alarms that a release makes new, or moves on."""
        for alarm in self._alarms_of(watched):
            yield from self._catch_up_one(alarm, t)

    def _catch_up_one(self, alarm: LiveAlarm, t: int) -> Iterator[AlarmEvent]:
        before = alarm.state
        announced = alarm.catch_up()
        if announced or alarm.state is not before:
            yield self._record_transition(alarm, t, Happening.RELEASED, before, announced=announced)

    def _work_action(self, action: OperatorAction) -> Iterator[AlarmEvent]:
        watched = next(w for w in self._addressed() if w.rule.name == action.rule)
        for alarm in self._alarms_of(watched):
            if action.position in {None, alarm.position}:
                yield from self._work_on(alarm, action)

    def _work_on(self, alarm: LiveAlarm, action: OperatorAction) -> Iterator[AlarmEvent]:
        """The records of an action on one alarm; none where it changes nothing."""
        before = alarm.state
        if action.verb in _STEPPING_VERBS:
            step, what = _STEPPING_VERBS[action.verb]
            alarm.step(step)
            if alarm.state is not before:
                yield self._record_transition(alarm, action.t, what, before, reason=action.reason)
        elif action.verb is Verb.EXPLAIN:
            if (alarm.all_nodes or alarm.of_engine) and alarm.explained != action.reason:
                alarm.explained = action.reason
                yield self._record_transition(
                    alarm, action.t, Happening.EXPLAINED, before, reason=action.reason
                )
        elif action.verb in _SILENCING_VERBS:
            flag, what = _SILENCING_VERBS[action.verb]
            if flag is AlarmFlag.SHELVED or flag not in alarm.own_flags:
                ends = None if action.duration_ns is None else action.t + action.duration_ns
                alarm.silence(flag, action.reason, ends)
                yield self._record_transition(alarm, action.t, what, before, reason=action.reason)
        else:
            flag, what = _UNSILENCING_VERBS[action.verb]
            yield from self._take_back(alarm, action.t, flag, what, action.reason)

    def _take_back(
        self, alarm: LiveAlarm, t: int, flag: AlarmFlag, what: Happening, reason: str = ""
    ) -> Iterator[AlarmEvent]:
        if flag in alarm.own_flags:
            before = alarm.state
            alarm.unsilence(flag)
            announced = alarm.catch_up()
            yield self._record_transition(alarm, t, what, before, announced=announced, reason=reason)

    def _record_transition(
        self,
        alarm: LiveAlarm,
        t: int,
        what: Happening,
        before: AlarmState,
        *,
        announced: bool = False,
        reason: str = "",
    ) -> AlarmEvent:
        alarm.changed = t
        if announced:
            self._last_ten_minutes.add(t)
            alarm.announce(t, again=what is Happening.RE_ALARMED)
        return alarm.event(
            self._stretch,
            t,
            what,
            before=before,
            announced=announced,
            in_ten_minutes=self._last_ten_minutes.count(t),
            reason=reason,
            pace=self._find_pace(alarm, t),
        )

    def _find_pace(self, alarm: LiveAlarm, t: int) -> SensorPace | None:
        """What fuel cuts had shown by then of the sensor that an alarm is of."""
        if self._paces_at is None or not alarm.watched.kind.by_cuts:
            return None
        return self._paces_at(self._stretch, t)[alarm.node]

    def _alarms_of(self, watched: WatchedRule) -> list[LiveAlarm]:
        return [alarm for alarm in self._alarms.values() if alarm.watched is watched]

    def _addressed(self) -> list[WatchedRule]:
        """What an action can name: the rules, and the alarms of all nodes and of the last ones."""
        return [*self._watched, *(alarm.watched for alarm in (*self._commons, *self._tails))]

    def _refuse_unknown_alarm(self, action: OperatorAction) -> None:
        addressed = self._addressed()
        names = [watched.rule.name for watched in addressed]
        if action.rule not in names:
            near = difflib.get_close_matches(action.rule, names, n=1)
            known = ", ".join(names[: len(names) - len(self._tails)]) or "no alarms at all"
            expected = f"'{near[0]}'" if near else f"one of {known}"
            raise UsageError(f"{action.verb.value}: no alarm is named '{action.rule}'; expected {expected}")
        places = [a.position for a in self._alarms_of(addressed[names.index(action.rule)])]
        if action.position is not None and action.position not in places:
            known = ", ".join(str(place) for place in places if place is not None) or "none: leave it out"
            raise UsageError(
                f"{action.verb.value} '{action.rule}': position {action.position}; "
                f"expected a position of the chain ({known})"
            )


@dataclass(frozen=True, slots=True)
class Conclusion:
    """What an event says of lean alarms, and when it takes effect: t ns of a stretch of time."""

    stretch: int
    t: int
    event: Event
    mark: MisfireMark

    @property
    def moment(self) -> tuple[int, int]:
        """When the event began."""
        return self.stretch, self.event.t

    def concerns(self, alarm: LiveAlarm) -> bool:
        """Whether the event lies where the alarm was marked or began, or is a misfire while it stands.

        Of an alarm that stood before it was marked, only what lies at the mark says something of it.
        """
        begin, end = self.event.t - NEAR_NS, self.event.end + NEAR_NS
        moments = (alarm.marked,) if alarm.lean_before else (alarm.began, alarm.marked)
        near = any(stretch == self.stretch and begin <= t <= end for stretch, t in moments)
        while_it_stands = alarm.active and alarm.stood_before(self.moment)
        return near or (self.mark is MisfireMark.CONFIRMED and while_it_stands)


_MARKS_AFTER: Mapping[MisfireMark | None, tuple[MisfireMark, ...]] = {
    None: (MisfireMark.CONFIRMED,),
    MisfireMark.SUSPECTED: (MisfireMark.CONFIRMED, MisfireMark.WITHDRAWN),
    MisfireMark.WITHDRAWN: (MisfireMark.CONFIRMED,),
    MisfireMark.CONFIRMED: (),
}
"""What an event can make of a mark: a misfire that was found is not withdrawn by a lean mixture beside it."""

_MARK_HAPPENINGS = {
    MisfireMark.CONFIRMED: Happening.MISFIRE_CONFIRMED,
    MisfireMark.WITHDRAWN: Happening.MISFIRE_WITHDRAWN,
}


def _due(one: Conclusion) -> tuple[int, int]:
    return one.stretch, one.t


def _moment_of_action(action: OperatorAction) -> tuple[int, int]:
    return action.stretch, action.t


def _make_live_alarms(watched: WatchedRule, nodes: Sequence[Node], name: str) -> Iterator[LiveAlarm]:
    """The alarms of a rule; `name` is that of the alarm of all nodes."""
    if not watched.kind.per_node:
        yield LiveAlarm(watched, ENGINE_WIDE, None, ())
        return
    for number, node in enumerate(nodes):
        yield LiveAlarm(watched, number, node.position, node.cylinders)
    common = watched.kind.common
    if common and len(nodes) > 1:
        rule = replace(
            watched.rule,
            name=name,
            priority=common.priority,
            cause=common.cause,
            consequence=common.consequence,
            response=common.response,
        )
        yield LiveAlarm(WatchedRule(watched.number, rule), ENGINE_WIDE, None, ())
    if watched.kind.tail:
        yield from _make_tail_alarms(watched, watched.kind.tail, nodes, name)


def _make_tail_alarms(
    watched: WatchedRule, words: TailAlarm, nodes: Sequence[Node], common: str
) -> Iterator[LiveAlarm]:
    """The alarms of the last nodes of the chain, the longest first.

    common  name of the alarm of all nodes, which ends with the rule's where another has it as well
    """
    which = f" ({watched.rule.name})" if common.endswith(f" ({watched.rule.name})") else ""
    for first in range(1, len(nodes) - 1):
        at, before = nodes[first].position, nodes[first - 1].position
        told = words.at(at, before)
        rule = replace(
            watched.rule,
            name=told.name + which,
            cause=told.cause,
            consequence=told.consequence,
            response=told.response,
        )
        cylinders = tuple(cylinder for node in nodes[first:] for cylinder in node.cylinders)
        yield LiveAlarm(WatchedRule(watched.number, rule), first - len(nodes), None, cylinders, told.short)
