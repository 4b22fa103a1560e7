"""Damp air: how much water it carries, and the oxygen that is left.

Free-air readings are judged against this, not against 20.95 %: in 25 °C, 60 % air a sensor set
to 20.95 reads 1.9 % high ever after.
"""

from __future__ import annotations

import numpy as np

from mixmon.errors import RangeError
from mixmon.gas.quantity import need_positive

FREE_AIR_PERCENT = 20.946
"""O2 in dry air, percent (20.9476 in the US Standard Atmosphere 1976; from memory)."""

STANDARD_KPA = 101.325


def saturation_kpa(celsius: float) -> float:
    """Pressure of water vapour over water at a temperature, kPa.

    >>> round(saturation_kpa(25.0), 4)
    3.1685

    Raises:
        RangeError: outside -40 to 60 °C, for which the fit holds.

    Source: Buck, J. Appl. Meteorol. 20, 1981, 1527, with the coefficients of 1996; from memory.
    """
    if not -40.0 <= celsius <= 60.0:
        raise RangeError(f"air: {celsius:g} °C; expected -40 to 60 °C; check the temperature")
    return float(0.61121 * np.exp((18.678 - celsius / 234.5) * celsius / (257.14 + celsius)))


def vapour_kpa(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Partial pressure of the water in air, kPa.

    Raises:
        RangeError: temperature outside -40 to 60 °C, relative humidity outside 0 to 100 %, or a
            pressure that is not above that of the vapour.
    """
    need_positive("air", "pressure in kPa", pressure_kpa)
    if not 0.0 <= humidity_percent <= 100.0:
        raise RangeError(
            f"air: relative humidity {humidity_percent:g} %; expected 0 to 100 %; check the sensor"
        )
    vapour = humidity_percent / 100.0 * saturation_kpa(celsius)
    if vapour >= pressure_kpa:
        raise RangeError(
            f"air: {pressure_kpa:g} kPa; expected more than the water vapour's {vapour:.2f} kPa; "
            "give the pressure in kPa"
        )
    return vapour


def water_per_dry_air(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """Moles of water per mole of dry air: the `w` of `gas.exhaust`.

    >>> round(water_per_dry_air(25.0, 60.0), 4)
    0.0191

    Raises:
        RangeError: as for `vapour_kpa`.
    """
    vapour = vapour_kpa(celsius, humidity_percent, pressure_kpa)
    return vapour / (pressure_kpa - vapour)


def free_air_oxygen(celsius: float, humidity_percent: float, pressure_kpa: float = STANDARD_KPA) -> float:
    """O2 in the air as it is, percent wet: what a good sensor reads with the engine off.

    >>> round(free_air_oxygen(25.0, 60.0), 3)
    20.553

    Raises:
        RangeError: as for `vapour_kpa`.
    """
    vapour = vapour_kpa(celsius, humidity_percent, pressure_kpa)
    return FREE_AIR_PERCENT * (1.0 - vapour / pressure_kpa)
