"""What mixmon reads in the text of a DBC file itself: character set, and multiplexing.

The rest of the file is the business of a DBC library. Multiplexing is read here because ranges
of selector values override the single value beside a signal's name, may name several parents,
and may be too wide to be listed value by value.

Source of the syntax: the tokens that cantools accepts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_SKIPPED = re.compile(r'"(?:\\"|[^"])*?"|//[^\n]*')
_MESSAGE = re.compile(r"\bBO_\s+([-+\d][-+.\deE]*)\s+(\w+)\s*:")
_SIGNAL = re.compile(r"\bSG_\s+(\w+)((?:\s+\w+)*)\s*:")
_RANGES = re.compile(r"\bSG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s+((?:\d+\s*-\s*\d+[\s,]*)+);")
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")

_NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
"""Name of the place where editors keep signals that belong to no message."""


@dataclass(frozen=True, slots=True)
class MessageText:
    """A message's number as written, its name, and (name, marker) of its signals in file order.

    The number is without leading zeros; other entries of the message repeat it.

    A marker is "M" for a multiplexer, "mN" for a multiplexed signal, "mNM" for both, else "".
    """

    number: str
    name: str
    signals: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class RangesText:
    """One SG_MUL_VAL_ statement: `child` is present where `parent` lies in one of the ranges."""

    number: str
    child: str
    parent: str
    ranges: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class DbcText:
    """Messages and selector ranges of a file, and its text without the ranges, lines unmoved."""

    messages: tuple[MessageText, ...]
    ranges: tuple[RangesText, ...]
    rest: str


def decode_text(content: bytes) -> str:
    r"""The text of a message definition file: UTF-8 with or without byte order mark, else cp1252.

    cp1252 leaves five bytes undefined; they become U+FFFD.

    >>> decode_text(b"\xef\xbb\xbfVERSION"), decode_text(b"\xb0C"), decode_text(b"\xc2\xb0C")
    ('VERSION', '°C', '°C')
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def scan(text: str) -> DbcText:
    """Messages, their signals' markers, and the selector ranges of a DBC file."""
    bare = _SKIPPED.sub(_blank, text)
    messages = []
    starts = list(_MESSAGE.finditer(bare))
    ends = [*(found.start() for found in starts[1:]), len(bare)]
    for found, end in zip(starts, ends, strict=False):
        body = bare[found.end() : end]
        signals = tuple(_signal(m) for m in _SIGNAL.finditer(body))
        if found[2] != _NO_MESSAGE:
            messages.append(MessageText(found[1].lstrip("+0"), found[2], signals))
    ranges, rest = [], text
    for found in _RANGES.finditer(bare):
        pairs = tuple((int(low), int(high)) for low, high in _RANGE.findall(found[4]))
        ranges.append(RangesText(found[1].lstrip("+0"), found[2], found[3], pairs))
        rest = rest[: found.start()] + _blank(found) + rest[found.end() :]
    return DbcText(tuple(messages), tuple(ranges), rest)


def _signal(found: re.Match[str]) -> tuple[str, str]:
    words = found[2].split()
    return found[1], words[0] if words else ""


def _blank(found: re.Match[str]) -> str:
    return re.sub(r"[^\n]", " ", found[0])
