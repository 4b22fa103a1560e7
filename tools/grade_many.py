"""The grader over several scenarios and seeds: a table of every item, and the errors of the needs.

    python tools/grade_many.py [SCENARIO:SEEDS ...] [--naive]     such as alder8:1,101-110 six:101

A row an item, a column a play: r right, W wrong, ? not yet, - does not apply. Below, for each scenario, the
errors of every cylinder's need in every cell against what its sensor shows without noise, in per cent of
fuel; `held` is the share of the 95 % intervals that hold it, here with sensors that follow rich faster than
lean: noise alone shifts their mean, and the graded share leaves them out.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from mixmon.grade.evidence import gather
from mixmon.grade.grader import JUDGES
from mixmon.grade.item import Grading, Item
from mixmon.grade.needs import cell_errors, naive_run
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate

CASES = ("alder8:1,101-110", "six:101", "twelve:101", "odd-six:101")
"""The demo engine as it is shown and with ten other seeds, and three other engines."""

LETTERS = {Grading.RIGHT: "r", Grading.WRONG: "W", Grading.NOT_YET: "?", Grading.DOES_NOT_APPLY: "-"}


@dataclass(slots=True)
class Tally:
    """What came of one scenario."""

    name: str
    seeds: list[int]
    errors: list[tuple[float, float]] = field(default_factory=list)
    plays: list[list[Item]] = field(default_factory=list)
    seconds: float = 0.0

    def column(self, row: int) -> str:
        return "".join(LETTERS[items[row].grading] for items in self.plays)

    def line(self) -> str:
        error, half = np.array(self.errors).T
        counts = Counter(item.grading for items in self.plays for item in items)
        return (
            f"{self.name:14}{len(error):7d}{np.sqrt(np.mean(error**2)):8.2f}{np.abs(error).max():8.2f}"
            f"{100 * np.mean(np.abs(error) <= half):8.1f}"
            + "".join(f"{counts[grading]:9d}" for grading in Grading)
            + f"{self.seconds / len(self.plays):9.1f}"
        )

    def wrong(self) -> list[str]:
        return [
            f"{self.name} {seed}: {item.name}\n  expected {item.expected}\n  found    {item.found}"
            for seed, items in zip(self.seeds, self.plays, strict=True)
            for item in items
            if item.grading in {Grading.WRONG, Grading.NOT_YET}
        ]


def tally(case: str, *, naive: bool) -> Tally:
    name, _, seeds = case.partition(":")
    told = Tally(name, list(read_seeds(seeds or "1")))
    judges = (*JUDGES, naive_run) if naive else JUDGES
    for seed in told.seeds:
        began = time.process_time()
        evidence = gather(simulate(load_scenario(name), seed=seed))
        told.plays.append([judge(evidence) for judge in judges])
        told.seconds += time.process_time() - began
        told.errors += cell_errors(evidence)
    return told


def read_seeds(text: str) -> list[int]:
    """Seeds such as 1,101-110.

    >>> read_seeds("1,5-7")
    [1, 5, 6, 7]
    """
    ends = [part.split("-") for part in text.split(",")]
    return [seed for first, *last in ends for seed in range(int(first), int((last or [first])[0]) + 1)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", default=CASES, metavar="SCENARIO:SEEDS")
    parser.add_argument("--naive", action="store_true", help="also trim by labels that are not proved")
    arguments = parser.parse_args()
    told = [tally(case, naive=arguments.naive) for case in arguments.cases]
    names = [item.name for item in told[0].plays[0]]
    width = max(map(len, names)) + 2
    print(f"{'':{width}}" + "  ".join(f"{one.name:{max(len(one.seeds), len(one.name))}}" for one in told))
    for row, name in enumerate(names):
        print(f"{name:{width}}" + "  ".join(f"{one.column(row):{len(one.name)}}" for one in told))
    print("\nscenario        looks   rms %  worst %  held %    right    wrong  not yet     n.a.  s a play")
    print(*(one.line() for one in told), sep="\n")
    print("\nWRONG OR NOT YET", *([line for one in told for line in one.wrong()] or ["nothing"]), sep="\n")


if __name__ == "__main__":
    main()
