"""Items about events: misfires, cuts, excursions, and nodes that lose their supply."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from mixmon.findings.event import Event, Kind
from mixmon.grade.evidence import ROW_S, Evidence
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.simulate.run import EPOCH_NS

MOMENT_S = 0.05
"""How far the moment and the length of a burst of misfires, and the moment of a silence, may be off."""

CUT_S = 0.2
"""The same of the beginning and the end of a cut."""

CYCLES = 1
"""How many missed cycles of a burst may be miscounted."""

FEWEST_OF_BURST = 3
"""Missed cycles in a row from which they are a burst; fewer are hard to see behind a sensor's lag."""

SINGLES_SEEN = 0.5
"""Share of the short ones that must be found."""

_NEAR_S = 0.1
_AFTER_OPENING_S, _AFTER_CUT_S = 3.0, 2.0

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
        for event in _of_kind(evidence, Kind.MISFIRE)
        if not any(_is(evidence, event, p) for p in planted)
    ]
    cuts = list(_spans(evidence, cuts_only=True))
    in_cuts = sum(_overlaps(event, *span) for event in false for span in cuts)
    found = f"{len(false)}" + (f", {in_cuts} of them in cuts" if false else "")
    return judged("misfires called where there are none", "0", found, "exact", right=not false)


def cuts_found(evidence: Evidence) -> Item:
    """Fuel and spark cuts are found, with beginning and end, and no others."""
    planted = [*evidence.events("fuel cut"), *evidence.events("spark cut")]
    found = [*_of_kind(evidence, Kind.FUEL_CUT), *_of_kind(evidence, Kind.SPARK_CUT)]
    name = "fuel and spark cuts found"
    if not planted and not found:
        return does_not_apply(name, "no cut in the script")
    end = evidence.simulation.duration_s
    matched = [
        any(
            event.kind == one["kind"]
            and _near(event.t, one["t_s"], CUT_S)
            and _near(event.end, min(one["to_s"], end), CUT_S)
            for event in found
        )
        for one in planted
    ]
    said = f"{len(found)}, {sum(matched)} at the right time"
    right = all(matched) and len(found) == len(planted)
    return judged(name, str(len(planted)), said, f"+-{CUT_S} s", right=right)


def excursions(evidence: Evidence) -> Item:
    """No lean or rich excursion is reported that nothing in the script explains."""
    found = [*_of_kind(evidence, Kind.LEAN_EXCURSION), *_of_kind(evidence, Kind.RICH_EXCURSION)]
    spans = list(_spans(evidence, cuts_only=False))
    false = [event for event in found if not any(_overlaps(event, *span) for span in spans)]
    return judged("excursions that nothing explains", "0", str(len(false)), "exact", right=not false)


def silences(evidence: Evidence) -> Item:
    """Every loss of supply is reported as a silence of its node and a new start after it; no others."""
    drops, stale_s = evidence.events("supply drop-out"), evidence.simulation.session.validity.stale_s
    long = [drop for drop in drops if drop["to_s"] - drop["t_s"] > stale_s + 2 * ROW_S]
    found = _of_kind(evidence, Kind.NODE_SILENT)
    name = "drop-outs reported: node, moment, new start"
    if not long and not found:
        return does_not_apply(name, "no drop-out planted")
    silent = sum(any(_is_silence(evidence, event, drop) for event in found) for drop in long)
    started = sum(_started_again(evidence, drop) for drop in long)
    said = f"{len(found)} silences, {silent} right; {started} new starts"
    right = silent == started == len(long) and len(found) <= len(drops)
    return judged(name, f"{len(long)}", said, f"+-{MOMENT_S} s", right=right)


def _misfire_at(evidence: Evidence, planted: Planted) -> Event | None:
    found = [
        event
        for event in _of_kind(evidence, Kind.MISFIRE)
        if _position(evidence, event) == planted["position"] and _near(event.t, planted["seen_s"], MOMENT_S)
    ]
    return found[0] if found else None


def _is(evidence: Evidence, event: Event, planted: Planted) -> bool:
    """Whether an event may be of the planted misfire at all."""
    begins, ends = float(planted["seen_s"]) - _NEAR_S, float(planted["to_s"]) + _NEAR_S
    return _position(evidence, event) == planted["position"] and _overlaps(event, begins, ends)


def _is_silence(evidence: Evidence, event: Event, drop: Planted) -> bool:
    return (
        _position(evidence, event) == drop["position"]
        and _near(event.t, drop["t_s"], MOMENT_S)
        and _near(event.end, drop["to_s"], MOMENT_S)
    )


def _started_again(evidence: Evidence, drop: Planted) -> bool:
    return any(
        _position(evidence, event) == drop["position"] and _near(event.t, drop["to_s"], MOMENT_S)
        for event in _of_kind(evidence, Kind.NODE_RESET)
    )


def _spans(evidence: Evidence, *, cuts_only: bool) -> Iterator[tuple[float, float]]:
    """Stretches in which the script itself moves the mixture, and some time for it to come and go."""
    for cut in (*evidence.events("fuel cut"), *evidence.events("spark cut")):
        yield cut["t_s"], cut["to_s"] + _AFTER_CUT_S
    if cuts_only:
        return
    for misfire in evidence.events("misfire"):
        yield misfire["t_s"], misfire["to_s"] + _NEAR_S
    for opens in evidence.events("throttle opens"):
        yield opens["t_s"], opens["t_s"] + _AFTER_OPENING_S
    for part in evidence.parts("start", "stop", "identity", "pattern", "tip-in"):
        yield part["from_s"], part["to_s"]
    for part in evidence.parts("steady"):
        yield part["from_s"], part["settled_s"]


def _of_kind(evidence: Evidence, kind: Kind) -> list[Event]:
    return [event for event in evidence.found_events if event.kind is kind]


def _overlaps(event: Event, begins: float, ends: float) -> bool:
    return begins < _seconds(event.end) and _seconds(event.t) < ends


def _near(t: int, moment_s: float, tolerance_s: float) -> bool:
    return abs(_seconds(t) - moment_s) <= tolerance_s


def _position(evidence: Evidence, event: Event) -> int:
    """Place in the chain; 0 for an event of several nodes."""
    nodes = evidence.simulation.session.chain.nodes
    return nodes[event.nodes[0]].position if len(event.nodes) == 1 else 0


def _label(planted: Planted) -> str:
    return f"label {planted['position']}"


def _burst(evidence: Evidence, event: Event) -> str:
    above, cycles = _float(event, "beyond_0.05_lambda_s"), _float(event, "missed_cycles")
    return f"label {_position(evidence, event)}: {_seconds(event.t):.2f} s, {above:.2f} s, {cycles:.0f}"


def _float(event: Event, name: str) -> float:
    value = event.evidence[name]
    assert isinstance(value, float | int)
    return float(value)


def _seconds(t: int) -> float:
    return (t - EPOCH_NS) / 1e9
