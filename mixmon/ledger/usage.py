"""How the sensors were used in a run: hours hot, heater cycles, exposure, and what can hurt them.

A stage: rows in, one `NodeUsage` a node out. Each number comes from signals that the session maps, and is
None where those are missing:

    hot_s           `ready` (the element is at work), else `heater` (it is driven: warm-up included)
    heater_cycles   `ready` (each warm-up, from the first heating to ready, counts once), else `heater` (each
                    time it is switched on; one that is on when the log begins is not counted)
    exposure        a target and the load: the integral of (lambda less target less the lean limit, where
                    above 0) x load, in lambda x s at full load, over valid samples
    hot before start   rpm, and `ready` or `heater`: the first start of the engine in a stretch of time
    over-temperature   `over_temperature`, the controller's own word; no limit of the element is known here

What can hurt is common practice, no source: a hot element in the first cold exhaust gas is shocked by its
water.

Rows are counted and exposure is summed in whole billionths, so that no division into blocks changes a bit.
Kept for each node: its counts, and whether it is heating or was hot at the last row; for the engine, whether
it has run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.response.response import DRIVEN_PERCENT
from mixmon.ledger.entries import HarmfulEvent
from mixmon.messages.binding import Binding
from mixmon.mixture.align import GRID_NS, ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import latch
from mixmon.session.default_limits import limits_in_force

_HOT = np.ones(len(SampleState), np.bool_)
"""By SampleState, where the node says whether it is ready: whether its element is at work."""
_HOT[[SampleState.WARMING, SampleState.SILENT, SampleState.DUPLICATE_NODE, SampleState.LEFT_OUT]] = False

RUNNING_RPM: Final = 100.0
"""Speed above which the engine turns by itself or is cranked: our choice, below any starter's speed."""

_HEATED_LONG_S: Final = 10.0
"""Heating after which an element counts as hot where nobody says: our choice, the usual warm-up."""

_BEGIN_ROWS: Final = 30
"""Rows in which a log begins: our choice, 0.3 s, three samples at ten a second. A node that is heard for the
first time after them was switched on within the log."""

_EXPOSURE_UNIT: Final = 1e9
"""Parts of lambda in which exposure is summed."""


@dataclass(frozen=True, slots=True)
class Harm:
    """One event that can hurt the sensor of a node (an index): when, ns, and its numbers by name."""

    what: HarmfulEvent
    node: int
    t: int
    values: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Exposure:
    """How lean the gas was at a sensor, and for how long.

    lambda_s     lambda beyond the limit x load (1 at full load, or 1 bar) x seconds
    valid_s      seconds of valid samples with a target and a load
    over_target  the limit: lambda over the target from which on lean counts
    load_signal  throttle (percent) or map_kpa: two exposures by two signals are not comparable
    """

    lambda_s: float
    valid_s: float
    over_target: float
    load_signal: str


@dataclass(frozen=True, slots=True)
class NodeUsage:
    """How one sensor was used in a run; None where no signal tells.

    heats_at_begin  it was warming up when the log began: the warm-up may have begun before the log
    """

    hot_s: float | None
    heater_cycles: int | None
    exposure: Exposure | None
    heats_at_begin: bool


def lean_limit_over_target(binding: Binding) -> float | None:
    """The lowest limit over the target of the alarms in force; None if there is none."""
    limits = limits_in_force(binding.session)
    return min((rule.limit for rule in limits.alarms if rule.kind == "over_target"), default=None)


class UsageStage:
    """Counts how the sensors are used. `harms` grows as events become certain."""

    def __init__(self, binding: Binding) -> None:
        nodes = binding.nodes
        self._ready = np.array(["ready" in node for node in nodes])
        self._heater = np.array(["heater" in node for node in nodes])
        self._limit = lean_limit_over_target(binding)
        self._load = binding.session.axes.load_signal
        self._warm_c = binding.session.validity.warm_coolant_c
        self.harms: list[Harm] = []
        self.end: int | None = None
        self.rows = 0
        self._hot = np.zeros(len(nodes), np.int64)
        self._cycles = np.zeros(len(nodes), np.int64)
        self._exposure = np.zeros(len(nodes), np.int64)
        self._exposed_rows = np.zeros(len(nodes), np.int64)
        self._target_and_load = False
        self._heating = ~self._ready  # where `heater` alone tells, a heater that is on was on before the log
        self._over = np.zeros(len(nodes), np.bool_)
        self._heats_at_begin = np.zeros(len(nodes), np.bool_)
        self._stretch: int | None = None
        self._restart()

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._stretch = int(block.stretch[0])
            self._restart()
        driven = self._find_driven(block)
        hot = np.where(self._ready, _HOT[block.state], driven)
        self._hot += hot.sum(axis=0)
        self._count_cycles(block, driven, hot)
        if self.rows < _BEGIN_ROWS:
            first = block.state[: _BEGIN_ROWS - self.rows] == SampleState.WARMING
            self._heats_at_begin |= first.any(axis=0)
        self._add_exposure(block)
        self._watch_start(block, driven, hot)
        self._watch_temperature(block)
        self.rows += len(block)
        self.end = int(block.t[-1]) + GRID_NS

    def result(self) -> tuple[NodeUsage, ...]:
        """One a node, of the rows so far."""
        told = self._ready | self._heater
        return tuple(
            NodeUsage(
                hot_s=float(self._hot[j] * ROW_S) if told[j] else None,
                heater_cycles=int(self._cycles[j]) if told[j] else None,
                exposure=self._exposure_of(j),
                heats_at_begin=bool(self._heats_at_begin[j]),
            )
            for j in range(len(told))
        )

    def _restart(self) -> None:
        """A new stretch: the engine has not been seen to run in it."""
        self._has_run = self._has_stood = False
        self._heated_rows = np.zeros(len(self._ready), np.int64)

    def _find_driven(self, block: CylinderBlock) -> Bools:
        """Rows in which the heater is driven; where that is not known, in which the element is at work."""
        heater = np.nan_to_num(block.aux["heater"]) > DRIVEN_PERCENT
        heard = block.state != SampleState.SILENT
        driven: Bools = np.where(self._heater, heater & heard, _HOT[block.state] & self._ready)
        return driven

    def _count_cycles(self, block: CylinderBlock, driven: Bools, hot: Bools) -> None:
        """A cycle begins with heating; it ends with ready where that is told, else when the heater is off."""
        warming = (block.state == SampleState.WARMING) & (driven | ~self._heater)
        off = ~driven & np.isfinite(block.aux["heater"])
        begins = np.where(self._ready, warming, driven)
        heating = latch(begins, np.where(self._ready, hot, off), self._heating)
        self._cycles += (heating & ~np.vstack([self._heating[None], heating[:-1]])).sum(axis=0)
        self._heating = heating[-1].copy()

    def _add_exposure(self, block: CylinderBlock) -> None:
        target, load = block.shifted.get("target"), block.shifted.get(self._load)
        if target is None or load is None or self._limit is None:
            return
        self._target_and_load = True
        counts = (block.state == SampleState.VALID) & np.isfinite(block.lam + target + load)
        excess = np.where(counts, block.lam - target - self._limit, 0.0).clip(min=0.0)
        each = np.rint(_EXPOSURE_UNIT * excess * np.nan_to_num(load) / 100.0).astype(np.int64)
        self._exposure += each.sum(axis=0)
        self._exposed_rows += counts.sum(axis=0)

    def _exposure_of(self, j: int) -> Exposure | None:
        if not self._target_and_load or self._limit is None:
            return None
        return Exposure(
            lambda_s=float(self._exposure[j]) / _EXPOSURE_UNIT * ROW_S,
            valid_s=float(self._exposed_rows[j] * ROW_S),
            over_target=self._limit,
            load_signal=self._load,
        )

    def _watch_start(self, block: CylinderBlock, driven: Bools, hot: Bools) -> None:
        """Looks for the engine's first start in the stretch, and for elements that were hot before it."""
        rpm = block.now.get("rpm")
        if rpm is None or self._has_run:
            return
        runs = np.flatnonzero(rpm > RUNNING_RPM)
        until = int(runs[0]) if len(runs) else len(block)
        self._has_stood = self._has_stood or bool((rpm[:until] <= RUNNING_RPM).any())
        self._heated_rows += driven[:until].sum(axis=0)
        if len(runs):
            self._has_run = True
            if self._has_stood and not self._is_warm(block, until):
                self._report_hot(block, until, hot[until])

    def _is_warm(self, block: CylinderBlock, row: int) -> bool:
        """Whether the engine is known to be warm, so that its exhaust holds no water."""
        coolant: Floats | None = block.now.get("coolant_c")
        return coolant is not None and bool(coolant[row] >= self._warm_c)

    def _report_hot(self, block: CylinderBlock, row: int, hot: Bools) -> None:
        heated_s = self._heated_rows * ROW_S
        is_hot = np.where(self._ready, hot, heated_s >= _HEATED_LONG_S)
        for j in np.flatnonzero(is_hot).tolist():
            values = {"heated_s": float(heated_s[j])}
            self.harms.append(Harm(HarmfulEvent.HOT_BEFORE_START, j, int(block.t[row]), values))

    def _watch_temperature(self, block: CylinderBlock) -> None:
        """Looks for elements of which the controller says that they are too hot."""
        told = block.aux.get("over_temperature")
        if told is None:
            return
        over = latch(told > 0, told == 0, self._over)
        began = over & ~np.vstack([self._over[None], over[:-1]])
        for row, j in np.argwhere(began).tolist():
            self.harms.append(Harm(HarmfulEvent.OVER_TEMPERATURE, j, int(block.t[row])))
        self._over = over[-1].copy()
