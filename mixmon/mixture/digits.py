"""What readings tell about themselves: the steps in which a sensor reports, and where its range ends.

A message definition may give a signal a finer step than its controller really has, and a session may
not say where a sensor's range ends. Both are found in the readings as they were sent, row by row and only
from rows before. They belong to the sensor, so they are kept where time jumps.

    StepSearch  the smallest change of a node's reading so far
    RestSearch  a reading that stands still while those of the others move by several of its steps
    EndSearch   a value beyond which a node never reads and to which it returns again and again
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Bools, Floats, Ints

LEAST_STEP = 1e-6
"""Smaller changes are no step of a reading, in lambda or percent of oxygen: our choice, above what a 32 bit
float resolves."""

MOVES_KNOWN = 3
"""Changes of readings from which the smallest one is taken for the step: our choice; a value that moves once
and then stays is a sensor that stopped, not one with large steps."""

MOVES_TOGETHER = 2
"""The same for changes of all nodes of a chain: our choice; too large a step only widens intervals."""


# ----------------------------------------------------------------------------------------------------
# The step of a reading.
# ----------------------------------------------------------------------------------------------------


class StepSearch:
    """The steps of n nodes, each in the quantity that it sends.

    Carry: the newest reading, the smallest change, and the number of changes up to `MOVES_KNOWN`.
    """

    def __init__(self, nodes: int) -> None:
        self._last = np.full(nodes, np.nan)
        self._smallest = np.full(nodes, np.inf)
        self._moves = np.zeros(nodes, np.int64)

    def restart(self) -> None:
        """Forgets the newest reading, where time is broken; steps are kept."""
        self._last = np.full(len(self._last), np.nan)

    def feed(self, reading: Floats) -> tuple[Floats, Ints]:
        """The smallest change up to every reading float64[k, n], infinite where none; their number."""
        if not len(reading):
            return np.zeros(reading.shape), np.zeros(reading.shape, np.int64)
        change = np.abs(np.diff(reading, axis=0, prepend=self._last[None]))
        change[~(change > LEAST_STEP)] = np.inf
        self._last = reading[-1].copy()
        if (self._moves < MOVES_KNOWN).any() or (change.min(axis=0) < self._smallest).any():
            return self._learn(change)
        return np.broadcast_to(self._smallest, reading.shape), np.broadcast_to(self._moves, reading.shape)

    def _learn(self, change: Floats) -> tuple[Floats, Ints]:
        """The same, for rows with a smaller change than all before, or with one of the first."""
        moves = np.minimum(self._moves + np.cumsum(np.isfinite(change), axis=0), MOVES_KNOWN)
        change[0] = np.minimum(change[0], self._smallest)
        smallest = np.minimum.accumulate(change, axis=0)
        self._smallest, self._moves = smallest[-1].copy(), moves[-1].copy()
        return smallest, moves


# ----------------------------------------------------------------------------------------------------
# Rest: a reading that would have moved if it were live.
#
# A live reading that stands still lies within one step all the time, and so do those of the others, as far
# as they have its noise and its steps; rounding shows them two steps apart at most.
# ----------------------------------------------------------------------------------------------------

_REST_STEPS = 2.0
"""Steps by which the others must have moved for certain: our choice, for sensors that have half the noise of
the others; a live reading with as much needs one."""


class RestSearch:
    """Whether a reading that stands still would have moved, n nodes. Carry: the others' ranges by node."""

    def __init__(self, nodes: int) -> None:
        self._low = np.full((nodes, nodes), np.inf)
        self._high = np.full((nodes, nodes), -np.inf)

    def feed(self, reading: Floats, step: Floats, resting: Bools, one_tells: Bools) -> Bools:
        """Whether the others have moved by several steps of it since it began to rest, bool[k, n].

        reading: float64[k, n], NaN where it says nothing; step: of the readings, infinite where not known.
        resting: bool[k, n], where it stands still; a row without lies between two rests.
        one_tells: bool[k, n], one other that moved is enough; elsewhere half of them.
        """
        out = np.zeros(reading.shape, np.bool_)
        for node in np.flatnonzero(resting.any(axis=0)).tolist():
            edges = np.flatnonzero(np.diff(resting[:, node], prepend=False, append=False))
            for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
                rest = slice(begin, end)
                if begin:
                    self._forget(node)
                moved = self._moved(node, reading[rest], step[rest])
                enough = np.where(one_tells[rest, node], moved[0], moved[1])
                out[rest, node] = enough >= _REST_STEPS * step[rest, node]
        if len(resting):
            self._forget(~resting[-1])
        return out

    def _forget(self, nodes: int | Bools) -> None:
        self._low[nodes], self._high[nodes] = np.inf, -np.inf

    def _moved(self, node: int, reading: Floats, step: Floats) -> tuple[Floats, Floats]:
        """By how much one other, and half of the others, moved for certain while a node rests, float64[k]."""
        low, high = _ranges(self._low[node], self._high[node], reading)
        self._low[node], self._high[node] = low[-1], high[-1]
        return moved_by_others(node, low, high, step, reading[:, [node]])


def _ranges(low: Floats, high: Floats, readings: Floats) -> tuple[Floats, Floats]:
    """The nodes' ranges with each row of readings, float64[k, n] each; low, high: float64[n], before them."""
    return (
        np.fmin.accumulate(np.vstack([low, readings]))[1:],
        np.fmax.accumulate(np.vstack([high, readings]))[1:],
    )


def moved_by_others(
    node: int, low: Floats, high: Floats, step: Floats, level: Floats | float
) -> tuple[Floats, Floats]:
    """By how much one node other than this, and half of them, moved for certain, float64[k].

    low, high: float64[k, n], their ranges, not finite where not heard.
    level: reading of the node, float64[k, 1] or one, with whose steps the result is to be compared.
    """
    heard = np.isfinite(low)
    heard[:, node] = False
    moved = np.full(low.shape, np.inf)
    size = np.broadcast_to(level, low.shape)
    moved[heard] = (high[heard] - low[heard]) / np.abs(low[heard]) * size[heard] - step[heard]
    moved.sort(axis=1)
    count = heard.sum(axis=1)
    most, half = (
        np.take_along_axis(moved, np.maximum(rank, 0)[:, None], axis=1)[:, 0]
        for rank in (count - 1, (count - 1) // 2)
    )
    return np.where(count > 0, most, -np.inf), np.where(count > 0, half, -np.inf)


# ----------------------------------------------------------------------------------------------------
# The end of the range.
#
# Readings that are cut off at a value return to it from farther away again and again, and never go beyond
# it. Rounded readings rest at a value too; but where noise takes them two steps to one side, it takes
# them as often one step beyond on the other, as long as half of them are at the value.
# ----------------------------------------------------------------------------------------------------

_RETURNS = 8
"""Returns to one value from which it is the end of the range: our choice; that noise goes eight times to one
side, and never to the other, happens once in 256 times (computed)."""


@dataclass(frozen=True, slots=True)
class _Rule:
    """What makes a value the end of the range.

    weight   so many rows beside the value are outweighed by one at it
    far      steps from the value from which a reading has been away
    longest  rows that it may be away
    within   rows in which the returns must lie, so that swings of the engine control do not make them
    """

    weight: int
    far: float
    longest: int
    within: int


_END_RULES = (
    _Rule(weight=5, far=5.5, longest=400, within=400),  # fine steps: none of them has a sixth of the readings
    _Rule(weight=1, far=1.5, longest=60, within=1500),  # coarse steps: half of the readings at the value
)
"""Our choice; noise behind a lag of 0.1 s crosses its middle about four times a second at ten samples a
second, and oftener at more (computed), while a closed loop swings once or twice."""

_STAYED_ROWS, _STAYED_RETURNS, _STAYED_STEPS = 150, 2, 3.0
"""Rows at the value, returns to it, and steps by which half of the others moved for certain in these rows,
from which it is the end of the range as well: our choice. Live readings that have half of their rows at the
value and none beyond lie within two steps (computed: of normal noise), and those of the others with them."""

_MOST_SCORE = 400
"""The most rows that are kept of a long rest at the value: our choice, four seconds."""


@dataclass(slots=True)
class _Extreme:
    """One node's largest reading so far, and what speaks for its being the end of the range.

    score    rows at it, by their weight, less rows beside it; never below zero
    left     row at which the last reading at it ended
    away     a reading has been far from it since
    returns  rows at which a reading came back from far away
    stayed, came_back  rows at it, and how often a reading came back to it, as long as the score lasts
    low, high  float64[n], the range of all nodes' readings in these rows
    """

    rule: _Rule
    low: Floats
    high: Floats
    value: float = -np.inf
    score: int = 0
    left: int = 0
    away: bool = False
    found: bool = False
    stayed: int = 0
    came_back: int = 0
    returns: deque[int] = field(default_factory=lambda: deque(maxlen=_RETURNS))

    def move_to(self, value: float) -> None:
        """A larger reading: what was found is disproved."""
        self.value, self.score, self.away, self.found = value, 0, False, False
        self._forget()

    def pass_beside(self, rows: int, far: bool) -> None:
        """Takes rows whose readings do not reach the value."""
        self.away |= far
        self.score = max(self.score - rows, 0)
        if not self.score:
            self._forget()

    def _forget(self) -> None:
        self.returns.clear()
        self.stayed = self.came_back = 0
        self.low[:], self.high[:] = np.inf, -np.inf

    def stay(self, row: int, rows: int) -> None:
        """Takes rows at the value, the first of which is number `row`."""
        rule = self.rule
        self.score = min(self.score + rule.weight * rows, rule.weight * _MOST_SCORE)
        if self.away and row - self.left <= rule.longest:
            self.returns.append(row)
            whole = len(self.returns) == _RETURNS
            self.found |= whole and row - self.returns[0] <= rule.within
        self.came_back += row > self.left
        self.away, self.left = False, row + rows

    def watch(self, node: int, others: Floats, step: Floats) -> int:
        """Takes all nodes' readings in rows at the value; the row from which it is the end, or their number.

        others, step: float64[k, n]; minus infinity where a reading says nothing.
        """
        heard = np.where(np.isfinite(others), others, np.nan)
        stayed = self.stayed + np.arange(1, len(others) + 1)
        self.stayed += len(others)
        if self.stayed < _STAYED_ROWS or self.came_back < _STAYED_RETURNS:
            self.low = np.fmin(self.low, np.fmin.reduce(heard))
            self.high = np.fmax(self.high, np.fmax.reduce(heard))
            return len(others)
        low, high = _ranges(self.low, self.high, heard)
        self.low, self.high = low[-1].copy(), high[-1].copy()
        moved = moved_by_others(node, low, high, step, abs(self.value))[1]
        enough = (stayed >= _STAYED_ROWS) & (moved >= _STAYED_STEPS * step[:, node])
        return int(enough.argmax()) if enough.any() else len(others)


class EndSearch:
    """The upper end of the range of n nodes' readings. Carry: an `_Extreme` a node, and the row's number."""

    def __init__(self, nodes: int) -> None:
        self._extremes = [
            [_Extreme(rule, np.full(nodes, np.inf), np.full(nodes, -np.inf)) for _ in range(nodes)]
            for rule in _END_RULES
        ]
        self._rows = 0

    def feed(self, reading: Floats, step: Floats) -> Floats:
        """The end of the range at every reading float64[k, n], as known then; NaN where not known.

        reading: NaN where it says nothing about the range.
        step: of the readings, as from `StepSearch`.
        """
        if not len(reading):
            return np.zeros(reading.shape)
        known = np.where(np.isnan(reading), -np.inf, reading)
        largest = known.max(axis=0)
        ends = [self._feed_rule(extremes, known, largest, step) for extremes in self._extremes]
        self._rows += len(reading)
        return ends[0] if not np.isfinite(ends[1]).any() else np.fmax(*ends)

    def _feed_rule(self, extremes: list[_Extreme], known: Floats, largest: Floats, step: Floats) -> Floats:
        """The same by one of the rules."""
        out: Floats = np.broadcast_to([e.value if e.found else np.nan for e in extremes], known.shape)
        heard, far = self._count_beside(extremes, known, step)
        for node, (extreme, top) in enumerate(zip(extremes, largest.tolist(), strict=True)):
            if top == -np.inf or (extreme.found and top <= extreme.value + LEAST_STEP):
                continue
            if top < extreme.value - LEAST_STEP:
                extreme.pass_beside(heard[node], far[node])
                continue
            if out.strides[0] == 0:
                out = out.copy()
            out[:, node] = self._walk(extreme, node, known, step)
        return out

    @staticmethod
    def _count_beside(extremes: list[_Extreme], known: Floats, step: Floats) -> tuple[list[int], list[bool]]:
        """How many readings of each node there are, and whether one is far from its largest so far."""
        heard = known > -np.inf
        value = np.array([extreme.value for extreme in extremes])
        with np.errstate(invalid="ignore"):  # an infinite reading, and no step known
            far = (known < value - extremes[0].rule.far * step) & heard
        rows: list[int] = heard.sum(axis=0).tolist()
        away: list[bool] = np.logical_or.reduce(far, axis=0).tolist()
        return rows, away

    def _walk(self, extreme: _Extreme, node: int, known: Floats, steps: Floats) -> Floats:
        """One node's readings, by those that reach the largest so far; the others only pass."""
        column, step = known[:, node], steps[:, node]
        ends = np.empty(len(column))
        begins, leaves, last = _find_visits(column, extreme.value)
        done = visit = 0
        while visit < len(begins):
            begin = begins[visit]
            self._pass(extreme, column[done:begin], step[done:begin], ends[done:begin])
            if column[begin] > extreme.value + LEAST_STEP:
                if (
                    last[visit] > visit
                ):  # all that a larger one leaves of these is when the newest of them ended
                    visit = last[visit]
                    extreme.left = self._rows + leaves[visit - 1]
                    ends[begin : begins[visit]] = np.nan
                    begin = begins[visit]
                extreme.move_to(float(column[begin]))
            done = leaves[visit]
            extreme.stay(self._rows + begin, done - begin)
            since = done
            if extreme.rule.weight == 1 and not extreme.found:
                since = begin + extreme.watch(node, known[begin:done], steps[begin:done])
            ends[begin:since] = extreme.value if extreme.found else np.nan
            ends[since:done] = extreme.value
            extreme.found |= since < done
            visit += 1
        self._pass(extreme, column[done:], step[done:], ends[done:])
        return ends

    def _pass(self, extreme: _Extreme, column: Floats, step: Floats, ends: Floats) -> None:
        """Readings that do not reach the largest so far."""
        heard = column > -np.inf
        far = heard & (column < extreme.value - extreme.rule.far * step)
        extreme.pass_beside(int(np.count_nonzero(heard)), bool(far.any()))
        ends[:] = extreme.value if extreme.found else np.nan


def _find_visits(column: Floats, value: float) -> tuple[list[int], list[int], list[int]]:
    """Where one node's readings reach the largest so far, `value` before them.

    The row at which each visit begins, the one at which it ends, and the number of the last visit up to which
    each reaches farther than the one before.
    """
    largest = np.maximum.accumulate(np.maximum(column, value))
    reach = (column >= largest - LEAST_STEP) & (column > -np.inf)
    change = np.flatnonzero(np.concatenate([[True], column[1:] != column[:-1]]))
    reached = reach[change]
    begins, leaves = change[reached], np.append(change[1:], len(column))[reached]
    tops = column[begins]
    stops = np.append(np.flatnonzero(~(tops[1:] > tops[:-1] + LEAST_STEP)), len(tops) - 1)
    last = stops[np.searchsorted(stops, np.arange(len(tops)))]
    return begins.tolist(), leaves.tolist(), last.tolist()
