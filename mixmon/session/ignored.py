"""Keys of a session file that are accepted and have no effect beside the other keys of the file.

They are no mistakes: the session means what it says without them. But who wrote one expects something of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from mixmon.session.keys import SESSION_TABLE
from mixmon.session.load import parse_toml, read_text
from mixmon.session.schema import (
    Clean,
    MistakeReport,
    chain_signals,
    engine_signals,
    key_lines,
    line_of,
    own_channels,
)


@dataclass(frozen=True, slots=True)
class IgnoredKey:
    """A key without effect, its line, and the keys that it needs or that take its place.

    Exactly one of `needs` and `overruled_by` is not empty.
    """

    key: str
    line: int | None
    needs: tuple[str, ...] = ()
    overruled_by: str = ""


_NEEDS: Final[Mapping[str, tuple[str, ...]]] = {
    "injection.dead_time_ms": ("engine_signals.pulse_ms",),
    "exhaust.primary_bore_mm": ("engine_signals.rpm",),
    "exhaust.sensor_distance_mm": ("engine_signals.rpm",),
    "engine.displacement_l": ("engine_signals.rpm",),
    "axes.rpm": ("engine_signals.rpm",),
    "axes.load": ("engine_signals.LOAD",),
    "targets.lambda": ("engine_signals.rpm", "engine_signals.LOAD"),
    "validity.rpm_band": ("engine_signals.rpm",),
    "validity.load_band": ("engine_signals.LOAD",),
    "validity.warm_coolant_c": ("engine_signals.coolant_c",),
    "validity.low_flow_mask": ("axes.rpm", "axes.load"),
    "validity.overrun": ("engine_signals.rpm", "engine_signals.throttle"),
    "trims.load_from": ("axes.load",),
    "trims.map_rpm": ("axes.rpm",),
    "trims.map_load": ("axes.load",),
    "trims.map_now_percent": ("trims.map_rpm", "trims.map_load"),
    "limits.source": ("limits.alarm",),
}
"""Keys that do nothing unless all of the others are there; LOAD is what axes.load_signal names.

Bore, distance and displacement give the delay of the gas, which is counted in turns of the engine.
"""

_OF_TRIMS: Final = (
    "step_percent",
    "lowest_percent",
    "highest_percent",
    "ask_above_percent",
    "load_from",
    "identity",
    "shape",
    "map_rpm",
    "map_load",
)
"""Keys of [trims] that only say how trims are made."""

_OF_SHAPES: Final = {
    "map_rpm": "map",
    "map_load": "map",
    "map_now_percent": "map",
    "bank_now_percent": "bank",
}
"""Keys of [trims] by the shape that reads them."""


def ignored_keys(path: Path | str) -> list[IgnoredKey]:
    """The keys of a session file that have no effect, in file order; none of a file that is no TOML.

    Raises:
        SourceError: the file cannot be read.
    """
    text = read_text(Path(path))
    written = parse_toml(text)
    if not isinstance(written, dict):
        return []
    clean = SESSION_TABLE.read(written, "", MistakeReport())
    lines = key_lines(text)
    found = (IgnoredKey(key, line_of(key, lines), needs, instead) for key, needs, instead in _find(clean))
    return sorted(found, key=lambda ignored: ignored.line or 0)


def _find(clean: Clean) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Each key without effect, what it needs, and what takes its place."""
    load = clean.get("axes", {}).get("load_signal", "throttle")
    for key, needed in _NEEDS.items():
        needs = tuple(need.replace("LOAD", load) for need in needed)
        missing = tuple(need for need in needs if not _has(clean, need))
        if _has(clean, key) and missing:
            yield key, missing, ""
    instead = _no_trims_by(clean)
    for name in _OF_TRIMS if instead else ():
        if _has(clean, f"trims.{name}"):
            yield f"trims.{name}", (), instead
    for name in ("identity_by", "identity_reason"):
        if _has(clean, f"trims.{name}") and clean.get("trims", {}).get("identity") != "stated":
            yield f"trims.{name}", ('trims.identity = "stated"',), ""
    yield from _find_shapes(clean)
    yield from _find_patterns(clean)
    for where, _, value in (*chain_signals(clean), *engine_signals(clean), *own_channels(clean)):
        for name in ("scale", "offset"):
            if isinstance(value, dict) and "equals" in value and name in value:
                yield f"{where}.{name}", (), f"{where}.equals"


def _find_shapes(clean: Clean) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Keys of trims of another shape."""
    shape = clean.get("trims", {}).get("shape", "cylinder")
    for name, wanted in _OF_SHAPES.items():
        if _has(clean, f"trims.{name}") and shape != wanted:
            yield f"trims.{name}", (f'trims.shape = "{wanted}"',), ""


def _has(clean: Clean, key: str) -> bool:
    table, _, name = key.rpartition(".")
    return bool(clean.get(table, {}).get(name) is not None)


def _no_trims_by(clean: Clean) -> str:
    """The key by which no trims are offered at all, or nothing."""
    if clean.get("injection", {}).get("timing") == "batch":
        return 'injection.timing = "batch"'
    return "exhaust.after_merge = true" if clean.get("exhaust", {}).get("after_merge") else ""


def _find_patterns(clean: Clean) -> Iterator[tuple[str, tuple[str, ...], str]]:
    """Signals of the chain that every node replaces by its own."""
    chain = clean.get("chain", {})
    nodes = [node.get("signals", {}) for node in chain.get("node", ())]
    for name in chain.get("signals", {}):
        if nodes and all(name in signals for signals in nodes):
            yield f"chain.signals.{name}", (), f"chain.node.signals.{name}"
