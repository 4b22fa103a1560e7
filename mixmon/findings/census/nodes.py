"""Who should be on the bus, and what each node of the chain sends.

What is expected (`Expected`) comes from a session (`from_binding`), or without one from the project's own
message layer (`from_own_layer`), whose sixteen places are then looked for on every channel. `NodeWatch`
decodes the frames of the expected nodes and counts: how regularly a node's reading comes, whether it is
ready, how often it restarts, whether its frames are whole, and whether two controllers send them.

A node is followed by the samples of its reading, not by its frames, because one controller may send the
readings of several nodes in turn under one identifier.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field

import numpy as np

from mixmon.arrays import Bytes, Ints
from mixmon.findings.census.duplicates import DuplicateSigns, DuplicateWatch
from mixmon.findings.census.traffic import Gaps, Groups, Rhythm, rhythm
from mixmon.frames.block import EXTENDED, FrameBlock
from mixmon.frames.clock import Jump
from mixmon.messages.binding import NO_BUS, Binding, BoundSignal
from mixmon.messages.block import SignalBlock
from mixmon.messages.chain import (
    NODES,
    NodeState,
    chain_messages,
    engine_messages,
    node_messages,
    trim_messages,
)
from mixmon.messages.decode import Decoder
from mixmon.messages.integrity import MessageCounts, counter_modulus
from mixmon.messages.plan import MessagePlan, Quality, parameter_groups
from mixmon.messages.senders import as_integers

_READY_STATES = (float(NodeState.READY),)


@dataclass(frozen=True, slots=True)
class WatchedSignal:
    """One signal of a node that the census reads. With `equals`, those values mean yes, all others no."""

    message: str
    signal: str
    equals: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class ExpectedNode:
    """One node: its place, what it is mounted on, and its messages.

    bus            bus index
    messages       all it can send, the one with the reading first
    in_turn        the reading shares its message with others, which come in turn
    reading        its mixture reading
    ready, resets  the signals that say so; None where there are none
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None
    bus: int
    messages: tuple[MessagePlan, ...]
    reading: WatchedSignal
    in_turn: bool = False
    ready: WatchedSignal | None = None
    resets: WatchedSignal | None = None


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
        """The message of frames of that identifier, by the rules of the decoder; None if it has none."""
        exact = next((plan for plan in self.messages if plan.can_id == can_id), None)
        if exact is not None or not can_id & EXTENDED:
            return exact
        by_group = [plan for plan in self.messages if plan.by_pgn]
        groups = parameter_groups(np.array([can_id, *(plan.can_id for plan in by_group)], np.uint32))
        found = [plan for plan, same in zip(by_group, groups[1:] == groups[0], strict=True) if same]
        return found[0] if len(found) == 1 else None


@dataclass(frozen=True, slots=True)
class Expected:
    """What a census compares with.

    declared       there is a session. Without one, the nodes are all that the project's own layer could have,
                   and none of them is missing
    unused_places  position of messages, by bus index and name, that are defined for places in the chain
                   that the session does not use
    """

    buses: tuple[ExpectedBus, ...]
    nodes: tuple[ExpectedNode, ...]
    declared: bool
    unused_places: Mapping[tuple[int, str], int] = field(default_factory=dict)

    def bus_of_channels(self, channels: Sequence[str]) -> Bytes:
        """The bus index of each channel, uint8[c]; NO_BUS where it belongs to none."""
        by_name = {bus.channel: i for i, bus in enumerate(self.buses)}
        other = by_name.get("*", NO_BUS)
        return np.array([by_name.get(channel, other) for channel in channels], np.uint8)


def from_binding(binding: Binding) -> Expected:
    """What a session expects."""
    engine: dict[int, dict[str, None]] = {}
    for bound in (*binding.engine.values(), *binding.channels.values()):
        engine.setdefault(bound.bus, {})[bound.message.name] = None
    nodes = tuple(
        _expected_node(binding, i) for i, found in enumerate(binding.nodes) if _reading_signal(found)
    )
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
    return Expected(buses, nodes, declared=True, unused_places=_unused_places(binding, owned))


def from_own_layer(bitrate: int | None = None) -> Expected:
    """What the project's own layer could have, on one bus that is every channel."""
    nodes = tuple(
        ExpectedNode(
            position,
            (),
            None,
            0,
            (fast, state, identity),
            WatchedSignal(fast.name, "Lambda"),
            ready=WatchedSignal(fast.name, "State", _READY_STATES),
            resets=WatchedSignal(state.name, "ResetCount"),
        )
        for position in range(1, NODES + 1)
        for fast, state, identity in [node_messages(position)]
    )
    bus = ExpectedBus("", "*", bitrate, (*chain_messages(), *engine_messages(), *trim_messages()))
    return Expected((bus,), nodes, declared=False)


def _reading_signal(found: Mapping[str, BoundSignal]) -> BoundSignal | None:
    """The signal by which a node is followed; None where it has neither lambda nor oxygen."""
    return found.get("lambda") or found.get("oxygen")


def _expected_node(binding: Binding, index: int) -> ExpectedNode:
    declared, found = binding.session.chain.nodes[index], binding.nodes[index]
    reading = _reading_signal(found)
    assert reading is not None
    return ExpectedNode(
        declared.position,
        declared.cylinders,
        declared.sensor,
        reading.bus,
        _node_messages(binding, index, reading),
        _watched_signal(reading),
        bool(reading.signal.selectors),
        _watched_signal(found["ready"]) if "ready" in found else None,
        _watched_signal(found["resets"]) if "resets" in found else None,
    )


def _watched_signal(bound: BoundSignal) -> WatchedSignal:
    return WatchedSignal(bound.message.name, bound.signal.name, bound.choice.equals)


def _node_messages(binding: Binding, index: int, reading: BoundSignal) -> tuple[MessagePlan, ...]:
    """The reading's message, those of the node's other signals, and those named after its place."""
    mapped = {b.message.name for b in binding.nodes[index].values() if b.bus == reading.bus}
    place = binding.session.chain.nodes[index].position
    own = [
        plan
        for plan in binding.plans[reading.bus]
        if plan.name != reading.message.name
        and (plan.name in mapped or _place_in_name(binding, plan.name) == place)
    ]
    return (reading.message, *own)


def _place_in_name(binding: Binding, name: str) -> int | None:
    """The place in the chain after which a message is named, by the pattern of the chain's readings."""
    signals = binding.session.chain.signals
    pattern = signals.get("lambda") or signals.get("oxygen")
    if pattern is None or "{position" not in pattern.message:
        return None
    front, _, _ = pattern.message.partition("{position")
    match = re.match(re.escape(front) + r"(\d+)", name)
    return int(match[1]) if match else None


def _unused_places(binding: Binding, owned: set[tuple[int, str]]) -> dict[tuple[int, str], int]:
    """Position by bus index and name of the chain's messages that belong to no node of the session."""
    bus = binding.buses.index(binding.session.chain.bus)
    names = [plan.name for plan in binding.plans[bus] if (bus, plan.name) not in owned]
    places = {name: _place_in_name(binding, name) for name in names}
    return {(bus, name): place for name, place in places.items() if place is not None}


_MOST_RESETS = 16
"""A count that rises by more has started over: one reset. Our choice: a frame comes every 100 ms or so."""


@dataclass(frozen=True, slots=True)
class NodeTraffic:
    """What a node did.

    rhythm        of its reading
    samples       of its reading
    share_ready   share of its state frames that are whole and say ready; NaN if none says
    resets        restarts of the controller; None where no signal counts them
    counts        of its messages together
    duplicate     the signs that two controllers send its reading, None if they do not
    echoed        each of its frames comes twice
    """

    rhythm: Rhythm
    samples: int
    share_ready: float
    resets: int | None
    counts: MessageCounts
    duplicate: DuplicateSigns | None
    echoed: bool


class _NodeTally:
    """One node's running sums."""

    def __init__(self, expected: ExpectedNode) -> None:
        self.expected = expected
        message = expected.messages[0]
        signal = message.signal(expected.reading.signal)
        counter = message.protection.counter
        self.counter = counter
        self.duplicates = DuplicateWatch(
            None if signal.selectors else message.cycle_ns,
            None if counter is None or signal.selectors else counter_modulus(message.signal(counter)),
        )
        self.samples = self.states = self.ready = self.resets = 0
        self.last_count: int | None = None

    def feed(self, blocks: Mapping[tuple[int, str], SignalBlock]) -> Ints:
        """Take the node's blocks, by bus index and message; returns the stamps of its reading, int64[m]."""
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
            as_integers(block.raw[block.names.index(self.counter)])
            if self.counter
            else np.zeros_like(block.t)
        )
        self.duplicates.feed(block.t[rows], counter[rows], as_integers(block.raw[at])[rows])
        return block.t[rows]

    def _count_ready(self, block: SignalBlock, watched: WatchedSignal) -> None:
        at = block.names.index(watched.signal)
        self.states += int(np.count_nonzero(block.quality[at] != Quality.MISSING))
        value = block.values[at]
        says = np.isin(value, watched.equals) if watched.equals else (value != 0) & ~np.isnan(value)
        self.ready += int(np.count_nonzero(says))

    def _count_resets(self, block: SignalBlock, watched: WatchedSignal) -> None:
        at = block.names.index(watched.signal)
        counts = as_integers(block.raw[at])[block.quality[at] == Quality.GOOD]
        if not len(counts):
            return
        first = counts[0] if self.last_count is None else self.last_count
        rise = np.diff(counts, prepend=first) % counter_modulus(block.message.signal(watched.signal))
        self.resets += int(np.where(rise > _MOST_RESETS, 1, rise).sum())
        self.last_count = int(counts[-1])


class NodeWatch:
    """Counts what each expected node sends: blocks without a jump of time in, facts at any time."""

    def __init__(self, expected: Expected) -> None:
        self._expected = expected
        self._nodes = [_NodeTally(node) for node in expected.nodes]
        self._gaps = Gaps()
        self._gaps.grow(len(self._nodes))
        wanted = frozenset(key for node in expected.nodes for key in _wanted_signals(node))
        self._decoder = Decoder([(i, bus.messages) for i, bus in enumerate(expected.buses)], wanted)

    def feed(self, part: FrameBlock) -> None:
        """Take frames in the order of their arrival; time does not jump among them."""
        decoded = self._decoder.decode(part, self._expected.bus_of_channels(part.channels))
        blocks = {(block.bus, block.message.name): block for block in decoded}
        stamps = [node.feed(blocks) for node in self._nodes]
        slots = np.repeat(np.arange(len(stamps)), [len(t) for t in stamps])
        if len(slots):
            self._gaps.push(np.concatenate(stamps), Groups.of(slots))

    def pause(self, broken: Jump) -> None:
        """Note a jump of time; no gap spans it."""
        self._gaps.pause(broken.end, broken.begin)

    def facts(self, end: int) -> tuple[NodeTraffic, ...]:
        """Each expected node's facts, as of time `end`, ns."""
        self._gaps.close(end)
        counts = self._decoder.counts
        return tuple(
            NodeTraffic(
                rhythm(self._gaps, slot, end),
                node.samples,
                node.ready / node.states if node.states else np.nan,
                None if node.expected.resets is None else node.resets,
                _sum_counts([counts[node.expected.bus, m.name] for m in node.expected.messages]),
                node.duplicates.verdict(),
                node.duplicates.echoed,
            )
            for slot, node in enumerate(self._nodes)
        )


def _sum_counts(counts: Sequence[MessageCounts]) -> MessageCounts:
    return MessageCounts(*(sum(column) for column in zip(*map(astuple, counts), strict=True)))


def _wanted_signals(node: ExpectedNode) -> list[tuple[int, str, str]]:
    """Bus, message and signal of what is decoded: the watched signals, and one of each other message.

    At least one signal of every message is decoded, its counter if it has one, so that its frames count.
    """
    names = {(m.name, m.protection.counter or m.signals[0].name) for m in node.messages}
    watched = [w for w in (node.reading, node.ready, node.resets) if w is not None]
    return [
        (node.bus, message, signal)
        for message, signal in sorted(names | {(w.message, w.signal) for w in watched})
    ]
