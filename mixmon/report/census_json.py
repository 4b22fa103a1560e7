"""A census as JSON."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.census.records import CensusId, CensusNode, CensusReport, Twin
from mixmon.findings.census.traffic import Rhythm
from mixmon.frames.block import EXTENDED


def census_json(census: CensusReport) -> Mapping[str, Any]:
    """The fields of `mixmon census --json`, in their order, but for session and log."""
    return {
        "nodes": [_node_json(node) for node in census.nodes],
        "silent": [_silent_json(node) for node in census.silent],
        "diagnoses": census.diagnoses,
        "strangers": [_id_json(i) for i in census.strangers],
        "twins": [_twin_json(twin, census.nodes) for twin in census.twins],
        "bus": census.buses,
        "unheard": [_with_id({"bus": u.bus, "message": u.message}, u.can_id) for u in census.unheard],
        "ids": [_id_json(i) for i in census.ids],
    }


def _node_json(node: CensusNode) -> Mapping[str, Any]:
    return {
        "position": node.position,
        "cylinder": _cylinder(node),
        "cylinders": node.cylinders,
        "sensor": node.sensor,
        "bus": node.bus,
        "ids": [i & ~EXTENDED for i in node.ids],
        "ids_missing": [i & ~EXTENDED for i in node.ids_missing],
        "samples": node.samples,
        **_rhythm_json(node.rhythm, node.expected_hz),
        "share_ready": node.share_ready,
        "resets": node.resets,
        "checksum_errors": node.checksum_errors,
        "counter_jumps": node.counter_jumps,
        "frames_lost": node.lost,
        "frames_repeated": node.repeats,
        "echoed": node.echoed,
        "silent": node.silent,
    }


def _cylinder(node: CensusNode) -> int | tuple[int, ...] | None:
    """As written in the session file: one number, or a list for a sensor shared by several."""
    if len(node.cylinders) > 1:
        return node.cylinders
    return node.cylinders[0] if node.cylinders else None


def _rhythm_json(rhythm: Rhythm, expected_hz: float) -> Mapping[str, Any]:
    return {
        "rate_hz": 0.0 if rhythm.first is None else rhythm.rate_hz,
        "expected_hz": expected_hz,
        "gap_p50_s": rhythm.gap_p50_s,
        "gap_p95_s": rhythm.gap_p95_s,
        "gap_p99_s": rhythm.gap_p99_s,
        "gap_max_s": rhythm.gap_max_s,
        "jitter_s": rhythm.jitter_s,
    }


def _silent_json(node: CensusNode) -> Mapping[str, Any]:
    return {
        "position": node.position,
        "cylinder": _cylinder(node),
        "sensor": node.sensor,
        "since_s": node.since_s,
    }


def _id_json(found: CensusId) -> Mapping[str, Any]:
    return {
        **_with_id({"bus": found.beat.channel}, found.beat.can_id),
        "name": found.message,
        "position": found.node,
        "frames": found.beat.frames,
        **_rhythm_json(found.beat.rhythm, found.expected_hz),
    }


def _with_id(fields: Mapping[str, Any], can_id: int) -> Mapping[str, Any]:
    return {**fields, "id": can_id & ~EXTENDED, "extended": bool(can_id & EXTENDED)}


def _twin_json(twin: Twin, nodes: Sequence[CensusNode]) -> Mapping[str, Any]:
    node = next((n for n in nodes if n.position == twin.position), None)
    signs = twin.signs
    return {
        **_with_id({"bus": twin.channel}, twin.can_id),
        "position": twin.position,
        "cylinder": None if node is None else _cylinder(node),
        "rate_hz": twin.rate_hz,
        "expected_hz": twin.expected_hz,
        "since_s": twin.since_s,
        "counter_turns": None if signs is None else signs.turns,
        "value_ratio": None if signs is None else signs.value_ratio,
        "comb_ratio": None if signs is None else signs.comb_ratio,
    }
