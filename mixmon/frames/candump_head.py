"""The head of a candump line, for all lines at once: its stamp, and the interface behind it.

Both are written the same way again and again: stamps with so many digits, interfaces with so
many blanks around them. So they are not searched for but compared with what was seen before.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.candump_line import LAST_SECOND
from mixmon.frames.words import Bytes, Rows, as_words, decimal, fetch, filled, unlike

Mask = NDArray[np.bool_]

LONGEST_REGION = 32
"""Characters of blanks, interface and blanks that are compared by columns."""

_MOST_REGIONS = 256
_STAMP = re.compile(rb"\(([0-9]{1,15})\.([0-9]{1,9})\)")
_REGION = re.compile(rb"\)([ \t]+[!-~]+[ \t]+)")


@dataclass(frozen=True, slots=True)
class StampLayout:
    """How stamps are written: digits before and after the dot, and the highest ones themselves.

    Digits above the last eight of the seconds change every three years; as a part of the
    layout they need no arithmetic.
    """

    seconds: int
    fraction: int
    upper: bytes

    @classmethod
    def of(cls, line: bytes) -> StampLayout | None:
        """The layout of this line's stamp, if it can be read by columns."""
        match = _STAMP.match(line)
        if not match or (int(match[1]) // 10**8 + 1) * 10**8 > LAST_SECOND:
            return None
        return cls(len(match[1]), len(match[2]), match[1][:-8])

    @property
    def length(self) -> int:
        """Characters from bracket to bracket."""
        return self.seconds + self.fraction + 3

    def read(self, text: Bytes, starts: Rows) -> tuple[NDArray[np.int64], Mask]:
        """Stamps in ns, and which lines have this layout.

        The words are fetched so that the second one ends before the dot: `(17`, `00000000`,
        `.123456)`; so it reads the seconds and the third one the fraction.
        """
        low = min(self.seconds, 8)
        fixed = (b"(" + self.upper).rjust(16 - low, b"\0") + bytes(low) + b"." + bytes(self.fraction) + b")"
        digit = bytes(16 - low) + b"\xff" * low + b"\0" + b"\xff" * self.fraction + b"\0"
        fields = as_words(digit)
        words = fetch(text, starts + (self.seconds - 15), len(fields))
        faults = unlike(words, fixed)
        number, wrong = decimal(filled(words[:, 1], fields[1]))
        faults |= wrong
        number *= np.uint64(1_000_000_000)
        part, wrong = decimal(filled(words[:, 2], fields[2]))  # the dot counts as a zero: seven digits
        faults |= wrong
        part *= np.uint64(100)
        number += part
        if len(fields) > 3:
            part, wrong = decimal(filled(words[:, 3], fields[3]))  # two digits more, and six zeros
            faults |= wrong
            part //= np.uint64(1_000_000)
            number += part
        number += np.uint64(int(self.upper or b"0") * 10**17)
        return number.view(np.int64), faults == 0


class Regions:
    """What stood between stamp and identifier so far: blanks, an interface, blanks; and its number."""

    def __init__(self) -> None:
        self._numbers: dict[bytes, int] = {}

    def learn(self, line: bytes, number: int) -> None:
        """Remembers the region of a line that is a frame of this interface."""
        match = _REGION.search(line)
        if not match or match[1] in self._numbers or len(match[1]) > LONGEST_REGION:
            return
        if len(self._numbers) < _MOST_REGIONS:
            self._numbers[match[1]] = number
            # where one is the beginning of another (more blanks behind it), the longer one wins
            self._numbers = dict(sorted(self._numbers.items(), key=lambda item: len(item[0])))

    def find(self, text: Bytes, at: Rows) -> tuple[Bytes, Rows]:
        """Number and length of the region that stands there; length 0 for none that is known."""
        words = fetch(text, at, LONGEST_REGION // 8)
        found = np.zeros(len(at), np.intp)
        for count, region in enumerate(self._numbers, start=1):
            np.copyto(found, count, where=unlike(words, region) == 0)
        numbers = np.array([0, *self._numbers.values()], np.uint8)
        lengths = np.array([0, *map(len, self._numbers)])
        return numbers.take(found), lengths.take(found)
