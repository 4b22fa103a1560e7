"""One question about the analysis, and how it was answered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

WIDE = 2.0
"""How many times the tolerance the half of an interval may be to excuse an error: our choice."""


class Grading(Enum):
    """How an answer is graded."""

    RIGHT = "right"
    WRONG = "WRONG"
    NOT_YET = "not yet"
    DOES_NOT_APPLY = "does not apply"


@dataclass(frozen=True, slots=True)
class Item:
    """One question and how it was answered; all texts are for people.

    expected   what is true
    found      what the analysis says
    tolerance  how far apart they may be
    why        what is lacking for an answer not yet given, or why the question does not apply; else empty
    """

    name: str
    expected: str
    found: str
    tolerance: str
    grading: Grading
    why: str = ""


def judged(name: str, expected: str, found: str, tolerance: str, *, right: bool) -> Item:
    """An item that the analysis has an answer to."""
    return Item(name, expected, found, tolerance, Grading.RIGHT if right else Grading.WRONG)


def not_yet(name: str, expected: str, lacking: str, found: str = "", tolerance: str = "") -> Item:
    """An item that the program cannot answer yet, and what it lacks for it."""
    return Item(name, expected, found, tolerance, Grading.NOT_YET, lacking)


def weighed(
    name: str, expected: str, found: str, tolerance: str, *, gradings: Sequence[Grading], why: str
) -> Item:
    """An item of several answers, as good as the worst.

    Answers too vague to be of use count as wrong where they are more than half of all; `why` says what they
    are.
    """
    vague = sum(one is Grading.NOT_YET for one in gradings)
    if 2 * vague > len(gradings):
        return judged(name, expected, f"{found}: {why}", tolerance, right=False)
    return judged(name, expected, found, tolerance, right=Grading.WRONG not in gradings)


def excused(value: float, interval: tuple[float, float], true: float, tolerance: float) -> Grading:
    """The grading of a number with an interval: right within the tolerance or if it holds the truth.

    One that is too wide to be of use holds the truth and is too vague to be right: see `weighed`.
    """
    low, high = interval
    if abs(value - true) <= tolerance:
        return Grading.RIGHT
    if not low <= true <= high:
        return Grading.WRONG
    return Grading.RIGHT if high - low <= 2 * WIDE * tolerance else Grading.NOT_YET


def does_not_apply(name: str, why: str) -> Item:
    """An item that the scenario does not raise."""
    return Item(name, "", "", "", Grading.DOES_NOT_APPLY, why)


def numbers(values: Sequence[float], decimals: int = 1) -> str:
    """Signed numbers in a row; `--` where one is not known."""
    return " ".join("--" if math.isnan(value) else f"{value:+.{decimals}f}" for value in values)


def within(found: Sequence[float], true: Sequence[float], tolerance: float) -> bool:
    """Whether every number is within the tolerance of its truth; one that is not known is not."""
    return all(abs(f - t) <= tolerance for f, t in zip(found, true, strict=True))
