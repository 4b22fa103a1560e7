"""The next best test: what each test that a person can do is expected to teach, for each of its minutes.

    Weighed cylinders -> rate_tests    expected fall of the entropy of the causes, bits, by test

What a cylinder's reading comes from is a set of explanations with chances (`weigh`). A test has an outcome, a
number or yes and no, whose chance each explanation tells. What it teaches on average is the mutual
information of explanation and outcome: the entropy of the explanations now less the mean of what it is after
(from memory: Lindley, Ann. Math. Stat. 27, 1956). It is computed by quadrature, without drawing a number.
Change and level of one cylinder, its label and the other cylinders are taken to be independent, so that bits
add up.

Minutes and errors of the tests are common practice and our choice (`TESTS`): they rank tests, no more. A hot
exhaust, fuel under pressure and a running engine decide what may be done, and by whom.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.causes.notes import NextTest, PossibleCause
from mixmon.findings.causes.weigh import LEVEL_CAUSES, ChangeExplanation, LevelExplanation, Weighed


@dataclass(frozen=True, slots=True)
class KindOfTest:
    """What a test takes and how well it shows.

    minutes   engine cooling included
    separates causes that it is done for
    cylinders how many it serves; None: all at once
    error     standard error of what it measures: ln lambda, or ms of a dead time; 0: it answers yes or no
    hit, false  chance of a yes with what it looks for, and without
    """

    minutes: float
    separates: tuple[PossibleCause, ...]
    cylinders: int | None = None
    error: float = 0.0
    hit: float = 0.0
    false: float = 0.0


TESTS: Mapping[NextTest, KindOfTest] = {
    NextTest.IDENTITY: KindOfTest(2, (PossibleCause.IDENTITY,), hit=0.99, false=0.01),
    NextTest.ROTATE: KindOfTest(
        25, (PossibleCause.SENSOR, PossibleCause.GAIN), error=0.003, hit=0.8, false=0.1
    ),
    NextTest.SMOKE: KindOfTest(15, (PossibleCause.LEAK,), hit=0.9, false=0.05),
    NextTest.SPLIT: KindOfTest(3, (PossibleCause.DEAD_TIME,), error=0.010),
    NextTest.EXCHANGE: KindOfTest(
        30, (PossibleCause.FLOW, PossibleCause.DEAD_TIME), cylinders=2, error=0.004, hit=0.9, false=0.1
    ),
    NextTest.STOP: KindOfTest(10, (PossibleCause.SYNC,), cylinders=1, hit=0.85, false=0.1),
    NextTest.PULL: KindOfTest(3, (), error=0.003),
}
"""Minutes: 15 to 30 for sensors moved hot (common practice, no source), the others our choice after common
practice. Errors: three sessions of a rotation 0.16 to 0.3 %, a split pulse 0.01 ms (computed, by simulation);
hits and false ones are our choice: smoke misses a joint that opens when hot, and an air meter held to a
throttle disturbs it."""

WRONG_LABEL: Mapping[str, float] = {"proved": 0.001, "stated": 0.02, "unproved": 0.05, "disproved": 0.0}
"""Chance that a label is not its cylinder, by what is known of it: our choice. A disproved one needs no
test, but the session put right."""

_LEAST_SPREAD = 1e-3
"""Least standard deviation of an outcome, in parts of the largest: our choice, against a grid that misses
it."""

_GRID_POINTS, _GRID_REACH = 801, 7.0
"""Points of the quadrature, and how many standard deviations it reaches: computed, four digits."""


@dataclass(frozen=True, slots=True)
class RatedTest:
    """One test: what it is expected to teach.

    cylinders        those that it is for, the most to learn first
    bits             expected fall of the entropy
    bits_per_minute  the same over `minutes`
    """

    code: NextTest
    cylinders: tuple[int, ...]
    minutes: float
    bits: float
    bits_per_minute: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """One cylinder with what there is to find out.

    level, change  whether its level and its change are sure to be there: only then their causes are asked for
    wrong_label    chance that its label is another cylinder's
    """

    cylinder: int
    weighed: Weighed | None
    level: bool
    change: bool
    wrong_label: float


def rate_tests(suspects: Sequence[Suspect], left_out: Sequence[NextTest] = ()) -> tuple[RatedTest, ...]:
    """Every test that can teach something, the most a minute first.

    left_out: tests that cannot be done, or were done.
    """
    rated = []
    for code, kind in TESTS.items():
        if code in left_out:
            continue
        bits = sorted(((bits_of(code, one), one.cylinder) for one in suspects), reverse=True)
        bits = [one for one in bits[: kind.cylinders] if one[0] > _LEAST_BITS]
        if bits:
            total = sum(one for one, _ in bits)
            cylinders = tuple(cylinder for _, cylinder in bits)
            rated.append(RatedTest(code, cylinders, kind.minutes, total, total / kind.minutes))
    return tuple(sorted(rated, key=lambda one: -one.bits_per_minute))


_LEAST_BITS = 0.01
"""Bits below which a test teaches nothing: our choice."""


def bits_of(code: NextTest, suspect: Suspect) -> float:
    """What a test is expected to teach about one cylinder, bits."""
    out = _bits_of_label(code, suspect.wrong_label)
    if suspect.weighed is None:
        return out
    if suspect.change:
        out += _bits_of_change(code, suspect.weighed.changes)
    if suspect.level:
        out += _bits_of_level(code, suspect.weighed.levels)
    return out


def _bits_of_label(code: NextTest, wrong: float) -> float:
    if code is not NextTest.IDENTITY:
        return 0.0
    return answer_bits(np.array([wrong, 1 - wrong]), np.array([TESTS[code].hit, TESTS[code].false]))


def _bits_of_change(code: NextTest, changes: Sequence[ChangeExplanation]) -> float:
    kind, chance = TESTS[code], np.array([one.chance for one in changes])
    if code is NextTest.SPLIT:
        return number_bits(chance, *outcomes_of_split(changes))
    sought = {
        PossibleCause.LEAK,
        PossibleCause.SYNC,
        PossibleCause.DEAD_TIME,
        PossibleCause.GAIN,
    }.intersection(kind.separates)
    if not sought:
        return 0.0
    yes = np.array([kind.hit if sought.intersection(one.causes) else kind.false for one in changes])
    return answer_bits(chance, yes)


def outcomes_of_split(changes: Sequence[ChangeExplanation]) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the dead time that a split pulse would show, ms, by explanation."""
    own = [
        (
            one.sizes[one.causes.index(PossibleCause.DEAD_TIME)],
            one.errors[one.causes.index(PossibleCause.DEAD_TIME)],
        )
        if PossibleCause.DEAD_TIME in one.causes
        else (0.0, 0.0)
        for one in changes
    ]
    mean, error = np.array(own).T
    return mean, np.hypot(error, TESTS[NextTest.SPLIT].error)


def _bits_of_level(code: NextTest, levels: Sequence[LevelExplanation]) -> float:
    chance = np.array([one.chance for one in levels])
    if code is NextTest.PULL:
        mean, error = np.array([(one.level, one.error) for one in levels]).T
    elif code in {NextTest.ROTATE, NextTest.EXCHANGE}:
        which = LEVEL_CAUSES.index(PossibleCause.SENSOR if code is NextTest.ROTATE else PossibleCause.FLOW)
        mean, error = np.array([(one.sizes[which], one.errors[which]) for one in levels]).T
    else:
        return 0.0
    return number_bits(chance, mean, np.hypot(error, TESTS[code].error))


# Mutual information.


def answer_bits(chance: Floats, yes: Floats) -> float:
    """Bits that a yes or no teaches about explanations with these chances.

    chance, yes: float64[k], of each explanation, and of a yes where it is right.

    >>> round(answer_bits(np.array([0.5, 0.5]), np.array([1.0, 0.0])), 6)
    1.0
    """
    return max(
        _entropy_of_answer(float(chance @ yes)) - float(chance @ np.vectorize(_entropy_of_answer)(yes)), 0.0
    )


def _entropy_of_answer(p: float) -> float:
    return -sum(q * float(np.log2(q)) for q in (p, 1 - p) if q > 0)


def number_bits(chance: Floats, mean: Floats, error: Floats) -> float:
    """Bits that a number teaches which is normal under each explanation; float64[k] each.

    The entropy of the mixture by quadrature, less the mean of those of its parts.

    >>> far_apart = number_bits(np.array([0.5, 0.5]), np.array([0.0, 9.0]), np.array([1.0, 1.0]))
    >>> round(far_apart, 3)
    1.0
    """
    scale = float(max(error.max(), np.ptp(mean))) or 1.0
    error = np.maximum(error, _LEAST_SPREAD * scale)
    at = np.concatenate(
        [
            m + s * np.linspace(-_GRID_REACH, _GRID_REACH, _GRID_POINTS)
            for m, s in zip(mean, error, strict=True)
        ]
    )
    at = np.unique(at)
    parts = np.exp(-0.5 * ((at[:, None] - mean) / error) ** 2) / (error * np.sqrt(2 * np.pi))
    density = parts @ chance
    value = np.where(density > 0, -density * np.log2(np.maximum(density, np.finfo(float).tiny)), 0.0)
    mixture = float(np.trapezoid(value, at))
    own = float(chance @ (0.5 * np.log2(2 * np.pi * np.e * error**2)))
    return max(mixture - own, 0.0)
