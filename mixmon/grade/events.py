"""Items about events: cuts, excursions, nodes that lose their supply, missed cycles, pulls."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from mixmon.findings.events.event import Event, Kind
from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.quality import PullEnd
from mixmon.grade.evidence import Evidence, balance_of
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import SampleState
from mixmon.simulate.scenario import Misfire
from mixmon.simulate.simulation import EPOCH_NS, simulate

MOMENT_S = 0.05
"""How far the moments of a silence, a new start and a misfire may be off, s: our choice, five rows."""

CUT_S = 0.2
"""How far the beginning and the end of a cut may be off, s: our choice, two lags."""

_NEAR_S, _AFTER_OPENING_S, _AFTER_CUT_S = 0.1, 3.0, 2.0
"""How long after a misfire, an opening of the throttle and a cut the script explains an excursion: our
choice, the time in which gas, film and sensors are back."""

Planted = dict[str, Any]


def cuts_found(evidence: Evidence) -> Item:
    """Fuel and spark cuts are found, with beginning and end, and no others."""
    planted = [*evidence.events("fuel cut"), *evidence.events("spark cut")]
    found = [*of_kind(evidence, Kind.FUEL_CUT), *of_kind(evidence, Kind.SPARK_CUT)]
    name = "fuel and spark cuts found"
    if not planted and not found:
        return does_not_apply(name, "no cut in the script")
    end = evidence.simulation.duration_s
    matched = [
        any(
            event.kind == one["kind"]
            and near(event.t, one["t_s"], CUT_S)
            and near(event.end, min(one["to_s"], end), CUT_S)
            for event in found
        )
        for one in planted
    ]
    said = f"{len(found)}, {sum(matched)} at the right time"
    right = all(matched) and len(found) == len(planted)
    return judged(name, str(len(planted)), said, f"±{CUT_S} s", right=right)


def excursions(evidence: Evidence) -> Item:
    """No lean or rich excursion is reported that nothing in the script explains."""
    found = [*of_kind(evidence, Kind.LEAN_EXCURSION), *of_kind(evidence, Kind.RICH_EXCURSION)]
    spans = list(_explained_spans(evidence))
    false = [event for event in found if not any(overlaps(event, *span) for span in spans)]
    return judged("excursions that nothing explains", "0", str(len(false)), "exact", right=not false)


def silences(evidence: Evidence) -> Item:
    """Every loss of supply is reported as a silence of its node and a new start after it; no others."""
    drops, stale_s = evidence.events("supply drop-out"), evidence.simulation.session.validity.stale_s
    long = [drop for drop in drops if drop["to_s"] - drop["t_s"] > stale_s + 2 * ROW_S]
    found = of_kind(evidence, Kind.NODE_SILENT)
    name = "drop-outs reported: node, moment, new start"
    if not long and not found:
        return does_not_apply(name, "no drop-out planted")
    silent = sum(any(_is_silence(evidence, event, drop) for event in found) for drop in long)
    started = sum(_started_again(evidence, drop) for drop in long)
    said = f"{len(found)} silences, {silent} right; {started} new starts"
    right = silent == started == len(long) and len(found) <= len(drops)
    return judged(name, f"{len(long)}", said, f"±{MOMENT_S} s", right=right)


def _is_silence(evidence: Evidence, event: Event, drop: Planted) -> bool:
    return (
        position(evidence, event) == drop["position"]
        and near(event.t, drop["t_s"], MOMENT_S)
        and near(event.end, drop["to_s"], MOMENT_S)
    )


def _started_again(evidence: Evidence, drop: Planted) -> bool:
    return any(
        position(evidence, event) == drop["position"] and near(event.t, drop["to_s"], MOMENT_S)
        for event in of_kind(evidence, Kind.NODE_RESET)
    )


def cut_spans(evidence: Evidence) -> list[tuple[float, float]]:
    """Spans of the script's cuts, and some time for the mixture to come back."""
    cuts = (*evidence.events("fuel cut"), *evidence.events("spark cut"))
    return [(cut["t_s"], cut["to_s"] + _AFTER_CUT_S) for cut in cuts]


def _explained_spans(evidence: Evidence) -> Iterator[tuple[float, float]]:
    """Spans in which the script itself moves the mixture."""
    yield from cut_spans(evidence)
    for misfire in evidence.events("misfire"):
        yield misfire["t_s"], misfire["to_s"] + _NEAR_S
    for opens in evidence.events("throttle opens"):
        yield opens["t_s"], opens["t_s"] + _AFTER_OPENING_S
    for part in evidence.parts("start", "stop", "identity", "pattern", "tip-in"):
        yield part["from_s"], part["to_s"]
    for part in evidence.parts("steady"):
        yield part["from_s"], part["settled_s"]


def of_kind(evidence: Evidence, kind: Kind) -> list[Event]:
    """Events that were found, of a kind."""
    return [event for event in evidence.found_events if event.kind is kind]


def overlaps(event: Event, begins: float, ends: float) -> bool:
    """Whether an event lies at least partly between two moments, in seconds."""
    return begins < seconds(event.end) and seconds(event.t) < ends


def near(t: int, moment_s: float, tolerance_s: float) -> bool:
    """Whether a stamp in ns is as near to a moment of the script as asked."""
    return abs(seconds(t) - moment_s) <= tolerance_s


def position(evidence: Evidence, event: Event) -> int:
    """Place in the chain; 0 for an event of several nodes."""
    nodes = evidence.simulation.session.chain.nodes
    return nodes[event.nodes[0]].position if len(event.nodes) == 1 else 0


def seconds(t: int) -> float:
    """A stamp in ns as a moment of the script."""
    return (t - EPOCH_NS) / 1e9


# --- Missed cycles: found, counted, named, and excluded from the needs. ---

CYCLES = 1
"""How many missed cycles of a burst may be miscounted: our choice."""

FEWEST_OF_BURST = 3
"""Missed cycles in a row from which they are a burst; fewer are hard to see behind a sensor's lag."""

SINGLES_SEEN = 0.5
"""Share of the short ones that must be found: our choice."""

NEED_SHIFT = 0.3
"""How far misfires may move the need of a cylinder, percent of fuel.

Our choice: half of what an item allows.
"""

_BENT_S = 1.0
"""Seconds after a misfire in which it still bends the reading: our choice, ten lags."""


def bursts(evidence: Evidence) -> Item:
    """Every burst of missed cycles is found at its label, when its gas comes to the sensor."""
    name = "bursts of misfire: moment, time above +0.05, cycles"
    planted = [one for one in evidence.events("misfire") if one["cycles"] >= FEWEST_OF_BURST]
    if not planted:
        return does_not_apply(name, "no burst planted")
    found = [_misfire_at(evidence, one) for one in planted]
    right = all(
        event is not None
        and abs(_evidence_number(event, "beyond_0.05_lambda_s") - one["above_0.05_s"]) <= MOMENT_S
        and abs(_evidence_number(event, "missed_cycles") - one["cycles"]) <= CYCLES
        for event, one in zip(found, planted, strict=True)
    )
    expected = ", ".join(
        f"{_label_text(one)}: {one['seen_s']:.2f} s, {one['above_0.05_s']:.2f} s, {one['cycles']}"
        for one in planted
    )
    said = ", ".join("not found" if event is None else _burst_text(evidence, event) for event in found)
    return judged(name, expected, said, f"±{MOMENT_S} s, ±{CYCLES} cycle", right=right)


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
        if not any(_is_of_misfire(evidence, event, p) for p in planted)
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
    counted = sum(_count_bent_samples(evidence, one) for one in planted)
    worst = _largest_need_shift(evidence) if counted else 0.0
    found = f"{counted} samples counted, needs moved by up to {worst:.2f} %"
    return judged(name, "0.00 %", found, f"{NEED_SHIFT} %", right=worst <= NEED_SHIFT)


def _misfire_at(evidence: Evidence, planted: Planted) -> Event | None:
    found = [
        event
        for event in of_kind(evidence, Kind.MISFIRE)
        if position(evidence, event) == planted["position"] and near(event.t, planted["seen_s"], MOMENT_S)
    ]
    return found[0] if found else None


def _is_of_misfire(evidence: Evidence, event: Event, planted: Planted) -> bool:
    """Whether an event may be of the planted misfire at all."""
    begins, ends = (
        float(planted["seen_s"]) - _NEAR_S,
        float(planted["to_s"]) + _NEAR_S,
    )
    return position(evidence, event) == planted["position"] and overlaps(event, begins, ends)


def _count_bent_samples(evidence: Evidence, planted: Planted) -> int:
    """Samples of the label, while its reading is bent by a misfire, that may have gone into a need."""
    rows = evidence.counted & evidence.during(planted["seen_s"], planted["to_s"] + _BENT_S)
    return int((evidence.state[rows, planted["position"] - 1] == SampleState.VALID).sum())


def _largest_need_shift(evidence: Evidence) -> float:
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


def _label_text(planted: Planted) -> str:
    return f"label {planted['position']}"


def _burst_text(evidence: Evidence, event: Event) -> str:
    above, cycles = _evidence_number(event, "beyond_0.05_lambda_s"), _evidence_number(event, "missed_cycles")
    return f"label {position(evidence, event)}: {seconds(event.t):.2f} s, {above:.2f} s, {cycles:.0f}"


def _evidence_number(event: Event, name: str) -> float:
    value = event.evidence[name]
    assert isinstance(value, float | int)
    return float(value)


# --- Pulls: found, where they begin and end, and what ended them. ---

END_S = 0.2
"""How far the beginning and the end of a pull may be from the truth, s: our choice."""

_NO_PULL = "no sweep at full opening in the script"


def pulls_found(evidence: Evidence) -> Item:
    """Every scripted sweep at full opening is found, and nothing else is."""
    name, planted = "pulls found", _planted_pulls(evidence)
    if not planted and not evidence.pulls:
        return does_not_apply(name, _NO_PULL)
    true = " ".join(f"{pull['t_s']:.1f}" for pull in planted)
    found = " ".join(f"{seconds(pull.begin):.1f}" for pull in evidence.pulls)
    right = len(planted) == len(evidence.pulls) == len(_match_pulls(evidence))
    return judged(
        name, f"{len(planted)} ({true} s)", f"{len(evidence.pulls)} ({found} s)", "exact", right=right
    )


def pull_ends(evidence: Evidence) -> Item:
    """Of the pulls that were found: the moments at which they begin and end, and what ended them."""
    name, planted, pairs = "beginnings and ends of pulls", _planted_pulls(evidence), _match_pulls(evidence)
    if not planted:
        return does_not_apply(name, _NO_PULL)
    if not pairs:
        return judged(name, f"of {len(planted)}", "no pull found", f"±{END_S} s", right=False)
    late = [
        abs(moment - truth[key])
        for truth, pull in pairs
        for moment, key in ((seconds(pull.begin), "t_s"), (seconds(pull.end), "to_s"))
    ]
    ended = [_ended_by(evidence, truth) for truth, _ in pairs]
    found = [pull.ended_by for _, pull in pairs]
    return judged(
        name,
        ", ".join(ended),
        f"{', '.join(found)}; up to {max(late):.2f} s off",
        f"±{END_S} s",
        right=ended == found and max(late) <= END_S,
    )


def _planted_pulls(evidence: Evidence) -> list[dict[str, Any]]:
    """Sweeps at the highest load of the axes that end within the simulation."""
    axes, length = evidence.simulation.session.axes, evidence.simulation.duration_s
    full = max(axes.load, default=0.0)
    return [p for p in evidence.events("pull") if p["load"] >= full and p["to_s"] <= length]


def _match_pulls(evidence: Evidence) -> list[tuple[dict[str, Any], Pull]]:
    """Each planted pull with the one found that lies over its middle."""
    pairs = []
    for truth in _planted_pulls(evidence):
        middle = (truth["t_s"] + truth["to_s"]) / 2
        pairs += [(truth, p) for p in evidence.pulls if seconds(p.begin) < middle < seconds(p.end)]
    return pairs


def _ended_by(evidence: Evidence, pull: dict[str, Any]) -> str:
    follows = [part for part in evidence.parts("limiter") if part["from_s"] == pull["to_s"]]
    return PullEnd.LIMITER if follows else PullEnd.LIFT
