"""What a sensor and its controller make of the gas: two first-order lags in a row, solved exactly.

The gas at the tip is constant between two arrivals, so the state of both lags at any later
moment has a closed form; no time step is chosen and none can be too coarse. The lags act on
the oxygen balance, in which the element is linear. The element's lag may differ between
readings that rise (lean-going) and fall (rich-going); the direction cannot change between two
arrivals, so the closed form still holds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

_APART = 1e-4
"""Least relative distance of the two time constants: equal ones make the closed form 0/0."""


class ElementLag:
    """One element and its controller's filter; keeps both states and the gas at the tip between calls."""

    def __init__(self, lean_s: float, rich_s: float, filter_s: float, oxygen: float) -> None:
        self._filter = filter_s
        self._lean = _kept_apart(lean_s, filter_s)
        self._rich = _kept_apart(rich_s, filter_s)
        self._gas = self._element = self._output = oxygen
        self._t = -math.inf

    def run(
        self, arrivals: NDArray[np.float64], gas: NDArray[np.float64], samples: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Filter output at each sample time.

        arrivals, gas    float64[a]  rising times in s and the oxygen balance that arrives then
        samples          float64[k]  rising times in s
        """
        t = np.concatenate([arrivals, samples])
        order = np.argsort(t, kind="stable")
        t = t[order]
        first = self._t if math.isfinite(self._t) else (t[0] if len(t) else 0.0)
        steps = np.diff(t, prepend=first)
        self._t = float(t[-1]) if len(t) else self._t
        new_gas = np.concatenate([gas, np.full(len(samples), np.nan)])[order]
        out = self._walk(steps, new_gas)
        return out[order >= len(arrivals)]

    def _walk(self, steps: NDArray[np.float64], new_gas: NDArray[np.float64]) -> NDArray[np.float64]:
        """Both lags over each step, in which the gas is still the one from before the step's end."""
        kept = [np.exp(-steps / tau).tolist() for tau in (self._lean, self._rich, self._filter)]
        lean_share = self._lean / (self._lean - self._filter)
        rich_share = self._rich / (self._rich - self._filter)
        gas, element, output = self._gas, self._element, self._output
        out: list[float] = []
        for lean, rich, still, arrives in zip(*kept, new_gas.tolist(), strict=True):
            away = element - gas
            stay, share = (lean, lean_share) if away < 0 else (rich, rich_share)
            output = gas + (output - gas) * still + away * share * (stay - still)
            element = gas + away * stay
            if arrives == arrives:  # noqa: PLR0124 - NaN marks a sample, at which no gas arrives
                gas = arrives
            out.append(output)
        self._gas, self._element, self._output = gas, element, output
        return np.array(out, np.float64)


def step_time_s(tau: float, filter_s: float, share: float = 1 - math.exp(-1)) -> float:
    """Seconds until both lags have covered that share of a step, by bisection.

    >>> round(step_time_s(0.085, 0.020), 4)
    0.1075
    """
    tau = _kept_apart(tau, filter_s)
    low, high = 0.0, 50.0 * (tau + filter_s)
    while high - low > 1e-9:
        t = (low + high) / 2
        left = (tau * math.exp(-t / tau) - filter_s * math.exp(-t / filter_s)) / (tau - filter_s)
        low, high = (t, high) if left > 1 - share else (low, t)
    return high


def _kept_apart(tau: float, other: float) -> float:
    return tau if abs(tau / other - 1) > _APART else other * (1 + _APART)
