"""One question about the analysis, and how it was answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """What a judge says of an item."""

    RIGHT = "right"
    WRONG = "WRONG"
    NOT_YET = "not yet"
    DOES_NOT_APPLY = "does not apply"


@dataclass(frozen=True, slots=True)
class Item:
    """A question, what is true, what was found, how far apart they may be, and the verdict."""

    name: str
    expected: str
    found: str
    tolerance: str
    verdict: Verdict


def judged(name: str, expected: str, found: str, tolerance: str, *, right: bool) -> Item:
    """An item that the analysis has an answer to."""
    return Item(name, expected, found, tolerance, Verdict.RIGHT if right else Verdict.WRONG)


def not_yet(name: str, expected: str, lacking: str) -> Item:
    """An item that the program cannot answer yet, and for want of what."""
    return Item(name, expected, lacking, "", Verdict.NOT_YET)


def does_not_apply(name: str, why: str) -> Item:
    """An item that the scenario does not raise."""
    return Item(name, why, "", "", Verdict.DOES_NOT_APPLY)


def numbers(values: Sequence[float], decimals: int = 1) -> str:
    """Signed numbers in a row."""
    return " ".join(f"{value:+.{decimals}f}" for value in values)
