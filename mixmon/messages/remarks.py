"""What is odd about message plans, in words, and which of two that collide counts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from mixmon.frames.block import EXTENDED
from mixmon.messages.codes import Ranges
from mixmon.messages.field import Field
from mixmon.messages.plan import MessagePlan, SignalPlan

_Way = Mapping[str, Ranges]
"""Conditions under which a signal is present: ranges by multiplexer."""


def remarks(plan: MessagePlan) -> Iterator[str]:
    """One remark for each oddity of a message that is decoded all the same."""
    for signal in plan.signals:
        if Field.of(signal).end_byte > plan.size:
            yield (
                f"{plan.name}.{signal.name}: needs {Field.of(signal).end_byte} bytes, its message has "
                f"{plan.size}; always missing"
            )
        if signal.scale == 0.0:
            yield f"{plan.name}.{signal.name}: factor 0; always {signal.offset}"
    if shared := _shared(plan):
        more = f" and {len(shared) - 3} more pairs" if len(shared) > 3 else ""
        yield f"{plan.name}: {', '.join(shared[:3])}{more} share bits; all are decoded"


def distinct(plans: Sequence[MessagePlan], notices: list[str]) -> tuple[MessagePlan, ...]:
    """The messages that count: of several with one identifier or one name, the last in the file."""
    by_id = {plan.can_id: plan for plan in plans}
    by_name = {plan.name: plan for plan in plans}
    kept = []
    for plan in plans:
        winner = by_id[plan.can_id] if by_id[plan.can_id] is not plan else by_name[plan.name]
        if winner is plan:
            kept.append(plan)
            continue
        shared = "identifier" if winner.can_id == plan.can_id else "name"
        notices.append(
            f"{plan.name} ({plan.can_id & ~EXTENDED:#x}): has the {shared} of {winner.name} "
            f"({winner.can_id & ~EXTENDED:#x}), which comes later and counts; left out"
        )
    return tuple(kept)


def _shared(plan: MessagePlan) -> list[str]:
    """Pairs of signals that cover the same bits of the same frame."""
    covered = [(signal, _bits(signal)) for signal in plan.signals]
    return [
        f"{one.name} and {other.name}"
        for (one, bits), (other, others) in combinations(covered, 2)
        if bits & others and not _exclude(one, other, plan)
    ]


def _bits(signal: SignalPlan) -> int:
    """The bits that the signal covers, as set bits of one number; bit 8 b + i is bit i of byte b."""
    if not signal.big_endian:
        return ((1 << signal.length) - 1) << signal.start
    sent = range(Field.of(signal).first, Field.of(signal).first + signal.length)
    return sum(1 << (8 * (p // 8) + 7 - p % 8) for p in sent)


def _exclude(one: SignalPlan, other: SignalPlan, plan: MessagePlan) -> bool:
    """Whether two signals can never be in the same frame: branches of one multiplexer that do not meet."""
    return all(
        any(_disjoint(mine[parent], theirs[parent]) for parent in mine.keys() & theirs.keys())
        for mine in _ways(one, plan)
        for theirs in _ways(other, plan)
    )


def _ways(signal: SignalPlan, plan: MessagePlan) -> list[_Way]:
    """Each alternative under which a signal is present, all the way up."""
    if not signal.selectors:
        return [{}]
    return [
        {**above, selector.parent: selector.ranges}
        for selector in signal.selectors
        for above in _ways(plan.signal(selector.parent), plan)
    ]


def _disjoint(one: Ranges, other: Ranges) -> bool:
    return all(high < first or last < low for low, high in one for first, last in other)
