"""From needs to what is typed into the ECU.

Trims multiply: a factor f = 1 + t/100 on a cylinder's fuel. A cylinder that reads m times
the reference wants its factor times m; the engine's total fuel must not change by it, so
the new factors are scaled together until their mean is what it was. Limits and the ECU's
step are respected the same way: what one cylinder may not take, the others share.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import RangeError

Array = NDArray[np.float64]


def reference_lambda(lam: Array, factors: Array, shares: Array) -> float:
    """The engine's lambda: the fuel-weighted mean of the cylinders' lambda.

    lam, factors, shares: float64[n]; a cylinder's fuel is its base share times its factor.
    Aiming at this value leaves the total fuel as it is, exactly.
    """
    fuel = factors * shares
    return float((fuel * lam).sum() / fuel.sum())


def keep_mean(factors: Array, shares: Array, lowest: Array, highest: Array, total: float) -> Array:
    """The factors, scaled in common and kept within limits, so that their weighted sum is `total`.

    factors, shares, lowest, highest: float64[n]; equal limits pin a cylinder. The common scale
    is found by bisection; the last step is exact, so that the sum holds to rounding error.

    Raises:
        RangeError: no scale reaches `total` within the limits.
    """
    room = (float((shares * lowest).sum()), float((shares * highest).sum()))
    slack = 1e-12 * abs(total)
    if not room[0] - slack <= total <= room[1] + slack:
        raise RangeError(
            f"trims: mean factor {total / shares.sum():.5f} cannot be kept; the limits allow "
            f"{room[0] / shares.sum():.5f} to {room[1] / shares.sum():.5f}; "
            "widen [trims] lowest_percent and highest_percent or change the base map"
        )
    below, above = 0.0, float(np.max(highest / factors)) + 1.0
    for _ in range(200):
        middle = 0.5 * (below + above)
        if float((shares * np.clip(middle * factors, lowest, highest)).sum()) < total:
            below = middle
        else:
            above = middle
    kept = np.clip(above * factors, lowest, highest)
    free = (kept > lowest) & (kept < highest)
    if free.any():
        rest = total - float((shares * kept)[~free].sum())
        kept[free] *= rest / float((shares * kept)[free].sum())
    return kept


def round_to_step(percent: Array, step: float, lowest: float, highest: float) -> Array:
    """Whole steps whose sum is nearest the sum of `percent`: floor all, give the rest by size.

    percent: float64[n]. Largest remainders first, equal ones in cylinder order (from memory:
    Balinski & Young, Fair Representation, 1982, Hamilton's method). Each value moves by less than
    a step and the mean by at most step / (2 n), unless a limit leaves no room.
    """
    units = percent / step
    bottom, top = math.ceil(lowest / step - 1e-9), math.floor(highest / step + 1e-9)
    down = np.clip(np.floor(units + 1e-9), bottom, top)
    spare = math.floor(float(units.sum() - down.sum()) + 0.5)
    while spare > 0 and (down < top).any():
        for i in np.argsort(-(units - down), kind="stable"):
            if spare > 0 and down[i] < top:
                down[i] += 1
                spare -= 1
    while spare < 0 and (down > bottom).any():  # the lower limit took more than there was
        for i in np.argsort(units - down, kind="stable"):
            if spare < 0 and down[i] > bottom:
                down[i] -= 1
                spare += 1
    return down * step + 0.0
