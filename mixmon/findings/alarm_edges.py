"""Edges: the moments at which alarm conditions became true or ceased, as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

ENGINE_WIDE = -1
"""The node number of edges that concern the whole engine, or all of a rule's alarms."""


class EdgeKind(IntEnum):
    """What happened, in the order in which edges of one row stand.

    A condition that becomes true in the row in which its suppression begins is not announced;
    one that ceases in the row in which it ends is not announced any more.
    """

    SUPPRESS = 0
    CLEAR = 1
    RAISE = 2
    RELEASE = 3


@dataclass(frozen=True, slots=True, eq=False)
class AlarmEdges:
    """e edges, ordered by row, then kind, rule and node.

    stretch  int64[e]    the unbroken stretch of time
    t        int64[e]    time of the row, ns
    kind     uint8[e]    EdgeKind
    rule     int64[e]    number of the rule, from 0
    node     int64[e]    number of the node in session order, from 0; ENGINE_WIDE for none
    since    int64[e]    when the condition (or the suppressing engine state) began to be so, ns
    value    float64[e]  newest value known at the row, in the limit's unit; NaN if there is none
    """

    stretch: NDArray[np.int64]
    t: NDArray[np.int64]
    kind: NDArray[np.uint8]
    rule: NDArray[np.int64]
    node: NDArray[np.int64]
    since: NDArray[np.int64]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.t)

    def take(self, rows: NDArray[np.intp] | slice) -> AlarmEdges:
        """The chosen edges, in the order given."""
        return AlarmEdges(*(getattr(self, field.name)[rows] for field in fields(self)))

    def ordered(self) -> AlarmEdges:
        """The same in the order that the class promises."""
        return self.take(np.lexsort((self.node, self.rule, self.kind, self.t, self.stretch)))


def joined(parts: Sequence[AlarmEdges]) -> AlarmEdges:
    """All edges of the parts, one part after the other."""
    if not parts:
        none = np.zeros(0, np.int64)
        return AlarmEdges(none, none, np.zeros(0, np.uint8), none, none, none, np.zeros(0))
    return AlarmEdges(
        *(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(AlarmEdges))
    )
