"""The worker: one plain thread takes frames, records them, finds what they mean, publishes it.

    worker = Worker(binding, BusSource(options), RunRecording(recorder))
    worker.start()
    ...                                  # a screen reads worker.snapshot, drains, sends
    worker.close()

In each turn: commands, frames (recorded before they are decoded), then one frozen Snapshot by
swapping a reference. Nothing ever waits for a screen. A failure ends the thread, closes the
record, and is shown in the last snapshot.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

from mixmon.arrays import SECOND_NS
from mixmon.errors import MixmonError, UsageError
from mixmon.findings.alarms.records import AlarmEvent, OperatorAction, Verb
from mixmon.findings.identity.guide import StepAction, StepVerb
from mixmon.findings.identity.identity import evidence_of
from mixmon.frames.clock import KEPT_JUMPS, clock_text
from mixmon.live.bus_board import BusBoard
from mixmon.live.recording import (
    JUDGED,
    KEPT_QUIET,
    MARK,
    NOTE,
    RunRecording,
    judgement_data,
    judgement_of,
    judgement_words,
    note_words,
    step_words,
)
from mixmon.live.scan import LogScan
from mixmon.live.source import FrameSource, begin_pipeline
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import Cell
from mixmon.pipeline import Pipeline
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.model import IdentityEvidence, Session
from mixmon.watch.commands import (
    Acknowledge,
    AcknowledgeAll,
    AlarmCommand,
    BeginStep,
    Command,
    EndStep,
    InService,
    Item,
    JudgeCell,
    Judgement,
    JudgePull,
    KeepIdentity,
    Mark,
    NoteText,
    OutOfService,
    Pause,
    PlanSteps,
    Quit,
    RecordOff,
    RecordOn,
    Remark,
    Reset,
    ResetPeaks,
    Resume,
    Seek,
    Shelve,
    Speed,
    Step,
    StepCommand,
    Unshelve,
)
from mixmon.watch.observer import Observer
from mixmon.watch.snapshot import Snapshot
from mixmon.watch.timeline import KnownMoments, LogTimeline


def alarm_actions(command: AlarmCommand, t: int, stretch: int) -> Iterator[OperatorAction]:
    """The actions of one command, at data time `t` of a stretch of time.

    Raises:
        UsageError: an alarm is to be silenced without a reason, or for no time.
    """
    match command:
        case AcknowledgeAll(seen):
            for rule, position in seen:
                yield OperatorAction(t, Verb.ACKNOWLEDGE, rule, position, stretch=stretch)
        case Shelve(rule, position, reason, duration_s):
            duration = None if duration_s is None else round(duration_s * 1e9)
            yield OperatorAction(t, Verb.SHELVE, rule, position, duration, reason, stretch)
        case OutOfService(rule, position, reason):
            yield OperatorAction(t, Verb.OUT_OF_SERVICE, rule, position, None, reason, stretch)
        case Acknowledge(rule, position):
            yield OperatorAction(t, Verb.ACKNOWLEDGE, rule, position, stretch=stretch)
        case Reset(rule, position):
            yield OperatorAction(t, Verb.RESET, rule, position, stretch=stretch)
        case Unshelve(rule, position):
            yield OperatorAction(t, Verb.UNSHELVE, rule, position, stretch=stretch)
        case InService(rule, position):
            yield OperatorAction(t, Verb.IN_SERVICE, rule, position, stretch=stretch)


def step_action(command: StepCommand) -> StepAction:
    """The act on the test by fuel steps that a key asks for; its time is not set."""
    match command:
        case PlanSteps(single, percent):
            return StepAction(0, StepVerb.PLAN, single=single, percent=percent)
        case BeginStep():
            return StepAction(0, StepVerb.BEGIN)
        case EndStep():
            return StepAction(0, StepVerb.END)


TURN_S: Final = 0.05
"""Frames are worked in batches of so long. Our choice: larger batches cost less processor time, and 50 ms
of age is not seen on a screen."""

KEPT_REMARKS = 500
"""Remarks in a snapshot; our choice: more than anyone scrolls through."""

_OF_ENGINE: Final = (False, True)
"""Whose silence has a cause: the chain's, the engine's."""

ROWS_STOPPED_NS = SECOND_NS
"""Rows of live buses come later than that only when none are made any more, ten seconds into a silence of all
buses. Our choice: well above the usual delay of a row."""


class Worker:
    """Watches one source in a thread of its own; see `watch.commands.Watching`.

    recording    the run recording; None: nothing is recorded
    left_out  cylinders that are not counted
    keep      keeps a proof of the labels beside the session file, over an older one where told to, and gives
              its place; None: there is no such file
    steps     fuel steps that a file beside a log lists; begin_s: seconds of that log that are left out before
    scan      finds what happens in a recording ahead of its playing; None: nobody looks at a time line
    keep_rows  rows are kept until `take_rows` takes them

    first_ns  stamp of the first frame taken; None before
    ended     set when a recording has been played to its end, and when the thread has ended
    observer  for the exact balance once the thread has ended

    Raises:
        UsageError: a limit of the session cannot be watched as it is written.
    """

    def __init__(
        self,
        binding: Binding,
        source: FrameSource,
        recording: RunRecording | None = None,
        *,
        left_out: frozenset[int] = frozenset(),
        keep: Callable[[IdentityEvidence, bool], str] | None = None,
        steps: Sequence[FuelStep] | None = None,
        begin_s: float = 0.0,
        scan: LogScan | None = None,
        keep_rows: bool = False,
    ) -> None:
        self._rows: list[CylinderBlock] | None = [] if keep_rows else None
        self._scan = scan
        self._keep_evidence = keep
        self.binding, self._source, self.recording = binding, source, recording
        self._left_out = left_out
        self._steps, self._begin_s = steps, begin_s
        self._items: deque[Item] = deque()
        self._remarks: deque[tuple[int, str]] = deque(maxlen=KEPT_REMARKS)
        self._commands: deque[Command] = deque()
        self._wake = threading.Event()
        self._quit = False
        self._failure = ""
        self._thread: threading.Thread | None = None
        self.first_ns: int | None = None
        self.ended = threading.Event()
        self._board = BusBoard(binding, source)
        self._start_analysis()
        if recording is not None:
            recording.silences = self.observer.silences
        self.snapshot: Snapshot = self._make_snapshot()

    @property
    def session(self) -> Session:
        """What the user declared."""
        return self.binding.session

    @property
    def zero_ns(self) -> int | None:
        """Stamp from which moments are counted: of the log's first frame, or of the first one taken."""
        return self.first_ns if self._source.first_ns is None else self._source.first_ns

    @property
    def live(self) -> bool:
        """True for buses."""
        return self._source.live

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong with buses on which nothing expected comes."""
        return self._board.troubles

    @property
    def pipeline(self) -> Pipeline:
        """With its account of frames, once the thread has ended."""
        return self._pipeline

    def drain(self) -> list[Item]:
        """What has happened since the last call, oldest first."""
        return [self._items.popleft() for _ in range(len(self._items))]

    def send(self, command: Command) -> None:
        """Give the thread a command; a refusal comes as a Remark."""
        self._commands.append(command)
        self._wake.set()

    def start(self) -> None:
        """Open the source and begin, in a thread.

        Raises:
            MixmonError: it cannot be opened.
        """
        self.open()
        thread = threading.Thread(target=self._run_thread, name="worker", daemon=True)
        thread.start()
        self._thread = thread

    def open(self) -> None:
        """Open the source, for a thread or for a caller of `take_turn`.

        Raises:
            MixmonError: it cannot be opened.
        """
        self._source.open()
        self._board.opened()
        if self.recording is not None:
            self.recording.open(self._source.now())
        self._publish_snapshot()
        if self._scan is not None:
            self._scan.start()

    @property
    def hurried(self) -> bool:
        """True when more is due already."""
        return self._source.hurried

    def take_rows(self) -> tuple[CylinderBlock, ...]:
        """The rows since the last call, where they are kept."""
        taken, self._rows = tuple(self._rows or ()), None if self._rows is None else []
        return taken

    def close(self) -> None:
        """Stop, close the record, join the thread."""
        if self._scan is not None:
            self._scan.close()
        if self._thread is not None:
            self.send(Quit())
            self._thread.join()

    def _start_analysis(self) -> None:
        """Make a fresh pipeline and observer, and give them the actions of a recorded run."""
        self._pipeline = begin_pipeline(self.binding, self._source, self._left_out)
        self._jumps_told = 0
        self.observer = Observer(
            self.binding, left_out=self._left_out, steps=self._steps, begin_s=self._begin_s
        )
        self._flushed = False
        self._causes = dict.fromkeys(_OF_ENGINE, "")
        self._watched: int | None = None  # data time up to which rows have been made
        for action in self._source.actions():
            self._remark_refusal(partial(self.observer.act, action))
        for step in self._source.steps():
            self._remark_refusal(partial(self.observer.act_on_steps, step))

    def _run_thread(self) -> None:
        try:
            while not self._quit:
                began = time.monotonic()
                self.take_turn()
                if not self.hurried:
                    self._wake.wait(max(0.0, TURN_S - (time.monotonic() - began)))
                self._wake.clear()
        except Exception as error:  # noqa: BLE001 - whatever ended it must be seen on the screen
            self._note_failure(error)
        self.finish()

    def take_turn(self) -> None:
        """Commands, the frames that are due, a snapshot; for a caller without a thread.

        Raises:
            SourceError: a recording cannot be read.
        """
        while self._commands:
            self._apply_command(self._commands.popleft())
        if self._source.ended and self._flushed:
            self._publish_snapshot()
            return
        self._take_frames()
        if self._source.ended:
            self._flush_rows()
        if self.recording is not None:
            rpm = self.observer.engine.get("rpm", float("nan"))
            self.recording.follow(self._watched, self.observer.stretch, rpm)
            self.recording.mend(self._source.now(), self.observer.stretch)
        self._publish_snapshot()
        if self._flushed:
            self.ended.set()

    def _take_frames(self) -> None:
        """Record the frames that are due, then work them; they are recorded even after a failure."""
        for frames in self._source.take():
            if self.recording is not None:
                self.recording.write(frames)
            self._board.feed(frames)
            if self.first_ns is None:
                self.first_ns = int(frames.t[0])
            if self.observer.origin_ns is None:
                self.observer.origin_ns = self.zero_ns
                if self._source.first_ns is not None:
                    self._pipeline.anchor_grid(self._source.first_ns)
            self._feed_rows(self._pipeline.feed, frames)
        through = self._source.through()
        if through is not None:
            self._feed_rows(self._pipeline.advance, through)
            self._watched = through - self._source.lateness_ns
        self._pass_news_on()

    def _feed_rows(self, give: Callable[..., Iterator[CylinderBlock]], *what: object) -> None:
        """Give rows to the observer. On live buses an error of this program does not end the recording."""
        if self._failure:
            return
        try:
            for rows in give(*what):
                if self._rows is not None:
                    self._rows.append(rows)
                self._keep_alarms(self.observer.feed(rows))
        except Exception as error:
            if not self._source.live:
                raise
            self._note_failure(error, "the analysis")

    def _note_failure(self, error: Exception, who: str = "the worker") -> None:
        known = isinstance(error, MixmonError)
        self._failure = str(error) if known else f"{who} stopped: {type(error).__name__}: {error}"

    def _flush_rows(self) -> None:
        self._feed_rows(self._pipeline.flush)
        self._keep_alarms(self.observer.flush())
        self._flushed = True

    def finish(self) -> None:
        """The last frames, the end of the run, the last snapshot; whatever fails, the rest is done."""
        steps = (
            self._source.stop,
            self._take_frames,
            self._conclude_rows,
            self._close_record,
            self._board.conclude,
        )
        for step in (*steps, self._pass_news_on):
            try:
                step()
            except Exception as error:  # noqa: BLE001 - the record must be closed in any case
                self._failure = self._failure or f"at the end: {type(error).__name__}: {error}"
        self._publish_snapshot()
        self.ended.set()

    def _conclude_rows(self) -> None:
        """The last rows of buses; those of a log were made at its end, or nobody asks for them."""
        if self.live:
            self._flush_rows()

    def _close_record(self) -> None:
        if self.recording is not None:
            self.recording.close(self._watched)

    def _keep_alarms(self, events: tuple[AlarmEvent, ...]) -> None:
        self._items.extend(events)
        if self.recording is not None:
            for event in events:
                self.recording.alarm(event)

    def _pass_news_on(self) -> None:
        """News of buses and recorder, and what was noted when a run was recorded, as remarks and items."""
        for told_by in self._source.events():
            if self.recording is not None:
                self.recording.note_event(told_by)
            self._add_remark(told_by.t, f"{self._board.name(told_by.bus)}: {told_by.text}")
        for note in self._source.notes():
            if note.kind == JUDGED:
                self._apply_judgement(judgement_of(note), note.t)
            elif note.kind not in KEPT_QUIET:
                self._add_remark(note.t, note_words(note))
        self._name_causes()
        self._tell_jumps()
        self._items.extend(self.observer.happened())
        for text in self._board.news():
            self._add_remark(self._source.now(), text)
        for happened in () if self.recording is None else self.recording.events():
            t = self._source.now() if happened.t is None else happened.t
            self._add_remark(t, happened.text, loud=happened.loud)

    def _name_causes(self) -> None:
        """On live buses, says why chain or engine are silent when that changes; a replay has it recorded."""
        for of_engine in _OF_ENGINE if self.live and not self._failure else ():
            cause = self._board.silence_cause(of_engine=of_engine)
            if cause != self._causes[of_engine]:
                self._causes[of_engine] = cause
                for action in self.observer.explain(cause, of_engine=of_engine):
                    if self.recording is not None:
                        self.recording.action(action)
                self._keep_alarms(self.observer.result())

    def _tell_jumps(self) -> None:
        """Each of the first jumps of the stamps is told, and once that there are more."""
        pipeline = self._pipeline
        for jump in pipeline.first_jumps[self._jumps_told :]:
            at = (jump.end - (self.zero_ns or 0)) / SECOND_NS
            self._add_remark(
                jump.end,
                f"the time stamps jump {jump.words} at {clock_text(at)}; a new stretch of time begins",
            )
        if self._jumps_told <= KEPT_JUMPS < pipeline.jumps:
            self._add_remark(self._source.now(), "the time stamps jump again and again; they are counted")
        self._jumps_told = min(pipeline.jumps, KEPT_JUMPS + 1)

    def _add_remark(self, t: int, text: str, *, loud: bool = False) -> None:
        self._remarks.append((t, text))
        self._items.append(Remark(t, text, loud))

    def _apply_command(self, command: Command) -> None:
        match command:
            case Quit():
                self._quit = True
            case ResetPeaks():
                self.observer.reset_peaks()
            case Mark() | NoteText() | RecordOn() | RecordOff():
                self._remark_refusal(partial(self._apply_record_command, command))
            case Pause() | Resume() | Step() | Seek() | Speed():
                self._remark_refusal(partial(self._control_replay, command))
            case JudgePull() | JudgeCell():
                self._apply_judgement(command, self._source.now(), new=True)
            case PlanSteps() | BeginStep() | EndStep():
                self._remark_refusal(partial(self._act_on_steps, step_action(command)))
            case KeepIdentity(over):
                self._remark_refusal(partial(self._keep_identity, over=over))
            case _:
                for action in alarm_actions(command, self.observer.t or 0, self.observer.stretch):
                    self._remark_refusal(partial(self._apply_action, action))

    def _apply_judgement(self, one: Judgement, t: int, *, new: bool = False) -> None:
        """Keep or exclude a pull or a cell, as the operator decides, or did when the run was recorded."""
        if isinstance(one, JudgePull):
            self.observer.judge_pull(one.begin, keep=one.keep)
        else:
            self.observer.judge_cell(Cell(one.rpm, one.load), keep=one.keep)
        if new and self.recording is not None:
            self.recording.note(t, JUDGED, **judgement_data(one))
        self._add_remark(t, judgement_words(one))

    def _remark_refusal(self, do: Callable[[], object]) -> None:
        try:
            do()
        except UsageError as error:
            self._add_remark(self._source.now(), str(error))

    def _apply_action(self, action: OperatorAction) -> None:
        worked = self.observer.act(action)
        if self.recording is not None:
            self.recording.action(worked)
        self._keep_alarms(self.observer.result())

    def _act_on_steps(self, action: StepAction) -> None:
        at = replace(action, t=self.observer.t or 0, stretch=self.observer.stretch)
        worked = self.observer.act_on_steps(at)
        if self.recording is not None:
            self.recording.step(worked)
        self._add_remark(worked.t, step_words(worked))

    def _keep_identity(self, *, over: bool) -> None:
        """Keep what the fuel steps say, as `mixmon identify --keep` does; it counts at once.

        Raises:
            UsageError: they say nothing, or there is no place for it.
        """
        found = self.observer.identity()
        if self._keep_evidence is None:
            raise UsageError(
                "proof: no session file of its own; expected one, beside which it is kept; use mixmon "
                "identify RUN --session FILE --keep"
            )
        evidence = found and evidence_of(
            self.session,
            found,
            log=self._log_name,
            first_ns=self.first_ns or 0,
            frames=self._pipeline.frames,
        )
        if not evidence:
            raise UsageError("proof: nothing was shown of any label; expected steps that were answered")
        place = self._keep_evidence(evidence, over)
        self._act_on_steps(StepAction(0, StepVerb.KEEP, evidence=evidence))
        self._add_remark(self._source.now(), f"the proof of the labels is in {place}")

    @property
    def _log_name(self) -> str:
        """What the frames of this moment are kept as."""
        folder = (
            self.recording.status.folder if self.recording is not None and self.recording.running else None
        )
        return folder.name if folder is not None else self._source.name or "live, not recorded"

    def _apply_record_command(self, command: Mark | NoteText | RecordOn | RecordOff) -> None:
        recording, now = self.recording, self._source.now()
        if recording is None:
            raise UsageError(
                "a replay records nothing; expected live buses; use mixmon watch or mixmon record"
            )
        match command:
            case Mark(text, back_s):
                t = now - round(back_s * 1e9)
                recording.note(t, MARK, text=text)
                self._add_remark(t, (f"mark: {text}" if text else "mark") + self._unrecorded_hint)
            case NoteText(text, standing=True):
                recording.keep_note(now, text)
                self._add_remark(now, f"note: {text}")
            case NoteText(text):
                recording.note(now, NOTE, text=text)
                self._add_remark(now, f"note: {text}" + self._unrecorded_hint)
            case RecordOn():
                recording.start(now, self.observer.stretch)
            case RecordOff():
                recording.stop(self._watched)

    @property
    def _unrecorded_hint(self) -> str:
        return "" if self.recording is not None and self.recording.running else " (no run is being recorded)"

    def _control_replay(self, command: Pause | Resume | Step | Seek | Speed) -> None:
        applied = self._source.apply(command)
        if applied.restarted:
            self.ended.clear()
            self._remarks.clear()
            self._start_analysis()
            self._board.restart()
        self._items.append(Remark(self._source.now(), f"replay {applied.text}"))

    def _publish_snapshot(self) -> None:
        self.snapshot = self._make_snapshot()

    def _aged_snapshot(self) -> Snapshot:
        """The observer's snapshot; where rows no longer come from live buses, samples still grow older."""
        seen = self.observer.snapshot()
        waited = self._source.now() - seen.t if self.live and seen.t is not None else 0
        if waited < ROWS_STOPPED_NS:
            return seen
        return seen.aged(waited)

    def _timeline(self) -> LogTimeline | None:
        """The time line of a recording; None for buses."""
        playing = self._source.playing
        known = KnownMoments() if self._scan is None else self._scan.known
        return None if playing is None else LogTimeline(playing, known)

    def _make_snapshot(self) -> Snapshot:
        recording = self.recording
        if recording is not None:
            recording.look()
        return replace(
            self.snapshot if self._failure else self._aged_snapshot(),
            buses=self._board.now(lambda: self._pipeline.counts),
            remarks=tuple(self._remarks),
            recording="" if recording is None else recording.words,
            recording_minutes_left=None if recording is None else recording.status.minutes_left,
            recording_s=0.0 if recording is None else recording.status.seconds,
            replay_position=self._source.position,
            timeline=self._timeline(),
            late_by_clock=self._pipeline.late_by_clock,
            frames=self._pipeline.frames,
            failure=self._failure,
            counters={"decoded": self._pipeline.decoded, "jumps": self._pipeline.jumps},
        )
