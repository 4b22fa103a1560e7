"""FrameBlock to SignalBlock, whole columns at a time.

Wants: every frame's signals, at millions of frames a second, equal for any split of the input.

Plan: frames are sorted by message, stably (`Routes`), so that the frames of each message, and of all messages
of one layout (`_Group`), lie side by side. Checksums and counters are judged first, for all messages at once;
then each group is decoded by its layout, a shift and a mask a signal, and cut into one block a message.

Invariant: what is kept between calls is what the rolling counters need, and counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Ints
from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, NOT_DATA, FrameBlock
from mixmon.messages.block import SignalBlock
from mixmon.messages.integrity import CounterWatch, MessageCounts
from mixmon.messages.layout import DecodedSignals, FrameLayout, Frames
from mixmon.messages.plan import MessagePlan, parameter_groups

Entry = tuple[int, MessagePlan]
"""A message on a bus, by the index of the bus."""


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Messages of one layout: slots `first` to `end` - 1."""

    layout: FrameLayout
    first: int
    end: int


@dataclass(frozen=True, slots=True, eq=False)
class _GroupFrames:
    """The frames of one group in a block, and which rows of the sorted block they are."""

    group: _Group
    frames: Frames
    rows: slice


class Decoder:
    """Decodes blocks of frames. Keeps the counters' last state, and counts.

    Frames that are not decoded are counted: `unknown` (no message of their bus has the
    identifier, or their channel belongs to no bus) and `not_data` (remote and error frames). Frames of
    a message of which no signal was asked for are left out, and not counted.

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
        self._place, self._groups = _group_by_layout(entries, names)
        self._entries = [entries[place] for place in self._place]
        self._routes = Routes(self._entries, left_out)
        self._watch = CounterWatch([plan for _, plan in self._entries])
        self._frames = np.zeros(len(self._entries), np.int64)
        self._short = np.zeros_like(self._frames)
        self._checksum_errors = np.zeros_like(self._frames)
        self._outside: list[Counter[str]] = [Counter() for _ in self._entries]
        self.unknown = 0
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

        Signals without any are omitted, and float signals are not watched. Values beyond the range are
        decoded like the others; many of them point to a wrong definition, such as the wrong byte order.
        """
        found = {}
        for slot in np.argsort(self._place).tolist():
            bus, plan = self._entries[slot]
            for signal in plan.signals:
                if count := self._outside[slot][signal.name]:
                    found[bus, plan.name, signal.name] = count
        return found

    def decode(self, block: FrameBlock, bus_of_channel: Bytes) -> list[SignalBlock]:
        """The signals of the block: a SignalBlock for each message that occurs, in the order of the tables.

        `bus_of_channel` uint8[c] gives each of the block's channels its bus index, 255 for none.
        """
        found = self._routes.sort(block, bus_of_channel)
        self.unknown += found.unknown
        self.not_data += found.not_data
        self._frames += np.diff(found.bounds)
        t, parts = block.t[found.order], self._split_by_group(block, found.order, found.bounds)
        corrupt = self._find_corrupt(parts, t, found.bounds)
        blocks: dict[int, SignalBlock] = {}
        for part in parts:
            bad = corrupt[part.rows]
            decoded = part.group.layout.decode(part.frames, bad if bad.any() else None)
            self._add_blocks(part, decoded, t, found, blocks)
        return [blocks[place] for place in sorted(blocks)]

    def _split_by_group(self, block: FrameBlock, order: Ints, bounds: Ints) -> list[_GroupFrames]:
        """The block's frames by group, in the order of the sorted block; groups without frames are omitted.

        Only the eight-byte words that the layout can reach are copied: most frames have one.
        """
        words, size = block.data.view(np.uint64), block.size.take(order)
        parts = []
        for group in self._groups:
            rows = slice(int(bounds[group.first]), int(bounds[group.end]))
            if rows.start < rows.stop:
                needed = max(1, -(-group.layout.message.size // 8))
                data = words[:, :needed].take(order[rows], axis=0).view(np.uint8)
                parts.append(_GroupFrames(group, Frames(data, size[rows]), rows))
        return parts

    def _find_corrupt(self, parts: list[_GroupFrames], t: Ints, bounds: Ints) -> Bools:
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

    def _check_bytes(self, part: _GroupFrames, slot: Ints, corrupt: Bools) -> None:
        """Count short frames and wrong checksums; mark frames whose checksum is wrong or cut off."""
        layout = part.group.layout
        complete = part.frames.holding(layout.message.size)
        if complete is not None:
            self._short += self._count_by_slot(slot[~complete])
        if layout.message.protection.checksum is None:
            return
        if complete is None:
            corrupt |= layout.checksum_wrong(part.frames)
            self._checksum_errors += self._count_by_slot(slot[corrupt])
            return
        corrupt |= ~complete
        rows = np.flatnonzero(complete)
        wrong = rows[layout.checksum_wrong(part.frames.take(rows))]
        corrupt[wrong] = True
        self._checksum_errors += self._count_by_slot(slot[wrong])

    def _count_by_slot(self, slot: Ints) -> Ints:
        """How many of the rows lie in each slot, int64[k]."""
        return np.bincount(slot, minlength=len(self._entries))

    def _add_blocks(
        self,
        part: _GroupFrames,
        decoded: DecodedSignals,
        t: Ints,
        found: Sorted,
        blocks: dict[int, SignalBlock],
    ) -> None:
        """Add the blocks of the part's messages to `blocks`, by place in the tables."""
        names = tuple(signal.name for signal in part.group.layout.signals)
        for slot in range(part.group.first, part.group.end):
            first, end = found.bounds[slot : slot + 2].tolist()
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
                found.order[first:end],
            )


def _wanted_names(
    bus: int, plan: MessagePlan, wanted: Collection[tuple[int, str, str]] | None
) -> frozenset[str]:
    """The signals of a message that are to be decoded."""
    return frozenset(
        signal.name for signal in plan.signals if wanted is None or (bus, plan.name, signal.name) in wanted
    )


def _group_by_layout(entries: list[Entry], names: list[frozenset[str]]) -> tuple[list[int], list[_Group]]:
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
        groups.append(_Group(FrameLayout(entries[leader][1], names[leader]), first, len(places)))
    return places, groups


def layout_key(plan: MessagePlan) -> object:
    """Equal for messages that one layout decodes: all that decoding uses, no names or comments."""
    signals = tuple(
        (
            *(s.name, s.start, s.length, s.big_endian, s.signed, s.is_float, s.scale, s.offset),
            *(s.selectors, s.not_available, s.error),
        )
        for s in plan.signals
    )
    return plan.size, signals, plan.protection


# --- Which frame belongs to which message: by bus and identifier, sorted so that messages lie together. ---

_STANDARD = 0x800
"""How many 11-bit identifiers there are; one more place in each bus's table stands for all others."""

_BUS_INDICES = 256
"""How many values a bus index of uint8 can have."""


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """Frames of a block by message.

    order       int64[m]    rows of the block, message by message, each in order of arrival
    bounds      int64[k+1]  frames of slot s: order[bounds[s] : bounds[s + 1]]
    unknown     frames of no message of their bus
    not_data    remote and error frames
    """

    order: Ints
    bounds: Ints
    unknown: int
    not_data: int


class Routes:
    """Finds the slot of every frame: 11-bit identifiers in a table, 29-bit ones by binary search.

    A 29-bit frame of no known identifier belongs to the message of its bus that is matched by its parameter
    group, if exactly one is.

    After the k slots of decoded messages come one for messages left out, one for frames of no
    message, and one for what is not a data frame.
    """

    def __init__(self, decoded: Sequence[Entry], left_out: Sequence[Entry]) -> None:
        """Slots are numbered as in `decoded`; entries are (bus index, message).

        Raises:
            DefinitionError: two messages of one bus have the same identifier.
        """
        self._k = len(decoded)
        _check_distinct((*decoded, *left_out))
        slots = [*enumerate(decoded), *((self._k, entry) for entry in left_out)]
        self._base = np.zeros(_BUS_INDICES, np.int64)
        buses = sorted({bus for _, (bus, _) in slots})
        for row, bus in enumerate(buses, start=1):
            self._base[bus] = row * (_STANDARD + 1)
        self._table = np.full((len(buses) + 1) * (_STANDARD + 1), self._k + 1, np.uint16)
        extended = []
        for slot, (bus, plan) in slots:
            if plan.can_id & EXTENDED:
                extended.append((_wide_key(bus, plan.can_id), slot))
            else:
                self._table[self._base[bus] + plan.can_id] = slot
        self._wide_keys, self._wide_slots = _sorted_columns(extended)
        self._group_keys, self._group_slots = _sorted_columns(_group_keys(slots))

    def sort(self, block: FrameBlock, bus_of_channel: Bytes) -> Sorted:
        """The frames of the block by message; `bus_of_channel` uint8[c] as the decoder's."""
        slot = self._find_slots(block, bus_of_channel)
        counts = np.bincount(slot, minlength=self._k + 3)
        ends = np.cumsum(counts)
        bounds = np.concatenate(([0], ends[: self._k]))
        order = np.argsort(slot, kind="stable")[: bounds[-1]]
        unknown, not_data = counts[self._k + 1 :].tolist()
        return Sorted(order, bounds, unknown, not_data)

    def _find_slots(self, block: FrameBlock, bus_of_channel: Bytes) -> NDArray[np.uint16]:
        """The slot of every frame, uint16[n]."""
        base = self._base[bus_of_channel]
        key = np.minimum(block.can_id, np.uint32(_STANDARD)).astype(np.int64)
        key += base[block.bus] if len(base) != 1 else base[0]
        slot = self._table[key]
        if len(self._wide_keys):
            self._find_wide(slot, block, bus_of_channel)
        evidence = block.flags & np.uint8(NOT_DATA)
        if evidence.any():
            slot[evidence != 0] = self._k + 2
        return slot

    def _find_wide(self, slot: NDArray[np.uint16], block: FrameBlock, bus_of_channel: Bytes) -> None:
        """Put the slots of frames with known 29-bit identifiers into `slot`."""
        rows = np.flatnonzero(block.can_id & np.uint32(EXTENDED))
        buses = bus_of_channel[block.bus[rows]].astype(np.int64)
        keys = _wide_key(buses, block.can_id[rows].astype(np.int64))
        places, found = _find_keys(self._wide_keys, keys)
        slot[rows[found]] = self._wide_slots[places[found]]
        if len(self._group_keys):
            rows, buses = rows[~found], buses[~found]
            keys = _wide_key(buses, parameter_groups(block.can_id[rows]).astype(np.int64))
            places, found = _find_keys(self._group_keys, keys)
            slot[rows[found]] = self._group_slots[places[found]]


def _group_keys(slots: Sequence[tuple[int, Entry]]) -> list[tuple[int, int]]:
    """Keys of bus and parameter group, with slots, of messages matched by their group and alone in it."""
    by_group = [(slot, bus, plan.can_id) for slot, (bus, plan) in slots if plan.by_pgn]
    groups = parameter_groups(np.array([can_id for _, _, can_id in by_group], np.uint32)).tolist()
    keys = [_wide_key(bus, group) for (_, bus, _), group in zip(by_group, groups, strict=True)]
    times = Counter(keys)
    return [(key, slot) for key, (slot, _, _) in zip(keys, by_group, strict=True) if times[key] == 1]


def _sorted_columns(keyed: list[tuple[int, int]]) -> tuple[Ints, NDArray[np.uint16]]:
    """Keys, sorted, and the slot of each."""
    keyed = sorted(keyed)
    return np.array([key for key, _ in keyed], np.int64), np.array([slot for _, slot in keyed], np.uint16)


def _find_keys(known: Ints, keys: Ints) -> tuple[Ints, Bools]:
    """Where each key stands among the known ones, which are sorted, and whether it is one of them."""
    places = np.searchsorted(known, keys)
    places[places == len(known)] = 0
    return places, known[places] == keys


def _wide_key(bus: Any, can_id: Any) -> Any:
    """One number for a bus and a 29-bit identifier; works on numbers and on columns."""
    return bus << 32 | can_id


def _check_distinct(entries: Sequence[Entry]) -> None:
    """Raise DefinitionError where two messages of one bus have the same identifier."""
    seen: dict[tuple[int, int], str] = {}
    for bus, plan in entries:
        other = seen.setdefault((bus, plan.can_id), plan.name)
        if other is not plan.name:
            raise DefinitionError(
                f"{plan.name}: identifier {plan.can_id & ~EXTENDED:#x} is also that of {other} on this bus; "
                "expected one message an identifier; remove one of the two from the message definitions"
            )
