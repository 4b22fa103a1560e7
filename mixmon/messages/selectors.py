"""Multiplexing: which signals of a message depend on which, and which can never be in one frame.

Ranges (SG_MUL_VAL_) override the value of the marker beside a signal's name; several of them for one signal
are alternatives. A marker alone needs exactly one multiplexer in the message to mean anything. What is
ambiguous or wrong makes the signal a plain one, and is told. Where the line of a multiplexer could not be
read, the signals that may depend on it are omitted: as plain ones they would show another branch's bits.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from graphlib import CycleError, TopologicalSorter
from typing import Any

from mixmon.messages.plan import Field, MessagePlan, Ranges, Selector, SignalPlan
from mixmon.messages.statements import Notice

MOST_LEVELS = 8
"""Multiplexers that may depend one on the other; our choice: files that people use have two or three. With
alternatives the conditions of one signal double from level to level."""

Dependents = Mapping[str, tuple[Selector, ...]]
"""Selectors of the multiplexed signals of a message, by signal name."""

_MARKER = re.compile(r"m(\d+)M?")


@dataclass(frozen=True, slots=True)
class Marked:
    """A signal's name, its marker and its line.

    The marker is "M" for a multiplexer, "mN" for a multiplexed signal, "mNM" for both, else "".
    """

    name: str
    marker: str
    line: int


@dataclass(frozen=True, slots=True)
class MarkedMessage:
    """What multiplexing needs to know of a message.

    lost     signals whose lines could not be read: their markers by name, None where not even that is known
    unnamed  whether lines were lost that do not even tell a signal's name
    """

    name: str
    signals: tuple[Marked, ...]
    lost: Mapping[str, str | None] = field(default_factory=dict)
    unnamed: bool = False

    @property
    def may_have_lost_multiplexer(self) -> bool:
        """Whether one of the lost signals may have been a multiplexer."""
        return self.unnamed or any(marker is None or marker.endswith("M") for marker in self.lost.values())


@dataclass(frozen=True, slots=True)
class RangesText:
    """One SG_MUL_VAL_ statement: `child` is present where `parent` lies in one of the ranges."""

    child: str
    parent: str
    ranges: Ranges
    line: int


def find_selectors(
    message: MarkedMessage, ranges: Iterable[RangesText], notices: list[Notice]
) -> tuple[Dependents, frozenset[str]]:
    """The selectors of a message's multiplexed signals, and the signals to be omitted.

    `ranges` are those of the message. What is wrong is added to `notices`.
    """
    chosen, orphans = _select_by_ranges(message, ranges, notices)
    orphans |= _select_by_markers(message, chosen, orphans, notices)
    lines = {signal.name: signal.line for signal in message.signals}  # of several with one name the last
    for name in _find_circles(chosen):
        told = "depends on itself by SG_MUL_VAL_; correct the statement; decoded in every frame"
        notices.append(Notice(lines[name], f"{message.name}.{name}: {told}"))
        del chosen[name]
    deep = _find_deep(chosen)
    for name in deep:
        told = f"depends on more than {MOST_LEVELS} multiplexers, one by the other; expected less; omitted"
        notices.append(Notice(lines[name], f"{message.name}.{name}: {told}"))
        del chosen[name]
    omitted = {name for name in chosen if _find_ancestors(name, chosen) & orphans} | orphans
    if omitted:
        told = f"{', '.join(sorted(omitted))}: the line of a multiplexer is not readable; correct it; omitted"
        line = min(signal.line for signal in message.signals if signal.name in omitted)
        notices.append(Notice(line, f"{message.name}.{told}"))
    return {name: found for name, found in chosen.items() if name not in omitted}, frozenset(omitted | deep)


def _select_by_ranges(
    message: MarkedMessage, ranges: Iterable[RangesText], notices: list[Notice]
) -> tuple[dict[str, tuple[Selector, ...]], set[str]]:
    """The selectors that ranges give, and the signals whose multiplexer was lost."""
    names = {signal.name for signal in message.signals}
    chosen: dict[str, tuple[Selector, ...]] = {}
    orphans = set()
    for row in ranges:
        missing = {row.child, row.parent} - names
        if row.child in names and missing and (row.parent in message.lost or message.unnamed):
            orphans.add(row.child)
        elif missing and not missing & message.lost.keys() and not message.unnamed:
            lost = ", ".join(sorted(missing))
            told = f"SG_MUL_VAL_ names {lost}, not a signal of it; correct or delete the statement; ignored"
            notices.append(Notice(row.line, f"{message.name}: {told}"))
        elif not missing:
            chosen[row.child] = (*chosen.get(row.child, ()), Selector(row.parent, row.ranges))
    return chosen, orphans


def _select_by_markers(
    message: MarkedMessage, chosen: dict[str, tuple[Selector, ...]], orphans: set[str], notices: list[Notice]
) -> set[str]:
    """Add the selectors that markers alone give; the signals whose multiplexer may be lost."""
    ranged = set(chosen) | orphans
    multiplexers = [signal.name for signal in message.signals if signal.marker.endswith("M")]
    without = set()
    for signal in message.signals:
        found = _MARKER.fullmatch(signal.marker)
        if not found or signal.name in ranged:
            continue
        if message.may_have_lost_multiplexer:
            without.add(signal.name)
        elif len(multiplexers) == 1 and multiplexers[0] != signal.name:
            chosen[signal.name] = (Selector(multiplexers[0], ((int(found[1]), int(found[1])),)),)
        else:
            told = (
                f"{message.name}.{signal.name}: marked {signal.marker}, but of {len(multiplexers)} "
                "multiplexers none is named by SG_MUL_VAL_; write one; decoded in every frame"
            )
            notices.append(Notice(signal.line, told))
    return without


def _find_circles(chosen: Dependents) -> list[str]:
    """The signals that depend on themselves, by way of others or not."""
    parents = {name: {selector.parent for selector in chosen[name]} for name in chosen}
    left = parents.keys() - set(_order_parents_first(parents))
    children: dict[str, set[str]] = {name: set() for name in left}
    for name in left:
        for parent in parents[name] & left:
            children[parent].add(name)
    left -= set(_order_parents_first(children))
    return [name for name in chosen if name in left]


def _find_deep(chosen: Dependents) -> set[str]:
    """The signals that depend on too many multiplexers, one by the other; none depends on itself."""
    parents = {name: {selector.parent for selector in chosen[name]} for name in chosen}
    level: dict[str, int] = {}
    for name in _order_parents_first(parents):
        level[name] = (
            1 + max((level[parent] for parent in parents[name]), default=-1) if name in parents else 0
        )
    return {name for name in chosen if level[name] > MOST_LEVELS}


def _order_parents_first(parents: Mapping[str, set[str]]) -> Iterator[str]:
    """All names, parents before what depends on them; without those of a circle and what depends on one."""
    sorter = TopologicalSorter(parents)
    with suppress(CycleError):
        sorter.prepare()
    while ready := sorter.get_ready():
        yield from ready
        sorter.done(*ready)


def _find_ancestors(name: str, chosen: Dependents) -> set[str]:
    seen: set[str] = set()
    todo = [name]
    while todo:
        parents = {selector.parent for selector in chosen.get(todo.pop(), ())} - seen
        seen |= parents
        todo += parents
    return seen


def listed_selectors(signals: Iterable[Any]) -> Dependents:
    """The selectors of signals for which a library lists selector values one by one."""
    return {
        signal.name: (Selector(signal.multiplexer_signal, _join_neighbours(signal.multiplexer_ids)),)
        for signal in signals
        if signal.multiplexer_signal is not None and signal.multiplexer_ids
    }


def _join_neighbours(values: Iterable[int]) -> Ranges:
    """Values as ranges, neighbours joined.

    >>> _join_neighbours([7, 1, 2, 3])
    ((1, 3), (7, 7))
    """
    runs: list[tuple[int, int]] = []
    for value in sorted(values):
        if runs and runs[-1][1] == value - 1:
            runs[-1] = (runs[-1][0], value)
        else:
            runs.append((value, value))
    return tuple(runs)


# --- Which signals cover the same bits of the same frame. ---
#
# Thousands of branches of one multiplexer lie on the same bits, so pairs are not compared one by one: the
# signals are sorted into the branches of the multiplexer that most of them depend on, and those of one branch
# are looked at alone, which asks for the next multiplexer, until none is left.

_MOST_COMPARED = 1_000_000
"""Items that are looked at, in all; our choice: half a second of work, far above files in use."""

_Condition = dict[str, Ranges]
"""Conditions under which a signal is present: ranges by multiplexer."""

_Item = tuple[int, int, _Condition]
"""Place of a signal in its message, the bits that it covers, and one alternative of its conditions."""


class _TooMuchError(Exception):
    """More would have to be compared than `_MOST_COMPARED`."""


@dataclass(slots=True)
class _Work:
    """Counts items that are looked at, so that no file takes long."""

    left: int = _MOST_COMPARED

    def add(self, items: int) -> None:
        """So many more.

        Raises:
            _TooMuchError: they are too many.
        """
        self.left -= items
        if self.left < 0:
            raise _TooMuchError


def pairs_sharing_bits(plan: MessagePlan, most: int) -> tuple[list[tuple[str, str]], bool]:
    """Pairs of signals that cover the same bits of one frame, at most so many; whether all were compared.

    Each pair is given once. A message may have more branches than can be compared in a second.
    """
    by_name = {signal.name: signal for signal in plan.signals}
    work = _Work()
    found: dict[tuple[int, int], None] = {}
    whole = True
    try:
        items = [
            (place, _covered_bits(signal), condition)
            for place, signal in enumerate(plan.signals)
            for condition in _conditions(signal, by_name, work)
        ]
        for pair in _sharing(items, work):
            found[pair] = None
            if len(found) == most:
                break
    except _TooMuchError:
        whole = False
    return [(plan.signals[one].name, plan.signals[other].name) for one, other in found], whole


def _sharing(items: list[_Item], work: _Work) -> Iterator[tuple[int, int]]:
    """Pairs of places of items that share bits and can be present together; a pair may come again."""
    waiting = [iter([items])]
    while waiting:
        found = next(waiting[-1], None)
        if found is None:
            waiting.pop()
            continue
        items = found
        work.add(len(items))
        if not _share_bits(items):
            continue
        parents = Counter(parent for _, _, condition in items for parent in condition)
        if parents:
            [(parent, _)] = parents.most_common(1)
            waiting.append(_split_by_branch(items, parent, work))
            continue
        for at, (one, bits, _) in enumerate(items):
            work.add(len(items) - at)
            for other, others, _ in items[at + 1 :]:
                if bits & others and one != other:
                    yield min(one, other), max(one, other)


def _share_bits(items: Iterable[_Item]) -> bool:
    """Whether any two items cover a common bit."""
    covered = 0
    for _, bits, _ in items:
        if covered & bits:
            return True
        covered |= bits
    return False


def _split_by_branch(items: Sequence[_Item], parent: str, work: _Work) -> Iterator[list[_Item]]:
    """Lists of items, such that any two that share bits and can be present together are in one of them.

    First those that do not depend on the parent; then those of each of its values, values alike taken
    together, without the parent in their conditions, and with what they share bits with among the first.
    """
    plain = [item for item in items if parent not in item[2]]
    yield plain
    bound = [item for item in items if parent in item[2]]
    edges = sorted({edge for _, _, c in bound for low, high in c[parent] for edge in (low, high + 1)})
    spans = [
        [(bisect_left(edges, low), bisect_right(edges, high)) for low, high in condition[parent]]
        for _, _, condition in bound
    ]
    work.add(sum(end - first for span in spans for first, end in span))
    branches: dict[int, list[_Item]] = {}
    for (place, bits, condition), span in zip(bound, spans, strict=True):
        rest = {name: ranges for name, ranges in condition.items() if name != parent}
        for branch in {k for first, end in span for k in range(first, end)}:
            branches.setdefault(branch, []).append((place, bits, rest))
    of_plain = _cover(plain)
    for together in branches.values():
        shared = _cover(together) & of_plain
        if shared:
            work.add(len(plain))
            yield [*(item for item in plain if item[1] & shared), *together]
        else:
            yield together


def _cover(items: Iterable[_Item]) -> int:
    """The bits that any of the items covers."""
    covered = 0
    for _, bits, _ in items:
        covered |= bits
    return covered


def _covered_bits(signal: SignalPlan) -> int:
    """The bits that the signal covers, as set bits of one number; bit 8 b + i is bit i of byte b."""
    if not signal.big_endian:
        return ((1 << signal.length) - 1) << signal.start
    sent = range(Field.of(signal).first, Field.of(signal).first + signal.length)
    return sum(1 << (8 * (p // 8) + 7 - p % 8) for p in sent)


def _conditions(signal: SignalPlan, by_name: Mapping[str, SignalPlan], work: _Work) -> list[_Condition]:
    """Each alternative under which a signal is present, all the way up."""
    work.add(1)
    if not signal.selectors:
        return [{}]
    return [
        {**above, selector.parent: selector.ranges}
        for selector in signal.selectors
        for above in _conditions(by_name[selector.parent], by_name, work)
    ]
