"""Bars with intervals, one a row: where a number lies, how sure it is, and what it will be.

     cyl     -4      -2       0      +2      +4      +6 %
       3                      │                  ├─●─┤     +5.3 ±0.3
       1                    ├─●─┤                          -0.1 ±0.2  within error

A bar has a sign for its point and for its ends, so that it is read without colour. A second bar of the
same row's subject, such as a prediction, is drawn below it with a hollow point.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mixmon.dashboard.pictures.plot import Reach, reach_over
from mixmon.dashboard.text import Row, Segment, fit, fit_row, half_text, signed


@dataclass(frozen=True, slots=True)
class IntervalBar:
    """One number with its interval.

    label   of whom
    value, low, high  the number and the ends of its interval; NaN where not known
    bold    it is the one that was chosen
    words   behind the number
    after   what the number will be, with its ends; None: no second bar
    """

    label: str
    value: float
    low: float
    high: float
    bold: bool = False
    words: str = ""
    after: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class BarSigns:
    """The characters of a bar, one cell each."""

    point: str
    hollow: str
    left: str
    right: str
    line: str
    zero: str
    grid: str
    plus_minus: str


_DRAWN: Final = BarSigns("●", "○", "├", "┤", "─", "│", "·", "±")
_TYPED: Final = BarSigns("o", "x", "[", "]", "-", "|", ".", "+-")


def point_signs(*, ascii_only: bool) -> tuple[str, str]:
    """The points of a bar and of the one below it."""
    signs = _TYPED if ascii_only else _DRAWN
    return signs.point, signs.hollow


NUMBER_CELLS: Final = 12
"""Cells of a number with its half interval."""

_LEAST_WIDTH: Final = 1.0
"""Percent that the scale spans at least. Our choice: a usual trim step."""


def bar_reach(bars: Sequence[IntervalBar]) -> Reach | None:
    """The scale that all bars fit, zero included; None where nothing is known."""
    ends = [x for bar in bars for x in (bar.value, bar.low, bar.high, *(bar.after or ()))]
    return reach_over([*ends, 0.0], _LEAST_WIDTH) if any(map(math.isfinite, ends)) else None


def interval_bars(
    bars: Sequence[IntervalBar],
    width: int,
    height: int,
    *,
    ascii_only: bool,
    grid: float = 0.0,
    heading: str = "cyl",
) -> list[Row]:
    """A scale, then the bars; with room to spare, an empty row between them.

    Args:
        bars: from top to bottom.
        width: cells of a row.
        height: rows that there are. Without room for pairs, what will be is a point in the row of what is;
            how many bars have no room is said.
        ascii_only: whether only ASCII characters may be used.
        grid: distance of faint marks, such as the step of a trim; 0 for none.
        heading: above the labels.
    """
    reach = bar_reach(bars)
    if reach is None:
        return [fit_row([("  nothing known yet", "dim")], width)]
    track = _lay_track(bars, reach, width, grid, ascii_only=ascii_only)
    paired = any(bar.after is not None for bar in bars)
    merged = paired and height - 1 < 2 * len(bars)
    each = 2 if paired and not merged else 1
    spaced = height - 1 >= len(bars) * (each + 1) - 1
    rows = [track.scale_row(heading)]
    for bar in bars:
        rows.append(track.bar_row(bar, merged=merged))
        if bar.after is not None and not merged:
            rows.append(track.bar_row(bar, later=True))
        rows += [track.empty_row()] if spaced else []
    if len(rows) > height and not spaced:
        hidden = -(-(len(rows) - height + 1) // each)
        rows[height - 1 :] = [fit_row([(f"  {hidden} more: a higher terminal shows them", "dim")], width)]
    return rows[:height]


_LEAST_NAME: Final = 3
"""Cells of the heading `cyl`."""

_LEAST_FIELD: Final = 24
"""Cells of the field below which words are left out. Our choice: an interval still has some cells."""


def _lay_track(
    bars: Sequence[IntervalBar], reach: Reach, width: int, grid: float, *, ascii_only: bool
) -> _BarField:
    """Divides a row into label, field and number."""
    name = max(*(len(bar.label) for bar in bars), _LEAST_NAME) + 2
    words = max((len(bar.words) for bar in bars), default=0)
    tail = NUMBER_CELLS + (words + 1 if words else 0)
    if width - name - tail < _LEAST_FIELD:
        tail = NUMBER_CELLS
    return _BarField(reach, name, max(width - name - tail, 1), grid, width, _TYPED if ascii_only else _DRAWN)


@dataclass(frozen=True, slots=True)
class _BarField:
    """Where everything stands in a row: cells of the label and of the field, distance of the grid."""

    reach: Reach
    name: int
    field: int
    grid: float
    width: int
    signs: BarSigns

    def at(self, value: float) -> int:
        """The cell of a value."""
        share = (value - self.reach.low) / (self.reach.high - self.reach.low)
        return min(max(round(share * (self.field - 1)), 0), self.field - 1)

    def scale_row(self, heading: str) -> Row:
        """The numbers of the scale."""
        cells = [" "] * self.field
        free = 0
        most = max(self.field // 8, 2)
        few = self.reach.ticks(most)
        for value in few if len(few) > 1 else self.reach.ticks(most + 2):
            text = signed(value, 0 if value == round(value) else 1)
            start = max(min(self.at(value) - len(text) // 2, self.field - len(text)), 0)
            if start >= free:
                cells[start : start + len(text)] = text
                free = start + len(text) + 1
        label = fit(heading, self.name - 1, right=True) + " "
        return fit_row(
            [(label, "label"), ("".join(cells[: self.field]), "label"), (" %", "label")], self.width
        )

    def empty_row(self) -> Row:
        """A row without a bar."""
        zero = " " * self.at(0.0) + self.signs.zero
        return fit_row([(" " * self.name, "text"), (zero, "dim")], self.width)

    def bar_row(self, bar: IntervalBar, *, later: bool = False, merged: bool = False) -> Row:
        """A bar from its low to its high end, its label before it and its number behind it.

        later   the bar of what the number will be, hollow and without a label
        merged  what it will be is a hollow point beside the bar of what it is
        """
        ends = bar.after if later and bar.after is not None else (bar.value, bar.low, bar.high)
        cells, first, end = self._cells_with_bar(ends, self.signs.hollow if later else self.signs.point)
        if merged and bar.after is not None and math.isfinite(bar.after[0]):
            at = self.at(bar.after[0])
            cells[at] = cells[at] if cells[at] == self.signs.point else self.signs.hollow
        style = "dim" if later else "picked" if bar.bold else "text"
        line, words = "".join(cells), "" if later else bar.words
        segments: list[Segment] = [
            (fit("" if later else bar.label, self.name - 1, right=True) + " ", style),
            (line[:first], "dim"),
            (line[first:end], style),
            (line[end:], "dim"),
            (fit(f" {self._number_text(*ends)}", NUMBER_CELLS), style),
            (f" {words}" if words else "", "dim"),
        ]
        return fit_row([part for part in segments if part[0]], self.width)

    def _cells_with_bar(self, ends: tuple[float, float, float], point: str) -> tuple[list[str], int, int]:
        """The cells of the field, and the first and the end of the bar in them."""
        cells, first, end = self._cells(), 0, 0
        value, low, high = ends
        if math.isfinite(value):
            at = self.at(value)
            first, end = at, at + 1
            if math.isfinite(low) and math.isfinite(high):
                first, end = min(self.at(low), at), max(self.at(high), at) + 1
                cells[first:end] = self.signs.line * (end - first)
                cells[first], cells[end - 1] = self.signs.left, self.signs.right
            cells[at] = point
        return cells, first, end

    def _number_text(self, value: float, low: float, high: float) -> str:
        half = (high - low) / 2
        sure = f" {self.signs.plus_minus}{half_text(half)}" if math.isfinite(half) else ""
        return f"{signed(value)}{sure}"

    def _cells(self) -> list[str]:
        """The field with the zero line, and the grid where its marks stay apart."""
        cells = [" "] * self.field
        if self.grid > 0 and (self.reach.high - self.reach.low) / self.grid <= self.field / _GRID_CELLS:
            step = math.ceil(self.reach.low / self.grid)
            while step * self.grid <= self.reach.high:
                cells[self.at(step * self.grid)] = self.signs.grid
                step += 1
        cells[self.at(0.0)] = self.signs.zero
        return cells


_GRID_CELLS: Final = 5
"""Cells between marks of the grid, at least. Our choice: closer ones are a line."""
