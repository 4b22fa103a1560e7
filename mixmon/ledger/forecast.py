"""When a quantity that drifts with hours reaches its limit: a straight line, and Fieller's interval.

The line is a weighted least squares fit of the quantity on the hours hot. Where points scatter by more than
their errors explain, these grow (Birge, Phys. Rev. 40, 1932; from memory). The hours at which the line meets
the limit are a ratio of two numbers with errors; their interval is Fieller's (J. R. Stat. Soc. B 16, 1954;
from memory): all hours at which a test of the line against the limit at 95 % does not reject. It holds for a
line: ageing that speeds up comes sooner.

There is no forecast, and a note says why, from too few points, where the slope is within its error of zero or
falls, where the limit has been reached, and for hours that lie far beyond those seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.stats import NORMAL_95, student_t95
from mixmon.ledger.notes import LedgerNote
from mixmon.note import Note, note

_FEWEST: Final = 5
"""Points from which on a line is drawn: our choice; with two degrees of freedom and less the interval is
larger than anything that is worth knowing."""

_FARTHEST: Final = 3.0
"""A forecast reaches so many times as far as the points do: our choice; the line may not go on."""


@dataclass(frozen=True, slots=True)
class DriftPoint:
    """One measurement: hours hot, the value, half of its own 95 % interval, and what all points share of it.

    own_half  None where no error is known: then all points weigh the same
    """

    hours: float
    value: float
    own_half: float | None = None
    common_half: float = 0.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """A drift and when it reaches its limit; NaN where there is no forecast, and `why_not` then says why.

    quantity     "t63 lean", "t63 rich" or "warm-up"
    per_100_h    the slope, units in 100 hours, with half of its 95 % interval
    hours_left   from the newest point, with its 95 % interval, whose upper end may be infinite
    """

    quantity: str
    limit: float
    points: int
    per_100_h: float
    per_100_h_half: float
    hours_left: float
    interval95_h: tuple[float, float]
    why_not: Note | None


_NO_INTERVAL: Final = (float("nan"), float("nan"))


def forecast(quantity: str, points: Sequence[DriftPoint], limit: float) -> Forecast:
    """The drift of a quantity, and the hours until it reaches the limit from below."""
    count = len(points)
    if count < _FEWEST or len({point.hours for point in points}) < _FEWEST:
        why = note(LedgerNote.TOO_FEW_POINTS, points=count, needed=_FEWEST)
        return Forecast(quantity, limit, count, np.nan, np.nan, np.nan, _NO_INTERVAL, why)
    line = _Line(points)
    left, interval, why_not = _meet(line, points, limit)
    slope, half = 100 * line.slope, 100 * line.t95 * float(np.sqrt(line.slope_variance))
    return Forecast(quantity, limit, count, slope, half, left, interval, why_not)


class _Line:
    """The fitted line about the weighted mean of the hours: level, slope, and their variances."""

    def __init__(self, points: Sequence[DriftPoint]) -> None:
        hours = np.array([p.hours for p in points])
        value = np.array([p.value for p in points])
        weights, has_errors = _weigh(points)
        self.middle = float(weights @ hours / weights.sum())
        away = hours - self.middle
        self.level = float(weights @ value / weights.sum())
        spread = float(weights @ away**2)
        self.slope = float((weights * away) @ value / spread)
        free = len(points) - 2
        chi2 = float(weights @ (value - self.level - self.slope * away) ** 2) / free
        scale = max(chi2, 1.0) if has_errors else chi2
        self.level_variance, self.slope_variance = scale / float(weights.sum()), scale / spread
        self.t95 = student_t95(free)

    def reach(self, value: float) -> tuple[float, float, float]:
        """Hours at which the line is at the value, and Fieller's interval; the slope must be certain."""
        short, t2 = self.level - value, self.t95**2
        a = self.slope**2 - t2 * self.slope_variance
        b = 2 * self.slope * short
        c = short**2 - t2 * self.level_variance
        root = float(np.sqrt(max(b * b - 4 * a * c, 0.0)))
        meet = self.middle - short / self.slope
        return meet, self.middle + (-b - root) / (2 * a), self.middle + (-b + root) / (2 * a)

    @property
    def rises(self) -> bool:
        """Whether the slope is above zero by more than its error."""
        return bool(self.slope > self.t95 * np.sqrt(self.slope_variance))


def _weigh(points: Sequence[DriftPoint]) -> tuple[Floats, bool]:
    """The weights of the points, and whether they come from errors."""
    halves = np.array([np.nan if p.own_half is None else p.own_half for p in points])
    if not (halves > 0).all():
        return np.ones(len(points)), False
    return (halves / NORMAL_95) ** -2.0, True


def _meet(
    line: _Line, points: Sequence[DriftPoint], limit: float
) -> tuple[float, tuple[float, float], Note | None]:
    """Hours from the newest point until the line is at the limit, their interval, or the reason for none.

    What is common to all points moves the line as a whole, so the interval reaches to where it would meet the
    limit then.
    """
    hours = [point.hours for point in points]
    now, span = max(hours), max(hours) - min(hours)
    if line.level + line.slope * (now - line.middle) >= limit:
        return np.nan, _NO_INTERVAL, note(LedgerNote.BEYOND_LIMIT, limit=limit)
    if not line.rises:
        return np.nan, _NO_INTERVAL, note(LedgerNote.NO_TREND)
    common = max(point.common_half for point in points)
    meet, _, _ = line.reach(limit)
    if meet - now > _FARTHEST * span:
        return np.nan, _NO_INTERVAL, note(LedgerNote.TOO_FAR, hours=_FARTHEST * span)
    low, high = line.reach(limit - common)[1], line.reach(limit + common)[2]
    return meet - now, (max(low - now, 0.0), high - now), None
