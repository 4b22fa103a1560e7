"""Least squares of cylinders, sensors and sessions, with the errors of readings and those between sessions.

    AllLooks -> assemble -> BiasEvidence -> fit_biases -> BiasFit

In cell q and session k, ln lambda of a node is

    y = what all nodes share there + need of its cylinder in that cell + bias of its sensor + u + e

with e the error of the reading: its covariance is that which the cell gives, and a variance of its own for
each reading, `by_cell`, as large as the cells' disagreement asks for. u is one look's own: what putting the
sensor in, and running the engine again, did in that session, alike in all its cells; its variance is
`by_look`. The needs of the cylinders are free in every cell, as they are in an engine, so no sensor is blamed
for a cell; the need over the cells is their mean, with a variance `by_need` between cells.

The needs of the cells are eliminated first; what is left of all readings is an information matrix over the
looks (`BiasEvidence`), from which the rest is found: small systems, whatever the number of cells. The three
variances are those that make the weighted squares as large as their degrees of freedom (from memory: Paule &
Mandel, J. Res. Natl. Bur. Stand. 87, 1982). Where they are zero, all is plain least squares; with them,
biases and needs are generalized least squares, and what is said of u is its best prediction (from memory:
Henderson, Biometrics 31, 1975). Both effects sum to zero: what all sensors have in common cannot be seen by
moving them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.needs import weights_not_known, weights_of_groups
from mixmon.findings.bias.looks import AllLooks
from mixmon.findings.stats import Estimate, chi_square_point, invert_symmetric, student_t95

_NEWTON_STEPS = 30
"""Newton steps for a variance: our choice; they come from below and a handful is enough."""

_CHANGE = 1e-5
"""Part of itself below which a step no longer matters: our choice."""

_RANK = 1e-9
"""Part of the largest eigenvalue below which one is zero: our choice, far above rounding, far below what
the errors of readings differ by."""

LOOK_POINT = -0.3
"""Point of the normal distribution, a little below its median, at which chi square gives the squares that are
wanted of the looks: our choice. They have few degrees of freedom, and a variance that is found too small by
chance makes intervals too short: with their mean instead, 90 % of the intervals held the truth with three
degrees, so 94 %, and 98 % where looks have no error of their own (computed by tools/rotation_study.py)."""

ASSUMED_LOOK_PERCENT = 0.1
"""Standard deviation of what putting a sensor in, and running again, does to a look where too few looks show
it: our choice, so that an interval which nothing checks is not that of the noise alone."""

UNCHECKED_LOOK_PERCENT = 0.3
"""The same where not one look is to spare, so that nothing shows it: our choice, a little more than the
quarter percent of a design's look, as an interval that nothing checks must not rest on luck. With 0.1 the
intervals of two sessions held the truth in 58 % where it was really 0.3 (computed by
tools/rotation_study.py)."""

_FEWEST_DEGREES = 3
"""Degrees of freedom of the looks below which it is not left to them: our choice; with one or two, it is
found to be nothing too often."""

Weights = Sequence[Sequence[Floats]]
"""For every cell and session, float64[groups, m, m]: what each group says about differences of its looks."""


def plain_weights(gathered: AllLooks) -> Weights:
    """The weights where all readings are equally good, with errors of one."""
    return [
        [
            weights_of_groups(
                own.table._replace(variance=np.tile(np.eye(len(own.looks)), (len(own.table.x), 1, 1))), 0.0
            )
            for own in lines
        ]
        for _, lines in gathered.cells
    ]


def reading_weights(gathered: AllLooks, by_cell: float) -> Weights:
    """The weights by the errors of the readings, and one more of that variance for each reading."""
    return [[weights_of_groups(own.table, by_cell) for own in lines] for _, lines in gathered.cells]


class CellEvidence(NamedTuple):
    """What one cell says of its cylinders: own @ needs = pull - by_looks @ biases.

    own       float64[c, c]
    inverse   float64[c, c], its pseudo-inverse
    by_looks  float64[c, looks]
    pull      float64[c]
    """

    own: Floats
    inverse: Floats
    by_looks: Floats
    pull: Floats


class BiasEvidence(NamedTuple):
    """What all cells say about the biases of the looks, the needs in each cell eliminated.

    information @ biases = pull; `squares` is what is left of the weighted squares without any bias.

    information  float64[looks, looks]
    pull         float64[looks]
    """

    information: Floats
    pull: Floats
    squares: float
    cells: tuple[CellEvidence, ...]


def assemble(gathered: AllLooks, weights: Weights) -> BiasEvidence:
    """The normal equations of all cells."""
    looks, count = len(gathered.looks), len(gathered.cylinders)
    information, pull = np.zeros((looks, looks)), np.zeros(looks)
    squares, cells = 0.0, []
    for (_, lines), of_cell in zip(gathered.cells, weights, strict=True):
        own, by_looks, wanted = np.zeros((count, count)), np.zeros((count, looks)), np.zeros(count)
        for one, weight in zip(lines, of_cell, strict=True):
            whole = weight.sum(axis=0)
            right = np.einsum("rij,rj->i", weight, one.table.x)
            own[np.ix_(one.columns, one.columns)] += whole
            by_looks[np.ix_(one.columns, one.looks)] += whole
            wanted[one.columns] += right
            information[np.ix_(one.looks, one.looks)] += whole
            pull[one.looks] += right
            squares += float(np.einsum("ri,rij,rj", one.table.x, weight, one.table.x))
        inverse = invert(own)
        information -= by_looks.T @ inverse @ by_looks
        pull -= by_looks.T @ inverse @ wanted
        squares -= float(wanted @ inverse @ wanted)
        cells.append(CellEvidence(own, inverse, by_looks, wanted))
    return BiasEvidence(information, pull, squares, tuple(cells))


def rank(symmetric: Floats) -> int:
    """The rank of a symmetric matrix without negative eigenvalues."""
    values = np.linalg.eigvalsh(symmetric)
    return int((values > _RANK * max(float(values[-1]), 1e-300)).sum()) if len(values) else 0


def invert(symmetric: Floats) -> Floats:
    """The pseudo-inverse of a symmetric matrix without negative eigenvalues."""
    return invert_symmetric(symmetric, _RANK)


def _soften(information: Floats, variance: float) -> Floats:
    """The information that is left when every value has one more error of that variance."""
    if not variance:
        return information
    left = np.linalg.solve(np.eye(len(information)) + variance * information, information)
    return np.asarray((left + left.T) / 2, np.float64)


# ----------------------------------------------------------------------------------------------------
# The variances.
# ----------------------------------------------------------------------------------------------------


class Misfit(NamedTuple):
    """Weighted squares of what is left, and by how much they fall for a small rise of the variance."""

    squares: float
    slope: float


def find_variance(misfit: Callable[[float], Misfit], wanted: float) -> float:
    """The variance that makes the squares as large as wanted; 0 where they are smaller, or none are wanted.

    The squares fall with the variance and are convex, so Newton's steps come from below and never pass it.
    """
    variance = 0.0
    for _ in range(_NEWTON_STEPS if wanted > 0 else 0):
        squares, slope = misfit(variance)
        step = (squares - wanted) / slope if slope > 0 else 0.0
        if not step > _CHANGE * variance:
            break
        variance += step
    return variance


def cell_misfit(gathered: AllLooks, by_cell: float) -> Misfit:
    """How well one bias a look, free in every look, explains the readings of all cells."""
    weights = reading_weights(gathered, by_cell)
    evidence = assemble(gathered, weights)
    biases = invert(evidence.information) @ evidence.pull
    squares, slope = 0.0, 0.0
    for (_, lines), of_cell, cell in zip(gathered.cells, weights, evidence.cells, strict=True):
        needs = cell.inverse @ (cell.pull - cell.by_looks @ biases)
        for one, weight in zip(lines, of_cell, strict=True):
            left = one.table.x - np.where(one.table.present, needs[one.columns] + biases[one.looks], 0.0)
            pulled = np.einsum("rij,rj->ri", weight, left)
            squares += float((pulled * left).sum())
            slope += float((pulled**2).sum())
    return Misfit(squares, slope)


def _look_misfit(evidence: BiasEvidence, wears: Floats, by_look: float) -> Misfit:
    """How well one bias a sensor explains those of the looks."""
    values, axes = np.linalg.eigh(evidence.information)
    kept = values > _RANK * values[-1]
    own = 1 / values[kept]
    found, design = own * (axes[:, kept].T @ evidence.pull), axes[:, kept].T @ wears
    weight = 1 / (own + by_look)
    biases = invert(design.T @ (weight[:, None] * design)) @ (design.T @ (weight * found))
    left = found - design @ biases
    return Misfit(float((weight * left**2).sum()), float(((weight * left) ** 2).sum()))


def _variance_of_looks(evidence: BiasEvidence, wears: Floats, degrees: int) -> float:
    """The variance of the looks' own errors; where few looks are to spare, no less than the assumed one."""
    wanted = chi_square_point(degrees, LOOK_POINT)
    found = find_variance(lambda v: _look_misfit(evidence, wears, v), wanted)
    if degrees >= _FEWEST_DEGREES:
        return found
    assumed = ASSUMED_LOOK_PERCENT if degrees else UNCHECKED_LOOK_PERCENT
    return max(found, (assumed / 100) ** 2)


def residual_precision(evidence: BiasEvidence, wears: Floats, degrees: int) -> float:
    """Mean inverse variance of the errors of readings in what the looks have to spare; NaN without any."""
    if not degrees:
        return np.nan
    of_sensors = evidence.information @ wears
    left = evidence.information - of_sensors @ invert(wears.T @ of_sensors) @ of_sensors.T
    return float(np.trace(left)) / degrees


def _need_misfit(cells: Sequence[tuple[Floats, Floats]], by_need: float) -> Misfit:
    """How well one need a cylinder explains those in all cells; (information, needs) of each."""
    softened = [(_soften(own, by_need), needs) for own, needs in cells]
    mean = invert(np.sum([own for own, _ in softened], axis=0)) @ sum(own @ needs for own, needs in softened)
    pulled = [own @ (needs - mean) for own, needs in softened]
    squares = sum(float(p @ (needs - mean)) for p, (_, needs) in zip(pulled, softened, strict=True))
    return Misfit(squares, sum(float(p @ p) for p in pulled))


@dataclass(frozen=True, slots=True)
class Degrees:
    """Degrees of freedom of what is fitted.

    cells  readings in cells, about one bias a look
    looks  looks, about one bias a sensor
    needs  cells, about one need a cylinder
    """

    cells: int
    looks: int
    needs: int


def count_degrees(gathered: AllLooks) -> Degrees:
    """The degrees of freedom, from where there are readings alone."""
    plain = assemble(gathered, plain_weights(gathered))
    tables = [one.table for _, lines in gathered.cells for one in lines]
    readings = sum(int(table.present.sum()) - len(table.x) for table in tables)
    by_cell = [rank(cell.own) for cell in plain.cells]
    of_looks, wears = rank(plain.information), gathered.wears
    return Degrees(
        cells=readings - sum(by_cell) - of_looks,
        looks=of_looks - rank(wears.T @ plain.information @ wears),
        needs=sum(by_cell) - rank(np.sum([cell.own for cell in plain.cells], axis=0)),
    )


# ----------------------------------------------------------------------------------------------------
# Biases and needs.
# ----------------------------------------------------------------------------------------------------


class _Effects(NamedTuple):
    """Biases float64[s] and needs float64[c] in ln lambda, both with mean zero, with their covariances."""

    biases: Floats
    bias_covariance: Floats
    needs: Floats
    need_covariance: Floats


def _solve(evidence: BiasEvidence, wears: Floats, by_look: float, by_need: float) -> _Effects:
    n = len(evidence.information)
    held = np.linalg.inv(np.eye(n) + by_look * evidence.information)
    left = held @ evidence.information
    covariance = invert(wears.T @ (left + left.T) @ wears / 2)
    biases = covariance @ (wears.T @ held @ evidence.pull)
    of_looks = wears @ biases
    of_looks = of_looks + by_look * held @ (evidence.pull - evidence.information @ of_looks)
    spread = held @ wears
    look_covariance = by_look * held + spread @ covariance @ spread.T
    softened = [_soften(cell.own, by_need) for cell in evidence.cells]
    whole = invert(np.sum(softened, axis=0))
    pulled = [own @ cell.inverse for own, cell in zip(softened, evidence.cells, strict=True)]
    pairs = list(zip(pulled, evidence.cells, strict=True))
    through = whole @ sum(p @ cell.by_looks for p, cell in pairs)
    needs = whole @ sum(p @ cell.pull for p, cell in pairs) - through @ of_looks
    return _Effects(biases, covariance, needs, whole + through @ look_covariance @ through.T)


@dataclass(frozen=True, slots=True, eq=False)
class BiasFit:
    """What was found, in ln lambda.

    biases           one Estimate a sensor; they sum to zero
    needs            float64[c]     needs of the cylinders with trims of zero; they sum to zero
    need_covariance  float64[c, c]  of their errors
    need_degrees     float64[c]     degrees of freedom that those errors rest on
    effective        float64[c]     effective number of batches
    by_cell, by_look, by_need  the variances of the module's docstring
    degrees          what they rest on
    squares          weighted squares of the looks about one bias a sensor, without `by_look`
    cell_squares     those of the readings about one bias a look, without `by_cell`
    evidence         with `by_cell` in its errors
    """

    biases: tuple[Estimate, ...]
    needs: Floats
    need_covariance: Floats
    need_degrees: Floats
    effective: Floats
    by_cell: float
    by_look: float
    by_need: float
    degrees: Degrees
    squares: float
    cell_squares: float
    evidence: BiasEvidence


def fit_biases(gathered: AllLooks) -> BiasFit:
    """Biases and needs of looks that hang together (`network.why_not_solvable` is None)."""
    degrees, wears = count_degrees(gathered), gathered.wears
    by_cell = find_variance(lambda v: cell_misfit(gathered, v), degrees.cells)
    evidence = assemble(gathered, reading_weights(gathered, by_cell))
    by_look = _variance_of_looks(evidence, wears, degrees.looks)
    rough = _solve(evidence, wears, by_look, 0.0)
    in_cells = [
        (cell.own, cell.inverse @ (cell.pull - cell.by_looks @ (wears @ rough.biases)))
        for cell in evidence.cells
    ]
    by_need = find_variance(lambda v: _need_misfit(in_cells, v), degrees.needs)
    # The part of each variance is found by adding one after the other.
    steps = [
        _solve(assemble(gathered, reading_weights(gathered, 0.0)), wears, 0.0, 0.0),
        _solve(evidence, wears, 0.0, 0.0),
        rough,
        _solve(evidence, wears, by_look, by_need),
    ]
    # A variance that is assumed is as good as known.
    spare = (degrees.cells, degrees.looks or np.inf, degrees.needs)
    of_sensors, of_cylinders = (
        _tabulate_readings(gathered, "sensor"),
        _tabulate_readings(gathered, "cylinder"),
    )
    last = steps[-1]
    errors = np.sqrt(np.diag(last.bias_covariance)) * of_sensors.wider(by_cell)
    bias_degrees = _join_degrees([np.diag(s.bias_covariance) for s in steps], spare, of_sensors.degrees)
    wider = of_cylinders.wider(by_cell + by_need)
    return BiasFit(
        biases=tuple(
            Estimate(float(b), student_t95(float(d)) * float(e), float(e), float(n))
            for b, e, d, n in zip(last.biases, errors, bias_degrees, of_sensors.counts, strict=True)
        ),
        needs=last.needs,
        need_covariance=last.need_covariance * wider[:, None] * wider,
        need_degrees=_join_degrees([np.diag(s.need_covariance) for s in steps], spare, of_cylinders.degrees),
        effective=of_cylinders.counts,
        by_cell=by_cell,
        by_look=by_look,
        by_need=by_need,
        degrees=degrees,
        squares=_look_misfit(evidence, wears, 0.0).squares,
        cell_squares=cell_misfit(gathered, 0.0).squares,
        evidence=evidence,
    )


class _ReadingErrors(NamedTuple):
    """The errors of all readings of each sensor or cylinder, [lines, columns].

    variance   infinite where there is no reading
    effective  effective number of batches; 0 where there is none
    """

    variance: Floats
    effective: Floats

    @property
    def counts(self) -> Floats:
        """Effective number of batches of each column."""
        out: Floats = self.effective.sum(axis=0)
        return out

    @property
    def degrees(self) -> Floats:
        """Degrees of freedom of the errors of each column."""
        out: Floats = self.counts - (self.effective > 0).sum(axis=0)
        return out

    def wider(self, between: float) -> Floats:
        """By how much errors are larger as the weights of the readings are estimates too, by column."""
        out: Floats = np.sqrt(weights_not_known(self.variance, between, self.effective))
        return out


def _tabulate_readings(gathered: AllLooks, by: Literal["sensor", "cylinder"]) -> _ReadingErrors:
    """The readings by sensor, or by cylinder."""
    of_look = np.array([getattr(look, by) for look in gathered.looks], np.int64)
    width = 1 + int(of_look.max())
    variance, effective = [], []
    for _, lines in gathered.cells:
        for one in lines:
            columns, rows = of_look[one.looks], len(one.table.x)
            errors, counts = np.full((rows, width), np.inf), np.zeros((rows, width))
            own = np.einsum("rii->ri", one.table.variance)
            errors[:, columns] = np.where(one.table.present, own, np.inf)
            counts[:, columns] = np.where(one.table.present, one.table.effective, 0.0)
            variance.append(errors)
            effective.append(counts)
    return _ReadingErrors(np.concatenate(variance), np.concatenate(effective))


def _join_degrees(steps: Sequence[Floats], spare: Sequence[float], own: Floats) -> Floats:
    """Degrees of freedom of variances that are sums (from memory: Satterthwaite, Biometrics 2, 1946).

    steps  the variances as one part after the other is added, the first the readings' own
    spare  degrees of freedom of each part that is added
    own    float64[n], those of the readings' own
    """
    whole = np.maximum(steps[-1], 1e-300)
    inverse = (np.minimum(steps[0], whole) / whole) ** 2 / np.maximum(own, 1.0)
    for before, after, degrees in zip(steps, steps[1:], spare, strict=False):
        inverse = inverse + (np.maximum(after - before, 0.0) / whole) ** 2 / max(degrees, 1)
    out: Floats = 1 / np.maximum(inverse, 1e-12)
    return np.maximum(out, 1.0)
