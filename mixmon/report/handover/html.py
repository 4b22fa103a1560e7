"""Pieces of HTML: text with everything escaped, links, tables, lists and pictures.

Whatever comes from a session, a log or a file passes `escaped`; nothing else is put into the page. A table
has a caption and says which of its cells are heads; its numbers lead to the row that tells from what they
are.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from mixmon.report.handover.style import style_sheet
from mixmon.report.text import Cell, Column, Grid, printable, shown_cell

_SPELLED: Final[Mapping[str, str]] = {
    "cyl": "cylinder",
    "pos": "position",
    "eff. n": "effective samples",
    "used s": "used, s",
    "for s": "for, s",
    "lean ms": "lean T63, ms",
    "rich ms": "rich T63, ms",
    "±": "± (95 %)",
    "95 % from": "from (95 %)",
    "90 % from": "from (90 %)",
    "": "remarks",
}
"""Heads that are short for a terminal, as a page has them."""


_FROM_THE_RIGHT: Final = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]+"
_WORDS_FROM_THE_RIGHT: Final = re.compile(f"{_FROM_THE_RIGHT}(?:\\s+{_FROM_THE_RIGHT})*")


def escaped(text: str) -> str:
    """The text with control characters shown, and nothing in it that HTML would take for its own.

    A left-to-right mark ends words of Hebrew or Arabic, so that numbers and signs after them keep their place
    (Unicode Standard Annex #9, rules W2, N1 and N2).
    """
    return _WORDS_FROM_THE_RIGHT.sub("\\g<0>\u200e", html.escape(printable(text), quote=True))


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph; `kind` is a class of the style sheet."""
    return f"<p{_class(kind)}>{escaped(text)}</p>\n" if text else ""


def bullets(texts: Iterable[str]) -> str:
    """A list; empty where there is nothing to list."""
    items = "".join(f"<li>{escaped(text)}</li>\n" for text in dict.fromkeys(texts) if text)
    return f"<ul>\n{items}</ul>\n" if items else ""


def linked(text: str, target: str) -> str:
    """The text, as a link to the part of the page that has this id; the text alone where there is none."""
    return f'<a href="#{escaped(target)}">{escaped(text)}</a>' if target and text.strip() else escaped(text)


def section(name: str, title: str, *parts: str) -> str:
    """A section with its heading."""
    return f'<section id="{escaped(name)}">\n<h2>{escaped(title)}</h2>\n{"".join(parts)}</section>\n'


def heading(text: str) -> str:
    """A heading within a section."""
    return f"<h3>{escaped(text)}</h3>\n"


def _class(kind: str) -> str:
    return f' class="{kind}"' if kind else ""


@dataclass(frozen=True, slots=True)
class RowPlace:
    """What a row of a table is known by, and where its numbers lead; empty: nowhere."""

    name: str = ""
    target: str = ""


def grid_table(
    grid: Grid, caption: str, places: Sequence[RowPlace] = (), *, heads: Mapping[str, str] | None = None
) -> str:
    """A table of a report; its numbers lead where the place of their row says.

    heads: other words for heads than `_SPELLED` has.
    """
    spelled = {**_SPELLED, **(heads or {})}
    filled = [j for j, c in enumerate(grid.columns) if c.head or any(row[j] for row in grid.rows)]
    columns = [grid.columns[j] for j in filled]
    head = "".join(
        f'<th scope="col"{_class("l" if c.left else "")}>{escaped(spelled.get(c.head, c.head))}</th>'
        for c in columns
    )
    rows = []
    for i, row in enumerate(grid.rows):
        place = places[i] if i < len(places) else RowPlace()
        cells = [
            _cell(column, row[j], place.target, is_head=j < grid.keys)
            for j, column in zip(filled, columns, strict=True)
        ]
        name = f' id="{escaped(place.name)}"' if place.name else ""
        rows.append(f"<tr{name}>{''.join(cells)}</tr>\n")
    return raw_table(caption, head, "".join(rows))


def raw_table(caption: str, head: str, rows: str, kind: str = "") -> str:
    """A table of rows that are HTML already; on a narrow screen it moves sideways by itself."""
    top = f"<thead><tr>{head}</tr></thead>\n" if head else ""
    keep = " keep" if rows.count("<tr") <= _MOST_KEPT_ROWS else ""
    return (
        f'<div class="wide{keep}" role="region" tabindex="0" aria-label="{escaped(caption)}">\n'
        f"<table{_class(kind)}>\n<caption>{escaped(caption)}</caption>\n{top}<tbody>\n{rows}</tbody>\n"
        "</table>\n</div>\n"
    )


_MOST_KEPT_ROWS: Final = 20
"""Rows of a table that is not divided between two pages of paper: our choice, less than half a page."""


def _cell(column: Column, value: Cell, target: str, *, is_head: bool) -> str:
    shown = shown_cell(column, value).strip()
    kind = " ".join(["l"] * column.left + ["words"] * column.wraps + _if_long(shown))
    if is_head:
        return f'<th scope="row"{_class(kind)}>{linked(shown, target)}</th>'
    inside = linked(shown, target) if not column.left and any(c.isdigit() for c in shown) else escaped(shown)
    return f"<td{_class(kind)}>{inside}</td>"


_LONGEST_WORD: Final = 24
"""Letters of a word that is not divided: our choice, longer than any that the program writes."""


def _if_long(text: str) -> list[str]:
    """The class of a cell with a word that would push a table off the paper."""
    return ["long"] if any(len(word) > _LONGEST_WORD for word in printable(text).split()) else []


def facts_table(caption: str, facts: Iterable[tuple[str, str]]) -> str:
    """What is declared, one thing a row; rows without a value are omitted."""
    rows = "".join(
        f'<tr><th scope="row" class="l">{escaped(name)}</th>'
        f'<td class="{" ".join(["l", *_if_long(value)])}">{escaped(value)}</td></tr>\n'
        for name, value in facts
        if value
    )
    return raw_table(caption, "", rows)


def figure(picture: str, caption: str) -> str:
    """A picture with the words below it."""
    return (
        f'<figure>\n<div class="wide" role="region" tabindex="0" aria-label="{escaped(caption)}">'
        f"{picture}</div>\n"
        f"<figcaption>{escaped(caption)}</figcaption>\n</figure>\n"
    )


def document(title: str, body: str) -> str:
    """The whole page: it needs no other file and no script."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{escaped(title)}</title>\n<style>\n{style_sheet()}</style>\n</head>\n"
        f"<body>\n{body}</body>\n</html>\n"
    )
