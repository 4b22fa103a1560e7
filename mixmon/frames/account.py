"""What a reader made of its input: frames, skipped lines, losses, and every reject by reason.

The counts of a report add up: `lines == frames + skipped + len(losses) + rejected_lines`
for text logs with up to `KEPT_LOSSES` notes of losses. Nothing disappears without a number here.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from mixmon.arrays import Bytes
from mixmon.frames.block import FrameFlag

KEPT_REJECTS = 20
"""Rejects that are kept with their place and text; all of them are counted. Our choice: enough to see why."""

KEPT_LOSSES = 1000
"""Notes of losses that are kept one by one; further ones are added to the last. Our choice."""

KEPT_CHARACTERS = 120
"""Characters of a rejected line that are kept. Our choice: one line of a wide terminal."""


def known_lost(count: int, *, counted: bool) -> int | None:
    """Frames that are known to be lost; None where none is, and not all losses would have been counted."""
    return count if count or counted else None


class Reason(StrEnum):
    """Why a line is no frame."""

    LAYOUT = "layout"
    SCREEN_FORMAT = "screen format"
    NOT_TEXT = "not text"
    TOO_LONG = "too long"
    TIME = "time"
    TRAILING_TEXT = "trailing text"
    IDENTIFIER = "identifier"
    DATA = "data"
    LENGTH = "length"
    CAN_XL = "CAN XL"
    TRUNCATED = "truncated"
    INTERFACES = "too many interfaces"


@dataclass(frozen=True, slots=True)
class Reject:
    """A line (counted from 1) that is no frame, why, and how it starts."""

    line: int
    why: str
    text: str


@dataclass(frozen=True, slots=True)
class Loss:
    """Frames that the recorder says it lost.

    line      line of the note, counted from 1
    interface what the recorder calls the socket
    dropped   frames lost since the note before
    total     frames lost since the recording began
    after_t   stamp of the last frame before the note, ns; None at the start of a log
    """

    line: int
    interface: str
    dropped: int
    total: int
    after_t: int | None


@dataclass(slots=True)
class ReadReport:
    """Running counts of one pass over a log.

    frames    frames handed out, `remote` and `error` frames among them
    lines     lines seen, of any kind; messages, for formats that are not lines
    skipped   lines that are blank or comments, or of no kind that the reader knows
    losses    notes of the recorder about lost frames; beyond `KEPT_LOSSES` the last is the sum of the rest
    rejected  lines that are no frame, by reason, in order of first appearance
    faults    what ended the input early (a cut gzip file, a library's error); usually empty
    reader    who read it: "candump text", or "python-can"
    """

    frames: int = 0
    lines: int = 0
    skipped: int = 0
    remote: int = 0
    error: int = 0
    rejected: dict[str, int] = field(default_factory=dict)
    first_rejected: list[Reject] = field(default_factory=list)
    losses: list[Loss] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    reader: str = "candump text"

    @property
    def rejected_lines(self) -> int:
        """Lines that are no frame."""
        return sum(self.rejected.values())

    @property
    def hint(self) -> str:
        """What the user can do about the rejects, or ""."""
        if Reason.SCREEN_FORMAT in self.rejected:
            return "these lines were copied from candump's screen; record with candump -l"
        return ""

    def count(self, flags: Bytes) -> None:
        """Counts frames that are handed out, by their FrameFlag bits."""
        self.frames += len(flags)
        self.remote += int(np.count_nonzero(flags & int(FrameFlag.REMOTE)))
        self.error += int(np.count_nonzero(flags & int(FrameFlag.ERROR)))

    def lose(self, loss: Loss) -> None:
        """Counts one note about lost frames."""
        if len(self.losses) == KEPT_LOSSES:
            last = self.losses.pop()
            loss = replace(last, dropped=last.dropped + loss.dropped, total=loss.total)
        self.losses.append(loss)

    def reject(self, line: int, why: Reason, text: bytes | memoryview | str) -> None:
        """Counts one line that is no frame."""
        self.rejected[why.value] = self.rejected.get(why.value, 0) + 1
        if len(self.first_rejected) < KEPT_REJECTS:
            start = text[:KEPT_CHARACTERS]
            shown = start if isinstance(start, str) else bytes(start).decode("ascii", "backslashreplace")
            self.first_rejected.append(Reject(line, why.value, shown[:KEPT_CHARACTERS]))
