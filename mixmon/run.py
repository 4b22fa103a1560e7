"""Logs in, judged rows out, and the findings of the public interface.

`read_run` binds a session to logs and returns a `Run`. Iterating over it reads the logs through the
`Pipeline`; `Run.log` counts what became of every line. `balance`, `events`, `alarms` and `lags` each read
a run to its end. A log without one frame of the session is an error, never an empty result.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from hashlib import sha256
from itertools import chain
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Ints
from mixmon.errors import SourceError, UsageError, check_kind, check_path
from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.misfire import MisfireWatch
from mixmon.findings.alarms.records import AlarmEvent, AlarmEvents, OperatorAction
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.curve import with_curve_note
from mixmon.findings.balance.staged import with_stages
from mixmon.findings.bias.looks import SessionLooks, session_looks
from mixmon.findings.bias.rotation import Rotation, fit_rotation
from mixmon.findings.causes.causes import Causes, CausesStage
from mixmon.findings.census.traffic import StretchCutter
from mixmon.findings.events.event import Event, Events
from mixmon.findings.events.events import EventStage, find_clean_tips, find_events
from mixmon.findings.events.tips import TipReview
from mixmon.findings.identity.identity import Identity, review_identity
from mixmon.findings.identity.own import OwnSteps
from mixmon.findings.lags import Lags, LagSource, NodeLag, NodeLags, is_given, lags_by_cylinder, sensor_lags
from mixmon.findings.proof.compare import USUAL_MARGIN_PERCENT, BeforeAfter, compare_runs
from mixmon.findings.proof.conditions import ConditionStage, PlaceStage
from mixmon.findings.proof.pairs import RunSide
from mixmon.findings.pulls.review import PullReview, review_run
from mixmon.findings.response.response import ResponseReview, ResponseReviewer, review_response
from mixmon.findings.stage import Summary, feed_on_the_way, run_through, sum_up
from mixmon.findings.trims.sheet import TrimSheet, make_sheet
from mixmon.frames.account import Loss, Reject
from mixmon.frames.block import FrameBlock, identifier_text
from mixmon.frames.clock import Jump
from mixmon.frames.logs import LogSource, check_part, open_log
from mixmon.gas.exhaust import FREE_AIR_PERCENT
from mixmon.gas.fuel import Fuel
from mixmon.ledger.biases import with_known_biases
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.messages.gaps import Gap
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.note import Note, note
from mixmon.pipeline import Pipeline
from mixmon.result import Origin
from mixmon.session.default_limits import limits_in_force
from mixmon.session.fuel_steps import FuelStep, load_fuel_steps, steps_beside
from mixmon.session.keys import trim_quantity
from mixmon.session.model import DeclaredFuel, Session
from mixmon.session.split_pulses import SplitPulse, load_split_pulses

KnownLags = Lags | Sequence[NodeLag]
"""Lags as a caller gives them, or as `lags` found them."""

LATENESS_NS = 500_000_000
"""Our choice: stamps of two buses of a log may lie this far apart; more than live, as nobody waits."""

_SHOWN_IDENTIFIERS = 6  # our choice: what fits on a line of an error message

Watcher = Callable[[int, int | None], None]
"""Called after each block: its number of frames, and the position in bytes; None where not known."""


@dataclass(slots=True)
class LogFacts:
    """What became of the logs.

    frames, rejected_lines, skipped, losses  as the readers counted them
    losses_counted  False: frames may have been lost that nobody counted
    first_ns       stamp of the first log's first frame, from which times are counted; None: no frame
    duration_s     time that ran in the logs, jumps of the stamps left out
    late_by_clock  frames that came behind rows already given
    jumps          jumps of the time stamps
    first_jumps    the first of them
    decoded        frames that carried something the session asks for
    corrupt        frames with a wrong checksum or a repeated counter: kept, marked, not counted
    faults         what ended a log early
    missing        notes on messages that never came or only late, with the signals that are unknown without
                   them; and where no sample counts, on why
    """

    frames: int = 0
    rejected_lines: int = 0
    first_rejected: list[Reject] = field(default_factory=list)
    skipped: int = 0
    losses: list[Loss] = field(default_factory=list)
    losses_counted: bool = True
    first_ns: int | None = None
    duration_s: float = 0.0
    late_by_clock: int = 0
    jumps: int = 0
    first_jumps: list[Jump] = field(default_factory=list)
    decoded: int = 0
    corrupt: int = 0
    faults: list[str] = field(default_factory=list)
    missing: tuple[Note, ...] = ()


class Run:
    """Rows of one or several logs, read while they are asked for.

    Iterating gives CylinderBlocks; memory does not grow with the length of the logs. Each
    iteration reads the logs from their start. `log` holds the account of the last iteration;
    `watcher`, if any, is called while reading. `steps` are fuel steps that a file beside the log lists; None
    where there is none.
    """

    def __init__(
        self,
        binding: Binding,
        logs: Sequence[LogSource],
        *,
        begin_ns: int = 0,
        end_ns: int | None = None,
        left_out: frozenset[int] = frozenset(),
        watcher: Watcher | None = None,
        steps: Sequence[FuelStep] | None = None,
    ) -> None:
        self.binding = binding
        self.left_out = left_out
        self.steps = steps
        self.log = LogFacts()
        self._logs = logs
        self._begin, self._end = begin_ns, end_ns
        self.watcher = watcher

    @property
    def session(self) -> Session:
        """The session that says what the frames mean."""
        return self.binding.session

    @property
    def window_s(self) -> tuple[float, float | None]:
        """The part that is used, seconds from each log's first frame; None: to the end."""
        return self.begin_s, None if self._end is None else self._end / SECOND_NS

    @property
    def begin_s(self) -> float:
        """Seconds of each log before the part that is used."""
        return self._begin / SECOND_NS

    @property
    def total(self) -> int | None:
        """Bytes of all logs together; None where that is not known."""
        sizes = [source.total for source in self._logs]
        return None if None in sizes else sum(size or 0 for size in sizes)

    @property
    def once(self) -> bool:
        """Whether it can be read once only, as standard input."""
        return any(source.once for source in self._logs)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its logs, as they were given."""
        return tuple(source.name for source in self._logs)

    @property
    def name(self) -> str:
        """The names of its logs."""
        return ", ".join(self.names)

    @property
    def whole(self) -> bool:
        """Whether no part of the logs and no cylinder is left out."""
        return self._begin <= 0 and self._end is None and not self.left_out

    def __repr__(self) -> str:
        return f"<Run of {self.session.name!r}: {self.name}>"

    def as_read(self) -> Run:
        """The same run with the account of its last reading, which a later one does not change."""
        return copy(self)

    def fingerprint(self) -> str:
        """What the logs can be known by again: SHA-256 of their frames, however these are packed.

        It reads the logs once. Stamps, identifiers and bytes are in it; names of logs and channels are not.

        Raises:
            SourceError: a log cannot be read.
        """
        digests = [sha256() for _ in range(4)]
        for frames in chain.from_iterable(self._logs):
            within = np.arange(frames.width) < frames.size[:, None]
            columns: list[NDArray[Any]] = [frames.t, frames.can_id, frames.size, frames.data[within]]
            for digest, column in zip(digests, columns, strict=True):
                digest.update(column.tobytes())
        return sha256(b"".join(digest.digest() for digest in digests)).hexdigest()

    def __iter__(self) -> Iterator[CylinderBlock]:
        self.log = LogFacts()
        pipeline = Pipeline(self.binding, left_out=self.left_out, lateness_ns=LATENESS_NS)
        position = 0
        for source in self._logs:
            seen = _LogSpan()
            decoded, before = pipeline.decoded, position
            pipeline.play_silence(source.silence_ns)
            for frames in source:
                if self.watcher is not None:
                    self.watcher(len(frames), None if source.total is None else before + source.position)
                inside = seen.within(frames, self._begin, self._end)
                if self.log.first_ns is None:  # told at once, as rows on their way are timed from it
                    self.log.first_ns = seen.first_ns
                if seen.first_ns is not None and seen.count == len(inside):
                    pipeline.anchor_grid(seen.first_ns)
                yield from pipeline.feed(inside)
            if source.watched is not None and self._end is None:
                yield from pipeline.advance(source.watched + LATENESS_NS)
            yield from pipeline.flush()
            position += source.total or 0
            self._count_lines(source, seen)
            if pipeline.decoded == decoded:
                raise SourceError(self._describe_useless_log(source, seen))
        self.log.late_by_clock = pipeline.late_by_clock
        self.log.jumps, self.log.first_jumps = pipeline.jumps, list(pipeline.first_jumps)
        self.log.decoded = pipeline.decoded
        self.log.corrupt = sum(c.checksum_errors + c.repeats for c in pipeline.counts.values())
        self.log.missing = notes_on_missing(self.binding, pipeline)

    def _count_lines(self, source: LogSource, seen: _LogSpan) -> None:
        report, log = source.report, self.log
        log.frames += report.frames
        log.rejected_lines += report.rejected_lines
        log.first_rejected += report.first_rejected
        log.skipped += report.skipped
        log.losses += report.losses
        log.losses_counted = log.losses_counted and source.losses_counted
        log.faults += report.faults
        log.duration_s += seen.duration_s

    def _describe_useless_log(self, source: LogSource, seen: _LogSpan) -> str:
        """Why a log that can be read is of no use with this session."""
        if not seen.count:
            return f"{source.name}: no frame in the chosen part; expected some; it lasts {seen.length}"
        expected = listed_identifiers(plan.can_id for plans in self.binding.plans for plan in plans)
        wires = ", ".join(f"{bus.name} on {bus.log_channel}" for bus in self.session.buses)
        return (
            f"{source.name}: {seen.count} frames, none of the session's; found {seen.identifiers()}; "
            f"expected {expected} with {wires}; "
            "check [[bus]] log_channel and database (mixmon census shows what is in the log)"
        )


def listed_identifiers(can_ids: Iterable[int]) -> str:
    """The lowest of the identifiers as text, with `...` where there are more."""
    ids = sorted(set(can_ids))
    shown = ", ".join(identifier_text(i) for i in ids[:_SHOWN_IDENTIFIERS])
    return shown + (", ..." if len(ids) > _SHOWN_IDENTIFIERS else "")


def notes_on_missing(binding: Binding, pipeline: Pipeline) -> tuple[Note, ...]:
    """Messages of which the pipeline could use no frame, with the signals that are unknown without them.

    Messages of one bus that carry the same quantities share a note. A note counts the frames that came too
    late to be placed. Where there are rows and not one sample counts, the last note says why.
    """
    late = pipeline.late_by_clock
    code = Gap.MESSAGES_LATE if late else Gap.MESSAGES_MISSING
    notes = []
    for (bus, signals), messages in _group_missing_messages(binding, pipeline).items():
        notes.append(
            note(
                code,
                message=messages[0],
                others=len(messages) - 1,
                bus=binding.buses[bus],
                signals=signals,
                needed_for_steady=tuple(sorted(_signals_of_axes(binding.session).intersection(signals))),
            )
        )
    if late:
        notes.append(note(Gap.FRAMES_LATE, frames=late, patience_s=LATENESS_NS / SECOND_NS))
    notes += [
        note(Gap.CHANNEL_OUT_OF_RANGE, channel=name, count=outside, samples=came)
        for name, (outside, came) in pipeline.outside_range.items()
        if outside
    ]
    samples = pipeline.samples
    if samples.any() and not samples[SampleState.VALID]:
        notes.append(_describe_exclusion(samples, len(binding.nodes)))
    return tuple(notes)


def _describe_exclusion(samples: Ints, nodes: int) -> Note:
    """The note on samples of which not one counts: seconds a node by reason, the longest first."""
    seconds = np.round(samples * ROW_S / nodes, 1)
    order = sorted(np.flatnonzero(seconds).tolist(), key=lambda state: -int(samples[state]))
    return note(
        Gap.NOTHING_COUNTS,
        reasons=tuple(SampleState(state).word for state in order),
        seconds=tuple(float(seconds[state]) for state in order),
    )


def _group_missing_messages(
    binding: Binding, pipeline: Pipeline
) -> dict[tuple[int, tuple[str, ...]], list[str]]:
    """Names of messages without a frame, by bus index and the quantities that they carry."""
    quantities: dict[tuple[int, str], dict[str, None]] = {}
    of_nodes = (item for node in binding.nodes for item in node.items())
    for name, bound in (*binding.engine.items(), *binding.channels.items(), *of_nodes):
        key = (bound.bus, bound.message.name)
        if pipeline.counts[key].frames == 0:
            quantities.setdefault(key, {})[name] = None
    alike: dict[tuple[int, tuple[str, ...]], list[str]] = {}
    for (bus, message), names in quantities.items():
        alike.setdefault((bus, tuple(names)), []).append(message)
    return alike


def _signals_of_axes(session: Session) -> set[str]:
    """Signals without which no time counts as steady."""
    axes = session.axes
    return ({"rpm"} if axes.rpm else set()) | ({axes.load_signal} if axes.load else set())


class _LogSpan:
    """First and last stamp of one log, and which identifiers it holds."""

    def __init__(self) -> None:
        self.first_ns: int | None = None
        self._last = 0
        self._stretches = StretchCutter()
        self._ids: set[tuple[str, int]] = set()
        self.count = 0

    def within(self, frames: FrameBlock, begin: int, end: int | None) -> FrameBlock:
        """The frames of the chosen part of the log."""
        if self.first_ns is None:
            self.first_ns = self._last = int(frames.t[0])
        self._last = max(self._last, int(frames.t.max()))
        deque(self._stretches.cut(frames), maxlen=0)
        if begin > 0 or end is not None:
            since = frames.t - self.first_ns
            frames = frames.take((since >= begin) & (since < (self._last + 1 if end is None else end)))
        self.count += len(frames)
        if len(self._ids) < _SHOWN_IDENTIFIERS:
            for key in np.unique(frames.bus.astype(np.uint64) << 32 | frames.can_id).tolist():
                self._ids.add((frames.channels[key >> 32], key & 0xFFFF_FFFF))
        return frames

    @property
    def duration_s(self) -> float:
        """Seconds that ran, jumps of the stamps left out."""
        return self._stretches.duration_ns / SECOND_NS

    @property
    def length(self) -> str:
        """Seconds from the first stamp to the largest, from which a part is chosen."""
        return f"{0.0 if self.first_ns is None else (self._last - self.first_ns) / SECOND_NS:.1f} s"

    def identifiers(self) -> str:
        """Some identifiers of the log, with their channels."""
        shown = sorted(self._ids)[:_SHOWN_IDENTIFIERS]
        return ", ".join(f"{identifier_text(i)} on {channel}" for channel, i in shown)


def read_run(
    session: Session,
    *logs: str | Path,
    begin_s: float = 0.0,
    end_s: float | None = None,
    leave_out: Sequence[int] = (),
    watcher: Watcher | None = None,
) -> Run:
    """A run to iterate over or to hand to `balance`.

    >>> import mixmon
    >>> run = mixmon.read_run(mixmon.load_session("examples/foreign.toml"), "examples/foreign.log.gz")
    >>> rows = sum(len(block) for block in run)
    >>> run.log.frames, run.log.rejected_lines, rows > 5000
    (32016, 0, True)

    Args:
        session: from `load_session`.
        logs: recordings in order, or folders of runs; "-" is standard input.
        begin_s: seconds from each log's first frame before which frames are not used.
        end_s: seconds from which on they are not used; None for all.
        leave_out: cylinders to exclude.
        watcher: called while reading.

    Raises:
        SourceError: a log cannot be read.
        SessionError: the session's signals are not in its message definitions.
        UsageError: a cylinder to leave out that the engine does not have, an impossible part, or no log.
    """
    check_kind(session, Session, "read_run", "a session, as load_session gives it")
    for log in logs:
        check_path(log, "read_run", "a log")
    left_out = check_left_out(session, leave_out)
    begin_ns, end_ns = check_part(begin_s, end_s)
    twice = [log for i, log in enumerate(logs) if log in logs[:i] and str(log) != "-"]
    if twice:
        raise UsageError(f"{twice[0]}: named twice; expected every log once; name it once")
    if not logs:
        raise UsageError("read_run: no log given; expected at least one; name a recording")
    session = with_known_biases(session)
    return Run(
        bind(session, load_databases(session)),
        [open_log(path) for path in logs],
        begin_ns=begin_ns,
        end_ns=end_ns,
        left_out=left_out,
        watcher=watcher,
        steps=listed_steps(session, *logs),
    )


def check_left_out(session: Session, cylinders: Collection[int]) -> frozenset[int]:
    """The cylinders to exclude.

    Raises:
        UsageError: one that the engine does not have, or no sequence of numbers.
    """
    check_kind(cylinders, Collection, "leave_out", "a list of cylinders, such as [3]")
    count = session.engine.cylinders
    unknown = [c for c in cylinders if not (isinstance(c, int | np.integer) and 1 <= c <= count)]
    if unknown:
        raise UsageError(f"leave out: cylinder {unknown[0]}; expected 1 to {count}; correct it")
    return frozenset(cylinders)


def with_fuel(session: Session, fuel: Fuel) -> Session:
    """The session as if its file named that fuel.

    >>> import mixmon
    >>> fuel = mixmon.blend({"gasoline": 0.6, "ethanol": 0.35, "nitromethane": 0.05})
    >>> session = mixmon.with_fuel(mixmon.load_session("examples/alder8.toml"), fuel)
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz")
    >>> round(run.binding.fuel.stoich_afr, 3) == round(fuel.stoich_afr, 3)
    True

    Args:
        session: from `load_session`.
        fuel: a `Fuel`, such as `fuel_named` and `blend` give; it counts by its atoms. Whether it is leaded
            stays as the session says.

    Raises:
        UsageError: no session, or no fuel.
    """
    check_kind(session, Session, "with_fuel", "a session, as load_session gives it")
    check_kind(fuel, Fuel, "with_fuel", "a Fuel, as fuel_named and blend give it")
    atoms = {"c": fuel.c, "h": fuel.h, "o": fuel.o, "n": fuel.n}
    leaded = session.fuel is not None and session.fuel.leaded
    return replace(session, fuel=DeclaredFuel(atoms=atoms, leaded=leaded))


def check_run(run: object, where: str) -> None:
    """Refuses what is no run.

    Raises:
        UsageError: with what it is.
    """
    check_kind(run, Run, where, "a run, as read_run gives it")


def listed_steps(session: Session, *logs: str | Path) -> tuple[FuelStep, ...] | None:
    """The fuel steps that a file beside a single log lists (`NAME.steps.toml`); None where there is none.

    Several logs have as many first frames from which to count.

    Raises:
        SessionError: the file has mistakes.
        SourceError: it cannot be read.
    """
    alone = len(logs) == 1 and str(logs[0]) != "-"
    return steps_beside(Path(logs[0]), session.engine.cylinders) if alone else None


def balance(run: Run, against: str = "peers") -> Balance:
    """Needs, spread and trims of a run; see `Balance`.

    >>> import mixmon
    >>> run = mixmon.read_run(mixmon.load_session("examples/foreign.toml"), "examples/foreign.log.gz")
    >>> found = mixmon.balance(run)
    >>> weak = max(found.cylinders, key=lambda c: c.needs_percent)
    >>> weak.cylinder, weak.interval95_percent[0] > 3.0
    (5, True)

    Args:
        run: from `read_run`; it is read to its end.
        against: "peers" or "target", the reference of the needs shown.

    Raises:
        UsageError: another reference, or the target where none is known.
        SourceError: a log cannot be read.
    """
    return replace(_judge_balance(run, against)[0], origin=Origin((run.as_read(),)))


def trims(run: Run) -> TrimSheet:
    """The trims to type, in the engine control's order and shape, and what they will do; see `TrimSheet`.

    >>> import mixmon
    >>> run = mixmon.read_run(mixmon.load_session("examples/foreign.toml"), "examples/foreign.log.gz")
    >>> sheet = mixmon.trims(run)
    >>> weak = next(row for row in sheet.rows if row.cylinder == 5)
    >>> weak.now_percent, weak.new_percent, sheet.withheld
    (0.0, 4.0, ())

    Args:
        run: from `read_run`; it is read to its end.

    Raises:
        SourceError: a log cannot be read.
    """
    return cells_and_trims(run)[1]


def cells_and_trims(run: Run) -> tuple[Balance, TrimSheet]:
    """The balance of a run against peers and the sheet of trims, from one reading of its logs.

    Raises:
        SourceError: a log cannot be read.
    """
    return _with_sheet(run, *_judge_balance(run, "peers"))


def _with_sheet(run: Run, found: Balance, stage: BalanceStage) -> tuple[Balance, TrimSheet]:
    origin = Origin((run.as_read(),))
    sheet = make_sheet(stage.session_held, found)
    sheet = replace(sheet, first_ns=stage.first_ns, last_ns=stage.last_ns, origin=origin)
    return replace(found, origin=origin), sheet


@dataclass(frozen=True, slots=True, eq=False)
class JudgedRun:
    """What one reading of a run gives: balance against peers, sheet, alarms, and its side of a comparison."""

    balance: Balance
    sheet: TrimSheet
    alarms: AlarmEvents
    side: RunSide


def judge_run(run: Run, *beside: Summary[CylinderBlock, object]) -> JudgedRun:
    """Balance, sheet and alarms of a run from one reading of its logs; each as its own function finds it.

    beside: stages that take the same rows.

    Raises:
        SourceError: a log cannot be read.
    """
    conditions, places = ConditionStage(), PlaceStage(run.session)
    search = EventStage(run.session, run.binding.fuel, tips=False)  # no tip hides what a cylinder needs
    log = _AlarmLog(run, search)
    found, stage = _judge_balance(run, "peers", conditions, places, *beside, search=search, alarm_log=log)
    balanced, sheet = _with_sheet(run, found, stage)
    side = _side_of_stage(run, stage, conditions, places)
    return JudgedRun(balanced, sheet, log.result(), side)


def _judge_balance(
    run: Run,
    against: str,
    *beside: Summary[CylinderBlock, object],
    search: EventStage | None = None,
    alarm_log: _AlarmLog | None = None,
) -> tuple[Balance, BalanceStage]:
    """The balance of a run, and the stage that found it; raises as `balance`."""
    check_run(run, "balance and trims")
    if against not in {"peers", "target"}:
        raise UsageError(f"against {against!r}: no such reference; expected peers or target; choose one")
    no_target = "target" not in run.binding.engine and run.session.targets is None
    if against == "target" and no_target:
        raise UsageError(
            "against target: the session has no target; expected [engine_signals] target or [targets]; "
            "add one, or use --against peers"
        )
    stage, on_labels = _feed_balance(run, run.session, *beside, search=search, alarm_log=alarm_log)
    found = stage.result(against, (*run.binding.gaps, *run.log.missing, *on_labels))
    found = with_stages(found, stage)
    return with_curve_note(found, run.binding.fuel, assumed=run.binding.curve_assumed), stage


def _feed_balance(
    run: Run,
    session: Session,
    *beside: Summary[CylinderBlock, object],
    search: EventStage | None = None,
    alarm_log: _AlarmLog | None = None,
) -> tuple[BalanceStage, tuple[Note, ...]]:
    """A stage that has taken the whole run, with the time around misfires and cuts excluded.

    It knows what fuel steps in the run say of the labels; where they show nothing, notes say why.

    beside: stages that take the same rows.
    search: what finds the events; None: one is made.
    alarm_log: takes the rows with these events.
    """
    stage = BalanceStage(session, run.left_out)
    own = OwnSteps(run.binding, run.steps, run.begin_s, run.left_out)
    search = search or EventStage(run.session, run.binding.fuel, tips=False)  # no tip hides what is needed
    for block in feed_on_the_way(run, stage, own, *beside):
        found = search.feed(block)
        stage.exclude(found)
        if alarm_log is not None:
            alarm_log.feed(block, found)
    found = search.flush()
    stage.exclude(found)
    if alarm_log is not None:
        alarm_log.flush(found)
    standing, notes = own.result()
    stage.take_standing(standing)
    return stage, notes


def causes(run: Run, splits: str | Path | Sequence[SplitPulse] = ()) -> Causes:
    """What may be wrong with each cylinder, what the data cannot separate, and what to test; see `Causes`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/foreign.toml")
    >>> found = mixmon.causes(mixmon.read_run(session, "examples/foreign.log.gz"))
    >>> odd = found.cylinders[4]
    >>> odd.level_percent > 3, odd.causes[0].cause.value
    (True, 'injector flow')

    Args:
        run: from `read_run`; it is read to its end.
        splits: times in which the engine control gave two half pulses a cycle: a file of them, or the times.

    Raises:
        SessionError: the file of times has mistakes.
        SourceError: a log or the file cannot be read.
    """
    check_run(run, "causes")
    if isinstance(splits, str | Path):
        splits = load_split_pulses(splits)
    stage = CausesStage(run.session, run.left_out, splits, run.begin_s)
    own = OwnSteps(run.binding, run.steps, run.begin_s, run.left_out)
    search = EventStage(run.session, run.binding.fuel, tips=False)  # no tip hides what a cylinder needs
    for event in run_through(search, feed_on_the_way(run, stage, own)):
        stage.exclude([event])
    standing, on_labels = own.result()
    stage.take_standing(standing)
    found = stage.result((*run.binding.gaps, *run.log.missing, *on_labels))
    return replace(found, origin=Origin((run.as_read(),)))


def rotation(runs: Sequence[Run]) -> Rotation:
    """Sensors' biases and cylinders' needs from runs between which the sensors were moved; see `Rotation`.

    One run of one session does not part them, and says so:

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz", end_s=30.0)
    >>> found = mixmon.rotation([run])
    >>> found.solvable, found.why_not.code.value, found.design[0]
    (False, 'one_session', (1, 'S-108'))

    Args:
        runs: from `read_run`, one a session; each is read to its end. The session file of each says which
            sensor, by its serial, sat at which cylinder, and the trims that the ECU held. Biases that
            the file says are known are not applied: they are what is sought.

    Raises:
        UsageError: no run, a node without a serial, or sessions that cannot be of one engine.
        SourceError: a log cannot be read.
    """
    check_kind(runs, Sequence, "rotation", "a list of runs, as read_run gives them")
    for run in runs:
        check_run(run, "rotation")
    if not runs:
        raise UsageError("rotation: no run given; expected one a session; name them in order")
    found = fit_rotation([looks_of_run(run) for run in runs])
    return replace(found, origin=Origin(tuple(run.as_read() for run in runs)))


def looks_of_run(run: Run, name: str = "") -> SessionLooks:
    """What one session of a rotation says: which sensor sat where, and what each read in every cell.

    Args:
        run: from `read_run`; it is read to its end.
        name: what the session is called in the result and in errors; default: its own name, or its file.

    Raises:
        UsageError: a node without a serial, or two with one serial.
        SourceError: a log cannot be read.
    """
    session = run.session
    if session.sensors is not None:
        # Biases are sought in what the sensors showed; known ones would be found as what is left of them.
        session = replace(session, sensors=replace(session.sensors, known_bias=None))
    name = name or session.name or str(session.path or "session")
    session_looks(session, {}, name)  # refuses missing serials before the log is read
    stage, _ = _feed_balance(run, session)
    return session_looks(stage.session_held, stage.cells_used(), name)


def compare(
    before: Run,
    after: Run,
    margin_percent: float = USUAL_MARGIN_PERCENT,
    entered: Mapping[int, float] | None = None,
) -> BeforeAfter:
    """What every cylinder's need did from one run to the next, and what that shows; see `BeforeAfter`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/foreign.toml")
    >>> logs = ("examples/foreign.log.gz", "examples/foreign_after.log.gz")
    >>> found = mixmon.compare(*(mixmon.read_run(session, log) for log in logs), entered={5: 4.0})
    >>> [(one.cylinder, one.verdict.code.value) for one in found.effect], found.cells_needed
    ([(5, 'taken')], 5)

    Args:
        before: from `read_run`; it is read to its end.
        after: the same, with its own session or the same.
        margin_percent: change of a need, percent of fuel, that counts as none.
        entered: trims that the engine control held in the second run, percent by cylinder; None: as its
            session says, or else what was kept beside it as entered after the first run
            (`session.entered`). Cylinders that are not named kept theirs.

    Raises:
        UsageError: a margin that is not above zero, runs that cannot be of one engine, or a cylinder that the
            engine does not have.
        SourceError: a log cannot be read.
    """
    return compare_sides((before, after), (side_of_run(before), side_of_run(after)), margin_percent, entered)


def compare_sides(
    runs: tuple[Run, Run],
    sides: tuple[RunSide, RunSide],
    margin_percent: float,
    entered: Mapping[int, float] | None,
) -> BeforeAfter:
    """The comparison of two runs that have been read, `side_of_run` of each given; raises as `compare`."""
    found = compare_runs(*with_entry(runs, sides), margin_percent, entered)
    return replace(found, origin=Origin(tuple(run.as_read() for run in runs)))


def with_entry(runs: tuple[Run, Run], sides: tuple[RunSide, RunSide]) -> tuple[RunSide, RunSide]:
    """Two sides with the trims that were kept as entered after the first run, where its session tells none.

    The first run is known again by its frames; stamps, which may begin anew in the second, do not count.

    Raises:
        SourceError: the log of the first run cannot be read.
    """
    entries = (*runs[0].session.entries, *runs[1].session.entries)
    silent = [run.session.trims.now_percent is None for run in runs]
    if not entries or not any(silent) or runs[0].once:
        return sides
    fingerprint = runs[0].fingerprint()
    entry = next((one for one in reversed(entries) if one.fingerprint == fingerprint), None)
    if entry is None:
        return sides
    first, second = (
        _holding(side, percent) if quiet else side
        for side, percent, quiet in zip(sides, (entry.before, entry.after), silent, strict=True)
    )
    return first, second


def _holding(side: RunSide, percent: tuple[float, ...]) -> RunSide:
    """One of two runs with the trims that the engine control held."""
    session = side.session
    return replace(side, session=replace(session, trims=replace(session.trims, now_percent=percent)))


def side_of_run(run: Run) -> RunSide:
    """What one of two compared runs says: what its nodes read in every cell, and the conditions.

    Raises:
        SourceError: a log cannot be read.
    """
    check_run(run, "compare")
    conditions, places = ConditionStage(), PlaceStage(run.session)
    stage, _ = _feed_balance(run, run.session, conditions, places)
    return _side_of_stage(run, stage, conditions, places)


def _side_of_stage(run: Run, stage: BalanceStage, conditions: ConditionStage, places: PlaceStage) -> RunSide:
    cells = stage.cells_used(every_stage=True)
    return RunSide(
        run.name,
        stage.session_held,
        cells,
        conditions.result(),
        run.log.first_ns,
        stage.wander,
        places.result(),
    )


def events(run: Run, lag_s: KnownLags | None = None) -> Events:
    """What happened in a run, in order of time; see `Event`.

    The command measures the lags first: `mixmon.events(run, mixmon.lags(run))` is what it tells.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> found = mixmon.events(mixmon.read_run(session, "examples/alder8_short.log.gz"))
    >>> [(e.cylinders[0], e.evidence["missed_cycles"]) for e in found if e.kind == "misfire"][0]
    (7, 5)

    Args:
        run: from `read_run`; it is read to its end.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder, or what `lags` gave, which asks the
            whole run before; where not known 0.105, until the first fuel cut shows it. A pair is lean-going
            and rich-going.

    Raises:
        UsageError: an impossible lag.
        SourceError: a log cannot be read.
    """
    check_run(run, "events")
    known = _listed_lags(lag_s)
    if known is None:
        given = cast("Lags | None", lag_s)
        every = sensor_lags(run.session.chain.nodes, given)
        known = NodeLags(lag for lag in every if lag.source is LagSource.GIVEN)  # others are found on the way
    else:
        given = lags_by_cylinder(known)
    found = find_events(run.session, run.binding.fuel, run, given)
    return Events(found, Origin((run.as_read(),), lags=known))


def alarms(run: Run, actions: Sequence[OperatorAction] = ()) -> AlarmEvents:
    """Every transition of the session's alarms, in order of time; see `AlarmEvent`.

    A session that brings no alarms is watched by placeholders of common practice.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> found = mixmon.alarms(mixmon.read_run(session, "examples/alder8_short.log.gz", end_s=20.0))
    >>> {e.cylinders for e in found if e.announced and e.rule == "lean under load"} >= {(4,)}
    True

    Args:
        run: from `read_run`; it is read to its end.
        actions: what an operator did, as recorded: acknowledged, shelved, reset.

    Raises:
        UsageError: an action on an alarm that the session does not have.
        SourceError: a log cannot be read.
    """
    check_run(run, "alarms")
    search = EventStage(run.session, run.binding.fuel)
    log = _AlarmLog(run, search, actions)
    for rows in run:
        log.feed(rows, search.feed(rows))
    log.flush(search.flush())
    return log.result()


class _AlarmLog:
    """The records of a run's alarms, from its rows and the events that `search` finds in them."""

    def __init__(self, run: Run, search: EventStage, actions: Sequence[OperatorAction] = ()) -> None:
        nodes = run.session.chain.nodes
        misfires = MisfireWatch(nodes, run.binding.fuel, search.lags_at)
        self._run = run
        self._stage = Alarms(limits_in_force(run.session).alarms, nodes, misfires, search.paces_at)
        self._records: list[AlarmEvent] = []
        for action in actions:
            self._stage.act(action)

    def feed(self, rows: CylinderBlock, events: Sequence[Event]) -> None:
        """Takes rows that `search` has taken, with what it found in them."""
        self._records += self._stage.feed(rows, events)

    def flush(self, events: Sequence[Event]) -> None:
        """Ends the rows, with what the search gave at their end."""
        self._records += self._stage.flush(events)

    def result(self) -> AlarmEvents:
        """All records, and what stood at the end."""
        return AlarmEvents(self._records, Origin((self._run.as_read(),)), at_end=self._stage.current())


def identify(run: Run, steps: str | Path | Sequence[FuelStep] | None = None) -> Identity:
    """Which cylinder each label sees, by fuel steps of known cylinders; see `Identity`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz", end_s=15.0)
    >>> found = mixmon.identify(run, "examples/alder8_steps.toml")
    >>> found.proved, [note.code.value for note in found.notes]  # nobody typed them in that log
    (False, ['steps_not_answered'])

    Args:
        run: from `read_run`; it is read to its end.
        steps: a file of fuel steps, or the steps; None: by the trims that the engine control reports, or by
            the file beside the log (`NAME.steps.toml`).

    Raises:
        UsageError: no steps are given and no trims reported.
        SessionError: the file of steps has mistakes.
        SourceError: the log or the file cannot be read.
    """
    check_run(run, "identify")
    session = run.session
    if isinstance(steps, str | Path):
        steps = load_fuel_steps(steps, session.engine.cylinders)
    if steps is None and trim_quantity(1) not in run.binding.engine:
        steps = run.steps
    if steps is None and trim_quantity(1) not in run.binding.engine:
        raise UsageError(
            "identify: no fuel steps; expected a file of them (--steps FILE), or the engine control's trims "
            'as [engine_signals] trim = "BUS/Message.Cylinder{cylinder:02d}"; mixmon identify --plan makes '
            "such a file"
        )
    found = review_identity(session, run, steps, run.begin_s)
    return replace(found, origin=Origin((run.as_read(),)))


def lags(run: Run, given: Lags | None = None) -> NodeLags:
    """How slowly each sensor follows: as given, else measured in the run, else assumed.

    The run is read to its end for that, unless all is given or it can be read once only.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz")
    >>> known = mixmon.lags(run, {1: 0.1})
    >>> [str(lag.source) for lag in known][:2], max(known, key=lambda lag: lag.lean_s).cylinders
    (['given', 'measured'], (5,))
    >>> found = mixmon.events(run, known)

    Args:
        run: from `read_run`.
        given: what is known beforehand, as for `events`.

    Raises:
        UsageError: an impossible lag.
        SourceError: a log cannot be read.
    """
    check_run(run, "lags, pulls and tips")
    nodes = run.session.chain.nodes
    if run.once or all(is_given(node, given) for node in nodes):
        return sensor_lags(nodes, given)
    sensor_lags(nodes, given)  # refuses an impossible lag before the log is read
    return sensor_lags(nodes, given, review_response(run.binding, run).sensors)


def _listed_lags(lag_s: KnownLags | None) -> NodeLags | None:
    """What `lags` gave, if that is what a caller hands on; else None."""
    if isinstance(lag_s, Sequence):
        found = NodeLags(one for one in lag_s if isinstance(one, NodeLag))
        return found or None
    return None


def _settle_lags(run: Run, lag_s: KnownLags | None) -> NodeLags:
    """The lag of every node, where a caller gives what is known, or what `lags` gave; raises as `lags`."""
    return _listed_lags(lag_s) or lags(run, cast("Lags | None", lag_s))


def pulls(run: Run, lag_s: KnownLags | None = None) -> PullReview:
    """Pulls at full load, tabulated by bands of speed and compared with each other; see `PullReview`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz", begin_s=32.0)
    >>> found = mixmon.pulls(run, 0.1)
    >>> len(found.pulls), found.tables[0].peers.shape == (len(found.bands.centres), 8)
    (1, True)

    Args:
        run: from `read_run`; it is read to its end, and once before for the lags that are not given.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder, or what `lags` gave; None: as `lags`
            finds them.

    Raises:
        UsageError: an impossible lag.
        SourceError: a log cannot be read.
    """
    known = _settle_lags(run, lag_s)
    found = review_run(run.session, run.binding.fuel, run, lags_by_cylinder(known))
    return replace(found, origin=Origin((run.as_read(),), lags=known))


def tips(run: Run, lag_s: KnownLags | None = None) -> TipReview:
    """Throttle tips in and out, what each cylinder did in them, and the means of tips alike; see `TipReview`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz", end_s=5.0)
    >>> mixmon.tips(run, 0.1).tips  # a steady idle
    ()

    Args:
        run: from `read_run`; it is read to its end, and once before for the lags that are not given.
        lag_s: as for `pulls`.

    Raises:
        UsageError: an impossible lag.
        SourceError: a log cannot be read.
    """
    known = _settle_lags(run, lag_s)
    found = find_clean_tips(run.session, run.binding.fuel, run, lags_by_cylinder(known))
    return replace(found, origin=Origin((run.as_read(),), lags=known))


def response(run: Run, filter_s: float | None = None, air_percent: float | None = None) -> ResponseReview:
    """How quickly every sensor follows, from fuel cuts and steps, and the delay of every cell.

    See `ResponseReview`.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> run = mixmon.read_run(session, "examples/alder8_short.log.gz", begin_s=32.0)
    >>> [one.cylinders for one in mixmon.response(run).sensors if one.lean.t63_s > 0.2]
    [(5,)]

    Args:
        run: from `read_run`; it is read to its end.
        filter_s: time constant of the controllers' filter, s, 0.001 to 0.2; None: estimated.
        air_percent: oxygen of the ambient air, percent by volume, by which sensors are then judged.

    Raises:
        UsageError: a filter that no controller has.
        SourceError: a log cannot be read.
    """
    found = sum_up(response_stage(run, filter_s, air_percent), run)
    return replace(found, origin=Origin((run.as_read(),)))


SHORTEST_FILTER_S, LONGEST_FILTER_S = 0.001, 0.2
"""Our choice: below it a filter cannot be seen in rows of 10 ms; above it a number was meant in ms."""


def response_stage(
    run: Run, filter_s: float | None = None, air_percent: float | None = None, *, traces: bool = False
) -> ResponseReviewer:
    """The stage behind `response`; with `traces` it keeps those of every cut.

    Raises:
        UsageError: a filter that no controller has, or air with more oxygen than there is, or none.
    """
    check_run(run, "response")
    if air_percent is not None and not 0.0 < air_percent <= FREE_AIR_PERCENT:
        raise UsageError(
            f"air_percent {air_percent:g}: no ambient air; expected above 0, at most "
            f"{FREE_AIR_PERCENT:g}; correct it"
        )
    if filter_s is not None and not SHORTEST_FILTER_S <= filter_s <= LONGEST_FILTER_S:
        raise UsageError(
            f"filter {filter_s:g}: no controller's filter; expected {SHORTEST_FILTER_S:g} to "
            f"{LONGEST_FILTER_S:g} s; correct it, or omit it to have it estimated"
        )
    return ResponseReviewer(run.binding, filter_s, air_percent, traces=traces)
