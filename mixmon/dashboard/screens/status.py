"""The first and the last line of every screen, the status and the keys, and the frame around a page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.far import word_style
from mixmon.dashboard.text import (
    Row,
    Segment,
    age_text,
    clean,
    fit,
    fit_row,
    padded,
    row_width,
    signed,
    split_row,
)
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import LimitVerdict, LimitWord
from mixmon.frames.clock import clock_text

LEAST_ROWS_FOR_KEYS = 12
"""Our choice: a lower terminal has no line for the keys."""

_ROOMY = 100
"""Columns from which the line names the leanest and the run. Our choice: the other facts still fit."""

_MOST_WORDS, _MOST_REASON = 30, 46
"""Cells for the recorder's words and for its reason not to record. Our choice: other facts keep room."""

_DISK_WARNING_MIN = 30.0
"""Room on the disk below which the line warns, minutes. Our choice: time to act before a pull is lost."""

FACT_GAP: Segment = ("  ", "status")


def status(scene: Scene, verdict: LimitVerdict, width: int, *, title: str = "", far: bool = False) -> Row:
    """One line: what runs, what is recorded, how much is known; what matters least is left out first.

    title: of the screen; the watch screen has none
    far: the limit word and the leanest cylinder are shown in large digits already
    """
    right = [] if far else _word_segments(scene, verdict, width)
    room = width - row_width(right)
    left: list[Segment] = []
    for piece in _fit_facts(list(_main_facts(scene, title, width)), room):
        left += [piece, FACT_GAP]
    for piece in _extra_facts(scene):
        if row_width(left) + cells(piece[0]) + len(FACT_GAP[0]) <= room:
            left += [piece, FACT_GAP]
    return split_row(left, right, width, "status")


Fact = tuple[Segment, ...]
"""The same in several lengths, the shortest first."""


def _fit_facts(facts: Sequence[Fact], room: int) -> list[Segment]:
    """As many facts as fit when told in short, by their order; then those told longer that can be."""
    kept: list[tuple[Fact, Segment]] = []
    free = room
    for fact in facts:
        size = cells(fact[0][0]) + len(FACT_GAP[0])
        if size <= free:
            kept.append((fact, fact[0]))
            free -= size
    out = []
    for fact, short in kept:
        spare = free + cells(short[0])
        piece = next((p for p in reversed(fact) if cells(p[0]) <= spare), short)
        free = spare - cells(piece[0])
        out.append(piece)
    return out


def _word_segments(scene: Scene, verdict: LimitVerdict, width: int) -> list[Segment]:
    """The leanest cylinder and the limit word in small; both always, on every screen."""
    index, need = scene.leanest()
    label = "" if width < _ROOMY else "leanest "
    out: list[Segment] = []
    if verdict.word is not LimitWord.NO_DATA and index is not None:
        text = f" {label}{scene.setting.labels[index]} {signed(need)} "
        out.append((text, "status-strong"))
    return [*out, (f" {verdict.word.value} ", word_style(scene, verdict))]


def _main_facts(scene: Scene, title: str, width: int) -> Iterator[Fact]:
    """What should be said, most important first."""
    live = scene.live
    yield tuple((f" {words} ", "status-badge") for words in _mode_words(scene))
    if scene.still_recording:
        yield ((" STILL RECORDING ", "status-alert"),)
    if scene.frozen:
        yield ((f" FROZEN {scene.frozen:.0f} s ", "status-alert"),)
    if title:
        yield tuple((words, "status-strong") for words in dict.fromkeys((title.split(maxsplit=1)[0], title)))
    if live.recording:
        yield _recording_fact(scene, width)
    count = len(scene.setting)
    known = "--" if scene.dead else f"{live.valid}"
    style = "status" if live.valid == count and not scene.dead else "status-strong"
    yield tuple((words, style) for words in (f"{known}/{count}", f"valid {known}/{count}"))
    if scene.setting.placeholders:
        yield (("placeholders", "status-strong"), ("placeholder limits", "status-strong"))
    if live.recording_minutes_left is not None and live.recording_minutes_left < _DISK_WARNING_MIN:
        yield ((f"disk full in {live.recording_minutes_left:.0f} min", "status-alert"),)


def _extra_facts(scene: Scene) -> Iterator[Segment]:
    """What is said where there is room."""
    for bus in scene.live.buses:
        load = "" if bus.load_percent is None else f"{bus.load_percent:.0f} % "
        yield (f"{clean(bus.name)} {load}{age_text(bus.newest_age_ns)}", "status")
    if scene.setting.session.name:
        yield (clean(scene.setting.session.name), "status")


def _recording_fact(scene: Scene, width: int) -> Fact:
    """What the recorder does: in short only whether."""
    live = scene.live
    words = clean(live.recording)
    whole = fit(words, min(cells(words), _MOST_REASON if live.has_recording_failed else _MOST_WORDS))
    if live.has_recording_failed:
        return (("NOT RECORDED", "status-alert"), (whole, "status-alert"))
    if live.is_recording:
        lasts = clock_text(live.recording_s).partition(".")[0]
        rec: Segment = (f"REC {lasts}", "status")
        return (rec, (f"{whole} {lasts}", "status")) if width >= _ROOMY else (rec,)
    short = "no REC" if live.recording.startswith("not ") else whole
    return ((short, "status"), (whole, "status"))


def _mode_words(scene: Scene) -> tuple[str, ...]:
    """What runs, in short and in full."""
    if scene.live.failure:
        return ("STOPPED", "ANALYSIS STOPPED") if scene.still_recording else ("STOPPED",)
    if scene.stalled:
        return ("NO ANSWER",)
    if scene.live.replay_position is None:
        return ("LIVE",)
    now = clock_text(scene.live.elapsed_s)
    line = scene.live.timeline
    if line is not None and line.playing.goal is not None:
        return (f"GOES ON {now}", f"GOES TO {clock_text(line.playing.goal / 1e9)}, is at {now}")
    speed = "" if scene.speed == 1.0 else " max" if scene.speed is None else f" x{scene.speed:g}"
    return (f"{'PAUSED' if scene.paused else 'REPLAY'}{speed} {now}",)


Key = tuple[str, str]
"""What is pressed, and what it does."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a screen is drawn on: cells, rows, and the keys of its last line.

    frame   cells of the first and the last line, where a picture stands beside the rest; None: `width`
    """

    width: int
    height: int
    keys: tuple[Key, ...]
    frame: int | None = None

    @property
    def frame_width(self) -> int:
        """Cells of the first and the last line."""
        return self.width if self.frame is None else self.frame


@lru_cache(32)
def keys_line(keys: tuple[Key, ...], width: int) -> Row:
    """As many keys as fit, most important first; the last one, help, always."""
    *rest, last = keys
    tail = _key_segments(*last)
    room = width - row_width(tail)
    row: list[Segment] = []
    for key, action in rest:
        piece = _key_segments(key, action)
        if row_width(row) + row_width(piece) <= room:
            row += piece
    return split_row(row, tail, width, "keys")


def _key_segments(name: str, action: str) -> list[Segment]:
    return [(" ", "keys"), (name, "key"), (f" {action} ", "keys")]


def room_below(top: Sequence[Row], height: int) -> int:
    """Rows between the top and the line with the keys."""
    return max(height - len(top) - (height >= LEAST_ROWS_FOR_KEYS), 0)


def framed(
    top: Sequence[Row],
    body: Sequence[Row],
    sheet: Sheet,
    *,
    first: int | None = None,
    key: str = "arrow down",
) -> list[Row]:
    """A whole screen: top, body from row `first` on as far as it is long enough to be scrolled, keys.

    first: None where the body cannot be scrolled
    key: that scrolls it
    """
    width, height = sheet.width, sheet.height
    room = room_below(top, height)
    start = min(first or 0, max(len(body) - room, 0))
    bottom = [keys_line(sheet.keys, sheet.frame_width)] if height >= LEAST_ROWS_FOR_KEYS else []
    shown = list(body[start : start + room])
    hidden = len(body) - start - len(shown)
    if first is not None and hidden > 0 and room >= LEAST_ROWS_FOR_KEYS:
        shown[-1] = fit_row([(f"  {hidden + 1} more: {key}", "dim")], width)
    rows = padded([*top, *shown], width, height - len(bottom))
    if sheet.frame is not None:
        rows[:1] = top[:1]
    return [*rows, *bottom]
