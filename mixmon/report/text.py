"""Text that is fit for a terminal: what it may contain, how wide it is, when it may be bold."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Mapping
from typing import TextIO

PAGE = 80
"""Columns of a page of text."""

_BOLD, _NORMAL = "\x1b[1m", "\x1b[0m"


def printable(text: str) -> str:
    """The text on one line, with control characters shown as escapes instead of obeyed.

    Names come from files that others wrote; an escape sequence in one of them must not reach
    the terminal, and a line break in it must not break a table.
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def width(text: str) -> int:
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
    blanks = " " * max(0, columns - width(text))
    return blanks + text if right else text + blanks


def wrap(text: str, columns: int) -> list[str]:
    """The text in lines of at most that many columns, broken at blanks; longer words overhang."""
    lines: list[str] = []
    for word in text.split():
        if lines and width(lines[-1]) + 1 + width(word) <= columns:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines or [""]


def title(subject: str, name: str) -> str:
    """The first line of a report: what it is about, and the name of the session, if it has one."""
    return f"{subject}  {printable(name)}".rstrip() + "\n"


def paragraph(text: str, columns: int = PAGE) -> str:
    """The text in lines of at most that many columns, each ended; names in it cannot command the terminal."""
    return "".join(f"{line}\n" for line in wrap(printable(text), columns))


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """The number with its noun in the right form: `1 node`, `2 nodes`, `12 480 frames`."""
    grouped = f"{number:,}".replace(",", " ")
    return f"{grouped} {noun if number == 1 else plural or noun + 's'}"


def bold_wanted(stream: TextIO, environment: Mapping[str, str] | None = None) -> bool:
    """True if emphasis by escape sequences is welcome on the stream.

    It is not where the stream is no terminal, where the terminal is `dumb`, and where NO_COLOR
    is set and not empty (the informal standard of that name).
    """
    env = os.environ if environment is None else environment
    return stream.isatty() and not env.get("NO_COLOR") and env.get("TERM") != "dumb"


def bold(text: str) -> str:
    """The text in bold; whatever it marks must also be said in words."""
    return f"{_BOLD}{text}{_NORMAL}"
