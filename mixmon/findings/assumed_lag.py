"""The lag of each node's reading behind its gas: what is known of it, else what is usual."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import UsageError
from mixmon.session.model import Node

DEFAULT_LAG_S = 0.105
"""Element and controller filter together: 50 to 100 ms are published for elements in exhaust gas
(Regitz & Collings, Meas. Sci. Technol. 19, 2008, 075201, abstract), 20 ms for the filter is
common practice without a source."""

LONGEST_LAG_S = 1.0

Lag = float | tuple[float, float]
"""Seconds; or one for readings that rise (lean-going) and one for readings that fall (rich-going)."""

Lags = Lag | Mapping[int, Lag]
"""For all cylinders, or by cylinder; the default for those not named."""


def node_lags(nodes: Sequence[Node], lag_s: Lags | None) -> NDArray[np.float64]:
    """Seconds lean-going and rich-going for each node, float64[2, n].

    Of cylinders that share a sensor the first one that is named counts.

    Raises:
        UsageError: a lag that is negative, no number, or longer than any sensor's in service.
    """
    by_cylinder = lag_s if isinstance(lag_s, Mapping) else {}
    usual = DEFAULT_LAG_S if lag_s is None or isinstance(lag_s, Mapping) else lag_s
    pairs = []
    for node in nodes:
        named = [by_cylinder[c] for c in node.cylinders if c in by_cylinder]
        pairs.append(_pair(named[0] if named else usual))
    return np.array(pairs, np.float64).reshape(-1, 2).T


def _pair(lag: Lag) -> tuple[float, float]:
    pair = lag if isinstance(lag, tuple) else (lag, lag)
    for one in pair:
        if not 0.0 <= one <= LONGEST_LAG_S:
            raise UsageError(
                f"sensor lag: {one:g} s; expected 0 to {LONGEST_LAG_S:g} s; "
                "give the time in which a reading follows 63 % of a step"
            )
    return pair
