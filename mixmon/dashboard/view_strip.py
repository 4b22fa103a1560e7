"""The last twenty seconds: two panes in which time runs upwards and lean is to the right.

The same side means the same as on the rails. A cell of braille is two dots wide and four high,
so a pane of eighteen rows resolves a quarter second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, beside, blank, fit_row
from mixmon.dashboard.view_rails import Track, fit_centred, track_of

Floats = NDArray[np.float64]

SPAN_S = 20.0
LEAST_WIDTH, LEAST_HEIGHT = 36, 6
_TIMES = 6
"""Cells of the column with seconds."""

_BRAILLE = 0x2800
_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])
"""Bits of the dots of a braille cell, four down by two across (Unicode Standard, Braille Patterns)."""


def strip_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Heading, scale, and panes for all cylinders and for the leanest one."""
    pane = (width - _TIMES - 2) // 2
    strip = scene.snapshot.strip
    reference = strip.target if scene.digits.against == "target" else strip.engine
    panes = []
    for title, series in (("ALL cylinders", strip.engine), ("LEANEST", strip.leanest)):
        with np.errstate(all="ignore"):  # whatever a sender may say; what is no number is not drawn
            needs = 100.0 * (series / reference - 1.0)
        needs = np.where(np.isfinite(needs) & (not scene.dead), needs, np.nan)
        panes.append(_pane(scene, title, needs, pane, height))
    times = [blank(_TIMES)] * 2 + _times(height - 2)
    rows = beside([(times, _TIMES), (panes[0], pane), ([], 2), (panes[1], pane)], height)
    return [fit_row(row, width) for row in rows]


def _times(height: int) -> list[Row]:
    """Seconds ago, at the top, a quarter, the middle, and so on."""
    step = SPAN_S / height
    every = max(round(5.0 / step), 1)
    return [
        (
            (
                f"{-round(y * step):>4}s " if y and y % every == 0 else "  now " if y == 0 else " " * _TIMES,
                "dim",
            ),
        )
        for y in range(height)
    ]


def _pane(scene: Scene, title: str, needs: Floats, width: int, height: int) -> list[Row]:
    track = track_of(scene, width)
    scale = round(track.scale)
    foot = f"-{scale} R"
    head = f"{foot}{fit_centred(scene.digits.against, width)[len(foot) : width - len(foot)]}L +{scale}"
    draw = _stars if scene.options.ascii else _dots
    trace = draw(needs, scene.snapshot.strip.t_s, track, height - 2)
    body = [_with_target(scene, line, track) for line in trace]
    return [fit_row([(title, "label")], width), fit_row([(head, "label")], width), *body]


def _with_target(scene: Scene, line: str, track: Track) -> Row:
    """The trace, with the target's line and the lean limit where the trace leaves room."""
    middle = track.cells // 2
    empty = " " if scene.options.ascii else chr(_BRAILLE)
    cells = [" " if c == empty else c for c in line]
    if cells[middle] == " ":
        cells[middle] = scene.marks.target
    for limit in (track.rich_limit, track.lean_limit):
        if limit is not None and abs(limit) <= track.scale and cells[track.at(limit)] == " ":
            cells[track.at(limit)] = scene.marks.limit
    return (("".join(cells), "rail"),)


def _dots(needs: Floats, t_s: Floats, track: Track, height: int) -> list[str]:
    """One dot a sample and row of dots, newest on top; neighbours joined across a row."""
    across, down = 2 * track.cells, 4 * height
    grid = np.zeros((down, across), np.bool_)
    for y, (low, high) in enumerate(_extremes(needs, t_s, down)):
        if np.isfinite(low):
            first, last = (_dot(x, track, across) for x in (low, high))
            grid[y, first : last + 1] = True
    cells = grid.reshape(height, 4, track.cells, 2).transpose(0, 2, 1, 3)
    codes = (cells * _DOTS).sum(axis=(2, 3)) + _BRAILLE
    return ["".join(map(chr, row)) for row in codes.tolist()]


def _dot(percent: float, track: Track, across: int) -> int:
    """The dot of a need, so that zero lies in the rail's middle cell."""
    middle = 2 * (track.cells // 2)
    return min(max(middle + round(middle * percent / track.scale), 0), across - 1)


def _stars(needs: Floats, t_s: Floats, track: Track, height: int) -> list[str]:
    """The same in whole cells, without braille."""
    lines = []
    for low, high in _extremes(needs, t_s, height):
        cells = [" "] * track.cells
        if np.isfinite(low):
            first, last = track.at(low), track.at(high)
            cells[first : last + 1] = "*" * (last + 1 - first)
        lines.append("".join(cells))
    return lines


def _extremes(needs: Floats, t_s: Floats, rows: int) -> list[tuple[float, float]]:
    """Least and largest need in each row's share of the span, newest first; NaN where none is known."""
    known = np.isfinite(needs)
    row = np.clip((-t_s[known] * rows / SPAN_S).astype(np.int64), 0, rows - 1)
    low, high = np.full(rows, np.inf), np.full(rows, -np.inf)
    np.minimum.at(low, row, needs[known])
    np.maximum.at(high, row, needs[known])
    return list(zip(low.tolist(), high.tolist(), strict=True))
