"""What all cylinders are together: the mean in the fuel domain, equal air assumed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def engine_lambda(lam: Floats, weights: Floats) -> Floats:
    """Lambda of the engine, 1 / mean(1 / lambda), along the last axis; NaN values are left out.

    lam      float64[..., n]; NaN = not known
    weights  float64[n], cylinders that each node speaks for

    NaN where fewer than two nodes are known: one cylinder is no engine.

    >>> round(float(engine_lambda(np.array([0.80, 0.95]), np.ones(2))), 4)
    0.8686
    """
    known = np.isfinite(lam)
    weight = (known * weights).sum(axis=-1)
    fuel = np.where(known, weights / np.where(known, lam, 1.0), 0.0).sum(axis=-1)
    several = known.sum(axis=-1) > 1
    out: Floats = np.divide(weight, fuel, out=np.full(np.shape(weight), np.nan), where=several)
    return out


def needs_percent(lam: Floats, reference: Floats) -> Floats:
    """What a lambda needs to become the reference, percent of fuel; positive = add fuel.

    NaN where either is not known; a reference that is not above zero is none.
    """
    known = np.broadcast_to(reference > 0, np.shape(lam))
    out: Floats = np.divide(lam, reference, out=np.full(np.shape(lam), np.nan), where=known)
    return 100.0 * (out - 1.0)


def mean_of_known(x: Floats) -> Floats:
    """Mean down the columns of float64[k, ...], NaN left out; NaN where there is none."""
    known = np.isfinite(x)
    count = known.sum(axis=0)
    total = np.where(known, x, 0.0).sum(axis=0)
    out: Floats = np.divide(total, count, out=np.full(np.shape(count), np.nan), where=count > 0)
    return out
