"""What mixmon reads in the text of a DBC file itself: character set, multiplexing, and why a file fails.

The rest of the file is read by a DBC library. Multiplexing is read here (`scan_text`, `find_selectors`)
because ranges of selector values override the single value beside a signal's name, may name several
parents, and may be too wide to be listed value by value. Where the library refuses a file, `syntax_error`
and `contradiction_error` turn its words into an error that says file and line, what was found, what was
expected and what to do.

Source of the syntax: the tokens that cantools accepts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from mixmon.errors import DefinitionError
from mixmon.messages.plan import Ranges, Selector

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


def scan_text(text: str) -> DbcText:
    """Messages, their signals' markers, and the selector ranges of a DBC file."""
    bare = _SKIPPED.sub(_blank_out, text)
    messages = []
    starts = list(_MESSAGE.finditer(bare))
    ends = [*(found.start() for found in starts[1:]), len(bare)]
    for found, end in zip(starts, ends, strict=False):
        body = bare[found.end() : end]
        signals = tuple(_read_marker(m) for m in _SIGNAL.finditer(body))
        if found[2] != _NO_MESSAGE:
            messages.append(MessageText(found[1].lstrip("+0"), found[2], signals))
    ranges, rest = [], text
    for found in _RANGES.finditer(bare):
        pairs = tuple((int(low), int(high)) for low, high in _RANGE.findall(found[4]))
        ranges.append(RangesText(found[1].lstrip("+0"), found[2], found[3], pairs))
        rest = rest[: found.start()] + _blank_out(found) + rest[found.end() :]
    return DbcText(tuple(messages), tuple(ranges), rest)


def _read_marker(found: re.Match[str]) -> tuple[str, str]:
    words = found[2].split()
    return found[1], words[0] if words else ""


def _blank_out(found: re.Match[str]) -> str:
    return re.sub(r"[^\n]", " ", found[0])


# --- From markers and ranges to selectors: which signals depend on which. ---
#
# Ranges (SG_MUL_VAL_) override the value of the marker; several of them for one signal are alternatives.
# A marker alone needs exactly one multiplexer in the message to mean anything. What is ambiguous or wrong
# makes the signal a plain one, and is reported.

Dependents = Mapping[str, tuple[Selector, ...]]
"""Selectors of the multiplexed signals of a message, by signal name."""

_MARKER = re.compile(r"m(\d+)M?")


def find_selectors(
    message: MessageText, ranges: Iterable[RangesText], full: Mapping[str, str], notices: list[str]
) -> Dependents:
    """The selectors of a message's multiplexed signals; what is wrong is added to `notices`.

    `ranges` may hold those of other messages. `full` gives signals' full names by the names used
    within the file, which can be cut to 32 characters.
    """
    own = [row for row in ranges if row.number == message.number]
    chosen = _select_by_ranges(message, own, notices)
    _select_by_markers(message, chosen, notices)
    for name in [name for name in chosen if name in _find_ancestors(name, chosen)]:
        notices.append(f"{message.name}.{name}: depends on itself by SG_MUL_VAL_; decoded in every frame")
        del chosen[name]
    return {
        full[name]: tuple(Selector(full[s.parent], s.ranges) for s in found) for name, found in chosen.items()
    }


def _select_by_ranges(
    message: MessageText, own: list[RangesText], notices: list[str]
) -> dict[str, tuple[Selector, ...]]:
    names = {name for name, _ in message.signals}
    chosen: dict[str, tuple[Selector, ...]] = {}
    for row in own:
        if lost := {row.child, row.parent} - names:
            notices.append(
                f"{message.name}: SG_MUL_VAL_ names {', '.join(sorted(lost))}, not a signal of it; omitted"
            )
        else:
            chosen[row.child] = (*chosen.get(row.child, ()), Selector(row.parent, row.ranges))
    return chosen


def _select_by_markers(
    message: MessageText, chosen: dict[str, tuple[Selector, ...]], notices: list[str]
) -> None:
    ranged = set(chosen)
    multiplexers = [name for name, marker in message.signals if marker.endswith("M")]
    for name, marker in message.signals:
        found = _MARKER.fullmatch(marker)
        if not found or name in ranged:
            continue
        if len(multiplexers) == 1 and multiplexers[0] != name:
            chosen[name] = (Selector(multiplexers[0], ((int(found[1]), int(found[1])),)),)
        else:
            notices.append(
                f"{message.name}.{name}: marked {marker}, but of {len(multiplexers)} multiplexers none is "
                "named by SG_MUL_VAL_; decoded in every frame"
            )


def _find_ancestors(name: str, chosen: Dependents) -> set[str]:
    seen: set[str] = set()
    todo = [name]
    while todo:
        parents = {selector.parent for selector in chosen.get(todo.pop(), ())} - seen
        seen |= parents
        todo += parents
    return seen


def listed_selectors(signals: Iterable[Any]) -> Dependents:
    """The selectors of signals for which the library lists selector values one by one."""
    return {
        signal.name: (Selector(signal.multiplexer_signal, _join_neighbours(signal.multiplexer_ids)),)
        for signal in signals
        if signal.multiplexer_signal is not None and signal.multiplexer_ids
    }


def _join_neighbours(values: Iterable[int]) -> Ranges:
    """Values as ranges, neighbours joined.

    >>> _join_neighbours([7, 1, 2, 3])
    ((1, 3), (7, 7))
    """
    runs: list[tuple[int, int]] = []
    for value in sorted(values):
        if runs and runs[-1][1] == value - 1:
            runs[-1] = (runs[-1][0], value)
        else:
            runs.append((value, value))
    return tuple(runs)


# --- Why a file cannot be used. ---

_HINTS = (
    (r"\s*BO_\s+0[xX]", "a decimal identifier", "write the number after BO_ in decimal"),
    (r".*[(\[,|]\s*[-+]?\.\d", "a digit before the decimal point", "write 0.25 for .25"),
    (r".*\(\s*[-+]?\d+,\d+\s*,", "(factor,offset) with decimal points", "write 0.25 for 0,25"),
    (r"\s*SIG_VALTYPE_\s+\d+\s+\w+\s+\d", "a colon before the type", "write SIG_VALTYPE_ id signal : 1;"),
    (
        r"\s*VAL_\s+\d+\s+\w+\s+[A-Za-z_]",
        'pairs of a number and a quoted text, as in 0 "off" 1 "on"',
        "put the entries of the value table in place of its name",
    ),
)
_ANYTHING = ("a DBC statement (BO_, SG_, CM_, VAL_, BA_DEF_, BA_, ...)", "correct or delete the line")

_UNUSED = re.compile(r"(SIG_VALTYPE_|VAL_) (\d+) (\w+)")
_IN_MESSAGE = re.compile(r"in message (\w+)")


def not_text_error(where: str, found: str) -> DefinitionError:
    """The error for a file that is not text."""
    return DefinitionError(
        f"{where}: {found}; expected message definitions as text; export the file again as DBC"
    )


def syntax_error(where: str, text: str, line: int, column: int) -> DefinitionError:
    """The error for a place where the file stops being a DBC file. Lines and columns count from 1.

    >>> print(syntax_error("my.dbc", "BO_ 0x10 M: 8 X", 1, 10))
    my.dbc:1: cannot read 'BO_ 0x10 M: 8 X' from column 10 on; expected a decimal identifier; write \
the number after BO_ in decimal
    """
    lines = text.splitlines()
    content = lines[line - 1].strip() if line <= len(lines) else ""
    hints = (rest for pattern, *rest in _HINTS if re.match(pattern, content))
    expected, cure = next(hints, _ANYTHING)
    found = f"cannot read {content[:80]!r} from column {column} on" if content else "the file ends here"
    return DefinitionError(f"{where}:{line}: {found}; expected {expected}; {cure}")


def contradiction_error(where: str, text: str, reason: str) -> DefinitionError:
    r"""The error for a file whose statements can be read but contradict each other.

    >>> text = 'BO_ 1 M: 8 X\nVAL_ 1 Gone 0 "off" ;'
    >>> str(contradiction_error("my.dbc", text, "unused VAL_ entries in DBC: VAL_ 1 Gone")).split("; ")[0]
    'my.dbc:2: VAL_ 1 Gone is for a signal that is not there'
    """
    if unused := _UNUSED.search(reason):
        keyword, number, signal = unused.groups()
        line = _find_line(text, rf"\b{keyword}\s+{number}\s+{signal}\b")
        return DefinitionError(
            f"{where}{line}: {unused[0]} is for a signal that is not there; expected entries for signals of "
            "the message only; delete that statement"
        )
    message = _IN_MESSAGE.search(reason)
    line = _find_line(text, rf"\bBO_\s+\d+\s+{message[1]}\b") if message else ""
    if "frame id" in reason:
        return DefinitionError(
            f"{where}{line}: {reason.rstrip('.')}; expected at most 0x7FF, or 0x80000000 plus at most "
            "0x1FFFFFFF for 29-bit identifiers; correct the number after BO_"
        )
    return DefinitionError(
        f"{where}{line}: {reason.rstrip('.') or 'cannot be understood'}; expected consistent message "
        "definitions; correct the file in a DBC editor"
    )


def _find_line(text: str, pattern: str) -> str:
    """The line on which the pattern is first found, as ":12", or nothing."""
    found = re.search(pattern, text)
    return f":{text.count(chr(10), 0, found.start()) + 1}" if found else ""
