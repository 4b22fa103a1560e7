"""Two controllers with one identifier: frames that come twice as often and take turns.

Each sign alone has an innocent explanation, so a verdict needs the crowd (frames much denser than
the message's cycle time) and one sign of taking turns, or two signs where no cycle time is known:

- turns: the rolling counter continues from the last frame but one, not from the last;
- values: the reading resembles the last but one far more than the last;
- combs: so does the gap between frames.

Only frames in a crowd are weighed, so that a twin fitted in the second hour shows as clearly as
one that was there from the start. A frame that comes twice with the same counter and the same
reading is an echo (one bus logged through two interfaces, a gateway), not a twin. Two nodes
exactly in step destroy each other's frames instead of taking turns: that shows as error frames,
not here.

Thresholds: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_DEPTH = 8
_CROWD = 5.0
"""_DEPTH gaps within this many cycle times are a crowd: 1.6 times the expected rate."""

_FEWEST = 32
_SIGN = 0.5
_ECHOED = 0.4
_LEAST_COMB = 0.2
"""Gaps that differ from their neighbours by less than this share are one sender's timer grid."""


@dataclass(frozen=True, slots=True)
class TwinSigns:
    """What speaks for a twin; shares and ratios run from 0 to 1, NaN where there is nothing to weigh.

    frames         frames that were weighed
    since          stamp of the first of them, ns
    turns          share of them whose counter continues from the last but one
    value_ratio    mean change of the reading from the last but one, over that from the last
    comb_ratio     the same of the gap between frames
    """

    frames: int
    since: int
    turns: float
    value_ratio: float
    comb_ratio: float

    @property
    def signs(self) -> int:
        """How many of the three signs are there."""
        return (self.turns > _SIGN) + (self.value_ratio < _SIGN) + (self.comb_ratio < _SIGN)


class TwinWatch:
    """A stage for one message: stamps, counters and readings in, signs of a twin out.

    Holds the last eight frames and sums; sums are of integers, so blocks may be cut anywhere.
    """

    def __init__(self, cycle_ns: int | None, modulus: int | None) -> None:
        """`cycle_ns`: the expected cycle; `modulus`: of the rolling counter; None where unknown."""
        self._cycle, self._modulus = cycle_ns, modulus
        self._carry = np.zeros((3, 0), np.int64)
        self._frames = self._turns = self._echoes = 0
        self._since: int | None = None
        self._swings = np.zeros(5, np.int64)

    def feed(self, t: Ints, counter: Ints, value: Ints) -> None:
        """Takes stamps in ns, raw counters and raw readings, int64[m] each, in order of arrival."""
        held = self._carry.shape[1]
        rows = np.concatenate([self._carry, np.stack([t, counter, value])], axis=1)
        self._carry = rows[:, -_DEPTH:]
        begin = max(held, _DEPTH if self._cycle else 3)
        if begin < rows.shape[1]:
            self._weigh(rows, np.arange(begin, rows.shape[1]))

    def signs(self) -> TwinSigns | None:
        """The signs so far, None while there are too few frames to judge by."""
        if self._frames < _FEWEST or self._since is None:
            return None
        value, value2, gap, gap2, time = self._swings.tolist()
        turns = self._turns / self._frames if self._modulus else np.nan
        comb = _ratio(gap2, gap) if gap > _LEAST_COMB * time else np.nan
        return TwinSigns(self._frames, self._since, turns, _ratio(value2, value), comb)

    def verdict(self) -> TwinSigns | None:
        """The signs if they prove a twin, else None."""
        signs = None if self.echoed else self.signs()
        needed = 1 if self._cycle else 2
        return signs if signs is not None and signs.signs >= needed else None

    @property
    def echoed(self) -> bool:
        """True if frames come twice, each with its echo."""
        return self._frames >= _FEWEST and self._echoes > _ECHOED * self._frames

    def _weigh(self, rows: Ints, at: Ints) -> None:
        t, counter, value = rows
        if self._cycle:
            dense = t[at] - t[at - _DEPTH]
            at = at[(dense >= 0) & (dense < _CROWD * self._cycle)]
        if not len(at):
            return
        self._frames += len(at)
        self._since = int(t[at[0]]) if self._since is None else self._since
        if self._modulus:
            rise, rise2 = ((counter[at] - counter[at - k]) % self._modulus for k in (1, 2))
            self._turns += int(np.count_nonzero(rise2 == 1))
            self._echoes += int(np.count_nonzero((rise == 0) & (value[at] == value[at - 1])))
        gap = np.diff(t, prepend=t[0])
        changes = [np.abs(column[at] - column[at - k]).sum() for column in (value, gap) for k in (1, 2)]
        self._swings += np.array([*changes, gap[at].sum()], np.int64)


def _ratio(second: int, first: int) -> float:
    return second / first if first else np.nan
