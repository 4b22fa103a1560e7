"""The best assignment, against scipy.optimize.linear_sum_assignment, forced place by place."""

import numpy as np
import pytest
import scipy.optimize

from mixmon.findings.identity.assign import best_assignment, extra_costs


def least_sum(cost):
    rows, columns = scipy.optimize.linear_sum_assignment(cost)
    return cost[rows, columns].sum()


@pytest.mark.parametrize("seed", range(12))
def test_the_best_assignment_costs_what_scipy_finds(seed):
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 17))
    cost = rng.normal(scale=100.0, size=(rows, rows + int(rng.integers(0, 3))))
    if seed % 3 == 0:
        cost = np.round(cost, -2)  # many ties
    chosen = best_assignment(cost)
    assert len(set(chosen.tolist())) == rows
    assert cost[np.arange(rows), chosen].sum() == pytest.approx(least_sum(cost), abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_a_forced_place_costs_more_by_what_scipy_finds(seed):
    rng = np.random.default_rng(100 + seed)
    rows = int(rng.integers(1, 6))
    columns = rows + int(rng.integers(0, 3))
    cost = rng.normal(size=(rows, columns))
    _, extra = extra_costs(cost)
    for i in range(rows):
        for j in range(columns):
            others = np.delete(np.delete(cost, i, axis=0), j, axis=1)
            forced = cost[i, j] + (least_sum(others) if rows > 1 else 0.0)
            assert extra[i, j] == pytest.approx(forced - least_sum(cost), abs=1e-9)
