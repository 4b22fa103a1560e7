"""Rotation: what every cylinder needs and how far every sensor is off, from sessions with the sensors moved.

    SessionLooks... -> gather -> why_not_solvable -> fit_biases -> Rotation

A sensor's own error looks like a need of its cylinder until it sits in another one. `fit_rotation` takes one
`SessionLooks` a session and answers with a `Rotation`; where the moves do not part sensors from cylinders, it
gives no number, but the reason and the next session that would.

Needs are against the mean of the cylinders in the fuel domain, as those of the balance, with the trims of the
last session that has the cylinder. Biases are percent of lambda; they sum to zero, because moving the sensors
says nothing of what all have in common: free air or a gas analyser does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import half_percent, percent
from mixmon.findings.bias.fit import LOOK_POINT, BiasFit, fit_biases, invert, residual_precision
from mixmon.findings.bias.looks import AllLooks, Cylinders, SessionLooks, check_sessions, gather
from mixmon.findings.bias.network import loops, next_session, why_not_solvable
from mixmon.findings.bias.notes import BiasNote
from mixmon.findings.bias.suspects import name_suspects
from mixmon.findings.stats import (
    NO_ESTIMATE,
    Estimate,
    chi_square_above,
    chi_square_point,
    engine_log_lambda,
    student_t95,
)
from mixmon.mixture.steady import Cell
from mixmon.note import Note, note
from mixmon.result import Result

_DISAGREE = 3.090
"""Point of the normal distribution that 0.1 % exceed (its table), from which squares are too large: our
choice; as the errors of readings are estimates too, one rotation in a hundred exceeds it by chance
(computed)."""

_LOOKS_PERCENT = 0.15
"""Standard deviation of looks beyond the errors of their readings from which the sessions disagree: our
choice, what putting a sensor in once more may do by itself; the intervals hold it in any case."""

NOTICED_LOOK_PERCENT = 0.3
"""Standard deviation of looks beyond the errors of their readings that sessions should not agree in spite of:
our choice, three times what a sensor does by being put in again."""

ENOUGH_POWER = 0.8
"""Probability with which such looks must be noticed before agreement counts as a check: common practice for
the power of a test, no source."""

_CELLS_PERCENT = 0.1
"""Standard deviation of a bias between cells from which it is told: our choice, below what a step of a trim
is."""

_POINT_MOVED = 0.03
"""Change of a cell's ln lambda between sessions that is told: our choice; the bias of a sensor with a gain
error of 5 % then moves by about 0.15 % (computed from the slope of the gain error near 0.9)."""


@dataclass(frozen=True, slots=True)
class CylinderEffect:
    """One cylinder, free of its sensor's bias. Percent of fuel, positive = add fuel; NaN = not known.

    sensor  in the last session
    """

    cylinder: int
    needs_percent: float
    half_interval_percent: float
    sensor: str | None


@dataclass(frozen=True, slots=True)
class SensorBias:
    """One sensor. Percent of lambda, positive: it reads leaner than the mean of the sensors; NaN = not known.

    looks  sessions in which it was heard
    """

    sensor: str
    bias_percent: float
    half_interval_percent: float
    looks: int


@dataclass(frozen=True, slots=True)
class PlacedSensor:
    """One node of one session.

    heard             in a cell that other sessions share
    residual_percent  by how much it read more than its cylinder and its sensor explain; NaN where not known
    """

    cylinders: Cylinders
    sensor: str
    heard: bool
    residual_percent: float


@dataclass(frozen=True, slots=True)
class RotationSession:
    """One session as it was taken; `cells` of it are shared with other sessions."""

    name: str
    cells: int
    placed: tuple[PlacedSensor, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Rotation(Result):
    """Biases of sensors and needs of cylinders, from sessions between which the sensors were moved.

    why_not             why there are no numbers; None where there are
    loops               sets of cylinders and sensors that the moves tie together; one where it is solved
    residual_degrees    looks more than numbers found: what checks the result
    consistent          whether cylinders and sensors alone explain the looks; None where nothing checks it
    agreement_power     probability that looks off by `NOTICED_LOOK_PERCENT` each would have disagreed; NaN
                        where nothing checks
    look_error_percent  standard deviation of what putting a sensor in, and running again, did to a look
                        beyond the errors of its readings; assumed where too few looks show it
    cells               shared by two sessions or more
    design              where to put the sensors in one more session, (cylinder, sensor) each, where it is not
                        solved or nothing checks it
    """

    solvable: bool
    why_not: Note | None
    cylinders: tuple[CylinderEffect, ...]
    sensors: tuple[SensorBias, ...]
    sessions: tuple[RotationSession, ...]
    cells: tuple[Cell, ...]
    loops: tuple[tuple[tuple[int, ...], tuple[str, ...]], ...]
    residual_degrees: int
    consistent: bool | None
    look_error_percent: float
    design: tuple[tuple[int, str], ...]
    notes: tuple[Note, ...]
    agreement_power: float = np.nan


def fit_rotation(sessions: Sequence[SessionLooks]) -> Rotation:
    """Biases of the sensors and needs of the cylinders, or the reason why they cannot be known.

    Raises:
        UsageError: sessions of different engines or axes, or trims that only some of them tell.
    """
    check_sessions(sessions)
    gathered = gather(sessions)
    why_not = why_not_solvable(gathered, len(sessions))
    cells = tuple(cell for cell, _ in gathered.cells)
    parts = tuple(loops(gathered))
    if why_not is not None:
        unknown = _describe_sessions(sessions, gathered, np.full(len(gathered.looks), np.nan))
        notes = tuple(_notes_on_input(sessions, gathered))
        return Rotation(
            False, why_not, (), (), unknown, cells, parts, 0, None, np.nan, next_session(gathered), notes
        )
    fit = fit_biases(gathered)
    degrees = fit.degrees.looks
    consistent = _agree(fit) if degrees else None
    power = _power_of_agreement(fit, gathered)
    return Rotation(
        solvable=True,
        why_not=None,
        cylinders=_cylinder_effects(sessions, gathered, fit),
        sensors=_sensor_biases(sessions, gathered, fit),
        sessions=_describe_sessions(sessions, gathered, _residuals(gathered, fit)),
        cells=cells,
        loops=parts,
        residual_degrees=degrees,
        consistent=consistent,
        look_error_percent=100 * float(np.sqrt(fit.by_look)),
        design=() if degrees else next_session(gathered),
        notes=(
            *_notes_on_fit(gathered, fit, consistent=consistent, power=power),
            *_notes_on_input(sessions, gathered),
        ),
        agreement_power=power,
    )


def _agree(fit: BiasFit) -> bool:
    """Whether cylinders and sensors alone explain the looks."""
    large = fit.squares > chi_square_point(fit.degrees.looks, _DISAGREE)
    return not (large and 100 * np.sqrt(fit.by_look) > _LOOKS_PERCENT)


def _power_of_agreement(fit: BiasFit, gathered: AllLooks) -> float:
    """The probability that looks with errors of `NOTICED_LOOK_PERCENT` would disagree; NaN: no test.

    Their squares are then chi square times one more than that variance over the readings' own. Both
    conditions of `_agree` must hold.
    """
    degrees = fit.degrees.looks
    if not degrees:
        return np.nan
    planted = (NOTICED_LOOK_PERCENT / 100) ** 2
    inflation = 1 + planted * residual_precision(fit.evidence, gathered.wears, degrees)
    large = chi_square_point(degrees, _DISAGREE) / inflation
    found = chi_square_point(degrees, LOOK_POINT) * (_LOOKS_PERCENT / NOTICED_LOOK_PERCENT) ** 2
    return chi_square_above(degrees, max(large, found))


def _cylinder_effects(
    sessions: Sequence[SessionLooks], gathered: AllLooks, fit: BiasFit
) -> tuple[CylinderEffect, ...]:
    """Needs of all cylinders of the engine against the mean of those that were heard."""
    latest = [_latest(sessions, cylinders) for cylinders in gathered.cylinders]
    trims = np.array([0.0 if one.trims is None else one.trims[node] for one, node in latest])
    air = np.array([one.charges[node] for one, node in latest])
    need = fit.needs - trims
    fuel = air * np.exp(-need)
    shift = np.eye(len(need)) - fuel / fuel.sum()
    need = need - engine_log_lambda(need, air)
    errors = np.sqrt(np.diag(shift @ fit.need_covariance @ shift.T))
    known = {
        cylinder: _estimate_of(need[i], errors[i], fit.need_degrees[i], fit.effective[i])
        for i, cylinders in enumerate(gathered.cylinders)
        for cylinder in cylinders
    }
    wears = {c: s for own, s in zip(sessions[-1].cylinders, sessions[-1].sensors, strict=True) for c in own}
    return tuple(
        CylinderEffect(c, *_percents(known.get(c, NO_ESTIMATE)), wears.get(c))
        for c in range(1, sessions[0].count + 1)
    )


def _latest(sessions: Sequence[SessionLooks], cylinders: Cylinders) -> tuple[SessionLooks, int]:
    """The last session that has a node for these cylinders, and that node."""
    return next(
        (one, one.cylinders.index(cylinders)) for one in reversed(sessions) if cylinders in one.cylinders
    )


def _estimate_of(mean: float, error: float, degrees: float, effective: float) -> Estimate:
    return Estimate(float(mean), student_t95(float(degrees)) * float(error), float(error), float(effective))


def _percents(one: Estimate) -> tuple[float, float]:
    """Mean and half of the interval."""
    return percent(one.mean), half_percent(one)


def _sensor_biases(
    sessions: Sequence[SessionLooks], gathered: AllLooks, fit: BiasFit
) -> tuple[SensorBias, ...]:
    """All sensors that the sessions name, with or without a number."""
    known = dict(zip(gathered.sensors, fit.biases, strict=True))
    worn = [gathered.sensors[look.sensor] for look in gathered.looks]
    return tuple(
        SensorBias(sensor, *_percents(known.get(sensor, NO_ESTIMATE)), worn.count(sensor))
        for sensor in _named_sensors(sessions)
    )


def _named_sensors(sessions: Sequence[SessionLooks]) -> list[str]:
    return list(dict.fromkeys(sensor for one in sessions for sensor in one.sensors))


def _residuals(gathered: AllLooks, fit: BiasFit) -> Floats:
    """By how much each look reads more than its cylinder and its sensor explain, ln lambda."""
    explained = gathered.wears @ np.array([bias.mean for bias in fit.biases])
    evidence = fit.evidence
    out: Floats = invert(evidence.information) @ (evidence.pull - evidence.information @ explained)
    return out


def _describe_sessions(
    sessions: Sequence[SessionLooks], gathered: AllLooks, residuals: Floats
) -> tuple[RotationSession, ...]:
    heard = {
        (look.session, look.node): float(left)
        for look, left in zip(gathered.looks, residuals.tolist(), strict=True)
    }
    shared = {cell for cell, _ in gathered.cells}
    return tuple(
        RotationSession(
            one.name,
            len(shared & one.cells.keys()),
            tuple(
                PlacedSensor(*pair, (k, node) in heard, percent(heard.get((k, node), np.nan)))
                for node, pair in enumerate(zip(one.cylinders, one.sensors, strict=True))
            ),
        )
        for k, one in enumerate(sessions)
    )


# ----------------------------------------------------------------------------------------------------
# Notes.
# ----------------------------------------------------------------------------------------------------


def _notes_on_fit(gathered: AllLooks, fit: BiasFit, *, consistent: bool | None, power: float) -> list[Note]:
    """What checks the result, and what it does not say."""
    notes = []
    if consistent and power < ENOUGH_POWER:
        notes.append(
            note(
                BiasNote.AGREEMENT_SAYS_LITTLE,
                degrees=fit.degrees.looks,
                power_percent=100 * power,
                look_error_percent=NOTICED_LOOK_PERCENT,
            )
        )
    if consistent is None:
        assumed = 100 * float(np.sqrt(fit.by_look))
        notes.append(
            note(BiasNote.NOTHING_CHECKS, looks=len(gathered.looks), assumed_look_error_percent=assumed)
        )
    if consistent is False:
        degrees = fit.degrees.looks
        notes.append(
            note(
                BiasNote.SESSIONS_DISAGREE,
                ratio=fit.squares / degrees,
                degrees=degrees,
                look_error_percent=100 * float(np.sqrt(fit.by_look)),
            )
        )
        notes += name_suspects(gathered, fit)
    apart = 100 * float(np.sqrt(fit.by_cell))
    if apart > _CELLS_PERCENT and fit.cell_squares > chi_square_point(fit.degrees.cells, _DISAGREE):
        notes.append(note(BiasNote.BIASES_DIFFER_BY_CELL, percent=apart))
    return [*notes, note(BiasNote.COMMON_BIAS_STAYS)]


def _notes_on_input(sessions: Sequence[SessionLooks], gathered: AllLooks) -> list[Note]:
    """What there is to know about the sessions themselves."""
    notes = []
    moved = [(cell, by) for cell, _ in gathered.cells if (by := _moved_by(sessions, cell)) > _POINT_MOVED]
    if moved:
        cells = [cell for cell, _ in moved]
        notes.append(
            note(
                BiasNote.OPERATING_POINT_MOVED,
                rpm=tuple(cell.rpm or 0.0 for cell in cells),
                load=tuple(cell.load or 0.0 for cell in cells),
                percent=100 * max(by for _, by in moved),
            )
        )
    if any(cell == Cell(None, None) for cell, _ in gathered.cells):
        notes.append(note(BiasNote.NO_AXES_IN_SESSIONS))
    if changed := _changed_trims(sessions):
        notes.append(note(BiasNote.TRIMS_CHANGED, cylinders=changed))
    worn = {gathered.sensors[look.sensor] for look in gathered.looks}
    if unheard := tuple(sensor for sensor in _named_sensors(sessions) if sensor not in worn):
        notes.append(note(BiasNote.NOT_HEARD, sensors=unheard))
    return notes


def _moved_by(sessions: Sequence[SessionLooks], cell: Cell) -> float:
    """By how much ln lambda of a cell differs between the sessions that were in it."""
    fits = [one.cells[cell] for one in sessions if cell in one.cells]
    levels = [
        float(np.average([g.level for g in fit.groups], weights=[g.batches for g in fit.groups]))
        for fit in fits
        if fit.groups
    ]
    return max(levels) - min(levels) if levels else 0.0


def _changed_trims(sessions: Sequence[SessionLooks]) -> tuple[int, ...]:
    """Cylinders whose trims were not the same in all sessions."""
    held: dict[int, set[float]] = {}
    for one in sessions:
        for cylinders, trim in zip(
            one.cylinders, [] if one.trims is None else one.trims.tolist(), strict=False
        ):
            for cylinder in cylinders:
                held.setdefault(cylinder, set()).add(trim)
    return tuple(sorted(cylinder for cylinder, trims in held.items() if len(trims) > 1))
