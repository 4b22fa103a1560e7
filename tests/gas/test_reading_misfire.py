"""A charge that did not burn, as a pump cell sees it. Levels computed by hand; none measured."""

import numpy as np
import pytest

from mixmon.errors import RangeError
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.gas.reading import VAPOUR_KNUDSEN, VAPOUR_MOLECULAR, missed_charge_oxygen

ISOOCTANE = fuel_named("isooctane")


def lambda_with_missed(share: float, k_d: float) -> float:
    """What is read at 0.88 where that share of the charges did not burn: they mix as oxygen balance."""
    burnt, missed = oxygen_balance(0.88, ISOOCTANE), missed_charge_oxygen(0.88, ISOOCTANE, k_d)
    return lambda_from_oxygen(burnt + share * (missed - burnt), ISOOCTANE)


@pytest.mark.parametrize(
    ("k_d", "oxygen", "lam"), [(0.529, 8.20, 1.69), (0.327, 12.92, 2.73), (1.0, -2.80, 0.87)]
)
def test_apparent_oxygen_of_a_missed_charge(k_d: float, oxygen: float, lam: float) -> None:
    found = missed_charge_oxygen(0.88, ISOOCTANE, k_d)
    assert found == pytest.approx(oxygen, abs=0.01)
    assert lambda_from_oxygen(found, ISOOCTANE) == pytest.approx(lam, abs=0.01)


def test_nothing_of_the_vapour_arrives() -> None:
    """20.56 % O2 remains beside 1.87 % vapour."""
    assert missed_charge_oxygen(0.88, ISOOCTANE, 0.0) == pytest.approx(20.56, abs=0.005)


def test_vapour_is_as_slow_as_its_mass_makes_it() -> None:
    """Knudsen: the square root of the molar mass of O2 over that of isooctane."""
    assert pytest.approx((31.998 / ISOOCTANE.molar_mass) ** 0.5, abs=2e-3) == VAPOUR_KNUDSEN
    assert VAPOUR_MOLECULAR < VAPOUR_KNUDSEN


@pytest.mark.parametrize(("k_d", "lam"), [(0.529, 0.9034), (0.327, 0.9139), (0.0, 0.9314)])
def test_bias_of_five_percent_misfire(k_d: float, lam: float) -> None:
    assert lambda_with_missed(0.05, k_d) == pytest.approx(lam, abs=1e-4)


@pytest.mark.parametrize(
    ("share", "percent"), [(0.01, (0.5, 0.8, 1.1)), (0.05, (2.7, 3.9, 5.8)), (0.10, (5.4, 7.9, 12.2))]
)
def test_bias_grows_with_the_rate(share: float, percent: tuple[float, ...]) -> None:
    for k_d, expected in zip((0.529, 0.327, 0.0), percent, strict=True):
        assert 100 * (lambda_with_missed(share, k_d) / 0.88 - 1) == pytest.approx(expected, abs=0.06)


def test_levels_of_the_short_form() -> None:
    """20.6 - k_d 20.6/lambda: 8.05 at 0.87 and 0.53; within 1 % of the exact one for pump fuel."""
    assert missed_charge_oxygen(0.87, fuel_named("E10"), 0.53) == pytest.approx(8.05, rel=0.01)


def test_a_charge_without_fuel_is_air() -> None:
    assert missed_charge_oxygen(np.inf, ISOOCTANE) == pytest.approx(20.95)
    assert missed_charge_oxygen(np.inf, ISOOCTANE, w=0.02) == pytest.approx(20.95 / 1.02)


def test_arrays_and_unknowns() -> None:
    lam = np.array([0.88, 0.0, -1.0, np.nan])
    np.testing.assert_array_equal(
        missed_charge_oxygen(lam, ISOOCTANE), [missed_charge_oxygen(0.88, ISOOCTANE), np.nan, np.nan, np.nan]
    )


def test_impossible_parameters() -> None:
    with pytest.raises(RangeError, match=r"k_d = -0\.1"):
        missed_charge_oxygen(0.9, ISOOCTANE, -0.1)
    with pytest.raises(RangeError, match="w = -1"):
        missed_charge_oxygen(0.9, ISOOCTANE, w=-1.0)
