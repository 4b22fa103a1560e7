"""How often what is said of trims is right, left open, or wrong, by what became of them.

    python tools/effect_study.py [--engines 60] [--seed 0]

Engines of 6 and 8 cylinders with random trims in steps of half a percent; moves with noise of 0.15 %, and
slopes that differ by 5 % from cylinder to cylinder.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator

import numpy as np

from mixmon.arrays import Floats, Ints
from mixmon.findings.proof.effect import Moves, NodeEffect, judge_effect
from mixmon.findings.proof.notes import EffectVerdict

NOISE, SLOPES = 0.0015, 0.05

REGIONS = {
    EffectVerdict.TAKEN: (0.75, 1.5),
    EffectVerdict.HALF: (0.25, 0.75),
    EffectVerdict.NOT_SAVED: (-0.5, 0.25),
    EffectVerdict.REVERSED: (-1.5, -0.5),
    EffectVerdict.OVERSHOT: (1.5, np.inf),
}
"""Slopes that each verdict states."""

ALIKE = 0.004
"""Entries that differ by less, ln, are the same: half a step is 0.5 %."""


def ring(count: int, *members: int) -> Ints:
    """Whose entry each cylinder shows, where some pass theirs on."""
    shows = np.arange(count)
    shows[list(members)] = np.roll(members, -1)
    return shows


def cases(count: int, rng: np.random.Generator) -> Iterator[tuple[str, Ints, Floats]]:
    """Name, whose entry each cylinder shows, and its slope."""
    own, ones = np.arange(count), np.ones(count)
    one, two, three = rng.permutation(count)[:3].tolist()
    yield "taken", own, ones
    for name, slope in (("half", 0.5), ("not saved", 0.0), ("reversed", -1.0), ("twice", 2.0)):
        yield f"one {name}", own, np.where(own == one, slope, 1.0)
        yield f"two {name}", own, np.where((own == one) | (own == two), slope, 1.0)
        yield f"all {name}", own, slope * ones
    yield "pair exchanged", ring(count, one, two), ones
    yield "ring of three", ring(count, one, two, three), ones
    yield "a row too low", np.roll(own, 1), ones
    yield "pair, one reversed", ring(count, one, two), np.where(own == three, -1.0, 1.0)
    yield "any order", rng.permutation(count), ones
    if count == 8:
        yield "injector-output order", np.array([0, 4, 2, 6, 3, 7, 1, 5]), ones


def judge_verdict(one: NodeEffect, entered: Floats, shows: Ints, slopes: Floats) -> str:
    """Whether a verdict is right, open or wrong."""
    code = one.verdict.code
    if code is EffectVerdict.NOT_KNOWN:
        return "open"
    own = abs(entered[shows[one.node]] - entered[one.node]) < 2 * ALIKE
    if one.appears_at is not None:
        fits = abs(entered[shows[one.appears_at]] - entered[one.node]) < ALIKE and not own
    else:
        low, high = REGIONS[code]
        fits = own and low <= slopes[one.node] * entered[shows[one.node]] / entered[one.node] <= high
    return "right" if fits else "wrong"


def main() -> None:
    """Prints one line for each case."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--engines", type=int, default=60)
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    for count in (6, 8):
        told: dict[str, Counter[str]] = {}
        for engine in range(arguments.engines):
            rng = np.random.default_rng([arguments.seed, count, engine])
            steps = np.where(rng.random(count) < 0.3, 0, rng.integers(-12, 13, count))
            entered = np.log1p(steps / 200)
            if np.count_nonzero(steps) < 3:
                continue
            for name, shows, slopes in cases(count, rng):
                moved = slopes * (1 + SLOPES * rng.standard_normal(count)) * entered[shows]
                moved += NOISE * rng.standard_normal(count)
                moves = Moves(moved - moved.mean(), np.full(count, NOISE), entered)
                for one in judge_effect(moves, [np.arange(count)], [False]).nodes:
                    if entered[one.node]:
                        judged = judge_verdict(one, entered, shows, slopes)
                        told.setdefault(name, Counter())[judged] += 1
        print(f"{count} cylinders")
        for name, counts in told.items():
            shares = ", ".join(
                f"{word} {counts[word] / counts.total():.3f}" for word in ("right", "open", "wrong")
            )
            print(f"  {name:22} {shares}, of {counts.total()}")


if __name__ == "__main__":
    main()
