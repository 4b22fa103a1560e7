"""Spread: how far the cylinders are apart, now and after the trims."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.drawn_in import drawn_in
from mixmon.findings.stats import Estimate

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
    value = float(_range(means))
    noise = _noise(errors)
    low, high = np.percentile(_range(means + noise), [2.5, 97.5])
    alone = float(np.percentile(_range(noise), 97.5))
    lower = 0.0 if value <= alone else max(0.0, 2 * value - float(high))
    upper = max(value, 2 * value - float(low))
    return Spread(value, (lower, upper), float(np.std(100.0 * np.expm1(means), ddof=1)), len(means))


def predicted_spread(
    needs: Sequence[Estimate], moves: Floats, over_cells: Sequence[Estimate] | None = None
) -> Spread:
    """The true spread to expect once ln fuel has been changed by `moves` float64[n].

    What rounding and limits leave, and the error of the needs themselves. Where cylinders are
    nearly alike, their estimates differ by that error already, and to add it once more would
    predict too much; where they are not, it must be added. So the range is drawn with the truth
    as estimated and with the truth drawn in to its middle (`drawn_in`), and the interval holds the
    middle 95 % of each.

    A cell with little data differs from the others by error too, and the trims take away what it
    has in common with them, but not that. So where `needs` are those of one cell and `over_cells`
    those of all together, the truth is drawn once more with the cell drawn in to these.
    """
    at = [i for i, e in enumerate(needs) if np.isfinite(e.standard_error)]
    means, errors = _known(needs)
    if len(means) < 2:
        return UNKNOWN
    drawn = [(means, errors)]
    if over_cells is not None:
        drawn.append(_drawn_to(means, errors, [over_cells[i] for i in at]))
    shrunk, sure = drawn_in(*drawn[-1])
    drawn.append((shrunk, drawn[-1][1] * sure))
    ranges = np.array([_range(truth - moves[at] + _noise(error)) for truth, error in drawn])
    ends = np.percentile(ranges, [2.5, 97.5], axis=1)
    lower, upper = float(ends[0].min()), float(ends[1].max())
    deviation = float(np.std(100.0 * np.expm1(means - moves[at]), ddof=1))
    return Spread(float(np.median(ranges)), (lower, upper), deviation, len(means))


def _drawn_to(means: Floats, errors: Floats, over_cells: Sequence[Estimate]) -> tuple[Floats, Floats]:
    """A cell's needs drawn in to those over all cells, as far as its own errors can explain the difference.

    What is drawn in has the error of what it is drawn to; a node not known elsewhere stays.
    """
    whole = np.array([e.mean for e in over_cells])
    error = np.array([e.standard_error for e in over_cells])
    known = np.isfinite(error)
    whole, error = np.where(known, whole, means), np.where(known, np.minimum(error, errors), errors)
    away, sure = drawn_in(means - whole, errors)
    return whole + away, np.sqrt((sure * errors) ** 2 + (1 - sure**2) * error**2)


def _range(x: Floats) -> Floats:
    """Largest need less smallest along the last axis, percent: lambda over the mean in the fuel domain."""
    spread: Floats = 100.0 * np.ptp(np.exp(x), axis=-1) * np.mean(np.exp(-x), axis=-1)
    return spread


def _known(needs: Sequence[Estimate]) -> tuple[Floats, Floats]:
    known = [e for e in needs if np.isfinite(e.standard_error)]
    return np.array([e.mean for e in known]), np.array([e.standard_error for e in known])


def _noise(errors: Floats) -> Floats:
    draws: Floats = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(errors))) * errors
    return draws
