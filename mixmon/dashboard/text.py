"""Text for the screens: numbers as words, letters for states, the drawing characters, rows of exact width.

A segment is (text, style name), a row is a tuple of segments, a page is a list of rows. Everything
that is drawn passes through `clean` and `fit`, so that a name from a foreign file can neither break
a row nor reach the terminal as a command.

Order of the file: numbers as text, states as letters and words, characters, cells and rows.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, groupby
from typing import Final

from mixmon.mixture.block import SampleState

# ----------------------------------------------------------------------------------------------------
# Numbers as text; an unknown one is `--`.
# ----------------------------------------------------------------------------------------------------


def signed(percent: float, decimals: int = 1) -> str:
    """A need with its sign, `--` where not known.

    >>> signed(5.32), signed(-0.04), signed(float("nan"))
    ('+5.3', '0.0', '--')
    """
    if not math.isfinite(percent):
        return "--"
    text = f"{percent:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text


def half_text(percent: float) -> str:
    """Half of an interval with one decimal, which never reads as zero; `--` where not known.

    >>> half_text(1.26), half_text(0.02), half_text(float("nan"))
    ('1.3', '<.1', '--')
    """
    if not math.isfinite(percent):
        return "--"
    return f"{percent:.1f}" if percent >= 0.05 else "<.1"


def tall_need(percent: float) -> str:
    """A need in at most four characters.

    >>> tall_need(5.31), tall_need(-12.3), tall_need(250.0)
    ('+5.3', '-12', '+99')
    """
    if not math.isfinite(percent) or abs(percent) < 9.95:
        return signed(percent)
    return f"{min(max(percent, -99.0), 99.0):+.0f}"


def number(value: float, decimals: int = 1) -> str:
    """A number without a sign, `--` where not known."""
    return f"{value:.{decimals}f}" if math.isfinite(value) else "--"


def age_text(age_ns: int) -> str:
    """An age in few cells: milliseconds below one second, then seconds, minutes, hours; `never` below 0.

    >>> age_text(8_000_000), age_text(2_400_000_000), age_text(-1)
    ('8 ms', '2.4 s', 'never')
    """
    if age_ns < 0:
        return "never"
    if age_ns < 999_500_000:
        return f"{age_ns / 1e6:.0f} ms"
    seconds = age_ns / 1e9
    if seconds < 100:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.0f} h"


def side(percent: float) -> str:
    """L for lean, R for rich, a blank for a need that rounds to 0.0."""
    if not math.isfinite(percent) or abs(percent) < 0.05:
        return " "
    return "L" if percent > 0 else "R"


# ----------------------------------------------------------------------------------------------------
# States as letters and words: each can be recognised without colour.
# ----------------------------------------------------------------------------------------------------

_S = SampleState

SAMPLE_LETTERS: Final[dict[SampleState, str]] = {
    _S.VALID: "V",
    _S.COLD: "W",
    _S.WARMING: "W",
    _S.SETTLING: "W",
    _S.HELD: "H",
    _S.SILENT: "X",
    _S.AT_RICH_LIMIT: "R",
    _S.AT_LEAN_LIMIT: "L",
    _S.OVERRUN: "C",
    _S.SPARK_CUT: "C",
    _S.SUSPECT: "V?",
    _S.LEFT_OUT: "-",
    _S.DUPLICATE_NODE: "2",
}
"""One letter for each state. Cold and settling sensors share the W of warming: all three only need time."""

OVER_LETTER, OVER_WORD = "V!", "over"
"""A valid sample of a cylinder that is over a limit."""

UNKNOWN_LETTER, UNKNOWN_WORD = "?", "not known"
"""For every sensor when the analysis has stopped."""

SAMPLE_WORDS: Final[dict[SampleState, str]] = {state: state.word for state in SampleState} | {
    _S.AT_RICH_LIMIT: "rich end",
    _S.AT_LEAN_LIMIT: "lean end",
    _S.DUPLICATE_NODE: "duplicate",
}
"""At most nine cells each. An end of the sensor's range is not called a limit: limits are the builder's."""

END_STATES: Final = frozenset({_S.AT_RICH_LIMIT, _S.AT_LEAN_LIMIT})
"""The gas is at least that rich, or that lean; the number itself is not known."""

CUT_STATES: Final = frozenset({_S.OVERRUN, _S.SPARK_CUT})
"""Nothing burns: there is no mixture to judge."""

LETTER_LEGEND: Final = (
    ("V", "valid"),
    ("V!", "valid, over a limit"),
    ("V?", "suspect: the value does not change, or contradicts the others"),
    ("W", "cold, warming or settling"),
    ("C", "cut: overrun or spark"),
    ("H", "held: the newest sample is late"),
    ("X", "silent"),
    ("R  L", "at the rich or lean end of the sensor's range: at least that much"),
    ("2", "duplicate: two controllers send as this node"),
    ("-", "excluded by the user"),
    ("?", "not known: the analysis has stopped, or does not answer"),
)


def letter(state: SampleState | None, *, over: bool) -> str:
    """The letter of a sample's state; None: the analysis has stopped."""
    if state is None:
        return UNKNOWN_LETTER
    return OVER_LETTER if over and state is _S.VALID else SAMPLE_LETTERS[state]


def state_word(state: SampleState | None, *, over: bool) -> str:
    """The word of a sample's state; None: the analysis has stopped."""
    if state is None:
        return UNKNOWN_WORD
    return OVER_WORD if over and state is _S.VALID else SAMPLE_WORDS[state]


# ----------------------------------------------------------------------------------------------------
# The characters that pictures are drawn with.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Marks:
    """The characters that pictures are made of; all one cell wide."""

    now: str
    whisker: str
    peak: str
    target: str
    limit: str
    beyond_rich: str
    beyond_lean: str
    rule: str
    upright: str
    corners: str  # top left, top right, bottom left, bottom right
    plus_minus: str
    full: str
    empty: str
    chosen: str
    dot: str
    dash: str


UNICODE: Final = Marks(
    now="●",
    whisker="━",
    peak="▹",
    target="│",
    limit="┊",
    beyond_rich="◀",
    beyond_lean="▶",
    rule="─",
    upright="│",
    corners="┌┐└┘",
    plus_minus="±",
    full="█",
    empty="░",
    chosen="▸",
    dot="·",
    dash="–",
)

ASCII: Final = Marks(
    now="O",
    whisker="-",
    peak="'",
    target="|",
    limit=":",
    beyond_rich="<",
    beyond_lean=">",
    rule="-",
    upright="|",
    corners="++++",
    plus_minus="+-",
    full="#",
    empty=".",
    chosen=">",
    dot=".",
    dash="-",
)


# ----------------------------------------------------------------------------------------------------
# Cells and rows: text of a certain width.
# ----------------------------------------------------------------------------------------------------

Segment = tuple[str, str]
Row = tuple[Segment, ...]

NARROW_COLUMNS: Final = 60
"""Our choice: on narrower screens, lists leave out their less needed columns."""

TEXT = "text"
"""The style of what has none of its own."""

_PLAIN_PLANE = 0x10000
"""The first code point beyond the Basic Multilingual Plane (Unicode Standard)."""

_DRAWABLE = (range(0x100), range(0x2500, 0x2600), range(0x2800, 0x2900))
"""Symbols that are let through: Latin-1, boxes, blocks, shapes, braille. Others have changed their width
from one edition of Unicode to the next."""

_SINGLE_WIDTH: Final = re.compile("[\u0000-\u10ff\u2010-\u2027\u2500-\u25fc\u2800-\u28ff]*")
"""Nothing in these ranges is wide: letters before the Korean ones, dashes and points, boxes, blocks, shapes,
braille."""

_JAMO = (range(0x1160, 0x1200), range(0x3164, 0x3165), range(0xD7B0, 0xD800), range(0xFFA0, 0xFFA1))
"""Parts of Korean letters that stand alone: no width of their own."""


@lru_cache(4096)
def clean(text: str) -> str:
    """The text with everything that has no certain width shown as `?`.

    Composed first (NFC), so that an accent survives. Combining marks, controls and characters
    beyond the first plane are drawn differently by each terminal; they go.
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if _has_certain_width(c) else "?" for c in unicodedata.normalize("NFC", text))


def _has_certain_width(char: str) -> bool:
    code, category = ord(char), unicodedata.category(char)
    if not char.isprintable() or code >= _PLAIN_PLANE or category[0] in "MC":
        return False
    if category == "So":
        return any(code in symbols for symbols in _DRAWABLE)
    return not any(code in parts for parts in _JAMO)


def width(text: str) -> int:
    """Terminal cells of a clean text.

    Wide and full-width characters take two (Unicode Standard Annex #11; ambiguous ones count as one).

    >>> width("cyl 3"), width("エンジン")
    (5, 8)
    """
    if text.isascii() or _SINGLE_WIDTH.fullmatch(text):
        return len(text)
    return sum(2 if unicodedata.east_asian_width(c) in {"W", "F"} else 1 for c in text)


def fit(text: str, columns: int, *, right: bool = False) -> str:
    """The clean text in exactly that many cells: padded, or cut with a tilde as its last cell.

    >>> fit("lean under load", 8), fit("8", 3, right=True)
    ('lean un~', '  8')
    """
    if text.isascii() and text.isprintable():  # most are, and numbers would only fill the caches
        if len(text) > columns:
            return _cut_text(text, columns)
        return text.rjust(columns) if right else text.ljust(columns)
    text = clean(text)
    room = columns - width(text)
    if room < 0:
        return _cut_text(text, columns)
    return " " * room + text if right else text + " " * room


def _cut_text(text: str, columns: int) -> str:
    if columns <= 0:
        return ""
    if text.isascii():
        return text[: columns - 1] + "~"
    kept, used = [], 0
    for char in text:
        used += width(char)
        if used > columns - 1:
            break
        kept.append(char)
    head = "".join(kept) + "~"
    return head + " " * (columns - width(head))


class _FittedRow(tuple[Segment, ...]):  # noqa: SLOT001 - a tuple has no room for slots
    """A row that knows how many cells it takes: most are handed on several times within a picture.

    cells  of the whole row
    """

    cells: int


def _fitted(segments: Iterable[Segment], cells: int) -> _FittedRow:
    row = _FittedRow(segments)
    row.cells = cells
    return row


def known_row(segments: Iterable[Segment], cells: int) -> Row:
    """Segments that are known to take so many cells: they are not measured."""
    return _fitted(segments, cells)


def row_width(row: Iterable[Segment]) -> int:
    """Cells of a row."""
    if isinstance(row, _FittedRow):
        return row.cells
    cells = 0
    for text, _ in row:
        cells += len(text) if text.isascii() else width(text)
    return cells


def fit_row(row: Iterable[Segment], columns: int, style: str = TEXT) -> Row:
    """The segments in exactly that many cells, filled up in `style`, cut at the right edge."""
    if isinstance(row, _FittedRow) and row.cells == columns:
        return row
    row = tuple(row)
    texts = [text for text, _ in row]
    left = columns - width("".join(texts)) if "" not in texts else -1
    if left >= 0:
        return _fitted((*row, (" " * left, style)) if left else row, columns)
    return _cut_row(row, columns, style)


def _cut_row(row: Row, columns: int, style: str) -> Row:
    """The same, segment by segment; empty ones are left out."""
    out: list[Segment] = []
    left = columns
    for piece in row:
        text = piece[0]
        size = len(text) if text.isascii() else width(text)
        if size > left:
            if left:
                out.append((fit(text.rstrip(), left), piece[1]))
            return _fitted(out, columns)
        if size:
            out.append(piece)
            left -= size
    if left > 0:
        out.append((" " * left, style))
    return _fitted(out, columns)


def split_row(left: Iterable[Segment], right: Sequence[Segment], columns: int, style: str = TEXT) -> Row:
    """`left` flush left and `right` flush right; where they meet, the left one is cut."""
    size = row_width(right)
    if size >= columns:
        return fit_row(right, columns, style)
    kept = fit_row(left, columns - size, style)
    return _fitted((*kept, *right), columns) if size else kept


def blank(columns: int, style: str = TEXT) -> Row:
    """An empty row."""
    return _blank(columns, style)


@lru_cache(1024)
def _blank(columns: int, style: str) -> Row:
    return _fitted(((" " * columns, style),) if columns > 0 else (), max(columns, 0))


def join_cells(cells: Sequence[str], styles: Sequence[str]) -> list[Segment]:
    """Single cells as segments, neighbours of one style joined."""
    out: list[Segment] = []
    start = 0
    for style, same in groupby(styles):
        end = start + len(list(same))
        out.append(("".join(cells[start:end]), style))
        start = end
    return out


def wrap(text: str, columns: int) -> list[str]:
    """The text in lines of at most that many cells, broken at blanks, or within a longer word."""
    lines: list[str] = []
    for word in clean(text).split():
        if lines and width(lines[-1]) + 1 + width(word) <= columns:
            lines[-1] += " " + word
        else:
            lines += _break_word(word, columns)
    return lines or [""]


def _break_word(word: str, columns: int) -> list[str]:
    pieces = [""]
    for char in word:
        if width(pieces[-1]) + width(char) > max(columns, 1):
            pieces.append("")
        pieces[-1] += char
    return pieces


def beside(blocks: Sequence[tuple[Sequence[Row], int]], height: int) -> list[Row]:
    """Blocks of rows side by side, each of the width given with it, short ones filled up."""
    whole = sum(columns for _, columns in blocks)
    filled = [padded(rows, columns, height) for rows, columns in blocks]
    return [_fitted(chain.from_iterable(parts), whole) for parts in zip(*filled, strict=True)]


def padded(rows: Sequence[Row], columns: int, height: int) -> list[Row]:
    """Exactly `height` rows of exactly `columns` cells: cut at the bottom, or filled up."""
    kept: list[Row] = [
        row if isinstance(row, _FittedRow) and row.cells == columns else fit_row(row, columns)
        for row in rows[: max(height, 0)]
    ]
    return kept + [blank(columns)] * (height - len(kept))
