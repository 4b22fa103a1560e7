"""What to take care of although the session file has no mistake: facts that can mislead or harm.

`mixmon verify` prints the cautions and the check list of the dashboard shows those about the sensors.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from mixmon.note import Note, NoteCode, note
from mixmon.session.ignored import IgnoredKey, ignored_keys
from mixmon.session.injectors import SAME_ANGLE_DEG, are_firing_angles, firing_gaps, injector_pairs
from mixmon.session.model import Engine, Injection, Session
from mixmon.session.observation import observation_of

LEAST_SENSOR_ANGLE_DEG: Final = 10.0
"""Sensor above horizontal: below this, condensed water stays on the element (common practice, no source)."""

_BORE_MM2_PER_CM3: Final = (0.8, 12.0)
"""Cross-section of a primary over the volume of its cylinder.

Common practice, no source: 44 mm at half a litre is 3, 22 mm at 50 cm3 is 8, 70 mm at two litres is 2.
"""

_DISTANCES_MM: Final = (100.0, 1500.0)
"""From valve to sensor; nearer it is too hot, farther it sees a mixture of times (common practice, no "
"source)."""

_MOST_UNLIKE_DISTANCES: Final = 2.5
"""Longest over shortest. Our choice: primaries of one engine differ by less, a wrong digit makes more."""

_DEAD_TIMES_MS: Final = (0.2, 3.0)
"""Of injectors at usual voltage (common practice, no source)."""

_LEAST_ORDERED: Final = 4
"""From so many cylinders in one bank on, none fires them one after another (common practice, no source)."""


class Caution(NoteCode):
    """Codes of the cautions about a session."""

    SENSOR_ANGLE = "sensor_angle"
    LEADED_FUEL = "leaded_fuel"
    LOAD_BY_PRESSURE = "load_by_pressure"
    AFTER_MERGE = "after_merge"
    SHARED_SENSOR = "cylinders_share_sensor"
    WITHOUT_SENSOR = "cylinders_without_sensor"
    STAGED_INJECTION = "staged_injection"
    UNEVEN_FIRING = "uneven_firing"
    EVEN_FIRING_ASSUMED = "even_firing_assumed"
    BATCH_INJECTION = "batch_injection"
    PAIRS_UNKNOWN = "injector_pairs_unknown"
    PAIRS_INCOMPLETE = "injector_pairs_incomplete"
    PAIR_HOLDS_TWO_TRIMS = "injector_pair_holds_two_trims"
    DEFINITION = "definition"
    BORE_UNLIKELY = "bore_unlikely"
    DISTANCE_UNLIKELY = "distance_unlikely"
    DISTANCES_UNLIKE = "distances_unlike"
    DEAD_TIME_UNLIKELY = "dead_time_unlikely"
    ORDER_AS_COUNTED = "order_as_counted"
    NO_EFFECT_WITHOUT = "no_effect_without"
    NO_EFFECT_BESIDE = "no_effect_beside"


def cautions(session: Session) -> tuple[Note, ...]:
    """The cautions about the whole session: the sensors first, then what limits the results."""
    found = list(sensor_cautions(session))
    if session.engine.throttles == "one per cylinder" and session.axes.load_signal == "map_kpa":
        found.append(note(Caution.LOAD_BY_PRESSURE))
    if session.exhaust.after_merge:
        found.append(note(Caution.AFTER_MERGE))
    if (line := session.injection.staging) is not None:
        found.append(note(Caution.STAGED_INJECTION, rpm_above=line.rpm_above, load_above=line.load_above))
    if _fits_together(session):
        found += _observation_cautions(session)
        found += _firing_cautions(session.engine, session.injection)
    if session.injection.timing == "batch":
        found.append(note(Caution.BATCH_INJECTION))
    found += _figure_cautions(session)
    return (*found, *pairing_cautions(session))


def _figure_cautions(session: Session) -> Iterator[Note]:
    """Figures that are possible and hardly ever right: a wrong unit or digit, or one that was never typed."""
    engine, exhaust, dead = session.engine, session.exhaust, session.injection.dead_time_ms
    bore, litres = exhaust.primary_bore_mm, engine.displacement_l
    if bore is not None and litres:
        each_cm3 = 1000.0 * litres / engine.cylinders
        least, most = (2.0 * math.sqrt(share * each_cm3 / math.pi) for share in _BORE_MM2_PER_CM3)
        if not least <= bore <= most:
            code = Caution.BORE_UNLIKELY
            yield note(code, bore_mm=bore, each_cm3=each_cm3, least_mm=least, most_mm=most)
    if distances := exhaust.sensor_distance_mm:
        odd = [one for one in distances if not _DISTANCES_MM[0] <= one <= _DISTANCES_MM[1]]
        if odd:
            least, most = _DISTANCES_MM
            yield note(Caution.DISTANCE_UNLIKELY, distance_mm=odd[0], least_mm=least, most_mm=most)
        elif max(distances) > _MOST_UNLIKE_DISTANCES * min(distances):
            yield note(Caution.DISTANCES_UNLIKE, least_mm=min(distances), most_mm=max(distances))
    if dead is not None and not _DEAD_TIMES_MS[0] <= dead <= _DEAD_TIMES_MS[1]:
        least, most = _DEAD_TIMES_MS
        yield note(Caution.DEAD_TIME_UNLIKELY, dead_time_ms=dead, least_ms=least, most_ms=most)
    many = engine.cylinders >= _LEAST_ORDERED
    if many and not engine.banks and engine.firing_order == tuple(range(1, engine.cylinders + 1)):
        yield note(Caution.ORDER_AS_COUNTED, cylinders=engine.cylinders)


def _fits_together(session: Session) -> bool:
    """Whether what is told of cylinders is of those that the engine has; a file may have mistakes."""
    engine = session.engine
    every = range(1, engine.cylinders + 1)
    order, angles, shares = engine.firing_order, engine.firing_angles_deg, engine.charge_share
    seen = [c for node in session.chain.nodes for c in node.cylinders]
    return (
        all(c in every for c in seen)
        and len(set(seen)) == len(seen)
        and (order is None or sorted(order) == list(every))
        and all(row is None or len(row) == engine.cylinders for row in (angles, shares))
        and (angles is None or (order is not None and are_firing_angles(angles, engine.strokes)))
    )


def _observation_cautions(session: Session) -> list[Note]:
    """What the sensors can never tell of the cylinders."""
    seen = observation_of(session)
    found = [note(Caution.SHARED_SENSOR, cylinders=together) for together in seen.together]
    if seen.unseen:
        measured, code = seen.cylinders - len(seen.unseen), Caution.WITHOUT_SENSOR
        found.append(note(code, cylinders=seen.unseen, measured=measured, of_cylinders=seen.cylinders))
    return found


def _firing_cautions(engine: Engine, injection: Injection) -> list[Note]:
    """How unevenly the engine fires; that it is taken to fire evenly, where pairs rest on that."""
    gaps = firing_gaps(engine)
    if engine.firing_angles_deg is None:
        assumed = injection.timing == "paired" and bool(gaps)
        return [note(Caution.EVEN_FIRING_ASSUMED, gap_deg=gaps[0].degrees)] if assumed else []
    degrees = [gap.degrees for gap in gaps]
    if max(degrees) - min(degrees) < SAME_ANGLE_DEG:
        return []
    return [
        note(
            Caution.UNEVEN_FIRING,
            cylinders=tuple(gap.cylinder for gap in gaps),
            after=tuple(gap.predecessor for gap in gaps),
            degrees=tuple(degrees),
        )
    ]


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
