"""Duplicate nodes: two controllers with one identifier, whose frames come twice as often and take turns.

Each sign alone has an innocent explanation, so a verdict needs a crowd (frames much denser than the
message's cycle time) and one sign of taking turns, or two signs where no cycle time is known:

- turns: the rolling counter continues from the last frame but one, not from the last;
- values: the reading resembles the last but one far more than the last;
- combs: so does the gap between frames.

Only frames in a crowd are weighed, so that a duplicate fitted in the second hour shows as clearly as one that
was there from the start. A frame that comes twice with the same counter and the same reading is an echo (one
bus logged through two interfaces, a gateway), not a duplicate. Two nodes exactly in step destroy each other's
frames instead of taking turns: that shows as error frames, not here.

Every threshold here is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Ints
from mixmon.findings.census.traffic import TIMER_GRID_SHARE
from mixmon.messages.senders import CROWD_FRAMES, ECHO_SHARE, find_crowds, find_echoes

_FEWEST_WEIGHED = 32
"""Frames in crowds from which a verdict is given."""

_SIGN_SHARE = 0.5
"""A sign is there above this share of turns, or below this ratio of changes; one sender is at 0 and 1."""


@dataclass(frozen=True, slots=True)
class DuplicateSigns:
    """What speaks for two senders; shares and ratios run from 0 to 1, NaN where there is nothing to weigh.

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
    def counter_takes_turns(self) -> bool:
        """True if the counter continues from the last frame but one."""
        return self.turns > _SIGN_SHARE

    @property
    def values_alternate(self) -> bool:
        """True if the reading resembles the last but one."""
        return self.value_ratio < _SIGN_SHARE

    @property
    def frames_interleave(self) -> bool:
        """True if the gap between frames resembles the last but one."""
        return self.comb_ratio < _SIGN_SHARE

    @property
    def signs(self) -> int:
        """How many of the three signs are there."""
        return self.counter_takes_turns + self.values_alternate + self.frames_interleave


class DuplicateWatch:
    """Watches one message: stamps, counters and readings in, signs of a second sender out.

    Keeps the last eight frames and sums; sums are of integers, so blocks may be cut anywhere.
    """

    def __init__(self, cycle_ns: int | None, modulus: int | None) -> None:
        """`cycle_ns`: the expected cycle; `modulus`: of the rolling counter; None where unknown."""
        self._cycle, self._modulus = cycle_ns, modulus
        self._carry = np.zeros((3, 0), np.int64)
        self._frames = self._turns = self._echoes = 0
        self._since: int | None = None
        self._swings = np.zeros(5, np.int64)

    def feed(self, t: Ints, counter: Ints, value: Ints) -> None:
        """Take stamps in ns, raw counters and raw readings, int64[m] each, in order of arrival."""
        held = self._carry.shape[1]
        rows = np.concatenate([self._carry, np.stack([t, counter, value])], axis=1)
        self._carry = rows[:, -CROWD_FRAMES:]
        begin = max(held, CROWD_FRAMES if self._cycle else 3)
        if begin < rows.shape[1]:
            self._add_crowded(rows, np.arange(begin, rows.shape[1]))

    def signs(self) -> DuplicateSigns | None:
        """The signs so far, None while there are too few frames to judge by."""
        if self._frames < _FEWEST_WEIGHED or self._since is None:
            return None
        value, value2, gap, gap2, time = self._swings.tolist()
        turns = self._turns / self._frames if self._modulus else np.nan
        comb = _divide_or_nan(gap2, gap) if gap > TIMER_GRID_SHARE * time else np.nan
        return DuplicateSigns(self._frames, self._since, turns, _divide_or_nan(value2, value), comb)

    def verdict(self) -> DuplicateSigns | None:
        """The signs if they prove two senders, else None."""
        signs = None if self.echoed else self.signs()
        needed = 1 if self._cycle else 2
        return signs if signs is not None and signs.signs >= needed else None

    @property
    def echoed(self) -> bool:
        """Whether frames come twice, each with its echo."""
        return self._frames >= _FEWEST_WEIGHED and self._echoes > ECHO_SHARE * self._frames

    def _add_crowded(self, rows: Ints, at: Ints) -> None:
        """Add the frames `at` that stand in a crowd to the sums; all of them where no cycle is known."""
        t, counter, value = rows
        if self._cycle:
            at = at[find_crowds(t, self._cycle)[at]]
        if not len(at):
            return
        self._frames += len(at)
        self._since = int(t[at[0]]) if self._since is None else self._since
        if self._modulus:
            self._turns += int(np.count_nonzero((counter[at] - counter[at - 2]) % self._modulus == 1))
            self._echoes += int(np.count_nonzero(find_echoes(counter, value)[at]))
        gap = np.diff(t, prepend=t[0])
        changes = [np.abs(column[at] - column[at - k]).sum() for column in (value, gap) for k in (1, 2)]
        self._swings += np.array([*changes, gap[at].sum()], np.int64)


def _divide_or_nan(second: int, first: int) -> float:
    return second / first if first else np.nan
