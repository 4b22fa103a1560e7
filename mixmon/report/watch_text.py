"""What is watched, in lines of text: alarm records, and one moment in one line."""

from __future__ import annotations

import math

from mixmon.findings.alarms.records import AlarmEvent, Happening
from mixmon.mixture.block import SampleState
from mixmon.report.text import printable
from mixmon.report.units import Unit
from mixmon.session.model import Session
from mixmon.snapshot import Snapshot

_DECIMALS = {"lambda": 3, "%": 1, "s": 2, "V": 1}

LETTERS = {
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
}


def alarm_line(event: AlarmEvent, first_ns: int) -> str:
    """One record: seconds since `first_ns`, priority, cylinder, alarm, what happened, value."""
    who = f"cyl {'+'.join(map(str, event.cylinders))}" if event.cylinders else "engine"
    words = "NEW" if event.announced else event.what.value
    if event.what is Happening.RE_ALARMED:
        words = "STILL STANDS, announced again"
    value = ""
    if event.what in {Happening.CONDITION_TRUE, Happening.CONDITION_FALSE} and math.isfinite(event.value):
        decimals = _DECIMALS.get(event.unit, 2)
        value = f"  {event.value:.{decimals}f} {event.unit} (limit {event.limit:g})"
    reason = f"  ({printable(event.reason)})" if event.reason else ""
    seconds = (event.t - first_ns) / 1e9
    return f"{seconds:10.2f} s  P{event.priority} {who:8} {printable(event.rule)}: {words}{value}{reason}"


def moment_line(snapshot: Snapshot, session: Session, unit: Unit) -> str:
    """One moment: time, speed, valid cylinders, the leanest, all, spread, then every cylinder.

    A cylinder that is not valid is shown by the letter of its state instead of a number that is no
    more: C cold, W warming, S settling, H held, X silent, R and L at the ends of the range, O overrun
    or cut, ? suspect, - left out.
    """
    if snapshot.failure:
        goes_on = snapshot.recording.startswith("recording ")
        what = f"ANALYSIS STOPPED, still {snapshot.recording}" if goes_on else "STOPPED"
        return printable(f"{what}  {snapshot.failure}")
    if snapshot.t is None:
        states = ", ".join(f"{printable(bus.name)} {bus.state}" for bus in snapshot.buses)
        return f"NO DATA  {states}"
    count = len(session.chain.nodes)
    parts = [
        f"{snapshot.elapsed_s:8.1f} s",
        f"{_number(snapshot.engine.get('rpm', math.nan), 0)} rpm",
        f"valid {snapshot.valid}/{count}",
        _leanest(snapshot, session),
        f"all {_number(snapshot.all_vs_target, 1, signed=True)} % vs target",
        f"spread {_number(snapshot.spread, 1)} %",
        f"{unit.heading} {' '.join(_reading(snapshot, i, unit) for i in range(count))}",
    ]
    if snapshot.alarms.alarms:
        worst = snapshot.alarms.alarms[0]
        name = printable(worst.rule.name)
        parts.append(f"ALARMS {len(snapshot.alarms.alarms)}, first P{worst.rule.priority} {name}")
    return "  ".join(parts)


def _leanest(snapshot: Snapshot, session: Session) -> str:
    index, cylinders = snapshot.leanest, snapshot.cylinders
    if index is None:
        return "leanest --"
    against = "vs target" if math.isfinite(cylinders.vs_target[index]) else "vs peers"
    needs = cylinders.vs_target if against == "vs target" else cylinders.vs_peers
    name = "+".join(map(str, session.chain.nodes[index].cylinders))
    return f"leanest cyl {name} {needs[index]:+.1f} % {against}"


def _reading(snapshot: Snapshot, index: int, unit: Unit) -> str:
    state = SampleState(int(snapshot.cylinders.state[index]))
    lam = float(snapshot.cylinders.lam[index])
    if state is not SampleState.VALID or not math.isfinite(lam):
        return LETTERS[state].center(unit.decimals + 2)
    return f"{unit.of(lam):.{unit.decimals}f}"


def _number(value: float, decimals: int, *, signed: bool = False) -> str:
    if not math.isfinite(value):
        return "--"
    return f"{value:{'+' if signed else ''}.{decimals}f}"
