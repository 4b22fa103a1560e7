"""Intervals that hold the sensors' own errors as well, beside those that hold only what repeats.

The intervals of the balance say how well the readings of these sensors repeat. A sensor's own error does not
show in them: it is the same in every batch, and looks like a need of its cylinder. Here it is added, as
an error of its own for each sensor, independent of the others':

    one cylinder against peers     its own and that of the mean: bias * sqrt(1 - 1/n) where all are alike
    one cylinder against target    its own error
    the whole engine               the error of the mean: bias / sqrt(n)
    the spread                     each cylinder's own error
    a cell                         as the cylinder in it

A bank's interval comes from the scatter of its cylinders, in which the sensors' own errors are already. What
all sensors have in common (a wrong curve, the air they were spanned in) is not in it. Of sensors whose bias
is known (`known`), the error of that is their own, and the error of their mean is added against the target.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.known import KnownBiases
from mixmon.findings.balance.needs import CellResult
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, Estimate
from mixmon.gas.accuracy import usual_error_percent
from mixmon.session.model import Session


def sensor_error_percent(session: Session, lam: Floats) -> Floats:
    """Half-width of the 95 % interval of each sensor's own error, percent of lambda; float64[n].

    lam  float64[n]: the lambda at which each node of the chain measured

    It is what the session says under `[sensors] bias_percent`, else the usual one.
    """
    given = None if session.sensors is None else session.sensors.bias_percent
    return usual_error_percent(lam) if given is None else np.full(len(lam), given)


def peer_error(own: Floats, weights: Floats, known: Bools) -> Floats:
    """The errors of needs against the mean of the known cylinders, from the sensors' own; float64[n] each.

    weights  cylinders that each sensor serves; the sensors that are not known take no part in the mean

    >>> own, all_known = np.full(4, 1.0), np.ones(4, bool)
    >>> peer_error(own, np.ones(4), all_known).round(4).tolist()  # sqrt(1 - 1/4)
    [0.866, 0.866, 0.866, 0.866]
    """
    share = np.where(known, weights, 0.0)
    share = share / share.sum() if share.any() else share
    squares = np.where(known, own, 0.0) ** 2
    error: Floats = np.sqrt(((1 - share) * own) ** 2 + (share**2 * squares).sum() - share**2 * squares)
    return error


def mean_error(own: Floats, weights: Floats, known: Bools) -> float:
    """The error of the mean of the known cylinders, from the sensors' own errors; NaN where none is known."""
    share = np.where(known, weights, 0.0)
    if not share.any():
        return float("nan")
    share = share / share.sum()
    return float(np.sqrt((share**2 * np.where(known, own, 0.0) ** 2).sum()))


def widened(needs: Sequence[Estimate], error_percent: Floats) -> list[Estimate]:
    """The needs (ln lambda) with so much more error; float64[n], 95 % half-widths in percent."""
    more = np.log1p(error_percent / 100)
    return [
        replace(
            need,
            half=float(np.hypot(need.half, extra)),
            standard_error=float(np.hypot(need.standard_error, extra / NORMAL_95_SIX_DECIMALS)),
        )
        for need, extra in zip(needs, more.tolist(), strict=True)
    ]


class TotalErrors:
    """The needs of a balance once more, with the sensors' own errors in their intervals.

    session   says how good the sensors are
    weights   float64[n], cylinders that each node's sensor serves
    cells     the results of all cells
    used      which of them count for trims
    against   "peers" or "target"
    own_targets  float64[n], target of each node over the engine's
    """

    def __init__(
        self,
        session: Session,
        weights: Floats,
        cells: Sequence[CellResult],
        used: Sequence[bool],
        against: str,
        *,
        own_targets: Floats | float = 1.0,
    ) -> None:
        self._weights, self._cells, self._against = np.asarray(weights, np.float64), cells, against
        count = len(self._weights)
        usual = [sensor_error_percent(session, cell.lam * np.full(count, own_targets)) for cell in cells]
        half = KnownBiases(session).half
        self._corrected = np.isfinite(half) if len(half) == count else np.zeros(count, np.bool_)
        self._own = (
            [np.where(self._corrected, half, own) for own in usual] if self._corrected.any() else usual
        )
        self._common = [self._find_common(own) for own in usual]
        seconds = [c.fit.usable_s * u for c, u in zip(cells, used, strict=True)]
        self.own_percent = self._mean_over_cells(self._own, seconds)
        self._common_percent = self._mean_over_cells(self._common, seconds)

    def needs(self, needs: Sequence[Estimate]) -> list[Estimate]:
        """The needs of all nodes, all used cells together."""
        return self._widen(needs, self.own_percent, self._common_percent)

    def alone(self, needs: Sequence[Estimate]) -> list[Estimate]:
        """The same, each with the error of its own sensor and not that of the mean: for their spread."""
        return widened(needs, self.own_percent)

    def in_cell(self, index: int) -> list[Estimate]:
        """The needs of all nodes in cell number `index` of the results."""
        cell = self._cells[index]
        needs = cell.peers if self._against == "peers" else cell.target
        return self._widen(needs, self._own[index], self._common[index])

    def engine(self, index: int) -> Estimate:
        """The whole engine against the target in that cell."""
        cell = self._cells[index]
        error = mean_error(self._own[index], self._weights, _known(cell.target))
        corrected = float(self._weights[self._corrected & _known(cell.target)].sum())
        share = corrected / float(self._weights[_known(cell.target)].sum()) if corrected else 0.0
        return widened([cell.engine], np.hypot(error, share * self._common[index][:1]))[0]

    def _find_common(self, usual: Floats) -> Floats:
        """What the corrected sensors are off together: the mean of their errors, which no bias tells."""
        error = mean_error(usual, self._weights, self._corrected) if self._corrected.any() else 0.0
        return np.full(len(usual), error)

    def _widen(self, needs: Sequence[Estimate], own: Floats, common: Floats) -> list[Estimate]:
        if self._against == "target":
            return widened(needs, np.hypot(own, np.where(self._corrected, common, 0.0)))
        known = _known(needs)
        share = np.where(known, self._weights, 0.0)
        share = share / share.sum() if share.any() else share
        corrected = float(share[self._corrected].sum())
        apart = common * np.where(self._corrected, 1.0 - corrected, corrected)
        return widened(needs, np.hypot(peer_error(own, self._weights, known), apart))

    def _mean_over_cells(self, errors: Sequence[Floats], seconds: Sequence[Floats]) -> Floats:
        """A sensor's error over the cells by the time used: it is one and the same in all of them."""
        total = sum(seconds, np.zeros(len(self._weights)))
        counted = [np.where(s > 0, own * s, 0.0) for own, s in zip(errors, seconds, strict=True)]
        error = sum(counted, np.zeros(len(total)))
        mean: Floats = np.divide(error, total, out=np.full(len(total), np.nan), where=total > 0)
        return mean


def _known(needs: Sequence[Estimate]) -> Bools:
    return np.array([np.isfinite(need.half) for need in needs], np.bool_)
