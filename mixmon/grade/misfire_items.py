"""Items about missed cycles: found, counted, called by their name, and kept out of the needs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from mixmon.findings.events.event import Event, Kind
from mixmon.grade.event_items import cut_spans, near, of_kind, overlaps, position, seconds
from mixmon.grade.evidence import Evidence, balance_of
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.mixture.block import SampleState
from mixmon.simulate.run import simulate
from mixmon.simulate.scenario import Misfire

MOMENT_S = 0.05
"""How far the moment of a burst, and the time in which it reads lean, may be off."""

CYCLES = 1
"""How many missed cycles of a burst may be miscounted."""

FEWEST_OF_BURST = 3
"""Missed cycles in a row from which they are a burst; fewer are hard to see behind a sensor's lag."""

SINGLES_SEEN = 0.5
"""Share of the short ones that must be found."""

SHIFT = 0.3
"""How far misfires may move the need of a cylinder, percent of fuel."""

_NEAR_S, _AFTER_S = 0.1, 1.0

Planted = dict[str, Any]


def bursts(evidence: Evidence) -> Item:
    """Every burst of missed cycles is found at its label, when its gas comes to the sensor."""
    name = "bursts of misfire: moment, time above +0.05, cycles"
    planted = [one for one in evidence.events("misfire") if one["cycles"] >= FEWEST_OF_BURST]
    if not planted:
        return does_not_apply(name, "no burst planted")
    found = [_misfire_at(evidence, one) for one in planted]
    right = all(
        event is not None
        and abs(_float(event, "beyond_0.05_lambda_s") - one["above_0.05_s"]) <= MOMENT_S
        and abs(_float(event, "missed_cycles") - one["cycles"]) <= CYCLES
        for event, one in zip(found, planted, strict=True)
    )
    expected = ", ".join(
        f"{_label(one)}: {one['seen_s']:.2f} s, {one['above_0.05_s']:.2f} s, {one['cycles']}"
        for one in planted
    )
    said = ", ".join("not found" if event is None else _burst(evidence, event) for event in found)
    return judged(name, expected, said, f"+-{MOMENT_S} s, +-{CYCLES} cycle", right=right)


def singles(evidence: Evidence) -> Item:
    """Of one or two missed cycles in a row, at least half are found."""
    name = "single misfires found"
    planted = [one for one in evidence.events("misfire") if one["cycles"] < FEWEST_OF_BURST]
    if not planted:
        return does_not_apply(name, "no single misfire planted")
    seen = sum(_misfire_at(evidence, one) is not None for one in planted)
    right = seen >= SINGLES_SEEN * len(planted)
    return judged(name, str(len(planted)), str(seen), "at least half", right=right)


def false_misfires(evidence: Evidence) -> Item:
    """Nothing else is called misfire: not the limiter, not an overrun, not a tip-in."""
    planted = evidence.events("misfire")
    false = [
        event
        for event in of_kind(evidence, Kind.MISFIRE)
        if not any(_is(evidence, event, p) for p in planted)
    ]
    in_cuts = sum(overlaps(event, *span) for event in false for span in cut_spans(evidence))
    found = f"{len(false)}" + (f", {in_cuts} of them in cuts" if false else "")
    return judged("misfires called where there are none", "0", found, "exact", right=not false)


def kept_out(evidence: Evidence) -> Item:
    """Misfires do not move the needs.

    Either no sample of them was counted, or the same day is played without them and compared.
    """
    name = "misfires kept out of the needs"
    planted = evidence.events("misfire")
    if not planted:
        return does_not_apply(name, "no misfire planted")
    counted = sum(_counted(evidence, one) for one in planted)
    worst = _shift(evidence) if counted else 0.0
    found = f"{counted} samples counted, needs moved by up to {worst:.2f} %"
    return judged(name, "0.00 %", found, f"{SHIFT} %", right=worst <= SHIFT)


def _misfire_at(evidence: Evidence, planted: Planted) -> Event | None:
    found = [
        event
        for event in of_kind(evidence, Kind.MISFIRE)
        if position(evidence, event) == planted["position"] and near(event.t, planted["seen_s"], MOMENT_S)
    ]
    return found[0] if found else None


def _is(evidence: Evidence, event: Event, planted: Planted) -> bool:
    """Whether an event may be of the planted misfire at all."""
    begins, ends = float(planted["seen_s"]) - _NEAR_S, float(planted["to_s"]) + _NEAR_S
    return position(evidence, event) == planted["position"] and overlaps(event, begins, ends)


def _counted(evidence: Evidence, planted: Planted) -> int:
    """Samples of the label, while its reading is bent by a misfire, that may have gone into a need."""
    rows = evidence.counted & evidence.during(planted["seen_s"], planted["to_s"] + _AFTER_S)
    return int((evidence.state[rows, planted["position"] - 1] == SampleState.VALID).sum())


def _shift(evidence: Evidence) -> float:
    """Largest difference of a label's need from what it is without misfires, percent; NaN is the largest."""
    world = evidence.simulation.world
    calm = tuple(fault for fault in world.scenario.faults if not isinstance(fault, Misfire))
    without = balance_of(
        simulate(
            replace(world.scenario, faults=calm),
            seed=world.seed,
            duration=evidence.simulation.duration_s,
            trims=world.trims,
        )
    )
    pairs = zip(evidence.balance.cylinders, without.cylinders, strict=True)
    moved = [abs(one.needs_percent - other.needs_percent) for one, other in pairs]
    return float(np.nan_to_num(np.max(moved), nan=np.inf))


def _label(planted: Planted) -> str:
    return f"label {planted['position']}"


def _burst(evidence: Evidence, event: Event) -> str:
    above, cycles = _float(event, "beyond_0.05_lambda_s"), _float(event, "missed_cycles")
    return f"label {position(evidence, event)}: {seconds(event.t):.2f} s, {above:.2f} s, {cycles:.0f}"


def _float(event: Event, name: str) -> float:
    value = event.evidence[name]
    assert isinstance(value, float | int)
    return float(value)
