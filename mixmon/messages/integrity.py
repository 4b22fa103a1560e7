"""Whether frames are whole, and whether every one is there: checksums and rolling counters.

Both work on columns, for all frames of a block at once. A frame whose checksum is wrong, or that is too
short to be checked, is corrupt and takes no part in the counter's sequence. Each of the others is compared
with the whole frame before it of the same message (`CounterWatch.judge`):

- the counter should have risen by one and by the corrupt frames between;
- the same counter again is a repeat, and the frame is corrupt too: a controller that repeats itself has
  stopped measuring;
- more is a jump, and the difference is the number of frames lost;
- the first frame, one after a silence of a whole turn of the counter, and one after a turn of corrupt
  frames say nothing.

Invariant: what is kept of a message is the counter and time of its last whole frame, so that the findings do
not depend on how frames are cut into blocks.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Bytes, Ints
from mixmon.messages.plan import MessagePlan, SignalPlan

_SILENCE_NS = SECOND_NS
"""Silence after which a counter says nothing, where no cycle time is known: common practice, no source."""


def counter_modulus(signal: SignalPlan) -> int:
    """How many values a rolling counter takes: up to its declared maximum, else all that fit.

    >>> counter_modulus(SignalPlan("Counter", 0, 4, False))
    16
    >>> counter_modulus(SignalPlan("Counter", 0, 4, False, minimum=0, maximum=14))
    15
    """
    full = 1 << signal.length
    if signal.maximum is None or signal.scale == 0:
        return full
    highest = round((signal.maximum - signal.offset) / signal.scale)
    return min(highest + 1, full) if highest > 0 else full


@dataclass(frozen=True, slots=True)
class MessageCounts:
    """Counts of one message's frames so far.

    frames           that were decoded
    short            fewer bytes than the definition says
    checksum_errors  whole frames whose checksum is wrong
    counter_jumps    places at which the rolling counter skipped values
    lost             frames that were skipped at these places
    repeats          frames with the same counter as the one before
    """

    frames: int = 0
    short: int = 0
    checksum_errors: int = 0
    counter_jumps: int = 0
    lost: int = 0
    repeats: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Predecessors:
    """For each of n whole frames, the whole frame of the same message before it.

    known    bool[n]   there is one
    counter  int64[n]  its raw counter
    t        int64[n]  its time, ns
    corrupt  int64[n]  corrupt frames since
    """

    known: Bools
    counter: Ints
    t: Ints
    corrupt: Ints


class CounterWatch:
    """Judges the rolling counters of k messages. Keeps the last counter and time of each.

    `jumps`, `lost` and `repeats` int64[k] are the counts so far.
    """

    def __init__(self, plans: Sequence[MessagePlan]) -> None:
        k = len(plans)
        self._counter_modulus = np.array([_counter_modulus(plan) for plan in plans], np.int64)
        self._longest_silence = np.array([_longest_silence(plan) for plan in plans], np.int64)
        self._known = np.zeros(k, np.bool_)
        self._counter = np.zeros(k, np.int64)
        self._t = np.zeros(k, np.int64)
        self._corrupt = np.zeros(k, np.int64)
        self.jumps = np.zeros(k, np.int64)
        self.lost = np.zeros(k, np.int64)
        self.repeats = np.zeros(k, np.int64)

    def judge(self, slot: Ints, t: Ints, counter: Ints, whole: Bools) -> Bools:
        """The frames that repeat their predecessor's counter, bool[n].

        slot      int64[n]  which message, 0 to k-1, rising; a message's frames in order of arrival
        t         int64[n]  ns
        counter   int64[n]  raw counter
        whole     bool[n]   the frame holds a counter and its checksum, if any, is right
        """
        rows = np.flatnonzero(whole)
        at = slot[rows]
        first = np.ones(len(rows), np.bool_)
        first[1:] = at[1:] != at[:-1]
        before = self._find_before(slot, t, counter, rows, first)
        modulus = self._counter_modulus[at]
        rise = counter[rows] - before.counter
        rise += modulus * (rise < 0)
        judged = before.known & (np.abs(t[rows] - before.t) <= self._longest_silence[at])
        judged &= before.corrupt + 1 < modulus
        same = judged & (rise == 0)
        lost = np.where(judged, np.maximum(rise - before.corrupt - 1, 0), 0)
        self._count_faults(at, same, lost)
        self._keep_newest(slot, t, counter, rows, first)
        repeated = np.zeros(len(slot), np.bool_)
        repeated[rows] = same
        return repeated

    def _find_before(self, slot: Ints, t: Ints, counter: Ints, rows: Ints, first: Bools) -> _Predecessors:
        previous = np.empty_like(rows)
        previous[:1] = 0
        previous[1:] = rows[:-1]
        before = _Predecessors(np.ones_like(first), counter[previous], t[previous], rows - previous - 1)
        at = slot[rows[first]]
        before.known[first] = self._known[at]
        before.counter[first] = self._counter[at]
        before.t[first] = self._t[at]
        before.corrupt[first] = self._corrupt[at] + rows[first] - np.searchsorted(slot, at)
        return before

    def _count_faults(self, at: Ints, same: Bools, lost: Ints) -> None:
        k = len(self.jumps)
        self.repeats += np.bincount(at[same], minlength=k)
        jumped = lost > 0
        self.jumps += np.bincount(at[jumped], minlength=k)
        np.add.at(self.lost, at[jumped], lost[jumped])

    def _keep_newest(self, slot: Ints, t: Ints, counter: Ints, rows: Ints, first: Bools) -> None:
        self._corrupt += np.bincount(slot, minlength=len(self._corrupt))
        last = np.ones_like(first)
        last[:-1] = first[1:]
        newest = rows[last]
        at = slot[newest]
        self._known[at] = True
        self._counter[at] = counter[newest]
        self._t[at] = t[newest]
        self._corrupt[at] = np.searchsorted(slot, at, side="right") - newest - 1


def _counter_modulus(plan: MessagePlan) -> int:
    """How many values the message's counter takes; 1 where it has none, which judges nothing."""
    name = plan.protection.counter
    return 1 if name is None else counter_modulus(plan.signal(name))


def _longest_silence(plan: MessagePlan) -> int:
    """Nanoseconds in which the counter turns once: after longer it may have any value."""
    return _SILENCE_NS if plan.cycle_ns is None else _counter_modulus(plan) * plan.cycle_ns


# --- Checksums over columns of bytes: one table look-up a byte column, for all frames at once. ---


@dataclass(frozen=True, slots=True, eq=False)
class Crc8:
    """An 8-bit CRC without reflection: its table (start 0), first register value and final XOR."""

    table: Bytes
    init: int
    final_xor: int

    def over(self, columns: Iterable[Bytes], count: int) -> Bytes:
        """The CRC of each of `count` rows over the byte columns uint8[count], first column first.

        >>> text = np.frombuffer(b"123456789", np.uint8)
        >>> hex(CRC8_J1850.over(text[:, None], 1)[0])
        '0x4b'
        """
        register = np.full(count, self.init, np.uint8)
        for column in columns:
            register = self.table.take(register ^ column)
        return register ^ np.uint8(self.final_xor)


def crc8_table(polynomial: int) -> Bytes:
    """The 256 registers that follow from each register value after one byte of zeros.

    >>> crc8_table(0x1D)[:8].tolist()
    [0, 29, 58, 39, 116, 105, 78, 83]
    """
    table = np.arange(256)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ polynomial, table << 1) & 0xFF
    return table.astype(np.uint8)


CRC8_J1850 = Crc8(crc8_table(0x1D), 0xFF, 0xFF)
"""SAE J1850; AUTOSAR's Crc_CalculateCRC8 (check values: AUTOSAR SWS CRC library)."""
CRC8_H2F = Crc8(crc8_table(0x2F), 0xFF, 0xFF)
"""AUTOSAR's Crc_CalculateCRC8H2F, as in end-to-end profile 2."""
CRC8_1D = Crc8(crc8_table(0x1D), 0x00, 0x00)
"""The same polynomial with nothing before or after: in effect AUTOSAR end-to-end profile 1."""

ALGORITHMS = ("CRC8_J1850", "CRC8_H2F", "CRC8_1D", "XOR8")
"""Names by which message definitions ask for a checksum."""

_CRCS = {"CRC8_J1850": CRC8_J1850, "CRC8_H2F": CRC8_H2F, "CRC8_1D": CRC8_1D}


def checksum(algorithm: str, columns: Sequence[Bytes], count: int, data_id: int | None = None) -> Bytes:
    """The checksum uint8[count] over the byte columns uint8[count], first column first.

    With a `data_id`, its low and then its high byte, which are not in the frame, go first
    (with CRC8_1D: AUTOSAR end-to-end profile 1, both bytes).

    Raises:
        ValueError: the algorithm is not one of ALGORITHMS.
    """
    if algorithm not in ALGORITHMS:
        raise ValueError(f"checksum {algorithm}: expected one of {', '.join(ALGORITHMS)}")
    if data_id is not None:
        front = [np.full(count, byte, np.uint8) for byte in (data_id & 0xFF, data_id >> 8 & 0xFF)]
        columns = [*front, *columns]
    if algorithm == "XOR8":
        return np.bitwise_xor.reduce(columns) if columns else np.zeros(count, np.uint8)
    return _CRCS[algorithm].over(columns, count)
