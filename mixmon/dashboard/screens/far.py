"""The far zone: large digits that an operator reads from two metres at a glance.

Limit word, leanest cylinder and its need, all cylinders against the target, spread, engine speed: all
of now, as in the rows. The worst of the last moments is a small figure in the caption. Each field has a
fixed place, computed from the widest text that it can hold, so that nothing moves when a number changes.
First the plan of the fields, then their drawing, then the caption below.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mixmon.dashboard.digits import DIGIT_SIZES, big, big_width, size_for
from mixmon.dashboard.readouts import HOLD_S
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, Segment, clean, fit, fit_row, number, signed, tall_need
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import LimitVerdict, LimitWord

_WORD, _CYLINDER, _NEED, _ALL, _SPREAD, _RPM = "word", "cylinder", "need", "all", "spread", "rpm"

_LABELS = {
    _WORD: "LIMIT",
    _CYLINDER: "LEANEST",
    _NEED: "needs fuel %",
    _ALL: "ALL needs %",
    _SPREAD: "SPREAD %",
    _RPM: "rpm/1000",
}
_WIDEST = {_WORD: "NONE", _NEED: "+8.8", _ALL: "+8.8", _SPREAD: "8.8", _RPM: "8.8"}

_SPACE_BEFORE = {_WORD: 0, _CYLINDER: 2, _NEED: 1, _ALL: 2, _SPREAD: 3, _RPM: 4}
"""Least cells before a field, beside digits three rows tall. Our choice: unsigned numbers need wider gaps."""

_ROOMIER = {3: 1, 5: 2, 7: 2}
"""Rows of digits -> least multiple of the gaps. Our choice: taller digits need wider gaps."""

_MOST_STRETCH = 4
"""Largest multiple of the gaps. Our choice: on a wide screen the fields stay one group."""

_DROP_ORDER = (_SPREAD, _RPM, _ALL, _WORD)
"""The order in which a narrow screen loses fields; the word then stands in the status line."""


@dataclass(frozen=True, slots=True)
class FarPlan:
    """Which fields there are, how wide, and how tall.

    fields  (name, cells) from left to right
    tall    rows of the word and the leanest cylinder
    lower   rows of the others
    stretch  by how much the least gaps are multiplied
    """

    fields: tuple[tuple[str, int], ...]
    tall: int
    lower: int
    stretch: int

    def before(self, name: str) -> int:
        """Cells before a field; none before the first."""
        return 0 if name == self.fields[0][0] else self.stretch * _least_gap(name, self.tall)

    @property
    def width(self) -> int:
        """Cells of all fields with what lies between them."""
        return sum(self.before(name) + cells for name, cells in self.fields)

    @property
    def has_word(self) -> bool:
        """Whether the limit word is drawn large."""
        return self.fields[0][0] == _WORD


@lru_cache(64)
def plan_far_zone(width: int, height: int, label_width: int) -> FarPlan:
    """The largest digits that fit the terminal, then as many fields as fit beside them.

    height: of the whole terminal, which decides how tall digits must be.
    """
    wanted = size_for(height)
    sizes = [(p, q) for p in DIGIT_SIZES if p <= wanted for q in (p, max(p - 2, 3))]
    for dropped in range(len(_DROP_ORDER) + 1):
        kept = [name for name in _LABELS if name not in _DROP_ORDER[:dropped]]
        for tall, lower in sizes:
            fields = tuple((n, _field_width(n, tall, lower, label_width)) for n in kept)
            free, gaps = width - sum(w for _, w in fields), sum(_least_gap(n, tall) for n in kept[1:])
            if free >= gaps * _ROOMIER[tall]:
                return FarPlan(fields, tall, lower, min(free // gaps, _MOST_STRETCH))
    return FarPlan(((_NEED, width),), 3, 3, 0)


def _least_gap(name: str, tall: int) -> int:
    """Least cells before a field; one more before a tall sign, so that it does not touch the cylinder."""
    return _SPACE_BEFORE[name] + (name == _NEED and tall > DIGIT_SIZES[-1])


def _field_width(name: str, tall: int, lower: int, label_width: int) -> int:
    widest = _WIDEST.get(name, "8" * label_width)
    size = tall if name in {_WORD, _CYLINDER, _NEED} else lower
    return max(big_width(widest, size), len(_LABELS[name]))


def far_zone(scene: Scene, verdict: LimitVerdict, width: int, plan: FarPlan) -> list[Row]:
    """Labels above, digits below: `plan.tall` + 1 rows."""
    columns = [(plan.before(n), _draw_column(scene, verdict, plan, n, cells)) for n, cells in plan.fields]
    if verdict.word is LimitWord.NO_DATA and plan.has_word:
        columns[:3] = [(0, _draw_no_data(scene, verdict, plan))]
    return list(_put_beside(tuple(columns), min(max(width - plan.width, 0) // 2, 1), width))


Column = tuple[Segment, ...]
"""A field from top to bottom, all segments of one width."""


@lru_cache(8)
def _put_beside(columns: tuple[tuple[int, Column], ...], margin: int, width: int) -> tuple[Row, ...]:
    """The fields as rows, each with the cells before it: they stand for some ticks."""
    rows = []
    for segments in zip(*(column for _, column in columns), strict=True):
        row: list[Segment] = [(" " * margin, "text")]
        for (before, _), segment in zip(columns, segments, strict=True):
            row += [(" " * before, "text"), segment]
        rows.append(fit_row(row, width))
    return tuple(rows)


def _draw_column(scene: Scene, verdict: LimitVerdict, plan: FarPlan, name: str, width: int) -> Column:
    if name == _WORD:
        return _draw_word(scene, verdict, plan, verdict.word.value, width)
    index, need = scene.leanest()
    first = verdict.word is LimitWord.OVER and index in scene.over()
    style = "big-over" if first and name in {_CYLINDER, _NEED} else "big-quiet" if name == _RPM else "big"
    text = {
        _CYLINDER: "-" if index is None else scene.setting.labels[index].replace("+", " "),
        _NEED: tall_need(need),
        _ALL: tall_need(_unless_dead(scene, scene.digits.all_vs_target)),
        _SPREAD: _tall_spread(_unless_dead(scene, scene.digits.spread)),
        _RPM: number(_unless_dead(scene, scene.digits.rpm) / 1000.0),
    }[name].replace("--", "- -")
    size = plan.tall if name in {_CYLINDER, _NEED} else plan.lower
    digits = _fit_digits(text, size, width, scene.options.ascii, name != _CYLINDER)
    return _put_under((_LABELS[name], "label"), digits, style, width, plan.tall)


@lru_cache(256)
def _fit_digits(text: str, size: int, width: int, ascii_only: bool, right: bool) -> tuple[str, ...]:
    """Large digits in so many cells."""
    return tuple(fit(row, width, right=right) for row in big(text, size, ascii_only=ascii_only))


@lru_cache(64)
def _put_under(label: Segment, digits: tuple[str, ...], style: str, width: int, tall: int) -> Column:
    """The label, right above digits that stand on the bottom row."""
    empty = [(" " * width, "text")] * (tall - len(digits))
    return (*empty, (fit(label[0], width), label[1]), *((row, style) for row in digits))


def _draw_word(scene: Scene, verdict: LimitVerdict, plan: FarPlan, text: str, width: int) -> Column:
    """The limit word below a bar. Only the bar blinks, so that the letters can be read at any time."""
    size = next((s for s in DIGIT_SIZES if s <= plan.tall and big_width(text, s) <= width), 3)
    digits = _fit_digits(text, size, width, scene.options.ascii, False)
    bar = "label" if verdict.word is LimitWord.NONE else f"limit-bar{phase(scene, verdict)}"
    return _put_under((f" {_LABELS[_WORD]}", bar), digits, verdict.ink, width, plan.tall)


def _draw_no_data(scene: Scene, verdict: LimitVerdict, plan: FarPlan) -> Column:
    """NO DATA over the places of the word, the leanest cylinder and its need."""
    width = sum(plan.before(name) + cells for name, cells in plan.fields[:3])
    return _draw_word(scene, verdict, plan, verdict.word.value, width)


def _unless_dead(scene: Scene, value: float) -> float:
    return np.nan if scene.dead else value


def _tall_spread(percent: float) -> str:
    return number(percent) if not percent >= 9.95 else f"{min(percent, 99.0):.0f}"


def word_style(scene: Scene, verdict: LimitVerdict) -> str:
    """Style of the small word, which blinks between inverse and plain: it can be read at any time."""
    return verdict.style + phase(scene, verdict)


def phase(scene: Scene, verdict: LimitVerdict) -> str:
    """End of a style's name in the dark phase of an unacknowledged priority-1 alarm; else nothing."""
    return "-unlit" if verdict.unacknowledged and scene.options.blink and not scene.lit else ""


def caption(scene: Scene, verdict: LimitVerdict, width: int) -> Row:
    """The line below the digits: why the limit word, the worst of the last moments, the reference."""
    target = scene.digits.target
    unit, decimals = scene.options.unit, scene.options.lambda_decimals
    wanted = f"vs target {number(unit.of(target), decimals)} {unit.heading}" if target > 0 else "no target"
    against = "" if target > 0 else f", needs vs {scene.digits.against}"
    still, worst = _steadiness_word(scene), _worst_words(scene)
    why = clean(verdict.why)
    if cells(why) + 1 > width:
        why = why.split(":", maxsplit=1)[0]
    free = width - cells(why) - 1
    reference = f"{wanted}{against}"
    facts = ((worst, still, reference), (worst, reference), (still, reference), (worst,), (still,))
    lines = (f"  {'   '.join(filter(None, parts))} " for parts in facts)
    right = next((line for line in lines if cells(line) <= free), "")
    room = max(width - cells(right), 0)
    style = "strong" if verdict.word is not LimitWord.NONE else "dim"
    return fit_row([(fit(f" {why}", room), style), (right, "dim")], width)


def _worst_words(scene: Scene) -> str:
    """The leanest cylinder and the spread at their worst of the last moments; empty where none is known."""
    index, need, spread = scene.worst()
    if index is None:
        return ""
    who = fit(scene.setting.labels[index], scene.setting.label_width, right=True)
    return f"worst {HOLD_S:g} s: {who} {signed(need):>5}, spread {number(spread):>4}"


def _steadiness_word(scene: Scene) -> str:
    """Whether the engine is steady, settling or not steady; empty where that is not known."""
    if scene.holding is None:
        return "not steady" if np.isfinite(scene.digits.rpm) and not scene.dead else ""
    return "settling" if scene.holding.settle_s > 0 else "steady"
