"""Pulls: sweeps of speed at full opening, found, cut out, judged, and kept as rows for the table.

How it works: rows are kept while the opening is full, and some before. When it falls, the
sweeps in it are cut out (`sweep`): a pull ends with the lift, or before, where a limiter or a
brake stops it. Its readings are laid beside the speed of their gas (`pull_trace`), and it is
judged (`pull_quality`). It is ready with the row that shows the lift.

Kept: whether the opening is full, since which row, and the rows themselves, at most
`LONGEST_OPENING_ROWS` of full opening; after so many the sweeps so far are given and it begins anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
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
from mixmon.findings.stage import StretchStage, run_through
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.opening import Opening
from mixmon.mixture.recent import Columns, Recent
from mixmon.mixture.validity import latch
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# Sweeps of speed within a stretch of full opening: where one begins and where it ends.
#
# A sweep is the section over which speed gains most beyond a slope of `_LEAST_SHARE` of its own
# mean slope. So it ends where speed stops rising in earnest: at the lift, at the first touch of a
# limiter however long that bounces, or where the brake holds it; and it begins likewise.
# ----------------------------------------------------------------------------------------------------

_LEAST_SHARE = 0.4
_FALL_RPM = 150.0
"""A fall of speed by this much under full opening ends a sweep: another gear, another slip."""

_LONGEST_HELD = 50  # rows


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


def sweeps(t: Times, rpm: Floats, broken: Bools, rules: SweepRules) -> list[tuple[int, int]]:
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


def _pieces(rpm: Floats, whole: Bools) -> Iterator[tuple[int, int]]:
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


LONGEST_OPENING_ROWS = 12_000

_OPENING_ROWS = 40
"""How long before full opening a pull may have begun."""

_STILL_OPENING = 2.0  # percent a row: less is not an opening throttle
_LIFT_ROWS = 15
_BOUNCE_RPM, _BOUNCE_ROWS = 40.0, 100


@dataclass(frozen=True, slots=True, eq=False)
class Pull:
    """One sweep at full opening.

    begin, end   first and last moment, ns
    from_rpm, to_rpm   speed then
    ended_by     "throttle lift", "limiter", "speed held or falling", "engine data lost" or "end of the data"
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
        """How long it took."""
        return (self.end - self.begin) / 1e9

    @property
    def rate(self) -> float:
        """Mean slope, rpm/s."""
        return (self.to_rpm - self.from_rpm) / self.seconds


class PullStage(StretchStage[Pull]):
    """Finds pulls, each when it has ended.

    Args:
        session: whose nodes the rows are of.
        lag_s: sensor lag for all cylinders or by cylinder; see `assumed_lag`.
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
        columns = self._columns(block)
        first = self._recent.end
        self._recent.add(columns, len(block))
        done = self._watch(first, columns["opening"])
        self._recent.forget((self._since if self._full else self._recent.end) - self._before)
        return done

    def flush(self) -> list[Pull]:
        """The pull under way, if any; nothing follows it."""
        done = self._cut(self._recent.end, PullEnd.BREAK) if self._full else []
        self._full = False
        return done

    def _columns(self, block: CylinderBlock) -> Columns:
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

    def _watch(self, first: int, opening: Floats) -> list[Pull]:
        """Follows the opening; rows are numbered from `first`."""
        known = np.isfinite(opening)
        shut = ~known | (opening < self._full_from - 5.0)
        full = latch(opening > self._full_from, shut, self._full)
        done: list[Pull] = []
        for row in np.flatnonzero(np.diff(full, prepend=self._full)).tolist():
            done += self._until(first + row)
            if full[row]:
                self._full, self._since = True, first + row
            else:
                done += self._cut(first + row, PullEnd.LIFT if known[row] else PullEnd.NO_ENGINE_DATA)
                self._full = False
        return done + self._until(self._recent.end)

    def _until(self, row: int) -> list[Pull]:
        """Gives what is in stretches of full opening that grow too long, before that row."""
        done: list[Pull] = []
        while self._full and row - self._since > LONGEST_OPENING_ROWS:
            done += self._cut(self._since + LONGEST_OPENING_ROWS, PullEnd.HELD)
            self._since += LONGEST_OPENING_ROWS
        return done

    def _cut(self, end: int, ended_by: PullEnd) -> list[Pull]:
        """The pulls of the full opening that ends before row `end`."""
        begin, end = self._opened(), self._lifted(end)
        t, rpm = self._recent.rows("t", begin, end), self._recent.rows("rpm", begin, end)
        cut = np.nan_to_num(self._recent.rows("spark_cut", begin, end)) > 0
        pulls = []
        for first, last in sweeps(t, rpm, cut, self._rules):
            after = slice(last, last + _BOUNCE_ROWS)
            by = _stopped_by(rpm[after], cut[after]) or ended_by
            if by != PullEnd.HELD or rpm[last] - rpm[first] >= self._rules.held_gain_rpm:
                pulls.append(self._pull(begin + first, begin + last, by))
        return pulls

    def _opened(self) -> int:
        """The row at which the throttle began to open."""
        first = max(self._since - _OPENING_ROWS, 0)
        opening = self._recent.rows("opening", first, self._since + 1)
        still = np.flatnonzero(~(opening[2:] - opening[:-2] > _STILL_OPENING))
        return first + (2 + int(still[-1]) if len(still) else 0)

    def _lifted(self, end: int) -> int:
        """The row after the last one that is fully open."""
        opening = self._recent.rows("opening", self._since, end)
        return self._since + 1 + int(np.flatnonzero(opening > self._full_from)[-1])

    def _pull(self, first: int, last: int, ended_by: PullEnd) -> Pull:
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


def _stopped_by(rpm: Floats, cut: Bools) -> PullEnd | None:
    """What stopped a sweep before its full opening ended; rows from the sweep's last one on."""
    if cut.any():
        return PullEnd.LIMITER
    if len(rpm) <= _LIFT_ROWS:
        return None
    fallen = np.flatnonzero(rpm < rpm[0] - _BOUNCE_RPM)
    back = len(fallen) and np.nanmax(rpm[fallen[0] :]) > rpm[0] - _BOUNCE_RPM / 2
    return PullEnd.LIMITER if back else PullEnd.HELD


def find_pulls(session: Session, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None) -> list[Pull]:
    """All pulls of a run.

    Args:
        session: as read.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    return list(run_through(PullStage(session, lag_s), blocks))
