"""The grader over several scenarios and seeds: errors of the needs, and how often each item is right.

    python tools/grade_many.py [--seeds 10] [--first 101] [--scenarios alder8 six twelve four odd-six]

Errors are those of every cylinder's need in every cell against what its sensor shows without noise,
in per cent of fuel; `held` is the share of the 95 % intervals that hold it, here with sensors that
follow rich faster than lean: noise alone shifts their mean, and the graded share leaves them out.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from mixmon.grade.evidence import gather
from mixmon.grade.grader import JUDGES
from mixmon.grade.item import Grading, Item
from mixmon.grade.needs import cell_errors
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate

SCENARIOS = ("alder8", "six", "twelve", "four", "odd-six")


@dataclass(slots=True)
class Tally:
    """What came of one scenario."""

    errors: list[tuple[float, float]] = field(default_factory=list)
    gradings: Counter[Grading] = field(default_factory=Counter)
    wrong: list[tuple[int, Item]] = field(default_factory=list)

    def add(self, seed: int, items: list[Item]) -> None:
        self.gradings.update(item.grading for item in items)
        self.wrong += [(seed, item) for item in items if item.grading is Grading.WRONG]

    def line(self, name: str) -> str:
        error, half = np.array(self.errors).T
        counts = "".join(f"{self.gradings[grading]:9d}" for grading in Grading)
        return (
            f"{name:10}{len(error):7d}{np.sqrt(np.mean(error**2)):8.2f}{np.abs(error).max():8.2f}"
            f"{100 * np.mean(np.abs(error) <= half):8.1f}{counts}"
        )


def tally(name: str, seeds: range) -> Tally:
    scenario, told = load_scenario(name), Tally()
    for seed in seeds:
        evidence = gather(simulate(scenario, seed=seed))
        told.errors += cell_errors(evidence)
        told.add(seed, [judge(evidence) for judge in JUDGES])
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10, help="seeds of each scenario")
    parser.add_argument("--first", type=int, default=101, help="first seed")
    parser.add_argument("--scenarios", nargs="+", default=SCENARIOS)
    arguments = parser.parse_args()
    print("scenario    looks   rms %  worst %  held %    right    wrong  not yet     n.a.")
    wrong: list[str] = []
    for name in arguments.scenarios:
        told = tally(name, range(arguments.first, arguments.first + arguments.seeds))
        print(told.line(name), flush=True)
        wrong += [
            f"{name} {seed}: {item.name}\n  expected {item.expected}\n  found    {item.found}"
            for seed, item in told.wrong
        ]
    print("\nWRONG", *(wrong or ["nothing"]), sep="\n")


if __name__ == "__main__":
    main()
