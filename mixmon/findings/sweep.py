"""Sweeps of speed within a stretch of full opening: where one begins and where it ends.

A sweep is the section over which speed gains most beyond a slope of `_LEAST_SHARE` of its own
mean slope. So it ends where speed stops rising in earnest: at the lift, at the first touch of a
limiter however long that bounces, or where the brake holds it; and it begins likewise.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_LEAST_SHARE = 0.4
_FALL_RPM = 150.0
"""A fall of speed by this much under full opening ends a sweep: another gear, another slip."""

_LONGEST_HELD = 50  # rows

Floats = NDArray[np.float64]
Times = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SweepRules:
    """What counts as a sweep (common practice, no source).

    lowest_rate, highest_rate   mean slope, rpm/s
    held_gain_rpm   least gain where speed is held afterwards with the throttle open: a step between two
                    dwells at full load is no pull
    """

    lowest_rate: float = 100.0
    highest_rate: float = 2000.0
    least_gain_rpm: float = 1000.0
    least_s: float = 2.0
    held_gain_rpm: float = 1500.0


def sweeps(t: Times, rpm: Floats, broken: NDArray[np.bool_], rules: SweepRules) -> list[tuple[int, int]]:
    """First and last row of each sweep, in order.

    t, rpm  [k], ns and NaN where not known
    broken  bool[k], rows that belong to no sweep and part what is before from what is after
    """
    found = []
    for begin, end in _pieces(rpm, ~broken & np.isfinite(rpm)):
        first, last = _steepest(t[begin:end], rpm[begin:end], rules.lowest_rate)
        seconds = (t[begin + last] - t[begin + first]) / 1e9
        if seconds < rules.least_s:
            continue
        slope = (rpm[begin + last] - rpm[begin + first]) / seconds
        slope = max(rules.lowest_rate, _LEAST_SHARE * float(slope))
        first, last = _steepest(t[begin:end], rpm[begin:end], slope)
        last = _held_until(rpm[begin:end], last)
        if _is_sweep(t[begin:end], rpm[begin:end], first, last, rules):
            found.append((begin + first, begin + last))
    return found


def _pieces(rpm: Floats, whole: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """Runs of whole rows in which speed never falls far below what it has reached, begin and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], whole, [False]]).astype(np.int8)))
    for begin, end in edges.reshape(-1, 2).tolist():
        start = begin
        while start < end:
            part = rpm[start:end]
            fallen = np.flatnonzero(np.maximum.accumulate(part) - part > _FALL_RPM)
            stop = start + int(fallen[0]) if len(fallen) else end
            yield start, stop
            start = stop


def _steepest(t: Times, rpm: Floats, slope: float) -> tuple[int, int]:
    """The rows between which speed gains most beyond `slope` in rpm/s."""
    over = rpm - slope * ((t - t[0]) / 1e9)
    last = int(np.argmax(over - np.minimum.accumulate(over)))
    return int(np.argmin(over[: last + 1])), last


def _held_until(rpm: Floats, last: int) -> int:
    """The last row that still shows the same sample of speed."""
    after = rpm[last : last + _LONGEST_HELD]
    changed = np.flatnonzero(after != after[0])
    return last + (int(changed[0]) if len(changed) else len(after)) - 1


def _is_sweep(t: Times, rpm: Floats, first: int, last: int, rules: SweepRules) -> bool:
    seconds = (t[last] - t[first]) / 1e9
    gain = rpm[last] - rpm[first]
    if seconds < rules.least_s or gain < rules.least_gain_rpm:
        return False
    return bool(rules.lowest_rate <= gain / seconds <= rules.highest_rate)
