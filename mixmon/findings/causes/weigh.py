"""The causes of one cylinder weighed against each other: Gaussian explanations, and how likely each is.

    needs of a cylinder in m cells -> weigh    a level that is the same in all cells, and what changes

What changes from cell to cell is explained by nothing, by one cause or by two (`shapes`). Each explanation
has amplitudes with a normal prior, so that its evidence (the chance of the needs, whatever the amplitudes) is
that of a normal vector; Bayes' rule makes shares of it. A leak only ever makes a reading lean. The level is
explained by injector flow, the air of the runner and the sensor's own error, of which each is as usual or
out; only what is known of them beforehand separates these, such as a bias from the ledger.

Shares are as good as the table of what is usual (`USUAL_CAUSES`), which is ours. So causes that the cells
cannot separate (`shapes.INSEPARABLE`), and those that explain the change nearly as well as the best, share
the evidence of the best: how well one power of the flow fits is no reason to believe in it. No leak follows a
power law exactly either, and no throttle, which `_FORM_ERROR` allows for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import erf, exp, log, sqrt

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.causes.notes import PossibleCause
from mixmon.findings.causes.shapes import Shape, Shapes


@dataclass(frozen=True, slots=True)
class Usual:
    """What is usual of one cause.

    chance  that a cylinder has it
    size    standard deviation of its size, where it has it
    sound   the same, where it does not
    """

    chance: float
    size: float
    sound: float = 0.0


USUAL_CAUSES: Mapping[PossibleCause, Usual] = {
    PossibleCause.FLOW: Usual(0.3, 0.03, 0.003),
    PossibleCause.AIR: Usual(0.4, 0.015, 0.003),
    PossibleCause.SENSOR: Usual(0.3, 0.010, 0.003),
    PossibleCause.LEAK: Usual(0.10, 0.06),
    PossibleCause.SYNC: Usual(0.15, 0.03),
    PossibleCause.DEAD_TIME: Usual(0.20, 0.04),
    PossibleCause.GAIN: Usual(0.05, 0.03),
}
"""In ln lambda: of leak and throttle where they are largest; dead time in ms. Our choice, after common
practice, no source: matched injectors within a percent and worn ones three out, runners that differ by one or
two percent, good sensors within one."""

LEVEL_CAUSES = (PossibleCause.FLOW, PossibleCause.AIR, PossibleCause.SENSOR)
"""Causes that are the same in all cells."""

_LEVEL_SIZE = 0.1
"""Standard deviation of a level beforehand, ln lambda: our choice, so wide that it weighs nothing."""

_FORM_ERROR = 0.25
"""Part by which a cause may be off its shape in a cell: our choice. With less, late injectors were found
beside the leak and the throttles of the demo engine, where a power of the flow did not quite fit."""

_TOLD = log(150.0)
"""Ln of the evidence by which one explanation is told from another: very strong by a common scale (from
memory: Kass & Raftery, J. Am. Stat. Assoc. 90, 1995)."""

LEAST_SHARE = 0.02
"""Share from which a cause is named: our choice."""


@dataclass(frozen=True, slots=True)
class ChangeExplanation:
    """What changes from cell to cell, by none, one or two causes.

    sizes, errors  amplitude of each cause and its standard deviation, as in `USUAL_CAUSES`
    chance         of this explanation
    """

    causes: tuple[PossibleCause, ...]
    exponents: tuple[float, ...]
    sizes: tuple[float, ...]
    errors: tuple[float, ...]
    chance: float


@dataclass(frozen=True, slots=True)
class LevelExplanation:
    """Which of the causes of a level are out, and what that says of each.

    out            those that are
    sizes, errors  of flow, air and sensor, ln lambda, given the level
    level, error   the level itself, given these
    chance         of this explanation
    """

    out: tuple[PossibleCause, ...]
    sizes: tuple[float, ...]
    errors: tuple[float, ...]
    level: float
    error: float
    chance: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """One cylinder, weighed.

    level, level_error  ln lambda; of the part that is the same in all cells
    p_level, p_change   chance of such a level, and of such a change, by the errors alone
    changes, levels     explanations, the likeliest first
    not_separated       groups of causes that these data cannot tell apart
    inflation           variance inflation of each cause of change beside the others; infinite where these
                        explain its column wholly, as in no more cells than there are causes
    """

    level: float
    level_error: float
    p_level: float
    p_change: float
    changes: tuple[ChangeExplanation, ...]
    levels: tuple[LevelExplanation, ...]
    not_separated: tuple[tuple[PossibleCause, ...], ...]
    inflation: Mapping[PossibleCause, float]

    def share(self, cause: PossibleCause) -> float:
        """Chance that the cylinder has this cause."""
        if cause in LEVEL_CAUSES:
            return sum(one.chance for one in self.levels if cause in one.out)
        return sum(one.chance for one in self.changes if cause in one.causes)


@dataclass(frozen=True, slots=True, eq=False)
class _FittedExplanation:
    """One explanation, fitted: level first; log evidence and that at the best amplitudes."""

    shapes: tuple[Shape, ...]
    mean: Floats
    error: Floats
    evidence: float
    fit: float


def weigh(y: Floats, variance: Floats, shapes: Shapes, sensor_error: float | None = None) -> Weighed:
    """Weighs the causes of one cylinder.

    Args:
        y: float64[m], needs against peers in ln lambda.
        variance: float64[m], of their errors.
        shapes: of the same m cells.
        sensor_error: standard error of the sensor's bias where that is known and corrected, ln lambda.
    """
    fitted = [_fit(y, variance, chosen) for chosen in _list_choices(shapes)]
    weights = 1 / variance
    tied = _find_tied(fitted, shapes, weights)
    chances = _chances(fitted, shapes, tied)
    level, error = _mean_level(fitted, chances)
    nothing = next(one for one in fitted if not one.shapes)
    best = max((one.fit for one in fitted if len(one.shapes) == 1), default=nothing.fit)
    changes = sorted(_explanations(fitted, chances), key=lambda one: -one.chance)
    # One amplitude and one exponent were chosen: chi square of two degrees of freedom.
    return Weighed(
        level=level,
        level_error=error,
        p_level=1 - erf(abs(level) / error / sqrt(2)),
        p_change=exp(min(nothing.fit - best, 0.0)),
        changes=tuple(changes),
        levels=_weigh_level(level, error, sensor_error),
        not_separated=(LEVEL_CAUSES, tied) if len(tied) > 1 else (LEVEL_CAUSES,),
        inflation=shapes.inflation(shapes.causes, weights),
    )


def _list_choices(shapes: Shapes) -> list[tuple[Shape, ...]]:
    """Nothing, every shape alone, and every two of different causes with their usual exponents."""
    usual = [next(one for one in shapes.every if one.cause is cause) for cause in shapes.causes]
    pairs = combinations(usual, 2)
    return [(), *((one,) for one in shapes.every), *pairs]


def _fit(y: Floats, variance: Floats, chosen: tuple[Shape, ...]) -> _FittedExplanation:
    """Amplitudes with their errors, and the evidence; errors of form after a first fit without them."""
    design = np.column_stack([np.ones(len(y)), *(shape.column for shape in chosen)])
    prior = np.array([_LEVEL_SIZE, *(USUAL_CAUSES[shape.cause].size for shape in chosen)])
    mean, _ = _posterior(y, variance, design, prior)
    off = _FORM_ERROR * design[:, 1:] * mean[1:]
    total = variance + (off**2).sum(axis=1)
    mean, covariance = _posterior(y, total, design, prior)
    error = np.sqrt(np.diag(covariance))
    whole = np.diag(total) + (design * prior**2) @ design.T
    evidence = _log_normal(y, whole)
    for k, shape in enumerate(chosen, 1):
        if shape.cause is PossibleCause.LEAK:
            evidence += log(max(1 + erf(float(mean[k] / error[k]) / sqrt(2)), 1e-300))
    left = y - design @ mean
    fit = -0.5 * float((left**2 / total).sum())
    return _FittedExplanation(chosen, mean, error, evidence, fit)


def _posterior(y: Floats, variance: Floats, design: Floats, prior: Floats) -> tuple[Floats, Floats]:
    information = design.T @ (design / variance[:, None]) + np.diag(prior**-2.0)
    inverse = np.asarray(np.linalg.inv(information), np.float64)
    return inverse @ (design.T @ (y / variance)), inverse


def _log_normal(y: Floats, covariance: Floats) -> float:
    _, logarithm = np.linalg.slogdet(covariance)
    return -0.5 * float(y @ np.linalg.solve(covariance, y) + logarithm + len(y) * log(2 * np.pi))


def _chances(fitted: Sequence[_FittedExplanation], shapes: Shapes, tied: Sequence[PossibleCause]) -> Floats:
    """Chance of each explanation; a single cause of those that are tied has the evidence of the best."""
    alone = [one.evidence for one in fitted if len(one.shapes) == 1 and one.shapes[0].cause in tied]
    evidence = np.array(
        [
            max(alone) if len(one.shapes) == 1 and one.shapes[0].cause in tied else one.evidence
            for one in fitted
        ]
    )
    prior = np.array([log(_prior(one, shapes)) for one in fitted])
    chance = np.exp(evidence + prior - (evidence + prior).max())
    out: Floats = chance / chance.sum()
    return out


def _is_of_wrong_sign(one: _FittedExplanation) -> bool:
    """Whether a leak would have to take air away."""
    return any(
        shape.cause is PossibleCause.LEAK and size < 0
        for shape, size in zip(one.shapes, one.mean[1:], strict=True)
    )


def _prior(one: _FittedExplanation, shapes: Shapes) -> float:
    """Chance of the causes beforehand; the exponents of one cause are alike."""
    chosen = [shape.cause for shape in one.shapes]
    out = 1.0
    for cause in shapes.causes:
        chance = USUAL_CAUSES[cause].chance
        out *= chance if cause in chosen else 1 - chance
    if len(chosen) == 1:
        out /= sum(shape.cause is chosen[0] for shape in shapes.every)
    return out


def _mean_level(fitted: Sequence[_FittedExplanation], chances: Floats) -> tuple[float, float]:
    """The level over all explanations, and its error with what they differ by."""
    means = np.array([one.mean[0] for one in fitted])
    errors = np.array([one.error[0] for one in fitted])
    level = float(chances @ means)
    return level, float(np.sqrt(chances @ (errors**2 + (means - level) ** 2)))


def _explanations(fitted: Sequence[_FittedExplanation], chances: Floats) -> list[ChangeExplanation]:
    return [
        ChangeExplanation(
            causes=tuple(shape.cause for shape in one.shapes),
            exponents=tuple(shape.exponent for shape in one.shapes),
            sizes=tuple(one.mean[1:].tolist()),
            errors=tuple(one.error[1:].tolist()),
            chance=float(chance),
        )
        for one, chance in zip(fitted, chances, strict=True)
    ]


def _find_tied(
    fitted: Sequence[_FittedExplanation], shapes: Shapes, weights: Floats
) -> tuple[PossibleCause, ...]:
    """Causes of which each alone explains the change nearly as well as the best, or cannot be parted."""
    best = {cause: _best_alone(cause, fitted) for cause in shapes.causes}
    possible = {cause: one for cause, one in best.items() if not _is_of_wrong_sign(one)}
    if not possible:
        return ()
    leading = max(possible.values(), key=lambda one: one.evidence)
    return tuple(
        cause
        for cause, one in possible.items()
        if leading.evidence - one.evidence < _TOLD
        or shapes.inseparable(one.shapes[0], leading.shapes[0], weights)
    )


def _best_alone(cause: PossibleCause, fitted: Sequence[_FittedExplanation]) -> _FittedExplanation:
    alone = [one for one in fitted if len(one.shapes) == 1 and one.shapes[0].cause is cause]
    return max(alone, key=lambda one: one.evidence)


# The level.


def _weigh_level(level: float, error: float, sensor_error: float | None) -> tuple[LevelExplanation, ...]:
    """Every choice of causes that are out, by how well their sizes explain the level."""
    made = []
    for out in product((False, True), repeat=len(LEVEL_CAUSES)):
        sizes, chance = [], 1.0
        for cause, is_out in zip(LEVEL_CAUSES, out, strict=True):
            usual = USUAL_CAUSES[cause]
            known = cause is PossibleCause.SENSOR and sensor_error is not None
            if known and is_out:
                chance = 0.0
            sizes.append(sensor_error if known else usual.size if is_out else usual.sound)
            if not known:
                chance *= usual.chance if is_out else 1 - usual.chance
        variances = np.array(sizes, np.float64) ** 2
        total = float(variances.sum()) + error**2
        chance *= exp(-0.5 * level**2 / total) / sqrt(total)
        prior = total - error**2
        made.append(
            LevelExplanation(
                out=tuple(cause for cause, is_out in zip(LEVEL_CAUSES, out, strict=True) if is_out),
                sizes=tuple((level * variances / total).tolist()),
                errors=tuple(np.sqrt(variances - variances**2 / total).tolist()),
                level=level * prior / total,
                error=float(np.sqrt(prior * error**2 / total)),
                chance=chance,
            )
        )
    whole = sum(one.chance for one in made)
    kept = [
        LevelExplanation(one.out, one.sizes, one.errors, one.level, one.error, one.chance / whole)
        for one in made
        if one.chance > 0
    ]
    return tuple(sorted(kept, key=lambda one: -one.chance))
