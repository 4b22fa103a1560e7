"""Events as JSON and as text: fields for scripts, and a row for each event with its evidence in short."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Any

from mixmon.findings.events.event import (
    NOT_FUELLING,
    DoubtReason,
    DropOutReason,
    Event,
    Kind,
    MisfireShape,
    Value,
)
from mixmon.findings.events.inferred import CutPattern
from mixmon.findings.lags import NodeLag
from mixmon.messages.gaps import Gap
from mixmon.report.answers import answer_text, events_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.lags import lags_json, lags_words
from mixmon.report.text import (
    Column,
    Grid,
    clock_of,
    counted,
    log_notes,
    note_lines,
    paragraph,
    set_grid,
    since_first,
    title,
)
from mixmon.report.units import Unit
from mixmon.run import Run

_ALL_CYLINDERS = "all"
_COUNTABLE = {
    Kind.NODE_SILENT: "silent node",
    Kind.NO_FUEL: "cylinder without fuel",
    Kind.NOT_CLASSIFIED: "event not classified",
}
"""Nouns of kinds whose own words have no plural."""

_PLURALS = {Kind.NOT_CLASSIFIED: "events not classified"}

_SHAPE_WORDS = {
    MisfireShape.SINGLE: "",
    MisfireShape.BURST: " burst",
    MisfireShape.ON_AND_OFF: " on and off",
}
_DROP_OUT_WORDS = {
    DropOutReason.NO_VALUE: "no value",
    DropOutReason.STANDS_STILL: "the value stands still",
    DropOutReason.TWO_CONTROLLERS: "two controllers as one node: its readings count for none",
}

Evidence = Mapping[str, Value]


def events_json(events: Sequence[Event], known: Sequence[NodeLag], run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon events --json`, in their order.

    session, log   as for the balance
    events         one an entry, in order of time:
        t_s           from the log's first frame to the moment at which the sensor shows it, less its lag
        kind          a value of `findings.events.event.Kind`
        cylinder      null where several or all are concerned
        cylinders, positions   all of them
        peak_lambda   reading furthest from what was expected; null where there is none
        duration_s
        rpm, load     when the gas left the valve; null where not known
        evidence      the reasons for the kind, units in the names
    lags           sensor lags that were subtracted, see `report.lags`; an assumed lag is replaced by the
                   one that cuts show (evidence: lag_s)
    notes          what could not be done: code, text, values
    """
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "events": [_event_json(event, run) for event in events],
        "lags": lags_json(known),
        "notes": log_notes(run),
        "answer": events_answer(events, run.log.missing).notes,
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
    """Gives the events as text of 80 columns."""
    answer = answer_text(events_answer(events, run.log.missing))
    parts = [title("EVENTS", run.session.name) + answer + log_text(run.log)]
    if events:
        parts.append(paragraph(_name_kinds(events)) + set_grid(event_grid(events, run, unit)))
    else:
        nothing = any(one.code is Gap.NOTHING_COUNTS for one in run.log.missing)
        parts.append("no event could be found: no sample counts\n" if nothing else "no event found\n")
    closing = cautions_on_events(events)
    if events:
        closing.append(f"Times are the gas's own at the sensor: {lags_words(known)}, taken off.")
    parts.append("".join(map(paragraph, closing)) + note_lines(log_notes(run)))
    return "\n".join(part for part in parts if part)


def cautions_on_events(events: Sequence[Event]) -> list[str]:
    """What must not be taken for fuelling, where there is such."""
    closing = []
    if any(event.kind in NOT_FUELLING - {Kind.NOT_CLASSIFIED} for event in events):
        closing.append(
            "What a sensor reads around misfires and cuts is not a fuelling figure: a charge that did not "
            "burn reads lean whatever its mixture. Find the spark before adding fuel."
        )
    if any(event.kind is Kind.NOT_CLASSIFIED for event in events):
        closing.append(
            "What is not classified may be misfire, a lean mixture or both: do both looks, for the spark "
            "first and then at the fuelling. It counts for no fuel figure. Where the lag was not measured, "
            "a fuel cut in the log or the lag given by --lag can decide."
        )
    return closing


def _name_kinds(events: Sequence[Event]) -> str:
    """How many there are of each kind."""
    count = Counter(event.kind for event in events)
    return ", ".join(counted(count[k], _COUNTABLE.get(k, k.value), _PLURALS.get(k)) for k in Kind if count[k])


def event_grid(events: Sequence[Event], run: Run, unit: Unit) -> Grid:
    """One row an event, with its evidence in short."""
    columns = [
        Column("time"),
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
            clock_of(event.t, run),
            str(event.kind),
            _ALL_CYLINDERS if event.all_nodes else ",".join(map(str, event.cylinders)),
            unit.of(event.peak_lambda) if math.isfinite(event.peak_lambda) else None,
            event.duration_ns / 1e9,
            event.rpm,
            event.load,
            _evidence_words(event),
        )
        for event in events
    ]
    return Grid(columns, rows)


def _evidence_words(event: Event) -> str:
    """Gives the evidence in short."""
    say = _EVIDENCE_WORDS.get(event.kind)
    return "" if say is None else say(event.evidence)


def _describe_misfire(e: Evidence) -> str:
    least, most = e.get("missed_cycles_least"), e.get("missed_cycles_most")
    by_area = f", {least} to {most} by area" if least != most else ""
    shape = _SHAPE_WORDS[MisfireShape(str(e["shape"]))]
    return f"{counted(_as_whole(e['missed_cycles']), 'cycle')}{shape}{by_area}{_describe_before(e)}"


def _describe_excursion(e: Evidence) -> str:
    many = _as_whole(e["other_cylinders"])
    others = f"; {counted(many, 'other cylinder')} too" if many else ""
    cycles = _as_whole(e.get("missed_cycles_inside", 0))
    misses = f"; {counted(cycles, 'missed cycle')} within" if cycles else ""
    return f"{_describe_gas(e)} for {e['gas_s']:.2f} s{_describe_before(e)}{misses}{others}"


def _describe_doubt(e: Evidence) -> str:
    cycles = e.get("missed_cycles_if_misfire")
    misfire = "misfire" if cycles is None else f"misfire of {counted(_as_whole(cycles), 'cycle')}"
    why = DoubtReason(str(e["why"]))
    costs = [e.get(f"cost_if_{name}") for name in ("lean", "misfire", "both")]
    shown = [f"{_as_number(cost):.0f}" for cost in costs if cost is not None]
    costs_shown = f"; costs {' '.join(shown)}" if shown else ""
    return f"lean mixture, {misfire}, or both; {why.value}{costs_shown}{_describe_before(e)}"


def _describe_gas(e: Evidence) -> str:
    lam = e["pulse_lambda"]
    return "gas off the scale of lambda" if lam is None else f"gas lambda {lam:.3f}"


def _describe_before(e: Evidence) -> str:
    """Gives the mixture before, and the assumed cycle where speed is not known."""
    assumed = e.get("assumed_cycle_s")
    guess = "" if assumed is None else f"; no rpm, a cycle taken as {1e3 * _as_number(assumed):.0f} ms"
    return f"; before lambda {e['lambda_before']:.3f}{guess}"


def _describe_cut(e: Evidence) -> str:
    if e["told_by_engine"]:
        return f"reported by the ECU; bank {e['bank']}" if e.get("bank") else "reported by the ECU"
    said = ["inferred from exhaust gas; not reported by the ECU"]
    if e["pattern"] == CutPattern.IN_TURN:
        held = "speed held" if e["speed_at_limit"] else "or misfire of them all: speed was not at its limit"
        said.append(f"pattern of a limiter: cylinders in turn; {held}; readings do not tell sparks from fuel")
    elif e["could_be"]:
        said.append(f"or a {e['could_be']}: too short or too high for the sensors to tell")
    else:
        said.append(f"gas up to {e['highest_oxygen_percent']:.1f} % oxygen")
    if e.get("bank"):
        said.append(f"bank {e['bank']}")
    return "; ".join(said)


def _describe_no_fuel(e: Evidence) -> str:
    return (
        f"air, {e['highest_oxygen_percent']:.1f} % oxygen, while others burn; not reported by the ECU: is "
        "the injector shut or not connected?"
    )


def _describe_tip(e: Evidence) -> str:
    said = [f"throttle {e['from_opening_percent']:.0f} to {e['to_opening_percent']:.0f} %"]
    if "worst_cylinder" in e:
        said.append(f"cylinder {e['worst_cylinder']} off {e['worst_lambda_off']:+.3f} lambda")
    misfired = e.get("may_have_misfired")
    if isinstance(misfired, tuple):
        named = ", ".join(map(str, misfired))
        said.append(f"not judged because they may have misfired: cylinder {named}")
    return "; ".join(said)


def _describe_silence(e: Evidence) -> str:
    supply = "" if e["supply_v"] is None else f"supply {e['supply_v']:.1f} V"
    return supply if e["ended"] else f"{supply}; to the end".lstrip("; ")


def _describe_silent_node(e: Evidence) -> str:
    together = "all nodes at once: their bus, its adapter or their supply" if e.get("all_at_once") else ""
    return "; ".join(part for part in (together, _describe_silence(e)) if part)


def _describe_reset(e: Evidence) -> str:
    said = [_describe_silence(e), "counted by the node" if e.get("started_again") else ""]
    return "; ".join(part for part in said if part)


def _describe_drop_out(e: Evidence) -> str:
    why = _DROP_OUT_WORDS[DropOutReason(str(e["why"]))] if "why" in e else "not ready"
    return "; ".join(part for part in (why, _describe_silence(e)) if part)


_EVIDENCE_WORDS: dict[Kind, Callable[[Evidence], str]] = {
    Kind.MISFIRE: _describe_misfire,
    Kind.LEAN_EXCURSION: _describe_excursion,
    Kind.RICH_EXCURSION: _describe_excursion,
    Kind.NOT_CLASSIFIED: _describe_doubt,
    Kind.FUEL_CUT: _describe_cut,
    Kind.SPARK_CUT: _describe_cut,
    Kind.NO_FUEL: _describe_no_fuel,
    Kind.TIP_IN: _describe_tip,
    Kind.TIP_OUT: _describe_tip,
    Kind.NODE_SILENT: _describe_silent_node,
    Kind.NODE_RESET: _describe_reset,
    Kind.SENSOR_DROP_OUT: _describe_drop_out,
}
"""For each kind what puts its evidence in short."""


def _as_number(value: Value) -> float:
    assert isinstance(value, float)
    return value


def _as_whole(value: Value) -> int:
    assert isinstance(value, int)
    return value
