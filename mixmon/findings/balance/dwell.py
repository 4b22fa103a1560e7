"""Steady time, cut into batches, and the moments to exclude from it.

    rows with cell numbers -> Dwell -> BatchTable, one a cell
    events -> Mask                  -> which batches a misfire or a cut touches

While the engine dwells in a cell, its rows are gathered into batches of a quarter of a second and averaged,
in ln lambda, cylinder by cylinder. Single outliers are excluded by the batch's own median. Time that is not
counted is summed by reason.

Invariants: a batch starts where the visit to the cell starts, never where a block of input did, so any split
of the rows gives the same batches. The end of a dwell is seen a little late, so a batch counts only once
`GUARD_BATCHES` more have followed it in the same visit. A mask and the batches are kept apart: an event is
certain only seconds after its rows have been counted, and then takes them out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints
from mixmon.findings.events.event import NOT_FUELLING, Event, Kind
from mixmon.findings.stats import BATCH_S, SIGMA_OF_MAD, median_with_holes
from mixmon.gas.transport import UNKNOWN_CYCLE_S, cycle_s
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import NOWHERE

# ----------------------------------------------------------------------------------------------------
# Moments in which a reading says nothing about the fuel that a cylinder needs.
# ----------------------------------------------------------------------------------------------------

_LAGS_AROUND, _CYCLES_AROUND = 3.0, 2.0
"""Excluded around an event: after three lags 5 % of a pulse is left (computed: exp(-3)); two cycles are
our choice, for the gas that is mixed on its way."""


@dataclass(frozen=True, slots=True)
class Masked:
    """One event's moments of one node, ns; `misses` are the cycles that did not burn, 0 for a cut."""

    node: int
    begin: int
    end: int
    misses: int
    cycle_s: float


class Mask:
    """The moments to exclude of n nodes. Events may come in any order, each once.

    A moment begins three sensor lags and two cycles before the gas came, and ends as long after it had gone,
    or when the reading had faded, if that was later.
    """

    def __init__(self, lag_s: Floats, strokes: int) -> None:
        """`lag_s` float64[n]: time constants of element and filter together."""
        self._lag_s, self._strokes = lag_s, strokes
        self.moments: list[Masked] = []
        self._edges: list[tuple[Ints, Ints] | None] = [None] * len(lag_s)

    @property
    def version(self) -> int:
        """Rises with every moment that is added."""
        return len(self.moments)

    def add(self, events: Iterable[Event]) -> None:
        """Takes events; those around which readings still show the fuelling are ignored."""
        for event in events:
            if event.kind in NOT_FUELLING:
                for node in event.nodes:
                    self.moments.append(self._masked_moment(event, node))
                    self._edges[node] = None

    def covers(self, t: Ints, length_ns: int, since: int = 0) -> Bools:
        """Which nodes are masked somewhere in [t, t + length), bool[m, n].

        since: only by moments that were added after that version.
        """
        covered = np.zeros((len(t), len(self._lag_s)), np.bool_)
        for node in {moment.node for moment in self.moments[since:]}:
            begin, end = (
                self._sorted_edges(node) if since == 0 else _edges_of_node(node, self.moments[since:])
            )
            before = np.searchsorted(begin, t + length_ns) - 1
            covered[:, node] = (before >= 0) & (end[before] > t)
        return covered

    def _masked_moment(self, event: Event, node: int) -> Masked:
        cycle = float(cycle_s(event.rpm, self._strokes))
        cycle = cycle if cycle > 0 else UNKNOWN_CYCLE_S
        around = round((_LAGS_AROUND * self._lag_s[node] + _CYCLES_AROUND * cycle) * 1e9)
        gas, misses = event.evidence.get("gas_s"), event.evidence.get("missed_cycles", 0)
        gone = event.t + round(gas * 1e9) if isinstance(gas, float) else event.end
        counted = misses if event.kind is Kind.MISFIRE and isinstance(misses, int) else 0
        return Masked(node, event.t - around, max(event.end, gone + around), counted, cycle)

    def _sorted_edges(self, node: int) -> tuple[Ints, Ints]:
        """The edges of all of a node's moments, computed when they are first asked for."""
        edges = self._edges[node]
        if edges is None:
            edges = self._edges[node] = _edges_of_node(node, self.moments)
        return edges


def _edges_of_node(node: int, moments: list[Masked]) -> tuple[Ints, Ints]:
    """Beginnings of a node's moments in order, and the latest end of all that began so far."""
    own = sorted((m.begin, m.end) for m in moments if m.node == node)
    begin, end = np.array(own, np.int64).reshape(-1, 2).T
    return begin, np.maximum.accumulate(end)


# ----------------------------------------------------------------------------------------------------
# Batches of steady time, by cell.
# ----------------------------------------------------------------------------------------------------

BATCH_NS = round(BATCH_S * SECOND_NS)
BATCH_ROWS = BATCH_NS // GRID_NS

GUARD_BATCHES = 2
"""Batches that must follow before one counts: our choice, since the end of a dwell is seen within 0.5 s."""

_FEWEST_BATCH_ROWS = 13
"""Rows of a batch that a cylinder's mean needs: our choice, more than half."""

_OUTLIER_ROW_FLOOR = 0.05
"""Distance from the median, in ln lambda, below which no row is an outlier: our choice."""

_OUTLIER_ROW_SCALE = 6.0
"""Distance in robust standard deviations: our choice; one normal row in five hundred million is farther."""

NOT_STEADY = "not steady"
OUTLIER = "outlier"
MASKED = "misfire or cut"


@dataclass(frozen=True, slots=True, eq=False)
class BatchTable:
    """m batches of one cell and n nodes, in order of time.

    t       int64[m]       time of its first row, ns
    visit   int64[m]       batches of one visit follow each other without a pause
    y       float64[m, n]  mean ln lambda; NaN where too few rows were valid
    target  float64[m, n]  mean ln target, delay-aligned; NaN where not known
    scatter float64[m, n]  mean square of the rows about their batch mean
    rows    uint8[m, n]    rows counted
    at_rich, at_lean  uint8[m, n]  rows at a limit of the sensor's range
    code    float64[m, n]  ln of the smallest reading; NaN where there is none
    peak    float64[m, n]  ln of the largest reading; NaN where there is none
    stuck   uint8[m, n]    rows in which the reading had stood still for long
    step    float64[m, n]  smallest change of the reading in lambda, as known then; infinite where not known
    """

    t: Ints
    visit: Ints
    y: Floats
    target: Floats
    scatter: Floats
    rows: Bytes
    at_rich: Bytes
    at_lean: Bytes
    code: Floats
    peak: Floats
    stuck: Bytes
    step: Floats


_FIELDS = tuple(one.name for one in fields(BatchTable))


class Dwell:
    """Gathers the batches of every cell from blocks with their cell numbers; `table` gives those of one."""

    def __init__(self, nodes: int) -> None:
        self._nodes = nodes
        self._open = _VisitRows.none(nodes)
        self._last = (NOWHERE, -1)  # cell and stretch of the newest row
        self._visit = -1
        self._parts: dict[int, list[BatchTable]] = {}
        self._counts: dict[int, int] = {}
        self._states = np.zeros((nodes, len(SampleState)), np.int64)
        self._unsteady = np.zeros(nodes, np.int64)
        self._outlying = np.zeros(nodes, np.int64)

    def feed(self, block: CylinderBlock, cell: Ints) -> None:
        """Takes rows and the cell number of each (NOWHERE where not steady)."""
        if not len(block):
            return
        valid = block.state == SampleState.VALID
        for state in SampleState:
            self._states[:, state] += (block.state == state).sum(axis=0)
        self._unsteady += (valid & (cell == NOWHERE)[:, None]).sum(axis=0)
        rows = _VisitRows.of(block, valid)
        change = np.flatnonzero(cell[1:] != cell[:-1]) + 1
        for start, end in pairwise([0, *change.tolist(), len(cell)]):
            self._add_to_visit(rows.part(start, end), int(cell[start]), int(block.stretch[start]))

    @property
    def counts(self) -> Mapping[int, int]:
        """Whole batches so far, by cell number."""
        return self._counts

    def table(self, cell: int) -> BatchTable:
        """All whole batches of one cell."""
        parts = self._parts[cell]
        if len(parts) > 1:
            joined = (np.concatenate([getattr(part, name) for part in parts]) for name in _FIELDS)
            parts[:] = [BatchTable(*joined)]
        return parts[0]

    @property
    def waiting(self) -> int:
        """Rows of the visit under way that are in no counted batch yet."""
        return len(self._open.y)

    def left_out_s(self) -> list[dict[str, float]]:
        """For every node, seconds that were not counted, by reason."""
        step = GRID_NS / 1e9
        out = []
        for node in range(self._nodes):
            reasons = {s.word: int(self._states[node, s]) for s in SampleState if s != SampleState.VALID}
            reasons[NOT_STEADY] = int(self._unsteady[node])
            reasons[OUTLIER] = int(self._outlying[node])
            out.append({reason: round(rows * step, 2) for reason, rows in reasons.items() if rows})
        return out

    def _add_to_visit(self, rows: _VisitRows, cell: int, stretch: int) -> None:
        """Adds rows to the visit under way, or begins another, and keeps the batches that count now."""
        if (cell, stretch) != self._last:
            self._last = (cell, stretch)
            self._open = _VisitRows.none(self._nodes)
            self._visit += 1
        if cell == NOWHERE:
            return
        rows = self._open.with_more(rows)
        whole = (len(rows.y) // BATCH_ROWS - GUARD_BATCHES) * BATCH_ROWS
        self._open = rows.part(max(whole, 0), len(rows.y))
        if whole > 0:
            batches, outlying = _average_batches(rows.part(0, whole), self._visit)
            self._parts.setdefault(cell, []).append(batches)
            self._counts[cell] = self._counts.get(cell, 0) + len(batches.y)
            self._outlying += outlying


@dataclass(frozen=True, slots=True, eq=False)
class _VisitRows:
    """Rows of one visit: time, ln lambda (NaN where not valid), ln target, at a limit, still, step."""

    t: Ints
    y: Floats
    target: Floats
    at_rich: Bools
    at_lean: Bools
    stuck: Bools
    step: Floats

    @classmethod
    def none(cls, nodes: int) -> _VisitRows:
        number, claim = np.zeros((0, nodes)), np.zeros((0, nodes), np.bool_)
        return cls(np.zeros(0, np.int64), number, number, claim, claim, claim, number)

    @classmethod
    def of(cls, block: CylinderBlock, valid: Bools) -> _VisitRows:
        lam = np.where(valid, block.lam, np.nan)
        target = block.shifted.get("target")
        return cls(
            block.t,
            np.log(lam),
            np.full_like(lam, np.nan) if target is None else np.log(target),
            block.state == SampleState.AT_RICH_LIMIT,
            block.state == SampleState.AT_LEAN_LIMIT,
            (block.state == SampleState.SUSPECT) & (block.lam > 0),
            block.aux["step"] if "step" in block.aux else np.broadcast_to(np.inf, lam.shape),
        )

    def part(self, start: int, end: int) -> _VisitRows:
        return _VisitRows(*(getattr(self, name)[start:end] for name in self.__slots__))

    def with_more(self, rows: _VisitRows) -> _VisitRows:
        if not len(self.y):
            return rows
        return _VisitRows(
            *(np.concatenate([getattr(self, name), getattr(rows, name)]) for name in self.__slots__)
        )


def _average_batches(rows: _VisitRows, visit: int) -> tuple[BatchTable, Ints]:
    """Batches of whole rows, and how many outliers each node had."""
    nodes = rows.y.shape[1]
    y = rows.y.reshape(-1, BATCH_ROWS, nodes)
    target = rows.target.reshape(y.shape)
    middle = median_with_holes(y, axis=1)
    distance = np.abs(y - middle[:, None])
    outlying = (
        distance
        > np.maximum(
            _OUTLIER_ROW_SCALE * SIGMA_OF_MAD * median_with_holes(distance, axis=1), _OUTLIER_ROW_FLOOR
        )[:, None]
    )
    kept = np.isfinite(y) & ~outlying
    count = kept.sum(axis=1)
    enough = count >= _FEWEST_BATCH_ROWS
    mean = _mean_of_kept(y, kept, count)
    table = BatchTable(
        t=rows.t[::BATCH_ROWS].copy(),
        visit=np.full(len(y), visit),
        y=np.where(enough, mean, np.nan),
        target=_mean_of_kept(target, kept, count),
        scatter=_mean_of_kept((y - mean[:, None]) ** 2, kept, count),
        rows=np.where(enough, count, 0).astype(np.uint8),
        at_rich=rows.at_rich.reshape(y.shape).sum(axis=1).astype(np.uint8),
        at_lean=rows.at_lean.reshape(y.shape).sum(axis=1).astype(np.uint8),
        code=np.fmin.reduce(y, axis=1),
        peak=np.fmax.reduce(y, axis=1),
        stuck=rows.stuck.reshape(y.shape).sum(axis=1).astype(np.uint8),
        step=rows.step[BATCH_ROWS - 1 :: BATCH_ROWS].copy(),
    )
    return table, outlying.sum(axis=(0, 1))


def _mean_of_kept(x: Floats, kept: Bools, count: Ints) -> Floats:
    """Mean of the kept rows along axis 1; NaN where none."""
    total = np.where(kept, x, 0.0).sum(axis=1)
    mean: Floats = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)
    return mean
