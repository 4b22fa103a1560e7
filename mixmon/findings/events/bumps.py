"""Bumps in one node's excess: found, followed to where they fade, and cut out with what is around them.

A bump is there where the excess passes its limit in two rows running. It reaches back and on for
as long as the excess is above a third of the limit, short breaks included, and is given out once
the rows after it, over which it fades, are there too. Bumps up and down are looked for apart.

Kept: the rows of some seconds, and which bumps are not complete.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.findings.events.baseline import TURNING_RPM, Settled
from mixmon.findings.stats import robust_deviation
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import SensorLag
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.recent import Recent

# ----------------------------------------------------------------------------------------------------
# Which pulse of the gas made a bump of the reading: when it began, how long it was, how high.
#
# The gas is taken to have been higher by one amount for one stretch of time, and the reading to
# have followed as the sensor's lag says. All beginnings and lengths of a grid are tried at once by
# least squares, then the neighbourhood of the best one is tried finer.
#
# Neighbouring readings share noise, because cycle-to-cycle noise passes the same lag. So both
# sides are first freed of what a reading has from the one before it.
# ----------------------------------------------------------------------------------------------------

_PULSES_KEPT = 0.8
"""What of a noise is left in the reading 10 ms later: typical of 85 ms of lag with a part of white noise."""

_STEP_S, _FINE_S = 0.010, 0.0025


@dataclass(frozen=True, slots=True)
class Pulse:
    """A pulse of the gas.

    begin_s    on the clock of the samples
    width_s    how long
    height     oxygen percent
    height_sd  standard deviation of the height, all else given
    misfit     sum of squares that the pulse leaves, in noise variances
    """

    begin_s: float
    width_s: float
    height: float
    height_sd: float
    misfit: float


class Bump:
    """One bump of one node's reading, ready to be compared with pulses.

    t      float64[k]  moments of the samples, s, rising
    y      float64[k]  reading above what was expected, oxygen percent
    noise  standard deviation of what a sample adds to what it has from the one before
    """

    def __init__(self, t: Floats, y: Floats, lag: SensorLag, noise: float) -> None:
        self.t, self.y, self.lag, self.noise = t, y, lag, noise
        self._kept = _PULSES_KEPT ** (np.diff(t) / 0.010)
        self._y = self._freed(y)

    def without(self, pulse: Pulse) -> Bump:
        """What is left when a pulse is taken away."""
        shape = self.lag.pulse(self.t - pulse.begin_s, pulse.width_s)
        return Bump(self.t, self.y - pulse.height * shape, self.lag, self.noise)

    @property
    def misfit(self) -> float:
        """Sum of squares in noise variances, with no pulse at all."""
        return float(self._y @ self._y) / self.noise**2

    @property
    def count(self) -> int:
        """How many sums of squares `misfit` adds up."""
        return len(self._y)

    def best(self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float) -> Pulse:
        """The best pulse that begins from first_s to last_s, has one of the widths and a height between."""
        begins = np.arange(first_s, last_s + _STEP_S, _STEP_S)
        coarse = widths_s[:: max(1, len(widths_s) // 8)]
        rough = self._best_of(begins, coarse, lowest, highest)
        near = np.searchsorted(widths_s, rough.width_s)
        step = max(1, len(widths_s) // 8)
        finer = widths_s[max(0, near - step) : near + step + 1]
        begins = rough.begin_s + np.arange(-2 * _STEP_S, 2 * _STEP_S + _FINE_S, _FINE_S)
        return self._best_of(begins, finer, lowest, highest)

    def best_pair(
        self, first_s: float, last_s: float, widths_s: Floats, lowest: float, highest: float
    ) -> tuple[Pulse, Pulse]:
        """The best two pulses of equal height; each alone might be put in the middle between them."""
        begins = np.repeat(np.arange(first_s, last_s + _STEP_S, _STEP_S), len(widths_s))
        widths = np.tile(widths_s, len(begins) // len(widths_s))
        shapes = self._freed(self.lag.pulse(self.t - begins[:, None], widths[:, None]))
        match, together = shapes @ self._y, shapes @ shapes.T
        power = np.diag(together)
        match = match[:, None] + match
        power = np.maximum(power[:, None] + power + 2.0 * together, 1e-12)
        height = np.clip(match / power, lowest, highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        misfit = self.misfit - float(gain[at]) / self.noise**2
        sd = float(self.noise / np.sqrt(power[at]))
        one, two = (Pulse(float(begins[i]), float(widths[i]), float(height[at]), sd, misfit) for i in at)
        return one, two

    def _best_of(self, begins: Floats, widths: Floats, lowest: float, highest: float) -> Pulse:
        late = self.t - begins[:, None, None]
        shapes = self._freed(self.lag.pulse(late, widths[:, None]))
        match, power = shapes @ self._y, np.einsum("ijk,ijk->ij", shapes, shapes)
        power = np.maximum(power, 1e-12)
        height = np.clip(match / power, lowest, highest)
        gain = height * (2.0 * match - height * power)
        at = np.unravel_index(np.argmax(gain), gain.shape)
        return Pulse(
            begin_s=float(begins[at[0]]),
            width_s=float(widths[at[1]]),
            height=float(height[at]),
            height_sd=float(self.noise / np.sqrt(power[at])),
            misfit=self.misfit - float(gain[at]) / self.noise**2,
        )

    def _freed(self, y: Floats) -> Floats:
        return np.asarray(y[..., 1:] - self._kept * y[..., :-1], np.float64)


def noise_of(t: Floats, y: Floats) -> float:
    """Standard deviation of what each sample adds, from quiet readings, robust; NaN from fewer than 30."""
    new = y[1:] - _PULSES_KEPT ** (np.diff(t) / 0.010) * y[:-1]
    new = new[np.isfinite(new)]
    return robust_deviation(new) if len(new) >= 30 else np.nan


AROUND = 60
"""Rows before and after a bump in which other nodes' bumps are counted."""

_SHARE = 0.35
_BREAK_BACK, _BREAK_ON = 3, 8  # rows below the share that do not end a bump
_FARTHEST_BACK, _LONGEST = 100, 500
_BEFORE = 25  # rows cut out before a bump; a pulse of the gas begins well before its reading rises
_FADING = 60
_QUIET = 300
_CUT_BEFORE, _CUT_AFTER = 30, 10
_SPEED_BACK, _SPEED_ON, _COMMON_ON = 100, 35, 20
_KEPT = _FARTHEST_BACK + _QUIET


@dataclass(frozen=True, slots=True, eq=False)
class Spike:
    """One bump of one node. Rows are those of the window cut out, k of them.

    node, sign    which; 1 for lean, -1 for rich
    t             int64[k]    ns
    begin, end    rows of the window between which the excess is above its share of the limit
    excess        float64[k]  oxygen percent, positive = lean, whatever the sign
    oxygen, lam, age, state   as read
    rpm, load     now, float64[k]
    valve_rpm, valve_load  numbers, when the gas at the beginning left its valve
    limit         of the excess at the beginning
    noise         see `pulses.noise_of`, before the bump
    others        other nodes with a bump of the same sign near its beginning
    measuring     nodes that measured then
    after_cut, before_cut  True where a cut is just over or under way; where one begins within it or soon
    speed         rpm, from a second before the beginning to a third after it
    speed_at      row of `speed` at which the bump begins
    top_rpm       highest speed of the stretch so far
    common_rise   highest common movement near the beginning, oxygen percent
    stopping      True where the engine stands before the window ends
    open_end      True where the rows end before the bump does
    asked         True where a target was known at the beginning
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


class SpikeSearch:
    """A stage: settled rows in, bumps out. Rows come from one stretch of time at a time.

    `cut` bool[k, n] says where fuel or spark is cut for the gas at each sensor.
    """

    def __init__(self, nodes: int) -> None:
        self._nodes = nodes
        self._restart()

    def _restart(self) -> None:
        self._recent = Recent()
        self._top_rpm = 0.0
        self._over = np.zeros((2, self._nodes), np.bool_)
        self._open: dict[tuple[int, int], list[int]] = {}
        self._done: dict[tuple[int, int], int] = {}

    def feed(self, rows: Settled, cut: Bools) -> list[Spike]:
        """The bumps that are complete with these rows."""
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
            self._over[side] = over[-1]
        found = self._complete(last=rows.last)
        if rows.last:
            self._restart()
        else:
            oldest = min([self._recent.end, *(t[0] for t in self._open.values())])
            self._recent.forget(oldest - _KEPT)
        return found

    def _complete(self, *, last: bool) -> list[Spike]:
        found = []
        for node, sign in sorted(self._open):
            triggers = self._open[node, sign]
            while triggers:
                done = self._done.get((node, sign), 0)
                if triggers[0] < done:
                    del triggers[0]
                    continue
                reach = self._reach(node, sign, triggers[0], done, last=last)
                if reach is None:
                    break
                self._done[node, sign] = reach[1]
                found.append(self._spike(node, sign, *reach))
            if not triggers:
                del self._open[node, sign]
        return sorted(found, key=lambda spike: (int(spike.t[spike.begin]), spike.node))

    def _reach(self, node: int, sign: int, trigger: int, done: int, *, last: bool) -> tuple[int, int] | None:
        """First row of the bump and the row after its last one; None while rows are missing."""
        low, high = max(trigger - _FARTHEST_BACK, done, 0), min(trigger + _LONGEST, self._recent.end)
        inside = self._inside(node, sign, low, high)
        back = np.flatnonzero(inside[: trigger - low + 1])[::-1]
        gaps = np.flatnonzero(-np.diff(back) > _BREAK_BACK + 1)
        begin = low + int(back[gaps[0]] if len(gaps) else back[-1])
        on = trigger + np.flatnonzero(inside[trigger - low :])
        gaps = np.flatnonzero(np.diff(on) > _BREAK_ON + 1)
        end = int(on[gaps[0]] if len(gaps) else on[-1]) + 1
        if not last and self._recent.end < end + _FADING:
            return None
        return begin, end

    def _inside(self, node: int, sign: int, begin: int, end: int) -> Bools:
        excess, limit = self._column("excess", node, begin, end), self._column("limit", node, begin, end)
        return sign * excess > _SHARE * limit

    def _column(self, name: str, node: int, begin: int, end: int) -> NDArray[Any]:
        return self._recent.rows(name, begin, end)[:, node]

    def _spike(self, node: int, sign: int, begin: int, end: int) -> Spike:
        first, after = max(begin - _BEFORE, 0), min(end + _FADING, self._recent.end)
        own = {n: self._column(n, node, first, after) for n in ("excess", "oxygen", "lam", "age", "state")}
        near = slice(max(begin - AROUND, 0), min(begin + AROUND, self._recent.end))
        excess = self._recent.rows("excess", near.start, near.stop)
        over = sign * excess > self._recent.rows("limit", near.start, near.stop)
        bumpy = (over[1:] & over[:-1]).any(axis=0)
        speed_from = max(begin - _SPEED_BACK, 0)
        common = self._recent.rows("common", near.start, min(begin + _COMMON_ON, self._recent.end))
        cut_before = self._column("cut", node, max(begin - _CUT_BEFORE, 0), begin + 1)
        cut_after = self._column("cut", node, begin, min(end + _CUT_AFTER, after))
        return Spike(
            node=node,
            sign=sign,
            t=self._recent.rows("t", first, after),
            begin=begin - first,
            end=end - first,
            rpm=self._recent.rows("rpm", first, after),
            load=self._recent.rows("load", first, after),
            valve_rpm=float(self._column("valve_rpm", node, begin, begin + 1)[0]),
            valve_load=float(self._column("valve_load", node, begin, begin + 1)[0]),
            limit=float(self._column("limit", node, begin, begin + 1)[0]),
            noise=self._noise(node, begin),
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
            asked=bool(self._column("asked", node, begin, begin + 1)[0]),
            **own,
        )

    def _noise(self, node: int, begin: int) -> float:
        low, high = max(begin - _QUIET, 0), max(begin - _BEFORE, 0)
        t = (self._recent.rows("t", low, high) - self._column("age", node, low, high)) / 1e9
        y = self._column("excess", node, low, high)
        y = np.where(np.abs(y) < self._column("limit", node, low, high), y, np.nan)
        fresh = np.concatenate([[True], np.diff(t) > GRID_NS / 2e9]) if len(t) else np.zeros(0, np.bool_)
        return noise_of(t[fresh], y[fresh])


# ----------------------------------------------------------------------------------------------------
# Speed held at its limit: what tells sparks left out from misfires where the engine control says nothing.
#
# A limiter leaves out sparks of the cylinders in turn, so several cylinders miss within a moment,
# and speed stops rising, or saws. A worn plug does neither (common practice, no source).
# ----------------------------------------------------------------------------------------------------

_TOP_SHARE = 0.985
_STILL_SHARE = 0.3
_RISING_RPM_S, _SAW_RPM, _SAW_RATIO = 100.0, 10.0, 3.0
_FEWEST_ROWS = 15
_SEEN_LATE_ROWS = 20  # by so much the readings are behind the speed
_OTHERS_SHARE, _COMMON_RISE = 0.25, 1.0


def at_limit(spike: Spike) -> bool:
    """Speed is the highest so far, and has just stopped rising or begun to saw."""
    begins = max(spike.speed_at - _SEEN_LATE_ROWS, 0)
    before, during = spike.speed[:begins], spike.speed[begins:]
    if min(len(before), len(during)) < _FEWEST_ROWS or not np.isfinite(spike.speed).all():
        return False
    (rise, rough), (rise_now, rough_now) = _line(before), _line(during)
    top = spike.speed.max() >= _TOP_SHARE * spike.top_rpm
    stopped = rise > _RISING_RPM_S and rise_now < _STILL_SHARE * rise
    saws = rough_now > max(_SAW_RPM, _SAW_RATIO * rough) and rise_now < _RISING_RPM_S
    return bool(top and (stopped or saws))


def sparks_left_out(spike: Spike) -> bool:
    """Other cylinders miss too, one by one or all a little, at the limit of speed."""
    others = spike.others >= max(2, _OTHERS_SHARE * spike.measuring)
    return (others or spike.common_rise > _COMMON_RISE) and at_limit(spike)


def _line(rpm: Floats) -> tuple[float, float]:
    """Slope in rpm a second, and standard deviation about the straight line."""
    t = np.arange(len(rpm)) / 100.0
    slope, level = np.polyfit(t, rpm, 1)
    return float(slope), float(np.std(rpm - slope * t - level))


# ----------------------------------------------------------------------------------------------------
# EventStage that all cylinders share: fuel supply, not one cylinder.
#
# What the target asks for is taken off already where it is known. Where it is not, a common
# movement counts only while speed and load stand still. Cuts, tips and the first seconds of a
# running engine are not looked at here.
# ----------------------------------------------------------------------------------------------------

_LIMIT = 1.2
"""Oxygen percent, about 0.05 lambda: common noise of several cylinders is far below (common practice,
no source)."""

_STEADY_RPM, _STEADY_LOAD, _TIP_LOAD = 200.0, 5.0, 10.0
_OPEN_LOAD = 50.0
_CUT_ROWS, _INTO_CUT_ROWS, _START_ROWS = 50, 35, 300


class CommonSearch:
    """A stage: settled rows in, bumps of the common movement out, as those of one node numbered 0."""

    def __init__(self, fuel: Fuel) -> None:
        self._fuel = fuel
        self._search = SpikeSearch(1)
        self._since_cut = self._since_start = 0

    def feed(self, settled: Settled, cut: Bools) -> list[Spike]:
        """The common bumps that are complete and nothing else explains."""
        rows = settled.rows
        unfit = self._unfit(rows["reading"], np.asarray(cut.any(axis=1)))
        reading = rows["reading"][:, None]
        columns = {
            "t": rows["t"],
            "oxygen": reading,
            "lam": lambda_from_oxygen(reading, self._fuel),
            "age": rows["age"].min(axis=1)[:, None],
            "state": np.zeros_like(rows["state"][:, :1]),
            "rpm": rows["rpm"],
            "load": rows["load"],
            "valve_rpm": rows["valve_rpm"][:, :1],
            "valve_load": rows["valve_load"][:, :1],
            "asked": rows["asked"][:, :1],
        }
        common = np.where(unfit, np.nan, settled.common)[:, None]
        one = Settled(
            columns, common, np.full_like(common, _LIMIT), settled.common, settled.moved, settled.last
        )
        found = self._search.feed(one, unfit[:, None])
        if settled.last:
            self._since_cut = self._since_start = 0
        return [s for s in found if not _of_cut(s) and (_unexplained(s) or (s.sign > 0 and at_top_speed(s)))]

    def _unfit(self, reading: Floats, cut: Bools) -> Bools:
        """Rows in a cut or soon after it, and rows of an engine that has just begun to be read."""
        unfit, self._since_cut = _soon_after(cut, self._since_cut, _CUT_ROWS)
        early, self._since_start = _soon_after(np.isnan(reading), self._since_start, _START_ROWS)
        return unfit | early


def at_top_speed(spike: Spike) -> bool:
    """The engine is held at its limit of speed, with the throttle open all along."""
    load = spike.load[: spike.begin + _INTO_CUT_ROWS]
    return at_limit(spike) and bool(
        np.median(load) > _OPEN_LOAD and load[: spike.begin + 1].min() > _OPEN_LOAD
    )


def _unexplained(spike: Spike) -> bool:
    """Neither the throttle nor, where no target is known, the operating point moved."""
    if not np.isfinite(spike.load).all() or not np.isfinite(spike.rpm).all():
        return False
    rpm, load = np.ptp(spike.rpm[: spike.end]), np.ptp(spike.load[: spike.end])
    return bool(load < _TIP_LOAD and (spike.asked or (load < _STEADY_LOAD and rpm < _STEADY_RPM)))


def _of_cut(spike: Spike) -> bool:
    """A cut is just over, or the bump is no more than the way into one.

    What stands behind a cut bends the slow level before it upwards, and readings then seem to grow
    richer up to the cut.
    """
    rows = spike.excess[spike.begin : spike.end]
    after_peak = len(rows) if spike.sign > 0 else len(rows) - int(np.nanargmin(rows))
    return spike.after_cut or (spike.before_cut and after_peak < _INTO_CUT_ROWS)


def _soon_after(trouble: Bools, before: int, rows: int) -> tuple[Bools, int]:
    """Rows at most that many after the last trouble; the carry counts down from the last row."""
    at = np.arange(1, len(trouble) + 1)
    until = np.maximum.accumulate(np.concatenate([[before], np.where(trouble, at + rows, 0)]))
    return at <= until[1:], max(int(until[-1]) - len(trouble), 0)
