"""Least squares for many sensors at once, with errors that allow for neighbours being alike.

Gauss-Newton steps with damping, one small system a sensor. Outliers get less weight (Huber,
k = 1.345; from memory: Huber, Ann. Math. Stat. 35, 1964). What is known beforehand is added as
further squares. Neighbouring residuals are alike, and few samples lie on a step; so the
covariance takes from the residuals how alike neighbours are on the whole (with weights falling to
zero, as Newey & West, Econometrica 55, 1987; from memory), and from the slopes where it matters.

Invariant: the result depends on the arrays given and on nothing else; nothing is random.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.stats import SIGMA_OF_MAD

_ROUNDS = 40
"""Steps at most: our choice."""

_NEW_WEIGHTS = 3
"""Steps from one setting of the weights to the next: our choice."""

_SETTLED = 9
"""Steps after which the weights stay as they are, so that the cost can come to rest: our choice."""

_LEAST_MOVE = 1e-5
"""The fit is done once no parameter moves by more: our choice, far below the errors of what is fitted."""

_HUBER = 1.345
"""Residual, in standard deviations, from which weights fall (from memory: Huber; 95 % as efficient as plain
least squares where the noise is normal)."""

_RIDGE = 1e-9
"""Added to the diagonal of the normal matrix, and as a share of it: our choice, so that neither a parameter
without data nor two that do the same to readings of no noise make it singular."""

_LEAST_SCALE = 1e-9
"""Least standard deviation of the residuals, in the unit of the readings: our choice, so that made-up data
without noise do not divide by zero."""

_FIRST_DAMPING, _LESS_DAMPING, _MORE_DAMPING = 1e-3, 0.2, 8.0
"""Damping at the start, and its factor after a step that fits better or worse: our choice; a step that fits
worse costs more, so damping rises by more than it falls."""


Model = Callable[[Floats], tuple[Floats, Floats]]
"""Parameters [n, p] to readings [k, n] and their slopes by each parameter [k, n, p]."""


class Samples(NamedTuple):
    """Samples of n sensors: moments in s, rising, readings, and which of them count; [k, n] each."""

    t: Floats
    y: Floats
    used: Bools


class Known(NamedTuple):
    """A sum of parameters that is known beforehand: `row` float64[p] times parameters is value +- sd."""

    row: Floats
    value: float
    sd: float


class ParameterLimits(NamedTuple):
    """Bounds of the parameters, and how far each may move in one step; float64[p] each."""

    lowest: Floats
    highest: Floats
    stride: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Parameters [n, p], their covariance [n, p, p], residual rms [n], number of samples int64[n]."""

    theta: Floats
    covariance: Floats
    rms: Floats
    count: Ints

    def sd(self, by: Floats) -> Floats:
        """Standard deviation of a quantity with derivatives `by` [n, p] or [p], float64[n]."""
        by = np.broadcast_to(by, self.theta.shape)
        variance = np.einsum("ni,nij,nj->n", by, self.covariance, by)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def solve(
    model: Model,
    samples: Samples,
    start: Floats,
    known: Sequence[Known],
    limits: ParameterLimits,
    *,
    alike: int,
    coarse: Floats | float = 0.0,
) -> Solution:
    """The parameters that fit the readings best.

    Args:
        model: the readings that parameters make.
        samples: what was read; finite where used.
        start: parameters to begin with, float64[n, p].
        known: what is known beforehand.
        limits: where the parameters may go.
        alike: number of rows over which neighbouring residuals are alike.
        coarse: how well the model can describe the readings at best; residuals of that size are
            no outliers, however quiet the readings are elsewhere. float64[n] or one for all.
    """
    problem = _Problem(model, samples, tuple(known), coarse)
    theta = _step_downhill(problem, start.copy(), limits)
    return problem.solution(theta, alike)


class _Problem:
    """Readings, weights and priors; the weights are kept here."""

    def __init__(
        self, model: Model, samples: Samples, known: tuple[Known, ...], coarse: Floats | float
    ) -> None:
        self._model, self._known = model, known
        self._coarse = coarse
        self._y, self._used = samples.y, samples.used
        self._weight: Floats = self._used.astype(np.float64)
        self._scale = np.ones(self._y.shape[1])

    def at(self, theta: Floats) -> tuple[Floats, Floats]:
        """Residuals [k, n], zero where not used, and slopes [k, n, p]."""
        reading, slopes = self._model(theta)
        return np.where(self._used, self._y - reading, 0.0), slopes

    def weigh(self, residual: Floats) -> None:
        """Sets scale and weights from the residuals as they now are."""
        size = np.sort(np.where(self._used, np.abs(residual), np.inf), axis=0)
        middle = np.maximum(self._used.sum(axis=0) - 1, 0) // 2
        median = np.take_along_axis(size, middle[None], axis=0)[0]
        self._scale = np.maximum(np.where(np.isfinite(median), SIGMA_OF_MAD * median, 1.0), _LEAST_SCALE)
        usual = np.maximum(self._scale, self._coarse)
        light = _HUBER * usual / np.maximum(np.abs(residual), _LEAST_SCALE)
        self._weight = np.where(self._used, np.minimum(1.0, light), 0.0)

    def cost(self, residual: Floats, theta: Floats) -> Floats:
        """Weighted sum of squares of each sensor, priors included."""
        cost = np.asarray((self._weight * residual**2).sum(axis=0) / self._scale**2)
        for one in self._known:
            cost += ((theta @ one.row - one.value) / one.sd) ** 2
        return cost

    def normal(self, residual: Floats, slopes: Floats, theta: Floats) -> tuple[Floats, Floats]:
        """Normal matrix [n, p, p] and right side [n, p]."""
        each = np.ascontiguousarray(slopes.transpose(1, 2, 0))
        heavy = each * (self._weight / self._scale**2).T[:, None, :]
        matrix = heavy @ each.transpose(0, 2, 1)
        matrix += _RIDGE * (1.0 + matrix) * np.eye(theta.shape[1])
        side = (heavy @ residual.T[:, :, None])[:, :, 0]
        for one in self._known:
            matrix += np.outer(one.row, one.row) / one.sd**2
            side += ((one.value - theta @ one.row) / one.sd**2)[:, None] * one.row
        return matrix, side

    def solution(self, theta: Floats, alike: int) -> Solution:
        """The errors of what was found."""
        residual, slopes = self.at(theta)
        matrix, _ = self.normal(residual, slopes, theta)
        inverse = np.linalg.inv(matrix)
        count = self._used.sum(axis=0)
        free = np.maximum(count - theta.shape[1], 1)
        weighed = (slopes * self._weight[:, :, None]).transpose(1, 2, 0)
        middle = _sum_neighbours(weighed, self._weight * residual, free, alike)
        middle /= self._scale[:, None, None] ** 4
        for one in self._known:
            middle += np.outer(one.row, one.row) / one.sd**2
        # a residual that is held down no longer answers to the parameters
        answering = np.maximum((self._weight >= 1.0).sum(axis=0), 1) / np.maximum(self._weight.sum(axis=0), 1)
        covariance = inverse @ middle @ inverse / answering[:, None, None] ** 2
        rms = np.sqrt((self._weight * residual**2).sum(axis=0) / free)
        return Solution(theta, covariance, rms, count)


def _step_downhill(problem: _Problem, theta: Floats, limits: ParameterLimits) -> Floats:
    """Damped steps downhill until nothing moves."""
    identity = np.eye(theta.shape[1])
    damping = np.full(len(theta), _FIRST_DAMPING)
    residual, slopes = problem.at(theta)
    for turn in range(_ROUNDS):
        if turn % _NEW_WEIGHTS == 0 and turn <= _SETTLED:
            problem.weigh(residual)
        matrix, side = problem.normal(residual, slopes, theta)
        damped = matrix + damping[:, None, None] * matrix * identity
        step = np.linalg.solve(damped, side[:, :, None])[:, :, 0]
        trial = theta + np.clip(step, -limits.stride, limits.stride)
        trial = np.clip(trial, limits.lowest, limits.highest)
        trial_residual, trial_slopes = problem.at(trial)
        better = problem.cost(trial_residual, trial) <= problem.cost(residual, theta)
        moved = np.where(better, np.abs(trial - theta).max(axis=1), 0.0)
        damping = np.where(better, damping * _LESS_DAMPING, damping * _MORE_DAMPING)
        theta = np.where(better[:, None], trial, theta)
        residual = np.where(better, trial_residual, residual)
        slopes = np.where(better[:, None], trial_slopes, slopes)
        if turn > _SETTLED and bool(np.all(moved < _LEAST_MOVE)):
            break
    return theta


def _sum_neighbours(slopes: Floats, residual: Floats, free: Ints, alike: int) -> Floats:
    """Covariance [n, p, p] of the right side: slopes [n, p, k], residuals [k, n].

    What neighbours have in common is added up until it is first none (Geyer, Stat. Sci. 7, 1992; from
    memory): farther apart, the sums would hold what the fit itself took out of the residuals.
    """
    variance = (residual**2).sum(axis=0) / free
    total = variance[:, None, None] * (slopes @ slopes.transpose(0, 2, 1))
    going_on = variance > 0.0
    for apart in range(1, min(alike, slopes.shape[2] - 1) + 1):
        shared = (residual[apart:] * residual[:-apart]).sum(axis=0) / free
        going_on &= shared > 0.0
        if not going_on.any():
            break
        near = slopes[:, :, apart:] @ slopes[:, :, :-apart].transpose(0, 2, 1)
        share = (1.0 - apart / (alike + 1)) * shared * going_on
        total += share[:, None, None] * (near + near.transpose(0, 2, 1))
    return np.asarray(total)
