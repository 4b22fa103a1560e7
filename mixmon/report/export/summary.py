"""What was exported, as text and as JSON: the files, their columns, and how many samples count."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mixmon.mixture.block import SampleState
from mixmon.report.balance import log_json, log_troubles
from mixmon.report.export.fields import ColumnKind, TableForm
from mixmon.report.text import Column, counted, listed, paragraph, table, title
from mixmon.run import LogFacts


@dataclass(frozen=True, slots=True)
class ExportedTable:
    """One table that was written.

    path   None: standard output
    form   None: candump text
    """

    name: str
    path: Path | None
    rows: int
    form: TableForm | None


@dataclass(frozen=True, slots=True)
class Export:
    """All that one call wrote.

    part        what was chosen of the logs; None: nothing was left out
    samples     of the rows written, by state; empty where no rows were written
    cut_stamps  frames whose stamp was cut to microseconds
    """

    session: str
    to: str
    log: LogFacts
    tables: tuple[ExportedTable, ...]
    part: Mapping[str, Any] | None
    samples: Mapping[str, int]
    cut_stamps: int = 0


def export_json(export: Export) -> Mapping[str, Any]:
    """The fields of `mixmon export --json`, in their order.

    session, log   as for the balance
    to             the format
    part           what was chosen: from_s, to_s, pull, cylinders; null where nothing was left out
    tables         name, file, rows, and columns: name, kind, unit, about, words
    samples        of the exported rows, by state; only `valid` ones count
    stamps_cut     frames whose stamp was cut to the microseconds of candump text
    """
    return {
        "session": export.session,
        "log": log_json(export.log),
        "to": export.to,
        "part": export.part,
        "tables": [
            {
                "name": one.name,
                "file": None if one.path is None else str(one.path),
                "rows": one.rows,
                "columns": [
                    {
                        "name": field.name,
                        "kind": field.kind.value,
                        "unit": field.unit or None,
                        "about": field.about or None,
                        "words": list(field.words) if field.kind is ColumnKind.WORD else None,
                    }
                    for field in (() if one.form is None else one.form.fields)
                ],
            }
            for one in export.tables
        ],
        "samples": export.samples,
        "stamps_cut": export.cut_stamps,
    }


def export_text(export: Export) -> str:
    """What was written, for a terminal."""
    columns = [Column("table", left=True), Column("rows"), Column("columns"), Column("file", left=True)]
    rows = [
        (one.name, one.rows, len(one.form.fields) if one.form else None, one.path.name if one.path else "-")
        for one in export.tables
    ]
    places = dict.fromkeys(str(one.path.parent) for one in export.tables if one.path)
    told = [*_describe_part(export), *log_troubles(export.log), *export_remarks(export)]
    where = "".join(listed(f"in {place}") for place in places)
    return title("EXPORT", export.session) + where + table(columns, rows) + "".join(map(paragraph, told))


def export_remarks(export: Export) -> list[str]:
    """What must be known of the values that were written."""
    remarks = []
    total = math.fsum(export.samples.values())
    if total:
        valid = export.samples.get(SampleState.VALID.word, 0)
        shares = [f"{word} {100 * n / total:.1f} %" for word, n in _by_count(export.samples)]
        remarks.append(
            f"{counted(int(total), 'sample')}, every one with its state: {', '.join(shares)}; valid ones "
            f"alone count ({counted(valid, 'sample')}), and only they have needs"
        )
    if export.cut_stamps:
        remarks.append(
            f"the stamps of {counted(export.cut_stamps, 'frame')} were cut to microseconds: can-utils read "
            "six decimals alone"
        )
    return remarks


def _by_count(samples: Mapping[str, int]) -> Sequence[tuple[str, int]]:
    return sorted(samples.items(), key=lambda pair: -pair[1])


def _describe_part(export: Export) -> list[str]:
    """The chosen part in words; none where it is all."""
    part = export.part or {}
    words = []
    if part.get("pull") is not None:
        words.append(f"pull {part['pull']}")
    if part.get("from_s") or part.get("to_s") is not None:
        until = "the end" if part.get("to_s") is None else f"{part['to_s']:.3f} s"
        words.append(f"from {part.get('from_s') or 0.0:.3f} s to {until}")
    if part.get("cylinders"):
        words.append("cylinders " + ", ".join(map(str, part["cylinders"])))
    return [f"a part of the log: {'; '.join(words)}"] if words else []
