"""The alarm list, most pressing first; below it, the meaning of the chosen alarm and what to do."""

from __future__ import annotations

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.events import measure
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    NARROW_COLUMNS,
    Row,
    Segment,
    age_text,
    clean,
    fit,
    fit_row,
    padded,
    signed,
    state_word,
    wrap,
)
from mixmon.dashboard.verdict import LimitVerdict, rules_without_signals, who
from mixmon.findings.alarms.misfire import NEAR_NS, MisfireMark
from mixmon.findings.alarms.records import FLOOD_ABOVE, Alarm
from mixmon.findings.alarms.states import SHORT_WORDS
from mixmon.findings.events.event import NOT_FUELLING
from mixmon.findings.wiring import Silence, diagnose
from mixmon.mixture.block import SampleState
from mixmon.report.alarms import pace_text
from mixmon.report.words import sentences
from mixmon.session.alarm_kinds import kind_of, limit_text
from mixmon.session.model import AlarmRule

_MEANING_ROWS = 9
"""Our choice: with so many rows the meaning of the chosen alarm gets up to three fifths of them."""


_LEAST_LIST = 3
"""With fewer rows, none is given to say how many more alarms there are. Our choice."""

_NAME, _VALUE = 24, 13
"""Cells of a rule's name and of a value with its unit. Our choice: the built-in rules fit."""

_PLACEHOLDER_WORDS = "a placeholder of common practice, not from this engine's builder"
_MISFIRE_WORDS = {
    MisfireMark.SUSPECTED: "by its shape it may be a misfire, told for certain some seconds later",
    MisfireMark.CONFIRMED: "a misfire raised it: no fuelling figure",
    MisfireMark.WITHDRAWN: "it may have been a misfire by its shape, and was none",
}
_BESIDE_LEAN_WORDS = {
    MisfireMark.SUSPECTED: "lean before; then, by the shape, perhaps a misfire: told for certain in seconds",
    MisfireMark.CONFIRMED: "lean before it misfired as well: only the misfire is no fuelling figure",
    MisfireMark.WITHDRAWN: _MISFIRE_WORDS[MisfireMark.WITHDRAWN],
}


def alarms_page(scene: Scene, verdict: LimitVerdict, chosen: int, sheet: Sheet) -> list[Row]:
    """The list, the meaning of alarm number `chosen` of it, keys."""
    width, height = sheet.width, sheet.height
    alarms = scene.alarms()
    chosen = min(max(chosen, 0), max(len(alarms) - 1, 0))
    head = [
        status(scene, verdict, sheet.frame_width, title="ALARMS"),
        _count_row(scene, width),
        _heading_row(width),
    ]
    room = room_below(head, height)
    meaning = _meaning_rows(scene, alarms[chosen], width) if alarms else []
    rows = _list_rows(scene, chosen, width)
    most = max(room * 3 // 5, room - len(rows)) if room >= _MEANING_ROWS else 0
    meaning = meaning[: min(most, max(room - 3, 0))]
    rows = _rows_in_sight(rows, chosen, width, room - len(meaning))
    return framed(head, [*rows, *meaning], sheet)


def _count_row(scene: Scene, width: int) -> Row:
    alarms = scene.alarms()
    active = sum(a.active for a in alarms)
    waiting = sum(a.waits for a in alarms)
    silenced = sum(bool(a.flags) for a in alarms)
    rate = scene.snapshot.alarms.in_ten_minutes
    flood = f"  FLOOD: more than {FLOOD_ABOVE}" if scene.snapshot.alarms.flood else ""
    text = f" active {active}  unacknowledged {waiting}  silenced {silenced}  last 10 min {rate}"
    return fit_row([(text, "text"), (flood, "strong")], width)


def _heading_row(width: int) -> Row:
    what = f"{fit('what', _NAME)} {fit('raised at', _VALUE)} limit"
    if width < NARROW_COLUMNS:
        return fit_row([(f"pri {fit('state', 10)} cyl  what", "label")], width)
    return fit_row([(f"pri {fit('state', 10)}  {fit('for', 6)} cyl  {what}", "label")], width)


def _list_rows(scene: Scene, chosen: int, width: int) -> list[Row]:
    """All alarms, then rules that are suppressed by design, and those that nobody can watch."""
    alarms = scene.alarms()
    by_rule = scene.snapshot.alarms.suppressed
    rows = [_alarm_row(scene, a, width, chosen=i == chosen) for i, a in enumerate(alarms)]
    if not alarms:
        rows = [fit_row([("  no active alarm", "dim")], width)]
    if by_rule:
        words = f"suppressed by design: {', '.join(map(clean, by_rule))}"
        rows += [fit_row([(f"  {line}", "dim")], width) for line in wrap(words, max(width - 3, 1))]
    rules, lost = rules_without_signals(scene.snapshot, scene.setting)
    if rules and scene.snapshot.t is not None and not scene.dead:
        words = f"  the engine's {', '.join(lost)} not known; so not judged: {', '.join(map(clean, rules))}"
        rows.append(fit_row([(words, "strong")], width))
    for rule, missing in scene.setting.unwatched:
        words = f"  not watched: {clean(rule.name)}, no signal for {', '.join(missing)}"
        rows.append(fit_row([(words, "strong")], width))
    return rows


def _rows_in_sight(rows: list[Row], chosen: int, width: int, room: int) -> list[Row]:
    """As many as there is room for, the chosen one among them; how many more there are is said."""
    if len(rows) <= room or room < _LEAST_LIST:
        first = min(max(chosen - room + 1, 0), max(len(rows) - room, 0))
        return padded(rows[first : first + max(room, 0)], width, max(room, 0))
    room -= 1
    first = min(max(chosen - room + 1, 0), len(rows) - room)
    below = len(rows) - first - room
    more = ", ".join(f"{count} more {side}" for count, side in ((first, "above"), (below, "below")) if count)
    return [*rows[first : first + room], fit_row([(f"     {more}", "dim")], width)]


def _alarm_row(scene: Scene, alarm: Alarm, width: int, *, chosen: bool) -> Row:
    unacknowledged = alarm.waits
    style = "new" if unacknowledged and alarm.rule.priority == 1 else "strong" if unacknowledged else "text"
    since = scene.snapshot.alarms.t - alarm.since if alarm.since is not None else -1
    mark = scene.marks.chosen if chosen else " "
    who = "all" if alarm.all_nodes else "+".join(map(str, alarm.cylinders)) or scene.marks.dash
    who = fit(who, 3, right=True)
    name = clean(alarm.name)
    row: list[Segment] = [(f"{mark} {alarm.rule.priority}  ", "strong"), (fit(short_word(alarm), 10), style)]
    if width < NARROW_COLUMNS:
        return fit_row([*row, (f" {who}  ", "strong"), (name, "strong" if chosen else "text")], width)
    row += [
        (f"  {fit(age_text(since), 6)}", "text"),
        (f" {who}  ", "strong"),
        (f"{fit(name, _NAME)} ", "strong" if chosen else "text"),
        (f"{fit(value_text(alarm), _VALUE)} ", "text"),
        (f"{limit_text(alarm.limit, alarm.unit)} {alarm.unit}", "dim"),
        ("  chatters" if alarm.chattering else "", "strong"),
        (f"  ({clean(alarm.reason)})" if alarm.reason else "", "dim"),
    ]
    return fit_row(row, width)


def value_text(alarm: Alarm) -> str:
    """The value that raised it, with its unit, always beyond its limit; empty where it was never raised."""
    return measure(alarm.value, alarm.limit, alarm.unit) if np.isfinite(alarm.value) else ""


def short_word(alarm: Alarm) -> str:
    """How the alarm stands, in at most ten cells."""
    return SHORT_WORDS[alarm.word.split(",", maxsplit=1)[0]]


def _meaning_rows(scene: Scene, alarm: Alarm, width: int) -> list[Row]:
    """Cause, consequence and response in the words of the rule; what it cannot do."""
    rule = alarm.rule
    rows = [
        ((scene.marks.rule * width, "rule"),),
        fit_row([(f" P{rule.priority} {who(alarm)}{clean(alarm.name)}", "strong")], width),
    ]
    parts = [
        ("how sure", _how_sure(scene, alarm)),
        ("wiring", _name_pattern(scene, alarm)),
        ("do", rule.response),
        ("causes", rule.cause),
        ("risk", rule.consequence),
        ("note", "this screen does not protect the engine" if rule.priority == 1 else ""),
        ("limit", _PLACEHOLDER_WORDS if scene.setting.placeholders else ""),
        ("in force", _in_force(rule)),
    ]
    for name, words in parts:
        if words:
            rows += _paragraph_rows(name, words, width)
    return rows


def _name_pattern(scene: Scene, alarm: Alarm) -> str:
    """What the silent nodes together say of the wiring, as a census says it; empty for another alarm."""
    silent = {a.position: a for a in scene.alarms() if a.rule.kind == alarm.rule.kind and a.active}
    if not kind_of(alarm.rule).common or alarm.position not in silent or alarm.position is None:
        return ""
    nodes, cylinders = scene.setting.nodes, scene.snapshot.cylinders
    heard = [bool(age >= 0) for age in cylinders.age_ns.tolist()]
    silences = [
        Silence(node.position, (one.since or 0) / SECOND_NS if heard[i] else None)
        for i, node in enumerate(nodes)
        if (one := silent.get(node.position)) is not None
    ]
    states = cylinders.state.tolist()
    doubled = [n.position for i, n in enumerate(nodes) if states[i] == SampleState.DUPLICATE_NODE]
    found = diagnose([node.position for node in nodes], silences, duplicates=doubled)
    mine = next(one for one in found if alarm.position in one.positions)
    return sentences([note for note in (mine.meaning, mine.lead, mine.check) if note is not None])


def _in_force(rule: AlarmRule) -> str:
    """In which states of the engine the rule watches."""
    off = f"not while {rule.suppress_when}" if rule.suppress_when else ""
    return "; ".join(part for part in (rule.when or "", off) if part)


def _how_sure(scene: Scene, alarm: Alarm) -> str:
    """What the alarm rests on: the sensor as it is now, the value when it was raised, all cylinders."""
    shown, index = scene.snapshot, scene.setting.index_at.get(alarm.position)
    parts = []
    if index is not None:
        parts.append(f"sensor {state_word(scene.state(index), over=False)} now")
    if np.isfinite(alarm.value_now) and not scene.dead:
        parts.append(f"{measure(alarm.value_now, alarm.limit, alarm.unit)} now")
    if alarm.unit == "lambda" and np.isfinite(shown.all_vs_target) and not scene.dead:
        parts.append(f"all cylinders together need {signed(shown.all_vs_target)} %")
    words = _BESIDE_LEAN_WORDS if alarm.lean_before else _MISFIRE_WORDS
    parts += [words[alarm.misfire]] if alarm.misfire else []
    parts += [pace_text(alarm.pace)] if alarm.pace else []
    parts += _nearby_misfire(scene, alarm)
    parts += [exchanged] if (exchanged := scene.exchanged(alarm.cylinders)) else []
    return ", ".join(parts)


def _nearby_misfire(scene: Scene, alarm: Alarm) -> list[str]:
    """What is no fuelling figure close to the alarm of the same cylinder, unless its mark says so."""
    if alarm.since is None or alarm.unit != "lambda" or alarm.misfire is MisfireMark.CONFIRMED:
        return []
    near = [
        one.kind
        for one in scene.snapshot.happened
        if one.kind in NOT_FUELLING
        and (one.all_nodes or set(one.cylinders) & set(alarm.cylinders))
        and one.t - NEAR_NS <= alarm.since <= one.end + NEAR_NS
    ]
    return [f"{near[-1]} beside it: not a fuelling figure"] if near else []


def _paragraph_rows(name: str, words: str, width: int) -> list[Row]:
    indent = 12 if width >= 60 else 4
    lines = wrap(words, max(width - indent - 1, 1))
    first = f" {name:<{indent - 1}}" if indent > 4 else fit(f" {name[:2]}", indent)
    return [
        fit_row([(first if i == 0 else " " * indent, "label"), (line, "text")], width)
        for i, line in enumerate(lines)
    ]
