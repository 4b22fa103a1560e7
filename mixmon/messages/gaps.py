"""What cannot be done for want of which signal, in words."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from mixmon.session.model import Session
from mixmon.session.signals import CHAIN, ENGINE

_CHAIN: Final[Mapping[str, str]] = {
    "ready": "a sensor that is warming up is told by time alone",
    "supply": "a node that lost its supply is not told from one that lost the bus",
    "heater": "heater effort is not compared",
    "resets": "restarts of a controller are told by its silence alone",
}
_ENGINE: Final[Mapping[str, str]] = {
    "rpm": "no cells, no pulls, no misfires by cycle, no delay by speed",
    "pulse_ms": "unequal flow is not told from unequal dead time",
    "coolant_c": "a cold engine is not told from a warm one",
    "fuel_cut": "fuel cuts are told by the readings alone",
    "spark_cut": "spark cuts are told by the readings alone",
}

_NOT_CORRECTED: Final = (
    "sensors before the turbine and no [sensors] pressure_k_bar: pressure is not corrected for, "
    "rich reads too rich and lean too lean (lambda 0.85 as 0.81 to 0.83 at 2 bar)"
)
_FOR_SOME: Final = {"exhaust_kpa"}  # for sensors that pressure bends


def missing(chain: Collection[str], engine: Collection[str]) -> tuple[str, ...]:
    """The quantities that no signal carries, as keys of the session file; not those that only some need.

    chain: the quantities that every node has; engine: those of the engine.
    """
    return tuple(
        [f"chain.signals.{name}" for name in CHAIN if name not in chain]
        + [f"engine_signals.{name}" for name in ENGINE if name not in {*engine, *_FOR_SOME}]
    )


def gaps(session: Session, chain: Collection[str], engine: Collection[str]) -> tuple[str, ...]:
    """What is not offered, one sentence each, in the order of the session file."""
    found = []
    if session.exhaust.sensor_distance_mm is None or session.exhaust.primary_bore_mm is None:
        found.append("no exhaust bore and sensor distance: the delay to the sensors is a guess")
    if session.fuel is None:
        found.append("no [fuel]: gasoline is taken for the oxygen balance, and AFR is not shown")
    found += _readings(session)
    found += [f"no {name} signal: {what}" for name, what in _CHAIN.items() if name not in chain]
    found += [f"no {name} signal: {what}" for name, what in _ENGINE.items() if name not in engine]
    found += _load(session, engine)
    found += _target(session, engine)
    return tuple(found)


def _readings(session: Session) -> list[str]:
    """What is done to the readings, and what pressure does to them where nothing is done about it."""
    said, sensors = [], session.sensors
    if sensors is not None and sensors.curve is not None:
        said.append(f"the controllers' lambda is read by the curve of {sensors.curve} and corrected")
    if sensors is not None and sensors.pressure_k_bar is not None:
        said.append(f"readings are corrected for pressure at the sensors, k {sensors.pressure_k_bar:g} bar")
    elif session.exhaust.before_turbine:
        said.append(_NOT_CORRECTED)
    return said


def _load(session: Session, engine: Collection[str]) -> list[str]:
    axes = session.axes
    if axes.load_signal not in engine:
        return [f"no {axes.load_signal} signal, the load: no cells by load, and no steady load is asked for"]
    if not axes.rpm or not axes.load:
        return ["no [axes] with rpm and load: no cells"]
    return []


def _target(session: Session, engine: Collection[str]) -> list[str]:
    if "target" in engine:
        return []
    if session.targets is None:
        return ["no target signal and no [targets]: needs vs target are not offered"]
    if not {"rpm", session.axes.load_signal} <= set(engine):
        return [f"no target signal, and no rpm and {session.axes.load_signal} to look up [targets] by"]
    return []
