"""A grading as text and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.grade.item import Item, Verdict
from mixmon.report.table import Column, table
from mixmon.report.text import wrap

_PAGE = 80
_INDENT = "    "


def grade_json(items: Sequence[Item], scenario: str, seed: int) -> Mapping[str, Any]:
    """The fields of `mixmon simulate --grade --json`."""
    return {
        "scenario": scenario,
        "seed": seed,
        "items": [
            {
                "item": item.name,
                "expected": item.expected,
                "found": item.found,
                "tolerance": item.tolerance,
                "verdict": item.verdict.value,
            }
            for item in items
        ],
        "verdicts": _counts(items),
    }


def grade_text(items: Sequence[Item], scenario: str, seed: int) -> str:
    """Verdicts first, then what each rests on, for a terminal of 80 columns."""
    head = f"GRADE  {scenario}, seed {seed}\n\n"
    columns = [
        Column("verdict", left=True),
        Column("item", left=True, wraps=True),
        Column("tolerance", left=True),
    ]
    verdicts = table(columns, [(item.verdict.value, item.name, item.tolerance) for item in items])
    detail = "".join(_detail(item) for item in items if item.verdict is not Verdict.DOES_NOT_APPLY)
    counts = ", ".join(f"{count} {verdict}" for verdict, count in _counts(items).items())
    return f"{head}{verdicts}\n{detail}\n{counts}\n"


def _detail(item: Item) -> str:
    said = [item.name, f"expected {item.expected}"]
    said.append(f"lacking: {item.found}" if item.verdict is Verdict.NOT_YET else f"found    {item.found}")
    lines = [said[0], *(f"{_INDENT}{line}" for part in said[1:] for line in wrap(part, _PAGE - len(_INDENT)))]
    return "".join(f"{line}\n" for line in lines)


def _counts(items: Sequence[Item]) -> dict[str, int]:
    counts = Counter(item.verdict.value for item in items)
    return {verdict.value: counts[verdict.value] for verdict in Verdict}
