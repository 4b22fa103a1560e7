"""Damp air against steam tables and a table of free-air oxygen."""

from collections.abc import Callable

import pytest
from chemicals import Psat_IAPWS
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError
from mixmon.gas.exhaust import (
    free_air_oxygen,
    lambda_from_oxygen,
    oxygen_balance,
    saturation_kpa,
    vapour_kpa,
    water_per_dry_air,
)
from mixmon.gas.fuel import fuel_named

# Percent O2 at 101.325 kPa and 20, 40, 60, 80, 100 % relative humidity; computed from Buck's
# vapour pressure.
FREE_AIR = {
    10.0: (20.895, 20.844, 20.794, 20.743, 20.692),
    20.0: (20.849, 20.753, 20.656, 20.559, 20.463),
    25.0: (20.815, 20.684, 20.553, 20.422, 20.291),
    30.0: (20.770, 20.595, 20.419, 20.244, 20.068),
    35.0: (20.713, 20.481, 20.248, 20.015, 19.783),
}


def test_vapour_pressure_to_four_digits() -> None:
    assert saturation_kpa(20.0) == pytest.approx(2.3383, abs=1e-4)
    assert saturation_kpa(25.0) == pytest.approx(3.1685, abs=1e-4)


@given(st.floats(0.01, 60.0))
def test_vapour_pressure_agrees_with_the_steam_tables(celsius: float) -> None:
    """IAPWS-95 saturation pressure, through `chemicals`."""
    assert saturation_kpa(celsius) == pytest.approx(Psat_IAPWS(celsius + 273.15) / 1e3, rel=6e-4)


@pytest.mark.parametrize("celsius", FREE_AIR)
def test_free_air_oxygen(celsius: float) -> None:
    found = [free_air_oxygen(celsius, humidity) for humidity in (20, 40, 60, 80, 100)]
    assert found == pytest.approx(FREE_AIR[celsius], abs=1e-3)


def test_free_air_of_a_workshop_to_three_digits() -> None:
    """25 °C, 60 %, 101.325 kPa: by Buck's fit and by the steam tables."""
    steam = Psat_IAPWS(298.15) / 1e3
    assert steam == pytest.approx(3.1697, abs=1e-4)
    assert free_air_oxygen(25.0, 60.0, 101.325) == pytest.approx(20.553, abs=5e-4)
    assert free_air_oxygen(25.0, 60.0) == pytest.approx(20.946 * (1.0 - 0.6 * steam / 101.325), abs=1e-3)


@given(st.floats(0.01, 45.0), st.floats(0.0, 100.0), st.floats(70.0, 110.0))
def test_free_air_oxygen_agrees_with_the_steam_tables(celsius: float, humidity: float, kpa: float) -> None:
    steam = Psat_IAPWS(celsius + 273.15) / 1e3 * humidity / 100.0
    expected = 20.946 * (1.0 - steam / kpa)
    assert free_air_oxygen(celsius, humidity, kpa) == pytest.approx(expected, abs=2e-3)


def test_dry_air_has_all_its_oxygen() -> None:
    assert free_air_oxygen(30.0, 0.0) == 20.946
    assert water_per_dry_air(30.0, 0.0) == 0.0


@given(st.floats(-10.0, 45.0), st.floats(0.0, 100.0), st.floats(70.0, 110.0))
def test_both_words_for_the_water_agree(celsius: float, humidity: float, kpa: float) -> None:
    w = water_per_dry_air(celsius, humidity, kpa)
    assert free_air_oxygen(celsius, humidity, kpa) == pytest.approx(20.946 / (1.0 + w), rel=1e-12)


def test_spanning_in_damp_air_and_measuring_damp_exhaust_nearly_cancel() -> None:
    """25 °C, 60 %: computed 0.8475 with the wrong span alone, 0.8497 and 1.2002 with both."""
    gasoline = fuel_named("gasoline")
    gain = 20.95 / free_air_oxygen(25.0, 60.0)
    assert gain == pytest.approx(1.019, abs=1e-3)
    wrong_span = lambda_from_oxygen(gain * oxygen_balance(0.85, gasoline), gasoline)
    assert wrong_span == pytest.approx(0.8475, abs=1e-4)
    w = water_per_dry_air(25.0, 60.0)
    both = [lambda_from_oxygen(gain * oxygen_balance(lam, gasoline, w), gasoline) for lam in (0.85, 1.20)]
    assert both == pytest.approx([0.8497, 1.2002], abs=2e-4)


@pytest.mark.parametrize("call", [vapour_kpa, water_per_dry_air, free_air_oxygen])
@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((25.0, -1.0), "relative humidity -1 %"),
        ((25.0, 101.0), "relative humidity 101 %"),
        ((25.0, float("nan")), "relative humidity nan"),
        ((298.0, 60.0), "298 °C; expected -40 to 60"),
        ((float("nan"), 60.0), "nan °C"),
        ((25.0, 60.0, 1.013), "expected more than the water vapour's 1.90 kPa"),
        ((25.0, 60.0, 0.0), "pressure in kPa = 0"),
    ],
)
def test_impossible_air(call: Callable[..., float], arguments: tuple[float, ...], told: str) -> None:
    with pytest.raises(RangeError, match=told):
        call(*arguments)
