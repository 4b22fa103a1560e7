"""The small language of alarm conditions: parsed to a frozen tree, never run as code.

    condition   = part { "or" part }
    part        = claim { "and" claim }
    claim       = "not" claim | "(" condition ")" | comparison | flag
    comparison  = quantity ( "<" | "<=" | ">" | ">=" | "==" | "!=" ) quantity
    quantity    = name | [ "+" | "-" ] number
    flag        = name                              true when the signal is not zero

Names are engine signals. A signal without a value (NaN, or not there at all) makes its claim *unknown*,
neither true nor false; `not` of unknown is unknown, and `and`/`or` follow Kleene's strong three-valued
logic (Kleene, Introduction to Metamathematics, 1952, section 64; from memory). A condition counts only
where it is known to be true.

`parse` makes the tree, `true_and_false` asks it over columns of rows.
"""

from __future__ import annotations

import math
import operator
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import UsageError

# ----------------------------------------------------------------------------------------------------
# The tree, and its truth over columns.
# ----------------------------------------------------------------------------------------------------

Columns = Mapping[str, Floats]

COMPARISONS: Mapping[str, Callable[[Any, Any], Any]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "==": operator.eq,
    "!=": operator.ne,
}


@dataclass(frozen=True, slots=True)
class Name:
    """An engine signal."""

    name: str


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

    >>> names(Or((Flag(Name("fuel_cut")), Comparison(Name("rpm"), "<", 400.0))))
    ('fuel_cut', 'rpm')
    """
    return tuple(dict.fromkeys(name.name for name in signal_names(tree)))


def true_and_false(tree: Condition, columns: Columns) -> tuple[Any, Any]:
    """Where the condition is known to be true, and where to be false; unknown where neither.

    columns  float64 by signal name, of shapes that broadcast ([k, 1] beside [k, n])

    Both are bool and broadcast from the columns that the condition names; a scalar where none is there.

    >>> slow = Not(Comparison(Name("rpm"), ">", 2500.0))
    >>> true, false = true_and_false(slow, {"rpm": np.array([2000.0, 3000.0, np.nan])})
    >>> true.tolist(), false.tolist()
    ([True, False, False], [False, True, False])
    """
    match tree:
        case Comparison(left, sign, right):
            a, b = _column_or_number(left, columns), _column_or_number(right, columns)
            unknown = np.isnan(a) if isinstance(right, float) else np.isnan(a) | np.isnan(b)
            holds, known = COMPARISONS[sign](a, b), ~unknown
            return holds & known, ~holds & known
        case Flag(name):
            value = _column_or_number(name, columns)
            return (value != 0) & ~np.isnan(value), value == 0
        case Not(inner):
            true, false = true_and_false(inner, columns)
            return false, true
        case And(parts):
            sides = [true_and_false(part, columns) for part in parts]
            return _join_by_and(true for true, _ in sides), _join_by_or(false for _, false in sides)
        case Or(parts):
            sides = [true_and_false(part, columns) for part in parts]
            return _join_by_or(true for true, _ in sides), _join_by_and(false for _, false in sides)


def _column_or_number(quantity: Name | float, columns: Columns) -> Floats:
    if isinstance(quantity, Name):
        return columns.get(quantity.name, np.array(np.nan))
    return np.array(quantity)


def _join_by_and(sides: Iterator[Any]) -> Any:
    found = next(sides)
    for side in sides:
        found = found & side
    return found


def _join_by_or(sides: Iterator[Any]) -> Any:
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


# ----------------------------------------------------------------------------------------------------
# From text to the tree.
# ----------------------------------------------------------------------------------------------------

DEEPEST: Final = 40
"""Our choice: parentheses and `not` inside one another at most, far more than a condition needs."""

_KEYWORDS = ("and", "or", "not")
_CONDITION_TOKEN = re.compile(
    r"(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?(?![\w.]))"
    r"|(?P<name>[^\W\d]\w*)|(?P<sign><=|>=|==|!=|[<>()+\-])"
)
_SIGNS_OF_OTHER_LANGUAGES: Final = {"=": "'=='", "&": "'and'", "|": "'or'", "!": "'not'"}


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


def parse(text: str) -> Condition:
    """The tree of a condition.

    >>> names(parse("rpm > 2500 and not fuel_cut"))
    ('rpm', 'fuel_cut')

    Raises:
        ConditionError: the text does not follow the grammar.
    """
    return _ConditionParser(text).read_whole_condition()


@dataclass(frozen=True, slots=True)
class _Token:
    """One piece of the text: its kind is number, name, sign, word or end; `column` counts from 1."""

    kind: str
    text: str
    column: int


def _split_into_tokens(text: str) -> Iterator[_Token]:
    at = 0
    while at < len(text):
        if text[at].isspace():
            at += 1
            continue
        match = _CONDITION_TOKEN.match(text, at)
        if match is None:
            run = re.match(r"[\w.]+|.", text[at:], re.DOTALL)
            found = run.group() if run else text[at]
            expected = _SIGNS_OF_OTHER_LANGUAGES.get(
                found, "signal names, numbers, < <= > >= == != and or not ( )"
            )
            raise ConditionError(text, at + 1, f"'{found}'", expected)
        kind = str(match.lastgroup)
        yield _Token("word" if match.group() in _KEYWORDS else kind, match.group(), at + 1)
        at = match.end()
    yield _Token("end", "", len(text) + 1)


class _ConditionParser:
    """Recursive descent over the tokens; one method a line of the grammar."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._rest = list(reversed(list(_split_into_tokens(text))))
        self._depth = 0

    def read_whole_condition(self) -> Condition:
        tree = self._read_condition()
        if self._next_token.kind != "end":
            raise self._error_at_next("'and', 'or' or the end of the condition")
        return tree

    def _read_condition(self) -> Condition:
        parts = [self._read_and_part()]
        while self._take_if_next("or"):
            parts.append(self._read_and_part())
        return parts[0] if len(parts) == 1 else Or(tuple(parts))

    def _read_and_part(self) -> Condition:
        parts = [self._read_claim()]
        while self._take_if_next("and"):
            parts.append(self._read_claim())
        return parts[0] if len(parts) == 1 else And(tuple(parts))

    def _read_claim(self) -> Condition:
        if self._depth == DEEPEST:
            raise self._error_at_next(f"at most {DEEPEST} parentheses and 'not' inside one another")
        self._depth += 1
        if self._take_if_next("not"):
            claim: Condition = Not(self._read_claim())
        elif self._take_if_next("("):
            claim = self._read_condition()
            if not self._take_if_next(")"):
                raise self._error_at_next("'and', 'or' or ')'")
        else:
            claim = self._read_comparison()
        self._depth -= 1
        return claim

    def _read_comparison(self) -> Condition:
        column = self._next_token.column
        left = self._read_quantity("a signal name, a number, 'not' or '('")
        if self._next_token.text in COMPARISONS:
            sign = self._rest.pop().text
            right = self._read_quantity("a number or a signal name")
            if isinstance(left, Name) or isinstance(right, Name):
                return Comparison(left, sign, right)
            raise ConditionError(self._text, column, "two numbers compared", "a signal on one side")
        if isinstance(left, Name):
            return Flag(left)
        raise self._error_at_next("one of < <= > >= == != after a number")

    def _read_quantity(self, expected: str) -> Name | float:
        factor = -1.0 if self._take_if_next("-") else 1.0
        signed = factor < 0 or self._take_if_next("+")
        token = self._next_token
        if token.kind == "number" and math.isfinite(float(token.text)):
            return factor * float(self._rest.pop().text)
        if token.kind == "name" and not signed:
            return Name(self._rest.pop().text)
        if signed or token.kind == "number":
            expected = "a finite number after the sign" if signed else "a finite number"
        raise self._error_at_next(expected)

    @property
    def _next_token(self) -> _Token:
        return self._rest[-1]

    def _take_if_next(self, text: str) -> bool:
        if self._next_token.text != text:
            return False
        self._rest.pop()
        return True

    def _error_at_next(self, expected: str) -> ConditionError:
        found = "the end" if self._next_token.kind == "end" else f"'{self._next_token.text}'"
        return ConditionError(self._text, self._next_token.column, found, expected)
