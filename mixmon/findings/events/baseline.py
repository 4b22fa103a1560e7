"""How far each cylinder is from its own level before and after, less what all cylinders do.

    rows -> observe -> Table -> whole beats -> Baseline -> Settled, a little over four seconds later

Wants: the excess of one cylinder alone, in a unit in which sensors are linear, and a limit for it that
neither noise nor a quick change of the operating point exceeds.

In oxygen balance, where the sensor is linear, the reading of node i at a row is

    reading = target, lagged as the sensor lags  +  slow offset of the node  +  slow level of all
              + quick movement of all  +  excess of the node

Plan: the slow parts are medians over about four seconds on either side, so an excess of up to four seconds
does not bend them, and a step of the operating point stays as sharp as it is. The quick movement of all is
the middle of the nodes and of zero: with two nodes it is what both do, with one it is zero.

An excess counts once it passes a limit: some standard deviations of this sensor, from what is typical of
engines and from what this one has shown, and more while all cylinders move, because their sensors and
their gas are not equally quick.

The rows of a stretch before its first target count as without one; when it comes, the readings are
assumed to have settled on it. Where the log has a target, the first second without one is not judged.

Invariants: everything is computed over beats of 32 rows counted from the start of a stretch, so the result
does not depend on how the rows were divided into blocks; nothing is compared across the ends of a stretch.
State kept: the rows that are not settled, and the medians of the last beats.
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

Table = dict[str, NDArray[Any]]
"""Columns of equal length by name.

t        int64[k]       ns
oxygen   float64[k, n]  oxygen balance, percent; NaN where the node did not measure
lam      float64[k, n]  the same as lambda
age      int64[k, n]    ns since the sample was sent
state    uint8[k, n]    SampleState
rpm, load, throttle   float64[k]  NaN where not known
valve_rpm, valve_load  float64[k, n]  speed and load when the gas now at each sensor left its valve
target   float64[k, n]  lambda asked for, at the same moment; NaN where not known
fuel_cut, spark_cut   bool[k, n]  claims of the engine control for the gas now at each sensor
asked    bool[k, n]     a target is known
"""

TURNING_RPM = 300.0
"""Below this the engine is cranked or stands; what is in its pipes is no exhaust (common practice, no
source)."""

_NOT_MEASURING = np.isin(
    np.arange(len(SampleState)),
    (
        SampleState.WARMING,
        SampleState.SILENT,
        SampleState.SUSPECT,
        SampleState.LEFT_OUT,
        SampleState.DUPLICATE_NODE,
    ),
)
"""By state: True where the value of the sample is not what the gas is. A sample at an end of its range still
shows that the gas is beyond it, and one in a cut is true."""


def observe(block: CylinderBlock) -> Table:
    """Gives the columns of a block."""
    shape = block.lam.shape
    measuring = ~_NOT_MEASURING[block.state] & np.isfinite(block.oxygen)
    target = _value_at_valve(block, "target")
    return {
        "t": block.t,
        "oxygen": np.where(measuring, block.oxygen, np.nan),
        "lam": block.lam,
        "age": block.age,
        "state": block.state,
        **{name: block.now.get(name, np.full(shape[0], np.nan)) for name in ("rpm", "load", "throttle")},
        "valve_rpm": _value_at_valve(block, "rpm"),
        "valve_load": _value_at_valve(block, "load"),
        "target": target,
        "fuel_cut": np.nan_to_num(_value_at_valve(block, "fuel_cut")) > 0,
        "spark_cut": np.nan_to_num(_value_at_valve(block, "spark_cut")) > 0,
        "asked": ~np.isnan(target),
    }


def _value_at_valve(block: CylinderBlock, name: str) -> Floats:
    return block.shifted.get(name, np.full(block.lam.shape, np.nan))


def join_tables(first: Table, second: Table) -> Table:
    """Gives the rows of the first, then those of the second; the first may have no columns."""
    return {name: np.concatenate([first[name], second[name]]) for name in second} if first else second


def take_rows(table: Table, begin: int, end: int) -> Table:
    """Gives the rows from `begin` up to but without `end`."""
    return {name: column[begin:end] for name, column in table.items()}


BEAT = 32
"""Rows of a beat. Our choice: a third of a second holds several cycles, and its median is robust."""

REACH = 12
"""Beats on either side of a beat over which the slow parts are medians: 3.84 s (computed). Our choice: an
excess up to that long does not bend them."""

_MEMORY = 60  # beats over which a node's noise is learnt: 19 s (computed); our choice
_LATELY = 24  # of these: twice as long as an excess may last, so that one does not raise its own limit
_STARTING_NS = 1_500_000_000  # until a starting engine's pipes are full of exhaust: our choice, some cycles
_UNASKED_NS = SECOND_NS  # a target comes by then, pipe included, or there is none
_FEWEST_BEAT_ROWS = 8  # of a beat, for its median to count: our choice, a quarter of its rows
_FEWEST_BEATS = 3  # of a window, for its median to count: our choice, the fewest that outvote one

_CYCLE_NOISE = 0.32  # oxygen percent: 1.5 % of fuel from cycle to cycle, common practice, no source
_WHITE_NOISE = 0.07  # oxygen percent: 0.003 lambda, common practice, no source
_SIGMAS = 6.0
"""Standard deviations of the limit. Our choice: noise alone seldom exceeds it in two rows running, also
where its tails are heavier than normal."""

_QUIETEST, _UNPROVED = 1.0, 1.25
"""Noise over the typical: the least that is assumed, and the least while fewer than `_PROVED_BEATS` have been
seen. Our choice: a quarter more costs little of the smallest excess found."""

_PROVED_BEATS = 20
"""Beats after which the noise seen is trusted: 6.4 s (computed). Our choice."""

_NOISIEST, _FEWEST_PEERS = 1.7, 3
"""A node is not assumed noisier than so many times its peers, where so many are known: a noisier one misfires
all the time. Our choice."""

_LEAST_LIMIT = 0.6  # oxygen percent, about 0.025 lambda at lambda 0.9: our choice, half an excursion

_RANGE_BEFORE, _RANGE_AFTER = 100, 15
"""Rows over which the movement of all is measured. Our choice: sensors differ for a second after a step, and
a quick one begins 0.15 s before the middle."""

_RANGE_QUIET = 0.6
"""Oxygen percent of movement that is ignored. Our choice: the middle of the nodes scatters less."""

_RANGE_SHARE = 0.6
"""Part of the movement of all that one node alone may seem to make because it is slower or quicker:
time constants of 85 and 300 ms are 0.45 of a common step apart at most (computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """Rows whose slow parts are known.

    rows    what was observed, see `Table`
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
        """Gives rows that are now settled. A block lies within one stretch of time."""
        if not len(block):
            return
        if self._stretch != block.stretch[0]:
            yield from self.flush()
            self._stretch = int(block.stretch[0])
        self._asks = "target" in block.shifted
        self._raw = join_tables(self._raw, observe(block))
        whole = len(self._raw["t"]) // BEAT * BEAT
        if whole:
            new, self._raw = take_rows(self._raw, 0, whole), take_rows(self._raw, whole, len(self._raw["t"]))
            self._add_rows(new)
            yield from self._settle_beats(self._count_beats() - REACH - 1, last=False)

    def flush(self) -> Iterator[Settled]:
        """Gives what is left of the stretch; the stage can continue with another."""
        left = len(self._raw["t"]) if self._raw else 0
        if left:
            self._add_rows(self._raw)
        if self._count_beats():
            yield from self._settle_beats(self._count_beats(), last=True)
        self._restart()

    def _count_beats(self) -> int:
        """Counts the beats of this stretch."""
        return self._dropped + (len(self._beats["cycle_s"]) if self._beats else 0)

    def _add_rows(self, rows: Table) -> None:
        """Adds rows, whole beats except the last, with the values that need no other beat."""
        expected, asked = self._expect_readings(rows["target"])
        if self._begun is None:
            self._begun = int(rows["t"][0])
        unasked = ~asked & (self._asks & (rows["t"] - self._begun < _UNASKED_NS))[:, None]
        rows["oxygen"] = np.where(self._is_standing(rows)[:, None] | unasked, np.nan, rows["oxygen"])
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
            "offset": _median_by_beat(z - middle[:, None]),
            "level": _median_by_beat(middle),
            "cycle_s": np.nan_to_num(_median_by_beat(cycle), nan=UNKNOWN_CYCLE_S),
        }
        beats["noise"] = np.full_like(beats["offset"], np.nan)
        self._rows, self._beats = join_tables(self._rows, rows), join_tables(self._beats, beats)

    def _is_standing(self, rows: Table) -> Bools:
        """Marks rows of an engine that stands or has just started: what is in its pipes is no exhaust."""
        last = np.where(rows["rpm"] < TURNING_RPM, rows["t"], self._stood)
        last = np.maximum.accumulate(np.concatenate([[self._stood], last]))[1:]
        self._stood = int(last[-1])
        return np.asarray(rows["t"] - last < _STARTING_NS)

    def _expect_readings(self, target: Floats) -> tuple[Floats, Bools]:
        """Gives the readings of a mixture on target, 0 until a target is known, and where one is known.

        The lags receive the difference between the target and the first one, 0 until a target is known.
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

    def _settle_beats(self, end: int, *, last: bool) -> Iterator[Settled]:
        """Settles beats from `_next` up to but without `end`."""
        begin = self._next
        if end <= begin:
            return
        self._next = end
        rows = take_rows(self._rows, (begin - self._first) * BEAT, (end - self._first) * BEAT)
        offset, level = self._find_slow_part("offset", begin, end), self._find_slow_part("level", begin, end)
        count = len(rows["t"])
        e = rows["z"] - offset[:count] - level[:count, None]
        common = _middle_with_zero(e)
        excess = e - common[:, None]
        moved = self._measure_movement(begin, end)[:count]
        limit = np.repeat(self._compute_limits(excess, begin, end), BEAT, axis=0)[:count]
        limit += (_RANGE_SHARE * np.maximum(moved - _RANGE_QUIET, 0.0))[:, None]
        yield Settled(rows, excess, limit, common, moved, last)
        self._drop_old_rows()

    def _find_slow_part(self, name: str, begin: int, end: int) -> Floats:
        """Gives the median over the window of each beat, with straight lines between the middles of beats."""
        beats = self._beats[name]
        column = beats[:, None] if beats.ndim == 1 else beats
        low, high = begin - 1 - REACH - self._dropped, end + 1 + REACH - self._dropped
        padded = _pad_rows(column, low, high)
        windows = sliding_window_view(padded, 2 * REACH + 1, axis=0)
        slow = median_with_holes(windows, 2, _FEWEST_BEATS)
        line = _join_beats(slow)
        return line[:, 0] if beats.ndim == 1 else line

    def _measure_movement(self, begin: int, end: int) -> Floats:
        """Gives the range of the middle reading from a second before each row to a little after it."""
        first = (begin - self._first) * BEAT - _RANGE_BEFORE
        x = _pad_rows(self._rows["reading"][:, None], first, (end - self._first) * BEAT + _RANGE_AFTER)[:, 0]
        window = _RANGE_BEFORE + 1 + _RANGE_AFTER
        return rolling_extreme(np.fmax, x, window) - rolling_extreme(np.fmin, x, window)

    def _compute_limits(self, excess: Floats, begin: int, end: int) -> Floats:
        """Gives the limit of each beat and node, from typical noise and from noise that was seen."""
        here = slice(begin - self._dropped, end - self._dropped)
        cycle = self._beats["cycle_s"][here, None]
        typical = np.sqrt(_WHITE_NOISE**2 + _CYCLE_NOISE**2 * cycle / (2.0 * self._total_s + cycle))
        self._beats["noise"][here] = _median_by_beat(np.abs(excess)) * SIGMA_OF_MAD / typical
        noise = self._beats["noise"]
        padded = _pad_rows(noise, here.start - _MEMORY + 1, here.stop)
        usual = median_with_holes(sliding_window_view(padded, _MEMORY, axis=0), 2)
        lately = median_with_holes(sliding_window_view(padded[_MEMORY - _LATELY :], _LATELY, axis=0), 2)
        count = np.isfinite(sliding_window_view(padded, _MEMORY, axis=0)).sum(axis=2)
        seen = np.fmax(np.fmax(usual, lately), np.where(count < _PROVED_BEATS, _UNPROVED, _QUIETEST))
        peers = median_with_holes(seen, 1, _FEWEST_PEERS)[:, None]
        seen = np.fmin(seen, _NOISIEST * peers)
        return np.maximum(_SIGMAS * seen * typical, _LEAST_LIMIT)

    def _drop_old_rows(self) -> None:
        """Drops rows and beats that are not needed again."""
        keep = self._next - -(-_RANGE_BEFORE // BEAT)
        if keep > self._first:
            self._rows = take_rows(self._rows, (keep - self._first) * BEAT, len(self._rows["t"]))
            self._first = keep
        drop = self._next - _MEMORY - self._dropped
        if drop > 0:
            self._beats = take_rows(self._beats, drop, len(self._beats["level"]))
            self._dropped += drop


def _median_by_beat(x: Floats) -> Floats:
    """Gives the median of each beat of float64[k] or [k, n]; the last beat may be short."""
    beats = -(-len(x) // BEAT)
    whole = _pad_rows(x.reshape(len(x), -1), 0, beats * BEAT).reshape(beats, BEAT, -1)
    return median_with_holes(whole, 1, _FEWEST_BEAT_ROWS).reshape(beats, *x.shape[1:])


def _pad_rows(x: Floats, begin: int, end: int) -> Floats:
    """Gives rows begin..end of float64[k, n], NaN where there are none."""
    inside = x[max(begin, 0) : max(end, 0)]
    if len(inside) == end - begin:
        return inside
    out = np.full((end - begin, x.shape[1]), np.nan)
    at = max(-begin, 0)
    out[at : at + len(inside)] = inside
    return out


def _join_beats(slow: Floats) -> Floats:
    """Interpolates m beats, without the first and the last, between their middles: [(m - 2) BEAT, n]."""
    before, here, after = slow[:-2], slow[1:-1], slow[2:]
    before = np.where(np.isnan(before), here, before)
    after = np.where(np.isnan(after), here, after)
    at = (np.arange(BEAT) + 0.5) / BEAT - 0.5
    back, ahead = np.maximum(-at, 0.0)[:, None], np.maximum(at, 0.0)[:, None]
    line = here[:, None] + back * (before - here)[:, None] + ahead * (after - here)[:, None]
    return line.reshape(-1, slow.shape[1])


def _middle_with_zero(e: Floats) -> Floats:
    """Gives the middle of the nodes and of zero at each row; 0 where none is known."""
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
