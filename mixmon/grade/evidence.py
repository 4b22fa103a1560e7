"""What the analysis made of a simulation's frames, gathered in one pass over them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance import Balance, BalanceStage
from mixmon.messages.bind import bind
from mixmon.messages.find import load_databases
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.steady import NOWHERE, Steady
from mixmon.pipeline import Pipeline
from mixmon.simulate.run import EPOCH_NS, Simulation
from mixmon.simulate.truth import truth_of


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """The simulation, its truth, and what the analysis found without it.

    t_s     float64[k]     seconds of the simulation, one a row
    state   uint8[k, n]    SampleState of every sample
    steady  bool[k]        rows that were taken for steady
    """

    simulation: Simulation
    truth: dict[str, Any]
    balance: Balance
    t_s: NDArray[np.float64]
    state: NDArray[np.uint8]
    steady: NDArray[np.bool_]

    @property
    def behind(self) -> list[int]:
        """For each label in order, index of the cylinder its sensor really sits in."""
        of_label = {one["label"]: one["cylinder"] - 1 for one in self.truth["identity"]}
        return [of_label[label] for label in sorted(of_label)]

    def by_label(self, values: list[float]) -> NDArray[np.float64]:
        """Values in cylinder order, as the labels see them."""
        return np.array(values)[self.behind]

    def during(self, begin: float, end: float) -> NDArray[np.bool_]:
        """Rows between two moments, in seconds."""
        return (self.t_s >= begin) & (self.t_s < end)

    def events(self, kind: str) -> list[dict[str, Any]]:
        """Planted events of a kind."""
        return [event for event in self.truth["events"] if event["kind"] == kind]

    def parts(self, *kinds: str) -> list[dict[str, Any]]:
        """Parts of the script of some kinds."""
        return [part for part in self.truth["parts"] if part["kind"] in kinds]


def gather(simulation: Simulation) -> Evidence:
    """Plays the simulation through the analysis."""
    session = simulation.session
    pipeline, stage = Pipeline(bind(session, load_databases(session))), BalanceStage(session)
    steady = Steady(session.axes, session.validity)
    times, states, still = [], [], []
    for frames in [*simulation, None]:
        for block in pipeline.flush() if frames is None else pipeline.feed(frames):
            stage.feed(block)
            times.append(block.t)
            states.append(block.state)
            still.append(steady.feed(block) != NOWHERE)
    return Evidence(
        simulation,
        truth_of(simulation),
        stage.result(),
        (np.concatenate(times) - EPOCH_NS) / 1e9,
        np.concatenate(states),
        np.concatenate(still),
    )


ROW_S = GRID_NS / 1e9
