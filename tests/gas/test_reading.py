"""Pressure, and a curve made for another fuel."""

import numpy as np
import pytest

from mixmon.errors import RangeError
from mixmon.gas.exhaust import oxygen_balance, richest
from mixmon.gas.fuel import fuel_named, fuel_names
from mixmon.gas.reading import (
    MOLECULAR,
    Diffusion,
    pressure_gain,
    pump_signal,
    reading_on_other_fuel,
)

GASOLINE = fuel_named("gasoline")

# What a gasoline curve shows: computed by a separate program.
PLAIN = [
    (0.75, "methanol", 0.780),
    (0.75, "ethanol", 0.766),
    (0.75, "E85", 0.763),
    (0.75, "methane", 0.759),
    (0.75, "toluene", 0.745),
    (1.20, "methanol", 1.176),
    (1.20, "E85", 1.190),
    (1.20, "methane", 1.193),
]
WEIGHTED = [
    (0.80, "methanol", 0.789),
    (0.80, "ethanol", 0.791),
    (0.80, "isooctane", 0.792),
    (0.80, "methane", 0.767),
    (0.80, "toluene", 0.819),
    (0.85, "toluene", 0.865),
    (1.20, "methanol", 1.176),
]


def test_pressure_gain_to_four_digits() -> None:
    """k 0.3 bar, computed from (p/p0)(p0 + k)/(p + k)."""
    bar = np.array([1.0, 1.05, 1.2, 1.5, 2.0])
    np.testing.assert_allclose(pressure_gain(bar, 0.3), [1.0, 1.0111, 1.0400, 1.0833, 1.1304], atol=5e-5)


@pytest.mark.parametrize(("bar", "shown"), [(1.2, 0.7932), (2.0, 0.7782)])
def test_pressure_bends_a_rich_reading_richer(bar: float, shown: float) -> None:
    found = reading_on_other_fuel(0.80, GASOLINE, GASOLINE, gain=pressure_gain(bar, k_bar=0.3))
    assert found == pytest.approx(shown, abs=1e-4)


def test_the_gain_is_one_at_the_reference() -> None:
    assert pressure_gain(1.3, 0.3, reference_bar=1.3) == pytest.approx(1.0, rel=1e-15)


@pytest.mark.parametrize("k", [None, 0.0])
def test_pressure_does_nothing_by_default(k: float | None) -> None:
    assert pressure_gain(2.0, k) == 1.0


def test_the_finest_pores_follow_the_pressure() -> None:
    assert pressure_gain(1.7, float("inf")) == 1.7
    assert pressure_gain(1.7, 1e9) == pytest.approx(1.7, rel=1e-8)


def test_impossible_pressure_settings() -> None:
    with pytest.raises(RangeError, match=r"k in bar = -0\.1"):
        pressure_gain(1.0, -0.1)
    with pytest.raises(RangeError, match="reference pressure in bar = 0"):
        pressure_gain(1.0, 0.3, reference_bar=0.0)


@pytest.mark.parametrize(("lam", "name", "shown"), PLAIN)
def test_plain_oxygen_balance_on_a_gasoline_curve(lam: float, name: str, shown: float) -> None:
    found = reading_on_other_fuel(lam, fuel_named(name), GASOLINE)
    assert found == pytest.approx(shown, abs=6e-4)


@pytest.mark.parametrize(("lam", "name", "shown"), WEIGHTED)
def test_weighted_signal_on_a_gasoline_curve(lam: float, name: str, shown: float) -> None:
    found = reading_on_other_fuel(lam, fuel_named(name), GASOLINE, MOLECULAR)
    assert found == pytest.approx(shown, abs=6e-4)


@pytest.mark.parametrize("name", fuel_names())
@pytest.mark.parametrize("diffusion", [None, MOLECULAR])
def test_every_curve_is_exact_at_one_and_on_its_own_fuel(name: str, diffusion: Diffusion | None) -> None:
    fuel = fuel_named(name)
    assert reading_on_other_fuel(1.0, fuel, GASOLINE, diffusion) == pytest.approx(1.0, abs=1e-12)
    lam = np.array([0.65, 0.8, 0.99, 1.0, 1.01, 1.8, np.nan])
    np.testing.assert_allclose(reading_on_other_fuel(lam, fuel, fuel, diffusion), lam, rtol=1e-12)


def test_the_weighted_signal_is_nearly_twice_the_balance_when_rich() -> None:
    """1.9 to 2.0 times at 0.70, 1.6 to 1.7 at 0.97 (computed); the same when lean."""
    at = {v: pump_signal(v, GASOLINE) / oxygen_balance(v, GASOLINE) for v in (0.70, 0.97, 1.3)}
    assert 1.85 < at[0.70] < 2.05
    assert 1.55 < at[0.97] < 1.75
    assert at[1.3] == pytest.approx(1.0, rel=1e-12)


def test_a_signal_beyond_the_rich_end_of_the_curve_is_unknown() -> None:
    ethanol = fuel_named("ethanol")
    assert np.isnan(reading_on_other_fuel(richest(ethanol), ethanol, fuel_named("toluene"), MOLECULAR))
