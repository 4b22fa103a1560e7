"""Row and column effects, against exact tables and numpy's own least squares."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components

from mixmon.findings.stats import invert_symmetric, linked, two_way


def test_a_full_table_gives_plain_means() -> None:
    y = np.array([[1.0, 2.0, 6.0], [2.0, 3.0, 7.0]])
    rows, columns = two_way(y, np.ones_like(y))
    assert columns == pytest.approx([-2.0, -1.0, 3.0])
    assert rows == pytest.approx([3.0, 4.0])


def test_a_gap_does_not_bend_the_others() -> None:
    rows, columns = np.array([0.1, 0.5, -0.3, 0.2]), np.array([0.02, -0.05, 0.03])
    y = rows[:, None] + columns
    y[1, 1] = y[2, 0] = np.nan
    got_rows, got_columns = two_way(y, np.ones_like(y))
    assert got_columns == pytest.approx(columns, abs=1e-12)
    assert got_rows == pytest.approx(rows, abs=1e-12)


def test_a_column_without_data_is_not_known() -> None:
    y = np.array([[1.0, np.nan, 3.0]])
    _, columns = two_way(y, np.ones_like(y))
    assert np.isnan(columns[1])
    assert columns[[0, 2]] == pytest.approx([-1.0, 1.0])


@given(st.integers(0, 10_000), st.integers(2, 6), st.integers(2, 5))
def test_weighted_fit_is_that_of_the_design_matrix(seed: int, m: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    y = rng.standard_normal((m, n))
    w = rng.uniform(0.2, 3.0, (m, n))
    gaps = rng.random((m, n)) < 0.2
    gaps[0] = False  # one full row keeps the table connected
    w[gaps] = 0.0
    design = np.zeros((m * n, m + n))
    for b in range(m):
        for i in range(n):
            design[b * n + i, [b, m + i]] = 1.0
    scale = np.sqrt(w.ravel())
    fitted = design @ np.linalg.lstsq(design * scale[:, None], y.ravel() * scale, rcond=None)[0]
    rows, columns = two_way(y, w)
    assert (rows[:, None] + columns)[~gaps] == pytest.approx(fitted.reshape(m, n)[~gaps], abs=1e-9)


def test_what_has_no_weight_is_not_known_and_moves_nothing() -> None:
    """A row and a column of weight zero, though they hold numbers, and a table of nothing else."""
    y = np.array([[1.0, 2.0, 9.0, 6.0], [50.0, 60.0, 70.0, 90.0], [2.0, 3.0, -9.0, 7.0]])
    w = np.outer([1.0, 0.0, 1.0], [1.0, 1.0, 0.0, 1.0])
    rows, columns = two_way(y, w)
    assert columns == pytest.approx([-2.0, -1.0, np.nan, 3.0], nan_ok=True)
    assert rows == pytest.approx([3.0, np.nan, 4.0], nan_ok=True)
    for table, weights in ((y, 0 * w), (np.full((3, 4), np.nan), w)):
        rows, columns = two_way(table, weights)
        assert (rows.shape, columns.shape) == ((3,), (4,))
        assert np.isnan(rows).all()
        assert np.isnan(columns).all()


@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(1, 8))
def test_linked_columns_are_the_connected_parts_of_the_table(seed: int, m: int, n: int) -> None:
    """scipy's connected components of the graph of rows and columns."""
    together = np.random.default_rng(seed).random((m, n)) < 1.5 / n
    graph = np.zeros((m + n, m + n), np.bool_)
    graph[:m, m:] = together
    labels = connected_components(graph, directed=False)[1][m:]
    seen = [column for column in range(n) if together[:, column].any()]
    expected: dict[int, list[int]] = {}
    for column in seen:
        expected.setdefault(int(labels[column]), []).append(column)
    assert [found.tolist() for found in linked(together)] == list(expected.values())


def test_a_chain_of_rows_links_its_first_column_with_its_last() -> None:
    for n in (2, 3, 5, 9, 16):
        chain = np.eye(n, dtype=np.bool_)[:-1] | np.eye(n, k=1, dtype=np.bool_)[:-1]
        assert [found.tolist() for found in linked(chain)] == [list(range(n))]
    assert linked(np.zeros((3, 2), np.bool_)) == []
    assert linked(np.zeros((0, 2), np.bool_)) == []
    assert [found.tolist() for found in linked(np.ones((1, 3), np.bool_))] == [[0, 1, 2]]


@pytest.mark.parametrize("least", [1e-15, 1e-9])
def test_a_symmetric_matrix_is_inverted_as_numpy_does_it(least: float) -> None:
    rng = np.random.default_rng(8)
    for n in (1, 3, 8, 16):
        half = rng.standard_normal((n, max(n - 1, 1)))
        for matrix in (half @ half.T, np.eye(n) - 1 / n, np.zeros((n, n))):
            expected = np.linalg.pinv(matrix, rcond=least, hermitian=True)
            np.testing.assert_allclose(invert_symmetric(matrix, least), expected, atol=1e-9)
