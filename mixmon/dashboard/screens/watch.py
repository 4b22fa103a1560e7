"""The watch screen: the strip of the last seconds, the engine from above, and the page that arranges all.

A small screen loses rules and captions first, then the strip, events and keys. It never loses the
limit word, the leanest cylinder, NO DATA, or each cylinder's number and letter while there is a row
for them. Only `watch_page` knows the size of the terminal; every part is given its own.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Floats, Ints
from mixmon.dashboard.pictures.plot import BRAILLE, LEAST_PLOT_COLUMNS, PANE_GAP, braille_bits, panes_beside
from mixmon.dashboard.pictures.traces import trend_picture
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.balance import CellView, cell_rows, dwell_row
from mixmon.dashboard.screens.bars import (
    BarTrack,
    bar_rows,
    bar_track,
    fit_centred,
    grid_rows,
    half_bar_rows,
    need_style,
    plain_rows,
)
from mixmon.dashboard.screens.bus import channel_rows, node_rows, worst_first
from mixmon.dashboard.screens.events import event_rows
from mixmon.dashboard.screens.far import caption, far_zone, plan_far_zone
from mixmon.dashboard.screens.status import LEAST_ROWS_FOR_KEYS, Sheet, keys_line, status
from mixmon.dashboard.text import (
    Row,
    Segment,
    beside,
    blank,
    fit,
    fit_row,
    known_row,
    letter,
    padded,
    side,
    signed,
)
from mixmon.dashboard.text import width as cells_of
from mixmon.dashboard.verdict import LimitVerdict, LimitWord

# ----------------------------------------------------------------------------------------------------
# The strip: the last twenty seconds in two panes, newest on top, lean to the right as in the bars.
# ----------------------------------------------------------------------------------------------------

STRIP_SPAN_S = 20.0
"""Time that the strip shows: all that the snapshot keeps. With 18 rows, a row of dots is a quarter second."""

STRIP_LEAST_ROWS = 6
"""Our choice: a strip with fewer rows shows too little to give up rows of events for it."""

_LABEL_S = 5.0
"""Time between two labels beside the strip. Our choice: four in the span."""

_TIMES = 6
"""Cells of the column with seconds: `-15s` and a blank on either side."""


def strip_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Heading, scale, and panes for all cylinders and for the leanest one."""
    pane = (width - _TIMES - 2) // 2
    strip = scene.snapshot.strip
    against = strip.vs_target if scene.digits.against == "target" else strip.vs_peers
    needs = np.stack([against.engine, against.leanest])
    drawn = _draw_panes(scene, np.full_like(needs, np.nan) if scene.dead else needs, pane, height - 2)
    heads = _pane_heads(round(scene.options.scale), scene.digits.against, pane)
    times = [*[blank(_TIMES)] * 2, *_time_rows(height - 2)]
    left, right = ([*head, *rows] for head, rows in zip(heads, drawn, strict=True))
    rest = width - _TIMES - 2 * pane - 2
    return beside([(times, _TIMES), (left, pane), ([], 2), (right, pane), ([], rest)], height)


@lru_cache(16)
def _time_rows(height: int) -> tuple[Row, ...]:
    """Seconds ago, at the top, a quarter, the middle, and so on."""
    step = STRIP_SPAN_S / height
    every = max(round(_LABEL_S / step), 1)
    texts = (
        f"{-round(y * step):>4}s " if y and y % every == 0 else "  now " if y == 0 else " " * _TIMES
        for y in range(height)
    )
    return tuple(fit_row([(text, "dim")], _TIMES) for text in texts)


@lru_cache(16)
def _pane_heads(scale: int, against: str, width: int) -> tuple[tuple[Row, Row], ...]:
    """Heading and scale of both panes."""
    foot = f"-{scale} R"
    head = f"{foot}{fit_centred(against, width)[len(foot) : width - len(foot)]}L +{scale}"
    return tuple(
        (fit_row([(title, "label")], width), fit_row([(head, "label")], width))
        for title in ("ALL cylinders", "LEANEST")
    )


def _draw_panes(scene: Scene, needs: Floats, width: int, height: int) -> tuple[list[Row], list[Row]]:
    """The rows of both panes, whose needs are float64[2, k]: drawn at once, one below the other."""
    track = bar_track(scene, width)
    draw = _draw_stars if scene.options.ascii else _draw_dots
    codes = draw(needs, scene.snapshot.strip.t_s, track, height)
    _draw_target(scene, codes, track)
    drawn = codes.tobytes().decode("utf-32-le")
    rows = [
        known_row(((drawn[at : at + track.cells], "bar"),), width) for at in range(0, len(drawn), track.cells)
    ]
    return rows[:height], rows[height:]


def _draw_target(scene: Scene, codes: Codes, track: BarTrack) -> None:
    """The line of the target and the limits where the trace leaves room."""
    signs = [(track.cells // 2, scene.marks.target)]
    limits = [
        one for one in (track.rich_limit, track.lean_limit) if one is not None and abs(one) <= track.scale
    ]
    signs += [(track.at(one), scene.marks.limit) for one in limits]
    for at, sign in signs:
        column = codes[:, at]
        column[column == _EMPTY] = ord(sign)


Codes = NDArray[np.uint32]
"""Characters of rows and columns of cells, as UTF-32."""

_EMPTY = ord(" ")


def _draw_dots(needs: Floats, t_s: Floats, track: BarTrack, height: int) -> Codes:
    """One dot a sample and row of dots, newest on top, pane below pane; neighbours joined across a row."""
    across, down = 2 * track.cells, 4 * height
    low, high = _row_extremes(needs, t_s, down)
    first, last = (_dot_columns(x, track, across)[:, None] for x in (low, high))
    columns = np.arange(across)
    grid = (columns >= first) & (columns <= last) & np.isfinite(low)[:, None]
    bits = braille_bits(grid).astype(np.uint32)
    return np.where(bits > 0, BRAILLE + bits, np.uint32(_EMPTY))


def _dot_columns(percent: Floats, track: BarTrack, across: int) -> Ints:
    """The dots of needs, so that zero lies in the middle cell."""
    middle = 2 * (track.cells // 2)
    known = np.where(np.isfinite(percent), percent, 0.0)
    dots: Ints = np.clip(middle + np.rint(middle * known / track.scale), 0, across - 1).astype(np.int64)
    return dots


def _draw_stars(needs: Floats, t_s: Floats, track: BarTrack, height: int) -> Codes:
    """The same in whole cells, without braille."""
    codes = np.full((len(needs) * height, track.cells), _EMPTY, np.uint32)
    ends = zip(*(ends.tolist() for ends in _row_extremes(needs, t_s, height)), strict=True)
    for row, (low, high) in zip(codes, ends, strict=True):
        if math.isfinite(low):
            row[track.at(low) : track.at(high) + 1] = ord("*")
    return codes


def _row_extremes(needs: Floats, t_s: Floats, rows: int) -> tuple[Floats, Floats]:
    """Least and largest need in each row's share of the span, newest first; infinite where none is known.

    One pane below the other, so many rows each; needs are float64[p, k].
    """
    known = np.isfinite(needs)
    row = np.clip((-t_s * rows / STRIP_SPAN_S).astype(np.int64), 0, rows - 1)
    row = (row + rows * np.arange(len(needs))[:, None])[known]
    low, high = np.full(len(needs) * rows, np.inf), np.full(len(needs) * rows, -np.inf)
    np.minimum.at(low, row, needs[known])
    np.maximum.at(high, row, needs[known])
    return low, high


# ----------------------------------------------------------------------------------------------------
# The engine from above: a box for each cylinder, bank beside bank.
# ----------------------------------------------------------------------------------------------------

_MOST_BOX = 18
"""Cells of a box, at most. Our choice: number, need and letter with some air."""

_BOXED, _LINED = 3, 1
"""Rows of a cylinder with and without a box."""


def plan_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Bank names, then the cylinders, boxed if there is room.

    Each bank is drawn in the order of the session file, its first cylinder at the top: the program
    does not know which end of the engine is in front.
    """
    banks = scene.setting.banks
    most = max(len(nodes) for _, nodes in banks)
    named = any(name for name, _ in banks)
    each = _BOXED if most * _BOXED + 1 + named <= height else _LINED
    box = min((width - 2 * (len(banks) - 1)) // len(banks), _MOST_BOX)
    columns: list[tuple[list[Row], int]] = []
    for name, nodes in banks:
        rows = [fit_row([(f" bank {name}" if name else " ", "label")], box)] if named else []
        for index in nodes:
            rows += (
                _boxed_cylinder(scene, index, box) if each == _BOXED else [_plain_cylinder(scene, index, box)]
            )
        columns += [(rows, box), ([], 2)]
    title = fit_row([("FROM ABOVE  needs %", "label")], width)
    columns[-1] = ([], max(width - box * len(banks) - 2 * (len(banks) - 1), 0))
    body = beside(columns, max(len(rows) for rows, _ in columns))
    return [title, *(fit_row(row, width) for row in body)][:height]


def _plain_cylinder(scene: Scene, index: int, width: int) -> Row:
    return fit_row(_cylinder_segments(scene, index), width)


def _boxed_cylinder(scene: Scene, index: int, width: int) -> list[Row]:
    marks = scene.marks
    lean = scene.leanest()[0] == index
    style = "strong" if lean else "rule"
    line = marks.rule * (width - 2)
    left, right, low_left, low_right = tuple(marks.corners)
    middle = fit_row(_cylinder_segments(scene, index), width - 2)
    return [
        _box_edge(f"{left}{line}{right}", style),
        ((marks.upright, style), *middle, (marks.upright, style)),
        _box_edge(f"{low_left}{line}{low_right}", style),
    ]


@lru_cache(16)
def _box_edge(text: str, style: str) -> Row:
    return fit_row([(text, style)], cells_of(text))


def _cylinder_segments(scene: Scene, index: int) -> list[Segment]:
    counted, over = scene.counted(index), index in scene.over()
    need = scene.need(index)
    style = need_style(counted=counted, over=over)
    return [
        (f"{fit(scene.setting.labels[index], scene.setting.label_width, right=True)} ", "strong"),
        (f"{fit(signed(need), 5, right=True)} {side(need)}", style),
        (f" {letter(scene.state(index), over=over):<2}", style if counted else "gone-strong"),
    ]


# ----------------------------------------------------------------------------------------------------
# The page.
# ----------------------------------------------------------------------------------------------------

BAR_LEAST_COLUMNS = 80
"""Fewer columns have no bars: the usual width of a small terminal still has them."""

WIDE, HIGH = 160, 45
"""A terminal of this size shows everything at once. Our choice: a full screen on a laptop."""

CHANNELS_WIDE, CHANNELS_HIGH, _MOST_CHANNEL_ROWS = 120, 40, 2
"""A terminal of this size has rows of own channels, so many at most. Our choice: the mixture comes first."""

_STRIP_ROWS, _EVENT_ROWS = 18, 5
"""Rows of the strip at most, and rows of events that come before a higher strip. Our choice."""


def watch_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet) -> list[Row]:
    """The whole screen: `height` rows of `width` cells."""
    width, height = sheet.width, sheet.height
    plan = plan_far_zone(width, height, scene.setting.label_width)
    head = [status(scene, verdict, width, far=plan.has_word)]
    if height < len(head) + plan.tall + 1 + 1:
        return padded([status(scene, verdict, width), *grid_rows(scene, width, height - 1)], width, height)
    zone = far_zone(scene, verdict, width, plan)
    if width >= WIDE and height >= HIGH:
        return _wide_rows(scene, verdict, [*head, *zone], sheet)
    return _stack_rows(scene, verdict, [*head, *zone], sheet)


def _stack_rows(scene: Scene, verdict: LimitVerdict, top: list[Row], sheet: Sheet) -> list[Row]:
    """One part below the other; rows are given by importance."""
    width, height = sheet.width, sheet.height
    cylinders = _cylinder_rows(scene, width, height - len(top))
    room = height - len(top) - len(cylinders)
    bottom = [keys_line(sheet.keys, width)] if room >= 1 and height >= LEAST_ROWS_FOR_KEYS else []
    room -= len(bottom)
    asked = verdict.word in {LimitWord.LOOK, LimitWord.NO_DATA}
    events = min(room, 0 if asked and room == 1 else 1)
    room -= events
    why = [caption(scene, verdict, width)] if room >= 1 else []
    room -= len(why)
    own = _own_rows(scene, sheet)[:room]
    room -= len(own)
    rules = min(max(room - 1, 0), 2)
    room -= rules
    strip: list[Row] = []
    if width >= BAR_LEAST_COLUMNS and room >= STRIP_LEAST_ROWS + 4:
        strip = strip_rows(scene, width, min(max(room - _EVENT_ROWS, STRIP_LEAST_ROWS), _STRIP_ROWS))
        room -= len(strip)
    events += max(room, 0)
    line = rule_row(scene, width)
    return padded(
        [
            *top,
            *why,
            *own,
            *([line] if rules > 0 else []),
            *cylinders,
            *strip,
            *([line] if rules > 1 else []),
            *event_rows(scene, width, events),
            *bottom,
        ],
        width,
        height,
    )


def _own_rows(scene: Scene, sheet: Sheet) -> list[Row]:
    """The own channels, where there is room for them."""
    if sheet.width < CHANNELS_WIDE or sheet.height < CHANNELS_HIGH:
        return []
    return channel_rows(scene, sheet.width)[:_MOST_CHANNEL_ROWS]


def _cylinder_rows(scene: Scene, width: int, room: int) -> list[Row]:
    """Bars if they fit, else bars in two columns, else numbers in a grid."""
    if len(scene.setting) + 1 <= room:
        return bar_rows(scene, width) if width >= BAR_LEAST_COLUMNS else plain_rows(scene, width)
    if width >= BAR_LEAST_COLUMNS and -(-len(scene.setting) // 2) + 1 <= room:
        return half_bar_rows(scene, width)
    return grid_rows(scene, width, room)


def rule_row(scene: Scene, width: int) -> Row:
    """A line across."""
    return ((scene.marks.rule * width, "rule"),)


def _wide_rows(scene: Scene, verdict: LimitVerdict, top: list[Row], sheet: Sheet) -> list[Row]:
    """Bars, strip and engine; cells and nodes; events; keys."""
    width, height = sheet.width, sheet.height
    line = rule_row(scene, width)
    middle = _middle_rows(scene, width, height)
    lower = _lower_rows(scene, width, height)
    own = _own_rows(scene, sheet)
    head = [*top, caption(scene, verdict, width), *own, line, *middle, line, *lower, line]
    events = _events_and_trend(scene, width, max(height - len(head) - 1, 0))
    return padded([*head, *events, keys_line(sheet.keys, width)], width, height)


_TREND_COLUMNS, _TREND_ROWS, _MOST_TREND_ROWS = 110, 9, 20
"""Cells of events beside a trend, rows from which there is one, and its rows at most. Our choice: a line of
events has so many cells; a lower trend shows no more than the strip."""


def _events_and_trend(scene: Scene, width: int, height: int) -> list[Row]:
    """Events, and the last minute of the chosen cylinder beside them where there is room."""
    node = scene.chosen()
    right = width - _TREND_COLUMNS - PANE_GAP
    if node is None or height < _TREND_ROWS or right < LEAST_PLOT_COLUMNS:
        return event_rows(scene, width, height)
    trend = trend_picture(scene, node, (right, min(height, _MOST_TREND_ROWS)))
    return panes_beside([(event_rows(scene, _TREND_COLUMNS, height), _TREND_COLUMNS), (trend, right)], height)


def _middle_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Bars to the left, then the strip, then the engine from above. Widths are our choice."""
    banks = len(scene.setting.banks)
    plan = min(max(20 * banks, 24), width // 5)
    strip = min(60, (width - plan) // 3)
    bars = width - strip - plan - 4
    rows = max(min(len(scene.setting) + 2, height // 2), 15)
    return beside(
        [
            (bar_rows(scene, bars)[:rows], bars),
            ([], 2),
            (strip_rows(scene, strip, rows), strip),
            ([], 2),
            (plan_rows(scene, plan, rows), plan),
        ],
        rows,
    )


def _lower_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Cells with the dwell clock to the left, the chain to the right. Widths are our choice."""
    index = scene.chosen()
    cylinder = scene.setting.nodes[0 if index is None else index].cylinders[0]
    left = (width - 2) * 11 // 20
    right = width - 2 - left
    loads = len(scene.setting.session.axes.load) or 1
    rows = max(min(max(len(scene.setting) + 1, 2 * loads + 3), height // 4 + 2), 8)
    whose = f"CELLS cyl {cylinder}: needs % vs peers, 95 % interval, seconds"
    view = CellView(cylinder)
    cells = [((whose, "label"),), dwell_row(scene, left), *cell_rows(scene, view, left, rows - 2)]
    nodes = node_rows(scene, right, worst_first(scene))
    return beside([(padded(cells, left, rows), left), ([], 2), (nodes[:rows], right)], rows)
