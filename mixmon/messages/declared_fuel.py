"""The fuel that a user declared, as gas science knows it."""

from __future__ import annotations

from mixmon.errors import Mistake, MixmonError
from mixmon.gas import fuel as fuels
from mixmon.session.model import Fuel, Sensors


def declared_fuel(declared: Fuel | None, mistakes: list[Mistake]) -> fuels.Fuel | None:
    """The fuel; None where none is declared, or where it cannot be one, which is then a mistake."""
    if declared is None:
        return None
    way = "name"
    try:
        if declared.name is not None:
            return fuels.fuel_named(declared.name)
        if declared.parts:
            way = "parts"
            return fuels.blend(declared.parts)
        if declared.atoms:
            way = "atoms"
            c, h, o, n = (declared.atoms.get(atom, 0.0) for atom in "chon")
            return fuels.from_atoms(c, h, o, n)
        if declared.stoich_afr is not None:
            way = "stoich_afr"
            return fuels.from_stoich_afr(declared.stoich_afr)
    except MixmonError as error:
        mistakes.append(_mistake(f"fuel.{way}", error))
    return None


def declared_curve(sensors: Sensors | None, mistakes: list[Mistake]) -> fuels.Fuel | None:
    """The fuel of the controllers' curve; None where none is declared, or where there is no such fuel."""
    if sensors is None or sensors.curve is None:
        return None
    try:
        return fuels.fuel_named(sensors.curve)
    except MixmonError as error:
        mistakes.append(_mistake("sensors.curve", error))
        return None


def _mistake(where: str, error: MixmonError) -> Mistake:
    _, _, told = str(error).partition(": ")
    found, _, expected = told.partition("; expected ")
    return Mistake(where, found, expected)
