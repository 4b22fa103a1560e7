"""What the worker asks of whatever feeds it, and live buses as such a source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from mixmon.errors import UsageError
from mixmon.findings.alarms.records import OperatorAction
from mixmon.findings.identity.guide import StepAction
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import SourceEvent, SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import FORWARD_JUMP_NS
from mixmon.messages.binding import Binding
from mixmon.pipeline import Pipeline
from mixmon.record.run_folder import RunNote
from mixmon.watch.commands import ReplayCommand
from mixmon.watch.timeline import Playing


class FrameSource(Protocol):
    """Frames as they fall due. All but `status` belong to the worker's thread."""

    @property
    def live(self) -> bool:
        """True for buses."""

    @property
    def name(self) -> str:
        """Name of the log or the run that is played; empty for buses."""

    @property
    def first_ns(self) -> int | None:
        """Stamp of a recording's first frame, from which moments are counted; None before it was read.

        It is None for buses too: their moments are counted from the first frame taken.
        """

    @property
    def lateness_ns(self) -> int:
        """How far behind newer frames a frame may come, ns: see `frames.clock`."""

    @property
    def silence_ns(self) -> int:
        """How much of the time before a jump ahead is a silence of the bus: see `frames.clock`."""

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

    @property
    def playing(self) -> Playing | None:
        """Where a recording is played; None for buses."""

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

    def notes(self) -> list[RunNote]:
        """Notes of a recorded run that have fallen due since the last call."""

    def actions(self) -> tuple[OperatorAction, ...]:
        """All that an operator did to alarms while the run was recorded."""

    def steps(self) -> tuple[StepAction, ...]:
        """All that an operator did to the test by fuel steps while the run was recorded."""

    def status(self) -> tuple[SourceStatus, ...]:
        """The current status of every bus; none for a recording."""

    def bitrate(self, channel: str) -> int | None:
        """Bits a second of a channel; None where the source does not know."""

    def apply(self, command: ReplayCommand) -> Applied:
        """Apply a command to a replay; what that brought.

        Raises:
            UsageError: it cannot be applied.
        """

    def stop(self) -> None:
        """Take nothing new in; what is there already can still be taken."""


@dataclass(frozen=True, slots=True)
class Applied:
    """What a command to a replay brought, in words, and whether it begins again from the start."""

    text: str
    restarted: bool = False


def begin_pipeline(binding: Binding, source: FrameSource, left_out: frozenset[int]) -> Pipeline:
    """A fresh pipeline for the frames of a source."""
    return Pipeline(binding, left_out=left_out, lateness_ns=source.lateness_ns, silence_ns=source.silence_ns)


def not_a_recording(command: ReplayCommand) -> UsageError:
    """The refusal of a replay's commands by live buses."""
    return UsageError(f"{type(command).__name__.lower()}: a live bus cannot be controlled; expected a replay")


BUS_LATENESS_NS = 20_000_000
"""Live frames come merged and in order, so their rows wait less than those of a log. Our choice: as long as
USB adapters hold frames back."""


class NotRecorded:
    """What every source is that is no recording: live, without a place in it, what was done, or a pause."""

    live = True
    name = ""
    first_ns = None
    lateness_ns = BUS_LATENESS_NS
    silence_ns = FORWARD_JUMP_NS
    hurried = False
    ended = False
    position = None
    playing = None

    def notes(self) -> list[RunNote]:
        """None."""
        return []

    def steps(self) -> tuple[StepAction, ...]:
        """None."""
        return ()

    def actions(self) -> tuple[OperatorAction, ...]:
        """None."""
        return ()

    def apply(self, command: ReplayCommand) -> Applied:
        """Refuse: what is no recording cannot be paused.

        Raises:
            UsageError: always.
        """
        raise not_a_recording(command)


class BusSource(NotRecorded):
    """A source of frames as they come.

    options  the buses, named as the session's log channels

    Raises:
        UsageError: no bus, or two of one name.
    """

    def __init__(self, options: Sequence[BusOptions]) -> None:
        self.options = tuple(options)
        self._adapters = Adapters(self.options)
        self._heard = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the buses."""
        return self._adapters.channels

    def open(self) -> None:
        """Open the devices and read them.

        Raises:
            SourceError: a device cannot be opened.
            UsageError: the options of a bus cannot mean anything.
        """
        self._adapters.start()

    def take(self) -> list[FrameBlock]:
        """The frames that have come."""
        blocks = self._adapters.take(0.0)
        self._heard = self._heard or bool(blocks)
        return blocks

    def through(self) -> int | None:
        """Bus time: it goes on while buses are silent."""
        return self._adapters.bus_time if self._heard else None

    def now(self) -> int:
        """Data time of this moment."""
        return self._adapters.now()

    def events(self) -> list[SourceEvent]:
        """What has happened to the buses."""
        return self._adapters.events()

    def status(self) -> tuple[SourceStatus, ...]:
        """The current status of every bus."""
        return self._adapters.status()

    def bitrate(self, channel: str) -> int | None:
        """Bits a second, as in the options."""
        return next((bus.bitrate for bus in self.options if bus.name == channel), None)

    def stop(self) -> None:
        """Close the devices."""
        self._adapters.close()
