"""The page that text is laid for: its width, the signs and styles that it can show, and bars drawn in them.

A command lays its text for the terminal that it writes to, and for 80 columns where that is none. What makes
text asks `current_page`; nobody passes a width through every report. A bar repeats what a row says in
numbers, so nothing is lost where there is no room for it.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Final

USUAL_COLUMNS: Final = 80
"""Common practice, no source; the width in which most terminals open."""

_LEAST_COLUMNS: Final = 40
"""Our choice: below it every table is a list of single numbers; a terminal breaks the lines itself."""

_MOST_PROSE: Final = 100
"""Columns of a paragraph at most. Our choice: from the end of a longer line the eye misses the next one."""

_OWN_SIGNS: Final = "±├┤─●│·"
"""What text has beside ASCII of its own; names from files are another matter."""


@dataclass(frozen=True, slots=True)
class TextPage:
    """What text can count on.

    columns  that a line may take
    signs    whether ± and the signs of bars can be shown; else ASCII stands for them
    colour   whether it is a terminal that shows styles, and they are wanted
    is_read_by_programs  whether it is no terminal, so that a list of one thing a line stays so
    """

    columns: int = USUAL_COLUMNS
    signs: bool = True
    colour: bool = False
    is_read_by_programs: bool = True

    @property
    def prose(self) -> int:
        """Columns that a line of a paragraph may take."""
        return min(self.columns, _MOST_PROSE)


_CURRENT: ContextVar[TextPage] = ContextVar("page", default=TextPage())  # noqa: B039  # frozen


def current_page() -> TextPage:
    """The page that text is laid for now."""
    return _CURRENT.get()


@contextmanager
def laid_for(page: TextPage) -> Iterator[None]:
    """Text that is made within is laid for this page."""
    before = _CURRENT.set(page)
    try:
        yield
    finally:
        _CURRENT.reset(before)


def page_of(stream: Any, environ: Mapping[str, str]) -> TextPage:
    """The page of a stream that results are written to.

    A terminal has its own width; anything else has 80 columns and no style, also where COLUMNS is set: what
    a script reads does not depend on the window that it was started from. NO_COLOR, if not empty, and
    TERM=dumb keep styles away.
    """
    signs = _can_show(getattr(stream, "encoding", None) or "utf-8")
    columns = _terminal_columns(stream)
    if columns is None:
        return TextPage(signs=signs)
    plain = bool(environ.get("NO_COLOR")) or environ.get("TERM", "dumb") == "dumb"
    return TextPage(max(columns, _LEAST_COLUMNS), signs, not plain, is_read_by_programs=False)


def _terminal_columns(stream: Any) -> int | None:
    """The width of a terminal, the usual one where it does not tell; None where it is none."""
    try:
        place = stream.fileno()
        if not os.isatty(place):
            return None
        return os.get_terminal_size(place).columns or USUAL_COLUMNS
    except (AttributeError, OSError, ValueError):  # closed, or no file at all
        return None


def _can_show(encoding: str) -> bool:
    try:
        _OWN_SIGNS.encode(encoding)
    except (LookupError, UnicodeEncodeError):
        return False
    return True


def spell(text: str) -> str:
    """The text with what the page cannot show spelled in ASCII."""
    return text if current_page().signs else text.replace("±", "+-")


_BOLD: Final = "\x1b[1m"
_DOUBT: Final = "\x1b[38;5;16;48;5;220m"
"""Black on amber, 16 and 220 of the 256 colours: the same, whatever the terminal's own colours are."""

_PLAIN: Final = "\x1b[0m"


def stress(text: str, *, doubt: bool) -> str:
    """The lines of a text in bold, or on amber where they are a doubt; as they are without colour."""
    if not current_page().colour:
        return text
    style = _DOUBT if doubt else _BOLD
    return "".join(f"{style}{line}{_PLAIN}\n" for line in text.splitlines())


# Numbers with their intervals as bars of one line each, for a column of a table:
#
#     -4        0        +4 %
#               │           ├●┤
#             ├─●─┤
#
# Where the page shows only ASCII: `[-o-]`, and `|` for zero.

Bounds = tuple[float, float, float]
"""A number, and the ends of its interval; NaN where not known."""

NARROWEST_BAR: Final = 24
"""Columns below which a bar has a place of its own. Our choice: an interval still has some columns."""

WIDEST_BAR: Final = 60
"""Columns of a bar at most. Our choice: in a longer one rows are hard to compare with the scale."""

_LEAST_REACH: Final = 1.0
"""Percent that the scale spans at least. Our choice: a usual trim step on either side."""


@dataclass(frozen=True, slots=True)
class _SignSet:
    point: str
    left: str
    right: str
    line: str
    zero: str


_LINE_SIGNS: Final = _SignSet("●", "├", "┤", "─", "│")
_ASCII_SIGNS: Final = _SignSet("o", "[", "]", "-", "|")


@dataclass(frozen=True, slots=True)
class _BarScale:
    """From the low to the high end over so many columns."""

    low: float
    high: float
    columns: int

    def place(self, value: float) -> int:
        """The column of a value, the nearest end for one beyond."""
        share = (value - self.low) / (self.high - self.low)
        return min(max(round(share * (self.columns - 1)), 0), self.columns - 1)


def bar_lines(bounds: Sequence[Bounds], columns: int, unit: str) -> list[str]:
    """The scale with its unit, then a bar for each number, empty for one that is not known.

    An interval that is not known leaves the point alone.
    """
    known = [x for one in bounds for x in one if math.isfinite(x)]
    low, high = min([*known, 0.0]), max([*known, 0.0])
    if high - low < _LEAST_REACH:
        low, high = low - _LEAST_REACH / 2, high + _LEAST_REACH / 2
    scale = _BarScale(low, high, columns)
    return [_scale_line(scale, unit), *(_bar_line(one, scale) for one in bounds)]


def _bar_line(bounds: Bounds, scale: _BarScale) -> str:
    signs = _LINE_SIGNS if current_page().signs else _ASCII_SIGNS
    cells = [" "] * scale.columns
    cells[scale.place(0.0)] = signs.zero
    value, low, high = bounds
    if math.isfinite(low) and math.isfinite(high) and math.isfinite(value):
        first, last = scale.place(low), scale.place(high)
        cells[first : last + 1] = signs.line * (last + 1 - first)
        cells[first], cells[last] = signs.left, signs.right
    if math.isfinite(value):
        cells[scale.place(value)] = signs.point
    return "".join(cells)


def _scale_line(scale: _BarScale, unit: str) -> str:
    """Round numbers where they stand, as far as there is room for the unit after the last."""
    step = round_step((scale.high - scale.low) * 8 / scale.columns)  # a number and its gap: eight columns
    sign = "+" if unit == "%" else ""  # a change has a sign, a time has none
    room = scale.columns - len(unit) - 1
    cells = [" "] * room
    free = 0
    for k in range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1):
        text = f"{k * step:{sign}g}" if k else "0"
        at = max(scale.place(k * step) - len(text) // 2, 0)
        if free <= at <= room - len(text):
            cells[at : at + len(text)] = text
            free = at + len(text) + 1
    return f"{''.join(cells).rstrip()} {unit}"


def round_step(least: float) -> float:
    """One, two or five times a power of ten, at least as large."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(power * k for k in (1, 2, 5, 10) if power * k >= least * (1 - 1e-9))
