"""What cannot be done with a session, because a signal or a declaration is missing.

A gap is a note, not a mistake: lambda of each node is enough to start with, and everything else is
offered as far as there are signals for it.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

from mixmon.note import Note, NoteCode, note
from mixmon.session.keys import CHAIN_QUANTITIES, ENGINE_QUANTITIES
from mixmon.session.model import Session


class Gap(NoteCode):
    """What is missing: in the session, or of the session's messages in a log."""

    NO_SIGNAL = "no_signal"
    NO_LOAD_SIGNAL = "no_load_signal"
    NO_AXES = "no_axes"
    NO_TARGET = "no_target"
    TARGETS_NOT_READABLE = "targets_not_readable"
    NO_EXHAUST_SIZES = "no_exhaust_sizes"
    NO_FUEL = "no_fuel"
    CURVE_CORRECTED = "curve_corrected"
    PRESSURE_CORRECTED = "pressure_corrected"
    PRESSURE_NOT_CORRECTED = "pressure_not_corrected"
    MESSAGES_MISSING = "messages_missing"
    MESSAGES_LATE = "messages_late"
    FRAMES_LATE = "frames_late"
    DEFINITIONS_ODD = "definitions_odd"
    CHANNEL_OUT_OF_RANGE = "channel_out_of_range"
    NOTHING_COUNTS = "nothing_counts"


CHAIN_SIGNALS_MISSED: Final = ("ready", "supply", "heater", "resets")
"""Signals of every node without which something is not done; `report.words` says what."""

ENGINE_SIGNALS_MISSED: Final = ("rpm", "pulse_ms", "coolant_c", "fuel_cut", "spark_cut")
"""The same of the engine; load and target have gaps of their own."""

_OPTIONAL_SIGNALS: Final = {
    "exhaust_kpa",  # only sensors whose readings depend on pressure need it
    "over_temperature",  # the ledger alone reads it, and says so where it is missing
}


def missing(chain: Collection[str], engine: Collection[str]) -> tuple[str, ...]:
    """Quantities that no signal carries, as keys of the session file, without those that only some need.

    Args:
        chain: quantities that every node has.
        engine: quantities of the engine.
    """
    return tuple(
        [f"chain.signals.{name}" for name in CHAIN_QUANTITIES if name not in {*chain, *_OPTIONAL_SIGNALS}]
        + [
            f"engine_signals.{name}"
            for name in ENGINE_QUANTITIES
            if name not in {*engine, *_OPTIONAL_SIGNALS}
        ]
    )


def gaps(session: Session, chain: Collection[str], engine: Collection[str]) -> tuple[Note, ...]:
    """What is not offered, or done to the readings, in the order of the session file.

    Args:
        session: what the user declared.
        chain: quantities that every node has.
        engine: quantities of the engine.
    """
    found = []
    if session.exhaust.sensor_distance_mm is None or session.exhaust.primary_bore_mm is None:
        found.append(note(Gap.NO_EXHAUST_SIZES))
    if session.fuel is None:
        found.append(note(Gap.NO_FUEL))
    found += _notes_on_correction(session)
    found += [note(Gap.NO_SIGNAL, signal=name) for name in CHAIN_SIGNALS_MISSED if name not in chain]
    found += [note(Gap.NO_SIGNAL, signal=name) for name in ENGINE_SIGNALS_MISSED if name not in engine]
    found += _gaps_of_axes(session, engine)
    found += _gaps_of_target(session, engine)
    return tuple(found)


def _notes_on_correction(session: Session) -> list[Note]:
    """What is done to the readings, and whether pressure bends them while nothing is done about it."""
    found, sensors = [], session.sensors
    if sensors is not None and sensors.curve is not None:
        found.append(note(Gap.CURVE_CORRECTED, curve=sensors.curve))
    if sensors is not None and sensors.pressure_k_bar is not None:
        found.append(note(Gap.PRESSURE_CORRECTED, k_bar=sensors.pressure_k_bar))
    elif session.exhaust.before_turbine:
        found.append(note(Gap.PRESSURE_NOT_CORRECTED))
    return found


def _gaps_of_axes(session: Session, engine: Collection[str]) -> list[Note]:
    axes = session.axes
    if axes.load_signal not in engine:
        return [note(Gap.NO_LOAD_SIGNAL, signal=axes.load_signal)]
    if not axes.rpm or not axes.load:
        return [note(Gap.NO_AXES)]
    return []


def _gaps_of_target(session: Session, engine: Collection[str]) -> list[Note]:
    if "target" in engine:
        return []
    if session.targets is None:
        return [note(Gap.NO_TARGET)]
    if not {"rpm", session.axes.load_signal} <= set(engine):
        return [note(Gap.TARGETS_NOT_READABLE, load_signal=session.axes.load_signal)]
    return []
