"""Items about the whole engine, and about the reference that needs are counted from."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.balance import Balance
from mixmon.grade.evidence import Evidence, leaking_labels
from mixmon.grade.item import Item, does_not_apply, judged, not_yet, numbers, within
from mixmon.grade.need_items import AS_READ, uneven_labels
from mixmon.grade.seen import SeenCell, by_cell, refused, seen_cells, too_little
from mixmon.mixture.steady import Cell
from mixmon.simulate.truth_cells import needs

GLOBAL = 0.7
"""How far the whole engine's need may be from the truth, percent of fuel."""

SHIFT = 0.1
"""How far the common shift that a leak gives its peers may be from the truth, percent of fuel."""

_SHIFTED = 0.5
"""A leak that shifts the others less than this does not spoil the reference, percent of fuel."""

_NARROW = 0.45
"""Half of an interval up to which a need is out by `AS_READ` in 1 case of 40 at most, percent of fuel."""

_NO_SHIFT = "no leak that shifts the others in a cell that can be compared"

Floats = NDArray[np.float64]


def engine_as_read(evidence: Evidence) -> Item:
    """The whole engine against target by cell: errors of the base map, kept out of the trims."""
    name = "whole engine against target by cell, as read"
    seen, found = seen_cells(evidence), _engine_needs(evidence)
    unanswered = _no_engine_need(name, seen, found)
    if unanswered:
        return unanswered
    true = {cell: seen[cell].read_engine for cell in found}
    right = within(list(found.values()), list(true.values()), GLOBAL)
    return judged(name, by_cell(true, signed=True), by_cell(found, signed=True), f"+-{GLOBAL}", right=right)


def engine_in_truth(evidence: Evidence) -> Item:
    """The same against the truth; where a leak or biases drag the mean further, they must be found first."""
    name = "whole engine against target by cell, true"
    seen, found = seen_cells(evidence), _engine_needs(evidence)
    unanswered = _no_engine_need(name, seen, found)
    if unanswered:
        return unanswered
    true = {cell: seen[cell].true_engine for cell in found}
    expected, said = by_cell(true, signed=True), by_cell(found, signed=True)
    if not within([seen[cell].read_engine for cell in found], list(true.values()), GLOBAL):
        leaks = leaking_labels(evidence.truth)
        lacking = "no finding of leaks, which drag the mean" if leaks else "sensor biases are not known"
        return not_yet(name, expected, lacking, said, f"+-{GLOBAL}")
    right = within(list(found.values()), list(true.values()), GLOBAL)
    return judged(name, expected, said, f"+-{GLOBAL}", right=right)


def spared_reference(evidence: Evidence) -> Item:
    """With the leaking cylinders left out, what remains of the others is what their own sensors show.

    Uneven sensors are not compared: noise alone shifts their mean.
    """
    name = "leaking cylinder left out: what remains of the others"
    worst = _most_shifted(evidence)
    if worst is None or evidence.spared is None:
        return does_not_apply(name, _NO_SHIFT)
    unanswered = _not_narrow(name, worst, evidence)
    if unanswered:
        return unanswered
    sound, n = _sound(evidence), len(evidence.behind)
    even = np.array([label not in uneven_labels(evidence) for label in range(1, n + 1)])
    true = needs(worst.read[sound])[even[sound]].tolist()
    found = _needs_in(evidence.spared, worst.cell, n)[sound & even].tolist()
    right = within(found, true, AS_READ)
    return judged(name, numbers(true), numbers(found), f"+-{AS_READ}", right=right)


def reference_shift(evidence: Evidence) -> Item:
    """By how much the leaking cylinders made the others look rich: balance with them less balance without."""
    name = "leaking cylinder left out: shift of the others"
    worst = _most_shifted(evidence)
    if worst is None or evidence.spared is None:
        return does_not_apply(name, _NO_SHIFT)
    unanswered = _not_narrow(name, worst, evidence)
    if unanswered:
        return unanswered
    sound = _sound(evidence)
    n = len(sound)
    all_in, without = (_needs_in(b, worst.cell, n)[sound] for b in (evidence.balance, evidence.spared))
    true, found = _shift(worst, evidence), float(np.mean(all_in - without))
    tolerance = max(SHIFT, AS_READ / (n - 1))  # what the leaking cylinder's own need may be out by, shared
    right = within([found], [true], tolerance)
    return judged(name, f"{true:+.2f}", f"{found:+.2f}", f"+-{tolerance:.2g}", right=right)


def _sound(evidence: Evidence) -> NDArray[np.bool_]:
    """Labels whose sensors sit behind no leak, bool[n]."""
    leaking = leaking_labels(evidence.truth)
    return np.array([label not in leaking for label in range(1, len(evidence.behind) + 1)])


def _shift(one: SeenCell, evidence: Evidence) -> float:
    """What the leaking cylinders in the reference add to the needs of the others, mean of these."""
    sound = _sound(evidence)
    return float(np.mean(one.read_needs[sound] - needs(one.read[sound])))


def _most_shifted(evidence: Evidence) -> SeenCell | None:
    """The cell in which leaks shift the others most, if it matters; with narrow intervals if there is one."""
    if evidence.spared is None:
        return None
    shifted = [one for one in seen_cells(evidence).values() if abs(_shift(one, evidence)) >= _SHIFTED]
    narrow = [one for one in shifted if _widest(one, evidence) <= _NARROW]
    return max(narrow or shifted, key=lambda one: abs(_shift(one, evidence)), default=None)


def _not_narrow(name: str, worst: SeenCell, evidence: Evidence) -> Item | None:
    """The answer where the cell's intervals are not told, or too wide to compare; None where they do."""
    widest = _widest(worst, evidence)
    if widest <= _NARROW:
        return None
    expected = f"a shift of {_shift(worst, evidence):+.2f} at {worst.centre}"
    if math.isfinite(widest):
        return not_yet(name, expected, f"intervals up to +-{widest:.1f} % there are too wide to tell it")
    if worst.enough[_sound(evidence)].all():
        return judged(name, expected, "a sound cylinder's need has no interval", "", right=False)
    return not_yet(name, expected, too_little([worst]))


def _widest(one: SeenCell, evidence: Evidence) -> float:
    """Half of the widest interval of a sound label in the cell; NaN where one has none."""
    assert evidence.spared is not None
    told = evidence.spared.cells
    half = np.array([n.half_interval_percent for n in told if Cell(n.rpm, n.load) == one.cell])
    return float(half[_sound(evidence)].max()) if len(half) == len(evidence.behind) else math.nan


def _needs_in(balance: Balance, cell: Cell, n: int) -> Floats:
    """Needs of all n labels in a cell, percent; NaN where not known."""
    told = {one.cylinder: one.needs_percent for one in balance.cells if Cell(one.rpm, one.load) == cell}
    return np.array([told.get(label, math.nan) for label in range(1, n + 1)])


def _engine_needs(evidence: Evidence) -> dict[Cell, float]:
    """The whole engine's needs that are told with an interval, in cells that can be compared."""
    seen = seen_cells(evidence)
    return {
        Cell(one.rpm, one.load): one.needs_percent
        for one in evidence.balance.whole_engine
        if Cell(one.rpm, one.load) in seen and math.isfinite(one.needs_percent + one.half_interval_percent)
    }


def _no_engine_need(name: str, seen: dict[Cell, SeenCell], found: dict[Cell, float]) -> Item | None:
    """The answer where none was found, or one is lacking; None where all are there."""
    if not seen:
        return does_not_apply(name, "no steady cell that can be compared")
    lacking = refused([(one.centre, one.of_two_s, cell in found) for cell, one in seen.items()])
    true = by_cell({cell: one.read_engine for cell, one in seen.items()}, signed=True)
    if lacking:
        return judged(name, true, f"no need at {lacking}", f"+-{GLOBAL}", right=False)
    return None if found else not_yet(name, true, too_little(seen.values()))
