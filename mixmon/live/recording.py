"""A run recorded while watching: frames first, then notes, the operator's actions, and alarms.

What is written beside the frames makes a replay go the same way. Kinds of run notes:

recording      a run begins; `stretch`: the stretch of time then, from which a replay counts
watched until  data time up to which rows were made: a bus that is silent at the end stays silent in a replay
action         an operator's action on an alarm, stamped with the data time at which it took effect
alarm          one alarm record, for readers without this program
judged         a pull or a cell that the operator keeps or excludes
fuel step      what the operator did to the test by fuel steps, stamped as an action is
mark, note     the operator's

`RunRecording` writes them; the functions above it turn actions, alarms and decisions into JSON and back.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from types import NoneType
from typing import Any

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import AlarmEvent, OperatorAction, Verb
from mixmon.findings.events.event import Event, in_order
from mixmon.findings.events.nodes import join_silences
from mixmon.findings.identity.guide import StepAction, StepVerb
from mixmon.findings.identity.plan import USUAL_STEP_PERCENT
from mixmon.findings.response.sensors import SensorPace
from mixmon.frames.adapters.adapters import END_OF_TIME
from mixmon.frames.adapters.receiver import SourceEvent
from mixmon.frames.block import FrameBlock
from mixmon.frames.logs import WATCHED
from mixmon.record.recorder import Recorder, RecorderEvent, RecorderEventKind, RecorderState, RecorderStatus
from mixmon.record.run_folder import RunNote
from mixmon.session.evidence import evidence_data, read_evidence
from mixmon.watch.commands import JudgeCell, Judgement, JudgePull

RECORDING, ACTION, ALARM, MARK, NOTE = "recording", "action", "alarm", "mark", "note"
JUDGED = "judged"
FUEL_STEP = "fuel step"

KEPT_QUIET = frozenset({RECORDING, WATCHED, ACTION, ALARM})
"""Notes that a replay does not show: it finds their effects again."""


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


def action_of(note: RunNote, began: int) -> OperatorAction:
    """The action again; `began` is the stretch of time in which the run began.

    Raises:
        KeyError, TypeError, ValueError, UsageError: no action stands in the note.
    """
    data = note.data
    kinds = (data["rule"], str), (data["reason"], str), (data["stretch"], int)
    maybe = (data["position"], int), (data["duration_ns"], int)
    if not all(isinstance(value, kind) for value, kind in (*kinds, *(m for m in maybe if m[0] is not None))):
        raise TypeError("no action")
    return OperatorAction(
        note.t,
        Verb(data["verb"]),
        data["rule"],
        data["position"],
        data["duration_ns"],
        data["reason"],
        max(data["stretch"] - began, 0),
    )


def step_data(action: StepAction) -> dict[str, Any]:
    """What was done to the test by fuel steps as JSON, without its time."""
    data: dict[str, Any] = {"verb": action.verb.value, "stretch": action.stretch}
    if action.verb is StepVerb.PLAN:
        data |= {"single": action.single, "percent": action.percent}
    if action.verb is StepVerb.BEGIN:
        data["fuel_percent"] = {str(cylinder): percent for cylinder, percent in action.fuel}
    if action.evidence is not None:
        data["evidence"] = evidence_data(action.evidence)
    return data


def step_of(note: RunNote, began: int) -> StepAction:
    """The action again; `began` is the stretch of time in which the run began.

    Raises:
        KeyError, TypeError, ValueError: no such action stands in the note.
    """
    data, verb = note.data, StepVerb(note.data["verb"])
    fuel = data["fuel_percent"].items() if verb is StepVerb.BEGIN else ()
    return StepAction(
        note.t,
        verb,
        max(int(data["stretch"]) - began, 0),
        single=bool(data.get("single", False)),
        percent=float(data.get("percent", USUAL_STEP_PERCENT)),
        fuel=tuple(sorted((int(cylinder), float(percent)) for cylinder, percent in fuel)),
        evidence=read_evidence(data["evidence"]) if verb is StepVerb.KEEP else None,
    )


def step_words(action: StepAction) -> str:
    """The action as a remark."""
    match action.verb:
        case StepVerb.BEGIN:
            return f"fuel step begins: {fuel_words(action.fuel)}"
        case StepVerb.END:
            return "fuel step ends"
        case StepVerb.PLAN:
            how = "one cylinder at a time" if action.single else "coded groups"
            return f"fuel steps begin anew: {how}, {action.percent:g} %"
        case StepVerb.KEEP:
            return "what each label sees is kept"


def fuel_words(fuel: Sequence[tuple[int, float]]) -> str:
    """What is typed, in words: the cylinders by their percent.

    >>> fuel_words(((1, -3.0), (2, 3.0), (3, -3.0)))
    'cyl 2 +3 %, cyl 1 3 -3 %'
    """
    by_percent: dict[float, list[int]] = {}
    for cylinder, percent in fuel:
        by_percent.setdefault(round(percent, 1), []).append(cylinder)
    parts = (
        f"cyl {' '.join(map(str, them))} {percent:+g} %"
        for percent, them in sorted(by_percent.items(), reverse=True)
    )
    return ", ".join(parts)


def alarm_data(event: AlarmEvent) -> dict[str, Any]:
    """An alarm record as JSON, without its time."""
    return {
        "rule": event.rule,
        "priority": event.priority,
        "position": event.position,
        "cylinders": list(event.cylinders),
        "all_nodes": event.all_nodes,
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
        "misfire": None if event.misfire is None else event.misfire.value,
        "lean_before": event.lean_before,
        "pace": pace_data(event.pace),
        "reason": event.reason,
    }


def pace_data(pace: SensorPace | None) -> dict[str, Any] | None:
    """What fuel cuts have shown of a sensor, as JSON; None where nothing is told."""
    if pace is None:
        return None
    return {
        "t63_s": pace.t63_s,
        "peers_t63_s": pace.peers_s,
        "times_peers": pace.times_peers,
        "cuts": pace.cuts,
    }


def judgement_data(one: Judgement) -> dict[str, Any]:
    """The decision as JSON."""
    if isinstance(one, JudgePull):
        return {"pull": one.begin, "keep": one.keep}
    return {"rpm": one.rpm, "load": one.load, "keep": one.keep}


def is_readable(note: RunNote) -> bool:
    """Whether a replay can use the note: what stands in a file may be anything."""
    try:
        if note.kind == ACTION:
            action_of(note, 0)
        if note.kind == JUDGED:
            judgement_of(note)
        if note.kind == FUEL_STEP:
            step_of(note, 0)
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError, UsageError):
        return False
    return abs(note.t) < END_OF_TIME and isinstance(note.data.get("stretch", 0), int)


def judgement_of(note: RunNote) -> Judgement:
    """The decision again."""
    data = note.data
    if not all(isinstance(data.get(key, 0), (int, float, NoneType)) for key in ("rpm", "load", "pull")):
        raise TypeError("no judgement")
    if "pull" in data:
        return JudgePull(int(data["pull"]), bool(data["keep"]))
    return JudgeCell(data["rpm"], data["load"], bool(data["keep"]))


def judgement_words(one: Judgement) -> str:
    """The decision as a remark."""
    if isinstance(one, JudgePull):
        return f"pull {'kept' if one.keep else 'rejected'} by the operator"
    place = " ".join(f"{name} {x:g}" for name, x in (("rpm", one.rpm), ("load", one.load)) if x is not None)
    return f"cell {place} {'counted again' if one.keep else 'excluded'} by the operator"


def event_words(event: Event) -> str:
    """What happened in one line, as a remark."""
    who = "all cylinders" if event.all_nodes else f"cyl {'+'.join(map(str, event.cylinders))}"
    facts = [f"for {event.duration_ns / 1e9:.2f} s"]
    if math.isfinite(event.peak_lambda):
        facts.insert(0, f"to {event.peak_lambda:.2f}")
    if math.isfinite(event.rpm):
        facts.append(f"at {event.rpm:.0f} rpm")
    why = f", {event.why_no_reading}," if event.why_no_reading else ""
    return f"{who} {event.kind.value}{why} {' '.join(facts)}"


ONE_SILENCE_NS = 250_000_000
"""Silences that begin within so long are one; our choice: a node may be as late before it is silent."""


def joined_silences(silences: Sequence[Event], nodes: int) -> list[Event]:
    """Silences of nodes in order of time; those that began together are one, of some or of all `nodes`."""
    groups: list[list[Event]] = []
    for event in sorted(silences, key=in_order):
        if groups and event.t - groups[-1][0].t <= ONE_SILENCE_NS:
            groups[-1].append(event)
        else:
            groups.append([event])
    heard = [{node for event in group for node in event.nodes} for group in groups]
    return [
        join_silences(group, all_nodes=len(concerned) == nodes > 1)
        for group, concerned in zip(groups, heard, strict=True)
    ]


def note_words(note: RunNote) -> str:
    """A note of a recorded run in words."""
    text, bus = str(note.data.get("text", "")), note.data.get("bus")
    if note.kind == FUEL_STEP:
        return step_words(step_of(note, 0))
    if note.kind in {MARK, NOTE}:
        return f"{note.kind}: {text}" if text else note.kind
    return f"{bus}: {text}" if bus else f"{note.kind} {text}".rstrip()


AFTER_NS = 10_000_000_000
"""How long an armed run goes on after the engine has fallen below the speed. Our choice: the run-down of a
pull is part of it."""

STATUS_S = 0.5
"""The status is renewed so often; our choice: asking the disk costs time."""


TRY_AGAIN_S = 2.0
"""Where a run could not go on, another is tried so often. Our choice: a stick that is plugged in again is
noticed at once, as people count, and a full disk is asked seldom."""

LAST_TRIES = 3
"""Runs that are begun at the end for frames that wait; our choice: a run that is refused costs little."""

AGAIN = "what had stopped it is over"
"""Why a run was begun that follows a failed one."""


class RunRecording:
    """A recorder as the worker uses it. Where a run could not go on, the next one is tried until it can.

    arm_rpm  a run begins above that speed, and ends some time after; None: it begins at once
    idle     True: it begins only when asked to

    silences  asked when a run begins: what the operator had silenced by then, as actions
    status    the recorder's, renewed twice a second
    runs      that have ended, by themselves or because they could not go on: the status at the end of each
    """

    def __init__(
        self,
        recorder: Recorder,
        *,
        arm_rpm: float | None = None,
        idle: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._recorder = recorder
        self._arm_rpm = arm_rpm
        self._idle = idle
        self._standing: list[str] = []
        self.silences: Callable[[], Sequence[OperatorAction]] = tuple
        self._above: int | None = None
        self._clock = clock
        self._wanted = False
        self._stretch = 0
        self._failing_since: float | None = None
        self._next_try = 0.0
        self._kept = 0
        self._looked = 0.0
        self.status: RecorderStatus = recorder.status()
        self.runs: list[RecorderStatus] = []

    def open(self, t: int) -> None:
        """Begin at data time `t`, or wait for the engine."""
        if self._arm_rpm is not None:
            self._recorder.arm()
        elif not self._idle:
            self.start(t, 0)
        self.look(now=True)

    def write(self, block: FrameBlock) -> None:
        """Frames as they came."""
        self._recorder.write(block)

    def note_event(self, event: SourceEvent) -> None:
        """What happened to a bus, noted."""
        self._recorder.note_event(event)

    def alarm(self, event: AlarmEvent) -> None:
        """An alarm record."""
        self._recorder.note(event.t, ALARM, **alarm_data(event))

    def action(self, action: OperatorAction) -> None:
        """What the operator did, as it was worked."""
        self._recorder.note(action.t, ACTION, **action_data(action))

    def step(self, action: StepAction) -> None:
        """What the operator did to the test by fuel steps."""
        self._recorder.note(action.t, FUEL_STEP, **step_data(action))

    def note(self, t: int, kind: str, **data: Any) -> None:
        """A mark or note."""
        self._recorder.note(t, kind, **data)

    def keep_note(self, t: int, text: str) -> None:
        """Write a note into the current run and into every later one."""
        self._standing.append(text)
        if self.running:
            self._recorder.note(t, NOTE, text=text)

    @property
    def running(self) -> bool:
        """Whether a run is being written."""
        return self._recorder.status().state is RecorderState.RECORDING

    def start(self, t: int, stretch: int, why: str = "asked for") -> None:
        """Begin a run; `stretch` is the stretch of time under way."""
        self._wanted = True
        if not self.running and self._recorder.start(why):
            self._recorder.note(t, RECORDING, stretch=stretch)
            for text in self._standing:
                self._recorder.note(t, NOTE, text=text)
            for action in self.silences():
                self.action(action)
        self.look(now=True)

    def stop(self, t: int | None, why: str = "asked for") -> None:
        """End the run; `t` is how far has been watched."""
        self._wanted = False
        running = self.running
        if running and t is not None:
            self._recorder.note(t, WATCHED)
        self._recorder.stop(why)
        if running:
            self._keep_ended()

    def follow(self, t: int | None, stretch: int, rpm: float) -> None:
        """Begin and end runs with the engine's speed, if armed; `t` is how far has been watched."""
        if self._arm_rpm is None or t is None:
            return
        if not math.isnan(rpm) and rpm > self._arm_rpm:
            if self._above is None:
                self.start(t, stretch, f"above {self._arm_rpm:g} rpm")
            self._above = t
        elif self._above is not None and not 0 <= t - self._above <= AFTER_NS:
            self._above = None
            self.stop(t, f"{AFTER_NS / 1e9:g} s below {self._arm_rpm:g} rpm")
            self._recorder.arm()
            self.look(now=True)

    def mend(self, t: int, stretch: int) -> None:
        """Where a run is wanted and none is written, try to begin one, now and then; `t` is now.

        Frames that are kept have mended it, and so has a run that has lasted until the next try would come.
        """
        now, self._stretch = self._clock(), stretch
        if (kept := self._recorder.kept) > self._kept:
            self._kept, self._failing_since, self._next_try = kept, None, now
        if not self._wanted or (self.running and now >= self._next_try):
            self._failing_since = None
        elif not self.running:
            if self._failing_since is None:
                self._failing_since = now
            if now >= self._next_try:
                self._next_try = now + TRY_AGAIN_S
                self.start(t, stretch, AGAIN)

    @property
    def failing_s(self) -> float:
        """For how long nothing that is wanted could be recorded; 0 if all is."""
        since = self._failing_since
        return 0.0 if since is None else self._clock() - since

    def events(self) -> list[RecorderEvent]:
        """What happened to the recorder since the last call."""
        events = self._recorder.events()
        if any(event.kind is RecorderEventKind.FAILED for event in events):
            self._keep_ended()
        return events

    def _keep_ended(self) -> None:
        """Keep how the last run ended, once."""
        self.look(now=True)
        folder = self.status.folder
        if folder is not None and folder not in [run.folder for run in self.runs]:
            self.runs.append(self.status)

    def look(self, *, now: bool = False) -> None:
        """Renew the status if it is old, or `now`."""
        if now or self._clock() - self._looked >= STATUS_S:
            self._looked = self._clock()
            self.status = self._recorder.status()

    @property
    def words(self) -> str:
        """What the recorder is doing."""
        status = self.status
        if status.state is RecorderState.RECORDING and status.folder is not None:
            return f"recording {status.folder.name}"
        if status.state is RecorderState.FAILED:
            return f"{status.state.value}: {status.reason}"
        if status.state is RecorderState.ARMED and self._arm_rpm is not None:
            return f"armed, above {self._arm_rpm:g} rpm"
        return status.state.value

    def close(self, t: int | None) -> None:
        """End the run and wait until all is on the disk; frames that wait for a run are tried again."""
        tries = LAST_TRIES
        while tries and self._wanted and not self.running:
            self.start(t or 0, self._stretch, AGAIN)
            tries -= 1
        self.stop(t, "closed")
        self._recorder.close()
        self.look(now=True)
