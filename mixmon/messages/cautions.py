"""What to take care of although the session file has no mistake: facts that can mislead or harm.

`mixmon verify` prints the cautions and the check list of the dashboard shows those about the sensors.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from mixmon.note import Note, NoteCode, note
from mixmon.session.ignored import IgnoredKey, ignored_keys
from mixmon.session.injectors import injector_pairs
from mixmon.session.model import Session

LEAST_SENSOR_ANGLE_DEG: Final = 10.0
"""Sensor above horizontal: below this, condensed water stays on the element (common practice, no source)."""


class Caution(NoteCode):
    """Codes of the cautions about a session."""

    SENSOR_ANGLE = "sensor_angle"
    LEADED_FUEL = "leaded_fuel"
    LOAD_BY_PRESSURE = "load_by_pressure"
    AFTER_MERGE = "after_merge"
    BATCH_INJECTION = "batch_injection"
    PAIRS_UNKNOWN = "injector_pairs_unknown"
    PAIRS_INCOMPLETE = "injector_pairs_incomplete"
    PAIR_HOLDS_TWO_TRIMS = "injector_pair_holds_two_trims"
    DEFINITION = "definition"
    NO_EFFECT_WITHOUT = "no_effect_without"
    NO_EFFECT_BESIDE = "no_effect_beside"


def cautions(session: Session) -> tuple[Note, ...]:
    """The cautions about the whole session: the sensors first, then what limits the results."""
    found = list(sensor_cautions(session))
    if session.engine.throttles == "one per cylinder" and session.axes.load_signal == "map_kpa":
        found.append(note(Caution.LOAD_BY_PRESSURE))
    if session.exhaust.after_merge:
        found.append(note(Caution.AFTER_MERGE))
    if session.injection.timing == "batch":
        found.append(note(Caution.BATCH_INJECTION))
    return (*found, *pairing_cautions(session))


def key_cautions(path: Path | str) -> tuple[Note, ...]:
    """The keys of a session file that are accepted and have no effect, those of one reason together.

    Raises:
        SourceError: the file cannot be read.
    """
    by_reason: dict[tuple[tuple[str, ...], str], list[IgnoredKey]] = {}
    for ignored in ignored_keys(path):
        by_reason.setdefault((ignored.needs, ignored.overruled_by), []).append(ignored)
    found = []
    for (needs, beside), group in by_reason.items():
        keys = tuple(ignored.key for ignored in group)
        lines = tuple(ignored.line or 0 for ignored in group)
        if needs:
            found.append(note(Caution.NO_EFFECT_WITHOUT, keys=keys, lines=lines, needs=needs))
        else:
            found.append(note(Caution.NO_EFFECT_BESIDE, keys=keys, lines=lines, beside=beside))
    return tuple(found)


def pairing_cautions(session: Session) -> tuple[Note, ...]:
    """Why no trims can be offered with paired injection; nothing where they can, or in other timings."""
    if session.injection.timing != "paired":
        return ()
    order, now = session.engine.firing_order, session.trims.now_percent
    if order is None:
        return (note(Caution.PAIRS_UNKNOWN),)
    pairs = injector_pairs(session.engine)
    paired = {cylinder for pair in pairs for cylinder in pair}
    found = []
    if alone := sorted(set(order) - paired):
        found.append(note(Caution.PAIRS_INCOMPLETE, cylinders=tuple(alone)))
    unequal = [pair for pair in pairs if now is not None and now[pair[0] - 1] != now[pair[1] - 1]]
    found += [note(Caution.PAIR_HOLDS_TWO_TRIMS, cylinders=tuple(sorted(pair))) for pair in unequal]
    return tuple(found)


def sensor_cautions(session: Session) -> tuple[Note, ...]:
    """The cautions about what shortens the life of the sensors."""
    found = []
    angle = session.exhaust.sensor_angle_deg
    if angle is not None and angle < LEAST_SENSOR_ANGLE_DEG:
        found.append(note(Caution.SENSOR_ANGLE, angle_deg=angle, least_deg=LEAST_SENSOR_ANGLE_DEG))
    if session.fuel is not None and session.fuel.leaded:
        found.append(note(Caution.LEADED_FUEL))
    return tuple(found)
