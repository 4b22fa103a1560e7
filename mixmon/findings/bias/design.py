"""Designs: the fewest sessions, and where each sensor goes, for a wanted error.

In a design all sensors move by the same number of cylinders from one session to the next, as a row of chairs:
the session of shift d has sensor i in cylinder i + d. Which shifts are best follows from the information
matrix of a two-way layout with a mean for each session. For shifts it is a circulant, so its eigenvalues are

    m - |sum over the shifts of exp(2 pi j f shift / n)|^2 / m        f = 1 ... n - 1,  m sessions

(from memory: Davis, Circulant Matrices, 1979), one look's variance over them is what is known of each
contrast, and all cylinders are known equally well. All sets of shifts are tried; the best one is that with
the smallest error, and of equals the first in order. `judge_design` says the same of any plan, by way of its
looks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import UsageError
from mixmon.findings.bias.fit import assemble, count_degrees, invert, plain_weights
from mixmon.findings.bias.looks import Cylinders, arrangement
from mixmon.findings.bias.network import loops, next_session, why_not_solvable
from mixmon.findings.bias.notes import BiasNote
from mixmon.note import Note, note
from mixmon.result import Result

MOST_SENSORS = 16
"""Sensors of a design: the nodes of the largest chain."""

USUAL_LOOK_ERROR_PERCENT = 0.5
"""Half of the 95 % interval of one look, percent of lambda: our choice, a standard error of a quarter
percent."""

_CHECKED_SESSIONS = 3
"""Sessions proposed where no error is asked for: our choice, the fewest that leave looks to check the
result."""

_EQUAL_ERRORS = 1e-9  # part of themselves by which two errors may differ and be equal: rounding


@dataclass(frozen=True, slots=True)
class DesignChoice:
    """The best shifts of so many sessions.

    half_interval_percent  of a cylinder's need, and of a sensor's bias alike
    residual_degrees       looks more than numbers to be found: what will check the result
    moves                  sensors that are moved, over all sessions
    """

    shifts: tuple[int, ...]
    half_interval_percent: float
    residual_degrees: int
    moves: int


@dataclass(frozen=True, slots=True, repr=False)
class RotationDesign(Result):
    """Where each sensor goes in each session.

    solvable, why_not    of the plan
    loops                cylinders and sensors that it ties together
    half_interval_percent  of each cylinder, in order of `cylinders`; NaN where it is not solvable
    cylinders, sensors   of the nodes
    sessions             for each session, the sensor of each cylinder, in order of `cylinders`
    choices              the best design for each number of sessions; empty for a plan of one's own
    chosen               index of the proposed one; None for a plan of one's own
    wanted_percent       the error asked for; None: none
    look_error_percent   half of the 95 % interval of one look that all of it rests on
    proposed             for a plan that is not solvable, one more session that makes it so
    """

    solvable: bool
    why_not: Note | None
    loops: tuple[tuple[tuple[int, ...], tuple[str, ...]], ...]
    cylinders: tuple[Cylinders, ...]
    sensors: tuple[str, ...]
    half_interval_percent: tuple[float, ...]
    residual_degrees: int
    sessions: tuple[tuple[str | None, ...], ...]
    choices: tuple[DesignChoice, ...]
    chosen: int | None
    wanted_percent: float | None
    look_error_percent: float
    proposed: tuple[tuple[int, str], ...]
    notes: tuple[Note, ...]

    @property
    def reached(self) -> bool:
        """Whether the error that was asked for is met by every cylinder."""
        if not self.solvable:
            return False
        return self.wanted_percent is None or max(self.half_interval_percent) <= self.wanted_percent * (
            1 + _EQUAL_ERRORS
        )


def design_rotation(
    cylinders: int | Mapping[Cylinders, str],
    error_percent: float | None = None,
    look_error_percent: float = USUAL_LOOK_ERROR_PERCENT,
) -> RotationDesign:
    """The fewest sessions, and the moves, that make the needs of all cylinders known to the wanted error.

    >>> import mixmon
    >>> design = mixmon.design_rotation(8, error_percent=0.35)
    >>> design.choices[design.chosen].shifts, design.sessions[1][:3]
    ((0, 1, 3), ('8', '1', '2'))

    Args:
        cylinders: how many, with sensors called 1, 2, ...; or the sensor of each node by its cylinders.
        error_percent: half of the 95 % interval wanted for every cylinder, percent; None: three sessions.
        look_error_percent: half of the 95 % interval of one look, one sensor in one cylinder in one session.

    Raises:
        UsageError: fewer than two sensors or more than sixteen, or an error that is not above zero.
    """
    worn = {(c + 1,): str(c + 1) for c in range(cylinders)} if isinstance(cylinders, int) else dict(cylinders)
    count = len(worn)
    if not 2 <= count <= MOST_SENSORS:
        raise UsageError(
            f"design of {count} sensor{'s' * (count != 1)}; expected 2 to {MOST_SENSORS}; correct the number"
        )
    for name, value in (("error", error_percent), ("look error", look_error_percent)):
        if value is not None and not (value > 0 and np.isfinite(value)):
            raise UsageError(f"{name} {value:g} %; expected a number above zero; correct it")
    choices = tuple(best_shifts(count, sessions, look_error_percent) for sessions in range(2, count + 1))
    chosen = _choose(choices, error_percent)
    places, sensors = list(worn), list(worn.values())
    plan = [
        dict(zip(places, [sensors[(i - shift) % count] for i in range(count)], strict=True))
        for shift in choices[chosen].shifts
    ]
    return judge_design(
        plan,
        error_percent=error_percent,
        look_error_percent=look_error_percent,
        choices=choices,
        chosen=chosen,
    )


def _choose(choices: Sequence[DesignChoice], wanted: float | None) -> int:
    """The first design that is good enough, or the last."""
    if wanted is None:
        return min(_CHECKED_SESSIONS - 2, len(choices) - 1)
    good = [i for i, one in enumerate(choices) if one.half_interval_percent <= wanted * (1 + _EQUAL_ERRORS)]
    return good[0] if good else len(choices) - 1


def best_shifts(count: int, sessions: int, look_error_percent: float = 1.0) -> DesignChoice:
    """The best shifts of so many sensors for so many sessions."""
    sets = np.array([(0, *more) for more in combinations(range(1, count), sessions - 1)], np.int64)
    variance = shift_variances(count, sets)
    best = int(np.flatnonzero(variance <= variance.min() * (1 + _EQUAL_ERRORS))[0])
    return DesignChoice(
        shifts=tuple(sets[best].tolist()),
        half_interval_percent=look_error_percent * float(np.sqrt(variance[best])),
        residual_degrees=(sessions - 2) * (count - 1),
        moves=count * (sessions - 1),
    )


def shift_variances(count: int, sets: np.ndarray) -> Floats:
    """Variance of one cylinder against the mean of all, in those of a look; infinite where it is not known.

    sets  int64[k, m], the shifts of m sessions
    """
    turns = np.exp(2j * np.pi * np.arange(1, count)[:, None, None] * sets / count).sum(axis=-1)
    sessions = sets.shape[1]
    information = sessions - np.abs(turns) ** 2 / sessions
    sure = (information > _EQUAL_ERRORS).all(axis=0)
    inverse = 1 / np.where(information > _EQUAL_ERRORS, information, 1.0)
    out: Floats = np.where(sure, inverse.sum(axis=0) / count, np.inf)
    return out


def judge_design(
    plan: Sequence[Mapping[Cylinders, str]],
    *,
    error_percent: float | None = None,
    look_error_percent: float = USUAL_LOOK_ERROR_PERCENT,
    choices: tuple[DesignChoice, ...] = (),
    chosen: int | None = None,
) -> RotationDesign:
    """What a plan will tell: for each session, the sensor of every node by its cylinders."""
    planned = arrangement(plan)
    why_not = why_not_solvable(planned, len(plan))
    half = np.full(len(planned.cylinders), np.nan)
    degrees = 0
    if why_not is None:
        half = look_error_percent * np.sqrt(_need_variances(plan))
        degrees = count_degrees(planned).looks
    notes = [note(BiasNote.COMMON_BIAS_STAYS)]
    if why_not is None and degrees == 0:
        notes.insert(
            0, note(BiasNote.NOTHING_CHECKS, looks=len(planned.looks), assumed_look_error_percent=None)
        )
    return RotationDesign(
        solvable=why_not is None,
        why_not=why_not,
        loops=tuple(loops(planned)),
        cylinders=planned.cylinders,
        sensors=planned.sensors,
        half_interval_percent=tuple(half.tolist()),
        residual_degrees=degrees,
        sessions=tuple(tuple(one.get(place) for place in planned.cylinders) for one in plan),
        choices=choices,
        chosen=chosen,
        wanted_percent=error_percent,
        look_error_percent=look_error_percent,
        proposed=() if why_not is None else next_session(planned),
        notes=tuple(notes),
    )


def _need_variances(plan: Sequence[Mapping[Cylinders, str]]) -> Floats:
    """Variance of each cylinder's need against their mean, in those of a look."""
    # Cylinders and sensors are alike in the model: with their parts exchanged, needs are biases.
    places = sorted({place for one in plan for place in one})
    sensors = sorted({sensor for one in plan for sensor in one.values()})
    exchanged = arrangement(
        [
            {(sensors.index(sensor),): str(places.index(place)) for place, sensor in one.items()}
            for one in plan
        ]
    )
    wears = exchanged.wears
    information = wears.T @ assemble(exchanged, plain_weights(exchanged)).information @ wears
    order = [exchanged.sensors.index(str(i)) for i in range(len(places))]
    out: Floats = np.diag(invert(information))[order]
    return out
