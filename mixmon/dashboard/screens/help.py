"""The help screen: the keys of the screen at hand and the common ones in short, then everything at length.

What comes first fits the usual terminal of 80 columns and 24 rows. Below it every key, the letters, the limit
words, the alarm states, and how far away the screen can be read.
"""

from __future__ import annotations

from collections.abc import Sequence

from mixmon.dashboard.digits import CAPITAL_SHARE, LEAST_ARC_MINUTES, arc_minutes
from mixmon.dashboard.keys import BINDINGS, KeyBinding, Page, bindings
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.far import plan_far_zone
from mixmon.dashboard.screens.status import Sheet, framed, status
from mixmon.dashboard.screens.timeline import SIGNS
from mixmon.dashboard.text import LETTER_LEGEND, Row, Segment, beside, blank, fit, fit_row, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.alarms.states import SHORT_WORDS, AlarmFlag, AlarmState

_TWO_COLUMNS = 120
"""From so many columns on, two blocks stand side by side. Our choice: each has 60."""

_STATE_WORDS = (
    (AlarmState.UNACKNOWLEDGED.word, "the condition holds, and nobody has acknowledged it"),
    (AlarmState.ACKNOWLEDGED.word, "the condition holds"),
    (AlarmState.RETURNED_UNACKNOWLEDGED.word, "the condition is over, and nobody has acknowledged it"),
    (AlarmState.LATCHED_UNACKNOWLEDGED.word, "over, and stays until it is acknowledged and reset"),
    (AlarmState.LATCHED_ACKNOWLEDGED.word, "over, and stays until it is reset"),
    (AlarmFlag.SHELVED.word, "silenced by the operator, for a time"),
    (AlarmFlag.SUPPRESSED.word, "silenced while a named state or another alarm explains it"),
    (AlarmFlag.OUT_OF_SERVICE.word, "silenced by the operator, until it is taken back"),
)
"""Every word of the column `state` of the alarm list; a list that is narrow has its short form."""

_LIMIT_WORDS = (
    ("NONE", "none of the limits that are monitored is crossed"),
    ("LOOK", "something needs a look; the reason stands beside it"),
    ("OVER", "a priority-1 limit is crossed"),
    ("NO DATA", "nothing is known now; the last value is not shown"),
)


_SHORT_NAME = 6
"""Cells of a key's name, of the longest of them."""

_SHORT_COLUMN = 20
"""Cells of a key told in short. Our choice: the longest with a gap; four stand side by side in 80."""


def help_page(
    scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0, asked_from: Page = Page.WATCH
) -> list[Row]:
    """The keys of the screen it was asked from, then all else; `first` rows are scrolled away."""
    width = sheet.width
    head = [status(scene, verdict, width, title="KEYS")]
    signs = () if scene.live.timeline is None else SIGNS
    body = [
        *_rows_at_hand(scene, asked_from, width),
        _heading("everything, at length", width),
        *_help_rows(width),
        *_pair_rows(signs, width),
        blank(width),
        *_legibility_rows(scene, width, sheet.height),
    ]
    return framed(head, body, sheet, first=first)


def _rows_at_hand(scene: Scene, page: Page, width: int) -> list[Row]:
    """The keys of one screen in a line or two each, and in short those that work on every screen."""
    here = bindings(page, live=scene.live.replay_position is None, acts=scene.setting.acts)
    own = [b for b in here if b.pages and not b.replay]
    rows = [_heading(f"keys of this screen: {page.value.lower()}", width)] if own else []
    rows += _pair_rows([(b.name, b.long) for b in own], width)
    rows += [
        _heading("on every screen", width),
        *_short_rows([b for b in here if not (b.pages or b.replay)], width),
    ]
    replay = [b for b in here if b.replay]
    if replay:
        rows += [_heading("in a replay", width), *_short_rows(replay, width)]
    return rows


def _heading(words: str, width: int) -> Row:
    return fit_row([(f" {words}", "label")], width)


def _short_rows(keys: Sequence[KeyBinding], width: int) -> list[Row]:
    """Keys and a word or two, as many columns as there is room for, read downwards."""
    columns = max(width // _SHORT_COLUMN, 1)
    height = -(-len(keys) // columns)
    rows = []
    for y in range(height):
        row: list[Segment] = []
        for binding in keys[y::height]:
            row += [(f" {fit(binding.name, _SHORT_NAME)} ", "key-name")]
            row += [(fit(binding.short, _SHORT_COLUMN - _SHORT_NAME - 2), "text")]
        rows.append(fit_row(row, width))
    return rows


def _legibility_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """What can be read from where, by the rule of 16 minutes of arc."""
    inch, away = scene.options.screen_inch, scene.options.distance_m
    tall = plan_far_zone(width, height, scene.setting.label_width).tall
    digits = arc_minutes(tall, height, inch, away)
    text = arc_minutes(CAPITAL_SHARE, height, inch, away)
    verdicts = ["can be read" if m >= LEAST_ARC_MINUTES else "cannot be read" for m in (digits, text)]
    words = (
        f"on a screen of {inch:g} inch that this terminal fills, from {away:g} m: digits {tall} rows tall "
        f"{digits:.0f} minutes of arc, {verdicts[0]}; "
        f"text {text:.0f}, {verdicts[1]} ({LEAST_ARC_MINUTES:.0f} needed)"
    )
    return [fit_row([(f" {line}", "text")], width) for line in wrap(words, width - 2)]


def _help_rows(width: int) -> list[Row]:
    pairs = [(b.name, _add_pages(b.long, [p.value.lower() for p in sorted(b.pages)])) for b in BINDINGS]
    if width >= _TWO_COLUMNS:
        half = width // 2
        left, right = _pair_rows(pairs, half), _sign_rows(half)
        return beside([(left, half), (right, width - half)], max(len(left), len(right)))
    return [*_pair_rows(pairs, width), blank(width), *_sign_rows(width)]


def _add_pages(words: str, pages: list[str]) -> str:
    return f"{words} ({', '.join(pages)})" if pages else words


def _sign_rows(width: int) -> list[Row]:
    needs = [
        ("needs +", "lean, to the right, L: add fuel"),
        ("needs -", "rich, to the left, R: take fuel away"),
    ]
    states = [(f"{SHORT_WORDS[word]:<10}", f"{word}: {meaning}") for word, meaning in _STATE_WORDS]
    return _pair_rows([*needs, *LETTER_LEGEND, *_LIMIT_WORDS, *states], width)


def _pair_rows(pairs: Sequence[tuple[str, str]], width: int) -> list[Row]:
    rows: list[Row] = []
    for name, words in pairs:
        for i, line in enumerate(wrap(words, max(width - 13, 8))):
            first = f" {name if i == 0 else '':<8} "
            rows.append(fit_row([(first, "key-name"), (line, "text")], width))
    return rows
