"""Needs whose cause is known, in the cells of the demo engine, weighed."""

from __future__ import annotations

import numpy as np

from mixmon.findings.causes.shapes import Conditions, Shapes
from mixmon.findings.causes.weigh import Weighed, weigh

RPM = np.array([1100, 2000, 3000, 4000, 5000, 6000, 7000, 7800.0])
OPEN = np.array([3, 10, 18, 35, 60, 100, 100, 100.0])
PULSE = np.array([3.3, 3.9, 4.6, 6.5, 9.2, 11.9, 12.3, 12.1])
TARGET = np.array([0.92, 0.98, 0.98, 0.95, 0.90, 0.87, 0.87, 0.86])
LEAK = np.array([9, 5, 3, 1.5, 0.8, 0.4, 0.4, 0.4]) / 100
SYNC = np.array([1, 0.5, 0.25, 0.1, 0.03, 0, 0, 0])
"""The demo engine's cells, and how its leak and its throttles show in them."""

DEMO = Conditions(RPM * PULSE * TARGET, OPEN, PULSE, TARGET)
ERROR = 0.002


def weighed(needs: np.ndarray, seed: int = 0, *, own: bool = True, at: Conditions = DEMO, **more) -> Weighed:
    noise = np.random.default_rng(seed).normal(0, ERROR, len(needs))
    return weigh(needs + noise, np.full(len(needs), ERROR**2), Shapes.of(at, own_throttles=own), **more)
