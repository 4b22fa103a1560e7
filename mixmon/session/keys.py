"""Every key of the session file with its kind and range, in the order of the file.

First the quantities that signals carry and how a signal is written, then the tables of keys. Ranges are
wide: they catch a wrong unit or a wrong digit, not an unusual engine; they are common practice, no source.
What one key asks of another is in `checks`; the kinds of alarm are in `alarm_kinds`.
"""

from __future__ import annotations

import re
import string
from collections import ChainMap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from mixmon.session.alarm_kinds import ALARM_KINDS
from mixmon.session.model import FROM_LEDGER, OwnChannel, SignalChoice
from mixmon.session.schema import (
    Boolean,
    Either,
    MistakeReport,
    Number,
    Row,
    Table,
    Tables,
    Text,
    ValueKind,
    dotted,
)

# ----------------------------------------------------------------------------------------------------
# Quantities, and the signals that carry them.
#
# A signal is written `BUS/Message.Signal`, or `Message.Signal` inside the chain, where the bus is the
# chain's; or as a table that adds how its number is read.
# ----------------------------------------------------------------------------------------------------

CLAIM_UNIT: Final = "yes or no"


@dataclass(frozen=True, slots=True)
class Quantity:
    """The units in which a quantity may be written. The first one holds where the file names none.

    of_cylinder  each cylinder has its own, and its name holds `{cylinder}`
    sensed       what a sensor in the exhaust reads, over a range that ends
    """

    units: tuple[str, ...]
    of_cylinder: bool = False
    sensed: bool = False

    @property
    def claim(self) -> bool:
        """Whether it is true or false rather than a number."""
        return self.units == (CLAIM_UNIT,)


_AS_MIXTURE = Quantity(("lambda", "phi", "afr"))
_YES_OR_NO = Quantity((CLAIM_UNIT,))

CHAIN_QUANTITIES: Final[Mapping[str, Quantity]] = {
    "lambda": Quantity(_AS_MIXTURE.units, sensed=True),
    "oxygen": Quantity(("percent",), sensed=True),
    "ready": _YES_OR_NO,
    "supply": Quantity(("V",)),
    "heater": Quantity(("percent",)),
    "resets": Quantity(("count",)),
    "over_temperature": _YES_OR_NO,
}
"""The quantities of a node. Lambda or oxygen is needed, the others are optional."""

ENGINE_QUANTITIES: Final[dict[str, Quantity]] = {
    "rpm": Quantity(("rpm",)),
    "throttle": Quantity(("percent",)),
    "map_kpa": Quantity(("kPa",)),
    "target": _AS_MIXTURE,
    "pulse_ms": Quantity(("ms",)),
    "coolant_c": Quantity(("degC",)),
    "fuel_cut": _YES_OR_NO,
    "spark_cut": _YES_OR_NO,
    "closed_loop": _YES_OR_NO,
    "intake_c": Quantity(("degC",)),
    "oil_c": Quantity(("degC",)),
    "baro_kpa": Quantity(("kPa",)),
    "fuel_pressure_kpa": Quantity(("kPa",)),
    "battery_v": Quantity(("V",)),
    "exhaust_kpa": Quantity(("kPa",)),
}
"""The quantities of the engine."""

CYLINDER_QUANTITIES: Final[dict[str, Quantity]] = {"trim": Quantity(("percent",), of_cylinder=True)}
"""The quantities that the engine control has for each cylinder."""


def trim_quantity(cylinder: int) -> str:
    """The name of the trim of one cylinder among the engine's quantities.

    >>> trim_quantity(3)
    'trim03'
    """
    return f"trim{cylinder:02d}"


ENGINE_STATES: Final[Mapping[str, tuple[str, ...]]] = {"tip_in": ("throttle", "map_kpa")}
"""States that alarm conditions may name beside the signals, each with the signals of which one is needed."""

OPERATING_POINT: Final = ("rpm", "load", "throttle", "map_kpa", "target")
"""Engine quantities that say at which point the engine runs, and what mixture is asked for there."""

SHIPPED_DATABASE: Final = "mixture_chain.dbc"
"""Definitions of the project's own chain, for which the patterns below hold."""

SHIPPED_PATTERNS: Final[Mapping[str, Any]] = {
    "lambda": "Mix{position:02d}_Fast.Lambda",
    "oxygen": "Mix{position:02d}_Fast.OxygenBalance",
    "ready": {"signal": "Mix{position:02d}_Fast.State", "equals": (3.0,)},
    "supply": "Mix{position:02d}_State.Supply",
    "heater": "Mix{position:02d}_State.HeaterDuty",
    "resets": "Mix{position:02d}_State.ResetCount",
    "over_temperature": "Mix{position:02d}_State.OverTemperature",
}

_SIGNAL_NAME = re.compile(r"(?:(?P<bus>[^/]+)/)?(?P<message>[^./]+)\.(?P<signal>[^./]+)")
_PLACE_FORMAT = re.compile(r"(0?[1-9])?[dxX]?")


_LINE_POINTS: Final = Row(Row(Number()))

EXPECTED_POINTS: Final = "two points of decoded value and value, such as [[0, 0.68], [5, 1.36]]"


def signal_kind(quantity: Quantity) -> ValueKind:
    """How a signal for `quantity` may be written."""
    text = Text(what='a signal such as "Message.Signal"')
    keys: dict[str, ValueKind] = {
        "signal": text,
        "scale": Number(),
        "offset": Number(),
        "points": _LINE_POINTS,
        "unit": Text(quantity.units),
        "equals": Either((Number(), Row(Number()))),
    }
    what = "a table with signal, scale, offset, points, unit, equals"
    return Either((text, Table(keys, ("signal",), what=what)))


def read_choice(
    written: Any, quantity: Quantity, where: str, report: MistakeReport, bus: str | None = None
) -> SignalChoice | None:
    """The signal that a checked value chooses; None after a report.

    With `bus`, the signal belongs to a node of the chain: no bus is written, and `{position}`
    stands for the node's place. A quantity of each cylinder has `{cylinder}` in its name.
    """
    table: Mapping[str, Any] = {"signal": written} if isinstance(written, str) else written
    text = table.get("signal")
    if text is None or not _is_meaningful(table, quantity, where, report):
        return None
    match = _SIGNAL_NAME.fullmatch(text)
    expected = '"Message.Signal"' if bus is not None else '"BUS/Message.Signal"'
    if match is None or (match["bus"] is None) != (bus is not None):
        report(where, f'"{text}"', expected)
        return None
    place = "position" if bus is not None else "cylinder" if quantity.of_cylinder else None
    if wrong := _expected_of_braces(text, place):
        report(where, f'"{text}"', wrong)
        return None
    equals, points = table.get("equals"), table.get("points")
    scale, offset = (table.get("scale", 1.0), table.get("offset", 0.0)) if points is None else _line(points)
    return SignalChoice(
        bus=bus or match["bus"],
        message=match["message"],
        signal=match["signal"],
        scale=scale,
        offset=offset,
        points=points,
        unit=None if quantity.claim else table.get("unit", quantity.units[0]),
        equals=(equals,) if isinstance(equals, float) else equals,
    )


CHANNEL_KIND: Final[ValueKind] = Either(
    (
        Text(what='a signal such as "BUS/Message.Signal"'),
        Table(
            {
                "signal": Text(what='a signal such as "BUS/Message.Signal"'),
                "scale": Number(),
                "offset": Number(),
                "points": _LINE_POINTS,
                "unit": Text(what="a unit, such as degC", one_line=True),
                "equals": Either((Number(), Row(Number()))),
                "range": Row(Number()),
                "age_s": Number(0, 3600, "s", above=True),
            },
            ("signal",),
            what="a table with signal, scale, offset, points, unit, equals, range, age_s",
        ),
    )
)
"""How an own channel may be written."""


def read_channel(written: Any, where: str, report: MistakeReport) -> OwnChannel | None:
    """The own channel that a checked value describes; None after a report."""
    table: Mapping[str, Any] = {"signal": written} if isinstance(written, str) else written
    quantity = _YES_OR_NO if "equals" in table else Quantity(("",))
    choice = read_choice(table, quantity, where, report)
    ends = table.get("range")
    if ends is not None and not (len(ends) == 2 and ends[0] < ends[1]):
        report(f"{where}.range", str(list(ends)), "the least and the largest value, such as [0, 1100]")
        return None
    return None if choice is None else OwnChannel(choice, ends, table.get("age_s"))


def _is_meaningful(table: Mapping[str, Any], quantity: Quantity, where: str, report: MistakeReport) -> bool:
    """Whether the other keys of a signal's table fit the quantity; reports those that do not."""
    good = True
    if "equals" in table and not quantity.claim:
        report(f"{where}.equals", "equals on a number", "equals only where the answer is yes or no")
        good = False
    if table.get("scale") == 0:
        report(f"{where}.scale", "0", "a scale other than 0")
        good = False
    if "points" in table:
        good &= _are_points(table, where, report)
    return good


def _are_points(table: Mapping[str, Any], where: str, report: MistakeReport) -> bool:
    """Whether the points of a signal's table are two, apart, and alone; reports what they are not."""
    points = table["points"]
    beside = [key for key in ("scale", "offset", "equals") if key in table]
    if beside:
        report(f"{where}.points", f"points beside {' and '.join(beside)}", "points, or the others")
    elif [len(point) for point in points] != [2, 2]:
        report(f"{where}.points", str([list(point) for point in points]), EXPECTED_POINTS)
    elif any(first == second for first, second in zip(*points, strict=True)):
        report(f"{where}.points", str([list(p) for p in points]), "two points that differ in both numbers")
    else:
        return True
    return False


def _line(points: tuple[tuple[float, float], tuple[float, float]]) -> tuple[float, float]:
    """Scale and offset of the line through two points."""
    (x, y), (end_x, end_y) = points
    scale = (end_y - y) / (end_x - x)
    return scale, y - scale * x


def _expected_of_braces(text: str, place: str | None) -> str | None:
    """What was expected of the braces in a name, None where they are right.

    place: what they may stand for; each cylinder's own signal must have them.
    """
    expected = f"braces only as {{{place}}} or {{{place}:02d}}"
    try:
        fields = [part[1:] for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError:
        return expected if place else "braces only as {position} or {position:02d}"
    if fields and not place:
        return "a name without braces: only the chain's signals have places"
    if not fields and place == "cylinder":
        return "a name with {cylinder} or {cylinder:02d}, as each cylinder has its own"
    good = all(
        name == place and not turn and _PLACE_FORMAT.fullmatch(spec or "") for name, spec, turn in fields
    )
    return None if good else expected


# ----------------------------------------------------------------------------------------------------
# The tables of keys.
# ----------------------------------------------------------------------------------------------------

SESSION_FORMAT: Final = 1
"""The version of the file's keys that this program reads."""

MOST_CYLINDERS: Final = 16
"""Our choice: the chain has sixteen identifiers and the screens sixteen columns."""

_place = Number(1, MOST_CYLINDERS, whole=True)
_places = Row(_place)
_rpm = Number(0, 30_000, "rpm", above=True)
_load = Number(0, 1000, "% or kPa")
_percent = Number(0, 100, "%")
_lambda = Number(0.3, 10, "lambda")
_delay = Number(0, 60, "s")

_ENGINE = Table(
    {
        "cylinders": _place,
        "displacement_l": Number(0, 100, "litres", above=True),
        "strokes": Number(2, 4, whole=True),
        "firing_order": _places,
        "firing_angles_deg": Row(Number(0, 720, "degrees")),
        "aspiration": Text(("natural", "turbine", "blower")),
        "throttles": Text(("single", "one per cylinder", "other")),
        "charge_share": Row(Number(0, 1000, "parts of the air", above=True)),
        "target_offset_percent": Row(Number(-20, 20, "% of lambda")),
        "banks": Table(others=_places, what="bank names with their cylinders, such as A = [1, 2]"),
        "shared_ports": Row(_places),
    },
    ("cylinders",),
    what="a table [engine] with at least cylinders",
)

_INJECTION = Table(
    {
        "timing": Text(("sequential", "paired", "batch")),
        "dead_time_ms": Number(0, 10, "ms"),
        "staging": Table(
            {"rpm_above": _rpm, "load_above": _load},
            what="a table with rpm_above, load_above or both, such as { rpm_above = 5000 }",
        ),
        "fuel_rails": Row(_places),
        "output_order": _places,
    }
)

_distance = Number(50, 3000, "mm")  # a port alone is longer than 50 mm
_EXHAUST = Table(
    {
        "primary_bore_mm": Number(10, 150, "mm"),
        "sensor_distance_mm": Either((_distance, Row(_distance))),
        "sensor_angle_deg": Number(-90, 90, "degrees above horizontal"),
        "before_turbine": Boolean(),
        "after_merge": Boolean(),
    }
)

_atoms = Number(0, 200)
_FUEL = Table(
    {
        "name": Text(what="the name of a fuel"),
        "parts": Table(others=Number(0, 1), what="fuel names with their parts by volume"),
        "atoms": Table(
            {"c": _atoms, "h": _atoms, "o": _atoms, "n": _atoms}, what="atoms in a molecule: c, h, o, n"
        ),
        "stoich_afr": Number(1, 40, "kg air per kg fuel"),
        "leaded": Boolean(),
    }
)

_bar = Number(0, 10, "bar absolute", above=True)
_SENSORS = Table(
    {
        "curve": Text(what="the name of the fuel for which the controllers compute lambda"),
        "pressure_k_bar": Number(0, 100, "bar"),
        "pressure_bar": _bar,
        "reference_bar": _bar,
        "bias_percent": Number(0, 20, "% of lambda"),
        "known_bias": Either(
            (
                Text((FROM_LEDGER,)),
                Table(
                    others=Row(Number(-20, 20, "% of lambda")),
                    what='"ledger", or serials with bias and half interval, such as { "S-1" = [0.6, 0.3] }',
                ),
            )
        ),
    }
)

_database = Text(what="a DBC file")
_BUS = Table(
    {
        "name": Text(what="a name for the bus"),
        "log_channel": Text(what='an interface name as in the log, or "*"'),
        "interface": Text(what="an interface kind such as socketcan"),
        "channel": Text(what="a channel of the interface, as text"),
        "bitrate": Number(5_000, 1_000_000, "bit/s", whole=True),
        "role": Text(("acknowledge", "listen")),
        "match": Text(("identifier", "pgn")),
        "j1939_codes": Boolean(),
        "database": Either((_database, Row(_database))),
    },
    ("name",),
    what="a table [[bus]] with at least a name",
)

_node_signals = Table({name: signal_kind(quantity) for name, quantity in CHAIN_QUANTITIES.items()})
_NODE = Table(
    {
        "position": _place,
        "cylinder": Either((_place, _places)),
        "sensor": Text(what="the sensor's serial number, as one line of text", one_line=True),
        "signals": _node_signals,
    },
    ("position", "cylinder"),
    what="a table [[chain.node]] with position and cylinder",
)
_CHAIN_TABLE = Table(
    {
        "bus": Text(what="the name of a bus"),
        "signals": _node_signals,
        "node": Tables(_NODE),
        "without_sensor": _places,
    },
    what="a table [chain]",
)

_AXES = Table(
    {
        "rpm": Row(_rpm),
        "load_signal": Text(("throttle", "map_kpa")),
        "load": Row(_load),
    }
)

_TARGETS = Table(
    {"lambda": Row(Row(Number(0.5, 2, "lambda")))},
    ("lambda",),
)

_VALIDITY = Table(
    {
        "stale_s": Number(0, 60, "s", above=True),
        "settle_s": _delay,
        "rich_limit": _lambda,
        "lean_limit": _lambda,
        "rpm_band": Number(0, 2000, "rpm", above=True),
        "load_band": Number(0, 100, "% or kPa", above=True),
        "warm_coolant_c": Number(-40, 150, "degC"),
        "low_flow_mask": Table({"rpm_below": _rpm, "load_below": _load}, ("rpm_below", "load_below")),
        "overrun": Table({"throttle_below": _percent, "rpm_above": _rpm}, ("throttle_below", "rpm_above")),
    }
)

_trim = Number(-90, 100, "%")
_TRIMS = Table(
    {
        "step_percent": Number(0, 10, "%", above=True),
        "lowest_percent": _trim,
        "highest_percent": _trim,
        "now_percent": Row(_trim),
        "ask_above_percent": Number(0, 100, "%", above=True),
        "load_from": _load,
        "join_by_target": Boolean(),
        "identity": Text(("required", "stated")),
        "identity_by": Text(what="the name of who vouches for the labels"),
        "identity_reason": Text(what="why the labels are right without a proof"),
        "shape": Text(("cylinder", "bank", "map")),
        "map_rpm": Row(_rpm),
        "map_load": Row(_load),
        "map_now_percent": Table(others=Row(Row(_trim)), what="cylinders with their rows of trims by load"),
        "bank_now_percent": Table(others=_trim, what="bank names with their trims, such as A = 0.5"),
    }
)

_BEFORE_LIMIT: dict[str, ValueKind] = {
    "name": Text(what="a name for the alarm"),
    "priority": Number(1, 3, whole=True),
    "when": Text(what="a condition such as throttle > 60"),
}
_AFTER_LIMIT: dict[str, ValueKind] = {
    "on_delay_s": _delay,
    "off_delay_s": _delay,
    "re_alarm_s": Number(1, 86_400, "s"),
    "dead_band": Number(0, 100),
    "latching": Boolean(),
    "suppress_when": Text(what="a condition such as fuel_cut"),
    "cause": Text(),
    "consequence": Text(),
    "response": Text(),
}
_ALARM = Table(
    # A view, not a copy: the keys of limits are those that the table of kinds has when a file is read.
    # ChainMap lists the last map first.
    ChainMap(_AFTER_LIMIT, cast("dict[str, ValueKind]", ALARM_KINDS), _BEFORE_LIMIT),
    ("name", "priority"),
    what="a table [[limits.alarm]] with name, priority and one limit",
)
OWN_ALARM: Final = Table(_BEFORE_LIMIT | {"limit": Number()} | _AFTER_LIMIT, ("name", "priority", "limit"))
"""The keys of an alarm whose value a function computes."""

SESSION_TABLE: Final = Table(
    {
        "format": Number(SESSION_FORMAT, SESSION_FORMAT, whole=True),
        "name": Text(what="a name for the session"),
        "engine": _ENGINE,
        "injection": _INJECTION,
        "exhaust": _EXHAUST,
        "fuel": _FUEL,
        "sensors": _SENSORS,
        "bus": Tables(_BUS),
        "chain": _CHAIN_TABLE,
        "engine_signals": Table(
            {
                name: signal_kind(quantity)
                for name, quantity in (ENGINE_QUANTITIES | CYLINDER_QUANTITIES).items()
            }
        ),
        "channels": Table(others=CHANNEL_KIND, what="names of your own, each with its signal"),
        "axes": _AXES,
        "targets": _TARGETS,
        "validity": _VALIDITY,
        "trims": _TRIMS,
        "limits": Table({"source": Text(), "alarm": Tables(_ALARM)}),
        "recording": Table(
            {"folder": Text(what="a folder"), "pre_trigger_s": Number(0, 3600, "s")},
        ),
    },
    ("engine", "chain"),
)
"""The whole file."""


def places_of(name: str) -> tuple[str, ...]:
    """Where the file may have a key of that name: the tables' keys with their paths.

    >>> places_of("stale_s")
    ('validity.stale_s',)
    """
    return tuple(path for path in _every_path(SESSION_TABLE, "") if path.rpartition(".")[2] == name)


def _every_path(kind: object, path: str) -> Iterator[str]:
    """The paths of all keys inside a kind of value."""
    match kind:
        case Table(keys=keys):
            for name, inner in keys.items():
                yield dotted(path, name)
                yield from _every_path(inner, dotted(path, name))
        case Tables(table=inner) | Row(of=inner):
            yield from _every_path(inner, path)
        case Either(kinds=kinds):
            for one in kinds:
                yield from _every_path(one, path)
