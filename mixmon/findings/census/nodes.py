"""What each node of the chain sends: how regularly its reading comes, and how well it is.

A node is followed by the samples of its reading, not by its frames: controllers that send several
probes in turn under one identifier are told apart.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field

import numpy as np

from mixmon.arrays import Bytes, Ints
from mixmon.findings.census.traffic import Break, Gaps, Groups, Rhythm, rhythm
from mixmon.findings.census.wiring import TwinSigns, TwinWatch
from mixmon.frames.block import FrameBlock
from mixmon.messages.binding import NO_BUS, Binding, Bound
from mixmon.messages.block import SignalBlock
from mixmon.messages.chain import NODES, chain_messages, engine_messages, node_messages
from mixmon.messages.decode import Decoder
from mixmon.messages.integrity import MessageCounts, counter_modulus
from mixmon.messages.layout import RawColumn
from mixmon.messages.plan import MessagePlan, Quality

# ----------------------------------------------------------------------------------------------------
# Who should be on the bus: the nodes of a chain and the messages that carry something.
#
# From a session, or without one from the project's own message layer, whose sixteen places are
# then looked for on every channel.
# ----------------------------------------------------------------------------------------------------

_OWN_READY = (3.0,)


@dataclass(frozen=True, slots=True)
class Watched:
    """One signal of a node that the census looks into. With `equals`, it is a yes or no."""

    message: str
    signal: str
    equals: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class ExpectedNode:
    """One node: its place, what it is mounted on, and its messages.

    bus         bus index
    messages    all it can send, the one with the reading first
    in_turn     the reading shares its message with others, which come in turn
    reading     its mixture reading; `ready` and `resets` where such signals are known
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None
    bus: int
    messages: tuple[MessagePlan, ...]
    reading: Watched
    in_turn: bool = False
    ready: Watched | None = None
    resets: Watched | None = None


@dataclass(frozen=True, slots=True)
class ExpectedBus:
    """One bus: its name and rate, where it lies in a log, and its message definitions.

    `channel` is "*" for any channel that no other bus names. `needed` names the messages that
    carry mapped signals and belong to no node.
    """

    name: str
    channel: str
    bitrate: int | None
    messages: tuple[MessagePlan, ...]
    needed: tuple[str, ...] = ()

    def message(self, can_id: int) -> MessagePlan | None:
        """The message of that identifier, None if it is not defined."""
        return next((plan for plan in self.messages if plan.can_id == can_id), None)


@dataclass(frozen=True, slots=True)
class Expected:
    """Everything that a census compares with. Without a session, `declared` is False.

    Then the nodes are all that the project's own layer could have, and none of them is missed.
    `spares` gives the place in the chain of messages, by bus index and name, that are defined for
    places that the session does not use.
    """

    buses: tuple[ExpectedBus, ...]
    nodes: tuple[ExpectedNode, ...]
    declared: bool
    spares: Mapping[tuple[int, str], int] = field(default_factory=dict)

    def bus_of_channels(self, channels: Sequence[str]) -> Bytes:
        """The bus index of each channel, uint8[c]; 255 where it belongs to none."""
        by_name = {bus.channel: i for i, bus in enumerate(self.buses)}
        other = by_name.get("*", NO_BUS)
        return np.array([by_name.get(channel, other) for channel in channels], np.uint8)


def from_binding(binding: Binding) -> Expected:
    """What a session expects."""
    engine: dict[int, dict[str, None]] = {}
    for bound in binding.engine.values():
        engine.setdefault(bound.bus, {})[bound.message.name] = None
    nodes = tuple(_node(binding, i) for i, found in enumerate(binding.nodes) if _reading(found))
    owned = {(node.bus, message.name) for node in nodes for message in node.messages}
    buses = tuple(
        ExpectedBus(
            bus.name,
            bus.log_channel,
            bus.bitrate,
            plans,
            tuple(name for name in engine.get(i, {}) if (i, name) not in owned),
        )
        for i, (bus, plans) in enumerate(zip(binding.session.buses, binding.plans, strict=True))
    )
    return Expected(buses, nodes, declared=True, spares=_spares(binding, owned))


def from_own_layer(bitrate: int | None = None) -> Expected:
    """What the project's own layer could have, on one bus that is every channel."""
    nodes = tuple(
        ExpectedNode(
            position,
            (),
            None,
            0,
            (fast, state, identity),
            Watched(fast.name, "Lambda"),
            ready=Watched(fast.name, "State", _OWN_READY),
            resets=Watched(state.name, "ResetCount"),
        )
        for position in range(1, NODES + 1)
        for fast, state, identity in [node_messages(position)]
    )
    bus = ExpectedBus("", "*", bitrate, (*chain_messages(), *engine_messages()))
    return Expected((bus,), nodes, declared=False)


def _reading(found: Mapping[str, Bound]) -> Bound | None:
    return found.get("lambda") or found.get("oxygen")


def _node(binding: Binding, index: int) -> ExpectedNode:
    declared, found = binding.session.chain.nodes[index], binding.nodes[index]
    reading = _reading(found)
    assert reading is not None
    return ExpectedNode(
        declared.position,
        declared.cylinders,
        declared.sensor,
        reading.bus,
        _messages(binding, index, reading),
        _watched(reading),
        bool(reading.signal.selectors),
        _watched(found["ready"]) if "ready" in found else None,
        _watched(found["resets"]) if "resets" in found else None,
    )


def _watched(bound: Bound) -> Watched:
    return Watched(bound.message.name, bound.signal.name, bound.choice.equals)


def _messages(binding: Binding, index: int, reading: Bound) -> tuple[MessagePlan, ...]:
    """The reading's message, those of the node's other signals, and those named after its place."""
    mapped = {b.message.name for b in binding.nodes[index].values() if b.bus == reading.bus}
    place = binding.session.chain.nodes[index].position
    own = [
        plan
        for plan in binding.plans[reading.bus]
        if plan.name != reading.message.name and (plan.name in mapped or _place(binding, plan.name) == place)
    ]
    return (reading.message, *own)


def _place(binding: Binding, name: str) -> int | None:
    """The place in the chain after which a message is named, by the pattern of the chain's readings."""
    signals = binding.session.chain.signals
    pattern = signals.get("lambda") or signals.get("oxygen")
    if pattern is None or "{position" not in pattern.message:
        return None
    front, _, _ = pattern.message.partition("{position")
    match = re.match(re.escape(front) + r"(\d+)", name)
    return int(match[1]) if match else None


def _spares(binding: Binding, owned: set[tuple[int, str]]) -> dict[tuple[int, str], int]:
    bus = binding.buses.index(binding.session.chain.bus)
    names = [plan.name for plan in binding.plans[bus] if (bus, plan.name) not in owned]
    places = {name: _place(binding, name) for name in names}
    return {(bus, name): place for name, place in places.items() if place is not None}


_MOST_RESETS = 16
"""A count that rises by more has started over: one reset."""

_FLOAT_STEPS = 1e6
"""Readings sent as IEEE floats are compared in steps of a millionth."""


@dataclass(frozen=True, slots=True)
class NodeFacts:
    """What a node did.

    rhythm        of its reading
    samples       of its reading
    share_ready   share of its state frames that say ready and can be believed; NaN if none says
    resets        restarts of the controller; None where no signal counts them
    counts        of its messages together
    twin          the signs that two controllers send its reading, None if they do not
    echoed        each of its frames comes twice
    """

    rhythm: Rhythm
    samples: int
    share_ready: float
    resets: int | None
    counts: MessageCounts
    twin: TwinSigns | None
    echoed: bool


class _Node:
    """One node's running sums."""

    def __init__(self, expected: ExpectedNode) -> None:
        self.expected = expected
        message = expected.messages[0]
        signal = message.signal(expected.reading.signal)
        counter = message.protection.counter
        self.counter = counter
        self.twins = TwinWatch(
            None if signal.selectors else message.cycle_ns,
            None if counter is None or signal.selectors else counter_modulus(message.signal(counter)),
        )
        self.samples = self.told = self.ready = self.resets = 0
        self.last_count: int | None = None

    def feed(self, blocks: Mapping[tuple[int, str], SignalBlock]) -> Ints:
        """Takes the node's blocks; gives the stamps of its reading, int64[m]."""
        own = self.expected
        if own.resets is not None and (block := blocks.get((own.bus, own.resets.message))) is not None:
            self._count_resets(block, own.resets)
        if own.ready is not None and (block := blocks.get((own.bus, own.ready.message))) is not None:
            self._count_ready(block, own.ready)
        block = blocks.get((own.bus, own.reading.message))
        if block is None:
            return np.zeros(0, np.int64)
        at = block.names.index(own.reading.signal)
        rows = np.flatnonzero(block.quality[at] != Quality.MISSING)
        self.samples += len(rows)
        counter = (
            _whole(block.raw[block.names.index(self.counter)]) if self.counter else np.zeros_like(block.t)
        )
        self.twins.feed(block.t[rows], counter[rows], _whole(block.raw[at])[rows])
        return block.t[rows]

    def _count_ready(self, block: SignalBlock, watched: Watched) -> None:
        at = block.names.index(watched.signal)
        self.told += int(np.count_nonzero(block.quality[at] != Quality.MISSING))
        value = block.values[at]
        says = np.isin(value, watched.equals) if watched.equals else (value != 0) & ~np.isnan(value)
        self.ready += int(np.count_nonzero(says))

    def _count_resets(self, block: SignalBlock, watched: Watched) -> None:
        at = block.names.index(watched.signal)
        told = _whole(block.raw[at])[block.quality[at] == Quality.GOOD]
        if not len(told):
            return
        first = told[0] if self.last_count is None else self.last_count
        rise = np.diff(told, prepend=first) % counter_modulus(block.message.signal(watched.signal))
        self.resets += int(np.where(rise > _MOST_RESETS, 1, rise).sum())
        self.last_count = int(told[-1])


class NodeWatch:
    """A stage: unbroken parts of blocks in; facts about each node at any time."""

    def __init__(self, expected: Expected) -> None:
        self._expected = expected
        self._nodes = [_Node(node) for node in expected.nodes]
        self._gaps = Gaps()
        self._gaps.grow(len(self._nodes))
        wanted = frozenset(key for node in expected.nodes for key in _wanted(node))
        self._decoder = Decoder([(i, bus.messages) for i, bus in enumerate(expected.buses)], wanted)

    def feed(self, part: FrameBlock) -> None:
        """Takes the frames, in the order of their arrival; time does not break among them."""
        decoded = self._decoder.decode(part, self._expected.bus_of_channels(part.channels))
        blocks = {(block.bus, block.message.name): block for block in decoded}
        stamps = [node.feed(blocks) for node in self._nodes]
        slots = np.repeat(np.arange(len(stamps)), [len(t) for t in stamps])
        if len(slots):
            self._gaps.push(np.concatenate(stamps), Groups.of(slots))

    def pause(self, broken: Break) -> None:
        """Time breaks; no gap spans the break."""
        self._gaps.pause(broken.end, broken.begin)

    def facts(self, end: int) -> tuple[NodeFacts, ...]:
        """Each expected node's facts, as of time `end`, ns."""
        self._gaps.close(end)
        counts = self._decoder.counts
        return tuple(
            NodeFacts(
                rhythm(self._gaps, slot, end),
                node.samples,
                node.ready / node.told if node.told else np.nan,
                None if node.expected.resets is None else node.resets,
                _sum([counts[node.expected.bus, m.name] for m in node.expected.messages]),
                node.twins.verdict(),
                node.twins.echoed,
            )
            for slot, node in enumerate(self._nodes)
        )


def _whole(raw: RawColumn) -> Ints:
    """Raw values as integers; floats in small steps, what is no number as 0."""
    if raw.dtype.kind == "f":
        raw = np.nan_to_num(raw * _FLOAT_STEPS, nan=0.0, posinf=0.0, neginf=0.0)
    return raw.astype(np.int64)


def _sum(counts: Sequence[MessageCounts]) -> MessageCounts:
    return MessageCounts(*(sum(column) for column in zip(*map(astuple, counts), strict=True)))


def _wanted(node: ExpectedNode) -> list[tuple[int, str, str]]:
    """The signals to decode: those watched, and of each message at least one, its counter before others."""
    names = {(m.name, m.protection.counter or m.signals[0].name) for m in node.messages}
    watched = [w for w in (node.reading, node.ready, node.resets) if w is not None]
    return [
        (node.bus, message, signal)
        for message, signal in sorted(names | {(w.message, w.signal) for w in watched})
    ]
