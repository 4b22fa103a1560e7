"""The trim sheet as JSON, as text, as lines to read aloud, and as CSV."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.trims.maps import MapTrim
from mixmon.findings.trims.notes import Outlook, SheetNote
from mixmon.findings.trims.sheet import BankTrim, CellOutlook, TrimRow, TrimSheet
from mixmon.report.answers import answer_text, trims_answer
from mixmon.report.balance import log_json, log_text, say_of_labels, stage_table, staged_json
from mixmon.report.tables import quoted
from mixmon.report.text import Cell, Column, Grid, note_lines, number, paragraph, set_grid, table, title
from mixmon.report.words import sentence, sentences
from mixmon.run import Run

_SHAPES: Final[Mapping[str, str]] = {
    "cylinder": "one trim a cylinder",
    "bank": "one trim a bank, and one a cylinder beside it",
    "map": "one trim a cylinder at every breakpoint of speed and load",
}

_BANK_WORDS: Final[Mapping[bool, str]] = {
    True: "banks differ",
    False: "no part of its own beyond the scatter of cylinders",
}

_ONCE_TYPED: Final = (
    "Save the trims in the engine control; mixmon compare says whether they took. "
    "Balanced mixture is no proof of knock margin; the engine builder's limits stand."
)


def trims_json(sheet: TrimSheet, run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon trims --json`, in their order."""
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "shape": sheet.shape,
        "step_percent": sheet.step_percent,
        "identity": sheet.identity.value,
        "by_label": sheet.by_label,
        "sheet": sheet.rows,
        "banks": sheet.banks,
        "map": sheet.map,
        "parts": {
            "whole_engine": [
                {
                    "rpm": one.rpm,
                    "load": one.load,
                    "needs_percent": one.needs_percent,
                    "half_interval_percent": one.half_interval_percent,
                }
                for one in sheet.parts.engine
            ],
            "banks": sheet.parts.banks,
            "cylinders": sheet.parts.cylinders,
        },
        "whole_engine_fuel": {
            "trims_add_percent": sheet.fuel_percent,
            "base_map_percent": sheet.base_map_percent,
        },
        "outlook": [
            {
                "rpm": one.rpm,
                "load": one.load,
                "spread_now_percent": one.now_percent,
                "spread_after_percent": one.after.value,
                "interval95_percent": one.after.interval95,
                "total_interval95_percent": one.after.total_interval95,
                "used_for_trims": one.used_for_trims,
                "outlook": one.outlook,
                "injection_stage": one.injection_stage,
            }
            for one in sheet.outlook
        ],
        "staged": staged_json(sheet.staged),
        "staging_steps": sheet.staging_steps,
        "withheld": sheet.withheld,
        "notes": sheet.notes,
        "answer": trims_answer(sheet).notes,
    }


# As text.


def trims_text(sheet: TrimSheet, run: Run) -> str:
    """The whole sheet for a terminal of 80 columns."""
    parts = [
        title("TRIM SHEET", run.session.name) + answer_text(trims_answer(sheet)) + log_text(run.log),
        _head(sheet),
        _bank_table(sheet),
        set_grid(sheet_grid(sheet)),
        _map_tables(sheet),
        _remark_table(sheet),
        stage_table(sheet.staged, sheet.staging_steps),
        _engine_part(sheet),
        _outlook_lines(sheet),
        "".join(map(paragraph, _closing_lines(sheet))) + note_lines(sheet.notes),
    ]
    return "\n".join(part for part in parts if part)


def _head(sheet: TrimSheet) -> str:
    lines = [f"no trims offered: {sentence(reason)}" for reason in sheet.withheld]
    who = (
        "by label, as no fuel step has proved which cylinder each one sees"
        if sheet.by_label
        else "percent of fuel"
    )
    lines.append(
        f"{_SHAPES[sheet.shape]}, in steps of {sheet.step_percent:g} %; needs: {who}, + means add fuel"
    )
    return "".join(map(paragraph, lines))


def _bank_table(sheet: TrimSheet) -> str:
    return paragraph(BANKS_SAY) + set_grid(bank_grid(sheet)) if sheet.parts.banks else ""


BANKS_SAY: Final = "banks, against the whole engine"
"""What the table of banks is of."""


def bank_grid(sheet: TrimSheet) -> Grid:
    """What banks need, and their trims where the engine control has such."""
    typed = {one.bank: one for one in sheet.banks}
    columns = [
        Column("bank", left=True),
        Column("needs %", 1, signed=True),
        Column("±", 1, is_half=True),
        *([Column("now", 2, signed=True), Column("new", 2, signed=True)] if typed else []),
        Column("", left=True, wraps=True),
    ]
    rows: list[list[Cell]] = [
        [
            part.bank,
            part.needs_percent,
            part.half_interval_percent,
            *([typed[part.bank].now_percent, typed[part.bank].new_percent] if typed else []),
            _BANK_WORDS[part.differs],
        ]
        for part in sheet.parts.banks
    ]
    return Grid(columns, rows)


def sheet_grid(sheet: TrimSheet) -> Grid:
    """The lines to type, in their order; beside them the part of the need that is the cylinder's own."""
    own = {one.cylinder: one for one in sheet.parts.cylinders}
    outputs = any(row.output is not None for row in sheet.rows)
    split = any(bank.differs for bank in sheet.parts.banks)
    columns = [
        *([Column("output")] if outputs else []),
        Column("label" if sheet.by_label else "cyl"),
        Column("sensor", left=True),
        Column("needs %", 1, signed=True),
        Column("95 % from", 1, signed=True),
        Column("to", 1, signed=True),
        *([Column("own part", 1, signed=True)] if split else []),
        *([] if sheet.shape == "map" else [Column("now", 2, signed=True), Column("new", 2, signed=True)]),
        *([] if sheet.shape == "map" else [Column("change", 2, signed=True)]),
        Column("how sure", left=True),
    ]
    rows = [
        (
            *([row.output] if outputs else []),
            row.cylinder,
            row.sensor or "",
            row.needs_percent,
            *row.interval95_percent,
            *([own[row.cylinder].needs_percent] if split else []),
            *([] if sheet.shape == "map" else [row.now_percent, row.new_percent, row.difference_percent]),
            sentence(row.certainty),
        )
        for row in sheet.rows
    ]
    bars = [(row.needs_percent, *row.interval95_percent) for row in sheet.rows]
    return Grid(columns, rows, keys=2 if outputs else 1, bars=bars)


def _remark_table(sheet: TrimSheet) -> str:
    told = [
        (row.cylinder, [why for why in row.why if why.code is not SheetNote.MOVED_BY_NEED])
        for row in sheet.rows
    ]
    rows = [(cylinder, sentences(why)) for cylinder, why in told if why]
    head = "label" if sheet.by_label else "cyl"
    return table([Column(head), Column("why", left=True, wraps=True)], rows) if rows else ""


def _map_tables(sheet: TrimSheet) -> str:
    parts = [
        paragraph(f"cylinder {cylinder}: new trim, what it holds now in brackets") + set_grid(grid)
        for cylinder, grid in map_grids(sheet)
    ]
    reasons = _map_reasons(sheet.map)
    return "\n".join([*parts, *([reasons] if reasons else [])])


def map_grids(sheet: TrimSheet) -> list[tuple[int, Grid]]:
    """A table a cylinder, loads downward, speeds across; what changes has its old value in brackets."""
    grids = []
    for cylinder in sorted({one.cylinder for one in sheet.map}):
        own = [one for one in sheet.map if one.cylinder == cylinder]
        speeds, loads = sorted({one.rpm for one in own}), sorted({one.load for one in own})
        at = {(one.rpm, one.load): one for one in own}
        columns = [Column("load \\ rpm"), *(Column(f"{rpm:g}", left=True) for rpm in speeds)]
        rows: list[list[Cell]] = [[load, *(_map_cell(at[rpm, load]) for rpm in speeds)] for load in loads]
        grids.append((cylinder, Grid(columns, rows)))
    return grids


def _map_cell(one: MapTrim) -> str:
    now = number(one.now_percent, 2, signed=True)
    if not math.isfinite(one.new_percent):
        return f"({now})"
    if one.new_percent == one.now_percent:
        return f"{now} ="
    return f"{number(one.new_percent, 2, signed=True)} ({now})"


def _map_reasons(trims: Sequence[MapTrim]) -> str:
    """Which breakpoints keep what they hold, and why, once for all cylinders where it is of all."""
    grouped: dict[tuple[float, float, str], list[int]] = {}
    empty = dict.fromkeys(
        (one.rpm, one.load) for one in trims if any(why.code is SheetNote.MAP_CELL_EMPTY for why in one.why)
    )
    for one in trims:
        for why in one.why if (one.rpm, one.load) not in empty else ():
            grouped.setdefault((one.rpm, one.load, sentence(why)), []).append(one.cylinder)
    count = len({one.cylinder for one in trims})
    rows = [
        (rpm, load, "all" if len(cylinders) == count else ", ".join(map(str, cylinders)), words)
        for (rpm, load, words), cylinders in grouped.items()
    ]
    columns = [
        Column("rpm"),
        Column("load"),
        Column("cyl", left=True, wraps=True),
        Column("why", left=True, wraps=True),
    ]
    every = len({(one.rpm, one.load) for one in trims})
    kept = f"nothing measured at {len(empty)} of {every} breakpoints: they keep what they hold"
    return (table(columns, rows) if rows else "") + (paragraph(kept) if empty else "")


def _engine_part(sheet: TrimSheet) -> str:
    """The whole engine against the target: fuel of the base map, which no trim carries."""
    known = [one for one in sheet.parts.engine if math.isfinite(one.needs_percent)]
    if not known:
        return ""
    columns = [
        Column("rpm"),
        Column("load"),
        Column("needs %", 1, signed=True),
        Column("±", 1, is_half=True),
    ]
    rows = [(one.rpm, one.load, one.needs_percent, one.half_interval_percent) for one in known]
    return paragraph("whole engine, against the target: for the base map, in no trim") + table(
        columns, rows, keys=2
    )


def _outlook_lines(sheet: TrimSheet) -> str:
    if not sheet.outlook:
        return ""
    return (
        paragraph(OUTLOOK_SAYS)
        + set_grid(outlook_grid(sheet))
        + paragraph(outlook_sentence(sheet.outlook))
        + (paragraph(own) if (own := own_errors_sentence(sheet.outlook)) else "")
    )


OUTLOOK_SAYS: Final = "cells once this set is typed, spread in % of fuel"
"""What the table of the outlook is of."""


def outlook_grid(sheet: TrimSheet) -> Grid:
    """One row a cell: its spread now, and once the set is typed."""
    columns = [
        Column("rpm"),
        Column("load"),
        Column("spread now", 1),
        Column("after", 1),
        Column("95 % from", 1),
        Column("to", 1),
        Column("", left=True, wraps=True),
    ]
    rows = [
        (
            one.rpm,
            one.load,
            one.now_percent,
            one.after.value,
            *one.after.interval95,
            sentence(one.outlook) + ("" if one.used_for_trims else "; not used for trims"),
        )
        for one in sheet.outlook
    ]
    return Grid(columns, rows, keys=2)


def outlook_sentence(outlook: Sequence[CellOutlook]) -> str:
    """What the set does, in a sentence: where it evens the cylinders, and where it does not.

    >>> outlook_sentence([])
    'what this set does in single cells is not known'
    """
    evened = [_place(one) for one in outlook if one.outlook.code is Outlook.EVENED]
    stays = [
        f"{_place(one)} stays at {one.after.value:.1f} %"
        for one in outlook
        if one.outlook.code is Outlook.STAYS_UNEVEN
    ]
    known = [one for one in outlook if one.outlook.code is not Outlook.OUTLOOK_NOT_KNOWN]
    first = f"this set evens {', '.join(evened)}" if evened else "this set evens no cell"
    if not known:
        first = "what this set does in single cells is not known"
    elif all(one.outlook.code is Outlook.EVEN_ALREADY for one in known):
        first = "every cell that is known is even as it is"
    elif len(evened) == len(known):
        first = "this set evens every cell that is known"
    return "; ".join([first, *stays])


def own_errors_sentence(outlook: Sequence[CellOutlook]) -> str:
    """What the sensors' own errors leave of it; empty where none is known."""
    ends = [one.after.total_interval95 for one in outlook if one.used_for_trims]
    known = [(low, high) for low, high in ends if math.isfinite(high)]
    if not known:
        return ""
    low, high = min(low for low, _ in known), max(high for _, high in known)
    return (
        f"that is as these sensors read it; with each sensor's own error, which only exchanged sensors show, "
        f"the spread of the cells used is {low:.1f} to {high:.1f} %"
    )


def _place(one: CellOutlook) -> str:
    axes = [
        f"{value:g} {unit}" for value, unit in ((one.rpm, "rpm"), (one.load, "load")) if value is not None
    ]
    return " ".join(axes) or "the one cell"


def _closing_lines(sheet: TrimSheet) -> list[str]:
    lines = []
    if math.isfinite(sheet.fuel_percent):
        if abs(sheet.fuel_percent) < 0.005:
            lines.append("the engine's fuel stays as it is")
        else:
            lines.append(
                f"these trims change the engine's fuel by {sheet.fuel_percent:+.2f} %; "
                f"{sheet.base_map_percent:+.2f} % in the base map keeps it"
            )
    if not sheet.withheld:
        seen = any(one.code is BalanceNote.BY_CYLINDERS_SEEN for one in sheet.notes)
        lines.append(say_of_labels(sheet.identity, own=seen, seen=seen) + _ONCE_TYPED)
    return lines


# To be read aloud to the person who types.


_DIGITS: Final = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def spoken(percent: float) -> str:
    """A trim in words, digit by digit after the point.

    >>> spoken(1.5), spoken(-10.25), spoken(0.0)
    ('plus one point five', 'minus one zero point two five', 'zero')
    """
    text = f"{abs(percent):.6f}".rstrip("0").rstrip(".")
    if text == "0":
        return "zero"
    words = ["plus" if percent > 0 else "minus"]
    words += ["point" if one == "." else _DIGITS[int(one)] for one in text]
    return " ".join(words)


def trims_aloud(sheet: TrimSheet) -> str:
    """One short line for each trim, in the order of typing; nothing to type where trims are withheld."""
    if sheet.withheld:
        return "".join(paragraph(f"nothing to type: {sentence(reason)}.") for reason in sheet.withheld)
    lines = [f"bank {one.bank}: {_typed(one.now_percent, one.new_percent)}." for one in sheet.banks]
    if sheet.shape == "map":
        lines += [line for row in sheet.rows for line in _map_aloud(row, sheet.map)]
    else:
        lines += [f"{_spot(row)}: {_typed(row.now_percent, row.new_percent)}." for row in sheet.rows]
    changed = sum(row.new_percent != row.now_percent for row in sheet.rows if math.isfinite(row.new_percent))
    if sheet.shape != "map":
        lines.append(f"end of sheet: {changed} changed, {len(sheet.rows) - changed} left. save.")
    else:
        lines.append("end of sheet. save.")
    return "".join(f"{line}\n" for line in lines)


def _spot(row: TrimRow) -> str:
    return (
        f"output {row.output}, cylinder {row.cylinder}"
        if row.output is not None
        else f"cylinder {row.cylinder}"
    )


def _typed(now: float, new: float) -> str:
    return f"leave {spoken(now)}" if now == new else f"{spoken(new)}, was {spoken(now)}"


def _map_aloud(row: TrimRow, trims: Iterable[MapTrim]) -> list[str]:
    """The breakpoints of one cylinder that change; the others are left."""
    own = [one for one in trims if one.cylinder == row.cylinder]
    changed = [one for one in own if one.new_percent != one.now_percent]
    if not changed:
        return [f"{_spot(row)}: leave the whole table."]
    lines = [
        f"{_spot(row)}, {one.rpm:g} rpm, load {one.load:g}: {_typed(one.now_percent, one.new_percent)}."
        for one in changed
    ]
    return [*lines, f"{_spot(row)}: leave the other {len(own) - len(changed)}."]


# As CSV.


_CSV_HEAD: Final = (
    "output", "cylinder", "bank", "sensor", "speed [1/min]", "load", "needs [% of fuel]",
    "needs from [% of fuel]", "needs to [% of fuel]", "trim now [%]", "trim new [%]", "difference [%]",
    "how sure", "why",
)  # fmt: skip


def trims_csv(sheet: TrimSheet, load_unit: str) -> str:
    """The sheet as CSV of RFC 4180 with line feeds; the header names units, floats read back to the last bit.

    A bank's trim has no cylinder; a trim of a map has its speed and load. What is not known or not offered
    is empty.
    """
    head = [f"load [{load_unit}]" if name == "load" else name for name in _CSV_HEAD]
    if sheet.by_label:
        head[1] = "label (not proved to be the cylinder)"
    lines = [[quoted(name) for name in head], *map(_csv_bank, sheet.banks)]
    of_map: dict[int, list[MapTrim]] = {}
    for one in sheet.map:
        of_map.setdefault(one.cylinder, []).append(one)
    for row in sheet.rows:
        if sheet.shape == "map":
            lines += [_csv_map(row, one) for one in of_map.get(row.cylinder, ())]
        else:
            lines.append(_csv_row(row))
    return "".join(",".join(line) + "\n" for line in lines)


def _csv_number(value: float | None) -> str:
    """The shortest text that reads back to the same number; empty where there is none."""
    return "" if value is None or not math.isfinite(value) else repr(value)


def _csv_bank(one: BankTrim) -> list[str]:
    low, high = (one.needs_percent + sign * one.half_interval_percent for sign in (-1, 1))
    numbers = (one.needs_percent, low, high, one.now_percent, one.new_percent, _difference(one))
    return ["", "", quoted(one.bank), "", "", "", *map(_csv_number, numbers), _BANK_WORDS[one.differs], ""]


def _csv_row(row: TrimRow) -> list[str]:
    output = "" if row.output is None else str(row.output)
    numbers = (
        row.needs_percent,
        *row.interval95_percent,
        row.now_percent,
        row.new_percent,
        row.difference_percent,
    )
    texts = quoted(sentence(row.certainty)), quoted(sentences(row.why))
    whose = [output, str(row.cylinder), quoted(row.bank or ""), quoted(row.sensor or ""), "", ""]
    return [*whose, *map(_csv_number, numbers), *texts]


def _csv_map(row: TrimRow, one: MapTrim) -> list[str]:
    output = "" if row.output is None else str(row.output)
    ends = (one.needs_percent + sign * one.half_interval_percent for sign in (-1, 1))
    numbers = (one.needs_percent, *ends, one.now_percent, one.new_percent, _difference(one))
    whose = [output, str(row.cylinder), quoted(row.bank or ""), quoted(row.sensor or "")]
    place = [_csv_number(one.rpm), _csv_number(one.load)]
    return [*whose, *place, *map(_csv_number, numbers), "", quoted(sentences(one.why))]


def _difference(one: BankTrim | MapTrim) -> float:
    return round(one.new_percent - one.now_percent, 9)
