"""Which frame belongs to which message: by bus and identifier, sorted so that messages lie together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, NOT_DATA, FrameBlock
from mixmon.messages.plan import MessagePlan

NO_BUS = 255
"""In a table of buses by channel: the channel belongs to none."""

_STANDARD = 0x800
"""How many 11-bit identifiers there are; one more place in each bus's table stands for all others."""


@dataclass(frozen=True, slots=True, eq=False)
class Sorted:
    """Frames of a block by message.

    order       int64[m]    rows of the block, message by message, each in order of arrival
    bounds      int64[k+1]  frames of slot s: order[bounds[s] : bounds[s + 1]]
    unknown     frames of no message of their bus; left_out, of a message that is not decoded;
    not_data    remote and error frames
    """

    order: NDArray[np.int64]
    bounds: NDArray[np.int64]
    unknown: int
    left_out: int
    not_data: int


class Routes:
    """Looks up the slot of every frame: 11-bit identifiers in a table, 29-bit ones by search.

    After the k slots of decoded messages come one for messages left out, one for frames of no
    message, and one for what is not a data frame.
    """

    def __init__(
        self, decoded: Sequence[tuple[int, MessagePlan]], left_out: Sequence[tuple[int, MessagePlan]]
    ) -> None:
        """Slots are numbered as in `decoded`; entries are (bus index, message).

        Raises:
            DefinitionError: two messages of one bus have the same identifier.
        """
        self._k = len(decoded)
        _check_distinct((*decoded, *left_out))
        slots = [*enumerate(decoded), *((self._k, entry) for entry in left_out)]
        self._base = np.zeros(256, np.int64)
        buses = sorted({bus for _, (bus, _) in slots})
        for row, bus in enumerate(buses, start=1):
            self._base[bus] = row * (_STANDARD + 1)
        self._table = np.full((len(buses) + 1) * (_STANDARD + 1), self._k + 1, np.uint16)
        extended = []
        for slot, (bus, plan) in slots:
            if plan.can_id & EXTENDED:
                extended.append((_wide(bus, plan.can_id), slot))
            else:
                self._table[self._base[bus] + plan.can_id] = slot
        extended.sort()
        self._wide_keys = np.array([key for key, _ in extended], np.int64)
        self._wide_slots = np.array([slot for _, slot in extended], np.uint16)

    def sort(self, block: FrameBlock, bus_of_channel: NDArray[np.uint8]) -> Sorted:
        """The frames of the block by message; `bus_of_channel` uint8[c] as the decoder's."""
        slot = self._slots(block, bus_of_channel)
        counts = np.bincount(slot, minlength=self._k + 3)
        ends = np.cumsum(counts)
        bounds = np.concatenate(([0], ends[: self._k]))
        order = np.argsort(slot, kind="stable")[: bounds[-1]]
        left_out, unknown, not_data = counts[self._k :].tolist()
        return Sorted(order, bounds, unknown, left_out, not_data)

    def _slots(self, block: FrameBlock, bus_of_channel: NDArray[np.uint8]) -> NDArray[np.uint16]:
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

    def _find_wide(
        self, slot: NDArray[np.uint16], block: FrameBlock, bus_of_channel: NDArray[np.uint8]
    ) -> None:
        rows = np.flatnonzero(block.can_id & np.uint32(EXTENDED))
        keys = _wide(bus_of_channel[block.bus[rows]].astype(np.int64), block.can_id[rows].astype(np.int64))
        places = np.searchsorted(self._wide_keys, keys)
        places[places == len(self._wide_keys)] = 0
        found = self._wide_keys[places] == keys
        slot[rows[found]] = self._wide_slots[places[found]]


def _wide(bus: Any, can_id: Any) -> Any:
    """One number for a bus and a 29-bit identifier; works on numbers and on columns."""
    return bus << 32 | can_id


def _check_distinct(entries: Sequence[tuple[int, MessagePlan]]) -> None:
    seen: dict[tuple[int, int], str] = {}
    for bus, plan in entries:
        other = seen.setdefault((bus, plan.can_id), plan.name)
        if other is not plan.name:
            raise DefinitionError(
                f"{plan.name}: identifier {plan.can_id & ~EXTENDED:#x} is also that of {other} on this bus; "
                "expected one message an identifier; remove one of the two from the message definitions"
            )
