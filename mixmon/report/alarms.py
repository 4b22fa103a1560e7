"""Alarms as lines of text and as JSON.

Lines: one alarm record, one moment of watching, the paragraphs on limits. JSON: the records, the alarms that
are not normal at the end, and the limits with their source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.arrays import SECOND_NS
from mixmon.findings.alarms.measures import lacking
from mixmon.findings.alarms.records import Alarm, AlarmEvent, AlarmList, Happening
from mixmon.findings.response.sensors import SensorPace
from mixmon.frames.clock import clock_text
from mixmon.live.recording import alarm_data, pace_data
from mixmon.mixture.block import SampleState
from mixmon.report.text import paragraph, printable
from mixmon.report.units import Unit
from mixmon.session.alarm_kinds import measured_text
from mixmon.session.default_limits import PLACEHOLDER, limits_in_force
from mixmon.session.model import AlarmRule, Session
from mixmon.watch.snapshot import Snapshot

_READING_LETTERS = {
    SampleState.VALID: "V",
    SampleState.COLD: "C",
    SampleState.WARMING: "W",
    SampleState.SETTLING: "S",
    SampleState.HELD: "H",
    SampleState.SILENT: "X",
    SampleState.AT_RICH_LIMIT: "R",
    SampleState.AT_LEAN_LIMIT: "L",
    SampleState.OVERRUN: "O",
    SampleState.SPARK_CUT: "O",
    SampleState.SUSPECT: "?",
    SampleState.LEFT_OUT: "-",
    SampleState.DUPLICATE_NODE: "2",
}
"""What a line shows instead of a reading that does not count."""


def alarm_line(event: AlarmEvent, first_ns: int) -> str:
    """One record: the clock since `first_ns`, priority, cylinder, alarm, what happened, value.

    Of what is raised it says whether it is unacknowledged, or what silences it.
    """
    whole = "rule" if event.state is None else "engine"
    one = f"cyl {'+'.join(map(str, event.cylinders))}" if event.cylinders else whole
    who = "all cyl" if event.all_nodes else one
    words = f"{event.word}, {event.state.word}" if event.announced and event.state else event.word
    value = ""
    if event.what is Happening.CONDITION_TRUE and math.isfinite(event.value):
        number = measured_text(event.value, event.limit, event.unit)
        value = f"  {number} {event.unit} (limit {event.limit:g})"
    value += f"  {pace_text(event.pace)}" if event.pace and event.active else ""
    reason = f"  ({printable(event.reason)})" if event.reason else ""
    time = clock_text((event.t - first_ns) / SECOND_NS)
    name = printable(event.name)
    return f"{time:>8}  P{event.priority} {who:8} {name}: {words}{value}{reason}"


def pace_text(pace: SensorPace) -> str:
    """What fuel cuts have shown of a slow sensor.

    >>> pace_text(SensorPace(2.9, 0.31, 0.105, 2))
    'T63 310 ms, its peers 105 ms, in the last 2 fuel cuts'
    """
    own, peers = (f"{1000.0 * seconds:.0f} ms" for seconds in (pace.t63_s, pace.peers_s))
    return f"T63 {own}, its peers {peers}, in the last {pace.cuts} fuel cuts"


def moment_line(snapshot: Snapshot, session: Session, unit: Unit) -> str:
    """One moment: time, speed, valid cylinders, the leanest, all, spread, then every cylinder.

    A cylinder that is not valid is shown by the letter of its state instead of a number that is not
    current: C cold, W warming, S settling, H held, X silent, R and L at the ends of the range, O overrun
    or cut, ? suspect, 2 duplicate node, - left out.
    """
    if snapshot.failure:
        what = f"ANALYSIS STOPPED, still {snapshot.recording}" if snapshot.is_recording else "STOPPED"
        return printable(f"{what}  {snapshot.failure}")
    if snapshot.t is None:
        states = ", ".join(f"{printable(bus.name)} {bus.state}" for bus in snapshot.buses)
        return f"NO DATA  {states}"
    count = len(session.chain.nodes)
    parts = [
        f"{clock_text(snapshot.elapsed_s):>8}",
        f"{_number_text(snapshot.engine.get('rpm', math.nan), 0)} rpm",
        f"valid {snapshot.valid}/{count}",
        _leanest_text(snapshot, session),
        f"all {_number_text(snapshot.all_vs_target, 1, signed=True)} % vs target",
        f"spread {_number_text(snapshot.spread, 1)} %",
        f"{unit.heading} {' '.join(_reading_text(snapshot, i, unit) for i in range(count))}",
        *(f"{name} {_number_text(snapshot.engine.get(name, math.nan), 1)}" for name in session.channels),
    ]
    if snapshot.alarms.alarms:
        worst = snapshot.alarms.alarms[0]
        name = printable(worst.name)
        parts.append(f"ALARMS {len(snapshot.alarms.alarms)}, first P{worst.rule.priority} {name}")
    return "  ".join(parts)


def _leanest_text(snapshot: Snapshot, session: Session) -> str:
    index, cylinders = snapshot.leanest, snapshot.cylinders
    if index is None:
        return "leanest --"
    against = "vs target" if math.isfinite(cylinders.vs_target[index]) else "vs peers"
    needs = cylinders.vs_target if against == "vs target" else cylinders.vs_peers
    name = "+".join(map(str, session.chain.nodes[index].cylinders))
    return f"leanest cyl {name} {_number_text(float(needs[index]), 1, signed=True)} % {against}"


def _reading_text(snapshot: Snapshot, index: int, unit: Unit) -> str:
    state = SampleState(int(snapshot.cylinders.state[index]))
    lam = float(snapshot.cylinders.lam[index])
    if state is not SampleState.VALID or not math.isfinite(lam):
        return _READING_LETTERS[state].center(unit.decimals + 2)
    return f"{unit.of(lam):.{unit.decimals}f}"


def _number_text(value: float, decimals: int, *, signed: bool = False) -> str:
    if not math.isfinite(value):
        return "--"
    return f"{value:{'+' if signed else ''}.{decimals}f}"


def alarms_json(
    records: Sequence[AlarmEvent], at_end: AlarmList, session: Session, first_ns: int
) -> Mapping[str, Any]:
    """The fields about alarms in `mixmon replay --json`.

    alarms            one a record, in order of time:
        t_s              from the log's first frame
        rule, priority, position, cylinders   position null and no cylinders for the whole engine or rule; a
                         break in the chain has position null and the cylinders behind it
        what             a word of `findings.alarms.records.Happening`: raised, returned to normal,
                         acknowledged, reset, shelved, unshelved, suppressed by design, released,
                         out of service, in service, re-alarm, explained, may be a misfire, misfire
                         confirmed, no misfire
        before, state    normal, unacknowledged, acknowledged, returned unacknowledged,
                         latched unacknowledged, latched acknowledged; null in the record of a whole rule
        all_nodes        all nodes at once are meant: one alarm, position null and no cylinders
        silenced         why it is not announced: shelved, suppressed by design, out of service; else empty
        active           whether the condition holds, delays counted
        announced        whether the operator's attention was asked for
        for_s            how long the condition had been what it is
        value, limit, unit
        in_ten_minutes, flood, chattering
        misfire          of a lean alarm: misfire? by its shape; misfire or no misfire once the event is
                         known; else null
        lean_before      that misfire came to an alarm that stood before it: the cylinder is lean as well
        pace             of a slow sensor: t63_s, peers_t63_s (median of the others), means of the last `cuts`
                         fuel cuts, and times_peers, the least of these cuts; else null
        reason           the operator's words, or the engine state that suppresses
    alarms_standing   those that are not normal at the end, the most pressing first
    alarm_limits      source: whose limits they are, null for none; placeholders: true for none;
                      rules: those in force, with cause, consequence and response;
                      not_watched: rules that lack signals, with those
    """
    return {
        "alarms": [{"t_s": (event.t - first_ns) / 1e9, **alarm_data(event)} for event in records],
        "alarms_standing": [_standing_object(alarm, first_ns) for alarm in at_end.alarms],
        "alarm_limits": _limits_object(session),
    }


def alarm_limits_text(session: Session) -> str:
    """Paragraphs on placeholder limits and on alarms that cannot be raised; empty where there are none."""
    limits = limits_in_force(session)
    said = [f"{PLACEHOLDER}; enter them under [limits]"] if limits.source is None else []
    said += [
        f"alarm not watched: {rule.name}, no signal for {', '.join(missing)}"
        for rule, missing in _rules_not_watched(session)
    ]
    return "".join(map(paragraph, said))


def _standing_object(alarm: Alarm, first_ns: int) -> Mapping[str, Any]:
    ends = alarm.shelved_until
    return {
        "rule": alarm.rule.name,
        "priority": alarm.rule.priority,
        "position": alarm.position,
        "cylinders": alarm.cylinders,
        "all_nodes": alarm.all_nodes,
        "state": alarm.state.word,
        "silenced": alarm.flags.word,
        "active": alarm.active,
        "since_s": None if alarm.since is None else (alarm.since - first_ns) / 1e9,
        "shelved_until_s": None if ends is None else (ends - first_ns) / 1e9,
        "chattering": alarm.chattering,
        "misfire": None if alarm.misfire is None else alarm.misfire.value,
        "lean_before": alarm.lean_before,
        "pace": pace_data(alarm.pace),
        "reason": alarm.reason,
    }


def _limits_object(session: Session) -> Mapping[str, Any]:
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
        "not_watched": [
            {"rule": rule.name, "lacks": missing} for rule, missing in _rules_not_watched(session)
        ],
    }


def _rules_not_watched(session: Session) -> list[tuple[AlarmRule, tuple[str, ...]]]:
    rules = limits_in_force(session).alarms
    return [(rule, missing) for rule in rules if (missing := lacking(rule, session))]
