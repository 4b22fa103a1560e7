"""What the user declared, as frozen records. `session.load` makes them from TOML.

They hold only what the file states; `messages.bind` finds where each signal lies in the message definitions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path
from typing import Final

FROM_LEDGER: Final = "ledger"
"""In place of known biases: they are to be looked up."""


@dataclass(frozen=True, slots=True)
class Engine:
    """The engine. Cylinders are numbered 1..cylinders as the builder numbers them.

    firing_order       the order of the screens; with paired injection it gives the pairs
    firing_angles_deg  when each cylinder of `firing_order` fires, from the first; None: evenly. They decide
                       which cylinders paired injection fires together, and when a simulated one fires
    throttles          "single", "one per cylinder" or "other": whether manifold pressure tells the load
    charge_share       air of each cylinder, in any unit, such as percent of all; None: equal air is assumed.
                       `session.charges` makes weights of it
    target_offset_percent  percent of lambda by which each cylinder is meant to be leaner than the target,
                       as inner and outer cylinders of shared ports are; None: all have the same target
    shared_ports       cylinders of each intake or exhaust port that is shared: whether needs go with them
    """

    cylinders: int
    displacement_l: float | None = None
    strokes: int = 4
    firing_order: tuple[int, ...] | None = None
    firing_angles_deg: tuple[float, ...] | None = None
    aspiration: str | None = None
    throttles: str | None = None
    charge_share: tuple[float, ...] | None = None
    target_offset_percent: tuple[float, ...] | None = None
    banks: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    shared_ports: tuple[tuple[int, ...], ...] | None = None


@dataclass(frozen=True, slots=True)
class Staging:
    """The staging line: further injectors work where speed and load are above all that is given."""

    rpm_above: float | None = None
    load_above: float | None = None


@dataclass(frozen=True, slots=True)
class Injection:
    """How fuel is injected.

    timing        "sequential": each cylinder by itself; "paired": the two that fire half a cycle apart, by
                  one driver and with one trim; "batch": all together, which leaves nothing to trim
    dead_time_ms  time that an injector needs to open
    staging       where further injectors begin; None: there are none
    fuel_rails    cylinders along each fuel rail, from where the fuel enters: do needs go with their place?
    output_order  the cylinder on each injector output of the engine control, from its first output on
    """

    timing: str | None = None
    dead_time_ms: float | None = None
    fuel_rails: tuple[tuple[int, ...], ...] | None = None
    output_order: tuple[int, ...] | None = None
    staging: Staging | None = None


@dataclass(frozen=True, slots=True)
class Exhaust:
    """Where the sensors sit. Distances in mm from the exhaust valve seat, one a cylinder.

    sensor_angle_deg  above horizontal; a low one is a caution, for condensed water
    after_merge       the sensors see several cylinders each: no trims are offered
    """

    primary_bore_mm: float | None = None
    sensor_distance_mm: tuple[float, ...] | None = None
    sensor_angle_deg: float | None = None
    before_turbine: bool = False
    after_merge: bool = False


@dataclass(frozen=True, slots=True)
class DeclaredFuel:
    """The fuel, in one of four ways: a name, parts by volume, an atom formula, or a bare ratio.

    leaded  a caution: lead poisons the sensors
    """

    name: str | None = None
    parts: Mapping[str, float] = field(default_factory=dict)
    atoms: Mapping[str, float] = field(default_factory=dict)  # c, h, o, n
    stoich_afr: float | None = None
    leaded: bool = False


@dataclass(frozen=True, slots=True)
class Bus:
    """One CAN bus: its name here, in logs and on the adapter, and its message definitions.

    Databases are as written: a path from the session file, or a shipped name. More than one is for a bus
    that carries several makes.

    match        "identifier", or "pgn": 29-bit messages get the frames of their parameter group (SAE J1939)
    j1939_codes  whether 29-bit messages have the codes of SAE J1939; None: those marked so in the database
    """

    name: str
    log_channel: str = "*"
    interface: str | None = None
    channel: str | None = None
    bitrate: int | None = None
    role: str = "listen"
    match: str = "identifier"
    j1939_codes: bool | None = None
    database: str | None = None
    further_databases: tuple[str, ...] = ()

    @property
    def databases(self) -> tuple[str, ...]:
        """All databases, in the order of the file."""
        return (() if self.database is None else (self.database,)) + self.further_databases


@dataclass(frozen=True, slots=True)
class SignalChoice:
    """Which signal carries a quantity, and how its number is read.

    value = decoded * scale + offset, in `unit`. With `equals`, the quantity is a claim: true
    when the decoded value is one of those.

    points  two of decoded value and value, from which scale and offset were made; of a sensor's reading they
            are the ends of its range
    """

    bus: str
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    equals: tuple[float, ...] | None = None
    points: tuple[tuple[float, float], tuple[float, float]] | None = None

    def at(self, position: int) -> SignalChoice:
        """The same choice with `{position}` filled in, for one node of the chain."""
        return self._filled_in(position=position)

    def of_cylinder(self, cylinder: int) -> SignalChoice:
        """The same choice with `{cylinder}` filled in."""
        return self._filled_in(cylinder=cylinder)

    def _filled_in(self, **place: int) -> SignalChoice:
        return replace(self, message=self.message.format(**place), signal=self.signal.format(**place))


@dataclass(frozen=True, slots=True)
class OwnChannel:
    """One own channel: a signal that stands beside the engine's under a name of the user's.

    choice  which signal, and how its number is read; an empty unit is that of the definition
    range   least and largest value that can be; what lies beyond is not known. None: all that is sent
    age_s   how old a value may be; None: as for the engine's own signals
    """

    choice: SignalChoice
    range: tuple[float, float] | None = None
    age_s: float | None = None


@dataclass(frozen=True, slots=True)
class Node:
    """One controller: its place in the chain, the cylinder(s) its sensor sees, the sensor's serial.

    `signals` are the node's own, where the chain's pattern does not fit it.
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None = None
    signals: Mapping[str, SignalChoice] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chain:
    """The sensor chain. `signals` maps lambda, oxygen, ready, supply, heater to signal patterns."""

    bus: str
    signals: Mapping[str, SignalChoice]
    nodes: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Sensors:
    """What changes all readings alike, and is corrected.

    curve           fuel for which the controllers compute lambda, where it is not the one that burns
    pressure_k_bar  how strongly pressure acts on sensors of this type; 0 not at all; None: not corrected
    pressure_bar    absolute, at the sensors, where no signal gives it
    reference_bar   absolute, at which the sensors read right; None: 1 bar
    bias_percent    half-width of the 95 % interval of one sensor's own error, percent of lambda; None: the
                    usual one is assumed
    known_bias      by serial: percent of lambda by which it reads lean, and half of the 95 % interval of
                    that; `FROM_LEDGER`: as the ledger has them, not looked up yet; None: nothing is corrected
    """

    curve: str | None = None
    pressure_k_bar: float | None = None
    pressure_bar: float | None = None
    reference_bar: float | None = None
    bias_percent: float | None = None
    known_bias: Mapping[str, tuple[float, float]] | str | None = None


@dataclass(frozen=True, slots=True)
class Axes:
    """Cell centres. Empty axes mean: no cells along that direction."""

    rpm: tuple[float, ...] = ()
    load: tuple[float, ...] = ()
    load_signal: str = "throttle"


def reach_of(centres: Sequence[float]) -> tuple[float, float]:
    """From where to where the cells of rising centres reach: half a step beyond the outermost.

    >>> reach_of((1000.0, 2000.0, 4000.0)), reach_of((3000.0,))
    ((500.0, 5000.0), (-inf, inf))
    """
    if len(centres) < 2:
        return -inf, inf
    return centres[0] - (centres[1] - centres[0]) / 2, centres[-1] + (centres[-1] - centres[-2]) / 2


@dataclass(frozen=True, slots=True)
class Targets:
    """Target lambda by load (rows) and rpm (columns), where no target signal is mapped."""

    lam: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class LowFlowMask:
    """Reversion and leak zone: readings are shown and never used for trims."""

    rpm_below: float
    load_below: float


@dataclass(frozen=True, slots=True)
class Overrun:
    """Where a closed throttle at speed means a fuel cut or an unloaded engine."""

    throttle_below: float
    rpm_above: float


@dataclass(frozen=True, slots=True)
class Validity:
    """When a sample may be counted."""

    stale_s: float = 0.25
    settle_s: float = 3.0
    rich_limit: float = 0.65
    lean_limit: float = 1.60
    rpm_band: float = 60.0
    load_band: float = 2.0
    warm_coolant_c: float = 70.0
    low_flow_mask: LowFlowMask | None = None
    overrun: Overrun | None = None


@dataclass(frozen=True, slots=True)
class Trims:
    """What the ECU's per-cylinder trims can be, and what they held during the run, in percent.

    load_from: trims are made from cells of this load or more; None for all cells.
    join_by_target: cylinders that were never measured together are compared by way of the target.
    identity: "required": no trims without a proof that each label sees its cylinder; "stated": somebody
    vouches for it.
    identity_by, identity_reason: who, and why, where it is stated.
    shape: "cylinder": one a cylinder; "bank": one a bank beside it; "map": one a cylinder at every
    breakpoint of speed and load, between which the ECU interpolates.
    map_rpm, map_load: the breakpoints.
    map_now_percent: by cylinder, rows of map_load with columns of map_rpm; where not given, as `now_percent`.
    bank_now_percent: by bank.
    """

    step_percent: float = 0.5
    lowest_percent: float = -10.0
    highest_percent: float = 10.0
    now_percent: tuple[float, ...] | None = None
    ask_above_percent: float = 5.0
    load_from: float | None = None
    join_by_target: bool = False
    identity: str = "required"
    identity_by: str | None = None
    identity_reason: str | None = None
    shape: str = "cylinder"
    map_rpm: tuple[float, ...] = ()
    map_load: tuple[float, ...] = ()
    map_now_percent: Mapping[str, tuple[tuple[float, ...], ...]] = field(default_factory=dict)
    bank_now_percent: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmRule:
    """One alarm: its condition, its timing, and what it means.

    kind   a key of `session.alarm_kinds.ALARM_KINDS`
    limit  in the unit of the kind
    own    the kind itself, of a rule that is written in Python (`session.own_alarm`)
    """

    name: str
    priority: int
    kind: str
    limit: float
    when: str | None = None
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    dead_band: float = 0.0
    latching: bool = False
    re_alarm_s: float | None = None
    suppress_when: str | None = None
    cause: str = ""
    consequence: str = ""
    response: str = ""
    own: object | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """The builder's and the cell's limits. Without a source they are placeholders."""

    source: str | None = None
    alarms: tuple[AlarmRule, ...] = ()


@dataclass(frozen=True, slots=True)
class Recording:
    """Where runs are kept."""

    folder: str = "runs"
    pre_trigger_s: float = 10.0


@dataclass(frozen=True, slots=True)
class IdentifiedNode:
    """What fuel steps said of one node.

    sensor      its serial then
    address     where its mixture came from: bus, message and signal
    cylinders   that it sees; empty where that was not told
    confidence  probability that it does, 0 where nothing was told
    """

    position: int
    sensor: str | None
    address: str
    cylinders: tuple[int, ...]
    confidence: float


@dataclass(frozen=True, slots=True)
class IdentityEvidence:
    """The proof that is kept beside a session (`session.evidence`).

    log       name of the log with the fuel steps
    first_ns  stamp of its first frame
    frames    number of its frames
    """

    log: str
    first_ns: int
    frames: int
    nodes: tuple[IdentifiedNode, ...]


@dataclass(frozen=True, slots=True)
class TrimEntry:
    """Trims that were typed into the engine control, as kept beside a session (`session.entered`).

    log, fingerprint   the log that led to them: its name, and by what its frames are known again
    first_ns, last_ns  its time, by its stamps
    entered_at         when the entry was kept, by this machine's clock, ISO 8601
    by                 who typed them; None where not told
    sensors            serials of the chain, by position
    before, after      trims in percent, one a cylinder
    """

    log: str
    fingerprint: str
    first_ns: int
    last_ns: int
    entered_at: str
    by: str | None
    sensors: tuple[str | None, ...]
    before: tuple[float, ...]
    after: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Session:
    """A whole session file.

    identity  the proof beside it that labels see their cylinders; None: there is none
    entries   the trims that were typed, as kept beside it, in the order in which they were kept
    of_run  it lies in the folder of a run, which may come from elsewhere: its files are read there alone
    """

    engine: Engine
    chain: Chain
    buses: tuple[Bus, ...]
    name: str = ""
    path: Path | None = None
    of_run: bool = False
    injection: Injection = field(default_factory=Injection)
    exhaust: Exhaust = field(default_factory=Exhaust)
    fuel: DeclaredFuel | None = None
    sensors: Sensors | None = None
    engine_signals: Mapping[str, SignalChoice] = field(default_factory=dict)
    channels: Mapping[str, OwnChannel] = field(default_factory=dict)
    axes: Axes = field(default_factory=Axes)
    targets: Targets | None = None
    validity: Validity = field(default_factory=Validity)
    trims: Trims = field(default_factory=Trims)
    limits: Limits = field(default_factory=Limits)
    recording: Recording = field(default_factory=Recording)
    identity: IdentityEvidence | None = None
    entries: tuple[TrimEntry, ...] = ()

    def __repr__(self) -> str:
        cylinders, nodes = self.engine.cylinders, len(self.chain.nodes)
        return f"<Session {self.name!r}: {cylinders} cylinders, {nodes} nodes>"

    def bus(self, name: str) -> Bus:
        """The bus of that name.

        Raises:
            KeyError: there is none.
        """
        for bus in self.buses:
            if bus.name == name:
                return bus
        raise KeyError(name)
