"""Frames to columns of values, channel by channel, for `mixmon decode`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Self

import numpy as np

from mixmon.cli.parser import nearest
from mixmon.errors import UsageError
from mixmon.frames.block import EXTENDED, NOT_DATA, FrameBlock
from mixmon.messages.binding import NO_BUS, Binding
from mixmon.messages.decode import Decoder
from mixmon.messages.plan import MessagePlan, Quality
from mixmon.report.decoded import Decoded, Values, columns
from mixmon.report.text import counted

_AT_ONCE = 16_384
"""Frames a step: lines of text take some hundred times the room of a frame."""

_SHOWN = 6

Wide = tuple[Decoded, tuple[str, ...]]
"""A message's frames and the names of its signals that are wanted."""


@dataclass(frozen=True, slots=True)
class Definitions:
    """Messages by channel, and all of them together."""

    name: str
    of_channel: Callable[[str], tuple[MessagePlan, ...]]
    every: tuple[MessagePlan, ...]

    @classmethod
    def of_session(cls, binding: Binding) -> Self:
        """The session's buses tell which channel has which messages."""

        def of_channel(channel: str) -> tuple[MessagePlan, ...]:
            bus = int(binding.bus_of_channels([channel])[0])
            return () if bus == NO_BUS else binding.plans[bus]

        name = str(binding.session.path or "session")
        return cls(name, of_channel, tuple(plan for plans in binding.plans for plan in plans))

    @classmethod
    def of_database(cls, name: str, messages: Sequence[MessagePlan]) -> Self:
        """The same messages on every channel."""
        every = tuple(messages)
        return cls(name, lambda _: every, every)


class Decoding:
    """Decodes the chosen signals of every channel; each channel has counters of its own."""

    def __init__(self, definitions: Definitions, patterns: Sequence[str]) -> None:
        """`patterns` choose signals as Signal or Message.Signal; none chooses all.

        Raises:
            UsageError: a pattern fits no signal.
        """
        self._definitions = definitions
        self._chosen = _chosen(definitions, patterns)
        self._decoders: dict[str, Decoder] = {}
        self.frames = 0
        self._values = 0
        self._missing = 0

    def columns(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[Values]]]:
        """Pieces of the block, each with the values of its signals."""
        for part, messages in self.messages(block):
            found = [column for decoded, names in messages for column in columns(decoded, names)]
            self._values += sum(len(column.rows) for column in found)
            yield part, found

    def messages(self, block: FrameBlock) -> Iterator[tuple[FrameBlock, list[Wide]]]:
        """Pieces of the block, each with its decoded messages."""
        for start in range(0, len(block), _AT_ONCE):
            part = block.take(slice(start, start + _AT_ONCE))
            yield part, [wide for bus in range(len(part.channels)) for wide in self._of_channel(part, bus)]

    def remarks(self) -> list[str]:
        """What was written, and what was not."""
        counts = [c for decoder in self._decoders.values() for c in decoder.counts.values()]
        wrong = sum(c.checksum_errors + c.repeats for c in counts)
        unknown = sum(decoder.unknown for decoder in self._decoders.values())
        return [
            *(
                [f"{counted(self._values, 'value')} of {counted(self.frames, 'frame')}"]
                if self._values
                else []
            ),
            *(
                [f"{counted(self._missing, 'value')} not in their frames (cut short, or another branch)"]
                if self._missing
                else []
            ),
            *(
                [f"{counted(wrong, 'frame')} with a wrong checksum or a repeated counter, marked corrupt"]
                if wrong
                else []
            ),
            *([f"{counted(unknown, 'frame')} of identifiers without a definition"] if unknown else []),
        ]

    def expected(self) -> str:
        """Some identifiers of the chosen messages, for a complaint."""
        ids = sorted({plan.can_id for plan in self._definitions.every if self._names(plan)})
        shown = [f"{i & ~EXTENDED:08X}" if i & EXTENDED else f"{i:03X}" for i in ids[:_SHOWN]]
        return ", ".join(shown) + (", ..." if len(ids) > _SHOWN else "")

    def _of_channel(self, part: FrameBlock, bus: int) -> Iterator[Wide]:
        rows = np.flatnonzero(part.bus == bus)
        if not len(rows):
            return
        channel, mine = part.channels[bus], part.take(rows)
        buses = np.where(np.arange(len(part.channels)) == bus, 0, NO_BUS).astype(np.uint8)
        data = mine.flags & NOT_DATA == 0
        for block in self._decoder(channel).decode(mine, buses):
            at = rows[np.flatnonzero(data & (mine.can_id == block.message.can_id))]
            self.frames += len(at)
            self._missing += int(np.count_nonzero(block.quality == Quality.MISSING))
            yield Decoded(channel, at, block), block.names

    def _decoder(self, channel: str) -> Decoder:
        if channel not in self._decoders:
            plans = self._definitions.of_channel(channel)
            wanted = frozenset((0, plan.name, name) for plan in plans for name in self._names(plan))
            self._decoders[channel] = Decoder([(0, plans)], wanted)
        return self._decoders[channel]

    def _names(self, plan: MessagePlan) -> list[str]:
        return [s.name for s in plan.signals if self._chosen(plan.name, s.name)]


def _chosen(definitions: Definitions, patterns: Sequence[str]) -> Callable[[str, str], bool]:
    """Whether a signal of a message is wanted."""
    known = [(plan.name, signal.name) for plan in definitions.every for signal in plan.signals]
    for pattern in patterns:
        if not any(_fits(pattern, message, signal) for message, signal in known):
            names = {f"{m}.{s}" if "." in pattern else s: None for m, s in known}
            raise UsageError(
                f"--signals {pattern}: no such signal in {definitions.name}; {nearest(pattern, names)}"
                "expected Signal or Message.Signal; correct the name"
            )
    if not patterns:
        return lambda _message, _signal: True
    return lambda message, signal: any(_fits(p, message, signal) for p in patterns)


def _fits(pattern: str, message: str, signal: str) -> bool:
    return fnmatchcase(f"{message}.{signal}" if "." in pattern else signal, pattern)
