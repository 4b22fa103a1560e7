"""The far zone: what an operator reads from two metres in a third of a second.

Limit word, leanest cylinder and what it needs, all cylinders against the target, spread, engine
speed. Fields have fixed places, computed from the widest text that each can hold, so that
nothing moves when a number does.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mixmon.dashboard.view_digits import SIZES, big, big_width, size_for
from mixmon.dashboard.view_limits import Verdict, Word
from mixmon.dashboard.view_scene import Scene, number, signed
from mixmon.dashboard.view_text import Row, Segment, fit, fit_row

GAP = 2
_MOST_GAP = 8
_WORD, _LEANEST, _ALL, _SPREAD, _RPM = "word", "leanest", "all", "spread", "rpm"
_DROP_ORDER = (_SPREAD, _RPM, _ALL, _WORD)
"""What goes first where the screen is narrow; the word then stands in the status line."""

_LONGEST_WORD, _LONGEST_NEED, _LONGEST_NUMBER = "NONE", "+8.8", "8.8"


@dataclass(frozen=True, slots=True)
class Plan:
    """Which fields there are, how wide, and how tall.

    fields  (name, cells) from left to right
    tall    rows of the word and the leanest cylinder
    lower   rows of the others
    gap     cells between fields
    """

    fields: tuple[tuple[str, int], ...]
    tall: int
    lower: int
    gap: int

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the fields."""
        return tuple(name for name, _ in self.fields)

    @property
    def has_word(self) -> bool:
        """Whether the limit word is drawn large."""
        return _WORD in self.names


@lru_cache(64)
def far_plan(width: int, height: int, label_width: int) -> Plan:
    """The largest digits that fit the terminal, then as many fields as fit beside them.

    height: of the whole terminal, which decides how tall digits must be.
    """
    wanted = size_for(height)
    names = [_WORD, _LEANEST, _ALL, _SPREAD, _RPM]
    sizes = [(p, q) for p in SIZES if p <= wanted for q in (p, max(p - 2, 3))]
    for dropped in range(len(_DROP_ORDER) + 1):
        kept = tuple(n for n in names if n not in _DROP_ORDER[:dropped])
        for tall, lower in sizes:
            fields = tuple((n, _field_width(n, tall, lower, label_width)) for n in kept)
            free = width - sum(w for _, w in fields)
            gaps = max(len(fields) - 1, 1)
            if free >= GAP * (len(fields) - 1):
                return Plan(fields, tall, lower, min(free // gaps, _MOST_GAP))
    return Plan(((_LEANEST, width),), 3, 3, 0)


def _field_width(name: str, tall: int, lower: int, label_width: int) -> int:
    if name == _WORD:
        return big_width(_LONGEST_WORD, tall)
    if name == _LEANEST:
        return big_width("8" * label_width, tall) + 2 + GAP + big_width(_LONGEST_NEED, tall)
    return big_width(_LONGEST_NEED if name == _ALL else _LONGEST_NUMBER, lower)


def far_zone(scene: Scene, verdict: Verdict, width: int, plan: Plan) -> list[Row]:
    """Labels above, digits below: `plan.tall` + 1 rows."""
    columns = [_column(scene, verdict, plan, i) for i in range(len(plan.fields))]
    if verdict.word is Word.NO_DATA and plan.has_word:
        columns[:2] = [_no_data(scene, verdict, plan)]
    used = sum(w for _, w in plan.fields) + plan.gap * (len(plan.fields) - 1)
    margin = min(max(width - used, 0) // 2, 1)
    rows = []
    for y in range(plan.tall + 1):
        row: list[Segment] = [(" " * margin, "text")]
        for column in columns:
            row += [*column[y], (" " * plan.gap, "text")]
        rows.append(fit_row(row, width))
    return rows


def _column(scene: Scene, verdict: Verdict, plan: Plan, i: int) -> list[list[Segment]]:
    name, width = plan.fields[i]
    plain = scene.options.ascii
    if name == _WORD:
        body = _framed(verdict.word.value, plan.tall, width, word_style(scene, verdict), plain)
        return _under("LIMIT", width, body, plan)
    if name == _LEANEST:
        return _under("LEANEST needs fuel %", width, _leanest(scene, verdict, plan.tall, width), plan)
    label, text = {
        _ALL: ("ALL needs %", tall_need(_alive(scene, scene.digits.all_vs_target))),
        _SPREAD: ("SPREAD %", _tall_number(_alive(scene, scene.digits.spread))),
        _RPM: ("rpm/1000", number(_alive(scene, scene.digits.rpm) / 1000.0)),
    }[name]
    rows = big(text.replace("--", "- -"), plan.lower, ascii_only=plain)
    return _under(label, width, [[(fit(row, width, right=True), "big")] for row in rows], plan)


def _under(label: str, width: int, body: list[list[Segment]], plan: Plan) -> list[list[Segment]]:
    """The label, right above digits that stand on the bottom row."""
    empty = [[(" " * width, "text")] for _ in range(plan.tall - len(body))]
    return [*empty, [(fit(label, width), "label")], *body]


def _framed(text: str, size: int, width: int, style: str, plain: bool) -> list[list[Segment]]:
    """A word on its own ground."""
    before = " " * max((width - big_width(text, size)) // 2, 0)
    return [[(fit(before + row, width), style)] for row in big(text, size, ascii_only=plain)]


def _leanest(scene: Scene, verdict: Verdict, size: int, width: int) -> list[list[Segment]]:
    index, need = scene.leanest()
    plain = scene.options.ascii
    over = verdict.word is Word.OVER and index in scene.over()
    label = scene.setting.labels[index] if index is not None else ""
    badge = _badge(label, scene.setting.label_width, size, plain)
    room = max(width - len(badge[0]) - GAP, 0)
    text = tall_need(need) if index is not None else "- -"
    digits = big(text, size, ascii_only=plain)
    return [
        [
            (left, "badge" if index is not None else "text"),
            (" " * GAP, "text"),
            (fit(right, room, right=True), "over-text" if over else "big"),
        ]
        for left, right in zip(badge, digits, strict=True)
    ]


def _badge(label: str, label_width: int, size: int, plain: bool) -> list[str]:
    """The cylinder's number on its own ground; more than three characters are cut."""
    width = big_width("8" * label_width, size)
    return [
        f" {fit(row, width, right=True)} " for row in big(label.replace("+", " "), size, ascii_only=plain)
    ]


def _no_data(scene: Scene, verdict: Verdict, plan: Plan) -> list[list[Segment]]:
    """NO DATA over the places of the word and of the leanest cylinder: there is none."""
    width = sum(w for _, w in plan.fields[:2]) + plan.gap
    size = next(s for s in (*SIZES, 3) if s <= plan.tall and (big_width("NO DATA", s) + 2 <= width or s == 3))
    body = _framed("NO DATA", size, width, word_style(scene, verdict), scene.options.ascii)
    blank = [[(" " * width, word_style(scene, verdict))] for _ in range(plan.tall - size)]
    return [[(fit("LIMIT    leanest not known", width), "label")], *blank, *body]


def _alive(scene: Scene, value: float) -> float:
    return np.nan if scene.dead else value


def tall_need(percent: float) -> str:
    """A need in at most four characters.

    >>> tall_need(5.31), tall_need(-12.3), tall_need(250.0)
    ('+5.3', '-12', '+99')
    """
    if not np.isfinite(percent) or abs(percent) < 9.95:
        return signed(percent)
    return f"{min(max(percent, -99.0), 99.0):+.0f}"


def _tall_number(percent: float) -> str:
    return number(percent) if not percent >= 9.95 else f"{min(percent, 99.0):.0f}"


def word_style(scene: Scene, verdict: Verdict) -> str:
    """Style of the limit word: what blinks is its ground, so that it can be read in both phases."""
    if not verdict.unaccepted or not scene.options.blink:
        return verdict.style
    return verdict.style if scene.lit else f"{verdict.style}-unlit"


def caption(scene: Scene, verdict: Verdict, width: int) -> Row:
    """Below the digits: why the word is what it is, and against what needs are told."""
    target = scene.digits.target
    unit, decimals = scene.options.unit, scene.options.lambda_decimals
    wanted = f"target {number(unit.of(target), decimals)} {unit.heading} " if target > 0 else "no target "
    right = f"  needs vs {scene.digits.against}   {wanted}"
    if len(verdict.why) + 1 + len(right) > width:
        right = ""
    room = max(width - len(right), 0)
    style = "strong" if verdict.word is not Word.NONE else "dim"
    return fit_row([(fit(f" {verdict.why}", room), style), (right, "dim")], width)
