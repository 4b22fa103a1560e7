"""What bends a reading: the pressure at the sensor, and a fuel other than the curve was made for.

Both act on the oxygen balance: nothing at lambda 1, more the further away. Neither is applied
unless asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from mixmon.arrays import Floats
from mixmon.gas.exhaust import (
    Quantity,
    as_given,
    composition,
    lambda_from_oxygen,
    need_not_negative,
    need_positive,
    oxygen_balance,
    richest,
)
from mixmon.gas.fuel import OXYGEN_IN_AIR, Fuel

# ----------------------------------------------------------------------------------------------------
# What a pump cell sees of a charge that did not burn.
#
# The gas holds nearly all its oxygen, and fuel vapour that would use it up. Burned on the
# electrode at equal speed the two would still read as the mixture that they are, rich if it was
# rich. But vapour reaches the electrode more slowly than oxygen, k_d times as fast, so a missed
# charge reads very lean: the same fuelling, a leaner reading (a Korean journal paper, index
# JAKO200011920267616, 2000, abstract). The size of the effect is computed, not measured.
#
# Shares are mixed, lagged and filtered as oxygen balance, and turned into lambda last.
# ----------------------------------------------------------------------------------------------------

VAPOUR_KNUDSEN = 0.53
"""k_d of octane-like vapour in fine pores (computed: root of the molar masses of O2 and octane)."""

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


_HALVINGS = 56
"""Halvings of a range below 1: computed, enough for the last digit of a double."""


@np.errstate(all="ignore")
def pressure_gain(bar: Quantity, k_bar: float | None = None, reference_bar: float = 1.0) -> Quantity:
    """How much larger the pump current is at a pressure than at the reference pressure.

    The layer's resistance to diffusion is a molecular part, free of pressure, and a pore part,
    so current goes as p / (p + k). k belongs to the sensor type: 0 for wide pores (no effect),
    infinite for the finest (current as p). None, the default: unknown, no effect.

    >>> round(pressure_gain(1.2, k_bar=0.3), 4)
    1.04

    Raises:
        RangeError: k negative or the reference pressure not above zero.

    Source: parallel gas resistances, computed; that the reading needs this compensation:
    Surnilla, Soltis, Hilditch & House, SAE 2016-01-1070, 2016 (abstract).
    """
    need_positive("pressure effect", "reference pressure in bar", reference_bar)
    k = 0.0 if k_bar is None else k_bar
    need_not_negative("pressure effect", "k in bar", k)
    ratio = np.asarray(bar, np.float64) / reference_bar
    if np.isfinite(k):
        ratio = ratio * ((reference_bar + k) / (np.asarray(bar, np.float64) + k)) if k else ratio * 0.0 + 1.0
    return as_given(bar, ratio)


class Diffusion(NamedTuple):
    """Diffusivities relative to that of O2."""

    co: float
    h2: float


MOLECULAR = Diffusion(co=1.00, h2=3.78)
"""Wide pores (correlation of Fuller, Schettler & Giddings, 1966; from memory)."""


@np.errstate(all="ignore")
def pump_signal(lam: Quantity, fuel: Fuel, diffusion: Diffusion = MOLECULAR, w: float = 0.0) -> Quantity:
    """Oxygen balance with CO and H2 weighted by how fast they reach the electrode, percent.

    Closer to a raw pump current than the plain balance: the rich side comes out 1.6 to 2 times
    as large.

    Raises:
        RangeError: w negative.
    """
    gas = composition(lam, fuel, w=w)
    return gas.o2 - (gas.co * diffusion.co + gas.h2 * diffusion.h2) / 2.0


@np.errstate(all="ignore")
def reading_on_other_fuel(
    lam: Quantity,
    fuel: Fuel,
    curve: Fuel,
    diffusion: Diffusion | None = None,
    w: float = 0.0,
    *,
    gain: float = 1.0,
) -> Quantity:
    """The lambda shown for a true lambda, when `fuel` burns and the sensor's curve is for `curve`.

    Without `diffusion` the signal is the plain oxygen balance; with it, the weighted one. The two
    bracket what sensors do, and for alcohols err in opposite directions. Exact at lambda 1.

    >>> from mixmon.gas.fuel import fuel_named
    >>> round(reading_on_other_fuel(0.75, fuel_named("ethanol"), fuel_named("gasoline")), 3)
    0.766

    Args:
        lam: true lambda.
        fuel: what burns.
        curve: what the sensor's characteristic was made with, in dry air.
        diffusion: MOLECULAR or another weighting.
        w: mol water per mol dry intake air.
        gain: of the pressure; see `pressure_gain`.

    Raises:
        RangeError: w negative.
    """
    plain = lambda_from_oxygen(oxygen_balance(lam, fuel, w) * gain, curve)
    if diffusion is None:
        return plain
    signal = np.asarray(pump_signal(lam, fuel, diffusion, w), np.float64) * gain
    return as_given(lam, np.where(signal < 0.0, _rich_lambda(signal, curve, diffusion), plain))


@np.errstate(all="ignore")
def true_lambda(shown: Quantity, fuel: Fuel, curve: Fuel, w: float = 0.0, *, gain: float = 1.0) -> Quantity:
    """The true lambda for the one shown: the inverse of `reading_on_other_fuel` by the oxygen balance.

    >>> from mixmon.gas.fuel import fuel_named
    >>> round(true_lambda(0.766, fuel_named("ethanol"), fuel_named("gasoline")), 3)
    0.75

    Args:
        shown: by the curve of `curve`.
        fuel: what burns.
        curve: what the sensor's characteristic was made with, in dry air.
        w: mol water per mol dry intake air.
        gain: of the pressure.

    Raises:
        RangeError: w negative.
    """
    return lambda_from_oxygen(oxygen_balance(shown, curve) / gain, fuel, w)


class Shown(NamedTuple):
    """Lambda shown, by the plain oxygen balance, and by a pump current in which H2 counts as it diffuses."""

    balance: float
    pump: float


@dataclass(frozen=True, slots=True)
class BentSensor:
    """A sensor whose reading pressure and another fuel's curve bend.

    curve         fuel for which it computes lambda
    pressure_bar  at the sensor; None where nobody gave it
    gain          of that pressure on the oxygen balance
    """

    curve: Fuel
    pressure_bar: float | None = None
    gain: float = 1.0

    def shows(self, lam: float, fuel: Fuel, water: float) -> Shown:
        """The lambda that it shows of a true one, by the two signals between which sensors are."""
        balance, pump = (
            reading_on_other_fuel(lam, fuel, self.curve, diffusion, water, gain=self.gain)
            for diffusion in (None, MOLECULAR)
        )
        return Shown(balance, pump)

    def true_lambda(self, shown: float, fuel: Fuel, water: float) -> float:
        """The lambda that it shows as `shown`, by the oxygen balance."""
        return true_lambda(shown, fuel, self.curve, water, gain=self.gain)

    def true_oxygen(self, shown: float) -> float:
        """The oxygen balance, percent, that it shows as `shown`."""
        return shown / self.gain


def _rich_lambda(signal: Floats, curve: Fuel, diffusion: Diffusion) -> Floats:
    """The rich lambda with that weighted signal, by halving; NaN below the curve's rich end."""
    low: Any = np.full(signal.shape, richest(curve))
    high: Any = np.ones(signal.shape)
    out = ~(signal >= pump_signal(low, curve, diffusion))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        leaner = pump_signal(middle, curve, diffusion) < signal
        low = np.where(leaner, middle, low)
        high = np.where(leaner, high, middle)
    return np.where(out, np.nan, (low + high) / 2.0)
