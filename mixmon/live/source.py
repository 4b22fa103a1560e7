"""What the worker asks of whatever feeds it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import OperatorAction
from mixmon.frames.adapters.receiver import SourceEvent, SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.record.run_folder import Note
from mixmon.watching import ReplayCommand


class Source(Protocol):
    """Frames as they fall due. All but `status` belong to the worker's thread."""

    @property
    def live(self) -> bool:
        """True for buses."""

    @property
    def lateness_ns(self) -> int:
        """How far behind others frames may come: see `frames.clock`."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels known so far."""

    @property
    def hurried(self) -> bool:
        """True when more is due already."""

    @property
    def ended(self) -> bool:
        """True when nothing will come any more."""

    @property
    def position(self) -> float | None:
        """How far a recording has been played, 0 to 1; None for buses."""

    def open(self) -> None:
        """Begin.

        Raises:
            MixmonError: it cannot be opened.
        """

    def take(self) -> list[FrameBlock]:
        """The frames that are due, in order; never waits.

        Raises:
            SourceError: a recording cannot be read.
        """

    def through(self) -> int | None:
        """Data time, ns, through which all frames have been taken; None before the first."""

    def now(self) -> int:
        """Data time of this moment, ns."""

    def events(self) -> list[SourceEvent]:
        """What has happened to buses since the last call."""

    def notes(self) -> list[Note]:
        """Notes of a recorded run that have fallen due since the last call."""

    def actions(self) -> tuple[OperatorAction, ...]:
        """All that an operator did to alarms while the run was recorded."""

    def status(self) -> tuple[SourceStatus, ...]:
        """Every bus as it stands; none for a recording."""

    def bitrate(self, channel: str) -> int | None:
        """Bits a second of a channel, as far as the source was told."""

    def obey(self, command: ReplayCommand) -> Obeyed:
        """What the command brought.

        Raises:
            UsageError: it cannot be obeyed.
        """

    def stop(self) -> None:
        """Take nothing new in; what is there already can still be taken."""


@dataclass(frozen=True, slots=True)
class Obeyed:
    """What a command to a replay brought, in words, and whether the recording begins anew."""

    text: str
    restarted: bool = False


def not_a_recording(command: ReplayCommand) -> UsageError:
    """The refusal of a replay's commands by live buses."""
    return UsageError(f"{type(command).__name__.lower()}: buses go on by themselves; expected a recording")
