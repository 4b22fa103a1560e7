"""Everything that the page of a run says, gathered from the findings; the logs are read twice.

    first reading   balance, sheet, alarms (`run.judge_run`), response, visits to cells
    second reading  events, pulls and traces, with the lags that the first one measured

Each finding is the one that its own command gives; what the page adds is told where it is made. Files are
known by their SHA-256, as `sha256sum` prints it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from mixmon.beside.beside import Beside, kept_name, tables_beside
from mixmon.errors import SourceError, UsageError, reason_of
from mixmon.findings.alarms.records import AlarmEvents
from mixmon.findings.balance.balance import Balance
from mixmon.findings.events.event import Event, Events, in_order
from mixmon.findings.events.events import EventStage
from mixmon.findings.lags import Lags, NodeLags, lags_by_cylinder, sensor_lags
from mixmon.findings.proof.compare import USUAL_MARGIN_PERCENT, BeforeAfter
from mixmon.findings.proof.pairs import RunSide
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import around_misfires
from mixmon.findings.pulls.review import PullReview, review
from mixmon.findings.response.response import ResponseReview
from mixmon.findings.trims.sheet import TrimSheet
from mixmon.frames.logs import FRAMES, is_run
from mixmon.ledger.ledger import Ledger
from mixmon.ledger.standing import SensorRecord, records
from mixmon.messages.bind import database_path
from mixmon.mixture.steady import Cell
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.report.handover.evidence import EventTraceStage, Trace, Visit, VisitStage
from mixmon.report.units import Unit
from mixmon.run import Run, compare_sides, judge_run, response_stage, side_of_run
from mixmon.session.entered import entered_path
from mixmon.session.evidence import evidence_path
from mixmon.session.model import Session


@dataclass(frozen=True, slots=True)
class FileSum:
    """A file that the page rests on: what it is, its name without folders, bytes, SHA-256."""

    what: str
    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class OtherRun:
    """The run before, with which this one is compared, and what was found."""

    run: Run
    found: BeforeAfter


@dataclass(frozen=True, slots=True, eq=False)
class HandOver:
    """What is known of one run.

    conditions  means of what the engine reported while samples counted, by quantity
    visits      by cell, in order of time
    traces      readings around the gravest events
    sensors     what the ledger knows, by serial; a serial of which nothing is known is not in it
    folders     of runs that mixmon wrote
    other       the run before; None where there is none
    version     of mixmon
    beside      tables of a dyno or of the engine control that were merged with the run
    """

    run: Run
    unit: Unit
    balance: Balance
    sheet: TrimSheet
    alarms: AlarmEvents
    response: ResponseReview
    conditions: Mapping[str, float]
    events: Events
    pulls: PullReview
    lags: NodeLags
    traces: tuple[Trace, ...]
    visits: Mapping[Cell, tuple[Visit, ...]]
    sensors: Mapping[str, SensorRecord]
    files: tuple[FileSum, ...]
    folders: tuple[RunFolder, ...]
    other: OtherRun | None
    version: str
    beside: tuple[Beside, ...] = ()

    @property
    def session(self) -> Session:
        """The session of the run."""
        return self.run.session


def gather(
    run: Run,
    unit: Unit,
    *,
    before: Run | None = None,
    given: Lags | None = None,
    ledger: Ledger | None = None,
    entered: Mapping[int, float] | None = None,
    margin_percent: float = USUAL_MARGIN_PERCENT,
) -> HandOver:
    """Reads a run twice, and the one before it once, and gathers what is known.

    Args:
        run: from `read_run`; not standard input.
        unit: in which lambda is shown.
        before: the run before, to be compared with.
        given: sensor lags that are known.
        ledger: what is known of the sensors; None: nothing.
        entered: trims in force in `run`, by cylinder, as for `compare`.
        margin_percent: change of a need that counts as none.

    Raises:
        UsageError: a run that can be read once only, an impossible lag, or runs that cannot be compared.
        SourceError: a log or file cannot be read.
    """
    _refuse_single_reading(run, before)
    nodes = run.session.chain.nodes
    sensor_lags(nodes, given)  # refuses an impossible lag before the log is read
    visits, response = VisitStage(run.session), response_stage(run)
    first = judge_run(run, visits, response)
    reviewed = response.result()
    lags = sensor_lags(nodes, given, reviewed.sensors)
    events, pulls, traces = _read_again(run, lags_by_cylinder(lags))
    other = None
    if before is not None:
        sides = _without_folders(side_of_run(before)), _without_folders(first.side)
        other = OtherRun(before.as_read(), compare_sides((before, run), sides, margin_percent, entered))
    excluded = around_misfires(run.session, events, lags_by_cylinder(lags))
    return HandOver(
        run=run.as_read(),
        unit=unit,
        balance=first.balance,
        sheet=first.sheet,
        alarms=first.alarms,
        response=reviewed,
        conditions=first.side.conditions,
        events=Events(sorted(events, key=in_order)),
        pulls=review(run.session, pulls, excluded),
        lags=lags,
        traces=traces,
        visits=visits.result(),
        sensors=_sensors_of(run.session, ledger),
        files=tuple(_sum_files(run, before)),
        folders=tuple(open_run(name) for name in run.names if is_run(name)),
        other=other,
        version=_own_version(),
        beside=tuple(table for name in run.names for table in tables_beside(name)),
    )


def _refuse_single_reading(*runs: Run | None) -> None:
    for run in runs:
        if run is not None and run.once:
            raise UsageError(
                f"{run.name}: can be read once, and a report reads twice; expected a run or a file; name one"
            )


def own_name(path: str | Path) -> str:
    """The name of a file or folder without the folders above it; of the working folder as well."""
    return Path(path).name or Path(path).resolve().name


def _without_folders(side: RunSide) -> RunSide:
    """The same, its logs named without their folders: a page is read elsewhere."""
    return replace(side, name=", ".join(map(own_name, side.name.split(", "))))


def _read_again(run: Run, lags: Lags) -> tuple[list[Event], list[Pull], tuple[Trace, ...]]:
    """Events, pulls and traces with the lags that are known."""
    search, pulls = EventStage(run.session, run.binding.fuel, lags), PullStage(run.session, lags)
    traces = EventTraceStage()
    found: list[Event] = []
    pulled: list[Pull] = []
    for block in run:
        new = search.feed(block)
        traces.feed(block, new)
        pulled += pulls.feed(block)
        found += new
    last = search.flush()
    traces.flush(last)
    return [*found, *last], [*pulled, *pulls.flush()], traces.result()


def _sensors_of(session: Session, ledger: Ledger | None) -> dict[str, SensorRecord]:
    """What the ledger knows of the sensors of this session."""
    own = {node.sensor for node in session.chain.nodes}
    known = () if ledger is None else records(ledger.entries())
    return {one.serial: one for one in known if one.serial in own}


def _own_version() -> str:
    from importlib.metadata import version  # slow to load

    return version("mixmon")


def _sum_files(run: Run, before: Run | None) -> Iterator[FileSum]:
    """The files of the run, of its session, and of the run before.

    Raises:
        SourceError: one cannot be read.
    """
    for one, when in ((run, ""), (before, " before")):
        if one is None:
            continue
        for name in one.names:
            path = Path(name)
            yield _sum_file(f"log{when}", path / FRAMES if is_run(name) else path, is_run(name))
            for table in () if when else tables_beside(name):
                yield _sum_file("table beside the run", path / kept_name(table.name), True)
        if when and before is not None and before.session.path == run.session.path:
            continue
        yield from _sum_session(one.session, when)


def _sum_session(session: Session, when: str) -> Iterator[FileSum]:
    if session.path is None:
        return
    yield _sum_file(f"session{when}", session.path)
    if session.identity is not None:
        yield _sum_file(f"proof of the labels{when}", evidence_path(session.path))
    if session.entries:
        yield _sum_file(f"trims entered{when}", entered_path(session.path))
    databases = dict.fromkeys(name for bus in session.buses for name in bus.databases)
    for written in databases:
        path = database_path(written, session.path.parent, inside=session.of_run)
        if path is not None:
            yield _sum_file(f"message definitions{when}", path)


def _sum_file(what: str, path: Path, in_folder: bool = False) -> FileSum:
    try:
        with path.open("rb") as file:
            digest, size = hashlib.file_digest(file, "sha256"), file.tell()
    except OSError as error:
        raise SourceError(f"{path}: {reason_of(error)}; expected a file to be read; correct it") from error
    name = f"{own_name(path.parent)}/{path.name}" if in_folder else path.name
    return FileSum(what, name, size, digest.hexdigest())
