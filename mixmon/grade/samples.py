"""Items about the whole engine, the reference, the samples that are counted, and steady time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from mixmon.arrays import Bools, Bytes, Floats
from mixmon.findings.balance.balance import Balance
from mixmon.findings.balance.notes import BalanceNote
from mixmon.gas.transport import cycle_s
from mixmon.grade.causes import no_leak_shows
from mixmon.grade.evidence import (
    Evidence,
    SeenCell,
    by_cell,
    references,
    refused,
    seen_cells,
    too_little,
)
from mixmon.grade.item import WIDE, Grading, Item, does_not_apply, excused, judged, numbers, within
from mixmon.grade.needs import AS_READ, uneven_labels
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import Cell
from mixmon.simulate.engine import INJECTION_TO_EXHAUST_DEG, SPARK_TO_EXHAUST_DEG
from mixmon.simulate.timeline import CYCLE_DEG
from mixmon.simulate.truth import engine_lambda, needs

GLOBAL = 0.7
"""How far the whole engine's need may be from the truth, percent of fuel: our choice."""

REFERENCE_SHIFT = 0.1
"""How far the common shift that a leak gives its peers may be from the truth, percent of fuel: our choice."""

_SHIFTED = 0.5
"""A leak that shifts the others less than this does not spoil the reference, percent of fuel: our choice."""

_NARROW_PERCENT = 0.45
"""Half of an interval up to which a need is out by `AS_READ` in 1 case of 40 at most, percent of fuel."""

_NO_PATTERN = "a leak is planted that shows in fewer cells than tell one"
_NO_SHIFT = "no leak that shifts the others in a cell that can be compared"


def engine_as_read(evidence: Evidence) -> Item:
    """The whole engine against target by cell: errors of the base map, kept out of the trims."""
    name = "whole engine against target by cell, as read"
    seen, found = seen_cells(evidence), _engine_needs(evidence)
    unanswered = _no_engine_need(name, seen, found)
    if unanswered:
        return unanswered
    lam = references(evidence.balance, seen)
    true = {cell: 100 * (lam[cell] / seen[cell].target - 1) for cell in found}
    right = within(list(found.values()), list(true.values()), GLOBAL)
    return judged(name, by_cell(true, signed=True), by_cell(found, signed=True), f"±{GLOBAL}", right=right)


def engine_in_truth(evidence: Evidence) -> Item:
    """The same against the truth; where a leak or biases drag the mean further, they must be found first."""
    name = "whole engine against target by cell, true"
    seen, found = seen_cells(evidence), _engine_needs(evidence)
    unanswered = _no_engine_need(name, seen, found)
    if unanswered:
        return unanswered
    given = {Cell(one.rpm, one.load): one for one in evidence.balance.whole_engine}
    true = {cell: seen[cell].true_engine for cell in found}
    said = [
        f"{seen[cell].centre}: {value:+.1f}"
        + (f" (±{given[cell].half_interval_percent:.1f})" if given[cell].reference.suspect else "")
        for cell, value in found.items()
    ]
    allowed = {
        cell: max(GLOBAL, given[cell].half_interval_percent) if given[cell].reference.suspect else GLOBAL
        for cell in found
    }
    right = all(abs(value - true[cell]) <= allowed[cell] for cell, value in found.items())
    if not right and no_leak_shows(evidence):
        return does_not_apply(name, _NO_PATTERN)
    return judged(name, by_cell(true, signed=True), ", ".join(said), f"±{GLOBAL}", right=right)


def spared_reference(evidence: Evidence) -> Item:
    """With the leaking cylinders left out, what remains of the others is what their own sensors show.

    Uneven sensors are not compared: noise alone shifts their mean. Where another label looks like a leak too,
    the intervals hold both, and may say so by being wider.
    """
    name = "leaking cylinder left out: what remains of the others"
    worst = _most_shifted(evidence)
    if worst is None or evidence.spared is None:
        return does_not_apply(name, _NO_SHIFT)
    doubted = any(
        one.reference.suspect for one in evidence.spared.whole_engine if Cell(one.rpm, one.load) == worst.cell
    )
    unanswered = _not_narrow(name, worst, evidence, WIDE * AS_READ if doubted else _NARROW_PERCENT)
    if unanswered:
        return unanswered
    sound, n = _sound_labels(evidence), len(evidence.behind)
    even = np.array([label not in uneven_labels(evidence) for label in range(1, n + 1)])
    lam = references(evidence.spared, seen_cells(evidence), evidence.leaking)[worst.cell]
    true = (100 * (worst.read / lam - 1))[sound & even].tolist()
    found = _needs_in(evidence.spared, worst.cell, n)[sound & even].tolist()
    half = _halves_in(worst, evidence)[sound & even].tolist()
    right = all(
        excused(f, (f - h, f + h), t, AS_READ) is Grading.RIGHT
        for f, h, t in zip(found, half, true, strict=True)
    )
    said = numbers(found) + (f" (up to ±{max(half):.1f})" if doubted else "")
    return judged(name, numbers(true), said, f"±{AS_READ}", right=right)


def reference_shift(evidence: Evidence) -> Item:
    """By how much the cylinders that were left out would have made the others look rich, as the balance says.

    The truth is that of the labels which it left out, leaking or not: a throttle that is out of step reads as
    a leak does.
    """
    name = "leaking cylinder left out: shift of the others"
    worst = _most_shifted(evidence)
    if worst is None:
        return does_not_apply(name, _NO_SHIFT)
    if no_leak_shows(evidence):
        return does_not_apply(name, _NO_PATTERN)
    told = [one for one in evidence.balance.notes if one.code is BalanceNote.REFERENCE_WITHOUT_SUSPECTS]
    if not told:
        return judged(name, f"{-_reference_shift(worst, evidence):+.2f}", "none said", "", right=False)
    values = dict(told[0].values)
    cell = Cell(values["rpm"], values["load"])  # type: ignore[arg-type]
    seen = seen_cells(evidence)
    if cell not in seen:
        return does_not_apply(name, f"told of {cell}, of which the truth says nothing")
    true = 100 * (engine_lambda(seen[cell].read) / references(evidence.balance, seen)[cell] - 1)
    found = float(values["shift_percent"])  # type: ignore[arg-type]
    # What a cylinder's needs may be out by in two cells, here and where it is richest, shared by the others.
    tolerance = max(REFERENCE_SHIFT, math.sqrt(2) * AS_READ / (len(evidence.behind) - 1))
    right = within([found], [true], tolerance)
    return judged(name, f"{true:+.2f}", f"{found:+.2f}", f"±{tolerance:.2g}", right=right)


def _sound_labels(evidence: Evidence) -> Bools:
    """Labels whose sensors sit behind no leak, bool[n]."""
    return np.array([label not in evidence.leaking for label in range(1, len(evidence.behind) + 1)])


def _reference_shift(one: SeenCell, evidence: Evidence) -> float:
    """What the leaking cylinders in the reference add to the needs of the others, mean of these."""
    sound = _sound_labels(evidence)
    return float(np.mean(one.read_needs[sound] - needs(one.read[sound])))


def _most_shifted(evidence: Evidence) -> SeenCell | None:
    """The cell in which leaks shift the others most, if it matters; with narrow intervals if there is one."""
    if evidence.spared is None:
        return None
    shifted = [
        one for one in seen_cells(evidence).values() if abs(_reference_shift(one, evidence)) >= _SHIFTED
    ]
    narrow = [one for one in shifted if _widest_interval(one, evidence) <= _NARROW_PERCENT]
    return max(narrow or shifted, key=lambda one: abs(_reference_shift(one, evidence)), default=None)


def _not_narrow(name: str, worst: SeenCell, evidence: Evidence, most: float = _NARROW_PERCENT) -> Item | None:
    """The answer where the cell has no intervals, or too wide ones; None where they can be compared."""
    widest = _widest_interval(worst, evidence)
    if widest <= most:
        return None
    expected = f"a shift of {_reference_shift(worst, evidence):+.2f} at {worst.centre}"
    if math.isfinite(widest):
        return does_not_apply(name, f"intervals up to ±{widest:.1f} % there are too wide for {expected}")
    if worst.enough[_sound_labels(evidence)].all():
        return judged(name, expected, "a sound cylinder's need has no interval", "", right=False)
    return does_not_apply(name, too_little([worst]))


def _widest_interval(one: SeenCell, evidence: Evidence) -> float:
    """Half of the widest interval of a sound label in the cell; NaN where one has none."""
    half = _halves_in(one, evidence)
    return float(half[_sound_labels(evidence)].max()) if len(half) == len(evidence.behind) else math.nan


def _halves_in(one: SeenCell, evidence: Evidence) -> Floats:
    """Halves of the intervals of all labels in the cell, the leaking ones left out, percent."""
    assert evidence.spared is not None
    cells = evidence.spared.cells
    return np.array([n.half_interval_percent for n in cells if Cell(n.rpm, n.load) == one.cell])


def _needs_in(balance: Balance, cell: Cell, n: int) -> Floats:
    """Needs of all n labels in a cell, percent; NaN where not known."""
    found = {one.cylinder: one.needs_percent for one in balance.cells if Cell(one.rpm, one.load) == cell}
    return np.array([found.get(label, math.nan) for label in range(1, n + 1)])


def _engine_needs(evidence: Evidence) -> dict[Cell, float]:
    """The whole engine's needs that have an interval, in cells that can be compared, percent."""
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
        return judged(name, true, f"no need at {lacking}", f"±{GLOBAL}", right=False)
    return None if found else does_not_apply(name, too_little(seen.values()))


# --- Samples: which are counted, and when the engine is steady. ---

STEADY_FOUND, TRANSIENT_TAKEN = 0.95, 0.02
"""Share of steady time that must be found, and of transient time that may be taken for it: our choice."""

COUNTED_SHARE = 0.95
"""Share of the samples of a ready sensor that must be counted while the warm engine is steady: our choice."""

_COLD = 0.001
"""Share of fuel that is added for the cold from which it matters: our choice, a tenth of a percent."""

_READY_HELD_S = 1.0
"""Seconds after a sensor has become ready in which its samples may be settling: our choice."""

_AFTER_OPENING_S = 1.0
"""Seconds after the throttle opens in which nothing is steady: our choice."""


def warming(evidence: Evidence) -> Item:
    """No sample is counted before its sensor is ready."""
    counted = 0
    for sensor in evidence.truth["sensors"]:
        counted += _count_valid(evidence, -np.inf, sensor["ready_s"], sensor["position"] - 1)
    return _none_counted("samples counted of sensors that are not ready", counted)


def cold(evidence: Evidence) -> Item:
    """No sample is counted while the control still adds fuel for the cold."""
    world = evidence.simulation.world
    rows = world.enrichment(evidence.t_s) > _COLD
    name = "samples counted of a cold engine"
    if not rows.any():
        return does_not_apply(name, "no fuel is added for the cold")
    return _none_counted(name, int((evidence.state[rows] == SampleState.VALID).sum()))


def fuel_cuts(evidence: Evidence) -> Item:
    """No sample is counted while air from a fuel cut passes the sensors."""
    return _grade_cuts("fuel cut", evidence, INJECTION_TO_EXHAUST_DEG)


def spark_cuts(evidence: Evidence) -> Item:
    """No sample is counted while the limiter cuts spark."""
    return _grade_cuts("spark cut", evidence, SPARK_TO_EXHAUST_DEG)


def drop_outs(evidence: Evidence) -> Item:
    """Every loss of supply is seen as silence, and no value is counted until the sensor is ready again.

    A loss shorter than the session's staleness is no silence.
    """
    drops = evidence.events("supply drop-out")
    name = "supply drop-outs seen, no held value counted"
    if not drops:
        return does_not_apply(name, "no drop-out planted")
    stale_s = evidence.simulation.session.validity.stale_s + 2 * ROW_S
    long = [drop for drop in drops if drop["to_s"] - drop["t_s"] > stale_s]
    late_s = 3 / evidence.simulation.world.scenario.controllers.rate_hz + ROW_S
    seen = sum(_is_silent(evidence, drop) for drop in long)
    counted = sum(
        _count_valid(evidence, drop["t_s"] + late_s, drop["ready_again_s"], drop["position"] - 1)
        for drop in drops
    )
    expected, found = f"{len(long)} seen, 0 samples", f"{seen} seen, {counted} samples"
    return judged(name, expected, found, "exact", right=seen == len(long) and not counted)


def steady_time(evidence: Evidence) -> Item:
    """The settled part of every scripted dwell inside the axes is found."""
    settle = evidence.simulation.session.validity.settle_s
    rows = np.zeros(len(evidence.t_s), np.bool_)
    for part in evidence.parts("start", "steady", "identity", "pattern"):
        if _is_inside(evidence, part):
            rows |= evidence.during(part["settled_s"] + settle, part["to_s"])
    name = "scripted steady time found"
    if not rows.any():
        return does_not_apply(name, "no dwell longer than the settle time")
    share = float(evidence.steady[rows].mean())
    return judged(name, "all", f"{100 * share:.1f} %", "from 95 %", right=share >= STEADY_FOUND)


def good_samples(evidence: Evidence) -> Item:
    """Of every sensor that is ready, the samples of steady time are counted; to exclude all is no answer."""
    name = "good samples of steady time counted"
    shares = [_counted_share(evidence, sensor) for sensor in evidence.truth["sensors"]]
    known = [share for share in shares if share is not None]
    if not known:
        return does_not_apply(name, "no steady time with a sensor that is ready")
    found = f"{100 * min(known):.1f} % of the worst of {len(known)} sensors"
    return judged(name, "all", found, f"from {100 * COUNTED_SHARE:.0f} %", right=min(known) >= COUNTED_SHARE)


def _counted_share(evidence: Evidence, sensor: dict[str, Any]) -> float | None:
    """Share of the sensor's good samples in steady time that are counted; None where there are none."""
    t, warm_c = evidence.t_s, evidence.simulation.session.validity.warm_coolant_c
    world, node = evidence.simulation.world, sensor["position"] - 1
    good = evidence.steady & evidence.undisturbed[:, node] & (t >= sensor["ready_s"] + _READY_HELD_S)
    good &= (world.enrichment(t) <= _COLD) & (world.coolant(t) >= warm_c)
    if not good.any():
        return None
    return float((evidence.state[good, node] == SampleState.VALID).mean())


def transient_time(evidence: Evidence) -> Item:
    """Time in which speed or load has left the point that was held is not taken for steady.

    From when it has moved further than the session's bands are wide until the next point is reached.
    """
    rows = np.zeros(len(evidence.t_s), np.bool_)
    for begins, ends in _moving_spans(evidence):
        rows |= evidence.during(begins, ends) & _has_moved(evidence, begins)
    name = "transient time taken for steady"
    if not rows.any():
        return does_not_apply(name, "no transient")
    share = float(evidence.steady[rows].mean())
    return judged(name, "none", f"{100 * share:.1f} %", "to 2 %", right=share <= TRANSIENT_TAKEN)


def _moving_spans(evidence: Evidence) -> Iterator[tuple[float, float]]:
    """Spans of the script in which the engine goes from one point to another."""
    for part in evidence.parts("sweep", "overrun", "limiter"):
        yield part["from_s"], part["to_s"]
    for part in evidence.parts("steady", "identity", "pattern", "tip-in"):
        yield part["from_s"], part["settled_s"]
    for event in evidence.events("throttle opens"):
        yield event["t_s"], event["t_s"] + _AFTER_OPENING_S


def _has_moved(evidence: Evidence, since_s: float) -> Bools:
    """Rows at which true speed or load is further from that moment's than the bands are wide, bool[k]."""
    timeline, rules = evidence.simulation.world.timeline, evidence.simulation.session.validity
    at, t = np.array([since_s]), evidence.t_s
    rpm, load = timeline.crank.rpm(t) - timeline.crank.rpm(at), timeline.load(t) - timeline.load(at)
    moved: Bools = (np.abs(rpm) > 2 * rules.rpm_band) | (np.abs(load) > 2 * rules.load_band)
    return moved


def _grade_cuts(kind: str, evidence: Evidence, to_exhaust_deg: float) -> Item:
    """From when the cut's gas has come to every sensor until other gas may have come to one."""
    name, cuts = f"samples counted during {kind}s", evidence.events(kind)
    if not cuts:
        return does_not_apply(name, f"no {kind} in the script")
    counted = 0
    for cut in cuts:
        way_s = _longest_way(evidence, cut["t_s"], to_exhaust_deg)
        counted += _count_valid(evidence, cut["t_s"] + way_s, cut["to_s"])
    return _none_counted(name, counted)


def _longest_way(evidence: Evidence, t_s: float, to_exhaust_deg: float) -> float:
    """Seconds until every cylinder's first gas of a cut at t_s has come to its sensor and into a row.

    A whole cycle passes until each has had its turn.
    """
    world, at = evidence.simulation.world, np.array([t_s])
    rpm, load = world.timeline.crank.rpm(at), world.timeline.load(at)
    front = max(float(world.front_s(i, rpm, load)[0]) for i in range(world.scenario.size))
    sample_s = 1 / world.scenario.controllers.rate_hz
    return float(cycle_s(float(rpm[0]))) * (1 + to_exhaust_deg / CYCLE_DEG) + front + sample_s + ROW_S


def _is_silent(evidence: Evidence, drop: dict[str, Any]) -> bool:
    """Whether the loss of supply was seen as silence of its node."""
    rows = evidence.during(drop["t_s"], drop["to_s"] + ROW_S)
    return bool((evidence.state[rows, drop["position"] - 1] == SampleState.SILENT).any())


def _count_valid(evidence: Evidence, begin: float, end: float, node: int | None = None) -> int:
    """Samples counted between two moments, of one node or of all."""
    states: Bytes = evidence.state[evidence.during(begin, end)]
    return int(((states if node is None else states[:, node]) == SampleState.VALID).sum())


def _none_counted(name: str, counted: int) -> Item:
    return judged(name, "0 samples", f"{counted} samples", "exact", right=counted == 0)


def _is_inside(evidence: Evidence, part: dict[str, float]) -> bool:
    """Whether a dwell lies within the outermost cells' centres."""
    axes = evidence.simulation.session.axes
    spans = ((axes.rpm, part["rpm"]), (axes.load, part["load"]))
    return all(not axis or axis[0] <= value <= axis[-1] for axis, value in spans)
