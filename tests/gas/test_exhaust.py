"""Exhaust gas against lambda: closed forms, chemistry libraries, and the way back."""

from collections.abc import Callable

import numpy as np
import pytest
from chemicals.combustion import fuel_air_spec_solver
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from mixmon.errors import RangeError
from mixmon.gas.exhaust import (
    Composition,
    composition,
    lambda_from_dry_oxygen,
    lambda_from_oxygen,
    oxygen_balance,
    richest,
)
from mixmon.gas.fuel import INERT_PER_OXYGEN, OXYGEN_IN_AIR, Fuel, blend, from_atoms, fuel_named, fuel_names

GASOLINE = fuel_named("gasoline")
FUELS = tuple(fuel_named(name) for name in fuel_names())
fuels = st.sampled_from(FUELS)
shares = st.floats(0.0, 1.0)
blends = st.builds(
    lambda share, parts: blend({parts[0]: 1.0 - share, parts[1]: share}),
    shares,
    st.sampled_from([("gasoline", "ethanol"), ("methanol", "nitromethane"), ("toluene", "MTBE")]),
)
own_atoms = st.builds(from_atoms, st.just(1.0), st.floats(0.5, 4.0), st.floats(0.0, 1.0), st.floats(0.0, 0.5))
any_fuel = fuels | blends | own_atoms
lambdas = st.floats(0.65, 2.0)
damp = st.floats(0.0, 0.06)

# CH1.87, K 3.5, percent; computed by a separate program from the mass balance.
REFERENCE = """
0.70   0      0      11.636 5.440  7.757 11.263  -7.576 -8.538
0.75   0      0       9.601 4.060  9.018 11.776  -6.026 -6.831
0.80   0      0       7.588 2.909 10.293 12.134  -4.611 -5.248
0.85   0      0       5.610 1.954 11.571 12.365  -3.314 -3.782
0.90   0      0       3.679 1.169 12.838 12.492  -2.121 -2.424
0.95   0      0       1.807 0.525 14.083 12.535  -1.020 -1.166
1.00   0      0       0     0     15.297 12.513   0      0
1.05   0.938  1.065   0     0     14.519 11.953   0.938  1.065
1.10   1.796  2.028   0     0     13.816 11.440   1.796  2.028
1.20   3.308  3.697   0     0     12.597 10.537   3.308  3.697
1.50   6.686  7.309   0     0      9.960  8.520   6.686  7.309
2.00  10.137 10.837   0     0      7.384  6.458  10.137 10.837
"""


def gases(gas: Composition[float]) -> list[float]:
    return [gas.co2, gas.co, gas.h2o, gas.h2, gas.o2, gas.inert]


@pytest.mark.parametrize("row", [row.split() for row in REFERENCE.split("\n") if row], ids=lambda row: row[0])
def test_reference_table(row: list[str]) -> None:
    lam, *expected = (float(number) for number in row)
    wet = composition(lam, GASOLINE)
    dry = wet.dry()
    found = [wet.o2, dry.o2, dry.co, dry.h2, dry.co2, wet.h2o, wet.oxygen_balance, dry.oxygen_balance]
    assert found == pytest.approx(expected, abs=5.1e-4)


def test_rich_and_lean_gas_to_four_digits() -> None:
    rich, lean = composition(0.85, GASOLINE).dry(), composition(1.10, GASOLINE).dry()
    assert (rich.co, rich.co2, rich.h2) == pytest.approx((5.6095, 11.5713, 1.9543), abs=1e-4)
    assert (lean.co2, lean.o2) == pytest.approx((13.8164, 2.0276), abs=1e-4)
    assert oxygen_balance(0.80, GASOLINE) == pytest.approx(-4.6113, abs=1e-4)
    assert oxygen_balance(1.20, GASOLINE) == pytest.approx(3.3077, abs=1e-4)


@given(fuels, st.floats(1.0, 4.0))
def test_lean_gas_agrees_with_a_chemistry_library(fuel: Fuel, lam: float) -> None:
    """`chemicals.fuel_air_spec_solver` balances the flows on its own."""
    ours = composition(lam, fuel)
    atoms = {"C": fuel.c, "H": fuel.h, "O": fuel.o, "N": fuel.n}
    theirs = fuel_air_spec_solver(
        zs_air=[1.0 - OXYGEN_IN_AIR, OXYGEN_IN_AIR, 0.0, 0.0, 0.0],
        zs_fuel=[0.0, 0.0, 1.0, 0.0, 0.0],
        CASs=["7727-37-9", "7782-44-7", "fuel", "7732-18-5", "124-38-9"],
        atomss=[
            {"N": 2},
            {"O": 2},
            {k: v for k, v in atoms.items() if v},
            {"H": 2, "O": 1},
            {"C": 1, "O": 2},
        ],
        n_fuel=1.0,
        O2_excess=lam - 1.0,
    )
    n2, o2, _, h2o, co2 = theirs["zs_out"]
    found = [ours.inert, ours.o2, ours.h2o, ours.co2]
    assert found == pytest.approx([100 * n2, 100 * o2, 100 * h2o, 100 * co2], rel=1e-12, abs=1e-12)
    assert ours.dry().o2 == pytest.approx(100 * theirs["frac_out_O2_dry"], rel=1e-12, abs=1e-12)


@given(fuels, lambdas, damp, st.floats(1.0, 6.0))
def test_no_atom_is_lost_and_the_water_gas_ratio_holds(fuel: Fuel, lam: float, w: float, K: float) -> None:
    gas = composition(lam, fuel, K, w)
    air = lam * fuel.oxygen_demand  # mol O2 for one mol of fuel
    scale = (fuel.n / 2 + air * INERT_PER_OXYGEN) / gas.inert
    water = w * air / OXYGEN_IN_AIR
    assert scale * (gas.co2 + gas.co) == pytest.approx(fuel.c, abs=1e-12)
    assert scale * 2 * (gas.h2o + gas.h2) == pytest.approx(fuel.h + 2 * water, rel=1e-12)
    oxygen = scale * (2 * gas.co2 + gas.co + gas.h2o + 2 * gas.o2)
    assert oxygen == pytest.approx(2 * air + fuel.o + water, rel=1e-12)
    assert sum(gases(gas)) == pytest.approx(100.0, rel=1e-13)
    assert min(gases(gas)) >= 0.0
    assert gas.co * gas.h2o == pytest.approx(K * gas.co2 * gas.h2, rel=1e-9, abs=1e-9)


@given(fuels, lambdas, damp)
def test_the_wet_oxygen_balance_does_not_depend_on_k(fuel: Fuel, lam: float, w: float) -> None:
    for K in (0.5, 1.0, 2.5, 3.5, 4.5):
        by_gas = composition(lam, fuel, K, w).oxygen_balance
        assert by_gas == pytest.approx(oxygen_balance(lam, fuel, w), rel=1e-12, abs=1e-12)


@given(any_fuel, lambdas, damp)
def test_lambda_comes_back(fuel: Fuel, lam: float, w: float) -> None:
    assume(lam >= richest(fuel, w))
    assert lambda_from_oxygen(oxygen_balance(lam, fuel, w), fuel, w) == pytest.approx(lam, rel=1e-12)


@given(fuels, st.floats(1.0, 10.0))
def test_lambda_comes_back_from_dry_oxygen(fuel: Fuel, lam: float) -> None:
    dry = composition(lam, fuel, w=0.02).dry().o2
    assert lambda_from_dry_oxygen(dry, fuel) == pytest.approx(lam, rel=1e-11)


@given(fuels, lambdas)
def test_gas_lambda_gas(fuel: Fuel, lam: float) -> None:
    gas = composition(lam, fuel)
    again = composition(lambda_from_oxygen(gas.oxygen_balance, fuel), fuel)
    assert gases(again) == pytest.approx(gases(gas), rel=1e-11, abs=1e-11)


@settings(max_examples=50)
@given(fuels, damp, arrays(np.float64, st.integers(0, 40), elements=st.floats(0.3, 3.0) | st.just(np.nan)))
def test_arrays_give_the_bits_of_scalars(fuel: Fuel, w: float, lam: np.ndarray) -> None:
    kept = lam.copy()
    ways: tuple[Callable[[float], float], ...] = (
        lambda v: oxygen_balance(v, fuel, w),
        lambda v: lambda_from_oxygen(v - 1.0, fuel, w),
        lambda v: lambda_from_dry_oxygen(v, fuel),
        lambda v: composition(v, fuel, w=w).co,
        lambda v: composition(v, fuel, w=w).dry().inert,
    )
    for way in ways:
        whole = np.asarray(way(lam))  # type: ignore[arg-type]
        singles = [way(float(v)) for v in lam]
        assert all(type(single) is float for single in singles)
        np.testing.assert_array_equal(whole, np.array(singles, np.float64))
        np.testing.assert_array_equal(np.isnan(whole) | ~np.isnan(lam), True)
    np.testing.assert_array_equal(lam, kept)


def sensed_in_the_collector(lams: tuple[float, ...]) -> float:
    """Lambda of the gas of cylinders that took in equal air: with equal air goes equal inert gas."""
    gas = [composition(lam, GASOLINE) for lam in lams]
    amounts = [1.0 / one.inert for one in gas]
    mixed = sum(amount * one.oxygen_balance for amount, one in zip(amounts, gas, strict=True))
    return lambda_from_oxygen(mixed / sum(amounts), GASOLINE)


def test_mixed_gas_has_the_harmonic_mean_of_lambda() -> None:
    """Computed: total air over total fuel, so 1/mean(1/lambda), not the plain 0.875 and 0.8350."""
    assert sensed_in_the_collector((0.80, 0.95)) == pytest.approx(0.868571, abs=1e-6)
    assert sensed_in_the_collector((0.70, 0.88, 0.88, 0.88)) == pytest.approx(0.826846, abs=1e-6)


def test_mixed_gas_of_rich_and_lean_cylinders_keeps_it_nearly() -> None:
    """Within 0.0005 of the harmonic mean even with one cylinder at 1.3 (computed)."""
    lams = (1.3, 0.88, 0.88, 0.88)
    harmonic = len(lams) / sum(1.0 / lam for lam in lams)
    assert sensed_in_the_collector(lams) == pytest.approx(harmonic, abs=5e-4)


def test_two_dimensions_and_whole_numbers_pass() -> None:
    lam = np.array([[0.8, 1.0], [np.nan, 1.2]])
    x = oxygen_balance(lam, GASOLINE)
    assert x.shape == (2, 2)
    assert np.isnan(x[1, 0])
    assert oxygen_balance(1, GASOLINE) == 0.0


@pytest.mark.parametrize("fuel", FUELS, ids=lambda fuel: fuel.name)
def test_air_alone_is_infinite_lambda(fuel: Fuel) -> None:
    assert oxygen_balance(np.inf, fuel) == pytest.approx(20.95, rel=1e-12)
    assert composition(np.inf, fuel).oxygen_balance == pytest.approx(20.95, rel=1e-12)
    assert lambda_from_oxygen(20.95, fuel) == np.inf
    assert lambda_from_oxygen(21.5, fuel) == np.inf
    assert lambda_from_oxygen(oxygen_balance(np.inf, fuel, 0.02), fuel, 0.02) == np.inf
    assert lambda_from_dry_oxygen(20.95, fuel) == np.inf
    # every other gas has gone: a percent of fuel short of air is not infinite
    assert lambda_from_oxygen(20.9, fuel) < 2000.0


@pytest.mark.parametrize(
    ("name", "limit"), [("gasoline", 0.34), ("ethanol", 0.17), ("toluene", 0.39), ("methanol", 0.0)]
)
def test_nothing_below_the_rich_end(name: str, limit: float) -> None:
    """The rich end: all carbon as CO and all hydrogen as H2 (computed)."""
    fuel = fuel_named(name)
    assert richest(fuel) == pytest.approx(limit, abs=0.005)
    end = composition(richest(fuel), fuel)
    assert (end.co2, end.h2o, end.o2) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    assert np.isnan(oxygen_balance(richest(fuel) - 1e-6, fuel))
    assert np.isnan(composition(richest(fuel) - 1e-6, fuel).co)
    lowest = oxygen_balance(richest(fuel), fuel)
    assert lambda_from_oxygen(lowest, fuel) == pytest.approx(richest(fuel), abs=1e-12)
    assert np.isnan(lambda_from_oxygen(lowest - 1e-6, fuel))


def test_nan_and_negative_dry_oxygen_stay_unknown() -> None:
    assert np.isnan(oxygen_balance(np.nan, GASOLINE))
    assert np.isnan(lambda_from_oxygen(np.nan, GASOLINE))
    assert np.isnan(lambda_from_dry_oxygen(-0.1, GASOLINE))
    assert np.isnan(composition(np.nan, GASOLINE).co2)


def test_the_short_form_for_gasoline_is_exact_when_lean_only() -> None:
    """x = 0.2095 (lambda - 1)/(lambda + 0.067): at 0.80 -4.83 for -4.61 %."""

    def short(lam: float) -> float:
        return 20.95 * (lam - 1.0) / (lam + 0.067)

    assert [short(v) for v in (1.1, 1.5, 2.0)] == pytest.approx(
        [oxygen_balance(v, GASOLINE) for v in (1.1, 1.5, 2.0)], abs=2e-3
    )
    assert (short(0.80), oxygen_balance(0.80, GASOLINE)) == pytest.approx((-4.83, -4.61), abs=0.01)


def test_slope_of_lambda_in_oxygen_balance() -> None:
    """Computed: lambda per percentage point, and per ln of a gain error."""
    per_point = {0.80: 0.0369, 0.90: 0.0437, 1.10: 0.0609, 1.50: 0.1098}
    per_gain = {0.70: -0.233, 0.80: -0.170, 0.85: -0.133, 0.90: -0.093, 1.0: 0, 1.1: 0.109, 1.5: 0.734}
    for lam, slope in per_point.items():
        x = oxygen_balance(lam, GASOLINE)
        step = lambda_from_oxygen(x + 5e-4, GASOLINE) - lambda_from_oxygen(x - 5e-4, GASOLINE)
        assert step / 1e-3 == pytest.approx(slope, abs=1e-4)
    for lam, slope in per_gain.items():
        x = oxygen_balance(lam, GASOLINE)
        step = lambda_from_oxygen(x * 1.0005, GASOLINE) - lambda_from_oxygen(x * 0.9995, GASOLINE)
        assert step / 1e-3 == pytest.approx(slope, abs=1e-3)


def test_damp_intake_air_dilutes() -> None:
    """Computed: 25 °C, 60 % humidity (w 0.0191) reads 0.8523 and 1.1958 on a dry curve."""
    w = 0.0191
    shown = [lambda_from_oxygen(oxygen_balance(lam, GASOLINE, w), GASOLINE) for lam in (0.85, 1.20)]
    assert shown == pytest.approx([0.8523, 1.1958], abs=1e-4)


def test_the_lean_exercise_of_a_textbook() -> None:
    """Wet H2O 0.0468, CO2 0.0585, O2 0.123, N2 0.772: z 1.60, phi 0.400 (from memory: probably
    Heywood 1988, ch. 3-4; the book's rounded answer)."""
    fuel = from_atoms(1, 2 * 0.0468 / 0.0585)
    assert fuel.h / fuel.c == pytest.approx(1.60)
    wet, dry = lambda_from_oxygen(12.3, fuel), lambda_from_dry_oxygen(12.3 / (1 - 0.0468), fuel)
    assert (wet, dry) == pytest.approx((2.507, 2.508), abs=1e-3)
    assert 1.0 / wet == pytest.approx(0.400, abs=2e-3)


@pytest.mark.parametrize("call", [oxygen_balance, lambda_from_oxygen])
@pytest.mark.parametrize("w", [-0.01, float("nan")])
def test_impossible_water_raises(call: Callable[..., float], w: float) -> None:
    with pytest.raises(RangeError, match="expected zero or more"):
        call(1.0, GASOLINE, w)


def test_impossible_parameters_of_the_gas_raise() -> None:
    with pytest.raises(RangeError, match="K = 0"):
        composition(0.9, GASOLINE, K=0.0)
    with pytest.raises(RangeError, match="w = -1"):
        composition(0.9, GASOLINE, w=-1.0)
