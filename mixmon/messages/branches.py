"""Which frames of a multiplexed message carry which signals.

A signal with selectors is present where any of them holds: the parent's raw value, as sent and
unsigned, lies in one of the ranges, and the parent itself is present. Raw values decide because
message definitions state them; scaling or naming a selector changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.plan import MessagePlan, Selector, SignalPlan

Mask = NDArray[np.bool_]
RawOf = Callable[[str], NDArray[np.uint64]]
HeldBy = Callable[[str], Mask | None]


def nothing_cut(_name: str) -> Mask | None:
    """The `held` of frames that are as long as their definition."""
    return None


def present(
    signal: SignalPlan, message: MessagePlan, raw_of: RawOf, held: HeldBy = nothing_cut
) -> Mask | None:
    """The frames whose selectors ask for the signal, bool[n], or None if all do.

    `raw_of` gives the raw values uint64[n] of a signal of the message by name, `held` the frames
    that are long enough to hold it, or None if all are. Selectors must not form a circle
    (`messages.database` sees to that).
    """
    if not signal.selectors:
        return None
    asked, *others = (_selected(selector, message, raw_of, held) for selector in signal.selectors)
    for other in others:
        asked |= other
    return asked


def _selected(selector: Selector, message: MessagePlan, raw_of: RawOf, held: HeldBy) -> Mask:
    chosen = in_ranges(raw_of(selector.parent), selector.ranges)
    parent = message.signal(selector.parent)
    for condition in (held(selector.parent), present(parent, message, raw_of, held)):
        if condition is not None:
            chosen &= condition
    return chosen


def in_ranges(raw: NDArray[np.uint64], ranges: tuple[tuple[int, int], ...]) -> Mask:
    """Where the raw values lie in one of the inclusive ranges, bool[n].

    >>> in_ranges(np.array([1, 5, 9], np.uint64), ((0, 1), (8, 9))).tolist()
    [True, False, True]
    """
    inside = np.zeros(raw.shape, np.bool_)
    for low, high in ranges:
        inside |= (raw >= np.uint64(low)) & (raw <= np.uint64(high))
    return inside
