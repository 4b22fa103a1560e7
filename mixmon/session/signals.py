"""Which signal carries which quantity: the words of the file, and their reading into SignalChoice.

A signal is written `BUS/Message.Signal`, or `Message.Signal` inside the chain, where the bus is
the chain's; or as a table that adds how its number is to be read.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from mixmon.session.model import SignalChoice
from mixmon.session.schema import Either, Kind, Number, Report, Row, Table, Text

CLAIM: Final = "yes or no"


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a quantity is counted in. The first unit holds where the file names none."""

    units: tuple[str, ...]

    @property
    def claim(self) -> bool:
        """Whether it is true or false rather than a number."""
        return self.units == (CLAIM,)


_MIXTURE = Quantity(("lambda", "phi", "afr"))
_CLAIM = Quantity((CLAIM,))

CHAIN: Final[Mapping[str, Quantity]] = {
    "lambda": _MIXTURE,
    "oxygen": Quantity(("percent",)),
    "ready": _CLAIM,
    "supply": Quantity(("V",)),
    "heater": Quantity(("percent",)),
    "resets": Quantity(("count",)),
}
"""What a node of the chain can tell. Lambda or oxygen is needed, the rest is welcome."""

ENGINE: Final[Mapping[str, Quantity]] = {
    "rpm": Quantity(("rpm",)),
    "throttle": Quantity(("percent",)),
    "map_kpa": Quantity(("kPa",)),
    "target": _MIXTURE,
    "pulse_ms": Quantity(("ms",)),
    "coolant_c": Quantity(("degC",)),
    "fuel_cut": _CLAIM,
    "spark_cut": _CLAIM,
    "closed_loop": _CLAIM,
    "intake_c": Quantity(("degC",)),
    "oil_c": Quantity(("degC",)),
    "baro_kpa": Quantity(("kPa",)),
    "fuel_pressure_kpa": Quantity(("kPa",)),
    "battery_v": Quantity(("V",)),
    "exhaust_kpa": Quantity(("kPa",)),
}
"""What the engine's own bus can tell."""

ENGINE_STATES: Final[Mapping[str, tuple[str, ...]]] = {"tip_in": ("throttle", "map_kpa")}
"""States that alarm conditions may name beside the signals, each with the signals of which one tells it."""

SHIPPED_DATABASE: Final = "mixture_chain.dbc"
"""Definitions of the project's own chain, for which the patterns below hold."""

SHIPPED_PATTERNS: Final[Mapping[str, Any]] = {
    "lambda": "Mix{position:02d}_Fast.Lambda",
    "oxygen": "Mix{position:02d}_Fast.OxygenBalance",
    "ready": {"signal": "Mix{position:02d}_Fast.State", "equals": (3.0,)},
    "supply": "Mix{position:02d}_State.Supply",
    "heater": "Mix{position:02d}_State.HeaterDuty",
    "resets": "Mix{position:02d}_State.ResetCount",
}

_WRITTEN = re.compile(r"(?:(?P<bus>[^/]+)/)?(?P<message>[^./]+)\.(?P<signal>[^./]+)")
_PLACE = re.compile(r"(0?[1-9])?[dxX]?")


def signal_kind(quantity: Quantity) -> Kind:
    """How a signal for `quantity` may be written."""
    text = Text(what='a signal such as "Message.Signal"')
    keys: dict[str, Kind] = {
        "signal": text,
        "scale": Number(),
        "offset": Number(),
        "unit": Text(quantity.units),
        "equals": Either((Number(), Row(Number()))),
    }
    return Either((text, Table(keys, ("signal",), what="a table with signal, scale, offset, unit, equals")))


def read_choice(
    written: Any, quantity: Quantity, where: str, report: Report, bus: str | None = None
) -> SignalChoice | None:
    """The choice that a checked value makes; None after a report.

    With `bus`, the signal belongs to a node of the chain: no bus is written, and `{position}`
    stands for the node's place.
    """
    table: Mapping[str, Any] = {"signal": written} if isinstance(written, str) else written
    text = table.get("signal")
    if text is None or not _fits(table, quantity, where, report):
        return None
    match = _WRITTEN.fullmatch(text)
    expected = '"Message.Signal"' if bus is not None else '"BUS/Message.Signal"'
    if match is None or (match["bus"] is None) != (bus is not None):
        report(where, f'"{text}"', expected)
        return None
    if wrong := _misplaced(text, patterned=bus is not None):
        report(where, f'"{text}"', wrong)
        return None
    equals = table.get("equals")
    return SignalChoice(
        bus=bus or match["bus"],
        message=match["message"],
        signal=match["signal"],
        scale=table.get("scale", 1.0),
        offset=table.get("offset", 0.0),
        unit=None if quantity.claim else table.get("unit", quantity.units[0]),
        equals=(equals,) if isinstance(equals, float) else equals,
    )


def _fits(table: Mapping[str, Any], quantity: Quantity, where: str, report: Report) -> bool:
    """Whether the table's other keys mean something for the quantity."""
    good = True
    if "equals" in table and not quantity.claim:
        report(f"{where}.equals", "equals on a number", "equals only where the answer is yes or no")
        good = False
    if table.get("scale") == 0:
        report(f"{where}.scale", "0", "a scale other than 0")
        good = False
    return good


def _misplaced(text: str, *, patterned: bool) -> str | None:
    """What was expected of the braces in a name, None where they are right."""
    try:
        fields = [part[1:] for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError:
        return "braces only as {position} or {position:02d}"
    if fields and not patterned:
        return "a name without braces: only the chain's signals have places"
    if all(name == "position" and not turn and _PLACE.fullmatch(spec or "") for name, spec, turn in fields):
        return None
    return "braces only as {position} or {position:02d}"
