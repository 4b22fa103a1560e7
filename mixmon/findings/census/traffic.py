"""What passes on each bus: identifiers, rates, gaps, load, error frames; not yet what it means.

Three parts that `census` puts in a row. `StretchCutter` cuts blocks where the stamps jump by more than the
clock of `frames.clock` would bridge (logs joined end to end, a device that was reset): nothing that is
measured in time may span a jump. `Gaps` counts how regularly many senders come, side by side, each in its
slot. `Traffic` gives every identifier on every channel a slot, and adds up the bits of each channel.

Invariant: sums, extremes and histograms are kept as integers, so that the result does not depend on how the
stamps were cut into blocks, and hours take no more memory than seconds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Ints
from mixmon.frames.bits import phase_bits
from mixmon.frames.block import NOT_DATA, FrameBlock, FrameFlag
from mixmon.frames.clock import BACKWARD_JUMP_NS, FORWARD_JUMP_NS, KEPT_JUMPS, Jump

NO_TIME = np.iinfo(np.int64).min
"""Stands for a stamp or a gap that does not exist."""

_BINS_PER_OCTAVE = 64
"""Bins of the histogram an octave: a percentile is right within 0.8 % (computed: half of 1 in 64)."""

_SLOT_SHIFT = 16
"""Bits of a bin's number within its slot: 64 octaves of 64 bins need 12."""

_LONGEST_SWING = 1_000_000_000_000
"""Changes of a gap are summed up to this many ns each: nine million of them fit into int64 (computed)."""

PEAK_WINDOW_NS = 100_000_000
"""The peak load is that of the busiest window of this length on a grid of time that begins with the first
frame. Our choice: ten frames of a message of 10 ms."""

TIMER_GRID_SHARE = 0.2
"""Gaps that differ from their neighbours by less than this share are the grid of one sender's timer:
common practice, no source."""

_BUS_SHIFT = 32
"""Bits of an identifier in a key of channel and identifier."""

ERROR_CLASSES: Mapping[int, str] = {
    0x001: "transmit timeout",
    0x002: "lost arbitration",
    0x004: "controller",
    0x008: "protocol violation",
    0x010: "transceiver",
    0x020: "no acknowledgement",
    0x040: "bus off",
    0x080: "bus error",
    0x100: "controller restarted",
}
"""Class bits of an error frame's identifier (Linux, include/uapi/linux/can/error.h)."""


# --- How regularly things come: gaps between successive stamps. ---


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Rows of a block by slot: `order` sorts them, `starts` and `ends` bound each slot's run."""

    order: Ints
    slots: Ints
    starts: Ints
    ends: Ints

    @classmethod
    def of(cls, slots: Ints) -> Groups:
        """The groups of int64[n] slots, n > 0; rows of one slot keep their order."""
        order = np.argsort(slots, kind="stable")
        ordered = slots[order]
        starts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
        return cls(order, ordered[starts], starts, np.append(starts[1:], len(slots)) - 1)


class PreviousValues:
    """Finds for every row the values one, two, ... rows before it in its own slot, across blocks."""

    def __init__(self, depth: int) -> None:
        self._carry = np.full((depth, 0), NO_TIME, np.int64)

    def grow(self, slots: int) -> None:
        """Make room for that many slots."""
        more = np.full((len(self._carry), slots - self._carry.shape[1]), NO_TIME, np.int64)
        self._carry = np.concatenate([self._carry, more], axis=1)

    def push(self, values: Ints, groups: Groups) -> list[Ints]:
        """The values before each of the (grouped) values, nearest first; NO_TIME where there are none."""
        lags, column = [], values
        for carry in self._carry:
            before = np.empty_like(column)
            before[1:] = column[:-1]
            before[groups.starts] = carry[groups.slots]
            carry[groups.slots] = column[groups.ends]
            lags.append(before)
            column = before
        return lags

    def forget(self) -> None:
        """Forget all values: nothing comes before the next value of any slot."""
        self._carry[:] = NO_TIME


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How regularly one sender came; NaN where too few stamps came to say.

    first, last   stamps, ns; None if it never came
    rate_hz       times a second while time ran: gaps over their sum
    gap_p50_s, gap_p95_s, gap_p99_s   percentiles of the gaps, within 0.8 %
    gap_max_s     longest gap, silence up to the end included
    jitter_s      half the width of the middle nine tenths of the gaps
    silent_s      time from the last (or from the last break of time) to the end
    """

    first: int | None = None
    last: int | None = None
    rate_hz: float = np.nan
    gap_p50_s: float = np.nan
    gap_p95_s: float = np.nan
    gap_p99_s: float = np.nan
    gap_max_s: float = np.nan
    jitter_s: float = np.nan
    silent_s: float = np.nan


class Gaps:
    """Counts, sums and histograms of the gaps between stamps, by slot.

    count, total    int64[slots]   gaps and their sum in ns (a backward step counts as it is)
    longest         int64[slots]   ns
    swing, swing2   int64[slots]   sums of |gap - the gap before| and |gap - the gap before that|, ns
    first, last     int64[slots]   stamps, NO_TIME before the first
    """

    def __init__(self) -> None:
        none = np.zeros(0, np.int64)
        self.count = self.total = self.longest = self.swing = self.swing2 = none
        self.first = self.last = self._quiet_from = none
        self._stamps, self._gaps = PreviousValues(1), PreviousValues(2)
        self._bins, self._counts = none, none

    def grow(self, slots: int) -> None:
        """Make room for that many slots."""
        more = slots - len(self.count)
        for name in ("count", "total", "longest", "swing", "swing2"):
            setattr(self, name, np.concatenate([getattr(self, name), np.zeros(more, np.int64)]))
        for name in ("first", "last", "_quiet_from"):
            setattr(self, name, np.concatenate([getattr(self, name), np.full(more, NO_TIME, np.int64)]))
        self._stamps.grow(slots)
        self._gaps.grow(slots)

    def push(self, t: Ints, groups: Groups) -> None:
        """Take stamps int64[n] in the order of their arrival."""
        t = t[groups.order]
        (before,) = self._stamps.push(t, groups)
        gap = np.where(before == NO_TIME, NO_TIME, t - np.where(before == NO_TIME, 0, before))
        known = gap != NO_TIME
        by_slot = groups.starts
        self.count[groups.slots] += np.add.reduceat(known.astype(np.int64), by_slot)
        self.total[groups.slots] += np.add.reduceat(np.where(known, gap, 0), by_slot)
        self._extend_longest(groups.slots, np.maximum.reduceat(gap, by_slot))
        for name, earlier in zip(("swing", "swing2"), self._gaps.push(gap, groups), strict=True):
            getattr(self, name)[groups.slots] += np.add.reduceat(_sum_swings(gap, earlier), by_slot)
        self._note_ends(t, groups)
        self._count_gaps(np.repeat(groups.slots, groups.ends - groups.starts + 1)[known], gap[known])

    def pause(self, end: int, begin: int) -> None:
        """Note a jump of time, from `end` to `begin`, ns; no gap spans it."""
        self.close(end)
        self._quiet_from[self.last != NO_TIME] = begin
        self._stamps.forget()
        self._gaps.forget()

    def close(self, end: int) -> None:
        """Count the silence from each slot's last stamp to `end`, ns, as a gap."""
        seen = np.flatnonzero(self.last != NO_TIME)
        self._extend_longest(seen, end - self._quiet_from[seen])

    def percentile(self, slot: int, share: float) -> float:
        """The gap in ns that this share of the slot's gaps does not exceed; NaN without gaps."""
        begin, end = np.searchsorted(self._bins, [slot << _SLOT_SHIFT, (slot + 1) << _SLOT_SHIFT])
        if begin == end:
            return np.nan
        reached = self._counts[begin:end].cumsum()
        rank = max(1, int(np.ceil(share * reached[-1])))
        gap = _bin_middle(int(self._bins[begin + np.searchsorted(reached, rank)]) - (slot << _SLOT_SHIFT))
        return min(gap, float(self.longest[slot]))

    def quiet_since(self, slot: int) -> int:
        """The slot's last stamp, or the beginning of the unbroken time if that is later."""
        return int(self._quiet_from[slot])

    def _extend_longest(self, slots: Ints, gap: Ints) -> None:
        self.longest[slots] = np.maximum(self.longest[slots], gap)

    def _note_ends(self, t: Ints, groups: Groups) -> None:
        new = self.first[groups.slots] == NO_TIME
        self.first[groups.slots[new]] = t[groups.starts[new]]
        self.last[groups.slots] = self._quiet_from[groups.slots] = t[groups.ends]

    def _count_gaps(self, slots: Ints, gap: Ints) -> None:
        """Add the gaps to the histogram; backward steps count as zero."""
        bins, counts = np.unique(
            slots << _SLOT_SHIFT | _histogram_bin(np.maximum(gap, 0)), return_counts=True
        )
        merged, where = np.unique(np.concatenate([self._bins, bins]), return_inverse=True)
        total = np.zeros(len(merged), np.int64)
        np.add.at(total, where, np.concatenate([self._counts, counts]))
        self._bins, self._counts = merged, total


def rhythm(gaps: Gaps, slot: int, end: int) -> Rhythm:
    """The slot's rhythm as of time `end`, ns, up to which the gaps were closed."""
    if gaps.last[slot] == NO_TIME:
        return Rhythm()
    p05, p50, p95, p99 = (gaps.percentile(slot, share) / 1e9 for share in (0.05, 0.50, 0.95, 0.99))
    count, total = int(gaps.count[slot]), int(gaps.total[slot])
    return Rhythm(
        first=int(gaps.first[slot]),
        last=int(gaps.last[slot]),
        rate_hz=count * 1e9 / total if total > 0 else np.nan,
        gap_p50_s=p50,
        gap_p95_s=p95,
        gap_p99_s=p99,
        gap_max_s=int(gaps.longest[slot]) / 1e9,
        jitter_s=(p95 - p05) / 2,
        silent_s=(end - gaps.quiet_since(slot)) / 1e9,
    )


def _sum_swings(gap: Ints, earlier: Ints) -> Ints:
    known = (gap != NO_TIME) & (earlier != NO_TIME)
    change: Ints = np.abs(np.where(known, gap, 0) - np.where(known, earlier, 0))
    return np.minimum(change, _LONGEST_SWING, out=change)


def _histogram_bin(gap: Ints) -> Ints:
    """Logarithmic bins from the binary form of a number: octave and part of the octave; 0 for a gap of 0."""
    mantissa, octave = np.frexp(gap.astype(np.float64))
    part = np.floor((2 * mantissa - 1) * _BINS_PER_OCTAVE).astype(np.int64)
    bins: Ints = np.where(gap > 0, octave.astype(np.int64) * _BINS_PER_OCTAVE + part, 0)
    return bins


def _bin_middle(bin_number: int) -> float:
    octave, part = divmod(bin_number, _BINS_PER_OCTAVE)
    return float(np.ldexp(0.5 + (part + 0.5) / (2 * _BINS_PER_OCTAVE), octave)) if bin_number else 0.0


# --- How long time ran, and where it jumped. ---


class StretchCutter:
    """Cuts blocks where time jumps, and counts.

    first, newest   stamp of the first frame; largest stamp since the last jump; None before any
    breaks          jumps of time
    first_jumps     the first of them
    backward        frames stamped before the frame that came before them, jumps left out
    """

    def __init__(self) -> None:
        self.first: int | None = None
        self.newest: int | None = None
        self.breaks = 0
        self.first_jumps: list[Jump] = []
        self.backward = 0
        self._begin = 0
        self._ran = 0
        self._previous = 0

    @property
    def duration_ns(self) -> int:
        """Time that ran, jumps left out."""
        return 0 if self.newest is None else self._ran + self.newest - self._begin

    def cut(self, block: FrameBlock) -> Iterator[FrameBlock | Jump]:
        """The block in parts without a jump, with a Jump before each part that follows one."""
        while len(block):
            if self.newest is None:
                self.first = self.newest = self._begin = self._previous = int(block.t[0])
            same = self._count_until_break(block)
            if same:
                part = block if same == len(block) else block.take(slice(0, same))
                self._note_stretch(part)
                yield part
            if same == len(block):
                return
            block = block.take(slice(same, None))
            yield self._begin_stretch(int(block.t[0]))

    def _count_until_break(self, block: FrameBlock) -> int:
        """How many of the leading frames come before time jumps."""
        before = np.maximum.accumulate(np.concatenate([[self.newest], block.t[:-1]]))
        broken = (block.t > before + FORWARD_JUMP_NS) | (block.t < before - BACKWARD_JUMP_NS)
        first = int(broken.argmax())
        return first if broken[first] else len(block)

    def _note_stretch(self, part: FrameBlock) -> None:
        assert self.newest is not None
        self.newest = max(self.newest, int(part.t.max()))
        self.backward += int(np.count_nonzero(np.diff(part.t, prepend=self._previous) < 0))
        self._previous = int(part.t[-1])

    def _begin_stretch(self, begin: int) -> Jump:
        assert self.newest is not None
        found = Jump(self.newest, begin)
        if len(self.first_jumps) < KEPT_JUMPS:
            self.first_jumps.append(found)
        self._ran += self.newest - self._begin
        self.breaks += 1
        self.newest = self._begin = self._previous = begin
        return found


# --- What passes on each channel. ---


@dataclass(frozen=True, slots=True)
class Beat:
    """One identifier on one channel, and how regularly it comes.

    channel   the interface's name in the log
    can_id    identifier, bit 31 set for 29-bit ones
    frames    data frames
    combed    how much more a gap resembles the last but one than the last: near 1 for two senders
              that take turns at uneven distances, near 0 for one
    """

    channel: str
    can_id: int
    frames: int
    rhythm: Rhythm
    combed: float


@dataclass(frozen=True, slots=True)
class ChannelTraffic:
    """One channel: frames of each kind, and bits on the wire.

    bits          length of all frames, stuffing and intermission included; exact for data and
                  remote frames, error frames at their shortest
    switched_bits those of them that were sent at a faster rate (CAN FD)
    peak_bits     bits in the busiest window of PEAK_WINDOW_NS
    error_frames  as logged, by class in `error_classes` (a frame can be of several)
    """

    channel: str
    frames: int
    remote_frames: int
    error_frames: int
    error_classes: Mapping[str, int]
    bits: int
    switched_bits: int
    peak_bits: int


@dataclass(slots=True)
class _Channel:
    """Running sums of one channel; the last window of time is open."""

    frames: int = 0
    remote: int = 0
    errors: int = 0
    bits: int = 0
    switched: int = 0
    window: int | None = None
    window_bits: int = 0
    peak: int = 0


class Traffic:
    """Counts what passes: blocks without a jump of time in, identifiers and channels out at any time."""

    def __init__(self) -> None:
        self._keys = np.zeros(0, np.int64)  # sorted: channel, then identifier
        self._slot_of_key = np.zeros(0, np.int64)
        self._frames = np.zeros(0, np.int64)
        self._gaps = Gaps()
        self._channels: list[_Channel] = []
        self._names: tuple[str, ...] = ()
        self._classes: Counter[tuple[int, str]] = Counter()
        self._first_t: int | None = None

    def feed(self, part: FrameBlock) -> None:
        """Take frames in the order of their arrival; time does not jump among them."""
        if self._first_t is None and len(part):
            self._first_t = int(part.t[0])
        if len(part.channels) > len(self._names):
            self._channels += [_Channel() for _ in part.channels[len(self._names) :]]
            self._names = part.channels
        self._count_load(part)
        errors = part.flags & FrameFlag.ERROR != 0
        if errors.any():
            self._count_errors(part.take(errors))
        data = part.flags & NOT_DATA == 0
        self._count_beats(part if data.all() else part.take(data))

    def pause(self, broken: Jump) -> None:
        """Note a jump of time; no gap spans it."""
        self._gaps.pause(broken.end, broken.begin)

    def beats(self, end: int) -> tuple[Beat, ...]:
        """Every identifier, by channel and number, as of time `end`, ns."""
        self._gaps.close(end)
        keyed = zip(self._keys.tolist(), self._slot_of_key.tolist(), strict=True)
        return tuple(self._make_beat(key, slot, end) for key, slot in keyed)

    def channels(self) -> tuple[ChannelTraffic, ...]:
        """Every channel, in the order of their appearance."""
        return tuple(
            ChannelTraffic(
                channel=name,
                frames=c.frames,
                remote_frames=c.remote,
                error_frames=c.errors,
                error_classes={w: n for (b, w), n in sorted(self._classes.items()) if b == bus},
                bits=c.bits,
                switched_bits=c.switched,
                peak_bits=max(c.peak, c.window_bits),
            )
            for bus, (name, c) in enumerate(zip(self._names, self._channels, strict=True))
        )

    def _count_errors(self, errors: FrameBlock) -> None:
        for bus, can_id in zip(errors.bus.tolist(), errors.can_id.tolist(), strict=True):
            self._channels[bus].errors += 1
            self._classes.update((bus, word) for bit, word in ERROR_CLASSES.items() if can_id & bit)

    def _count_load(self, block: FrameBlock) -> None:
        nominal, fast = phase_bits(block)
        bits = nominal + fast
        remote = block.flags & FrameFlag.REMOTE != 0
        for bus in np.unique(block.bus).tolist():
            mine, channel = block.bus == bus, self._channels[bus]
            channel.frames += int(np.count_nonzero(mine))
            channel.remote += int(np.count_nonzero(mine & remote))
            channel.bits += int(bits[mine].sum())
            channel.switched += int(fast[mine].sum())
            _fill_windows(channel, (block.t[mine] - self._first_t) // PEAK_WINDOW_NS, bits[mine])

    def _count_beats(self, block: FrameBlock) -> None:
        if not len(block):
            return
        keys = block.bus.astype(np.int64) << _BUS_SHIFT | block.can_id
        slots = self._find_slots(keys)
        groups = Groups.of(slots)
        self._frames[groups.slots] += groups.ends - groups.starts + 1
        self._gaps.push(block.t, groups)

    def _find_slots(self, keys: Ints) -> Ints:
        """The slot of each key; new keys get the next ones."""
        place = np.searchsorted(self._keys, keys)
        known = np.append(self._keys, -1)[place] == keys
        if not known.all():
            self._add_slots(np.unique(keys[~known]))
            place = np.searchsorted(self._keys, keys)
        return self._slot_of_key[place]

    def _add_slots(self, keys: Ints) -> None:
        old = len(self._keys)
        all_keys = np.concatenate([self._keys, keys])
        order = np.argsort(all_keys)
        slots = np.concatenate([self._slot_of_key, np.arange(old, old + len(keys))])
        self._keys, self._slot_of_key = all_keys[order], slots[order]
        self._frames = np.concatenate([self._frames, np.zeros(len(keys), np.int64)])
        self._gaps.grow(old + len(keys))

    def _make_beat(self, key: int, slot: int, end: int) -> Beat:
        swing, swing2 = int(self._gaps.swing[slot]), int(self._gaps.swing2[slot])
        return Beat(
            channel=self._names[key >> _BUS_SHIFT],
            can_id=key & 0xFFFF_FFFF,
            frames=int(self._frames[slot]),
            rhythm=rhythm(self._gaps, slot, end),
            combed=1 - swing2 / swing if swing > TIMER_GRID_SHARE * self._gaps.total[slot] else 0.0,
        )


def _fill_windows(channel: _Channel, window: Ints, bits: Ints) -> None:
    """Add bits to the open window; each change of window closes one."""
    starts = np.flatnonzero(np.concatenate([[True], window[1:] != window[:-1]]))
    sums = np.add.reduceat(bits, starts)
    if channel.window == window[0]:
        sums[0] += channel.window_bits
    else:
        channel.peak = max(channel.peak, channel.window_bits)
    channel.peak = max(channel.peak, int(sums[:-1].max(initial=0)))
    channel.window, channel.window_bits = int(window[-1]), int(sums[-1])
