"""Message definition files to plans. The only module that knows the DBC library.

A file is read as text (`load_database`); its multiplexing is taken out of the text by `messages.dbc`, the
rest is parsed by the library, and each of the library's messages becomes a plan (`message_plan`). DBC is
what is promised. Files ending in .kcd, .sym and .arxml are read too, as far as the library can.

Nothing is repaired silently: what is odd in a file, and how it is taken, is in `Database.notices`; what
makes a file unusable raises DefinitionError.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import cantools.database
from cantools.database.errors import UnsupportedDatabaseFormatError

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, FD_WIDTH
from mixmon.messages import dbc
from mixmon.messages.dbc import DbcText, Dependents, decode_text, find_selectors, listed_selectors, scan_text
from mixmon.messages.integrity import ALGORITHMS
from mixmon.messages.plan import Field, MessagePlan, Protection, Ranges, Selector, SignalPlan, j1939, top_two

logging.getLogger("cantools").addHandler(logging.NullHandler())  # its warnings become notices here

_MOST_BITS = 64
"""Bits of the widest number that a signal can be: raw values are kept in uint64."""

_OTHER_FORMATS = {".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}


@dataclass(frozen=True, slots=True)
class Database:
    """The messages of one file, in file order.

    name      of the file; of several that were joined, all names
    path      of the file
    messages  in file order
    notices   how odd entries of the file were taken, in sentences
    """

    name: str
    path: Path
    messages: tuple[MessagePlan, ...]
    notices: tuple[str, ...]

    def message(self, name: str) -> MessagePlan:
        """The message of that name.

        Raises:
            KeyError: there is none.
        """
        for message in self.messages:
            if message.name == name:
                return message
        raise KeyError(name)


def load_database(path: Path, *, j1939_codes: bool = True) -> Database:
    """The messages that a file defines.

    Messages marked as SAE J1939 (`VFrameFormat` J1939PG, or `ProtocolType` J1939) have its codes
    for "not available" and "error", unless `j1939_codes` is off. Other messages have codes only
    if the file says so by the attribute `RawCodes` (see dbc/README.md).

    Raises:
        DefinitionError: the file is missing, is not text, cannot be parsed, or contradicts itself.

    >>> from mixmon.messages.chain import shipped_database
    >>> database = load_database(shipped_database("engine_bus.dbc"))
    >>> database.message("Engine_Fast").signal("Speed").unit
    'rpm'
    """
    path = Path(path)
    text = _read_text(path)
    suffix = path.suffix.lower()
    if suffix in _OTHER_FORMATS:
        loaded, texts = _parse_text(path, text, _OTHER_FORMATS[suffix]), None
    else:
        found = scan_text(text)
        loaded, texts = _parse_text(path, found.rest, "dbc"), found
    return _build_database(path, loaded, texts, j1939_codes=j1939_codes)


def _read_text(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"{path}: {error.strerror or error}; expected a message definition file (DBC); correct the path"
        ) from error
    if not content.strip():
        raise dbc.not_text_error(str(path), "the file is empty")
    if b"\0" in content:
        raise dbc.not_text_error(str(path), "the file holds zero bytes")
    return decode_text(content)


def _parse_text(path: Path, text: str, file_format: str) -> Any:
    try:
        return cantools.database.load_string(text, file_format, strict=False, sort_signals=None)
    except UnsupportedDatabaseFormatError as error:
        cause = next(e for e in (error.e_dbc, error.e_kcd, error.e_sym, error.e_arxml) if e is not None)
        if (line := getattr(cause, "line", None)) is not None:
            raise dbc.syntax_error(str(path), text, line, getattr(cause, "column", 1)) from error
        reason = "an attribute has a value outside its list" if isinstance(cause, IndexError) else str(cause)
        raise dbc.contradiction_error(str(path), text, reason) from error


def _build_database(path: Path, loaded: Any, found: DbcText | None, *, j1939_codes: bool) -> Database:
    notices: list[str] = []
    plans = []
    dependents = _find_dependents(path, loaded.messages, found, notices)
    for source, own in zip(loaded.messages, dependents, strict=True):
        plan = message_plan(path, loaded, source, own, notices, j1939_codes=j1939_codes)
        if plan is not None:
            notices += find_oddities(plan)
            plans.append(plan)
    messages = keep_distinct(plans, notices)
    if not messages:
        raise DefinitionError(
            f"{path}: no message is defined; expected at least one BO_ entry; choose another file"
        )
    return Database(path.name, path, messages, tuple(notices))


def _find_dependents(
    path: Path, sources: Sequence[Any], found: DbcText | None, notices: list[str]
) -> list[Dependents]:
    """For each message, which of its signals depend on which; signals in file order, by full name."""
    if found is None:
        return [listed_selectors(source.signals) for source in sources]
    if [len(m.signals) for m in found.messages] != [len(source.signals) for source in sources]:
        raise dbc.contradiction_error(str(path), "", "BO_ and SG_ entries run into each other")
    result = []
    for source, text in zip(sources, found.messages, strict=True):
        full = {short: signal.name for (short, _), signal in zip(text.signals, source.signals, strict=True)}
        result.append(find_selectors(text, found.ranges, full, notices))
    return result


# --- Plans from the records of the DBC library, and the rules for what the records leave open. ---


def message_plan(
    path: Path, database: Any, source: Any, dependents: Dependents, notices: list[str], *, j1939_codes: bool
) -> MessagePlan | None:
    """The plan of one message, or None if no frame can hold it; oddities are added to `notices`.

    Raises:
        DefinitionError: a float signal of a width that no float has.
    """
    if source.is_container or source.length > FD_WIDTH:
        notices.append(f"{source.name}: {source.length} bytes do not fit into one frame; omitted")
        return None
    signals = _signal_plans(path, source, dependents, notices)
    protection = _read_protection(source, signals, notices)
    convention = _code_convention(database, source, j1939_codes=j1939_codes)
    plain = (protection.counter, protection.checksum)
    return MessagePlan(
        name=source.name,
        can_id=source.frame_id | (EXTENDED if source.is_extended_frame else 0),
        size=source.length,
        signals=tuple(s if s.name in plain else _with_codes(s, convention) for s in signals.values()),
        cycle_ns=round(source.cycle_time * 1_000_000) if (source.cycle_time or 0) > 0 else None,
        protection=protection,
        comment=source.comment or "",
    )


def _signal_plans(
    path: Path, message: Any, dependents: Dependents, notices: list[str]
) -> dict[str, SignalPlan]:
    signals: dict[str, SignalPlan] = {}
    for source in message.signals:
        where = f"{message.name}.{source.name}"
        if source.length > _MOST_BITS:
            notices.append(f"{where}: {source.length} bits are more than a number can have (64); omitted")
            continue
        if source.conversion.is_float and source.length not in (32, 64):
            raise DefinitionError(
                f"{path}: {where} is a float of {source.length} bits; expected 32 or 64; correct its length "
                "or delete its SIG_VALTYPE_"
            )
        if source.name in signals:
            notices.append(f"{where}: defined twice; the last definition is used")
        limits = _declared_range(where, source, notices)
        signals[source.name] = _signal_plan(source, limits, dependents.get(source.name, ()))
    return signals


def _signal_plan(
    source: Any, limits: tuple[float | None, float | None], depends_on: tuple[Selector, ...]
) -> SignalPlan:
    conversion = source.conversion
    return SignalPlan(
        name=source.name,
        start=source.start,
        length=source.length,
        big_endian=source.byte_order == "big_endian",
        signed=bool(source.is_signed) and not conversion.is_float,
        is_float=bool(conversion.is_float),
        scale=float(conversion.scale),
        offset=float(conversion.offset),
        unit=source.unit or "",
        minimum=limits[0],
        maximum=limits[1],
        choices={int(raw): str(word) for raw, word in (source.choices or {}).items()},
        selectors=depends_on,
        comment=source.comment or "",
        initial=source.raw_initial,
    )


def _with_codes(signal: SignalPlan, convention: str) -> SignalPlan:
    """The signal with the codes of a convention; only unsigned integers have any."""
    if convention == "none" or signal.is_float or signal.signed:
        return signal
    not_available, error = top_two(signal.length) if convention == "all_ones" else j1939(signal.length)
    return replace(signal, not_available=not_available, error=error)


def _declared_range(where: str, source: Any, notices: list[str]) -> tuple[float | None, float | None]:
    """The declared range; [0|0] means that there is none, and a reversed one means nothing."""
    low, high = source.minimum, source.maximum
    if low == 0 and high == 0:
        return None, None
    if low is not None and high is not None and low > high:
        notices.append(f"{where}: minimum {low} above maximum {high}; no range is assumed")
        return None, None
    return None if low is None else float(low), None if high is None else float(high)


def _code_convention(database: Any, message: Any, *, j1939_codes: bool) -> str:
    """Which raw codes a message's signals have: "all_ones", "j1939" or "none"."""
    if _read_attribute(message, "RawCodes") == "all_ones":
        return "all_ones"
    marked = message.protocol == "j1939" or (
        message.is_extended_frame and _read_attribute(database, "ProtocolType") == "J1939"
    )
    return "j1939" if marked and j1939_codes else "none"


def _read_protection(message: Any, signals: dict[str, SignalPlan], notices: list[str]) -> Protection:
    """Counter and checksum, by mixmon's own attributes; those that cannot be used are reported."""
    counter = _read_attribute(message, "CounterSignal") or None
    if counter is not None and not _is_usable(signals.get(counter), message.length):
        notices.append(
            f"{message.name}: CounterSignal {counter} is not an unsigned signal of every frame; not checked"
        )
        counter = None
    algorithm = _read_attribute(message, "ChecksumAlgo") or "none"
    if algorithm == "none":
        return Protection(counter)
    checksum = _read_attribute(message, "ChecksumSignal")
    if algorithm not in ALGORITHMS or not _is_usable(signals.get(checksum), message.length, whole_byte=True):
        notices.append(
            f"{message.name}: ChecksumAlgo {algorithm}, ChecksumSignal {checksum}: not a known checksum in a "
            "byte of every frame; not checked"
        )
        return Protection(counter)
    data_id = _read_attribute(message, "ChecksumDataId")
    return Protection(counter, checksum, algorithm, data_id if data_id is not None and data_id >= 0 else None)


def _is_usable(signal: SignalPlan | None, size: int, *, whole_byte: bool = False) -> bool:
    """Whether the signal is an unsigned integer in every frame, and exactly one byte if asked."""
    if signal is None or signal.signed or signal.is_float or signal.selectors:
        return False
    field = Field.of(signal)
    return field.end_byte <= size and (not whole_byte or (field.length == 8 and field.first % 8 == 0))


def _read_attribute(owner: Any, name: str) -> Any:
    """An attribute's value, else its default, enumerations by word; None if it is not defined."""
    specifics = owner.dbc
    if specifics is None:
        return None
    definition = (specifics.attribute_definitions or {}).get(name)
    held = (specifics.attributes or {}).get(name)
    value = held.value if held is not None else getattr(definition, "default_value", None)
    choices = getattr(definition, "choices", None)
    if choices and isinstance(value, int):
        return choices[value] if 0 <= value < len(choices) else None
    return value


# --- What is odd about plans, in sentences, and which of two that collide counts. ---

_Condition = Mapping[str, Ranges]
"""Conditions under which a signal is present: ranges by multiplexer."""


def find_oddities(plan: MessagePlan) -> Iterator[str]:
    """A sentence for each oddity of a message that is decoded nevertheless."""
    for signal in plan.signals:
        if Field.of(signal).end_byte > plan.size:
            yield (
                f"{plan.name}.{signal.name}: needs {Field.of(signal).end_byte} bytes, its message has "
                f"{plan.size}; always missing"
            )
        if signal.scale == 0.0:
            yield f"{plan.name}.{signal.name}: factor 0; the value is always {signal.offset}"
    if shared := _pairs_sharing_bits(plan):
        more = f" and {len(shared) - 3} more pairs" if len(shared) > 3 else ""
        yield f"{plan.name}: {', '.join(shared[:3])}{more} share bits; all are decoded"


def keep_distinct(plans: Sequence[MessagePlan], notices: list[str]) -> tuple[MessagePlan, ...]:
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
            f"({winner.can_id & ~EXTENDED:#x}), which comes later in the file and is used; omitted"
        )
    return tuple(kept)


def _pairs_sharing_bits(plan: MessagePlan) -> list[str]:
    """Pairs of signals that cover the same bits of the same frame."""
    covered = [(signal, _covered_bits(signal)) for signal in plan.signals]
    return [
        f"{one.name} and {other.name}"
        for (one, bits), (other, others) in combinations(covered, 2)
        if bits & others and not _exclude_each_other(one, other, plan)
    ]


def _covered_bits(signal: SignalPlan) -> int:
    """The bits that the signal covers, as set bits of one number; bit 8 b + i is bit i of byte b."""
    if not signal.big_endian:
        return ((1 << signal.length) - 1) << signal.start
    sent = range(Field.of(signal).first, Field.of(signal).first + signal.length)
    return sum(1 << (8 * (p // 8) + 7 - p % 8) for p in sent)


def _exclude_each_other(one: SignalPlan, other: SignalPlan, plan: MessagePlan) -> bool:
    """Whether two signals can never be in the same frame: branches of one multiplexer that do not meet."""
    return all(
        any(_are_disjoint(mine[parent], theirs[parent]) for parent in mine.keys() & theirs.keys())
        for mine in _conditions(one, plan)
        for theirs in _conditions(other, plan)
    )


def _conditions(signal: SignalPlan, plan: MessagePlan) -> list[_Condition]:
    """Each alternative under which a signal is present, all the way up."""
    if not signal.selectors:
        return [{}]
    return [
        {**above, selector.parent: selector.ranges}
        for selector in signal.selectors
        for above in _conditions(plan.signal(selector.parent), plan)
    ]


def _are_disjoint(one: Ranges, other: Ranges) -> bool:
    return all(high < first or last < low for low, high in one for first, last in other)
