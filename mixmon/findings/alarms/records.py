"""What goes into the alarm book and what comes out, as frozen records.

Operator actions are stamped with data time like everything else, so that a record of frames
and actions replays to the same alarm states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum

from mixmon.errors import UsageError
from mixmon.findings.alarms.misfire import MisfireMark, marked_name
from mixmon.findings.alarms.states import AlarmFlag, AlarmState
from mixmon.findings.response.sensors import SensorPace
from mixmon.result import Listing
from mixmon.session.alarm_kinds import SilenceCause, kind_of
from mixmon.session.model import AlarmRule

FLOOD_ABOVE = 10
"""More alarms than this in ten minutes are a flood (ISA-18.2, second-hand)."""

CHATTER_ABOVE = 2
"""One alarm announced more often than this in a minute chatters: three or more (ISA-18.2, from memory)."""


class Verb(Enum):
    """What an operator can do to an alarm, in the words of ISA-18.2; the value is the word in records."""

    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    RELEASE = "release"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "in service"
    EXPLAIN = "explain"

    @classmethod
    def _missing_(cls, value: object) -> Verb | None:
        """The verb of a word that older runs hold; None for an unknown word."""
        return cls.ACKNOWLEDGE if value == "accept" else None


SILENCING = frozenset({Verb.SHELVE, Verb.SUPPRESS, Verb.OUT_OF_SERVICE})
"""These hide an alarm, so they ask for a reason."""


@dataclass(frozen=True, slots=True)
class OperatorAction:
    """One action on an alarm, or on all alarms of a rule.

    t           data time, ns; the newest row on the screen that the operator acted upon
    rule        the alarm's name
    position    the node's place in the chain; None for all alarms of the rule
    duration_ns how long a shelf lasts; None: until the present occurrence, or else the next, is over
    reason      asked for where an alarm is silenced: SHELVE, SUPPRESS, OUT_OF_SERVICE; for EXPLAIN, which is
                the program's own, a word of `SilenceCause`, or nothing where the cause is over
    stretch     the unbroken stretch of time in which t counts

    Raises:
        UsageError: silence without a reason, or a duration that means nothing.
    """

    t: int
    verb: Verb
    rule: str
    position: int | None = None
    duration_ns: int | None = None
    reason: str = ""
    stretch: int = 0

    def __post_init__(self) -> None:
        where = f"{self.verb.value} '{self.rule}'"
        if self.verb in SILENCING and not self.reason.strip():
            raise UsageError(f"{where}: no reason; expected a few words that the record can keep")
        if self.verb is Verb.EXPLAIN and self.reason not in {"", *SilenceCause}:
            raise UsageError(
                f"{where}: {self.reason!r}; expected one of {', '.join(SilenceCause)}, or nothing"
            )
        if self.duration_ns is not None and self.verb is not Verb.SHELVE:
            raise UsageError(f"{where}: a duration; expected none: only a shelf ends by time")
        if self.duration_ns is not None and self.duration_ns <= 0:
            raise UsageError(f"{where}: {self.duration_ns} ns; expected a duration above zero")


class Happening(Enum):
    """The cause of a record; the value is the word in it."""

    CONDITION_TRUE = "raised"
    CONDITION_FALSE = "returned to normal"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    SHELVED = "shelved"
    SHELF_ENDED = "unshelved"
    SUPPRESSED = "suppressed by design"
    RELEASED = "released"
    OUT_OF_SERVICE = "out of service"
    IN_SERVICE = "in service"
    RE_ALARMED = "re-alarm"
    EXPLAINED = "explained"
    MISFIRE_SUSPECTED = "may be a misfire"
    MISFIRE_CONFIRMED = "misfire confirmed"
    MISFIRE_WITHDRAWN = "no misfire"


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One transition of one alarm, or of a whole rule that its engine state suppresses or releases.

    stretch, t      when, ns of data time
    rule, priority  the alarm's name and priority, 1 highest
    position        the node's place in the chain; None where the whole engine or rule is meant,
                    or the last nodes
    cylinders       those that the sensors of the node, or of the last nodes, see; empty for engine or rule
    what            the cause of the record
    before, state   state before and after; both None in the record of a whole rule
    flags           what silences the alarm after it
    active          whether the condition holds, delays counted, seen or silenced
    announced       the operator's attention was asked for: the alarm is new
    since           when the condition began to be what it is, ns; None if it never changed
    value, limit    newest known value and the limit, in `unit`; the value may be NaN
    in_ten_minutes  alarms announced in the ten minutes up to and with this record
    chattering      this alarm has been announced too often within a minute
    reason          the operator's words
    all_nodes       all nodes at once are meant, which is one alarm
    misfire         of a lean alarm: what is known of a misfire that may have raised it; None for nothing
    lean_before     that misfire came to an alarm that stood before it: the cylinder is lean as well
    pace            of a slow sensor: what fuel cuts had shown of it by then
    """

    stretch: int
    t: int
    rule: str
    priority: int
    position: int | None
    cylinders: tuple[int, ...]
    what: Happening
    before: AlarmState | None
    state: AlarmState | None
    flags: AlarmFlag
    active: bool
    announced: bool
    since: int | None
    value: float
    limit: float
    unit: str
    in_ten_minutes: int
    chattering: bool
    reason: str = ""
    all_nodes: bool = False
    misfire: MisfireMark | None = None
    lean_before: bool = False
    pace: SensorPace | None = None

    @property
    def name(self) -> str:
        """The rule's name, with what is known of a misfire."""
        return marked_name(self.rule, self.misfire, lean_before=self.lean_before)

    @property
    def word(self) -> str:
        """What happened; of what is raised in silence also what silences it."""
        silent = self.what is Happening.CONDITION_TRUE and not self.announced and self.flags
        return f"{self.what.value}, {self.flags.word}" if silent else self.what.value

    @property
    def flood(self) -> bool:
        """Whether more alarms were announced than a person can attend to."""
        return self.in_ten_minutes > FLOOD_ABOVE


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm at one moment.

    rule            with cause, consequence and response
    position, cylinders   as in AlarmEvent
    since           when the condition began to be what it is, ns
    changed         time of the alarm's last record, ns
    value           that raised it last, always beyond its limit; NaN if none has
    value_now       in the newest row, as the detector computed it; NaN where it is not known there
    shelved_until   ns, for a shelf that ends by time
    reason          the operator's words for why it is silenced
    all_nodes, misfire, lean_before, pace   as in AlarmEvent
    explained       why all nodes or the engine are silent, a word of `SilenceCause`; empty: not known
    short           a shorter name for a list; empty where the rule's own is used
    """

    rule: AlarmRule
    position: int | None
    cylinders: tuple[int, ...]
    state: AlarmState
    flags: AlarmFlag
    active: bool
    since: int | None
    changed: int
    value: float
    value_now: float
    limit: float
    unit: str
    chattering: bool
    shelved_until: int | None
    reason: str
    all_nodes: bool = False
    misfire: MisfireMark | None = None
    lean_before: bool = False
    explained: str = ""
    short: str = ""
    pace: SensorPace | None = None

    @property
    def name(self) -> str:
        """The rule's name, and what is known of its cause: why all are silent, or a misfire."""
        kind = kind_of(self.rule)
        short = kind.common.short if kind.common else kind.no_engine
        if self.explained and short:
            return f"{short}: {self.explained}"
        return self.short or marked_name(self.rule.name, self.misfire, lean_before=self.lean_before)

    @property
    def says_unknown(self) -> bool:
        """Whether it says that nothing is known, of any cylinder or of the engine; no limit is crossed."""
        return self.all_nodes or bool(kind_of(self.rule).no_engine)

    @property
    def word(self) -> str:
        """What silences it, or else its state: one word for a list."""
        return self.state.word if self.flags is AlarmFlag.NONE else self.flags.word

    @property
    def waits(self) -> bool:
        """Whether it asks to be acknowledged: nobody has, and nothing silences it."""
        return self.state.waits and not self.flags

    def aged(self, by_ns: int) -> Alarm:
        """The alarm so much later without a new row: only a value that grows by itself is still known."""
        grown = self.value_now + by_ns / 1e9 if kind_of(self.rule).grows else math.nan
        return replace(self, value_now=grown)


@dataclass(frozen=True, slots=True)
class AlarmList:
    """All alarms that are not simply normal, the most pressing first, at one moment.

    stretch, t      the moment, ns
    suppressed      names of the rules that an engine state suppresses
    in_ten_minutes  alarms announced in the last ten minutes
    """

    stretch: int
    t: int
    alarms: tuple[Alarm, ...]
    suppressed: tuple[str, ...]
    in_ten_minutes: int

    @property
    def flood(self) -> bool:
        """Whether more alarms were announced than a person can attend to."""
        return self.in_ten_minutes > FLOOD_ABOVE

    def aged(self, by_ns: int) -> AlarmList:
        """The alarms so much later without a new row."""
        return replace(self, alarms=tuple(alarm.aged(by_ns) for alarm in self.alarms))


class AlarmEvents(Listing[AlarmEvent]):
    """The records of a run's alarms, in order of time: a tuple of `AlarmEvent`, told as data, table and page.

    at_end  the alarms that were not normal when the run ended
    """

    at_end: AlarmList
