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
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from mixmon.errors import UsageError
from mixmon.session.when_tree import (
    SIGNS,
    And,
    Comparison,
    Condition,
    Flag,
    Name,
    Not,
    Or,
    evaluate,
    names,
    signal_names,
    true_and_false,
)

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
