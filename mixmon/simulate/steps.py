"""Fuel steps that tell cylinders and delays: coded groups, single ones, random patterns."""

from __future__ import annotations

import numpy as np


def identity_codes(cylinders: int, method: str) -> list[tuple[int, ...]]:
    """Signs of the fuel steps, one tuple a step, one sign a cylinder.

    "coded": as many group steps as cylinder numbers have binary digits, and one more that makes
    the number of plus signs of every cylinder even, so that one wrong answer shows.
    "single": one cylinder after another.

    >>> identity_codes(4, "coded")
    [(-1, 1, -1, 1), (-1, -1, 1, 1), (-1, 1, 1, -1)]
    """
    if method == "single":
        return [tuple(int(i == j) for i in range(cylinders)) for j in range(cylinders)]
    digits = max(1, (cylinders - 1).bit_length())
    rows = [[i >> digit & 1 for i in range(cylinders)] for digit in range(digits)]
    rows.append([sum(row[i] for row in rows) % 2 for i in range(cylinders)])
    return [tuple(2 * bit - 1 for bit in row) for row in rows]


def random_pattern(rng: np.random.Generator, seconds: float, hold_s: float) -> list[tuple[float, int]]:
    """Moments from 0 on, and the sign that holds from each: plus and minus in turn, 0 at the end.

    Holds are between one and four times `hold_s`, all lengths alike, so that the pattern fits
    itself at no other delay.
    """
    pattern, t, sign = [], 0.0, 1
    while t < seconds - hold_s:
        pattern.append((t, sign))
        t += hold_s * float(rng.uniform(1.0, 4.0))
        sign = -sign
    pattern.append((seconds, 0))
    return pattern
