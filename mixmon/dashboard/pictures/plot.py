"""The kit of all pictures: a plot with axes on braille dots, panes under a question, pictures that are kept.

A plot holds lines over a common pair of axes. What is chosen is a solid line, two dots thick, and the
others are dotted, so that no colour is needed to tell them apart. Without braille, whole cells are drawn:
`o` for a solid line, `.` for a dotted one.

Order of the file: ranges and their ticks, the plot, labels at its edge, panes, pictures that are kept.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Floats
from mixmon.dashboard.text import Row, Segment, beside, blank, fit, fit_row, padded, wrap

# ----------------------------------------------------------------------------------------------------
# Ranges and their ticks.
# ----------------------------------------------------------------------------------------------------

_ROUND_STEPS: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
"""Steps of a scale, times a power of ten: a person reads between such ticks without counting."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What an axis shows, from its lowest to its highest value; low < high."""

    low: float
    high: float

    def dots(self, values: Floats, count: int) -> Floats:
        """Places of values on `count` dots, 0 for the lowest; float64."""
        known = np.where(np.isfinite(values), values, np.nan)
        return np.asarray((known - self.low) * ((count - 1) / (self.high - self.low)))

    def ticks(self, most: int) -> list[float]:
        """Round values within: as many as there can be, up to `most`."""
        power = 10.0 ** math.floor(math.log10((self.high - self.low) / max(most, 1)))
        return next(
            ticks
            for step in _ROUND_STEPS
            if len(ticks := self._multiples(step * power)) <= max(most, 1) or step == _ROUND_STEPS[-1]
        )

    def _multiples(self, step: float) -> list[float]:
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [i * step for i in range(first, last + 1)]


def reach_over(values: Sequence[float], least: float) -> Reach | None:
    """A range with room above and below the finite values, at least `least` wide; None for no value."""
    known = [v for v in values if math.isfinite(v)]
    if not known:
        return None
    low, high = min(known), max(known)
    spare = max(0.06 * (high - low), (least - (high - low)) / 2, 1e-9 * abs(high))
    return Reach(low - spare, high + spare)


# ----------------------------------------------------------------------------------------------------
# The plot.
# ----------------------------------------------------------------------------------------------------

BRAILLE: Final = 0x2800
DOTS: Final = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], np.uint8)
"""Bits of the dots of a braille cell, four down by two across (Unicode Standard, Braille Patterns)."""

_LEFT: Final = 6
"""Cells of the scale at the left: a signed number of four characters, a blank and the axis."""

_BITS_BY_COLUMN: Final = np.array(
    [sum(int(DOTS[dot % 4, dot // 4]) for dot in range(8) if one >> dot & 1) for one in range(256)], np.uint8
)
"""The bits of a braille cell by those of its dots, column after column."""


def braille_bits(dots: Bools) -> NDArray[np.uint8]:
    """The bits of each braille cell, uint8[h, w], of dots, bool[4 h, 2 w]."""
    rows, columns = dots.shape
    cells = dots.reshape(rows // 4, 4, columns // 2, 2).transpose(0, 2, 3, 1)
    packed = np.packbits(cells.reshape(rows // 4, columns // 2, 8), axis=-1, bitorder="little")
    return np.asarray(_BITS_BY_COLUMN[packed[..., 0]])


LEAST_PLOT_ROWS, LEAST_PLOT_COLUMNS = 5, 30
"""Our choice: a smaller plot shows nothing that a number does not."""


_THICK_WEIGHT: Final = 100.0
"""How much more a label of a thick line stays at its line than others. Our choice: these are read first."""


@dataclass(frozen=True, slots=True)
class EdgeLabel:
    """Words at the right edge, at the height of a value."""

    value: float
    words: str
    style: str


class Plot:
    """Lines over a pair of axes in `height` rows of `columns` cells, scale and labels included.

    x, y   what the axes show
    edge   cells at the right for labels of lines
    across, down  dots of the field
    """

    def __init__(
        self, x: Reach, y: Reach, columns: int, height: int, *, ascii_only: bool, edge: int = 0
    ) -> None:
        self.x, self.y = x, y
        self._ascii = ascii_only
        self._edge = edge
        self.columns, self.height = max(columns - _LEFT - edge, 1), max(height - 2, 1)
        self._across, self._down = (1, 1) if ascii_only else (2, 4)
        self.across, self.down = self._across * self.columns, self._down * self.height
        self._styles: list[str] = ["text"]
        self._codes = np.full((self.height, self.columns), ord(" "), np.uint32)
        self._bits = np.zeros((self.height, self.columns), np.uint8)
        self._style = np.zeros((self.height, self.columns), np.uint8)
        self._labels: list[EdgeLabel] = []

    # Everything that is drawn.

    def line(self, x: Floats, y: Floats, style: str, *, bold: bool = False) -> None:
        """Joins points in order of x; NaN leaves a gap."""
        top, bottom = self._span_columns(x, y)
        if not np.isfinite(top).any():
            return
        first = int(np.nanmin(top)) // self._down
        end = min(int(np.nanmax(bottom)) + 1, self.down - 1) // self._down + 1
        rows = np.arange(first * self._down, end * self._down)[:, None]
        dots = (rows >= top) & (rows <= bottom)
        if bold and not self._ascii:
            dots[1:] |= dots[:-1]
        elif not bold and not self._ascii:
            dots &= (rows + np.arange(self.across)) % 2 == 0
        self._put_dots(dots, first, style, "o" if bold else ".")

    def span(self, x: float, low: float, high: float, style: str) -> None:
        """A line down at x from one value to another, such as an interval."""
        if not (math.isfinite(low) and math.isfinite(high) and self.x.low <= x <= self.x.high):
            return
        ends = (self.down - 1) - self.y.dots(np.array([high, low]), self.down)
        top, bottom = np.rint(np.clip(ends, 0, self.down - 1)).astype(np.int64).tolist()
        dots = np.zeros((self.down, self.across), np.bool_)
        column = round(float(self.x.dots(np.array(x), self.across)))
        dots[top : bottom + 1, column] = True
        self._put_dots(dots, 0, style, "|")

    def points(self, x: Floats, y: Floats, style: str, char: str) -> None:
        """A character at each point."""
        column, row, known = self._cells_of(x, y)
        self._codes[row[known], column[known]] = ord(char)
        self._style[row[known], column[known]] = self._number_of(style)
        self._bits[row[known], column[known]] = 0

    def level(self, value: float, char: str, style: str) -> None:
        """A line across at a value, below all that is drawn after it."""
        if self.y.low <= value <= self.y.high:
            row = int(self._cells_of(np.array([self.x.low]), np.array([value]))[1][0])
            self._codes[row, :] = ord(char)
            self._style[row, :] = self._number_of(style)

    def upright(self, value: float, char: str, style: str) -> None:
        """A line down at a value."""
        if self.x.low <= value <= self.x.high:
            column = int(self._cells_of(np.array([value]), np.array([self.y.low]))[0][0])
            self._codes[:, column] = ord(char)
            self._style[:, column] = self._number_of(style)

    def hatch(self, low: float, high: float, y: float, char: str, style: str) -> None:
        """Cells from x = low to x = high at the height of y."""
        column, row, known = self._cells_of(np.array([low, high]), np.array([y, y]))
        if known.all():
            here = (int(row[0]), slice(int(column[0]), int(column[1]) + 1))
            self._codes[here], self._bits[here] = ord(char), 0
            self._style[here] = self._number_of(style)

    def label(self, value: float, words: str, style: str) -> None:
        """Words at the right edge; labels that meet are moved apart."""
        if math.isfinite(value):
            self._labels.append(EdgeLabel(value, words, style))

    def rows(self, *, unit: str = "", decimals: int | None = None) -> list[Row]:
        """The rows: field with scale and labels, the axis, its numbers with `unit` at the right.

        decimals: of the scale, whose steps are no finer than these show; None: as many as the steps need
        """
        codes = np.where(self._bits > 0, BRAILLE + self._bits.astype(np.uint32), self._codes)
        scale, tick_rows = self._scale_texts(decimals)
        edge = self._edge_texts()
        changes = np.diff(self._style) != 0
        out = []
        for i in range(self.height):
            left: Segment = (scale.get(i, " " * (_LEFT - 1)) + self._axis(i in tick_rows), "dim")
            row = (left, *self._segments(codes[i], self._style[i], changes[i]), *edge[i])
            out.append(fit_row(row, _LEFT + self.columns + self._edge))
        return [*out, *_draw_foot(self.x, self.columns, self._edge, unit, ascii_only=self._ascii)]

    # How it is drawn.

    def _number_of(self, style: str) -> int:
        if style not in self._styles:
            self._styles.append(style)
        return self._styles.index(style)

    def _put_dots(self, dots: Bools, first: int, style: str, char: str) -> None:
        """Sets dots, bool[d, across], from row `first` of cells on."""
        here = slice(first, first + len(dots) // self._down)
        number = self._number_of(style)
        if self._ascii:
            self._codes[here][dots] = ord(char)
            self._style[here][dots] = number
            return
        bits = braille_bits(dots)
        self._bits[here] |= bits
        self._style[here][bits > 0] = number

    def _cells_of(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], Bools]:
        """Column and row of points, and which of them are known and within the width."""
        known = np.isfinite(x) & np.isfinite(y) & (x >= self.x.low) & (x <= self.x.high)
        down = (self.down - 1) - self.y.dots(np.where(known, y, self.y.low), self.down)
        column = _cell_columns(self.x, np.where(known, x, self.x.low), self.across, self._across)
        row = np.rint(np.clip(down, 0, self.down - 1)).astype(np.int64) // self._down
        return column, row, known

    def _span_columns(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """First and last dot row of the line in each column of dots, float64[across]; NaN where it is not."""
        at = self.x.dots(np.asarray(x, np.float64), self.across)
        down = np.clip((self.down - 1) - self.y.dots(np.asarray(y, np.float64), self.down), 0, self.down - 1)
        if len(at) > self.across:
            low, high = self._extremes(at, down)
        else:
            low = high = self._interpolate(at, down)
        low, high = np.rint(low), np.rint(high)
        return self._joined(low, high)

    def _extremes(self, at: Floats, down: Floats) -> tuple[Floats, Floats]:
        """Least and largest row in each column, for more points than columns."""
        known = np.isfinite(at) & np.isfinite(down) & (at >= -0.5) & (at <= self.across - 0.5)
        column = np.rint(at[known]).astype(np.int64)
        low, high = np.full(self.across, np.inf), np.full(self.across, -np.inf)
        np.minimum.at(low, column, down[known])
        np.maximum.at(high, column, down[known])
        gone = ~np.isfinite(low)
        low[gone] = high[gone] = np.nan
        return low, high

    def _interpolate(self, at: Floats, down: Floats) -> Floats:
        """The row in each column between points, for fewer points than columns."""
        out = np.full(self.across, np.nan)
        known = np.isfinite(at) & np.isfinite(down)
        for run in _runs_of(known):
            first = max(math.ceil(at[run.start] - 0.5), 0)
            last = min(math.floor(at[run.stop - 1] + 0.5), self.across - 1)
            if last >= first:
                columns = np.arange(first, last + 1)
                out[columns] = np.interp(columns, at[run], down[run])
        return out

    @staticmethod
    def _joined(low: Floats, high: Floats) -> tuple[Floats, Floats]:
        """The spans stretched so that neighbours touch."""
        before_low = np.concatenate([[np.nan], low[:-1]])
        before_high = np.concatenate([[np.nan], high[:-1]])
        return np.fmin(low, before_high + 1), np.fmax(high, before_low - 1)

    # Scale, axis and labels.

    def _axis(self, tick: bool) -> str:
        return "|" if self._ascii else "┤" if tick else "│"

    def _scale_texts(self, decimals: int | None) -> tuple[dict[int, str], set[int]]:
        """Numbers of the scale by row."""
        most = max(self.height // 3, 2)
        ticks = self.y.ticks(most)
        while decimals is not None and len(ticks) > 2 and _places_of(ticks[1] - ticks[0]) > decimals:
            most -= 1
            ticks = self.y.ticks(most)
        step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
        places = _places_of(step) if decimals is None else decimals
        row = self._cells_of(np.full(len(ticks), self.x.low), np.array(ticks, np.float64))[1]
        words = (fit(f"{value:.{places}f}", _LEFT - 2, right=True) + " " for value in ticks)
        texts = dict(zip(row.tolist(), words, strict=True))
        return texts, set(texts)

    def _edge_texts(self) -> list[Row]:
        """The labels of each row, in `edge` cells."""
        labels = sorted(self._labels, key=lambda one: -one.value)
        shared = max(-(-len(labels) // self.height), 1)
        values = np.array([one.value for one in labels], np.float64)
        row = self._cells_of(np.full(len(labels), self.x.high), values)[1]
        wanted = shared * row.astype(np.float64)
        weights = np.array([_THICK_WEIGHT if one.style in {"strong", "picked"} else 1.0 for one in labels])
        places = _spread_places(wanted, weights, self.height * shared)
        lines: list[list[Segment]] = [[] for _ in range(self.height)]
        for label, place in zip(labels, places, strict=True):
            lines[place // shared].append((f" {label.words}", label.style))
        return [fit_row(line, self._edge) if self._edge else () for line in lines]

    def _segments(self, codes: NDArray[np.uint32], style: NDArray[np.uint8], changes: Bools) -> Row:
        """Cells of one row as segments of one style each."""
        text, numbers = codes.tobytes().decode("utf-32-le"), style.tolist()
        borders = [0, *(np.flatnonzero(changes) + 1).tolist(), len(text)]
        return tuple((text[a:b], self._styles[numbers[a]]) for a, b in pairwise(borders))


@lru_cache(64)
def _draw_foot(x: Reach, columns: int, edge: int, unit: str, *, ascii_only: bool) -> tuple[Row, Row]:
    """The axis below, with its ticks, and the numbers at them: most pictures are of one span of time."""
    marks = ["-" if ascii_only else "─"] * columns
    numbers = [" "] * (columns + edge)
    room = max(columns // 8, 2)
    ticks = x.ticks(room)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    free, places = 0, _places_of(step)
    each = 1 if ascii_only else 2
    within = [value if x.low <= value <= x.high else x.low for value in ticks]
    at = _cell_columns(x, np.array(within, np.float64), each * columns, each).tolist()
    for value, column in zip(ticks, at, strict=True):
        text = f"{value:.{places}f}"
        start = max(column - len(text) // 2, 0)
        if start < free or start + len(text) > len(numbers):
            continue
        marks[column] = "+" if ascii_only else "┴"
        numbers[start : start + len(text)] = text
        free = start + len(text) + 1
    if unit and free + len(unit) <= len(numbers):
        numbers[-len(unit) :] = unit
    corner = " " * (_LEFT - 1) + ("+" if ascii_only else "└")
    width = _LEFT + columns + edge
    return (
        fit_row([(corner + "".join(marks), "dim")], width),
        fit_row([(" " * _LEFT + "".join(numbers), "dim")], width),
    )


def _cell_columns(reach: Reach, values: Floats, across: int, each: int) -> NDArray[np.int64]:
    """The cell of each value on an axis of so many dots, `each` of them a cell."""
    return np.rint(reach.dots(values, across)).astype(np.int64) // each


def _spread_places(wanted: Floats, weights: Floats, count: int) -> list[int]:
    """Different places from 0 to `count` - 1, rising, as near to the wanted ones as can be.

    Least squares under that order: neighbours that meet are moved together about their mean (pool adjacent
    violators, Barlow et al., Statistical Inference under Order Restrictions, 1972; from memory).
    """
    blocks: list[tuple[float, float, int]] = []  # mean of wanted less number, weight, labels
    for number, (place, weight) in enumerate(zip(wanted.tolist(), weights.tolist(), strict=True)):
        blocks.append((place - number, weight, 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, v, m), (b, w, n) = blocks[-2:]
            blocks[-2:] = [((a * v + b * w) / (v + w), v + w, m + n)]
    most = count - len(wanted)
    shifts = [min(max(round(mean), 0), most) for mean, _, size in blocks for _ in range(size)]
    return [number + shift for number, shift in enumerate(shifts)]


def _runs_of(known: Bools) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    return [slice(a, b) for a, b in edges.reshape(-1, 2).tolist()]


def _places_of(step: float) -> int:
    """Decimals that a scale of that step needs.

    >>> _places_of(0.5), _places_of(20.0)
    (1, 0)
    """
    return max(-math.floor(math.log10(step) + 1e-9), 0) if step > 0 else 0


# ----------------------------------------------------------------------------------------------------
# Panes: a question as title, its answer, and the picture that proves it.
# ----------------------------------------------------------------------------------------------------

WIDE_PANES, HIGH_PANES = 120, 38
"""From this size on there are panes side by side; a smaller terminal has a table or a picture. Our choice: a
terminal of 40 rows has them also where the time line of a replay takes a row."""


def has_panes(width: int, height: int) -> bool:
    """Whether a terminal of that size shows table and pictures at once."""
    return width >= WIDE_PANES and height >= HIGH_PANES


def pane(question: str, answer: str, body: Sequence[Row], width: int, height: int) -> list[Row]:
    """`height` rows: the question, the answer if there is one, the picture."""
    head = [fit_row([(question, "label")], width)]
    if answer:
        head.append(fit_row([(answer, "strong")], width))
    return padded([*head, *body], width, height)


PANE_GAP: Final = 2
"""Cells between panes."""


def panes_beside(blocks: Sequence[tuple[Sequence[Row], int]], height: int) -> list[Row]:
    """Panes side by side, each with its width."""
    parts: list[tuple[Sequence[Row], int]] = []
    for rows, width in blocks:
        parts += [([], PANE_GAP)] if parts else []
        parts.append((rows, width))
    return beside(parts, height)


def nothing_to_draw(words: str, width: int, height: int) -> list[Row]:
    """Why there is no picture, in words, where it would be."""
    lines = [fit_row([(f"  {line}", "dim")], width) for line in wrap(words, max(width - 4, 1))]
    return padded([blank(width), *lines], width, height)


# ----------------------------------------------------------------------------------------------------
# What a picture is kept by.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Same:
    """One thing as a key of a cache: equal only to itself, whatever its own rules of equality cost.

    A picture is drawn anew when what it shows was replaced; what a snapshot holds is never changed.
    """

    it: Any

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Same) and self.it is other.it

    def __hash__(self) -> int:
        return id(self.it)


@dataclass(frozen=True, slots=True, eq=False)
class Keyed:
    """Something to be drawn, as a key of a cache: equal to one of the same key, which names all it shows."""

    it: Any
    key: Hashable

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Keyed) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


KEPT_PICTURES: Final = 16
"""Pictures of one kind that are kept. Our choice: those of one screen, and of the screen before it."""
