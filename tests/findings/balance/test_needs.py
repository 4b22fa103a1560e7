"""The fit over cells where cylinders are missing: against a dense least squares, and against known truth.

The tables are made here by NumPy: an engine that drifts, cylinders whose needs are known, and batches whose
noise is a first-order autoregression. Nothing of the analysis is used to make them.
"""

import dataclasses

import numpy as np
import pytest
import scipy.linalg

from mixmon.findings.balance.balance import compare_banks
from mixmon.findings.balance.cells import CellFit, CellGroup, fit_cell
from mixmon.findings.balance.dwell import BATCH_NS, BatchTable
from mixmon.findings.balance.needs import Needs, fit_needs, place_cell
from mixmon.findings.stats import Estimate, linked
from mixmon.findings.wander import together

NOISE, RHO, TARGET = 0.004, 0.3, np.log(0.9)


def batches(levels, heard, rng, *, off_target=0.0, at_lean=None):
    """One visit: ln lambda of an engine that wanders about the target, with gaps where not `heard`."""
    m, n = heard.shape
    noise = rng.standard_normal((m, n)) * NOISE
    for row in range(1, m):
        noise[row] += RHO * noise[row - 1]
    wander = np.cumsum(rng.standard_normal(m)) * 0.002
    y = TARGET + off_target + (wander - wander.mean())[:, None] + levels + noise
    rows = np.where(heard, 25, 0).astype(np.uint8)
    none = np.zeros((m, n), np.uint8)
    return BatchTable(
        t=np.arange(m) * BATCH_NS,
        visit=np.zeros(m, np.int64),
        y=np.where(heard, y, np.nan),
        target=np.full((m, n), TARGET),
        scatter=np.full((m, n), 1e-5),
        rows=rows,
        at_rich=none,
        at_lean=none if at_lean is None else at_lean.astype(np.uint8) * 25,
        code=np.where(heard, y, np.nan),
        peak=np.where(heard, y, np.nan),
        stuck=none,
        step=np.full((m, n), np.inf),
    )


def against_mean(x):
    """ln lambda against 1 / mean(1 / lambda), for equal air."""
    return x + np.log(np.mean(np.exp(-x)))


def random_needs(rng, n=8):
    return against_mean(rng.normal(0, 0.02, n))


def fits(tables):
    return [fit_cell(i, t, np.ones(t.y.shape[1], np.bool_)) for i, t in enumerate(tables)]


def held(estimates, truth):
    """How many of the given intervals hold the truth, and how many are given."""
    pairs = [(e, x) for e, x in zip(estimates, truth, strict=True) if np.isfinite(e.half)]
    return np.array([sum(abs(e.mean - x) <= e.half for e, x in pairs), len(pairs)])


def everyone(m, n=8):
    return np.ones((m, n), np.bool_)


def halves(m, overlap):
    """Nodes 0 to 3 in the first half, 4 to 7 in the second, and all of them for `overlap` batches between."""
    heard = everyone(m)
    heard[(m + overlap) // 2 :, :4] = False
    heard[: (m - overlap) // 2, 4:] = False
    return heard


# Cylinders that were never measured together.


@pytest.mark.parametrize("one_cell", [True, False])
def test_nothing_is_said_between_cylinders_that_were_never_measured_together(one_cell):
    rng = np.random.default_rng(5)
    truth = random_needs(rng)
    if one_cell:
        tables = [batches(truth, halves(80, 0), rng)]
    else:
        first = everyone(40) & (np.arange(8) < 4)
        tables = [batches(truth, first, rng), batches(truth, ~first, rng, off_target=0.05)]
    needs = fit_needs(fits(tables), np.ones(8))
    assert [g.tolist() for g in needs.groups] == [[0, 1, 2, 3], [4, 5, 6, 7]]
    for group in needs.groups:
        found = [needs.peers[i] for i in group]
        own = against_mean(truth[group])
        assert [e.mean for e in found] == pytest.approx(own, abs=0.003)
        assert all(e.half < 0.004 for e in found)
    assert np.isnan(needs.covariance[0, 5])


def test_a_chain_of_cells_connects_them_with_the_errors_of_every_link():
    rng = np.random.default_rng(6)
    total, widths = np.zeros(2), []
    for _ in range(40):
        truth = random_needs(rng)
        one, other = everyone(40) & (np.arange(8) < 5), everyone(40) & (np.arange(8) > 3)
        needs = fit_needs(fits([batches(truth, one, rng), batches(truth, other, rng)]), np.ones(8))
        assert len(needs.groups) == 1
        total += held(needs.peers, truth)
        widths.append([e.half for e in needs.peers])
    assert total[1] == 320
    assert 0.92 < total[0] / total[1] < 0.98
    # Node 4 is the link: its own error is in what one side says against the other.
    alone = fit_needs(fits([batches(random_needs(rng), everyone(80), rng)]), np.ones(8))
    assert np.mean(widths) > 1.5 * alone.peers[0].half


def test_a_weak_link_is_in_every_interval_across_it():
    rng = np.random.default_rng(7)
    total = np.zeros(2)
    for _ in range(40):
        truth = random_needs(rng)
        needs = fit_needs(fits([batches(truth, halves(80, 8), rng)]), np.ones(8))
        total += held(needs.peers, truth)
    assert total[1] == 320
    assert 0.92 < total[0] / total[1] < 0.98


def test_joined_by_the_target_the_distance_from_it_is_taken_for_the_same():
    rng = np.random.default_rng(8)
    truth = random_needs(rng)
    first = everyone(40) & (np.arange(8) < 4)
    cells = fits([batches(truth, first, rng), batches(truth, ~first, rng)])
    needs = fit_needs(cells, np.ones(8), join_by_target=True)
    assert [g.tolist() for g in needs.groups] == [list(range(8))]
    assert [g.tolist() for g in needs.joined] == [[0, 1, 2, 3], [4, 5, 6, 7]]
    assert held(needs.peers, truth).tolist() == [8, 8]
    apart = fit_needs(cells, np.ones(8))
    assert min(e.half for e in needs.peers) > max(e.half for e in apart.peers)


# A cylinder that is missing in a cell.


def test_the_reference_of_a_cell_does_not_move_with_a_missing_cylinder():
    rng = np.random.default_rng(9)
    peers, engine = np.zeros(2), np.zeros(2)
    for _ in range(40):
        truth = random_needs(rng)
        truth = against_mean(np.where(np.arange(8) == 2, truth + 0.08, truth))
        silent = everyone(40)
        silent[:, 2] = False
        cells = fits([batches(truth, everyone(40), rng), batches(truth, silent, rng, off_target=-0.02)])
        needs = fit_needs(cells, np.ones(8))
        result = place_cell(cells[1], needs, np.ones(8))
        assert np.flatnonzero(result.carried).tolist() == [2]
        assert np.isnan(result.peers[2].half)
        peers += held(result.peers, truth)
        engine += held([result.engine], [-0.02])
    assert peers[1] == 40 * 7
    assert 0.91 < peers[0] / peers[1] < 0.99
    assert engine[0] >= 0.9 * engine[1] > 0


def test_nothing_is_carried_into_a_cell_that_is_not_in_use():
    rng = np.random.default_rng(10)
    truth = random_needs(rng)
    silent = everyone(40)
    silent[:, 2] = False
    (cell,) = fits([batches(truth, silent, rng)])
    result = place_cell(cell, None, np.ones(8))
    assert not result.carried.any()
    assert np.flatnonzero(~result.measured).tolist() == [2]


def test_a_cylinder_at_the_lean_end_is_carried_as_lean_as_that_at_least():
    rng = np.random.default_rng(11)
    truth = random_needs(rng)
    limited = everyone(40) & (np.arange(8) == 2)
    cells = fits(
        [
            batches(truth, everyone(40), rng),
            batches(truth, ~limited, rng, at_lean=limited),
        ]
    )
    needs = fit_needs(cells, np.ones(8))
    lean_end = TARGET + 0.2
    free = place_cell(cells[1], needs, np.ones(8))
    bound = place_cell(cells[1], needs, np.ones(8), np.repeat([[-1.0], [lean_end]], 8, axis=1))
    # The mean of eight in the fuel domain moves by an eighth of the distance in 1 / lambda.
    moved = (np.exp(-truth[2]) - np.exp(-0.2)) / 8
    assert free.peers[0].mean - bound.peers[0].mean == pytest.approx(moved, abs=0.002)
    assert bound.peers[0].half > 0.9 * moved


# The arithmetic, against a dense generalised least squares.


def made_up_fit(number, nodes, levels, covariance, n):
    group = CellGroup(
        nodes=np.array(nodes),
        levels=levels - levels.mean(),
        covariance=covariance,
        effective=np.full(len(nodes), 1e9),
        sure=np.ones(len(nodes), np.bool_),
        level=0.0,
        batches=40,
        off_target=Estimate(0.0, 0.001, 0.0005, 40.0),
        slow=together([], len(nodes)),
    )
    none = np.zeros(n)
    missing = (Estimate(np.nan, np.nan, np.nan, 0.0),) * n
    never = np.zeros(n, np.bool_)
    return CellFit(number, (group,), missing, none, none, none, none, never, none.astype(int), none, none)


def test_needs_and_covariance_are_those_of_a_dense_generalised_least_squares():
    """Design with one level for each cell, errors and variance between cells told: numpy and scipy alone."""
    rng = np.random.default_rng(12)
    n, tau = 6, 0.01
    truth = random_needs(rng, n)
    parts = [[0, 1, 2, 3, 4, 5], [0, 1, 3, 5], [2, 4, 5], [0, 2, 3, 4, 5]]
    cells, design, values, blocks = [], [], [], []
    for number, nodes in enumerate(parts):
        root = rng.standard_normal((len(nodes), len(nodes))) * 0.002
        covariance = root @ root.T + np.eye(len(nodes)) * 1e-6
        levels = truth[nodes] + rng.normal(0, tau, len(nodes))
        cells.append(made_up_fit(number, nodes, levels, covariance, n))
        for node, level in zip(nodes, levels, strict=True):
            design.append(np.eye(n)[node].tolist() + np.eye(len(parts))[number].tolist())
            values.append(level)
        blocks.append(covariance)
    needs = fit_needs(cells, np.ones(n))
    error = scipy.linalg.block_diag(*blocks) + np.eye(len(values)) * (needs.between + 1e-12)
    inverse = np.linalg.inv(error)
    x = np.array(design)
    solved = np.linalg.pinv(x.T @ inverse @ x)
    found = (solved @ x.T @ inverse @ np.array(values))[:n]
    assert [e.mean for e in needs.peers] == pytest.approx(against_mean(found), abs=1e-9)
    share = np.exp(-found) / np.exp(-found).sum()
    shift = np.eye(n) - share
    assert needs.covariance == pytest.approx(shift @ solved[:n, :n] @ shift.T, rel=1e-6, abs=1e-12)
    # Paule and Mandel: with that variance the residuals are as large as the degrees of freedom.
    residual = np.array(values) - x @ (solved @ x.T @ inverse @ np.array(values))
    assert residual @ inverse @ residual == pytest.approx(len(values) - n - len(parts) + 1, rel=1e-4)


def test_a_mean_over_short_cells_allows_for_weights_that_are_estimates():
    """Six cells of twelve free batches each: taken for known, the weights make 93.7 % of 95 (computed)."""
    rng, n, m, held = np.random.default_rng(14), 400, 12, []
    for _ in range(12):
        cells = []
        for number in range(6):
            batches = rng.standard_normal((m, n)) * 0.01
            error = batches.std(axis=0, ddof=1) / np.sqrt(m)
            target = tuple(
                Estimate(*one, float(m)) for one in zip(batches.mean(axis=0), 2.2 * error, error, strict=True)
            )
            cells.append(
                dataclasses.replace(
                    made_up_fit(number, [0], np.zeros(1), np.eye(1), n), groups=(), target=target
                )
            )
        held += [abs(e.mean) <= e.half for e in fit_needs(cells, np.ones(n)).target]
    assert 0.95 - 2 * np.sqrt(0.95 * 0.05 / len(held)) < np.mean(held) < 0.97  # 4800 of them


def test_sets_that_rows_connect():
    together = np.zeros((5, 6), np.bool_)
    together[0, [0, 4]] = together[1, [4, 2]] = together[2, [1, 5]] = True
    together[3, [3]] = True
    assert [nodes.tolist() for nodes in linked(together)] == [[0, 2, 4], [1, 5], [3]]


# Banks.


def test_banks_without_any_effect_differ_as_often_as_five_times_in_a_hundred():
    rng = np.random.default_rng(13)
    rounds = 800
    found = [compare_banks({"A": x[:4], "B": x[4:]}) for x in rng.normal(0, 0.015, (rounds, 8))]
    wrong = sum(abs(banks[0].needs_percent) > banks[0].half_interval_percent for banks in found)
    assert 0.03 < wrong / rounds < 0.07


def test_a_bank_that_is_off_is_found():
    rng = np.random.default_rng(14)
    own = rng.normal(0, 0.005, 8)
    lean, rich = compare_banks({"A": own[:4] + 0.02, "B": own[4:] - 0.02})
    assert lean.needs_percent - lean.half_interval_percent > 0
    assert rich.needs_percent + rich.half_interval_percent < 0
    assert lean.cylinders == rich.cylinders == 4


def test_banks_of_one_cylinder_have_no_interval():
    banks = compare_banks({"A": np.array([0.01]), "B": np.array([-0.01])})
    assert all(np.isnan(b.half_interval_percent) for b in banks)


def test_no_cells_give_no_needs():
    needs = fit_needs([], np.ones(3))
    assert isinstance(needs, Needs)
    assert not needs.groups
    assert all(np.isnan(e.mean) for e in needs.peers)


def test_intervals_over_unlike_cells_hold_the_mean_of_all_cells():
    """Needs that scatter from cell to cell by 1 %: the interval is for the mean over cells of this kind."""
    rng = np.random.default_rng(15)
    total = np.zeros(2)
    for _ in range(40):
        truth = random_needs(rng)
        cells = fits([batches(truth + rng.normal(0, 0.01, 8), everyone(24), rng) for _ in range(3)])
        total += held(fit_needs(cells, np.ones(8)).peers, truth)
    assert total[1] == 320
    assert 0.92 < total[0] / total[1] < 0.98


def test_a_carried_cylinder_is_expected_where_it_is_within_its_own_error():
    """Needs that scatter from cell to cell by 1 %: what is expected of a cylinder not measured here.

    Each of the four cells lacks another cylinder.
    """
    rng = np.random.default_rng(16)
    total = np.zeros(2)
    for _ in range(25):
        truth = random_needs(rng)
        here = [truth + rng.normal(0, 0.01, 8) for _ in range(4)]
        cells = fits([batches(x, everyone(24) & (np.arange(8) != i), rng) for i, x in enumerate(here)])
        needs = fit_needs(cells, np.ones(8))
        for i, (cell, true) in enumerate(zip(cells, here, strict=True)):
            total += held([place_cell(cell, needs, np.ones(8)).expected[i]], [against_mean(true)[i]])
    assert total[1] == 100
    assert 0.90 < total[0] / total[1] < 0.99


def test_groups_of_one_cell_that_nothing_connects_have_two_references():
    rng = np.random.default_rng(17)
    cells = fits([batches(random_needs(rng), halves(80, 0), rng)])
    assert not place_cell(cells[0], fit_needs(cells, np.ones(8)), np.ones(8)).one_reference
    linked_up = fits([batches(random_needs(rng), halves(80, 8), rng)])
    assert place_cell(linked_up[0], fit_needs(linked_up, np.ones(8)), np.ones(8)).one_reference


@pytest.mark.parametrize("n", [3, 6, 7, 12, 13])
def test_errors_of_levels_that_were_always_heard_together_are_those_of_a_balanced_layout(n):
    """Var = s^2 (1 - 1/n) and cov = -s^2 / n of levels against their mean (any textbook of two-way layouts).

    A thirteenth of a row is no number of the machine: what rounding leaves of the common level is no error.
    """
    rng = np.random.default_rng(n)
    heard = np.ones((46, n), np.bool_)
    [group] = fits([batches(np.zeros(n), heard, rng)])[0].groups
    own = np.diag(group.covariance)
    apart = np.eye(n) - 1 / n
    np.testing.assert_allclose(group.covariance.sum(axis=0), 0.0, atol=1e-12)
    noise = NOISE**2 / 46 * (1 + RHO) / (1 - RHO)
    assert own.mean() == pytest.approx(noise * apart[0, 0], rel=0.5)
    assert own.min() > 0
