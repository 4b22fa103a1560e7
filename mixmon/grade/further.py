"""What further runs of the same engine show, as a careful tuner would record them.

    FurtherRuns.rotation   sessions with the sensors moved: every sensor's own error
    FurtherRuns.informed   the balance of the run itself, with these errors known
    FurtherRuns.after      the engine with exchanged nodes and loose pins mended and the offered trims in,
                           compared with the run itself

Each is played when it is first asked for, and short: an idle, then dwells. The analysis gets the frames and
what its user would write: the serials of the sensors are in the session file of each run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.bias.design import design_rotation
from mixmon.findings.bias.looks import SessionLooks, session_looks
from mixmon.findings.bias.rotation import Rotation, fit_rotation
from mixmon.findings.events.event import Event
from mixmon.findings.proof.compare import BeforeAfter, compare_runs
from mixmon.findings.proof.conditions import ConditionStage
from mixmon.findings.proof.pairs import RunSide
from mixmon.findings.stage import run_through
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import Cell
from mixmon.pipeline import Pipeline
from mixmon.session.evidence import IdentityStanding, by_cylinders_seen
from mixmon.session.model import Sensors, Session
from mixmon.simulate.scenario import (
    Exchange,
    Fault,
    Leak,
    Part,
    Scenario,
    SimulatedSensors,
    sensor_at,
)
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.simulate.truth import needs, truth_of

MARGIN_PERCENT: Final = 1.0
"""Need within which a cylinder counts as alike after the work: of the demo engine's item on it."""

_ROTATED_SEED, _AFTER_SEED = 1000, 2000
"""Added to the seed of the run: our choice, so that no noise is the same twice."""

_IDLE_S, _RAMP_S, _DWELL_S = 6.0, 1.5, 15.0
"""Of a further run: our choice; a dwell is settled after 3 s, and what is left shows a need to 0.1 %."""

_DWELLS = 3
"""Dwells of a session of the rotation: our choice, the fewest of which one may fail."""

_READY_S, _WARM_BY_C = 3.0, 1.0
"""The engine is warm, and its sensors are ready soon: our choice, to keep the runs short."""


@dataclass(frozen=True, slots=True, eq=False)
class AfterWork:
    """The run after the work, compared with the one before.

    true  needs of the cylinders in the shared cells, percent, mean over the cells, float64[n]
    """

    compared: BeforeAfter
    true: Floats


class FurtherRuns:
    """Plays what else is recorded of an engine.

    Args:
        simulation: the run that is graded.
        standing: what is known of its labels.
        blocks: its rows.
        events: that were found in them.
    """

    def __init__(
        self,
        simulation: Simulation,
        standing: IdentityStanding,
        blocks: Sequence[CylinderBlock],
        events: Sequence[Event],
    ) -> None:
        self._simulation, self._standing = simulation, standing
        self._blocks, self._events = blocks, events

    @cached_property
    def rotation(self) -> Rotation:
        """The errors of all sensors, from sessions between which they were moved."""
        world = self._simulation.world
        serials, n = world.scenario.sensors.serial, world.scenario.size
        design = design_rotation({(c + 1,): serial for c, serial in enumerate(serials)})
        points = _points_at_full_load(self._simulation.session)[-_DWELLS:]
        looks = []
        for k, assigned in enumerate(design.sessions):
            order = [serials.index(serial or serials[c]) for c, serial in enumerate(assigned)]
            sensors = _moved_sensors(world.scenario.sensors, order)
            scenario = _short(world.scenario, sensors, _kept_faults(world.scenario, Leak, Exchange), points)
            played = simulate(scenario, seed=world.seed + _ROTATED_SEED + k, trims=world.trims)
            assert len(order) == n
            looks.append(self._looks_of(played, f"session {k + 1}"))
        return fit_rotation(looks)

    def _looks_of(self, played: Simulation, name: str) -> SessionLooks:
        stage = BalanceStage(by_cylinders_seen(played.session, self._standing))
        for block in _rows(played):
            stage.feed(block)
        return session_looks(stage.session, stage.cells_used(), name)

    @cached_property
    def informed(self) -> Balance:
        """The balance of the run, with the sensors' errors known by the rotation."""
        return self._informed_stage.result()

    @cached_property
    def _informed_stage(self) -> BalanceStage:
        stage = BalanceStage(_knowing(self._simulation.session, self.rotation))
        for block in self._blocks:
            stage.feed(block)
        stage.exclude(self._events)
        stage.take_standing(self._standing)
        return stage

    @cached_property
    def after(self) -> AfterWork:
        """The engine after the work, compared with the run; trims must be offered."""
        world, stage = self._simulation.world, self._informed_stage
        before = RunSide("before", stage.session, stage.cells_used(), _conditions(self._blocks))
        points = [(cell.rpm or 0.0, cell.load or 0.0) for cell in before.cells]
        faults = tuple(one for one in world.scenario.faults if isinstance(one, Leak))
        scenario = _short(world.scenario, world.scenario.sensors, faults, points)
        trims = tuple(one.trim_new_percent for one in self.informed.cylinders)
        played = simulate(scenario, seed=world.seed + _AFTER_SEED, trims=trims)
        again, rows = BalanceStage(_knowing(played.session, self.rotation)), list(_rows(played))
        for block in rows:
            again.feed(block)
        after = RunSide("after", again.session, again.cells_used(), _conditions(rows))
        return AfterWork(compare_runs(before, after, MARGIN_PERCENT), _true_needs(played, after.cells))


def _rows(played: Simulation) -> Iterator[CylinderBlock]:
    return run_through(Pipeline(bind(played.session, load_databases(played.session))), played)


def _conditions(blocks: Sequence[CylinderBlock]) -> Any:
    stage = ConditionStage()
    for block in blocks:
        stage.feed(block)
    return stage.result()


def _knowing(session: Session, rotation: Rotation) -> Session:
    """The session with the biases that the rotation found."""
    known = {one.sensor: (one.bias_percent, one.half_interval_percent) for one in rotation.sensors}
    return replace(session, sensors=replace(session.sensors or Sensors(), known_bias=known))


def _points_at_full_load(session: Session) -> list[tuple[float, float]]:
    """Speed and load of the cells at the highest load that may be used for trims, by speed."""
    stage = BalanceStage(session)
    cells = [stage.grid.cell(number) for number in range(len(stage.grid)) if stage.used(number)]
    highest = max((cell.load or 0.0 for cell in cells), default=0.0)
    return sorted((cell.rpm or 0.0, highest) for cell in cells if (cell.load or 0.0) == highest)


def _kept_faults(scenario: Scenario, *kinds: type[Fault]) -> tuple[Fault, ...]:
    return tuple(fault for fault in scenario.faults if isinstance(fault, kinds))


def _moved_sensors(sensors: SimulatedSensors, order: Sequence[int]) -> SimulatedSensors:
    """The sensors in other cylinders: in cylinder i the one that was in cylinder order[i]."""
    return replace(
        sensors,
        **{one.name: tuple(getattr(sensors, one.name)[j] for j in order) for one in fields(sensors)},
    )


def _short(
    scenario: Scenario,
    sensors: SimulatedSensors,
    faults: tuple[Fault, ...],
    points: Sequence[tuple[float, float]],
) -> Scenario:
    """The engine warm and with other sensors and faults: an idle, then dwells at the points."""
    n, behind = scenario.size, sensor_at(scenario.size, faults)
    nodes = tuple(
        replace(node, sensor=sensors.serial[cylinder])
        for node, cylinder in zip(scenario.session.chain.nodes, behind, strict=True)
    )
    chain = replace(scenario.session.chain, nodes=nodes)
    idle = next(part for part in scenario.profile if part.kind == "start")
    dwells = tuple(
        Part("steady", f"dwell {k}", _RAMP_S + _DWELL_S, rpm, load, ramp_s=_RAMP_S)
        for k, (rpm, load) in enumerate(points, 1)
    )
    start = (Part("off", "off", 0.5, 0.0, 0.0), replace(idle, seconds=_IDLE_S))
    warm = scenario.warm_up
    return replace(
        scenario,
        session=replace(scenario.session, chain=chain),
        sensors=replace(sensors, ready_s=(_READY_S,) * n),
        controllers=replace(scenario.controllers, group_gap_s=0.5),
        warm_up=replace(warm, start_c=max(warm.start_c, warm.end_c - _WARM_BY_C)),
        profile=(*start, *dwells),
        faults=faults,
        repeat_from=None,
    )


def _true_needs(played: Simulation, cells: Sequence[Cell] | Any) -> Floats:
    """Needs against peers in some cells, percent, the mean over them."""
    points = {(cell.rpm, cell.load) for cell in cells}
    known = [one for one in truth_of(played)["cells"] if (one["rpm"], one["load"]) in points]
    mean: Floats = np.mean([needs(np.array(one["lambda_true"])) for one in known], axis=0)
    return mean
