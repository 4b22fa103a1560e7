"""A grading as JSON and as text: each item with what was expected, found and allowed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.grade.item import Grading, Item
from mixmon.report.page import current_page, stress
from mixmon.report.text import paragraph, title, wrap

_GRADING_WIDTH = max(len(grading.value) for grading in Grading) + 2  # the longest word and a gap of two
_LABEL_WIDTH = len("tolerance") + 2  # the longest label and a gap of two


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
                "verdict": item.grading.value.lower(),
                "why": item.why,
            }
            for item in items
        ],
        "verdicts": {verdict.lower(): count for verdict, count in _count_gradings(items).items()},
    }


def grade_text(items: Sequence[Item], scenario: str, seed: int) -> str:
    """Every item with its verdict and what that rests on, for a terminal of 80 columns; counts first."""
    counts = ", ".join(f"{count} {verdict}" for verdict, count in _count_gradings(items).items())
    wrong = any(item.grading is Grading.WRONG for item in items)
    head = title("GRADE", f"{scenario}, seed {seed}") + stress(paragraph(counts), doubt=wrong)
    return f"{head}\n{''.join(map(_item_text, items))}"


def _item_text(item: Item) -> str:
    said = {"expected": item.expected, "found": item.found, "tolerance": item.tolerance}
    why = "lacking" if item.grading is Grading.NOT_YET else "because"
    rows = [(label, text) for label, text in [*said.items(), (why, item.why)] if text]
    lines = [f"{item.grading.value:{_GRADING_WIDTH}}{item.name}"]
    for label, text in rows:
        for i, part in enumerate(wrap(text, current_page().columns - _GRADING_WIDTH - _LABEL_WIDTH)):
            lines.append(f"{'':{_GRADING_WIDTH}}{label if i == 0 else '':{_LABEL_WIDTH}}{part}")
    return "".join(f"{line.rstrip()}\n" for line in lines)


def _count_gradings(items: Sequence[Item]) -> dict[str, int]:
    counts = Counter(item.grading.value for item in items)
    return {grading.value: counts[grading.value] for grading in Grading}
