"""Do the intervals tell the truth, and do trims do what was predicted?

    python tools/interval_study.py [--engines 12] [--seed 1]

Plays engines of 4, 6, 8, 12 and 16 cylinders whose injectors differ by up to 10 % at random, ten
seconds of usable time a cell, through the message layer and the whole analysis; counts how often
the 95 % interval of a need holds the truth; then enters the offered trims and plays again: whether the
spread is within what was predicted, and how far the true total fuel is from what the trims said of it.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Scenario
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.simulate.truth import truth_of

SIZES = (4, 6, 8, 12, 16)
DWELL_S = 13.5  # settling and the last half second are not counted: ten seconds are


@dataclass(frozen=True, slots=True)
class Outcome:
    """One engine: errors and hits of every cylinder in every cell, and of the spread after trims."""

    errors: np.ndarray
    covered: np.ndarray
    half: np.ndarray
    predicted: tuple[float, float]
    after: float
    fuel_said: float
    fuel_changed: float


def scenario(cylinders: int, rng: np.random.Generator) -> Scenario:
    plain = load_scenario("plain", cylinders)
    flow = tuple(np.round(rng.uniform(-10, 10, cylinders), 3).tolist())
    profile = tuple(replace(p, seconds=DWELL_S) if p.kind == "steady" else p for p in plain.profile)
    session = replace(
        plain.session, trims=replace(plain.session.trims, lowest_percent=-30, highest_percent=30)
    )
    return replace(
        plain,
        cylinders=replace(plain.cylinders, flow_percent=flow),
        profile=profile,
        session=session,
    )


def analyse(simulation: Simulation) -> Balance:
    session = simulation.session
    pipeline = Pipeline(bind(session, load_databases(session)))
    stage = BalanceStage(session)
    for frames in simulation:
        for block in pipeline.feed(frames):
            stage.feed(block)
    for block in pipeline.flush():
        stage.feed(block)
    return stage.result()


def outcome(cylinders: int, seed: int) -> Outcome:
    rng = np.random.default_rng([cylinders, seed])
    engine = scenario(cylinders, rng)
    before = simulate(engine, seed=seed)
    found = analyse(before)
    true = {
        (cell["rpm"], cell["load"], i + 1): need
        for cell in truth_of(before)["cells"]
        for i, need in enumerate(cell["read_vs_peers_percent"])
    }
    looks = [
        (c.needs_percent - true[c.rpm, c.load, c.cylinder], c.half_interval_percent)
        for c in found.cells
        if (c.rpm, c.load, c.cylinder) in true and c.usable_s >= 8 and c.half_interval_percent >= 0
    ]
    errors, half = np.array(looks).T
    new = tuple(c.trim_new_percent for c in found.cylinders)
    after = simulate(engine, seed=seed + 1000, trims=new)
    spread = max(c["spread_percent"] for c in truth_of(after)["cells"] if c["load"] == 100)
    return Outcome(
        errors,
        np.abs(errors) <= half,
        half,
        found.predicted_spread.interval95,
        spread,
        found.fuel_percent,
        100 * (full_load_fuel(after) / full_load_fuel(before) - 1),
    )


def full_load_fuel(simulation: Simulation) -> float:
    """Fuel of all cylinders at full load, any unit: all have equal air here."""
    cells = [c for c in truth_of(simulation)["cells"] if c["load"] == 100]
    return float(np.mean([np.sum(1 / np.array(c["lambda_true"])) for c in cells]))


def report(cylinders: int, outcomes: Sequence[Outcome]) -> None:
    errors = np.concatenate([o.errors for o in outcomes])
    covered = np.concatenate([o.covered for o in outcomes])
    half = np.concatenate([o.half for o in outcomes])
    inside = np.mean([o.predicted[0] <= o.after <= o.predicted[1] for o in outcomes])
    said = max(abs(o.fuel_said) for o in outcomes)
    out = max(abs(o.fuel_changed - o.fuel_said) for o in outcomes)
    print(
        f"{cylinders:9d} {len(errors):7d} {np.abs(errors).max():11.2f} {100 * covered.mean():10.1f} "
        f"{half.mean():10.2f} {100 * inside:14.0f} {np.median([o.after for o in outcomes]):13.2f} "
        f"{said:12.2f} {out:6.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=12, help="engines of each size")
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    arguments = parser.parse_args()
    print(
        "cylinders   looks  worst err %  covered %  mean +- %  in predicted %  spread after %  fuel most %  "
        "out %"
    )
    every: list[Outcome] = []
    for size in SIZES:
        outcomes = [outcome(size, arguments.seed + i) for i in range(arguments.engines)]
        every += outcomes
        report(size, outcomes)
    report(0, every)


if __name__ == "__main__":
    main()
