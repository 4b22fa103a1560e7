"""What a pump cell sees of a charge that did not burn.

The gas holds nearly all its oxygen, and fuel vapour that would use it up. Burned on the
electrode at equal speed the two would still read as the mixture that they are, rich if it was
rich. But vapour reaches the electrode more slowly than oxygen, k_d times as fast, so a missed
charge reads very lean: the same fuelling, a leaner reading (a Korean journal paper, index
JAKO200011920267616, 2000, abstract). The size of the effect is computed, not measured.

Shares are mixed, lagged and filtered as oxygen balance, and turned into lambda last.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from mixmon.errors import RangeError
from mixmon.gas.exhaust import oxygen_balance
from mixmon.gas.fuel import OXYGEN_IN_AIR, Fuel
from mixmon.gas.quantity import Quantity, as_given, need_not_negative

VAPOUR_KNUDSEN = 0.53
"""k_d of octane-like vapour in fine pores: one over the square root of the molar mass."""

VAPOUR_MOLECULAR = 0.33
"""k_d of octane-like vapour in wide pores (correlation of Fuller, Schettler & Giddings, 1966;
from memory)."""


@np.errstate(all="ignore")
def missed_charge_oxygen(lam: Quantity, fuel: Fuel, k_d: float = VAPOUR_KNUDSEN, w: float = 0.0) -> Quantity:
    """Apparent oxygen balance of an unburnt charge of that lambda, percent wet.

    >>> from mixmon.gas.fuel import fuel_named
    >>> round(missed_charge_oxygen(0.88, fuel_named("isooctane"), k_d=0.529), 2)
    8.2

    Args:
        lam: lambda of the charge, above zero; NaN below.
        fuel: what was not burnt; the size of its (average) molecule counts.
        k_d: diffusivity of its vapour relative to oxygen; 1 would hide the misfire, 0 is a vapour
            that never arrives.
        w: mol water per mol dry intake air.

    Raises:
        RangeError: k_d or w negative.
    """
    need_not_negative("misfire", "k_d", k_d)
    need_not_negative("misfire", "w", w)
    a = fuel.oxygen_demand
    air: Any = np.asarray(lam, np.float64)
    # everything per mol of intake oxygen, so that a charge without fuel is air
    phi = np.where(air > 0.0, 1.0 / air, np.nan)
    return as_given(lam, 100.0 * (1.0 - k_d * phi) / (phi / a + (1.0 + w) / OXYGEN_IN_AIR))


@np.errstate(all="ignore")
def oxygen_with_missed(
    lam: Quantity, fuel: Fuel, share: Quantity | float, k_d: float = VAPOUR_KNUDSEN, w: float = 0.0
) -> Quantity:
    """Oxygen balance of exhaust in which a share of the charges did not burn, percent wet.

    Charges are counted alike, by gas volume they differ by a few percent.

    Args:
        lam: lambda of every charge.
        fuel: the fuel.
        share: share of missed charges, 0 to 1.
        k_d: diffusivity of fuel vapour relative to oxygen.
        w: mol water per mol dry intake air.

    Raises:
        RangeError: a share outside 0 to 1, k_d or w negative.
    """
    part = np.asarray(share, np.float64)
    if np.any((part < 0.0) | (part > 1.0)):
        raise RangeError("misfire: a share of missed cycles outside 0 to 1; expected 0 to 1; give a fraction")
    burnt, missed = oxygen_balance(lam, fuel, w), missed_charge_oxygen(lam, fuel, k_d, w)
    return as_given(lam, burnt + (missed - burnt) * part)
