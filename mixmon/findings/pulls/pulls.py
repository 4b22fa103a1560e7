"""Finds pulls: sweeps of the engine's speed at full opening, each with its trace and its verdict.

The way of the data: `PullStage` keeps rows while the throttle (or the load axis) is fully open, and
some before. When the opening ends, `sweeps` finds the sections of it in which speed rises. Each becomes
a `Pull`: its readings beside the speed and the target their gas was burnt at (`pull_trace`), how well
it was driven and measured (`pull_quality`), and whether to keep it (`verdict`).

A sweep is the section over which speed gains most beyond a slope of `_LEAST_SLOPE_SHARE` of its own
mean slope. So it ends where speed stops rising: at the lift, at the first touch of a limiter however
long the engine bounces on it, or where the brake holds the speed; and it begins likewise.

Invariants: a pull is given with the row that ends its opening, and what is given does not depend on how
the rows are divided into blocks. At most `LONGEST_OPENING_ROWS` rows of full opening are kept; after so
many the sweeps so far are given and a new opening begins.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Times
from mixmon.findings.lags import Lags, node_lags
from mixmon.findings.pulls.quality import (
    Driven,
    PullEnd,
    PullQuality,
    PullTrace,
    PullVerdict,
    pull_quality,
    pull_trace,
    rows_before,
    verdict,
)
from mixmon.findings.stage import StretchStage
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.opening import Opening
from mixmon.mixture.recent import Columns, Recent
from mixmon.mixture.validity import latch
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# Sweeps of speed within a stretch of full opening.
# ----------------------------------------------------------------------------------------------------

_LEAST_SLOPE_SHARE = 0.4
"""Speed that rises slower than this part of the sweep's mean slope is no part of it: our choice; a sweep
is seldom half as steep at its ends."""

_FALL_RPM = 150.0
"""A fall of speed by this much under full opening ends a sweep, such as another gear: our choice, beyond
the noise of a speed signal."""

_LONGEST_HELD_ROWS = 50
"""Rows for which one sample of speed may be repeated: our choice, half a second."""


@dataclass(frozen=True, slots=True)
class SweepRules:
    """What counts as a sweep (common practice, no source).

    lowest_rate, highest_rate   mean slope, rpm/s
    least_gain_rpm, least_s     rise of speed, and duration
    held_gain_rpm               least rise where speed is held afterwards with the throttle open: a step
                                between two dwells at full load is no pull
    """

    lowest_rate: float = 100.0
    highest_rate: float = 2000.0
    least_gain_rpm: float = 1000.0
    least_s: float = 2.0
    held_gain_rpm: float = 1500.0


def sweeps(t: Times, rpm: Floats, broken: Bools, rules: SweepRules) -> list[tuple[int, int]]:
    """Finds the first and the last row of each sweep, in order.

    Args:
        t: int64[k], time in ns.
        rpm: float64[k], NaN where not known.
        broken: bool[k], rows at which no sweep can be; a sweep ends before them.
        rules: what counts as a sweep.
    """
    found = []
    for begin, end in _split_at_falls(rpm, ~broken & np.isfinite(rpm)):
        first, last = _find_steepest(t[begin:end], rpm[begin:end], rules.lowest_rate)
        seconds = (t[begin + last] - t[begin + first]) / 1e9
        if seconds < rules.least_s:
            continue
        slope = (rpm[begin + last] - rpm[begin + first]) / seconds
        slope = max(rules.lowest_rate, _LEAST_SLOPE_SHARE * float(slope))
        first, last = _find_steepest(t[begin:end], rpm[begin:end], slope)
        last = _end_of_held_sample(rpm[begin:end], last)
        if _is_sweep(t[begin:end], rpm[begin:end], first, last, rules):
            found.append((begin + first, begin + last))
    return found


def _split_at_falls(rpm: Floats, whole: Bools) -> Iterator[tuple[int, int]]:
    """Begin and end of each run of whole rows in which speed never falls far below what it has reached."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], whole, [False]]).astype(np.int8)))
    for begin, end in edges.reshape(-1, 2).tolist():
        start = begin
        while start < end:
            part = rpm[start:end]
            fallen = np.flatnonzero(np.maximum.accumulate(part) - part > _FALL_RPM)
            stop = start + int(fallen[0]) if len(fallen) else end
            yield start, stop
            start = stop


def _find_steepest(t: Times, rpm: Floats, slope: float) -> tuple[int, int]:
    """The rows between which speed gains most beyond `slope` in rpm/s."""
    over = rpm - slope * ((t - t[0]) / 1e9)
    last = int(np.argmax(over - np.minimum.accumulate(over)))
    return int(np.argmin(over[: last + 1])), last


def _end_of_held_sample(rpm: Floats, last: int) -> int:
    """The last row that still shows the sample of speed of row `last`."""
    after = rpm[last : last + _LONGEST_HELD_ROWS]
    changed = np.flatnonzero(after != after[0])
    return last + (int(changed[0]) if len(changed) else len(after)) - 1


def _is_sweep(t: Times, rpm: Floats, first: int, last: int, rules: SweepRules) -> bool:
    """Whether the rows first..last last, rise and slope as the rules ask."""
    seconds = (t[last] - t[first]) / 1e9
    gain = rpm[last] - rpm[first]
    if seconds < rules.least_s or gain < rules.least_gain_rpm:
        return False
    return bool(rules.lowest_rate <= gain / seconds <= rules.highest_rate)


# ----------------------------------------------------------------------------------------------------
# Pulls, found as rows come.
# ----------------------------------------------------------------------------------------------------

LONGEST_OPENING_ROWS = 12_000
"""Our choice: two minutes, longer than any pull; bounds the memory of a long dwell at full load."""

_OPENING_ROWS = 40
"""Rows before full opening in which a pull may have begun: our choice, 0.4 s for the throttle to open."""

_LEAST_OPENING_PERCENT = 2.0
"""A throttle that rises by less over two rows is not opening: our choice, beyond the noise of its signal."""

_SHUT_BELOW_FULL_PERCENT = 5.0
"""Full opening ends where the opening is this much below full: our choice; noise of the signal does not
end it."""

_LIFT_ROWS = 15
"""With fewer rows after a sweep the lift ended it: our choice, 0.15 s to close the throttle."""

_BOUNCE_RPM = 40.0
"""A fall of speed by this much, and half of it back, is a bounce on the limiter: our choice, beyond the
noise of a speed signal."""

_BOUNCE_ROWS = 100
"""Rows after a sweep in which a bounce is looked for: our choice, one second."""


@dataclass(frozen=True, slots=True, eq=False)
class Pull:
    """One sweep at full opening.

    begin, end         first and last moment, ns
    from_rpm, to_rpm   speed then
    trace              its readings beside the speed their gas was burnt at
    """

    begin: int
    end: int
    from_rpm: float
    to_rpm: float
    ended_by: PullEnd
    quality: PullQuality
    verdict: PullVerdict
    trace: PullTrace

    @property
    def seconds(self) -> float:
        """Duration of the sweep."""
        return (self.end - self.begin) / 1e9

    @property
    def rate(self) -> float:
        """Mean slope, rpm/s."""
        return (self.to_rpm - self.from_rpm) / self.seconds


class PullStage(StretchStage[Pull]):
    """Finds pulls, each when its full opening has ended.

    Args:
        session: whose nodes the rows are of.
        lag_s: sensor lag for all cylinders or by cylinder; see `findings.lags`.
        rules: what counts as a sweep.
    """

    def __init__(self, session: Session, lag_s: Lags | None = None, rules: SweepRules | None = None) -> None:
        self._validity, self._rules = session.validity, rules or SweepRules()
        self._lag_s = node_lags(session.chain.nodes, lag_s).mean(axis=0)
        self._weights = np.array([len(node.cylinders) for node in session.chain.nodes])
        self._opening = Opening(session.axes)
        self._before = _OPENING_ROWS + rows_before(self._lag_s)
        super().__init__()

    def _restart(self) -> None:
        self._recent = Recent()
        self._full = False
        self._since = 0
        self._full_from = 0.0

    def _feed_rows(self, block: CylinderBlock) -> list[Pull]:
        columns = self._pull_columns(block)
        first = self._recent.end
        self._recent.add(columns, len(block))
        done = self._follow_opening(first, columns["opening"])
        self._recent.forget((self._since if self._full else self._recent.end) - self._before)
        return done

    def flush(self) -> list[Pull]:
        """The pulls of an opening that has not ended; no rows follow."""
        done = self._cut_pulls(self._recent.end, PullEnd.BREAK) if self._full else []
        self._full = False
        return done

    def _pull_columns(self, block: CylinderBlock) -> Columns:
        """The columns of a block that pulls need, NaN where the engine's data lack one."""
        unknown, nowhere = np.full(len(block), np.nan), np.full(block.lam.shape, np.nan)
        self._full_from = self._opening.full_from(block.now)
        now, at_valve = block.now.get, block.shifted.get
        return {
            "t": block.t,
            "opening": self._opening.now(block),
            "rpm": now("rpm", unknown),
            "spark_cut": now("spark_cut", unknown),
            "coolant_c": now("coolant_c", unknown),
            "intake_c": now("intake_c", unknown),
            "lam": block.lam,
            "state": block.state,
            "at_valve": self._opening.at_valve(block),
            "rpm_at_valve": at_valve("rpm", nowhere),
            "target": at_valve("target", nowhere),
        }

    def _follow_opening(self, first: int, opening: Floats) -> list[Pull]:
        """The pulls of every opening that ends within the rows, which are numbered from `first`."""
        known = np.isfinite(opening)
        shut = ~known | (opening < self._full_from - _SHUT_BELOW_FULL_PERCENT)
        full = latch(opening > self._full_from, shut, self._full)
        done: list[Pull] = []
        for row in np.flatnonzero(np.diff(full, prepend=self._full)).tolist():
            done += self._cut_long_openings(first + row)
            if full[row]:
                self._full, self._since = True, first + row
            else:
                done += self._cut_pulls(first + row, PullEnd.LIFT if known[row] else PullEnd.NO_ENGINE_DATA)
                self._full = False
        return done + self._cut_long_openings(self._recent.end)

    def _cut_long_openings(self, row: int) -> list[Pull]:
        """The pulls of an opening that is longer than is kept by that row."""
        done: list[Pull] = []
        while self._full and row - self._since > LONGEST_OPENING_ROWS:
            done += self._cut_pulls(self._since + LONGEST_OPENING_ROWS, PullEnd.HELD)
            self._since += LONGEST_OPENING_ROWS
        return done

    def _cut_pulls(self, end: int, ended_by: PullEnd) -> list[Pull]:
        """The pulls of the full opening that ends before row `end`."""
        begin, end = self._find_opening_row(), self._find_lift_row(end)
        t, rpm = self._recent.rows("t", begin, end), self._recent.rows("rpm", begin, end)
        cut = np.nan_to_num(self._recent.rows("spark_cut", begin, end)) > 0
        pulls = []
        for first, last in sweeps(t, rpm, cut, self._rules):
            after = slice(last, last + _BOUNCE_ROWS)
            by = _find_stop(rpm[after], cut[after]) or ended_by
            if by != PullEnd.HELD or rpm[last] - rpm[first] >= self._rules.held_gain_rpm:
                pulls.append(self._judge_pull(begin + first, begin + last, by))
        return pulls

    def _find_opening_row(self) -> int:
        """The row at which the throttle began to open."""
        first = max(self._since - _OPENING_ROWS, 0)
        opening = self._recent.rows("opening", first, self._since + 1)
        still = np.flatnonzero(~(opening[2:] - opening[:-2] > _LEAST_OPENING_PERCENT))
        return first + (2 + int(still[-1]) if len(still) else 0)

    def _find_lift_row(self, end: int) -> int:
        """The row after the last one that is fully open."""
        opening = self._recent.rows("opening", self._since, end)
        return self._since + 1 + int(np.flatnonzero(opening > self._full_from)[-1])

    def _judge_pull(self, first: int, last: int, ended_by: PullEnd) -> Pull:
        """The pull of the kept rows first..last."""
        driven = Driven(
            rpm=self._recent.rows("rpm", first, last + 1),
            opening=self._recent.rows("opening", max(first, self._since), last + 1),
            coolant_c=self._recent.rows("coolant_c", first, last + 1),
            intake_c=self._recent.rows("intake_c", first, last + 1),
        )
        trace = pull_trace(self._recent, first, last + 1, self._lag_s, self._full_from)
        quality = pull_quality(driven, trace, self._weights)
        return Pull(
            begin=int(trace.t[0]),
            end=int(trace.t[-1]),
            from_rpm=float(driven.rpm[0]),
            to_rpm=float(driven.rpm[-1]),
            ended_by=ended_by,
            quality=quality,
            verdict=verdict(quality, ended_by, self._validity),
            trace=trace,
        )


def _find_stop(rpm: Floats, cut: Bools) -> PullEnd | None:
    """What ended a sweep before its full opening ended, from the rows after it; None: the lift itself."""
    if cut.any():
        return PullEnd.LIMITER
    if len(rpm) <= _LIFT_ROWS:
        return None
    fallen = np.flatnonzero(rpm < rpm[0] - _BOUNCE_RPM)
    back = len(fallen) and np.nanmax(rpm[fallen[0] :]) > rpm[0] - _BOUNCE_RPM / 2
    return PullEnd.LIMITER if back else PullEnd.HELD
