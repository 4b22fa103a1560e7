"""The lags of the nodes while rows come: what was known beforehand, until fuel cuts tell better.

A cut counts for what begins once its rows are all there, by data time, so that the answer does
not depend on the blocks. What was judged before stays as it was. Lags that were given stay as given.

Kept: the last cuts, and the lags that followed from them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.assumed_lag import Lags, node_lags
from mixmon.findings.known_lags import is_given, known_lags, lags_by_cylinder
from mixmon.findings.response import LONGEST_ROWS, ResponseStage
from mixmon.findings.response_events import AFTER_ROWS, BEFORE_ROWS, Cut
from mixmon.findings.sensor_response import sensor_responses
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import Node

_CUTS = 20
_COMPLETE_ROWS = AFTER_ROWS + BEFORE_ROWS + 100
"""After the first reading has left air; the last one leaves it within a second."""

Floats = NDArray[np.float64]


class LearntLags:
    """Feed it CylinderBlocks, and ask `at` for what began in rows that it was fed.

    Args:
        nodes: of the chain.
        given: lags that are known; see `assumed_lag`.

    Raises:
        UsageError: an impossible lag.
    """

    def __init__(self, nodes: Sequence[Node], given: Lags | None = None) -> None:
        self._nodes, self._given = nodes, given
        self._response = None if all(is_given(node, given) for node in nodes) else ResponseStage()
        self._cuts: deque[Cut] = deque(maxlen=_CUTS)
        self._stretch = -1
        self._from = deque([(self._stretch, 0)], maxlen=_CUTS)
        self._lags = deque([node_lags(nodes, given)], maxlen=_CUTS)

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if self._response is None or not len(block):
            return
        if block.stretch[0] != self._stretch:
            self._learn(self._response.flush())
            self._stretch = int(block.stretch[0])
        self._learn(self._response.feed(block))

    def at(self, stretch: int, t: int) -> Floats:
        """Lags for what begins at t, ns, of a stretch of time: s, lean-going and rich-going, [2, n]."""
        last = len(self._from) - 1
        while self._from[last] > (stretch, t) and last:
            last -= 1
        return self._lags[last]

    def _learn(self, cuts: Sequence[Cut]) -> None:
        for cut in cuts:
            self._cuts.append(cut)
            rows = LONGEST_ROWS if np.isnan(cut.seconds) else round(cut.seconds * 1e9 / GRID_NS)
            begins = (self._stretch, cut.t + (rows + _COMPLETE_ROWS) * GRID_NS)
            unseen = np.full(len(self._nodes), np.nan)
            sensors = sensor_responses(self._nodes, tuple(self._cuts), (), unseen)
            known = known_lags(self._nodes, self._given, sensors)
            self._from.append(max(begins, self._from[-1]))
            self._lags.append(node_lags(self._nodes, lags_by_cylinder(known)))
