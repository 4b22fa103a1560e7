"""Everything that a run tells of response and delay: cuts, fuel steps, sensors, and the delay anywhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.response.cuts import MEASURING, CutEdge, MeasuredCut, ResponseStage
from mixmon.findings.response.delay_map import DelayModel, MeasuredDeadTime, fit_delay
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.sensors import SensorResponse, sensor_responses
from mixmon.findings.response.steps import DelayPoint, DelayStage, Refusal
from mixmon.findings.stage import sum_up
from mixmon.findings.stats import NORMAL_95
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.layout import layout_of
from mixmon.note import Note, note

# ----------------------------------------------------------------------------------------------------
# How long each sensor took from heating to ready, the first time it is seen to.
#
# Heating begins where the heater is driven; where that is not known, with the node's first sample.
#
# Kept: the moment at which each node's heating began, and whether it was warming in the last row.
# ----------------------------------------------------------------------------------------------------

_DRIVEN_PERCENT = 10.0
_NOT_BEGUN = np.iinfo(np.int64).min


class WarmUpStage:
    """Measures how long each node takes from cold until it is ready.

    A node that worked before it was warming was restarted, and counts no more.
    """

    def __init__(self, heaters: Sequence[bool]) -> None:
        """`heaters`: for each node, whether it tells how its heater is driven."""
        nodes = len(heaters)
        self._heaters = heaters
        self._seconds = np.full(nodes, np.nan)
        self._began = np.full(nodes, _NOT_BEGUN)
        self._over = np.zeros(nodes, np.bool_)
        self._stretch: int | None = None

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._stretch = int(block.stretch[0])
            self._began[:] = _NOT_BEGUN
        if not self._over.all():
            for j in np.flatnonzero(~self._over).tolist():
                self._follow_node(block, j)

    def result(self) -> Floats:
        """Seconds to become ready, float64[n]; NaN where a node was not seen to start from cold."""
        return self._seconds.copy()

    def _follow_node(self, block: CylinderBlock, j: int) -> None:
        state = block.state[:, j]
        working = np.flatnonzero(MEASURING[state])
        until = int(working[0]) if len(working) else len(block)
        if self._began[j] == _NOT_BEGUN:
            heating = np.flatnonzero(self._find_heating(block, j)[:until])
            if len(heating):
                self._began[j] = block.t[heating[0]]
        if len(working):
            self._over[j] = True
            if self._began[j] != _NOT_BEGUN:
                self._seconds[j] = (int(block.t[until]) - int(self._began[j])) / 1e9

    def _find_heating(self, block: CylinderBlock, j: int) -> Bools:
        """Rows in which the node warms; by its heater where the node tells it."""
        warming = block.state[:, j] == SampleState.WARMING
        if not self._heaters[j]:
            return np.asarray(warming)
        return np.asarray(warming & (block.aux["heater"][:, j] > _DRIVEN_PERCENT))


_SHUT_SHARE = 0.2
"""A shut throttle lets through what nobody knows: the charge in a cut is a guess (own choice)."""

_CUT_SD_S, _ROUGH_SD_S = 0.006, 0.030
"""A control cuts cylinder by cylinder; sparks left out before a cut hide its beginning (own choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class CellDelay:
    """The delay at one centre of the session's axes.

    dead_s, dead_half_s   from command to first movement, and half of the 95 % interval
    delay_s, delay_half_s   until 63 %, with the middle sensor's T63; NaN where that is not known
    """

    rpm: float
    load: float
    dead_s: float
    dead_half_s: float
    delay_s: float
    delay_half_s: float


@dataclass(frozen=True, slots=True, eq=False)
class ResponseReview:
    """The result.

    cuts, points   in order of time
    unclear        times in air that are no cut: engine at rest, or rows missing
    refused        fuel steps that told nothing
    sensors        one a node
    measured       dead times to which the model is fitted
    model, cells   None and empty where nothing was measured
    refusal        why there is no delay; None where there is one
    """

    cuts: tuple[MeasuredCut, ...]
    unclear: int
    points: tuple[DelayPoint, ...]
    refused: tuple[Refusal, ...]
    sensors: tuple[SensorResponse, ...]
    measured: tuple[MeasuredDeadTime, ...]
    model: DelayModel | None
    cells: tuple[CellDelay, ...]
    refusal: Note | None


class ResponseReviewer:
    """Feeds the stages and puts together what they found.

    Args:
        binding: session and message definitions.
        filter_s: the controllers' filter, s, where it is known.
        expected_air: oxygen of the air as it is, percent, where it is known.
        traces: keep the readings of every cut.
    """

    def __init__(
        self,
        binding: Binding,
        filter_s: float | None = None,
        expected_air: float | None = None,
        *,
        traces: bool = False,
    ) -> None:
        self._binding, self._expected_air = binding, expected_air
        periods = {
            name: bound.message.cycle_ns / 1e9
            for name, bound in binding.engine.items()
            if bound.message.cycle_ns is not None
        }
        claim = periods.get("fuel_cut", periods.get("pulse_ms"))
        self._response = ResponseStage(filter_s, claim, traces=traces)
        self._delay = DelayStage(binding.session, binding.fuel, periods, filter_s)
        self._warm_up = WarmUpStage(["heater" in node for node in binding.nodes])
        self._cuts: list[MeasuredCut] = []
        self._points: list[DelayPoint] = []

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        self._cuts += self._response.feed(block)
        self._points += self._delay.feed(block)
        self._warm_up.feed(block)

    def result(self) -> ResponseReview:
        """What the rows so far say, taken as if none followed."""
        response, delay = deepcopy(self._response), deepcopy(self._delay)
        cuts, points = (*self._cuts, *response.flush()), (*self._points, *delay.flush())
        sensors = sensor_responses(
            self._binding.session.chain.nodes,
            cuts,
            points,
            self._warm_up.result(),
            self._expected_air,
        )
        lacking = [name for name in ("rpm", self._load_signal) if name not in self._binding.engine]
        measured = () if lacking else tuple(_list_dead_times(cuts, points))
        model = fit_delay(measured, layout_of(self._binding).geometry, self._load_signal)
        return ResponseReview(
            cuts=cuts,
            unclear=response.unclear,
            points=points,
            refused=tuple(delay.refused),
            sensors=sensors,
            measured=measured,
            model=model,
            cells=() if model is None else tuple(self._predict_cells(model, sensors)),
            refusal=None if model else self._reason_for_no_delay(lacking, delay, cuts),
        )

    def _predict_cells(self, model: DelayModel, sensors: Iterable[SensorResponse]) -> Iterable[CellDelay]:
        """The model at the steady points that the session's axes name."""
        axes = self._binding.session.axes
        t63 = np.array([s.t63_s for s in sensors if np.isfinite(s.t63_s)])
        middle = float(np.median(t63)) if len(t63) else np.nan
        for rpm in axes.rpm:
            for load in axes.load:
                dead, sd = model.at(rpm, load)
                yield CellDelay(
                    rpm,
                    load,
                    dead,
                    NORMAL_95 * sd,
                    dead + middle,
                    NORMAL_95 * float(np.hypot(sd, 0.03 * middle)),
                )

    @property
    def _load_signal(self) -> str:
        """What the load axis, and so the load of every row, is."""
        return self._binding.session.axes.load_signal

    def _reason_for_no_delay(
        self, lacking: list[str], delay: DelayStage, cuts: Sequence[MeasuredCut]
    ) -> Note:
        engine = self._binding.engine
        if lacking:
            return note(ResponseNote.SIGNALS_MISSING, signals=tuple(lacking))
        if "pulse_ms" not in engine and "target" not in engine:
            return note(ResponseNote.FUEL_SIGNAL_MISSING)
        if delay.refused:
            return note(ResponseNote.FUEL_STEPS_NOT_USABLE, why=delay.refused[-1].why.code.value)
        if cuts:
            return note(ResponseNote.CUTS_WITHOUT_ENGINE, load_signal=self._load_signal)
        return note(
            ResponseNote.FUEL_NEVER_MOVED, steady_s=delay.steady_s, largest_percent=100 * delay.largest
        )


def _list_dead_times(cuts: Iterable[MeasuredCut], points: Iterable[DelayPoint]) -> Iterable[MeasuredDeadTime]:
    """Dead times with the point at which they were measured."""
    for point in points:
        yield MeasuredDeadTime(point.rpm, point.load, point.dead_s, point.dead_sd)
    for edge in (way for cut in cuts for way in (cut.lean, cut.rich) if way is not None):
        one = _dead_time_of(edge)
        if one is not None:
            yield one


def _dead_time_of(edge: CutEdge) -> MeasuredDeadTime | None:
    known = edge.fit.dead_s[np.isfinite(edge.fit.dead_s)]
    if not edge.command or not len(known) or not np.isfinite([edge.rpm, edge.load]).all():
        return None
    sd = np.hypot(_ROUGH_SD_S if edge.rough else _CUT_SD_S, np.std(known) / np.sqrt(len(known)))
    return MeasuredDeadTime(edge.rpm, max(edge.load, 0.0), float(np.mean(known)), float(sd), _SHUT_SHARE)


def review_response(
    binding: Binding,
    blocks: Iterable[CylinderBlock],
    filter_s: float | None = None,
    expected_air: float | None = None,
) -> ResponseReview:
    """The review of a run.

    Args:
        binding: of the run.
        blocks: its rows, such as a `Run`.
        filter_s: the controllers' filter, s.
        expected_air: oxygen of the air, percent.
    """
    return sum_up(ResponseReviewer(binding, filter_s, expected_air), blocks)
