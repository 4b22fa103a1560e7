"""Which nodes of the chain are silent, and what that says about the wiring.

The order in the chain is the evidence: everything after one place silent from the same moment is a break
there; one node alone is its own supply, connector or identifier; all of them is the trunk, the adapter or
the bit rate. In a star nothing comes after a node: there the notes that speak of cable do not hold.

Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.note import Note, NoteCode, note

SAME_MOMENT_S = 1.0
"""Silences that begin within this time have begun together. Our choice: longer than any message's cycle."""


class Fault(StrEnum):
    """The pattern of silence."""

    SINGLE = "single"
    TAIL = "tail"
    ALL = "all"


class WiringNote(NoteCode):
    """What a pattern of silence means, what to check, and what else may explain it."""

    ALL_SILENT = "all_nodes_silent"
    TAIL_SILENT = "tail_silent"
    NODE_SILENT = "node_silent"
    LAST_NODE_SILENT = "last_node_silent"
    CHECK_CHAIN = "check_chain"
    CHECK_CABLE = "check_cable"
    CHECK_NODE = "check_node"
    CHECK_LAST_NODE = "check_last_node"
    DUPLICATE_MAY_BE_NODE = "duplicate_may_be_the_silent_node"
    UNUSED_PLACE_MAY_BE_NODE = "node_outside_the_session_may_be_the_silent_node"


@dataclass(frozen=True, slots=True)
class Silence:
    """One silent node. `since_s` counts from the log's first frame; None: it never sent."""

    position: int
    since_s: float | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Silent nodes that share one explanation.

    fault      the pattern
    positions  of the nodes, in chain order
    since_s    from when they are silent, as in `Silence`
    meaning    what the pattern means
    check      what to check
    lead       where the missing node may be instead; None: nowhere known
    """

    fault: Fault
    positions: tuple[int, ...]
    since_s: float | None
    meaning: Note
    check: Note
    lead: Note | None = None


def diagnose(
    chain: Sequence[int],
    silences: Sequence[Silence],
    *,
    duplicates: Sequence[int] = (),
    unexpected: Sequence[int] = (),
) -> tuple[Diagnosis, ...]:
    """What the silent nodes say, in the order of the chain.

    chain       positions in chain order, the end nearest the adapter first
    duplicates  positions under which two controllers send
    unexpected  positions that send and are not in the session

    >>> [d.fault.value for d in diagnose([1, 2, 3, 4], [Silence(3), Silence(4)])]
    ['tail']
    """
    silent = {s.position: s for s in silences}
    ordered = [silent[p] for p in chain if p in silent]
    if ordered and len(ordered) == len(chain):
        return (_diagnose_all(ordered),)
    tail = _find_silent_tail(chain, silent)
    found = [_diagnose_single(s, chain, duplicates, unexpected) for s in ordered if s not in tail]
    return (*found, _diagnose_break(tail, chain)) if tail else tuple(found)


def _find_silent_tail(chain: Sequence[int], silent: dict[int, Silence]) -> list[Silence]:
    """The silent nodes at the chain's end that fell silent together; none unless there are two or more."""
    began = [silent[p].since_s if p in silent else None for p in chain]
    since = np.array([[np.nan if one is None else one for one in began]])
    (count,) = count_tail(np.array([[p in silent for p in chain]]), since).tolist()
    return [silent[p] for p in chain[len(chain) - count :]]


def count_tail(silent: Bools, since_s: Floats) -> Ints:
    """How many nodes at the chain's end fell silent together; 0 unless there are two or more; int64[k].

    silent   bool[k, n], in chain order
    since_s  float64[k, n]: from when, or for how long, a node is silent; NaN: it never sent

    >>> count_tail(np.array([[False, True, True]]), np.array([[9.0, 2.0, 2.5]])).tolist()
    [2]
    """
    if not silent.shape[1]:
        return np.zeros(len(silent), np.int64)
    linked = silent[:, :-1] & silent[:, 1:] & began_together(since_s)
    links: Ints = np.logical_and.accumulate(linked[:, ::-1], axis=1).sum(axis=1)
    return np.where(links > 0, links + 1, 0)


def began_together(since_s: Floats) -> Bools:
    """Whether each node and the next in the chain fell silent together, if they did; bool[k, n - 1]."""
    never = np.isnan(since_s)
    near: Bools = np.abs(np.diff(since_s, axis=1)) <= SAME_MOMENT_S
    return near | (never[:, :-1] & never[:, 1:])


def _diagnose_all(silences: list[Silence]) -> Diagnosis:
    return Diagnosis(
        Fault.ALL,
        tuple(s.position for s in silences),
        silences[0].since_s,
        note(WiringNote.ALL_SILENT),
        note(WiringNote.CHECK_CHAIN),
    )


def _diagnose_break(tail: list[Silence], chain: Sequence[int]) -> Diagnosis:
    first = tail[0].position
    before = chain[list(chain).index(first) - 1]
    return Diagnosis(
        Fault.TAIL,
        tuple(s.position for s in tail),
        tail[0].since_s,
        note(WiringNote.TAIL_SILENT, before=before, first=first),
        note(WiringNote.CHECK_CABLE, before=before, first=first),
    )


def _diagnose_single(
    silence: Silence, chain: Sequence[int], duplicates: Sequence[int], unexpected: Sequence[int]
) -> Diagnosis:
    node = silence.position
    if node == chain[-1]:
        before = chain[-2]
        meaning = note(WiringNote.LAST_NODE_SILENT, node=node, before=before)
        check = note(WiringNote.CHECK_LAST_NODE, node=node, before=before)
    else:
        meaning, check = note(WiringNote.NODE_SILENT, node=node), note(WiringNote.CHECK_NODE, node=node)
    lead = _find_lead(node, duplicates, unexpected) if silence.since_s is None else None
    return Diagnosis(Fault.SINGLE, (node,), silence.since_s, meaning, check, lead)


def _find_lead(node: int, duplicates: Sequence[int], unexpected: Sequence[int]) -> Note | None:
    """Under which other identifier a node that never sent may be sending; None where there is none."""
    if duplicates:
        return note(WiringNote.DUPLICATE_MAY_BE_NODE, node=node, other=duplicates[0])
    if unexpected:
        return note(WiringNote.UNUSED_PLACE_MAY_BE_NODE, node=node, other=unexpected[0])
    return None
