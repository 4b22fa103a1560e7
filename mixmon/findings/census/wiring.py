"""Which nodes of the chain are silent, and what that says about the wiring.

The order in the chain is the evidence: everything after one place silent from the same moment is
a break there; one node alone is its own supply, connector or identifier; all of them is the trunk,
the adapter or the bit rate. A star has no tail: there the texts that speak of cable do not hold.

Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mixmon.arrays import Ints

# ----------------------------------------------------------------------------------------------------
# Two controllers with one identifier: frames that come twice as often and take turns.
#
# Each sign alone has an innocent explanation, so a verdict needs the crowd (frames much denser than
# the message's cycle time) and one sign of taking turns, or two signs where no cycle time is known:
#
# - turns: the rolling counter continues from the last frame but one, not from the last;
# - values: the reading resembles the last but one far more than the last;
# - combs: so does the gap between frames.
#
# Only frames in a crowd are weighed, so that a twin fitted in the second hour shows as clearly as
# one that was there from the start. A frame that comes twice with the same counter and the same
# reading is an echo (one bus logged through two interfaces, a gateway), not a twin. Two nodes
# exactly in step destroy each other's frames instead of taking turns: that shows as error frames,
# not here.
#
# Thresholds: common practice, no source.
# ----------------------------------------------------------------------------------------------------


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


SAME_MOMENT_S = 1.0
"""Silences that begin within this time have begun together."""


class Fault(StrEnum):
    """The pattern of silence."""

    SINGLE = "single"
    TAIL = "tail"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class Silence:
    """One silent node. `since_s` counts from the log's first frame; None: it never spoke."""

    position: int
    since_s: float | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Silent nodes that share one explanation, what it is, and what to check."""

    fault: Fault
    positions: tuple[int, ...]
    since_s: float | None
    meaning: str
    check: str


def diagnose(
    chain: Sequence[int],
    silences: Sequence[Silence],
    *,
    twins: Sequence[int] = (),
    strangers: Sequence[int] = (),
) -> tuple[Diagnosis, ...]:
    """What the silent nodes say, in the order of the chain.

    chain      positions in chain order, the end nearest the adapter first
    twins      positions that answer twice
    strangers  positions that answer and are not in the chain

    >>> [d.fault.value for d in diagnose([1, 2, 3, 4], [Silence(3), Silence(4)])]
    ['tail']
    """
    silent = {s.position: s for s in silences}
    ordered = [silent[p] for p in chain if p in silent]
    if ordered and len(ordered) == len(chain):
        return (_all(ordered),)
    tail = _tail(chain, silent)
    alone = [s for s in ordered if s not in tail]
    found = [_single(s, chain, twins, strangers) for s in alone]
    return (*found, _broken(tail, chain)) if tail else tuple(found)


def _tail(chain: Sequence[int], silent: dict[int, Silence]) -> list[Silence]:
    """The two or more silent nodes at the chain's end that fell silent together."""
    tail: list[Silence] = []
    for position in reversed(chain):
        if position not in silent or (tail and not _together(silent[position], tail[-1])):
            break
        tail.insert(0, silent[position])
    return tail if len(tail) > 1 else []


def _together(one: Silence, other: Silence) -> bool:
    if one.since_s is None or other.since_s is None:
        return one.since_s is other.since_s
    return abs(one.since_s - other.since_s) <= SAME_MOMENT_S


def _all(silences: list[Silence]) -> Diagnosis:
    return Diagnosis(
        Fault.ALL,
        tuple(s.position for s in silences),
        silences[0].since_s,
        "no node is heard: the trunk, the adapter, the bit rate or the chain's supply, not the nodes",
        "supply of the chain; bit rate and channel; 60 ohm between the bus wires with the power off",
    )


def _broken(tail: list[Silence], chain: Sequence[int]) -> Diagnosis:
    first = tail[0].position
    before = chain[list(chain).index(first) - 1]
    return Diagnosis(
        Fault.TAIL,
        tuple(s.position for s in tail),
        tail[0].since_s,
        f"everything after node {before} is silent: a break between node {before} and node {first}",
        f"cable and connectors from node {before} to node {first}: both bus wires, supply and ground",
    )


def _single(
    silence: Silence, chain: Sequence[int], twins: Sequence[int], strangers: Sequence[int]
) -> Diagnosis:
    last = silence.position == chain[-1]
    meaning = f"node {silence.position} alone is silent: its own supply, connector or identifier"
    check = f"supply at node {silence.position}, its connector, its identifier"
    if last:
        meaning += ", or the last length of cable"
        check += f", the cable from node {chain[-2]}"
    if silence.since_s is None and (lead := _other_identity(silence.position, twins, strangers)):
        meaning += f"; {lead}"
    return Diagnosis(Fault.SINGLE, (silence.position,), silence.since_s, meaning, check)


def _other_identity(position: int, twins: Sequence[int], strangers: Sequence[int]) -> str:
    """Under which other identifier the missing node may be speaking, if there is one."""
    if twins:
        return f"node {twins[0]} answers twice, so node {position} may carry its identifier"
    if strangers:
        return f"node {strangers[0]} answers and is not in the session, so it may be this one"
    return ""
