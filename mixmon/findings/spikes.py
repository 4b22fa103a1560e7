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

from mixmon.findings.baseline import Settled
from mixmon.findings.observed import TURNING_RPM
from mixmon.findings.pulses import noise_of
from mixmon.findings.recent import Recent
from mixmon.mixture.align import GRID_NS

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

Floats = NDArray[np.float64]


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
    t: NDArray[np.int64]
    begin: int
    end: int
    excess: Floats
    oxygen: Floats
    lam: Floats
    age: NDArray[np.int64]
    state: NDArray[np.uint8]
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

    def feed(self, rows: Settled, cut: NDArray[np.bool_]) -> list[Spike]:
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

    def _inside(self, node: int, sign: int, begin: int, end: int) -> NDArray[np.bool_]:
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
