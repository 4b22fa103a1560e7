"""Keys about alarms as the actions that the alarm book works and the record keeps."""

from __future__ import annotations

from collections.abc import Iterator

from mixmon.findings.alarms.records import OperatorAction, Verb
from mixmon.watching import (
    Accept,
    AcceptAll,
    AlarmCommand,
    InService,
    OutOfService,
    Reset,
    Shelve,
    Unshelve,
)


def alarm_actions(command: AlarmCommand, t: int, stretch: int) -> Iterator[OperatorAction]:
    """The actions of one command, at data time `t` of a stretch of time.

    Raises:
        UsageError: an alarm is to be silenced without a reason, or for no time.
    """
    match command:
        case AcceptAll(seen):
            for rule, position in seen:
                yield OperatorAction(t, Verb.ACCEPT, rule, position, stretch=stretch)
        case Shelve(rule, position, reason, duration_s):
            duration = None if duration_s is None else round(duration_s * 1e9)
            yield OperatorAction(t, Verb.SHELVE, rule, position, duration, reason, stretch)
        case OutOfService(rule, position, reason):
            yield OperatorAction(t, Verb.OUT_OF_SERVICE, rule, position, None, reason, stretch)
        case Accept(rule, position):
            yield OperatorAction(t, Verb.ACCEPT, rule, position, stretch=stretch)
        case Reset(rule, position):
            yield OperatorAction(t, Verb.RESET, rule, position, stretch=stretch)
        case Unshelve(rule, position):
            yield OperatorAction(t, Verb.UNSHELVE, rule, position, stretch=stretch)
        case InService(rule, position):
            yield OperatorAction(t, Verb.IN_SERVICE, rule, position, stretch=stretch)
