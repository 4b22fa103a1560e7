"""Row and column effects, against exact tables and numpy's own least squares."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.findings.stats import two_way


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
