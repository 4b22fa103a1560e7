"""What tests are expected to teach: against brute force, and which is proposed for whom."""

from __future__ import annotations

import numpy as np
import pytest
from weighed_needs import LEAK, PULSE, weighed

from mixmon.findings.causes.next_test import (
    TESTS,
    Suspect,
    answer_bits,
    bits_of,
    number_bits,
    outcomes_of_split,
    rate_tests,
)
from mixmon.findings.causes.notes import NextTest

DRAWS = 60_000


def entropy(chance: np.ndarray) -> np.ndarray:
    """Bits, along the last axis."""
    return -np.sum(np.where(chance > 0, chance * np.log2(np.maximum(chance, 1e-300)), 0), axis=-1)


def simulated_bits(rng: np.random.Generator, chance: np.ndarray, likelihood, draw) -> float:
    """Brute force: draw what is true, then an outcome; Bayes' rule; mean fall of the entropy."""
    truth = rng.choice(len(chance), DRAWS, p=chance)
    after = chance * likelihood(draw(truth))
    after /= after.sum(axis=1, keepdims=True)
    return float(entropy(chance) - entropy(after).mean())


@pytest.mark.parametrize("seed", range(3))
def test_a_number_teaches_what_brute_force_says(seed: int) -> None:
    rng = np.random.default_rng(seed)
    chance = rng.dirichlet(np.ones(5))
    mean, error = rng.normal(0, 2, 5), rng.uniform(0.2, 2, 5)

    def likelihood(z: np.ndarray) -> np.ndarray:
        return np.exp(-0.5 * ((z[:, None] - mean) / error) ** 2) / error

    brute = simulated_bits(rng, chance, likelihood, lambda k: rng.normal(mean[k], error[k]))
    assert number_bits(chance, mean, error) == pytest.approx(brute, abs=0.015)


def test_an_answer_teaches_what_brute_force_says() -> None:
    rng = np.random.default_rng(7)
    chance, yes = np.array([0.2, 0.5, 0.3]), np.array([0.9, 0.05, 0.4])

    def likelihood(z: np.ndarray) -> np.ndarray:
        return np.where(z[:, None], yes, 1 - yes)

    brute = simulated_bits(rng, chance, likelihood, lambda k: rng.random(DRAWS) < yes[k])
    assert answer_bits(chance, yes) == pytest.approx(brute, abs=0.01)


def test_a_split_pulse_on_a_weighed_cylinder_teaches_what_brute_force_says() -> None:
    rng, one = np.random.default_rng(5), weighed(0.060 / PULSE)
    chance = np.array([e.chance for e in one.changes])
    mean, error = outcomes_of_split(one.changes)

    def likelihood(z: np.ndarray) -> np.ndarray:
        return np.exp(-0.5 * ((z[:, None] - mean) / error) ** 2) / error

    brute = simulated_bits(rng, chance, likelihood, lambda k: rng.normal(mean[k], error[k]))
    suspect = Suspect(1, one, level=False, change=True, wrong_label=0.0)
    assert bits_of(NextTest.SPLIT, suspect) == pytest.approx(brute, abs=0.015)


def test_nothing_teaches_where_all_is_known_and_no_more_than_there_is_to_know() -> None:
    assert number_bits(np.array([1.0, 0.0]), np.array([0.0, 5.0]), np.ones(2)) == pytest.approx(0, abs=1e-4)
    assert number_bits(np.array([0.5, 0.5]), np.zeros(2), np.ones(2)) == pytest.approx(0, abs=1e-4)
    assert answer_bits(np.array([0.3, 0.7]), np.array([0.4, 0.4])) == pytest.approx(0, abs=1e-12)
    assert number_bits(np.full(4, 0.25), 1e3 * np.arange(4.0), np.ones(4)) == pytest.approx(2, abs=1e-3)


def test_labels_that_nobody_proved_come_first_and_then_what_separates() -> None:
    leaking = weighed(np.log1p(LEAK))
    unproved = [Suspect(6, leaking, level=True, change=True, wrong_label=0.05)]
    unproved += [Suspect(i, None, level=False, change=False, wrong_label=0.05) for i in range(1, 6)]
    first = rate_tests(unproved)[0]
    assert first.code is NextTest.IDENTITY
    assert set(first.cylinders) == {1, 2, 3, 4, 5, 6}
    proved = [Suspect(6, leaking, level=False, change=True, wrong_label=0.0)]
    rated = {one.code: one for one in rate_tests(proved)}
    assert rated[NextTest.SMOKE].bits > 0.4
    assert rated[NextTest.SMOKE].bits > rated[NextTest.SPLIT].bits
    assert rated[NextTest.STOP].cylinders == (6,)
    assert NextTest.ROTATE not in rated or rated[NextTest.ROTATE].bits < 0.1
    assert NextTest.SMOKE not in {one.code for one in rate_tests(proved, [NextTest.SMOKE])}
    for one in rated.values():
        assert one.bits_per_minute == pytest.approx(one.bits / TESTS[one.code].minutes)


def test_sound_cylinders_ask_for_nothing() -> None:
    sound = Suspect(1, weighed(np.zeros(8)), level=False, change=False, wrong_label=0.0)
    assert rate_tests([sound]) == ()
