"""How far a good wideband sensor may be off: the usual error of one sensor, by lambda.

No published table is known. The order of new sensors, from memory without a definite source: 0.5 to 1 % of
lambda near 1.0, 1 to 2 % at 0.8, more in lean gas, and more with age. The upper ends are used here, as
sensors on a dyno are seldom new. An error of the gain bends nothing at lambda 1 and the more the further
away, so the curve between and beyond these two points is that of an offset and a gain error together.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import Floats
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import REFERENCE_PETROL

AT_ONE_PERCENT = 1.0
"""Half-width of the 95 % interval at lambda 1; see the module."""

RICH_LAMBDA, RICH_PERCENT = 0.8, 2.0
"""The same in rich gas."""

_SMALL_GAIN = 0.01
"""Computed: a gain error so small that its effect on lambda is in proportion."""


def usual_error_percent(lam: Floats) -> Floats:
    """Half-width of the 95 % interval of one sensor's own error, percent of lambda; any shape.

    lam  lambda, above 0; NaN in, NaN out

    >>> usual_error_percent(np.array([0.8, 1.0, 1.2])).round(1).tolist()
    [2.0, 1.0, 1.9]
    """
    gain = np.sqrt(RICH_PERCENT**2 - AT_ONE_PERCENT**2) / np.abs(gain_effect(np.array([RICH_LAMBDA])))[0]
    error: Floats = np.hypot(AT_ONE_PERCENT, gain * gain_effect(np.asarray(lam, np.float64)))
    return error


def gain_effect(lam: Floats) -> Floats:
    """Percent of lambda by which a gain error of one percent moves the reading; above 0 when lean.

    >>> gain_effect(np.array([0.8, 1.0, 1.2])).round(2).tolist()
    [-0.21, 0.0, 0.2]
    """
    moved = lambda_from_oxygen(oxygen_balance(lam, REFERENCE_PETROL) * (1 + _SMALL_GAIN), REFERENCE_PETROL)
    effect: Floats = (moved / lam - 1) / _SMALL_GAIN
    return effect
