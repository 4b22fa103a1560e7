"""How each cause would show over the cells, and whether the cells at hand can tell the causes apart.

    Conditions -> Shapes     one column a cause: what a need does from cell to cell, in parts of its largest
    Shapes.inflation         variance inflation of each cause beside the others, from the cells alone

A leak adds a constant flow of air, so its share falls with the flow of gas, about as flow^-1. Reversion
reaches the sensor the less, the more gas pushes it back, and looks the same. A throttle that is opened a
little more than its neighbours gives more air; that fades as all open. An injector that opens late loses the
same part of a millisecond at every pulse, which is more of a short one. A wrong gain bends a reading the
more, the farther the mixture is from lambda 1. Injector flow, the air of a runner and a sensor's own error
are the same everywhere: no cells separate these three.

Which of these the data separate is a matter of the cells, not of the readings: an engine that is always
driven from little opening at low speed to much at high speed shows a leak and a throttle alike. The variance
inflation (1 / (1 - R^2) of a column on the others; any textbook of regression) says by how much the variance
of a cause is larger because others go with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.unlike import flow_of
from mixmon.findings.causes.notes import PossibleCause
from mixmon.gas.accuracy import gain_effect
from mixmon.gas.transport import charge
from mixmon.mixture.steady import Cell
from mixmon.session.model import Session

_SHAPE_EXPONENTS: Mapping[PossibleCause, tuple[float, ...]] = {
    PossibleCause.LEAK: (1.0, 0.5, 0.75, 1.5, 2.0),
    PossibleCause.SYNC: (1.0, 0.5, 0.75, 1.5),
}
"""Powers of flow and of opening with which the shares fall; the usual one first. Our choice: a leak of
constant air has one; pressure that rises or falls with the flow, and the shape of a throttle, make it more or
less."""

INSEPARABLE = 10.0
"""Variance inflation from which two causes are not separated: common practice, no source."""

_LEAST_CHANGE = 0.01
"""Part of a column by which it must change over the cells to be told from a level: our choice."""

_LEAST_OPENING = 1e-3
"""Load below which a throttle counts as this part of the largest: our choice, against a division by zero."""


class Conditions(NamedTuple):
    """How the engine ran in m cells; float64[m] each, NaN where not known.

    flow   of gas, any unit
    load   throttle or intake pressure
    pulse  effective injector opening, ms; in parts of the shortest where the session maps no pulse
    lam    lambda of the engine
    """

    flow: Floats
    load: Floats
    pulse: Floats
    lam: Floats


def conditions_of(
    session: Session, cells: Sequence[Cell], lam: Floats, pulse_ms: Floats
) -> tuple[Conditions, bool]:
    """The conditions of cells, and whether the pulse is known in milliseconds.

    lam, pulse_ms: float64[m]; the pulse as the engine control says it, NaN where it does not.
    """
    dead = session.injection.dead_time_ms or 0.0
    opening = np.where(pulse_ms > dead, pulse_ms - dead, np.nan)
    rpm, load = (
        np.array([np.nan if x is None else x for x in column], np.float64)
        for column in ([c.rpm for c in cells], [c.load for c in cells])
    )
    if np.isfinite(opening).all() and len(opening):
        return Conditions(rpm * opening * lam, load, opening, lam), True
    flow = np.array([flow_of(cell, session.axes) for cell in cells])
    filled = np.asarray(charge(rpm, load, session.axes.load_signal).eta_v, np.float64) / lam
    known = np.isfinite(filled)
    shortest = float(filled[known].min()) if known.any() else np.nan
    return Conditions(flow, load, filled / shortest, lam), False


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """One way in which a cause can show: `column` float64[m], in parts of an amplitude."""

    cause: PossibleCause
    exponent: float
    column: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """The shapes of all causes that an engine can have, over m cells that are all known."""

    every: tuple[Shape, ...]

    @classmethod
    def of(cls, conditions: Conditions, *, own_throttles: bool) -> Shapes:
        """Those that differ between these cells; throttles that serve all cylinders are no cause."""
        return cls(tuple(_list_shapes(conditions, own_throttles=own_throttles)))

    @property
    def causes(self) -> tuple[PossibleCause, ...]:
        """Those that can show in these cells."""
        return tuple(dict.fromkeys(shape.cause for shape in self.every))

    def usual(self, cause: PossibleCause) -> Floats:
        """The column of a cause with its usual exponent."""
        return next(shape.column for shape in self.every if shape.cause is cause)

    def find(self, cause: PossibleCause, exponent: float) -> Floats:
        """The column of a cause with some exponent."""
        return next(s.column for s in self.every if s.cause is cause and s.exponent == exponent)

    def without(self, cause: PossibleCause) -> Shapes:
        """The same without a cause that is known already."""
        return Shapes(tuple(s for s in self.every if s.cause is not cause))

    def inflation(self, causes: Sequence[PossibleCause], weights: Floats) -> dict[PossibleCause, float]:
        """Variance inflation of each of these causes beside the others, with a level of its own.

        weights: float64[m], inverse variances of the needs in the cells.
        """
        columns = [self.usual(cause) for cause in causes]
        return {
            cause: variance_inflation(columns[k], columns[:k] + columns[k + 1 :], weights)
            for k, cause in enumerate(causes)
        }

    def inseparable(self, one: Shape, other: Shape, weights: Floats) -> bool:
        """Whether these two shapes, and no others, are too much alike in these cells."""
        return variance_inflation(one.column, [other.column], weights) > INSEPARABLE


def variance_inflation(column: Floats, others: Sequence[Floats], weights: Floats) -> float:
    """1 / (1 - R^2) of a column float64[m] on the others and a level; infinite where these explain it all.

    >>> t = np.arange(5.0)
    >>> round(variance_inflation(t, [t**2], np.ones(5)), 2)
    12.43
    """
    if len(column) < len(others) + 2:  # so many columns and a level explain any
        return np.inf
    root = np.sqrt(weights)
    apart = root * (column - np.average(column, weights=weights))
    power = float(apart @ apart)
    if power <= 0:
        return np.inf
    base = root[:, None] * np.column_stack([np.ones(len(column)), *others])
    solved, *_ = np.linalg.lstsq(base, root * column, rcond=None)
    left = root * column - base @ solved
    unexplained = float(left @ left) / power
    return 1 / unexplained if unexplained > np.finfo(float).eps * len(column) else np.inf


def _list_shapes(at: Conditions, *, own_throttles: bool) -> list[Shape]:
    shapes = []
    if _varies(at.flow):
        less = at.flow.min() / at.flow
        shapes += [Shape(PossibleCause.LEAK, n, less**n) for n in _SHAPE_EXPONENTS[PossibleCause.LEAK]]
    if own_throttles and _varies(at.load):
        opening = np.fmax(at.load / at.load.max(), _LEAST_OPENING)
        for n in _SHAPE_EXPONENTS[PossibleCause.SYNC]:
            fading = opening**-n - 1  # nothing is left at the largest opening
            shapes.append(Shape(PossibleCause.SYNC, n, fading / fading.max()))
    if _varies(at.pulse):
        shapes.append(Shape(PossibleCause.DEAD_TIME, 1.0, 1 / at.pulse))
    bent = gain_effect(at.lam)
    if _varies(bent):
        shapes.append(Shape(PossibleCause.GAIN, 1.0, bent))
    return shapes


def _varies(x: Floats) -> bool:
    """Whether a column is known everywhere and not the same everywhere."""
    return bool(np.isfinite(x).all()) and bool(np.ptp(x) > _LEAST_CHANGE * np.abs(x).max())


def all_known(at: Conditions) -> Bools:
    """Cells whose flow and pulse are known, bool[m]."""
    return np.isfinite(at.flow) & (at.flow > 0) & np.isfinite(at.pulse) & np.isfinite(at.lam)
