"""The kinds of value in a session file: each checks a value and explains what it expects.

Wants: one pass over a file finds every mistake, each with its line, what was found and what was expected.

A kind reads one value. It returns a clean one (tuples for lists, floats for numbers), or reports what was
found and what it expected and returns `UNUSABLE`; the key is then absent from the clean table. The sections:
lines of keys in the text, the report, the kinds, words for messages, and questions about clean tables that
several checks ask.

The kinds are the project's own: there are seven, and the texts of the mistakes are most of the work. A
validation library would add a dependency and its own words, and the checks between keys (`checks`) would
still be written by hand.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, Protocol

from mixmon.errors import Mistake

# ----------------------------------------------------------------------------------------------------
# The line of each key in a TOML file, which `tomllib` does not give.
#
# `tomllib` has accepted the text before this scan, so the scan does not check syntax: it only distinguishes
# strings, comments, brackets and line ends.
# ----------------------------------------------------------------------------------------------------

_TOML_PIECE = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?!")'
    r"|'''.*?'''(?!')"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*"
    r"|[\[\]{}=\n]"
    r"|[^\"'#\[\]{}=\n]+",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_KEYS = re.compile(rf"[ \t]*{_BARE_KEY.pattern}[ \t]*(?:\.[ \t]*{_BARE_KEY.pattern}[ \t]*)*")
_LAST_KEY = re.compile(r'(?:\[\d+\]|\.?"(?:[^"\\]|\\.)*"|\.?[A-Za-z0-9_-]+|.)\Z', re.DOTALL)


def dotted(parent: str, key: str) -> str:
    """The path of `key` inside `parent`, quoted where TOML would need it.

    >>> dotted("engine.banks", "left side")
    'engine.banks."left side"'
    """
    shown = key if _BARE_KEY.fullmatch(key) else json.dumps(key, ensure_ascii=False)
    return f"{parent}.{shown}" if parent else shown


def key_lines(text: str) -> dict[str, int]:
    """Dotted path to line, counted from 1, for every table header and every key at a line's start.

    Tables of one name carry their number: `bus[2].name`. Keys inside inline tables and arrays
    are not listed; `line_of` answers with the line of what holds them.
    """
    lines: dict[str, int] = {}
    arrays: Counter[str] = Counter()
    table = ""
    for line, statement in _split_into_statements(text):
        if statement.startswith("[["):
            parts = _unquote_key_parts(statement[2 : statement.rindex("]]")])
            base = dotted(_path_through_arrays("", parts[:-1], arrays), parts[-1])
            arrays[base] += 1
            lines.setdefault(base, line)
            table = f"{base}[{arrays[base]}]"
            lines.setdefault(table, line)
        elif statement.startswith("["):
            table = _path_through_arrays("", _unquote_key_parts(statement[1 : statement.rindex("]")]), arrays)
            lines.setdefault(table, line)
        else:
            lines.setdefault(_path_through_arrays(table, _unquote_key_parts(statement), arrays), line)
    return lines


def line_of(where: str, lines: Mapping[str, int]) -> int | None:
    r"""The line of a key, or of the nearest thing around it; None where nothing of it is in the file.

    >>> line_of("trims.now_percent[3]", key_lines("[trims]\nnow_percent = [0, 0, 90]"))
    2
    """
    while where:
        if where in lines:
            return lines[where]
        where = _LAST_KEY.sub("", where)
    return None


def _split_into_statements(text: str) -> Iterator[tuple[int, str]]:
    """Line and text of each header, and of each key up to its equals sign."""
    line, depth, start, statement, in_value = 1, 0, 1, "", False
    for piece in _TOML_PIECE.findall(text):
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


def _unquote_key_parts(key: str) -> list[str]:
    """The parts of a written key, unquoted by `tomllib` where any is quoted."""
    if _BARE_KEYS.fullmatch(key):
        return [part.strip() for part in key.split(".")]
    parts, table = [], tomllib.loads(f"{key} = 0")
    while isinstance(table, dict):
        part, table = next(iter(table.items()))
        parts.append(part)
    return parts


def _path_through_arrays(table: str, parts: list[str], arrays: Mapping[str, int]) -> str:
    """The path of a key below `table`, through the newest table of each array on the way."""
    for part in parts:
        table = dotted(table, part)
        if table in arrays:
            table = f"{table}[{arrays[table]}]"
    return table


# ----------------------------------------------------------------------------------------------------
# The report, and the kinds of value.
# ----------------------------------------------------------------------------------------------------

UNUSABLE: Final = object()
"""Stands for a value that was reported; its key is left out of the clean table."""

UNKNOWN_KEY: Final = "unknown key"
"""What was found where a table has a key that it does not know."""

BOUND: Final = 1e9
"""Our choice: no number of a session is larger; whole numbers up to it are exact as floats."""

_MOST_SHOWN = 60
"""Our choice: characters of a value in a message, so that the message stays on two lines."""

_LEAST_SIMILARITY = 0.6
"""Share of characters in common from which a word may have been meant (the default of `difflib`)."""


class MistakeReport:
    """Collects mistakes; called with where, what was found, what was expected."""

    def __init__(self) -> None:
        self.mistakes: list[Mistake] = []

    def __call__(self, where: str, found: str, expected: str) -> None:
        """Records one mistake."""
        self.mistakes.append(Mistake(where, found, expected))

    def about(self, where: str) -> bool:
        """Whether `where`, or a key inside it, was reported: then its absence is no second mistake."""
        inside = (f"{where}.", f"{where}[")
        return any(m.where == where or m.where.startswith(inside) for m in self.mistakes)


class ValueKind(Protocol):
    """One kind of value."""

    @property
    def expected(self) -> str:
        """What a value of this kind is, in words."""

    def takes(self, value: object) -> bool:
        """Whether the value's type fits, whatever its content."""

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The clean value, or UNUSABLE after a report."""


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number in a range; with `above`, the lower end itself is not allowed."""

    lowest: float = -BOUND
    highest: float = BOUND
    unit: str = ""
    whole: bool = False
    above: bool = False

    @property
    def expected(self) -> str:
        """The range in words."""
        noun, unit = "a whole number" if self.whole else "a number", f" {self.unit}" if self.unit else ""
        if (self.lowest, self.highest) == (-BOUND, BOUND):
            return noun + (f" of{unit}" if unit else "")
        if self.lowest == self.highest:
            return f"{self.lowest:.10g}"
        if self.above:
            return f"{noun} above {self.lowest:.10g}, at most {self.highest:.10g}{unit}"
        return f"{noun} from {self.lowest:.10g} to {self.highest:.10g}{unit}"

    def takes(self, value: object) -> bool:
        """Whether it is a number; true and false are not."""
        return isinstance(value, int | float) and not isinstance(value, bool)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The number, as float unless whole ones are wanted."""
        kind = int if self.whole else int | float
        good = (
            isinstance(value, kind)
            and not isinstance(value, bool)
            and self.lowest <= value <= self.highest
            and not (self.above and value == self.lowest)
        )
        if not good:
            report(where, shown(value), self.expected)
            return UNUSABLE
        return value if self.whole else float(value)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Text:
    """Text that is not empty, or one of some words; `one_line`: no line breaks and nothing else unseen."""

    choices: tuple[str, ...] = ()
    what: str = "text"
    one_line: bool = False

    @property
    def expected(self) -> str:
        """The words, or that it is text."""
        return one_of(self.choices) if self.choices else self.what

    def takes(self, value: object) -> bool:
        """Whether it is text."""
        return isinstance(value, str)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The text as written."""
        if (
            isinstance(value, str)
            and (value in self.choices if self.choices else value.strip())
            and (value.isprintable() or not self.one_line)
        ):
            return value
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Boolean:
    """True or false."""

    @property
    def expected(self) -> str:
        """The two words."""
        return "true or false"

    def takes(self, value: object) -> bool:
        """Whether it is one of the two."""
        return isinstance(value, bool)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The flag."""
        if self.takes(value):
            return value
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Row:
    """A list of one kind, with at least one member."""

    of: ValueKind

    @property
    def expected(self) -> str:
        """A list of what."""
        return f"a list, each {self.of.expected}"

    def takes(self, value: object) -> bool:
        """Whether it is a list."""
        return isinstance(value, list)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The members as a tuple; every bad one is reported, and one is enough to lose the list."""
        if not isinstance(value, list) or not value:
            report(where, shown(value), self.expected)
            return UNUSABLE
        members = [self.of.read(item, f"{where}[{i}]", report) for i, item in enumerate(value, 1)]
        return UNUSABLE if UNUSABLE in members else tuple(members)


@dataclass(frozen=True, slots=True)
class Either:
    """One of several kinds, distinguished by their types: a number or a list, text or a table."""

    kinds: tuple[ValueKind, ...]

    @property
    def expected(self) -> str:
        """All of them."""
        return ", or ".join(kind.expected for kind in self.kinds)

    def takes(self, value: object) -> bool:
        """Whether any of them takes it."""
        return any(kind.takes(value) for kind in self.kinds)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """What the kind whose type fits makes of it."""
        for kind in self.kinds:
            if kind.takes(value):
                return kind.read(value, where, report)
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Table:
    """Keys and their kinds; `others` is the kind of the keys that the user names."""

    keys: Mapping[str, ValueKind] = field(default_factory=dict)
    required: tuple[str, ...] = ()
    others: ValueKind | None = None
    what: str = "a table"

    @property
    def expected(self) -> str:
        """What the table is."""
        return self.what

    def takes(self, value: object) -> bool:
        """Whether it is a table."""
        return isinstance(value, dict)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The usable keys; unknown, unusable and missing ones are reported."""
        if not isinstance(value, dict):
            report(where, shown(value), self.expected)
            return UNUSABLE
        clean = {}
        for key, item in value.items():
            kind = self.keys.get(key, self.others)
            if kind is None:
                report(dotted(where, key), UNKNOWN_KEY, nearest(key, self.keys))
            elif (read := kind.read(item, dotted(where, key), report)) is not UNUSABLE:
                clean[key] = read
        for key in self.required:
            if key not in value:
                report(dotted(where, key), "missing", self.keys[key].expected)
        return clean


@dataclass(frozen=True, slots=True)
class Tables:
    """Any number of tables of one kind: `[[bus]]`. Unusable ones read as empty, to keep the count."""

    table: Table

    @property
    def expected(self) -> str:
        """One table for each."""
        return f"tables in double brackets, each {self.table.expected}"

    def takes(self, value: object) -> bool:
        """Whether it is a list."""
        return isinstance(value, list)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The clean tables, in file order."""
        if not isinstance(value, list):
            report(where, shown(value), self.expected)
            return UNUSABLE
        read = [self.table.read(item, f"{where}[{i}]", report) for i, item in enumerate(value, 1)]
        return tuple({} if table is UNUSABLE else table for table in read)


# ----------------------------------------------------------------------------------------------------
# Words for messages.
# ----------------------------------------------------------------------------------------------------


def shown(value: object) -> str:
    """A value as it would be written in TOML, cut short where it is long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{value}"'.replace("\n", " ")
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list | tuple):
        text = ", ".join("[…]" if isinstance(item, list) else shown(item) for item in value[:_MOST_SHOWN])
        text = f"[{text}]"
    elif isinstance(value, int) and abs(value) > BOUND:
        text = f"a number of {math.floor(math.log10(abs(value))) + 1} digits"
    elif isinstance(value, float):
        text = f"{value:.10g}"
    else:
        text = str(value)
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"


def one_of(words: Iterable[str]) -> str:
    """The words, quoted, in a sentence: `"a", "b" or "c"`."""
    *most, last = [f'"{word}"' for word in words]
    return f"{', '.join(most)} or {last}" if most else last


def near(word: str, known: Iterable[str]) -> tuple[str, ...]:
    """Up to three known words that `word` may have been meant for, the likeliest first.

    >>> near("Throtle", ["throttle", "target", "rpm"])
    ('throttle',)
    """
    match = difflib.SequenceMatcher(b=word.casefold())
    scored = []
    for name in known:
        match.set_seq1(name.casefold())
        if match.real_quick_ratio() >= _LEAST_SIMILARITY and match.quick_ratio() >= _LEAST_SIMILARITY:
            scored.append((-match.ratio(), name))
    return tuple(name for score, name in sorted(scored)[:3] if score <= -_LEAST_SIMILARITY)


def nearest(word: str, known: Iterable[str]) -> str:
    """What was expected instead of an unknown key: the nearest known one, or all of them."""
    known = list(known)
    close = near(word, known)
    return f'"{close[0]}" (the nearest known key)' if close else "one of " + ", ".join(known)


# ----------------------------------------------------------------------------------------------------
# Questions about clean tables that several checks ask.
#
# Any key may be missing from a clean table: the user omitted it, or its value was reported.
# ----------------------------------------------------------------------------------------------------

Clean = Mapping[str, Any]
Check = Callable[[Clean, MistakeReport], None]


def chain_bus(clean: Clean) -> str | None:
    """The chain's bus: as named, or the only one declared; "chain" without any [[bus]]."""
    named = clean.get("chain", {}).get("bus")
    names = [bus.get("name") for bus in clean.get("bus", ())]
    if named is not None:
        return str(named)
    if not names:
        return "chain"
    return names[0] if len(names) == 1 else None


def own_signals(chain: Clean) -> bool:
    """Whether the chain names any signals of its own, rather than leaving them to the shipped ones."""
    return "signals" in chain or any("signals" in node for node in chain.get("node", ()))


def chain_signals(clean: Clean) -> Iterator[tuple[str, str, Any]]:
    """Where, quantity and written value of every signal that is mapped in the chain."""
    chain = clean.get("chain", {})
    for name, value in chain.get("signals", {}).items():
        yield f"chain.signals.{name}", name, value
    for i, node in enumerate(chain.get("node", ()), 1):
        for name, value in node.get("signals", {}).items():
            yield f"chain.node[{i}].signals.{name}", name, value


def engine_signals(clean: Clean) -> Iterator[tuple[str, str, Any]]:
    """Where, quantity and written value of every signal of the engine."""
    for name, value in clean.get("engine_signals", {}).items():
        yield f"engine_signals.{name}", name, value


def own_channels(clean: Clean) -> Iterator[tuple[str, str, Any]]:
    """Where, name and written value of every own channel."""
    for name, value in clean.get("channels", {}).items():
        yield f"channels.{name}", name, value


def signal_text(value: Any) -> str:
    """The signal's name in a written value, "" where it is missing."""
    return value if isinstance(value, str) else str(value.get("signal", ""))


def cylinders_of(node: Clean) -> tuple[int, ...]:
    """The cylinders that a node's sensor sees, as a tuple however they were written."""
    written = node.get("cylinder", ())
    return written if isinstance(written, tuple) else (written,)


def rising(values: Iterable[float]) -> bool:
    """Whether each value is larger than the one before it."""
    return all(low < high for low, high in pairwise(values))


def cylinder_list(numbers: Iterable[int]) -> str:
    """Cylinders in words: "cylinders 2, 5"."""
    words = [str(number) for number in numbers]
    return f"cylinder{'s' if len(words) > 1 else ''} {', '.join(words)}"


def once(tables: Iterable[Clean], key: str, where: str, report: MistakeReport) -> None:
    """Reports each value of `key` that an earlier table has already."""
    seen: dict[Any, int] = {}
    for i, table in enumerate(tables, 1):
        if key not in table:
            continue
        if table[key] in seen:
            found = f"{shown(table[key])}, as in {where}[{seen[table[key]]}]"
            report(f"{where}[{i}].{key}", found, "a value used once")
        seen.setdefault(table[key], i)
