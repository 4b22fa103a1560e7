"""Items about needs, their intervals, and the trims that are made from them.

Needs are graded against what each sensor shows without noise ("as read"), which the analysis can know, and
against what is true of the cylinder: by one run, which the sensors' own errors limit, and once more with
these known by a rotation. Of a leak, which steady readings do not tell from uneven throttles, the program
must say both that it may be one and what follows if it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.balance.balance import Balance, BalanceStage, CellNeed, Spread
from mixmon.findings.balance.cells import OFTEN_EVENTS
from mixmon.findings.balance.notes import BalanceNote
from mixmon.grade.evidence import (
    Evidence,
    SeenCell,
    Truth,
    at_full_load,
    balance_of,
    by_cell,
    cylinders_behind,
    references,
    refused,
    seen_cells,
    too_little,
)
from mixmon.grade.item import (
    WIDE,
    Grading,
    Item,
    does_not_apply,
    excused,
    judged,
    numbers,
    weighed,
    within,
)
from mixmon.mixture.steady import Cell
from mixmon.simulate.simulation import Simulation, simulate
from mixmon.simulate.truth import spread, truth_of

AS_READ = 0.5
"""How far a need may be from what its sensor shows without noise, percent of fuel.

Our choice: below a usual step.
"""

TRUE = 1.0
"""The same from the truth of the cylinder: our choice, the bias of a good sensor (1 %)."""

INFORMED = 0.5
"""The same once the sensors' own errors are known: our choice, a usual step."""

HELD_LEAST, HELD_MOST, CHANCE = 0.92, 0.98, 0.025
"""Shares of 95 % intervals that must hold the truth, at least and at most: our choice, three in a hundred
around.

A share is wrong when an analysis at the nearer end would give it by chance more seldom than CHANCE.
"""

UNEVEN = 0.1
"""Relative difference of a sensor's two time constants from which noise alone shifts its mean: our choice."""


def needs_as_read(evidence: Evidence) -> Item:
    """Needs at full load by label, mean over the cells, against what each sensor shows without noise."""
    return _grade_needs("needs at full load, as the sensors read", evidence, AS_READ, of_cylinders=False)


def needs_in_truth(evidence: Evidence) -> Item:
    """The same against what is true of the cylinder that the program takes the label's sensor to see."""
    return _grade_needs("needs at full load, true", evidence, TRUE, of_cylinders=True)


def needs_informed(evidence: Evidence) -> Item:
    """The same with the sensors' own errors known by a rotation, which is played for it."""
    name = "needs at full load, true, sensors' errors known"
    item = _grade_needs(name, evidence, TRUE, of_cylinders=True)
    if item.grading is Grading.DOES_NOT_APPLY:
        return item
    if not evidence.further.rotation.solvable:
        return judged(name, item.expected, "the rotation is not solved", f"±{INFORMED}", right=False)
    return _grade_needs(name, evidence, INFORMED, of_cylinders=True, balance=evidence.further.informed)


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
    found = np.array(
        [_known_need(c.needs_percent, c.interval95_percent[1]) for c in evidence.balance.cylinders]
    )
    nearest = np.clip(found, true.min(axis=0), true.max(axis=0))
    least, most = numbers(true.min(axis=0).tolist()), numbers(true.max(axis=0).tolist())
    expected = least if least == most else f"{least} to {most}"
    asked = np.any([one.enough for one in cells], axis=0) | np.isfinite(found)
    right = within(found[asked].tolist(), nearest[asked].tolist(), AS_READ)
    return _judge_known(name, expected, found.tolist(), cells, right=right)


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
    lacking = missing_needs(evidence.balance, seen.values())
    if lacking:
        return judged(name, expected, f"no interval for {lacking}", "", right=False)
    looks = [
        look for look in _compared_needs(evidence, seen) if look[0].cylinder not in uneven_labels(evidence)
    ]
    if not looks:
        return does_not_apply(name, too_little(seen.values()))
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
        for found, truth in _compared_needs(evidence, seen_cells(evidence))
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
    return does_not_apply(name, too_little(seen))


def missing_needs(balance: Balance, cells: Iterable[SeenCell]) -> str:
    """Labels and cells without an interval of which enough was counted for one, in words; "" for none."""
    given = known_needs(balance)
    return refused(
        [
            (f"label {label} at {one.centre}", seconds, math.isfinite(given.get((one.cell, label), math.nan)))
            for one in cells
            for label, seconds in enumerate(one.counted_s.tolist(), 1)
        ]
    )


def _grade_needs(
    name: str, evidence: Evidence, tolerance: float, *, of_cylinders: bool, balance: Balance | None = None
) -> Item:
    """By entry, over the cells at full load in which the need has an interval.

    What is true of the cylinders is asked in cells that the program uses for trims: of the others it says
    itself that they do not show it, such as those with a leak's pattern.

    balance: None is the run's own.
    """
    balance = balance or evidence.balance
    full = at_full_load(seen_cells(evidence).values())
    if not full:
        return does_not_apply(name, "no steady cell that can be compared")
    if of_cylinders:
        if max(one.cell.load or 0.0 for one in full) < max(
            evidence.simulation.session.axes.load, default=0.0
        ):
            return does_not_apply(name, "no steady cell at full load")
        used = {Cell(one.rpm, one.load) for one in balance.cells if one.used_for_trims}
        full = [one for one in full if one.cell in used]
        if not full:
            return no_used_cell(name, evidence)
    given = known_needs(balance)
    labels = range(1, len(evidence.behind) + 1)
    found = np.array([[given.get((one.cell, label), math.nan) for label in labels] for one in full])
    true = np.array([one.true_needs if of_cylinders else one.read_needs for one in full])
    expected = numbers(_mean_where(true, np.ones_like(true)))
    lacking = missing_needs(balance, full)
    if lacking:
        return judged(name, expected, f"no need for {lacking}", f"±{tolerance}", right=False)
    means = np.array(_mean_where(found, found))
    known = np.isfinite(means)
    right = within(means[known].tolist(), np.array(_mean_where(true, found))[known].tolist(), tolerance)
    return _judge_known(name, expected, means.tolist(), full, right=right, tolerance=tolerance)


def _mean_where(values: Floats, known: Floats) -> list[float]:
    """Means of the columns of float64[m, n] over the rows in which `known` is a number; NaN where in none."""
    there = np.isfinite(known)
    total, count = np.where(there, values, 0.0).sum(axis=0), there.sum(axis=0)
    means = np.divide(total, count, out=np.full(len(count), np.nan), where=count > 0)
    return [float(mean) for mean in means]


def _judge_known(
    name: str,
    expected: str,
    found: list[float],
    cells: list[SeenCell],
    *,
    right: bool,
    tolerance: float = AS_READ,
) -> Item:
    """Right or wrong by what is known; of the others there was too little."""
    if not any(map(math.isfinite, found)):
        return does_not_apply(name, too_little(cells))
    return judged(name, expected, numbers(found), f"±{tolerance}", right=right)


def known_needs(balance: Balance) -> Mapping[tuple[Cell, int], float]:
    """Need by cell and entry, percent; NaN where it has no interval."""
    return {
        (Cell(one.rpm, one.load), one.cylinder): _known_need(one.needs_percent, one.half_interval_percent)
        for one in balance.cells
    }


def _known_need(need: float, interval: float) -> float:
    """The need; NaN where it has no interval."""
    return need if math.isfinite(interval) else math.nan


def _compared_needs(evidence: Evidence, seen: dict[Cell, SeenCell]) -> Iterator[tuple[CellNeed, float]]:
    """Every need with an interval in a cell without single steps, and its truth as read."""
    lam = references(evidence.balance, seen)
    for found in evidence.balance.cells:
        place = Cell(found.rpm, found.load)
        cell = seen.get(place)
        if cell is not None and not cell.stepped and math.isfinite(found.half_interval_percent):
            yield found, 100 * float(cell.read[found.cylinder - 1] / lam[place] - 1)


def uneven_labels(evidence: Evidence) -> set[int]:
    """Labels of sensors whose two time constants differ."""
    entry_of = {node + 1: entry for entry, node in enumerate(evidence.nodes, 1)}
    return {
        entry_of[sensor["position"]]
        for sensor in evidence.truth["sensors"]
        if abs(sensor["lean_s"] / sensor["rich_s"] - 1) > UNEVEN
    }


def _chance_of_few(held: int, looks: int) -> float:
    """Chance of so few or fewer when each holds with the least share."""
    return math.fsum(_binomial_chance(k, looks, HELD_LEAST) for k in range(held + 1))


def _chance_of_many(held: int, looks: int) -> float:
    """Chance of so many or more when each holds with the largest share."""
    return math.fsum(_binomial_chance(k, looks, HELD_MOST) for k in range(held, looks + 1))


def _binomial_chance(k: int, n: int, share: float) -> float:
    """Chance of k of n, each with the same chance."""
    return math.comb(n, k) * share**k * (1 - share) ** (n - k)


# --- Items about trims: their rules, the spread they leave, and the spread that was predicted. ---

SPREAD = 0.5
"""How far a predicted spread may be from the true one, percent of fuel: our choice, as for a need."""

TOTAL_FUEL = 0.1
"""How far the engine's fuel may be from what the offered trims say of it, percent: our choice, half of what a
need is uncertain by."""

_WHOLE = 1e-6
"""Steps by which a trim may miss a whole step: rounding of floats."""


def trim_rules(evidence: Evidence) -> Item:
    """Offered trims are whole steps within the limits, and change the engine's fuel as they say."""
    name = "offered trims: steps, limits, fuel"
    if evidence.balance.withheld:
        return _answer_withheld(name, evidence)
    rules, new = evidence.simulation.session.trims, _new_trims(evidence.balance)
    moved = new[new != _trims_now(evidence.balance)]
    beyond = int(((moved < rules.lowest_percent) | (moved > rules.highest_percent)).sum())
    uneven = int((np.abs(moved / rules.step_percent - np.rint(moved / rules.step_percent)) > _WHOLE).sum())
    told, change = evidence.balance.fuel_percent, _fuel_change(evidence)
    right = not beyond and not uneven and abs(change - told) <= TOTAL_FUEL
    found = f"{beyond} beyond limits, {uneven} not whole steps, fuel {told:+.2f} %"
    expected = f"0 beyond limits, 0 not whole steps, fuel {change:+.2f} %"
    return judged(name, expected, found, f"±{TOTAL_FUEL:g} %", right=right)


def _fuel_change(evidence: Evidence) -> float:
    """What the offered trims change in the fuel of all cylinders as the sensors show them, percent."""
    cells = used_cells(evidence) or list(seen_cells(evidence).values())
    burnt = np.mean([1 / one.read for one in cells], axis=0)
    return 100 * float((burnt * _trim_change(evidence.balance)).sum() / burnt.sum() - 1)


def spread_left(evidence: Evidence) -> Item:
    """True spread once the offered trims are entered as they stand.

    Against trims that follow exactly what the sensors show: these leave the sensors' biases. A
    step of rounding and one need that is out as far as it may be are allowed on top.
    """
    name = "true spread that the offered trims leave"
    if evidence.balance.withheld:
        return _answer_withheld(name, evidence)
    cells = used_cells(evidence)
    if not cells:
        return no_used_cell(name, evidence)
    exact = np.mean([one.read_needs for one in cells], axis=0)
    used = {one.cell for one in cells}
    least = _mean_true_spread(_seen_with(evidence, 1 + exact / 100), used)
    left = _mean_true_spread(_seen_with(evidence, _trim_change(evidence.balance)), used)
    allowed = evidence.simulation.session.trims.step_percent + AS_READ
    right = left <= least + allowed
    return judged(name, f"{least:.1f} from exact trims", f"{left:.1f}", f"+{allowed:g}", right=right)


def predicted_as_read(evidence: Evidence) -> Item:
    """Spread predicted for every cell against what the sensors will show there with the trims in."""
    name = "spread predicted after the trims by cell, as read"
    if evidence.balance.withheld:
        return _answer_withheld(name, evidence)
    after = _seen_with(evidence, _trim_change(evidence.balance))
    return _grade_prediction(name, evidence, after, {cell: one.read_spread for cell, one in after.items()})


def predicted_in_truth(evidence: Evidence) -> Item:
    """The same against the true spread, with the sensors' own errors known by a rotation.

    Where the program names what looks like a leak, its interval holds both: that it is one, and that not.
    """
    name = "spread predicted by cell, true, sensors' errors known"
    if evidence.balance.withheld:
        return _answer_withheld(name, evidence)
    balance = evidence.further.informed
    after = _seen_with(evidence, _trim_change(balance))
    return _grade_prediction(
        name, evidence, after, {cell: one.true_spread for cell, one in after.items()}, balance
    )


def rounded_informed(evidence: Evidence) -> Item:
    """The offered trims, sensors' errors known: each at most a step off the true one, and the range left.

    As for `spread_left`, a step of rounding and one need that is out as far as it may be are allowed.
    """
    name = "offered trims, sensors' errors known"
    if evidence.balance.withheld:
        return _answer_withheld(name, evidence)
    cells, balance, step = (
        used_cells(evidence),
        evidence.further.informed,
        evidence.simulation.session.trims.step_percent,
    )
    if not cells:
        return no_used_cell(name, evidence)
    used = {one.cell for one in cells}
    now = 1 + _trims_now(balance) / 100
    exact = 100 * (now * (1 + np.mean([one.true_needs for one in cells], axis=0) / 100) - 1)
    rounded, offered = np.round(exact / step) * step, _new_trims(balance)
    left = [
        _mean_true_spread(_seen_with(evidence, (1 + trims / 100) / now), used) for trims in (rounded, offered)
    ]
    right = bool((np.abs(offered - exact) <= 1.5 * step).all()) and left[1] <= left[0] + step + INFORMED
    return judged(
        name,
        f"{numbers(rounded.tolist())}, which leave {left[0]:.1f}",
        f"{numbers(offered.tolist())}, which leave {left[1]:.1f}",
        f"one step each, +{step + INFORMED:g}",
        right=right,
    )


def _grade_prediction(
    name: str,
    evidence: Evidence,
    after: Mapping[Cell, SeenCell],
    true: Mapping[Cell, float],
    balance: Balance | None = None,
) -> Item:
    """Every cell's prediction; wrong where the needs of all labels are known, and none is made from them.

    An interval in a cell with a suspect holds two answers, and may be as wide as they are apart. One in a
    cell in which fuel was stepped for single cylinders rests on readings that the steps moved.
    """
    if not after:
        return does_not_apply(name, "no steady cell that can be compared")
    balance, n = balance or evidence.balance, len(evidence.behind)
    found = {c: p for c, p in balance.predicted_by_cell if c in after and p.cylinders_used == n}
    given = known_needs(balance)
    lacking = [
        one.centre
        for cell, one in after.items()
        if cell not in found and all(math.isfinite(given.get((cell, i), math.nan)) for i in range(1, n + 1))
    ]
    if lacking:
        return judged(name, by_cell(true), f"none for {', '.join(lacking)}", "", right=False)
    if not found:
        return does_not_apply(name, too_little(after.values()))
    suspected = suspected_cells(balance)
    gradings = []
    for cell, predicted in found.items():
        grading = excused(predicted.value, predicted.interval95, true[cell], SPREAD)
        wide = grading is Grading.NOT_YET and (cell in suspected or after[cell].stepped)
        gradings.append(Grading.RIGHT if wide else grading)
    return weighed(
        name,
        by_cell({cell: true[cell] for cell in found}),
        ", ".join(_spread_text(after[cell], one) for cell, one in found.items()),
        f"±{SPREAD}; up to ±{WIDE * SPREAD:g} if it says so itself",
        gradings=gradings,
        why="intervals too wide to be of use",
    )


def _spread_text(seen: SeenCell, found: Spread) -> str:
    """The prediction, with its interval where that is wider than the tolerance."""
    low, high = found.interval95
    ends = f" ({low:.1f} to {high:.1f})" if high - low > 2 * SPREAD else ""
    return f"{seen.centre}: {found.value:.1f}{ends}"


def suspected_cells(balance: Balance) -> set[Cell]:
    """Cells in which the program says that a cylinder looks like a leak."""
    return {Cell(one.rpm, one.load) for one in balance.whole_engine if one.reference.suspect}


def _seen_with(evidence: Evidence, change: Floats) -> dict[Cell, SeenCell]:
    """The cells' truth with each cylinder's fuel changed by a factor, float64[n], as it would be entered."""
    world = evidence.simulation.world
    factors = 1 + np.array(world.trims) / 100
    factors *= change
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


def _new_trims(balance: Balance) -> Floats:
    """Offered trims by cylinder, percent."""
    return np.array([one.trim_new_percent for one in balance.cylinders])


def _trims_now(balance: Balance) -> Floats:
    """Trims that the engine control holds, by cylinder, percent."""
    return np.array([one.trim_now_percent for one in balance.cylinders])


def _trim_change(balance: Balance) -> Floats:
    """Factor on each cylinder's fuel that the offered trims make, float64[n]."""
    return (100 + _new_trims(balance)) / (100 + _trims_now(balance))


def _answer_withheld(name: str, evidence: Evidence) -> Item:
    """Trims are withheld: is what they are withheld for true of this run?"""
    codes = {reason.code for reason in evidence.balance.withheld}
    reasons = ", ".join(code.value.replace("_", " ") for code in sorted(codes))
    if BalanceNote.IDENTITY_NOT_PROVED in codes and not evidence.typed_steps:
        return does_not_apply(name, "no fuel steps, so no label is proved, and trims are held back")
    if BalanceNote.FREQUENT_MISFIRE in codes and len(evidence.events("misfire")) >= OFTEN_EVENTS:
        return does_not_apply(name, "misfire is planted often enough for trims to be held back, and they are")
    if codes == {BalanceNote.LEAK_IN_ALL_CELLS} and evidence.faults("leak"):
        return does_not_apply(name, "a leak is planted that is in all cells, and trims are held back")
    may_be_used = BalanceStage(evidence.simulation.session).used
    seen = [one for one in seen_cells(evidence).values() if may_be_used(one.number)]
    enough = np.any([one.enough for one in seen], axis=0).sum() if seen else 0
    if codes == {BalanceNote.CYLINDERS_AT_LIMIT} and enough < len(evidence.behind):
        return does_not_apply(name, "a cylinder stood at a limit of its sensor, and trims are held back")
    if enough < 2 and codes <= {BalanceNote.TOO_FEW_NEEDS, BalanceNote.NO_CELL_USED}:
        return does_not_apply(name, f"{too_little(seen)}, and trims are held back")
    return judged(name, "trims", f"none offered: {reasons}", "", right=False)


# --- What comes of trimming by label without proving the labels: each round makes it worse. ---

NAIVE_ROUNDS = 3
"""Rounds that are played: our choice, enough to see the spread grow."""

SPREAD_TOLERANCE = 1.0
"""How far the true spread of a round may be from the computed one, percent of fuel: our choice, two needs."""


def naive_run(evidence: Evidence) -> Item:
    """True spread at full load over rounds of "trim what the label says".

    Every round's spread is held against the one computed for the same trims from what the sensors
    show without noise. Trims are rounded to the fuel control's step and not limited. Plays the
    scenario again for every round, so it is asked for by name.
    """
    name = f"trimming by unproved labels: true spread over {NAIVE_ROUNDS} rounds"
    if all(one["right"] for one in evidence.truth["identity"]):
        return does_not_apply(name, "every label right")
    simulation, balance = evidence.simulation, evidence.balance
    if not np.isfinite(_needs_by_label(balance)).all():
        return does_not_apply(name, "too little data for the needs of all cylinders")
    expected, found = [true_spread(simulation)], [true_spread(simulation)]
    for played in range(1, NAIVE_ROUNDS + 1):
        computed = entered(simulation, shown_without_noise(simulation), played)
        simulation = entered(simulation, _needs_by_label(balance), played)
        expected.append(true_spread(computed))
        found.append(true_spread(simulation))
        balance = balance_of(simulation) if played < NAIVE_ROUNDS else balance
    right = within(found, expected, SPREAD_TOLERANCE)
    true, read = (" ".join(f"{value:.1f}" for value in spreads) for spreads in (expected, found))
    return judged(name, true, read, f"±{SPREAD_TOLERANCE:g}", right=right)


def entered(simulation: Simulation, needs: Floats, played: int) -> Simulation:
    """The scenario once more, with the need of each label in the trim of the cylinder of that number."""
    world, step = simulation.world, simulation.session.trims.step_percent
    wanted = 100 * ((1 + np.array(world.trims) / 100) * (1 + needs / 100) - 1)
    trims = tuple((np.round(wanted / step) * step).tolist())
    return simulate(world.scenario, seed=world.seed + played, duration=simulation.duration_s, trims=trims)


def _needs_by_label(balance: Balance) -> Floats:
    """Needs against peers, percent, float64[n] in the order of the chain; NaN where not known."""
    in_order = sorted(balance.cylinders, key=lambda one: one.position)
    return np.array([one.needs_percent for one in in_order])


def shown_without_noise(simulation: Simulation) -> Floats:
    """Needs at full load as the sensors show them, percent, by label."""
    truth = truth_of(simulation)
    return np.array(truth["full_load"]["read_vs_peers_percent"])[cylinders_behind(truth)]


def true_spread(simulation: Simulation) -> float:
    """Spread of the cylinders' mean needs at full load, percent."""
    return float(np.ptp(truth_of(simulation)["full_load"]["needs_vs_peers_percent"]))
