"""The Markdown of the guide laid out for a page, and its pieces found: headings, code, tables.

The texts use little of Markdown: headings, paragraphs, lists, tables, and fenced code that is never broken.
Headings are bold on a terminal; elsewhere they are underlined.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from mixmon.report.page import current_page, spell, stress
from mixmon.report.text import Column, cell_width, paragraph, table, wrap

_HEADING_LINE = re.compile(r"(#+) (.*)")
_ITEM = re.compile(r"(-|\d+\.) (.*)", re.DOTALL)
_FENCE = "```"
_CODE_INDENT = " " * 4


@dataclass(frozen=True, slots=True)
class Block:
    """One piece of a text: its kind and its text without signs of Markdown around it.

    kind      "heading", "code", "table", "item" or "paragraph"
    language  of code, as its fence says
    level     of a heading
    mark      of an item: a dash, or its number with a point
    """

    kind: str
    text: str
    language: str = ""
    level: int = 0
    mark: str = ""


def blocks(markdown: str) -> Iterator[Block]:
    """The pieces of a text, in order."""
    lines: list[str] = []
    language: str | None = None
    for line in markdown.splitlines():
        if language is not None:
            if line == _FENCE:
                yield Block("code", "".join(f"{one}\n" for one in lines), language)
                lines, language = [], None
            else:
                lines.append(line)
        elif line.startswith(_FENCE):
            yield from _read_prose(lines)
            lines, language = [], line.removeprefix(_FENCE)
        elif not line or _ITEM.match(line) or _HEADING_LINE.match(line):
            yield from _read_prose(lines)
            lines = [line] if line else []
        else:
            lines.append(line)
    yield from _read_prose(lines)


def _read_prose(lines: list[str]) -> Iterator[Block]:
    """The one piece that lines without code are; none where there are no lines."""
    if not lines:
        return
    text = " ".join(line.strip() for line in lines)
    if heading := _HEADING_LINE.fullmatch(lines[0]):
        yield Block("heading", _without_signs(heading[2]), level=len(heading[1]))
        yield from _read_prose(lines[1:])
    elif lines[0].startswith("|"):
        yield Block("table", "\n".join(lines))
    elif item := _ITEM.fullmatch(text):
        yield Block("item", _without_signs(item[2]), mark=item[1])
    else:
        yield Block("paragraph", _without_signs(text))


def _without_signs(text: str) -> str:
    """The text without the signs of bold and slanted letters."""
    return re.sub(r"\*+(\S[^*]*?)\*+", r"\1", text)


def table_rows(text: str) -> list[list[str]]:
    """The cells of a table, its heads first."""
    rows = [re.split(r"(?<!\\)\|", row)[1:-1] for row in text.split("\n")]
    cells = [[_without_signs(c.strip()).replace("\\|", "|") for c in row] for row in rows]
    return [[*row, *[""] * (len(cells[0]) - len(row))] for i, row in enumerate(cells) if i != 1]


def laid_out(markdown: str) -> str:
    """The text as lines for the current page."""
    parts: list[str] = []
    before = ""
    for block in blocks(markdown):
        if parts and not (block.kind == before == "item"):
            parts.append("\n")
        parts.append(_LAID[block.kind](block))
        before = block.kind
    return "".join(parts)


def _lay_heading(block: Block) -> str:
    text = paragraph(block.text)
    if current_page().colour:
        return stress(text, doubt=False)
    if block.level > _UNDERLINED:
        return text
    widest = max(map(cell_width, text.splitlines()))
    return text + "=-"[block.level - 1] * widest + "\n"


_UNDERLINED = 2
"""Our choice: two levels of headings are underlined, each in its own way; further ones are not."""


def _lay_code(block: Block) -> str:
    return "".join(f"{_CODE_INDENT}{line}".rstrip() + "\n" for line in block.text.splitlines())


def _lay_item(block: Block) -> str:
    first = f"{block.mark} "
    lines = wrap(spell(block.text), current_page().prose - len(first))
    return "".join(f"{first if i == 0 else ' ' * len(first)}{line}\n" for i, line in enumerate(lines))


def _lay_table(block: Block) -> str:
    heads, *rows = table_rows(block.text)
    return table([Column(head, left=True, wraps=True) for head in heads], rows)


def _lay_paragraph(block: Block) -> str:
    return paragraph(block.text)


_LAID: Final[Mapping[str, Callable[[Block], str]]] = {
    "heading": _lay_heading,
    "code": _lay_code,
    "item": _lay_item,
    "table": _lay_table,
    "paragraph": _lay_paragraph,
}


def as_table(heads: list[str], rows: list[list[str]]) -> str:
    """A table in Markdown."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in row)} |\n" for row in lines)
