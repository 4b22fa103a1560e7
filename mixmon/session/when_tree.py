"""What an alarm condition is once it has been read: a frozen tree, and its truth over columns.

A signal without a value (NaN, or not there at all) makes its claim *unknown*, neither true nor
false; `not` of unknown is unknown, and `and`/`or` follow Kleene's strong three-valued logic
(Kleene, Introduction to Metamathematics, 1952, section 64; from memory). A condition counts
only where it is known to be true.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Columns = Mapping[str, NDArray[np.float64]]

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


def _value(quantity: Name | float, columns: Columns) -> NDArray[np.float64]:
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
