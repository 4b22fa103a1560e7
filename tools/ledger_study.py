"""How near the ledger's forecasts come, on logs of sensors that become slower from run to run.

    python tools/ledger_study.py [--chains 5] [--runs 8] [--seed 1]

Plays engines of four by other means than the package (tests/outside_engine.py): each run has three fuel
cuts, and each sensor's lag grows by a part of its own from run to run. Every log is entered with `enter_run`,
as `mixmon sensors --add` does. Compared is when the forecast puts T63 at its limit, in hours hot after the
newest run, with when the planted lag and filter put it there.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
from pathlib import Path

import numpy as np
import scipy.optimize

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from outside_engine import Layout, Play, Sensing, Stay, write_session

import mixmon
from mixmon.ledger.forecast import Forecast
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.lessons import enter_run
from mixmon.ledger.standing import ClassLimits, records

CYLINDERS, FILTER_S, LIMIT_S = 4, 0.02, ClassLimits().t63_s
STAYS = [Stay(8.0, 5000, 50, 0.92), *(Stay(6.0, 5000, 50, 0.92, ramp=0.5) for _ in range(3))]
CUTS = [(None, 8.0 + 6.5 * i, 9.6 + 6.5 * i) for i in range(3)]
DAY_S = 86_400


def t63_of(lag_s: float) -> float:
    """The time to 63 % of a step behind a lag and a filter, by the step response of two lags."""

    def left(t: float) -> float:
        fast, slow = sorted((lag_s, FILTER_S))
        return (slow * np.exp(-t / slow) - fast * np.exp(-t / fast)) / (slow - fast) - np.exp(-1)

    return float(scipy.optimize.brentq(left, 1e-4, 5 * (lag_s + FILTER_S)))


def add_run(ledger: Ledger, lag_s: np.ndarray, day: int, rng: np.random.Generator, folder: Path) -> None:
    """Plays a run of that day, and enters it."""
    sensing = Sensing(lag_s, np.full(CYLINDERS, 0.4), filter_s=FILTER_S)
    play = Play(STAYS, rng.uniform(-3, 3, CYLINDERS), sensing, rng, injectors=CUTS)
    layout = Layout()
    session = mixmon.load_session(write_session(play, layout, folder, lean_limit=10.0))
    log = play.frames(layout).write(folder / f"{day}.log")
    text = re.sub(
        r"^\((\d+)\.", lambda m: f"({int(m[1]) + day * DAY_S}.", log.read_text(), flags=re.MULTILINE
    )
    log.write_text(text)
    enter_run(ledger, mixmon.read_run(session, log))


def study_chain(seed: int, runs: int) -> list[tuple[Forecast, float]]:
    """The lean-going forecast of each sensor of a chain, beside the hours that are left in truth."""
    rng = np.random.default_rng(seed)
    first, more = rng.uniform(0.07, 0.09, CYLINDERS), rng.uniform(0.003, 0.005, CYLINDERS)
    with tempfile.TemporaryDirectory() as name, Ledger(":memory:") as ledger:
        for day in range(runs):
            add_run(ledger, first + day * more, day, rng, Path(name))
        known = records(ledger.entries())
    lag_at_limit = float(scipy.optimize.brentq(lambda lag: t63_of(lag) - LIMIT_S, 0.021, 0.3))
    found = []
    for i, one in enumerate(known):
        hours = one.hot_h / runs
        left = ((lag_at_limit - first[i]) / more[i] - (runs - 1)) * hours
        found.append((one.forecasts[0], left))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--chains", type=int, default=5)
    parser.add_argument("--runs", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    pairs = [
        pair for i in range(arguments.chains) for pair in study_chain(arguments.seed + i, arguments.runs)
    ]
    given = [(one, left) for one, left in pairs if one.why_not is None]
    off = np.array([one.hours_left / left - 1 for one, left in given])
    held = [one.interval95_h[0] <= left <= one.interval95_h[1] for one, left in given]
    why = sorted({one.why_not.code.value for one, _ in pairs if one.why_not is not None})
    print(f"{len(pairs)} sensors, {len(given)} forecasts" + (f"; without: {', '.join(why)}" if why else ""))
    print(f"within 25 %: {np.mean(np.abs(off) <= 0.25):.3f}; largest error {100 * np.abs(off).max():.0f} %")
    print(f"middle error {100 * np.median(off):+.1f} %; truth in the 95 % interval: {np.mean(held):.3f}")


if __name__ == "__main__":
    main()
