"""Excursions that all cylinders share: fuel supply, not one cylinder.

What the target asks for is taken off already where it is known. Where it is not, a common
movement counts only while speed and load stand still. Cuts, tips and the first seconds of a
running engine are not looked at here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.baseline import Settled
from mixmon.findings.limiter import at_limit
from mixmon.findings.spikes import Spike, SpikeSearch
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel

_LIMIT = 1.2
"""Oxygen percent, about 0.05 lambda: common noise of several cylinders is far below (common practice,
no source)."""

_STEADY_RPM, _STEADY_LOAD, _TIP_LOAD = 200.0, 5.0, 10.0
_OPEN_LOAD = 50.0
_CUT_ROWS, _INTO_CUT_ROWS, _START_ROWS = 50, 35, 300

Floats = NDArray[np.float64]


class CommonSearch:
    """A stage: settled rows in, bumps of the common movement out, as those of one node numbered 0."""

    def __init__(self, fuel: Fuel) -> None:
        self._fuel = fuel
        self._search = SpikeSearch(1)
        self._since_cut = self._since_start = 0

    def feed(self, settled: Settled, cut: NDArray[np.bool_]) -> list[Spike]:
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

    def _unfit(self, reading: Floats, cut: NDArray[np.bool_]) -> NDArray[np.bool_]:
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


def _soon_after(trouble: NDArray[np.bool_], before: int, rows: int) -> tuple[NDArray[np.bool_], int]:
    """Rows at most that many after the last trouble; the carry counts down from the last row."""
    at = np.arange(1, len(trouble) + 1)
    until = np.maximum.accumulate(np.concatenate([[before], np.where(trouble, at + rows, 0)]))
    return at <= until[1:], max(int(until[-1]) - len(trouble), 0)
