"""A rotation of sensors, and a design of one, as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.findings.bias.design import RotationDesign
from mixmon.findings.bias.rotation import Rotation, RotationSession
from mixmon.note import Note
from mixmon.report.answers import answer_text, design_answer, rotation_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.text import NO_VALUE, Column, counted, half_width, note_lines, paragraph, table, title
from mixmon.report.words import sentence
from mixmon.run import LogFacts

_SESSIONS_ACROSS = 8  # our choice: serials of seven characters fit on a page

Moves = Sequence[tuple[int, str]]
"""Where each sensor goes: cylinder and sensor."""

_BY_LABEL = paragraph(
    "Needs are by label: prove each label by fuel steps (mixmon identify) before a trim is entered. Balanced "
    "mixture is no proof of knock margin; the engine builder's limits stand."
)


def rotation_json(rotation: Rotation, logs: Sequence[LogFacts]) -> Mapping[str, Any]:
    """The fields of `mixmon rotate RUN... --json`, in their order; one log a session."""
    return {
        "solvable": rotation.solvable,
        "why_not": rotation.why_not,
        "cylinders": rotation.cylinders,
        "sensors": rotation.sensors,
        "sessions": [
            {"name": one.name, "log": log_json(log), "cells": one.cells, "placed": one.placed}
            for one, log in zip(rotation.sessions, logs, strict=True)
        ],
        "cells": rotation.cells,
        "loops": _loops_json(rotation.loops),
        "residual_degrees": rotation.residual_degrees,
        "agreement_power": rotation.agreement_power,
        "consistent": rotation.consistent,
        "look_error_percent": rotation.look_error_percent,
        "design": _moves_json(len(rotation.sessions) + 1, rotation.design),
        "notes": rotation.notes,
        "answer": rotation_answer(rotation).notes,
    }


def design_json(design: RotationDesign) -> Mapping[str, Any]:
    """The fields of `mixmon rotate --design N --json`, in their order."""
    halves = zip(design.cylinders, design.half_interval_percent, strict=True)
    proposed = _moves_json(len(design.sessions) + 1, design.proposed)
    return {
        "solvable": design.solvable,
        "why_not": design.why_not,
        "cylinders": [
            {"cylinder": cylinder, "needs_percent": None, "half_interval_percent": half}
            for cylinders, half in halves
            for cylinder in cylinders
        ],
        "sensors": [
            {"sensor": sensor, "bias_percent": None, "half_interval_percent": None}
            for sensor in design.sensors
        ],
        "sessions": [],
        "loops": _loops_json(design.loops),
        "residual_degrees": design.residual_degrees,
        "look_error_percent": design.look_error_percent,
        "wanted_percent": design.wanted_percent,
        "reached": design.reached,
        "choices": design.choices,
        "chosen": design.chosen,
        "design": [
            *(
                session
                for number, placed in enumerate(design.sessions, 1)
                for session in _moves_json(number, _placed(design, placed))
            ),
            *proposed,
        ],
        "notes": design.notes,
        "answer": design_answer(design).notes,
    }


def _placed(design: RotationDesign, sensors: Sequence[str | None]) -> Moves:
    """Cylinder and sensor of one session of a design."""
    pairs = zip(design.cylinders, sensors, strict=True)
    return [(cylinders[0], sensor) for cylinders, sensor in pairs if sensor is not None]


def _moves_json(session: int, moves: Moves) -> list[dict[str, Any]]:
    """One session to come; nothing where no sensor is to be moved."""
    placed = [{"cylinder": cylinder, "sensor": sensor} for cylinder, sensor in moves]
    return [{"session": session, "placed": placed}] if placed else []


def _loops_json(loops: Sequence[tuple[tuple[int, ...], tuple[str, ...]]]) -> list[dict[str, Any]]:
    return [{"cylinders": cylinders, "sensors": sensors} for cylinders, sensors in loops]


# As text.


def rotation_text(rotation: Rotation, logs: Sequence[LogFacts]) -> str:
    """The whole result for a terminal of 80 columns."""
    sessions, cells = counted(len(rotation.sessions), "session"), counted(len(rotation.cells), "cell")
    parts = [
        title("ROTATION", f"{sessions}, {cells} shared") + answer_text(rotation_answer(rotation)),
        _session_lines(rotation.sessions, logs),
        _placed_table(rotation.sessions),
    ]
    if rotation.why_not is not None:
        parts.append(_not_solved(rotation.why_not))
    else:
        parts += [_cylinder_table(rotation), _sensor_table(rotation), _checked_by(rotation), _BY_LABEL]
    parts += [_next_session(rotation.design), note_lines(rotation.notes)]
    return "\n".join(part for part in parts if part)


def _session_lines(sessions: Sequence[RotationSession], logs: Sequence[LogFacts]) -> str:
    """Each session with what became of its log."""
    return "".join(
        paragraph(f"session {number}: {one.name}; {counted(one.cells, 'shared cell')}") + log_text(log)
        for number, (one, log) in enumerate(zip(sessions, logs, strict=True), 1)
    )


def _placed_table(sessions: Sequence[RotationSession]) -> str:
    """Which sensor was at which cylinder in each session; in brackets where it was not heard."""
    seats = [
        {one.cylinders: one.sensor if one.heard else f"({one.sensor})" for one in session.placed}
        for session in sessions
    ]
    places = sorted({cylinders for seat in seats for cylinders in seat})
    rows = [(place, [seat.get(place, NO_VALUE) for seat in seats]) for place in places]
    shown = _seat_tables(rows, len(seats))
    unheard = any(not one.heard for session in sessions for one in session.placed)
    return shown + (paragraph("in brackets: not heard in a shared cell") if unheard else "")


def _seat_tables(rows: Sequence[tuple[Sequence[int], Sequence[str]]], sessions: int) -> str:
    """Cylinders down and sessions across, some sessions a table; each row has a sensor a session."""
    shown = paragraph("sensor at each cylinder, by session:")
    for first in range(0, sessions, _SESSIONS_ACROSS):
        part = range(first, min(first + _SESSIONS_ACROSS, sessions))
        heads = [Column("cyl", left=True), *(Column(str(k + 1), left=True) for k in part)]
        shown += table(heads, [[_name_cylinders(place), *(seats[k] for k in part)] for place, seats in rows])
    return shown


def _name_cylinders(cylinders: Sequence[int]) -> str:
    return ", ".join(map(str, cylinders))


def _not_solved(why: Note) -> str:
    return paragraph(f"not solvable, so no needs and no biases: {sentence(why)}")


def _cylinder_table(rotation: Rotation) -> str:
    columns = [
        Column("cyl"),
        Column("needs %", 2, signed=True),
        Column("±", 2, is_half=True),
        Column("sensor now", left=True),
    ]
    rows = [
        (c.cylinder, c.needs_percent, c.half_interval_percent, c.sensor or "") for c in rotation.cylinders
    ]
    about = "needs: percent of fuel, + means add fuel; against the mean of the cylinders, free of biases"
    halves = ((c.needs_percent, c.half_interval_percent) for c in rotation.cylinders)
    bars = [(need, need - half, need + half) for need, half in halves]
    return paragraph(about) + table(columns, rows, bars=bars)


def _sensor_table(rotation: Rotation) -> str:
    columns = [
        Column("sensor", left=True),
        Column("bias %", 2, signed=True),
        Column("±", 2, is_half=True),
        Column("looks"),
    ]
    rows = [(s.sensor, s.bias_percent, s.half_interval_percent, s.looks) for s in rotation.sensors]
    about = "biases: percent of lambda, + reads too lean; against the mean of the sensors"
    kept = (
        "mixmon rotate --enter keeps them in the ledger for later balances, where the sessions check each "
        "other and agree"
    )
    return paragraph(about) + table(columns, rows) + paragraph(kept)


def _checked_by(rotation: Rotation) -> str:
    """What checks the result; where nothing does, a note says so."""
    if not rotation.residual_degrees:
        return ""
    degrees = counted(rotation.residual_degrees, "degree")
    verdict = "agree" if rotation.consistent else "do not agree"
    return paragraph(
        f"checked by {degrees} of freedom: the sessions {verdict}; beyond its readings, each look is off by "
        f"{half_width(rotation.look_error_percent, 2)} % (standard deviation), which the intervals hold"
    )


def _next_session(moves: Moves) -> str:
    if not moves:
        return ""
    listed = ", ".join(f"{sensor} to {cylinder}" for cylinder, sensor in moves)
    return paragraph(f"next session, sensor to cylinder: {listed}; same cells, same trims")


def design_text(design: RotationDesign) -> str:
    """The design for a terminal of 80 columns."""
    sensors, sessions = counted(len(design.sensors), "sensor"), counted(len(design.sessions), "session")
    parts = [
        title("ROTATION DESIGN", f"{sensors}, {sessions}") + answer_text(design_answer(design)),
        _choice_table(design),
        _design_table(design),
        _not_solved(design.why_not) if design.why_not is not None else _expected(design),
        _next_session(design.proposed),
        note_lines(design.notes),
    ]
    return "\n".join(part for part in parts if part)


def _choice_table(design: RotationDesign) -> str:
    """The best design for each number of sessions."""
    if not design.choices:
        return ""
    columns = [
        Column("sessions"),
        Column("moves"),
        Column("±", 2, is_half=True),
        Column("spare looks"),
        Column("sensors moved by", left=True, wraps=True),
        Column("", left=True),
    ]
    rows = [
        (
            len(one.shifts),
            one.moves,
            one.half_interval_percent,
            one.residual_degrees,
            ", ".join(map(str, one.shifts)),
            "proposed" if index == design.chosen else "",
        )
        for index, one in enumerate(design.choices)
    ]
    about = (
        f"if one look is known to ± {design.look_error_percent:g} %, each cylinder's need and each sensor's "
        "bias will be known to (95 %):"
    )
    return paragraph(about) + table(columns, rows)


def _design_table(design: RotationDesign) -> str:
    seats = list(zip(*design.sessions, strict=True))
    rows = [
        (place, [sensor or NO_VALUE for sensor in own])
        for place, own in zip(design.cylinders, seats, strict=True)
    ]
    return _seat_tables(rows, len(design.sessions))


def _expected(design: RotationDesign) -> str:
    worst = max(design.half_interval_percent, default=math.nan)
    degrees = counted(design.residual_degrees, "degree")
    said = (
        f"needs will be known to ± {half_width(worst, 2)} %, checked by {degrees} of freedom. Run the same "
        "cells in every session, with the trims as they are, and name each sensor by its serial in that "
        "session's file"
    )
    lines = [said]
    if not design.reached and design.wanted_percent is not None:
        needed = design.look_error_percent * design.wanted_percent / worst
        lines.append(
            f"± {design.wanted_percent:g} % is not reached with these sessions: look longer, until one look "
            f"is known to ± {needed:.2g} %"
        )
    return "".join(map(paragraph, lines))
