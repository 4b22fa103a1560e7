"""Bumps: one node's excess, or the common movement, rises over its limit and falls again.

    settled rows -> BumpSearch    bumps of one node
                 -> CommonSearch  bumps of all nodes together, as those of one node numbered 0

Wants: every bump once, with all rows that are needed to find out what caused it, the same however the
rows were divided into blocks.

Way: a bump begins where the excess passes its limit in two rows running. It reaches back and on for as
long as the excess is above a share of the limit, short breaks included. It leaves once the rows after
it, in which it fades, are there too. Lean and rich bumps are searched separately.

Invariants: bumps of one node and sign do not overlap; no bump crosses the end of a stretch. State kept:
the rows of some seconds and the bumps that are not complete.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.findings.events.baseline import TURNING_RPM, Settled
from mixmon.findings.stats import median_with_holes, robust_deviation
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.mixture.recent import Recent

_NEIGHBOUR_ROWS = 60
"""Rows before and after a bump in which bumps of other nodes are counted. Our choice: 0.6 s hold five cycles
at 1000 rpm, in which a limiter gets round to several cylinders."""

BUMP_SHARE = 0.35
"""Part of its limit that an excess exceeds within a bump: two standard deviations, where the limit is six
(computed)."""

_BREAK_BACK, _BREAK_ON = 3, 8
"""Rows below the share that do not end a bump. Our choice: noise makes breaks of 30 ms; after the beginning
a cycle at 1500 rpm, 80 ms, may burn in between."""

_FARTHEST_BACK, _LONGEST = 100, 500
"""Rows that a bump reaches at most, back and on. Our choice: the baseline begins to follow an excess of four
seconds, so a longer bump would not be seen whole."""

_BEFORE = 25
"""Rows cut out before a bump: a pulse of the gas begins up to 0.2 s before its reading rises."""

_FADING = 60
"""Rows cut out after a bump: after 0.6 s a sensor with a lag of 0.3 s has come back by 86 % (computed)."""

_QUIET = 300
"""Rows before a bump that give the noise: from so many, it is right within 7 % (computed, at the 37 %
efficiency of the median deviation)."""

_CUT_BEFORE, _CUT_AFTER = 30, 10
"""Rows before and after a bump in which a cut explains it. Our choice: 0.3 s for slow sensors to come back
from air, 0.1 s for a cut that begins while the bump fades."""

_INTO_CUT_ROWS = 35
"""Rows that the way into a cut may take. Our choice: 0.35 s, the lag of a slow sensor and a cycle. A long cut
raises the slow level before it, so readings seem to become richer up to there."""

_SPEED_BACK, _SPEED_ON = 100, 35
"""Rows of speed cut out around the beginning of a bump. Our choice: a second shows how speed rose before, a
third of a second whether it still rises."""

_COMMON_ON = 20
"""Rows after the beginning in which the common movement counts. Our choice: 0.2 s, the lag of a usual sensor
and some cycles."""

_LATELY_NS, _NEXT_RISE_NS = 60_000_000_000, 300_000_000
"""Time in which bumps are counted, and after a rise over the limit the time in which another one is no bump
of its own. Our choice: a minute is longer than most work on a dyno takes; 0.3 s is a usual bump."""

_KEPT = _FARTHEST_BACK + _QUIET


@dataclass(frozen=True, slots=True, eq=False)
class Bump:
    """One bump of one node, with a window of k rows around it.

    node, sign    index of the node; 1 for lean, -1 for rich
    t             int64[k]    ns
    begin, end    rows of the window from which and up to which the excess is above its share of the limit
    excess        float64[k]  oxygen percent, positive = lean, whatever the sign
    oxygen, lam, age, state   as read
    rpm, load     float64[k]  at the same moment
    valve_rpm, valve_load  speed and load when the gas of the beginning left its valve
    limit         of the excess at the beginning
    noise         see `noise_of`, before the bump
    others        other nodes with a bump of the same sign near its beginning
    measuring     nodes that measured then
    after_cut     True where a cut is under way at the beginning, or just over
    before_cut    True where a cut begins within the bump, or soon after it
    speed         rpm, from a second before the beginning to a third after it
    speed_at      row of `speed` at which the bump begins
    top_rpm       highest speed of the stretch so far
    common_rise   highest common movement near the beginning, oxygen percent
    stopping      True where the engine stops before the window ends
    open_end      True where the rows end before the bump does
    asked         True where a target was known at the beginning
    lately        lean bumps of all nodes in the minute before the beginning, see `_LATELY_NS`
    roughness     of a bump of all nodes: movement from row to row, in parts of what it was before
    """

    node: int
    sign: int
    t: Ints
    begin: int
    end: int
    excess: Floats
    oxygen: Floats
    lam: Floats
    age: Ints
    state: Bytes
    rpm: Floats
    load: Floats
    valve_rpm: float
    valve_load: float
    limit: float
    noise: float
    others: int
    measuring: int
    after_cut: bool
    before_cut: bool
    speed: Floats
    speed_at: int
    top_rpm: float
    common_rise: float
    stopping: bool
    open_end: bool
    asked: bool
    lately: int
    roughness: float


class BumpSearch:
    """A stage: settled rows in, bumps out. Rows come from one stretch of time at a time."""

    def __init__(self, nodes: int) -> None:
        self._nodes = nodes
        self._restart()

    def _restart(self) -> None:
        self._recent = Recent()
        self._top_rpm = 0.0
        self._over = np.zeros((2, self._nodes), np.bool_)
        self._open: dict[tuple[int, int], list[int]] = {}
        self._done: dict[tuple[int, int], int] = {}
        self._rises: list[int] = []
        self._last_rise: dict[int, int] = {}

    def feed(self, rows: Settled, cut: Bools) -> list[Bump]:
        """Gives the bumps that are complete with these rows.

        cut  bool[k, n]  where fuel or spark is cut for the gas at each sensor
        """
        first = self._recent.end
        top = np.fmax.accumulate(np.concatenate([[self._top_rpm], rows.rows["rpm"]]))
        self._top_rpm = float(top[-1])
        columns = {**rows.rows, "excess": rows.excess, "limit": rows.limit, "cut": cut, "top_rpm": top[1:]}
        columns["common"] = rows.common
        self._recent.add(columns, len(rows.excess))
        for side, sign in enumerate((1, -1)):
            over = sign * rows.excess > rows.limit
            if over.any():
                twice = over & np.concatenate([self._over[side : side + 1], over[:-1]])
                for node in np.flatnonzero(twice.any(axis=0)).tolist():
                    triggers = (first + np.flatnonzero(twice[:, node])).tolist()
                    self._open.setdefault((node, sign), []).extend(triggers)
                    if sign > 0:
                        self._count_rises(node, rows.rows["t"][twice[:, node]])
            self._over[side] = over[-1]
        found = self._complete_bumps(last=rows.last)
        if rows.last:
            self._restart()
        else:
            oldest = min([self._recent.end, *(t[0] for t in self._open.values())])
            self._recent.forget(oldest - _KEPT)
            del self._rises[: bisect_left(self._rises, int(rows.rows["t"][0]) - 2 * _LATELY_NS)]
        return found

    def _count_rises(self, node: int, over: Ints) -> None:
        """Notes when the node rises over its limit, each bump once."""
        for t in over.tolist():
            if t - self._last_rise.get(node, -_NEXT_RISE_NS) >= _NEXT_RISE_NS:
                insort(self._rises, t)
            self._last_rise[node] = t

    def _complete_bumps(self, *, last: bool) -> list[Bump]:
        found = []
        for node, sign in sorted(self._open):
            triggers = self._open[node, sign]
            while triggers:
                done = self._done.get((node, sign), 0)
                if triggers[0] < done:
                    del triggers[0]
                    continue
                reach = self._find_reach(node, sign, triggers[0], done, last=last)
                if reach is None:
                    break
                self._done[node, sign] = reach[1]
                found.append(self._cut_out_bump(node, sign, *reach))
            if not triggers:
                del self._open[node, sign]
        return sorted(found, key=lambda bump: (int(bump.t[bump.begin]), bump.node))

    def _find_reach(
        self, node: int, sign: int, trigger: int, done: int, *, last: bool
    ) -> tuple[int, int] | None:
        """Finds the first row of the bump and the row after its last one; None while rows are missing."""
        low, high = max(trigger - _FARTHEST_BACK, done, 0), min(trigger + _LONGEST, self._recent.end)
        inside = self._find_rows_inside(node, sign, low, high)
        back = np.flatnonzero(inside[: trigger - low + 1])[::-1]
        gaps = np.flatnonzero(-np.diff(back) > _BREAK_BACK + 1)
        begin = low + int(back[gaps[0]] if len(gaps) else back[-1])
        on = trigger + np.flatnonzero(inside[trigger - low :])
        gaps = np.flatnonzero(np.diff(on) > _BREAK_ON + 1)
        end = int(on[gaps[0]] if len(gaps) else on[-1]) + 1
        if not last and self._recent.end < end + _FADING:
            return None
        return begin, end

    def _find_rows_inside(self, node: int, sign: int, begin: int, end: int) -> Bools:
        excess, limit = (
            self._node_rows("excess", node, begin, end),
            self._node_rows("limit", node, begin, end),
        )
        return sign * excess > BUMP_SHARE * limit

    def _node_rows(self, name: str, node: int, begin: int, end: int) -> NDArray[Any]:
        return self._recent.rows(name, begin, end)[:, node]

    def _cut_out_bump(self, node: int, sign: int, begin: int, end: int) -> Bump:
        first, after = max(begin - _BEFORE, 0), min(end + _FADING, self._recent.end)
        own = {n: self._node_rows(n, node, first, after) for n in ("excess", "oxygen", "lam", "age", "state")}
        near = slice(max(begin - _NEIGHBOUR_ROWS, 0), min(begin + _NEIGHBOUR_ROWS, self._recent.end))
        excess = self._recent.rows("excess", near.start, near.stop)
        over = sign * excess > self._recent.rows("limit", near.start, near.stop)
        bumpy = (over[1:] & over[:-1]).any(axis=0)
        speed_from = max(begin - _SPEED_BACK, 0)
        common = self._recent.rows("common", near.start, min(begin + _COMMON_ON, self._recent.end))
        cut_before = self._node_rows("cut", node, max(begin - _CUT_BEFORE, 0), begin + 1)
        soon = _CUT_AFTER if sign > 0 else _INTO_CUT_ROWS
        cut_after = self._node_rows("cut", node, begin, min(end + soon, after))
        return Bump(
            node=node,
            sign=sign,
            t=self._recent.rows("t", first, after),
            begin=begin - first,
            end=end - first,
            rpm=self._recent.rows("rpm", first, after),
            load=self._recent.rows("load", first, after),
            valve_rpm=float(self._node_rows("valve_rpm", node, begin, begin + 1)[0]),
            valve_load=float(self._node_rows("valve_load", node, begin, begin + 1)[0]),
            limit=float(self._node_rows("limit", node, begin, begin + 1)[0]),
            noise=self._measure_noise(node, begin),
            others=int(np.delete(bumpy, node).sum()),
            measuring=int(np.isfinite(excess).any(axis=0).sum()),
            after_cut=bool(cut_before.any()),
            before_cut=bool(cut_after.any()),
            speed=self._recent.rows("rpm", speed_from, min(begin + _SPEED_ON, self._recent.end)),
            speed_at=begin - speed_from,
            top_rpm=float(self._recent.rows("top_rpm", begin, begin + 1)[0]),
            common_rise=float(common.max()),
            stopping=bool((self._recent.rows("rpm", begin, after) < TURNING_RPM).any()),
            open_end=end == self._recent.end,
            asked=bool(self._node_rows("asked", node, begin, begin + 1)[0]),
            lately=self._count_lately(int(self._recent.rows("t", begin, begin + 1)[0])),
            roughness=np.nan,
            **own,
        )

    def _count_lately(self, t: int) -> int:
        return bisect_left(self._rises, t) - bisect_left(self._rises, t - _LATELY_NS)

    def _measure_noise(self, node: int, begin: int) -> float:
        low, high = max(begin - _QUIET, 0), max(begin - _BEFORE, 0)
        t = (self._recent.rows("t", low, high) - self._node_rows("age", node, low, high)) / 1e9
        y = self._node_rows("excess", node, low, high)
        y = np.where(np.abs(y) < self._node_rows("limit", node, low, high), y, np.nan)
        fresh = np.concatenate([[True], np.diff(t) > GRID_NS / 2e9]) if len(t) else np.zeros(0, np.bool_)
        return noise_of(t[fresh], y[fresh])


CARRIED = 0.8
"""Part of the noise of a reading that is still in the reading 10 ms later: typical of a lag of 85 ms with a
part of white noise. Our choice: noise of another lag is weighed somewhat wrong, not lost."""

_FEWEST_NOISE_SAMPLES = 30
"""From fewer, the deviation is uncertain by more than a fifth (computed, as for `_QUIET`)."""


def noise_of(t: Floats, y: Floats) -> float:
    """Standard deviation of what each sample adds, from quiet readings, robust.

    NaN from fewer than `_FEWEST_NOISE_SAMPLES`.
    """
    new = y[1:] - CARRIED ** (np.diff(t) / 0.010) * y[:-1]
    new = new[np.isfinite(new)]
    return robust_deviation(new) if len(new) >= _FEWEST_NOISE_SAMPLES else np.nan


# Speed held at its limit: this distinguishes omitted sparks from misfires where the engine control does not
# report the cut. A limiter omits sparks of the cylinders in turn, so several cylinders miss within a moment,
# and speed stops rising, or saws. A worn plug does neither (common practice, no source).

_TOP_SHARE = 0.985
"""Part of the highest speed so far that counts as highest. Our choice: teeth of 1.5 % below the limit are
usual where a limiter omits sparks."""

_STILL_SHARE = 0.3
"""Part of its former slope below which speed has stopped rising. Our choice: a gear change or a hill changes
the slope less within a third of a second."""

_RISING_RPM_S = 100.0
"""Slope from which speed counts as rising. Our choice: an engine that idles or cruises stays below."""

_SAW_RPM, _SAW_RATIO = 10.0, 3.0
"""Scatter of speed about its line from which it saws, and how many times the scatter before. Our choice:
cyclic variation stays below."""

_FEWEST_LINE_ROWS = 15
"""Rows that a line of speed needs. Our choice: 0.15 s hold a cycle above 800 rpm."""

_SEEN_LATE_ROWS = 20
"""Rows by which readings are later than speed: the lag of a usual sensor and the way of the gas, 0.2 s."""

_OTHERS_SHARE, _COMMON_RISE = 0.25, 1.0
"""Part of the other nodes with bumps, or oxygen percent of common movement, that show that several cylinders
miss. Our choice: one worn plug makes neither."""


def at_limit(bump: Bump) -> bool:
    """True where speed is the highest so far, and has just stopped rising, or saws."""
    begins = max(bump.speed_at - _SEEN_LATE_ROWS, 0)
    before, during = bump.speed[:begins], bump.speed[begins:]
    if min(len(before), len(during)) < _FEWEST_LINE_ROWS or not np.isfinite(bump.speed).all():
        return False
    (rise, rough), (rise_now, rough_now) = _fit_line(before), _fit_line(during)
    top = bump.speed.max() >= _TOP_SHARE * bump.top_rpm
    stopped = rise > _RISING_RPM_S and rise_now < _STILL_SHARE * rise
    saws = rough_now > max(_SAW_RPM, _SAW_RATIO * rough) and rise_now < _RISING_RPM_S
    saws_on = min(rough, rough_now) > _SAW_RPM
    return bool(top and (stopped or saws or saws_on))


def sparks_left_out(bump: Bump) -> bool:
    """True where other cylinders miss too, one by one or all a little, at the limit of speed."""
    others = bump.others >= max(2, _OTHERS_SHARE * bump.measuring)
    return (others or bump.common_rise > _COMMON_RISE) and at_limit(bump)


def _fit_line(rpm: Floats) -> tuple[float, float]:
    """Gives the slope in rpm a second, and the standard deviation about the straight line."""
    t = np.arange(len(rpm)) / 100.0
    slope, level = np.polyfit(t, rpm, 1)
    return float(slope), float(np.std(rpm - slope * t - level))


# Bumps of all cylinders: the fuel supply, not one cylinder. What the target explains is subtracted already
# where the target is known. Where it is not, a common movement counts only while speed and load stand still.
# Cuts, tips and the first seconds of a running engine are excluded.

_COMMON_LIMIT = 1.2
"""Oxygen percent, about 0.05 lambda: common noise of several cylinders is far below (common practice,
no source)."""

_STEADY_RPM, _STEADY_LOAD = 200.0, 5.0
"""Movement of speed and load within which the target of an unknown map stays the same. Our choice: at most
half the usual distance between two points of a fuel map."""

_TIP_LOAD = 10.0
"""Movement of load that makes a tip, whose excursion is measured elsewhere. Our choice: less is not felt as
a tip."""

_OPEN_LOAD = 50.0
"""Load above which the throttle counts as open. Our choice: overrun and idle stay far below."""

_CUT_ROWS = 50
"""Rows excluded after a cut. Our choice: half a second, in which many engine controls enrich on purpose."""

_START_ROWS = 300
"""Rows excluded after the readings begin. Our choice: three seconds of start enrichment."""


_ROUGH_AFTER, _FEWEST_ROUGH_ROWS = 15, 10
"""Rows after the beginning of a common bump, in which sensors only differ in their lags, and rows in which it
is seen whether they go up and down. Our choice."""

_KEPT_SINGLE = _FARTHEST_BACK + _QUIET + _LONGEST + _FADING
"""Rows of single nodes that are kept: from those that give the noise before a bump to its fading."""


class CommonSearch:
    """A stage: settled rows in, bumps of the common movement out, as bumps of a node numbered 0."""

    def __init__(self, fuel: Fuel) -> None:
        self._fuel = fuel
        self._search = BumpSearch(1)
        self._since_cut = self._since_start = 0
        self._single, self._first_t = Recent(), 0

    def feed(self, settled: Settled, cut: Bools) -> list[Bump]:
        """Gives the common bumps that are complete and that nothing else explains."""
        rows = settled.rows
        unfit = self._find_unfit_rows(rows["reading"], np.asarray(cut.any(axis=1)))
        reading = rows["reading"][:, None]
        columns = {
            "t": rows["t"],
            "oxygen": reading,
            "lam": lambda_from_oxygen(reading, self._fuel),
            "age": rows["age"].min(axis=1)[:, None],
            "state": _state_of_most(rows["state"])[:, None],
            "rpm": rows["rpm"],
            "load": rows["load"],
            "valve_rpm": rows["valve_rpm"][:, :1],
            "valve_load": rows["valve_load"][:, :1],
            "asked": rows["asked"][:, :1],
        }
        common = np.where(unfit, np.nan, settled.common)[:, None]
        one = Settled(
            columns, common, np.full_like(common, _COMMON_LIMIT), settled.common, settled.moved, settled.last
        )
        found = self._search.feed(one, unfit[:, None])
        if not self._single.end:
            self._first_t = int(rows["t"][0])
        self._single.add({"excess": settled.excess}, len(rows["t"]))
        found = [replace(s, roughness=self._measure_roughness(s)) for s in found]
        self._single.forget(self._single.end - _KEPT_SINGLE)
        if settled.last:
            self._since_cut = self._since_start = 0
            self._single = Recent()
        return [
            s
            for s in found
            if not _belongs_to_cut(s) and (_is_unexplained(s) or (s.sign > 0 and at_top_speed(s)))
        ]

    def _measure_roughness(self, bump: Bump) -> float:
        """Gives how far the node in the middle moves from row to row, in parts of what it did before.

        NaN where the bump is too short to tell.
        """
        begin = int(bump.t[bump.begin] - self._first_t) // GRID_NS
        common = bump.sign * bump.excess[bump.begin : bump.end]
        high = int(np.flatnonzero(common >= 0.5 * np.nanmax(common))[-1])  # readings that fade are smooth
        during = self._single.rows("excess", begin + _ROUGH_AFTER, begin + high)
        quiet = self._single.rows("excess", max(begin - _QUIET, 0), max(begin - _BEFORE, 0))
        before = _movement(quiet)
        times = _movement(during) / np.where(before > 0, before, np.nan)
        return float(median_with_holes(times, 0))

    def _find_unfit_rows(self, reading: Floats, cut: Bools) -> Bools:
        """Marks rows in a cut or soon after it, and the first rows in which the engine runs."""
        unfit, self._since_cut = _find_rows_soon_after(cut, self._since_cut, _CUT_ROWS)
        early, self._since_start = _find_rows_soon_after(np.isnan(reading), self._since_start, _START_ROWS)
        return unfit | early


def _movement(excess: Floats) -> Floats:
    """Gives how far each node's reading usually moves from row to row, float64[n]; NaN where not known."""
    if len(excess) < _FEWEST_ROUGH_ROWS:
        return np.full(excess.shape[1], np.nan)
    return median_with_holes(np.abs(np.diff(excess, axis=0)), 0, _FEWEST_ROUGH_ROWS - 1)


def _state_of_most(state: Bytes) -> Bytes:
    """Gives the lean end of the range where more than half of the nodes are at it, else valid, uint8[k]."""
    at_end = (state == SampleState.AT_LEAN_LIMIT).sum(axis=1) * 2 > state.shape[1]
    return np.where(at_end, np.uint8(SampleState.AT_LEAN_LIMIT), np.uint8(SampleState.VALID))


def at_top_speed(bump: Bump) -> bool:
    """True where the engine is held at its limit of speed, with the throttle open all the time."""
    load = bump.load[: bump.begin + _INTO_CUT_ROWS]
    return at_limit(bump) and bool(np.median(load) > _OPEN_LOAD and load[: bump.begin + 1].min() > _OPEN_LOAD)


def _is_unexplained(bump: Bump) -> bool:
    """True where neither the throttle nor, without a known target, the operating point moved."""
    if not np.isfinite(bump.load).all() or not np.isfinite(bump.rpm).all():
        return False
    rpm, load = np.ptp(bump.rpm[: bump.end]), np.ptp(bump.load[: bump.end])
    return bool(load < _TIP_LOAD and (bump.asked or (load < _STEADY_LOAD and rpm < _STEADY_RPM)))


def _belongs_to_cut(bump: Bump) -> bool:
    """True where a cut is just over, or the bump is only the way into one.

    The readings after a cut raise the slow level before it, so readings seem to become richer up to the cut.
    """
    rows = bump.excess[bump.begin : bump.end]
    after_peak = len(rows) if bump.sign > 0 else len(rows) - int(np.nanargmin(rows))
    return bump.after_cut or (bump.before_cut and after_peak < _INTO_CUT_ROWS)


def _find_rows_soon_after(trouble: Bools, before: int, rows: int) -> tuple[Bools, int]:
    """Marks rows at most `rows` after the last trouble, and counts the rows still to mark after the end.

    before  that count from the block before
    """
    at = np.arange(1, len(trouble) + 1)
    until = np.maximum.accumulate(np.concatenate([[before], np.where(trouble, at + rows, 0)]))
    return at <= until[1:], max(int(until[-1]) - len(trouble), 0)
