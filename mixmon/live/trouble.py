"""Why nothing is seen: what is wrong with a bus, in words, and what to try."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from mixmon.frames.adapters.receiver import BusCondition
from mixmon.frames.block import EXTENDED
from mixmon.live.meter import ChannelNow

PATIENCE_S = 3.0
"""Longer than the slowest message of most chains, shorter than anyone waits before asking."""

USUAL_BITRATES = (125_000, 250_000, 500_000, 1_000_000)
_SHOWN = 6
_CHECK = "check the bus and [[bus]] database"
_FAULTY = frozenset({BusCondition.WARNING, BusCondition.PASSIVE, BusCondition.BUS_OFF})


@dataclass(frozen=True, slots=True)
class Trouble:
    """`word` for a narrow line, `text` in full."""

    word: str
    text: str


@dataclass(frozen=True, slots=True)
class BusFacts:
    """What is known of one bus when it is judged.

    expected     identifiers that are looked for on it
    identifiers  those that came
    heard_s      how long it has been listened to
    condition    of the adapter's controller
    others       identifiers of the session's other buses, by name
    """

    name: str
    bitrate: int | None
    acknowledge: bool
    expected: Sequence[int]
    identifiers: Collection[int]
    heard_s: float
    condition: BusCondition = BusCondition.UNKNOWN
    others: Mapping[str, Collection[int]] = field(default_factory=dict)


def trouble(facts: BusFacts, seen: ChannelNow) -> Trouble | None:
    """What is wrong with a bus of which nothing that is expected came; None: nothing expected.

    >>> facts = BusFacts("chain", 500_000, True, [0x2A0], {0x123}, 3.0)
    >>> trouble(facts, ChannelNow(50.0, 6000.0, 5, 150, 0)).text
    "chain: 150 frames, none of the session's; found 123; expected 2A0; check the bus and [[bus]] database"
    """
    if not facts.expected:
        return None
    if seen.frames:
        return _none_of_ours(facts, seen.frames)
    if seen.errors or facts.condition in _FAULTY:
        return _errors_only(facts, seen.errors)
    return _nothing(facts)


def _none_of_ours(facts: BusFacts, frames: int) -> Trouble:
    whose = [name for name, known in facts.others.items() if set(facts.identifiers).intersection(known)]
    hint = f"they are those of bus {whose[0]}: exchange the channels" if whose else _CHECK
    return Trouble(
        "none of the session's frames",
        f"{facts.name}: {frames} frames, none of the session's; found {_listed(facts.identifiers)}; "
        f"expected {_listed(facts.expected)}; {hint}",
    )


def _errors_only(facts: BusFacts, errors: int) -> Trouble:
    found = f"{errors} error frames" if errors else f"the adapter's controller is {facts.condition.value}"
    others = ", ".join(str(rate) for rate in USUAL_BITRATES if rate != facts.bitrate)
    set_to = "" if facts.bitrate is None else f" (set to {facts.bitrate})"
    return Trouble(
        "errors, no data",
        f"{facts.name}: {found} and no data; expected frames; most likely the bit rate is wrong"
        f"{set_to}: try --bitrate {others}; then look at the ends of the bus (60 ohm) and at crossed wires",
    )


def _nothing(facts: BusFacts) -> Trouble:
    alone = (
        ""
        if facts.acknowledge
        else "; this adapter only listens: a single controller needs someone who acknowledges "
        '(role = "acknowledge" or --acknowledge, on the sensor chain only)'
    )
    return Trouble(
        "no frames",
        f"{facts.name}: no frame in {facts.heard_s:.3g} s; expected {_listed(facts.expected)}; check supply, "
        f"wires, bit rate and channel{alone}",
    )


def _listed(identifiers: Collection[int]) -> str:
    """Some identifiers as a log writes them."""
    shown = sorted(identifiers)[:_SHOWN]
    more = len(identifiers) - len(shown)
    words = ", ".join(f"{i & ~EXTENDED:08X}" if i & EXTENDED else f"{i:03X}" for i in shown)
    return f"{words} and {more} more" if more else words
