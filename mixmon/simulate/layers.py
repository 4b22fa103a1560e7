"""A simulated world as frames on buses.

A layer asks the world's nodes and engine what they say and puts it into messages: `OwnLayer` into the
project's own, `BoundLayer` into those of any session's message definitions. Each frame carries the moment
at which its sender wants to send; `Wire` puts the frames of one bus behind one another and stamps them at
their end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Protocol

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints
from mixmon.frames.bits import frame_bits
from mixmon.frames.block import CLASSIC_WIDTH, FrameBlock, concat
from mixmon.messages.binding import Binding, BoundSignal
from mixmon.messages.chain import NodeState, engine_messages, node_messages, trim_messages
from mixmon.messages.encode import Encoder
from mixmon.messages.plan import MessagePlan
from mixmon.session.keys import trim_quantity
from mixmon.simulate.engine import Ecu
from mixmon.simulate.sensor import SimulatedNode
from mixmon.simulate.timeline import Ticks
from mixmon.simulate.world import World


class Layer(Protocol):
    """Turns a world into frames, each stamped with the moment at which its sender wants to send."""

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""


# --- The project's own layer. ---

CHANNELS = ("can0", "can1")
CHAIN_BUS, ENGINE_BUS = 0, 1
"""Index of each bus in CHANNELS."""

_HEALTH_NS, _IDENTITY_NS, _ENGINE_NS, _SLOW_NS, _POLL_NS = 100e6, 2e9, 20e6, 200e6, 200e6
_TRIM_NS, _TRIM_PHASE_NS, _TRIM_APART_NS = 100e6, 11_900_000, 4_100_000
"""Cycles of the own layer's messages as in `messages.chain`, and of the scan tool (common practice, no
source). The trims of the cylinders follow one another: our choice."""

_ENGINE_PHASES_NS = (2_100_000, 2_800_000, 7_300_000)
"""First moments of the engine's three messages: our choice, so that no two start together."""
_ENGINE_PERIODS_NS = (_ENGINE_NS, _ENGINE_NS, _SLOW_NS)

_POLL_REQUEST, _POLL_ANSWER = 0x7DF, 0x7E8
"""Identifiers of a question to all and of the first controller's answer (from memory: ISO 15765-4)."""
_POLL_PHASE_NS, _ANSWER_NS = 61_000_000, 6_000_000
_POLL_LATE_S = (0.02, 0.09)
"""When the tool asks, how long the answer takes, and how old its value is: common practice, no source."""

_VERSIONS = {  # what every simulated controller says of itself: our choice
    "HardwareVersion": 2,
    "FirmwareMajor": 1,
    "FirmwareMinor": 4,
    "LayerVersion": 1,
}
_NO_FAULT = ("HeaterOpen", "HeaterShort", "ElementOpen", "ElementShort", "OverTemperature")

_ENGINE_COLUMNS = (
    {"Speed": "rpm", "Throttle": "throttle", "ManifoldPressure": "map_kpa", "SparkAdvance": "spark_deg"},
    {
        "Target": "target",
        "PulseWidth": "pulse_ms",
        "Correction": "closed_loop",
        "FuelCut": "fuel_cut",
        "SparkCut": "spark_cut",
        "ClosedLoop": "closed_loop",
        "Transient": "transient",
    },
    {
        "Coolant": "coolant_c",
        "Intake": "intake_c",
        "FuelPressure": "fuel_pressure_kpa",
        "Barometer": "baro_kpa",
        "Battery": "battery_v",
    },
)


class OwnLayer:
    """The project's own messages: every node of the chain, the engine, and a scan tool beside it."""

    def __init__(self, world: World) -> None:
        self._senders: list[Layer] = [_NodeSender(world, p + 1) for p in range(world.scenario.size)]
        told: list[tuple[MessagePlan, Mapping[str, str], float, int]] = list(
            zip(engine_messages(), _ENGINE_COLUMNS, _ENGINE_PERIODS_NS, _ENGINE_PHASES_NS, strict=True)
        )
        if world.scenario.reports_trims:
            told += [
                (plan, {"Trim": trim_quantity(c + 1)}, _TRIM_NS, _TRIM_PHASE_NS + c * _TRIM_APART_NS)
                for c, plan in enumerate(trim_messages(world.scenario.size))
            ]
        self._senders += [
            _EngineSender(Ecu(world, k), plan, signals, Ticks(period, phase))
            for k, (plan, signals, period, phase) in enumerate(told)
        ]
        self._senders.append(_ScanTool(world))

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""
        return [frames for sender in self._senders for frames in sender.run(from_ns, to_ns)]


class _NodeSender:
    """One node: its three messages on the beat of its own clock."""

    def __init__(self, world: World, position: int) -> None:
        self._node = SimulatedNode(world, position)
        self._encoders = [Encoder(plan) for plan in node_messages(position)]
        clock = world.rng("clock", position)
        slow = 1 + clock.standard_normal() * world.scenario.noise.clock_ppm * 1e-6
        periods = (SECOND_NS / world.scenario.controllers.rate_hz, _HEALTH_NS, _IDENTITY_NS)
        self._ticks = [Ticks(period * slow, int(clock.uniform(0, period))) for period in periods]
        self._jitter, self._jitter_ns = (
            world.rng("jitter", position),
            world.scenario.noise.jitter_s * SECOND_NS,
        )

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        fast, slow, rare = (ticks.until(to_ns) for ticks in self._ticks)
        reading, health = self._node.readings(from_ns, to_ns, fast), self._node.health(slow)
        columns = (
            {"OxygenBalance": reading.oxygen, "Lambda": reading.lam, "State": reading.state.astype(np.int64)},
            {
                "ResetCount": health.resets,
                "Supply": health.supply,
                "ElementTemperature": health.element_c,
                "HeaterDuty": health.duty,
                "SupplyLow": health.low.astype(np.int64),
                **dict.fromkeys(_NO_FAULT, np.zeros(len(slow), np.int64)),
            },
            {name: np.full(len(rare), value) for name, value in self._identity_values().items()},
        )
        late = np.abs(self._jitter.standard_normal(len(fast))) * self._jitter_ns
        asked = (fast + late.astype(np.int64), slow, rare)
        return [
            encoder.encode(
                at[sent], {name: column[sent] for name, column in values.items()}, CHAIN_BUS, CHANNELS
            )
            for encoder, at, values, sent in zip(
                self._encoders,
                asked,
                columns,
                (~self._node.silent(t) for t in (fast, slow, rare)),
                strict=True,
            )
        ]

    def _identity_values(self) -> dict[str, int]:
        return {"SerialNumber": self._node.serial, **_VERSIONS}


class _EngineSender:
    """One message of the engine bus: the quantity of each of its signals."""

    def __init__(self, ecu: Ecu, plan: MessagePlan, signals: Mapping[str, str], ticks: Ticks) -> None:
        self._ecu, self._encoder = ecu, Encoder(plan)
        self._ticks, self._signals = ticks, signals

    def run(self, _: int, to_ns: int) -> list[FrameBlock]:
        t = self._ticks.until(to_ns)
        values = self._ecu.values(t)
        columns = {signal: values[name] for signal, name in self._signals.items()}
        return [self._encoder.encode(t, columns, ENGINE_BUS, CHANNELS)]


class _ScanTool:
    """Questions and answers of SAE J1979 service 01, PID 0C: a slow and late copy of the speed.

    The answer holds quarter turns a minute (from memory: SAE J1979-DA, 2011), as they were some
    hundredths of a second before.
    """

    def __init__(self, world: World) -> None:
        self._crank, self._dice = world.timeline.crank, world.rng("poll")
        self._ticks = Ticks(_POLL_NS, _POLL_PHASE_NS)

    def run(self, _: int, to_ns: int) -> list[FrameBlock]:
        t = self._ticks.until(to_ns)
        late = self._dice.uniform(*_POLL_LATE_S, len(t))
        raw = np.rint(self._crank.rpm(t / SECOND_NS - late) * 4).astype(np.int64)
        ask = np.tile(np.array([2, 0x01, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(t), 1))
        answer = np.tile(np.array([4, 0x41, 0x0C, 0, 0, 0, 0, 0], np.uint8), (len(t), 1))
        answer[:, 3], answer[:, 4] = raw >> 8, raw & 0xFF
        return [_engine_frames(t, _POLL_REQUEST, ask), _engine_frames(t + _ANSWER_NS, _POLL_ANSWER, answer)]


def _engine_frames(t: Ints, can_id: int, data: Bytes) -> FrameBlock:
    n = len(t)
    eight = np.full(n, CLASSIC_WIDTH, np.uint8)
    return FrameBlock(
        t,
        np.full(n, can_id, np.uint32),
        np.full(n, ENGINE_BUS, np.uint8),
        eight,
        eight,
        np.zeros(n, np.uint8),
        data,
        CHANNELS,
    )


# --- Any message definitions: the quantities that a session maps. ---
#
# Every message that carries a mapped signal is sent on its cycle time. A multiplexed message takes its
# branches in turn, one a frame. Signals that nothing maps say "not available", or zero.

Said = tuple[Ints, Mapping[str, Floats]]
"""Moments int64[k] ns at which a node was asked, and its quantities then, float64[k]."""

Silent = Callable[[Ints], Bools]
"""Whether a node has no supply at moments int64[k] ns."""

_CHAIN_CYCLE_NS, _ENGINE_CYCLE_NS = 10_000_000, 20_000_000
"""Cycles of messages whose definition names none (common practice, no source)."""

_PHASE_STEP_NS = 370_000
"""Each message begins so much later than the one before, so that they do not all start together.

Our choice.
"""

_MOST_CODES = 256
"""Codes of a signal without names that are tried for a claim: all of a byte."""

_ENGINE_NODE = -1
"""Stands for the engine where nodes are counted from 0."""


@dataclass(frozen=True, slots=True)
class _CarriedQuantity:
    """One quantity that a signal carries; `node` counts the session's nodes from 0, or is _ENGINE_NODE."""

    node: int
    quantity: str
    bound: BoundSignal


class BoundLayer:
    """A world in the messages of a binding."""

    def __init__(self, world: World, binding: Binding) -> None:
        self._nodes = [
            SimulatedNode(world, k + 1, tuple(world.cylinder_of[c - 1] for c in node.cylinders))
            for k, node in enumerate(binding.session.chain.nodes)
        ]
        channels = tuple(
            f"can{i}" if bus.log_channel == "*" else bus.log_channel
            for i, bus in enumerate(binding.session.buses)
        )
        self._messages = [
            _BoundMessage(world, binding, carried, k, channels)
            for k, carried in enumerate(_by_message(binding))
        ]

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""
        for message in self._messages:
            message.advance(to_ns)
        said = [self._ask_node(k, from_ns, to_ns) for k in range(len(self._nodes))]
        silent = [node.silent for node in self._nodes]
        return [message.frames(said, silent) for message in self._messages]

    def _ask_node(self, k: int, from_ns: int, to_ns: int) -> Said:
        asked = [message.moments(k) for message in self._messages]
        t = np.unique(np.concatenate([np.zeros(0, np.int64), *asked]))
        reading, health = self._nodes[k].readings(from_ns, to_ns, t), self._nodes[k].health(t)
        return t, {
            "lambda": reading.lam,
            "oxygen": reading.oxygen,
            "ready": (reading.state == NodeState.READY).astype(np.float64),
            "supply": health.supply,
            "heater": health.duty,
            "resets": health.resets.astype(np.float64),
            "over_temperature": np.zeros(len(t)),
        }


class _BoundMessage:
    """One message with its branches: what each carries, and the multiplexers' values that select it."""

    def __init__(
        self,
        world: World,
        binding: Binding,
        carried: list[_CarriedQuantity],
        number: int,
        channels: tuple[str, ...],
    ) -> None:
        bound = carried[0].bound
        self._bus, self._channels = bound.bus, channels
        self._encoder = Encoder(bound.message)
        self._branches = _split_branches(carried)
        self._stoich = binding.stoich_afr or binding.fuel.stoich_afr
        cycle = bound.message.cycle_ns or (
            _ENGINE_CYCLE_NS if carried[0].node == _ENGINE_NODE else _CHAIN_CYCLE_NS
        )
        self._ticks = Ticks(cycle, number * _PHASE_STEP_NS % cycle)
        self._ecu = Ecu(world, number)
        self._next = 0
        self._t = np.zeros(0, np.int64)
        self._turn = np.zeros(0, np.int64)

    def advance(self, to_ns: int) -> None:
        """Lays out the frames up to then: their moments, and which branch has its turn."""
        self._t = self._ticks.until(to_ns)
        self._turn = (self._next + np.arange(len(self._t))) % len(self._branches)
        self._next += len(self._t)

    def moments(self, node: int) -> Ints:
        """When the laid-out frames carry anything of the node."""
        turns = [
            b for b, (carried, _, _) in enumerate(self._branches) if any(w.node == node for w in carried)
        ]
        return self._t[np.isin(self._turn, turns)]

    def frames(self, said: Sequence[Said], silent: Sequence[Silent]) -> FrameBlock:
        """The laid-out frames; a branch that speaks only of nodes without supply is not sent."""
        k = len(self._t)
        columns: dict[str, Floats] = {}
        raw: dict[str, Ints] = {}
        sent = np.ones(k, bool)
        for turn, (carried, calls, speakers) in enumerate(self._branches):
            rows = np.flatnonzero(self._turn == turn)
            t = self._t[rows]
            for name, values in self._signal_values(carried, t, said).items():
                columns.setdefault(name, np.full(k, np.nan))[rows] = values
            for name, value in calls.items():
                raw.setdefault(name, np.zeros(k, np.int64))[rows] = value
            if speakers:
                sent[rows] = ~np.all([silent[node](t) for node in speakers], axis=0)
        return self._encoder.encode(
            self._t[sent],
            {name: column[sent] for name, column in columns.items()},
            self._bus,
            self._channels,
            {name: column[sent] for name, column in raw.items()},
        )

    def _signal_values(
        self, carried: Sequence[_CarriedQuantity], t: Ints, said: Sequence[Said]
    ) -> dict[str, Floats]:
        """Decoded values by signal; several claims on one signal go into one code."""
        engine = self._ecu.values(t) if any(w.node == _ENGINE_NODE for w in carried) else {}
        columns = {}
        for name in dict.fromkeys(one.bound.signal.name for one in carried):
            asked = [one for one in carried if one.bound.signal.name == name]
            values = [
                engine[w.quantity] if w.node == _ENGINE_NODE else _take_at(said[w.node], w.quantity, t)
                for w in asked
            ]
            coded = asked[0].bound.choice.equals is not None
            columns[name] = (
                _choose_codes(asked, values) if coded else self._to_signal_unit(asked[0], values[0])
            )
        return columns

    def _to_signal_unit(self, one: _CarriedQuantity, value: Floats) -> Floats:
        """The value as decoded, before the session's unit, scale and offset."""
        choice = one.bound.choice
        if choice.unit == "phi":
            value = 1 / value
        elif choice.unit == "afr":
            value = value * self._stoich
        return (value - choice.offset) / choice.scale


def _take_at(said: Said, quantity: str, t: Ints) -> Floats:
    """The node's quantity at moments t, at each of which it was asked."""
    moments, values = said
    return values[quantity][np.searchsorted(moments, t)]


def _choose_codes(carried: Sequence[_CarriedQuantity], truths: Sequence[Floats]) -> Floats:
    """The decoded value under which every claim on the signal reads as it should."""
    claims = [one.bound.choice.equals or () for one in carried]
    which = sum(truth.astype(np.int64) << k for k, truth in enumerate(truths))
    codes = np.zeros(1 << len(claims))
    for wanted in product((0, 1), repeat=len(claims)):
        fits = (
            code
            for code in _possible_codes(carried[0].bound)
            if all((code in claim) == bool(yes) for claim, yes in zip(claims, wanted, strict=True))
        )
        codes[sum(yes << k for k, yes in enumerate(wanted))] = next(fits, codes[0])
    return np.asarray(codes[which], np.float64)


def _possible_codes(bound: BoundSignal) -> list[float]:
    """Values that the signal can take: those with a name, or the first few."""
    signal = bound.signal
    raw = sorted(signal.choices) or range(min(1 << signal.length, _MOST_CODES))
    return [code * signal.scale + signal.offset for code in raw]


def _by_message(binding: Binding) -> list[list[_CarriedQuantity]]:
    """All carried, message by message, in the order of the session."""
    carried = [
        _CarriedQuantity(k, quantity, bound)
        for k, node in enumerate(binding.nodes)
        for quantity, bound in node.items()
    ]
    carried += [_CarriedQuantity(_ENGINE_NODE, quantity, bound) for quantity, bound in binding.engine.items()]
    grouped: dict[tuple[int, str], list[_CarriedQuantity]] = {}
    for one in carried:
        grouped.setdefault((one.bound.bus, one.bound.message.name), []).append(one)
    return list(grouped.values())


def _split_branches(
    carried: list[_CarriedQuantity],
) -> list[tuple[list[_CarriedQuantity], dict[str, int], list[int]]]:
    """The carried by what the multiplexers must be; those without multiplexer are in every branch.

    With each branch go the nodes whose own it is: without them it is not sent.
    """
    calls = [_selector_values(one.bound.signal.name, one.bound.message) for one in carried]
    distinct = [dict(items) for items in dict.fromkeys(tuple(call.items()) for call in calls if call)] or [{}]
    served = [
        [w for w, own in zip(carried, calls, strict=True) if not own or own == call] for call in distinct
    ]
    speak = [[w.node for w, own in zip(carried, calls, strict=True) if own == call] for call in distinct]
    return [
        (carried, call, [] if _ENGINE_NODE in nodes else sorted(set(nodes)))
        for carried, call, nodes in zip(served, distinct, speak, strict=True)
    ]


def _selector_values(name: str, message: MessagePlan) -> dict[str, int]:
    """Raw values of the multiplexers above a signal under which it is present."""
    signal = message.signal(name)
    if not signal.selectors:
        return {}
    first = signal.selectors[0]
    return {**_selector_values(first.parent, message), first.parent: first.ranges[0][0]}


# --- One bus. ---

STAMP_NS = 1000
"""Stamps are whole microseconds, as candump writes them, so that log and stream are the same."""


class Wire:
    """A bus of one bit rate. Frames wait until the one before has ended; ties go by identifier."""

    def __init__(self, bitrate: int) -> None:
        self._bit_ns = SECOND_NS / bitrate
        self._free = -(2**62)
        self._waiting = FrameBlock.empty()
        self._sent = FrameBlock.empty()

    def send(self, asked: FrameBlock, to_ns: int) -> FrameBlock:
        """The frames whose stamp is before `to_ns`, in order.

        `asked` holds frames with the moment at which their sender wants to send; all moments
        before `to_ns` must have been asked for by now.
        """
        frames = concat([self._waiting, asked])
        order = np.lexsort((frames.can_id, frames.t))
        now = order[: int(np.searchsorted(frames.t[order], to_ns, "left"))]
        self._waiting = frames.take(order[len(now) :])
        ended = concat([self._sent, self._put_on(frames.take(now))])
        out = int(np.searchsorted(ended.t, to_ns, "left"))
        self._sent = ended.take(slice(out, None))
        return ended.take(slice(0, out))

    def _put_on(self, frames: FrameBlock) -> FrameBlock:
        """Each frame starts when asked and when the bus is free: a running maximum over start minus load."""
        if len(frames) == 0:
            return frames
        length = np.rint(frame_bits(frames) * self._bit_ns).astype(np.int64)
        before = np.cumsum(length) - length
        start = np.maximum.accumulate(np.maximum(frames.t, self._free) - before) + before
        ended = start + length
        self._free = int(ended[-1])
        return _with_stamps(frames, ended // STAMP_NS * STAMP_NS)


def merged(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """Ordered blocks of several buses as one, in the order of their stamps."""
    together = concat(blocks)
    return together.take(np.argsort(together.t, kind="stable"))


def shifted(frames: FrameBlock, by_ns: int) -> FrameBlock:
    """The same frames, later."""
    return _with_stamps(frames, frames.t + by_ns)


def _with_stamps(frames: FrameBlock, t: Ints) -> FrameBlock:
    return FrameBlock(
        t, frames.can_id, frames.bus, frames.size, frames.dlc, frames.flags, frames.data, frames.channels
    )
