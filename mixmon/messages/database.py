"""Message definition files to plans.

A DBC file is read by `messages.dbc`, which keeps what is good of it; files ending in .kcd, .sym and .arxml
are read as far as a library can (`messages.library`). Here the messages of either get what their attributes
say: the codes for "not available" and "error", and their rolling counter and checksum.

Nothing is repaired silently: what is odd in a file, and how it is taken, is in `Database.notices`. A file of
which no message is left raises DefinitionError.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from mixmon.errors import DefinitionError, reason_of
from mixmon.frames.block import EXTENDED, identifier_text
from mixmon.messages.dbc import AttributeValue, Definition, read_dbc
from mixmon.messages.integrity import ALGORITHMS
from mixmon.messages.plan import (
    Field,
    MessagePlan,
    Protection,
    SignalPlan,
    j1939,
    parameter_groups,
    top_two,
)
from mixmon.messages.selectors import pairs_sharing_bits
from mixmon.messages.statements import Notice

_OTHER_FORMATS = frozenset({".kcd", ".sym", ".arxml"})

_KEPT_FILES = 8
"""Files whose messages are kept once they were read: our choice, more than a session names."""

_SHOWN_PAIRS = 3
"""Pairs of signals that a notice names. Our choice: the notice stays on two lines of a terminal."""

_MOST_FAULTS = 3
"""Faults that an error tells of a file without a message. Our choice: such a file is mostly no DBC file."""


@dataclass(frozen=True, slots=True)
class Database:
    """The messages of one file, in file order.

    name      of the file; of several that were joined, all names
    path      of the file
    messages  in file order
    notices   how odd entries of the file were taken, with their lines
    """

    name: str
    path: Path
    messages: tuple[MessagePlan, ...]
    notices: tuple[Notice, ...]

    def message(self, name: str) -> MessagePlan:
        """The message of that name.

        Raises:
            KeyError: there is none.
        """
        for message in self.messages:
            if message.name == name:
                return message
        raise KeyError(name)


def load_database(path: Path, *, j1939_codes: bool | None = None, by_pgn: bool = False) -> Database:
    """The messages that a file defines.

    Messages marked as SAE J1939 (`VFrameFormat` J1939PG, or `ProtocolType` J1939) have its codes for "not
    available" and "error"; with `j1939_codes` True every message of a 29-bit identifier has them, with False
    none. Other messages have codes only if the file says so by the attribute `RawCodes` (see dbc/README.md).
    With `by_pgn`, messages of 29-bit identifiers get the frames of their parameter group.

    Raises:
        DefinitionError: the file is missing, is not text, or holds no message that can be used.

    >>> from mixmon.messages.chain import shipped_database
    >>> database = load_database(shipped_database("engine_bus.dbc"))
    >>> database.message("Engine_Fast").signal("Speed").unit
    'rpm'
    """
    path = Path(path)
    return _define_messages(path, _read_content(path), j1939_codes, by_pgn)


@lru_cache(maxsize=_KEPT_FILES)
def _define_messages(path: Path, content: bytes, j1939_codes: bool | None, by_pgn: bool) -> Database:
    """The messages of a file with that content; parts of one command ask for the same ones again."""
    attributes: Mapping[str, AttributeValue] = {}
    if path.suffix.lower() in _OTHER_FORMATS:
        from mixmon.messages.library import read_by_library

        definitions, told = read_by_library(path, decode_text(content))
    else:
        definitions, attributes, told = read_dbc(decode_text(content))
    notices = list(told)
    plans = []
    for definition in definitions:
        plan = finish_message(definition, attributes, notices, j1939_codes=j1939_codes)
        notices += [
            Notice(definition.lines.get(name, definition.line), told) for name, told in find_oddities(plan)
        ]
        plans.append((plan, definition.line))
    messages = keep_distinct(plans, notices)
    if by_pgn:
        messages = _match_by_group(messages, notices)
    if not messages:
        raise _no_message_error(path, content, told)
    return Database(path.name, path, messages, tuple(sorted(notices)))


def _read_content(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: no name that a file can have
        raise DefinitionError(
            f"{path}: {reason_of(error)}; expected a message definition file (DBC); correct the path"
        ) from error
    if not content.strip():
        raise not_text_error(str(path), "the file is empty")
    return content


def decode_text(content: bytes) -> str:
    r"""The text of a message definition file, its lines ended by \n.

    UTF-16 where its byte order mark says so; else line by line UTF-8, or cp1252 where a line is not UTF-8.
    cp1252 leaves five bytes undefined; they become U+FFFD.

    >>> decode_text(b"\xef\xbb\xbfVERSION"), decode_text(b"\xb0C\r\n\xc2\xb0C")
    ('VERSION', '°C\n°C')
    """
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = content.decode("utf-16", errors="replace")
    else:
        text = "\n".join(_decode_line(line) for line in content.removeprefix(b"\xef\xbb\xbf").split(b"\n"))
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode_line(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def not_text_error(where: str, found: str) -> DefinitionError:
    """The error for a file that is not text."""
    return DefinitionError(
        f"{where}: {found}; expected message definitions as text; export the file again as DBC"
    )


def _no_message_error(path: Path, content: bytes, told: Sequence[Notice]) -> DefinitionError:
    """The error for a file that holds no message, with the first of what could not be read."""
    if b"\0" in content:
        return not_text_error(str(path), "the file holds zero bytes")
    faults = "".join(f"; {notice}" for notice in told[:_MOST_FAULTS])
    more = f"; and {len(told) - _MOST_FAULTS} more" if len(told) > _MOST_FAULTS else ""
    return DefinitionError(
        f"{path}: no message is defined; expected at least one BO_ entry; choose another file{faults}{more}"
    )


# --- What the attributes of a message say: its codes, its rolling counter and its checksum. ---


def finish_message(
    definition: Definition,
    of_file: Mapping[str, AttributeValue],
    notices: list[Notice],
    *,
    j1939_codes: bool | None,
) -> MessagePlan:
    """The plan of a message with its codes and checks; what is odd is added to `notices`."""
    plan = definition.plan
    protection = _read_protection(definition, notices)
    convention = _code_convention(definition, of_file, j1939_codes=j1939_codes)
    plain = (protection.counter, protection.checksum)
    signals = tuple(s if s.name in plain else _with_codes(s, convention) for s in plan.signals)
    return replace(plan, signals=signals, protection=protection)


def _with_codes(signal: SignalPlan, convention: str) -> SignalPlan:
    """The signal with the codes of a convention; only unsigned integers have any."""
    if convention == "none" or signal.is_float or signal.signed:
        return signal
    not_available, error = top_two(signal.length) if convention == "all_ones" else j1939(signal.length)
    return replace(signal, not_available=not_available, error=error)


def _code_convention(
    definition: Definition, of_file: Mapping[str, AttributeValue], *, j1939_codes: bool | None
) -> str:
    """Which raw codes a message's signals have: "all_ones", "j1939" or "none"."""
    if definition.attributes.get("RawCodes") == "all_ones":
        return "all_ones"
    extended = bool(definition.plan.can_id & EXTENDED)
    marked = definition.attributes.get("VFrameFormat") == "J1939PG" or (
        extended and of_file.get("ProtocolType") == "J1939"
    )
    return "j1939" if (marked if j1939_codes is None else j1939_codes and extended) else "none"


def _read_protection(definition: Definition, notices: list[Notice]) -> Protection:
    """Counter and checksum, by mixmon's own attributes; those that cannot be used are reported."""
    plan, attributes = definition.plan, definition.attributes
    signals = {signal.name: signal for signal in plan.signals}
    counter = str(attributes.get("CounterSignal", "")) or None
    if counter is not None and not _is_usable(signals.get(counter), plan.size):
        told = f"CounterSignal {counter} is no unsigned signal of every frame; name one; not checked"
        notices.append(Notice(definition.line, f"{plan.name}: {told}"))
        counter = None
    algorithm = str(attributes.get("ChecksumAlgo", "none"))
    if algorithm == "none":
        return Protection(counter)
    checksum = str(attributes.get("ChecksumSignal", ""))
    if algorithm not in ALGORITHMS or not _is_usable(signals.get(checksum), plan.size, whole_byte=True):
        told = (
            f"{plan.name}: ChecksumAlgo {algorithm}, ChecksumSignal {checksum}: not a known checksum in a "
            "byte of every frame; correct them; not checked"
        )
        notices.append(Notice(definition.line, told))
        return Protection(counter)
    data_id = attributes.get("ChecksumDataId")
    return Protection(
        counter,
        checksum,
        algorithm,
        int(data_id) if isinstance(data_id, int | float) and data_id >= 0 else None,
    )


def _is_usable(signal: SignalPlan | None, size: int, *, whole_byte: bool = False) -> bool:
    """Whether the signal is an unsigned integer in every frame, and exactly one byte if asked."""
    if signal is None or signal.signed or signal.is_float or signal.selectors:
        return False
    place = Field.of(signal)
    return place.end_byte <= size and (not whole_byte or (place.length == 8 and place.first % 8 == 0))


# --- What is odd about plans, in sentences, and how messages that collide are kept apart. ---


def find_oddities(plan: MessagePlan) -> Iterator[tuple[str, str]]:
    """A signal and a sentence for each oddity of a message that is decoded nevertheless."""
    for signal in plan.signals:
        if Field.of(signal).end_byte > plan.size:
            found = f"needs {Field.of(signal).end_byte} bytes, its message has {plan.size}"
            yield signal.name, f"{plan.name}.{signal.name}: {found}; correct one of the two; always missing"
        if signal.scale == 0.0:
            told = f"factor 0; write another; the value is always {signal.offset:g}"
            yield signal.name, f"{plan.name}.{signal.name}: {told}"
    shared, whole = pairs_sharing_bits(plan, _SHOWN_PAIRS + 1)
    if not whole:
        told = "has too many branches for all to be compared; some may share bits unsaid; all are decoded"
        yield plan.signals[0].name, f"{plan.name}: {told}"
    if shared:
        pairs = ", ".join(f"{one} and {other}" for one, other in shared[:_SHOWN_PAIRS])
        more = " and others" if len(shared) > _SHOWN_PAIRS else ""
        yield (
            shared[0][1],
            f"{plan.name}: {pairs}{more} share bits; correct them if not meant; all are decoded",
        )


def keep_distinct(plans: Sequence[tuple[MessagePlan, int]], notices: list[Notice]) -> tuple[MessagePlan, ...]:
    """The messages that count, each with a name of its own; `plans` are messages with their lines.

    Of several with one identifier the last in the file counts: a frame does not tell which is meant. Several
    with one name are all kept, and the identifier is added to the name of each: M_1B8 and M_1BA.
    """
    last = {plan.can_id: plan for plan, _ in plans}
    kept = [(plan, line) for plan, line in plans if last[plan.can_id] is plan]
    for plan, line in plans:
        winner = last[plan.can_id]
        if winner is not plan:
            told = f"{plan.name} ({identifier_text(plan.can_id)}): has the identifier of {winner.name}"
            notices.append(Notice(line, f"{told}, which comes later and is used; correct one; omitted"))
    names = Counter(plan.name for plan, _ in kept)
    taken = set(names)
    distinct = []
    for plan, line in kept:
        name = plan.name
        if names[name] > 1:
            name = _name_with_identifier(plan, taken)
            shared = f"{plan.name} ({identifier_text(plan.can_id)}): another message has the name"
            told = f"{shared}; rename one; called {name}"
            notices.append(Notice(line, told))
        distinct.append(replace(plan, name=name))
    return tuple(distinct)


def _match_by_group(messages: tuple[MessagePlan, ...], notices: list[Notice]) -> tuple[MessagePlan, ...]:
    """The messages, those of 29-bit identifiers matched by parameter group; groups of several are told."""
    wide = [plan for plan in messages if plan.can_id & EXTENDED]
    members: dict[int, list[str]] = {}
    groups = parameter_groups(np.array([plan.can_id for plan in wide], np.uint32)).tolist()
    for plan, group in zip(wide, groups, strict=True):
        members.setdefault(group, []).append(plan.name)
    for group, names in members.items():
        if len(names) > 1:
            told = (
                f"{', '.join(names)}: one parameter group, {group} ({group:#x}); each has its own frames only"
            )
            notices.append(Notice(0, told))
    return tuple(replace(plan, by_pgn=bool(plan.can_id & EXTENDED)) for plan in messages)


def _name_with_identifier(plan: MessagePlan, taken: set[str]) -> str:
    """The name of a message with its identifier, in hexadecimal as candump writes it; added to `taken`."""
    name = f"{plan.name}_{identifier_text(plan.can_id)}"
    while name in taken:
        name += "_"
    taken.add(name)
    return name
