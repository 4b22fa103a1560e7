"""What comes of trimming by label without proving the labels: each round makes it worse."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from mixmon.grade.evidence import Evidence, gather
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.simulate.run import Simulation, simulate
from mixmon.simulate.truth import truth_of

ROUNDS = 3
TOLERANCE = 1.0  # percent of spread, a round

Floats = NDArray[np.float64]
Reading = Callable[[Simulation], Floats]


def naive_run(evidence: Evidence) -> Item:
    """True spread at full load over rounds of "trim what the label says", against the same without noise.

    Plays the scenario again for every round, so it is asked for by name.
    """
    name = f"trimming by label, true spread over {ROUNDS} rounds"
    if all(one["right"] for one in evidence.truth["identity"]):
        return does_not_apply(name, "every label right")
    expected = _rounds(evidence, _read_without_noise)
    found = _rounds(evidence, lambda simulation: _read(gather(simulation)))
    worst = float(np.max(np.abs(np.array(found) - np.array(expected))))
    true, read = (" ".join(f"{value:.1f}" for value in spreads) for spreads in (expected, found))
    return judged(name, true, read, f"+-{TOLERANCE:g}", right=worst <= TOLERANCE)


def _rounds(evidence: Evidence, read: Reading) -> list[float]:
    """True spread before and after each round; needs are entered as they are read, label for cylinder."""
    world = evidence.simulation.world
    simulation, factors = evidence.simulation, 1 + np.array(world.trims) / 100
    spreads = [_true_spread(simulation)]
    for played in range(1, ROUNDS + 1):
        factors = factors * (1 + read(simulation) / 100)
        trims = tuple((100 * (factors - 1)).tolist())
        simulation = simulate(
            world.scenario, seed=world.seed + played, duration=world.timeline.duration_s, trims=trims
        )
        spreads.append(_true_spread(simulation))
    return spreads


def _read(evidence: Evidence) -> Floats:
    return np.array([c.needs_percent for c in evidence.balance.cylinders])


def _read_without_noise(simulation: Simulation) -> Floats:
    truth = truth_of(simulation)
    of_label = {one["label"]: one["cylinder"] - 1 for one in truth["identity"]}
    needs = truth["full_load"]["read_vs_peers_percent"]
    return np.array([needs[of_label[label]] for label in sorted(of_label)])


def _true_spread(simulation: Simulation) -> float:
    return float(np.ptp(truth_of(simulation)["full_load"]["needs_vs_peers_percent"]))
