"""Staged injection: what each injection stage says by itself, and every cylinder's step at the staging line.

Beyond the line further injectors add their own errors, so a need there is another one. Cells are split at the
line (`mixture.steady`), a balance is made of the cells of each injection stage, and nothing is averaged,
smoothed or carried across. A sensor's own error is the same on both sides, so a step is free of it.

Needs also change with speed and load by themselves (a leak, a late injector), and the cells beyond the line
are at other speeds or loads. So a step is told to be of the line only where it is more than what the needs
change from cell to cell within the injection stages, taken on to the other side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.balance.balance import (
    Balance,
    BalanceStage,
    CellNeed,
    CylinderNeed,
    StagedNeeds,
    StagingStep,
)
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.stats import NORMAL_95, median_with_holes
from mixmon.note import Note, note
from mixmon.session.model import Session

_CHANCE = 0.05
"""Chance that a step is named although no cylinder has one: our choice, that of the intervals."""

_CELL_ERROR = 1e-3
"""Ln lambda by which a need in a cell is off however long it was held: our choice, a tenth of a percent."""

_SLOPE_REACH = 0.02
"""Parts of the largest speed or load over which cells must lie apart to tell a slope: our choice."""

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
        StagedNeeds(
            one,
            found.cylinders,
            found.spread,
            found.withheld,
            tuple(cell for cell in found.cells if cell.injection_stage == one),
        )
        for one, found in zip(heard, (first, *others), strict=True)
    )
    alike = first.groups == others[0].groups and len(first.groups) == 1
    steps = _find_steps(first.cylinders, others[0].cylinders) if alike else ()
    if _is_line_along_axes(stage.session):
        steps = _compare_with_slopes(steps, (first.cells, others[0].cells))
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
    wider = _wider_for(len(known))
    steps = [(c, 100 * (ratio / middle - 1), float(np.hypot(half, of_middle))) for c, ratio, half in known]
    return tuple(StagingStep(*one, clear=abs(one[1]) > wider * one[2]) for one in steps)


def _wider_for(count: int) -> float:
    """How much longer than a 95 % interval that of each of so many must be, so that all hold together."""
    return NormalDist().inv_cdf(1 - _CHANCE / (2 * count)) / NORMAL_95


# What speed and load do to needs on either side of the line.


def _is_line_along_axes(session: Session) -> bool:
    """Whether the cells tell where they lie on the way across the staging line: else no slope is known."""
    line, axes = session.injection.staging, session.axes
    return line is not None and all(
        bool(centres)
        for at, centres in ((line.rpm_above, axes.rpm), (line.load_above, axes.load))
        if at is not None
    )


def _compare_with_slopes(
    steps: Sequence[StagingStep], cells: tuple[Sequence[CellNeed], Sequence[CellNeed]]
) -> tuple[StagingStep, ...]:
    """The clear steps, with whether they are more than what goes on from the slopes within the stages.

    cells  the needs in the cells of each injection stage
    """
    places = _Places.of(cells)
    found = []
    for step in steps:
        at_line = None
        if step.clear and (carried := places.carry_on(step.cylinder)) is not None:
            most = max(np.sign(step.percent) * carried[0], 0.0) + carried[1]
            at_line = bool(abs(step.percent) - _wider_for(len(steps)) * step.half_interval_percent > most)
        found.append(replace(step, at_line=at_line))
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Cells that count, by place and by injection stage.

    at      float64[m, 2]  speed and load, in parts of the largest; 0 along an axis that is not used
    beyond  bool[m]        beyond the staging line
    needs   float64[m, cylinders]  ln lambda against the middle cylinder of the cell; NaN where not known
    halves  float64[m, cylinders]  of their 95 % intervals
    """

    at: Floats
    beyond: Bools
    needs: Floats
    halves: Floats

    @classmethod
    def of(cls, cells: tuple[Sequence[CellNeed], Sequence[CellNeed]]) -> _Places:
        every = [one for own in cells for one in own if one.used_for_trims]
        count = max((one.cylinder for one in every), default=0)
        places = list(dict.fromkeys((one.injection_stage, one.rpm, one.load) for one in every))
        needs, halves = np.full((2, len(places), count), np.nan)
        for one in every:
            row = places.index((one.injection_stage, one.rpm, one.load))
            needs[row, one.cylinder - 1] = np.log1p(one.needs_percent / 100)
            halves[row, one.cylinder - 1] = one.half_interval_percent / 100
        at = np.array([[rpm or 0.0, load or 0.0] for _, rpm, load in places]).reshape(-1, 2)
        first = min((stage or 0 for stage, *_ in places), default=0)
        return cls(
            at / np.maximum(at.max(axis=0, initial=0.0), 1.0),
            np.array([stage != first for stage, *_ in places], np.bool_),
            needs - median_with_holes(needs, axis=1)[:, None],
            halves,
        )

    def carry_on(self, cylinder: int) -> tuple[float, float] | None:
        """By how much a need would be another one beyond the line if it went on as it does within the stages.

        Percent, with half of its 95 % interval; None where the cells within the stages do not tell.
        """
        known = np.isfinite(self.needs[:, cylinder - 1]) & np.isfinite(self.halves[:, cylinder - 1])
        y, beyond, at = self.needs[known, cylinder - 1], self.beyond[known], self.at[known]
        weights = 1 / (self.halves[known, cylinder - 1] ** 2 / NORMAL_95**2 + _CELL_ERROR**2)
        if beyond.all() or not beyond.any():
            return None
        sides = [(own, weights[own] / weights[own].sum()) for own in (~beyond, beyond)]
        x, away = at.copy(), y.copy()
        (x_before, x_beyond) = (share @ at[own] for own, share in sides)
        for own, share in sides:
            x[own] -= share @ at[own]
            away[own] -= share @ y[own]
        scaled = x * np.sqrt(weights)[:, None]
        # A direction in which no stage has two cells is not known.
        turned, sizes, directions = np.linalg.svd(scaled, full_matrices=False)
        told = sizes > _SLOPE_REACH * np.sqrt(weights.sum())
        across = directions @ (x_beyond - x_before)
        if np.hypot.reduce(across[~told], initial=0.0) > _SLOPE_REACH:
            return None
        slopes = np.where(told, turned.T @ (away * np.sqrt(weights)), 0.0) / np.where(told, sizes, 1.0)
        left = away * np.sqrt(weights) - turned @ (sizes * slopes)
        spare = len(y) - 2 - int(told.sum())
        scatter = max(1.0, float(left @ left) / spare) if spare > 0 else 1.0
        error = float(np.sqrt(scatter * np.sum((across[told] / sizes[told]) ** 2)))
        return 100 * float(across @ slopes), 100 * NORMAL_95 * error


def _notes_on_steps(steps: Sequence[StagingStep]) -> tuple[Note, ...]:
    codes = {
        True: BalanceNote.STEP_AT_STAGING,
        None: BalanceNote.STEP_OR_SLOPE,
        False: BalanceNote.SLOPE_ACROSS_STAGING,
    }
    found = []
    for at_line, code in codes.items():
        own = [step for step in steps if step.clear and step.at_line is at_line]
        if own:
            found.append(
                note(
                    code,
                    cylinders=tuple(step.cylinder for step in own),
                    percent=tuple(step.percent for step in own),
                    half_percent=tuple(step.half_interval_percent for step in own),
                )
            )
    if found:
        return tuple(found)
    if steps:
        most = max(abs(step.percent) + step.half_interval_percent for step in steps)
        return (note(BalanceNote.NO_STEP_AT_STAGING, most_percent=most),)
    return (note(BalanceNote.STEPS_NOT_KNOWN),)
