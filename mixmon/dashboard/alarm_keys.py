"""What a key makes of an alarm: a command, a question that must be answered first, or words."""

from __future__ import annotations

from collections.abc import Sequence

from mixmon.dashboard.view_limits import NOT_ACCEPTED
from mixmon.dashboard.view_prompt import Asked, Prompt
from mixmon.findings.alarm_records import Alarm
from mixmon.findings.alarm_states import AlarmFlag, AlarmState
from mixmon.watching import Accept, AcceptAll, Command, InService, OutOfService, Reset, Shelve, Unshelve

Outcome = Command | Prompt | str

NOTHING_STANDS = "no alarm stands"


def accept(alarm: Alarm) -> Outcome:
    """Accept it, if it waits for that."""
    if alarm.state not in NOT_ACCEPTED:
        return f"{alarm.rule.name}: accepted already"
    return Accept(alarm.rule.name, alarm.position)


def accept_seen(alarms: Sequence[Alarm]) -> Outcome:
    """Accept all that are on the screen and wait for it."""
    seen = tuple((a.rule.name, a.position) for a in alarms if a.state in NOT_ACCEPTED)
    return AcceptAll(seen) if seen else "nothing waits to be accepted"


def reset(alarm: Alarm) -> Outcome:
    """Reset a latched one."""
    if alarm.state is AlarmState.LATCHED_ACKNOWLEDGED:
        return Reset(alarm.rule.name, alarm.position)
    return "nothing to reset: only a latched alarm that was accepted can be"


def shelve(alarm: Alarm) -> Outcome:
    """Put it on the shelf, for a reason; or take it back."""
    if AlarmFlag.SHELVED in alarm.flags:
        return Unshelve(alarm.rule.name, alarm.position)
    return Prompt(Asked.SHELVE, f"shelve {alarm.rule.name} for 10 min, why")


def service(alarm: Alarm) -> Outcome:
    """Take it out of service, for a reason; or put it back."""
    if AlarmFlag.OUT_OF_SERVICE in alarm.flags:
        return InService(alarm.rule.name, alarm.position)
    return Prompt(Asked.SERVICE, f"{alarm.rule.name} out of service, why")


def silence(asked: Asked, name: tuple[str, int | None], reason: str) -> Command:
    """The command for the reason that was given."""
    return (Shelve if asked is Asked.SHELVE else OutOfService)(*name, reason)
