"""How often random orders of labels are found by coded fuel steps, and how sure wrong ones are.

    python tools/identity_study.py [--orders 1000] [--seed 0]

Engines of 8 and 16 cylinders with the steps that `mixmon identify --plan` prints, played by
`tests/fuel_answers.py`; noise of a reading 0.45 %, then more, until orders are wrong.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from fuel_answers import Played, orders, session

from mixmon.findings.identity.identity import TYPED_DELAYS_S, identify_labels
from mixmon.findings.identity.plan import plan_steps

CASES = ((8, 0.0045), (16, 0.0045), (8, 0.05), (16, 0.05), (8, 0.15), (16, 0.15))
"""Cylinders, and the noise of a reading in ln lambda."""


def find_order(cylinders: int, noise: float, seed: int) -> list[tuple[bool, float]]:
    """For each label, whether its cylinder was found, and with what confidence."""
    rng = np.random.default_rng([cylinders, seed])
    order = rng.permutation(cylinders)
    steps = plan_steps([(c,) for c in range(1, cylinders + 1)])
    made = Played(steps, orders(cylinders, order.tolist()), noise=noise, seed=int(rng.integers(2**31)))
    found = identify_labels(session(cylinders), made.windows(), TYPED_DELAYS_S)
    return [
        (label.cylinders == (i + 1,), label.confidence if label.cylinders else 0.0)
        for label, i in zip(found.labels, order, strict=True)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--orders", type=int, default=1000, help="random orders a case")
    parser.add_argument("--seed", type=int, default=0)
    arguments = parser.parse_args()
    print("cylinders  noise %  orders right %  labels right %  wrong and sure  surest wrong")
    for cylinders, noise in CASES:
        every = [find_order(cylinders, noise, arguments.seed + k) for k in range(arguments.orders)]
        labels = [label for order in every for label in order]
        wrong = [confidence for right, confidence in labels if not right]
        print(
            f"{cylinders:9}  {100 * noise:7.2f}  {100 * np.mean([all(r for r, _ in o) for o in every]):14.2f}"
            f"  {100 * np.mean([r for r, _ in labels]):14.2f}  {sum(c >= 0.99 for c in wrong):14}"
            f"  {max(wrong, default=np.nan):12.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
