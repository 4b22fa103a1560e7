"""A census as JSON and as text.

The JSON fields "strangers" and "twins" keep the names that scripts know; the text says unknown identifiers
and duplicate nodes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.census.records import CensusBus, CensusId, CensusNode, CensusReport, DuplicateNode
from mixmon.findings.census.traffic import Rhythm
from mixmon.findings.wiring import Diagnosis
from mixmon.frames.block import EXTENDED, identifier_text
from mixmon.report.answers import answer_text, census_answer
from mixmon.report.balance import log_troubles
from mixmon.report.text import Cell, Column, counted, paragraph, table, title
from mixmon.report.words import sentence
from mixmon.run import LogFacts


def census_json(census: CensusReport) -> Mapping[str, Any]:
    """The fields of `mixmon census --json` in their order, without session and log."""
    return {
        "nodes": [_node_json(node) for node in census.nodes],
        "silent": [_silent_json(node) for node in census.silent],
        "diagnoses": census.diagnoses,
        "strangers": [_id_json(i) for i in census.unknown_ids],
        "twins": [_duplicate_json(found, census.nodes) for found in census.duplicates],
        "bus": census.buses,
        "missing_messages": [
            _with_id({"bus": m.bus, "message": m.message}, m.can_id) for m in census.missing
        ],
        "ids": [_id_json(i) for i in census.ids],
        "answer": census_answer(census, limits_missed(census)).notes,
    }


def _node_json(node: CensusNode) -> Mapping[str, Any]:
    return {
        "position": node.position,
        "cylinder": _written_cylinder(node),
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
        "notes": node.notes,
    }


def _written_cylinder(node: CensusNode) -> int | tuple[int, ...] | None:
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
        "cylinder": _written_cylinder(node),
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


def _duplicate_json(found: DuplicateNode, nodes: Sequence[CensusNode]) -> Mapping[str, Any]:
    node = next((n for n in nodes if n.position == found.position), None)
    signs = found.signs
    return {
        **_with_id({"bus": found.channel}, found.can_id),
        "position": found.position,
        "cylinder": None if node is None else _written_cylinder(node),
        "rate_hz": found.rate_hz,
        "expected_hz": found.expected_hz,
        "since_s": found.since_s,
        "counter_turns": None if signs is None else signs.turns,
        "value_ratio": None if signs is None else signs.value_ratio,
        "comb_ratio": None if signs is None else signs.comb_ratio,
    }


_SHOWN_UNKNOWN = 12
"""Unknown identifiers that the text lists: our choice, half a screen of 24 lines."""


def census_text(census: CensusReport, name: str, log: LogFacts | None) -> str:
    """The census for a terminal of 80 columns.

    `name` is the session's, "" without one; `log` says what became of a log's lines, None on a live bus.
    """
    parts = [
        _census_head(census, name, log),
        _node_table(census),
        _fault_lines(census),
        _unknown_section(census),
        "" if census.declared else _id_table(census.ids),
        _bus_table(census.buses),
    ]
    return "\n".join(part for part in parts if part)


def _census_head(census: CensusReport, name: str, log: LogFacts | None) -> str:
    lines = [f"{counted(census.frames, 'frame')} in {census.duration_s:.1f} s"]
    lines += log_troubles(log) if log else []
    if census.backward:
        lines.append(f"{counted(census.backward, 'frame')} stamped before the frame before")
    answer = answer_text(census_answer(census, limits_missed(census)))
    return title("CENSUS", name) + answer + "".join(map(paragraph, lines))


def _node_table(census: CensusReport) -> str:
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
    rows = [_node_row(node, census.duplicates) for node in census.nodes]
    legend = (
        "gaps between readings: 99 % are below p99; jitter is half the middle nine tenths. "
        "sums: wrong checksums; jumps: of the rolling counter."
    )
    return f"{head}\n{table(columns, rows)}{paragraph(legend)}"


def _node_row(node: CensusNode, duplicates: Sequence[DuplicateNode]) -> list[Cell]:
    rhythm = node.rhythm
    is_duplicate = any(d.position == node.position for d in duplicates)
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
        "SILENT" if node.silent else "DUPLICATE" if is_duplicate else "",
    ]


def _fault_lines(census: CensusReport) -> str:
    """What is wrong, and what to check."""
    lines = [_diagnosis_line(d) for d in census.diagnoses]
    lines += [_duplicate_line(d) for d in census.duplicates]
    lines += [f"node {n.position}: {'; '.join(map(sentence, n.notes))}" for n in census.nodes if n.notes]
    lines += [
        f"node {n.position}: no frame {', '.join(map(identifier_text, n.ids_missing))}"
        for n in census.nodes
        if n.ids and n.ids_missing and census.declared
    ]
    lines += [f"missing message: {m.bus}/{m.message} ({identifier_text(m.can_id)})" for m in census.missing]
    lines += [f"bus {b.name}: no frame at all" for b in census.buses if not b.frames]
    lines += [f"bus {b.name}: {'; '.join(map(sentence, b.notes))}." for b in census.buses if b.notes]
    return "".join(map(paragraph, lines))


def _diagnosis_line(diagnosis: Diagnosis) -> str:
    when = "" if diagnosis.since_s is None else f" (since {diagnosis.since_s:.1f} s)"
    meaning = "; ".join(sentence(note) for note in (diagnosis.meaning, diagnosis.lead) if note is not None)
    return f"SILENT{when}: {meaning}. Check: {sentence(diagnosis.check)}."


def _duplicate_line(found: DuplicateNode) -> str:
    where = f"{identifier_text(found.can_id)} on {found.channel}"
    signs = found.signs
    if found.position is None or signs is None:
        return (
            f"DUPLICATE? {where}: two interleaved trains of frames, {found.rate_hz:.1f} Hz together. Two "
            "controllers with one identifier, or one that sends twice a cycle."
        )
    instead = f" instead of {found.expected_hz:g}" if found.expected_hz > 0 else ""
    evidence = [f"{found.rate_hz:.1f} Hz{instead}"]
    if signs.counter_takes_turns:
        evidence.append(f"the counter takes turns in {100 * signs.turns:.0f} % of frames")
    if signs.values_alternate:
        evidence.append("two readings alternate")
    if signs.frames_interleave:
        evidence.append("two trains of frames interleave")
    return (
        f"DUPLICATE: node {found.position} ({where}) is sent by two controllers since "
        f"{found.since_s or 0:.1f} s: {', '.join(evidence)}. "
        "Check: connect one node at a time and compare identifiers."
    )


def _unknown_section(census: CensusReport) -> str:
    """The unknown identifiers; without a session all identifiers are listed anyway."""
    unknown = census.unknown_ids if census.declared else ()
    if not unknown:
        return ""
    shown = unknown[:_SHOWN_UNKNOWN]
    more = len(unknown) - len(shown)
    rest = f"and {counted(more, 'identifier')} more (--json lists all)\n" if more else ""
    head = paragraph(f"{counted(len(unknown), 'unknown identifier')}, not in the session")
    return f"{head}{_id_table(shown)}{rest}"


def _id_table(ids: Sequence[CensusId]) -> str:
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
            identifier_text(i.beat.can_id),
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


def _bus_table(buses: Sequence[CensusBus]) -> str:
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
    """Reasons why the bus is not complete: silent, duplicate and undeclared nodes."""
    missed = [f"node {n.position} silent" for n in census.silent]
    missed += [
        f"node {d.position} sent by two controllers" for d in census.duplicates if d.position is not None
    ]
    missed += [f"node {i.node} not in the session" for i in census.unknown_ids if i.node is not None]
    return list(dict.fromkeys(missed))
