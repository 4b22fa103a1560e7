"""FrameBlock -> SignalBlock, whole columns at a time.

Frames are sorted by message, stably; messages of one layout lie side by side and are decoded
together, a shift and a mask a signal. What is kept between calls is what the rolling counters
need, and counts; so any split of the input gives the same columns.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.block import FrameBlock
from mixmon.messages.block import SignalBlock
from mixmon.messages.branches import Mask
from mixmon.messages.integrity import CounterWatch, MessageCounts
from mixmon.messages.layout import Decoded, Frames, Layout
from mixmon.messages.plan import MessagePlan
from mixmon.messages.routes import Routes

Entry = tuple[int, MessagePlan]


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Messages of one layout: slots `first` to `end` - 1."""

    layout: Layout
    first: int
    end: int


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """The frames of one group in a block, and which rows of the sorted block they are."""

    group: _Group
    frames: Frames
    rows: slice


class Decoder:
    """Decodes blocks of frames. Keeps the counters' last state, and counts.

    Frames that are not decoded are counted: `unknown` (no message of their bus has the
    identifier, or their channel belongs to no bus), `not_wanted` (no signal of theirs was asked
    for) and `not_data` (remote and error frames).

    >>> from mixmon.messages.chain import node_messages
    >>> from mixmon.messages.encode import Encoder
    >>> plan = node_messages(1)[0]
    >>> frames = Encoder(plan).encode(np.array([0]), {"Lambda": np.array([0.9])}, 0, ("can0",))
    >>> decoder = Decoder([(0, [plan])])
    >>> [block] = decoder.decode(frames, np.array([0], np.uint8))
    >>> block.values[block.names.index("Lambda")].round(4).tolist()
    [0.9]
    """

    def __init__(
        self,
        tables: Sequence[tuple[int, Sequence[MessagePlan]]],
        wanted: Collection[tuple[int, str, str]] | None = None,
    ) -> None:
        """`tables` gives each bus index its messages; `wanted` limits to (bus, message, signal).

        Raises:
            DefinitionError: two messages of one bus have the same identifier.
        """
        entries = [(bus, plan) for bus, plans in tables for plan in plans]
        names = [_wanted_names(bus, plan, wanted) for bus, plan in entries]
        left_out = [entry for entry, chosen in zip(entries, names, strict=True) if not chosen]
        self._place, self._groups = _grouped(entries, names)
        self._entries = [entries[place] for place in self._place]
        self._routes = Routes(self._entries, left_out)
        self._watch = CounterWatch([plan for _, plan in self._entries])
        self._frames = np.zeros(len(self._entries), np.int64)
        self._short = np.zeros_like(self._frames)
        self._checksum_errors = np.zeros_like(self._frames)
        self._outside: list[Counter[str]] = [Counter() for _ in self._entries]
        self.unknown = 0
        self.not_wanted = 0
        self.not_data = 0

    @property
    def counts(self) -> Mapping[tuple[int, str], MessageCounts]:
        """What happened so far to each decoded message, by (bus, name), in the order of the tables."""
        watch = self._watch
        columns = (
            self._frames, self._short, self._checksum_errors, watch.jumps, watch.lost, watch.repeats
        )  # fmt: skip
        rows = np.stack(columns, axis=1).tolist()
        slots = np.argsort(self._place)
        return {
            (self._entries[slot][0], self._entries[slot][1].name): MessageCounts(*rows[slot])
            for slot in slots.tolist()
        }

    @property
    def outside(self) -> Mapping[tuple[int, str, str], int]:
        """How many good values lay beyond their declared range so far, by (bus, message, signal).

        Only integer signals with any. They are decoded like the others; many of them hint at a
        wrong definition, such as the wrong byte order.
        """
        found = {}
        for slot in np.argsort(self._place).tolist():
            bus, plan = self._entries[slot]
            for signal in plan.signals:
                if count := self._outside[slot][signal.name]:
                    found[bus, plan.name, signal.name] = count
        return found

    def decode(self, block: FrameBlock, bus_of_channel: NDArray[np.uint8]) -> list[SignalBlock]:
        """The signals of the block: a SignalBlock for each message that occurs, in the order of the tables.

        `bus_of_channel` uint8[c] gives each of the block's channels its bus index, 255 for none.
        """
        found = self._routes.sort(block, bus_of_channel)
        self.unknown += found.unknown
        self.not_wanted += found.left_out
        self.not_data += found.not_data
        self._frames += np.diff(found.bounds)
        t, parts = block.t[found.order], self._parts(block, found.order, found.bounds)
        corrupt = self._corrupt(parts, t, found.bounds)
        blocks: dict[int, SignalBlock] = {}
        for part in parts:
            bad = corrupt[part.rows]
            decoded = part.group.layout.decode(part.frames, bad if bad.any() else None)
            self._split(part, decoded, t, found.bounds, blocks)
        return [blocks[place] for place in sorted(blocks)]

    def _parts(self, block: FrameBlock, order: NDArray[np.int64], bounds: NDArray[np.int64]) -> list[_Part]:
        words, size = block.data.view(np.uint64), block.size.take(order)
        parts = []
        for group in self._groups:
            rows = slice(int(bounds[group.first]), int(bounds[group.end]))
            if rows.start < rows.stop:
                needed = max(1, -(-group.layout.message.size // 8))
                data = words[:, :needed].take(order[rows], axis=0).view(np.uint8)
                parts.append(_Part(group, Frames(data, size[rows]), rows))
        return parts

    def _corrupt(self, parts: list[_Part], t: NDArray[np.int64], bounds: NDArray[np.int64]) -> Mask:
        """The frames of the sorted block that cannot be believed, bool[m]; all checks are counted."""
        slot = np.repeat(np.arange(len(self._entries)), np.diff(bounds))
        corrupt, whole = np.zeros(len(t), np.bool_), np.zeros(len(t), np.bool_)
        counter = np.zeros(len(t), np.int64)
        for part in parts:
            self._check_bytes(part, slot[part.rows], corrupt[part.rows])
            if part.group.layout.message.protection.counter is not None:
                counter[part.rows], held = part.group.layout.counter(part.frames)
                whole[part.rows] = ~corrupt[part.rows] if held is None else held & ~corrupt[part.rows]
        corrupt |= self._watch.judge(slot, t, counter, whole)
        return corrupt

    def _check_bytes(self, part: _Part, slot: NDArray[np.int64], corrupt: Mask) -> None:
        """Count short frames and wrong checksums; mark frames whose checksum is wrong or cut off."""
        layout = part.group.layout
        complete = part.frames.holding(layout.message.size)
        if complete is not None:
            self._short += self._per_slot(slot[~complete])
        if layout.message.protection.checksum is None:
            return
        if complete is None:
            corrupt |= layout.checksum_wrong(part.frames)
            self._checksum_errors += self._per_slot(slot[corrupt])
            return
        corrupt |= ~complete
        rows = np.flatnonzero(complete)
        wrong = rows[layout.checksum_wrong(part.frames.take(rows))]
        corrupt[wrong] = True
        self._checksum_errors += self._per_slot(slot[wrong])

    def _per_slot(self, slot: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.bincount(slot, minlength=len(self._entries))

    def _split(
        self,
        part: _Part,
        decoded: Decoded,
        t: NDArray[np.int64],
        bounds: NDArray[np.int64],
        blocks: dict[int, SignalBlock],
    ) -> None:
        """Add the blocks of the part's messages to `blocks`, by place in the tables."""
        names = tuple(signal.name for signal in part.group.layout.signals)
        for slot in range(part.group.first, part.group.end):
            first, end = bounds[slot : slot + 2].tolist()
            if first == end:
                continue
            own = slice(first - part.rows.start, end - part.rows.start)
            for name, beyond in decoded.outside.items():
                self._outside[slot][name] += int(np.count_nonzero(beyond[own]))
            bus, plan = self._entries[slot]
            blocks[self._place[slot]] = SignalBlock(
                plan,
                bus,
                names,
                t[first:end],
                decoded.values[:, own],
                decoded.quality[:, own],
                tuple(raw[own] for raw in decoded.raw),
            )


def _wanted_names(
    bus: int, plan: MessagePlan, wanted: Collection[tuple[int, str, str]] | None
) -> frozenset[str]:
    """The signals of a message that are to be decoded."""
    return frozenset(
        signal.name for signal in plan.signals if wanted is None or (bus, plan.name, signal.name) in wanted
    )


def _grouped(entries: list[Entry], names: list[frozenset[str]]) -> tuple[list[int], list[_Group]]:
    """Places of the decoded messages in `entries`, slot by slot, and the groups of slots alike."""
    alike: dict[object, list[int]] = {}
    for place, (_, plan) in enumerate(entries):
        if names[place]:
            alike.setdefault((layout_key(plan), names[place]), []).append(place)
    places: list[int] = []
    groups = []
    for members in alike.values():
        first, leader = len(places), members[0]
        places += members
        groups.append(_Group(Layout(entries[leader][1], names[leader]), first, len(places)))
    return places, groups


def layout_key(plan: MessagePlan) -> object:
    """Equal for messages that are decoded alike: all that matters but name, identifier and wording."""
    signals = tuple(
        (
            *(s.name, s.start, s.length, s.big_endian, s.signed, s.is_float, s.scale, s.offset),
            *(s.selectors, s.not_available, s.error),
        )
        for s in plan.signals
    )
    return plan.size, signals, plan.protection
