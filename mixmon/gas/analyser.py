"""Lambda from a five-gas analyser: CO, CO2, O2, unburnt fuel and NO in dried gas.

Blind to misfire, unlike a pump cell: unburnt fuel and its oxygen are both counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.errors import RangeError
from mixmon.gas.exhaust import (
    WATER_GAS_RATIO,
    Composition,
    Quantity,
    as_given,
    composition,
    need_positive,
    oxygen_balance,
)
from mixmon.gas.fuel import REFERENCE_PETROL, Fuel, fuel_named

# ----------------------------------------------------------------------------------------------------
# Air-fuel ratio by mass: a display of lambda that means nothing without its basis.
#
# The same number stands for different lambdas on different fuels' scales, and many gauges print
# 14.7 times lambda whatever is in the tank. So a ratio never travels here without the
# stoichiometric ratio it was multiplied with.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class AfrBasis:
    """What lambda 1 is called: the stoichiometric ratio, and whose it is.

    >>> print(AfrBasis("E10", 14.008))
    stoich 14.01 (E10)

    Raises:
        RangeError: a ratio not above zero.
    """

    name: str
    stoich_afr: float

    def __post_init__(self) -> None:
        need_positive(f"AFR basis {self.name}", "stoichiometric ratio", self.stoich_afr)

    def __str__(self) -> str:
        return f"stoich {self.stoich_afr:.2f} ({self.name})"

    @np.errstate(all="ignore")
    def afr(self, lam: Quantity) -> Quantity:
        """Lambda on this scale."""
        return lam * self.stoich_afr

    @np.errstate(all="ignore")
    def lam(self, afr: Quantity) -> Quantity:
        """Lambda of a number on this scale."""
        return afr / self.stoich_afr


CONVENTION = AfrBasis("gauge convention", 14.7)
"""What gauges print for any fuel: 0.7 % above gasoline CH1.87's 14.60; never compute with it."""


def basis_of(fuel: Fuel) -> AfrBasis:
    """The scale of a fuel."""
    return AfrBasis(fuel.name, fuel.stoich_afr)


def lambda_to_afr(lam: Quantity, fuel: Fuel) -> Quantity:
    """Air-fuel ratio by mass at lambda, on the fuel's own scale.

    >>> round(lambda_to_afr(0.88, fuel_named("E10")), 2)
    12.33

    Args:
        lam: lambda, a number or an array of any shape; what comes back has the same.
        fuel: what burns.
    """
    return basis_of(fuel).afr(lam)


def lambda_from_afr(ratio: Quantity, fuel: Fuel) -> Quantity:
    """Lambda of an air-fuel ratio by mass that was measured or given on the fuel's own scale.

    >>> round(lambda_from_afr(12.5, fuel_named("E10")), 3)
    0.892

    Args:
        ratio: a number or an array of any shape; what comes back has the same.
        fuel: on whose scale the ratio is.
    """
    return basis_of(fuel).lam(ratio)


class Mixture(NamedTuple):
    """One mixture of a fuel in every way in which it is written.

    balance  oxygen less what CO and H2 take to burn, percent of wet gas
    dry      percent of dried gas
    water    percent of wet gas
    """

    lam: float
    phi: float
    afr: float
    balance: float
    dry: Composition[float]
    water: float


def mixture_at(lam: float, fuel: Fuel, water: float = 0.0) -> Mixture:
    """The mixture at a lambda; `water` moles per mole of dry intake air.

    >>> mixture = mixture_at(0.88, fuel_named("E10"))
    >>> round(mixture.afr, 2), round(mixture.phi, 4)
    (12.33, 1.1364)

    Raises:
        RangeError: a lambda that no exhaust gas of the fuel has.
    """
    wet = composition(lam, fuel, w=water)
    balance = oxygen_balance(lam, fuel, water)
    return Mixture(lam, 1.0 / lam, basis_of(fuel).afr(lam), balance, wet.dry(), wet.h2o)


class Meaning(NamedTuple):
    """A ratio read on one scale."""

    basis: AfrBasis
    lam: float


def meanings(ratio: float, fuels: tuple[str, ...] = ("E10", "E85")) -> tuple[Meaning, ...]:
    """What lambda an air-fuel ratio could mean: by the gauge convention, and on each fuel's scale.

    >>> [(m.basis.name, round(m.lam, 3)) for m in meanings(12.5)]
    [('gauge convention', 0.85), ('E10', 0.892), ('E85', 1.276)]

    Raises:
        UsageError: an unknown fuel name.
    """
    bases = (CONVENTION, *(basis_of(fuel_named(name)) for name in fuels))
    return tuple(Meaning(basis, basis.lam(ratio)) for basis in bases)


CARBON_PER_PPM_HEXANE = 6e-4
"""Percent of carbon for one ppm of n-hexane. Infrared benches miss about half of gasoline's
hydrocarbon carbon (Singer & Harley, 1998; from memory)."""


@np.errstate(all="ignore")
def five_gas_lambda(
    co: Quantity,
    co2: Quantity,
    o2: Quantity,
    hc_ppm: Quantity | float = 0.0,
    no: Quantity | float = 0.0,
    *,
    fuel: Fuel = REFERENCE_PETROL,
    K: float = WATER_GAS_RATIO,
) -> Quantity:
    """Lambda from dry exhaust gas.

    >>> round(five_gas_lambda(co=1.0, co2=14.0, o2=1.0, hc_ppm=200.0), 6)
    1.009288

    Args:
        co: carbon monoxide, percent dry.
        co2: carbon dioxide, percent dry.
        o2: oxygen, percent dry.
        hc_ppm: unburnt fuel, ppm n-hexane.
        no: nitric oxide, percent dry.
        fuel: gives hydrogen and oxygen per carbon; by default the petrol of the regulation.
        K: water-gas ratio.

    Returns:
        Lambda; NaN where there is no carbon at all.

    Raises:
        RangeError: a fuel without carbon.

    Source: J. Brettschneider, 1979; Directive 98/69/EC; from memory.
    """
    h, o = _per_carbon(fuel)
    burnt = np.asarray(co2, np.float64) + co
    carbon = burnt + CARBON_PER_PPM_HEXANE * np.asarray(hc_ppm, np.float64)
    hydrogen = h / 4.0 * K / (K + co / np.asarray(co2, np.float64))
    oxygen = co2 + co / 2.0 + o2 + np.asarray(no, np.float64) / 2.0 + (hydrogen - o / 2.0) * burnt
    lam = oxygen / ((1.0 + h / 4.0 - o / 2.0) * carbon)
    return as_given(co, lam)


def _per_carbon(fuel: Fuel) -> tuple[float, float]:
    if not fuel.c > 0.0:
        raise RangeError(
            f"gas analysis: {fuel.name} has no carbon; expected a fuel with carbon; "
            "use the oxygen of dry gas instead"
        )
    return fuel.h / fuel.c, fuel.o / fuel.c
