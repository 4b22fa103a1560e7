"""How far each cylinder is from what it did before and after, once what all do is taken away.

In oxygen balance, where the sensor is linear, the reading of node i at a row is

    reading = target, lagged as the sensor lags  +  slow offset of the node  +  slow level of all
              + quick movement of all  +  excess of the node

The slow parts are medians over about four seconds on either side, so that an excess of up to
four seconds does not bend them, and a step of the operating point leaves them as sharp as it
is. The quick movement of all is the middle of the nodes and of zero: with two nodes it is what
both do, with one it is nothing.

An excess counts once it passes a limit: so many standard deviations of this sensor, by what is
typical of engines and by what this one has shown, and more while all cylinders move, for their
sensors and their gas are not equally quick.

The rows of a stretch before its first target count as without one; when it comes, the readings are
taken to have settled on it. Where targets are told, the first second is not judged as long as none
has come.

Everything is worked out over beats of 32 rows counted from the start of a stretch of time, so
the result does not depend on how the rows came. Kept: the rows that are not settled yet, and
the medians of the last beats.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Bools, Floats
from mixmon.findings.stats import SIGMA_OF_MAD, median_with_holes
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import FirstOrderLag, SensorLag
from mixmon.gas.transport import UNKNOWN_CYCLE_S
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import rolling_extreme

# ----------------------------------------------------------------------------------------------------
# What the search for events takes from the rows: a handful of columns that can be joined and cut.
# ----------------------------------------------------------------------------------------------------

Table = dict[str, NDArray[Any]]
"""Columns of equal length by name.

t        int64[k]       ns
oxygen   float64[k, n]  oxygen balance, percent; NaN where the node did not measure
lam      float64[k, n]  the same as lambda
age      int64[k, n]    ns since the sample was sent
state    uint8[k, n]    SampleState
rpm, load, throttle   float64[k]  NaN where not known
valve_rpm, valve_load  float64[k, n]  the same when the gas now at each sensor left its valve
target   float64[k, n]  lambda asked for, at the same moment; NaN where not known
fuel_cut, spark_cut   bool[k, n]  claims of the engine control for the gas now at each sensor
asked    bool[k, n]     a target is known
"""

TURNING_RPM = 300.0
"""Below this the engine is cranked or stands; what is in its pipes is no exhaust (common practice, no
source)."""

NOT_MEASURING = (
    SampleState.WARMING,
    SampleState.SILENT,
    SampleState.SUSPECT,
    SampleState.LEFT_OUT,
)
"""States in which the number held is not what the gas is. A sample at a limit of its range still
says that the gas is beyond, and one in a cut is true."""

_NOT_MEASURING = np.isin(np.arange(len(SampleState)), NOT_MEASURING)


def observed(block: CylinderBlock) -> Table:
    """The columns of a block."""
    shape = block.lam.shape
    measuring = ~_NOT_MEASURING[block.state] & np.isfinite(block.oxygen)
    target = _shifted(block, "target")
    return {
        "t": block.t,
        "oxygen": np.where(measuring, block.oxygen, np.nan),
        "lam": block.lam,
        "age": block.age,
        "state": block.state,
        **{name: block.now.get(name, np.full(shape[0], np.nan)) for name in ("rpm", "load", "throttle")},
        "valve_rpm": _shifted(block, "rpm"),
        "valve_load": _shifted(block, "load"),
        "target": target,
        "fuel_cut": np.nan_to_num(_shifted(block, "fuel_cut")) > 0,
        "spark_cut": np.nan_to_num(_shifted(block, "spark_cut")) > 0,
        "asked": ~np.isnan(target),
    }


def _shifted(block: CylinderBlock, name: str) -> Floats:
    return block.shifted.get(name, np.full(block.lam.shape, np.nan))


def joined(first: Table, second: Table) -> Table:
    """Rows of the first, then rows of the second; the first may be without columns."""
    return {name: np.concatenate([first[name], second[name]]) for name in second} if first else second


def part(table: Table, begin: int, end: int) -> Table:
    """Rows from `begin` up to but without `end`."""
    return {name: column[begin:end] for name, column in table.items()}


BEAT = 32
REACH = 12
"""Beats on either side of a beat over which the slow parts are medians."""

_MEMORY = 60  # beats over which a node's noise is learnt
_LATELY = 24  # of these: twice as long as an excess may last, so that one does not raise its own limit
_STARTING_NS = 1_500_000_000  # until the pipes of a starting engine are full of exhaust
_UNASKED_NS = SECOND_NS  # a target comes by then, pipe included, or there is none
_FEWEST_BEAT_ROWS = 8  # of a beat, for its median to count
_FEWEST_BEATS = 3  # of a window

_CYCLE_NOISE = 0.32  # oxygen percent: 1.5 % of fuel from cycle to cycle, common practice, no source
_WHITE_NOISE = 0.07  # oxygen percent: 0.003 lambda, common practice, no source
_SIGMAS = 6.0
_QUIETEST, _UNPROVED = 1.0, 1.25  # noise over the typical: never taken for less; while little was seen
_PROVED_BEATS = 20
_NOISIEST, _FEWEST_PEERS = 1.7, 3
"""A node is not taken for noisier than so many times its peers: it is one that misfires on and on."""

_LEAST_LIMIT = 0.6  # oxygen percent, about 0.025 lambda at lambda 0.9

_RANGE_BEFORE, _RANGE_AFTER = 100, 15  # rows over which the movement of all is looked at
_RANGE_QUIET = 0.6  # oxygen percent
_RANGE_SHARE = 0.6
"""Part of the movement of all that one node alone may seem to make because it is slower or quicker:
time constants of 85 and 300 ms are 0.45 of a common step apart at most (computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """Rows whose slow parts are known.

    rows    what was observed, see `observed.Table`
    excess  float64[k, n]  oxygen percent above what is expected of the node; NaN where not known
    limit   float64[k, n]  what an excess must pass to count
    common  float64[k]     quick movement of all nodes, oxygen percent
    moved   float64[k]     largest less smallest reading of the middle node around the row
    last    True if nothing follows in this stretch of time
    """

    rows: Table
    excess: Floats
    limit: Floats
    common: Floats
    moved: Floats
    last: bool


class Baseline:
    """A stage: CylinderBlocks in, rows with their excess out, a little over four seconds later."""

    def __init__(self, lags: Sequence[SensorLag], fuel: Fuel, strokes: int = 4) -> None:
        self._lags, self._fuel, self._strokes = tuple(lags), fuel, strokes
        self._total_s = np.array([lag.total_s for lag in lags])
        self._stretch: int | None = None
        self._asks = False
        self._restart()

    def _restart(self) -> None:
        step = GRID_NS / 1e9
        lean, rich, still = ([getattr(g, f) for g in self._lags] for f in ("lean_s", "rich_s", "filter_s"))
        self._target_lags = (FirstOrderLag(step, lean, rich), FirstOrderLag(step, still))
        self._target: Floats | None = None
        self._first_target: Floats | None = None
        self._begun: int | None = None
        self._stood = -_STARTING_NS
        self._raw: Table = {}  # rows of a beat that is not whole
        self._rows: Table = {}  # rows of whole beats from `_first` on
        self._first = self._next = 0  # first beat of `_rows`; next beat to settle
        self._beats: Table = {}  # one row a beat from the start of the stretch less `_dropped`
        self._dropped = 0

    def feed(self, block: CylinderBlock) -> Iterator[Settled]:
        """Rows that are now settled. A block lies within one stretch of time."""
        if not len(block):
            return
        if self._stretch != block.stretch[0]:
            yield from self.flush()
            self._stretch = int(block.stretch[0])
        self._asks = "target" in block.shifted
        self._raw = joined(self._raw, observed(block))
        whole = len(self._raw["t"]) // BEAT * BEAT
        if whole:
            new, self._raw = part(self._raw, 0, whole), part(self._raw, whole, len(self._raw["t"]))
            self._take(new)
            yield from self._settle(self._known() - REACH - 1, last=False)

    def flush(self) -> Iterator[Settled]:
        """What is left of the stretch of time; the stage can go on with another."""
        left = len(self._raw["t"]) if self._raw else 0
        if left:
            self._take(self._raw)
        if self._known():
            yield from self._settle(self._known(), last=True)
        self._restart()

    def _known(self) -> int:
        """Beats taken in this stretch."""
        return self._dropped + (len(self._beats["cycle_s"]) if self._beats else 0)

    def _take(self, rows: Table) -> None:
        """Adds rows, whole beats but for the last, with what can be said of them at once."""
        expected, asked = self._expected(rows["target"])
        if self._begun is None:
            self._begun = int(rows["t"][0])
        unasked = ~asked & (self._asks & (rows["t"] - self._begun < _UNASKED_NS))[:, None]
        rows["oxygen"] = np.where(self._stands(rows)[:, None] | unasked, np.nan, rows["oxygen"])
        z = rows["oxygen"] - expected
        middle = median_with_holes(z, 1)
        rows = {
            **rows,
            "expected": expected,
            "z": z,
            "middle": middle,
            "reading": middle + expected.mean(axis=1),
        }
        cycle = 30.0 * self._strokes / np.where(rows["rpm"] > 0, rows["rpm"], np.nan)
        beats = {
            "offset": _by_beat(z - middle[:, None]),
            "level": _by_beat(middle),
            "cycle_s": np.nan_to_num(_by_beat(cycle), nan=UNKNOWN_CYCLE_S),
        }
        beats["noise"] = np.full_like(beats["offset"], np.nan)
        self._rows, self._beats = joined(self._rows, rows), joined(self._beats, beats)

    def _stands(self, rows: Table) -> Bools:
        """Rows of an engine that stands or has just started: what is in its pipes is no exhaust."""
        last = np.where(rows["rpm"] < TURNING_RPM, rows["t"], self._stood)
        last = np.maximum.accumulate(np.concatenate([[self._stood], last]))[1:]
        self._stood = int(last[-1])
        return np.asarray(rows["t"] - last < _STARTING_NS)

    def _expected(self, target: Floats) -> tuple[Floats, Bools]:
        """What the readings would be if the mixture were as asked for, 0 until a target is known; if one is.

        The lags see how far the target is from the first one, which is 0 until that is known.
        """
        nothing = np.full((1, target.shape[1]), np.nan)
        held = np.concatenate([nothing if self._target is None else self._target, target])
        newest = np.maximum.accumulate(np.where(np.isnan(held), 0, np.arange(len(held))[:, None]), axis=0)
        held = np.take_along_axis(held, newest, axis=0)
        self._target = held[-1:].copy()
        x = oxygen_balance(held[1:], self._fuel)
        asked = np.isfinite(x)
        first = np.take_along_axis(np.where(asked, x, np.nan), asked.argmax(axis=0)[None], axis=0)
        if self._first_target is not None:
            first = np.where(np.isnan(self._first_target), first, self._first_target)
        self._first_target = first
        moved = np.where(asked, x - first, 0.0)
        for lag in self._target_lags:
            moved = lag.feed(moved)
        return np.where(asked, moved + first, 0.0), asked

    def _settle(self, end: int, *, last: bool) -> Iterator[Settled]:
        """Settles beats from `_next` up to but without `end`."""
        begin = self._next
        if end <= begin:
            return
        self._next = end
        rows = part(self._rows, (begin - self._first) * BEAT, (end - self._first) * BEAT)
        offset, level = self._slow("offset", begin, end), self._slow("level", begin, end)
        count = len(rows["t"])
        e = rows["z"] - offset[:count] - level[:count, None]
        common = _middle_with_zero(e)
        excess = e - common[:, None]
        moved = self._moved(begin, end)[:count]
        limit = np.repeat(self._limit(excess, begin, end), BEAT, axis=0)[:count]
        limit += (_RANGE_SHARE * np.maximum(moved - _RANGE_QUIET, 0.0))[:, None]
        yield Settled(rows, excess, limit, common, moved, last)
        self._forget()

    def _slow(self, name: str, begin: int, end: int) -> Floats:
        """Median over the window of each beat, as straight lines between the middles of the beats."""
        beats = self._beats[name]
        column = beats[:, None] if beats.ndim == 1 else beats
        low, high = begin - 1 - REACH - self._dropped, end + 1 + REACH - self._dropped
        padded = _padded(column, low, high)
        windows = sliding_window_view(padded, 2 * REACH + 1, axis=0)
        slow = median_with_holes(windows, 2, _FEWEST_BEATS)
        line = _lines(slow)
        return line[:, 0] if beats.ndim == 1 else line

    def _moved(self, begin: int, end: int) -> Floats:
        """Range of the middle reading from a second before each row to a little after it."""
        first = (begin - self._first) * BEAT - _RANGE_BEFORE
        x = _padded(self._rows["reading"][:, None], first, (end - self._first) * BEAT + _RANGE_AFTER)[:, 0]
        window = _RANGE_BEFORE + 1 + _RANGE_AFTER
        return rolling_extreme(np.fmax, x, window) - rolling_extreme(np.fmin, x, window)

    def _limit(self, excess: Floats, begin: int, end: int) -> Floats:
        """Per beat and node, from noise that is typical and noise that was seen."""
        here = slice(begin - self._dropped, end - self._dropped)
        cycle = self._beats["cycle_s"][here, None]
        typical = np.sqrt(_WHITE_NOISE**2 + _CYCLE_NOISE**2 * cycle / (2.0 * self._total_s + cycle))
        self._beats["noise"][here] = _by_beat(np.abs(excess)) * SIGMA_OF_MAD / typical
        noise = self._beats["noise"]
        padded = _padded(noise, here.start - _MEMORY + 1, here.stop)
        usual = median_with_holes(sliding_window_view(padded, _MEMORY, axis=0), 2)
        lately = median_with_holes(sliding_window_view(padded[_MEMORY - _LATELY :], _LATELY, axis=0), 2)
        count = np.isfinite(sliding_window_view(padded, _MEMORY, axis=0)).sum(axis=2)
        seen = np.fmax(np.fmax(usual, lately), np.where(count < _PROVED_BEATS, _UNPROVED, _QUIETEST))
        peers = median_with_holes(seen, 1, _FEWEST_PEERS)[:, None]
        seen = np.fmin(seen, _NOISIEST * peers)
        return np.maximum(_SIGMAS * seen * typical, _LEAST_LIMIT)

    def _forget(self) -> None:
        """Drops rows and beats that nothing will ask for again."""
        keep = self._next - -(-_RANGE_BEFORE // BEAT)
        if keep > self._first:
            self._rows = part(self._rows, (keep - self._first) * BEAT, len(self._rows["t"]))
            self._first = keep
        drop = self._next - _MEMORY - self._dropped
        if drop > 0:
            self._beats = part(self._beats, drop, len(self._beats["level"]))
            self._dropped += drop


def _by_beat(x: Floats) -> Floats:
    """Median of each beat of float64[k] or [k, n]; the last beat may be short."""
    beats = -(-len(x) // BEAT)
    whole = _padded(x.reshape(len(x), -1), 0, beats * BEAT).reshape(beats, BEAT, -1)
    return median_with_holes(whole, 1, _FEWEST_BEAT_ROWS).reshape(beats, *x.shape[1:])


def _padded(x: Floats, begin: int, end: int) -> Floats:
    """Rows begin..end of float64[k, n], NaN where there are none."""
    inside = x[max(begin, 0) : max(end, 0)]
    if len(inside) == end - begin:
        return inside
    out = np.full((end - begin, x.shape[1]), np.nan)
    at = max(-begin, 0)
    out[at : at + len(inside)] = inside
    return out


def _lines(slow: Floats) -> Floats:
    """Rows of all but the first and last of m beats, between the middles of the beats: [(m - 2) BEAT, n]."""
    before, here, after = slow[:-2], slow[1:-1], slow[2:]
    before = np.where(np.isnan(before), here, before)
    after = np.where(np.isnan(after), here, after)
    at = (np.arange(BEAT) + 0.5) / BEAT - 0.5
    back, ahead = np.maximum(-at, 0.0)[:, None], np.maximum(at, 0.0)[:, None]
    line = here[:, None] + back * (before - here)[:, None] + ahead * (after - here)[:, None]
    return line.reshape(-1, slow.shape[1])


def _middle_with_zero(e: Floats) -> Floats:
    """What the middle of the nodes does, no further from zero than they agree; 0 where none is known."""
    ordered = np.sort(e, axis=1)
    count = np.isfinite(e).sum(axis=1)
    n = e.shape[1]
    odd = count % 2
    low, high = (count - 2 - odd) // 2, (count + odd) // 2
    rows = np.arange(len(e))
    below = np.where(low >= 0, ordered[rows, np.clip(low, 0, n - 1)], -np.inf)
    above = np.where(high < count, ordered[rows, np.clip(high, 0, n - 1)], np.inf)
    known = count > 0
    middle: Floats = np.minimum(np.maximum(np.where(known, below, 0.0), 0.0), np.where(known, above, 0.0))
    return middle
