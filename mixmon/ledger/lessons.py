"""What a run teaches of its sensors: one pass over its rows, and the facts that follow.

The way of the data: the rows go through the stages that exist (`response`: T63, level in air, warm-up;
`events`: nodes that start again) and through `usage` (hours, cycles, exposure). `learn` makes facts of what
they say, by serial; `Lesson.notes` says what could not be known, and for want of which signal. `enter_run`
enters them, each log once: a log is known again by its frames, and by its time where stamps are dates.

A serial that stands on two nodes of one session gets no facts: nobody knows which of them are its own.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

from mixmon.errors import UsageError
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.nodes import NodeStage
from mixmon.findings.response.response import ResponseReviewer
from mixmon.findings.response.sensors import ResponseTime, SensorResponse
from mixmon.findings.stage import feed_on_the_way, run_through
from mixmon.ledger.entries import Entry, EntryKind, Fact, HarmfulEvent, in_force, is_dated
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.notes import LedgerNote
from mixmon.ledger.usage import RUNNING_RPM, Harm, NodeUsage, UsageStage, lean_limit_over_target
from mixmon.messages.binding import Binding
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note, note
from mixmon.session.model import Node, Session


class LoggedRun(Protocol):
    """What is read of a run: `mixmon.Run`."""

    binding: Binding

    @property
    def name(self) -> str:
        """The names of its logs."""

    @property
    def once(self) -> bool:
        """Whether it can be read once only."""

    @property
    def whole(self) -> bool:
        """Whether no part of the logs and no cylinder is left out."""

    def fingerprint(self) -> str:
        """What its logs can be known by again."""

    def __iter__(self) -> Iterator[CylinderBlock]: ...


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one run taught: facts that are new, entries once they are entered, and what is to be said.

    taught   serials of which the log had been entered before
    """

    log: str
    log_name: str
    taught: tuple[str, ...]
    facts: tuple[Fact, ...]
    notes: tuple[Note, ...]
    entries: tuple[Entry, ...] = ()


def enter_run(ledger: Ledger, run: LoggedRun, expected_air: float | None = None) -> Lesson:
    """Enters what a run teaches of its sensors that the ledger does not know yet.

    Args:
        ledger: in which it is entered.
        run: whole logs that can be read twice.
        expected_air: oxygen of the air on that day, percent, where it is known.

    Raises:
        UsageError: a part of a log, or one that can be read once only.
        SourceError: a log or the ledger cannot be read.
        OutputError: the ledger cannot be written.
    """
    if run.once:
        raise UsageError(f"{run.name}: it can be read once only; expected a file; write it to one")
    if not run.whole:
        raise UsageError(f"{run.name}: a part of it; expected whole logs and all cylinders; omit the choice")
    log, known = run.fingerprint(), in_force(ledger.entries())
    serials = _list_serials(run.binding.session)
    taught = {e.serial for e in known if e.kind is EntryKind.RUN and e.fact.log == log}
    notes = [note(LedgerNote.ALREADY_ENTERED, sensors=tuple(sorted(taught & set(serials))))] if taught else []
    if set(serials) <= taught:
        return Lesson(log, run.name, tuple(sorted(taught)), (), tuple(notes))
    facts, more = learn(run, log, expected_air)
    facts = tuple(fact for fact in facts if fact.serial not in taught)
    facts, overlaps = _drop_copies(facts, known)
    notes += [*more, *overlaps]
    entries = ledger.enter(facts) if facts else ()
    return Lesson(log, run.name, tuple(sorted(taught)), facts, tuple(notes), entries)


def learn(
    run: LoggedRun, log: str, expected_air: float | None = None
) -> tuple[tuple[Fact, ...], tuple[Note, ...]]:
    """The facts that a run teaches, and notes on what it cannot teach."""
    binding = run.binding
    nodes = binding.session.chain.nodes
    usage = UsageStage(binding)
    reviewer = ResponseReviewer(binding, expected_air=expected_air)
    clock = _RunSpan()
    search = NodeStage([node.cylinders for node in nodes])
    happened = list(run_through(search, feed_on_the_way(run, reviewer, usage, clock)))
    harms = [*usage.harms, *find_lost_supplies(happened)]
    serials = _list_serials(binding.session)
    make = _FactMaker(run, log, clock, expected_air)
    facts = [
        fact
        for j, (node, used, response) in enumerate(
            zip(nodes, usage.result(), reviewer.result().sensors, strict=True)
        )
        if node.sensor in serials
        for fact in make.facts(node, used, response, [h for h in harms if h.node == j])
    ]
    return tuple(facts), (*_notes_on_serials(binding.session), *_notes_on_signals(binding))


# Serials: who can be entered.


def _list_serials(session: Session) -> tuple[str, ...]:
    """The serials that stand on one node each."""
    count = Counter(node.sensor for node in session.chain.nodes if node.sensor)
    return tuple(serial for serial, times in count.items() if serial and times == 1)


def _notes_on_serials(session: Session) -> list[Note]:
    nodes = session.chain.nodes
    count = Counter(node.sensor for node in nodes if node.sensor)
    nameless = tuple(node.position for node in nodes if not node.sensor)
    found = [note(LedgerNote.NO_SERIAL, positions=nameless)] if nameless else []
    for serial, times in count.items():
        if times > 1:
            places = tuple(node.position for node in nodes if node.sensor == serial)
            found.append(note(LedgerNote.TWO_NODES, sensor=serial, positions=places))
    return found


# What cannot be known: the fact, and the signals of which one or all are missing.


def _notes_on_signals(binding: Binding) -> list[Note]:
    """A note for each kind of fact that some node of the session has no signal for."""
    session, engine = binding.session, binding.engine
    has = {name: all(name in node for node in binding.nodes) for name in _NODE_SIGNALS}
    target = "target" in engine or session.targets is not None
    load = session.axes.load_signal
    missing: dict[str, Sequence[str]] = {
        "hours hot and heater cycles": () if has["ready"] or has["heater"] else ("ready or heater",),
        "hours on leaded fuel": () if session.fuel is not None else ("[fuel]",),
        "exposure to lean gas": [
            name
            for name, there in (
                ("target", target),
                (load, load in engine),
                ("an alarm over_target", lean_limit_over_target(binding) is not None),
            )
            if not there
        ],
        "heat before the engine started": [
            name
            for name, there in (("rpm", "rpm" in engine), ("ready or heater", has["ready"] or has["heater"]))
            if not there
        ],
        "supply lost while hot": [
            name for name, there in (("rpm", "rpm" in engine), ("ready", has["ready"])) if not there
        ],
        "over-temperature": () if has["over_temperature"] else ("over_temperature",),
    }
    return [
        note(LedgerNote.NOT_KNOWN_WITHOUT, fact=fact, signals=tuple(signals))
        for fact, signals in missing.items()
        if signals
    ]


_NODE_SIGNALS: Final = ("ready", "heater", "over_temperature")


# Facts.


def find_lost_supplies(events: Iterable[Event]) -> Iterator[Harm]:
    """Controllers that started again, while the engine ran, with a sensor that had been at work.

    While the engine stands, a controller that starts again was switched off and on, which is no harm.
    """
    for event in events:
        if event.kind is Kind.NODE_RESET and event.rpm > RUNNING_RPM:
            values = {"rpm": round(event.rpm), "supply_v": event.evidence["supply_v"]}
            for j in event.nodes:
                yield Harm(HarmfulEvent.SUPPLY_LOST_HOT, j, event.t, values)


class _RunSpan:
    """The data time of the rows: from the first to the end of the last, ns; and the seconds that ran."""

    def __init__(self) -> None:
        self.begin = self.end = 0
        self.rows = 0

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows."""
        if len(block):
            self.begin = int(block.t[0]) if not self.rows else self.begin
            self.end = int(block.t[-1])
            self.rows += len(block)

    def result(self) -> float:
        """Seconds that ran."""
        return self.rows * ROW_S


class _FactMaker:
    """Makes the facts of one run."""

    def __init__(self, run: LoggedRun, log: str, clock: _RunSpan, expected_air: float | None) -> None:
        self._session, self._clock, self._air = run.binding.session, clock, expected_air
        self._log, self._log_name = log, run.name

    def facts(
        self, node: Node, used: NodeUsage, response: SensorResponse, harms: Sequence[Harm]
    ) -> Iterator[Fact]:
        """The facts about the sensor of one node; the run first."""
        serial = node.sensor or ""
        yield self._make(serial, EntryKind.RUN, self._describe_run(node, used))
        if response.lean.cuts + response.lean.steps + response.rich.cuts + response.rich.steps:
            ways = {"lean": _describe_time(response.lean), "rich": _describe_time(response.rich)}
            yield self._make(serial, EntryKind.T63, ways)
        if math.isfinite(response.air_percent):
            yield self._make(serial, EntryKind.AIR, self._describe_air(response))
        if math.isfinite(response.warm_up_s):
            yield self._make(
                serial, EntryKind.WARM_UP, {"seconds": response.warm_up_s, "at_least": used.heats_at_begin}
            )
        for harm in harms:
            event = {"what": harm.what.value, "t_ns": harm.t, **harm.values}
            yield self._make(serial, EntryKind.EVENT, event)

    def _make(self, serial: str, kind: EntryKind, facts: Mapping[str, Any]) -> Fact:
        return Fact(serial, kind, facts, self._log, self._log_name, self._clock.begin, self._clock.end)

    def _describe_run(self, node: Node, used: NodeUsage) -> Mapping[str, Any]:
        session, exposure = self._session, used.exposure
        return {
            "session": session.name,
            "position": node.position,
            "cylinders": list(node.cylinders),
            "seconds": self._clock.result(),
            "hot_s": used.hot_s,
            "heater_cycles": used.heater_cycles,
            "leaded": None if session.fuel is None else session.fuel.leaded,
            "exposure": None
            if exposure is None
            else {
                "lambda_s": exposure.lambda_s,
                "valid_s": exposure.valid_s,
                "over_target": exposure.over_target,
                "load_signal": exposure.load_signal,
            },
        }

    def _describe_air(self, response: SensorResponse) -> Mapping[str, Any]:
        return {
            "percent": response.air_percent,
            "half_percent": _known(response.air_half_percent),
            "to_peers_percent": _known(response.air_to_peers_percent),
            "to_expected_percent": _known(response.air_to_expected_percent),
            "expected_percent": self._air,
        }


def _describe_time(time: ResponseTime) -> Mapping[str, Any] | None:
    """T63 one way; None where it was not measured."""
    if not math.isfinite(time.t63_s):
        return None
    return {
        "t63_s": time.t63_s,
        "half_s": _known(time.half_s),
        "own_half_s": _known(time.own_half_s),
        "cuts": time.cuts,
        "steps": time.steps,
    }


def _known(number: float) -> float | None:
    """The number; None where it is NaN."""
    return number if math.isfinite(number) else None


# Logs that were recorded twice.


def _drop_copies(facts: Sequence[Fact], known: Sequence[Entry]) -> tuple[tuple[Fact, ...], list[Note]]:
    """The facts without those of a time that another log has taught of the same sensor in the same place.

    In another place the same time is no copy: then one of the two serials is wrong (see `standing`).
    """
    runs = [e.fact for e in known if e.kind is EntryKind.RUN]
    copies = {
        fact.serial: run.log_name
        for fact in facts
        if fact.kind is EntryKind.RUN
        for run in runs
        if overlap(fact, run) and same_place(fact, run)
    }
    kept = tuple(fact for fact in facts if fact.serial not in copies)
    notes = [
        note(
            LedgerNote.OVERLAPS,
            log=log_name,
            sensors=tuple(sorted(s for s, of in copies.items() if of == log_name)),
        )
        for log_name in sorted(set(copies.values()))
    ]
    return kept, notes


def overlap(one: Fact, other: Fact) -> bool:
    """Whether two runs of one sensor have data time in common; never where stamps are no dates."""
    if one.serial != other.serial or not (is_dated(one) and is_dated(other)):
        return False
    begin = max(one.begin_ns or 0, other.begin_ns or 0)
    return begin < min(one.end_ns or 0, other.end_ns or 0)


def same_place(one: Fact, other: Fact) -> bool:
    """Whether two runs had the sensor in the same place of the same session."""
    return all(one.facts[name] == other.facts[name] for name in ("session", "position", "cylinders"))
