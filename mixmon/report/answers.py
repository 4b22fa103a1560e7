"""What each report answers, before its tables: which cylinder or sensor, how much, and whether to rely on it.

An answer is notes, so that a script matches their codes; as text they are one sentence. What makes a result
unfit to act on comes first: that trims are withheld, that nothing was counted, that an interval holds zero.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mixmon.findings.alarms.misfire import MisfireMark
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.balance.balance import Balance
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.bias.design import RotationDesign
from mixmon.findings.bias.rotation import Rotation
from mixmon.findings.causes.causes import Causes, CylinderCauses
from mixmon.findings.census.records import CensusReport
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.events.tips import TipReview
from mixmon.findings.identity.identity import Identity
from mixmon.findings.proof.compare import BeforeAfter, TrimEffect
from mixmon.findings.proof.equivalence import Outcome
from mixmon.findings.pulls.quality import Suggestion
from mixmon.findings.pulls.review import PullReview
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.sensors import SensorResponse
from mixmon.findings.trims.sheet import TrimSheet
from mixmon.ledger.standing import SensorRecord
from mixmon.messages.gaps import Gap
from mixmon.note import Note, NoteCode, Value, note
from mixmon.report.page import stress
from mixmon.report.text import paragraph
from mixmon.session.evidence import IdentityState
from mixmon.session.model import Node


class AnswerNote(NoteCode):
    """What answers first; the notes of the finding itself stand beside these."""

    # needs
    NO_NEED_KNOWN = "no_need_known"
    TRIMS_WITHHELD = "trims_withheld"
    FARTHEST_SURE = "farthest_sure"
    FARTHEST_OR_SENSOR = "farthest_or_sensor"
    NONE_SURE = "none_sure"
    FARTHER_UNSURE = "farther_unsure"
    TRIMS_TO_TYPE = "trims_to_type"
    SPREAD_AFTER = "spread_after_trims"
    TOO_SHORT = "too_short_to_rely_on"
    LABELS_NOT_PROVED = "labels_not_proved"

    # events
    EVENTS_FOUND = "events_found"
    NO_EVENT = "no_event"
    NO_SAMPLE_COUNTS = "no_sample_counts"
    NOT_SURE_WHICH = "events_not_sure_which"

    # pulls
    NO_PULL = "no_pull"
    ALL_PULLS_REJECTED = "all_pulls_rejected"
    FARTHEST_IN_PULL = "farthest_in_pull"
    PULLS_KEPT = "pulls_kept"

    # response
    SENSORS_STAND_OUT = "sensors_stand_out"
    SENSORS_ALIKE = "sensors_alike"
    SENSORS_NOT_MEASURED = "sensors_not_measured"

    # census
    BUS_COMPLETE = "bus_complete"
    BUS_NOT_COMPLETE = "bus_not_complete"
    NODES_FOUND = "nodes_found"
    NODES_WITH_NOTES = "nodes_with_notes"

    # fewer sensors than cylinders, staged injection
    SOME_NOT_MEASURED = "some_not_measured"
    IN_ONE_STAGE = "in_one_injection_stage"

    # identity
    LABELS_PROVED = "labels_proved"
    LABELS_DISPROVED = "labels_disproved"
    LABELS_UNPROVED = "labels_unproved"

    # rotation
    NOT_SOLVED = "not_solved"
    SESSIONS_DISAGREE = "answer_sessions_disagree"
    NOTHING_CHECKS = "nothing_checks_it"
    LARGEST_BIAS = "largest_bias"
    SESSIONS_PLANNED = "sessions_planned"
    ERROR_NOT_REACHED = "error_not_reached"

    # comparison
    NOTHING_COMPARED = "nothing_compared"
    CONDITIONS_DIFFER = "conditions_differ_between_runs"
    TRIM_EFFECT = "trim_effect"
    CHANGES_SHOWN = "changes_shown"

    # tips
    NO_TIP = "no_tip"
    LARGEST_PEAK = "largest_peak"

    # the ledger
    NO_SENSOR_KNOWN = "no_sensor_known"
    LOOK_AT_SENSORS = "look_at_sensors"
    NO_REMARK_ON_SENSORS = "no_remark_on_sensors"

    # alarms
    NO_ALARM_RAISED = "no_alarm_raised"
    ALARMS_RAISED = "alarms_raised"
    MORE_ALARMS = "more_alarms"

    # causes
    LIKELIEST_CAUSE = "likeliest_cause"
    NO_CAUSE = "no_cause"
    TEST_NEXT = "test_next"


@dataclass(frozen=True, slots=True)
class Answer:
    """The notes of an answer in their order.

    doubt  the result is not to be relied on as it is
    """

    notes: tuple[Note, ...]
    doubt: bool = False


def answer_text(answer: Answer) -> str:
    """The answer as one sentence, stressed on a terminal that shows it."""
    from mixmon.report.words import sentences  # which takes the codes of this module

    said = sentences(answer.notes)
    return stress(paragraph(f"{said[:1].upper()}{said[1:].rstrip('.')}."), doubt=answer.doubt)


# Needs.


@dataclass(frozen=True, slots=True)
class _Need:
    """Of one cylinder: the need, its interval as it repeats, and with its sensor's own error."""

    cylinder: int
    percent: float
    repeats: tuple[float, float]
    total: tuple[float, float]

    @property
    def widest(self) -> tuple[float, float]:
        """With its sensor's own error, where that is known."""
        return self.total if math.isfinite(self.total[0]) else self.repeats


def balance_answer(balance: Balance) -> Answer:
    """The farthest cylinder, what the trims leave, and what speaks against relying on it."""
    needs = [
        _Need(c.cylinder, c.needs_percent, c.interval95_percent, c.total_interval95_percent)
        for c in balance.cylinders
    ]
    farthest = _farthest(needs, balance.against)
    short, labels = _doubts(balance.notes, balance.identity, withheld=bool(balance.withheld))
    known = farthest[0].code is not AnswerNote.NO_NEED_KNOWN
    notes = [*_withheld(balance.withheld), *(short if known else []), *farthest]
    if not balance.withheld and math.isfinite(balance.predicted_spread.value):
        now, after = balance.spread.value, balance.predicted_spread.value
        notes.append(note(AnswerNote.SPREAD_AFTER, now_percent=now, after_percent=after))
    notes += _whom_it_is_of(balance.notes) if known else []
    return Answer((*notes, *(labels if known else [])), bool(balance.withheld or short) or not known)


def trims_answer(sheet: TrimSheet) -> Answer:
    """What is to be typed where most changes, how sure that is; first that nothing is to be typed."""
    needs = [_Need(r.cylinder, r.needs_percent, r.interval95_percent, (math.nan,) * 2) for r in sheet.rows]
    farthest = _farthest(needs, "peers")
    short, labels = _doubts(sheet.notes, sheet.identity, withheld=bool(sheet.withheld))
    known = farthest[0].code is not AnswerNote.NO_NEED_KNOWN
    notes = [*_withheld(sheet.withheld), *(short if known else []), *farthest]
    if known and not sheet.withheld and sheet.shape != "map":
        changed = sum(row.new_percent != row.now_percent for row in sheet.rows)
        notes.append(note(AnswerNote.TRIMS_TO_TYPE, changed=changed, of=len(sheet.rows)))
    notes += _whom_it_is_of(sheet.notes) if known else []
    return Answer((*notes, *(labels if known else [])), bool(sheet.withheld or short) or not known)


def _whom_it_is_of(notes: Sequence[Note]) -> list[Note]:
    """Cylinders of which nothing is known, and the injection stage, where the rest is not of all."""
    found = {one.code: dict(one.values) for one in notes}
    out = []
    if unseen := found.get(BalanceNote.CYLINDERS_NOT_MEASURED):
        out.append(note(AnswerNote.SOME_NOT_MEASURED, cylinders=unseen["cylinders"]))
    if stage := found.get(BalanceNote.OF_INJECTION_STAGE):
        out.append(note(AnswerNote.IN_ONE_STAGE, injection_stage=stage["injection_stage"]))
    return out


def _withheld(reasons: Sequence[Note]) -> list[Note]:
    """That no trims are offered, with the first reason."""
    return [note(AnswerNote.TRIMS_WITHHELD, reasons=len(reasons)), reasons[0]] if reasons else []


def _farthest(needs: Iterable[_Need], against: str) -> list[Note]:
    """The cylinder farthest from the others or the target, and what its interval says of it.

    One that surely differs stands before one that reads farther and may not differ at all.
    """
    known = [one for one in needs if math.isfinite(one.percent) and math.isfinite(one.repeats[1])]
    if not known:
        return [note(AnswerNote.NO_NEED_KNOWN)]
    farthest = max(known, key=lambda one: abs(one.percent))
    named = max(known, key=lambda one: (_SURENESS.index(_how_sure(one)), abs(one.percent)))
    notes = [_write_need(_how_sure(named), named, against, farthest=named is farthest)]
    if named is not farthest:
        notes.append(_write_need(AnswerNote.FARTHER_UNSURE, farthest, against, farthest=True))
    return notes


_SURENESS = (AnswerNote.NONE_SURE, AnswerNote.FARTHEST_OR_SENSOR, AnswerNote.FARTHEST_SURE)


def _how_sure(one: _Need) -> AnswerNote:
    if _holds_zero(one.repeats):
        return AnswerNote.NONE_SURE
    return AnswerNote.FARTHEST_OR_SENSOR if _holds_zero(one.widest) else AnswerNote.FARTHEST_SURE


def _write_need(code: AnswerNote, one: _Need, against: str, *, farthest: bool) -> Note:
    return note(
        code,
        cylinder=one.cylinder,
        needs_percent=one.percent,
        from_percent=one.widest[0],
        to_percent=one.widest[1],
        with_sensor_error=int(one.widest is one.total),
        against=against,
        farthest=int(farthest),
    )


def _holds_zero(interval: tuple[float, float]) -> bool:
    return interval[0] <= 0 <= interval[1]


def _doubts(
    notes: Sequence[Note], identity: IdentityState, *, withheld: bool
) -> tuple[list[Note], list[Note]]:
    """What speaks against relying on needs beside withheld trims: of the readings, and of the labels."""
    short = any(one.code is BalanceNote.TOO_SHORT_FOR_WANDER for one in notes)
    unproved = identity in (IdentityState.STATED, IdentityState.UNPROVED) and not withheld
    return (
        [note(AnswerNote.TOO_SHORT)] if short else [],
        [note(AnswerNote.LABELS_NOT_PROVED)] if unproved else [],
    )


# Events and pulls.


def events_answer(events: Sequence[Event], missing: Sequence[Note]) -> Answer:
    """What happened, by kind and cylinder, the gravest first; what was not classified is said to be so."""
    if not events:
        blind = any(one.code is Gap.NOTHING_COUNTS for one in missing)
        return Answer((note(AnswerNote.NO_SAMPLE_COUNTS if blind else AnswerNote.NO_EVENT),), doubt=blind)
    notes = []
    for kind in _GRAVEST_FIRST:
        own = [event for event in events if event.kind is kind]
        if own:
            by = Counter(c for e in own if not e.all_nodes for c in e.cylinders)
            most = tuple(c for c, _ in by.most_common(_CYLINDERS_NAMED))
            code = AnswerNote.NOT_SURE_WHICH if kind is Kind.NOT_CLASSIFIED else AnswerNote.EVENTS_FOUND
            more = max(len(by) - len(most), 0)
            notes.append(note(code, kind=kind.value, count=len(own), cylinders=most, more=more))
    return Answer(tuple(notes), doubt=any(event.kind is Kind.NOT_CLASSIFIED for event in events))


_CYLINDERS_NAMED = 3  # our choice: more make no sentence; the table has them all

_GRAVEST_FIRST: tuple[Kind, ...] = (
    Kind.MISFIRE,
    Kind.NO_FUEL,
    Kind.LEAN_EXCURSION,
    Kind.NOT_CLASSIFIED,
    *(
        kind
        for kind in Kind
        if kind not in (Kind.MISFIRE, Kind.NO_FUEL, Kind.LEAN_EXCURSION, Kind.NOT_CLASSIFIED)
    ),
)


def pulls_answer(review: PullReview, nodes: Sequence[Node], against: str) -> Answer:
    """The farthest cylinder of the last pull that is kept, where in it, and whether that is sure."""
    if not review.pulls:
        return Answer((note(AnswerNote.NO_PULL),), doubt=True)
    kept = [i for i, pull in enumerate(review.pulls) if pull.verdict.suggestion is Suggestion.KEEP]
    counts = note(AnswerNote.PULLS_KEPT, kept=len(kept), pulls=len(review.pulls))
    if not kept:
        return Answer((note(AnswerNote.ALL_PULLS_REJECTED, pulls=len(review.pulls)),), doubt=True)
    last = review.tables[kept[-1]]
    needs, halves, points = last.peers, last.peers_half, last.worst
    if against == "target":
        needs, halves, points = last.target, last.target_half, last.leanest
    named = [(node, j, point) for j, (node, point) in enumerate(zip(nodes, points, strict=True)) if point]
    if not named:
        return Answer((note(AnswerNote.NO_NEED_KNOWN), counts), doubt=True)
    node, j, point = max(named, key=lambda one: abs(one[2].needs_percent) if one[2] else 0.0)
    band = min(range(len(needs)), key=lambda b: abs(float(last.bands.centres[b]) - point.rpm))
    half = float(halves[band, j])
    farthest = note(
        AnswerNote.FARTHEST_IN_PULL,
        cylinders=node.cylinders,
        needs_percent=point.needs_percent,
        half_interval_percent=half,
        rpm=point.rpm,
        pull=kept[-1] + 1,
        against=against,
    )
    return Answer((farthest, counts), doubt=not abs(point.needs_percent) > half)


# Sensors, nodes and labels.


_OF_A_SLOW_SENSOR = frozenset(ResponseNote)


def response_answer(sensors: Sequence[SensorResponse]) -> Answer:
    """The sensors that stand out, and those that were not measured."""
    measured = [one for one in sensors if math.isfinite(one.t63_s)]
    if not measured:
        return Answer(
            (note(AnswerNote.SENSORS_NOT_MEASURED, cylinders=(), measured=0, sensors=len(sensors)),), True
        )
    odd = [one for one in sensors if any(flag.code in _OF_A_SLOW_SENSOR for flag in one.flags)]
    notes = []
    if odd:
        worst = max(odd, key=lambda one: one.times_peers if math.isfinite(one.times_peers) else 0.0)
        notes.append(
            note(
                AnswerNote.SENSORS_STAND_OUT,
                cylinders=worst.cylinders,
                t63_ms=1e3 * worst.t63_s,
                times_peers=worst.times_peers,
                others=len(odd) - 1,
            )
        )
        notes += worst.flags
    else:
        notes.append(note(AnswerNote.SENSORS_ALIKE, sensors=len(measured)))
    lacking = tuple(c for one in sensors if not math.isfinite(one.t63_s) for c in one.cylinders)
    if lacking:
        code = AnswerNote.SENSORS_NOT_MEASURED
        notes.append(note(code, cylinders=lacking, measured=len(measured), sensors=len(sensors)))
    return Answer(tuple(notes), doubt=bool(lacking))


def census_answer(census: CensusReport, missed: Sequence[str]) -> Answer:
    """Whether every node is there, alone and regular.

    missed  reasons why the bus is not complete, in words
    """
    if not census.declared:
        return Answer((note(AnswerNote.NODES_FOUND, nodes=len(census.nodes), ids=len(census.ids)),))
    odd = tuple(node.position for node in census.nodes if node.notes)
    beside = [note(AnswerNote.NODES_WITH_NOTES, positions=odd)] if odd else []
    beside += next((node.notes for node in census.nodes if node.notes), ())
    if missed:
        return Answer((note(AnswerNote.BUS_NOT_COMPLETE, missed=tuple(missed)), *beside), doubt=True)
    return Answer((note(AnswerNote.BUS_COMPLETE, nodes=len(census.nodes)), *beside), doubt=bool(odd))


def identity_answer(identity: Identity) -> Answer:
    """Whether each label sees its cylinder; which are exchanged."""
    steps = identity.steps
    if identity.state is IdentityState.PROVED:
        within = any(len(label.cylinders) > len(label.labelled) for label in identity.labels)
        proved = note(
            AnswerNote.LABELS_PROVED, labels=len(identity.labels), steps=steps, within_pairs=int(within)
        )
        return Answer((proved,))
    if identity.state is IdentityState.DISPROVED:
        wrong = tuple(label.labelled[0] for label in identity.labels if label.cylinders and not label.right)
        found = note(AnswerNote.LABELS_DISPROVED, labels=wrong, exchanged=identity.exchanged, steps=steps)
        return Answer((found,), doubt=True)
    why = identity.notes[:1]
    return Answer((note(AnswerNote.LABELS_UNPROVED, steps=steps), *why), doubt=True)


def causes_answer(causes: Causes) -> Answer:
    """The cylinder with the largest need, its likeliest cause, and the next test."""
    named = [one for one in causes.cylinders if one.causes]
    if not named:
        return Answer((note(AnswerNote.NO_CAUSE),))
    worst = max(named, key=_how_far)
    first = max(worst.causes, key=lambda c: c.share)
    apart = any(first.cause in group for group in worst.not_separated)
    notes = [
        note(
            AnswerNote.LIKELIEST_CAUSE,
            cylinder=worst.cylinder,
            cause=first.cause.value,
            percent=100 * first.share,
            others=sum(one is not worst for one in named),
            separated=int(not apart),
        )
    ]
    if causes.next_test is not None:
        test = causes.next_test
        notes.append(note(AnswerNote.TEST_NEXT, test=test.code.value, minutes=test.minutes))
    return Answer(tuple(notes), doubt=apart)


def _how_far(one: CylinderCauses) -> float:
    """How far a cylinder is off in the cell in which it is farthest, nearly."""
    return max(x if math.isfinite(x) else 0.0 for x in (abs(one.level_percent), one.change_percent))


# Rotations, comparisons, tips, the ledger, alarms.


def rotation_answer(rotation: Rotation) -> Answer:
    """The farthest cylinder and the largest bias; first that it is not solved, or that nothing checks it."""
    if rotation.why_not is not None:
        return Answer((note(AnswerNote.NOT_SOLVED), rotation.why_not), doubt=True)
    notes = []
    if rotation.consistent is None:
        notes.append(note(AnswerNote.NOTHING_CHECKS))
    elif not rotation.consistent:
        notes.append(note(AnswerNote.SESSIONS_DISAGREE))
    ends = [
        (c.cylinder, c.needs_percent, c.needs_percent - c.half_interval_percent, c.half_interval_percent)
        for c in rotation.cylinders
    ]
    free = [_Need(c, need, (low, low + 2 * half), (low, low + 2 * half)) for c, need, low, half in ends]
    doubt = bool(notes)
    notes += _farthest(free, "peers")
    known = [one for one in rotation.sensors if math.isfinite(one.bias_percent)]
    if known:
        worst = max(known, key=lambda one: abs(one.bias_percent))
        half = worst.half_interval_percent
        values: dict[str, Value] = {
            "sensor": worst.sensor,
            "bias_percent": worst.bias_percent,
            "half_interval_percent": half,
        }
        notes.append(note(AnswerNote.LARGEST_BIAS, **values))
    return Answer(tuple(notes), doubt)


def design_answer(design: RotationDesign) -> Answer:
    """How many sessions, and what they will make known; first that what was asked for is not reached."""
    if design.why_not is not None:
        return Answer((note(AnswerNote.NOT_SOLVED), design.why_not), doubt=True)
    sessions, half = len(design.sessions), max(design.half_interval_percent, default=math.nan)
    planned = note(AnswerNote.SESSIONS_PLANNED, sessions=sessions, half_interval_percent=half)
    if design.reached:
        return Answer((planned,))
    missed = note(AnswerNote.ERROR_NOT_REACHED, wanted_percent=design.wanted_percent)
    return Answer((missed, planned), doubt=True)


def _list_places(effects: Sequence[TrimEffect]) -> tuple[int, ...]:
    """The cylinders at which trims appear that were typed for others."""
    places = (dict(one.verdict.values).get("appears_at") for one in effects)
    every = [cylinder for place in places if isinstance(place, tuple) for cylinder in place]
    return tuple(dict.fromkeys(int(cylinder) for cylinder in every if isinstance(cylinder, int)))


def comparison_answer(found: BeforeAfter) -> Answer:
    """Whether trims took, and what changed; first what was unlike in the two runs."""
    if not found.cells:
        return Answer((note(AnswerNote.NOTHING_COMPARED),), doubt=True)
    unlike = tuple(one.quantity for one in found.conditions if one.alike is False)
    notes = [note(AnswerNote.CONDITIONS_DIFFER, quantities=unlike)] if unlike else []
    for verdict in dict.fromkeys(one.verdict.code for one in found.effect):
        own = [one for one in found.effect if one.verdict.code == verdict]
        slope = own[0].slope if len(own) == 1 else math.nan
        cylinders = tuple(one.cylinder for one in own)
        values: dict[str, Value] = {"verdict": verdict.value, "cylinders": cylinders, "slope": slope}
        for one in own:
            values.update(one.verdict.values)
        if "appears_at" in values:
            values["appears_at"] = _list_places(own)
        notes.append(note(AnswerNote.TRIM_EFFECT, **values))
    outcomes = Counter(one.outcome for one in found.cylinders)
    changed = tuple(one.cylinder for one in found.cylinders if one.outcome is Outcome.DIFFERENT)
    notes.append(
        note(
            AnswerNote.CHANGES_SHOWN,
            different=changed,
            equivalent=outcomes[Outcome.EQUIVALENT],
            not_shown=outcomes[Outcome.NOT_SHOWN],
            margin_percent=found.margin_percent,
        )
    )
    if found.injection_stage is not None:
        notes.append(note(AnswerNote.IN_ONE_STAGE, injection_stage=found.injection_stage))
    return Answer(tuple(notes), doubt=bool(unlike))


def tips_answer(found: TipReview, nodes: Sequence[Node]) -> Answer:
    """The largest excursion of any cylinder, against its noise."""
    peaks = [
        (i, node, one)
        for i, tip in enumerate(found.tips, 1)
        for node, one in zip(nodes, tip.measures, strict=True)
        if one is not None and math.isfinite(one.peak)
    ]
    if not peaks:
        return Answer((note(AnswerNote.NO_TIP, unjudged=found.unjudged),), doubt=bool(found.unjudged))
    tip, node, worst = max(peaks, key=lambda one: abs(one[2].peak))
    clear = abs(worst.peak) > _CLEAR_OF_NOISE * worst.noise
    values: dict[str, Value] = {
        "cylinders": node.cylinders,
        "peak_lambda": worst.peak,
        "tip": tip,
        "clear": int(clear),
    }
    return Answer((note(AnswerNote.LARGEST_PEAK, **values),), doubt=not clear)


_CLEAR_OF_NOISE = 3  # standard deviations; a smaller peak may be chance (`findings.events.tips.TipMeasure`)


def sensors_answer(sensors: Sequence[SensorRecord]) -> Answer:
    """The sensors of which something stands out, with the first flag of the first."""
    if not sensors:
        return Answer((note(AnswerNote.NO_SENSOR_KNOWN),))
    odd = [one for one in sensors if one.flags or one.harms]
    if not odd:
        return Answer((note(AnswerNote.NO_REMARK_ON_SENSORS, sensors=len(sensors)),))
    names = tuple(one.serial for one in odd)
    first = next((one.flags[:1] for one in odd if one.flags), ())
    return Answer((note(AnswerNote.LOOK_AT_SENSORS, sensors=names, of=len(sensors)), *first), doubt=True)


def alarms_answer(events: Sequence[AlarmEvent]) -> Answer:
    """Which alarms asked for attention, how often, in which cylinders most; misfires apart from lean."""
    raised = _raised_with_marks(events)
    if not raised:
        return Answer((note(AnswerNote.NO_ALARM_RAISED),))
    notes = []
    rules = Counter((event.priority, event.rule, mark) for event, mark in raised)
    ranked = sorted(rules.items())
    for (priority, rule, mark), count in ranked[:_RULES_NAMED]:
        by = Counter(c for one, its in raised if (one.rule, its) == (rule, mark) for c in one.cylinders)
        most = tuple(c for c, _ in by.most_common(_CYLINDERS_NAMED))
        values: dict[str, Value] = {"priority": priority, "rule": rule, "misfire": mark, "count": count}
        more = max(len(by) - len(most), 0)
        notes.append(note(AnswerNote.ALARMS_RAISED, **values, cylinders=most, more=more))
    if others := tuple(dict.fromkeys(rule for (_, rule, _), _ in ranked[_RULES_NAMED:])):
        notes.append(note(AnswerNote.MORE_ALARMS, rules=others))
    return Answer(tuple(notes), doubt=True)


def _raised_with_marks(events: Sequence[AlarmEvent]) -> list[tuple[AlarmEvent, str]]:
    """What was announced, each with its last misfire mark that is not withdrawn; empty for none."""
    raised: list[AlarmEvent] = []
    newest: dict[tuple[str, int | None], int] = {}
    marks: dict[int, str] = {}
    for event in events:
        name = event.rule, event.position
        if event.announced:
            newest[name] = len(raised)
            raised.append(event)
        if name in newest:
            no_mark = event.misfire in {None, MisfireMark.WITHDRAWN} or event.lean_before
            mark = "" if no_mark else str(event.misfire)
            marks[newest[name]] = mark or marks.get(newest[name], "") * (event.misfire is None)
    return [(event, marks[i]) for i, event in enumerate(raised)]


_RULES_NAMED = 3  # our choice: of more the sentence gives the names alone; the records have them all
