"""What the rows so far show of the sensors and of the delay: evidence for the check list.

    rows -> WarmUpStage          seconds from cold to ready
            whole seconds        samples that came, the longest wait, over the last minute
            lowest supply        and when it was
    cuts -> sensor_responses     T63 and the level in air of each sensor, against the others
            delay_of_cuts        the delay from a command to the reading

Kept: a minute of counts, and what the last fuel cuts said.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import SECOND_NS, Floats, Ints
from mixmon.findings.response.cuts import MeasuredCut
from mixmon.findings.response.response import WarmUpStage, delay_of_cuts
from mixmon.findings.response.sensors import SensorResponse, sensor_responses
from mixmon.findings.stats import NORMAL_95
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock
from mixmon.watch.history import SECOND_ROWS

MINUTE_S = 60
"""Seconds over which rates and waits are told: our choice, as the bus is judged (60 s for the rate test)."""


@dataclass(frozen=True, slots=True, eq=False)
class DelayFound:
    """The delay from a command to the first movement at one speed and load, s, half of its 95 % interval."""

    rpm: float
    load: float
    seconds: float
    half_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Commissioning:
    """What is known so far, n nodes; NaN where it is not.

    warm_up_s      float64[n]  from cold to ready, of nodes that were seen to start cold
    counted_s      whole seconds that rates and waits are of, 60 at most
    rate_hz        float64[n]  samples a second that came, also those of which a row holds a newer one
    expected_hz    float64[n]  by the message definitions
    longest_wait_s float64[n]  longest age of a newest sample
    lowest_supply  float64[n]  volts, since the beginning
    lowest_at      int64[n]    data time of that, ns
    cuts           fuel cuts that were measured, 20 at most
    sensors        by these cuts; empty before the first one
    delay          by these cuts, at the middle of the axes; None: not found
    """

    warm_up_s: Floats
    counted_s: int
    rate_hz: Floats
    expected_hz: Floats
    longest_wait_s: Floats
    lowest_supply: Floats
    lowest_at: Ints
    cuts: int
    sensors: tuple[SensorResponse, ...]
    delay: DelayFound | None


class CommissioningStage:
    """A stage: rows in; `result` says what is known by then."""

    def __init__(self, binding: Binding) -> None:
        nodes = len(binding.nodes)
        self._binding = binding
        self._warm_up = WarmUpStage(["heater" in node for node in binding.nodes])
        self._seconds: deque[tuple[Ints, Ints]] = deque(maxlen=MINUTE_S)
        self._open: list[CylinderBlock] = []
        self._rows = 0
        self._expected = np.array([_expected_hz(binding, j) for j in range(nodes)])
        self._rates = self._waits = np.full(nodes, np.nan)
        self._lowest, self._lowest_at = np.full(nodes, np.nan), np.full(nodes, -1, np.int64)
        self._cuts: tuple[MeasuredCut, ...] = ()
        self._by_cuts: tuple[tuple[SensorResponse, ...], DelayFound | None] = (), None

    def feed(self, rows: CylinderBlock, cuts: Sequence[MeasuredCut] = ()) -> None:
        """Takes rows of one stretch of time, and the fuel cuts measured by then."""
        if not len(rows):
            return
        self._warm_up.feed(rows)
        self._follow_supply(rows)
        if self._open and self._open[0].stretch[0] != rows.stretch[0]:
            self._open, self._rows = [], 0
        self._count_seconds(rows)
        self.take_cuts(cuts)

    def take_cuts(self, cuts: Sequence[MeasuredCut]) -> None:
        """Takes the fuel cuts measured by now; also after the last rows."""
        if tuple(map(id, cuts)) != tuple(map(id, self._cuts)):
            self._cuts = tuple(cuts)
            self._by_cuts = self._learn_from_cuts()

    def result(self) -> Commissioning:
        """What is known."""
        sensors, delay = self._by_cuts
        return Commissioning(
            self._warm_up.result(),
            len(self._seconds),
            self._rates,
            self._expected,
            self._waits,
            self._lowest.copy(),
            self._lowest_at.copy(),
            len(self._cuts),
            sensors,
            delay,
        )

    def _follow_supply(self, rows: CylinderBlock) -> None:
        supply = rows.aux.get("supply")
        if supply is None:
            return
        known = np.where(np.isfinite(supply), supply, np.inf)
        at = known.argmin(axis=0)
        low = known[at, np.arange(known.shape[1])]
        lower = np.isfinite(low) & ~(low >= self._lowest)
        self._lowest = np.where(lower, low, self._lowest)
        self._lowest_at = np.where(lower, rows.t[at], self._lowest_at)

    def _count_seconds(self, rows: CylinderBlock) -> None:
        """Closes every hundred rows; a second belongs to its rows, however they came."""
        while len(rows):
            until = SECOND_ROWS - self._rows
            part, rows = rows.take(slice(0, until)), rows.take(slice(until, None))
            self._open.append(part)
            self._rows += len(part)
            if self._rows == SECOND_ROWS:
                arrived = np.concatenate([one.aux["arrived"] for one in self._open]).sum(axis=0)
                age = np.concatenate([one.age for one in self._open]).max(axis=0)
                self._seconds.append((arrived.astype(np.int64), age))
                self._open, self._rows = [], 0
                self._rates = np.mean([one for one, _ in self._seconds], axis=0)
                self._waits = np.max([one for _, one in self._seconds], axis=0) / SECOND_NS

    def _learn_from_cuts(self) -> tuple[tuple[SensorResponse, ...], DelayFound | None]:
        nodes, session = self._binding.session.chain.nodes, self._binding.session
        sensors = sensor_responses(nodes, self._cuts, (), np.full(len(nodes), np.nan))
        model = delay_of_cuts(self._binding, self._cuts)
        rpm, load = session.axes.rpm, session.axes.load
        if model is None or not rpm or not load:
            return sensors, None
        middle = rpm[len(rpm) // 2], load[len(load) // 2]
        seconds, sd = model.at(*middle)
        return sensors, DelayFound(*middle, seconds, NORMAL_95 * sd)


def _expected_hz(binding: Binding, j: int) -> float:
    """Samples a second of a node by its message's definition; NaN where that does not say.

    Of a multiplexed signal it does not: how often its branch comes stands nowhere.
    """
    bound = binding.nodes[j].get("lambda") or binding.nodes[j].get("oxygen")
    if bound is None or bound.message.cycle_ns is None or bound.signal.selectors:
        return np.nan
    return SECOND_NS / bound.message.cycle_ns
