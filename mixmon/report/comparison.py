"""A comparison of two runs as JSON and as text."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from mixmon.findings.balance.balance import Spread
from mixmon.findings.proof.compare import BeforeAfter, CylinderChange, TrimEffect
from mixmon.findings.proof.conditions import Condition
from mixmon.findings.proof.equivalence import Outcome
from mixmon.report.answers import answer_text, comparison_answer
from mixmon.report.balance import log_json, log_text, rests_on
from mixmon.report.text import (
    Column,
    Grid,
    counted,
    half_width,
    note_lines,
    number,
    paragraph,
    set_grid,
    table,
    title,
)
from mixmon.report.units import Unit
from mixmon.report.words import CONDITION_NAMES, sentence
from mixmon.run import LogFacts
from mixmon.session.keys import ENGINE_QUANTITIES

_OUTCOMES: Final[Mapping[Outcome, str]] = {
    Outcome.EQUIVALENT: "equivalent",
    Outcome.DIFFERENT: "different",
    Outcome.NOT_SHOWN: "not shown",
}


def comparison_json(found: BeforeAfter, logs: Sequence[LogFacts]) -> Mapping[str, Any]:
    """The fields of `mixmon compare BEFORE AFTER --json`, in their order; one log for each run."""
    return {
        "margin_percent": found.margin_percent,
        "runs": [{"name": name, "log": log_json(log)} for name, log in zip(found.names, logs, strict=True)],
        "cells": found.cells,
        "cylinders": found.cylinders,
        "all_equivalent": found.all_equivalent,
        "spread_before_percent": _spread_json(found.spread_before),
        "spread_after_percent": _spread_json(found.spread_after),
        "effect": found.effect,
        "effect_of_all": {"slope": found.effect_slope, "half_interval": found.effect_half_interval},
        "deviation_percent": found.deviation_percent,
        "cells_needed": found.cells_needed,
        "power": found.power,
        "conditions": found.conditions,
        "injection_stage": found.injection_stage,
        "beyond_line": found.beyond_line,
        "notes": found.notes,
        "answer": comparison_answer(found).notes,
    }


def _spread_json(spread: Spread) -> Mapping[str, Any]:
    return {
        "value": spread.value,
        "interval95": spread.interval95,
        "standard_deviation": spread.standard_deviation,
        "cylinders_used": spread.cylinders_used,
        "sensors_used": spread.sensors_used,
        "of_cylinders": spread.of_cylinders,
    }


# As text.


def comparison_text(found: BeforeAfter, logs: Sequence[LogFacts], unit: Unit) -> str:
    """The whole result for a terminal of 80 columns; `unit` is that of lambda in the cells."""
    parts = [
        title("COMPARISON", counted(len(found.cells), "shared cell")) + answer_text(comparison_answer(found)),
        _run_lines(found, logs),
        _cell_table(found, unit),
        _change_table(found),
        "".join(map(paragraph, proof_sentences(found))),
        _left_table(found),
        paragraph(spread_sentence(found)),
        _effect_table(found),
        set_grid(condition_grid(found.conditions)),
        note_lines(found.notes),
    ]
    return "\n".join(part for part in parts if part)


def _run_lines(found: BeforeAfter, logs: Sequence[LogFacts]) -> str:
    """Each run with what became of its log."""
    return "".join(
        paragraph(f"{when}: {name}") + log_text(log)
        for when, name, log in zip(("before", "after"), found.names, logs, strict=True)
    )


def _cell_table(found: BeforeAfter, unit: Unit) -> str:
    if not found.cells:
        return ""
    columns = [
        Column("rpm"),
        Column("load"),
        Column(f"{unit.heading} before", unit.decimals),
        Column("after", unit.decimals),
        Column("cylinders"),
    ]
    rows = [
        (c.rpm, c.load, unit.of(c.lambda_before), unit.of(c.lambda_after), c.cylinders) for c in found.cells
    ]
    return table(columns, rows)


def _change_table(found: BeforeAfter) -> str:
    return paragraph(change_sentence(found)) + set_grid(change_grid(found))


def change_sentence(found: BeforeAfter) -> str:
    """What the table of changes shows."""
    return (
        "needs: percent of fuel against the mean of the cylinders, + means add fuel; change of the need, "
        f"with its 90 % interval, against the margin of {found.margin_percent:g} %"
    )


def change_grid(found: BeforeAfter) -> Grid:
    """One row a cylinder: its needs in both runs, and what changed."""
    columns = [
        Column("cyl"),
        Column("cells"),
        Column("needs before", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("after", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("change", 2, signed=True),
        Column("90 % from", 2, signed=True),
        Column("to", 2, signed=True),
        Column("", left=True),
    ]
    return Grid(
        columns,
        [_change_row(one) for one in found.cylinders],
        bars=[(one.change_percent, *one.interval90_percent) for one in found.cylinders],
    )


def _change_row(one: CylinderChange) -> tuple[str | float | None, ...]:
    return (
        one.cylinder,
        one.cells,
        one.before_percent,
        one.before_half_interval_percent,
        one.after_percent,
        one.after_half_interval_percent,
        one.change_percent,
        *one.interval90_percent,
        _OUTCOMES[one.outcome],
    )


def proof_sentences(found: BeforeAfter) -> list[str]:
    """What the words of the table of changes mean, and how many cells such a proof takes."""
    meaning = (
        "equivalent: a change of less than the margin is shown (two one-sided tests at 5 %); different: one "
        "of more than the margin is shown; not shown: neither, which is no proof that nothing changed"
    )
    lines = [meaning]
    if math.isfinite(found.deviation_percent):
        needed = (
            "more than 200 cells would be needed"
            if found.cells_needed is None
            else f"{counted(found.cells_needed, 'cell')} would be needed"
        )
        moved = any(one.same_sensor is False for one in found.cylinders)
        other = ", but for the errors of sensors that are not those of before" if moved else ""
        lines.append(
            f"changes scatter by {half_width(found.deviation_percent, 2)} % from cell to cell: {needed} to "
            "show equivalence with a chance of 0.95 where nothing differs; with the cells there are the "
            f"chance is {found.power:.2f}{other}"
        )
    return lines


def _left_table(found: BeforeAfter) -> str:
    about = (
        "what is left after, as read (a sensor's own error is not in it), against zero with the same margin; "
        "and needs against the target in both runs"
    )
    return paragraph(about) + set_grid(left_grid(found))


def left_grid(found: BeforeAfter) -> Grid:
    """One row a cylinder: its need after, against the mean and the target."""
    columns = [
        Column("cyl"),
        Column("mean after", 2, signed=True),
        Column("90 % from", 2, signed=True),
        Column("to", 2, signed=True),
        Column("against zero", left=True),
        Column("target before", 1, signed=True),
        Column("target after", 1, signed=True),
    ]
    rows = [
        (
            one.cylinder,
            one.after_mean_percent,
            *one.after_interval90_percent,
            _OUTCOMES[one.after_outcome],
            one.before_target_percent,
            one.after_target_percent,
        )
        for one in found.cylinders
    ]
    return Grid(columns, rows)


def spread_sentence(found: BeforeAfter) -> str:
    """The spread in both runs."""
    shown = [
        f"{number(one.value, 1)} % (95 %: {number(one.interval95[0], 1)} to {number(one.interval95[1], 1)})"
        for one in (found.spread_before, found.spread_after)
    ]
    used = rests_on(found.spread_after)
    return f"spread in these cells: {shown[0]} before, {shown[1]} after, {used}"


def _effect_table(found: BeforeAfter) -> str:
    """Did the trims take."""
    if not found.effect:
        return ""
    shown = paragraph(EFFECT_SAYS) + set_grid(effect_grid(found))
    if math.isfinite(found.effect_slope):
        half = half_width(found.effect_half_interval, 2)
        shown += paragraph(f"slope of all together: {number(found.effect_slope, 2)} ± {half}")
    return shown


EFFECT_SAYS: Final = (
    "did the trims take: what each cylinder did over what its trim asked for; 1 is all of it, 0 nothing"
)
"""What the table of effects shows."""


def effect_grid(found: BeforeAfter) -> Grid:
    """One row a trim that was entered."""
    columns = [
        Column("cyl"),
        Column("entered %", 2, signed=True),
        Column("slope", 2, signed=True),
        Column("95 % from", 2, signed=True),
        Column("to", 2, signed=True),
        Column("did it take", left=True, wraps=True),
    ]
    return Grid(columns, [_effect_row(one) for one in found.effect])


def _effect_row(one: TrimEffect) -> tuple[str | float | None, ...]:
    return one.cylinder, one.entered_percent, one.slope, *one.interval95, sentence(one.verdict)


def condition_grid(conditions: Sequence[Condition]) -> Grid:
    """One row a condition, in both runs."""
    columns = [
        Column("condition", left=True),
        Column("before", 1),
        Column("after", 1),
        Column("band", 1),
        Column("", left=True),
    ]
    words = {True: "alike", False: "differs", None: "not known"}
    rows = [
        (
            f"{CONDITION_NAMES[one.quantity]}, {ENGINE_QUANTITIES[one.quantity].units[0]}",
            one.before,
            one.after,
            one.band,
            words[one.alike],
        )
        for one in conditions
    ]
    return Grid(columns, rows)
