"""Events: what has happened, newest on top, each with its time, in one line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from mixmon.dashboard.view_limits import NOT_ACCEPTED, Verdict
from mixmon.dashboard.view_scene import Scene
from mixmon.dashboard.view_status import Sheet, framed, status
from mixmon.dashboard.view_text import Row, blank, clean, fit, fit_row, padded, split_row, wrap
from mixmon.findings.alarm_records import AlarmEvent, Happening
from mixmon.findings.event import NOT_FUELLING, Event

KEPT = 200
"""Lines that the events screen looks through."""

_LATEST = 100
"""Of each kind of event, as many as are looked at where other things are shown as well."""

_MOST_CELLS = 110
"""Wider lines are not followed from end to end."""

_DECIMALS = {"lambda": 3, "%": 1, "s": 2, "V": 1}

_CONDITION_WORDS = {Happening.CONDITION_TRUE: "back", Happening.CONDITION_FALSE: "cleared"}


@dataclass(frozen=True, slots=True)
class Line:
    """One event: data time in ns, words, how it ended or stands, and the style of that."""

    t: int
    text: str
    word: str
    style: str


def lines(scene: Scene) -> list[Line]:
    """The latest of everything in the snapshot, newest first."""
    shown = scene.snapshot
    return _lines(scene, (*shown.alarm_events, *shown.happened, *_remarks(scene, KEPT)), KEPT)


def _pressing(scene: Scene, most: int) -> list[Line]:
    """The same without what every throttle lift brings: cuts, tips, rules that go off by rule."""
    shown = scene.snapshot
    alarms = (event for event in shown.alarm_events[-_LATEST:] if event.state is not None)
    happened = (event for event in shown.happened[-_LATEST:] if not event.all_nodes)
    return _lines(scene, (*alarms, *happened, *_remarks(scene, _LATEST)), most)


def _remarks(scene: Scene, most: int) -> Iterator[Line]:
    """What happened to sources and recorder, in words."""
    return (Line(t, words, "", "text") for t, words in scene.snapshot.remarks[-most:])


def _lines(scene: Scene, found: Iterable[AlarmEvent | Event | Line], most: int) -> list[Line]:
    """The newest first; NEW is what still waits to be accepted, by its newest announcement only."""
    waiting = {(a.rule.name, a.position) for a in scene.alarms() if a.state in NOT_ACCEPTED and not a.flags}
    latest = sorted(found, key=lambda one: one.t, reverse=True)[:most]
    out = []
    for one in latest:
        if isinstance(one, AlarmEvent):
            name = (one.rule, one.position)
            out.append(_alarm_line(one, new=one.announced and name in waiting))
            waiting -= {name} if one.announced else set()
        else:
            out.append(_happened_line(scene, one) if isinstance(one, Event) else one)
    return out


def _happened_line(scene: Scene, event: Event) -> Line:
    """What was found in the readings, with its peak, its length and the speed."""
    unit, peak = scene.options.unit, event.peak_lambda
    parts = [
        f"{unit.heading} {unit.of(peak):.{scene.options.lambda_decimals}f}" if peak > 0 else "",
        f"{event.duration_ns / 1e9:.2f} s" if event.duration_ns else "",
        f"{event.rpm:.0f} rpm" if np.isfinite(event.rpm) else "",
    ]
    facts = ", ".join(part for part in parts if part)
    cylinders = "" if event.all_nodes else f" cyl {'+'.join(map(str, event.cylinders))}"
    word = "not a fuelling figure" if event.kind in NOT_FUELLING else ""
    return Line(event.t, f"{event.kind}{cylinders}  {facts}", word, "dim")


def _alarm_line(event: AlarmEvent, *, new: bool) -> Line:
    cylinders = "+".join(map(str, event.cylinders))
    where = f"cyl {cylinders} " if cylinders else ""
    crossed = event.active and np.isfinite(event.value)
    value = f"  {_value(event)}" if crossed else ""
    reason = f"  ({event.reason})" if event.reason else ""
    text = f"P{event.priority} {where}{event.rule}{value}{reason}"
    if new:
        return Line(event.t, text, "NEW", "new" if event.priority == 1 else "strong")
    word = "new" if event.announced else _CONDITION_WORDS.get(event.what, event.what.value)
    return Line(event.t, text, word, "dim")


def _value(event: AlarmEvent) -> str:
    value, limit = measure(event.value, event.unit), measure(event.limit, event.unit)
    return f"{value.removesuffix(event.unit)}(limit {limit})"


def measure(value: float, unit: str) -> str:
    """A measured value with its unit."""
    if not np.isfinite(value):
        return "--"
    return f"{value:.{_DECIMALS.get(unit, 2)}f} {unit}"


def event_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """The newest events in that many rows, below what has failed where no caption has room for it."""
    failure = wrap(scene.live.failure, width - 2)
    told = failure[:height] if len(failure) > 1 else []
    rows = [fit_row([(f" {line}", "strong")], width) for line in told]
    rows += [_row(scene, line, width) for line in _pressing(scene, height - len(rows))]
    if not rows and height:
        rows = [fit_row([(" no events yet", "dim")], width)]
    return padded(rows, width, height)


def _row(scene: Scene, line: Line, width: int) -> Row:
    """Time and words, and at the right how it ended: not so far away that the eye loses the line."""
    left = [(f" {scene.clock(line.t):>7}  ", "dim"), (clean(line.text), "text")]
    right = [(f"  {line.word} ", line.style)] if line.word else []
    return fit_row(split_row(left, right, min(width, _MOST_CELLS)), width)


def events_page(
    scene: Scene,
    verdict: Verdict,
    sheet: Sheet,
    *,
    wanted: str = "",
    first: int = 0,
) -> list[Row]:
    """All events, or those that contain what is wanted; `first` lines are scrolled away."""
    width = sheet.width
    found = lines(scene)
    shown = [line for line in found if wanted.lower() in line.text.lower() or wanted.lower() in line.word]
    about = f" with '{clean(wanted)}': {len(shown)} of {len(found)}" if wanted else f"{len(shown)}"
    head = [
        status(scene, verdict, width, title=f"EVENTS {about.strip()}"),
        fit_row([(f" {'time':>7}  what", "label")], width),
    ]
    rows = [_row(scene, line, width) for line in shown]
    if not shown:
        words = "nothing found; / to look for something else" if wanted else "no events yet"
        rows = [blank(width), fit_row([(fit(f"  {words}", width), "dim")], width)]
    return framed(head, rows, sheet, first=first)
