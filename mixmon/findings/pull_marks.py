"""Readings of a pull that shall not be counted: known events, and wild samples found by their neighbours."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.dwell import Mask
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.lags import Lags, node_lags
from mixmon.findings.pull_trace import EVENT, WILD, PullTrace
from mixmon.findings.stats import median_with_holes
from mixmon.session.model import Session

_WINDOW = 100  # rows
_AROUND = 15  # rows that the lags smear a wild sample over
_FLOOR, _SCALE, _MAD_TO_SIGMA = 0.05, 6.0, 1.4826  # in ln lambda; robust standard deviations
_FEWEST_FOR_COMMON = 3


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A stretch of time, ns, in which a cylinder's readings shall not be counted."""

    cylinder: int
    begin: int
    end: int


def around_misfires(
    session: Session, events: Iterable[Event], lag_s: Lags | None = None
) -> tuple[LeftOut, ...]:
    """The stretches around misfires among the events, in which a reading is no fuelling figure.

    Cuts end a pull, and their samples are not valid. A quick sensor's burst is wild enough to be seen
    among the readings of its pull; a slow one smears it until it looks like a need of some percent.

    Raises:
        UsageError: an impossible lag.
    """
    nodes = session.chain.nodes
    mask = Mask(node_lags(nodes, lag_s).max(axis=0), session.engine.strokes)
    mask.add(event for event in events if event.kind is Kind.MISFIRE)
    return tuple(LeftOut(c, m.begin, m.end) for m in mask.moments for c in nodes[m.node].cylinders)


def without_events(
    trace: PullTrace, cylinders: Sequence[tuple[int, ...]], events: Sequence[LeftOut]
) -> PullTrace:
    """The trace with the readings in the events not counted."""
    hit = np.zeros(trace.y.shape, np.bool_)
    for event in events:
        rows = (trace.t >= event.begin) & (trace.t < event.end)
        for j, seen in enumerate(cylinders):
            hit[:, j] |= rows & (event.cylinder in seen)
    return _marked(trace, hit, EVENT)


def without_wild(trace: PullTrace) -> PullTrace:
    """The trace with readings not counted that are far from what the node and its peers do that second.

    A burst of misfires is one; its rise and its decay lie around what is far enough to be seen.
    """
    few = np.isfinite(trace.y).sum(axis=1) < _FEWEST_FOR_COMMON
    common = np.where(few, 0.0, median_with_holes(trace.y, axis=1))
    apart = trace.y - common[:, None]
    wild = np.zeros(apart.shape, np.bool_)
    for begin in range(0, len(apart), _WINDOW):
        rows = slice(begin, begin + _WINDOW)
        distance = np.abs(apart[rows] - median_with_holes(apart[rows], axis=0))
        limit = _SCALE * _MAD_TO_SIGMA * median_with_holes(distance, axis=0)
        wild[rows] = distance > np.maximum(limit, _FLOOR)
    return _marked(trace, _widened(wild, _AROUND), WILD)


def _widened(hit: NDArray[np.bool_], rows: int) -> NDArray[np.bool_]:
    """True also for that many rows before and after."""
    total = np.cumsum(np.pad(hit, ((rows + 1, rows), (0, 0))), axis=0)
    return np.asarray(total[2 * rows + 1 :] > total[: -(2 * rows + 1)])


def _marked(trace: PullTrace, hit: NDArray[np.bool_], code: int) -> PullTrace:
    hit = hit & (trace.why == 0)
    if not hit.any():
        return trace
    return replace(
        trace,
        y=np.where(hit, np.nan, trace.y),
        why=np.where(hit, np.uint8(code), trace.why),
    )
