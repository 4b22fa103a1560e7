"""The simulation in the words of any message definitions: the quantities that a session maps.

Every message that carries a mapped signal is sent on its cycle time. A multiplexed message takes
its branches in turn, one a frame. Signals that nothing maps say "not available", or zero.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.block import FrameBlock
from mixmon.messages.binding import Binding, Bound
from mixmon.messages.chain import NodeState
from mixmon.messages.encode import Encoder
from mixmon.messages.plan import MessagePlan
from mixmon.simulate.ecu import Ecu
from mixmon.simulate.node import Node
from mixmon.simulate.ticks import Ticks
from mixmon.simulate.world import World

Array = NDArray[np.float64]
Said = tuple[NDArray[np.int64], Mapping[str, Array]]
"""Moments int64[k] ns at which a node was asked, and its quantities then, float64[k]."""

Silent = Callable[[NDArray[np.int64]], NDArray[np.bool_]]
"""Whether a node has no supply at moments int64[k] ns."""

_CHAIN_CYCLE_NS, _ENGINE_CYCLE_NS = 10_000_000, 20_000_000
"""Cycles of messages whose definition names none (common practice, no source)."""

_PHASE_STEP_NS = 370_000
_MOST_CODES = 256
_ENGINE = -1


@dataclass(frozen=True, slots=True)
class _Wish:
    """One quantity that a signal carries; `node` counts the session's nodes, _ENGINE is the engine."""

    node: int
    quantity: str
    bound: Bound


class BoundLayer:
    """A world in the messages of a binding."""

    def __init__(self, world: World, binding: Binding) -> None:
        self._nodes = [
            Node(world, k + 1, tuple(world.cylinder_of[c - 1] for c in node.cylinders))
            for k, node in enumerate(binding.session.chain.nodes)
        ]
        channels = tuple(
            f"can{i}" if bus.log_channel == "*" else bus.log_channel
            for i, bus in enumerate(binding.session.buses)
        )
        self._messages = [
            _Message(world, binding, wishes, k, channels) for k, wishes in enumerate(_by_message(binding))
        ]

    def run(self, from_ns: int, to_ns: int) -> list[FrameBlock]:
        """The frames asked for in [from_ns, to_ns), in no order; calls follow one another."""
        for message in self._messages:
            message.advance(to_ns)
        said = [self._say(k, from_ns, to_ns) for k in range(len(self._nodes))]
        silent = [node.silent for node in self._nodes]
        return [message.frames(said, silent) for message in self._messages]

    def _say(self, k: int, from_ns: int, to_ns: int) -> Said:
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
        }


class _Message:
    """One message with its branches: each a set of wishes, and the multiplexers' values that call it."""

    def __init__(
        self, world: World, binding: Binding, wishes: list[_Wish], number: int, channels: tuple[str, ...]
    ) -> None:
        bound = wishes[0].bound
        self._bus, self._channels = bound.bus, channels
        self._encoder = Encoder(bound.message)
        self._branches = _branches(wishes)
        self._stoich = binding.stoich_afr or binding.fuel.stoich_afr
        cycle = bound.message.cycle_ns or (_ENGINE_CYCLE_NS if wishes[0].node == _ENGINE else _CHAIN_CYCLE_NS)
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

    def moments(self, node: int) -> NDArray[np.int64]:
        """When the laid-out frames carry anything of the node."""
        turns = [b for b, (wishes, _, _) in enumerate(self._branches) if any(w.node == node for w in wishes)]
        return self._t[np.isin(self._turn, turns)]

    def frames(self, said: Sequence[Said], silent: Sequence[Silent]) -> FrameBlock:
        """The laid-out frames; a branch that speaks only of nodes without supply is not sent."""
        k = len(self._t)
        columns: dict[str, Array] = {}
        raw: dict[str, NDArray[np.int64]] = {}
        sent = np.ones(k, bool)
        for turn, (wishes, calls, speakers) in enumerate(self._branches):
            rows = np.flatnonzero(self._turn == turn)
            t = self._t[rows]
            for name, values in self._values(wishes, t, said).items():
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

    def _values(
        self, wishes: Sequence[_Wish], t: NDArray[np.int64], said: Sequence[Said]
    ) -> dict[str, Array]:
        """Decoded values by signal; several claims on one signal go into one code."""
        engine = self._ecu.values(t) if any(w.node == _ENGINE for w in wishes) else {}
        columns = {}
        for name in dict.fromkeys(wish.bound.signal.name for wish in wishes):
            asked = [wish for wish in wishes if wish.bound.signal.name == name]
            values = [
                engine[w.quantity] if w.node == _ENGINE else _at(said[w.node], w.quantity, t) for w in asked
            ]
            coded = asked[0].bound.choice.equals is not None
            columns[name] = _coded(asked, values) if coded else self._number(asked[0], values[0])
        return columns

    def _number(self, wish: _Wish, value: Array) -> Array:
        """The value as decoded, before the session's unit, scale and offset."""
        choice = wish.bound.choice
        if choice.unit == "phi":
            value = 1 / value
        elif choice.unit == "afr":
            value = value * self._stoich
        return (value - choice.offset) / choice.scale


def _at(said: Said, quantity: str, t: NDArray[np.int64]) -> Array:
    moments, values = said
    return values[quantity][np.searchsorted(moments, t)]


def _coded(wishes: Sequence[_Wish], truths: Sequence[Array]) -> Array:
    """The decoded value under which every claim on the signal reads as it should."""
    claims = [wish.bound.choice.equals or () for wish in wishes]
    which = sum(truth.astype(np.int64) << k for k, truth in enumerate(truths))
    codes = np.zeros(1 << len(claims))
    for wanted in product((0, 1), repeat=len(claims)):
        fits = (
            code
            for code in _codes(wishes[0].bound)
            if all((code in claim) == bool(yes) for claim, yes in zip(claims, wanted, strict=True))
        )
        codes[sum(yes << k for k, yes in enumerate(wanted))] = next(fits, codes[0])
    return np.asarray(codes[which], np.float64)


def _codes(bound: Bound) -> list[float]:
    """Values that the signal can take: those with a name, or the first few."""
    signal = bound.signal
    raw = sorted(signal.choices) or range(min(1 << signal.length, _MOST_CODES))
    return [code * signal.scale + signal.offset for code in raw]


def _by_message(binding: Binding) -> list[list[_Wish]]:
    """All wishes, message by message, in the order of the session."""
    wishes = [
        _Wish(k, quantity, bound) for k, node in enumerate(binding.nodes) for quantity, bound in node.items()
    ]
    wishes += [_Wish(_ENGINE, quantity, bound) for quantity, bound in binding.engine.items()]
    grouped: dict[tuple[int, str], list[_Wish]] = {}
    for wish in wishes:
        grouped.setdefault((wish.bound.bus, wish.bound.message.name), []).append(wish)
    return list(grouped.values())


def _branches(wishes: list[_Wish]) -> list[tuple[list[_Wish], dict[str, int], list[int]]]:
    """The wishes by what the multiplexers must be; those without multiplexer are in every branch.

    With each branch go the nodes whose own it is: without them it is not sent.
    """
    calls = [_calls(wish.bound.signal.name, wish.bound.message) for wish in wishes]
    distinct = [dict(items) for items in dict.fromkeys(tuple(call.items()) for call in calls if call)] or [{}]
    served = [
        [w for w, own in zip(wishes, calls, strict=True) if not own or own == call] for call in distinct
    ]
    speak = [[w.node for w, own in zip(wishes, calls, strict=True) if own == call] for call in distinct]
    return [
        (wishes, call, [] if _ENGINE in nodes else sorted(set(nodes)))
        for wishes, call, nodes in zip(served, distinct, speak, strict=True)
    ]


def _calls(name: str, message: MessagePlan) -> dict[str, int]:
    """Raw values of the multiplexers above a signal under which it is present."""
    signal = message.signal(name)
    if not signal.selectors:
        return {}
    first = signal.selectors[0]
    return {**_calls(first.parent, message), first.parent: first.ranges[0][0]}
