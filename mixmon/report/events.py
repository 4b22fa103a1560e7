"""Events as JSON and as text."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Any

from mixmon.findings.events.event import NOT_FUELLING, Event, Kind, Value
from mixmon.findings.lags import NodeLag
from mixmon.report.balance import log_json, log_text
from mixmon.report.lags import lags_json, lags_words
from mixmon.report.text import Column, counted, log_notes, note_lines, paragraph, since_first, table, title
from mixmon.report.units import Unit
from mixmon.run import Run

_ALL = "all"
_COUNTED = {Kind.NODE_SILENT: "silent node"}
"""Kinds whose own words cannot be counted."""

Evidence = Mapping[str, Value]


def events_json(events: Sequence[Event], known: Sequence[NodeLag], run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon events --json`, in their order.

    session, log   as for the balance
    events         one an entry, in order of time:
        t_s           from the log's first frame; when the sensor shows it, its lag taken off
        kind          a word of `findings.event.Kind`
        cylinder      null where several or all are concerned
        cylinders, positions   all of them
        peak_lambda   reading furthest from what was expected; null where there is none
        duration_s
        rpm, load     when the gas left the valve; null where not known
        evidence      what speaks for the kind, units in the names
    lags           sensor lags that were taken off, see `report.lags`; what is assumed is learnt on the
                   way, as far as cuts tell it (evidence: lag_s)
    notes          what could not be done: code, text, values
    """
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "events": [_event_json(event, run) for event in events],
        "lags": lags_json(known),
        "notes": log_notes(run),
    }


def _event_json(event: Event, run: Run) -> Mapping[str, Any]:
    alone = not event.all_nodes and len(event.nodes) == 1
    return {
        "t_s": round(since_first(event.t, run), 6),
        "kind": str(event.kind),
        "cylinder": event.cylinders[0] if alone else None,
        "cylinders": event.cylinders,
        "positions": [run.session.chain.nodes[i].position for i in event.nodes],
        "peak_lambda": event.peak_lambda,
        "duration_s": round(event.duration_ns / 1e9, 6),
        "rpm": event.rpm,
        "load": event.load,
        "evidence": {name: _value_or_word(value) for name, value in event.evidence.items()},
    }


def _value_or_word(value: Value) -> Value:
    """Gives the value itself, and of an enum member its word."""
    return value.value if isinstance(value, StrEnum) else value


def events_text(events: Sequence[Event], known: Sequence[NodeLag], run: Run, unit: Unit) -> str:
    """The events for a terminal of 80 columns."""
    parts = [title("EVENTS", run.session.name) + log_text(run.log)]
    if events:
        parts.append(_counts(events) + _table(events, run, unit))
    else:
        parts.append("no event found\n")
    closing = []
    if any(event.kind in NOT_FUELLING for event in events):
        closing.append(
            "What a sensor reads around misfires and cuts is not a fuelling figure: a charge that did not "
            "burn reads lean whatever its mixture. Find the spark before adding fuel."
        )
    if events:
        closing.append(f"Times are the gas's own at the sensor: {lags_words(known)}, taken off.")
    parts.append("".join(map(paragraph, closing)) + note_lines(log_notes(run)))
    return "\n".join(part for part in parts if part)


def _counts(events: Sequence[Event]) -> str:
    count = Counter(event.kind for event in events)
    return paragraph(", ".join(counted(count[k], _COUNTED.get(k, k.value)) for k in Kind if count[k]))


def _table(events: Sequence[Event], run: Run, unit: Unit) -> str:
    columns = [
        Column("t s", 2),
        Column("what", left=True),
        Column("cyl", left=True),
        Column(unit.heading, unit.decimals),
        Column("for s", 2),
        Column("rpm"),
        Column("load"),
        Column("evidence", left=True, wraps=True),
    ]
    rows = [
        (
            since_first(event.t, run),
            str(event.kind),
            _ALL if event.all_nodes else ",".join(map(str, event.cylinders)),
            unit.of(event.peak_lambda) if math.isfinite(event.peak_lambda) else None,
            event.duration_ns / 1e9,
            event.rpm,
            event.load,
            _words(event),
        )
        for event in events
    ]
    return table(columns, rows)


def _words(event: Event) -> str:
    """The evidence in short."""
    say = _SAID.get(event.kind)
    return "" if say is None else say(event.evidence)


def _misfire(e: Evidence) -> str:
    least, most = e.get("missed_cycles_least"), e.get("missed_cycles_most")
    by_area = f", {least} to {most} by area" if least != most else ""
    shape = "" if e["shape"] == "single" else f" {e['shape']}"
    return f"{counted(_whole(e['missed_cycles']), 'cycle')}{shape}{by_area}{_before(e)}"


def _mixture(e: Evidence) -> str:
    many = _whole(e["other_cylinders"])
    others = f"; {counted(many, 'other cylinder')} too" if many else ""
    return f"{_gas(e)} for {e['gas_s']:.2f} s{_before(e)}{others}"


def _gas(e: Evidence) -> str:
    lam = e["pulse_lambda"]
    return "gas off the scale of lambda" if lam is None else f"gas lambda {lam:.3f}"


def _before(e: Evidence) -> str:
    """The mixture before, and what a count or a kind rests on where the speed is not known."""
    assumed = e.get("assumed_cycle_s")
    guess = "" if assumed is None else f"; no rpm, a cycle taken as {1e3 * _number(assumed):.0f} ms"
    return f"; before lambda {e['lambda_before']:.3f}{guess}"


def _cut(e: Evidence) -> str:
    inferred = "inferred from exhaust gas; not reported by the ECU"
    told = "reported by the ECU" if e["told_by_engine"] else inferred
    return f"{told}; bank {e['bank']}" if e.get("bank") else told


def _tip(e: Evidence) -> str:
    return (
        f"throttle {e['from_opening_percent']:.0f} to {e['to_opening_percent']:.0f} %; "
        f"cylinder {e['worst_cylinder']} off {e['worst_lambda_off']:+.3f} lambda"
    )


def _silent(e: Evidence) -> str:
    supply = "" if e["supply_v"] is None else f"supply {e['supply_v']:.1f} V"
    return supply if e["ended"] else f"{supply}; to the end".lstrip("; ")


def _reset(e: Evidence) -> str:
    said = [_silent(e), "counted by the node" if e.get("started_again") else ""]
    return "; ".join(part for part in said if part)


def _drop_out(e: Evidence) -> str:
    return "; ".join(part for part in (str(e.get("why", "not ready")), _silent(e)) if part)


_SAID: dict[Kind, Callable[[Evidence], str]] = {
    Kind.MISFIRE: _misfire,
    Kind.LEAN_EXCURSION: _mixture,
    Kind.RICH_EXCURSION: _mixture,
    Kind.FUEL_CUT: _cut,
    Kind.SPARK_CUT: _cut,
    Kind.TIP_IN: _tip,
    Kind.TIP_OUT: _tip,
    Kind.NODE_SILENT: _silent,
    Kind.NODE_RESET: _reset,
    Kind.SENSOR_DROP_OUT: _drop_out,
}


def _number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def _whole(value: Value) -> int:
    assert isinstance(value, int)
    return value
