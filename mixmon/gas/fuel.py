"""Fuels: what they are made of, and the air they need.

A fuel is one molecule C_c H_h O_o N_n, or, for a mixture of substances, the average one. Only
the ratios of the atoms matter, but for unburnt vapour, whose share of the gas goes with the size
of the molecule. Everything about burnt gas follows from two numbers:

    a = c + h/4 - o/2     mol O2 that one mol of fuel needs
    b = c + h/2 + n/2     mol CO2 + H2O + N2 that it yields

Fuel nitrogen leaves as N2 and needs no oxygen.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from mixmon.errors import RangeError, UsageError

OXYGEN_IN_AIR = 0.2095
"""Mole fraction of O2 in dry air, as used in combustion tables (Heywood, Internal Combustion
Engine Fundamentals, 1988, ch. 3; from memory)."""

INERT_PER_OXYGEN = (1.0 - OXYGEN_IN_AIR) / OXYGEN_IN_AIR
"""mol of everything else per mol O2 in dry air: 3.7733."""

AIR_MOLAR_MASS = 28.9647
"""g/mol of dry air (from memory: a handbook value; 28.9644 in the US Standard Atmosphere 1976)."""

CARBON, HYDROGEN, OXYGEN, NITROGEN = 12.011, 1.008, 15.999, 14.007
"""Conventional atomic weights, g/mol (IUPAC)."""


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel: its atoms, and what is known of its liquid.

    c, h, o, n          atoms in one molecule, or in the average one
    density_kg_l        at 15 °C; None for a gas or where unknown
    heating_value_mj_kg lower heating value; None where unknown

    Raises:
        RangeError: a negative count, or a molecule that needs no oxygen to burn.
    """

    name: str
    c: float
    h: float
    o: float = 0.0
    n: float = 0.0
    density_kg_l: float | None = None
    heating_value_mj_kg: float | None = None

    def __post_init__(self) -> None:
        counts = (self.c, self.h, self.o, self.n)
        if not all(0.0 <= count < math.inf for count in counts) or not self.oxygen_demand > 0.0:
            raise RangeError(
                f"fuel {self.name}: C{self.c:g} H{self.h:g} O{self.o:g} N{self.n:g}; "
                "expected atom counts of zero or more that need oxygen to burn; check the formula"
            )

    @property
    def oxygen_demand(self) -> float:
        """a: mol O2 for complete combustion, per mol of fuel."""
        return self.c + self.h / 4.0 - self.o / 2.0

    @property
    def products(self) -> float:
        """b: mol CO2 + H2O + N2 from the fuel's own atoms, per mol of fuel."""
        return self.c + self.h / 2.0 + self.n / 2.0

    @property
    def molar_mass(self) -> float:
        """g/mol of the (average) molecule."""
        return self.c * CARBON + self.h * HYDROGEN + self.o * OXYGEN + self.n * NITROGEN

    @property
    def formula(self) -> str:
        """Atoms for one carbon, such as CH1.87; as they are where there is no carbon."""
        per = self.c or 1.0
        atoms = (("C", self.c), ("H", self.h), ("O", self.o), ("N", self.n))
        return "".join(
            symbol if count == per else f"{symbol}{count / per:.4g}" for symbol, count in atoms if count
        )

    @property
    def stoich_afr(self) -> float:
        """Stoichiometric air-fuel ratio by mass.

        >>> round(fuel_named("isooctane").stoich_afr, 3)
        15.129
        """
        return self.oxygen_demand * AIR_MOLAR_MASS / OXYGEN_IN_AIR / self.molar_mass


_PURE = (
    # Gasoline is CH1.87 and diesel CH1.80, with molar masses near 110 and 170 g/mol, and heating
    # values: Heywood 1988, table D.4. Densities at 15 °C: gasoline EN 228 (middle of its range),
    # diesel EN 590 (the same), the rest handbook values. All from memory.
    Fuel("gasoline", 8, 8 * 1.87, density_kg_l=0.745, heating_value_mj_kg=43.4),
    Fuel("diesel", 12, 12 * 1.80, density_kg_l=0.835, heating_value_mj_kg=42.5),
    Fuel("isooctane", 8, 18, density_kg_l=0.696, heating_value_mj_kg=44.3),
    Fuel("n-heptane", 7, 16, density_kg_l=0.688, heating_value_mj_kg=44.6),
    Fuel("toluene", 7, 8, density_kg_l=0.872, heating_value_mj_kg=40.6),
    Fuel("benzene", 6, 6, density_kg_l=0.884, heating_value_mj_kg=40.2),
    Fuel("ethanol", 2, 6, 1, density_kg_l=0.7937, heating_value_mj_kg=26.9),
    Fuel("methanol", 1, 4, 1, density_kg_l=0.7964, heating_value_mj_kg=20.0),
    Fuel("MTBE", 5, 12, 1, density_kg_l=0.745, heating_value_mj_kg=35.1),
    Fuel("nitromethane", 1, 3, 2, 1, density_kg_l=1.144, heating_value_mj_kg=10.5),
    Fuel("propane", 3, 8, density_kg_l=0.507, heating_value_mj_kg=46.4),
    Fuel("methane", 1, 4, heating_value_mj_kg=50.0),
    Fuel("hydrogen", 0, 2, heating_value_mj_kg=120.0),
)
_BY_NAME = {fuel.name.lower(): fuel for fuel in _PURE}
_OTHER_NAMES = {"petrol": "gasoline", "iso-octane": "isooctane", "heptane": "n-heptane"}
_ALCOHOL = {"e": "ethanol", "m": "methanol"}
_USUAL_BLENDS = ("E5", "E10", "E30", "E51", "E83", "E85", "M15", "M85")

REFERENCE_PETROL = Fuel("reference petrol", 1, 1.7261, 0.0175)
"""The fuel of the five-gas equation for petrol (Directive 98/69/EC, from memory)."""

_SUM_TOLERANCE = 1e-6
"""How far shares may add up to something else than 1: our choice, for shares given with some digits."""

_CARBONS = 8
"""Carbons of the molecule that a formula for one carbon is taken as: our choice, as octane."""


_MOST_SUGGESTED, _LEAST_LIKENESS = 3, 0.5
"""Names that an error offers, and how like the given one they are: our choice."""


def fuel_names() -> tuple[str, ...]:
    """Every name that `fuel_named` knows, besides other percentages of E and M blends."""
    return tuple(fuel.name for fuel in _PURE) + _USUAL_BLENDS


def fuel_named(name: str) -> Fuel:
    """The fuel of that name, in any case: a substance, or a blend such as E10 or M85.

    E and M with a whole number are per cent by volume of ethanol or methanol in gasoline.

    >>> round(fuel_named("E85").stoich_afr, 2)
    9.8

    Args:
        name: one of `fuel_names()`, or another E or M blend.

    Raises:
        UsageError: no such fuel; the text offers the nearest names.
    """
    key = _OTHER_NAMES.get(name.strip().lower(), name.strip().lower())
    if key in _BY_NAME:
        return _BY_NAME[key]
    blended = re.fullmatch(r"([em])(100|[1-9]?\d)", key)
    if blended is None:
        raise UsageError(f"fuel: no fuel is named {name!r}; expected {_suggest_names(key)}")
    share = int(blended[2]) / 100.0
    return blend({"gasoline": 1.0 - share, _ALCOHOL[blended[1]]: share}, name=key.upper())


def _suggest_names(key: str) -> str:
    names = {known.lower(): known for known in fuel_names()}
    near = [
        names[match]
        for match in difflib.get_close_matches(key, names, n=_MOST_SUGGESTED, cutoff=_LEAST_LIKENESS)
    ]
    return f"one of {', '.join(near or fuel_names())}; or give parts by volume, or atoms c, h, o, n"


def blend(parts: Mapping[str, float] | Mapping[Fuel, float], name: str | None = None) -> Fuel:
    """The fuel mixed from parts by volume, as its average molecule.

    Oxygen demand adds up over the parts, so the stoichiometric ratio is the mass-weighted mean of
    the parts' own, exactly. Volumes are taken before mixing; shrinkage on mixing does not matter.

    >>> round(blend({"gasoline": 0.9, "ethanol": 0.1}).stoich_afr, 2)
    14.01

    Args:
        parts: fuel, or its name, to its share of the volume; the shares add up to 1.
        name: what to call it; by default its parts.

    Raises:
        RangeError: a negative share, shares that do not add up to 1, or a part without a density.
        UsageError: an unknown fuel name.
    """
    fuels = [fuel_named(part) if isinstance(part, str) else part for part in parts]
    shares = list(parts.values())
    _check_parts(fuels, shares)
    mass = [share * (fuel.density_kg_l or 0.0) for fuel, share in zip(fuels, shares, strict=True)]
    parted = " + ".join(f"{100 * share:g} % {fuel.name}" for fuel, share in zip(fuels, shares, strict=True))
    return _mix_by_mass(name or parted, fuels, [m / math.fsum(mass) for m in mass], math.fsum(mass))


def _mix_by_mass(name: str, fuels: list[Fuel], weight: list[float], density: float | None) -> Fuel:
    """The average molecule of fuels mixed by mass; the weights add up to 1."""
    moles = [w / fuel.molar_mass for fuel, w in zip(fuels, weight, strict=True)]

    def atoms(element: str) -> float:
        total = math.fsum(m * float(getattr(fuel, element)) for fuel, m in zip(fuels, moles, strict=True))
        return total / math.fsum(moles)

    heat = [fuel.heating_value_mj_kg for fuel in fuels]
    return Fuel(name, atoms("c"), atoms("h"), atoms("o"), atoms("n"), density, _mean_if_known(heat, weight))


def _check_parts(fuels: list[Fuel], shares: list[float]) -> None:
    whole = shares and all(0.0 <= s <= 1.0 + _SUM_TOLERANCE for s in shares)
    if not whole or not abs(math.fsum(shares) - 1.0) <= _SUM_TOLERANCE:
        raise RangeError(
            f"fuel parts: {', '.join(f'{s:g}' for s in shares) or 'none'} add up to {sum(shares):g}; "
            "expected shares of the volume of zero or more that add up to 1; correct the shares"
        )
    for fuel in fuels:
        if fuel.density_kg_l is None:
            raise RangeError(
                f"fuel parts: {fuel.name} has no liquid density; expected liquids; "
                "give the mixture as atoms c, h, o, n instead"
            )


def _mean_if_known(values: list[float | None], weight: list[float]) -> float | None:
    known = [v for v in values if v is not None]
    if len(known) < len(values):
        return None
    return math.fsum(v * w for v, w in zip(known, weight, strict=True))


def from_atoms(c: float, h: float, o: float = 0.0, n: float = 0.0, name: str | None = None) -> Fuel:
    """A fuel given by its atoms: a molecule, or a formula for one carbon atom such as CH1.87.

    The latter (c = 1 and fractions of the others) is taken as a molecule of eight carbons; this
    matters for unburnt vapour only.

    >>> round(from_atoms(1, 1.87).stoich_afr, 3)
    14.601

    Raises:
        RangeError: a negative count, or a molecule that needs no oxygen to burn.
    """
    counts = (("C", c), ("H", h), ("O", o), ("N", n))
    formula = "".join(f"{symbol}{'' if count == 1 else f'{count:g}'}" for symbol, count in counts if count)
    whole = all(float(count).is_integer() for count in (h, o, n))
    size = _CARBONS if c == 1 and not whole else 1
    return Fuel(name or formula or "nothing", c * size, h * size, o * size, n * size)


def from_stoich_afr(stoich_afr: float) -> Fuel:
    """A likely fuel for a bare stoichiometric ratio, where nothing else is known of it.

    From gasoline's 14.60 upwards a hydrocarbon with the hydrogen that this asks for, down to
    ethanol's 9.00 gasoline with ethanol, below that gasoline with methanol: the sorts that are
    sold. A convention ("common practice, no source"): other fuels have the same ratio, and
    away from lambda 1 their oxygen balance differs somewhat.

    Raises:
        RangeError: not between methanol's 6.472 and methane's 17.236.
    """
    gasoline, ethanol, methanol = _BY_NAME["gasoline"], _BY_NAME["ethanol"], _BY_NAME["methanol"]
    if not methanol.stoich_afr <= stoich_afr <= _BY_NAME["methane"].stoich_afr:
        raise RangeError(
            f"fuel: stoichiometric ratio {stoich_afr:g}; expected {methanol.stoich_afr:.3f} (methanol) to "
            f"{_BY_NAME['methane'].stoich_afr:.3f} (methane); give the fuel by name or atoms instead"
        )
    name = f"fuel of stoich {stoich_afr:g}"
    if stoich_afr >= gasoline.stoich_afr:
        air = AIR_MOLAR_MASS / OXYGEN_IN_AIR
        ratio = (stoich_afr * CARBON - air) / (air / 4.0 - stoich_afr * HYDROGEN)
        return from_atoms(1, ratio, name=name)
    alcohol = ethanol if stoich_afr >= ethanol.stoich_afr else methanol
    mass = (gasoline.stoich_afr - stoich_afr) / (gasoline.stoich_afr - alcohol.stoich_afr)
    return _mix_by_mass(name, [gasoline, alcohol], [1.0 - mass, mass], None)
