"""What a screen and a worker say to each other: one protocol, and the commands of the keys.

The worker publishes one frozen `Snapshot` by swapping a reference; what must not be lost comes
through `drain`; keys become commands, which the worker obeys in the order in which they came.
Nothing here waits.

    with source as watching:             # starts it, and closes it in the end
        ...
        watching.send(Mark())
        shown = watching.snapshot        # always there, at worst with nothing known
        for item in watching.drain():    # AlarmEvent | Remark | Event, oldest first, each once
            ...
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event
from mixmon.session.model import Session
from mixmon.watch.snapshot import Snapshot

MARK_BACK_S = 2.0
"""A mark is pressed after what it marks has been seen: it is dated back by this."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What happened to sources, recorder, replay or the worker, in words; `t` is data time, ns."""

    t: int
    text: str


Item = AlarmEvent | Remark | Event
"""What must reach the screen, each once."""


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Acknowledge one alarm, or with position None all of a rule."""

    rule: str
    position: int | None = None


@dataclass(frozen=True, slots=True)
class AcknowledgeAll:
    """Acknowledge all that the operator has seen: (rule, position) of each alarm on the screen."""

    seen: tuple[tuple[str, int | None], ...]


@dataclass(frozen=True, slots=True)
class Reset:
    """Reset a latched alarm."""

    rule: str
    position: int | None = None


@dataclass(frozen=True, slots=True)
class Shelve:
    """Put an alarm aside, with a reason; for ten minutes, or with None until its occurrence is over."""

    rule: str
    position: int | None
    reason: str
    duration_s: float | None = 600.0


@dataclass(frozen=True, slots=True)
class Unshelve:
    """Bring an alarm back from the shelf."""

    rule: str
    position: int | None = None


@dataclass(frozen=True, slots=True)
class OutOfService:
    """Take an alarm out of service, with a reason."""

    rule: str
    position: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class InService:
    """Put an alarm into service again."""

    rule: str
    position: int | None = None


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark in the record, dated back by `back_s`."""

    text: str = ""
    back_s: float = MARK_BACK_S


@dataclass(frozen=True, slots=True)
class NoteText:
    """The operator's words, in the record; `standing` ones at the beginning of every run from now on too."""

    text: str
    standing: bool = False


@dataclass(frozen=True, slots=True)
class RecordOn:
    """Begin a run on disk, with the seconds before."""


@dataclass(frozen=True, slots=True)
class RecordOff:
    """End the run on disk."""


@dataclass(frozen=True, slots=True)
class JudgePull:
    """Keep a pull or reject it, whatever is suggested; `begin` is the data time at which it began, ns."""

    begin: int
    keep: bool


@dataclass(frozen=True, slots=True)
class JudgeCell:
    """Leave a cell out of needs and trims, or count it again."""

    rpm: float | None
    load: float | None
    keep: bool


@dataclass(frozen=True, slots=True)
class ResetPeaks:
    """Forget the worst needs so far."""


@dataclass(frozen=True, slots=True)
class Pause:
    """Hold a replay still."""


@dataclass(frozen=True, slots=True)
class Resume:
    """Let a replay go on."""


@dataclass(frozen=True, slots=True)
class Step:
    """Play a held replay for so long, seconds of data time."""

    seconds: float = 0.1


@dataclass(frozen=True, slots=True)
class Seek:
    """Go to another place of a replay, seconds from its beginning; what was found is found anew."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Speed:
    """How fast a replay goes: 1 as it was; None as fast as it can be worked."""

    factor: float | None


@dataclass(frozen=True, slots=True)
class Quit:
    """Stop the worker: the record is closed, the last snapshot stays."""


AlarmCommand = Acknowledge | AcknowledgeAll | Reset | Shelve | Unshelve | OutOfService | InService
RecordCommand = Mark | NoteText | RecordOn | RecordOff
ReplayCommand = Pause | Resume | Step | Seek | Speed
Judgement = JudgePull | JudgeCell
Command = AlarmCommand | RecordCommand | ReplayCommand | Judgement | ResetPeaks | Quit


class Watching(Protocol):
    """Something to be watched: live buses or a recording being played."""

    @property
    def session(self) -> Session:
        """What the user declared."""

    @property
    def live(self) -> bool:
        """True for buses, False for a recording: only a recording obeys ReplayCommand."""

    @property
    def snapshot(self) -> Snapshot:
        """The latest moment, by reference; never None."""

    def drain(self) -> list[Item]:
        """What has happened since the last call, oldest first."""

    def send(self, command: Command) -> None:
        """Ask the worker; it obeys within a tenth of a second. What it refuses comes as a Remark."""

    def start(self) -> None:
        """Open sources and begin.

        Raises:
            MixmonError: a source cannot be opened.
        """

    def close(self) -> None:
        """Stop, close the record, join the thread. Harmless when done twice or before the start."""
