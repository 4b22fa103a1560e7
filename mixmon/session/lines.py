"""On which line of a TOML file a key stands.

`tomllib` does not say. This is a scan over the pieces of text that `tomllib` has already
accepted, so it need not judge syntax: it only has to tell strings, comments and brackets apart.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping

_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?!")'
    r"|'''.*?'''(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*"
    r"|[\[\]{}=\n]"
    r"|[^\"'#\[\]{}=\n]+",
    re.DOTALL,
)
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_LAST = re.compile(r'(?:\[\d+\]|\.?"(?:[^"\\]|\\.)*"|\.?[A-Za-z0-9_-]+|.)\Z', re.DOTALL)


def dotted(parent: str, key: str) -> str:
    """The path of `key` inside `parent`, quoted where TOML would need it.

    >>> dotted("engine.banks", "left side")
    'engine.banks."left side"'
    """
    shown = key if _BARE.fullmatch(key) else json.dumps(key, ensure_ascii=False)
    return f"{parent}.{shown}" if parent else shown


def key_lines(text: str) -> dict[str, int]:
    """Dotted path to line, counted from 1, for every table header and every key at a line's start.

    Tables of one name carry their number: `bus[2].name`. Keys inside inline tables and arrays
    are not listed; `line_of` answers with the line of what holds them.
    """
    lines: dict[str, int] = {}
    arrays: Counter[str] = Counter()
    table = ""
    for line, statement in _statements(text):
        if statement.startswith("[["):
            parts = _parts(statement[2 : statement.rindex("]]")])
            base = dotted(_walk("", parts[:-1], arrays), parts[-1])
            arrays[base] += 1
            lines.setdefault(base, line)
            table = f"{base}[{arrays[base]}]"
            lines.setdefault(table, line)
        elif statement.startswith("["):
            table = _walk("", _parts(statement[1 : statement.rindex("]")]), arrays)
            lines.setdefault(table, line)
        else:
            lines.setdefault(_walk(table, _parts(statement), arrays), line)
    return lines


def line_of(where: str, lines: Mapping[str, int]) -> int | None:
    r"""The line of a key, or of the nearest thing around it; None where nothing of it is in the file.

    >>> line_of("trims.now_percent[3]", key_lines("[trims]\nnow_percent = [0, 0, 90]"))
    2
    """
    while where:
        if where in lines:
            return lines[where]
        where = _LAST.sub("", where)
    return None


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Line and text of each header, and of each key up to its equals sign."""
    line, depth, start, statement, in_value = 1, 0, 1, "", False
    for piece in _TOKEN.findall(text):
        if piece == "\n" and depth == 0:
            if statement.strip() and not in_value:
                yield start, statement.strip()
            statement, in_value = "", False
        elif piece == "=" and not in_value:
            yield start, statement.strip()
            in_value = True
        elif not in_value and not piece.startswith("#"):
            start = start if statement.strip() else line
            statement += piece
        elif piece in "[{":
            depth += 1
        elif piece in "]}":
            depth -= 1
        line += piece.count("\n")
    if statement.strip() and not in_value:
        yield start, statement.strip()


def _parts(key: str) -> list[str]:
    """The parts of a written key, unquoted by the one who knows how."""
    parts, table = [], tomllib.loads(f"{key} = 0")
    while isinstance(table, dict):
        part, table = next(iter(table.items()))
        parts.append(part)
    return parts


def _walk(table: str, parts: list[str], arrays: Mapping[str, int]) -> str:
    """The path of a key below `table`, through the newest table of each array on the way."""
    for part in parts:
        table = dotted(table, part)
        if table in arrays:
            table = f"{table}[{arrays[table]}]"
    return table
