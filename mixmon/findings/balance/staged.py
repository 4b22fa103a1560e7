"""Staged injection: what each injection stage says by itself, and every cylinder's step at the staging line.

Beyond the line further injectors add their own errors, so a need there is another one. Cells are split at the
line (`mixture.steady`), a balance is made of the cells of each injection stage, and nothing is averaged,
smoothed or carried across. A sensor's own error is the same on both sides, so a step is free of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from statistics import NormalDist

import numpy as np

from mixmon.findings.balance.balance import (
    Balance,
    BalanceStage,
    CylinderNeed,
    StagedNeeds,
    StagingStep,
)
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import NORMAL_95
from mixmon.note import Note, note

_CHANCE = 0.05
"""Chance that a step is named although no cylinder has one: our choice, that of the intervals."""


_MEDIAN_ERROR = (np.pi / 2) ** 0.5
"""Standard error of a median over that of a mean, of normal numbers (any textbook of statistics)."""


def with_stages(balance: Balance, stage: BalanceStage) -> Balance:
    """The balance, with the needs of both injection stages beside each other where both were counted.

    balance  of the first of them, by `stage`
    """
    heard = stage.injection_stages
    if stage.session.injection.staging is None or not heard:
        return balance
    others = [stage.result_of_stage(one) for one in heard if one != balance.injection_stage]
    if not others:
        return replace(balance, notes=(*balance.notes, note(BalanceNote.ONE_STAGE_HEARD)))
    first = stage.result_of_stage(heard[0])
    parts = tuple(
        StagedNeeds(one, found.cylinders, found.spread, found.withheld)
        for one, found in zip(heard, (first, *others), strict=True)
    )
    alike = first.groups == others[0].groups and len(first.groups) == 1
    steps = _find_steps(first.cylinders, others[0].cylinders) if alike else ()
    notes = (*balance.notes, *_notes_on_steps(steps))
    return replace(balance, staged=parts, staging_steps=steps, notes=notes)


def _find_steps(before: Sequence[CylinderNeed], beyond: Sequence[CylinderNeed]) -> tuple[StagingStep, ...]:
    """The step of each cylinder that is known on both sides, against the middle of all their steps.

    Needs are against means, and a step of one cylinder moves the mean of all: the middle stays where most do.
    """
    known = []
    for one, other in zip(before, beyond, strict=True):
        ends = np.array([one.interval95_percent, other.interval95_percent])
        halves = np.ptp(ends, axis=1) / 2
        if np.isfinite(halves).all():
            ratio = (1 + other.needs_percent / 100) / (1 + one.needs_percent / 100)
            known.append((one.cylinder, ratio, float(np.hypot(halves[0], halves[1]))))
    if not known:
        return ()
    middle = float(np.median([ratio for _, ratio, _ in known]))
    of_middle = _MEDIAN_ERROR * float(np.mean([half for *_, half in known])) / len(known) ** 0.5
    wider = NormalDist().inv_cdf(1 - _CHANCE / (2 * len(known))) / NORMAL_95
    steps = [(c, 100 * (ratio / middle - 1), float(np.hypot(half, of_middle))) for c, ratio, half in known]
    return tuple(StagingStep(*one, clear=abs(one[1]) > wider * one[2]) for one in steps)


def _notes_on_steps(steps: Sequence[StagingStep]) -> tuple[Note, ...]:
    clear = [step for step in steps if step.clear]
    if clear:
        return (
            note(
                BalanceNote.STEP_AT_STAGING,
                cylinders=tuple(step.cylinder for step in clear),
                percent=tuple(step.percent for step in clear),
                half_percent=tuple(step.half_interval_percent for step in clear),
            ),
        )
    if steps:
        most = max(abs(step.percent) + step.half_interval_percent for step in steps)
        return (note(BalanceNote.NO_STEP_AT_STAGING, most_percent=most),)
    return (note(BalanceNote.STEPS_NOT_KNOWN),)
