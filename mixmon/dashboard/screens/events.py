"""The events screen and the notes screen: what has happened, newest on top, each with its time.

Alarm records, findings in the readings and remarks become lines of one form; what comes over
several cylinders at the same moment is one line. Other screens show the newest lines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from operator import itemgetter
from typing import Any

import numpy as np

from mixmon.dashboard.pictures.plot import PANE_GAP, Same, has_panes, nothing_to_draw, panes_beside
from mixmon.dashboard.pictures.traces import alarm_picture, event_picture
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import Row, blank, clean, fit_row, padded, split_row, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.alarms.states import SHORT_WORDS, AlarmState
from mixmon.findings.events.event import NOT_FUELLING, Event
from mixmon.report.units import Unit
from mixmon.session.alarm_kinds import kind_of, limit_text, measured_text
from mixmon.session.model import AlarmRule
from mixmon.watch.snapshot import Snapshot

# ----------------------------------------------------------------------------------------------------
# Notes and marks.
# ----------------------------------------------------------------------------------------------------

_OWN_WORDS = ("mark", "note")
"""Remarks that begin so are the operator's own."""


def notes_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Every note with its time, whole; `first` rows are scrolled away."""
    width = sheet.width
    notes = [remark for remark in scene.snapshot.remarks if remark[1].startswith(_OWN_WORDS)]
    head = [status(scene, verdict, width, title=f"NOTES {len(notes)}")]
    body: list[Row] = []
    for t, words in reversed(notes):
        for i, line in enumerate(wrap(words, max(width - 11, 8))):
            time = scene.clock(t) if i == 0 else ""
            body.append(fit_row([(f" {time:>7}  ", "dim"), (line, "text")], width))
    if not body:
        live = scene.live.replay_position is None
        words = "no notes yet: n writes one, space marks a moment" if live else "no notes in this recording"
        body = [blank(width), fit_row([(f"  {words}", "dim")], width)]
    return framed(head, body, sheet, first=first)


# ----------------------------------------------------------------------------------------------------
# Lines: everything that has happened in one form.
# ----------------------------------------------------------------------------------------------------

KEPT_LINES = 200
"""Lines that a search looks through. Our choice: several screens; more would cost time at every picture."""

_LATEST = 100
"""Records of each kind that a part of another screen looks at. Our choice, likewise."""

_KEPT_RECORDS = 1024
"""Records, lines and rows that are kept of a kind. Our choice: more than a snapshot holds of any."""

_MOST_CELLS, _WIDE = 110, 140
"""From _WIDE cells on, a line takes _MOST_CELLS. Our choice: the eye can follow a line of that length."""

_AT_ONCE_NS = 300_000_000
"""What comes over several cylinders within this time is one line. Our choice: a few engine cycles at idle."""


@dataclass(frozen=True, slots=True)
class EventLine:
    """One line of what happened.

    t       data time, ns; of the newest record where there are several
    before, after  words around `whom`
    whom    cylinders as labels, or names of rules; empty where the whole engine is meant
    facts   numbers; of several records, those with the largest `weight`
    word    how it ended or stands, in `style`
    about   the record of one cylinder that a picture can be drawn of; None: there is none
    """

    t: int
    before: str
    whom: tuple[str, ...] = ()
    after: str = ""
    facts: str = ""
    weight: float = 0.0
    word: str = ""
    style: str = "text"
    about: AlarmEvent | Event | None = None

    @property
    def text(self) -> str:
        """All but the word."""
        numbers = all(name[0].isdigit() for name in self.whom)
        who = f"cyl {' '.join(self.whom)} " if numbers and self.whom else ", ".join(self.whom)
        words = f"{self.before}{who}{self.after}".rstrip()
        return f"{words}  {self.facts}" if self.facts else words

    def merged_with(self, other: EventLine) -> EventLine:
        """One line for the cylinders of both, with the numbers of the one that weighs more."""
        heavier = other if other.weight > self.weight else self
        whom = tuple(sorted({*self.whom, *other.whom}, key=_by_number))
        return replace(self, whom=whom, facts=heavier.facts, weight=heavier.weight)


def event_lines(scene: Scene, most: int = KEPT_LINES) -> list[EventLine]:
    """The latest of everything in the snapshot, newest first, at most `most` lines."""
    shown = scene.snapshot
    return _merge_lines(scene, (*shown.alarm_events, *shown.happened, *shown.remarks[-most:]), most)


def _pressing_lines(scene: Scene, most: int) -> list[EventLine]:
    """The same without what every throttle lift brings: cuts, tips, rules suppressed by design."""
    shown = scene.snapshot
    alarms = (event for event in shown.alarm_events[-_LATEST:] if event.state is not None)
    happened = (event for event in shown.happened[-_LATEST:] if not event.all_nodes)
    return _merge_lines(scene, (*alarms, *happened, *shown.remarks[-_LATEST:]), most)


Remark = tuple[int, str]
"""What happened to a source or the recorder: data time, ns, and words."""


def _merge_lines(scene: Scene, found: Iterable[AlarmEvent | Event | Remark], most: int) -> list[EventLine]:
    """The lines, newest first; one line for what came over several cylinders at once."""
    if most <= 0:
        return []
    waiting = {(a.rule.name, a.position) for a in scene.alarms() if a.waits}
    out: list[EventLine] = []
    places: dict[tuple[str, str, str], int] = {}
    stamped = [(one[0] if isinstance(one, tuple) else one.t, one) for one in found]
    for t, one in sorted(stamped, key=_sort_key(scene.snapshot), reverse=True):
        if len(out) > most and abs(out[most].t - t) > _AT_ONCE_NS:
            break
        line = _make_line(scene, one, waiting)
        name = line.before, line.after, line.word
        at = places.get(name)
        if at is not None and abs(out[at].t - line.t) <= _AT_ONCE_NS:
            out[at] = _merge_two(Same(out[at]), Same(line))
        else:
            places[name] = len(out)
            out.append(line)
    return out[:most]


def _sort_key(shown: Snapshot) -> Callable[[tuple[int, Any]], Any]:
    """Stamps alone, where they have never jumped: hundreds are sorted at every tick."""
    return itemgetter(0) if len(shown.stretches) < 2 else lambda stamped: shown.order(stamped[0])


@lru_cache(_KEPT_RECORDS)
def _merge_two(one: Same, other: Same) -> EventLine:
    line: EventLine = one.it
    return line.merged_with(other.it)


def _make_line(
    scene: Scene, one: AlarmEvent | Event | Remark, waiting: set[tuple[str, int | None]]
) -> EventLine:
    """The line of one record. UNACK marks only the newest announcement of an alarm that waits."""
    if isinstance(one, tuple):
        return _remark_line(*one)
    if isinstance(one, Event):
        return _happened_line(scene, one)
    if one.state is None:
        return _rule_line(Same(one))
    name = (one.rule, one.position)
    new = one.announced and name in waiting
    waiting -= {name} if one.announced else set()
    return _alarm_line(Same(one), Same(scene.setting.rules), new)


@lru_cache(_KEPT_RECORDS)
def _remark_line(t: int, words: str) -> EventLine:
    return EventLine(t, words)


def _happened_line(scene: Scene, event: Event) -> EventLine:
    """A finding in the readings, with its peak, its length and the speed."""
    return _write_finding(Same(event), Same(scene.options.unit), scene.options.lambda_decimals)


@lru_cache(_KEPT_RECORDS)
def _write_finding(found: Same, shown_in: Same, decimals: int) -> EventLine:
    event: Event = found.it
    unit: Unit = shown_in.it
    peak = event.peak_lambda
    parts = [
        event.why_no_reading,
        f"{unit.heading} {unit.of(peak):.{decimals}f}" if peak > 0 else "",
        f"{event.duration_ns / 1e9:.2f} s" if event.duration_ns else "",
        f"{event.rpm:.0f} rpm" if np.isfinite(event.rpm) else "",
    ]
    return EventLine(
        event.t,
        f"{event.kind} ",
        () if event.all_nodes else tuple(map(str, event.cylinders)),
        facts=", ".join(part for part in parts if part),
        weight=event.duration_ns / 1e9,
        word="not a fuelling figure" if event.kind in NOT_FUELLING else "",
        style="dim",
        about=event if len(event.nodes) == 1 else None,
    )


@lru_cache(_KEPT_RECORDS)
def _alarm_line(record: Same, rules: Same, new: bool) -> EventLine:
    event: AlarmEvent = record.it
    reason = f"({event.reason})" if event.reason else ""
    label = "+".join(map(str, event.cylinders))
    return EventLine(
        event.t,
        f"P{event.priority} ",
        (label,) if label else (),
        event.name,
        " ".join(part for part in (_alarm_value(event, rules.it), reason) if part),
        abs(event.value - event.limit) if np.isfinite(event.value) else 0.0,
        SHORT_WORDS[AlarmState.UNACKNOWLEDGED.word] if new else event.word,
        ("new" if event.priority == 1 else "strong") if new else "dim",
        about=event if event.position is not None else None,
    )


def _alarm_value(event: AlarmEvent, rules: Sequence[AlarmRule]) -> str:
    """What crossed the limit, and the limit. Within its dead band a value is on the limit's other side."""
    if not event.active or not np.isfinite(event.value):
        return ""
    rule = next((r for r in rules if r.name == event.rule), None)
    above = rule is None or kind_of(rule).above
    limit = f"(limit {limit_text(event.limit, event.unit)} {event.unit})"
    if (event.value > event.limit) is not above:
        return limit
    return f"{measured_text(event.value, event.limit, event.unit)} {limit}"


@lru_cache(_KEPT_RECORDS)
def _rule_line(record: Same) -> EventLine:
    """A whole rule becomes suppressed by design, or is released."""
    event: AlarmEvent = record.it
    reason = f" ({event.reason})" if event.reason else ""
    return EventLine(event.t, f"{event.what.value}{reason}: ", (event.rule,), style="dim")


def _by_number(label: str) -> tuple[int, str]:
    number = label.split("+", maxsplit=1)[0]
    return (int(number), label) if number.isdigit() else (0, label)


def measure(value: float, limit: float, unit: str) -> str:
    """A measured value with its unit, on its own side of the limit; dashes where it is not known."""
    return f"{measured_text(value, limit, unit)} {unit}" if np.isfinite(value) else "--"


# ----------------------------------------------------------------------------------------------------
# The page, and rows for other screens.
# ----------------------------------------------------------------------------------------------------


def event_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """The newest events in `height` rows, below a failure that is too long for the caption."""
    failure = wrap(scene.live.failure, width - 2)
    told = failure[:height] if len(failure) > 1 else []
    rows = [fit_row([(f" {line}", "strong")], width) for line in told]
    rows += [_line_row(scene, line, width) for line in _pressing_lines(scene, height - len(rows))]
    if not rows and height:
        rows = [fit_row([(" no events yet", "dim")], width)]
    return padded(rows, width, height)


def _line_row(scene: Scene, line: EventLine, width: int, *, chosen: bool = False) -> Row:
    """Time and words, and at the right how it ended."""
    mark = scene.marks.chosen if chosen else " "
    return _write_line(Same(line), f"{mark}{scene.clock(line.t):>7}  ", width, chosen)


@lru_cache(_KEPT_RECORDS)
def _write_line(told: Same, time: str, width: int, chosen: bool) -> Row:
    line: EventLine = told.it
    left = [(time, "strong" if chosen else "dim"), (clean(line.text), "strong" if chosen else "text")]
    right = [(f"  {line.word} ", line.style)] if line.word else []
    return fit_row(split_row(left, right, width if width < _WIDE else _MOST_CELLS), width)


def events_page(
    scene: Scene,
    verdict: LimitVerdict,
    sheet: Sheet,
    *,
    wanted: str = "",
    first: int = 0,
    picture: bool = False,
) -> list[Row]:
    """All events, or those that contain what is wanted, and a picture of the chosen one.

    first    the chosen line; those before it are scrolled away as far as there are more below
    picture  of the chosen line, in the place of the list; where there is room it stands beside it
    """
    width = sheet.width
    found = event_lines(scene, KEPT_LINES if wanted else first + sheet.height)
    shown = _lines_with(found, wanted)
    about = f"with '{clean(wanted)}': {len(shown)} of {len(found)}" if wanted else ""
    head = [status(scene, verdict, width, title=f"EVENTS {about}".rstrip())]
    chosen = min(first, max(len(shown) - 1, 0))
    room = room_below(head, sheet.height)
    if not shown:
        words = "nothing found; / to look for something else" if wanted else "no events yet"
        return framed(head, [_heading_row(width), *nothing_to_draw(words, width, 2)], sheet)
    if picture:
        pictured = _pictured_line(shown, chosen)
        rows = _line_picture(scene, pictured, (width, room - 1))
        return framed(head, [_line_row(scene, pictured, width, chosen=True), *rows], sheet)
    if not has_panes(width, sheet.height):
        return framed(head, _list_of_lines(scene, shown, chosen, (width, room)), sheet)
    left = width // 2
    right = width - left - PANE_GAP
    rows = _list_of_lines(scene, shown, chosen, (left, room))
    pictured = _pictured_line(shown, chosen)
    pane_rows = _line_picture(scene, pictured, (right, min(room - 1, _MOST_PICTURE_ROWS)))
    pane_rows = [_line_row(scene, pictured, right), *pane_rows]
    return framed(head, panes_beside([(rows, left), (pane_rows, right)], room), sheet)


def line_at(scene: Scene, wanted: str, first: int) -> EventLine | None:
    """The chosen line of that page; None where there is none."""
    shown = _lines_with(event_lines(scene, max(KEPT_LINES, first + 1)), wanted)
    return shown[min(first, len(shown) - 1)] if shown else None


def _lines_with(found: Sequence[EventLine], wanted: str) -> list[EventLine]:
    """The lines that contain what is wanted."""
    return [line for line in found if wanted.lower() in line.text.lower() or wanted.lower() in line.word]


_MOST_PICTURE_ROWS = 36
"""Our choice: a taller trace says no more."""


def _heading_row(width: int) -> Row:
    return fit_row([(f" {'time':>7}  what", "label")], width)


def _list_of_lines(scene: Scene, shown: Sequence[EventLine], chosen: int, size: tuple[int, int]) -> list[Row]:
    """Heading and lines; the chosen one is marked, and is the first of them as far as there are more."""
    width, room = size
    begin = min(chosen, max(len(shown) - room + 1, 0))
    lines = shown[begin : begin + room - 1]
    return [
        _heading_row(width),
        *(_line_row(scene, line, width, chosen=begin + i == chosen) for i, line in enumerate(lines)),
    ]


def _pictured_line(shown: Sequence[EventLine], chosen: int) -> EventLine:
    """The chosen line, or the nearest below it of which a picture can be drawn."""
    return next((line for line in shown[chosen:] if line.about is not None), shown[chosen])


def _line_picture(scene: Scene, line: EventLine, size: tuple[int, int]) -> list[Row]:
    """The picture of one line, or why there is none."""
    one = line.about
    index = scene.setting.index_at
    if isinstance(one, Event):
        rows = event_picture(scene, one, size)
    elif one is not None and one.position in index:
        rows = alarm_picture(scene, one.since or one.t, index[one.position], (one.rule, one.limit), size)
    else:
        return nothing_to_draw("no picture: nothing here is of a single cylinder", *size)
    return rows or nothing_to_draw("the terminal is too small for a picture; tab: the list", *size)
