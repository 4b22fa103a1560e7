"""Causes as JSON and as text: what may be wrong with each cylinder, and what to try next."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from mixmon.findings.causes.causes import Causes, CauseShare, CylinderCauses
from mixmon.findings.causes.next_test import TESTS, RatedTest
from mixmon.findings.causes.notes import NextTest, PatternCode, PossibleCause
from mixmon.findings.causes.patterns import LEVEL, PatternTest
from mixmon.report.answers import answer_text, causes_answer
from mixmon.report.balance import log_json, log_text
from mixmon.report.text import Cell, Column, log_notes, note_lines, number, paragraph, table, title
from mixmon.report.words import inflation_text, sentence
from mixmon.run import Run

_TEST_WORDS: Final[Mapping[NextTest, str]] = {
    NextTest.IDENTITY: "prove the labels by fuel steps of known cylinders (mixmon identify --plan)",
    NextTest.ROTATE: "move the sensors on and measure again (mixmon rotate --design)",
    NextTest.SMOKE: "smoke test of the exhaust joints before the sensors, engine cold, room aired",
    NextTest.SPLIT: (
        "two half pulses a cycle for 15 s at one steady point, whole ones for as long before and after (then "
        "mixmon causes --split-pulse FILE)"
    ),
    NextTest.EXCHANGE: (
        "exchange the injectors of two cylinders, engine cold, fuel pressure let off; measure again"
    ),
    NextTest.STOP: (
        "hold an air-flow meter to its throttle at idle, set its stop like the others', measure again"
    ),
    NextTest.PULL: "one more pull, or dwells in the same cells",
}
"""What is done in a test."""

_PATTERN_WORDS: Final[Mapping[PatternCode, str]] = {
    PatternCode.BANK: "bank",
    PatternCode.RAIL: "place along the fuel rail",
    PatternCode.PLACE: "front to back",
    PatternCode.PREDECESSOR: "crank angle since a neighbour fired",
    PatternCode.PORT: "shared port",
}

_SHARE_SHOWN = 0.05  # our choice: what is less likely stands in the JSON only


def causes_json(causes: Causes, run: Run) -> Mapping[str, Any]:
    """The fields of `mixmon causes --json`, in their order.

    session, log   as for the balance
    cylinders      level_percent with level_half_percent: need that is the same in all cells, against the
                   middle cylinder; change_percent: range of what is explained as changing from cell to
                   cell, null where nothing is sure; causes: code, share (chance, by these data and what is
                   usual), size with half (if it alone were to blame: percent of fuel; ms of a dead time);
                   not_separated: groups of codes; variance_inflation by code, null where infinite;
                   dead_time_ms with dead_time_half_ms, by a split-pulse test; tests; flags
    patterns       codes (several where the engine cannot separate them), effect_percent with half_percent,
                   f, degrees, p, p_adjusted (Holm), found
    next_test      code, text, minutes, cylinders, bits (expected fall of the entropy) and gain_per_minute;
                   null where nothing is left to find
    tests          all of them, the best first
    left_out_of_reference  cylinders left out of the mean of the others in cells of low flow
    cells_compared, notes
    """
    return {
        "session": run.session.name or str(run.session.path or ""),
        "log": log_json(run.log),
        "cylinders": [_cylinder_json(one) for one in causes.cylinders],
        "patterns": [_pattern_json(one) for one in causes.patterns],
        "next_test": None if causes.next_test is None else _test_json(causes.next_test),
        "tests": [_test_json(one) for one in causes.tests],
        "left_out_of_reference": causes.left_out_of_reference,
        "cells_compared": causes.cells,
        "notes": causes.notes,
        "answer": causes_answer(causes).notes,
    }


def _cylinder_json(one: CylinderCauses) -> Mapping[str, Any]:
    return {
        "cylinder": one.cylinder,
        "position": one.position,
        "sensor": one.sensor,
        "level_percent": one.level_percent,
        "level_half_percent": one.level_half,
        "change_percent": one.change_percent,
        "causes": [
            {"code": c.cause.value, "share": c.share, "size": c.size, "half": c.half} for c in one.causes
        ],
        "not_separated": [[cause.value for cause in group] for group in one.not_separated],
        "variance_inflation": {cause.value: value for cause, value in one.variance_inflation.items()},
        "dead_time_ms": one.dead_time_ms,
        "dead_time_half_ms": one.dead_time_half,
        "tests": [_test_json(test) for test in one.tests],
        "flags": one.flags,
    }


def _pattern_json(one: PatternTest) -> Mapping[str, Any]:
    return {
        "codes": [code.value for code in one.codes],
        "effect_percent": one.effect_percent,
        "half_percent": one.half_percent,
        "f": one.f,
        "degrees": one.degrees,
        "p": one.p,
        "p_adjusted": one.p_adjusted,
        "found": one.found,
    }


def _test_json(one: RatedTest) -> Mapping[str, Any]:
    return {
        "code": one.code.value,
        "text": _TEST_WORDS[one.code],
        "cylinders": sorted(one.cylinders),
        "minutes": one.minutes,
        "bits": one.bits,
        "gain_per_minute": one.bits_per_minute,
    }


# --- Text. ---

_CAUSE_COLUMNS_SAY = (
    "same: need that is the same in all cells, against the middle cylinder, 95 %; changes: range of what "
    "changes from cell to cell; "
    "causes with their chance by these data and by what is usual: a guide for the search, no proof"
)
_TESTS_SAY = (
    "bits: expected fall of the uncertainty about the causes, all named cylinders together; minutes are the "
    "usual ones"
)
_CAUTION = (
    "Exhaust parts are hot and fuel is under pressure: let the engine cool, and leave fuel lines to those "
    "who may work on them. No trim belongs to cells where a leak or a throttle is suspected: mend the cause, "
    "then measure again. The engine builder's limits and word stand."
)


def causes_text(causes: Causes, run: Run) -> str:
    """Causes by cylinder, patterns, and tests, for a terminal of 80 columns."""
    answer = answer_text(causes_answer(causes))
    parts = [title("CAUSES", run.session.name) + answer + log_text(run.log)]
    parts.append(_cylinder_table(causes.cylinders) + paragraph(_CAUSE_COLUMNS_SAY))
    if remarks := _remarks(causes.cylinders):
        parts.append(remarks)
    parts.append(_patterns_text(causes.patterns))
    parts.append(_tests_text(causes) + paragraph(_CAUTION))
    notes = note_lines([*log_notes(run), *_own_notes(causes, run)])
    return "\n".join([*parts, notes] if notes else parts)


def _own_notes(causes: Causes, run: Run) -> list[Any]:
    """Notes on the causes that are not among those on the log."""
    shown = log_notes(run)
    return [one for one in causes.notes if one not in shown]


def _cylinder_table(cylinders: Sequence[CylinderCauses]) -> str:
    columns = (
        Column("cyl"),
        Column("pos"),
        Column("sensor", left=True),
        Column("same %", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("changes %", 1),
        Column("causes, chance in %", left=True, wraps=True),
    )
    rows: list[Sequence[Cell]] = [
        (
            one.cylinder,
            one.position,
            one.sensor or "",
            one.level_percent,
            one.level_half,
            one.change_percent,
            ", ".join(_share_text(cause) for cause in one.causes if cause.share >= _SHARE_SHOWN),
        )
        for one in cylinders
    ]
    levels = [
        (one.level_percent, one.level_percent - one.level_half, one.level_percent + one.level_half)
        for one in cylinders
    ]
    return table(columns, rows, bars=levels)


def _share_text(one: CauseShare) -> str:
    return f"{one.cause.value} {100 * one.share:.0f}"


def _remarks(cylinders: Sequence[CylinderCauses]) -> str:
    """What cannot be told apart, and the flags; cylinders of which the same is to be said stand together."""
    of: dict[str, list[int]] = {}
    for one in cylinders:
        lines = [_not_separated_text(group, one) for group in one.not_separated]
        for line in [*lines, *map(sentence, one.flags)]:
            of.setdefault(line, []).append(one.cylinder)
    return "".join(paragraph(f"{', '.join(map(str, them))}: {line}") for line, them in of.items())


def _not_separated_text(group: Sequence[PossibleCause], one: CylinderCauses) -> str:
    """The causes with the size that each would have alone, that these data do not separate them, and why."""
    of = {cause.cause: cause for cause in one.causes}
    names = " or ".join(_sized_text(of[cause]) for cause in group)
    inflation = [one.variance_inflation[cause] for cause in group if cause in one.variance_inflation]
    if not inflation:
        return f"{names}: no readings in place tell them apart, as they are the same in all cells"
    return f"{names}: these data cannot tell them apart ({inflation_text(max(inflation))})"


def _sized_text(one: CauseShare) -> str:
    """A cause with the size that it would have if it alone were to blame."""
    if not math.isfinite(one.size):
        return one.cause.value
    decimals, unit = (3, "ms") if one.cause is PossibleCause.DEAD_TIME else (1, "%")
    size, half = number(one.size, decimals, signed=True), number(one.half, decimals)
    return f"{one.cause.value} of {size} ± {half} {unit}"


def _patterns_text(patterns: Sequence[PatternTest]) -> str:
    """Each pattern with its effect and its chance; what is found first."""
    if not patterns:
        return paragraph("patterns over the engine: too few cylinders, or nothing that they could go with")
    columns = (
        Column("needs go with", left=True),
        Column("effect %", 1, signed=True),
        Column("±", 1, is_half=True),
        Column("p", 3),
        Column("p, all looks", 3),
        Column("", left=True),
    )
    rows: list[Sequence[Cell]] = [
        (
            " or ".join(_PATTERN_WORDS[code] for code in one.codes),
            one.effect_percent,
            one.half_percent,
            one.p,
            one.p_adjusted,
            "found" if one.found else "not shown",
        )
        for one in patterns
    ]
    says = (
        "by the scatter of the cylinders (F test); p, all looks: by Holm's procedure over these patterns, "
        "found "
        f"below {LEVEL:g}"
    )
    return "patterns over the engine\n" + table(columns, rows) + paragraph(says)


def _tests_text(causes: Causes) -> str:
    """The best test in a sentence, and the others."""
    best = causes.next_test
    if best is None:
        return paragraph("next test: none; nothing is sure to differ")
    first = paragraph(
        f"next test: {_TEST_WORDS[best.code]}; {_cylinders_text(best)}; about {best.minutes:g} minutes, "
        f"{best.bits:.1f} bits"
    )
    columns = (
        Column("test", left=True),
        Column("minutes"),
        Column("bits", 2),
        Column("a minute", 3),
        Column("cylinders", left=True, wraps=True),
    )
    rows: list[Sequence[Cell]] = [
        (
            one.code.value,
            one.minutes,
            one.bits,
            one.bits_per_minute,
            ", ".join(map(str, sorted(one.cylinders))),
        )
        for one in causes.tests
    ]
    return first + "\n" + table(columns, rows) + paragraph(_TESTS_SAY)


def _cylinders_text(test: RatedTest) -> str:
    names = ", ".join(map(str, sorted(test.cylinders)))
    alone = TESTS[test.code].cylinders
    return f"{'for' if alone is None else 'on'} cylinder{'s' * (len(test.cylinders) > 1)} {names}"
