"""When the engine holds still, and in which cell.

A row is steady when over the last `settle_s`, itself included, speed, load and target have
stayed within their bands and in one cell; a target that is not known does not matter. The test keeps
only the rows of that time, so any split of the rows gives the same answer.

Where the engine control has reported whether fuel or spark is cut, and then no longer does, nothing is
steady: a reading might be of a cut. A flag that was never reported does not matter.

Cells are the user's axes: a value belongs to the nearest centre, with hysteresis at the
edges so that noise on an edge does not flicker, and not to any cell beyond half a step
outside the outermost centres.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.validity import latch
from mixmon.session.model import Axes, Staging, Validity, reach_of

NOWHERE = -1
"""Cell number of rows that are not steady or lie in no cell."""

TARGET_BAND = 0.006
"""Largest distance of the target from its middle within the settle time, in lambda: our choice, below what a
need is worth."""

EDGE_HYSTERESIS = 0.1
"""How far beyond an edge a value must go to change the cell, in parts of the step between
centres: our choice."""

_CUT_FLAGS = ("fuel_cut", "spark_cut")


@dataclass(frozen=True, slots=True)
class Cell:
    """One operating cell by its centre; None along an axis that is not used.

    injection_stage  1 before the staging line, 2 beyond it; None where injection is not staged
    """

    rpm: float | None
    load: float | None
    injection_stage: int | None = None


class CellGrid:
    """Numbers for the cells of the axes: speed * loads + load; where injection is staged, two for each."""

    def __init__(self, axes: Axes, *, staged: bool = False) -> None:
        self.rpm, self.load, self._stages = axes.rpm, axes.load, 2 if staged else 1

    def __len__(self) -> int:
        return max(len(self.rpm), 1) * max(len(self.load), 1) * self._stages

    def cell(self, number: int) -> Cell:
        """The cell of that number."""
        place, stage = divmod(number, self._stages)
        across, up = divmod(place, max(len(self.load), 1))
        return Cell(
            self.rpm[across] if self.rpm else None,
            self.load[up] if self.load else None,
            stage + 1 if self._stages > 1 else None,
        )


class Bins:
    """A stage: values to the index of the nearest centre, with hysteresis; -1 outside."""

    def __init__(self, centres: tuple[float, ...]) -> None:
        axis = np.array(centres)
        step = np.diff(axis) if len(axis) > 1 else np.array([np.inf])
        self._edges = (axis[:-1] + axis[1:]) / 2
        self._margin = EDGE_HYSTERESIS * step[: len(self._edges)]
        self._ends = reach_of(centres)
        self._above: Bools | None = None

    def restart(self) -> None:
        """Forgets which side of the edges the last value lay on."""
        self._above = None

    def feed(self, x: Floats) -> Ints:
        """Index of the bin for every value of float64[k]; NaN is outside."""
        inside = (x >= self._ends[0]) & (x <= self._ends[1])
        if not len(x):
            return np.zeros(0, np.int64)
        before = self._above if self._above is not None else x[0] > self._edges
        column = x[:, None]
        above = latch(column > self._edges + self._margin, column < self._edges - self._margin, before)
        self._above = above[-1].copy()
        return np.where(inside, above.sum(axis=1), NOWHERE)


class Steady:
    """A stage: CylinderBlocks in, cell numbers out (int64[k], NOWHERE where not steady).

    Where injection is staged, cells are split at the staging line, and rows so near to it that their stage is
    not sure (within the bands of steady speed and load) lie in no cell.

    cuts_unknown  rows in cells, steady or not, for which it is no longer known whether fuel or spark is cut
    near_line     rows that would lie in cells but for the staging line
    """

    def __init__(self, axes: Axes, rules: Validity, staging: Staging | None = None) -> None:
        self.grid = CellGrid(axes, staged=staging is not None)
        self._lines = _lines_of(staging, rules)
        self._window = max(round(rules.settle_s * 1e9) // GRID_NS, 1)
        self._bands = {"rpm": rules.rpm_band, "load": rules.load_band}
        self._bins = {n: Bins(c) for n, c in (("rpm", axes.rpm), ("load", axes.load)) if c}
        self._stretch: int | None = None
        self._history: dict[str, Floats] = {}
        self._reported: set[str] = set()
        self._newest = NOWHERE
        self.cuts_unknown = self.near_line = 0

    def feed(self, block: CylinderBlock) -> Ints:
        """Cell number of every row. A block lies within one stretch of time."""
        if not len(block):
            return np.zeros(0, np.int64)
        if self._stretch != block.stretch[0]:
            self._stretch = int(block.stretch[0])
            self._history, self._reported = {}, set()
            for bins in self._bins.values():
                bins.restart()
        number = self._number_cells(block)
        unknown = self._find_unknown_cuts(block)
        self.cuts_unknown += int(np.count_nonzero(unknown & (number != NOWHERE)))
        number[unknown] = NOWHERE
        still = self._stays_within("cell", number.astype(np.float64), 0.0) & (number != NOWHERE)
        for name, band in self._bands.items():
            if name in block.now:
                still &= self._stays_within(name, block.now[name], band)
        if "target" in block.now:
            still &= self._stays_within("target", block.now["target"], TARGET_BAND, unknown=True)
        cells = np.where(still, number, NOWHERE)
        self._newest = int(cells[-1])
        return cells

    def newest_cell(self) -> tuple[int, int]:
        """Cell of the newest row, steady or not, and for how many rows all has been still.

        At most the rows of the settle time, and just these when the newest row is steady.
        """
        if self._newest != NOWHERE:
            return self._newest, self._window
        column = self._history.get("cell", np.zeros(0))
        if not len(column) or np.isnan(column[-1]) or column[-1] == NOWHERE:
            return NOWHERE, 0
        bands = {"cell": 0.0, "target": TARGET_BAND, **self._bands}
        return int(column[-1]), min(
            _count_still(values, bands[name], unknown=name == "target")
            for name, values in self._history.items()
        )

    def _number_cells(self, block: CylinderBlock) -> Ints:
        """Cell number of every row, steady or not."""
        number = np.zeros(len(block), np.int64)
        for name, count in (("rpm", len(self.grid.rpm)), ("load", len(self.grid.load))):
            if name not in self._bins:
                continue
            values = block.now.get(name, np.full(len(block), np.nan))
            index = self._bins[name].feed(values)
            number = np.where((index == NOWHERE) | (number == NOWHERE), NOWHERE, number * count + index)
        return self._split_at_line(number, block) if self._lines else number

    def _split_at_line(self, number: Ints, block: CylinderBlock) -> Ints:
        """Cell numbers with the injection stage in them; NOWHERE where that is not sure."""
        unknown = np.full(len(block), np.nan)
        columns = [(block.now.get(name, unknown), line, band) for name, line, band in self._lines]
        beyond = np.all([x >= line + band for x, line, band in columns], axis=0)
        before = np.any([x < line - band for x, line, band in columns], axis=0)
        self.near_line += int(np.count_nonzero(~beyond & ~before & (number != NOWHERE)))
        return np.where((number == NOWHERE) | ~(beyond | before), NOWHERE, 2 * number + beyond)

    def _find_unknown_cuts(self, block: CylinderBlock) -> Bools:
        """Rows for which a flag that was reported in this stretch of time is no longer known."""
        unknown = np.zeros(len(block), np.bool_)
        for name in _CUT_FLAGS:
            if name in block.now:
                known = ~np.isnan(block.now[name])
                unknown |= ~known & (np.maximum.accumulate(known) | (name in self._reported))
                if known.any():
                    self._reported.add(name)
        return unknown

    def _stays_within(self, name: str, values: Floats, band: float, *, unknown: bool = False) -> Bools:
        """Rows whose last settle time, itself included, stayed within +-band; NaN counts as `unknown`."""
        before = self._history.get(name, np.full(self._window - 1, np.nan))
        long = np.concatenate([before, values])
        self._history[name] = long[len(long) - (self._window - 1) :].copy()
        spread = rolling_extreme(np.maximum, long, self._window) - rolling_extreme(
            np.minimum, long, self._window
        )
        return ~(spread > 2 * band) if unknown else spread <= 2 * band


def _lines_of(staging: Staging | None, rules: Validity) -> list[tuple[str, float, float]]:
    """The columns that tell the injection stage, each with its line and half of what is not sure about it."""
    if staging is None:
        return []
    lines = (("rpm", staging.rpm_above, rules.rpm_band), ("load", staging.load_above, rules.load_band))
    return [(name, line, band) for name, line, band in lines if line is not None]


def _count_still(column: Floats, band: float, *, unknown: bool) -> int:
    """How many of the newest values lie within +-band of one middle; NaN counts as `unknown`."""
    back = column[::-1]
    spread = np.maximum.accumulate(back) - np.minimum.accumulate(back)
    beyond = spread > 2 * band if unknown else ~(spread <= 2 * band)
    return int(beyond.argmax()) if beyond.any() else len(column)


def rolling_extreme(extreme: np.ufunc, x: Floats, window: int) -> Floats:
    """Extreme of each full window of float64[m], as float64[m - window + 1], by doubling the span.

    `extreme` decides about NaN: `np.fmax` ignores it, `np.maximum` gives NaN for the whole window.
    """
    out, span = x, 1
    while 2 * span <= window:
        out = extreme(out[span:], out[:-span])
        span *= 2
    rest = window - span
    result: Floats = extreme(out[rest:], out[: len(out) - rest]) if rest else out
    return result
