"""Items about events: cuts, excursions, and nodes that lose their supply."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from mixmon.findings.events.event import Event, Kind
from mixmon.grade.evidence import ROW_S, Evidence
from mixmon.grade.item import Item, does_not_apply, judged
from mixmon.simulate.run import EPOCH_NS

MOMENT_S = 0.05
"""How far the moments of a silence and of a new start may be off."""

CUT_S = 0.2
"""How far the beginning and the end of a cut may be off."""

_NEAR_S, _AFTER_OPENING_S, _AFTER_CUT_S = 0.1, 3.0, 2.0

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
    return judged(name, str(len(planted)), said, f"+-{CUT_S} s", right=right)


def excursions(evidence: Evidence) -> Item:
    """No lean or rich excursion is reported that nothing in the script explains."""
    found = [*of_kind(evidence, Kind.LEAN_EXCURSION), *of_kind(evidence, Kind.RICH_EXCURSION)]
    spans = list(_explained(evidence))
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
    return judged(name, f"{len(long)}", said, f"+-{MOMENT_S} s", right=right)


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
    """Stretches of the script's cuts, and some time for the mixture to come back."""
    cuts = (*evidence.events("fuel cut"), *evidence.events("spark cut"))
    return [(cut["t_s"], cut["to_s"] + _AFTER_CUT_S) for cut in cuts]


def _explained(evidence: Evidence) -> Iterator[tuple[float, float]]:
    """Stretches in which the script itself moves the mixture."""
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
