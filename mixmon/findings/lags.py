"""The lag of each sensor behind its gas, and its source: given, measured in the run, or assumed.

    node_lags      lags that are given, else assumed, as an array for the stages
    sensor_lags    lags of a whole run with their sources: given, else measured, else assumed
    OnlineLags     lags while rows come: given, else measured in the cuts so far, else assumed

A lag is T63 of the whole reading, element and controller filter together, s: once for readings that rise
(lean-going) and once for those that fall (rich-going).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.errors import UsageError
from mixmon.findings.response.cuts import (
    CUT_AFTER_ROWS,
    CUT_BEFORE_ROWS,
    LONGEST_CUT_ROWS,
    CutStage,
    MeasuredCut,
    SeenCut,
    measure_cut,
)
from mixmon.findings.response.sensors import (
    Paces,
    ResponseTime,
    SensorResponse,
    pace_in_cut,
    sensor_paces,
    sensor_responses,
)
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.result import Listing
from mixmon.session.model import Node

# ----------------------------------------------------------------------------------------------------
# Lags of a whole run.
# ----------------------------------------------------------------------------------------------------

DEFAULT_LAG_S = 0.105
"""Element and controller filter together: 50 to 100 ms are published for elements in exhaust gas
(Regitz & Collings, Meas. Sci. Technol. 19, 2008, 075201, abstract), 20 ms for the filter is
common practice without a source."""

LONGEST_LAG_S = 1.0
"""Longest lag that is accepted, s: our choice, ten usual ones, longer than that of any sensor in service."""

Lag = float | tuple[float, float]
"""Seconds for both ways, or lean-going and rich-going seconds."""

Lags = Lag | Mapping[int, Lag]
"""One lag for all cylinders, or lags by cylinder; cylinders that are not named have the default."""


def node_lags(nodes: Sequence[Node], lag_s: Lags | None) -> Floats:
    """Seconds lean-going and rich-going for each node, float64[2, n].

    Of cylinders that share a sensor, the first one that is named counts.

    Raises:
        UsageError: a lag that is negative, no number, or longer than any sensor's in service; or one of a
            cylinder that no sensor sees, which would be used nowhere.
    """
    by_cylinder = lag_s if isinstance(lag_s, Mapping) else {}
    known = {cylinder for node in nodes for cylinder in node.cylinders}
    if unknown := [cylinder for cylinder in by_cylinder if cylinder not in known]:
        raise UsageError(
            f"sensor lag: cylinder {unknown[0]!r}: no sensor sees it; expected one of {sorted(known)}; "
            "correct it"
        )
    usual = DEFAULT_LAG_S if lag_s is None or isinstance(lag_s, Mapping) else lag_s
    pairs = []
    for node in nodes:
        named = [by_cylinder[c] for c in node.cylinders if c in by_cylinder]
        pairs.append(_check_pair(named[0] if named else usual))
    return np.array(pairs, np.float64).reshape(-1, 2).T


def _check_pair(lag: Lag) -> tuple[float, float]:
    """Both ways of a lag, within limits."""
    pair = lag if isinstance(lag, tuple) and len(lag) == 2 else (lag, lag)
    for one in pair:
        if not (isinstance(one, int | float) and 0.0 <= one <= LONGEST_LAG_S):
            given = f"{one:g}" if isinstance(one, int | float) else repr(one)
            raise UsageError(
                f"sensor lag: {given} s; expected 0 to {LONGEST_LAG_S:g} s; "
                "give the time in which a reading follows 63 % of a step"
            )
    return pair


_SURE_SHARE = 0.25
"""Widest half interval of a measured lag, as a share of it: our choice. The default is as good as a wider
one."""


_FAR_SHARE = 0.25
"""Our choice: a node whose lag differs from the middle one by more than a quarter is named in reports."""


class LagSource(StrEnum):
    """Where a lag is from; the values stand in JSON."""

    GIVEN = "given"
    MEASURED = "measured"
    ASSUMED = "assumed"


@dataclass(frozen=True, slots=True)
class NodeLag:
    """The lag of one node: T63 of readings that rise (lean-going) and fall (rich-going), s."""

    position: int
    cylinders: tuple[int, ...]
    lean_s: float
    rich_s: float
    source: LagSource


class NodeLags(Listing[NodeLag]):
    """The lag of each node, in the order of the nodes: a tuple of `NodeLag`, told as data, table and page."""


def sensor_lags(
    nodes: Sequence[Node], given: Lags | None = None, measured: Sequence[SensorResponse] = ()
) -> NodeLags:
    """The lag of each node: as given, else as measured, else as assumed.

    Args:
        nodes: of the chain.
        given: by the user; see `node_lags`.
        measured: the response of every node in the run, in the order of the nodes; empty if not measured.

    Raises:
        UsageError: an impossible lag.
    """
    lags, known = node_lags(nodes, given), []
    for j, node in enumerate(nodes):
        source, pair = LagSource.GIVEN, (float(lags[0, j]), float(lags[1, j]))
        if not is_given(node, given):
            found = _measured_lag(measured[j]) if measured else None
            source = LagSource.ASSUMED if found is None else LagSource.MEASURED
            pair = found or pair
        known.append(NodeLag(node.position, node.cylinders, pair[0], pair[1], source))
    return NodeLags(known)


def is_given(node: Node, given: Lags | None) -> bool:
    """Whether the user gave the node's lag."""
    if isinstance(given, Mapping):
        return any(cylinder in given for cylinder in node.cylinders)
    return given is not None


def lags_by_cylinder(known: Sequence[NodeLag]) -> dict[int, tuple[float, float]]:
    """Given and measured lags, in the form in which stages take them."""
    better = [lag for lag in known if lag.source is not LagSource.ASSUMED]
    return {cylinder: (lag.lean_s, lag.rich_s) for lag in better for cylinder in lag.cylinders}


def middle_lean_lag(lags: Sequence[NodeLag]) -> float:
    """The median lean-going lag, s; of an even number of lags the lower one of the middle two."""
    return sorted(lag.lean_s for lag in lags)[(len(lags) - 1) // 2]


def is_far_lag(lag: NodeLag, middle_s: float) -> bool:
    """Whether either way of a lag is so far from the middle one that a report names its node."""
    if not middle_s:
        return False
    return max(abs(s / middle_s - 1.0) for s in (lag.lean_s, lag.rich_s)) > _FAR_SHARE


def _measured_lag(sensor: SensorResponse) -> tuple[float, float] | None:
    """Measured lags both ways; the sure one stands for both if only one is sure; None if none is."""
    sure = [time.t63_s if _is_sure(time) else np.nan for time in (sensor.lean, sensor.rich)]
    if not np.isfinite(sure).any():
        return None
    lean, rich = (one if np.isfinite(one) else np.nanmax(sure) for one in sure)
    return float(lean), float(rich)


def _is_sure(time: ResponseTime) -> bool:
    """Whether a measured time is possible and narrow enough."""
    return bool(0.0 < time.t63_s <= LONGEST_LAG_S and time.half_s <= _SURE_SHARE * time.t63_s)


# ----------------------------------------------------------------------------------------------------
# Lags while rows come.
#
# A cut counts for everything that begins after its rows are complete, by data time, so the answer does not
# depend on the blocks. An answer for an earlier moment stays as it was. Given lags stay as given.
# Kept: the last cuts, and the lags that followed from them.
# ----------------------------------------------------------------------------------------------------

_CUTS = 20
"""Last cuts that count: our choice, so that a sensor that ages is followed and memory stays small."""

_SEEN = 2 * _CUTS - 1
"""Cuts that wait to be measured: each of the last lags follows from so many cuts before it."""

_COMPLETE_ROWS = CUT_AFTER_ROWS + CUT_BEFORE_ROWS + 100
"""Rows from the end of a cut until it is surely measured: our choice, the rows that it needs and a second in
which the last reading leaves air."""


class OnlineLags:
    """A stage that learns lags from cuts; `at` answers for moments within the rows that it was fed.

    Args:
        nodes: of the chain.
        given: lags that are known; see `node_lags`.
        on_demand: measure the cuts only when a lag is asked for. The answers are the same; the first one
            takes longer.

    Raises:
        UsageError: an impossible lag.
    """

    def __init__(self, nodes: Sequence[Node], given: Lags | None = None, *, on_demand: bool = False) -> None:
        self._nodes, self._given, self._on_demand = nodes, given, on_demand
        self._finder = None if all(is_given(node, given) for node in nodes) else CutStage()
        self._seen: deque[tuple[int, SeenCut]] = deque(maxlen=_SEEN)
        self._cuts: deque[MeasuredCut] = deque(maxlen=_CUTS)
        self._stretch = -1
        self._from = deque([(self._stretch, 0)], maxlen=_CUTS)
        self._lags = deque([node_lags(nodes, given)], maxlen=_CUTS)
        self._known = deque([np.array([is_given(node, given) for node in nodes])], maxlen=_CUTS)
        self._in_cuts: deque[Paces] = deque(maxlen=_CUTS)
        self._paces: deque[Paces] = deque([(None,) * len(nodes)], maxlen=_CUTS)

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if self._finder is None or not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._seen.extend((self._stretch, cut) for cut in self._finder.flush())
            self._stretch = int(block.stretch[0])
        self._seen.extend((self._stretch, cut) for cut in self._finder.feed(block))
        if not self._on_demand:
            self._learn_from_cuts()

    def end(self) -> None:
        """The end of the rows: the cut that is still open counts among `cuts`, as far as its rows go."""
        if self._finder is not None:
            self._seen.extend((self._stretch, cut) for cut in self._finder.flush())

    def at(self, stretch: int, t: int) -> Floats:
        """Lags for what begins at t ns of a stretch: seconds lean-going and rich-going, float64[2, n]."""
        return self._lags[self._find(stretch, t)]

    @property
    def cuts(self) -> tuple[MeasuredCut, ...]:
        """The last fuel cuts that were measured, oldest first."""
        self._learn_from_cuts()
        return tuple(self._cuts)

    def known_at(self, stretch: int, t: int) -> Bools:
        """Whose lags are measured or given, not assumed, for what begins at t ns of a stretch: bool[n]."""
        return self._known[self._find(stretch, t)]

    def paces_at(self, stretch: int, t: int) -> Paces:
        """How slowly each node followed the last cuts, as is known at t ns of a stretch."""
        return self._paces[self._find(stretch, t)]

    def _find(self, stretch: int, t: int) -> int:
        self._learn_from_cuts()
        last = len(self._from) - 1
        while self._from[last] > (stretch, t) and last:
            last -= 1
        return last

    def _learn_from_cuts(self) -> None:
        """Measures the cuts seen, and adds the lags that follow from each, with the moment they hold from."""
        while self._seen:
            stretch, seen = self._seen.popleft()
            cut = measure_cut(seen)
            if cut is None:
                continue
            self._cuts.append(cut)
            rows = LONGEST_CUT_ROWS if np.isnan(cut.seconds) else round(cut.seconds * 1e9 / GRID_NS)
            begins = (stretch, cut.t + (rows + _COMPLETE_ROWS) * GRID_NS)
            unseen = np.full(len(self._nodes), np.nan)
            sensors = sensor_responses(self._nodes, tuple(self._cuts), (), unseen)
            known = sensor_lags(self._nodes, self._given, sensors)
            self._from.append(max(begins, self._from[-1]))
            self._lags.append(node_lags(self._nodes, lags_by_cylinder(known)))
            self._known.append(np.array([lag.source is not LagSource.ASSUMED for lag in known]))
            self._in_cuts.append(pace_in_cut(self._nodes, cut))
            self._paces.append(sensor_paces(self._in_cuts))
