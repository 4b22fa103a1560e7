"""How often cells that are alike are taken for unlike ones, and how small a leak or a drift is found.

    python tools/unlike_study.py [--engines 100] [--seed 0]

Engines of 4, 8 and 16 cylinders in twelve cells of one to ten usable seconds, two of them visited again; the
rows are those of `tests/dwells.py`. Then, with eight cylinders, a leak of constant air before one sensor and
a drift of one cylinder, by size: the share of engines in which the right cylinder is named.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from dwells import dwell, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.unlike import flow_of
from mixmon.mixture.steady import Cell
from mixmon.session.model import Axes

AXES = Axes(rpm=(1200.0, 2000.0, 3000.0, 4500.0, 6000.0, 7500.0), load=(10.0, 35.0, 60.0, 100.0))
CELLS = [(rpm, load) for rpm in AXES.rpm for load in AXES.load if rpm > 1500 or load < 60][:12]
LENGTHS_S = (4.8, 5.5, 7.0, 10.0, 13.5)
FLAGS = (BalanceNote.CELLS_DISAGREE, BalanceNote.LEAN_AT_LOW_FLOW, BalanceNote.NEED_DRIFTS)
NOTES = (BalanceNote.CELL_OR_TIME, BalanceNote.LEAK_IN_ALL_CELLS, BalanceNote.PULLS_WITHOUT_DWELLS)


def played(cylinders: int, seed: int, *, leak: float = 0.0, drift: float = 0.0) -> Balance:
    """One engine; its first cylinder leaks so much at the least flow, or drifts so much over the log."""
    rng, first = np.random.default_rng([cylinders, seed]), 0
    base, stage = rng.uniform(-0.06, 0.06, cylinders), BalanceStage(session(cylinders, axes=AXES))
    order = [*range(len(CELLS)), 0, 5]
    flow = [flow_of(Cell(*cell), AXES) for cell in CELLS]
    for k, cell in enumerate(order):
        offsets = base.copy()
        offsets[0] += np.log1p(leak * min(flow) / flow[cell]) + drift * k / (len(order) - 1)
        rpm, load = CELLS[cell]
        rows = dwell(offsets, rng, seconds=float(rng.choice(LENGTHS_S)), rpm=rpm, load=load, first=first)
        first += len(rows)
        stage.feed(rows)
    return stage.quick_result()


def told(result: Balance, cylinder: int | None = None) -> set[BalanceNote]:
    """The codes of unlike cells: all, or the flags of one cylinder."""
    people = [one for one in result.cylinders if cylinder in {None, one.cylinder}]
    codes = {flag.code for one in people for flag in one.flags if flag.code in FLAGS}
    if cylinder is None:
        codes |= {one.code for one in (*result.notes, *result.withheld) if one.code in NOTES}
    return codes  # type: ignore[return-value]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=100, help="engines of each kind")
    parser.add_argument("--seed", type=int, default=0, help="first seed")
    arguments = parser.parse_args()
    seeds = range(arguments.seed, arguments.seed + arguments.engines)
    for cylinders in (4, 8, 16):
        found = [told(played(cylinders, seed)) for seed in seeds]
        codes = Counter(code.value for one in found for code in one)
        print(f"{cylinders:2d} cylinders alike: {sum(map(bool, found))} of {len(seeds)} engines")
        print(f"   {dict(codes)}")
    for size in (0.01, 0.02, 0.04, 0.08):
        leaks = [BalanceNote.LEAN_AT_LOW_FLOW in told(played(8, seed, leak=size), 1) for seed in seeds]
        drifts = [BalanceNote.NEED_DRIFTS in told(played(8, seed, drift=size), 1) for seed in seeds]
        print(f"{100 * size:g} %: leak found {np.mean(leaks):.0%}, drift found {np.mean(drifts):.0%}")


if __name__ == "__main__":
    main()
