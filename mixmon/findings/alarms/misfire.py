"""Misfire marks: whether a lean reading may be a misfire, told from its shape while it comes.

Charges that did not burn leave far more oxygen than any mixture that burns. A sensor shows that gas behind
its lag, so its height is what the reading would come to: the reading and its lag times its slope. Where that
is leaner than any mixture that burns, a lean alarm is marked `misfire?` within some tenths of a second. The
finding of events weighs the whole bump seconds later, and confirms the mark or withdraws it.

A lag that was not measured is the usual one; behind a much slower sensor the gas looks less lean than it was,
and a short misfire leaves no mark.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from itertools import pairwise

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints, Times
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.lags import node_lags
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import Node


class MisfireMark(StrEnum):
    """What is known of a lean alarm's cause; the value is the word for it."""

    SUSPECTED = "misfire?"
    CONFIRMED = "misfire"
    WITHDRAWN = "no misfire"


def marked_name(name: str, mark: MisfireMark | None, *, lean_before: bool) -> str:
    """The name of an alarm with its mark; one that is withdrawn is no part of the name any more.

    >>> [marked_name("lean", MisfireMark.SUSPECTED, lean_before=before) for before in (False, True)]
    ['lean misfire?', 'lean+misfire?']
    """
    if mark in {None, MisfireMark.WITHDRAWN}:
        return name
    return f"{name}+{mark}" if lean_before else f"{name} {mark}"


LEANEST_BURNT = 1.4
"""Lambda: leaner charges of a spark-ignition engine hardly burn (common practice, no source). What seems to
be leaner came from charges that did not."""

SLOPE_ROWS, LEAST_SLOPE_NS = 3, 25_000_000
"""Rows over which the slope is taken. Computed: with 0.3 % of white noise and a lag of 0.105 s the gas is
known to some 1.5 % of oxygen, where missed charges are 8 to 13 % and a mixture 30 % lean is 5 %. Samples
that seem to come closer are taken to be so far apart."""

NOISE_ROWS, NEAR_ROWS = 128, 32
"""Rows from which the noise of the gas is taken, and newest rows left out of them. Our choice: a second of
the steady reading before the bump."""

NOISE_TIMES = 3.0
"""The gas must be leaner than what burns by so many times its noise. Our choice: noise is seldom marked."""

HELD_NS = 500_000_000
"""For so long after such gas a lean alarm may be due to it. Our choice: the usual on-delay, twice over."""

CONCLUDED_NS = 8_500_000_000
"""From an event's end to its effect on an alarm: one moment for all, so that the records are the same
however the rows are split. Computed: events of misfire and mixture are known 4.5 to 7.7 s after their end, by
the engines of `tools/confusion.py` fed row by row."""

NEAR_NS = 1_000_000_000
"""An event so close to an alarm's beginning may have raised it. Our choice: sensor delay and alarm delay."""

LeanLags = Callable[[int, int], Floats]
"""Lags for what begins at t ns of a stretch, float64[2, n]: lean-going and rich-going seconds."""

_EXPLAINS_LEAN = {
    Kind.MISFIRE: MisfireMark.CONFIRMED,
    Kind.LEAN_EXCURSION: MisfireMark.WITHDRAWN,
    Kind.NO_FUEL: MisfireMark.WITHDRAWN,
    Kind.FUEL_CUT: MisfireMark.WITHDRAWN,
    Kind.SPARK_CUT: MisfireMark.WITHDRAWN,
}
"""What an event says of a lean alarm of the same cylinder; other kinds say nothing of it."""


def mark_by_event(event: Event) -> MisfireMark | None:
    """What an event says of a lean alarm of its cylinders; None for nothing."""
    return _EXPLAINS_LEAN.get(event.kind)


_BEFORE_ALL = -(1 << 62)
"""Before all stamps: computed, its difference from any stamp fits into int64."""

_FEWEST_NOISE_ROWS = 32
"""Readings from which a noise is told; with fewer it counts as none. Our choice: a quarter of the rows."""


class MisfireWatch:
    """A stage: rows in, where a lean reading may be a misfire.

    lags   of the sensors, for any moment of the rows that are fed; None: the usual ones

    Kept: the last rows, the gas that they make for, and when each node last showed gas that did not burn.
    """

    def __init__(self, nodes: Sequence[Node], fuel: Fuel, lags: LeanLags | None = None) -> None:
        n = len(nodes)
        self._limit = float(oxygen_balance(LEANEST_BURNT, fuel))
        usual = node_lags(nodes, None)
        self._lags = lags or (lambda _stretch, _t: usual)
        self._oxygen = np.full((SLOPE_ROWS, n), np.nan)
        self._sampled = np.zeros((SLOPE_ROWS, n), np.int64)
        self._stretch: Ints = np.full(SLOPE_ROWS, -1, np.int64)
        self._gas = np.full((NOISE_ROWS + NEAR_ROWS, n), np.nan)
        self._seen: Times = np.full(n, _BEFORE_ALL, np.int64)

    def feed(self, rows: CylinderBlock) -> Bools:
        """bool[k, n]: gas that no burnt charge leaves came at this node within the last half second."""
        before = int(self._stretch[-1])
        gas = self._find_gas(rows)
        history = np.concatenate([self._gas, gas])
        self._gas = history[-(NOISE_ROWS + NEAR_ROWS) :].copy()
        found: Bools = (gas > self._limit) | (rows.state == SampleState.AT_LEAN_LIMIT)
        if found.any():
            found = found & ~self._find_burnt(history, gas, found)
        elif (self._seen == _BEFORE_ALL).all():
            return found
        return self._hold(rows, found, before)

    def _find_gas(self, rows: CylinderBlock) -> Floats:
        """Oxygen that each reading makes for, percent, float64[k, n]; NaN where it is not known."""
        k, counts = len(rows), rows.state == SampleState.VALID
        oxygen = np.concatenate([self._oxygen, np.where(counts, rows.oxygen, np.nan)])
        sampled = np.concatenate([self._sampled, rows.t[:, np.newaxis] - rows.age])
        stretch = np.concatenate([self._stretch, rows.stretch])
        self._oxygen, self._sampled = oxygen[-SLOPE_ROWS:].copy(), sampled[-SLOPE_ROWS:].copy()
        self._stretch = stretch[-SLOPE_ROWS:].copy()
        apart = np.maximum(sampled[SLOPE_ROWS:] - sampled[:k], LEAST_SLOPE_NS) / SECOND_NS
        slope = (oxygen[SLOPE_ROWS:] - oxygen[:k]) / apart
        mean = np.add.reduce([oxygen[i + 1 : i + 1 + k] for i in range(SLOPE_ROWS)]) / SLOPE_ROWS
        gas: Floats = mean + self._find_lags(rows) * slope
        gas[stretch[SLOPE_ROWS:] != stretch[:k]] = np.nan
        return gas

    def _find_lags(self, rows: CylinderBlock) -> Floats:
        """Lean-going lags, s: float64[n], or float64[k, n] where one changes within these rows."""
        times = list(zip(rows.stretch.tolist(), rows.t.tolist(), strict=True))
        first, last = self._lags(*times[0]), self._lags(*times[-1])
        if first is last:
            lean: Floats = first[0]
            return lean
        return np.array([self._lags(*moment)[0] for moment in times])

    def _find_burnt(self, history: Floats, gas: Floats, found: Bools) -> Bools:
        """Where what was found may have burnt: it is no leaner than a mixture can be, and its noise."""
        burnt = np.zeros(gas.shape, np.bool_)
        row, node = np.nonzero(found & ~np.isnan(gas))
        if len(row):
            windows = np.lib.stride_tricks.sliding_window_view(history, NOISE_ROWS, axis=0)[row, node]
            few = np.isnan(windows).sum(axis=1) > NOISE_ROWS - _FEWEST_NOISE_ROWS
            windows = np.where(few[:, np.newaxis], np.nan_to_num(windows, nan=self._limit), windows)
            usual = np.nanmedian(windows, axis=1)
            scatter = _SIGMA * np.nanmedian(np.abs(windows - usual[:, np.newaxis]), axis=1)
            burnt[row, node] = gas[row, node] <= self._limit + NOISE_TIMES * np.where(few, 0.0, scatter)
        return burnt

    def _hold(self, rows: CylinderBlock, found: Bools, before: int) -> Bools:
        """True for a while after what was found; `before` is the stretch of time of the row before."""
        held = np.zeros(found.shape, np.bool_)
        for part in _each_stretch(rows.stretch):
            if rows.stretch[part.start] != before:
                self._seen = np.full(found.shape[1], _BEFORE_ALL, np.int64)
            before, t = int(rows.stretch[part.start]), rows.t[part, np.newaxis]
            newest = np.maximum(
                np.maximum.accumulate(np.where(found[part], t, _BEFORE_ALL), axis=0), self._seen
            )
            held[part] = t - newest <= HELD_NS
            self._seen = newest[-1]
        return held


_SIGMA = 1.4826
"""Standard deviation of normal noise over its median distance from the median (computed)."""


def _each_stretch(stretch: Ints) -> Iterator[slice]:
    """The rows of each stretch of time."""
    edges = [0, *(np.flatnonzero(np.diff(stretch)) + 1).tolist(), len(stretch)]
    return (slice(first, end) for first, end in pairwise(edges))
