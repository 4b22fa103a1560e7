"""What happens to a live source, as records: events for the log and the screen, a status to draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mixmon.frames.receiver import BusCondition
from mixmon.frames.stamps import StampKind


class SourceEventKind(StrEnum):
    """What happened."""

    OPENED = "opened"
    REMARK = "remark"
    SILENT = "silent"
    LOST = "lost"
    REFUSED = "refused"
    GAP = "gap"
    OVERFLOW = "overflow"
    DROPPED = "dropped"
    REJECTED = "rejected"
    ERROR_FRAMES = "error frames"
    CONDITION = "condition"
    STALLED = "stalled"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class SourceEvent:
    """One event: data time in ns, the bus's name, what happened, in words, and frames lost."""

    t: int
    bus: str
    kind: SourceEventKind
    text: str
    lost: int = 0


class SourceState(StrEnum):
    """How a live bus stands."""

    WAITING = "open, nothing heard yet"
    LIVE = "live"
    SILENT = "silent"
    LOST = "device lost"
    FAILED = "reader failed"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """A live bus at one moment.

    last_t        stamp of the last frame, ns; None before the first
    error_frames  error frames, which are among `frames` too
    dropped       frames lost before they reached this program; None: nobody counts them
    overflowed    frames lost because nobody took them from the queue in time
    rejected      pieces of input that were no frames, by reason
    listen_only   True: confirmed; None: asked for, not confirmed; False: it acknowledges
    """

    bus: str
    state: SourceState
    frames: int = 0
    last_t: int | None = None
    error_frames: int = 0
    condition: BusCondition = BusCondition.UNKNOWN
    dropped: int | None = None
    overflowed: int = 0
    rejected: Mapping[str, int] | None = None
    reopens: int = 0
    listen_only: bool | None = None
    stamped_by: StampKind = StampKind.HOST
