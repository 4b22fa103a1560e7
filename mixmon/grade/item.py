"""One question about the analysis, and how it was answered."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum

WIDE = 2.0
"""How many times its tolerance the half of an interval may be, if the interval is to excuse an error."""


class Verdict(Enum):
    """What a judge says of an item."""

    RIGHT = "right"
    WRONG = "WRONG"
    NOT_YET = "not yet"
    DOES_NOT_APPLY = "does not apply"


@dataclass(frozen=True, slots=True)
class Item:
    """A question, what is true, what was found, how far apart they may be, and the verdict.

    why  what is lacking where the verdict is "not yet", and why it does not apply where it does not
    """

    name: str
    expected: str
    found: str
    tolerance: str
    verdict: Verdict
    why: str = ""


def judged(name: str, expected: str, found: str, tolerance: str, *, right: bool) -> Item:
    """An item that the analysis has an answer to."""
    return Item(name, expected, found, tolerance, Verdict.RIGHT if right else Verdict.WRONG)


def not_yet(name: str, expected: str, lacking: str, found: str = "", tolerance: str = "") -> Item:
    """An item that the program cannot answer yet, and for want of what."""
    return Item(name, expected, found, tolerance, Verdict.NOT_YET, lacking)


def weighed(
    name: str, expected: str, found: str, tolerance: str, *, verdicts: Iterable[Verdict], why: str
) -> Item:
    """An item of several answers, as good as the worst; `why` says what is lacking in those not yet given."""
    given = set(verdicts)
    verdict = next(one for one in (Verdict.WRONG, Verdict.NOT_YET, Verdict.RIGHT) if one in given)
    return Item(name, expected, found, tolerance, verdict, why if verdict is Verdict.NOT_YET else "")


def excused(value: float, interval: tuple[float, float], true: float, tolerance: float) -> Verdict:
    """Of a number that tells its own interval: right if near to the truth, or no further than it says.

    An interval that holds the truth but is too wide to be of use is no answer yet.
    """
    low, high = interval
    if abs(value - true) <= tolerance:
        return Verdict.RIGHT
    if not low <= true <= high:
        return Verdict.WRONG
    return Verdict.RIGHT if high - low <= 2 * WIDE * tolerance else Verdict.NOT_YET


def does_not_apply(name: str, why: str) -> Item:
    """An item that the scenario does not raise."""
    return Item(name, "", "", "", Verdict.DOES_NOT_APPLY, why)


def numbers(values: Sequence[float], decimals: int = 1) -> str:
    """Signed numbers in a row; `--` where one is not known."""
    return " ".join("--" if math.isnan(value) else f"{value:+.{decimals}f}" for value in values)


def within(found: Sequence[float], true: Sequence[float], tolerance: float) -> bool:
    """Whether every number is as near to its truth as asked; one that is not known is not."""
    return all(abs(f - t) <= tolerance for f, t in zip(found, true, strict=True))
