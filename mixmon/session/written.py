"""The file as written, after `schema` has cleaned it: the questions that several checks ask of it.

Any key may be missing from a clean table, either because the user left it out or because what
he wrote was reported and dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any

from mixmon.session.schema import Report, shown

Clean = Mapping[str, Any]
Check = Callable[[Clean, Report], None]


def chain_bus(clean: Clean) -> str | None:
    """The chain's bus: as named, or the only one declared; "chain" without any [[bus]]."""
    named = clean.get("chain", {}).get("bus")
    names = [bus.get("name") for bus in clean.get("bus", ())]
    if named is not None:
        return str(named)
    if not names:
        return "chain"
    return names[0] if len(names) == 1 else None


def own_signals(chain: Clean) -> bool:
    """Whether the chain names any signals of its own, rather than leaving them to the shipped ones."""
    return "signals" in chain or any("signals" in node for node in chain.get("node", ()))


def chain_signals(clean: Clean) -> Iterator[tuple[str, str, Any]]:
    """Where, quantity and written value of every signal that is mapped in the chain."""
    chain = clean.get("chain", {})
    for name, value in chain.get("signals", {}).items():
        yield f"chain.signals.{name}", name, value
    for i, node in enumerate(chain.get("node", ()), 1):
        for name, value in node.get("signals", {}).items():
            yield f"chain.node[{i}].signals.{name}", name, value


def engine_signals(clean: Clean) -> Iterator[tuple[str, str, Any]]:
    """The same of the engine's signals."""
    for name, value in clean.get("engine_signals", {}).items():
        yield f"engine_signals.{name}", name, value


def signal_text(value: Any) -> str:
    """The signal's name in a written value, "" where it is missing."""
    return value if isinstance(value, str) else str(value.get("signal", ""))


def cylinders_of(node: Clean) -> tuple[int, ...]:
    """The cylinders that a node's sensor sees, as a tuple however they were written."""
    written = node.get("cylinder", ())
    return written if isinstance(written, tuple) else (written,)


def rising(values: Iterable[float]) -> bool:
    """Whether each value is larger than the one before it."""
    return all(low < high for low, high in pairwise(values))


def cylinder_list(numbers: Iterable[int]) -> str:
    """Cylinders in words: "cylinders 2, 5"."""
    words = [str(number) for number in numbers]
    return f"cylinder{'s' if len(words) > 1 else ''} {', '.join(words)}"


def once(tables: Iterable[Clean], key: str, where: str, report: Report) -> None:
    """Reports each value of `key` that an earlier table has already."""
    seen: dict[Any, int] = {}
    for i, table in enumerate(tables, 1):
        if key not in table:
            continue
        if table[key] in seen:
            found = f"{shown(table[key])}, as in {where}[{seen[table[key]]}]"
            report(f"{where}[{i}].{key}", found, "a value used once")
        seen.setdefault(table[key], i)
