"""Style names to the terminal's styles."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from mixmon.dashboard.palettes import Look, palette
from mixmon.dashboard.view_text import Row, row_width


@lru_cache(8)
def styles(name: str) -> Mapping[str, Style]:
    """The styles of a palette by style name."""
    return {style: _style(look) for style, look in palette(name).items()}


def _style(look: Look) -> Style:
    return Style(
        color=look.ink or "default",
        bgcolor=look.ground or "default",
        bold=look.bold,
        reverse=look.inverse,
        underline=look.underline,
    )


def strip_of(row: Row, looks: Mapping[str, Style]) -> Strip:
    """A row as Textual draws it."""
    return Strip([Segment(text, looks[style]) for text, style in row], row_width(row))
