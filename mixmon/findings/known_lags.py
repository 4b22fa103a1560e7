"""The lag of each node's reading, and where it is from.

As the user gives it, else as the run's own cuts and steps measure it, else as is usual.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mixmon.findings.assumed_lag import LONGEST_LAG_S, Lags, node_lags
from mixmon.findings.sensor_response import SensorResponse, Time
from mixmon.session.model import Node

_SURE_SHARE = 0.25
"""A time with a wider half interval than this part of it says less than what is usual (own choice)."""


class LagSource(StrEnum):
    """Where a lag is from. The values are the words shown and written."""

    GIVEN = "given"
    MEASURED = "measured"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class KnownLag:
    """The lag of one node: T63 of readings that rise (lean-going) and fall (rich-going), s."""

    position: int
    cylinders: tuple[int, ...]
    lean_s: float
    rich_s: float
    source: LagSource


def known_lags(
    nodes: Sequence[Node], given: Lags | None = None, measured: Sequence[SensorResponse] = ()
) -> tuple[KnownLag, ...]:
    """One a node.

    Args:
        nodes: of the chain.
        given: by the user; see `assumed_lag`.
        measured: what the run says of every node, in the order of the nodes; empty where it was not asked.

    Raises:
        UsageError: an impossible lag.
    """
    lags, known = node_lags(nodes, given), []
    for j, node in enumerate(nodes):
        source, pair = LagSource.GIVEN, (float(lags[0, j]), float(lags[1, j]))
        if not is_given(node, given):
            found = _measured(measured[j]) if measured else None
            source = LagSource.ASSUMED if found is None else LagSource.MEASURED
            pair = found or pair
        known.append(KnownLag(node.position, node.cylinders, pair[0], pair[1], source))
    return tuple(known)


def is_given(node: Node, given: Lags | None) -> bool:
    """Whether the user gave the node's lag."""
    if isinstance(given, Mapping):
        return any(cylinder in given for cylinder in node.cylinders)
    return given is not None


def lags_by_cylinder(known: Sequence[KnownLag]) -> dict[int, tuple[float, float]]:
    """Those that are more than assumed, in the form in which stages take them."""
    told = [lag for lag in known if lag.source is not LagSource.ASSUMED]
    return {cylinder: (lag.lean_s, lag.rich_s) for lag in told for cylinder in lag.cylinders}


def _measured(sensor: SensorResponse) -> tuple[float, float] | None:
    """Lean-going and rich-going; one stands for both where the other is not sure."""
    sure = [time.t63_s if _is_sure(time) else np.nan for time in (sensor.lean, sensor.rich)]
    if not np.isfinite(sure).any():
        return None
    lean, rich = (one if np.isfinite(one) else np.nanmax(sure) for one in sure)
    return float(lean), float(rich)


def _is_sure(time: Time) -> bool:
    return bool(0.0 < time.t63_s <= LONGEST_LAG_S and time.half_s <= _SURE_SHARE * time.t63_s)
