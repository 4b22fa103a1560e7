"""What comes of trimming by label without proving the labels: each round makes it worse."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.grade.evidence import Evidence, cylinders_behind, gather
from mixmon.grade.item import Item, does_not_apply, judged, within
from mixmon.simulate.run import Simulation, simulate
from mixmon.simulate.truth import truth_of

ROUNDS = 3

TOLERANCE = 1.0
"""How far the true spread of a round may be from the computed one, percent of fuel."""

Floats = NDArray[np.float64]


def naive_run(evidence: Evidence) -> Item:
    """True spread at full load over rounds of "trim what the label says".

    Every round's spread is held against the one computed for the same trims from what the sensors
    show without noise. Trims are rounded to the fuel control's step and not limited. Plays the
    scenario again for every round, so it is asked for by name.
    """
    name = f"trimming by unproved labels: true spread over {ROUNDS} rounds"
    if all(one["right"] for one in evidence.truth["identity"]):
        return does_not_apply(name, "every label right")
    expected, found = [_true_spread(evidence.simulation)], [_true_spread(evidence.simulation)]
    for played in range(1, ROUNDS + 1):
        computed = _entered(evidence.simulation, _shown_without_noise(evidence.simulation), played)
        entered = _entered(evidence.simulation, _needs(evidence), played)
        expected.append(_true_spread(computed))
        found.append(_true_spread(entered))
        evidence = gather(entered) if played < ROUNDS else evidence
    right = within(found, expected, TOLERANCE)
    true, read = (" ".join(f"{value:.1f}" for value in spreads) for spreads in (expected, found))
    return judged(name, true, read, f"+-{TOLERANCE:g}", right=right)


def _entered(simulation: Simulation, needs: Floats, played: int) -> Simulation:
    """The scenario once more, with the need of each label in the trim of the cylinder of that number."""
    world, step = simulation.world, simulation.session.trims.step_percent
    wanted = 100 * ((1 + np.array(world.trims) / 100) * (1 + needs / 100) - 1)
    trims = tuple((np.round(wanted / step) * step).tolist())
    return simulate(world.scenario, seed=world.seed + played, duration=simulation.duration_s, trims=trims)


def _needs(evidence: Evidence) -> Floats:
    return np.array([one.needs_percent for one in evidence.balance.cylinders])


def _shown_without_noise(simulation: Simulation) -> Floats:
    truth = truth_of(simulation)
    return np.array(truth["full_load"]["read_vs_peers_percent"])[cylinders_behind(truth)]


def _true_spread(simulation: Simulation) -> float:
    return float(np.ptp(truth_of(simulation)["full_load"]["needs_vs_peers_percent"]))
