"""Sessions that disagree: which single change would explain it.

Each possible change moves some looks by one unknown amount: one look alone; two looks of a session against
each other, as when their labels or serials are exchanged; all later looks of a cylinder, or of a sensor. By
how much the weighted squares fall when that amount is free says how well the change explains the looks. Those
that explain them about equally well are all named: data do not choose between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Literal

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.bias.fit import BiasFit, invert
from mixmon.findings.bias.looks import AllLooks
from mixmon.findings.bias.notes import BiasNote
from mixmon.note import Note, note

_LIKE_BEST = 4.0
"""Fall of the squares within which two changes explain the looks alike: about 3.84, the 95 % point of chi
square with one degree of freedom (its table)."""

_CLEAR = 25.0
"""Fall of the squares over what is left a degree of freedom from which a change is named: our choice, five
standard errors, as a hundred changes are tried."""

_MOST_NAMED = 3
"""Changes that are named: our choice; with more, the data say only that something changed."""


def name_suspects(gathered: AllLooks, fit: BiasFit) -> list[Note]:
    """The changes that explain the looks best, the best first; none where no few of them do."""
    if fit.degrees.looks < 2:
        return []
    information, wears = fit.evidence.information, gathered.wears
    through = information @ wears
    free = information - through @ invert(wears.T @ through) @ through.T
    left = free @ invert(information) @ fit.evidence.pull
    changes = [
        (moved, told) for moved, told in _changes(gathered) if moved @ free @ moved > 1e-6 * np.trace(free)
    ]
    falls = np.array([(moved @ left) ** 2 / (moved @ free @ moved) for moved, _ in changes])
    best = float(falls.max(initial=0.0))
    rest = max(1.0, (fit.squares - best) / (fit.degrees.looks - 1))
    alike = [i for i in np.argsort(-falls).tolist() if falls[i] > best - _LIKE_BEST * rest]
    if best < _CLEAR * rest or len(alike) > _MOST_NAMED:
        return []
    return [_tell_size(changes[i][1], changes[i][0], left, free) for i in alike]


def _tell_size(told: Note, moved: Floats, left: Floats, free: Floats) -> Note:
    size = float(moved @ left / (moved @ free @ moved))
    return note(told.code, **dict(told.values), percent=100 * float(np.expm1(size)))


def _changes(gathered: AllLooks) -> Iterator[tuple[Floats, Note]]:
    """Every change that is tried: which looks it moves, float64[looks], and its note without the size."""
    unit = np.eye(len(gathered.looks))
    for i, look in enumerate(gathered.looks):
        yield (
            unit[i],
            note(
                BiasNote.LOOK_ODD,
                session=look.session + 1,
                cylinders=gathered.cylinders[look.cylinder],
                sensor=gathered.sensors[look.sensor],
            ),
        )
    for i, j in combinations(range(len(gathered.looks)), 2):
        one, other = gathered.looks[i], gathered.looks[j]
        if one.session == other.session:
            cylinders = gathered.cylinders[one.cylinder] + gathered.cylinders[other.cylinder]
            sensors = (gathered.sensors[one.sensor], gathered.sensors[other.sensor])
            told = note(
                BiasNote.LOOKS_EXCHANGED, session=one.session + 1, cylinders=cylinders, sensors=sensors
            )
            yield unit[i] - unit[j], told
    yield from _later_looks(gathered, "cylinder")
    yield from _later_looks(gathered, "sensor")


def _later_looks(gathered: AllLooks, of: Literal["cylinder", "sensor"]) -> Iterator[tuple[Floats, Note]]:
    """All later looks of one cylinder or sensor, where there are two or more on both sides."""
    sessions = np.array([look.session for look in gathered.looks])
    own = np.array([getattr(look, of) for look in gathered.looks])
    for index in sorted(set(own.tolist())):
        for after in sorted(set(sessions.tolist()))[1:-2]:
            before, later = (own == index) & (sessions <= after), (own == index) & (sessions > after)
            if before.sum() < 2 or later.sum() < 2:
                continue
            if of == "cylinder":
                told = note(BiasNote.CYLINDER_CHANGED, after=after + 1, cylinders=gathered.cylinders[index])
            else:
                told = note(BiasNote.SENSOR_CHANGED, after=after + 1, sensor=gathered.sensors[index])
            yield later.astype(np.float64), told
