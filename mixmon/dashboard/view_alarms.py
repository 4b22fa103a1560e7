"""The alarm list: what stands, most pressing first; below, what the chosen one means and asks for."""

from __future__ import annotations

from mixmon.dashboard.view_events import measure
from mixmon.dashboard.view_limits import NOT_ACCEPTED, Verdict, who
from mixmon.dashboard.view_numbers import age_text
from mixmon.dashboard.view_scene import Scene
from mixmon.dashboard.view_status import Sheet, framed, room_below, status
from mixmon.dashboard.view_text import Row, Segment, clean, fit, fit_row, padded, wrap
from mixmon.findings.alarm_records import FLOOD_ABOVE, Alarm

_MEANING_ROWS = 9
_STATE_WORDS = {
    "new": "NEW",
    "accepted": "ACC",
    "cleared-not-accepted": "CLEARED",
    "latched-not-accepted": "LATCHED",
    "latched-accepted": "LATCH ACC",
    "shelved": "SHELVED",
    "suppressed by rule": "BY RULE",
    "out of service": "NO SERVICE",
}


def alarms_page(scene: Scene, verdict: Verdict, chosen: int, sheet: Sheet) -> list[Row]:
    """The list, the meaning of alarm number `chosen` of it, keys."""
    width, height = sheet.width, sheet.height
    alarms = scene.alarms()
    chosen = min(max(chosen, 0), max(len(alarms) - 1, 0))
    head = [status(scene, verdict, width, title="ALARMS"), _counts(scene, width), _heading(width)]
    room = room_below(head, height)
    meaning = _meaning(scene, alarms[chosen], width) if alarms else []
    meaning = meaning[: max(min(room - 3, room * 3 // 5, len(meaning)), 0)] if room >= _MEANING_ROWS else []
    rows = _list(scene, chosen, width, room - len(meaning))
    return framed(head, [*rows, *meaning], sheet)


def _counts(scene: Scene, width: int) -> Row:
    alarms = scene.alarms()
    active = sum(a.active for a in alarms)
    waiting = sum(a.state in NOT_ACCEPTED and not a.flags for a in alarms)
    silenced = sum(bool(a.flags) for a in alarms)
    rate = scene.snapshot.alarms.in_ten_minutes
    flood = f"  FLOOD: more than {FLOOD_ABOVE}" if scene.snapshot.alarms.flood else ""
    text = f" active {active}  not accepted {waiting}  silenced {silenced}  last 10 min {rate}"
    return fit_row([(text, "text"), (flood, "strong")], width)


def _heading(width: int) -> Row:
    words = f"pri {fit('state', 10)}  {fit('for', 7)}  cyl  {fit('what', 22)} {fit('value', 13)} limit"
    return fit_row([(words, "label")], width)


def _list(scene: Scene, chosen: int, width: int, room: int) -> list[Row]:
    """As many alarms as there are rows, the chosen one among them, then rules that are off by rule."""
    alarms = scene.alarms()
    by_rule = scene.snapshot.alarms.suppressed
    rows = [_row(scene, a, width, chosen=i == chosen) for i, a in enumerate(alarms)]
    if not alarms:
        rows = [fit_row([("  no alarm stands", "dim")], width)]
    if by_rule:
        words = f"  off by rule: {', '.join(map(clean, by_rule))}"
        rows.append(fit_row([(words, "dim")], width))
    for rule, missing in scene.setting.unwatched:
        words = f"  not watched: {clean(rule.name)}, no signal for {', '.join(missing)}"
        rows.append(fit_row([(words, "strong")], width))
    first = min(max(chosen - room + 1, 0), max(len(rows) - room, 0))
    return padded(rows[first : first + max(room, 0)], width, max(room, 0))


def _row(scene: Scene, alarm: Alarm, width: int, *, chosen: bool) -> Row:
    unaccepted = alarm.state in NOT_ACCEPTED and not alarm.flags
    style = "new" if unaccepted and alarm.rule.priority == 1 else "strong" if unaccepted else "text"
    word = _STATE_WORDS.get(alarm.word.split(",")[0], alarm.word.upper())
    since = scene.snapshot.alarms.t - alarm.since if alarm.since is not None else -1
    mark = scene.marks.chosen if chosen else " "
    row: list[Segment] = [
        (f"{mark} {alarm.rule.priority}  ", "strong"),
        (fit(word, 10), style),
        (f"  {fit(age_text(since), 7)}", "text"),
        (f"  {fit('+'.join(map(str, alarm.cylinders)) or scene.marks.dash, 3, right=True)}  ", "strong"),
        (f"{fit(clean(alarm.rule.name), 22)} ", "strong" if chosen else "text"),
        (f"{fit(measure(alarm.value, alarm.unit) if alarm.active else '', 13)} ", "text"),
        (measure(alarm.limit, alarm.unit), "dim"),
        ("  chatters" if alarm.chattering else "", "strong"),
        (f"  ({clean(alarm.reason)})" if alarm.reason else "", "dim"),
    ]
    return fit_row(row, width)


def _meaning(scene: Scene, alarm: Alarm, width: int) -> list[Row]:
    """Cause, consequence and response in the words of the rule; what it cannot do."""
    rule = alarm.rule
    rows = [
        ((scene.marks.rule * width, "rule"),),
        fit_row([(f" P{rule.priority} {who(alarm)}{clean(rule.name)}", "strong")], width),
    ]
    parts = [
        ("meaning", rule.consequence),
        ("causes", rule.cause),
        ("do", rule.response),
        ("in force", rule.when or ""),
        ("off while", rule.suppress_when or ""),
    ]
    if scene.setting.placeholders:
        parts.append(("limit", "a placeholder of common practice, not from this engine's builder"))
    if rule.priority == 1:
        parts.append(("note", "this screen does not protect the engine"))
    for name, words in parts:
        if words:
            rows += _paragraph(name, words, width)
    return rows


def _paragraph(name: str, words: str, width: int) -> list[Row]:
    indent = 12 if width >= 60 else 4
    lines = wrap(words, max(width - indent - 1, 1))
    first = f" {name:<{indent - 1}}" if indent > 4 else fit(f" {name[:2]}", indent)
    return [
        fit_row([(first if i == 0 else " " * indent, "label"), (line, "text")], width)
        for i, line in enumerate(lines)
    ]
