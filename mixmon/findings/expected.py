"""Who should be on the bus: the nodes of a chain and the messages that carry something.

From a session, or without one from the project's own message layer, whose sixteen places are
then looked for on every channel.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.binding import NO_BUS, Binding, Bound
from mixmon.messages.chain import NODES, chain_messages, engine_messages, node_messages
from mixmon.messages.plan import MessagePlan

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

    def bus_of_channels(self, channels: Sequence[str]) -> NDArray[np.uint8]:
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
