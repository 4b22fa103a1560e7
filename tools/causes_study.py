"""Do patterns, causes and suspected leaks come out of nothing, and is what is planted found?

    python tools/causes_study.py [--engines 1000] [--logs 10]

Prints false alarms of the bank test and of all patterns together, by number of cylinders and by how the
cylinders scatter; how often planted banks and rail slopes are found; how often a healthy engine has a
cylinder left out of the mean, and what that does to the mean; how often a planted cause is among those that
are named. With --logs also dead times by simulated split-pulse tests, with the coverage of their intervals.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from dwells import session
from weighed_needs import DEMO, ERROR, LEAK, PULSE, SYNC, weighed

from mixmon.findings.balance.unlike import find_lean_at_low_flow, find_suspects
from mixmon.findings.causes.causes import CausesStage
from mixmon.findings.causes.notes import PatternCode, PossibleCause
from mixmon.findings.causes.patterns import PatternTest, find_patterns
from mixmon.findings.stage import run_through, sum_up
from mixmon.findings.stats import Estimate
from mixmon.grade.evidence import split_pulses
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.session.model import Engine, Injection, Session
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.simulate.truth import truth_of

Scatter = Callable[[np.random.Generator, int], np.ndarray]

SCATTERS: Mapping[str, Scatter] = {
    "normal": lambda rng, n: rng.normal(0, 1, n),
    "uniform": lambda rng, n: rng.uniform(-2, 2, n),
    "heavy tails": lambda rng, n: rng.standard_t(3, n),
    "one 6 % weak": lambda rng, n: rng.normal(0, 1, n) + 6 * (np.arange(n) == rng.integers(n)),
}
"""Needs of the cylinders, percent."""


def engine_of(n: int) -> Session:
    """Two banks one after another along the crank, one rail through both, neighbours on one port."""
    first, second = tuple(range(1, n // 2 + 1)), tuple(range(n // 2 + 1, n + 1))
    order = tuple(c for pair in zip(first, second, strict=True) for c in pair)
    uneven = tuple(np.cumsum([0, *np.tile([60.0, 120.0], n // 2)])[:n] * 720 / (90 * n))
    ports = tuple((c, c + 1) for c in range(1, n, 2))
    banks = {"A": first, "B": second}
    engine = Engine(n, firing_order=order, firing_angles_deg=uneven, banks=banks, shared_ports=ports)
    return session(n, engine=engine, injection=Injection(fuel_rails=(order,)))


def print_false_patterns(engines: int) -> None:
    """False alarms of the bank test by itself, and of all patterns after Holm's procedure."""
    print(f"engines without a pattern, {engines} each: bank test below 5 %, any pattern found, %")
    for n in (4, 6, 8, 12, 16):
        for name, scatter in SCATTERS.items():
            rng, one = np.random.default_rng(n), engine_of(n)
            runs = [find_patterns(one, scatter(rng, n)) for _ in range(engines)]
            bank = [_pattern(tests, PatternCode.BANK).p < 0.05 for tests in runs]
            found = [any(test.found for test in tests) for tests in runs]
            print(f"  {n:2d} cylinders, {name:13}{100 * np.mean(bank):7.1f}{100 * np.mean(found):7.1f}")


def print_planted_patterns(engines: int) -> None:
    """Power for a bank 2 % apart and a rail that loses 3 % to its end, by the scatter of the cylinders."""
    print("planted, eight cylinders, %: bank 2 % found, its p < 5 %; rail 3 % found, its p < 1 %")
    one, place = engine_of(8), np.array([0, 2, 4, 6, 1, 3, 5, 7]) / 7
    for scatter in (0.3, 0.5, 0.8, 1.2):
        rng, counts = np.random.default_rng(1), np.zeros(4)
        for _ in range(engines):
            noise = rng.normal(0, scatter, 8)
            bank = _pattern(find_patterns(one, noise + np.repeat([1.0, -1.0], 4)), PatternCode.BANK)
            rail = _pattern(find_patterns(one, noise + 3 * place), PatternCode.RAIL)
            counts += [bank.found, bank.p < 0.05, rail.found, rail.p < 0.01]
        print(f"  scatter {scatter:.1f} %" + "".join(f"{100 * c / engines:8.1f}" for c in counts))


def _pattern(tests: tuple[PatternTest, ...], code: PatternCode) -> PatternTest:
    return next(test for test in tests if code in test.codes)


HEALTHY: Mapping[str, Callable[[np.random.Generator], np.ndarray]] = {
    "noise alone": lambda _: np.zeros((8, 8)),
    "runners 0.3 % by cell": lambda rng: rng.normal(0, 0.003, (8, 8)),
    "injectors 0.02 ms apart": lambda rng: np.outer(1 / PULSE, rng.normal(0, 0.02, 8)),
    "throttles 1 % apart": lambda rng: np.outer(SYNC, rng.normal(0, 0.01, 8)),
    "throttles 2 % apart": lambda rng: np.outer(SYNC, rng.normal(0, 0.02, 8)),
    "a leak of 9 %": lambda _: np.outer(np.log1p(LEAK), np.arange(8) == 5),
}
"""What makes needs change from cell to cell, ln lambda, float64[cells, cylinders]."""


OF_THE_SENSOR = {"a leak of 9 %"}
"""Cases in which the air comes in before the sensor, so that the cylinder is not as lean as it reads."""


def print_suspects(engines: int) -> None:
    """How often a cylinder is left out of a mean, and how far the mean of the idle cell is then off."""
    print(
        f"eight cells, {engines} engines: with a cylinder left out, %; idle mean off, %: mean, most; as read"
    )
    serves = np.zeros(8, np.bool_)
    for name, made in HEALTHY.items():
        rng, out, off, as_read = np.random.default_rng(3), 0, np.zeros(engines), np.zeros(engines)
        for k in range(engines):
            change = made(rng)
            y = rng.normal(0, 0.02, 8) + change + rng.normal(0, 0.001, (8, 8))
            needs = [tuple(Estimate(v, 0.002, 0.001, 40.0) for v in row) for row in y.tolist()]
            spoilt = find_suspects(needs, find_lean_at_low_flow(needs, DEMO.flow), serves)
            out += bool(spoilt.any())
            false_air = float(change[0].mean()) if name in OF_THE_SENSOR else 0.0
            off[k] = 100 * abs(float(spoilt[0].mean()) - false_air)
            as_read[k] = 100 * abs(false_air)
        numbers = f"{100 * out / engines:7.1f}{off.mean():9.3f}{off.max():8.2f}{as_read.mean():9.3f}"
        print(f"  {name:26}{numbers}")


PLANTED: Mapping[str, tuple[np.ndarray, PossibleCause]] = {
    "leak 9 % at idle": (np.log1p(LEAK), PossibleCause.LEAK),
    "leak 4 % at idle": (np.log1p(LEAK * 4 / 9), PossibleCause.LEAK),
    "throttle +4 %": (0.04 * SYNC, PossibleCause.SYNC),
    "throttle -3 %": (-0.03 * SYNC, PossibleCause.SYNC),
    "injector 0.06 ms late": (0.060 / PULSE, PossibleCause.DEAD_TIME),
    "injector -0.04 ms": (-0.040 / PULSE, PossibleCause.DEAD_TIME),
    "injector flow -6 %": (np.full(8, 0.06), PossibleCause.FLOW),
}
"""Needs of one cylinder, and what makes them."""


def print_planted_causes(cylinders: int) -> None:
    """How often a planted cause is named, told alone, and with what chance."""
    print(f"one cylinder, {cylinders} times: sure, planted cause named, told alone, %; its mean chance, %")
    for name, (needs, cause) in PLANTED.items():
        sure, named, alone, chance = 0, 0, 0, 0.0
        for seed in range(cylinders):
            one = weighed(needs, seed)
            sure += min(one.p_change, 1.0) < 1e-3 or one.p_level < 1e-3
            named += one.share(cause) > 0.02
            alone += not any(cause in group for group in one.not_separated)
            chance += one.share(cause)
        counts = [100 * count / cylinders for count in (sure, named, alone, chance)]
        print(f"  {name:24}" + "".join(f"{count:7.1f}" for count in counts))
    print(f"  (needs in each of eight cells known to {100 * ERROR:g} %)")


def print_dead_times(logs: int) -> None:
    """Errors and coverage of dead times by simulated split-pulse tests of the demo engine."""
    scenario, errors, held = load_scenario("alder8-split"), list[float](), 0
    for seed in range(1, logs + 1):
        played = simulate(scenario, seed=seed)
        truth = truth_of(played)
        pipeline = Pipeline(bind(played.session, load_databases(played.session)))
        stage = CausesStage(played.session, splits=split_pulses(truth))
        found = sum_up(stage, run_through(pipeline, played)).cylinders
        late = np.array(truth["differences"]["dead_time_ms"])
        for one, ms in zip(found, (late - late.mean()).tolist(), strict=True):
            errors.append(one.dead_time_ms - ms)
            held += abs(errors[-1]) <= one.dead_time_half
    size = np.abs(errors)
    print(
        f"split pulse, {logs} logs: error {1e3 * np.sqrt(np.mean(size**2)):.1f} us, at most "
        f"{1e3 * size.max():.1f}; within 20 us {100 * np.mean(size <= 0.02):.1f} %; intervals hold "
        f"{100 * held / len(size):.1f} %"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--engines", type=int, default=1000, help="engines of each kind")
    parser.add_argument("--logs", type=int, default=0, help="simulated split-pulse tests")
    arguments = parser.parse_args()
    print_false_patterns(arguments.engines)
    print_planted_patterns(arguments.engines)
    print_suspects(arguments.engines)
    print_planted_causes(max(arguments.engines // 5, 1))
    if arguments.logs:
        print_dead_times(arguments.logs)


if __name__ == "__main__":
    main()
