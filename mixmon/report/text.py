"""What every report is made of: text fit for a terminal, tables as wide as the page, JSON, and notes.

No control character from a file reaches a terminal; nothing is cut off, and no line is wider than the page
(`report.page`). `report.words` is imported where a
note is turned into words: it loads the codes of every room, and with them NumPy, which `mixmon --help` and a
refused command line do without.
"""

from __future__ import annotations

import dataclasses
import json
import math
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from mixmon.note import Note
from mixmon.report.page import NARROWEST_BAR, WIDEST_BAR, Bounds, bar_lines, current_page, spell

if TYPE_CHECKING:
    from mixmon.run import Run


def printable(text: str) -> str:
    """The text on one line, with control characters shown as escapes.

    Names come from files that others wrote; an escape sequence in one of them must not reach
    the terminal, and a line break in it must not break a table.
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def cell_width(text: str) -> int:
    """Terminal columns that the text takes.

    Wide and full-width characters take two and combining ones none (Unicode Standard
    Annex #11, East Asian Width; ambiguous characters count as one).
    """
    return sum(_char_width(c) for c in text)


def _char_width(char: str) -> int:
    if unicodedata.combining(char) or unicodedata.category(char) in {"Cf", "Me", "Mn"}:
        return 0
    return 2 if unicodedata.east_asian_width(char) in {"W", "F"} else 1


def pad(text: str, columns: int, *, right: bool) -> str:
    """The text in a field of that many columns, flush right or left; never cut."""
    blanks = " " * max(0, columns - cell_width(text))
    return blanks + text if right else text + blanks


def wrap(text: str, columns: int) -> list[str]:
    """The text in lines of at most that many columns, broken at blanks, and within words that are longer."""
    lines: list[str] = []
    for word in (part for whole in text.split() for part in _break_word(whole, columns)):
        if lines and cell_width(lines[-1]) + 1 + cell_width(word) <= columns:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines or [""]


def _break_word(word: str, columns: int) -> list[str]:
    """The word in parts that fit; broken behind a sign such as a slash where there is one."""
    parts = []
    while cell_width(word) > columns:
        end = max(1, next(n for n in range(len(word), -1, -1) if cell_width(word[:n]) <= columns))
        sign = max((word.rfind(one, 1, end) + 1 for one in "/\\_-.,;="), default=0)
        end = sign if sign > end // 2 else end
        parts.append(word[:end])
        word = word[end:]
    return [*parts, word] if word else parts


def title(subject: str, name: str) -> str:
    """The first line of a report: what it is about, and the name of the session, if it has one."""
    text = f"{subject}  {printable(name)}".rstrip()
    lines = [text] if cell_width(text) <= current_page().columns else wrap(text, current_page().columns)
    return "".join(f"{line}\n" for line in lines)


def paragraph(text: str, columns: int | None = None) -> str:
    """The text in lines, each ended; control characters become escapes.

    columns  of a line at most; None: those of a paragraph of the page
    """
    room = current_page().prose if columns is None else columns
    return "".join(f"{line}\n" for line in wrap(spell(printable(text)), room))


def listed(text: str) -> str:
    """One thing of a list: a paragraph on a terminal, one line for a program, as compilers list mistakes."""
    page = current_page()
    return f"{spell(printable(text))}\n" if page.is_read_by_programs else paragraph(text, page.columns)


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """The number with its noun in the right form: `1 node`, `2 nodes`, `12 480 frames`."""
    grouped = f"{number:,}".replace(",", " ")
    return f"{grouped} {noun if number == 1 else plural or noun + 's'}"


# Plain text tables.


NO_VALUE = "--"
_NARROWEST_WRAP = 24  # our choice: three or four words; a narrower column would be all line breaks

Cell = str | float | None


@dataclass(frozen=True, slots=True)
class Column:
    """How one column is headed and set.

    Numbers stand flush right with `decimals` fixed decimals, signed if asked; text stands
    flush left. A `wraps` column becomes narrower, by breaking its text into lines, where the table
    would be too wide; nothing is ever cut off. Halves of intervals never read as zero.
    """

    head: str
    decimals: int = 0
    signed: bool = False
    left: bool = False
    wraps: bool = False
    is_half: bool = False


@dataclass(frozen=True, slots=True)
class Grid:
    """A table before it is set, as text by `set_grid` or on a page; fields as of `table`."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    keys: int = 1
    bars: Sequence[Bounds] = ()


def set_grid(grid: Grid) -> str:
    """The table as text; see `table`."""
    return table(grid.columns, grid.rows, keys=grid.keys, bars=grid.bars)


def number(value: float | None, decimals: int = 0, *, signed: bool = False) -> str:
    """The number with fixed decimals; `--` where there is none; a rounded zero has no sign."""
    if value is None or math.isnan(value):
        return NO_VALUE
    shown = f"{value:{'+' if signed else ''}.{decimals}f}"
    return shown.lstrip("+-") if not shown.strip("+-0.") else shown


def half_width(value: float | None, decimals: int = 0) -> str:
    """Half of an interval; where these decimals would show zero, what it is less than.

    >>> half_width(1.26, 1), half_width(0.02, 1), half_width(float("nan"), 1)
    ('1.3', '<0.05', '--')
    """
    if value is None or math.isnan(value):
        return NO_VALUE
    least = 0.5 * 10.0**-decimals
    return f"<{least:.{decimals + 1}f}" if value < least else number(value, decimals)


def table(
    columns: Sequence[Column],
    rows: Sequence[Sequence[Cell]],
    *,
    keys: int = 1,
    bars: Sequence[Bounds] = (),
    bar_unit: str = "%",
    width: int | None = None,
) -> str:
    """The table as text, one line feed after each line.

    Where it is too wide it is broken between columns: further ones follow below, beside the first ones again.

    keys      how many first columns say what a row is about
    bars      one number with its interval for each row, drawn in a last column
    bar_unit  unit of these numbers
    width     columns of a line at most; None: those of the page
    """
    room = current_page().columns if width is None else width
    cells = [[shown_cell(c, v) for c, v in zip(columns, row, strict=True)] for row in rows]
    grid = [[spell(c.head) for c in columns], *cells]
    if rows and any(math.isfinite(value) for value, _, _ in bars):
        columns = [*columns, Column("", left=True)]
        drawn = bar_lines(bars, _bar_columns(grid, keys, room), bar_unit)
        grid = [[*row, bar] for row, bar in zip(grid, drawn, strict=True)]
    widths = [max(map(cell_width, column)) for column in zip(*grid, strict=True)]
    lines: list[str] = []
    for block in _break_columns(columns, widths, keys, room):
        lines += _set_block(columns, grid, block, widths, keys=keys, room=room)
    return "".join(line + "\n" for line in lines)


def _bar_columns(grid: Sequence[Sequence[str]], keys: int, room: int) -> int:
    """Columns of a bar: beside the table where there is room, else as wide as they can be below it."""
    widths = [max(map(cell_width, column)) for column in zip(*grid, strict=True)]
    beside, below = (room - sum(part) - 2 * len(part) for part in (widths, widths[:keys]))
    columns = beside if beside >= NARROWEST_BAR else max(below, NARROWEST_BAR)
    return min(columns, WIDEST_BAR)


def shown_cell(column: Column, value: Cell) -> str:
    """What stands in a cell of that column."""
    if isinstance(value, str):
        return spell(printable(value))
    if column.is_half:
        return half_width(value, column.decimals)
    return number(value, column.decimals, signed=column.signed)


def _least_width(column: Column, width: int) -> int:
    """What a column can be narrowed to."""
    return min(width, _NARROWEST_WRAP) if column.wraps else width


def _break_columns(columns: Sequence[Column], widths: Sequence[int], keys: int, room: int) -> list[list[int]]:
    """The columns of each block, the first ones in all; what belongs to an interval stays beside it."""
    least = [_least_width(c, w) for c, w in zip(columns, widths, strict=True)]
    first = list(range(min(keys, len(columns))))
    if sum(least) + len(least) - 1 <= room:
        return [list(range(len(columns)))]
    groups: list[list[int]] = []
    for i in range(len(first), len(columns)):
        if groups and (columns[i].is_half or columns[i].head in ("±", "to")):
            groups[-1].append(i)
        else:
            groups.append([i])
    blocks: list[list[int]] = []
    for group in groups:
        wide = sum(least[i] + 1 for i in [*(blocks[-1] if blocks else first), *group]) - 1
        if blocks and wide <= room:
            blocks[-1] += group
        else:
            blocks.append([*first, *group])
    return blocks or [first]


def _set_block(
    columns: Sequence[Column],
    rows: list[list[str]],
    block: list[int],
    widths: list[int],
    *,
    keys: int,
    room: int,
) -> list[str]:
    """One block as lines, its heads first; of a later one without rows that hold nothing but their keys."""
    chosen = [columns[i] for i in block]
    taken = [widths[i] for i in block]
    gap = "  " if sum(taken) + 2 * (len(taken) - 1) <= room else " "
    taken = _fit_widths(chosen, taken, room - len(gap) * (len(taken) - 1))
    later = block[keys:] and block[keys] > keys
    lines: list[str] = []
    for number_of_row, row in enumerate(rows):
        fields = [row[i] for i in block]
        if number_of_row == 0 or not later or any(fields[keys:]):
            lines += _set_row(chosen, fields, taken, gap)
    return lines


def _fit_widths(columns: Sequence[Column], widths: list[int], room: int) -> list[int]:
    """The widths after columns have become as narrow as needed: those that wrap, and then words."""
    over = sum(widths) - room
    for wraps, narrowest in ((True, _NARROWEST_WRAP), (False, 1)):
        for i, column in enumerate(columns):
            if over > 0 and (column.wraps if wraps else column.left):
                narrow = max(min(widths[i], narrowest), widths[i] - over)
                over -= widths[i] - narrow
                widths[i] = narrow
    return widths


def _set_row(columns: Sequence[Column], row: list[str], widths: list[int], gap: str) -> list[str]:
    """One row of cells as one line, or as several where a cell wraps."""
    parts = [wrap(t, w) if cell_width(t) > w else [t] for t, w in zip(row, widths, strict=True)]
    lines = []
    for k in range(max(map(len, parts))):
        piece = [p[k] if k < len(p) else "" for p in parts]
        fields = [pad(t, w, right=not c.left) for c, t, w in zip(columns, piece, widths, strict=True)]
        lines.append(gap.join(fields).rstrip())
    return lines


# Findings as JSON: one object, in a stable order.


JSON_FORMAT = 2
"""Goes up when a field is renamed or changes its meaning, never when one is added."""


def to_json(findings: Mapping[str, Any]) -> str:
    r"""The findings as one line of JSON that begins with its format number.

    Keys keep the order in which they were put in; the text is ASCII, so that the bytes do not
    depend on the terminal. NaN and infinities have no name in JSON (RFC 8259, section 6) and
    become null.

    >>> to_json({"rate_hz": 100.0, "gap_s": float("nan")})
    '{"format": 2, "rate_hz": 100.0, "gap_s": null}\n'
    """
    return json.dumps(plain({"format": JSON_FORMAT, **findings}), allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """The value in JSON's own types: records become objects, arrays lists, states their names.

    Raises:
        TypeError: a value of another type.
    """
    if isinstance(value, Note):
        from mixmon.report.words import note_object  # knows every finding, so NumPy; help needs none

        return {name: plain(part) for name, part in note_object(value).items()}
    if isinstance(value, Enum):
        return value.name.lower().replace("_", " ")
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (int, float)):
        return value if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # NumPy's arrays and scalars, without importing NumPy for them
        return plain(value.tolist())
    return _plain_compound(value)


def _plain_compound(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, PurePath):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no form in JSON")


# What a report says of its log: moments counted from its first frame, and notes.


def since_first(t: int, run: Run) -> float:
    """Seconds from the log's first frame to a moment in ns."""
    return (t - (run.log.first_ns or 0)) / 1e9


def clock_of(t: int, run: Run) -> str:
    """A moment in ns as the clock of the screens shows it."""
    from mixmon.frames.clock import clock_text  # which loads numpy: a help text needs none

    return clock_text(since_first(t, run))


def log_notes(run: Run) -> list[Note]:
    """Notes on what is missing in the session or in the log."""
    return [*run.binding.gaps, *run.log.missing]


def note_lines(notes: Iterable[Note]) -> str:
    """A paragraph for each note."""
    from mixmon.report.words import sentence

    return "".join(paragraph(f"note: {sentence(one)}") for one in notes)
