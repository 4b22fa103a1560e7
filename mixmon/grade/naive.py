"""What comes of trimming by label without proving the labels: each round makes it worse."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.balance import Balance
from mixmon.grade.evidence import Evidence, balance_of, cylinders_behind
from mixmon.grade.item import Item, does_not_apply, judged, not_yet, within
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
    simulation, balance = evidence.simulation, evidence.balance
    if not np.isfinite(_needs(balance)).all():
        return not_yet(name, "growing", "the needs of all cylinders: too little data")
    expected, found = [true_spread(simulation)], [true_spread(simulation)]
    for played in range(1, ROUNDS + 1):
        computed = entered(simulation, shown_without_noise(simulation), played)
        simulation = entered(simulation, _needs(balance), played)
        expected.append(true_spread(computed))
        found.append(true_spread(simulation))
        balance = balance_of(simulation) if played < ROUNDS else balance
    right = within(found, expected, TOLERANCE)
    true, read = (" ".join(f"{value:.1f}" for value in spreads) for spreads in (expected, found))
    return judged(name, true, read, f"+-{TOLERANCE:g}", right=right)


def entered(simulation: Simulation, needs: Floats, played: int) -> Simulation:
    """The scenario once more, with the need of each label in the trim of the cylinder of that number."""
    world, step = simulation.world, simulation.session.trims.step_percent
    wanted = 100 * ((1 + np.array(world.trims) / 100) * (1 + needs / 100) - 1)
    trims = tuple((np.round(wanted / step) * step).tolist())
    return simulate(world.scenario, seed=world.seed + played, duration=simulation.duration_s, trims=trims)


def _needs(balance: Balance) -> Floats:
    return np.array([one.needs_percent for one in balance.cylinders])


def shown_without_noise(simulation: Simulation) -> Floats:
    """Needs at full load as the sensors show them, percent, by label."""
    truth = truth_of(simulation)
    return np.array(truth["full_load"]["read_vs_peers_percent"])[cylinders_behind(truth)]


def true_spread(simulation: Simulation) -> float:
    """Spread of the cylinders' mean needs at full load, percent."""
    return float(np.ptp(truth_of(simulation)["full_load"]["needs_vs_peers_percent"]))
