"""The fuel for which the controllers compute lambda, where the session does not say it.

A controller turns its sensor's signal into lambda by the curve of some fuel. Where `[sensors] curve` is not
given, that is taken to be the fuel which burns. Were it gasoline while another fuel burns, all readings
would be off together: nothing at lambda 1, more the further away. How much depends on how the sensor weighs
hydrogen; the plain and the weighted signal of `gas.reading` bracket what sensors do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from mixmon.findings.balance.balance import Balance
from mixmon.findings.balance.notes import BalanceNote
from mixmon.gas.fuel import Fuel, fuel_named
from mixmon.gas.reading import MOLECULAR, reading_on_other_fuel
from mixmon.note import Note, note

_USUAL_CURVE = "gasoline"
_LEAST_PERCENT = 0.3
"""Error from which it is told: our choice, below what a sensor's own error hides."""


def with_curve_note(balance: Balance, fuel: Fuel, *, assumed: bool) -> Balance:
    """The balance, with a note where the curve is assumed and could matter.

    fuel     what burns
    assumed  whether controllers send lambda and the session does not say by which curve
    """
    lam = [cell.lam for cell in balance.whole_engine if np.isfinite(cell.lam)]
    notes = _notes_on_curve(lam, fuel) if assumed and lam else ()
    return replace(balance, notes=(*balance.notes, *notes)) if notes else balance


def _notes_on_curve(lam: Sequence[float], fuel: Fuel) -> tuple[Note, ...]:
    """What the readings would be off by the curve of gasoline, at the lambda measured in the cells."""
    true, curve = np.array(lam), fuel_named(_USUAL_CURVE)
    shown = [np.asarray(reading_on_other_fuel(true, fuel, curve, way)) for way in (None, MOLECULAR)]
    error = 100 * float(np.nanmax(np.abs(np.array(shown) / true - 1)))
    if not error >= _LEAST_PERCENT:
        return ()
    return (
        note(
            BalanceNote.CURVE_ASSUMED,
            fuel=fuel.name,
            curve=_USUAL_CURVE,
            lambda_least=min(lam),
            lambda_most=max(lam),
            error_percent=error,
        ),
    )
