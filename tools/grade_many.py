"""The grader over several scenarios and seeds: errors of the needs, and how often each item is right.

python tools/grade_many.py [--seeds 10] [--scenarios alder8 six twelve odd-six]
"""

from __future__ import annotations

import argparse
from collections import Counter

import numpy as np

from mixmon.grade.evidence import gather
from mixmon.grade.grader import JUDGES
from mixmon.grade.item import Verdict
from mixmon.grade.mixture_items import cell_errors, intervals
from mixmon.simulate.load import load_scenario
from mixmon.simulate.run import simulate


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=101)
    parser.add_argument("--scenarios", nargs="+", default=["alder8", "six", "twelve", "odd-six"])
    arguments = parser.parse_args()
    print("scenario    looks  rms %  worst %  intervals hold  right  wrong  items wrong (times)")
    for name in arguments.scenarios:
        scenario = load_scenario(name)
        errors: list[float] = []
        held, looked = 0.0, 0
        verdicts: Counter[Verdict] = Counter()
        wrong: Counter[str] = Counter()
        for seed in range(arguments.first, arguments.first + arguments.seeds):
            evidence = gather(simulate(scenario, seed=seed))
            here = cell_errors(evidence)
            errors += here
            share, _, _, looks = intervals(evidence).found.split()
            held += float(share) / 100 * int(looks)
            looked += int(looks)
            for judge in JUDGES:
                item = judge(evidence)
                verdicts[item.verdict] += 1
                wrong[item.name] += item.verdict is Verdict.WRONG
        worst = ", ".join(f"{item} ({times})" for item, times in wrong.items() if times) or "none"
        print(
            f"{name:10} {len(errors):6d} {np.sqrt(np.mean(np.square(errors))):6.2f} "
            f"{np.max(np.abs(errors)):8.2f} {100 * held / looked:13.1f} % "
            f"{verdicts[Verdict.RIGHT]:6d} {verdicts[Verdict.WRONG]:6d}  {worst}"
        )


if __name__ == "__main__":
    main()
