"""What an event is: its kind, when and where it happened, and the evidence for it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mixmon.result import Listing


class Kind(StrEnum):
    """What happened. The values stand in JSON and on the screens."""

    MISFIRE = "misfire"
    LEAN_EXCURSION = "lean excursion"
    RICH_EXCURSION = "rich excursion"
    NOT_CLASSIFIED = "not classified"
    FUEL_CUT = "fuel cut"
    SPARK_CUT = "spark cut"
    NO_FUEL = "no fuel"
    TIP_IN = "tip-in"
    TIP_OUT = "tip-out"
    NODE_SILENT = "node silent"
    NODE_RESET = "node reset"
    SENSOR_DROP_OUT = "sensor drop-out"


NOT_FUELLING = frozenset({Kind.MISFIRE, Kind.SPARK_CUT, Kind.FUEL_CUT, Kind.NO_FUEL, Kind.NOT_CLASSIFIED})
"""Kinds around which readings say nothing about the fuel that a cylinder needs, or may say nothing."""


class MisfireShape(StrEnum):
    """How the missed cycles of a misfire follow each other: evidence `shape`."""

    SINGLE = "single"
    BURST = "burst"
    ON_AND_OFF = "on and off"


class DoubtReason(StrEnum):
    """Why a lean bump is neither called a misfire, or a cut, nor a lean mixture: evidence `why`."""

    LAG_NOT_MEASURED = "lag not measured"
    FIT_ALIKE = "two causes fit alike"
    NOTHING_FITS = "nothing fits"
    TOO_MANY = "too many bumps"
    ALL_UNEVEN = "all cylinders go up and down"


class DropOutReason(StrEnum):
    """Why a sensor that is not warming gives nothing to use: evidence `why`."""

    NO_VALUE = "no value"
    STANDS_STILL = "the value stands still"
    TWO_CONTROLLERS = "two controllers as one node"


Value = float | int | str | bool | None | tuple[float | int | None, ...]


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one node, of several nodes, or of all.

    t            ns: the first moment at which the readings show it, less the sensor's lag; for a
                 silent node, its last sample
    nodes        indices of the nodes concerned
    cylinders    their cylinders
    all_nodes    True for an event of the engine, False for one of single cylinders
    peak_lambda  reading furthest from what was expected; NaN where there is none
    duration_ns  length, ns
    rpm, load    when the gas left the valve; NaN where not known
    evidence     the reasons for the kind, by name; numbers with their units in the name. Cuts that the engine
                 control does not report: `told_by_engine` False, `pattern`, and in `could_be` the kind that
                 the readings do not exclude, if any
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
        """Moment at which the event is over, ns."""
        return self.t + self.duration_ns

    @property
    def why_no_reading(self) -> str:
        """Why a sensor that is not warming gave nothing to use; empty for other events."""
        return str(self.evidence.get("why", "")) if self.kind is Kind.SENSOR_DROP_OUT else ""


def in_order(event: Event) -> tuple[int, tuple[int, ...], str]:
    """Gives a key that sorts events by time, then by node."""
    return (event.t, event.nodes, event.kind)


class Events(Listing[Event]):
    """The events of a run, in order of time: a tuple of `Event` that can be told as data, table and page."""
