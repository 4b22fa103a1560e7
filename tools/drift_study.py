"""What the intervals say of a cylinder whose need drifts while the engine is held still.

    python tools/drift_study.py [--percent-a-minute 1] [--engines 6] [--seed 901]

Plays an engine of eight with dwells of 10, 30 and 60 usable seconds, and makes cylinder 1 leaner
by so much a minute behind the sensors' noise. Counts how often the 95 % interval of a cell's need
holds the mean over the time that was used, and the value at its end.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from mixmon.findings.balance.balance import BalanceStage, CellNeed
from mixmon.findings.balance.dwell import BATCH_S, Dwell
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import EPOCH_NS, Simulation, simulate
from mixmon.simulate.truth import truth_of

CYLINDERS, DRIFTING = 8, 1
DWELLS_S = (10, 30, 60)
NOT_COUNTED_S = 3.5  # settling, and the last half second
MINUTE_NS = 60e9


@dataclass(frozen=True, slots=True)
class Look:
    """One cylinder in one cell: half of its interval, and how far its mean is from two truths."""

    drifting: bool
    half: float
    from_mean: float
    from_end: float


class Noticed(BalanceStage):
    """A balance whose batches can be looked at."""

    @property
    def dwell(self) -> Dwell:
        return self._dwell


def drifted(block: CylinderBlock, rate: float) -> CylinderBlock:
    """The rows with the drifting cylinder's lambda raised by `rate` percent a minute."""
    lam = block.lam.copy()
    lam[:, DRIFTING - 1] *= np.exp(rate / 100 * (block.t - EPOCH_NS) / MINUTE_NS)
    return replace(block, lam=lam)


def played(dwell_s: float, seed: int) -> Simulation:
    plain = load_scenario("plain", CYLINDERS)
    parts = tuple(
        replace(part, seconds=dwell_s + NOT_COUNTED_S) if part.kind == "steady" else part
        for part in plain.profile
    )
    return simulate(replace(plain, profile=parts), seed=seed)


def looks(simulation: Simulation, rate: float) -> Iterator[Look]:
    session = simulation.session
    pipeline, stage = Pipeline(bind(session, load_databases(session))), Noticed(session)
    for frames in simulation:
        for block in pipeline.feed(frames):
            stage.feed(drifted(block, rate))
    for block in pipeline.flush():
        stage.feed(drifted(block, rate))
    needs: dict[tuple[float | None, float | None], list[CellNeed]] = {}
    for need in stage.result().cells:
        needs.setdefault((need.rpm, need.load), []).append(need)
    true = {(c["rpm"], c["load"]): c["read_vs_peers_percent"] for c in truth_of(simulation)["cells"]}
    for number in stage.dwell.counts:
        cell, t = stage.grid.cell(number), stage.dwell.table(number).t
        minutes = (t - EPOCH_NS) / MINUTE_NS + BATCH_S / 120
        for need in needs[cell.rpm, cell.load]:
            if (cell.rpm, cell.load) in true:
                still = true[cell.rpm, cell.load][need.cylinder - 1]
                share = (need.cylinder == DRIFTING) - 1 / CYLINDERS  # of the drift, against the mean
                mean, end = (still + share * rate * at for at in (minutes.mean(), minutes[-1]))
                error = need.needs_percent
                half = need.half_interval_percent
                yield Look(need.cylinder == DRIFTING, half, abs(error - mean), abs(error - end))


def report(dwell_s: float, rate: float, found: list[Look]) -> None:
    for drifting in (True, False):
        those = [look for look in found if look.drifting is drifting]
        half = np.array([look.half for look in those])
        mean, end = (np.array([getattr(look, name) for look in those]) for name in ("from_mean", "from_end"))
        print(
            f"{dwell_s:7.0f} {rate:7.1f}  {'drifting' if drifting else 'others':9}{len(those):6d}"
            f"{half.mean():9.2f}{100 * np.mean(mean <= half):13.0f}{100 * np.mean(end <= half):12.0f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--percent-a-minute", type=float, default=1.0, help="drift of cylinder 1")
    parser.add_argument("--engines", type=int, default=6, help="runs of each kind")
    parser.add_argument("--seed", type=int, default=901, help="first seed")
    arguments = parser.parse_args()
    print("dwell s  %/min  cylinder  looks  half %  holds mean %  and end %")
    for dwell_s in DWELLS_S:
        for rate in (0.0, arguments.percent_a_minute):
            seeds = range(arguments.seed, arguments.seed + arguments.engines)
            report(dwell_s, rate, [one for seed in seeds for one in looks(played(dwell_s, seed), rate)])


if __name__ == "__main__":
    main()
