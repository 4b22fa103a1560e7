"""The project's own message layer: sixteen sensor nodes and an engine bus, from one table.

Each message is a list of fields in wire order; start bits follow from the lengths, so that
fields cannot overlap and no bit number is written by hand. Everything else (the DBC files,
the decoder, the simulator) is made from the plans that this module gives.

Rules of the layer:

- little-endian, unsigned, 11-bit identifiers, at most eight bytes a frame;
- raw all-ones is "not available", all-ones less one is "error", in every field but counter
  and checksum (after the habit of SAE J1939; yes/no fields are two bits wide to have both);
- protected messages end with a 4-bit rolling counter and a checksum byte, CRC-8 of SAE J1850
  over the bytes before it.

The reasons for identifiers, scalings and order are in dbc/README.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path

from mixmon.messages.plan import MessagePlan, Protection, SignalPlan, top_two

NODES = 16
"""Most nodes that one chain can have. Our choice: one hexadecimal digit of the identifier."""

CHAIN_FILE = "mixture_chain.dbc"
ENGINE_FILE = "engine_bus.dbc"

FAST_ID = 0x2A0
STATE_ID = 0x4A0
IDENTITY_ID = 0x6A0
"""First identifiers of the three kinds of node frames: the node at position p sends first + p - 1.

Our choice; the reasons are in dbc/README.md.
"""

ENGINE_FAST_ID = 0x1B3
ENGINE_FUEL_ID = 0x1B5
ENGINE_SLOW_ID = 0x3B9
TRIM_ID = 0x5B0
"""Identifiers of the engine bus; the trim of cylinder c has the last one + c - 1.

Our choice; the reasons are in dbc/README.md.
"""


class NodeState(IntEnum):
    """Raw values of a node's `State`. Readings in any state but READY are excluded."""

    OFF = 0
    HEATING = 1
    SETTLING = 2
    READY = 3
    AIR_CALIBRATION = 4
    HEATER_FAULT = 5
    ELEMENT_FAULT = 6
    SUPPLY_LOW = 7


@dataclass(frozen=True, slots=True)
class _ChainField:
    """One row of the table: a signal without its place, which follows from the rows before it."""

    name: str
    length: int
    comment: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    minimum: float = 0.0
    maximum: float = 0.0
    choices: Mapping[int, str] = field(default_factory=dict)
    coded: bool = True


@dataclass(frozen=True, slots=True)
class _ChainMessage:
    """One kind of message: its fields in wire order. Protected ones gain counter and checksum."""

    name: str
    can_id: int
    cycle_ms: int
    comment: str
    fields: tuple[_ChainField, ...]
    protected: bool = True


def _flag_field(name: str, comment: str) -> _ChainField:
    """A field of two bits: no, yes, error, not available."""
    choices = {0: "no", 1: "yes", 2: "error", 3: "not available"}
    return _ChainField(name, 2, comment, unit="flag", maximum=1, choices=choices)


_STATES = {s.value: s.name.lower().replace("_", " ") for s in NodeState}
_COUNTER_FIELD = _ChainField(
    "Counter",
    4,
    "Rises by one with every frame of this message, modulo 16",
    unit="count",
    maximum=15,
    coded=False,
)
_CHECKSUM_FIELD = _ChainField(
    "Checksum", 8, "CRC-8 of SAE J1850 over all bytes before this one", unit="code", maximum=255, coded=False
)
_LAMBDA_SCALING = (0.00025, 0.3, "lambda", 0.3, 16.5)
"""Scale, offset, unit, minimum and maximum of every lambda.

Our choice, as all scalings of the layer: see dbc/README.md.
"""

_FAST_MESSAGE = _ChainMessage(
    "Fast",
    FAST_ID,
    10,
    "The reading of one sensor",
    (
        _ChainField(
            "OxygenBalance",
            16,
            "Oxygen less what the unburnt gas can use, wet, negative when rich; what the element measures",
            *(0.002, -65.0, "%", -60.0, 60.0),
        ),
        _ChainField(
            "Lambda", 16, "Air-fuel ratio over stoichiometric, worked out by the controller", *_LAMBDA_SCALING
        ),
        _ChainField(
            "State",
            4,
            "What the controller is doing; readings count only when ready",
            unit="state",
            maximum=max(_STATES),
            choices={**_STATES, 14: "error", 15: "not available"},
        ),
    ),
)

_STATE_MESSAGE = _ChainMessage(
    "State",
    STATE_ID,
    100,
    "How one controller and its sensor are",
    (
        _ChainField("ResetCount", 8, "Starts of the controller, modulo 250", unit="count", maximum=249),
        _ChainField("Supply", 12, "Voltage at the controller's terminals", 0.0075, 0.0, "V", 0.0, 30.0),
        _ChainField(
            "ElementTemperature", 12, "Temperature of the sensing element", 0.4, -60.0, "degC", -60.0, 1500.0
        ),
        _ChainField("HeaterDuty", 8, "Heater on-time", 0.4, 0.0, "%", 0.0, 100.0),
        _flag_field("HeaterOpen", "The heater draws no current"),
        _flag_field("HeaterShort", "The heater draws too much current"),
        _flag_field("ElementOpen", "A wire of the sensing element is broken"),
        _flag_field("ElementShort", "A wire of the sensing element touches supply or ground"),
        _flag_field("OverTemperature", "The element is hotter than its maker allows"),
        _flag_field("SupplyLow", "The supply is too low to hold the element's temperature"),
    ),
)

_IDENTITY_MESSAGE = _ChainMessage(
    "Identity",
    IDENTITY_ID,
    2000,
    "Which controller this is",
    (
        _ChainField("SerialNumber", 32, "Serial number of the controller", unit="number", maximum=4294967293),
        _ChainField("HardwareVersion", 8, "Version of the circuit", unit="number", maximum=253),
        _ChainField("FirmwareMajor", 8, "Version of the program, first number", unit="number", maximum=253),
        _ChainField("FirmwareMinor", 8, "Version of the program, second number", unit="number", maximum=253),
        _ChainField("LayerVersion", 8, "Version of this message layer, 1 here", unit="number", maximum=253),
    ),
    protected=False,
)

_ENGINE_MESSAGES = (
    _ChainMessage(
        "Engine_Fast",
        ENGINE_FAST_ID,
        20,
        "Speed and load",
        (
            _ChainField("Speed", 16, "Crankshaft speed", 0.3, 0.0, "rpm", 0.0, 19500.0),
            _ChainField("Throttle", 12, "Throttle opening; the mean of several", 0.025, 0.0, "%", 0.0, 100.0),
            _ChainField(
                "ManifoldPressure", 12, "Absolute pressure in the intake", 0.125, 0.0, "kPa", 0.0, 500.0
            ),
            _ChainField(
                "SparkAdvance", 12, "Ignition before top dead centre", 0.05, -70.0, "deg", -60.0, 120.0
            ),
        ),
    ),
    _ChainMessage(
        "Engine_Fuel",
        ENGINE_FUEL_ID,
        20,
        "What the fuel control asks for and does",
        (
            _ChainField("Target", 16, "Lambda that the fuel control aims at", *_LAMBDA_SCALING),
            _ChainField(
                "PulseWidth",
                16,
                "Commanded injector opening, dead time included",
                *(0.0008, 0.0, "ms", 0.0, 50.0),
            ),
            _ChainField(
                "Correction", 12, "Closed-loop correction of fuel, plus adds", 0.03, -60.0, "%", -50.0, 50.0
            ),
            _flag_field("FuelCut", "Fuel is cut on some or all cylinders"),
            _flag_field("SparkCut", "Sparks are left out on some or all cylinders"),
            _flag_field("ClosedLoop", "The correction follows a sensor"),
            _flag_field("Transient", "Fuel is added or taken for a change of load"),
        ),
    ),
    _ChainMessage(
        "Engine_Slow",
        ENGINE_SLOW_ID,
        200,
        "Temperatures, pressures, supply",
        (
            _ChainField("Coolant", 10, "Coolant temperature", 0.25, -60.0, "degC", -60.0, 190.0),
            _ChainField("Intake", 10, "Temperature of the intake air", 0.25, -60.0, "degC", -60.0, 190.0),
            _ChainField("FuelPressure", 12, "Rail pressure over ambient", 0.4, 0.0, "kPa", 0.0, 1600.0),
            _ChainField("Barometer", 10, "Ambient pressure, absolute", 0.08, 40.0, "kPa", 40.0, 120.0),
            _ChainField("Battery", 10, "Voltage at the engine controller", 0.025, 0.0, "V", 0.0, 25.0),
        ),
    ),
)

_TRIM_MESSAGE = _ChainMessage(
    "Engine_Trim",
    TRIM_ID,
    100,
    "What the fuel control adds to one cylinder",
    (
        _ChainField(
            "Trim",
            12,
            "Fuel added by the trim in force, a step on top of it included",
            0.05,
            -100.0,
            "%",
            -95.0,
            100.0,
        ),
    ),
)


def node_messages(position: int) -> tuple[MessagePlan, ...]:
    """The plans of one node: `MixNN_Fast`, `MixNN_State`, `MixNN_Identity`.

    Raises:
        ValueError: there is no such place in a chain.

    >>> [hex(plan.can_id) for plan in node_messages(2)]
    ['0x2a1', '0x4a1', '0x6a1']
    """
    if not 1 <= position <= NODES:
        raise ValueError(f"position {position}: expected 1 to {NODES}")
    prefix = f"Mix{position:02d}_"
    return tuple(
        _make_plan(kind, prefix + kind.name, kind.can_id + position - 1)
        for kind in (_FAST_MESSAGE, _STATE_MESSAGE, _IDENTITY_MESSAGE)
    )


def chain_messages(nodes: int = NODES) -> tuple[MessagePlan, ...]:
    """The plans of the first `nodes` nodes, node by node.

    >>> len(chain_messages())
    48
    """
    return tuple(plan for position in range(1, nodes + 1) for plan in node_messages(position))


def engine_messages() -> tuple[MessagePlan, ...]:
    """The plans of the engine bus.

    >>> [plan.name for plan in engine_messages()]
    ['Engine_Fast', 'Engine_Fuel', 'Engine_Slow']
    """
    return tuple(_make_plan(kind, kind.name, kind.can_id) for kind in _ENGINE_MESSAGES)


def trim_messages(cylinders: int = NODES) -> tuple[MessagePlan, ...]:
    """The plans of the trims of the first cylinders, on the engine bus: `Engine_Trim01` and so on.

    An engine controller that keeps its trims to itself sends none of them.

    >>> [plan.name for plan in trim_messages(2)]
    ['Engine_Trim01', 'Engine_Trim02']
    """
    return tuple(
        _make_plan(_TRIM_MESSAGE, f"{_TRIM_MESSAGE.name}{c:02d}", TRIM_ID + c - 1)
        for c in range(1, cylinders + 1)
    )


def shipped_database(name: str) -> Path | None:
    """The message definition file of that name that is shipped with mixmon, or None.

    Installed, the files lie in the package; in a source checkout, in the folder beside it.

    >>> shipped_database(CHAIN_FILE).name
    'mixture_chain.dbc'
    >>> shipped_database("somebody_elses.dbc") is None
    True
    """
    package = Path(__file__).resolve().parent.parent
    if Path(name).name != name:
        return None
    places = (package / "dbc" / name, package.parent / "dbc" / name)
    try:
        return next((place for place in places if place.is_file()), None)
    except OSError:  # a name that no file can have
        return None


def _make_plan(kind: _ChainMessage, name: str, can_id: int) -> MessagePlan:
    fields = kind.fields + ((_COUNTER_FIELD, _CHECKSUM_FIELD) if kind.protected else ())
    signals, start = [], 0
    for row in fields:
        signals.append(_make_signal(row, start))
        start += row.length
    protection = Protection("Counter", "Checksum", "CRC8_J1850") if kind.protected else Protection()
    return MessagePlan(
        name, can_id, start // 8, tuple(signals), kind.cycle_ms * 1_000_000, protection, kind.comment
    )


def _make_signal(row: _ChainField, start: int) -> SignalPlan:
    not_available, error = top_two(row.length) if row.coded else ((), ())
    return SignalPlan(
        name=row.name,
        start=start,
        length=row.length,
        big_endian=False,
        scale=row.scale,
        offset=row.offset,
        unit=row.unit,
        minimum=row.minimum,
        maximum=row.maximum,
        choices=row.choices,
        not_available=not_available,
        error=error,
        comment=row.comment,
    )
