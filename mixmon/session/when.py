"""The small language of alarm conditions: parsed to a frozen tree, never run as code.

    condition   = part { "or" part }
    part        = claim { "and" claim }
    claim       = "not" claim | "(" condition ")" | comparison | flag
    comparison  = quantity ( "<" | "<=" | ">" | ">=" | "==" | "!=" ) quantity
    quantity    = name | [ "+" | "-" ] number
    flag        = name                              true when the signal is not zero

Names are engine signals. What a condition is worth where a signal has no value is told in
`session.when_tree`.
"""

from __future__ import annotations

import difflib
import math
import operator
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.errors import UsageError

# ----------------------------------------------------------------------------------------------------
# What an alarm condition is once it has been read: a frozen tree, and its truth over columns.
#
# A signal without a value (NaN, or not there at all) makes its claim *unknown*, neither true nor
# false; `not` of unknown is unknown, and `and`/`or` follow Kleene's strong three-valued logic
# (Kleene, Introduction to Metamathematics, 1952, section 64; from memory). A condition counts
# only where it is known to be true.
# ----------------------------------------------------------------------------------------------------

Columns = Mapping[str, Floats]

SIGNS: Mapping[str, Callable[[Any, Any], Any]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}


@dataclass(frozen=True, slots=True)
class Name:
    """An engine signal, and the column (from 1) at which it stands in the text."""

    name: str
    column: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """One signal against a number or another signal."""

    left: Name | float
    sign: str
    right: Name | float


@dataclass(frozen=True, slots=True)
class Flag:
    """A signal that is a claim by itself, such as fuel_cut."""

    name: Name


@dataclass(frozen=True, slots=True)
class Not:
    """The contrary of a condition."""

    inner: Condition


@dataclass(frozen=True, slots=True)
class And:
    """True where all parts are."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Or:
    """True where any part is."""

    parts: tuple[Condition, ...]


Condition = Comparison | Flag | Not | And | Or


def names(tree: Condition) -> tuple[str, ...]:
    """The signals that a condition rests on, each once, in the order of the text.

    >>> names(Or((Flag(Name("fuel_cut", 1)), Comparison(Name("rpm", 13), "<", 400.0))))
    ('fuel_cut', 'rpm')
    """
    return tuple(dict.fromkeys(name.name for name in signal_names(tree)))


def evaluate(tree: Condition, columns: Columns) -> Bools:
    """Where the condition is known to be true.

    columns   float64 by signal name, of shapes that go together ([k], or [k, 1] beside [k, n]);
              the result has the shape that all of them go to, named in the condition or not.
    Where a value that matters is NaN or its column is missing, the result is false.

    >>> slow = Not(Comparison(Name("rpm", 5), ">", 2500.0))
    >>> evaluate(slow, {"rpm": np.array([2000.0, 3000.0, np.nan])}).tolist()
    [True, False, False]
    """
    true, _ = true_and_false(tree, columns)
    return np.broadcast_to(true, np.broadcast_shapes(*(column.shape for column in columns.values())))


def true_and_false(tree: Condition, columns: Columns) -> tuple[Any, Any]:
    """Where the condition is known to be true, and where to be false; unknown where neither.

    Of the shape of the columns that are named, at most.
    """
    match tree:
        case Comparison(left, sign, right):
            a, b = _value(left, columns), _value(right, columns)
            holds, known = SIGNS[sign](a, b), ~(np.isnan(a) | np.isnan(b))
            return holds & known, ~holds & known
        case Flag(name):
            value = _value(name, columns)
            return (value != 0) & ~np.isnan(value), value == 0
        case Not(inner):
            true, false = true_and_false(inner, columns)
            return false, true
        case And(parts):
            sides = [true_and_false(part, columns) for part in parts]
            return _all(true for true, _ in sides), _any(false for _, false in sides)
        case Or(parts):
            sides = [true_and_false(part, columns) for part in parts]
            return _any(true for true, _ in sides), _all(false for _, false in sides)


def _value(quantity: Name | float, columns: Columns) -> Floats:
    if isinstance(quantity, Name):
        return columns.get(quantity.name, np.array(np.nan))
    return np.array(quantity)


def _all(sides: Iterator[Any]) -> Any:
    found = next(sides)
    for side in sides:
        found = found & side
    return found


def _any(sides: Iterator[Any]) -> Any:
    found = next(sides)
    for side in sides:
        found = found | side
    return found


def signal_names(tree: Condition) -> Iterator[Name]:
    """Every mention of a signal, in the order of the text."""
    match tree:
        case Comparison(left, _, right):
            yield from (side for side in (left, right) if isinstance(side, Name))
        case Flag(name):
            yield name
        case Not(inner):
            yield from signal_names(inner)
        case And(parts) | Or(parts):
            for part in parts:
                yield from signal_names(part)


__all__ = ["Condition", "ConditionError", "evaluate", "names", "parse", "true_and_false"]

DEEPEST = 40
"""Parentheses and `not` inside one another, at most: more is a slip of the hand, not a condition."""

_WORDS = ("and", "or", "not")
_TOKEN = re.compile(
    r"(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?(?![\w.]))"
    r"|(?P<name>[^\W\d]\w*)|(?P<sign><=|>=|==|!=|[<>()+\-])"
)
_OTHER_HABITS = {"=": "'=='", "&": "'and'", "|": "'or'", "!": "'not'"}


class ConditionError(UsageError):
    """A condition that cannot be read: `column` counts from 1, `found` and `expected` say what is wrong."""

    def __init__(self, text: str, column: int, found: str, expected: str) -> None:
        self.text = text
        self.column = column
        self.found = found
        self.expected = expected
        super().__init__(text, column, found, expected)

    def __str__(self) -> str:
        return f"condition {self.text!r}, column {self.column}: {self.found}; expected {self.expected}"


def parse(text: str, known: Collection[str] | None = None) -> Condition:
    """The tree of a condition.

    known: the signal names that may stand in it; None allows all.

    >>> names(parse("rpm > 2500 and not fuel_cut", known=["rpm", "throttle", "fuel_cut"]))
    ('rpm', 'fuel_cut')

    Raises:
        ConditionError: the text does not follow the grammar, or names an unknown signal.
    """
    tree = _Parser(text).condition_alone()
    for name in signal_names(tree):
        if known is not None and name.name not in known:
            expected = _nearest(name.name, known)
            raise ConditionError(text, name.column, f"unknown signal '{name.name}'", expected)
    return tree


def _nearest(name: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(name.lower(), sorted(known), n=1)
    if near:
        return f"'{near[0]}', the nearest of the session's engine signals"
    return "one of the session's engine signals: " + (", ".join(sorted(known)) or "none is mapped")


@dataclass(frozen=True, slots=True)
class _Token:
    kind: str  # number, name, sign, word or end
    text: str
    column: int


def _tokens(text: str) -> Iterator[_Token]:
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        match = _TOKEN.match(text, at)
        if match is None:
            run = re.match(r"[\w.]+|.", text[at:], re.DOTALL)
            found = run.group() if run else text[at]
            expected = _OTHER_HABITS.get(found, "signal names, numbers, < <= > >= == != and or not ( )")
            raise ConditionError(text, at + 1, f"'{found}'", expected)
        kind = str(match.lastgroup)
        yield _Token("word" if match.group() in _WORDS else kind, match.group(), at + 1)
        at = match.end()
    yield _Token("end", "", len(text) + 1)


class _Parser:
    """Recursive descent over the tokens; one method a line of the grammar."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._rest = list(reversed(list(_tokens(text))))
        self._depth = 0

    def condition_alone(self) -> Condition:
        tree = self._condition()
        if self._next.kind != "end":
            raise self._error("'and', 'or' or the end of the condition")
        return tree

    def _condition(self) -> Condition:
        parts = [self._part()]
        while self._take("or"):
            parts.append(self._part())
        return parts[0] if len(parts) == 1 else Or(tuple(parts))

    def _part(self) -> Condition:
        parts = [self._claim()]
        while self._take("and"):
            parts.append(self._claim())
        return parts[0] if len(parts) == 1 else And(tuple(parts))

    def _claim(self) -> Condition:
        if self._depth == DEEPEST:
            raise self._error(f"at most {DEEPEST} parentheses and 'not' inside one another")
        self._depth += 1
        if self._take("not"):
            claim: Condition = Not(self._claim())
        elif self._take("("):
            claim = self._condition()
            if not self._take(")"):
                raise self._error("'and', 'or' or ')'")
        else:
            claim = self._comparison()
        self._depth -= 1
        return claim

    def _comparison(self) -> Condition:
        column = self._next.column
        left = self._quantity("a signal name, a number, 'not' or '('")
        if self._next.text in SIGNS:
            sign = self._rest.pop().text
            right = self._quantity("a number or a signal name")
            if isinstance(left, Name) or isinstance(right, Name):
                return Comparison(left, sign, right)
            raise ConditionError(self._text, column, "two numbers compared", "a signal on one side")
        if isinstance(left, Name):
            return Flag(left)
        raise self._error("one of < <= > >= == != after a number")

    def _quantity(self, expected: str) -> Name | float:
        factor = -1.0 if self._take("-") else 1.0
        signed = factor < 0 or self._take("+")
        token = self._next
        if token.kind == "number" and math.isfinite(float(token.text)):
            return factor * float(self._rest.pop().text)
        if token.kind == "name" and not signed:
            return Name(self._rest.pop().text, token.column)
        if signed or token.kind == "number":
            expected = "a finite number after the sign" if signed else "a finite number"
        raise self._error(expected)

    @property
    def _next(self) -> _Token:
        return self._rest[-1]

    def _take(self, text: str) -> bool:
        if self._next.text != text:
            return False
        self._rest.pop()
        return True

    def _error(self, expected: str) -> ConditionError:
        found = "the end" if self._next.kind == "end" else f"'{self._next.text}'"
        return ConditionError(self._text, self._next.column, found, expected)
