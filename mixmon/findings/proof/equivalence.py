"""Shown to be the same, shown to differ, or not shown: two one-sided tests against a declared margin.

    values by cell, with their errors -> mean_of_cells -> CellMean -> outcome_of -> Outcome
    deviation, margin -> power_of, cells_needed: how many cells such a proof takes

Two one-sided tests at 5 % each are the same as the 90 % interval within the margin (from memory:
Schuirmann, J. Pharmacokinet. Biopharm. 15, 1987). The interval is Student's over the cells, which counts
all that differs from cell to cell; where cells agree better than their own errors allow, by chance or
because they share an error, the errors of the cells make it instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.proof.alike import growth
from mixmon.findings.stats import NORMAL_90, NORMAL_95_SIX_DECIMALS, student_t90, student_t95

WANTED_POWER = 0.95
"""Chance of the proof where nothing differs, for which cells are counted: our choice."""

_MOST_CELLS = 200
"""Cells beyond which their number is not told: our choice; nobody runs more."""

_SCATTER_POINTS = 400
"""Points of the integral over what the scatter may be: our choice; the power is right to four digits."""


_OTHERS_DEGREES = 4.0
"""Degrees of freedom that the scatter of other cylinders adds at most: our choice; with more, one whose cells
really differ would seem surer than it is."""


class Outcome(Enum):
    """What two one-sided tests say.

    EQUIVALENT  less than the margin is shown
    DIFFERENT   more than the margin is shown
    NOT_SHOWN   neither
    """

    EQUIVALENT = 1
    DIFFERENT = 2
    NOT_SHOWN = 3


@dataclass(frozen=True, slots=True)
class CellMean:
    """A mean over cells, ln lambda.

    half90, half95  half-widths of its intervals over the cells; NaN with fewer than two
    error           that it has by the errors of the cells alone, and `degrees` of freedom of it
    deviation       standard deviation between the cells; NaN with fewer than two
    cells           how many
    """

    mean: float
    half90: float
    half95: float
    error: float
    degrees: float
    deviation: float
    cells: int


NO_MEAN = CellMean(np.nan, np.nan, np.nan, np.nan, 1.0, np.nan, 0)


def mean_of_cells(values: Floats, variances: Floats, degrees: Floats, phi: float = 0.0) -> CellMean:
    """The mean of one value a cell.

    values, variances, degrees: float64[k] of the cells, with the errors of the values and their degrees of
        freedom.
    phi: how alike cells are that follow each other in time (`alike.likeness`).
    """
    count = len(values)
    if not count:
        return NO_MEAN
    of_scatter, of_errors = growth(phi, count)
    variance, mean = float(np.add.reduce(variances)), float(np.add.reduce(values)) / count
    error = math.sqrt(of_errors * variance) / count
    # Of a sum of variances (from memory: Satterthwaite, Biometrics 2, 1946).
    squares = float(np.add.reduce(variances**2 / np.maximum(degrees, 1.0)))
    joined = max(variance**2 / squares, 1.0) if squares > 0 else 1.0
    if count < 2:
        return CellMean(mean, np.nan, np.nan, error, joined, np.nan, count)
    away = values - mean
    deviation = math.sqrt(float(np.add.reduce(away * away)) / (count - 1))
    between = deviation * math.sqrt(of_scatter / count)
    return CellMean(
        mean,
        max(student_t90(count - 1) * between, student_t90(joined) * error),
        max(student_t95(count - 1) * between, student_t95(joined) * error),
        error,
        joined,
        deviation,
        count,
    )


def outcome_of(low: float, high: float, margin: float) -> Outcome:
    """What the 90 % interval from `low` to `high` says against the margin; NaN: nothing.

    >>> outcome_of(-0.2, 0.4, 0.5), outcome_of(0.6, 0.9, 0.5), outcome_of(0.1, 0.9, 0.5)
    (<Outcome.EQUIVALENT: 1>, <Outcome.DIFFERENT: 2>, <Outcome.NOT_SHOWN: 3>)
    """
    if -margin < low and high < margin:
        return Outcome.EQUIVALENT
    if low > margin or high < -margin:
        return Outcome.DIFFERENT
    return Outcome.NOT_SHOWN


def power_of(cells: int, deviation: float, margin: float) -> float:
    """Chance that so many cells show equivalence where nothing differs; exact for normal noise.

    The mean is normal, the scatter is that of chi square, and they are independent: the chance for each
    scatter is integrated over it.

    >>> [round(power_of(n, 0.35, 0.5), 2) for n in (4, 6, 8)]
    [0.49, 0.82, 0.95]

    Args:
        cells: 2 or more.
        deviation: standard deviation of one cell's difference.
        margin: in the same unit.
    """
    degrees = cells - 1
    if not deviation > 0:
        return 1.0
    room = margin * math.sqrt(cells) / deviation
    limit = student_t90(degrees)
    # The scatter over its truth, from zero to where the mean has no room left.
    scatter = np.linspace(0.0, room / limit, _SCATTER_POINTS + 1)
    density = [_density_of_scatter(s, degrees) for s in scatter.tolist()]
    chance = [max(math.erf((room - limit * s) / math.sqrt(2)), 0.0) for s in scatter.tolist()]
    return float(np.trapezoid(np.array(density) * np.array(chance), scatter))


def _density_of_scatter(scatter: float, degrees: int) -> float:
    """Density of the standard deviation of a normal sample over its truth, a chi over the root of degrees."""
    if scatter <= 0:
        return math.sqrt(2 / math.pi) if degrees == 1 else 0.0
    x = scatter * math.sqrt(degrees)
    exponent = (degrees - 1) * math.log(x) - x * x / 2 - (degrees / 2 - 1) * math.log(2)
    return math.sqrt(degrees) * math.exp(exponent - math.lgamma(degrees / 2))


def cells_needed(deviation: float, margin: float, power: float = WANTED_POWER) -> int | None:
    """The fewest cells with so much power; None where no number that anybody runs has it, or not known."""
    if not math.isfinite(deviation):
        return None
    enough = (n for n in range(2, _MOST_CELLS + 1) if power_of(n, deviation, margin) >= power)
    return next(enough, None)


def pooled_deviation(means: Sequence[CellMean]) -> float:
    """Standard deviation of one cell's value, over several means; NaN where none is known.

    It is at least what the errors of the cells make: few cells may agree by chance.
    """
    known = [one for one in means if math.isfinite(one.deviation)]
    degrees = [one.cells - 1 for one in known]
    if not known:
        return math.nan
    squares = math.fsum(d * one.deviation**2 for d, one in zip(degrees, known, strict=True))
    by_errors = math.fsum(one.cells * one.error**2 for one in known) / len(known)
    return math.sqrt(max(squares / math.fsum(degrees), by_errors))


def errors_by_all(means: Sequence[CellMean], phi: Floats) -> Floats:
    """Standard errors of means whose scatter is about alike: each by its own and by that of the others.

    The others' variance counts as up to `_OTHERS_DEGREES` more cells of its own (a moderated variance; from
    memory: Smyth, Stat. Appl. Genet. Mol. Biol. 3, 2004). A mean of two cells would else have Student's
    interval of one degree of freedom, and one of a single cell none but by its errors.

    phi: float64[k], as of `mean_of_cells`.
    Returns float64[k], of normal numbers with the same 95 % intervals; NaN where no cell is known.
    """
    degrees = np.array([max(one.cells - 1, 0) for one in means], np.float64)
    own = np.array([d * one.deviation**2 if d else 0.0 for d, one in zip(degrees, means, strict=True)])
    others, of_others = own.sum() - own, degrees.sum() - degrees
    added = np.minimum(of_others, _OTHERS_DEGREES)
    each = np.divide(others, of_others, out=np.zeros(len(own)), where=of_others > 0)
    total = degrees + added
    variance = np.divide(own + added * each, total, out=np.zeros(len(own)), where=total > 0)
    half = [
        max(
            student_t95(one.degrees) * one.error,
            student_t95(t) * math.sqrt(v * growth(p, one.cells)[0] / one.cells) if t else 0.0,
        )
        if one.cells
        else math.nan
        for one, t, v, p in zip(means, total.tolist(), variance.tolist(), phi.tolist(), strict=True)
    ]
    return np.array(half) / NORMAL_95_SIX_DECIMALS


def widened_by(half: float, error: float) -> float:
    """Half of a 90 % interval with one more error, a standard deviation."""
    return math.hypot(half, NORMAL_90 * error)
