"""From markers and ranges in a DBC file to selectors: which signals depend on which.

Rules: ranges (SG_MUL_VAL_) override the value of the marker; several of them for one signal are
alternatives. A marker alone needs exactly one multiplexer in the message to mean anything.
What is ambiguous or wrong makes the signal a plain one, and is reported.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from mixmon.messages.codes import Ranges
from mixmon.messages.dbc_text import MessageText, RangesText
from mixmon.messages.plan import Selector

Dependents = Mapping[str, tuple[Selector, ...]]
"""Selectors of the multiplexed signals of a message, by signal name."""

_MARKER = re.compile(r"m(\d+)M?")


def selectors(
    message: MessageText, ranges: Iterable[RangesText], full: Mapping[str, str], notices: list[str]
) -> Dependents:
    """The selectors of a message's multiplexed signals; what is wrong is added to `notices`.

    `ranges` may hold those of other messages. `full` gives signals' full names by the names used
    within the file, which can be cut to 32 characters.
    """
    own = [row for row in ranges if row.number == message.number]
    chosen = _by_ranges(message, own, notices)
    _by_markers(message, chosen, notices)
    for name in [name for name in chosen if name in _ancestors(name, chosen)]:
        notices.append(f"{message.name}.{name}: depends on itself by SG_MUL_VAL_; decoded in every frame")
        del chosen[name]
    return {
        full[name]: tuple(Selector(full[s.parent], s.ranges) for s in found) for name, found in chosen.items()
    }


def _by_ranges(
    message: MessageText, own: list[RangesText], notices: list[str]
) -> dict[str, tuple[Selector, ...]]:
    names = {name for name, _ in message.signals}
    chosen: dict[str, tuple[Selector, ...]] = {}
    for row in own:
        if lost := {row.child, row.parent} - names:
            notices.append(
                f"{message.name}: SG_MUL_VAL_ names {', '.join(sorted(lost))}, not a signal of it; left out"
            )
        else:
            chosen[row.child] = (*chosen.get(row.child, ()), Selector(row.parent, row.ranges))
    return chosen


def _by_markers(message: MessageText, chosen: dict[str, tuple[Selector, ...]], notices: list[str]) -> None:
    ranged = set(chosen)
    multiplexers = [name for name, marker in message.signals if marker.endswith("M")]
    for name, marker in message.signals:
        found = _MARKER.fullmatch(marker)
        if not found or name in ranged:
            continue
        if len(multiplexers) == 1 and multiplexers[0] != name:
            chosen[name] = (Selector(multiplexers[0], ((int(found[1]), int(found[1])),)),)
        else:
            notices.append(
                f"{message.name}.{name}: marked {marker}, but of {len(multiplexers)} multiplexers none is "
                "named by SG_MUL_VAL_; decoded in every frame"
            )


def _ancestors(name: str, chosen: Dependents) -> set[str]:
    seen: set[str] = set()
    todo = [name]
    while todo:
        parents = {selector.parent for selector in chosen.get(todo.pop(), ())} - seen
        seen |= parents
        todo += parents
    return seen


def listed(signals: Iterable[Any]) -> Dependents:
    """The selectors of signals for which the library lists selector values one by one."""
    return {
        signal.name: (Selector(signal.multiplexer_signal, _runs(signal.multiplexer_ids)),)
        for signal in signals
        if signal.multiplexer_signal is not None and signal.multiplexer_ids
    }


def _runs(values: Iterable[int]) -> Ranges:
    """Values as ranges, neighbours joined.

    >>> _runs([7, 1, 2, 3])
    ((1, 3), (7, 7))
    """
    runs: list[tuple[int, int]] = []
    for value in sorted(values):
        if runs and runs[-1][1] == value - 1:
            runs[-1] = (runs[-1][0], value)
        else:
            runs.append((value, value))
    return tuple(runs)
