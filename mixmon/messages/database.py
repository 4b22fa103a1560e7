"""Message definition files -> plans. The only module that knows the DBC library.

DBC is what is promised. Files ending in .kcd, .sym and .arxml are read too, as far as the
library can. Nothing is repaired in silence: what is odd in a file and how it is taken is in
`Database.notices`; what makes a file unusable raises.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cantools.database
from cantools.database.errors import UnsupportedDatabaseFormatError

from mixmon.errors import DefinitionError
from mixmon.messages import dbc_faults
from mixmon.messages.dbc_text import DbcText, decode_text, scan
from mixmon.messages.multiplex import Dependents, listed, selectors
from mixmon.messages.plan import MessagePlan
from mixmon.messages.plans import message_plan
from mixmon.messages.remarks import distinct, remarks

logging.getLogger("cantools").addHandler(logging.NullHandler())  # its warnings become notices here

_OTHER_FORMATS = {".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}


@dataclass(frozen=True, slots=True)
class Database:
    """The messages of one file, in file order, and remarks on how odd entries were taken."""

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
    text = _read(path)
    suffix = path.suffix.lower()
    if suffix in _OTHER_FORMATS:
        loaded, texts = _parse(path, text, _OTHER_FORMATS[suffix]), None
    else:
        found = scan(text)
        loaded, texts = _parse(path, found.rest, "dbc"), found
    return _build(path, loaded, texts, j1939_codes=j1939_codes)


def _read(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"{path}: {error.strerror or error}; expected a message definition file (DBC); correct the path"
        ) from error
    if not content.strip():
        raise dbc_faults.not_text(str(path), "the file is empty")
    if b"\0" in content:
        raise dbc_faults.not_text(str(path), "the file holds zero bytes")
    return decode_text(content)


def _parse(path: Path, text: str, file_format: str) -> Any:
    try:
        return cantools.database.load_string(text, file_format, strict=False, sort_signals=None)
    except UnsupportedDatabaseFormatError as error:
        cause = next(e for e in (error.e_dbc, error.e_kcd, error.e_sym, error.e_arxml) if e is not None)
        if (line := getattr(cause, "line", None)) is not None:
            raise dbc_faults.syntax(str(path), text, line, getattr(cause, "column", 1)) from error
        reason = "an attribute has a value outside its list" if isinstance(cause, IndexError) else str(cause)
        raise dbc_faults.meaning(str(path), text, reason) from error


def _build(path: Path, loaded: Any, found: DbcText | None, *, j1939_codes: bool) -> Database:
    notices: list[str] = []
    plans = []
    dependents = _dependents(path, loaded.messages, found, notices)
    for source, own in zip(loaded.messages, dependents, strict=True):
        plan = message_plan(path, loaded, source, own, notices, j1939_codes=j1939_codes)
        if plan is not None:
            notices += remarks(plan)
            plans.append(plan)
    messages = distinct(plans, notices)
    if not messages:
        raise DefinitionError(
            f"{path}: no message is defined; expected at least one BO_ entry; choose another file"
        )
    return Database(path.name, path, messages, tuple(notices))


def _dependents(
    path: Path, sources: Sequence[Any], found: DbcText | None, notices: list[str]
) -> list[Dependents]:
    """For each message, which of its signals depend on which; signals in file order, by full name."""
    if found is None:
        return [listed(source.signals) for source in sources]
    if [len(m.signals) for m in found.messages] != [len(source.signals) for source in sources]:
        raise dbc_faults.meaning(str(path), "", "BO_ and SG_ entries run into each other")
    result = []
    for source, text in zip(sources, found.messages, strict=True):
        full = {short: signal.name for (short, _), signal in zip(text.signals, source.signals, strict=True)}
        result.append(selectors(text, found.ranges, full, notices))
    return result
