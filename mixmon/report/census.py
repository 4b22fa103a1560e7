"""A census as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.census.records import CensusBus, CensusId, CensusNode, CensusReport, Twin
from mixmon.findings.census.traffic import Rhythm
from mixmon.findings.census.wiring import Diagnosis
from mixmon.frames.block import EXTENDED
from mixmon.report.balance import log_troubles
from mixmon.report.text import Cell, Column, counted, paragraph, table, title
from mixmon.run import LogFacts

# ----------------------------------------------------------------------------------------------------
# A census as JSON.
# ----------------------------------------------------------------------------------------------------


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


_SHOWN_STRANGERS = 12
_RATE_OFF = 0.01
_LONG_GAP = 10
"""Further from the expected rate than this, or longer than so many usual gaps: common practice, no source."""


def census_text(census: CensusReport, name: str, log: LogFacts | None) -> str:
    """The census for a terminal of 80 columns, faults before figures that are well.

    `name` is the session's, "" without one; `log` what became of a log's lines, None on a live bus.
    """
    parts = [
        _head(census, name, log),
        _nodes(census),
        _findings(census),
        _strangers(census),
        "" if census.declared else _ids(census.ids),
        _buses(census.buses),
    ]
    return "\n".join(part for part in parts if part)


def _head(census: CensusReport, name: str, log: LogFacts | None) -> str:
    lines = [f"{counted(census.frames, 'frame')} in {census.duration_s:.1f} s"]
    lines += log_troubles(log) if log else []
    if census.backward:
        lines.append(f"{counted(census.backward, 'frame')} stamped before the frame before")
    return title("CENSUS", name) + "".join(map(paragraph, lines))


def identifier(can_id: int) -> str:
    """As in a log: three hex digits, or eight for 29-bit identifiers."""
    return f"{can_id & ~EXTENDED:08X}" if can_id & EXTENDED else f"{can_id:03X}"


def _nodes(census: CensusReport) -> str:
    if not census.nodes:
        return "" if census.declared else "no node of the project's own message layer\n"
    present = len(census.nodes) - len(census.silent)
    head = (
        f"nodes: {present} of {len(census.nodes)} present" if census.declared else f"nodes: {present} found"
    )
    columns = [
        Column("pos"),
        Column("cyl", left=True),
        Column("sensor", left=True),
        Column("rate Hz", 2),
        Column("p99 ms", 1),
        Column("max ms", 1),
        Column("jitter", 1),
        Column("ready %", 1),
        Column("resets"),
        Column("sums"),
        Column("jumps"),
        Column("", left=True),
    ]
    rows = [_node_row(node, census.twins) for node in census.nodes]
    legend = (
        "gaps between readings: 99 % are below p99; jitter is half the middle nine tenths. "
        "sums: wrong checksums; jumps: of the rolling counter."
    )
    return f"{head}\n{table(columns, rows)}{paragraph(legend)}"


def _node_row(node: CensusNode, twins: Sequence[Twin]) -> list[Cell]:
    rhythm = node.rhythm
    twin = any(t.position == node.position for t in twins)
    return [
        node.position,
        "+".join(map(str, node.cylinders)) or "--",
        node.sensor or "--",
        rhythm.rate_hz,
        1000 * rhythm.gap_p99_s,
        1000 * rhythm.gap_max_s,
        1000 * rhythm.jitter_s,
        100 * node.share_ready,
        node.resets,
        node.checksum_errors,
        node.counter_jumps,
        "SILENT" if node.silent else "TWIN" if twin else "",
    ]


def _findings(census: CensusReport) -> str:
    """What is wrong, and what to check."""
    lines = [_diagnosis(d) for d in census.diagnoses]
    lines += [_twin(t) for t in census.twins]
    lines += [f"node {n.position}: {told}" for n in census.nodes if (told := "; ".join(_remarks(n)))]
    lines += [
        f"node {n.position}: no frame {', '.join(map(identifier, n.ids_missing))}"
        for n in census.nodes
        if n.ids and n.ids_missing and census.declared
    ]
    lines += [f"never heard: {u.bus}/{u.message} ({identifier(u.can_id)})" for u in census.unheard]
    lines += [f"bus {b.name}: no frame at all" for b in census.buses if not b.frames]
    lines += [_alone(b) for b in census.buses if _is_alone(census, b)]
    return "".join(map(paragraph, lines))


def _off_rate(rhythm: Rhythm, expected_hz: float) -> bool:
    """Further off than is allowed and than the stamps of the first and the last frame can be.

    What was heard for a second or two through an adapter that hands frames over in batches proves little.
    """
    if rhythm.first is None or rhythm.last is None or rhythm.last <= rhythm.first:
        return False
    unsure = 2.0 * rhythm.gap_p99_s / ((rhythm.last - rhythm.first) / 1e9)
    return abs(rhythm.rate_hz / expected_hz - 1) > max(_RATE_OFF, unsure)


def _remarks(node: CensusNode) -> list[str]:
    """What is odd about a node that is there."""
    rhythm, remarks = node.rhythm, []
    if not node.silent and _off_rate(rhythm, node.expected_hz):
        remarks.append(f"{rhythm.rate_hz:.2f} Hz, {node.expected_hz:g} expected")
    if node.echoed:
        remarks.append("every frame comes twice: one bus through two interfaces, or a gateway")
    if rhythm.gap_max_s > _LONG_GAP * rhythm.gap_p50_s:
        remarks.append(f"longest gap {1000 * rhythm.gap_max_s:.0f} ms")
    if node.resets:
        remarks.append(f"{counted(node.resets, 'reset')}: look at its supply and connector")
    return remarks


def _diagnosis(diagnosis: Diagnosis) -> str:
    when = "" if diagnosis.since_s is None else f" (since {diagnosis.since_s:.1f} s)"
    return f"SILENT{when}: {diagnosis.meaning}. Check: {diagnosis.check}."


def _twin(twin: Twin) -> str:
    where = f"{identifier(twin.can_id)} on {twin.channel}"
    if twin.position is None:
        return (
            f"TWIN? {where}: two interleaved trains of frames, {twin.rate_hz:.1f} Hz together. Two "
            "controllers with one identifier, or one that sends twice a cycle."
        )
    signs = twin.signs
    assert signs is not None
    told = [f"{twin.rate_hz:.1f} Hz" + (f" instead of {twin.expected_hz:g}" if twin.expected_hz > 0 else "")]
    told += [f"counter takes turns in {100 * signs.turns:.0f} % of frames"] if signs.turns > 0.5 else []
    told += ["two readings alternate"] if signs.value_ratio < 0.5 else []
    told += ["two trains of frames interleave"] if signs.comb_ratio < 0.5 else []
    return (
        f"TWIN: node {twin.position} ({where}) is sent by two controllers since {twin.since_s or 0:.1f} s: "
        f"{', '.join(told)}. Check: one node at a time on the bus, identifier by identifier."
    )


def _is_alone(census: CensusReport, bus: CensusBus) -> bool:
    return bus.load_percent > 80 and sum(i.beat.channel == bus.channel for i in census.ids) == 1


def _alone(bus: CensusBus) -> str:
    return (
        f"bus {bus.name}: one identifier fills the bus; a single node that nobody acknowledges repeats its "
        'frame for ever. Let the adapter acknowledge on the sensor chain (role = "acknowledge").'
    )


def _strangers(census: CensusReport) -> str:
    """Without a session all identifiers are listed anyway."""
    strangers = census.strangers if census.declared else ()
    if not strangers:
        return ""
    shown = strangers[:_SHOWN_STRANGERS]
    more = len(strangers) - len(shown)
    rest = f"and {counted(more, 'identifier')} more (--json has all)\n" if more else ""
    head = f"strangers: {counted(len(strangers), 'identifier')} that the session does not know"
    return f"{head}\n{_ids(shown)}{rest}"


def _ids(ids: Sequence[CensusId]) -> str:
    columns = [
        Column("id"),
        Column("on", left=True),
        Column("frames"),
        Column("rate Hz", 2),
        Column("p99 ms", 1),
        Column("max ms", 1),
        Column("name", left=True, wraps=True),
    ]
    rows: list[list[Cell]] = [
        [
            identifier(i.beat.can_id),
            i.beat.channel,
            i.beat.frames,
            i.beat.rhythm.rate_hz,
            1000 * i.beat.rhythm.gap_p99_s,
            1000 * i.beat.rhythm.gap_max_s,
            i.message or "",
        ]
        for i in ids
    ]
    return table(columns, rows) if rows else ""


def _buses(buses: Sequence[CensusBus]) -> str:
    columns = [
        Column("bus", left=True),
        Column("channel", left=True),
        Column("bit/s"),
        Column("frames"),
        Column("load %", 1),
        Column("peak %", 1),
        Column("error frames"),
        Column("", left=True, wraps=True),
    ]
    rows: list[list[Cell]] = [
        [
            bus.name,
            bus.channel or "--",
            bus.bitrate,
            bus.frames,
            bus.load_percent,
            bus.load_peak_percent,
            bus.error_frames,
            ", ".join(f"{word} {n}" for word, n in bus.error_classes.items()),
        ]
        for bus in buses
    ]
    legend = (
        "load: bits on the wire, stuffing included; peak: the busiest 0.1 s. Repeated and destroyed frames "
        "are not in a log: both are lower bounds."
    )
    switched = (
        ["CAN FD frames that switch to a faster rate are counted at the nominal one: their load is lower."]
        if any(b.switched for b in buses)
        else []
    )
    unknown = [] if all(b.bitrate for b in buses) else ["No load without a bit rate: --bitrate gives one."]
    return f"{table(columns, rows)}{''.join(map(paragraph, [legend, *switched, *unknown]))}"


def limits_missed(census: CensusReport) -> list[str]:
    """Why the bus is not complete: silent nodes, twins, strangers among the chain's messages."""
    missed = [f"node {n.position} silent" for n in census.silent]
    missed += [f"node {t.position} sent by two controllers" for t in census.twins if t.position is not None]
    missed += [f"node {i.node} not in the session" for i in census.strangers if i.node is not None]
    return list(dict.fromkeys(missed))
