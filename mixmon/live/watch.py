"""Watching from Python: what a live bus or a recording shows, turn by turn, in the caller's thread.

The same worker as behind the screens does the work; here nobody but the caller drives it. So nothing is lost
between two turns: a recording waits for the caller, and what buses send meanwhile waits in their adapters,
which count what they must drop.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from types import NoneType, TracebackType
from typing import Any, Literal, Self

from mixmon.arrays import SECOND_NS
from mixmon.errors import SourceError, UsageError, check_kind, check_path
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.findings.events.event import Event
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.candump_line import LAST_SECOND
from mixmon.frames.clock import clock_text
from mixmon.frames.logs import check_part, is_run
from mixmon.ledger.biases import with_known_biases
from mixmon.live.kept_files import own_runs_folder, run_files
from mixmon.live.recording import RunRecording
from mixmon.live.replay import ReplaySource
from mixmon.live.source import BusSource
from mixmon.live.worker import TURN_S, Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock
from mixmon.record.recorder import Recorder
from mixmon.record.run_folder import open_run
from mixmon.result import ask_forms
from mixmon.run import check_left_out, listed_steps
from mixmon.session.model import Session
from mixmon.watch.commands import Remark
from mixmon.watch.snapshot import Snapshot

LONGEST_LATENESS_S = 10.0
"""Our choice: rows that come later than that are nothing to watch."""


@dataclass(frozen=True, slots=True, eq=False)
class Turn:
    """What has come since the turn before, and how things stand.

    snapshot  everything that a screen shows at this moment
    rows      the judged rows that are new, in order; empty where none has become due
    alarms    transitions of alarms in them
    events    misfires, cuts, excursions and drop-outs that have become certain
    remarks   what happened to buses and recording, in words
    t_s       seconds of the newest row from the first frame of the log, or of this watching
    t_ns      its stamp, ns; None before the first row
    binding   the session with what its frames mean, as `Run` has it
    first_ns  stamp from which t_s counts, ns; None before the first frame
    """

    snapshot: Snapshot
    rows: tuple[CylinderBlock, ...]
    alarms: tuple[AlarmEvent, ...]
    events: tuple[Event, ...]
    remarks: tuple[str, ...]
    binding: Binding = field(repr=False)
    first_ns: int | None

    def to_arrow(self) -> Any:
        """The new rows as a pyarrow.Table, as `CylinderBlock.to_arrow`; None where none has become due.

        Raises:
            UsageError: pyarrow is not installed (pip install 'mixmon[arrow]').
        """
        rows = [block for block in self.rows if len(block)]
        return ask_forms("rows_table", self.binding, rows, self.first_ns or 0) if rows else None

    @property
    def t_s(self) -> float:
        """Seconds of the newest row, from the first frame."""
        return self.snapshot.elapsed_s

    @property
    def t_ns(self) -> int | None:
        """Stamp of the newest row, ns."""
        return self.snapshot.t

    def __repr__(self) -> str:
        rows, alarms, events = sum(map(len, self.rows)), len(self.alarms), len(self.events)
        return f"<Turn at {clock_text(self.t_s)}: {rows} rows, {alarms} alarms, {events} events>"


class Watch:
    """A context manager that opens buses or a recording, and an iterator of the turns; see `watch`."""

    def __init__(self, worker: Worker, until_s: float | None, replay: ReplaySource | None = None) -> None:
        self._worker, self._until, self._replay = worker, until_s, replay
        self._open = self._used = False

    def __repr__(self) -> str:
        source = "live buses" if self._replay is None else self._replay.log.name
        return f"<Watch of {self.session.name!r}: {source}>"

    @property
    def session(self) -> Session:
        """What the user declared."""
        return self._worker.session

    @property
    def binding(self) -> Binding:
        """The session with what its frames mean, as `Run` has it."""
        return self._worker.binding

    @property
    def recorded(self) -> tuple[Path, ...]:
        """The folders of the runs that were recorded, and of the one that is."""
        recording = self._worker.recording
        if recording is None:
            return ()
        now = (recording.status.folder,) if recording.running and recording.status.folder else ()
        return tuple(dict.fromkeys((*(run.folder for run in recording.runs if run.folder), *now)))

    def __enter__(self) -> Self:
        """Opens the buses or the recording.

        Raises:
            SourceError: a device or a log cannot be opened.
            UsageError: it was opened before.
        """
        if self._used:
            raise UsageError(
                "watch: opened before; expected one with block for each; call mixmon.watch again for another"
            )
        self._used = True
        self._worker.open()
        self._open = True
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._open:
            self._open = False
            self._worker.finish()

    def __iter__(self) -> Iterator[Turn]:
        """The turns, until a recording or the time has ended.

        Raises:
            UsageError: outside of a `with` block.
            SourceError: the log cannot be read on or has no frame of the session's, or the watching failed.
        """
        worker = self._worker
        if not self._open:
            raise UsageError(
                "watch: not open; expected to be used in a with block; write `with mixmon.watch(...) as w:`"
            )
        end = None if self._until is None else time.monotonic() + self._until
        while not worker.ended.is_set():
            began = time.monotonic()
            worker.take_turn()
            yield self._make_turn()
            now = time.monotonic()
            if end is not None and now >= end:
                return
            if not worker.hurried:
                time.sleep(max(0.0, TURN_S - (now - began)))
        if self._replay is not None:
            self._replay.check_heard(worker.pipeline)

    def run(self, call: Callable[[Turn], object]) -> None:
        """Calls a function with every turn; raises as iterating, and what the function raises."""
        for turn in self:
            call(turn)

    def _make_turn(self) -> Turn:
        worker, items = self._worker, self._worker.drain()
        if worker.snapshot.failure:
            raise SourceError(f"watch: {worker.snapshot.failure}")
        return Turn(
            snapshot=worker.snapshot,
            rows=worker.take_rows(),
            alarms=tuple(item for item in items if isinstance(item, AlarmEvent)),
            events=tuple(item for item in items if isinstance(item, Event)),
            remarks=tuple(item.text for item in items if isinstance(item, Remark)),
            binding=worker.binding,
            first_ns=worker.zero_ns,
        )


def watch(
    session: Session,
    log: str | Path | None = None,
    *,
    buses: Sequence[BusOptions] | None = None,
    speed: float | None = None,
    begin_s: float = 0.0,
    end_s: float | None = None,
    for_s: float | None = None,
    lateness_s: float | None = None,
    leave_out: Sequence[int] = (),
    record: bool | str | Path = False,
) -> Watch:
    """Watches live buses, or a recording as if it were live: snapshots, rows, alarms and events as they come.

    It only listens, records nothing unless asked to, and never stops, limits or protects the engine: use the
    engine control's and the dyno's own trips, set from the builder's limits.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> with mixmon.watch(session, "examples/alder8_short.log.gz", end_s=3.0) as watching:
    ...     rows = sum(len(block) for turn in watching for block in turn.rows)
    >>> 250 < rows <= 301
    True

    Args:
        session: from `load_session`; alarms of one's own come in by `with_alarm`.
        log: a recording, or the folder of a run; None: live buses.
        buses: the live buses, named as the session's log channels; None: as the session says.
        speed: of a recording: 1 as it was recorded; None: as fast as the caller takes the turns.
        begin_s: of a recording: seconds from its first frame from which it is played.
        end_s: of a recording: seconds to which it is played; None: its end.
        for_s: seconds of this computer's clock after which the turns end; None: never on buses.
        lateness_s: how far behind newer frames a frame may come and still be counted, seconds, 0 to 10; rows
            wait so long. None: 0.02 on buses, 0.5 in recordings.
        leave_out: cylinders to exclude.
        record: True records live buses in the session's folder, a name in that one, as `mixmon record` does;
            see `Watch.recorded`. What keeps a run from being written is a remark of a turn.

    Raises:
        UsageError: no bus, a log and buses or to be recorded, an unknown cylinder, or an impossible number.
        SessionError: the session's signals are not in its message definitions.
        SourceError: there is no such log.
    """
    check_kind(session, Session, "watch", "a session, as load_session gives it")
    _check_sources(log, buses, record)
    session = with_known_biases(session)
    binding = bind(session, load_databases(session))
    replay = None if log is None else _open_replay(log, speed, begin_s, end_s)
    live = _listed_buses(session, buses) if replay is None else ()
    source = BusSource(live) if replay is None else replay
    recording = _recording_in(session, live, record) if record else None
    steps = None if log is None else listed_steps(session, log)
    if lateness_s is not None:
        source.lateness_ns = round(_check_seconds("lateness_s", lateness_s, LONGEST_LATENESS_S) * SECOND_NS)
    until_s = None if for_s is None else _check_seconds("for_s", for_s, LAST_SECOND)
    make_worker = partial(Worker, left_out=check_left_out(session, leave_out), steps=steps, begin_s=begin_s)
    return Watch(make_worker(binding, source, recording, keep_rows=True), until_s, replay)


def _check_sources(log: object, buses: object, record: bool | str | Path) -> None:
    """Refuses what cannot be watched together.

    Raises:
        UsageError: a log and buses, or a log to be recorded.
    """
    if log is not None and buses is not None:
        raise UsageError("watch: a log and buses; expected one of them; omit one")
    if log is not None and record:
        raise UsageError("watch: a log is recorded already; expected live buses to record; omit one")
    check_kind(record, (bool, str, Path), "record", "True, False or the name of a folder")


def _recording_in(
    session: Session, buses: Sequence[BusOptions], place: Literal[True] | str | Path
) -> RunRecording:
    """What records these buses; True is the session's folder."""
    root = own_runs_folder(session) if place is True else Path(place)
    files, before = run_files(session), session.recording.pre_trigger_s
    return RunRecording(Recorder(root, name=session.name, buses=buses, files=files, pre_trigger_s=before))


def _check_seconds(name: str, seconds: float, longest: float) -> float:
    """Seconds that somebody may mean.

    Raises:
        UsageError: no number, negative, or longer than the longest.
    """
    if not (isinstance(seconds, int | float) and 0.0 <= seconds <= longest):
        raise UsageError(f"{name} {seconds!r:.40}: expected 0 to {longest:g} s; correct it")
    return float(seconds)


def _open_replay(log: str | Path, speed: float | None, begin_s: float, end_s: float | None) -> ReplaySource:
    """A log or the folder of a run as a source."""
    check_path(log, "watch", "a log")
    check_kind(speed, (int, float, NoneType), "speed", "a number above 0, or None")
    begin_ns, end_ns = check_part(begin_s, end_s)
    path = open_run(log) if is_run(log) else str(log)
    return ReplaySource(path, speed=speed, begin_ns=begin_ns, end_ns=end_ns)


def _listed_buses(session: Session, given: Sequence[BusOptions] | None) -> Sequence[BusOptions]:
    """The live buses, as given, or as the session says.

    Raises:
        UsageError: there is none, or something else was given.
    """
    if given is not None:
        check_kind(given, Sequence, "buses", "a list of BusOptions")
        for bus in given:
            check_kind(bus, BusOptions, "buses", "BusOptions for each bus")
        return given
    found = [BusOptions.from_session(bus) for bus in session.buses if bus.interface is not None]
    if not found:
        raise UsageError(
            "watch: no log and no live bus; expected a log, buses, or [[bus]] tables with an interface; "
            "name one"
        )
    return found
