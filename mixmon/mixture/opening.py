"""How far the engine is opened, in percent of full: what pulls and tip-ins are found by.

That is the throttle where it is known, else the session's load axis against its highest centre.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from mixmon.arrays import Floats
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import Axes

THROTTLE, LOAD = "throttle", "load"

_USUAL_FULL_KPA = 100.0
"""Manifold pressure at full load without a load axis: common practice, no source, an engine without boost."""


_FULL_FROM = {THROTTLE: 90.0, LOAD: 85.0}
"""Percent from which on the engine is fully open: common practice, no source. Manifold pressure does not get
as close to the end of its axis as a throttle does."""


class Opening:
    """The opening of the rows of one session, now and at the valve."""

    def __init__(self, axes: Axes) -> None:
        self._full = {THROTTLE: 100.0, LOAD: max(axes.load) if axes.load else _USUAL_FULL_KPA}

    def signal(self, quantities: Mapping[str, Floats]) -> str | None:
        """The quantity that the opening is computed from; None where there is none."""
        return next((name for name in (THROTTLE, LOAD) if name in quantities), None)

    def full_from(self, quantities: Mapping[str, Floats]) -> float:
        """Percent from which on the engine is fully open."""
        return _FULL_FROM[self.signal(quantities) or LOAD]

    def now(self, block: CylinderBlock) -> Floats:
        """Percent at each row's own time, float64[k]; NaN where not known."""
        name = self.signal(block.now)
        return np.full(len(block), np.nan) if name is None else self._in_percent(name, block.now[name])

    def at_valve(self, block: CylinderBlock) -> Floats:
        """Percent when the gas now at each sensor left its valve, float64[k, n]."""
        name = self.signal(block.shifted)
        return (
            np.full(block.lam.shape, np.nan) if name is None else self._in_percent(name, block.shifted[name])
        )

    def _in_percent(self, name: str, values: Floats) -> Floats:
        full = self._full[name]
        return values if full == 100.0 else values * (100.0 / full)
