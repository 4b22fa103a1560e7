"""Items about causes: leaks, the reference that they spoil, and dead times of injectors."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from mixmon.findings.causes.causes import CELLS_FOR_CHANGE, CylinderCauses
from mixmon.findings.causes.notes import CauseNote, NextTest, PossibleCause
from mixmon.grade.evidence import Evidence, SeenCell, seen_cells, spared_labels
from mixmon.grade.item import Item, does_not_apply, judged, numbers
from mixmon.simulate.truth import needs

DEAD_TIME_MS = 0.02
"""How far a dead time by a split-pulse test may be from the truth, ms: our choice."""

_SPOILT_PERCENT = 0.5
"""A leak that shifts the others less than this does not spoil the reference, percent of fuel: our choice."""

_SHOWS_PERCENT = 2.0
"""Difference of a leak's air between the cells that were seen, percent, from which it must be found: our
choice, four trim steps of 0.5 %."""


def leak(evidence: Evidence) -> Item:
    """The leak named as a cause, or with what looks alike, a test that separates it, and no trim by it."""
    name, leaks = "leak suspected, test asked for", sorted(evidence.leaking)
    if not leaks:
        return does_not_apply(name, "no leak planted")
    shown = leaks_shown(evidence)
    if not shown:
        return does_not_apply(name, NOT_SHOWN)
    found = {one.cylinder: one for one in evidence.causes.cylinders}
    said, right = [], True
    for label in shown:
        one = found[label]
        named = [c.cause.value for c in one.causes if c.cause in {PossibleCause.LEAK, PossibleCause.SYNC}]
        tests = [test.code.value for test in one.tests if test.code in {NextTest.SMOKE, NextTest.STOP}]
        trimmed = _trimmed_cells(label, evidence)
        right &= PossibleCause.LEAK.value in named and bool(tests) and not trimmed
        said.append(
            f"label {label}: {' or '.join(named) or 'nothing'}; {', '.join(tests) or 'no test'}"
            + (f"; used for trims at {', '.join(trimmed)}" if trimmed else "")
        )
    expected = ", ".join(f"label {label}" for label in shown) + ": leak; smoke test; no trim by it"
    return judged(name, expected, "; ".join(said), "exact", right=right)


NOT_SHOWN = "no leak shows in three cells that were seen"
"""Why a question about leaks does not apply."""


def leaks_shown(evidence: Evidence) -> list[int]:
    """Labels behind a leak whose air differs by enough between the cells that were seen."""
    return [label for label in sorted(evidence.leaking) if _shown_percent(label, evidence) >= _SHOWS_PERCENT]


def no_leak_shows(evidence: Evidence) -> bool:
    """Whether leaks are planted, and none can be told from the cells that were seen."""
    return bool(evidence.leaking) and not leaks_shown(evidence)


def _shown_percent(label: int, evidence: Evidence) -> float:
    """By how much a leak's air differs between the cells that were seen, percent; 0 for too few cells."""
    cells = [one for one in seen_cells(evidence).values() if one.enough[label - 1]]
    if len(cells) < CELLS_FOR_CHANGE:
        return 0.0
    return float(np.ptp([_leaked_percent(one, label) for one in cells]))


def _leaked_percent(one: SeenCell, label: int) -> float:
    """Air of a leak at a label in a cell, percent of the cylinder's own, with its sensor's error."""
    return 100 * float(one.read[label - 1] / one.true[label - 1] - 1)


def _trimmed_cells(label: int, evidence: Evidence) -> list[str]:
    """Cells that trims are made from although the leak shifts the label there by more than two percent."""
    least = min((_leaked_percent(one, label) for one in seen_cells(evidence).values()), default=0.0)
    used = {(c.rpm, c.load) for c in evidence.balance.cells if c.used_for_trims and c.cylinder == label}
    return [
        one.centre
        for cell, one in seen_cells(evidence).items()
        if (cell.rpm, cell.load) in used and _leaked_percent(one, label) - least > _SHOWS_PERCENT
    ]


def spoilt_reference(evidence: Evidence) -> Item:
    """A leaking cylinder that makes the others look rich is left out of their mean, which is said."""
    name, leaks = "reference spoilt by a leak, said unasked", evidence.leaking
    if not leaks:
        return does_not_apply(name, "no leak planted")
    if not leaks_shown(evidence):
        return does_not_apply(name, NOT_SHOWN)
    spoilt = {cell: one for cell, one in seen_cells(evidence).items() if _is_spoilt(one, leaks)}
    if not spoilt:
        return does_not_apply(name, "no leak that shifts the others in a cell that can be compared")
    spared = spared_labels(evidence.balance)
    missed = [one.centre for cell, one in spoilt.items() if not leaks <= set(spared.get(cell, ()))]
    labels = ", ".join(map(str, sorted(leaks)))
    expected = f"label {labels} left out at " + ", ".join(one.centre for one in spoilt.values())
    found = f"not at {', '.join(missed)}" if missed else expected
    return judged(name, expected, found, "exact", right=not missed)


def _is_spoilt(one: SeenCell, leaks: frozenset[int]) -> bool:
    """Whether the leaks shift the others in a cell by as much as matters."""
    kept = np.array([label not in leaks for label in range(1, len(one.read) + 1)])
    if not one.enough.all() or kept.sum() < CELLS_FOR_CHANGE:
        return False
    return abs(float(np.mean(one.read_needs[kept] - needs(one.read[kept])))) >= _SPOILT_PERCENT


def dead_time(evidence: Evidence) -> Item:
    """Injectors that open late or early: by a split-pulse test, or else said to be not separable."""
    name = "dead times of injectors"
    late = np.array(evidence.truth["differences"]["dead_time_ms"])[evidence.behind]
    late -= late.mean()
    if not late.any():
        return does_not_apply(name, "all alike")
    cylinders = evidence.causes.cylinders
    tested = [one for one in cylinders if math.isfinite(one.dead_time_ms)]
    if not tested and not _split_was_played(evidence):
        return _judge_without_test(name, late.tolist(), cylinders)
    found = [one.dead_time_ms for one in cylinders]
    right = len(tested) == len(cylinders) and all(
        abs(a - b) <= DEAD_TIME_MS for a, b in zip(found, late.tolist(), strict=True)
    )
    return judged(name, numbers(late.tolist(), 3), numbers(found, 3), f"±{DEAD_TIME_MS} ms", right=right)


def _split_was_played(evidence: Evidence) -> bool:
    """Whether a split-pulse test was played to its end."""
    return any(one["to_s"] < evidence.truth["duration_s"] for one in evidence.truth["split_pulses"])


def _judge_without_test(name: str, late: Sequence[float], cylinders: Sequence[CylinderCauses]) -> Item:
    """Steady readings: none is claimed; where one is named, it is not separable, and a test is asked for."""
    named = [one for one in cylinders if any(c.cause is PossibleCause.DEAD_TIME for c in one.causes)]
    said = [one for one in named if any(flag.code is CauseNote.DEAD_TIME_NOT_SEPARABLE for flag in one.flags)]
    asked = [one for one in named if any(test.code is NextTest.SPLIT for test in one.tests)]
    odd = ", ".join(f"label {i} {ms:+.3f} ms" for i, ms in enumerate(late, 1) if abs(ms) > DEAD_TIME_MS)
    expected = f"{odd or 'differences within the tolerance'}: not separable without a split-pulse test"
    labels = ", ".join(str(one.cylinder) for one in said)
    found = f"label {labels}: not separable; split-pulse test asked for" if said else "none claimed"
    return judged(name, expected, found, "no claim", right=len(said) == len(named) == len(asked))
