"""How regularly things come: gaps between successive stamps, many senders side by side.

Every sender has a slot. Sums, extremes and a histogram of its gaps are kept as integers, so that
the result does not depend on how the stamps were cut into blocks, and hours take no more
memory than seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

NONE = np.iinfo(np.int64).min
"""Stands for a stamp or a gap that there is not."""

_PARTS = 64
"""Bins an octave: a percentile is right within 0.8 %."""

_SLOT_SHIFT = 16
"""Bits of a bin's number within its slot."""

_LONGEST_SWING = 1_000_000_000_000
"""Changes of gap are summed up to this many ns each, so that the sums cannot overflow."""


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


class Lags:
    """For every row the values one, two, ... rows before it in its own slot, across blocks."""

    def __init__(self, depth: int) -> None:
        self._carry = np.full((depth, 0), NONE, np.int64)

    def grow(self, slots: int) -> None:
        """Makes room for that many slots."""
        more = np.full((len(self._carry), slots - self._carry.shape[1]), NONE, np.int64)
        self._carry = np.concatenate([self._carry, more], axis=1)

    def push(self, values: Ints, groups: Groups) -> list[Ints]:
        """The values before each of the (grouped) values, nearest first; NONE where there are none."""
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
        """Starts anew: nothing comes before the next value of any slot."""
        self._carry[:] = NONE


@dataclass(frozen=True, slots=True)
class Rhythm:
    """How regularly one sender came; NaN where there is nothing to tell from.

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
    """A stage: stamps by slot in; counts, sums and histograms of the gaps between them.

    count, total    int64[slots]   gaps and their sum in ns (a backward step counts as it is)
    longest         int64[slots]   ns
    swing, swing2   int64[slots]   sums of |gap - the gap before| and |gap - the gap before that|, ns
    first, last     int64[slots]   stamps, NONE before the first
    """

    def __init__(self) -> None:
        none = np.zeros(0, np.int64)
        self.count = self.total = self.longest = self.swing = self.swing2 = none
        self.first = self.last = self._quiet_from = none
        self._stamps, self._gaps = Lags(1), Lags(2)
        self._bins, self._counts = none, none

    def grow(self, slots: int) -> None:
        """Makes room for that many slots."""
        more = slots - len(self.count)
        for name in ("count", "total", "longest", "swing", "swing2"):
            setattr(self, name, np.concatenate([getattr(self, name), np.zeros(more, np.int64)]))
        for name in ("first", "last", "_quiet_from"):
            setattr(self, name, np.concatenate([getattr(self, name), np.full(more, NONE, np.int64)]))
        self._stamps.grow(slots)
        self._gaps.grow(slots)

    def push(self, t: Ints, groups: Groups) -> None:
        """Takes the stamps int64[n], in the order of their arrival."""
        t = t[groups.order]
        (before,) = self._stamps.push(t, groups)
        gap = np.where(before == NONE, NONE, t - np.where(before == NONE, 0, before))
        known = gap != NONE
        by_slot = groups.starts
        self.count[groups.slots] += np.add.reduceat(known.astype(np.int64), by_slot)
        self.total[groups.slots] += np.add.reduceat(np.where(known, gap, 0), by_slot)
        self._lengthen(groups.slots, np.maximum.reduceat(gap, by_slot))
        for name, earlier in zip(("swing", "swing2"), self._gaps.push(gap, groups), strict=True):
            getattr(self, name)[groups.slots] += np.add.reduceat(_swing(gap, earlier), by_slot)
        self._note_ends(t, groups)
        self._fill(np.repeat(groups.slots, groups.ends - groups.starts + 1)[known], gap[known])

    def pause(self, end: int, begin: int) -> None:
        """Time jumps: it ran to `end` and goes on at `begin`; no gap spans the jump."""
        self.close(end)
        self._quiet_from[self.last != NONE] = begin
        self._stamps.forget()
        self._gaps.forget()

    def close(self, end: int) -> None:
        """Nothing more comes until `end`: silence since a slot's last stamp is a gap too."""
        seen = np.flatnonzero(self.last != NONE)
        self._lengthen(seen, end - self._quiet_from[seen])

    def percentile(self, slot: int, share: float) -> float:
        """The gap in ns that this share of the slot's gaps does not exceed; NaN without gaps."""
        begin, end = np.searchsorted(self._bins, [slot << _SLOT_SHIFT, (slot + 1) << _SLOT_SHIFT])
        if begin == end:
            return np.nan
        reached = self._counts[begin:end].cumsum()
        rank = max(1, int(np.ceil(share * reached[-1])))
        gap = _middle(int(self._bins[begin + np.searchsorted(reached, rank)]) - (slot << _SLOT_SHIFT))
        return min(gap, float(self.longest[slot]))

    def quiet_since(self, slot: int) -> int:
        """The slot's last stamp, or the beginning of the unbroken time if that is later."""
        return int(self._quiet_from[slot])

    def _lengthen(self, slots: Ints, gap: Ints) -> None:
        self.longest[slots] = np.maximum(self.longest[slots], gap)

    def _note_ends(self, t: Ints, groups: Groups) -> None:
        new = self.first[groups.slots] == NONE
        self.first[groups.slots[new]] = t[groups.starts[new]]
        self.last[groups.slots] = self._quiet_from[groups.slots] = t[groups.ends]

    def _fill(self, slots: Ints, gap: Ints) -> None:
        """Counts the gaps in the histogram; backward steps go with the zeros."""
        bins, counts = np.unique(slots << _SLOT_SHIFT | _bin(np.maximum(gap, 0)), return_counts=True)
        merged, where = np.unique(np.concatenate([self._bins, bins]), return_inverse=True)
        total = np.zeros(len(merged), np.int64)
        np.add.at(total, where, np.concatenate([self._counts, counts]))
        self._bins, self._counts = merged, total


def rhythm(gaps: Gaps, slot: int, end: int) -> Rhythm:
    """The slot's rhythm as of time `end`, ns, up to which the gaps were closed."""
    if gaps.last[slot] == NONE:
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


def _swing(gap: Ints, earlier: Ints) -> Ints:
    known = (gap != NONE) & (earlier != NONE)
    change: Ints = np.abs(np.where(known, gap, 0) - np.where(known, earlier, 0))
    return np.minimum(change, _LONGEST_SWING, out=change)


def _bin(gap: Ints) -> Ints:
    """Logarithmic bins from the binary form of a number: octave and part of the octave."""
    mantissa, octave = np.frexp(gap.astype(np.float64))
    part = np.floor((2 * mantissa - 1) * _PARTS).astype(np.int64)
    bins: Ints = np.where(gap > 0, octave.astype(np.int64) * _PARTS + part, 0)
    return bins


def _middle(bin_number: int) -> float:
    octave, part = divmod(bin_number, _PARTS)
    return float(np.ldexp(0.5 + (part + 0.5) / (2 * _PARTS), octave)) if bin_number else 0.0
