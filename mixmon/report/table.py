"""Plain text tables that fit a terminal of 80 columns."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from mixmon.report import text

NO_VALUE = "--"
_NARROWEST_WRAP = 12

Cell = str | float | None


@dataclass(frozen=True, slots=True)
class Column:
    """How one column is headed and set.

    Numbers stand flush right with `decimals` fixed decimals, signed if asked; text stands
    flush left. A `wraps` column gives way, by breaking its text into lines, where the table
    would be too wide; nothing is ever cut off.
    """

    head: str
    decimals: int = 0
    signed: bool = False
    left: bool = False
    wraps: bool = False


def number(value: float | None, decimals: int = 0, *, signed: bool = False) -> str:
    """The number with fixed decimals; `--` where there is none; a rounded zero has no sign."""
    if value is None or math.isnan(value):
        return NO_VALUE
    shown = f"{value:{'+' if signed else ''}.{decimals}f}"
    return shown.lstrip("+-") if not shown.strip("+-0.") else shown


def table(
    columns: Sequence[Column],
    rows: Sequence[Sequence[Cell]],
    *,
    width: int = text.PAGE,
    bold: Collection[int] = (),
) -> str:
    """The table as text, one line feed after each line; rows whose index is in `bold` are emphasised."""
    cells = [[_shown(c, v) for c, v in zip(columns, row, strict=True)] for row in rows]
    widths = [max(text.width(t) for t in [c.head, *below]) for c, below in _by_column(columns, cells)]
    gap = "  " if sum(widths) + 2 * (len(widths) - 1) <= width else " "
    widths = _fitted(columns, widths, width - len(gap) * (len(widths) - 1))
    lines = _lines(columns, [c.head for c in columns], widths, gap)
    for index, row in enumerate(cells):
        set_row = _lines(columns, row, widths, gap)
        lines += [text.bold(line) for line in set_row] if index in bold else set_row
    return "".join(line + "\n" for line in lines)


def _shown(column: Column, value: Cell) -> str:
    if isinstance(value, str):
        return text.printable(value)
    return number(value, column.decimals, signed=column.signed)


def _by_column(columns: Sequence[Column], cells: list[list[str]]) -> list[tuple[Column, list[str]]]:
    return [(column, [row[i] for row in cells]) for i, column in enumerate(columns)]


def _fitted(columns: Sequence[Column], widths: list[int], room: int) -> list[int]:
    """The widths after the wrapping column has given way, as far as it can."""
    over = sum(widths) - room
    for i, column in enumerate(columns):
        if column.wraps and over > 0:
            narrow = max(min(widths[i], _NARROWEST_WRAP), widths[i] - over)
            over -= widths[i] - narrow
            widths[i] = narrow
    return widths


def _lines(columns: Sequence[Column], row: list[str], widths: list[int], gap: str) -> list[str]:
    """One row of cells as one line, or as several where a cell wraps."""
    parts = [text.wrap(t, w) if c.wraps else [t] for c, t, w in zip(columns, row, widths, strict=True)]
    lines = []
    for k in range(max(map(len, parts))):
        piece = [p[k] if k < len(p) else "" for p in parts]
        fields = [text.pad(t, w, right=not c.left) for c, t, w in zip(columns, piece, widths, strict=True)]
        lines.append(gap.join(fields).rstrip())
    return lines
