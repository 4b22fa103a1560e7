"""The units in which lambda is shown: lambda, phi, air-fuel ratio, oxygen."""

from __future__ import annotations

from dataclasses import dataclass

from mixmon.errors import UsageError
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import Fuel

UNIT_NAMES = ("lambda", "phi", "afr", "oxygen")


@dataclass(frozen=True, slots=True)
class Unit:
    """How lambda is written. AFR carries its stoichiometric ratio in the heading, always."""

    name: str
    heading: str
    decimals: int
    fuel: Fuel
    stoich_afr: float | None = None

    def of(self, lam: float) -> float:
        """The number to show for a lambda."""
        if self.name == "phi":
            return 1.0 / lam
        if self.name == "afr":
            assert self.stoich_afr is not None
            return lam * self.stoich_afr
        if self.name == "oxygen":
            return float(oxygen_balance(lam, self.fuel))
        return lam


def unit_named(name: str, fuel: Fuel, stoich_afr: float | None) -> Unit:
    """The unit of that name.

    Raises:
        UsageError: AFR without a stoichiometric ratio.
    """
    if name == "afr":
        if stoich_afr is None:
            raise UsageError(
                "--units afr: the session has no fuel, so the ratio at lambda 1 is not known; "
                "expected [fuel] name, parts, atoms or stoich_afr; add one, or use --units lambda"
            )
        return Unit(name, f"AFR/{stoich_afr:.2f}", 2, fuel, stoich_afr)
    # Decimals, our choice: one step is about a tenth of a percent of lambda.
    heading, decimals = {"lambda": ("lambda", 3), "phi": ("phi", 3), "oxygen": ("O2 %", 2)}[name]
    return Unit(name, heading, decimals, fuel)
