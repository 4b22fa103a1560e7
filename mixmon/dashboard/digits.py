"""Numbers and words tall enough to be read from two metres.

Each glyph is drawn on a grid of three by five pixels (N on four by five) and stretched: its bars
keep their thickness, and the space between them grows. Half blocks make two square pixels of one
cell, so three rows of text are six pixels tall.

A character must span at least 16 minutes of arc to be read, better 20 to 22 (ISO 9241-3,
second-hand). Three rows of a terminal of 24 rows on a 15-inch panel span 36 minutes at two
metres (computed); a terminal of more rows has smaller cells and needs taller digits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from typing import Final

# Rows of pixels, top to bottom; '#' is lit.
_GRID: Final[Mapping[str, str]] = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "+": "... .#. ### .#. ...",
    "-": "... ... ### ... ...",
    ".": ". . . . #",
    " ": ". . . . .",
    "A": "### #.# ### #.# #.#",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "K": "#.# #.# ##. #.# #.#",
    "L": "#.. #.. #.. #.. ###",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "R": "### #.# ##. #.# #.#",
    "T": "### .#. .#. .#. .#.",
    "V": "#.# #.# #.# #.# .#.",
}

# Three rows of text without half blocks: strokes made of characters.
_STROKES: Final[Mapping[str, tuple[str, str, str]]] = {
    "0": (" _ ", "| |", "|_|"),
    "1": ("   ", "  |", "  |"),
    "2": (" _ ", " _|", "|_ "),
    "3": (" _ ", " _|", " _|"),
    "4": ("   ", "|_|", "  |"),
    "5": (" _ ", "|_ ", " _|"),
    "6": (" _ ", "|_ ", "|_|"),
    "7": (" _ ", "  |", "  |"),
    "8": (" _ ", "|_|", "|_|"),
    "9": (" _ ", "|_|", " _|"),
    "+": ("   ", "_|_", " | "),
    "-": ("   ", "___", "   "),
    ".": (" ", " ", "o"),
    " ": (" ", " ", " "),
    "A": (" _ ", "|_|", "| |"),
    "D": (" _ ", "| \\", "|_/"),
    "E": (" _ ", "|_ ", "|_ "),
    "K": ("   ", "|/ ", "|\\ "),
    "L": ("   ", "|  ", "|_ "),
    "N": ("    ", "|\\ |", "| \\|"),
    "O": (" _ ", "| |", "|_|"),
    "R": (" _ ", "|_|", "| \\"),
    "T": ("___", " | ", " | "),
    "V": ("   ", "\\ /", " V "),
}

_PIXEL_ROWS: Final = {3: (1, 1, 1, 2, 1), 5: (2, 2, 2, 2, 2), 7: (2, 4, 2, 4, 2)}
"""Rows of text -> pixels, half a cell each, for each row of the grid. Our choice: even heights of bars."""

_BLOCK_ROWS: Final = {5: (1, 1, 1, 1, 1), 7: (1, 2, 1, 2, 1)}
"""The same in whole cells, for terminals without half blocks."""

_COLUMN_CELLS: Final = {3: 1, 5: 2, 7: 3}
"""Rows of text -> cells for each column of the grid. Our choice: digits about as wide as tall."""

LEAST_ARC_MINUTES = 16.0
"""The least angle at which a character can be read (ISO 9241-3, second-hand)."""

CAPITAL_SHARE = 0.6
"""The part of its row that a capital fills (estimate: fonts differ)."""

DIGIT_SIZES: Final = (7, 5, 3)
"""Rows of text that digits can take, largest first."""

_SMALL_UP_TO, _MIDDLE_UP_TO = 30, 45
"""Our choice: a terminal of so many rows has digits three and five rows tall, about an eighth of it."""

_HALVES: Final = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}


def size_for(height: int) -> int:
    """The rows of text that digits take in a terminal of `height` rows."""
    if height <= _SMALL_UP_TO:
        return 3
    return 5 if height <= _MIDDLE_UP_TO else 7


def arc_minutes(text_rows: float, rows: int, screen_inch: float, distance_m: float) -> float:
    """The angle that something `text_rows` tall spans, minutes of arc.

    rows: of the whole terminal, which fills a screen of `screen_inch` diagonal, 16 wide and 9 high.

    >>> round(arc_minutes(3, 24, 15.6, 2.0))
    42
    """
    screen_m = screen_inch * 0.0254 * 9.0 / math.hypot(16.0, 9.0)
    return math.degrees(math.atan(text_rows * screen_m / rows / distance_m)) * 60.0


@lru_cache(1024)
def big(text: str, size: int, *, ascii_only: bool = False) -> tuple[str, ...]:
    """The text as `size` rows of equal width, one blank column of the grid between characters.

    Characters that have no glyph are left blank.

    >>> for row in big("7.2", 3): print(row)
    ▀▀█   ▀▀█
      █   █▀▀
      █ ▄ █▄▄
    """
    glyphs = [_draw_glyph(c if c in _GRID else " ", size, ascii_only) for c in text]
    gap = " " * (1 if size == 3 else _COLUMN_CELLS[size] // 2 + 1)
    return tuple(gap.join(rows) for rows in zip(*glyphs, strict=True)) if glyphs else ("",) * size


def big_width(text: str, size: int) -> int:
    """Cells that the text takes."""
    return len(big(text, size)[0])


@lru_cache(256)
def _draw_glyph(char: str, size: int, ascii_only: bool) -> tuple[str, ...]:
    if ascii_only and size == 3:
        return _STROKES[char]
    grid = [[c == "#" for c in row for _ in range(_COLUMN_CELLS[size])] for row in _GRID[char].split()]
    if ascii_only:
        return tuple(
            _draw_blocks(row) for row, n in zip(grid, _BLOCK_ROWS[size], strict=True) for _ in range(n)
        )
    pixels = [row for row, n in zip(grid, _PIXEL_ROWS[size], strict=True) for _ in range(n)]
    pairs = zip(pixels[::2], pixels[1::2], strict=True)
    return tuple("".join(_HALVES[pair] for pair in zip(above, below, strict=True)) for above, below in pairs)


def _draw_blocks(row: list[bool]) -> str:
    return "".join("#" if lit else " " for lit in row)
