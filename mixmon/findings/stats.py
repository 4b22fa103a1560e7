"""The mean of a correlated series, and how sure it is.

Successive mixture readings are not independent: the sensor's lag, the controller's filter
and the engine itself make neighbours alike. s/sqrt(n) of them is far too small. Here a
series is first averaged over short batches (`BATCH_S`), and the
remaining correlation is allowed for by the lag-1 formula

    n_eff = m (1 - rho) / (1 + rho)

(from memory: Bayley & Hammersley, J. R. Stat. Soc. Suppl. 8, 1946), the interval being
mean +- t(n_eff - 1) s_u / sqrt(n_eff) with s_u^2 = s^2 n_eff / (n_eff - 1), s^2 with divisor m.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, lgamma, log, log1p, sqrt

import numpy as np

from mixmon.arrays import Bools, Floats, Ints

# ----------------------------------------------------------------------------------------------------
# Medians of columns that have holes.
# ----------------------------------------------------------------------------------------------------


NORMAL_95 = 1.96
"""Half of the central 95 % of a normal distribution, in standard deviations (its table, two decimals)."""

NORMAL_95_SIX_DECIMALS = 1.959964
"""The same to six decimals, where Student's t and chi square pass over into it (its table)."""

NORMAL_90 = 1.644854
"""Half of the central 90 %, likewise (its table)."""

SIGMA_OF_MAD = 1.4826
"""Standard deviation of normal noise over the median of its absolute deviations (computed: 1 / 0.67449,
the upper quartile of the standard normal distribution)."""


def robust_deviation(away: Floats) -> float:
    """Standard deviation by the median of absolute deviations; a few outliers do not raise it.

    away: float64[k], deviations from whatever is the middle, without NaN; at least one.

    >>> round(robust_deviation(np.array([-1.0, 0.5, 1.0, 90.0])), 4)
    1.4826
    """
    return SIGMA_OF_MAD * float(np.median(np.abs(away)))


def median_with_holes(x: Floats, axis: int, fewest: int = 1) -> Floats:
    """The median along an axis, NaN left out; NaN where fewer than `fewest` numbers are left.

    The numbers are sorted, so that the result does not depend on how many others are worked on
    at the same time.

    >>> median_with_holes(np.array([[1.0, np.nan, 4.0], [7.0, np.nan, np.nan]]), axis=1, fewest=2)
    array([2.5, nan])
    """
    ordered = np.sort(x, axis=axis)
    if _is_whole(ordered, axis) and x.shape[axis] >= fewest:
        last = x.shape[axis] - 1
        whole: Floats = ordered.take(last // 2, axis) + ordered.take((last + 1) // 2, axis)
        whole *= 0.5
        return whole
    count = np.isfinite(x).sum(axis=axis, keepdims=True)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, x.shape[axis] - 1)
    middle = np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis)
    middle *= 0.5
    np.copyto(middle, np.nan, where=count < fewest)
    return np.asarray(np.squeeze(middle, axis), np.float64)


def _is_whole(ordered: Floats, axis: int) -> bool:
    """Whether all is finite, along an axis in which numbers rise and NaN follow; false where it is empty."""
    if not ordered.size:
        return False
    return bool(np.isfinite(ordered.take(0, axis)).all() and np.isfinite(ordered.take(-1, axis)).all())


_WINDOWS_AT_ONCE = 2_048
"""Our choice: `rolling_median` needs some `width` numbers for each, and a cell may last for hours."""


def rolling_median(x: Floats, width: int) -> Floats:
    """Median of each full window of float64[m] without NaN, as float64[m - width + 1].

    width: of a window, 2, 4, 8 and so on; not more than m.

    A window is two halves, which other windows share: sorted runs are merged to longer ones, for all places
    at once (bitonic merging: Batcher, Proc. AFIPS Spring Joint Computer Conf. 32, 1968, from memory).

    >>> rolling_median(np.array([1.0, 5.0, 2.0, 4.0, 9.0]), 4)
    array([3. , 4.5])
    """
    medians = np.empty((len(x) - width + 1, *x.shape[1:]))
    for first in range(0, len(medians), _WINDOWS_AT_ONCE):
        windows = x[first : first + _WINDOWS_AT_ONCE + width - 1]
        medians[first : first + _WINDOWS_AT_ONCE] = _all_medians(windows, width)
    return medians


def _all_medians(x: Floats, width: int) -> Floats:
    """As `rolling_median`, all windows at once."""
    runs, span = [x], 1
    while 2 * span < width:
        runs = [one for half in _halves_of_pairs(runs, span) for one in _sort_bitonic(half)]
        span *= 2
    smaller, larger = _halves_of_pairs(runs, span)
    middle: Floats = np.maximum.reduce(smaller)
    middle += np.minimum.reduce(larger)
    middle *= 0.5
    return middle


def _halves_of_pairs(runs: list[Floats], span: int) -> tuple[list[Floats], list[Floats]]:
    """The smaller and the larger half of the numbers of each run and of that which follows it.

    runs: by rank, one array a rank, with the runs of `span` numbers that begin at each place.
    """
    pairs = [(one[:-span], other[span:]) for one, other in zip(runs, reversed(runs), strict=True)]
    return [np.minimum(*pair) for pair in pairs], [np.maximum(*pair) for pair in pairs]


def _sort_bitonic(parts: list[Floats]) -> list[Floats]:
    """The same by rank, place by place; the parts rise and then fall, or fall and then rise."""
    if len(parts) == 1:
        return parts
    half = len(parts) // 2
    pairs = list(zip(parts[:half], parts[half:], strict=True))
    return [
        *_sort_bitonic([np.minimum(*pair) for pair in pairs]),
        *_sort_bitonic([np.maximum(*pair) for pair in pairs]),
    ]


# ----------------------------------------------------------------------------------------------------
# Two effects in one table: what belongs to the column, what to the row.
#
# y[b, i] = row[b] + column[i] + noise, with gaps. Used for batches x cylinders (the engine's
# common drift against the cylinders' differences) and for cells x cylinders.
# ----------------------------------------------------------------------------------------------------


def two_way(y: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Weighted least squares: (row effects float64[m], column effects float64[n]).

    y, weights: float64[m, n]; weight 0 marks a gap. Column effects of columns that appear
    sum to zero; rows and columns without data are NaN.
    """
    w = np.where(np.isfinite(y), weights, 0.0)
    values = np.where(w > 0, y, 0.0)
    row_weight, used = w.sum(axis=1), w.sum(axis=0) > 0
    rows = row_weight > 0
    if not used.any():
        return np.full(y.shape[0], np.nan), np.full(y.shape[1], np.nan)
    share = w[rows] / row_weight[rows, None]
    row_mean = (share * values[rows]).sum(axis=1)
    # Eliminate the row effects; what remains is a small symmetric system of the columns.
    normal = np.diag(w.sum(axis=0)) - w[rows].T @ share
    right = (w * values).sum(axis=0) - w[rows].T @ row_mean
    columns = np.full(y.shape[1], np.nan)
    columns[used] = invert_symmetric(normal[np.ix_(used, used)]) @ right[used]
    columns[used] -= columns[used].mean()
    effect = np.where(used, columns, 0.0)
    row_effect = np.full(y.shape[0], np.nan)
    row_effect[rows] = row_mean - share @ effect
    return row_effect, columns


_ROUNDING = 1e-15
"""Part of the largest eigenvalue that may be rounding: NumPy's own limit for a pseudo-inverse."""


def invert_symmetric(symmetric: Floats, least: float = _ROUNDING) -> Floats:
    """The pseudo-inverse of a symmetric matrix float64[n, n], as by `numpy.linalg.pinv`.

    That one goes round by singular values and takes twice as long for the few rows that there are here.

    least: part of the largest eigenvalue at or below which one counts as zero.
    """
    if not len(symmetric):
        return np.empty(symmetric.shape)
    values, axes = np.linalg.eigh(symmetric)
    size = np.abs(values)
    falling = np.argsort(size)[::-1]
    size, axes = size[falling], axes.take(falling, axis=1)
    inverse = np.divide(1.0, size, out=np.zeros(len(size)), where=size > least * size[0])
    out: Floats = (axes * np.copysign(1.0, values[falling])) @ (inverse[:, None] * axes.T)
    return out


def linked(together: Bools) -> list[Ints]:
    """Sets of columns that the rows of bool[m, n] connect, directly or by way of others.

    In order of their first column; columns without any True are in no set. Within a set, `two_way` finds all
    differences; between sets there is none to find.

    >>> together = np.array([[1, 1, 0, 0, 0], [0, 1, 1, 0, 0], [0, 0, 0, 1, 0]], np.bool_)
    >>> [nodes.tolist() for nodes in linked(together)]
    [[0, 1, 2], [3]]
    """
    if together.size and together.all():
        return [np.arange(together.shape[1])]
    counts = together.astype(np.float64)
    reached = counts.T @ counts > 0
    for _ in range(max(together.shape[1] - 1, 1).bit_length()):
        reached = reached.astype(np.float64) @ reached > 0
    first = np.where(reached.any(axis=1), reached.argmax(axis=1), -1)
    return [np.flatnonzero(first == column) for column in np.unique(first[first >= 0])]


# ----------------------------------------------------------------------------------------------------
# What all cylinders are together: all air over all fuel, the mean in the fuel domain. Weights are the air
# that passes each node's sensor, any unit (`session.charges`).
# ----------------------------------------------------------------------------------------------------


def engine_lambda(lam: Floats, weights: Floats) -> Floats:
    """Lambda of the engine, sum(air) / sum(air / lambda), along the last axis; NaN values are left out.

    lam      float64[..., n]; NaN = not known
    weights  float64[n], air of each node

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


def engine_log_lambda(y: Floats, weights: Floats) -> float:
    """The same in the logarithm: ln of the engine's lambda, from ln lambda of its nodes.

    y        float64[n], ln lambda without NaN, at least one
    weights  float64[n], air of each node

    >>> round(float(np.exp(engine_log_lambda(np.log([0.80, 0.95]), np.ones(2)))), 4)
    0.8686
    """
    return -float(np.log(np.average(np.exp(-y), weights=weights)))


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


BATCH_S = 0.25
"""Length of a batch: our choice, some lags of a sensor, so that neighbouring means are little alike, and
short enough for several batches in a dwell."""

CENSORED_SHARE = 0.02
"""With more than this part of its time at a limit of the range, a node's mean is not used: our choice; a mean
that is used is off by a fiftieth, at most, of how far the clipped samples really were beyond the limit."""

FEWEST_EFFECTIVE = 3.0
"""Below this many effective batches no interval is offered: our choice; with fewer than two degrees of
freedom Student's t makes its half-width more than four standard errors."""

USUAL_RHO = 0.27
"""Lag-1 correlation of quarter-second means behind a lag of 0.1 s (computed)."""

_HIGHEST_RHO = 0.95
"""Our choice: a batch then counts as 1/39 of an independent one, and n_eff stays above zero."""

_COLUMN_PRIOR = 20
"""Pairs of batches that the mean correlation of all columns counts as, beside a column's own: our choice,
five seconds."""

_MEAN_PRIOR = 40
"""Pairs of batches that `USUAL_RHO` counts as, beside those of all columns: our choice, ten seconds."""

_LEAST_MEAN_SQUARE = 1e-20
"""Mean squares of ln lambda below this are rounding, not noise: our choice, 1e-10 of lambda."""

# Two-sided 95 % points of Student's t for 1..30 degrees of freedom
# (any handbook table; checked against scipy.stats.t in the tests).
_T95 = np.array(
    [
        *(12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.3060, 2.2622, 2.2281),
        *(2.2010, 2.1788, 2.1604, 2.1448, 2.1314, 2.1199, 2.1098, 2.1009, 2.0930, 2.0860),
        *(2.0796, 2.0739, 2.0687, 2.0639, 2.0595, 2.0555, 2.0518, 2.0484, 2.0452, 2.0423),
    ]
)

# Two-sided 90 % points likewise, which are the one-sided 95 % points.
_T90 = np.array(
    [
        *(6.3138, 2.9200, 2.3534, 2.1318, 2.0150, 1.9432, 1.8946, 1.8595, 1.8331, 1.8125),
        *(1.7959, 1.7823, 1.7709, 1.7613, 1.7531, 1.7459, 1.7396, 1.7341, 1.7291, 1.7247),
        *(1.7207, 1.7171, 1.7139, 1.7109, 1.7081, 1.7056, 1.7033, 1.7011, 1.6991, 1.6973),
    ]
)

_INVERSE_DEGREES = np.concatenate([[0.0], 1.0 / np.arange(len(_T95), 0, -1)])
_T95_BY_INVERSE = np.concatenate([[NORMAL_95_SIX_DECIMALS], _T95[::-1]])
_T90_BY_INVERSE = np.concatenate([[NORMAL_90], _T90[::-1]])
"""The same table for interpolation in 1 / degrees of freedom, from infinity down."""


def student_t95(dof: float) -> float:
    """Half-width of a 95 % interval in standard errors; dof need not be whole, 1 or more.

    Interpolated in 1/dof between the table's rows and to 1.95996 at infinity.
    """
    return float(np.interp(1.0 / dof, _INVERSE_DEGREES, _T95_BY_INVERSE))


def student_t90(dof: float) -> float:
    """Half-width of a 90 % interval in standard errors, as `student_t95`.

    >>> student_t90(7), student_t90(float("inf"))
    (1.8946, 1.644854)
    """
    return float(np.interp(1.0 / dof, _INVERSE_DEGREES, _T90_BY_INVERSE))


def chi_square_point(degrees: float, normal: float) -> float:
    """The point of chi square at the probability of that point of the normal distribution; 0 for no degrees.

    As the cube of a normal number (from memory: Wilson & Hilferty, Proc. Natl. Acad. Sci. 17, 1931). From
    three degrees on it is off by half a percent at most above the median, and by 0.04 below (against scipy).

    >>> round(chi_square_point(7, 2.3263), 1)  # a table has 18.5 at 99 %
    18.5
    """
    if not degrees > 0:
        return 0.0
    spread = 2 / (9 * degrees)
    return float(degrees * max(1 - spread + normal * spread**0.5, 0.0) ** 3)


def f_tail(f: float, upper: int, lower: int) -> float:
    """Chance of an F of so many degrees of freedom above f; 0 for an infinite one, 1 for none.

    By the incomplete beta function (from memory: Abramowitz & Stegun 26.6.2 and 26.5.8).

    >>> round(f_tail(5.9874, 1, 6), 4)  # a table has 5.99 at 5 %
    0.05
    """
    if not f > 0:
        return 1.0
    return incomplete_beta(lower / 2, upper / 2, lower / (lower + upper * f)) if np.isfinite(f) else 0.0


_FRACTION_TERMS, _FRACTION_END = 300, 1e-12
"""Terms of a continued fraction at most, and the change at which it ends: our choice; 20 are usual."""


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b), for x from 0 to 1.

    By its continued fraction, which is quick below the mean; above it by 1 - I_(1-x)(b, a).
    """
    if x <= 0 or x >= 1:
        return float(x >= 1)
    if x > (a + 1) / (a + b + 2):
        return 1 - incomplete_beta(b, a, 1 - x)
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x)) / a
    c, d = 1.0, 1 / (1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, _FRACTION_TERMS):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        for term in (even, odd):
            d, c = 1 / (1 + term * d), 1 + term / c
            value *= c * d
        if abs(c * d - 1) < _FRACTION_END:
            break
    return front * value


def chi_square_above(degrees: float, x: float) -> float:
    """The probability that chi square is larger than x, by the same cube; within 0.03 (against scipy).

    >>> round(chi_square_above(7, 18.475), 3)  # a table has 0.01
    0.01
    """
    spread = 2 / (9 * degrees)
    normal = ((max(x, 0.0) / degrees) ** (1 / 3) - (1 - spread)) / spread**0.5
    return 0.5 * erfc(normal / sqrt(2.0))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean and what it rests on. `half` is the 95 % half-width; NaN where there is no interval."""

    mean: float
    half: float
    standard_error: float
    effective: float  # effective number of batches

    @property
    def interval(self) -> tuple[float, float]:
        """Lower and upper end of the 95 % interval."""
        return (self.mean - self.half, self.mean + self.half)


NO_ESTIMATE = Estimate(np.nan, np.nan, np.nan, 0.0)


def widened(e: Estimate, variance: float) -> Estimate:
    """The same with one more error, of that variance."""
    if not variance > 0 or not np.isfinite(e.standard_error):
        return e
    error = float(np.hypot(e.standard_error, np.sqrt(variance)))
    return Estimate(e.mean, student_t95(e.effective - 1) * error, error, e.effective)


_LEAST_HALF = 5e-4
"""Half-width from which an interval is taken to be made by its standard error, ln lambda: our choice."""


def longer(e: Estimate, by: float) -> Estimate:
    """The same with an interval that reaches so much farther at both ends."""
    if not by or not np.isfinite(e.half):
        return e
    half = e.half + by
    return Estimate(e.mean, half, e.standard_error * half / max(e.half, _LEAST_HALF), e.effective)


def lag1(residuals: Floats, joined: Bools) -> Floats:
    """Lag-1 autocorrelation of each column of float64[m, n], NaN where a batch is missing.

    `joined` bool[m - 1] says which neighbours follow each other without a pause. The small-sample
    bias -(1 + 3 rho)/m is taken out (from memory: Kendall, Biometrika 41, 1954). A short column
    says little about its own correlation, so each is shrunk towards the mean of all columns as if
    that were `_COLUMN_PRIOR` more pairs, and that mean towards `USUAL_RHO` by `_MEAN_PRIOR` pairs.
    The result is kept between 0 and 0.95: a negative value would shrink the interval on weak grounds.
    """
    first, second = residuals[:-1][joined], residuals[1:][joined]
    both = np.isfinite(first) & np.isfinite(second)
    cross = np.where(both, first * second, 0.0).sum(axis=0)
    power = np.where(both, 0.5 * (first**2 + second**2), 0.0).sum(axis=0)
    pairs = both.sum(axis=0)
    rho = np.divide(cross, power, out=np.zeros_like(cross), where=power > _LEAST_MEAN_SQUARE * pairs)
    own = rho + (1 + 3 * rho) / np.maximum(pairs, 1)
    shared = (float((pairs * own).sum()) + _MEAN_PRIOR * USUAL_RHO) / (int(pairs.sum()) + _MEAN_PRIOR)
    drawn: Floats = (pairs * own + _COLUMN_PRIOR * shared) / (pairs + _COLUMN_PRIOR)
    return np.clip(drawn, 0.0, _HIGHEST_RHO)


def estimate(values: Floats, rho: float) -> Estimate:
    """Mean of one float64[m] series of batch means (no NaN) whose lag-1 correlation is `rho`."""
    m = len(values)
    if m == 0:
        return NO_ESTIMATE
    mean = float(values.mean())
    effective = m * (1 - rho) / (1 + rho)
    if m < 2 or effective < FEWEST_EFFECTIVE:
        return Estimate(mean, np.nan, np.nan, effective)
    error = float(np.sqrt(np.mean((values - mean) ** 2) / (effective - 1)))
    return Estimate(mean, student_t95(effective - 1) * error, error, effective)
