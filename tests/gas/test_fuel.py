"""Fuels: the air they need, by chemistry libraries, handbooks and published tables."""

import chemicals
import pytest
from chemicals.combustion import combustion_data, combustion_stoichiometry
from chemicals.dippr import EQ105
from chemicals.volume import rho_data_Perry_8E_105_l
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError, UsageError
from mixmon.gas.fuel import (
    AIR_MOLAR_MASS,
    CARBON,
    HYDROGEN,
    NITROGEN,
    OXYGEN,
    OXYGEN_IN_AIR,
    Fuel,
    blend,
    from_atoms,
    from_stoich_afr,
    fuel_named,
    fuel_names,
)

# Heywood, Internal Combustion Engine Fundamentals, 1988, table D.4; from memory.
HANDBOOK_AFR = {
    "isooctane": 15.13,
    "toluene": 13.50,
    "benzene": 13.27,
    "methane": 17.23,
    "propane": 15.67,
    "methanol": 6.47,
    "ethanol": 9.00,
    "hydrogen": 34.3,
    "gasoline": 14.6,
    "diesel": 14.5,
}
# Ethanol: published; the others from memory, MTBE further off than its last digit.
ALTERNATIVE_FUELS_AFR = {
    "ethanol": (9.0, 0.05),
    "propane": (15.7, 0.05),
    "methanol": (6.45, 0.05),
    "hydrogen": (34.3, 0.05),
    "MTBE": (11.7, 0.07),
}

# Computed from the formulas, to three digits.
COMPUTED_AFR = {
    "isooctane": 15.129,
    "n-heptane": 15.177,
    "toluene": 13.504,
    "benzene": 13.274,
    "methane": 17.236,
    "propane": 15.676,
    "methanol": 6.472,
    "ethanol": 9.003,
    "nitromethane": 1.699,
    "hydrogen": 34.290,
    "gasoline": 14.601,
    "diesel": 14.500,
    "MTBE": 11.763,
}

LIQUIDS = ("isooctane", "n-heptane", "toluene", "benzene", "ethanol", "methanol", "MTBE", "nitromethane")

# Computed by hand from the densities and formulas: alcohol mass %, AFR, kg/l, MJ/kg, and fuel mass
# and volume against gasoline for the same air.
BLENDS = {
    "E5": (5.3, 14.304, 0.7474, 42.5, 1.021, 1.017),
    "E10": (10.6, 14.008, 0.7499, 41.7, 1.042, 1.036),
    "E30": (31.3, 12.846, 0.7596, 38.2, 1.137, 1.115),
    "E51": (52.6, 11.658, 0.7698, 34.7, 1.252, 1.212),
    "E83": (83.9, 9.906, 0.7854, 29.6, 1.474, 1.398),
    "E85": (85.8, 9.799, 0.7864, 29.2, 1.490, 1.412),
    "M15": (15.9, 13.311, 0.7527, 39.7, 1.097, 1.086),
    "M85": (85.8, 7.624, 0.7887, 23.3, 1.915, 1.809),
}


def test_computed_ratios_to_four_digits() -> None:
    expected = {"isooctane": 15.1289, "methane": 17.2357, "ethanol": 9.0032, "gasoline": 14.6007}
    assert {name: fuel_named(name).stoich_afr for name in expected} == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("name", COMPUTED_AFR)
def test_computed_ratios_of_every_substance(name: str) -> None:
    assert fuel_named(name).stoich_afr == pytest.approx(COMPUTED_AFR[name], abs=5e-4)


@pytest.mark.parametrize("name", fuel_names())
def test_oxygen_demand_and_products_are_those_of_a_chemistry_library(name: str) -> None:
    """`chemicals.combustion_stoichiometry` balances the reaction on its own."""
    fuel = fuel_named(name)
    atoms = {"C": fuel.c, "H": fuel.h, "O": fuel.o, "N": fuel.n}
    reaction = combustion_stoichiometry({k: v for k, v in atoms.items() if v})
    assert fuel.oxygen_demand == pytest.approx(-reaction["O2"], rel=1e-12)
    products = sum(reaction.get(gas, 0.0) for gas in ("CO2", "H2O", "N2"))
    assert fuel.products == pytest.approx(products, rel=1e-12)
    by_library = -reaction["O2"] * AIR_MOLAR_MASS / OXYGEN_IN_AIR / fuel.molar_mass
    assert fuel.stoich_afr == pytest.approx(by_library, rel=1e-12)


@pytest.mark.parametrize("name", LIQUIDS)
def test_molar_masses_agree_with_a_chemistry_library(name: str) -> None:
    assert fuel_named(name).molar_mass == pytest.approx(chemicals.search_chemical(name).MW, rel=5e-5)


def test_atomic_weights_agree_with_a_chemistry_library() -> None:
    """To 1e-4: `chemicals` has hydrogen 1.00794 of an older table, here it is 1.008 (IUPAC 2013)."""
    table = chemicals.periodic_table
    mine = {"C": CARBON, "H": HYDROGEN, "O": OXYGEN, "N": NITROGEN}
    assert mine == pytest.approx({symbol: table[symbol].MW for symbol in mine}, rel=1e-4)


@pytest.mark.parametrize("name", HANDBOOK_AFR)
def test_handbook_ratios(name: str) -> None:
    assert fuel_named(name).stoich_afr == pytest.approx(HANDBOOK_AFR[name], abs=0.02)


@pytest.mark.parametrize("name", ALTERNATIVE_FUELS_AFR)
def test_published_ratios(name: str) -> None:
    """Fuel Property Comparison, US Department of Energy, Alternative Fuels Data Center."""
    afr, tolerance = ALTERNATIVE_FUELS_AFR[name]
    assert fuel_named(name).stoich_afr == pytest.approx(afr, abs=tolerance)


@given(st.floats(1.6, 2.25))
def test_hydrocarbon_ratio_by_hydrogen_content(y: float) -> None:
    """Heywood 1988, eq. 3.6, with 3.773 mol N2 per mol O2; from memory."""
    heywood = 34.56 * (4 + y) / (12.011 + 1.008 * y)
    assert from_atoms(1, y).stoich_afr == pytest.approx(heywood, rel=2e-4)


@pytest.mark.parametrize("name", LIQUIDS)
def test_heating_values_agree_with_enthalpies_of_formation(name: str) -> None:
    """Lower heating value from `chemicals`' liquid enthalpies of formation."""
    known = chemicals.search_chemical(name)
    heat = combustion_data(formula=known.formula, Hf=chemicals.Hfl(known.CASs))
    assert fuel_named(name).heating_value_mj_kg == pytest.approx(-heat.LHV / known.MW / 1e3, rel=0.007)


@pytest.mark.parametrize("name", ["isooctane", "n-heptane", "toluene", "benzene", "ethanol", "methanol"])
def test_densities_agree_with_handbook_correlations(name: str) -> None:
    """Perry's Handbook, 8th edition, table 2-32 at 15 °C, through `chemicals`."""
    known = chemicals.search_chemical(name)
    row = rho_data_Perry_8E_105_l.loc[known.CASs]
    mol_m3: float = EQ105(288.15, row.C1, row.C2, row.C3, row.C4)  # type: ignore[no-untyped-call]
    assert fuel_named(name).density_kg_l == pytest.approx(mol_m3 * known.MW / 1e6, rel=4e-3)


@pytest.mark.parametrize("name", BLENDS)
def test_blends(name: str) -> None:
    mass_percent, afr, density, heat, mass, volume = BLENDS[name]
    fuel, gasoline = fuel_named(name), fuel_named("gasoline")
    alcohol = fuel_named("ethanol" if name[0] == "E" else "methanol")
    by_mass = (gasoline.stoich_afr - fuel.stoich_afr) / (gasoline.stoich_afr - alcohol.stoich_afr)
    assert 100 * by_mass == pytest.approx(mass_percent, abs=0.051)
    assert fuel.stoich_afr == pytest.approx(afr, abs=5.1e-4)
    assert fuel.density_kg_l == pytest.approx(density, abs=5.1e-5)
    assert fuel.heating_value_mj_kg == pytest.approx(heat, abs=0.051)
    assert gasoline.density_kg_l is not None
    assert fuel.density_kg_l is not None
    same_air = gasoline.stoich_afr / fuel.stoich_afr
    assert same_air == pytest.approx(mass, abs=5.1e-4)
    assert same_air * gasoline.density_kg_l / fuel.density_kg_l == pytest.approx(volume, abs=5.1e-4)


def test_blend_ratios_to_five_digits() -> None:
    assert fuel_named("E10").stoich_afr == pytest.approx(14.00826, abs=1e-5)
    assert fuel_named("E85").stoich_afr == pytest.approx(9.79864, abs=1e-5)


@given(st.floats(0, 1), st.sampled_from(["ethanol", "methanol", "MTBE", "toluene", "nitromethane"]))
def test_a_blend_needs_the_mass_weighted_mean_of_its_parts(share: float, other: str) -> None:
    parts = {"gasoline": 1.0 - share, other: share}
    fuels = [fuel_named(name) for name in parts]
    mass = [v * (f.density_kg_l or 0.0) for v, f in zip(parts.values(), fuels, strict=True)]
    mean = sum(m * f.stoich_afr for m, f in zip(mass, fuels, strict=True)) / sum(mass)
    assert blend(parts).stoich_afr == pytest.approx(mean, rel=1e-12)


def test_blends_as_one_carbon_formulas() -> None:
    """Computed from the mole fractions of the parts."""
    e10, e85 = fuel_named("E10"), fuel_named("E85")
    assert (e10.h / e10.c, e10.o / e10.c) == pytest.approx((1.9453, 0.0333), abs=5e-5)
    assert (e85.h / e85.c, e85.o / e85.c) == pytest.approx((2.7566, 0.3923), abs=5e-5)
    assert e10.formula == "CH1.945O0.03333"
    assert fuel_named("hydrogen").formula == "H2"


def test_a_blend_of_own_fuels_and_one_of_three_parts() -> None:
    race = from_atoms(7.5, 15, name="race")
    with_density = Fuel("race", race.c, race.h, density_kg_l=0.7)
    assert blend({with_density: 1.0}).stoich_afr == pytest.approx(race.stoich_afr, rel=1e-14)
    assert blend({with_density: 1.0}).heating_value_mj_kg is None
    three = blend({"toluene": 0.5, "isooctane": 0.3, "n-heptane": 0.2})
    assert three.name == "50 % toluene + 30 % isooctane + 20 % n-heptane"
    assert three.stoich_afr == pytest.approx(14.23, abs=0.01)  # by hand: 0.436, 0.209, 0.138 kg


@pytest.mark.parametrize(
    ("parts", "told"),
    [
        ({"gasoline": 0.9, "ethanol": 0.2}, "add up to 1.1"),
        ({"gasoline": 0.9}, "add up to 0.9"),
        ({"gasoline": 90, "ethanol": 10}, "add up to 100"),
        ({"gasoline": 1.2, "ethanol": -0.2}, "zero or more"),
        ({"gasoline": float("nan")}, "add up to nan"),
        ({}, "none"),
        ({"gasoline": 0.5, "methane": 0.5}, "methane has no liquid density"),
    ],
)
def test_impossible_blends_say_what_was_found(parts: dict[str, float], told: str) -> None:
    with pytest.raises(RangeError, match=told):
        blend(parts)


def test_names_in_any_case_and_by_other_words() -> None:
    assert fuel_named(" Petrol ") is fuel_named("gasoline")
    assert fuel_named("e85").name == "E85"
    assert fuel_named("E0").stoich_afr == pytest.approx(fuel_named("gasoline").stoich_afr, rel=1e-14)
    assert fuel_named("M100").stoich_afr == pytest.approx(fuel_named("methanol").stoich_afr, rel=1e-14)
    assert all(fuel_named(name).name == name for name in fuel_names())


@pytest.mark.parametrize(
    ("name", "offered"), [("ethanoll", "ethanol"), ("E850", "E85"), ("tolune", "toluene")]
)
def test_an_unknown_name_offers_the_nearest(name: str, offered: str) -> None:
    with pytest.raises(UsageError, match=f"no fuel is named '{name}'; expected one of .*{offered}"):
        fuel_named(name)


def test_a_name_like_none_offers_all() -> None:
    with pytest.raises(UsageError, match=r"gasoline, diesel, .* M85"):
        fuel_named("xyzzy")


@pytest.mark.parametrize("atoms", [(1, -2, 0), (1, 0, 2), (0, 0, 0), (float("nan"), 1, 0)])
def test_a_molecule_that_cannot_burn(atoms: tuple[float, float, float]) -> None:
    with pytest.raises(RangeError, match="need oxygen to burn"):
        from_atoms(*atoms)


def test_a_formula_for_one_carbon_becomes_a_molecule() -> None:
    assert from_atoms(1, 1.87).molar_mass == pytest.approx(fuel_named("gasoline").molar_mass)
    assert from_atoms(1, 1.87).name == "CH1.87"
    assert from_atoms(1, 4).molar_mass == pytest.approx(16.043, abs=1e-3)
    assert from_atoms(2, 6, 1).name == "C2H6O"


@given(st.floats(6.4723, 17.2357))
def test_a_fuel_for_a_bare_ratio_has_that_ratio(ratio: float) -> None:
    assert from_stoich_afr(ratio).stoich_afr == pytest.approx(ratio, rel=1e-12)


@pytest.mark.parametrize("ratio", [6.4, 1.7, 34.3, float("nan")])
def test_a_bare_ratio_that_no_usual_fuel_has(ratio: float) -> None:
    with pytest.raises(RangeError, match="give the fuel by name or atoms"):
        from_stoich_afr(ratio)


@pytest.mark.parametrize("count", [float("nan"), float("inf")])
def test_atoms_that_are_no_number_are_no_fuel(count: float) -> None:
    with pytest.raises(RangeError):
        from_atoms(1.0, 1.0, n=count)
