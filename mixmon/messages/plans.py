"""Plans from the records of a DBC library, with the rules for what the records leave open."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, FD_WIDTH
from mixmon.messages.checksum import ALGORITHMS
from mixmon.messages.codes import j1939, top_two
from mixmon.messages.field import Field
from mixmon.messages.multiplex import Dependents
from mixmon.messages.plan import MessagePlan, Protection, Selector, SignalPlan


def message_plan(
    path: Path, database: Any, source: Any, dependents: Dependents, notices: list[str], *, j1939_codes: bool
) -> MessagePlan | None:
    """The plan of one message, or None if no frame can hold it; oddities are added to `notices`.

    Raises:
        DefinitionError: a float signal of a width that no float has.
    """
    if source.is_container or source.length > FD_WIDTH:
        notices.append(f"{source.name}: {source.length} bytes are not in one frame; left out")
        return None
    signals = _signal_plans(path, source, dependents, notices)
    protection = _protection(source, signals, notices)
    convention = _convention(database, source, j1939_codes=j1939_codes)
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
        if source.length > 64:
            notices.append(f"{where}: {source.length} bits are more than a number can have (64); left out")
            continue
        if source.conversion.is_float and source.length not in (32, 64):
            raise DefinitionError(
                f"{path}: {where} is a float of {source.length} bits; expected 32 or 64; correct its length "
                "or delete its SIG_VALTYPE_"
            )
        if source.name in signals:
            notices.append(f"{where}: defined twice; the last one counts")
        limits = _range(where, source, notices)
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


def _range(where: str, source: Any, notices: list[str]) -> tuple[float | None, float | None]:
    """The declared range; [0|0] means that there is none, and a reversed one means nothing."""
    low, high = source.minimum, source.maximum
    if low == 0 and high == 0:
        return None, None
    if low is not None and high is not None and low > high:
        notices.append(f"{where}: minimum {low} above maximum {high}; no range is assumed")
        return None, None
    return None if low is None else float(low), None if high is None else float(high)


def _convention(database: Any, message: Any, *, j1939_codes: bool) -> str:
    """Which raw codes a message's signals have: "all_ones", "j1939" or "none"."""
    if _attribute(message, "RawCodes") == "all_ones":
        return "all_ones"
    marked = message.protocol == "j1939" or (
        message.is_extended_frame and _attribute(database, "ProtocolType") == "J1939"
    )
    return "j1939" if marked and j1939_codes else "none"


def _protection(message: Any, signals: dict[str, SignalPlan], notices: list[str]) -> Protection:
    """Counter and checksum, by mixmon's own attributes; those that cannot be meant are reported."""
    counter = _attribute(message, "CounterSignal") or None
    if counter is not None and not _usable(signals.get(counter), message.length):
        notices.append(
            f"{message.name}: CounterSignal {counter} is not an unsigned signal of every frame; not watched"
        )
        counter = None
    algorithm = _attribute(message, "ChecksumAlgo") or "none"
    if algorithm == "none":
        return Protection(counter)
    checksum = _attribute(message, "ChecksumSignal")
    if algorithm not in ALGORITHMS or not _usable(signals.get(checksum), message.length, whole_byte=True):
        notices.append(
            f"{message.name}: ChecksumAlgo {algorithm}, ChecksumSignal {checksum}: not a known checksum in a "
            "byte of every frame; not checked"
        )
        return Protection(counter)
    data_id = _attribute(message, "ChecksumDataId")
    return Protection(counter, checksum, algorithm, data_id if data_id is not None and data_id >= 0 else None)


def _usable(signal: SignalPlan | None, size: int, *, whole_byte: bool = False) -> bool:
    """Whether the signal is an unsigned integer in every frame, and exactly one byte if asked."""
    if signal is None or signal.signed or signal.is_float or signal.selectors:
        return False
    field = Field.of(signal)
    return field.end_byte <= size and (not whole_byte or (field.length == 8 and field.first % 8 == 0))


def _attribute(owner: Any, name: str) -> Any:
    """An attribute's value, else its default; enumerations by word. None if there is no such thing."""
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
