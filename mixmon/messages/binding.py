"""Binding: where each quantity of the session lies in the message definitions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bytes
from mixmon.gas.fuel import Fuel
from mixmon.messages.plan import MessagePlan, SignalPlan
from mixmon.note import Note
from mixmon.session.model import Session, SignalChoice

NO_BUS = 255
"""Bus index of channels that belong to no bus: the highest index that fits into uint8."""


@dataclass(frozen=True, slots=True)
class BoundSignal:
    """The signal of one quantity: what the session says of it, and its definition.

    choice   as in the session, with the node's position filled in
    bus      index of the bus
    message  the message that carries it
    signal   where it lies in the message
    """

    choice: SignalChoice
    bus: int
    message: MessagePlan
    signal: SignalPlan

    @property
    def key(self) -> tuple[int, str, str]:
        """Bus index, message and signal, as the decoder is asked for them."""
        return (self.bus, self.message.name, self.signal.name)


@dataclass(frozen=True, slots=True)
class Binding:
    """A session together with its message definitions.

    buses       bus names; a bus index counts in this order
    plans       the messages of each bus
    nodes       for each node, in session order: quantity (lambda, oxygen, ready, ...) to signal
    engine      engine quantity (rpm, throttle, ...) to signal
    channels    own channel, by its name in the session, to signal
    fuel        the fuel, gasoline where the session has none
    curve       the fuel for which the controllers compute lambda; None: the one that burns
    stoich_afr  the ratio that AFR numbers mean, as declared or from the fuel; None without a fuel
    missing     quantities that no signal carries, as keys of the session file
    gaps        what cannot be done because something is missing
    """

    session: Session
    buses: tuple[str, ...]
    plans: tuple[tuple[MessagePlan, ...], ...]
    nodes: tuple[Mapping[str, BoundSignal], ...]
    engine: Mapping[str, BoundSignal]
    channels: Mapping[str, BoundSignal]
    fuel: Fuel
    curve: Fuel | None
    stoich_afr: float | None
    missing: tuple[str, ...]
    gaps: tuple[Note, ...]

    @property
    def curve_assumed(self) -> bool:
        """Whether a controller sends lambda and the session does not say for which fuel it computes it."""
        return self.curve is None and any("lambda" in node for node in self.nodes)

    @property
    def tables(self) -> list[tuple[int, tuple[MessagePlan, ...]]]:
        """Each bus index with its messages, as `Decoder` takes them."""
        return list(enumerate(self.plans))

    @property
    def wanted(self) -> frozenset[tuple[int, str, str]]:
        """Bus index, message and signal of everything that is bound."""
        return frozenset(bound.key for bound in self._every_bound())

    def bus_of_channels(self, channels: Sequence[str]) -> Bytes:
        """The bus index of each channel of a log, uint8[c]; NO_BUS where it belongs to none.

        A channel belongs to the bus that names it, else to the one that takes any ("*").
        """
        by_name = {bus.log_channel: i for i, bus in enumerate(self.session.buses)}
        other = by_name.get("*", NO_BUS)
        return np.array([by_name.get(channel, other) for channel in channels], np.uint8)

    def _every_bound(self) -> Iterator[BoundSignal]:
        """The signals of all nodes, then those of the engine, then the own channels."""
        for node in self.nodes:
            yield from node.values()
        yield from self.engine.values()
        yield from self.channels.values()

    def channel_unit(self, name: str) -> str:
        """The unit of an own channel: as the session says, else as defined; "" for yes or no."""
        bound = self.channels[name]
        return "" if bound.choice.equals else bound.choice.unit or bound.signal.unit.strip()
