"""Items about trims: their rules, the spread they leave, and the spread that was predicted."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.balance import BalanceStage
from mixmon.findings.balance.cells import OFTEN_EVENTS
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import WIDE, Item, Verdict, does_not_apply, excused, judged, not_yet, weighed, within
from mixmon.grade.need_items import AS_READ, no_used_cell, told_needs, used_cells
from mixmon.grade.seen import SeenCell, Truth, by_cell, seen_cells, too_little
from mixmon.mixture.steady import Cell
from mixmon.simulate.run import simulate
from mixmon.simulate.truth import truth_of
from mixmon.simulate.truth_cells import spread

SPREAD = 0.5
"""How far a predicted spread may be from the true one, percent of fuel."""

_WHOLE = 1e-6

Floats = NDArray[np.float64]


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
