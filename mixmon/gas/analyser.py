"""Lambda from a five-gas analyser: CO, CO2, O2, unburnt fuel and NO in dried gas.

Blind to misfire, unlike a pump cell: unburnt fuel and its oxygen are both counted.
"""

from __future__ import annotations

import numpy as np

from mixmon.errors import RangeError
from mixmon.gas.exhaust import WATER_GAS_RATIO
from mixmon.gas.fuel import CARBON, HYDROGEN, REFERENCE_PETROL, Fuel
from mixmon.gas.quantity import Quantity, as_given

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


@np.errstate(all="ignore")
def spindt_afr(
    co: Quantity,
    co2: Quantity,
    o2: Quantity,
    hc_percent: Quantity | float = 0.0,
    *,
    fuel: Fuel,
    K: float = WATER_GAS_RATIO,
) -> Quantity:
    """Air-fuel ratio by mass of a hydrocarbon fuel, from dry exhaust gas in percent.

    Within 0.15 % of lambda times the stoichiometric ratio; its constants are rounded.

    Args:
        co: carbon monoxide.
        co2: carbon dioxide.
        o2: oxygen.
        hc_percent: unburnt fuel, as percent of single carbon atoms.
        fuel: a hydrocarbon.
        K: water-gas ratio.

    Raises:
        RangeError: a fuel with oxygen or without carbon.

    Source: Spindt, Air-fuel ratios from exhaust gas analysis, SAE 650507, 1965; from memory.
    """
    h, o = _per_carbon(fuel)
    if o:
        raise RangeError(
            f"Spindt's equation: {fuel.name} holds oxygen; expected a hydrocarbon; use five_gas_lambda"
        )
    carbon = CARBON / (CARBON + HYDROGEN * h)
    burnt = np.asarray(co2, np.float64) + co
    R, Q = co / np.asarray(co2, np.float64), o2 / np.asarray(co2, np.float64)
    share = burnt / (burnt + hc_percent)
    by_carbon = 11.492 * carbon * (1.0 + R / 2.0 + Q) / (1.0 + R)
    ratio = share * (by_carbon + 120.0 * (1.0 - carbon) / (K + R))
    return as_given(co, ratio)


def _per_carbon(fuel: Fuel) -> tuple[float, float]:
    if not fuel.c > 0.0:
        raise RangeError(
            f"gas analysis: {fuel.name} has no carbon; expected a fuel with carbon; "
            "use the oxygen of dry gas instead"
        )
    return fuel.h / fuel.c, fuel.o / fuel.c
