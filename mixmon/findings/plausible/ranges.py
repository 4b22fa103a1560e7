"""What each quantity can be in an engine on a dyno, and in which other units it may have been read.

The ranges are wide on purpose: idle, cranking, a cold start, a pull, high altitude and boost all lie within.
They are common practice, no source, unless a line names one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.messages.misread import RESCALINGS, Rescaling
from mixmon.session.keys import CHAIN_QUANTITIES, CYLINDER_QUANTITIES, ENGINE_QUANTITIES, Quantity

SELF_RUNNING_RPM: Final = 400.0
"""From here on an engine runs by itself: cranked it turns at 150 to 350 (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Possible:
    """What a quantity can be, in its own unit.

    can      outside it is another quantity or unit
    usual    outside it is unlikely, or a sensor that is open or shorted
    running  only samples count that came while the engine ran
    nonzero  zero means that there is none at the moment, and does not count
    strays   share of samples that may lie outside what can be: a sensor reads air in each cut of fuel
    """

    can: tuple[float, float]
    usual: tuple[float, float]
    running: bool = False
    nonzero: bool = False
    strays: float = 0.01  # our choice: single frames are faults of their own


POSSIBLE: Final[Mapping[str, Possible]] = {
    # Gas that burns in a spark-ignition engine is at 0.55 to 1.5; behind a cut a reading is at its limit.
    "lambda": Possible((0.4, 5.0), (0.55, 3.0), running=True, strays=0.5),  # lean burn: up to 2.5
    "target": Possible((0.4, 5.0), (0.6, 3.0), running=True),
    # From 12 % oxygen too little to 20.95 %, that of dry air (US Standard Atmosphere 1976).
    "oxygen": Possible((-20.0, 22.5), (-14.0, 22.0), running=True),
    "supply": Possible((4.0, 40.0), (6.0, 33.0), nonzero=True),
    "battery_v": Possible((4.0, 40.0), (6.0, 33.0), nonzero=True),  # 24 V systems on charge: 29
    "heater": Possible((-1.0, 105.0), (-1.0, 101.0)),
    "rpm": Possible((0.0, 22_000.0), (0.0, 16_000.0), nonzero=True),  # the smallest two-strokes: 20,000
    "throttle": Possible((-12.0, 112.0), (-6.0, 106.0)),
    "map_kpa": Possible((8.0, 600.0), (12.0, 450.0)),  # shut at speed: 15 to 20; boost of five bar: 600
    "pulse_ms": Possible((0.15, 80.0), (0.3, 40.0), running=True, nonzero=True),
    "coolant_c": Possible((-60.0, 180.0), (-38.0, 135.0)),  # an open sensor reads -40 in many controls
    "intake_c": Possible((-60.0, 200.0), (-38.0, 130.0)),
    "oil_c": Possible((-60.0, 220.0), (-38.0, 175.0)),
    # Sea level 101.3; 4,300 m: 59 (US Standard Atmosphere 1976, from memory).
    "baro_kpa": Possible((45.0, 115.0), (55.0, 107.0)),
    "fuel_pressure_kpa": Possible((20.0, 45_000.0), (100.0, 35_000.0), running=True),  # direct: 350 bar
    "exhaust_kpa": Possible((40.0, 1000.0), (50.0, 700.0)),
    "trim": Possible((-60.0, 80.0), (-50.0, 60.0)),
}
"""By quantity. What is not in it (counts, yes or no) has no range."""

_NATURAL_KPA: Final = (150.0, 115.0)
"""Most pressure in the intake without boost: it cannot, and it usually does not, exceed these.

Computed: 107 kPa at the lowest place on land, 8 % of a tuned intake's waves; half as much again cannot be.
"""

_FURTHER: Final[Mapping[str, tuple[Rescaling, ...]]] = {
    "lambda": (Rescaling(unit="afr"), Rescaling(0.001), Rescaling(0.01)),
    "oxygen": (Rescaling(100.0), Rescaling(0.1), Rescaling(0.0001)),
    "percent": (Rescaling(100.0), Rescaling(0.1), Rescaling(offset=-100.0)),
    "rpm": (Rescaling(0.25), Rescaling(4.0), Rescaling(9.549297), Rescaling(60.0), Rescaling(0.125)),
    "kPa": (Rescaling(0.1), Rescaling(100.0), Rescaling(6.894757), Rescaling(3.386389)),
    "ms": (Rescaling(0.001), Rescaling(0.01), Rescaling(0.1), Rescaling(1000.0)),
    "V": (Rescaling(0.001), Rescaling(0.1), Rescaling(0.01)),
}
"""Conversions that are tried first, as the unit of a signal mostly does not say which it is: our choice.

Steps of a quarter and an eighth of 1/min, and percent for lambda, are how controls like to send them.
"""

DISPLAY_AFR: Final = 14.7
"""The ratio of most displays (common practice, no source), where no fuel is declared."""


_EVERY_QUANTITY: Final = {**CHAIN_QUANTITIES, **ENGINE_QUANTITIES, **CYLINDER_QUANTITIES}
_OWN: Final = Quantity(("",))
"""In place of the quantity of an own channel, which may be anything."""


def quantity_named(name: str) -> Quantity:
    """The quantity of the session file of that name, or one without a unit."""
    return _EVERY_QUANTITY.get(name, _OWN)


def possible_range(name: str, *, natural: bool = False) -> Possible | None:
    """What the quantity can be; None where anything can.

    Args:
        name: a quantity of the session file.
        natural: the engine is known to have no boost.
    """
    found = POSSIBLE.get(name)
    if found is None or name != "map_kpa" or not natural:
        return found
    can, usual = _NATURAL_KPA
    return replace(found, can=(found.can[0], can), usual=(found.usual[0], usual))


def fitting_conversions(name: str, values: Floats, possible: Possible) -> tuple[Rescaling, ...]:
    """Conversions by which nearly all values would be usual ones of the quantity, the likeliest first.

    Args:
        name: a quantity of the session file.
        values: float64[k], as they were read.
        possible: its range.
    """
    unit = quantity_named(name).units[0]
    tried = dict.fromkeys((*_FURTHER.get(name, _FURTHER.get(unit, ())), *RESCALINGS.get(unit, {}).values()))
    return tuple(one for one in tried if fits(converted(values, one), possible))


def converted(values: Floats, by: Rescaling) -> Floats:
    """The values by a conversion; air-fuel ratios as those of most displays."""
    read = values * by.scale + by.offset
    if by.unit == "phi":
        with np.errstate(divide="ignore"):
            return 1.0 / read
    return read / DISPLAY_AFR if by.unit == "afr" else read


_NEARLY_ALL: Final = 0.95
"""Share of the values that must be usual. Our choice: the rest is a start, a cut, an open sensor."""


def fits(values: Floats, possible: Possible) -> bool:
    """Whether nearly all values are usual ones."""
    low, high = possible.usual
    return bool(len(values)) and float(np.mean((values >= low) & (values <= high))) >= min(
        _NEARLY_ALL, 1.0 - possible.strays
    )
