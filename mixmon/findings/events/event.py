"""One thing that happened, with what speaks for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What happened. The values are the words shown and written."""

    MISFIRE = "misfire"
    LEAN_EXCURSION = "lean excursion"
    RICH_EXCURSION = "rich excursion"
    FUEL_CUT = "fuel cut"
    SPARK_CUT = "spark cut"
    TIP_IN = "tip-in"
    TIP_OUT = "tip-out"
    NODE_SILENT = "node silent"
    NODE_RESET = "node reset"
    SENSOR_DROP_OUT = "sensor drop-out"


NOT_FUELLING = frozenset({Kind.MISFIRE, Kind.SPARK_CUT, Kind.FUEL_CUT})
"""Readings around these say nothing about the fuel that a cylinder needs."""

Value = float | int | str | bool | None | tuple[float | int | None, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one node, of several, or of all.

    t            ns: the first moment at which the readings show it, sensor lag taken off; for a
                 silent node, its last sample
    nodes        indices of the nodes concerned
    cylinders    theirs
    all_nodes    True where it is the engine's and not a cylinder's
    peak_lambda  reading furthest from what was expected; NaN where there is none
    duration_ns  how long
    rpm, load    when the gas left the valve; NaN where not known
    evidence     what speaks for the kind, by name; numbers with their units in the name
    """

    t: int
    kind: Kind
    nodes: tuple[int, ...]
    cylinders: tuple[int, ...]
    all_nodes: bool
    peak_lambda: float
    duration_ns: int
    rpm: float
    load: float
    evidence: Mapping[str, Value]

    @property
    def end(self) -> int:
        """The moment at which it is over, ns."""
        return self.t + self.duration_ns


def in_order(event: Event) -> tuple[int, tuple[int, ...], str]:
    """A key that sorts events by time, then by node."""
    return (event.t, event.nodes, event.kind)
