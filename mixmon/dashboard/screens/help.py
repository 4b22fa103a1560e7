"""The keys, and what the letters mean."""

from __future__ import annotations

from collections.abc import Sequence

from mixmon.dashboard.digits import CAPITAL, LEAST_MINUTES, arc_minutes
from mixmon.dashboard.keys import BINDINGS
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.far import far_plan
from mixmon.dashboard.screens.status import Sheet, framed, status
from mixmon.dashboard.text import LEGEND, Row, beside, blank, fit_row, wrap
from mixmon.dashboard.verdict import Verdict

_TWO_COLUMNS = 120

_WORDS = (
    ("NONE", "no limit crossed among those that are watched"),
    ("LOOK", "something asks for a look"),
    ("OVER", "a priority-1 limit is crossed"),
    ("NO DATA", "nothing is known now; the last value is not shown"),
)


def help_page(scene: Scene, verdict: Verdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Keys, letters, limit words; `first` rows are scrolled away."""
    width = sheet.width
    head = [status(scene, verdict, width, title="KEYS")]
    body = [*_body(width), blank(width), *_legible(scene, width, sheet.height)]
    return framed(head, body, sheet, first=first)


def _legible(scene: Scene, width: int, height: int) -> list[Row]:
    """What can be read from where, by the rule of 16 minutes of arc."""
    inch, away = scene.options.screen_inch, scene.options.distance_m
    tall = far_plan(width, height, scene.setting.label_width).tall
    digits = arc_minutes(tall, height, inch, away)
    text = arc_minutes(CAPITAL, height, inch, away)
    verdicts = ["can be read" if m >= LEAST_MINUTES else "cannot be read" for m in (digits, text)]
    words = (
        f"on a screen of {inch:g} inch that this terminal fills, from {away:g} m: digits {tall} rows tall "
        f"{digits:.0f} minutes of arc, {verdicts[0]}; "
        f"text {text:.0f}, {verdicts[1]} ({LEAST_MINUTES:.0f} needed)"
    )
    return [fit_row([(f" {line}", "text")], width) for line in wrap(words, width - 2)]


def _body(width: int) -> list[Row]:
    pairs = [(b.name, _where(b.long, [p.value.lower() for p in sorted(b.pages)])) for b in BINDINGS]
    if width >= _TWO_COLUMNS:
        half = width // 2
        left, right = _table(pairs, half), _signs(half)
        return beside([(left, half), (right, width - half)], max(len(left), len(right)))
    return [*_table(pairs, width), blank(width), *_signs(width)]


def _where(words: str, pages: list[str]) -> str:
    return f"{words} ({', '.join(pages)})" if pages else words


def _signs(width: int) -> list[Row]:
    needs = [
        ("needs +", "lean, to the right, L: add fuel"),
        ("needs -", "rich, to the left, R: take fuel away"),
    ]
    return _table([*needs, *LEGEND, *_WORDS], width)


def _table(pairs: Sequence[tuple[str, str]], width: int) -> list[Row]:
    rows: list[Row] = []
    for name, words in pairs:
        for i, line in enumerate(wrap(words, max(width - 11, 8))):
            rows.append(fit_row([(f" {name if i == 0 else '':<8} ", "key-name"), (line, "text")], width))
    return rows
