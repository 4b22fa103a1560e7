"""Spread: how far the cylinders are apart, now and after the trims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.series import Estimate

_DRAWS = 4000
_SEED = 20210  # any fixed number: same data, same interval

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spread:
    """Largest need less smallest, percent of fuel, with what it rests on.

    A range grows with the number of cylinders by itself: compare like with like.
    """

    value: float
    interval95: tuple[float, float]
    standard_deviation: float
    cylinders_used: int


UNKNOWN = Spread(np.nan, (np.nan, np.nan), np.nan, 0)


def spread(needs: Sequence[Estimate]) -> Spread:
    """The spread of the needs (ln lambda, one a node) that have an interval.

    The noise of the needs makes a range too large on average; the interval is the pivotal one of
    a parametric bootstrap (from memory: Davison & Hinkley, Bootstrap Methods, 1997, ch. 5), and
    reaches down to zero when noise alone could make such a range.
    """
    means, errors = _known(needs)
    if len(means) < 2:
        return UNKNOWN
    value = float(np.ptp(100.0 * np.expm1(means)))
    noise = _noise(errors)
    low, high = np.percentile(np.ptp(100.0 * np.expm1(means + noise), axis=1), [2.5, 97.5])
    alone = float(np.percentile(np.ptp(100.0 * np.expm1(noise), axis=1), 97.5))
    lower = 0.0 if value <= alone else max(0.0, 2 * value - float(high))
    upper = max(value, 2 * value - float(low))
    return Spread(value, (lower, upper), float(np.std(100.0 * np.expm1(means), ddof=1)), len(means))


def predicted_spread(needs: Sequence[Estimate], moves: Floats) -> Spread:
    """The true spread to expect once ln fuel has been changed by `moves` float64[n].

    What rounding and limits leave, and the error of the needs themselves: the median of the
    range over draws of that error, and the middle 95 % of it.
    """
    known = [i for i, e in enumerate(needs) if np.isfinite(e.standard_error)]
    if len(known) < 2:
        return UNKNOWN
    means, errors = _known(needs)
    left = means - moves[known]
    ranges = np.ptp(100.0 * np.expm1(left + _noise(errors)), axis=1)
    low, middle, high = np.percentile(ranges, [2.5, 50.0, 97.5])
    deviation = float(np.std(100.0 * np.expm1(left), ddof=1))
    return Spread(float(middle), (float(low), float(high)), deviation, len(known))


def _known(needs: Sequence[Estimate]) -> tuple[Floats, Floats]:
    known = [e for e in needs if np.isfinite(e.standard_error)]
    return np.array([e.mean for e in known]), np.array([e.standard_error for e in known])


def _noise(errors: Floats) -> Floats:
    draws: Floats = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(errors))) * errors
    return draws
