"""Every key of a scenario file, its kind and its range.

Some are those of a session file, which the engine's owner would fill in; only the simulation
knows the others. Ranges catch slips; they are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from mixmon.session.keys import MOST_CYLINDERS, SESSION
from mixmon.session.schema import Either, Kind, Number, Report, Row, Table, Tables, Text
from mixmon.simulate.timeline import KINDS

DECLARED: Final = ("name", "engine", "injection", "exhaust", "fuel", "axes", "validity", "trims", "limits")
"""What is read as in a session file."""

_place = Number(1, MOST_CYLINDERS, whole=True)
_rpm = Number(0, 30_000, "rpm")
_load = Number(0, 1000, "% or kPa")
_percent = Number(-60, 60, "%")
_share = Number(0, 10)
_seconds = Number(0, 86_400, "s")
_lag = Number(0, 10, "s", above=True)
_sigma = Number(0, 1000)


def _each(kind: Kind) -> Kind:
    """One value a cylinder: the same for all, a list, or a table by cylinder number."""
    return Either((kind, Row(kind), Table(others=kind, what="a table by cylinder, such as { 3 = -6 }")))


def _grid(kind: Kind) -> Kind:
    """One value a point of the map: the same everywhere, one row for all loads, or a row a load."""
    return Either((kind, _Rows(kind)))


@dataclass(frozen=True, slots=True)
class _Rows:
    """A list of one kind, or a list of such lists."""

    of: Kind

    @property
    def expected(self) -> str:
        """A list of what."""
        return f"a list, each {self.of.expected}, or such a list for each load"

    def takes(self, value: object) -> bool:
        """Whether it is a list."""
        return isinstance(value, list)

    def read(self, value: object, where: str, report: Report) -> Any:
        """A tuple of members, or of tuples of members."""
        nested = isinstance(value, list) and bool(value) and isinstance(value[0], list)
        return Row(Row(self.of) if nested else self.of).read(value, where, report)


_MAP = Table(
    {
        "rpm": Row(_rpm),
        "load": Row(_load),
        "target": _grid(Number(0.4, 2, "lambda")),
        "pulse_ms": _grid(Number(0.1, 100, "ms")),
        "base_error_percent": _grid(_percent),
        "exhaust_k": _grid(Number(300, 1600, "K")),
        "full_filling": Number(0.1, 4),
    },
    ("rpm", "load", "target", "pulse_ms"),
    what="a table [map] with rpm, load, target and pulse_ms",
)
_CYLINDERS = Table(
    {
        "flow_percent": _each(_percent),
        "dead_time_ms": _each(Number(-2, 2, "ms")),
        "air_percent": _each(_percent),
        "sync_percent": _each(_percent),
        "sync_share": Row(_share),
        "film_percent": _each(Number(0, 60, "%")),
        "film_s": _lag,
    }
)
_SENSORS = Table(
    {
        "serial": Row(Text(what="a serial number, as text")),
        "bias_percent": _each(_percent),
        "lean_s": _each(_lag),
        "rich_s": _each(_lag),
        "ready_s": _each(Number(1.5, 120, "s")),
        "free_air_percent": _each(_percent),
    }
)
_CONTROLLERS = Table(
    {
        "rate_hz": Number(1, 500, "readings a second"),
        "bitrate": Number(50_000, 1_000_000, "bit/s", whole=True),
        "heater_groups": Row(Row(_place)),
        "group_gap_s": _seconds,
        "lowest": Number(0.4, 1, "lambda"),
        "highest": Number(1.1, 16.5, "lambda"),
        "filter_s": _lag,
        "rewarm_s": Number(1.5, 120, "s"),
        "lead_v": Number(0, 5, "V"),
        "step_v": Number(0, 5, "V"),
    }
)
_NOISE = Table(
    {
        "cycle_percent": _sigma,
        "lambda_white": Number(0, 0.2, "lambda"),
        "rpm": _sigma,
        "load": _sigma,
        "jitter_s": Number(0, 0.005, "s"),
        "clock_ppm": _sigma,
    }
)
_celsius = Number(-40, 150, "degC")
_WARM_UP = Table(
    {
        "start_c": _celsius,
        "end_c": _celsius,
        "time_s": Number(0, 3600, "s", above=True),
        "warm_c": _celsius,
        "enrich_percent": Number(0, 100, "%"),
    }
)

FAULT_KEYS: Final = {
    "leak": ("cylinder", "rpm", "load", "percent"),
    "exchanged nodes": ("positions",),
    "misfires": ("cylinder", "during", "cycles"),
    "supply drop-out": ("position", "during", "seconds"),
}
"""The keys that each kind of fault needs."""

_FAULT = Table(
    {
        "kind": Text(tuple(FAULT_KEYS)),
        "cylinder": _place,
        "position": _place,
        "positions": Row(_place),
        "during": Text(what="the name of a part of the profile"),
        "rpm": Either((_rpm, Row(_rpm))),
        "load": Row(_load),
        "percent": Row(Number(0, 60, "%")),
        "cycles": Number(1, 10_000, whole=True),
        "after_s": _seconds,
        "seconds": _seconds,
    },
    ("kind",),
    what="a table [[fault]] with its kind",
)
_PART = Table(
    {
        "kind": Text(KINDS),
        "name": Text(),
        "seconds": _seconds,
        "until": _seconds,
        "rpm": _rpm,
        "load": _load,
        "ramp_s": _seconds,
        "percent": Number(0, 20, "%", above=True),
        "step_s": Number(0, 120, "s", above=True),
        "pause_s": _seconds,
        "lead_s": _seconds,
        "method": Text(("coded", "single")),
        "hold_s": _lag,
        "to_load": _load,
        "times": Number(1, 100, whole=True),
        "drop_rpm": Number(0, 2000, "rpm", above=True),
    },
    ("kind",),
    what="a table [[profile]] with its kind",
)

NEEDS_POINT: Final = {
    "limiter": ("rpm",),
    "overrun": ("rpm",),
    **dict.fromkeys(("start", "steady", "sweep", "identity", "pattern", "tip-in"), ("rpm", "load")),
}
"""The keys that each kind of part needs, for the point to which it goes."""

SCENARIO: Final = Table(
    {
        **{key: SESSION.keys[key] for key in ("format", *DECLARED)},
        "about": Text(),
        "map": _MAP,
        "cylinders": _CYLINDERS,
        "sensors": _SENSORS,
        "controllers": _CONTROLLERS,
        "noise": _NOISE,
        "warm_up": _WARM_UP,
        "misfire_speed": Number(0, 1),
        "free_air": Number(18, 21, "%"),
        "fault": Tables(_FAULT),
        "profile": Tables(_PART),
        "repeat_from": Text(what="the name of a part of the profile"),
    },
    ("engine", "fuel", "map", "profile"),
)
"""The whole file."""
