"""Whether a signal can carry what it was chosen for: its unit and range against the quantity's.

DBC files write units as they like. Only a unit that is known and wrong is a mistake; one that is
unknown, or empty, is taken on trust.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from mixmon.messages.plan import SignalPlan
from mixmon.session.model import SignalChoice
from mixmon.session.signals import Quantity

_TO: Final[Mapping[str, Mapping[str, str]]] = {
    "lambda": {
        **dict.fromkeys(("afr", "a/f", "kg/kg", "g/g"), 'unit = "afr"'),
        **dict.fromkeys(("phi", "φ"), 'unit = "phi"'),
        **dict.fromkeys(("permille", "‰"), "scale = 0.001"),
        **dict.fromkeys(("%", "percent"), "scale = 0.01"),
    },
    "afr": dict.fromkeys(("lambda", "λ"), 'unit = "lambda"'),
    "phi": {
        **dict.fromkeys(("lambda", "λ"), 'unit = "lambda"'),
        **dict.fromkeys(("afr", "a/f", "kg/kg", "g/g"), 'unit = "afr"'),
    },
    "percent": dict.fromkeys(("permille", "‰"), "scale = 0.1"),
    "kPa": {
        **dict.fromkeys(("hpa", "mbar"), "scale = 0.1"),
        "bar": "scale = 100",
        "pa": "scale = 0.001",
        "mpa": "scale = 1000",
        **dict.fromkeys(("psi", "psia", "psig"), "scale = 6.894757"),  # NIST SP 811, appendix B.8
        "inhg": "scale = 3.386389",  # the same
    },
    "ms": {**dict.fromkeys(("us", "µs", "μs", "usec"), "scale = 0.001"), "s": "scale = 1000"},
    "degC": {
        **dict.fromkeys(("degf", "°f", "deg f", "f"), "scale = 0.555556, offset = -17.7778"),
        **dict.fromkeys(("k", "degk", "kelvin"), "offset = -273.15"),
    },
    "V": {"mv": "scale = 0.001"},
    "rpm": {**dict.fromkeys(("hz", "1/s", "rps"), "scale = 60"), "rad/s": "scale = 9.549297"},
}
"""By the unit that is read: units in other files, folded to lower case, and what turns them into it."""

_LEAST_AFR = 3.0
"""Ranges of air-fuel ratios start above this and end above it; those of lambda start below."""


def misread(choice: SignalChoice, signal: SignalPlan, quantity: Quantity) -> tuple[str, str] | None:
    """What was found and what was expected, where the signal cannot be what it was chosen for."""
    if quantity.claim:
        return _claim(choice, signal)
    if (choice.scale, choice.offset) != (1.0, 0.0):
        return None  # the user has looked at the unit and the range
    read = choice.unit or quantity.units[0]
    if remedy := _TO.get(read, {}).get(signal.unit.strip().casefold()):
        return f'{signal.name} in "{signal.unit}", read as {read}', remedy
    remedy = _out_of_range(read, signal)
    if remedy is None:
        return None
    return f"{signal.name} from {signal.minimum:g} to {signal.maximum:g}, read as {read}", remedy


def _out_of_range(read: str, signal: SignalPlan) -> str | None:
    """What turns the signal into the unit that is read, where its declared range belongs to another."""
    lowest, highest = signal.minimum, signal.maximum
    if lowest is None or highest is None:
        return None
    if read in {"lambda", "phi"} and lowest > _LEAST_AFR:
        return 'unit = "afr", or scale and offset'
    if read == "afr" and highest < _LEAST_AFR:
        return 'unit = "lambda" or "phi", or scale and offset'
    if read == "percent" and lowest >= 0 and highest <= 1:
        return "scale = 100"
    return None


def _claim(choice: SignalChoice, signal: SignalPlan) -> tuple[str, str] | None:
    """A claim must be told from other states, and the states must exist."""
    if choice.equals is None:
        states = [text for raw, text in signal.choices.items() if not _coded(raw, signal)]
        if len(states) > 2:
            found = f"{signal.name} with {len(states)} states ({', '.join(states)})"
            return found, "equals = [...] with the states that count as yes"
        return None
    for value in choice.equals:
        if not _sendable(value, signal):
            return f"{value:g}, which {signal.name} cannot be", _states(signal)
    return None


def _coded(raw: int, signal: SignalPlan) -> bool:
    """Whether the raw value is a code for having no value."""
    return any(low <= raw <= high for low, high in (*signal.not_available, *signal.error))


def _sendable(value: float, signal: SignalPlan) -> bool:
    if signal.is_float or not signal.scale:
        return True
    raw = (value - signal.offset) / signal.scale
    codes = 1 << signal.length
    lowest = -(codes // 2) if signal.signed else 0
    return lowest <= raw < lowest + codes


def _states(signal: SignalPlan) -> str:
    """The states that the signal can have."""
    if signal.choices:
        return "one of " + ", ".join(f"{raw} ({text})" for raw, text in signal.choices.items())
    return f"a value of {signal.length} bits"
