"""The pull review: one pull by bands of speed, a row a cylinder, its quality, and whether it repeats."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mixmon.beside.bands import beside_in_pull
from mixmon.dashboard.pictures.plot import KEPT_PICTURES, PANE_GAP, has_panes, nothing_to_draw, panes_beside
from mixmon.dashboard.pictures.pull_curves import chosen_in, pull_picture
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.bus import value_in_digits
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import Row, clean, fit, fit_row, number, signed, tall_need, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.lags import DEFAULT_LAG_S
from mixmon.findings.pulls.bands import PullTable
from mixmon.findings.pulls.quality import Exclusion, PullState, Suggestion
from mixmon.findings.pulls.review import PullReview, Repeat
from mixmon.mixture.block import SampleState
from mixmon.report.words import sentence

_CELL, _LABEL, _END = 5, 6, 13
"""Cells of a number, of the label before them, and of the worst point behind them."""

_MASK_SIGNS: Mapping[Exclusion, str] = {
    PullState.EVENT: "##",
    PullState.OUTLIER: "##",
    SampleState.AT_LEAN_LIMIT: ">>",
    SampleState.AT_RICH_LIMIT: "<<",
}
_EMPTY_BAND = ".."

_LEAST_BESIDE = 80
"""Cells beside the table from which the chosen cylinder's bands stand there too. Our choice: twelve fit."""

_SIGN_LEGEND = "## masked  >> leaner << richer than the sensor range  .. no data"


_LAG_WORDS = (
    f"sensor lag {1e3 * DEFAULT_LAG_S:.0f} ms assumed; mixmon pulls takes what it measures in the whole run"
)


def pulls_page(
    scene: Scene,
    verdict: LimitVerdict,
    sheet: Sheet,
    *,
    number: int | None,
    compared: bool,
    picture: bool = False,
) -> list[Row]:
    """Pull `number`, the newest where that is None; `compared`: as difference from the one kept before.

    picture  curves stand in the place of the table; where there is room they stand above it
    """
    width, review = sheet.width, scene.snapshot.pulls
    if review is None or not review.pulls:
        head = [status(scene, verdict, width, title="PULLS")]
        return framed(head, [fit_row([(" no pull yet", "dim")], width)], sheet)
    last = len(review.pulls) - 1
    at = last if number is None else min(number, last)
    head = [status(scene, verdict, width, title=f"PULL {at + 1} of {last + 1}, needs % vs peers")]
    head += _drive_rows(review, at, width)
    room = room_below(head, sheet.height)
    if picture:
        return framed(head, _curve_rows(scene, review, at, (width, room), compared=compared), sheet)
    table = _table_rows(scene, review.tables[at], width, review.repeats[at] if compared else None)
    table += _beside_rows(scene, review, at, width)[: max(room - len(table), 0)]
    if not has_panes(width, sheet.height):
        return framed(
            head, [*table, *_words_below(scene, review, at, width)[: max(room - len(table), 0)]], sheet
        )
    left = min(width, _LABEL + _CELL * len(review.bands) + _END)
    right = width - left - PANE_GAP
    if right >= _LEAST_BESIDE:
        words = _words_below(scene, review, at, right)
    else:
        table += _chosen_rows(scene, review.tables[at], width)[:2]
        words = _leanest_rows(scene, review.tables[at], right) + _remark_rows(scene, review, at, right)
    table = panes_beside([([fit_row(row, left) for row in table], left), (words, right)], len(table))
    free = room - len(table)
    curves = _curve_rows(scene, review, at, (width, free), compared=compared) if free > 0 else []
    return framed(head, [*curves, *table], sheet)


def _words_below(scene: Scene, review: PullReview, at: int, width: int) -> list[Row]:
    """The chosen cylinder against the target, then all that must be said."""
    return [*_chosen_rows(scene, review.tables[at], width), *_remark_rows(scene, review, at, width)]


def _remark_rows(scene: Scene, review: PullReview, at: int, width: int) -> list[Row]:
    return [fit_row([(f" {line}", "text")], width) for line in _note_lines(scene, review, at, width - 2)]


def _curve_rows(
    scene: Scene, review: PullReview, at: int, size: tuple[int, int], *, compared: bool
) -> list[Row]:
    """The picture of the pull, or why there is none."""
    width, height = size
    rows = pull_picture(scene, review, at, compared=compared, width=width, height=height)
    return rows or nothing_to_draw("the terminal is too small for a picture; tab: the table", width, height)


def _drive_rows(review: PullReview, at: int, width: int) -> list[Row]:
    """From where to where, how fast, how warm; the verdict, and the repeat; what the table says."""
    pull, quality = review.pulls[at], review.pulls[at].quality
    way = f" {pull.from_rpm:.0f} to {pull.to_rpm:.0f} rpm, {pull.seconds:.1f} s, {pull.rate:.0f} rpm/s"
    warm = f"  coolant {number(quality.coolant_c, 0)}  air {number(quality.intake_c, 0)}"
    valid = f"  valid {quality.valid_cylinders}/{quality.cylinders}"
    kept = pull.verdict.suggestion is Suggestion.KEEP
    reasons = "" if kept else f": {clean('; '.join(map(sentence, pull.verdict.reasons)))}"
    judged = f" {pull.verdict.suggestion}{reasons}  ended by {pull.ended_by}"
    repeated = _repeat_words(review.repeats[at])
    return [
        fit_row([(way, "strong"), (f"{warm}{valid}", "text")], width),
        fit_row([(judged, "text" if kept else "strong"), (repeated, "text")], width),
    ]


def _repeat_words(repeat: Repeat | None) -> str:
    if repeat is None:
        return ""
    unlike = f"; unlike: {clean(', '.join(map(sentence, repeat.unlike)))}" if repeat.unlike else ""
    noise = number(repeat.noise_rms)
    return f"  repeats pull {repeat.against + 1} within {number(repeat.rms)} % (noise {noise}){unlike}"


@dataclass(frozen=True, slots=True)
class _TableLook:
    """What decides how a table looks besides its numbers: nodes in order, their labels, the chosen one."""

    order: tuple[int, ...]
    labels: tuple[str, ...]
    chosen: int | None
    mark: str


def _table_rows(scene: Scene, table: PullTable, width: int, repeat: Repeat | None) -> list[Row]:
    """Needs against peers, or their difference from an earlier pull; then all and the spread."""
    look = _TableLook(scene.order(), scene.setting.labels, chosen_in(scene, table), scene.marks.chosen)
    return list(_draw_table(table, repeat, look, width))


@lru_cache(KEPT_PICTURES)
def _draw_table(table: PullTable, repeat: Repeat | None, look: _TableLook, width: int) -> tuple[Row, ...]:
    bands = _bands_in_sight(len(table.bands), width)
    values = table.peers if repeat is None else repeat.difference
    end = "  worst at" if repeat is None else f"  less {repeat.against + 1}"
    rows = [_heading_row(table, bands, width, end)]
    for index in look.order:
        numbers = [_value_text(values[b, index], table.why[b][index]) for b in bands]
        mark = look.mark if index == look.chosen else " "
        name = f"{mark}{fit(look.labels[index], _LABEL - 2, right=True)} "
        rows.append(_band_row(name, numbers, _worst_text(table, index) if repeat is None else "", width))
    together = table.engine if repeat is None else repeat.engine
    rows.append(_band_row(" all  ", [_value_text(together[b], None) for b in bands], "  vs target", width))
    if repeat is None:
        spreads = [fit(number(table.spread[b]), _CELL, right=True) for b in bands]
        rows.append(_band_row("spread", spreads, "", width))
    return tuple(rows)


_MOST_BESIDE = 4
"""Rows of tables beside the run, at most. Our choice: the needs come first."""


def _beside_rows(scene: Scene, review: PullReview, at: int, width: int) -> list[Row]:
    """Columns of tables that were merged with the run, such as torque, by the same bands."""
    bands = _bands_in_sight(len(review.bands), width)
    rows = []
    for table in scene.setting.beside:
        found = _beside_bands(table, review.pulls[at], review.bands)
        for c, (name, unit) in enumerate(zip(table.names, table.units, strict=True)):
            shown = [value_in_digits(x) if np.isfinite(x) else _EMPTY_BAND for x in found.mean[:, c].tolist()]
            numbers = [fit(shown[b], _CELL, right=True) for b in bands]
            rows.append(_band_row(f"{fit(clean(name), _LABEL - 1)} ", numbers, f"  {clean(unit)}", width))
    return rows[:_MOST_BESIDE]


_beside_bands = lru_cache(KEPT_PICTURES)(beside_in_pull)


def _bands_in_sight(count: int, width: int) -> range:
    """All bands, or as many of the highest speeds as fit; the heading marks that there are more."""
    room = max((width - _LABEL - _END) // _CELL, 1)
    return range(max(count - room, 0), count)


def _heading_row(table: PullTable, bands: range, width: int, end: str) -> Row:
    speeds = "".join(fit(f"{table.bands.centres[b]:.0f}", _CELL, right=True) for b in bands)
    cut = "<" if bands.start else " "
    return fit_row([(f" cyl {cut}{speeds}{end}", "label")], width)


def _band_row(name: str, numbers: list[str], end: str, width: int) -> Row:
    return fit_row([(name, "strong"), ("".join(numbers), "text"), (end, "dim")], width)


def _value_text(percent: float, why: Exclusion | None) -> str:
    """A need, or the sign of why there is none."""
    sign = _EMPTY_BAND if why is None else _MASK_SIGNS.get(why, _EMPTY_BAND)
    text = tall_need(percent) if np.isfinite(percent) else sign
    return fit(text, _CELL, right=True)


def _worst_text(table: PullTable, index: int) -> str:
    worst = table.worst[index]
    return "" if worst is None else f" {fit(tall_need(worst.needs_percent), 5, right=True)} {worst.rpm:>5.0f}"


def _chosen_rows(scene: Scene, table: PullTable, width: int) -> list[Row]:
    """The chosen cylinder against the target with its intervals, and where it was leanest."""
    index = chosen_in(scene, table)
    if index is None:
        return []
    bands = _bands_in_sight(len(table.bands), width)
    label = scene.setting.labels[index]
    against = [_value_text(table.target[b, index], table.why[b][index]) for b in bands]
    halves = (table.target_half[b, index] for b in bands)
    half = [fit(number(h) if np.isfinite(h) else "", _CELL, right=True) for h in halves]
    rows = [
        _band_row(f"{fit(label, _LABEL - 2, right=True)}: ", against, "  vs target", width),
        _band_row(f"{scene.marks.plus_minus:>{_LABEL - 1}} ", half, "", width),
    ]
    return [*rows, *_leanest_rows(scene, table, width)]


def _leanest_rows(scene: Scene, table: PullTable, width: int) -> list[Row]:
    """Where the chosen cylinder was leanest."""
    index = chosen_in(scene, table)
    lean = table.leanest[index] if index is not None else None
    if index is None or lean is None:
        return []
    over = f", lambda {signed(lean.over_target, 3)} over target" if np.isfinite(lean.over_target) else ""
    label = scene.setting.labels[index]
    words = f"cyl {label} leanest at {lean.rpm:.0f} rpm: needs {signed(lean.needs_percent)} %{over}"
    return [fit_row([(f" {line}", "strong")], width) for line in wrap(words, max(width - 2, 1))]


def _note_lines(scene: Scene, review: PullReview, at: int, width: int) -> Iterator[str]:
    if words := scene.exchanged():
        yield from wrap(f"by label: {words}", width)
    for one in review.notes[at]:
        yield from wrap(sentence(one), width)
    yield from wrap(_SIGN_LEGEND, width)
    yield from wrap(_LAG_WORDS, width)
