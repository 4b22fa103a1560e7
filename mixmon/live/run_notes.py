"""What watching writes beside the frames of a run, so that a replay goes the same way.

recording      a run begins; `stretch`: the stretch of time then, from which a replay counts
watched until  how far rows were made: a bus that fell silent at the end is silent in a replay too
action         an operator's action on an alarm, stamped as it was worked
alarm          one alarm record, for readers without this program
judged         a pull or a cell that the operator keeps or leaves out
mark, note     the operator's
"""

from __future__ import annotations

import math
from typing import Any

from mixmon.findings.alarms.records import AlarmEvent, OperatorAction, Verb
from mixmon.findings.events.event import Event
from mixmon.frames.logs import WATCHED
from mixmon.record.run_folder import Note
from mixmon.watching import JudgeCell, Judgement, JudgePull

RECORDING, ACTION, ALARM, MARK, NOTE = "recording", "action", "alarm", "mark", "note"
JUDGED = "judged"

KEPT_QUIET = frozenset({RECORDING, WATCHED, ACTION, ALARM})
"""Notes that a replay does not tell: their effects are found anew."""


def action_data(action: OperatorAction) -> dict[str, Any]:
    """An action as JSON, without its time."""
    return {
        "verb": action.verb.value,
        "rule": action.rule,
        "position": action.position,
        "duration_ns": action.duration_ns,
        "reason": action.reason,
        "stretch": action.stretch,
    }


def action_of(note: Note, began: int) -> OperatorAction:
    """The action again; `began` is the stretch of time in which the run began."""
    data = note.data
    return OperatorAction(
        note.t,
        Verb(data["verb"]),
        data["rule"],
        data["position"],
        data["duration_ns"],
        data["reason"],
        max(data["stretch"] - began, 0),
    )


def alarm_data(event: AlarmEvent) -> dict[str, Any]:
    """An alarm record as JSON, without its time."""
    return {
        "rule": event.rule,
        "priority": event.priority,
        "position": event.position,
        "cylinders": list(event.cylinders),
        "what": event.what.value,
        "before": None if event.before is None else event.before.word,
        "state": None if event.state is None else event.state.word,
        "silenced": event.flags.word,
        "active": event.active,
        "for_s": None if event.since is None else (event.t - event.since) / 1e9,
        "value": event.value if math.isfinite(event.value) else None,
        "limit": event.limit,
        "unit": event.unit,
        "announced": event.announced,
        "in_ten_minutes": event.in_ten_minutes,
        "flood": event.flood,
        "chattering": event.chattering,
        "reason": event.reason,
    }


def judgement_data(one: Judgement) -> dict[str, Any]:
    """The decision as JSON."""
    if isinstance(one, JudgePull):
        return {"pull": one.begin, "keep": one.keep}
    return {"rpm": one.rpm, "load": one.load, "keep": one.keep}


def judgement_of(note: Note) -> Judgement:
    """The decision again."""
    data = note.data
    if "pull" in data:
        return JudgePull(int(data["pull"]), bool(data["keep"]))
    return JudgeCell(data["rpm"], data["load"], bool(data["keep"]))


def judgement_words(one: Judgement) -> str:
    """The decision as a remark."""
    if isinstance(one, JudgePull):
        return f"pull {'kept' if one.keep else 'rejected'} by the operator"
    place = " ".join(f"{name} {x:g}" for name, x in (("rpm", one.rpm), ("load", one.load)) if x is not None)
    return f"cell {place} {'counted again' if one.keep else 'left out'} by the operator"


def event_words(event: Event) -> str:
    """What happened in one line, as a remark."""
    who = "all cylinders" if event.all_nodes else f"cyl {'+'.join(map(str, event.cylinders))}"
    facts = [f"for {event.duration_ns / 1e9:.2f} s"]
    if math.isfinite(event.peak_lambda):
        facts.insert(0, f"to {event.peak_lambda:.2f}")
    if math.isfinite(event.rpm):
        facts.append(f"at {event.rpm:.0f} rpm")
    return f"{who} {event.kind.value} {' '.join(facts)}"


def told(note: Note) -> str:
    """A note of a recorded run in words."""
    text, bus = str(note.data.get("text", "")), note.data.get("bus")
    if note.kind in {MARK, NOTE}:
        return f"{note.kind}: {text}" if text else note.kind
    return f"{bus}: {text}" if bus else f"{note.kind} {text}".rstrip()
