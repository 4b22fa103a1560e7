"""Slow wander in longer means: what noise, one odd node, and all nodes together make of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from mixmon.findings.wander import Differences, Wander, differences, pool

BATCHES, NODES = 86, 6


def alike(rng: np.random.Generator, tau: float, warm: int = 0) -> np.ndarray:
    """Batches of a quarter of a second that are alike by exp(-t / tau), standard deviation 1."""
    fade = np.exp(-0.25 / tau)
    noise = np.sqrt(1 - fade**2) * rng.standard_normal((warm + BATCHES, NODES))
    return np.asarray(lfilter([1], [1, -fade], noise, axis=0))[warm:]


def found(y: np.ndarray) -> Wander:
    """What is said of batches of one visit."""
    residual = y - y.mean(axis=1, keepdims=True)
    residual -= residual.mean(axis=0)
    return pool([differences(residual, np.ones(BATCHES - 1, np.bool_), 0.25)], NODES)


def test_noise_alone_hardly_ever_wanders() -> None:
    rng = np.random.default_rng(1)
    said = [bool(found(0.002 * alike(rng, 0.2, 40)).excess.any()) for _ in range(200)]
    assert sum(said) <= 1


@pytest.mark.parametrize("odd", [(2,), (0, 5)])
def test_what_steps_within_a_dwell_says_nothing_of_the_others(odd: tuple[int, ...]) -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        y = 0.002 * alike(rng, 0.2, 40)
        y[60:, odd] += 0.04
        assert np.flatnonzero(found(y).excess).tolist() == list(odd)


def test_most_wanders_that_take_far_longer_than_the_dwell_are_found_in_all_nodes() -> None:
    rng = np.random.default_rng(3)
    said = [
        (found(0.002 * alike(rng, 0.1, 40) + 0.005 * alike(rng, 60.0, 1500)).excess > 0) for _ in range(60)
    ]
    assert np.mean([one.any() for one in said]) >= 0.8
    assert np.mean(said) >= 0.65


def test_most_single_nodes_that_wander_by_a_percent_are_found_and_nothing_is_said_of_the_others() -> None:
    rng, odd = np.random.default_rng(4), np.arange(NODES) == 2
    said = np.array(
        [
            found(0.002 * alike(rng, 0.1, 40) + 0.01 * odd * alike(rng, 60.0, 1500)).excess > 0
            for _ in range(60)
        ]
    )
    assert said[:, odd].mean() >= 0.6
    assert not said[:, ~odd].any()


def visit_in_turn(rng: np.random.Generator, wander: np.ndarray) -> tuple[list[Differences], np.ndarray]:
    """Four visits each to two cells, of nodes that wander so far within ten seconds.

    Returns the differences in both cells, and the error of each node's level in the first.
    """
    turn = np.r_[np.full(68, 0), np.full(12, 2), np.full(28, 1), np.full(12, 2)]
    cell, fade = np.tile(turn, 4), np.exp(-0.25 / 10.0)
    steps = np.sqrt(1 - fade**2) * rng.standard_normal((len(cell) + 400, len(wander)))
    y = wander * lfilter([1], [1, -fade], steps, axis=0)[400:]
    y += 0.004 * rng.standard_normal(y.shape)
    y -= y.mean(axis=1, keepdims=True)
    both = []
    for kind, length in ((0, 68), (1, 28)):
        of_cell = y[cell == kind]
        joined = np.arange(1, len(of_cell)) % length != 0
        both.append(differences(of_cell - of_cell.mean(axis=0), joined, 0.25))
    return both, y[cell == 0].mean(axis=0)


def test_a_wander_slower_than_the_visits_is_in_the_mean_of_long_visits_as_in_that_of_short_ones() -> None:
    rng = np.random.default_rng(9)
    said, true = [], []
    for _ in range(100):
        both, error = visit_in_turn(rng, np.full(NODES, 0.003))
        said.append(pool(both, NODES).variance(both[0]))
        true.append(error**2)
    assert 0.7 * np.mean(true) < np.mean(said) < 1.5 * np.mean(true)


def test_where_half_of_the_nodes_surely_wander_the_quiet_ones_do_as_well() -> None:
    rng, said = np.random.default_rng(11), []
    for _ in range(100):
        both, _ = visit_in_turn(rng, np.full(4, 0.003))
        excess = pool(both, 4).excess
        said.append(np.count_nonzero(excess))
    assert set(said) <= {0, 1, 4}
    assert np.mean(said) > 0.85 * 4


def test_one_node_of_four_that_wanders_leaves_the_others_as_they_are() -> None:
    rng, one = np.random.default_rng(12), np.array([0.006, 0.0, 0.0, 0.0])
    said = np.array([pool(visit_in_turn(rng, one)[0], 4).excess > 0 for _ in range(100)])
    assert said[:, 0].mean() > 0.8
    assert said[:, 1:].mean() < 0.05
