"""What the analysis made of a simulation's frames, gathered in one pass over them.

The analysis gets the frames and the session that the engine's owner would write, nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import UsageError
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.dwell import BATCH_ROWS, GUARD_BATCHES
from mixmon.findings.events.event import Event
from mixmon.findings.events.events import Excursions
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.response.response import ResponseReview, ResponseReviewer
from mixmon.messages.bind import bind
from mixmon.messages.find import load_databases
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import NOWHERE, Steady
from mixmon.pipeline import Pipeline
from mixmon.simulate.run import EPOCH_NS, Simulation
from mixmon.simulate.truth import truth_of

ROW_S = GRID_NS / 1e9

_ECHO_S = 1.0
"""How long after a disturbance a sample may be held for settling or suspect."""


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """The simulation, its truth, and what the analysis found without it.

    spared   the balance without the labels whose sensors sit behind a leak; None: no leak
    pulls    pulls that were found
    found_events   events that were found
    response       of the sensors, and the delay
    t_s      float64[k]     seconds of the simulation, one a row
    state    uint8[k, n]    SampleState of every sample
    cell     int64[k]       number of the cell in which the engine was taken for steady, or NOWHERE
    """

    simulation: Simulation
    truth: dict[str, Any]
    balance: Balance
    spared: Balance | None
    pulls: tuple[Pull, ...]
    found_events: tuple[Event, ...]
    response: ResponseReview
    t_s: NDArray[np.float64]
    state: NDArray[np.uint8]
    cell: NDArray[np.int64]

    @property
    def steady(self) -> NDArray[np.bool_]:
        """Rows that were taken for steady, bool[k]."""
        return np.not_equal(self.cell, NOWHERE)

    @property
    def counted(self) -> NDArray[np.bool_]:
        """Steady rows without those at a visit's end, which no statistic counts, bool[k]."""
        counted = np.zeros(len(self.cell), np.bool_)
        changes = np.flatnonzero(np.diff(self.cell)) + 1
        for start, end in pairwise([0, *changes.tolist(), len(self.cell)]):
            batches = max((end - start) // BATCH_ROWS - GUARD_BATCHES, 0)
            counted[start : start + batches * BATCH_ROWS] = self.cell[start] != NOWHERE
        return counted

    @property
    def behind(self) -> list[int]:
        """For each label in order, index of the cylinder its sensor really sits in."""
        return cylinders_behind(self.truth)

    def during(self, begin: float, end: float) -> NDArray[np.bool_]:
        """Rows between two moments, in seconds, bool[k]."""
        return (self.t_s >= begin) & (self.t_s < end)

    @property
    def undisturbed(self) -> NDArray[np.bool_]:
        """Samples that no planted cut, misfire or loss of supply has touched, bool[k, n]."""
        good = np.ones(self.state.shape, np.bool_)
        for event in (*self.events("fuel cut"), *self.events("spark cut")):
            good[self.during(event["t_s"], event["to_s"] + _ECHO_S)] = False
        for event in self.events("misfire"):
            good[self.during(event["t_s"], event["to_s"] + _ECHO_S), event["position"] - 1] = False
        for event in self.events("supply drop-out"):
            good[self.during(event["t_s"], event["ready_again_s"] + _ECHO_S), event["position"] - 1] = False
        return good

    def events(self, kind: str) -> list[dict[str, Any]]:
        """Planted events of a kind."""
        return [event for event in self.truth["events"] if event["kind"] == kind]

    def parts(self, *kinds: str) -> list[dict[str, Any]]:
        """Parts of the script of some kinds."""
        return [part for part in self.truth["parts"] if part["kind"] in kinds]

    def faults(self, kind: str) -> list[dict[str, Any]]:
        """Planted faults of a kind."""
        return [fault for fault in self.truth["faults"] if fault["kind"] == kind]


def cylinders_behind(truth: dict[str, Any]) -> list[int]:
    """For each label in order, index of the cylinder its sensor really sits in."""
    of_label = {one["label"]: one["cylinder"] - 1 for one in truth["identity"]}
    return [of_label[label] for label in sorted(of_label)]


def leaking_labels(truth: dict[str, Any]) -> frozenset[int]:
    """Labels whose sensors sit behind a leak."""
    leaking = {fault["cylinder"] for fault in truth["faults"] if fault["kind"] == "leak"}
    return frozenset(one["label"] for one in truth["identity"] if one["cylinder"] in leaking)


def gather(simulation: Simulation) -> Evidence:
    """Plays the simulation through the analysis."""
    truth = truth_of(simulation)
    analysis = _Analysis(simulation, leaking_labels(truth))
    for frames in simulation:
        for block in analysis.pipeline.feed(frames):
            analysis.take(block)
    for block in analysis.pipeline.flush():
        analysis.take(block)
    return analysis.evidence(simulation, truth)


def balance_of(simulation: Simulation) -> Balance:
    """The balance alone."""
    session = simulation.session
    pipeline, stage = Pipeline(bind(session, load_databases(session))), BalanceStage(session)
    for frames in simulation:
        for block in pipeline.feed(frames):
            stage.feed(block)
    for block in pipeline.flush():
        stage.feed(block)
    return stage.result()


class _Analysis:
    """Every stage that is judged, side by side behind one pipeline, and what is remembered of the rows."""

    def __init__(self, simulation: Simulation, spared: frozenset[int]) -> None:
        session = simulation.session
        binding = bind(session, load_databases(session))
        self.pipeline = Pipeline(binding)
        self._balance = BalanceStage(session)
        self._spared = BalanceStage(session, spared) if spared else None
        self._pull_stage, self._pulls = PullStage(session), list[Pull]()
        self._excursions, self._events = Excursions(session, binding.fuel), list[Event]()
        self._response = ResponseReviewer(binding)
        self._steady = Steady(session.axes, session.validity)
        self._t: list[NDArray[np.int64]] = []
        self._state: list[NDArray[np.uint8]] = []
        self._cell: list[NDArray[np.int64]] = []

    def take(self, block: CylinderBlock) -> None:
        self._balance.feed(block)
        if self._spared is not None:
            self._spared.feed(block)
        self._pulls += self._pull_stage.feed(block)
        self._heed(self._excursions.feed(block))
        self._response.feed(block)
        self._t.append(block.t)
        self._state.append(block.state)
        self._cell.append(self._steady.feed(block))

    def _heed(self, events: Sequence[Event]) -> None:
        self._events += events
        self._balance.heed(events)
        if self._spared is not None:
            self._spared.heed(events)

    def evidence(self, simulation: Simulation, truth: dict[str, Any]) -> Evidence:
        if not self._t:
            raise UsageError(
                f"grade: {simulation.duration_s:g} s hold nothing to judge; expected seconds; play longer"
            )
        self._heed(self._excursions.flush())
        return Evidence(
            simulation=simulation,
            truth=truth,
            balance=self._balance.result(),
            spared=None if self._spared is None else self._spared.result(),
            pulls=(*self._pulls, *self._pull_stage.flush()),
            found_events=tuple(self._events),
            response=self._response.result(),
            t_s=(np.concatenate(self._t) - EPOCH_NS) / 1e9,
            state=np.concatenate(self._state),
            cell=np.concatenate(self._cell),
        )
