"""Alarms as JSON: every record, what stands in the end, and what the limits rest on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.alarms.measures import lacking
from mixmon.findings.alarms.records import Alarm, AlarmEvent, AlarmList
from mixmon.live.recording import alarm_data
from mixmon.report.text import paragraph
from mixmon.session.default_limits import PLACEHOLDER, limits_in_force
from mixmon.session.model import AlarmRule, Session


def alarms_json(
    records: Sequence[AlarmEvent], standing: AlarmList, session: Session, first_ns: int
) -> Mapping[str, Any]:
    """The fields about alarms in `mixmon replay --json`.

    alarms            one a record, in order of time:
        t_s              from the log's first frame
        rule, priority, position, cylinders   position null and no cylinders for the whole engine or rule
        what             a word of `findings.alarm_records.Happening`: condition true, condition false,
                         accepted, reset, shelved, shelf ended, suppressed, released, out of service,
                         in service, re-alarm
        before, state    normal, new, accepted, cleared-not-accepted, latched-not-accepted,
                         latched-accepted; null in the record of a whole rule
        silenced         what keeps it from being announced, in words; empty for nothing
        active           whether the condition holds, delays counted
        announced        the operator's attention was asked for
        for_s            how long the condition had been what it is
        value, limit, unit
        in_ten_minutes, flood, chattering
        reason           the operator's words, or the engine state that suppresses
    alarms_standing   those that are not normal at the end, the most pressing first
    alarm_limits      source: whose limits they are, null for none; placeholders: true for none;
                      rules: those in force, with cause, consequence and response;
                      not_watched: rules that lack signals, with those
    """
    return {
        "alarms": [{"t_s": (event.t - first_ns) / 1e9, **alarm_data(event)} for event in records],
        "alarms_standing": [_standing(alarm, first_ns) for alarm in standing.alarms],
        "alarm_limits": _limits(session),
    }


def alarm_limits_text(session: Session) -> str:
    """What must be said of limits that are no builder's, and of alarms that cannot ring; else nothing."""
    limits = limits_in_force(session)
    said = [f"{PLACEHOLDER}; enter them under [limits]"] if limits.source is None else []
    said += [
        f"alarm not watched: {rule.name}, no signal for {', '.join(missing)}"
        for rule, missing in _lacking(session)
    ]
    return "".join(map(paragraph, said))


def _standing(alarm: Alarm, first_ns: int) -> Mapping[str, Any]:
    ends = alarm.shelved_until
    return {
        "rule": alarm.rule.name,
        "priority": alarm.rule.priority,
        "position": alarm.position,
        "cylinders": alarm.cylinders,
        "state": alarm.state.word,
        "silenced": alarm.flags.word,
        "active": alarm.active,
        "since_s": None if alarm.since is None else (alarm.since - first_ns) / 1e9,
        "shelved_until_s": None if ends is None else (ends - first_ns) / 1e9,
        "chattering": alarm.chattering,
        "reason": alarm.reason,
    }


def _limits(session: Session) -> Mapping[str, Any]:
    limits = limits_in_force(session)
    return {
        "source": limits.source,
        "placeholders": limits.source is None,
        "rules": [
            {
                "rule": rule.name,
                "priority": rule.priority,
                "cause": rule.cause,
                "consequence": rule.consequence,
                "response": rule.response,
            }
            for rule in limits.alarms
        ],
        "not_watched": [{"rule": rule.name, "lacks": missing} for rule, missing in _lacking(session)],
    }


def _lacking(session: Session) -> list[tuple[AlarmRule, tuple[str, ...]]]:
    rules = limits_in_force(session).alarms
    return [(rule, missing) for rule in rules if (missing := lacking(rule, session))]
