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
