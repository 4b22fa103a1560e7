"""Whether a signal can carry what it was chosen for, by the unit and the range that its definition declares.

DBC files write units as they like. A unit that is known and is of something else, or of another size, is a
mistake; one that is unknown, or empty, is taken on trust as long as the declared range can be one of the
quantity. Whoever declares a scale or an offset knows both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from mixmon.messages.plan import SignalPlan
from mixmon.session.keys import Quantity
from mixmon.session.model import SignalChoice


@dataclass(frozen=True, slots=True)
class Rescaling:
    """How a number in another unit is read: the keys that stand beside a signal in the session file."""

    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None

    def __str__(self) -> str:
        keys = [] if self.scale == 1.0 else [f"scale = {self.scale:.7g}"]
        keys += [] if self.offset == 0.0 else [f"offset = {self.offset:g}"]
        keys += [] if self.unit is None else [f'unit = "{self.unit}"']
        return ", ".join(keys)


_AFR, _PHI, _LAMBDA = Rescaling(unit="afr"), Rescaling(unit="phi"), Rescaling(unit="lambda")

RESCALINGS: Final[Mapping[str, Mapping[str, Rescaling]]] = {
    "lambda": {
        **dict.fromkeys(("afr", "a/f", "kg/kg", "g/g"), _AFR),
        **dict.fromkeys(("phi", "φ"), _PHI),
        **dict.fromkeys(("permille", "‰"), Rescaling(0.001)),
        **dict.fromkeys(("%", "percent"), Rescaling(0.01)),
    },
    "afr": dict.fromkeys(("lambda", "λ"), _LAMBDA),
    "phi": {
        **dict.fromkeys(("lambda", "λ"), _LAMBDA),
        **dict.fromkeys(("afr", "a/f", "kg/kg", "g/g"), _AFR),
    },
    "percent": dict.fromkeys(("permille", "‰"), Rescaling(0.1)),
    "kPa": {
        **dict.fromkeys(("hpa", "mbar"), Rescaling(0.1)),
        "bar": Rescaling(100.0),
        "pa": Rescaling(0.001),
        "mpa": Rescaling(1000.0),
        **dict.fromkeys(("psi", "psia", "psig"), Rescaling(6.894757)),  # NIST SP 811, appendix B.8
        "inhg": Rescaling(3.386389),  # the same
        "mmhg": Rescaling(0.1333224),  # the same
    },
    "ms": {
        **dict.fromkeys(("us", "µs", "μs", "usec"), Rescaling(0.001)),
        **dict.fromkeys(("s", "sec"), Rescaling(1000.0)),
    },
    "degC": {
        **dict.fromkeys(("degf", "°f", "deg f", "f"), Rescaling(0.555556, -17.7778)),  # 5/9, -32 * 5/9
        **dict.fromkeys(("k", "degk", "kelvin"), Rescaling(offset=-273.15)),
    },
    "V": {"mv": Rescaling(0.001)},
    "rpm": {
        **dict.fromkeys(("hz", "1/s", "rps"), Rescaling(60.0)),
        "rad/s": Rescaling(9.549297),  # 30 / pi
    },
}
"""By the unit that is read: units as other files write them, in lower case, and the keys that convert them.

Factors are exact by definition of the unit, except where a source is named.
"""

_UNITS_OF: Final[Mapping[str, frozenset[str]]] = {
    "lambda": frozenset({"lambda", "λ"}),
    "phi": frozenset({"phi", "φ"}),
    "afr": frozenset({"afr", "a/f", "kg/kg", "g/g", "afr:1", ":1"}),
    "percent": frozenset({"%", "percent", "pct", "‰", "permille"}),
    "V": frozenset({"v", "mv", "volt", "volts"}),
    "rpm": frozenset(
        {"rpm", "1/min", "min-1", "u/min", "/min", "r/min", "rev/min", "rad/s", "1/s", "rps", "hz"}
    ),
    "kPa": frozenset({"kpa", "hpa", "mbar", "bar", "pa", "mpa", "psi", "psia", "psig", "inhg", "mmhg"}),
    "ms": frozenset({"ms", "msec", "s", "sec", "us", "usec", "µs", "μs"}),
    "degC": frozenset({"degc", "°c", "deg c", "c", "degf", "°f", "deg f", "f", "k", "degk", "kelvin"}),
    "speed": frozenset({"km/h", "kmh", "kph", "mph", "m/s", "mi/h"}),
    "angle": frozenset({"deg", "°", "degca", "°ca", "degcrk", "rad"}),
    "current": frozenset({"a", "ma", "µa", "μa"}),
    "torque": frozenset({"nm", "lbft", "ft-lb"}),
    "power": frozenset({"w", "kw", "hp", "ps"}),
    "mass": frozenset({"mg", "g", "kg", "mg/stk", "mg/str", "g/s", "kg/h", "mg/cyl"}),
    "length": frozenset({"mm", "m", "km", "cm"}),
    "volume": frozenset({"l", "ml", "cc", "mm3", "l/h"}),
    "resistance": frozenset({"ohm", "kohm", "ω"}),
}
"""Units as DBC files write them, in lower case, by the unit that is read or by what else they measure."""

_NEVER_A_COUNT = frozenset(_UNITS_OF) - {"rpm"}
"""What no number of resets is counted in."""

_AFR_FROM = 3.0
"""A declared range that starts above this is one of air-fuel ratios, one that ends below it is not.

Our choice: well above where a range of lambda or phi starts, well below where one of AFR ends.
"""

_LEAST_TOP: Final[Mapping[str, tuple[float, str]]] = {
    "rpm": (1000.0, "a signal in rpm, or scale"),
    "kPa": (20.0, "a signal in kPa, or scale: 100 from bar"),
}
"""The least upper end that a declared range can have, and what to do where it is less.

Our choice: no engine ends at 1000 rpm, as a road speed does; no pressure at an engine ends at 20 kPa, as one
in bar does.
"""

_MOST_TOP: Final[Mapping[str, tuple[float, str]]] = {
    "ms": (1000.0, "a signal in ms, or scale: 0.001 from microseconds"),
    "V": (1000.0, "a signal in V, or scale: 0.001 from millivolts"),
    "degC": (3000.0, "a signal in degC, or scale and offset"),
}
"""The highest upper end that a declared range can have where no unit is told.

Our choice: no injector opens for a second. With its unit a wide range is that of the bits: voltages of SAE
J1939 are declared from 0 to 3,212.75 V (SPN 168, from memory).
"""

_LEAST_KELVIN = 150.0
"""A declared range that starts above this is one of kelvins. Our choice: no engine starts that hot."""


def misread(choice: SignalChoice, signal: SignalPlan, quantity: Quantity) -> tuple[str, str] | None:
    """What was found and what was expected, where the signal cannot be what it was chosen for; else None."""
    if quantity.claim:
        return _misread_claim(choice, signal)
    read = choice.unit or quantity.units[0]
    if (choice.scale, choice.offset) != (1.0, 0.0):
        lacks_ends = quantity.sensed and choice.points is None and measured_by(signal) == "V"
        return _misread_volts(read, signal) if lacks_ends else None
    if conversion := rescaling_of(signal, read):
        return f'{signal.name} in "{signal.unit}", read as {read}', str(conversion)
    if (measured := measured_by(signal)) is not None and not _may_be(read, measured):
        expected = f"a signal in {read}, or scale and offset that make {read} of it"
        return f'{signal.name} in "{signal.unit}", read as {read}', expected
    remedy = _remedy_by_range(read, signal)
    if remedy is None:
        return None
    return f"{signal.name} from {signal.minimum:g} to {signal.maximum:g}, read as {read}", remedy


def _misread_volts(read: str, signal: SignalPlan) -> tuple[str, str]:
    """What is wrong with a reading from volts by a line without ends: they are limits, not values."""
    full = 5000 if _tidy_unit(signal) == "mv" else 5
    expected = f"points = [[0, {read} at 0], [{full}, {read} at {full}]], as the controller is set: its ends"
    return f'{signal.name} in "{signal.unit}", read as {read} by a line without ends', expected


def misread_channel(choice: SignalChoice, signal: SignalPlan) -> tuple[str, str] | None:
    """The same of an own channel: its unit is the definition's, or scale and offset make it another."""
    if choice.equals is not None:
        return _misread_claim(choice, signal)
    told, sent = _tidy(choice.unit or ""), _tidy_unit(signal)
    if not told or not sent or told == sent or (choice.scale, choice.offset) != (1.0, 0.0):
        return None
    if any({told, sent} <= alike for alike in _SAME_UNIT):
        return None
    known = RESCALINGS.get(choice.unit or "", {}).get(sent)
    remedy = str(known) if known else f"scale and offset that make {choice.unit} of it"
    return f'{signal.name} in "{signal.unit}", read as {choice.unit}', f'unit = "{signal.unit}", or {remedy}'


_SAME_UNIT: Final = (
    frozenset({"degc", "°c", "deg c", "c"}),
    frozenset({"degf", "°f", "deg f", "f"}),
    frozenset({"k", "degk", "kelvin"}),
    frozenset({"%", "percent", "pct"}),
    frozenset({"v", "volt", "volts"}),
    frozenset({"rpm", "1/min", "min-1", "u/min", "/min", "r/min", "rev/min"}),
    frozenset({"km/h", "kmh", "kph"}),
    frozenset({"ms", "msec"}),
    frozenset({"s", "sec"}),
    frozenset({"lbft", "ft-lb", "lb-ft", "lbf ft", "ft lb"}),
    frozenset({"lambda", "λ"}),
    frozenset({"count", "counts", "-", "1"}),
)
"""Spellings of one unit, in lower case."""


def _tidy(unit: str) -> str:
    """A unit in lower case, without the brackets that some files put around it."""
    return unit.strip().strip("[]").strip().casefold()


def rescaling_of(signal: SignalPlan, read: str) -> Rescaling | None:
    """How the signal is read as that unit, where its own is known and another one of the same; else None."""
    return RESCALINGS.get(read, {}).get(_tidy_unit(signal))


def _tidy_unit(signal: SignalPlan) -> str:
    return _tidy(signal.unit)


def measured_by(signal: SignalPlan) -> str | None:
    """What the unit of a signal measures, as a key of `_UNITS_OF`; None where it is not known."""
    unit = _tidy_unit(signal)
    return next((measured for measured, units in _UNITS_OF.items() if unit in units), None)


def _may_be(read: str, measured: str) -> bool:
    """Whether a signal that measures the one may be read as the other."""
    return measured not in _NEVER_A_COUNT if read == "count" else measured == read


def _remedy_by_range(read: str, signal: SignalPlan) -> str | None:
    """The keys that convert the signal, where its declared range is that of another unit; else None."""
    lowest, highest = signal.minimum, signal.maximum
    if lowest is None or highest is None:
        return None
    if read in {"lambda", "phi"} and lowest > _AFR_FROM:
        return 'unit = "afr", or scale and offset'
    if read == "afr" and highest < _AFR_FROM:
        return 'unit = "lambda" or "phi", or scale and offset'
    if read == "percent" and lowest >= 0 and highest <= 1:
        return "scale = 100"
    if read == "degC" and lowest > _LEAST_KELVIN:
        return "offset = -273.15, or scale and offset"
    return _remedy_by_top(read, highest, signal)


def _remedy_by_top(read: str, highest: float, signal: SignalPlan) -> str | None:
    least, remedy = _LEAST_TOP.get(read, (0.0, ""))
    if 0 < highest < least:
        return remedy
    most, remedy = _MOST_TOP.get(read, (highest, ""))
    return remedy if highest > most and measured_by(signal) is None else None


def _misread_claim(choice: SignalChoice, signal: SignalPlan) -> tuple[str, str] | None:
    """The same of a claim (yes or no): it needs to know which states mean yes, and these must exist."""
    if choice.equals is None:
        states = [text for raw, text in signal.choices.items() if not _is_code(raw, signal)]
        if len(states) > 2:  # with two, any value but 0 means yes
            found = f"{signal.name} with {len(states)} states ({', '.join(states)})"
            return found, "equals = [...] with the states that count as yes"
        return None if states else _misread_number(signal)
    for value in choice.equals:
        if not _is_sendable(value, signal):
            return f"{value:g}, which {signal.name} cannot be", _describe_states(signal)
    return None


def _misread_number(signal: SignalPlan) -> tuple[str, str] | None:
    """A measured number that was chosen for yes or no, by its unit or by the steps in which it is sent."""
    expected = "a signal that is 0 for no, or equals = [...] with the values that count as yes"
    if measured_by(signal) is not None:
        return f'{signal.name} in "{signal.unit}", read as yes or no', expected
    if signal.is_float or signal.offset != 0 or not float(signal.scale).is_integer():
        return (
            f"{signal.name} in steps of {signal.scale:g} from {signal.offset:g}, read as yes or no",
            expected,
        )
    return None


def _is_code(raw: int, signal: SignalPlan) -> bool:
    """Whether the raw value says "not available" or "error"."""
    return any(low <= raw <= high for low, high in (*signal.not_available, *signal.error))


def _is_sendable(value: float, signal: SignalPlan) -> bool:
    """Whether the signal's bits can say the value."""
    if signal.is_float or not signal.scale:
        return True
    raw = (value - signal.offset) / signal.scale
    codes = 1 << signal.length
    lowest = -(codes // 2) if signal.signed else 0
    return lowest <= raw < lowest + codes


def _describe_states(signal: SignalPlan) -> str:
    """The states that the signal can have."""
    if signal.choices:
        return "one of " + ", ".join(f"{raw} ({text})" for raw, text in signal.choices.items())
    return f"a value of {signal.length} bits"
