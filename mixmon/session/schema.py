"""What a value in the session file may be, said once and used twice: to check it and to explain it.

Every kind reads one value and either gives back a clean one (tuples for lists, floats for
numbers) or reports what was found and what it expected, and gives `UNUSABLE`. Reading goes on
after a mistake, so that one pass finds all of them.

The kinds are the project's own: the file has six kinds of value, and the texts of the reports
are the better half of the work. A validation library would bring a dependency and its own words,
and the checks between keys (the modules `check_*`) would still have to be written by hand.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from mixmon.errors import Mistake
from mixmon.session.lines import dotted

UNUSABLE: Final = object()
"""Read in place of a value that was reported; the key is then left out of the clean table."""

BOUND: Final = 1e9
"""Nothing in a session file is larger; a number without bounds could not even become a float."""

_LONGEST = 60
_ALIKE = 0.6


class Report:
    """Collects mistakes; called with where, what was found, what was expected."""

    def __init__(self) -> None:
        self.mistakes: list[Mistake] = []

    def __call__(self, where: str, found: str, expected: str) -> None:
        """Takes down one mistake."""
        self.mistakes.append(Mistake(where, found, expected))

    def about(self, where: str) -> bool:
        """Whether `where`, or anything inside it, was reported: then its absence is no second mistake."""
        inside = (f"{where}.", f"{where}[")
        return any(m.where == where or m.where.startswith(inside) for m in self.mistakes)


class Kind(Protocol):
    """One kind of value."""

    @property
    def expected(self) -> str:
        """What a value of this kind is, in words."""

    def takes(self, value: object) -> bool:
        """Whether the value's type fits, whatever its content."""

    def read(self, value: object, where: str, report: Report) -> Any:
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

    def read(self, value: object, where: str, report: Report) -> Any:
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
    """Text that is not empty, or one of some words."""

    choices: tuple[str, ...] = ()
    what: str = "text"

    @property
    def expected(self) -> str:
        """The words, or that it is text."""
        return one_of(self.choices) if self.choices else self.what

    def takes(self, value: object) -> bool:
        """Whether it is text."""
        return isinstance(value, str)

    def read(self, value: object, where: str, report: Report) -> Any:
        """The text as written."""
        if isinstance(value, str) and (value in self.choices if self.choices else value.strip()):
            return value
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    @property
    def expected(self) -> str:
        """The two words."""
        return "true or false"

    def takes(self, value: object) -> bool:
        """Whether it is one of the two."""
        return isinstance(value, bool)

    def read(self, value: object, where: str, report: Report) -> Any:
        """The flag."""
        if self.takes(value):
            return value
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Row:
    """A list of one kind, with at least one member."""

    of: Kind

    @property
    def expected(self) -> str:
        """A list of what."""
        return f"a list, each {self.of.expected}"

    def takes(self, value: object) -> bool:
        """Whether it is a list."""
        return isinstance(value, list)

    def read(self, value: object, where: str, report: Report) -> Any:
        """The members as a tuple; every bad one is reported, and one is enough to lose the list."""
        if not isinstance(value, list) or not value:
            report(where, shown(value), self.expected)
            return UNUSABLE
        members = [self.of.read(item, f"{where}[{i}]", report) for i, item in enumerate(value, 1)]
        return UNUSABLE if UNUSABLE in members else tuple(members)


@dataclass(frozen=True, slots=True)
class Either:
    """One of several kinds, told apart by their types: a number or a list, text or a table."""

    kinds: tuple[Kind, ...]

    @property
    def expected(self) -> str:
        """All of them."""
        return ", or ".join(kind.expected for kind in self.kinds)

    def takes(self, value: object) -> bool:
        """Whether any of them takes it."""
        return any(kind.takes(value) for kind in self.kinds)

    def read(self, value: object, where: str, report: Report) -> Any:
        """What the kind whose type fits makes of it."""
        for kind in self.kinds:
            if kind.takes(value):
                return kind.read(value, where, report)
        report(where, shown(value), self.expected)
        return UNUSABLE


@dataclass(frozen=True, slots=True)
class Table:
    """Keys and their kinds; `others` is the kind of keys that the user names himself."""

    keys: Mapping[str, Kind] = field(default_factory=dict)
    required: tuple[str, ...] = ()
    others: Kind | None = None
    what: str = "a table"

    @property
    def expected(self) -> str:
        """What the table is."""
        return self.what

    def takes(self, value: object) -> bool:
        """Whether it is a table."""
        return isinstance(value, dict)

    def read(self, value: object, where: str, report: Report) -> Any:
        """The usable keys; unknown, unusable and missing ones are reported."""
        if not isinstance(value, dict):
            report(where, shown(value), self.expected)
            return UNUSABLE
        clean = {}
        for key, item in value.items():
            kind = self.keys.get(key, self.others)
            if kind is None:
                report(dotted(where, key), "unknown key", nearest(key, self.keys))
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

    def read(self, value: object, where: str, report: Report) -> Any:
        """The clean tables, in file order."""
        if not isinstance(value, list):
            report(where, shown(value), self.expected)
            return UNUSABLE
        read = [self.table.read(item, f"{where}[{i}]", report) for i, item in enumerate(value, 1)]
        return tuple({} if table is UNUSABLE else table for table in read)


def shown(value: object) -> str:
    """A value as it would be written in TOML, cut short where it is long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{value}"'.replace("\n", " ")
    elif isinstance(value, dict):
        text = "a table"
    elif isinstance(value, list | tuple):
        text = ", ".join("[…]" if isinstance(item, list) else shown(item) for item in value[:_LONGEST])
        text = f"[{text}]"
    elif isinstance(value, int) and abs(value) > BOUND:
        text = f"a number of {math.floor(math.log10(abs(value))) + 1} digits"
    elif isinstance(value, float):
        text = f"{value:.10g}"
    else:
        text = str(value)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


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
        if match.real_quick_ratio() >= _ALIKE and match.quick_ratio() >= _ALIKE:
            scored.append((-match.ratio(), name))
    return tuple(name for score, name in sorted(scored)[:3] if score <= -_ALIKE)


def nearest(word: str, known: Iterable[str]) -> str:
    """What was expected instead of an unknown key: the nearest known one, or all of them."""
    known = list(known)
    close = near(word, known)
    return f'"{close[0]}" (the nearest known key)' if close else "one of " + ", ".join(known)
