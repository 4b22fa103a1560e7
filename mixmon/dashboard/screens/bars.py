"""Bars: one cylinder a row, rich to the left and lean to the right of the target, or of the peers.

    3  0.916  +5.3 L            ┊         │      ┊━●━━        V!  over       9 ms

The thick line spans the last two seconds, the dot is now, the dotted marks are the limits in force.
On a screen too small for bars, each cylinder's number, need and letter stay.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import (
    Marks,
    Row,
    Segment,
    beside,
    fit,
    fit_row,
    known_row,
    letter,
    number,
    side,
    signed,
    state_word,
    tall_need,
)
from mixmon.mixture.block import SampleState

_TEXT_CELLS = 33
"""Cells of a row besides bar, label and value (computed: the widths in the example above)."""

_LEAST_VALUE = 6
"""Cells of the value, at least: a lambda with four decimals."""

_CELL, _CLOSE_CELL = 8, 6
"""Cells of need and letter in the grid of small screens: roomy, and as close as they can be read."""


@dataclass(frozen=True, slots=True)
class BarTrack:
    """The scale of a bar: its cells, its reach to either side and the limits, in percent of fuel."""

    cells: int
    scale: float
    rich_limit: float | None
    lean_limit: float | None

    def at(self, percent: float) -> int:
        """The cell of a need; needs beyond the scale fall into the outermost cells."""
        middle = self.cells // 2
        step = middle * percent / self.scale
        return min(max(middle + round(step), 0), self.cells - 1)


def bar_track(scene: Scene, cells: int) -> BarTrack:
    """The scale of a bar of so many cells with the limits in force now."""
    limits = scene.snapshot.limits
    if scene.digits.against != "target":
        return BarTrack(cells, scene.options.scale, None, None)
    return BarTrack(cells, scene.options.scale, limits.rich, limits.lean)


def bar_rows(scene: Scene, width: int) -> list[Row]:
    """A heading, then one row a node, all cells of the terminal's width."""
    label = max(scene.setting.label_width, 3)
    track, over = bar_track(scene, width - _TEXT_CELLS - label - _value_cells(scene)), scene.over()
    return [_heading_row(scene, track, width, label)] + [
        _bar_row(scene, i, track, label, over=i in over) for i in scene.order()
    ]


def plain_rows(scene: Scene, width: int) -> list[Row]:
    """The same without bars."""
    label, over = max(scene.setting.label_width, 3), scene.over()
    heading = f"{_left_heading(scene, label)}  state           age"
    rows = [fit_row([(heading, "label")], width)]
    for index in scene.order():
        mine = {"over": index in over}
        row = [*_reading_segments(scene, index, label, **mine), *_state_segments(scene, index, **mine)]
        rows.append(fit_row(row, width))
    return rows


def _value_cells(scene: Scene) -> int:
    return max(len(scene.options.unit.heading), _LEAST_VALUE)


def _left_heading(scene: Scene, label: int) -> str:
    return f"{'cyl':>{label}}  {fit(scene.options.unit.heading, _value_cells(scene), right=True)}  needs % "


def _heading_row(scene: Scene, track: BarTrack, width: int, label: int) -> Row:
    left = _left_heading(scene, label)
    rich, lean = f"-{track.scale:.0f} RICH", f"LEAN +{track.scale:.0f}"
    middle = fit_centred("target" if scene.digits.against == "target" else "peers", track.cells)
    scale = rich + middle[len(rich) : track.cells - len(lean)] + lean
    return fit_row([(left, "label"), (scale, "label"), ("  state           age", "label")], width)


def fit_centred(text: str, cells: int) -> str:
    """The text centred on the middle cell."""
    before = max(cells // 2 - len(text) // 2, 0)
    return fit(" " * before + text, cells)


def _bar_row(scene: Scene, index: int, track: BarTrack, label: int, *, over: bool) -> Row:
    segments = (
        *_reading_segments(scene, index, label, over=over),
        *_bar_segments(scene, index, track, over=over),
        *_state_segments(scene, index, over=over),
    )
    cells = _TEXT_CELLS + label + _value_cells(scene) + track.cells
    return known_row(segments, cells) if track.cells > 0 else segments


def _reading_segments(scene: Scene, index: int, label: int, *, over: bool) -> list[Segment]:
    counted = scene.counted(index)
    name = fit(scene.setting.labels[index], label, right=True)
    style = "chosen" if scene.chosen() == index and scene.options.chosen is not None else "strong"
    need = scene.need(index)
    return [
        (name, style),
        (
            "  " + fit(_lambda_text(scene, index), _value_cells(scene), right=True),
            "text" if counted else "gone",
        ),
        ("  " + fit(signed(need), 5, right=True), need_style(counted=counted, over=over)),
        (f" {side(need)} ", "over-text" if over and counted else "dim"),
    ]


def need_style(*, counted: bool, over: bool) -> str:
    """Style of a need."""
    if not counted:
        return "gone"
    return "over-text" if over else "text"


def _lambda_text(scene: Scene, index: int) -> str:
    lam = scene.lam(index)
    unit = scene.options.unit
    return number(unit.of(lam), scene.options.lambda_decimals) if math.isfinite(lam) else "--"


def _state_segments(scene: Scene, index: int, *, over: bool) -> list[Segment]:
    state = scene.state(index)
    valid = state is SampleState.VALID
    style = "over-text" if over and valid else "text" if valid else "gone-strong"
    return [
        (f"  {letter(state, over=over):<2} {fit(state_word(state, over=over), 9)}", style),
        (fit(scene.age(index), 7, right=True), "dim" if valid else "gone-strong"),
    ]


def _bar_segments(scene: Scene, index: int, track: BarTrack, *, over: bool) -> list[Segment]:
    """The cells of the bar, neighbours of one style joined."""
    ground = _bar_ground(track, scene.marks)
    if not scene.counted(index):
        return [(ground.empty, "bar")]
    return _draw_needs(scene, index, track, ground, over=over)


@dataclass(frozen=True, slots=True)
class BarGround:
    """A bar without its needs, and one that the whisker fills: its text and a sign of style for each cell."""

    empty: str
    filled: str
    filled_signs: str


@lru_cache(16)
def _bar_ground(track: BarTrack, marks: Marks) -> BarGround:
    """The target and the limits, which stand before the whisker."""
    cells = [" "] * track.cells
    cells[track.cells // 2] = marks.target
    for limit in (track.rich_limit, track.lean_limit):
        if limit is not None and abs(limit) <= track.scale:
            cells[track.at(limit)] = marks.limit
    empty = "".join(cells)
    signs = "".join("w" if cell == " " else "b" for cell in cells)
    return BarGround(empty, empty.replace(" ", marks.whisker), signs)


_BAR_STYLES = {"b": "bar", "w": "bar-whisker", "l": "bar-lean", "r": "bar-rich", "n": "bar-now"}
_SAME_STYLE = re.compile("|".join(f"{sign}+" for sign in _BAR_STYLES))
"""Neighbours of one style, by the signs of styles."""


def _draw_needs(scene: Scene, index: int, track: BarTrack, ground: BarGround, *, over: bool) -> list[Segment]:
    marks, now = scene.marks, scene.snapshot.cylinders
    of_target = scene.digits.against == "target"
    need = float((now.vs_target if of_target else now.vs_peers)[index])
    low, high, worst = (float(x[index]) for x in (now.low, now.high, now.worst))
    first = end = 0
    if of_target and math.isfinite(low) and math.isfinite(high):
        first, end = track.at(low), max(track.at(high) + 1, track.at(low))
    text = ground.empty[:first] + ground.filled[first:end] + ground.empty[end:]
    signs = "b" * first + ground.filled_signs[first:end] + "b" * (track.cells - end)
    if scene.options.peaks and of_target and math.isfinite(worst):
        x = track.at(worst)
        text, signs = f"{text[:x]}{marks.peak}{text[x + 1 :]}", f"{signs[:x]}l{signs[x + 1 :]}"
    if math.isfinite(need):
        x = track.at(need)
        beyond = marks.beyond_lean if need > track.scale else marks.beyond_rich
        cell = marks.now if abs(need) <= track.scale else beyond
        hue = "l" if need > 0 else "r"
        sign = hue if over or index in scene.off_target() else "n"
        text, signs = f"{text[:x]}{cell}{text[x + 1 :]}", f"{signs[:x]}{sign}{signs[x + 1 :]}"
    return [
        (text[one.start() : one.end()], _BAR_STYLES[signs[one.start()]])
        for one in _SAME_STYLE.finditer(signs)
    ]


def grid_rows(scene: Scene, width: int, room: int) -> list[Row]:
    """Cylinder, need and letter of every node, several to a row, closer where the rows do not suffice."""
    order, over = scene.order(), scene.over()
    label = scene.setting.label_width
    size = label + _CELL + 2
    if -(-len(order) // max(width // size, 1)) > room:
        size = label + _CLOSE_CELL + 2
    columns = max(width // size, 1)
    height = -(-len(order) // columns)
    blocks = [
        ([_small_row(scene, i, size, over=i in over) for i in order[x * height : (x + 1) * height]], size)
        for x in range(columns)
    ]
    return [fit_row(row, width) for row in beside(blocks, height)]


def _small_row(scene: Scene, index: int, size: int, *, over: bool) -> Row:
    state = scene.state(index)
    counted = state is SampleState.VALID
    label = fit(scene.setting.labels[index], scene.setting.label_width, right=True)
    gap = size - len(label) - 1 - _CLOSE_CELL - 1
    text = tall_need(scene.need(index))
    need = fit(text if gap or counted else f"{text} ", 4 + (gap > 0), right=True)
    return fit_row(
        [
            (f"{label} ", "strong"),
            (need + " " * (gap > 0), need_style(counted=counted, over=over)),
            (f"{letter(state, over=over):<2}", "over-text" if over and counted else "gone-strong"),
        ],
        size,
    )


def half_bar_rows(scene: Scene, width: int) -> list[Row]:
    """Bars in two columns, for a screen that is wide and low."""
    order, over = scene.order(), scene.over()
    height = -(-len(order) // 2)
    one = width // 2
    track = bar_track(scene, one - scene.setting.label_width - _CELL - 3)
    heading = _half_heading_row(scene, track, one)
    columns = []
    for part in (order[:height], order[height:]):
        rows = [heading, *(_half_row(scene, i, track, one, over=i in over) for i in part)]
        columns.append((rows, one))
    return [fit_row(row, width) for row in beside(columns, height + 1)]


def _half_heading_row(scene: Scene, track: BarTrack, width: int) -> Row:
    left = " " * (scene.setting.label_width - 1) + " cyl needs"
    rich, lean = f"-{track.scale:.0f} RICH", f"LEAN +{track.scale:.0f}"
    scale = rich + fit_centred("", track.cells)[len(rich) : track.cells - len(lean)] + lean
    start = scene.setting.label_width + 1 + _CELL
    return fit_row([(fit(left, start), "label"), (scale, "label")], width)


def _half_row(scene: Scene, index: int, track: BarTrack, width: int, *, over: bool) -> Row:
    small = _small_row(scene, index, scene.setting.label_width + 1 + _CELL, over=over)
    return fit_row([*small, *_bar_segments(scene, index, track, over=over)], width)
