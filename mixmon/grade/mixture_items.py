"""Items about needs, spread, trims and the whole engine."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance import CellNeed
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Item, does_not_apply, judged, numbers
from mixmon.simulate.run import simulate
from mixmon.simulate.truth import truth_of

AS_READ, TRUE, SPREAD, GLOBAL = 0.5, 1.0, 0.5, 0.7
"""Tolerances in percent of fuel: needs against what the sensors show and against what is true
without knowing their bias, spread left by the trims, whole engine against target."""

UNEVEN = 0.1
"""Difference of the two time constants of a sensor from which it counts as uneven."""

EDGE_SHARE = 2.0
"""Binomial allowance for the share of intervals that hold the truth, in standard deviations."""

Floats = NDArray[np.float64]
Centre = tuple[float | None, float | None]


def needs_as_read(evidence: Evidence) -> Item:
    """Needs for the trims against what each sensor shows without noise."""
    return _needs("needs, as the sensors read", evidence, "read_vs_peers_percent", AS_READ)


def needs_in_truth(evidence: Evidence) -> Item:
    """The same against the truth of the cylinder behind the label: sensor bias is not known."""
    return _needs("needs, true of the cylinder behind the label", evidence, "needs_vs_peers_percent", TRUE)


def rounded_trims(evidence: Evidence) -> Item:
    """Spread that the offered trims leave where they were made, against rounding each true need by itself.

    An error within its interval can put a need on the next step, of the leanest and of the richest.
    """
    name = "rounded trims: spread they leave, as read"
    offered = _offered(evidence)
    if offered is None:
        return judged(name, "trims", f"none: {'; '.join(evidence.balance.withheld)}", "", right=False)
    read = evidence.by_label(_used_cells(evidence, "read_vs_peers_percent"))
    step = evidence.simulation.session.trims.step_percent
    alone = float(np.ptp(_after(read, np.round(read / step) * step)))
    left = float(np.ptp(_after(read, offered)))
    right = left <= alone + 2 * step and abs(offered.sum()) <= step / 2 + 1e-9
    return judged(
        name, f"{alone:.1f}", f"{left:.1f}, sum {offered.sum():+.1f}", f"+{2 * step:g}", right=right
    )


def predicted_spread(evidence: Evidence) -> Item:
    """Spread predicted for every cell, against the cell's truth once the trims are in."""
    name = "predicted spread after the trims, by cell"
    offered = _offered(evidence)
    if offered is None:
        return judged(name, "trims", "none", "", right=False)
    entered = np.zeros(len(offered))
    entered[evidence.behind] = offered
    simulation = evidence.simulation
    held = np.array(simulation.session.trims.now_percent or np.zeros(len(entered)))
    world = simulation.world
    again = simulate(
        world.scenario,
        seed=world.seed,
        duration=world.timeline.duration_s,
        trims=tuple((held + entered).tolist()),
    )
    after = truth_of(again)
    true: dict[Centre, float] = {(c["rpm"], c["load"]): c["spread_read_percent"] for c in after["cells"]}
    clean = _clean_cells(evidence)
    pairs = [
        (spread, true[cell.rpm, cell.load])
        for cell, spread in evidence.balance.predicted_by_cell
        if (cell.rpm, cell.load) in clean and spread.cylinders_used == len(offered)
    ]
    if not pairs:
        return does_not_apply(name, "no steady cell")
    near = [
        abs(found.value - truth) <= SPREAD or found.interval95[0] <= truth <= found.interval95[1]
        for found, truth in pairs
    ]
    return judged(
        name,
        " ".join(f"{truth:.1f}" for _, truth in pairs),
        " ".join(f"{found.value:.1f}" for found, _ in pairs),
        f"+-{SPREAD} or its interval",
        right=all(near),
    )


def whole_engine(evidence: Evidence) -> Item:
    """The whole engine against the target by cell: errors of the base map stay out of the trims."""
    clean = _clean_cells(evidence)
    pairs = [
        (need.needs_percent, clean[need.rpm, need.load]["engine_needs_read_percent"])
        for need in evidence.balance.whole_engine
        if (need.rpm, need.load) in clean and math.isfinite(need.needs_percent)
    ]
    name = "whole engine against target, by cell"
    if not pairs:
        return does_not_apply(name, "no steady cell")
    worst = max(abs(found - truth) for found, truth in pairs)
    return judged(
        name,
        numbers([truth for _, truth in pairs]),
        numbers([found for found, _ in pairs]),
        f"+-{GLOBAL}",
        right=worst <= GLOBAL,
    )


def intervals(evidence: Evidence) -> Item:
    """How many 95 % intervals of cylinders in cells hold what the sensor shows without noise.

    A sensor that follows rich faster than lean turns noise itself into a richer mean; what it shows
    "without noise" is not what it shows, and it is left out here.
    """
    name = "intervals that hold the truth, as read"
    even = {
        one["label"]
        for one, sensor in zip(evidence.truth["identity"], evidence.truth["sensors"], strict=True)
        if abs(sensor["lean_s"] / sensor["rich_s"] - 1) <= UNEVEN
    }
    looks = [look for look in _looks(evidence) if look[0].cylinder in even]
    if not looks:
        return does_not_apply(name, "no steady cell")
    held = sum(abs(found.needs_percent - truth) <= found.half_interval_percent for found, truth in looks)
    share, allowance = held / len(looks), EDGE_SHARE * math.sqrt(0.95 * 0.05 / len(looks))
    right = share >= 0.92 - allowance
    tolerance = f"from {100 * max(0.0, 0.92 - allowance):.0f} %"
    return judged(name, "95 %", f"{100 * share:.1f} % of {len(looks)}", tolerance, right=right)


def cell_errors(evidence: Evidence) -> list[float]:
    """Errors of the needs of all cylinders in all cells of the script, percent of fuel."""
    return [found.needs_percent - truth for found, truth in _looks(evidence)]


def _needs(name: str, evidence: Evidence, key: str, tolerance: float) -> Item:
    true = evidence.by_label(_used_cells(evidence, key))
    found = np.array([c.needs_percent for c in evidence.balance.cylinders])
    worst = float(np.max(np.abs(found - true)))  # NaN where a need is not known, and then not right
    return judged(
        name, numbers(true.tolist()), numbers(found.tolist()), f"+-{tolerance}", right=worst <= tolerance
    )


def _used_cells(evidence: Evidence, key: str) -> list[float]:
    """Mean over the cells of the script that trims are made from, in cylinder order."""
    rules = evidence.simulation.session.trims
    used = {(c.rpm, c.load) for c in evidence.balance.cells if c.used_for_trims}
    rows = [c[key] for c in evidence.truth["cells"] if (c["rpm"], c["load"]) in used]
    if not rows:  # the script holds none of the centres: everything at a load that counts
        rows = [c[key] for c in evidence.truth["cells"] if c["load"] >= (rules.load_from or 0.0)]
    return [float(value) for value in np.mean(rows, axis=0)]


def _offered(evidence: Evidence) -> Floats | None:
    """Change of trim by label; None when withheld."""
    change = [c.trim_new_percent - c.trim_now_percent for c in evidence.balance.cylinders]
    return None if evidence.balance.withheld else np.array(change)


def _after(needs: Floats, trims: Floats) -> Floats:
    return 100 * ((1 + needs / 100) / (1 + trims / 100) - 1)


def _clean_cells(evidence: Evidence) -> dict[Centre, dict[str, Any]]:
    """Cells of the script in which nothing else happens: no other point, steps or patterns."""
    axes = evidence.simulation.session.axes
    held = evidence.parts("start", "steady", "identity", "pattern", "tip-in")
    points: dict[Centre, set[tuple[str, float, float]]] = {}
    for part in held:
        centre = (_nearest(axes.rpm, part["rpm"]), _nearest(axes.load, part["load"]))
        kind = "steady" if part["kind"] in {"start", "steady"} else part["kind"]
        points.setdefault(centre, set()).add((kind, part["rpm"], part["load"]))
    cells: dict[Centre, dict[str, Any]] = {(c["rpm"], c["load"]): c for c in evidence.truth["cells"]}
    alone = {c for c, seen in points.items() if {where[1:] for where in seen} == {c} and len(seen) == 1}
    return {c: cell for c, cell in cells.items() if c in alone}


def _nearest(axis: tuple[float, ...], x: float) -> float:
    return min(axis, key=lambda centre: abs(centre - x))


def _looks(evidence: Evidence) -> Iterator[tuple[CellNeed, float]]:
    clean, behind = _clean_cells(evidence), evidence.behind
    for found in evidence.balance.cells:
        if (found.rpm, found.load) in clean and math.isfinite(found.half_interval_percent):
            yield found, clean[found.rpm, found.load]["read_vs_peers_percent"][behind[found.cylinder - 1]]
