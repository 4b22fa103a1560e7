"""Message definitions in other formats than DBC, as far as a library reads them; no other module knows it.

The library takes a file whole or not at all; what it does not take raises DefinitionError.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

import cantools.database
from cantools.database.errors import UnsupportedDatabaseFormatError

from mixmon.errors import DefinitionError
from mixmon.frames.block import EXTENDED, FD_WIDTH
from mixmon.messages.dbc import MOST_BITS, Definition
from mixmon.messages.plan import MessagePlan, SignalPlan
from mixmon.messages.selectors import Dependents, listed_selectors
from mixmon.messages.statements import Notice

logging.getLogger("cantools").addHandler(logging.NullHandler())  # its warnings become notices here


def read_by_library(path: Path, text: str) -> tuple[tuple[Definition, ...], tuple[Notice, ...]]:
    """The messages of a file in the format that its name tells (.kcd, .sym, .arxml), and what is odd in it.

    Raises:
        DefinitionError: the library does not take the file.
    """
    notices: list[Notice] = []
    loaded = _parse(path, text)
    found = (_read_message(source, notices) for source in loaded.messages)
    return tuple(Definition(plan) for plan in found if plan is not None), tuple(notices)


def _parse(path: Path, text: str) -> Any:
    try:
        return cantools.database.load_string(
            text, path.suffix.lower().lstrip("."), strict=False, sort_signals=None
        )
    except UnsupportedDatabaseFormatError as error:
        causes = (error.e_kcd, error.e_sym, error.e_arxml)
        reason = (
            str(next(cause for cause in causes if cause is not None)).rstrip(".") or "cannot be understood"
        )
        raise DefinitionError(
            f"{path}: {reason}; expected consistent message definitions; correct it, or export it as DBC"
        ) from error


def _read_message(source: Any, notices: list[Notice]) -> MessagePlan | None:
    """The plan of one message, or None if no frame can hold it; oddities are added to `notices`."""
    if source.is_container or source.length > FD_WIDTH:
        told = f"{source.name}: {source.length} bytes do not fit into one frame; omitted"
        notices.append(Notice(0, told))
        return None
    dependents = listed_selectors(source.signals)
    plans = (_read_signal(source, signal, dependents, notices) for signal in source.signals)
    signals = {plan.name: plan for plan in plans if plan is not None}
    return MessagePlan(
        name=source.name,
        can_id=source.frame_id | (EXTENDED if source.is_extended_frame else 0),
        size=source.length,
        signals=tuple(signals.values()),
        cycle_ns=round(source.cycle_time * 1_000_000) if (source.cycle_time or 0) > 0 else None,
        comment=source.comment or "",
    )


def _read_signal(
    message: Any, source: Any, dependents: Dependents, notices: list[Notice]
) -> SignalPlan | None:
    """One signal, or None if it is no number; oddities are added to `notices`."""
    where, conversion = f"{message.name}.{source.name}", source.conversion
    if source.length > MOST_BITS:
        told = f"{where}: {source.length} bits are more than a number can have ({MOST_BITS}); omitted"
        notices.append(Notice(0, told))
        return None
    if conversion.is_float and source.length not in (32, 64):
        told = f"{where} is a float of {source.length} bits; expected 32 or 64; correct its length; omitted"
        notices.append(Notice(0, told))
        return None
    no_range = (source.minimum, source.maximum) == (0, 0)
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
        minimum=None if no_range or source.minimum is None else float(source.minimum),
        maximum=None if no_range or source.maximum is None else float(source.maximum),
        choices={int(raw): str(word) for raw, word in (source.choices or {}).items()},
        selectors=dependents.get(source.name, ()),
        comment=source.comment or "",
        initial=source.raw_initial,
    )
