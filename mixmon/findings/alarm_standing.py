"""One alarm while it lives: its state, what silences it, and how often it was announced lately.

While any flag is set, the condition is followed but moves nothing. When the last flag goes,
an active condition is announced as new, whatever was accepted before; an inactive one takes
the step that it would have taken.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

from mixmon.findings.alarm_measures import MEASURES, limit_of
from mixmon.findings.alarm_records import CHATTER_ABOVE, Alarm, AlarmEvent, Happening
from mixmon.findings.alarm_states import AlarmFlag, AlarmState, AlarmStep, after
from mixmon.session.model import AlarmRule

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
    """A rule with its limit looked up, and whether its engine state suppresses it now."""

    number: int
    rule: AlarmRule
    limit: float = field(init=False)
    unit: str = field(init=False)
    per_node: bool = field(init=False)
    suppressed: bool = False

    def __post_init__(self) -> None:
        kind, self.limit = limit_of(self.rule)
        self.unit = MEASURES[kind].unit
        self.per_node = MEASURES[kind].per_node

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
            limit=self.limit,
            unit=self.unit,
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
        """Sorts alarms: new, accepted, cleared, latched, then silenced; priority; newest; place."""
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
            limit=self.watched.limit,
            unit=self.watched.unit,
            in_ten_minutes=in_ten_minutes,
            chattering=self.chattering(t),
            reason=reason,
        )

    def record(self, t: int) -> Alarm:
        """As it stands at t."""
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
            limit=self.watched.limit,
            unit=self.watched.unit,
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
