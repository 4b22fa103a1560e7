"""What a screen and a worker exchange: one protocol, and the commands of the keys.

The worker publishes one frozen `Snapshot` by swapping a reference; what must not be lost comes through
`drain`; keys become commands, which the worker applies in the order in which they came. No call here waits.

    with source as watching:             # starts it, and closes it at the end
        ...
        watching.send(Mark())
        shown = watching.snapshot        # always there; before the first row nothing in it is known
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
"""Our choice: a mark is pressed after what it marks was seen, so it is dated back by this."""


SHELVED_S = 600.0
"""Our choice: ten minutes, about one pull with its preparation; no shelf is forgotten."""

REPLAY_STEP_S = 0.1
"""Our choice: ten rows, the shortest change that a person sees on the screen."""


@dataclass(frozen=True, slots=True)
class Remark:
    """What happened to sources, recorder, replay or the worker, in words; `t` is data time, ns.

    loud  told also to those who want no talk: something is no longer recorded, or is again
    """

    t: int
    text: str
    loud: bool = False


Item = AlarmEvent | Remark | Event
"""What must reach the screen, each exactly once."""


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
    """Shelve an alarm, with a reason; with duration None until it is normal again."""

    rule: str
    position: int | None
    reason: str
    duration_s: float | None = SHELVED_S


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
    """The operator's words as a run note; `standing` repeats it at the start of every later run."""

    text: str
    standing: bool = False


@dataclass(frozen=True, slots=True)
class RecordOn:
    """Begin a run on disk, with the seconds before this moment."""


@dataclass(frozen=True, slots=True)
class RecordOff:
    """End the run on disk."""


@dataclass(frozen=True, slots=True)
class JudgePull:
    """Keep or reject a pull against the suggestion; `begin` is its first data time, ns."""

    begin: int
    keep: bool


@dataclass(frozen=True, slots=True)
class JudgeCell:
    """Exclude a cell from needs and trims, or count it again."""

    rpm: float | None
    load: float | None
    keep: bool


@dataclass(frozen=True, slots=True)
class PlanSteps:
    """Begin the step test anew: one cylinder at a time or coded groups, and the size of the steps."""

    single: bool
    percent: float


@dataclass(frozen=True, slots=True)
class BeginStep:
    """The next fuel step of the plan has been typed."""


@dataclass(frozen=True, slots=True)
class EndStep:
    """The fuel step that is held has been taken back."""


@dataclass(frozen=True, slots=True)
class KeepIdentity:
    """Keep what the steps say beside the session file; `over`: also where a proof is there already."""

    over: bool = False


@dataclass(frozen=True, slots=True)
class ResetPeaks:
    """Start the largest needs anew."""


@dataclass(frozen=True, slots=True)
class Pause:
    """Pause a replay."""


@dataclass(frozen=True, slots=True)
class Resume:
    """Resume a replay."""


@dataclass(frozen=True, slots=True)
class Step:
    """Play a paused replay for that many seconds of data time."""

    seconds: float = REPLAY_STEP_S


@dataclass(frozen=True, slots=True)
class Seek:
    """Go to another place of a replay; where that is back, findings begin anew from the log's beginning.

    seconds   from the first frame of its log, as it is played
    by_clock  where the clock shows so many seconds first; that differs where the stamps jump
    """

    seconds: float
    by_clock: bool = False


@dataclass(frozen=True, slots=True)
class Speed:
    """The speed of a replay: 1 is real time; None is as fast as possible."""

    factor: float | None


@dataclass(frozen=True, slots=True)
class Quit:
    """Stop the worker: the recording is closed, the last snapshot stays."""


AlarmCommand = Acknowledge | AcknowledgeAll | Reset | Shelve | Unshelve | OutOfService | InService
RecordCommand = Mark | NoteText | RecordOn | RecordOff
ReplayCommand = Pause | Resume | Step | Seek | Speed
Judgement = JudgePull | JudgeCell
StepCommand = PlanSteps | BeginStep | EndStep
Command = (
    AlarmCommand | RecordCommand | ReplayCommand | Judgement | StepCommand | KeepIdentity | ResetPeaks | Quit
)


class Watching(Protocol):
    """Something to be watched: live buses or a recording being played."""

    @property
    def session(self) -> Session:
        """What the user declared."""

    @property
    def live(self) -> bool:
        """True for buses, False for a recording: ReplayCommand is for recordings."""

    @property
    def snapshot(self) -> Snapshot:
        """The latest moment, by reference; never None."""

    def drain(self) -> list[Item]:
        """What has happened since the last call, oldest first."""

    def send(self, command: Command) -> None:
        """Ask the worker; it acts within a tenth of a second. A refusal comes as a Remark."""

    def start(self) -> None:
        """Open sources and begin.

        Raises:
            MixmonError: a source cannot be opened.
        """

    def close(self) -> None:
        """Stop, close the record, join the thread. Harmless when done twice or before the start."""
