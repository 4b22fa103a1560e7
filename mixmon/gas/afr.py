"""Air-fuel ratio by mass: a display of lambda that means nothing without its basis.

The same number stands for different lambdas on different fuels' scales, and many gauges print
14.7 times lambda whatever is in the tank. So a ratio never travels here without the
stoichiometric ratio it was multiplied with.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.gas.fuel import Fuel, fuel_named
from mixmon.gas.quantity import Quantity, need_positive


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


def afr(lam: Quantity, fuel: Fuel) -> Quantity:
    """Air-fuel ratio by mass at lambda, on the fuel's own scale.

    >>> round(afr(0.88, fuel_named("E10")), 2)
    12.33
    """
    return basis_of(fuel).afr(lam)


def lambda_from_afr(ratio: Quantity, fuel: Fuel) -> Quantity:
    """Lambda of an air-fuel ratio by mass that was measured or given on the fuel's own scale."""
    return basis_of(fuel).lam(ratio)


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
