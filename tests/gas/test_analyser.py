"""Lambda from dry gas: the equation of the regulation, on gas of known lambda."""

from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError
from mixmon.gas.analyser import CARBON_PER_PPM_HEXANE, five_gas_lambda
from mixmon.gas.exhaust import composition, lambda_from_dry_oxygen, oxygen_balance
from mixmon.gas.fuel import INERT_PER_OXYGEN, REFERENCE_PETROL, Fuel, from_atoms, fuel_named

GASOLINE = fuel_named("gasoline")
NINE = ("gasoline", "isooctane", "toluene", "ethanol", "methanol", "methane", "propane", "E10", "E85")
CARBON_FUELS = st.sampled_from([fuel_named(name) for name in NINE])


class Dry(NamedTuple):
    """What the analyser shows: percent, and ppm n-hexane."""

    co: float
    co2: float
    o2: float
    hc_ppm: float
    no: float


def analysed(fuel: Fuel, lam: float, *, missed: float = 0.0, no: float = 0.0, K: float = 3.5) -> Dry:
    """Dry gas of a cylinder that misses a share of its cycles, and forms some NO."""
    gas = composition(lam, fuel, K)
    air = lam * fuel.oxygen_demand
    moles = (
        fuel.c + fuel.h / 2 + fuel.n / 2 + max(0.0, lam - 1) * fuel.oxygen_demand + air * INERT_PER_OXYGEN
    ) / 100
    burnt = 1.0 - missed
    dry = {
        "co": burnt * gas.co * moles,
        "co2": burnt * gas.co2 * moles,
        "h2": burnt * gas.h2 * moles,
        "o2": burnt * gas.o2 * moles + missed * air,
        "inert": burnt * gas.inert * moles + missed * air * INERT_PER_OXYGEN,
        "fuel": missed,
    }
    total = sum(dry.values())
    share = {name: 100.0 * value / total for name, value in dry.items()}
    hc = share["fuel"] * fuel.c / CARBON_PER_PPM_HEXANE
    # N2 + O2 -> 2 NO leaves the number of moles as it is
    return Dry(share["co"], share["co2"], share["o2"] - no / 2, hc, no)


@pytest.mark.parametrize(
    ("fuel", "lam"),
    [(REFERENCE_PETROL, 1.009288), (fuel_named("gasoline"), 1.008277), (fuel_named("E10"), 1.007999)],
)
def test_worked_example(fuel: Fuel, lam: float) -> None:
    """CO 1, CO2 14, O2 1 %, 200 ppm; computed by hand from the equation of J. Brettschneider, 1979,
    with the constants of Directive 98/69/EC (from memory)."""
    assert five_gas_lambda(1.0, 14.0, 1.0, 200.0, fuel=fuel) == pytest.approx(lam, abs=1e-6)


def test_sensitivities_of_the_worked_example() -> None:
    """Computed: per point of O2, of CO, per 100 ppm, and for 5 % air in the sample."""
    base = five_gas_lambda(1.0, 14.0, 1.0, 200.0)
    assert base == five_gas_lambda(1.0, 14.0, 1.0, 200.0, fuel=REFERENCE_PETROL)
    assert five_gas_lambda(1.0, 14.0, 2.0, 200.0) - base == pytest.approx(0.0465, abs=1e-4)
    assert five_gas_lambda(1.0, 14.0, 1.0, 300.0) - base == pytest.approx(-0.0040, abs=1e-4)
    leak = [0.95 * v for v in (1.0, 14.0, 1.0, 200.0)]
    assert five_gas_lambda(leak[0], leak[1], leak[2] + 5 * 0.2095, leak[3]) - base == pytest.approx(
        0.0513, abs=2e-3
    )


@given(CARBON_FUELS, st.floats(0.65, 2.0), st.floats(0.0, 0.5))
def test_lambda_comes_back_even_when_cycles_are_missed(fuel: Fuel, lam: float, missed: float) -> None:
    gas = analysed(fuel, lam, missed=missed)
    assert five_gas_lambda(*gas, fuel=fuel) == pytest.approx(lam, rel=1e-12)


@given(CARBON_FUELS, st.floats(1.05, 2.0))
def test_nitric_oxide_is_counted(fuel: Fuel, lam: float) -> None:
    assert five_gas_lambda(*analysed(fuel, lam, no=0.3), fuel=fuel) == pytest.approx(lam, rel=1e-12)


@given(CARBON_FUELS, st.floats(0.65, 1.0))
def test_gas_to_lambda_to_gas(fuel: Fuel, lam: float) -> None:
    gas = composition(lam, fuel)
    dry = gas.dry()
    again = composition(five_gas_lambda(dry.co, dry.co2, dry.o2, fuel=fuel), fuel)
    assert again.oxygen_balance == pytest.approx(gas.oxygen_balance, abs=1e-10)
    assert oxygen_balance(lam, fuel) == pytest.approx(again.oxygen_balance, abs=1e-10)


@pytest.mark.parametrize(("K", "error"), [(2.5, 0.025), (3.0, 0.012), (3.8, -0.006), (4.5, -0.019)])
def test_error_from_another_water_gas_ratio(K: float, error: float) -> None:
    """CH1.87 at lambda 0.65, computed."""
    gas = analysed(GASOLINE, 0.65, K=K)
    assert five_gas_lambda(*gas, fuel=GASOLINE) - 0.65 == pytest.approx(error, abs=6e-4)
    assert five_gas_lambda(*gas, fuel=GASOLINE, K=K) == pytest.approx(0.65, rel=1e-12)


@pytest.mark.parametrize(("lam", "shown"), [(0.75, 0.774), (0.85, 0.862), (1.00, 1.000), (1.30, 1.315)])
def test_alcohol_gas_with_the_constants_of_petrol(lam: float, shown: float) -> None:
    """E85, computed."""
    assert five_gas_lambda(*analysed(fuel_named("E85"), lam)) == pytest.approx(shown, abs=6e-4)


def test_the_lean_exercise_of_a_textbook() -> None:
    """Wet H2O 0.0468, CO2 0.0585, O2 0.123 (from memory: probably Heywood 1988, ch. 3-4)."""
    fuel = from_atoms(1, 1.6)
    dry = 100.0 / (1.0 - 0.0468)
    assert five_gas_lambda(0.0, 0.0585 * dry, 0.123 * dry, fuel=fuel) == pytest.approx(2.502, abs=1e-3)
    assert 1.0 / five_gas_lambda(0.0, 0.0585, 0.123, fuel=fuel) == pytest.approx(0.400, abs=1e-3)


def test_a_propane_exercise_needs_gas_without_hydrogen() -> None:
    """Dry CO2 4.90, CO 9.79, O2 2.45 %, phi 1.11 (from memory: Pulkrabek), lambda 0.9001, holds with
    no hydrogen in the gas only: K without bound. With 3.5 it is 0.755 (computed)."""
    propane = fuel_named("propane")
    assert five_gas_lambda(9.79, 4.90, 2.45, fuel=propane, K=1e12) == pytest.approx(0.9001, abs=1e-3)
    assert five_gas_lambda(9.79, 4.90, 2.45, fuel=propane) == pytest.approx(0.755, abs=1e-3)


def test_arrays_and_gas_without_carbon() -> None:
    co, co2, o2 = np.array([1.0, 0.0, np.nan]), np.array([14.0, 0.0, 14.0]), np.array([1.0, 20.9, 1.0])
    lam = five_gas_lambda(co, co2, o2, 200.0)
    assert lam[0] == five_gas_lambda(1.0, 14.0, 1.0, 200.0)
    assert not np.isfinite(lam[1:]).any()


def test_fuels_that_the_equations_do_not_cover() -> None:
    with pytest.raises(RangeError, match="hydrogen has no carbon"):
        five_gas_lambda(0.0, 0.0, 1.0, fuel=fuel_named("hydrogen"))
    assert lambda_from_dry_oxygen(5.0, fuel_named("hydrogen")) > 1.0
