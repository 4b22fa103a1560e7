"""What stands in the ledger: facts about one sensor each, added and never changed.

An `Entry` is one fact: the serial, its kind, the log that taught it (none where a person typed it), the
span of data time that it is about, and its numbers by name (`facts`, plain JSON). What is not known is None.

    run          seconds, hot_s, heater_cycles, leaded, exposure; session, position, cylinders: where it sat
    t63          lean and rich: t63_s, half_s, own_half_s, cuts, steps (see `response.sensors.ResponseTime`)
    air          percent, half_percent, to_peers_percent, to_expected_percent
    air_check    percent, expected_percent: read in free air, and what that held; typed
    warm_up      seconds; at_least: it may have begun before the log
    event        what (a code of `HarmfulEvent`), t_ns, and its numbers
    bias         percent, half_percent, source, reason
    withdrawal   number, reason: the entry of that number counts no more

A fact that was wrong stays and is withdrawn by another, so that the file shows what was believed when.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from mixmon.arrays import DATED_FROM_NS


class EntryKind(StrEnum):
    """What an entry is about; the values stand in the file and in JSON."""

    RUN = "run"
    T63 = "t63"
    AIR = "air"
    AIR_CHECK = "air_check"
    WARM_UP = "warm_up"
    EVENT = "event"
    BIAS = "bias"
    WITHDRAWAL = "withdrawal"


NEEDED_NAMES: Final[Mapping[EntryKind, frozenset[str]]] = {
    EntryKind.RUN: frozenset(
        ("seconds", "hot_s", "heater_cycles", "leaded", "exposure", "session", "position", "cylinders")
    ),
    EntryKind.T63: frozenset(),
    EntryKind.AIR: frozenset(("percent",)),
    EntryKind.AIR_CHECK: frozenset(("percent", "expected_percent")),
    EntryKind.WARM_UP: frozenset(("seconds",)),
    EntryKind.EVENT: frozenset(("what", "t_ns")),
    EntryKind.BIAS: frozenset(("percent", "half_percent")),
    EntryKind.WITHDRAWAL: frozenset(("number",)),
}
"""Names without which the facts of an entry say nothing."""


class HarmfulEvent(StrEnum):
    """What can hurt a sensor; the values stand in the file and in JSON."""

    HOT_BEFORE_START = "hot before the engine started"
    SUPPLY_LOST_HOT = "supply lost while hot"
    OVER_TEMPERATURE = "over-temperature"


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact that is not in the ledger yet.

    log      fingerprint of the log that taught it; None: it was typed
    log_name its name then
    begin_ns, end_ns   data time that it is about; None: not known
    facts    numbers and names by name, as listed at the top of this module
    """

    serial: str
    kind: EntryKind
    facts: Mapping[str, Any]
    log: str | None = None
    log_name: str = ""
    begin_ns: int | None = None
    end_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """A fact as it stands in the ledger: its number there, and when it was entered (ns since 1970)."""

    number: int
    entered_ns: int
    fact: Fact

    @property
    def serial(self) -> str:
        """The sensor that it is about."""
        return self.fact.serial

    @property
    def kind(self) -> EntryKind:
        """What it is about."""
        return self.fact.kind


def is_dated(fact: Fact) -> bool:
    """Whether the span of data time can be compared with those of other logs."""
    return fact.begin_ns is not None and fact.begin_ns >= DATED_FROM_NS


def in_force(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that count: no withdrawals, and nothing that was withdrawn."""
    every = tuple(entries)
    withdrawn = {entry.fact.facts["number"] for entry in every if entry.kind is EntryKind.WITHDRAWAL}
    return tuple(e for e in every if e.kind is not EntryKind.WITHDRAWAL and e.number not in withdrawn)
