"""The fuel that a user declared, as gas science knows it."""

from __future__ import annotations

from mixmon.errors import Mistake, MixmonError
from mixmon.gas import fuel as fuels
from mixmon.session.model import Fuel


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
        _, _, told = str(error).partition(": ")
        found, _, expected = told.partition("; expected ")
        mistakes.append(Mistake(f"fuel.{way}", found, expected))
    return None
