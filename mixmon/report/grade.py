"""A grading as text and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from mixmon.grade.item import Item, Verdict
from mixmon.report.text import printable, wrap

_PAGE = 80
_VERDICT = max(len(verdict.value) for verdict in Verdict) + 2
_LABEL = len("tolerance") + 2


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
                "verdict": item.verdict.value.lower(),
                "why": item.why,
            }
            for item in items
        ],
        "verdicts": {verdict.lower(): count for verdict, count in _counts(items).items()},
    }


def grade_text(items: Sequence[Item], scenario: str, seed: int) -> str:
    """Every item with its verdict and what that rests on, for a terminal of 80 columns; counts last."""
    counts = ", ".join(f"{count} {verdict}" for verdict, count in _counts(items).items())
    return f"GRADE  {printable(scenario)}, seed {seed}\n\n{''.join(map(_item, items))}\n{counts}\n"


def _item(item: Item) -> str:
    said = {"expected": item.expected, "found": item.found, "tolerance": item.tolerance}
    why = "lacking" if item.verdict is Verdict.NOT_YET else "because"
    rows = [(label, text) for label, text in [*said.items(), (why, item.why)] if text]
    lines = [f"{item.verdict.value:{_VERDICT}}{item.name}"]
    for label, text in rows:
        for i, part in enumerate(wrap(text, _PAGE - _VERDICT - _LABEL)):
            lines.append(f"{'':{_VERDICT}}{label if i == 0 else '':{_LABEL}}{part}")
    return "".join(f"{line.rstrip()}\n" for line in lines)


def _counts(items: Sequence[Item]) -> dict[str, int]:
    counts = Counter(item.verdict.value for item in items)
    return {verdict.value: counts[verdict.value] for verdict in Verdict}
