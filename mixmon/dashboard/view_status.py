"""The first and the last line of every screen: how things stand, and what the keys do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from mixmon.dashboard.view_far import word_style
from mixmon.dashboard.view_limits import Verdict, Word
from mixmon.dashboard.view_numbers import age_text, signed
from mixmon.dashboard.view_scene import Scene
from mixmon.dashboard.view_text import Row, Segment, clean, fit, padded, row_width, split_row
from mixmon.dashboard.view_text import width as cells

_LOW = 12
"""Fewer rows have no line for the keys."""

_MOST_WORDS = 30
"""Cells for what the recorder does; a run's folder has a long name."""

GAP: Segment = ("  ", "status")


def status(scene: Scene, verdict: Verdict, width: int, *, title: str = "", far: bool = False) -> Row:
    """One line: what runs, what is recorded, how much is known; what matters least is left out first.

    title: of the screen; the watch screen has none
    far: the limit word and the leanest cylinder are shown in large digits already
    """
    right = [] if far else _word(scene, verdict, width)
    room = width - row_width(right)
    left: list[Segment] = []
    for piece in _pieces(scene, title):
        if row_width(left) + row_width(piece) + len(GAP[0]) <= room:
            left += [*piece, GAP]
    return split_row(left, right, width, "status")


def _word(scene: Scene, verdict: Verdict, width: int) -> list[Segment]:
    """The leanest cylinder and the limit word in small; both always, on every screen."""
    index, need = scene.leanest()
    label = "" if width < 60 else "leanest "
    out: list[Segment] = []
    if verdict.word is not Word.NO_DATA and index is not None:
        text = f" {label}{scene.setting.labels[index]} {signed(need)} "
        out.append((text, "status-strong"))
    return [*out, (f" {verdict.word.value} ", word_style(scene, verdict))]


def _pieces(scene: Scene, title: str) -> Iterator[list[Segment]]:
    """What may be said, most important first."""
    live = scene.live
    yield [(f" {_mode(scene)} ", "status-badge")]
    if scene.frozen:
        yield [(f" FROZEN {scene.frozen:.0f} s ", "status-alert")]
    if title:
        yield [(title, "status-strong")]
    if live.recording:
        alert = "failed" in live.recording
        words = fit(live.recording, min(cells(clean(live.recording)), _MOST_WORDS))
        yield [(words, "status-alert" if alert else "status")]
    if live.recording_minutes_left is not None and live.recording_minutes_left < 30:
        yield [(f"disk full in {live.recording_minutes_left:.0f} min", "status-alert")]
    count = len(scene.setting)
    style = "status" if live.valid == count else "status-strong"
    yield [(f"valid {0 if scene.dead else live.valid}/{count}", style)]
    if scene.setting.placeholders:
        yield [("placeholder limits", "status-strong")]
    for bus in live.buses:
        load = "" if bus.load_percent is None else f"{bus.load_percent:.0f} % "
        yield [(f"{clean(bus.name)} {load}{age_text(bus.newest_age_ns)}", "status")]
    if scene.setting.session.name:
        yield [(clean(scene.setting.session.name), "status")]


def _mode(scene: Scene) -> str:
    place = scene.live.replay_position
    if scene.live.failure:
        return "STOPPED"
    if scene.stalled:
        return "NO ANSWER"
    if place is None:
        return "LIVE"
    return f"{'PAUSED' if scene.paused else 'REPLAY'} {100 * place:.0f} %"


Key = tuple[str, str]
"""What is pressed, and what it does."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a screen is drawn on: cells, rows, and the keys of its last line."""

    width: int
    height: int
    keys: Sequence[Key]


def keys_line(keys: Sequence[Key], width: int) -> Row:
    """As many keys as fit, most important first; the last one, help, always."""
    *rest, last = keys
    tail = _key(*last)
    room = width - row_width(tail)
    row: list[Segment] = []
    for key, action in rest:
        piece = _key(key, action)
        if row_width(row) + row_width(piece) <= room:
            row += piece
    return split_row(row, tail, width, "keys")


def _key(name: str, action: str) -> list[Segment]:
    return [(" ", "keys"), (name, "key"), (f" {action} ", "keys")]


def room_below(top: Sequence[Row], height: int) -> int:
    """Rows between the top and the line with the keys."""
    return max(height - len(top) - (height >= _LOW), 0)


def framed(top: Sequence[Row], body: Sequence[Row], sheet: Sheet, *, first: int = 0) -> list[Row]:
    """A whole screen: top, body from row `first` on as far as it is long enough to be scrolled, keys."""
    width, height = sheet.width, sheet.height
    room = room_below(top, height)
    first = min(first, max(len(body) - room, 0))
    bottom = [keys_line(sheet.keys, width)] if height >= _LOW else []
    return [*padded([*top, *body[first : first + room]], width, height - len(bottom)), *bottom]
