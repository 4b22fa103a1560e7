"""A DBC file as messages: its statements put together, and what contradicts itself told.

`messages.statements` reads the statements one by one. Here they are brought together: signals with their
message, comments, value tables and attributes with what they are of. What is wrong costs the statement, the
signal or the message in which it is; everything of that kind is told at once, each with its line, and nothing
is repaired without being told.

The file is read by mixmon itself, not by a DBC library: one that takes a file whole or not at all cannot say
what of it is good. The tests compare every value with cantools.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from mixmon.frames.block import EXTENDED, FD_WIDTH
from mixmon.messages.integrity import ALGORITHMS
from mixmon.messages.plan import MessagePlan, Ranges, SignalPlan
from mixmon.messages.selectors import Dependents, Marked, MarkedMessage, RangesText, find_selectors
from mixmon.messages.statements import (
    NUMBER,
    Notice,
    Statement,
    Unread,
    pairs_of,
    split_statements,
    texts_of,
    unquote,
)

_NO_MESSAGE = "VECTOR__INDEPENDENT_SIG_MSG"
"""Name of the place where editors keep signals that belong to no message."""

MOST_BITS = 64
"""Bits of the widest number that a signal can be: raw values are kept in uint64."""

_MOST_LISTED = 4
"""Names that a notice lists. Our choice: the notice stays on two lines of a terminal."""

_VALID_MARKER = re.compile(r"|M|m\d{1,20}M?")
_HEAD = re.compile(r"SG_\s+(?P<name>\w+)(?P<rest>\s+(?P<marker>\w+))?\s*(?P<colon>:)?")

AttributeValue = str | int | float
"""What an attribute holds; of several words, the chosen one."""

Owner = tuple[int | None, str | None]
"""What a comment or attribute is of: message number and signal name; (None, None) is the whole file."""

_WHOLE_FILE: Final[Owner] = (None, None)


@dataclass(frozen=True, slots=True)
class Definition:
    """A message as defined, before codes and checks: its plan, its attributes with defaults, its line.

    `lines` are those of its signals, by name.
    """

    plan: MessagePlan
    attributes: Mapping[str, AttributeValue] = field(default_factory=dict)
    line: int = 0
    lines: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Signal:
    """A signal as its line states it, with its marker and its line."""

    plan: SignalPlan
    marker: str
    line: int


@dataclass(slots=True)
class _Message:
    """A message while its signals are read. `lost`, `unnamed`: as in `MarkedMessage`."""

    number: int
    can_id: int
    name: str
    size: int
    line: int
    signals: list[_Signal] = field(default_factory=list)
    names: set[str] = field(default_factory=set)
    lost: dict[str, str | None] = field(default_factory=dict)
    unnamed: bool = False


@dataclass(frozen=True, slots=True)
class _AttributeDefinition:
    """The type of an attribute (INT, HEX, FLOAT, STRING, ENUM), and the words of an ENUM."""

    kind: str
    words: tuple[str, ...] = ()


_ALWAYS_DEFINED: Final[Mapping[str, _AttributeDefinition]] = {
    "GenMsgCycleTime": _AttributeDefinition("INT"),
    "GenSigStartValue": _AttributeDefinition("FLOAT"),
    "SystemMessageLongSymbol": _AttributeDefinition("STRING"),
    "SystemSignalLongSymbol": _AttributeDefinition("STRING"),
    "ProtocolType": _AttributeDefinition("STRING"),
    "VFrameFormat": _AttributeDefinition(
        "ENUM",
        (
            *("StandardCAN", "ExtendedCAN", "reserved", "J1939PG"),
            *("reserved",) * 10,
            *("StandardCAN_FD", "ExtendedCAN_FD"),
        ),
    ),
    "RawCodes": _AttributeDefinition("ENUM", ("none", "all_ones")),
    "ChecksumAlgo": _AttributeDefinition("ENUM", ("none", *ALGORITHMS)),
    "ChecksumSignal": _AttributeDefinition("STRING"),
    "CounterSignal": _AttributeDefinition("STRING"),
    "ChecksumDataId": _AttributeDefinition("INT"),
}
"""The attributes that mixmon reads, as DBC editors and dbc/README.md define them.

They hold where a file uses one without a readable definition of its own: the codes and names of a message do
not depend on one line far from it.
"""


def read_dbc(text: str) -> tuple[tuple[Definition, ...], Mapping[str, AttributeValue], tuple[Notice, ...]]:
    """The messages of a DBC text in file order, the attributes of the whole file, and everything to be told.

    Signals are plain (no codes); of messages with one number or one name, all are given.
    """
    reader = _FileReader()
    for read in split_statements(text):
        reader.take(read)
    return reader.finish()


class _FileReader:
    """Takes statements in order; keeps what they say until all of them are known."""

    def __init__(self) -> None:
        self._notices: list[Notice] = []
        self._messages: list[_Message] = []
        self._open: _Message | None = None
        self._outside: list[tuple[str, int]] = []
        self._unused_numbers: set[int] = set()
        self._comments: dict[Owner, str] = {}
        self._choices: dict[Owner, tuple[dict[int, str], str | None, int]] = {}
        self._floats: set[Owner] = set()
        self._ranges: dict[int, list[RangesText]] = defaultdict(list)
        self._mentioned: list[tuple[str, Owner, int]] = []
        self._tables: dict[str, dict[int, str]] = {}
        self._definitions: dict[str, _AttributeDefinition] = {}
        self._defaults: list[Statement] = []
        self._values: list[Statement] = []
        self._takers: Mapping[str, Callable[[Statement], None]] = {
            "BO_": self._take_message,
            "SG_": self._take_signal,
            "CM_": self._take_comment,
            "VAL_": self._take_choices,
            "VAL_TABLE_": self._take_table,
            "SIG_VALTYPE_": self._take_type,
            "SG_MUL_VAL_": self._take_ranges,
            "BA_DEF_": self._take_definition,
            "BA_DEF_DEF_": self._defaults.append,
            "BA_": self._values.append,
        }

    def take(self, read: Statement | Unread) -> None:
        """The next piece of the text."""
        if isinstance(read, Unread):
            self._notices.append(self._note_loss(read))
            return
        if read.keyword != "SG_":
            self._open = None
            self._tell_signals_outside()
        taker = self._takers.get(read.keyword)
        if taker is not None:
            taker(read)

    def finish(self) -> tuple[tuple[Definition, ...], Mapping[str, AttributeValue], tuple[Notice, ...]]:
        """As `read_dbc`."""
        self._tell_signals_outside()
        attributes = _Attributes(self._definitions, self._defaults, self._values, self._notices)
        self._mentioned += attributes.mentioned
        self._tell_unknown_owners()
        built = tuple(self._build(message, attributes) for message in self._messages)
        return built, attributes.of(_WHOLE_FILE), tuple(sorted(self._notices))

    def _tell(self, line: int, text: str) -> None:
        self._notices.append(Notice(line, text))

    # --- Messages and signals. ---

    def _take_message(self, read: Statement) -> None:
        number = _read_id(read["id"])
        wrong, can_id = _identifier(number)
        told = read["name"] != _NO_MESSAGE
        self._open = _Message(number, can_id, read["name"], int(read["size"]), read.line)
        if "x" in read["id"].lower():
            self._tell(read.line, f"BO_ {read['id']}: expected a decimal number; write {number}; taken so")
        if told and not read.pieces["node"]:
            found = f"BO_ {number} {read['name']} without a node; expected the node that sends it"
            self._tell(read.line, f"{found}; write Vector__XXX if it is not known; taken so")
        if told and wrong:
            self._tell(read.line, f"{read['name']}: {wrong}")
        size = self._open.size
        if told and not 0 <= size <= FD_WIDTH:
            self._tell(read.line, f"{read['name']}: {size} bytes do not fit into one frame; omitted")
        if told and can_id >= 0 and 0 <= size <= FD_WIDTH:
            self._messages.append(self._open)
        else:
            self._unused_numbers.add(number)

    def _take_signal(self, read: Statement) -> None:
        message = self._open
        if message is None:
            self._outside.append((read["signal"], read.line))
            return
        name, marker = read["signal"], read["marker"]
        where = f"{message.name}.{name}"
        if not _VALID_MARKER.fullmatch(marker):
            wrong: str | None = f"marker {marker}; expected nothing, M, or m and a number; correct it"
        else:
            wrong = _unusable_place(read)
        factor_and_offset = _numbers(read["scaling"], ",")
        if wrong is None and factor_and_offset is None:
            wrong = (
                f"({read['scaling']}); expected (factor,offset); write numbers with points, as in (0.25,0)"
            )
        if wrong is not None or factor_and_offset is None:
            message.lost[name] = marker if _VALID_MARKER.fullmatch(marker) else None
            if message.number not in self._unused_numbers:
                self._tell(read.line, f"{where}: {wrong}; omitted")
            return
        told: list[str] = []
        plan = _signal_plan(read, factor_and_offset, told)
        if message.number not in self._unused_numbers:
            self._notices += [Notice(read.line, f"{where}: {text}") for text in told]
        if name in message.names:
            self._tell(
                read.line, f"{where}: defined twice; expected each name once; delete one; the last is used"
            )
        message.names.add(name)
        message.signals.append(_Signal(plan, marker, read.line))

    def _note_loss(self, unread: Unread) -> Notice:
        """Remember what an unreadable line may have been, whose message or signal is not there by that.

        Gives what to tell about the line, with the name of the signal where it can be read.
        """
        line, told = unread.notice.line, unread.notice.text
        if not unread.keyword and not unread.text:
            return unread.notice
        if unread.keyword == "SG_" or ("|" in unread.text and not unread.apart):
            name = None if self._open is None else _note_lost_signal(self._open, unread.text)
            return Notice(line, f"{self._open.name}.{name}: {told}" if self._open and name else told)
        self._open = None
        self._tell_signals_outside()
        if found := re.match(r"BO_\s+(\d{1,20})(?!\d)", unread.text):
            self._unused_numbers.add(int(found[1]))
        return unread.notice

    def _tell_signals_outside(self) -> None:
        """Tell the signals that follow no readable message; they would belong to another one."""
        if self._outside:
            names = _list_names(name for name, _ in self._outside)
            told = f"{names}: no readable BO_ line above; expected one; correct it; omitted"
            self._tell(self._outside[0][1], told)
            self._outside.clear()

    # --- What is said about them elsewhere in the file. ---

    def _take_comment(self, read: Statement) -> None:
        owner = _read_owner(read["of"])
        if owner is not None and owner != _WHOLE_FILE:
            self._comments[owner] = unquote(read["text"])
            self._mentioned.append(("CM_", owner, read.line))

    def _take_choices(self, read: Statement) -> None:
        if read.pieces["id"] is None:
            return  # of an environment variable
        owner = (_read_id(read["id"]), read["signal"])
        self._mentioned.append(("VAL_", owner, read.line))
        where = f"VAL_ {owner[0]} {owner[1]}"
        if owner in self._choices:
            self._tell(
                read.line, f"{where}: described before; expected one VAL_ for a signal; the last is used"
            )
        self._choices[owner] = (self._read_pairs(read, where), read.pieces["table"], read.line)

    def _take_table(self, read: Statement) -> None:
        self._tables[read["table"]] = self._read_pairs(read, f"VAL_TABLE_ {read['table']}")

    def _read_pairs(self, read: Statement, where: str) -> dict[int, str]:
        found: dict[int, str] = {}
        for written, word in pairs_of(read["pairs"]):
            value = float(written)
            if not value.is_integer():
                self._tell(read.line, f"{where}: {written} is no raw value; expected a whole number; ignored")
                continue
            number = int(written) if re.fullmatch(r"[-+]?\d+", written) else int(value)
            if number in found:
                told = f"{where}: {number} is described twice; expected each value once; the last is used"
                self._tell(read.line, told)
            found[number] = word
        return found

    def _take_type(self, read: Statement) -> None:
        owner = (_read_id(read["id"]), read["signal"])
        self._mentioned.append(("SIG_VALTYPE_", owner, read.line))
        if not read["colon"]:
            found = f"SIG_VALTYPE_ {owner[0]} {owner[1]} without a colon before the type"
            told = (
                f"{found}; expected one; write SIG_VALTYPE_ {owner[0]} {owner[1]} : {read['type']}; taken so"
            )
            self._tell(read.line, told)
        if read["type"] in {"1", "2"}:
            self._floats.add(owner)

    def _take_ranges(self, read: Statement) -> None:
        pairs = re.findall(r"(\d+)[^\d-]*-[^\d-]*(\d+)", read["ranges"])
        ranges: Ranges = tuple((int(low), int(high)) for low, high in pairs)
        number = _read_id(read["id"])
        self._ranges[number].append(RangesText(read["signal"], read["parent"], ranges, read.line))
        self._mentioned.append(("SG_MUL_VAL_", (number, None), read.line))

    def _take_definition(self, read: Statement) -> None:
        words = tuple(texts_of(read["values"])) if read["type"] == "ENUM" else ()
        self._definitions[unquote(read["attribute"])] = _AttributeDefinition(read["type"], words)

    def _tell_unknown_owners(self) -> None:
        """Tell statements about messages and signals that are not there, those of one message together."""
        messages: dict[int, list[_Message]] = defaultdict(list)
        for message in self._messages:
            messages[message.number].append(message)
        strange: dict[tuple[str, Owner], list[int]] = defaultdict(list)
        for keyword, (number, signal), line in self._mentioned:
            if number is None or number in self._unused_numbers:
                continue
            if number not in messages:
                strange[keyword, (number, None)].append(line)
            elif signal is not None and not _has_signal(messages[number], signal):
                strange[keyword, (number, signal)].append(line)
        for (keyword, (number, signal)), lines in strange.items():
            more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
            found = f"{keyword} {number}{more}: no message has that number"
            if signal is not None and number is not None:
                found = f"{keyword} {number} {signal}{more}: no such signal in {messages[number][-1].name}"
            told = f"{found}; expected entries for what is in the file; delete that statement; ignored"
            self._tell(lines[0], told)

    # --- Messages, when everything is known. ---

    def _build(self, message: _Message, attributes: _Attributes) -> Definition:
        owner = (message.number, None)
        own = attributes.of(owner)
        marked = MarkedMessage(
            message.name,
            tuple(Marked(signal.plan.name, signal.marker, signal.line) for signal in message.signals),
            message.lost,
            message.unnamed,
        )
        ranges = self._ranges.get(message.number, ())
        dependents, omitted = find_selectors(marked, ranges, self._notices)
        signals = self._finish_signals(message, dependents, omitted, attributes)
        cycle = own.get("GenMsgCycleTime")
        plan = MessagePlan(
            name=str(own.get("SystemMessageLongSymbol", "")) or message.name,
            can_id=message.can_id,
            size=message.size,
            signals=tuple(signals),
            cycle_ns=round(cycle * 1_000_000) if isinstance(cycle, int | float) and cycle > 0 else None,
            comment=self._comments.get(owner, ""),
        )
        lines = {signal.plan.name: signal.line for signal in message.signals}
        full = {attributes.long_name((message.number, name)) or name: line for name, line in lines.items()}
        return Definition(plan, own, message.line, full)

    def _finish_signals(
        self, message: _Message, dependents: Dependents, omitted: frozenset[str], attributes: _Attributes
    ) -> Iterator[SignalPlan]:
        """The signals with what is said about them elsewhere; of two with one name, the last."""
        kept = {
            signal.plan.name: signal
            for signal in message.signals
            if signal.plan.name not in omitted and not self._is_odd_float(message, signal)
        }
        full = {name: attributes.long_name((message.number, name)) or name for name in kept}
        for name, signal in kept.items():
            owner = (message.number, name)
            is_float = owner in self._floats
            selectors = tuple(replace(s, parent=full[s.parent]) for s in dependents.get(name, ()))
            yield replace(
                signal.plan,
                name=full[name],
                is_float=is_float,
                signed=signal.plan.signed and not is_float,
                choices=self._find_choices(owner),
                selectors=selectors,
                comment=self._comments.get(owner, ""),
                initial=attributes.start_value(owner),
            )

    def _is_odd_float(self, message: _Message, signal: _Signal) -> bool:
        """Whether the signal is a float of a width that no float has; tells it."""
        plan = signal.plan
        if (message.number, plan.name) not in self._floats or plan.length in (32, 64):
            return False
        told = f"{message.name}.{plan.name} is a float of {plan.length} bits; expected 32 or 64"
        self._tell(signal.line, f"{told}; correct its length or delete its SIG_VALTYPE_; omitted")
        return True

    def _find_choices(self, owner: Owner) -> Mapping[int, str]:
        pairs, table, line = self._choices.get(owner, ({}, None, 0))
        if table is None:
            return pairs
        known = self._tables.get(table)
        where = f"VAL_ {owner[0]} {owner[1]} names the table {table}"
        if known is None:
            told = f"{where}, which is not there; expected pairs of a number and a text; write them; ignored"
        else:
            told = f"{where}; expected its pairs of a number and a text; write them in its place; taken so"
        self._tell(line, told)
        return known or {}


class _Attributes:
    """The attributes of a file: each value by what has it, else its default."""

    def __init__(
        self,
        definitions: Mapping[str, _AttributeDefinition],
        defaults: Iterable[Statement],
        values: Iterable[Statement],
        notices: list[Notice],
    ) -> None:
        self._definitions = definitions
        self._notices = notices
        self._values: dict[Owner, dict[str, AttributeValue]] = defaultdict(dict)
        self._defaults: dict[str, AttributeValue] = {}
        self._undefined: dict[str, list[int]] = defaultdict(list)
        self.mentioned: list[tuple[str, Owner, int]] = []
        for read in defaults:
            if read["value"] != '""':  # no default
                self._take_value(read, self._defaults)
        for read in values:
            owner = _read_owner(read["of"])
            if owner is not None:
                self.mentioned.append(("BA_", owner, read.line))
            self._take_value(read, {} if owner is None else self._values[owner])
        for name, lines in self._undefined.items():
            more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
            taken = "taken as usual" if name in _ALWAYS_DEFINED else "ignored"
            told = f'attribute "{name}" is not defined{more}; expected a readable BA_DEF_; write one; {taken}'
            notices.append(Notice(lines[0], told))

    def of(self, owner: Owner) -> Mapping[str, AttributeValue]:
        """The attributes of a message, or of the file, by name."""
        return {**self._defaults, **self._values.get(owner, {})}

    def long_name(self, owner: Owner) -> str:
        """The long name of a signal, or nothing."""
        return str(self._values.get(owner, {}).get("SystemSignalLongSymbol", ""))

    def start_value(self, owner: Owner) -> float | None:
        """The raw value with which a signal starts, or None."""
        value = self._values.get(owner, {}).get("GenSigStartValue")
        return value if isinstance(value, int | float) else None

    def _take_value(self, read: Statement, held: dict[str, AttributeValue]) -> None:
        name = unquote(read["attribute"])
        definition = self._definitions.get(name)
        if definition is None:
            self._undefined[name].append(read.line)
            definition = _ALWAYS_DEFINED.get(name)
        if definition is None:
            return
        value = _attribute_value(definition, read["value"])
        if value is None:
            expected = (
                "a number" if definition.kind != "ENUM" else "one of its words, or the number of one from 0"
            )
            told = f'attribute "{name}" is {read["value"]}; expected {expected}; correct it; ignored'
            self._notices.append(Notice(read.line, told))
        else:
            held[name] = value


def _attribute_value(definition: _AttributeDefinition, written: str) -> AttributeValue | None:
    """The value of an attribute of that type; None where it cannot be one."""
    quoted = written.startswith('"')
    text = unquote(written) if quoted else written
    if definition.kind == "STRING":
        return text
    if definition.kind == "ENUM":
        if text in definition.words:
            return text
        place = int(text) if re.fullmatch(r"[0-9]{1,9}", text) else -1
        return definition.words[place] if 0 <= place < len(definition.words) else None
    if not NUMBER.fullmatch(text) or not math.isfinite(number := float(text)):
        return None
    return number if definition.kind == "FLOAT" else int(number)


# --- Pieces of statements. ---


def _read_id(written: str) -> int:
    return int(written, 16) if "x" in written.lower() else int(written)


def _read_owner(written: str) -> Owner | None:
    """What a comment or an attribute is of; None for what has no message: nodes, environment variables."""
    words = written.split()
    if not words:
        return _WHOLE_FILE
    if words[0] not in {"BO_", "SG_"}:
        return None
    return _read_id(words[1]), (words[2] if words[0] == "SG_" else None)


def _identifier(number: int) -> tuple[str | None, int]:
    """What is wrong with the number of a message, and the identifier of its frames; -1 where none can be."""
    low = number & ~EXTENDED
    if 0 <= number <= 0x7FF or (number == EXTENDED | low and low <= 0x1FFF_FFFF):
        return None, number
    expected = "expected at most 2047, or 2147483648 plus at most 536870911 for 29-bit identifiers"
    if 0x7FF < number <= 0x1FFF_FFFF:
        found = f"identifier {number:#x} is more than 11 bits"
        return f"{found}; {expected}; write {EXTENDED | number} if it has 29; taken so", EXTENDED | number
    return f"number {number} is no identifier; {expected}; correct it; omitted", -1


def _unusable_place(read: Statement) -> str | None:
    """What is wrong with the place of a signal in its message; None where nothing is."""
    start, length = read["start"], read["length"]
    if not re.fullmatch(r"\+?\d{1,9}", start) or int(start) >= 8 * FD_WIDTH:
        return f"starts at bit {start}; expected a bit of a frame, 0 to {8 * FD_WIDTH - 1}; correct it"
    if not re.fullmatch(r"\+?\d{1,9}", length) or int(length) == 0:
        return f"has {length} bits; expected 1 to {MOST_BITS}; correct it"
    if int(length) > MOST_BITS:
        return f"{length} bits are more than a number can have ({MOST_BITS}); shorten it if it is one"
    return None


def _numbers(text: str, between: str) -> tuple[float, float] | None:
    """Two finite numbers; None where the text is something else."""
    parts = [part.strip() for part in text.split(between)]
    if len(parts) != 2 or not all(NUMBER.fullmatch(part) for part in parts):
        return None
    first, second = map(float, parts)
    return (first, second) if math.isfinite(first) and math.isfinite(second) else None


def _signal_plan(read: Statement, scaling: tuple[float, float], told: list[str]) -> SignalPlan:
    """The signal as its line states it; what is odd is added to `told`."""
    if not read.pieces["nodes"]:
        told.append("no receiving node; expected one; write Vector__XXX if it is not known; taken so")
    minimum, maximum = _declared_range(read["range"], told)
    return SignalPlan(
        name=read["signal"],
        start=int(read["start"]),
        length=int(read["length"]),
        big_endian=read["order"] == "0",
        signed=read["sign"] == "-",
        scale=scaling[0],
        offset=scaling[1],
        unit=unquote(read["unit"]),
        minimum=minimum,
        maximum=maximum,
    )


def _declared_range(written: str, told: list[str]) -> tuple[float | None, float | None]:
    """The declared range; [0|0] means that there is none, and a reversed one means nothing."""
    ends = _numbers(written, "|")
    if ends is None:
        told.append(f"range [{written}]; expected [minimum|maximum] with numbers; no range is assumed")
        return None, None
    low, high = ends
    if low > high:
        told.append(f"minimum {low:g} above maximum {high:g}; write the smaller first; no range is assumed")
    return (None, None) if low > high or (low, high) == (0, 0) else (low, high)


def _note_lost_signal(message: _Message, text: str) -> str | None:
    """Note the name and marker of a signal that is not readable, as far as they can be read; its name."""
    found = _HEAD.match(text)
    if found is None:
        message.unnamed = True
        return None
    sure = found["colon"] and _VALID_MARKER.fullmatch(found["marker"] or "")
    message.lost[found["name"]] = (found["marker"] or "") if sure else None
    return found["name"]


def _has_signal(messages: Iterable[_Message], name: str) -> bool:
    """Whether one of the messages has the signal, or has lost lines that may have been it."""
    return any(message.unnamed or name in message.lost or name in message.names for message in messages)


def _list_names(names: Iterable[str]) -> str:
    listed = list(names)
    more = f" and {len(listed) - _MOST_LISTED} more" if len(listed) > _MOST_LISTED else ""
    return ", ".join(listed[:_MOST_LISTED]) + more
