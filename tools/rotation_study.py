"""Do the intervals of a rotation tell the truth, how often do sessions that agree seem to disagree?

    python tools/rotation_study.py [--engines 200] [--logs 10]

Plays rotations of an engine and sensors of known bias (`tests/rotations.py`): readings with noise, with
what putting a sensor in does, with what a cell does; prints how often the 95 % intervals of needs and of
biases hold the truth, their mean half-widths, and how often the sessions are said to disagree. With
--logs also through whole logs of the engine that is made without the package.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from command_line import run_command
from rotations import SIX, Engine, outside_truth, shifted, write_sessions

from mixmon.findings.bias.rotation import fit_rotation
from mixmon.report.text import plain

CASES: dict[str, tuple[int, tuple[int, ...], dict[str, Any]]] = {
    "4 sensors, seats 0.05": (4, (0, 1, 2), {"seat": 0.05}),
    "4 sensors, seats 0.1": (4, (0, 1, 2), {"seat": 0.1}),
    "6 sensors, seats 0.1": (6, (0, 1, 3), {"seat": 0.1}),
    "8 sensors, two sessions, seats 0.1": (8, (0, 1), {"seat": 0.1}),
    "8 sensors, two sessions, seats 0.3": (8, (0, 1), {"seat": 0.3}),
    "6 sensors, two sessions, seats 0.3": (6, (0, 1), {"seat": 0.3}),
    "3 sensors, seats 0.3": (3, (0, 1, 2), {"seat": 0.3}),
    "8 sensors, seats 0.3": (8, (0, 1, 3), {"seat": 0.3}),
    "3 sensors, seats 0.1": (3, (0, 1, 2), {"seat": 0.1}),
    "8 sensors": (8, (0, 1, 3), {}),
    "8 sensors, much noise": (8, (0, 1, 3), {"noise": (1.0, 2.0)}),
    "8 sensors, seats 0.1": (8, (0, 1, 3), {"seat": 0.1}),
    "8 sensors, seats 0.1, cells 0.15": (8, (0, 1, 3), {"seat": 0.1, "by_cell": 0.15}),
    "8 sensors, four sessions, seats 0.1": (8, (0, 1, 2, 4), {"seat": 0.1}),
    "16 sensors, seats 0.1": (16, (0, 1, 4), {"seat": 0.1}),
}


def needs_of(lam: np.ndarray) -> np.ndarray:
    """Percent against the mean in the fuel domain, from lambda."""
    return 100 * (lam * np.mean(1 / lam) - 1)


def print_coverage(name: str, found: Sequence[Any], truths: Sequence[tuple[np.ndarray, np.ndarray]]) -> None:
    """One line: coverage of needs and biases, mean half-widths, and how many disagree."""
    hits, halves = [], []
    for one, truth in zip(found, truths, strict=True):
        numbers = {int(s["sensor"].lstrip("SN-")) - 1: s for s in one["sensors"]}
        pairs = (one["cylinders"], "needs_percent"), ([numbers[i] for i in sorted(numbers)], "bias_percent")
        half = [[e["half_interval_percent"] for e in effects] for effects, _ in pairs]
        off = [
            [abs(e[value] - t) for e, t in zip(effects, right, strict=True)]
            for (effects, value), right in zip(pairs, truth, strict=True)
        ]
        hits.append((np.array(off) <= half).mean(axis=1))
        halves.append(np.mean(half, axis=1))
    shares, wide = 100 * np.mean(hits, axis=0), np.mean(halves, axis=0)
    disagree = 100 * np.mean([one["consistent"] is False for one in found])
    powers = [one["agreement_power"] for one in found if one.get("agreement_power") is not None]
    power = f"   power {100 * np.mean(powers):3.0f} %" if powers else ""
    print(
        f"{name:36} needs {shares[0]:5.1f} % in ± {wide[0]:.2f}   biases {shares[1]:5.1f} % in "
        f"± {wide[1]:.2f}   disagree {disagree:4.1f} %{power}",
        flush=True,
    )


def play(count: int, shifts: tuple[int, ...], seed: int, more: dict[str, Any]) -> tuple[Any, Any]:
    """One rotation without logs: what was found, and its truth."""
    rng = np.random.default_rng(seed)
    needs, biases = rng.uniform(-5, 5, count), rng.normal(0, 1, count)
    found = fit_rotation(Engine(needs, biases, rng, **more).sessions(shifted(count, shifts)))
    truth = needs_of(np.exp(needs / 100)), 100 * np.expm1((biases - biases.mean()) / 100)
    told = {name: getattr(found, name) for name in ("cylinders", "sensors", "consistent", "agreement_power")}
    return plain(told), truth


def play_logs(seed: int) -> tuple[Any, Any]:
    """One rotation through logs: what the command said, and its truth."""
    with tempfile.TemporaryDirectory() as name:
        words = write_sessions(Path(name), seed, shifted(SIX, (0, 1, 3)))
        found = json.loads(run_command("rotate", *words, "--json", "--quiet").out)
    needs, biases = outside_truth(seed)
    ln = np.log1p(biases / 100)
    return found, (needs_of(1 + needs / 100), 100 * np.expm1(ln - ln.mean()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=200)
    parser.add_argument("--logs", type=int, default=0)
    asked = parser.parse_args()
    for name, (count, shifts, more) in CASES.items() if asked.engines else ():
        played = [play(count, shifts, seed, more) for seed in range(asked.engines)]
        print_coverage(name, *zip(*played, strict=True))
    if asked.logs:
        played = [play_logs(seed) for seed in range(asked.logs)]
        print_coverage("6 sensors, three logs each", *zip(*played, strict=True))


if __name__ == "__main__":
    main()
