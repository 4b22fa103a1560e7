"""What each node of the chain sends: how regularly its reading comes, and how well it is.

A node is followed by the samples of its reading, not by its frames: controllers that send several
probes in turn under one identifier are told apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.expected import Expected, ExpectedNode, Watched
from mixmon.findings.gaps import Gaps, Groups, Rhythm, rhythm
from mixmon.findings.timeline import Break
from mixmon.findings.twins import TwinSigns, TwinWatch
from mixmon.frames.block import FrameBlock
from mixmon.messages.block import SignalBlock
from mixmon.messages.decode import Decoder
from mixmon.messages.integrity import MessageCounts, counter_modulus
from mixmon.messages.layout import RawColumn
from mixmon.messages.plan import Quality

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

    def feed(self, blocks: Mapping[tuple[int, str], SignalBlock]) -> NDArray[np.int64]:
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


def _whole(raw: RawColumn) -> NDArray[np.int64]:
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
