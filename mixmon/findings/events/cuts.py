"""Fuel cuts and spark cuts: as the engine control reports them, or inferred from the gas where it does not.

Way: settled rows -> where each node is in a cut -> cuts under way, joined over short breaks -> events.

Gas near air means that fuel was cut; a misfire never reaches it, because its fuel vapour takes up part of
the oxygen. For sensors whose range ends before air, most of them at the lean end with the throttle shut is
a cut too.

One cylinder that pumps air while the others burn, and of which the engine control says nothing, is one
without fuel, not a cut: its injector is shut, not connected or not driven.

Invariants: the engine must have burnt before, because air in the pipes of an engine that starts or stops is
no cut. A spark cut is never inferred here (see `inferred`). State kept: the latches, and the cuts under way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.events.baseline import TURNING_RPM, Settled, Table
from mixmon.findings.events.event import Event, Kind, Value
from mixmon.findings.events.inferred import SHUT_PERCENT, CutPattern
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.mixture.validity import Delay, delayed, latch

CUT_AIR_PERCENT = 16.0
"""Oxygen above which gas counts as air in a cut: the highest apparent oxygen of unburnt charges is 13 to 15
percent (computed, vapour a third as quick as oxygen), air less water is 19.7 to 20.9."""

_BURNT_PERCENT = 6.0
"""Oxygen below which the engine has burnt: lambda 1.4 (computed). Our choice: few engines run leaner."""

_AIR_ROWS_NS = 2 * GRID_NS
"""Time for which gas must be air. Our choice: two rows, so that one wrong sample is no cut."""

_MOST = 0.6
"""Part of the measuring nodes that must be at the lean end. Our choice: some may be slower, or fail."""

_BREAK_ROWS = 30
"""Rows without a cut that end one. Our choice: 0.3 s, so that a cut that comes and goes is one event."""

_ALONG_SHARE = 0.5
"""Part of the highest reading of a cut that shows a node to be in it too, although it did not reach air. Our
choice: a cylinder that burns reads a third at most; a short cut ends before a slow sensor shows air."""

_CLIMB = 1.55
"""Lags that a reading needs from burnt gas to CUT_AIR_PERCENT: ln(23.6 / 4.7), computed."""


@dataclass(slots=True)
class _OpenCut:
    """A cut under way, to which rows are added as they come."""

    kind: Kind
    begin: int
    rpm: float
    load: float
    nodes: Bools
    end: int = 0
    quiet: int = 0
    reported: bool = False
    peak: float = np.nan
    highest: float = np.nan
    lowest_rpm: float = np.nan
    stopped: bool = False
    measuring: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))
    most: Floats = field(default_factory=lambda: np.zeros(0))

    def look(self, rows: Table) -> None:
        """Keeps the highest oxygen of each node, in the cut and just after it."""
        self.most = np.fmax(self.most, np.fmax.reduce(rows["oxygen"], axis=0, initial=-np.inf))

    def grow(self, rows: Table, active: Bools, reported: Bools) -> None:
        """Adds rows in which the cut is on."""
        last = np.flatnonzero(reported.any(axis=1))
        if len(last) or not self.reported:
            self.end = int(rows["t"][last[-1] if len(last) else -1]) + GRID_NS
        self.quiet = 0
        self.look(rows)
        self.nodes |= active.any(axis=0)
        known = np.isfinite(rows["oxygen"])
        self.measuring = self.measuring | known.any(axis=0)
        shown = np.where(active & known, rows["lam"], np.nan)
        self.peak = float(np.fmax.reduce(shown, axis=None, initial=self.peak))
        self.highest = float(
            np.fmax.reduce(np.where(active, rows["oxygen"], np.nan), axis=None, initial=self.highest)
        )
        self.lowest_rpm = float(np.fmin.reduce(rows["rpm"], initial=self.lowest_rpm))
        self.reported |= bool(reported.any())


class CutWatch:
    """A stage: settled rows in; where cuts are, bool[k, n], and the cuts that are over, out."""

    def __init__(
        self, cylinders: Sequence[tuple[int, ...]], banks: dict[str, tuple[int, ...]], lag_s: float
    ) -> None:
        self._cylinders, self._banks, self._climb_ns = cylinders, banks, round(_CLIMB * lag_s * 1e9)
        self._restart()

    def _restart(self) -> None:
        n = len(self._cylinders)
        self._armed, self._air = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
        self._delay: Delay | None = None
        self._open: dict[Kind, _OpenCut] = {}

    def feed(self, settled: Settled) -> tuple[Bools, list[Event]]:
        """Marks where fuel or spark is cut, and gives the cuts that have ended."""
        rows = settled.rows
        air = self._find_air(rows)
        found: list[Event] = []
        for kind, active, reported in (
            (Kind.FUEL_CUT, air, rows["fuel_cut"]),
            (Kind.SPARK_CUT, rows["spark_cut"], rows["spark_cut"]),
        ):
            found += self._follow_cut(kind, rows, active, reported)
        if settled.last:
            found += [event for cut in self._open.values() for event in self._make_events(cut)]
            self._restart()
        return air | rows["spark_cut"], found

    def _find_air(self, rows: Table) -> Bools:
        """Marks where the gas is air, or the engine control reports a fuel cut."""
        x, t = rows["oxygen"], rows["t"]
        turning = ~(rows["rpm"] < TURNING_RPM)[:, None]
        armed = latch((x < _BURNT_PERCENT) & turning, np.broadcast_to(~turning, x.shape), self._armed)
        high, _, self._delay = delayed(x >= CUT_AIR_PERCENT, t, _AIR_ROWS_NS, 0, before=self._delay)
        reported = rows["fuel_cut"]
        on = (high | reported | self._all_at_limit(rows)) & armed & turning
        air = latch(on, ~(x >= _BURNT_PERCENT) & ~reported | ~armed | ~turning, self._air)
        self._armed, self._air = armed[-1].copy(), air[-1].copy()
        return air

    @staticmethod
    def _all_at_limit(rows: Table) -> Bools:
        """Marks nodes at the lean end of their range, where most are and the throttle is shut."""
        at_limit = rows["state"] == SampleState.AT_LEAN_LIMIT
        count, measuring = at_limit.sum(axis=1), np.isfinite(rows["oxygen"]).sum(axis=1)
        most = (count >= 2) & (count >= _MOST * measuring) & (rows["throttle"] < SHUT_PERCENT)
        return np.asarray(at_limit & most[:, None])

    def _follow_cut(self, kind: Kind, rows: Table, active: Bools, reported: Bools) -> Iterator[Event]:
        """Gives the cuts of one kind that end in these rows, and keeps the one under way."""
        any_on: Bools = np.asarray(active.any(axis=1))
        if not any_on.any() and kind not in self._open:
            return
        edges = [0, *(np.flatnonzero(np.diff(any_on)) + 1).tolist(), len(any_on)]
        for begin, end in pairwise(edges):
            piece = {name: column[begin:end] for name, column in rows.items()}
            cut = self._open.get(kind)
            if any_on[begin]:
                if cut is None:
                    cut = self._open[kind] = self._begin_cut(kind, piece, active[begin:end], reported[begin])
                cut.grow(piece, active[begin:end], reported[begin:end])
            elif cut is not None:
                cut.look({name: column[: _BREAK_ROWS - cut.quiet] for name, column in piece.items()})
                cut.stopped |= bool((piece["rpm"][: _BREAK_ROWS - cut.quiet] < TURNING_RPM).any())
                cut.quiet += end - begin
                if cut.quiet >= _BREAK_ROWS:
                    del self._open[kind]
                    yield from self._make_events(cut)

    def _begin_cut(self, kind: Kind, rows: Table, active: Bools, reported: Bools) -> _OpenCut:
        node = int(np.argmax(active[0]))
        seen_late = 0 if reported.any() else self._climb_ns
        return _OpenCut(
            kind=kind,
            begin=int(rows["t"][0]) - seen_late,
            rpm=float(rows["valve_rpm"][0, node]),
            load=float(rows["valve_load"][0, node]),
            nodes=np.zeros(len(self._cylinders), np.bool_),
            measuring=np.zeros(len(self._cylinders), np.bool_),
            most=np.full(len(self._cylinders), -np.inf),
        )

    def _make_events(self, cut: _OpenCut) -> list[Event]:
        """Gives the cut as an event; none for an engine that came to a stop."""
        if cut.stopped and not cut.reported:
            return []
        if cut.kind is Kind.FUEL_CUT and not cut.reported:
            cut.nodes |= cut.most > _ALONG_SHARE * cut.highest
        on = cut.nodes & cut.measuring if (cut.nodes & cut.measuring).any() else cut.nodes
        everyone = cut.reported or bool(on.sum() > 1 and on.sum() == np.count_nonzero(cut.measuring))
        nodes = tuple(np.flatnonzero(on).tolist())
        alone = len(nodes) == 1 and not cut.reported and not everyone and cut.kind is Kind.FUEL_CUT
        cylinders = tuple(sorted(c for i in nodes for c in self._cylinders[i]))
        bank = next((name for name, members in self._banks.items() if set(members) == set(cylinders)), None)
        evidence: dict[str, Value] = {
            "told_by_engine": cut.reported,
            "cylinders": cylinders,
            "bank": None if everyone else bank,
            **({} if cut.reported else {"pattern": CutPattern.AT_ONCE, "could_be": None}),
            "highest_oxygen_percent": round(cut.highest, 2),
            "lowest_rpm": None if np.isnan(cut.lowest_rpm) else round(cut.lowest_rpm),
        }
        return [
            Event(
                t=cut.begin,
                kind=Kind.NO_FUEL if alone else cut.kind,
                nodes=nodes,
                cylinders=cylinders,
                all_nodes=everyone,
                peak_lambda=cut.peak,
                duration_ns=cut.end - cut.begin,
                rpm=cut.rpm,
                load=cut.load,
                evidence=evidence,
            )
        ]
