"""Trim arithmetic against worked numbers and its own laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError
from mixmon.findings.balance.trims import keep_mean, reference_lambda, round_to_step

# A worked set (computed).
LAM = np.array([0.905, 0.872, 0.861, 0.893, 0.880, 0.848, 0.917, 0.884])
HELD = np.array([0.0, 2.0, -1.5, 0.0, 3.0, 0.0, -2.0, 1.0])
NEUTRAL = [2.559, 0.795, -3.891, 1.199, 2.717, -3.901, 1.840, 1.181]
EVEN = np.full(8, 1 / 8)


def neutral() -> np.ndarray:
    factors = 1 + HELD / 100
    return factors * LAM / reference_lambda(LAM, factors, EVEN)


def test_a_trim_composes_with_what_the_ecu_holds() -> None:
    # +5 % held, 0.906 read where 0.88 is wanted: +8.1023 %, not +7.9545 % as adding would give
    held, lam, target = np.array([1.05]), np.array([0.906]), 0.88
    new = keep_mean(held * lam / target, np.ones(1), np.zeros(1), np.full(1, 2.0), 1.05 * 0.906 / 0.88)
    assert (new - 1) * 100 == pytest.approx([8.1023], abs=1e-4)


def test_reference_is_the_fuel_weighted_mean() -> None:
    assert reference_lambda(LAM, 1 + HELD / 100, EVEN) == pytest.approx(0.882421, abs=1e-6)


def test_mean_neutral_trims_of_the_worked_set() -> None:
    new = neutral()
    assert (new - 1) * 100 == pytest.approx(NEUTRAL, abs=1e-3)
    assert new.mean() == pytest.approx(1.003125, abs=1e-12)


def test_what_a_limited_cylinder_may_not_take_is_shared_by_the_rest() -> None:
    limits = np.full(8, 0.97), np.full(8, 1.03)
    kept = keep_mean(neutral(), EVEN, *limits, 1.003125)
    expected = [2.258, 0.500, -3.0, 0.902, 2.416, -3.0, 1.541, 0.884]
    assert (kept - 1) * 100 == pytest.approx(expected, abs=1e-3)
    assert kept.mean() == pytest.approx(1.003125, abs=1e-12)


def test_rounding_to_half_percent_keeps_the_mean_of_the_worked_set() -> None:
    rounded = round_to_step(100 * (neutral() - 1), 0.5, -10, 10)
    assert rounded.tolist() == [2.5, 1.0, -4.0, 1.0, 3.0, -4.0, 2.0, 1.0]
    assert rounded.mean() == 0.3125


def test_limits_that_leave_no_room_say_so() -> None:
    with pytest.raises(RangeError, match="cannot be kept"):
        keep_mean(np.ones(3), np.full(3, 1 / 3), np.full(3, 0.9), np.full(3, 0.95), 1.0)


@pytest.mark.parametrize(
    ("percent", "step", "expected"),
    [
        ([-10.0, 5.0, 5.0], 6.0, [-6.0, 6.0, 0.0]),
        ([10.0, -5.0, -5.0], 6.0, [6.0, 0.0, -6.0]),
        ([-10.0, 5.73, 2.55, 2.18], 3.0, [-9.0, 6.0, 3.0, 0.0]),
    ],
    ids=["lower limit no multiple of the step", "upper limit", "worked by hand"],
)
def test_limits_that_are_no_multiple_of_the_step_do_not_cost_the_mean(
    percent: list[float], step: float, expected: list[float]
) -> None:
    rounded = round_to_step(np.array(percent), step, -10, 10)
    assert rounded.sum() == sum(expected)
    assert rounded.tolist() == expected


@given(
    st.lists(st.floats(-0.08, 0.08), min_size=2, max_size=16),
    st.floats(-0.02, 0.02),
    st.sampled_from([0.1, 0.25, 0.5, 1.0]),
)
def test_mean_fuel_is_kept_before_and_after_rounding(needs: list[float], level: float, step: float) -> None:
    n = len(needs)
    shares = np.full(n, 1 / n)
    held = np.full(n, 1 + level)
    lam = np.exp(needs)
    wanted = held * lam / reference_lambda(lam, held, shares)
    exact = keep_mean(wanted, shares, np.full(n, 0.9), np.full(n, 1.1), float(held.mean()))
    assert exact.mean() == pytest.approx(held.mean(), abs=1e-12)
    percent = 100 * (exact - 1)
    rounded = round_to_step(percent, step, -10, 10)
    assert np.abs(rounded - percent).max() < step + 1e-9
    assert abs(rounded.mean() - percent.mean()) <= step / (2 * n) + 1e-9
