"""How slowly one sensor and its controller follow the gas: what every shape is judged against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_USUAL_FILTER_S = 0.020

_APART = 1e-4
"""Least relative distance of the two time constants: equal ones make the closed form 0/0."""


@dataclass(frozen=True, slots=True)
class SensorLag:
    """Time constants of one sensor: of its element, and of its controller's filter.

    The element may follow readings that rise (lean-going) and fall (rich-going) at different
    speeds. Defaults: 50 to 100 ms are published for elements in exhaust gas (Regitz & Collings,
    Meas. Sci. Technol. 19, 2008, 075201, abstract); 20 ms for the filter is common practice
    without a source.
    """

    lean_s: float = 0.085
    rich_s: float = 0.085
    filter_s: float = 0.020

    @classmethod
    def of_total(cls, lean_s: float, rich_s: float) -> SensorLag:
        """From element and filter together, as a step measures them; the filter is taken as usual.

        >>> SensorLag.of_total(0.105, 0.105)
        SensorLag(lean_s=0.085, rich_s=0.085, filter_s=0.02)
        """
        still = min(_USUAL_FILTER_S, 0.2 * min(lean_s, rich_s))
        return cls(round(lean_s - still, 9), round(rich_s - still, 9), still)

    @property
    def total_s(self) -> float:
        """Mean delay of a rising reading behind the gas: both time constants together."""
        return self.lean_s + self.filter_s

    def pulse(self, t: Floats, width_s: Floats | float = np.inf) -> Floats:
        """The reading, t seconds after the gas rises by one for `width_s`; arrays that broadcast.

        >>> SensorLag(0.085, 0.085, 0.020).pulse(np.array([-1.0, 0.0, 0.1067, 10.0])).round(3).tolist()
        [0.0, 0.0, 0.632, 1.0]
        """
        width = np.asarray(width_s, np.float64)
        during, after = np.clip(t, 0.0, width), np.maximum(t - width, 0.0)
        still = max(self.filter_s, 1e-6)
        lean, rich = _kept_apart(self.lean_s, still), _kept_apart(self.rich_s, still)
        element = 1.0 - np.exp(-during / lean)
        reading = element - still / (lean - still) * (np.exp(-during / lean) - np.exp(-during / still))
        share = rich / (rich - still) * (np.exp(-after / rich) - np.exp(-after / still))
        return np.asarray(reading * np.exp(-after / still) + element * share, np.float64)


def _kept_apart(tau: float, other: float) -> float:
    """The time constant, moved a little where it equals the other and the closed form were 0/0."""
    tau = max(tau, 1e-6)
    return tau if abs(tau / other - 1.0) > _APART else other * (1.0 + _APART)
