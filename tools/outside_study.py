"""How the whole program answers on an engine that shares nothing with it but the physics.

    python tools/outside_study.py [--seeds 20] [--jobs 1] [--wrong 3] [CASE...]

Each case of `tests/outside_cases.py` is played with so many seeds. Printed: by case and question, how
many answers agree with the truth, their share and its binomial error (one standard deviation); with
`--wrong`, the first answers that do not. CASE is the begin of a case's name.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from outside_cases import CASES, Tally


def play(case: str, seed: int) -> Tally:
    """One seed of one case."""
    return CASES[case](seed)


def print_case(case: str, tally: Tally, wrong: int, seconds: float) -> None:
    """The rows of one case."""
    for question, (hits, trials) in sorted(tally.counts.items()):
        share = hits / trials
        error = math.sqrt(max(share * (1 - share), 0.25 / trials / trials) / trials)
        print(f"{case:28} {question:36} {hits:5d} of {trials:5d}  {100 * share:5.1f} ± {100 * error:.1f} %")
    for line in tally.seen[:wrong]:
        print(f"    {line[:220]}")
    print(f"    {seconds:.0f} s", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("cases", nargs="*", metavar="CASE")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--wrong", type=int, default=0)
    asked = parser.parse_args()
    chosen = [c for c in CASES if not asked.cases or any(c.startswith(a) for a in asked.cases)]
    with ProcessPoolExecutor(asked.jobs) as pool:
        for case in chosen:
            begin, tally = time.perf_counter(), Tally()
            seeds = range(asked.first, asked.first + asked.seeds)
            for one in pool.map(play, [case] * asked.seeds, seeds):
                tally.merge(one)
            print_case(case, tally, asked.wrong, time.perf_counter() - begin)


if __name__ == "__main__":
    main()
