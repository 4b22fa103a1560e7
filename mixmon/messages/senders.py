"""Two senders of one message, noticed frame by frame, so that their readings are not taken for one sensor's.

Two controllers with one identifier take turns. One sign of it is enough:

- the rolling counter continues from the last frame but one, and neither from the last nor repeating it;
- it continues from the last frame but one in a crowd: frames come much more often than the message's cycle
  time, and few of them are echoes of the one before, with its counter and its reading;
- frames come about twice as often as the message's cycle time, and the reading resembles the last but one
  far more than the last. Where no cycle time is known, the gaps between frames must do the same.

The census weighs a whole log by the same crowds and echoes, and by weaker signs
(`findings.census.duplicates`). Here a reading is condemned while it comes, so the signs must be such as no
single sender shows. Every threshold is our choice.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from mixmon.arrays import Bools, Ints
from mixmon.messages.binding import Binding
from mixmon.messages.block import SignalBlock
from mixmon.messages.integrity import counter_modulus
from mixmon.messages.layout import RawColumn
from mixmon.messages.plan import Quality

TURNS_FRAMES = 8
"""So many frames in a row continue the counter of the last but one."""

VALUES_FRAMES = 16
"""Over so many frames readings and gaps are compared; for so many more both are taken to be still there."""

_DENSE_CYCLES = 0.65
"""Mean gap, in cycle times, below which frames come twice as often as they should."""

_ALIKE = 0.25
"""Change from the last but one, as a part of that from the last, below which two levels take turns; noise and
ramps of one sender give 1 and 2."""

CROWD_FRAMES, CROWD_CYCLES = 8, 5.0
"""Eight gaps within five cycle times are a crowd: 1.6 times the expected rate, where a duplicate gives 2."""

ECHO_SHARE = 0.4
"""Share of frames equal to the one before from which they are echoes: half of all where each has one."""

_HELD_FRAMES = 2 * VALUES_FRAMES + 2
_FLOAT_STEPS = 1e6
"""Readings sent as IEEE floats are compared in steps of a millionth: finer than any sensor."""


class SenderWatch:
    """Watches one message: stamps, counters and readings in, for each frame whether two senders take turns.

    cycle_ns  the message's cycle time; None where it is not known
    modulus   how many values the rolling counter takes; None where there is none

    Keeps the last frames, a fixed number, so blocks may be cut anywhere.
    """

    def __init__(self, cycle_ns: int | None, modulus: int | None) -> None:
        self._cycle, self._modulus = cycle_ns, modulus
        self.restart()

    def restart(self) -> None:
        """Forgets everything, where time is broken."""
        self._carry = np.zeros((3, 0), np.int64)
        self._found = False

    def feed(self, t: Ints, counter: Ints, reading: Ints) -> Bools:
        """bool[m]: two senders take turns, now or within the last frames.

        t         int64[m]  ns, in order of arrival
        counter   int64[m]  raw
        reading   int64[m]  raw
        """
        held = self._carry.shape[1]
        rows = np.empty((3, held + len(t)), np.int64)
        rows[:, :held] = self._carry
        rows[0, held:], rows[1, held:], rows[2, held:] = t, counter, reading
        self._carry = rows[:, -_HELD_FRAMES:]
        if rows.shape[1] < TURNS_FRAMES + 2 or not (self._found or self._may_be_two(rows, len(t))):
            return np.zeros(len(t), np.bool_)
        gap = np.diff(rows[0], prepend=rows[0, 0])
        found = self._counters_take_turns(rows[1]) | self._values_take_turns(rows[2], gap)
        found |= self._crowd_takes_turns(*rows)
        self._found = bool(found.any())
        if not self._found:
            return found[len(found) - len(t) :]
        still = _sum_last(found, VALUES_FRAMES) > 0
        return still[len(still) - len(t) :]

    def _may_be_two(self, rows: Ints, new: int) -> bool:
        """Whether the last `new` rows can show anything, where those before them have not.

        Every sign needs a counter that continues from the last but one, or frames that come too often: the
        usual single sender is told by these two alone.
        """
        if self._cycle is None or not 0 < new <= rows.shape[1] - VALUES_FRAMES:
            return True
        t, counter, _ = rows
        passed = t[-new:] - t[-new - VALUES_FRAMES : -VALUES_FRAMES]
        if passed.min() < VALUES_FRAMES * _DENSE_CYCLES * self._cycle:
            return True
        if self._modulus is None:
            return False
        return bool(((counter[-new:] - counter[-new - 2 : -2]) % self._modulus == 1).any())

    def _counters_take_turns(self, counter: Ints) -> Bools:
        if self._modulus is None:
            return np.zeros(len(counter), np.bool_)
        turn: Bools = (counter - _shifted(counter, 2)) % self._modulus == 1
        turn[:2] = False
        if not turn.any():
            return turn
        turn &= (counter - _shifted(counter, 1)) % self._modulus > 1
        take_turns: Bools = _sum_last(turn, TURNS_FRAMES) == TURNS_FRAMES
        return take_turns

    def _crowd_takes_turns(self, t: Ints, counter: Ints, reading: Ints) -> Bools:
        if self._modulus is None or self._cycle is None or len(t) <= CROWD_FRAMES:
            return np.zeros(len(t), np.bool_)
        crowded = find_crowds(t, self._cycle)
        if not crowded.any():
            return crowded
        turn = crowded & ((counter - _shifted(counter, 2)) % self._modulus == 1)
        echo = find_echoes(counter, reading)
        few: Bools = _sum_last(echo, VALUES_FRAMES) <= ECHO_SHARE * VALUES_FRAMES
        take_turns: Bools = (_sum_last(turn, VALUES_FRAMES) == VALUES_FRAMES) & few
        return take_turns

    def _values_take_turns(self, reading: Ints, gap: Ints) -> Bools:
        if self._cycle is None:
            return _alternates(reading) & _alternates(gap)
        dense: Bools = _sum_last(gap, VALUES_FRAMES) < VALUES_FRAMES * _DENSE_CYCLES * self._cycle
        dense[: VALUES_FRAMES - 1] = False
        return dense & _alternates(reading) if dense.any() else dense


class SenderMarks:
    """A stage: marks the readings of nodes in decoded blocks while two senders take turns.

    wanted  bus index, message and signal of what must be decoded for it
    """

    def __init__(self, binding: Binding) -> None:
        self._watches: dict[tuple[int, str], list[tuple[str, str | None, SenderWatch]]] = {}
        self.wanted: set[tuple[int, str, str]] = set()
        for node in binding.nodes:
            bound = node.get("lambda") or node["oxygen"]
            message, in_turn = bound.message, bool(bound.signal.selectors)
            counter = None if in_turn else message.protection.counter
            modulus = None if counter is None else counter_modulus(message.signal(counter))
            watch = SenderWatch(None if in_turn else message.cycle_ns, modulus)
            key = (bound.bus, message.name)
            self._watches.setdefault(key, []).append((bound.signal.name, counter, watch))
            if counter is not None:
                self.wanted.add((*key, counter))

    def restart(self) -> None:
        """Forgets everything, where time is broken."""
        for watches in self._watches.values():
            for _, _, watch in watches:
                watch.restart()

    def mark(self, blocks: Iterable[SignalBlock]) -> None:
        """Sets the quality of such readings to TWO_SENDERS, in place; their values stay."""
        for block in blocks:
            for signal, counter, watch in self._watches.get((block.bus, block.message.name), ()):
                at = block.names.index(signal)
                there = block.quality[at] != Quality.MISSING
                rows = slice(None) if there.all() else np.flatnonzero(there)
                reading = as_integers(block.raw[at])[rows]
                counters = np.zeros_like(reading)
                if counter is not None:
                    counters = as_integers(block.raw[block.names.index(counter)])[rows]
                both = watch.feed(block.t[rows], counters, reading)
                if both.any():
                    block.quality[at, np.flatnonzero(there)[both]] = Quality.TWO_SENDERS


def find_crowds(t: Ints, cycle_ns: int) -> Bools:
    """bool[m]: frames that stand in a crowd, by their stamps in ns and the message's cycle time."""
    dense = t - _shifted(t, CROWD_FRAMES)
    crowded: Bools = (dense >= 0) & (dense < CROWD_CYCLES * cycle_ns)
    crowded[:CROWD_FRAMES] = False
    return crowded


def find_echoes(counter: Ints, reading: Ints) -> Bools:
    """bool[m]: frames with the counter and the reading of the one before."""
    echo: Bools = (counter == _shifted(counter, 1)) & (reading == _shifted(reading, 1))
    echo[:1] = False
    return echo


def _shifted(column: Ints, by: int) -> Ints:
    """The column as it was `by` frames ago; the first frames are compared with the very first."""
    return np.concatenate([np.repeat(column[:1], by), column[:-by]])


def _sum_last(column: Ints | Bools, count: int) -> Ints:
    """int64[m]: the sum over each frame and those before it, `count` together; 0 where there are fewer."""
    if len(column) < count:
        return np.zeros(len(column), np.int64)
    sums = np.zeros(len(column), np.int64)
    upto = np.cumsum(column, dtype=np.int64)
    sums[count - 1 :] = upto[count - 1 :]
    sums[count:] -= upto[:-count]
    return sums


def _alternates(column: Ints) -> Bools:
    """Where the values of the last frames resemble the last but one far more than the last."""
    change, change2 = (np.abs(column - _shifted(column, k)) for k in (1, 2))
    change[:2] = change2[:2] = 0
    alternates: Bools = _sum_last(change2, VALUES_FRAMES) < _ALIKE * _sum_last(change, VALUES_FRAMES)
    return alternates


def as_integers(raw: RawColumn) -> Ints:
    """Raw values as integers; floats in small steps, what is no number as 0."""
    if raw.dtype.kind == "f":
        raw = np.nan_to_num(raw * _FLOAT_STEPS, nan=0.0, posinf=0.0, neginf=0.0)
    return raw.astype(np.int64)
