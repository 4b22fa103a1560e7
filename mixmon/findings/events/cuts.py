"""Fuel cuts and spark cuts: what the engine control says, and what the gas says where it says nothing.

Gas near air means that fuel was cut; a misfire never gets there, because its fuel vapour takes
up part of the oxygen. The engine must have burnt before: air in the pipes of an engine that is
starting or stopping is no cut. For sensors whose range ends before air, all of them at the end of
their range with the throttle shut is a cut too.

Kept: the state of the latches, and the cut under way.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from mixmon.arrays import Bools
from mixmon.findings.events.baseline import TURNING_RPM, Settled, Table
from mixmon.findings.events.event import Event, Kind, Value
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.mixture.validity import Delay, delayed, latch

AIR_PERCENT = 16.0
"""Oxygen above which gas is called air: the highest apparent oxygen of unburnt charges is 13 to 15
percent (computed, vapour a third as quick as oxygen), air less water is 19.7 to 20.9."""

_BURNT_PERCENT = 6.0
_AIR_ROWS_NS = 2 * GRID_NS
_SHUT_PERCENT = 5.0
_MOST = 0.6
_BREAK_ROWS = 30
_CLIMB = 1.55
"""Lags that a reading needs from burnt gas to AIR_PERCENT: ln(23.6 / 4.7), computed."""


@dataclass(slots=True)
class _Cut:
    """A cut under way, its rows put together as they come."""

    kind: Kind
    begin: int
    rpm: float
    load: float
    nodes: Bools
    end: int = 0
    quiet: int = 0
    told: bool = False
    peak: float = np.nan
    highest: float = np.nan
    lowest_rpm: float = np.nan
    stopped: bool = False
    measuring: Bools = field(default_factory=lambda: np.zeros(0, np.bool_))

    def grow(self, rows: Table, active: Bools, told: Bools) -> None:
        """Takes rows in which it is on."""
        last = np.flatnonzero(told.any(axis=1))
        if len(last) or not self.told:
            self.end = int(rows["t"][last[-1] if len(last) else -1]) + GRID_NS
        self.quiet = 0
        self.nodes |= active.any(axis=0)
        known = np.isfinite(rows["oxygen"])
        self.measuring = self.measuring | known.any(axis=0)
        shown = np.where(active & known, rows["lam"], np.nan)
        self.peak = float(np.fmax.reduce(shown, axis=None, initial=self.peak))
        self.highest = float(
            np.fmax.reduce(np.where(active, rows["oxygen"], np.nan), axis=None, initial=self.highest)
        )
        self.lowest_rpm = float(np.fmin.reduce(rows["rpm"], initial=self.lowest_rpm))
        self.told |= bool(told.any())


class CutWatch:
    """A stage: settled rows in; where cuts are, bool[k, n], and the cuts that are over."""

    def __init__(
        self, cylinders: Sequence[tuple[int, ...]], banks: dict[str, tuple[int, ...]], lag_s: float
    ) -> None:
        self._cylinders, self._banks, self._climb_ns = cylinders, banks, round(_CLIMB * lag_s * 1e9)
        self._restart()

    def _restart(self) -> None:
        n = len(self._cylinders)
        self._armed, self._air = np.zeros(n, np.bool_), np.zeros(n, np.bool_)
        self._delay: Delay | None = None
        self._open: dict[Kind, _Cut] = {}

    def feed(self, settled: Settled) -> tuple[Bools, list[Event]]:
        """Where fuel or spark is cut, and the cuts that have ended."""
        rows = settled.rows
        air = self._airy(rows)
        found: list[Event] = []
        for kind, active, told in (
            (Kind.FUEL_CUT, air, rows["fuel_cut"]),
            (Kind.SPARK_CUT, rows["spark_cut"], rows["spark_cut"]),
        ):
            found += self._follow(kind, rows, active, told)
        if settled.last:
            found += [event for cut in self._open.values() for event in self._event(cut)]
            self._restart()
        return air | rows["spark_cut"], found

    def _airy(self, rows: Table) -> Bools:
        """Where the gas is air, or the control says that it will be."""
        x, t = rows["oxygen"], rows["t"]
        turning = ~(rows["rpm"] < TURNING_RPM)[:, None]
        armed = latch((x < _BURNT_PERCENT) & turning, np.broadcast_to(~turning, x.shape), self._armed)
        high, _, self._delay = delayed(x >= AIR_PERCENT, t, _AIR_ROWS_NS, 0, before=self._delay)
        told = rows["fuel_cut"]
        on = (high | told | self._all_at_limit(rows)) & armed & turning
        air = latch(on, ~(x >= _BURNT_PERCENT) & ~told | ~armed | ~turning, self._air)
        self._armed, self._air = armed[-1].copy(), air[-1].copy()
        return air

    @staticmethod
    def _all_at_limit(rows: Table) -> Bools:
        """Nodes at the lean end of their range, where most are and the throttle is shut."""
        at_limit = rows["state"] == SampleState.AT_LEAN_LIMIT
        count, measuring = at_limit.sum(axis=1), np.isfinite(rows["oxygen"]).sum(axis=1)
        most = (count >= 2) & (count >= _MOST * measuring) & (rows["throttle"] < _SHUT_PERCENT)
        return np.asarray(at_limit & most[:, None])

    def _follow(self, kind: Kind, rows: Table, active: Bools, told: Bools) -> Iterator[Event]:
        """Cuts of one kind that end in these rows; the one under way is kept."""
        any_on: Bools = np.asarray(active.any(axis=1))
        if not any_on.any() and kind not in self._open:
            return
        edges = [0, *(np.flatnonzero(np.diff(any_on)) + 1).tolist(), len(any_on)]
        for begin, end in pairwise(edges):
            piece = {name: column[begin:end] for name, column in rows.items()}
            cut = self._open.get(kind)
            if any_on[begin]:
                if cut is None:
                    cut = self._open[kind] = self._begun(kind, piece, active[begin:end], told[begin])
                cut.grow(piece, active[begin:end], told[begin:end])
            elif cut is not None:
                cut.stopped |= bool((piece["rpm"][: _BREAK_ROWS - cut.quiet] < TURNING_RPM).any())
                cut.quiet += end - begin
                if cut.quiet >= _BREAK_ROWS:
                    del self._open[kind]
                    yield from self._event(cut)

    def _begun(self, kind: Kind, rows: Table, active: Bools, told: Bools) -> _Cut:
        node = int(np.argmax(active[0]))
        seen_late = 0 if told.any() else self._climb_ns
        return _Cut(
            kind=kind,
            begin=int(rows["t"][0]) - seen_late,
            rpm=float(rows["valve_rpm"][0, node]),
            load=float(rows["valve_load"][0, node]),
            nodes=np.zeros(len(self._cylinders), np.bool_),
            measuring=np.zeros(len(self._cylinders), np.bool_),
        )

    def _event(self, cut: _Cut) -> list[Event]:
        """The cut as an event; none for an engine that came to a stop."""
        if cut.stopped and not cut.told:
            return []
        on = cut.nodes & cut.measuring if (cut.nodes & cut.measuring).any() else cut.nodes
        everyone = cut.told or bool(on.sum() > 1 and on.sum() == np.count_nonzero(cut.measuring))
        nodes = tuple(np.flatnonzero(on).tolist())
        cylinders = tuple(sorted(c for i in nodes for c in self._cylinders[i]))
        bank = next((name for name, members in self._banks.items() if set(members) == set(cylinders)), None)
        evidence: dict[str, Value] = {
            "told_by_engine": cut.told,
            "cylinders": cylinders,
            "bank": None if everyone else bank,
            "highest_oxygen_percent": round(cut.highest, 2),
            "lowest_rpm": None if np.isnan(cut.lowest_rpm) else round(cut.lowest_rpm),
        }
        return [
            Event(
                t=cut.begin,
                kind=cut.kind,
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
