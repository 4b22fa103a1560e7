"""Items about needs and their intervals."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from mixmon.findings.balance import CellNeed
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Item, does_not_apply, judged, numbers, within
from mixmon.grade.seen import SeenCell, at_full_load, seen_cells
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
        return does_not_apply(name, "no cell that trims are made from can be compared")
    true = np.array([one.read_needs for one in cells])
    found = [one.needs_percent for one in evidence.balance.cylinders]
    nearest = np.clip(found, true.min(axis=0), true.max(axis=0))
    least, most = numbers(true.min(axis=0).tolist()), numbers(true.max(axis=0).tolist())
    expected = least if least == most else f"{least} to {most}"
    right = within(found, nearest.tolist(), AS_READ)
    return judged(name, expected, numbers(found), f"+-{AS_READ}", right=right)


def intervals(evidence: Evidence) -> Item:
    """How many 95 % intervals of cylinders in cells hold what the sensor shows without noise.

    A sensor that follows rich faster than lean makes a richer mean out of noise alone, so there
    "without noise" is not the truth: it is left out. So are cells in which single cylinders'
    fuel was stepped: their scatter is not noise.
    """
    name = "95 % intervals that hold the truth, as read"
    looks = [
        look for look in _looks(evidence, seen_cells(evidence)) if look[0].cylinder not in _uneven(evidence)
    ]
    if not looks:
        return does_not_apply(name, "no steady cell that can be compared")
    held = sum(abs(found.needs_percent - truth) <= found.half_interval_percent for found, truth in looks)
    right = _chance_of_few(held, len(looks)) > CHANCE and _chance_of_many(held, len(looks)) > CHANCE
    found = f"{100 * held / len(looks):.1f} % of {len(looks)}"
    left_out = ", ".join(str(label) for label in sorted(_uneven(evidence)))
    return judged(
        name,
        f"{100 * HELD_LEAST:.0f} to {100 * HELD_MOST:.0f} %",
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


def _needs(name: str, evidence: Evidence, tolerance: float, *, of_cylinders: bool) -> Item:
    full = at_full_load(seen_cells(evidence).values())
    if not full:
        return does_not_apply(name, "no steady cell that can be compared")
    true = np.mean([one.true_needs if of_cylinders else one.read_needs for one in full], axis=0)
    cells = {one.cell for one in full}
    found = [_mean_need(evidence, label, cells) for label in range(1, len(true) + 1)]
    right = within(found, true.tolist(), tolerance)
    return judged(name, numbers(true.tolist()), numbers(found), f"+-{tolerance}", right=right)


def _mean_need(evidence: Evidence, label: int, cells: set[Cell]) -> float:
    looks = [
        need.needs_percent
        for need in evidence.balance.cells
        if need.cylinder == label and Cell(need.rpm, need.load) in cells
    ]
    return float(np.mean(looks)) if looks else math.nan


def _looks(evidence: Evidence, seen: dict[Cell, SeenCell]) -> Iterator[tuple[CellNeed, float]]:
    """Every need with an interval in a cell without single steps, and its truth as read."""
    for found in evidence.balance.cells:
        cell = seen.get(Cell(found.rpm, found.load))
        if cell is not None and not cell.stepped and math.isfinite(found.half_interval_percent):
            yield found, float(cell.read_needs[found.cylinder - 1])


def _uneven(evidence: Evidence) -> set[int]:
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
