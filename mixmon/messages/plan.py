"""What a decoder needs to know about a message: plain records, free of any library.

`messages.database` makes them from DBC files, `messages.chain` makes the project's own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum


class Quality(IntEnum):
    """How much a decoded value can be believed, one a value."""

    GOOD = 0
    NOT_AVAILABLE = 1  # the sender says that it has no value (raw code)
    ERROR = 2  # the sender says that the value is in error (raw code)
    MISSING = 3  # the bytes are not in the frame, or the multiplexer selects another branch
    CORRUPT = 4  # the frame's checksum is wrong or its counter repeats: kept, marked, not counted


@dataclass(frozen=True, slots=True)
class Selector:
    """When a multiplexed signal is present: its parent's raw value lies in one of the ranges."""

    parent: str
    ranges: tuple[tuple[int, int], ...]  # inclusive


@dataclass(frozen=True, slots=True)
class SignalPlan:
    """One signal: where its bits lie and how its raw value becomes a number with a unit.

    `start` is counted as in DBC files: least significant bit for little-endian signals,
    most significant bit for big-endian ones. value = raw * scale + offset, in float64.
    `selectors` are alternatives: the signal is present where any of them holds; without any,
    always.
    """

    name: str
    start: int
    length: int
    big_endian: bool
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: Mapping[int, str] = field(default_factory=dict)
    selectors: tuple[Selector, ...] = ()
    not_available: tuple[tuple[int, int], ...] = ()  # inclusive ranges of raw values
    error: tuple[tuple[int, int], ...] = ()
    comment: str = ""
    initial: float | None = None  # raw value that a sender uses before it knows better


@dataclass(frozen=True, slots=True)
class Protection:
    """Rolling counter and checksum of a message, by signal name; absent ones are None."""

    counter: str | None = None
    checksum: str | None = None
    algorithm: str = "none"  # none | CRC8_J1850 | CRC8_H2F | XOR8
    data_id: int | None = None


@dataclass(frozen=True, slots=True)
class MessagePlan:
    """One message: identifier, length and signals.

    `can_id` has bit 31 set for 29-bit identifiers, as in FrameBlock.
    """

    name: str
    can_id: int
    size: int
    signals: tuple[SignalPlan, ...]
    cycle_ns: int | None = None
    protection: Protection = Protection()
    comment: str = ""

    def signal(self, name: str) -> SignalPlan:
        """The signal of that name.

        Raises:
            KeyError: there is none.
        """
        for signal in self.signals:
            if signal.name == name:
                return signal
        raise KeyError(name)
