"""The response and the delay of a run: one pass over its rows, and everything that follows from it.

The way of the data: `ResponseReviewer` feeds every block to three stages, which find fuel cuts (`cuts`),
windows with fuel steps (`steps`) and warm-ups (here). `result` combines them: T63 and notes of each sensor
(`sensors`), dead times at the points at which they were measured, the model of the delay through these
(`delay_map`), and its values at the session's axes; or the reason why there is no delay.

Invariant: asking for a result changes nothing; the stages are copied before they are flushed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import deepcopy
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.response.cuts import MEASURING, CutEdge, MeasuredCut, ResponseStage
from mixmon.findings.response.delay_map import DelayModel, MeasuredDeadTime, find_clock_error, fit_delay
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.sensors import (
    ElementShape,
    SensorResponse,
    choose_shape,
    sensor_responses,
    with_shape,
)
from mixmon.findings.response.steps import DelayPoint, DelayStage, Refusal
from mixmon.findings.stage import sum_up
from mixmon.findings.stats import NORMAL_95
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.layout import layout_of
from mixmon.note import Note, note
from mixmon.result import Result

# ----------------------------------------------------------------------------------------------------
# Warm-up: how long each sensor takes from heating to ready, the first time that it is seen.
#
# Heating begins where the heater is driven; where that is not known, with the first sample in which the node
# warms. Kept: the moment at which each node's heating began, and whether its warm-up is over.
# ----------------------------------------------------------------------------------------------------

DRIVEN_PERCENT = 10.0
"""Drive above which a heater heats: our choice, above the rest of a controller that is off."""

_NOT_BEGUN = np.iinfo(np.int64).min
"""Stands for a heating that has not begun: no time stamp has this value."""


class WarmUpStage:
    """Measures how long each node takes from cold until it is ready.

    A node that worked before it warms was restarted; its warm-up is not from cold and is not measured.
    """

    def __init__(self, heaters: Sequence[bool]) -> None:
        """`heaters`: for each node, whether it sends the drive of its heater."""
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
        """Takes the rows of node j whose warm-up is not over."""
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
        """Rows in which the node heats: by the drive of its heater where it is sent, else by its state."""
        warming = block.state[:, j] == SampleState.WARMING
        if not self._heaters[j]:
            return np.asarray(warming)
        return np.asarray(warming & (block.aux["heater"][:, j] > DRIVEN_PERCENT))


# ----------------------------------------------------------------------------------------------------
# The review: what the stages found, put together.
# ----------------------------------------------------------------------------------------------------

_SHUT_SHARE = 0.2
"""Further error of the charge in a cut, as a share: our choice. The flow through a shut throttle is not
known."""

_CUT_SD_S, _ROUGH_SD_S = 0.006, 0.030
"""Error of a dead time from a cut, and from one after cut sparks, s: our choice. Cylinders are cut one after
the other; missing sparks hide the start of the cut."""

_MIDDLE_T63_SHARE = 0.03
"""Error of the middle sensor's T63 in a delay, as a share: our choice, that of one well measured cut."""


@dataclass(frozen=True, slots=True, eq=False)
class CellDelay:
    """The delay at one centre of the session's axes.

    dead_s, dead_half_s   from command to first movement, and half of the 95 % interval
    delay_s, delay_half_s   the same until 63 % of the step, by the median T63; NaN if that is not known
    """

    rpm: float
    load: float
    dead_s: float
    dead_half_s: float
    delay_s: float
    delay_half_s: float


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ResponseReview(Result):
    """What a run shows of response and delay.

    cuts, points   in order of time
    unclear        times in air that are no cut: engine at rest, or rows missing
    refused        windows with fuel steps that gave no delay
    sensors        one a node
    shape          of the elements: T63 and dead times of cuts and sensors are by it
    measured       dead times to which the model is fitted
    model, cells   None and empty where nothing was measured
    refusal        why there is no delay; None where there is one
    """

    cuts: tuple[MeasuredCut, ...]
    unclear: int
    points: tuple[DelayPoint, ...]
    refused: tuple[Refusal, ...]
    sensors: tuple[SensorResponse, ...]
    shape: ElementShape
    measured: tuple[MeasuredDeadTime, ...]
    model: DelayModel | None
    cells: tuple[CellDelay, ...]
    refusal: Note | None


class ResponseReviewer:
    """A stage that feeds the others and combines what they found.

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
        """The review of the rows so far, as if none followed."""
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
        shape = choose_shape(cuts)
        cuts = with_shape(cuts)
        measured = () if lacking else tuple(_list_dead_times(cuts, points))
        wrong = _find_clocks_apart(self._binding, measured)
        usable = () if wrong else [one for one in measured if not one.late]
        model = fit_delay(usable, layout_of(self._binding).geometry, self._load_signal)
        return ResponseReview(
            cuts=cuts,
            unclear=response.unclear,
            points=points,
            refused=tuple(delay.refused),
            sensors=sensors,
            shape=shape,
            measured=measured,
            model=model,
            cells=() if model is None else tuple(self._predict_cells(model, sensors)),
            refusal=None if model else wrong or self._reason_for_no_delay(lacking, delay, cuts),
        )

    def _predict_cells(self, model: DelayModel, sensors: Iterable[SensorResponse]) -> Iterable[CellDelay]:
        """The delay at each point of the session's axes."""
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
                    NORMAL_95 * float(np.hypot(sd, _MIDDLE_T63_SHARE * middle)),
                )

    @property
    def _load_signal(self) -> str:
        """The signal of the load axis, which is also the load of every row."""
        return self._binding.session.axes.load_signal

    def _reason_for_no_delay(
        self, lacking: list[str], delay: DelayStage, cuts: Sequence[MeasuredCut]
    ) -> Note:
        """The note on why there is no delay: the first reason that applies."""
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


def _find_clocks_apart(binding: Binding, measured: Sequence[MeasuredDeadTime]) -> Note | None:
    """The note on stamps of two buses that are apart; None where they agree, or there is one bus only."""
    engine = {bound.bus for bound in binding.engine.values()}
    chain = {bound.bus for node in binding.nodes for bound in node.values()}
    if engine & chain or not engine or not chain:
        return None
    error = find_clock_error(measured, layout_of(binding).geometry, binding.session.axes.load_signal)
    if error is None:
        return None
    return note(
        ResponseNote.CLOCKS_APART,
        engine_bus=binding.buses[min(engine)],
        chain_bus=binding.buses[min(chain)],
        late_s=error.late_s,
        half_s=NORMAL_95 * error.sd,
        dead_s=error.dead_s,
        expected_s=error.expected_s,
    )


def delay_of_cuts(binding: Binding, cuts: Sequence[MeasuredCut]) -> DelayModel | None:
    """The delay by fuel cuts alone; None where they show none, or the stamps of two buses are apart."""
    measured = tuple(_list_dead_times(cuts, ()))
    if not {"rpm", binding.session.axes.load_signal} <= binding.engine.keys():
        return None
    if _find_clocks_apart(binding, measured) is not None:
        return None
    usable = [one for one in measured if not one.late]
    return fit_delay(usable, layout_of(binding).geometry, binding.session.axes.load_signal)


def _list_dead_times(cuts: Iterable[MeasuredCut], points: Iterable[DelayPoint]) -> Iterable[MeasuredDeadTime]:
    """Dead times of steps and cuts, with the speed and load at which they were measured."""
    for point in points:
        yield MeasuredDeadTime(point.rpm, point.load, point.dead_s, point.dead_sd)
    for edge in (edge for cut in cuts for edge in cut.edges.values()):
        one = _dead_time_of(edge)
        if one is not None:
            yield one


def _dead_time_of(edge: CutEdge) -> MeasuredDeadTime | None:
    """The dead time of an edge, mean of the sensors; None if the command, speed or load is not known."""
    known = edge.fit.dead_s[np.isfinite(edge.fit.dead_s)]
    if not edge.command or not len(known) or not np.isfinite([edge.rpm, edge.load]).all():
        return None
    sd = np.hypot(_ROUGH_SD_S if edge.rough else _CUT_SD_S, np.std(known) / np.sqrt(len(known)))
    sd = np.hypot(sd, float(np.nanmean(edge.fit.shape_half_s)) / NORMAL_95)
    load, dead = max(edge.load, 0.0), float(np.mean(known))
    return MeasuredDeadTime(edge.rpm, load, dead, float(sd), _SHUT_SHARE, late=edge.late)


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
