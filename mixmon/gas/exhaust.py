"""What is in the exhaust at a given lambda, and lambda from what is in it.

Complete combustion when lean; when rich, CO and H2 share the missing oxygen by the water-gas
ratio K = n_CO n_H2O / (n_CO2 n_H2). K is held fixed, 3.5 by convention (Spindt, SAE 650507,
1965; 3.8 in D'Alleva & Lovell, 1936; from memory): the equilibrium value near 1740 K.

The oxygen balance, x_O2 - (x_CO + x_H2)/2 in wet gas, is what a pump cell is linear in. It does
not contain K, because the shift reaction conserves moles. Everywhere in this project it is in
percent, wet, negative when rich. "Oxygen percent" of other makers can mean other things on the
rich side: clipped at zero, or a pump current scaled with the lean slope (some 1.7 times this).

Damp intake air: w mol of water per mol of dry air; see `water_per_dry_air`.

Formulas: mass balance, computed; agree with equilibrium programs within the limits in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import RangeError
from mixmon.gas.fuel import INERT_PER_OXYGEN, OXYGEN_IN_AIR, Fuel

# ----------------------------------------------------------------------------------------------------
# What the formulas of this room take and give: one number, or an array of them.
#
# A function that is given a float gives a float; given an array it gives a new float64 array
# of the same shape and leaves the one it was given alone. NaN stays NaN, and what is beyond the
# range of numbers becomes an infinity or NaN: the result says so itself, so NumPy is kept silent.
# What runs on streams of samples uses + - * / and square roots only, so that an element comes out
# the same to the last bit wherever it stands in whatever array.
# ----------------------------------------------------------------------------------------------------

Quantity = TypeVar("Quantity", float, Floats)


def as_given(given: Quantity, value: Any) -> Quantity:
    """`value` in the form of `given`: a float for a float, else the array."""
    if isinstance(given, (int, float)):
        return float(value)
    return np.asarray(value, np.float64)


def need_not_negative(where: str, name: str, value: float) -> None:
    """Nothing, for a parameter that is zero or more.

    Raises:
        RangeError: it is negative or not a number.
    """
    if not value >= 0.0:
        raise RangeError(f"{where}: {name} = {value:g}; expected zero or more; check the setting")


def need_positive(where: str, name: str, value: float) -> None:
    """Nothing, for a parameter above zero.

    Raises:
        RangeError: it is zero, negative or not a number.
    """
    if not value > 0.0:
        raise RangeError(f"{where}: {name} = {value:g}; expected more than zero; check the setting")


# ----------------------------------------------------------------------------------------------------
# Damp air: how much water it carries, and the oxygen that is left.
#
# Free-air readings are judged against this, not against 20.95 %: in 25 °C, 60 % air a sensor set
# to 20.95 reads 1.9 % high ever after.
# ----------------------------------------------------------------------------------------------------

FREE_AIR_PERCENT = 20.946
"""O2 in dry air, percent (20.9476 in the US Standard Atmosphere 1976; from memory)."""

STANDARD_KPA = 101.325
"""Standard atmosphere, kPa (ISO 2533)."""


def saturation_kpa(celsius: float) -> float:
    """Pressure of water vapour over water at a temperature, kPa.

    >>> round(saturation_kpa(25.0), 4)
    3.1685

    Raises:
        RangeError: outside -40 to 60 °C, for which the fit holds.

    Source: Buck, J. Appl. Meteorol. 20, 1981, 1527, with the coefficients of 1996; from memory.
    """
    if not -40.0 <= celsius <= 60.0:
        raise RangeError(f"air: {celsius:g} °C; expected -40 to 60 °C; check the temperature")
    return float(0.61121 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius)))


def vapour_kpa(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Partial pressure of the water in air, kPa.

    Raises:
        RangeError: temperature outside -40 to 60 °C, relative humidity outside 0 to 100 %, or a
            pressure that is not above that of the vapour.
    """
    need_positive("air", "pressure in kPa", pressure_kpa)
    if not 0.0 <= humidity_percent <= 100.0:
        raise RangeError(
            f"air: relative humidity {humidity_percent:g} %; expected 0 to 100 %; check the sensor"
        )
    vapour = humidity_percent / 100.0 * saturation_kpa(celsius)
    if vapour >= pressure_kpa:
        raise RangeError(
            f"air: {pressure_kpa:g} kPa; expected more than the water vapour's {vapour:.2f} kPa; "
            "give the pressure in kPa"
        )
    return vapour


def water_per_dry_air(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Moles of water per mole of dry air: the `w` of `gas.exhaust`.

    >>> round(water_per_dry_air(25.0, 60.0), 4)
    0.0191

    Raises:
        RangeError: as for `vapour_kpa`.
    """
    vapour = vapour_kpa(celsius, humidity_percent, pressure_kpa)
    return vapour / (pressure_kpa - vapour)


def free_air_oxygen(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """O2 in the air as it is, percent wet: what a good sensor reads with the engine off.

    >>> round(free_air_oxygen(25.0, 60.0), 3)
    20.553

    Raises:
        RangeError: as for `vapour_kpa`.
    """
    vapour = vapour_kpa(celsius, humidity_percent, pressure_kpa)
    return FREE_AIR_PERCENT * (1.0 - vapour / pressure_kpa)


WATER_GAS_RATIO = 3.5
"""K by convention (Spindt, SAE 650507, 1965; from memory), known to about +-20 %."""

_NO_FUEL = 1e16
"""Lambda from which burnt gas is air to the last digit (computed: over 1 / 2**-53); used for infinity."""

_SHARE_LOST_BY_ROUNDING = 1e-13
"""Share of the intake oxygen that may be missing in air alone: our choice, some hundred rounding errors."""


@dataclass(frozen=True, slots=True)
class Composition(Generic[Quantity]):
    """Mole percent of each gas; they add up to 100. `inert` is nitrogen with argon."""

    co2: Quantity
    co: Quantity
    h2o: Quantity
    h2: Quantity
    o2: Quantity
    inert: Quantity

    @property
    def oxygen_balance(self) -> Quantity:
        """O2 less what CO and H2 would take to burn, percent of this gas."""
        return self.o2 - (self.co + self.h2) / 2.0

    @np.errstate(all="ignore")
    def dry(self) -> Composition[Quantity]:
        """The same gas with its water taken out, as an analyser sees it."""
        scale = 100.0 / (100.0 - self.h2o)
        return Composition(
            self.co2 * scale,
            self.co * scale,
            self.h2o * 0.0,
            self.h2 * scale,
            self.o2 * scale,
            self.inert * scale,
        )


def richest(fuel: Fuel, w: float = 0.0) -> float:
    """The lambda below which the products hold more than CO2, CO, H2O, H2, O2 and N2.

    There all carbon is CO and all hydrogen H2; the formulas of this module give NaN below it:
    0.34 for gasoline, 0.17 for ethanol, 0 for methanol.
    """
    a = fuel.oxygen_demand
    return max(0.0, (2.0 * a - fuel.c - fuel.h / 2.0) / (2.0 * a + w * a / OXYGEN_IN_AIR))


@np.errstate(all="ignore")
def composition(
    lam: Quantity, fuel: Fuel, K: float = WATER_GAS_RATIO, w: float = 0.0
) -> Composition[Quantity]:
    """The wet exhaust gas at lambda, in mole percent; `.dry()` takes the water out.

    >>> from mixmon.gas.fuel import fuel_named
    >>> gas = composition(0.85, fuel_named("gasoline")).dry()
    >>> round(gas.co, 3), round(gas.co2, 3), round(gas.h2, 3)
    (5.61, 11.571, 1.954)

    Args:
        lam: lambda; below `richest(fuel, w)` every gas is NaN.
        fuel: what was burnt.
        K: water-gas ratio n_CO n_H2O / (n_CO2 n_H2).
        w: mol water per mol dry intake air.

    Raises:
        RangeError: K not above zero, or w negative.
    """
    need_positive("composition", "K", K)
    need_not_negative("composition", "w", w)
    a, c = fuel.oxygen_demand, fuel.c
    air: Any = np.minimum(lam, _NO_FUEL)
    air = np.where(air >= richest(fuel, w), air, np.nan)
    spare = np.maximum(air - 1.0, 0.0) * a
    missing = np.maximum(1.0 - air, 0.0) * (2.0 * a)
    water = fuel.h / 2.0 + air * (w * a / OXYGEN_IN_AIR)
    # this root of the quadratic stays well-behaved at K = 1
    B = K * (c + missing) + water - missing
    co = 2.0 * K * c * missing / (B + np.sqrt(B * B - 4.0 * (K - 1.0) * K * c * missing))
    h2 = missing - co
    inert = fuel.n / 2.0 + air * (a * INERT_PER_OXYGEN)
    scale = 100.0 / (c + water + spare + inert)
    moles = (c - co, co, water - h2, h2, spare, inert)
    return Composition(*(as_given(lam, n * scale) for n in moles))


@np.errstate(all="ignore")
def oxygen_balance(lam: Quantity, fuel: Fuel, w: float = 0.0) -> Quantity:
    """Oxygen balance in percent, wet, negative when rich.

    Infinite lambda (air alone) gives the oxygen of the intake air; below `richest(fuel, w)`
    the result is NaN.

    >>> from mixmon.gas.fuel import fuel_named
    >>> round(oxygen_balance(0.80, fuel_named("gasoline")), 4)
    -4.6113

    Args:
        lam: lambda.
        fuel: what was burnt.
        w: mol water per mol dry intake air.

    Raises:
        RangeError: w negative.
    """
    need_not_negative("oxygen_balance", "w", w)
    a, inert = fuel.oxygen_demand, _inert_per_oxygen(w)
    given = np.asarray(lam, np.float64)
    balance = np.asarray(np.minimum(given, _NO_FUEL))
    balance -= 1.0
    total = np.asarray(np.maximum(balance, 0.0))
    total *= a
    total += balance * (a * inert)
    total += fuel.products + a * inert
    balance *= 100.0 * a
    balance /= total
    np.copyto(balance, np.nan, where=given < richest(fuel, w))
    return as_given(lam, balance)


@np.errstate(all="ignore")
def lambda_from_oxygen(x_percent: Quantity, fuel: Fuel, w: float = 0.0) -> Quantity:
    """Lambda from the oxygen balance in percent, wet, negative when rich.

    The oxygen of the intake air or more gives infinity: no fuel at all, zero in the fuel domain.
    Less than the balance at `richest(fuel, w)` gives NaN.

    >>> from mixmon.gas.fuel import fuel_named
    >>> round(lambda_from_oxygen(-4.6113, fuel_named("gasoline")), 4)
    0.8

    Args:
        x_percent: oxygen balance.
        fuel: what was burnt.
        w: mol water per mol dry intake air.

    Raises:
        RangeError: w negative.
    """
    need_not_negative("lambda_from_oxygen", "w", w)
    a, inert = fuel.oxygen_demand, _inert_per_oxygen(w)
    given = np.asarray(x_percent, np.float64)
    x = np.asarray(given / 100.0)
    spare = np.asarray(np.maximum(x, 0.0))
    spare *= a
    lam = np.asarray(x * fuel.products)
    lam -= spare
    lam += a
    x *= -a * inert
    x -= spare
    x += a
    lam /= x
    np.copyto(lam, np.inf, where=x <= a * _SHARE_LOST_BY_ROUNDING)
    np.copyto(lam, np.nan, where=given < oxygen_balance(richest(fuel, w), fuel, w))
    return as_given(x_percent, lam)


@np.errstate(all="ignore")
def lambda_from_dry_oxygen(o2_percent: Quantity, fuel: Fuel) -> Quantity:
    """Lambda of a lean mixture from O2 in dry gas, percent; NaN below zero.

    Damp intake air makes no difference in dried gas. Zero gives 1: a rich mixture has no O2 either.
    """
    a, b = fuel.oxygen_demand, fuel.c + fuel.n / 2.0
    x = np.asarray(o2_percent, np.float64) / 100.0
    left = a - x * (a * (1.0 + INERT_PER_OXYGEN))
    lam = np.asarray((a + x * (b - a)) / left)
    np.copyto(lam, np.inf, where=left <= a * _SHARE_LOST_BY_ROUNDING)
    np.copyto(lam, np.nan, where=x < 0.0)
    return as_given(o2_percent, lam)


def _inert_per_oxygen(w: float) -> float:
    """Moles of all but oxygen per mole of oxygen in the intake air."""
    return INERT_PER_OXYGEN + w / OXYGEN_IN_AIR
