"""Items about needs and their intervals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.balance import BalanceStage, CellNeed
from mixmon.grade.evidence import Evidence, leaking_labels
from mixmon.grade.item import Item, Verdict, does_not_apply, judged, not_yet, numbers, within
from mixmon.grade.seen import SeenCell, at_full_load, refused, seen_cells, too_little
from mixmon.mixture.steady import Cell

AS_READ = 0.5
"""How far a need may be from what its sensor shows without noise, percent of fuel."""

TRUE = 1.0
"""The same from the truth of the cylinder behind the label, where sensor biases are not known."""

HELD_LEAST, HELD_MOST, CHANCE = 0.92, 0.98, 0.025
"""Between these shares of 95 % intervals shall hold the truth; a share is wrong when it would come by
chance more seldom than that from an analysis at the nearer end."""

UNEVEN = 0.1
"""Relative difference of a sensor's two time constants from which noise alone shifts its mean."""

Floats = NDArray[np.float64]


def needs_as_read(evidence: Evidence) -> Item:
    """Needs at full load by label, mean over the cells, against what each sensor shows without noise."""
    return _needs("needs at full load, as the sensors read", evidence, AS_READ, of_cylinders=False)


def needs_in_truth(evidence: Evidence) -> Item:
    """The same against what is true of the cylinder that the label's sensor sits in."""
    return _needs("needs at full load, true behind the label", evidence, TRUE, of_cylinders=True)


def combined_needs(evidence: Evidence) -> Item:
    """The needs that trims are made from.

    Where a cylinder's cells differ, one need for all is a matter of weights: it must lie among
    the cells' truths, or as near to them as a need in one cell.
    """
    name = "needs that trims are made from, over the cells"
    cells = used_cells(evidence)
    if not cells:
        return no_used_cell(name, evidence)
    true = np.array([one.read_needs for one in cells])
    found = np.array([_known(c.needs_percent, c.interval95_percent[1]) for c in evidence.balance.cylinders])
    nearest = np.clip(found, true.min(axis=0), true.max(axis=0))
    least, most = numbers(true.min(axis=0).tolist()), numbers(true.max(axis=0).tolist())
    expected = least if least == most else f"{least} to {most}"
    asked = np.any([one.enough for one in cells], axis=0) | np.isfinite(found)
    right = within(found[asked].tolist(), nearest[asked].tolist(), AS_READ)
    return _all_told(name, expected, found.tolist(), cells, right=right)


def intervals(evidence: Evidence) -> Item:
    """How many 95 % intervals of cylinders in cells hold what the sensor shows without noise.

    A sensor that follows rich faster than lean makes a richer mean out of noise alone, so there
    "without noise" is not the truth: it is left out. So are cells in which single cylinders'
    fuel was stepped: their scatter is not noise.
    """
    name = "95 % intervals that hold the truth, as read"
    seen, expected = seen_cells(evidence), f"{100 * HELD_LEAST:.0f} to {100 * HELD_MOST:.0f} %"
    if not seen:
        return does_not_apply(name, "no steady cell that can be compared")
    lacking = untold(evidence, seen.values())
    if lacking:
        return judged(name, expected, f"no interval for {lacking}", "", right=False)
    looks = [look for look in _looks(evidence, seen) if look[0].cylinder not in uneven_labels(evidence)]
    if not looks:
        return not_yet(name, expected, too_little(seen.values()))
    held = sum(abs(found.needs_percent - truth) <= found.half_interval_percent for found, truth in looks)
    right = _chance_of_few(held, len(looks)) > CHANCE and _chance_of_many(held, len(looks)) > CHANCE
    found = f"{100 * held / len(looks):.1f} % of {len(looks)}"
    left_out = ", ".join(str(label) for label in sorted(uneven_labels(evidence)))
    return judged(
        name,
        expected,
        found + (f"; uneven sensor at label {left_out} left out" if left_out else ""),
        "chance",
        right=right,
    )


def cell_errors(evidence: Evidence) -> list[tuple[float, float]]:
    """Error and half-interval, percent, of every cylinder's need in every cell that can be compared."""
    return [
        (found.needs_percent - truth, found.half_interval_percent)
        for found, truth in _looks(evidence, seen_cells(evidence))
    ]


def used_cells(evidence: Evidence) -> list[SeenCell]:
    """The cells that trims are made from, as far as they can be compared."""
    used = {Cell(need.rpm, need.load) for need in evidence.balance.cells if need.used_for_trims}
    return [one for cell, one in seen_cells(evidence).items() if cell in used]


def no_used_cell(name: str, evidence: Evidence) -> Item:
    """The answer where the analysis makes trims from no cell: is there one that it should have used?"""
    may_be_used = BalanceStage(evidence.simulation.session).used
    seen = [one for one in seen_cells(evidence).values() if may_be_used(one.number)]
    if not seen:
        return does_not_apply(name, "no steady cell that may be used for trims")
    expected = "needs from " + ", ".join(one.centre for one in seen)
    if any(one.enough.sum() > 1 for one in seen):
        return judged(name, expected, "none", "", right=False)
    return not_yet(name, expected, too_little(seen))


def untold(evidence: Evidence, cells: Iterable[SeenCell]) -> str:
    """Labels and cells of which enough was counted for an interval, and none was told; in words."""
    told = told_needs(evidence)
    return refused(
        [
            (f"label {label} at {one.centre}", seconds, math.isfinite(told.get((one.cell, label), math.nan)))
            for one in cells
            for label, seconds in enumerate(one.counted_s.tolist(), 1)
        ]
    )


def _needs(name: str, evidence: Evidence, tolerance: float, *, of_cylinders: bool) -> Item:
    """By label, over the cells at full load in which the label's need is told."""
    full = at_full_load(seen_cells(evidence).values())
    if not full:
        return does_not_apply(name, "no steady cell that can be compared")
    told = told_needs(evidence)
    labels = range(1, len(evidence.behind) + 1)
    found = np.array([[told.get((one.cell, label), math.nan) for label in labels] for one in full])
    true = np.array([one.true_needs if of_cylinders else one.read_needs for one in full])
    expected = numbers(_mean_where(true, np.ones_like(true)))
    lacking = untold(evidence, full)
    if lacking:
        return judged(name, expected, f"no need for {lacking}", f"+-{tolerance}", right=False)
    means = np.array(_mean_where(found, found))
    known = np.isfinite(means)
    right = within(means[known].tolist(), np.array(_mean_where(true, found))[known].tolist(), tolerance)
    item = _all_told(name, expected, means.tolist(), full, right=right, tolerance=tolerance)
    return _misled(item, evidence, full) if of_cylinders and not right else item


def _misled(item: Item, evidence: Evidence, cells: list[SeenCell]) -> Item:
    """A wrong answer is not yet one where leaks bend what the sensors read by more than is allowed.

    Biases of good sensors are within what is allowed, so they are no excuse.
    """
    leaking = leaking_labels(evidence.truth)
    bent = np.max([abs(one.read_needs - one.true_needs) for one in cells])
    if not leaking or bent <= TRUE or needs_as_read(evidence).verdict is Verdict.WRONG:
        return item
    return not_yet(item.name, item.expected, "no finding of leaks", item.found, item.tolerance)


def _mean_where(values: Floats, known: Floats) -> list[float]:
    """Means of the columns of float64[m, n] over the rows in which `known` is a number; NaN where in none."""
    there = np.isfinite(known)
    total, count = np.where(there, values, 0.0).sum(axis=0), there.sum(axis=0)
    means = np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)
    return [float(mean) for mean in means]


def _all_told(
    name: str,
    expected: str,
    found: list[float],
    cells: list[SeenCell],
    *,
    right: bool,
    tolerance: float = AS_READ,
) -> Item:
    """Right or wrong; not yet where all that was told is right, and of some labels there was too little."""
    unknown = [label for label, need in enumerate(found, 1) if not math.isfinite(need)]
    if right and unknown:
        return not_yet(name, expected, too_little(cells, unknown), numbers(found), f"+-{tolerance}")
    return judged(name, expected, numbers(found), f"+-{tolerance}", right=right)


def told_needs(evidence: Evidence) -> Mapping[tuple[Cell, int], float]:
    """Need by cell and label; NaN where it is told without an interval."""
    return {
        (Cell(one.rpm, one.load), one.cylinder): _known(one.needs_percent, one.half_interval_percent)
        for one in evidence.balance.cells
    }


def _known(need: float, interval: float) -> float:
    """The need, if it has an interval."""
    return need if math.isfinite(interval) else math.nan


def _looks(evidence: Evidence, seen: dict[Cell, SeenCell]) -> Iterator[tuple[CellNeed, float]]:
    """Every need with an interval in a cell without single steps, and its truth as read."""
    for found in evidence.balance.cells:
        cell = seen.get(Cell(found.rpm, found.load))
        if cell is not None and not cell.stepped and math.isfinite(found.half_interval_percent):
            yield found, float(cell.read_needs[found.cylinder - 1])


def uneven_labels(evidence: Evidence) -> set[int]:
    """Labels of sensors whose two time constants differ."""
    label_of = {one["position"]: one["label"] for one in evidence.truth["identity"]}
    return {
        label_of[sensor["position"]]
        for sensor in evidence.truth["sensors"]
        if abs(sensor["lean_s"] / sensor["rich_s"] - 1) > UNEVEN
    }


def _chance_of_few(held: int, looks: int) -> float:
    """Chance of so few or fewer when each holds with the least share."""
    return sum(_binomial(k, looks, HELD_LEAST) for k in range(held + 1))


def _chance_of_many(held: int, looks: int) -> float:
    """Chance of so many or more when each holds with the largest share."""
    return sum(_binomial(k, looks, HELD_MOST) for k in range(held, looks + 1))


def _binomial(k: int, n: int, share: float) -> float:
    return math.comb(n, k) * share**k * (1 - share) ** (n - k)
