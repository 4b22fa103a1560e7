"""Items about needs and their intervals."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import BalanceStage, CellNeed
from mixmon.findings.balance.cells import OFTEN_EVENTS
from mixmon.grade.evidence import (
    Evidence,
    SeenCell,
    Truth,
    at_full_load,
    by_cell,
    leaking_labels,
    refused,
    seen_cells,
    too_little,
)
from mixmon.grade.item import (
    WIDE,
    Item,
    Verdict,
    does_not_apply,
    excused,
    judged,
    not_yet,
    numbers,
    weighed,
    within,
)
from mixmon.mixture.steady import Cell
from mixmon.simulate.simulation import simulate
from mixmon.simulate.truth import spread, truth_of

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


# ----------------------------------------------------------------------------------------------------
# Items about trims: their rules, the spread they leave, and the spread that was predicted.
# ----------------------------------------------------------------------------------------------------

SPREAD = 0.5
"""How far a predicted spread may be from the true one, percent of fuel."""

_WHOLE = 1e-6


def trim_rules(evidence: Evidence) -> Item:
    """Offered trims are whole steps within the limits, and leave the sum of the trims as it was.

    Rounding that keeps the mean is out by half a step in the sum at most.
    """
    name = "offered trims: steps, limits, sum"
    if evidence.balance.withheld:
        return _withheld(name, evidence)
    rules, new = evidence.simulation.session.trims, _new(evidence)
    moved = new[new != _now(evidence)]
    beyond = int(((moved < rules.lowest_percent) | (moved > rules.highest_percent)).sum())
    uneven = int((np.abs(moved / rules.step_percent - np.rint(moved / rules.step_percent)) > _WHOLE).sum())
    change = float((new - _now(evidence)).sum())
    right = not beyond and not uneven and abs(change) <= rules.step_percent / 2 + _WHOLE
    found = f"{beyond} beyond limits, {uneven} not whole steps, sum {change:+.2f}"
    tolerance = f"sum +-{rules.step_percent / 2:g}"
    return judged(name, "0 beyond limits, 0 not whole steps, sum as it was", found, tolerance, right=right)


def spread_left(evidence: Evidence) -> Item:
    """True spread once the offered trims are in the cylinders behind the labels.

    Against trims that follow exactly what the sensors show: these leave the sensors' biases. A
    step of rounding and one need that is out as far as it may be are allowed on top.
    """
    name = "true spread that the offered trims leave, labels proved"
    if evidence.balance.withheld:
        return _withheld(name, evidence)
    cells = used_cells(evidence)
    if not cells:
        return no_used_cell(name, evidence)
    exact = np.mean([one.read_needs for one in cells], axis=0)
    used = {one.cell for one in cells}
    least = _mean_true_spread(_seen_with(evidence, 1 + exact / 100), used)
    left = _mean_true_spread(_seen_with(evidence, _change(evidence)), used)
    allowed = evidence.simulation.session.trims.step_percent + AS_READ
    right = left <= least + allowed
    return judged(name, f"{least:.1f} from exact trims", f"{left:.1f}", f"+{allowed:g}", right=right)


def predicted_as_read(evidence: Evidence) -> Item:
    """Spread predicted for every cell against what the sensors will show there with the trims in."""
    name = "spread predicted after the trims by cell, as read"
    if evidence.balance.withheld:
        return _withheld(name, evidence)
    after = _seen_with(evidence, _change(evidence))
    return _predicted(name, evidence, after, {cell: one.read_spread for cell, one in after.items()})


def predicted_in_truth(evidence: Evidence) -> Item:
    """The same against the true spread, from which biases and leaks keep what the sensors show.

    Judged where these do not matter; elsewhere nothing in the log tells the one from the other.
    """
    name = "spread predicted after the trims by cell, true"
    if evidence.balance.withheld:
        return _withheld(name, evidence)
    after = _seen_with(evidence, _change(evidence))
    true = {cell: one.true_spread for cell, one in after.items()}
    item = _predicted(name, evidence, after, true)
    near = within([one.read_spread for one in after.values()], list(true.values()), SPREAD)
    if near and (item.verdict is not Verdict.WRONG or predicted_as_read(evidence).verdict is Verdict.WRONG):
        return item
    lacking = f"{_misled_by(evidence)} are not known from one run"
    return not_yet(name, item.expected, lacking, item.found, item.tolerance)


def _predicted(
    name: str, evidence: Evidence, after: Mapping[Cell, SeenCell], true: Mapping[Cell, float]
) -> Item:
    """Every cell's prediction; wrong where the needs of all labels are told, and none is made from them."""
    if not after:
        return does_not_apply(name, "no steady cell that can be compared")
    n = len(evidence.behind)
    found = {c: p for c, p in evidence.balance.predicted_by_cell if c in after and p.cylinders_used == n}
    told = told_needs(evidence)
    lacking = [
        one.centre
        for cell, one in after.items()
        if cell not in found and all(math.isfinite(told.get((cell, i), math.nan)) for i in range(1, n + 1))
    ]
    if lacking:
        return judged(name, by_cell(true), f"none for {', '.join(lacking)}", "", right=False)
    if not found:
        return not_yet(name, by_cell(true), too_little(after.values()))
    return weighed(
        name,
        by_cell({cell: true[cell] for cell in found}),
        by_cell({cell: spread.value for cell, spread in found.items()}),
        f"+-{SPREAD}; up to +-{WIDE * SPREAD:g} if it says so itself",
        verdicts=[
            excused(spread.value, spread.interval95, true[cell], SPREAD) for cell, spread in found.items()
        ],
        why="intervals too wide to be of use",
    )


def _misled_by(evidence: Evidence) -> str:
    biased = any(sensor["bias_percent"] for sensor in evidence.truth["sensors"])
    what = ["sensor biases"] * biased + ["leaks"] * bool(evidence.faults("leak"))
    return " and ".join(what)


def _seen_with(evidence: Evidence, change: Floats) -> dict[Cell, SeenCell]:
    """The cells' truth with the fuel of each label's cylinder changed by a factor, float64[n] by label."""
    world = evidence.simulation.world
    factors = 1 + np.array(world.trims) / 100
    factors[evidence.behind] *= change
    again: Truth = truth_of(
        simulate(
            world.scenario,
            seed=world.seed,
            duration=evidence.simulation.duration_s,
            trims=tuple((100 * (factors - 1)).tolist()),
        )
    )
    return seen_cells(evidence, again)


def _mean_true_spread(seen: Mapping[Cell, SeenCell], cells: set[Cell]) -> float:
    """Spread of the mean over the cells."""
    return spread(np.exp(np.mean([np.log(one.true) for cell, one in seen.items() if cell in cells], axis=0)))


def _new(evidence: Evidence) -> Floats:
    return np.array([one.trim_new_percent for one in evidence.balance.cylinders])


def _now(evidence: Evidence) -> Floats:
    return np.array([one.trim_now_percent for one in evidence.balance.cylinders])


def _change(evidence: Evidence) -> Floats:
    """Factor on each label's fuel that is offered."""
    return (100 + _new(evidence)) / (100 + _now(evidence))


def _withheld(name: str, evidence: Evidence) -> Item:
    """Trims are held back: is it true that there was too little data, or that misfire was frequent?"""
    reasons = "; ".join(evidence.balance.withheld)
    if reasons.startswith("misfire in the data") and len(evidence.events("misfire")) >= OFTEN_EVENTS:
        return does_not_apply(name, "misfire is planted often enough for trims to be held back, and they are")
    may_be_used = BalanceStage(evidence.simulation.session).used
    seen = [one for one in seen_cells(evidence).values() if may_be_used(one.number)]
    enough = np.any([one.enough for one in seen], axis=0).sum() if seen else 0
    if enough < 2 and reasons.startswith("too little data"):
        return not_yet(name, "trims", too_little(seen), f"none offered: {reasons}")
    return judged(name, "trims", f"none offered: {reasons}", "", right=False)
