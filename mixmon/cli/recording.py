"""What the commands that watch live buses share: caution, buses, recorder, worker."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mixmon.cli import options
from mixmon.errors import SourceError

if TYPE_CHECKING:
    from mixmon.cli.caution import Acceptance
    from mixmon.live.keeper import Keeper
    from mixmon.live.worker import Worker
    from mixmon.session.model import Session


def add_live(parser: argparse.ArgumentParser) -> None:
    """The session, its buses, and where runs are kept."""
    options.add_session(parser, required=True)
    options.add_bus(parser)
    parser.add_argument(
        "--folder", metavar="DIR", type=Path, help="where runs are kept, instead of the session's folder"
    )
    parser.add_argument(
        "--arm",
        metavar="RPM",
        type=rpm,
        help="record while the engine turns faster than this, from some seconds before until 10 s after",
    )
    parser.add_argument(
        "--for", dest="duration", metavar="S", type=options.seconds, help="stop after so many seconds"
    )
    parser.add_argument(
        "--accept-caution",
        action="store_true",
        help="accept, once for each session file, that mixmon watches and protects nothing",
    )


def acceptance_of(arguments: argparse.Namespace) -> Acceptance:
    """Whether the caution was accepted for the session file.

    Raises:
        SourceError: the file cannot be read.
    """
    from mixmon.cli.caution import Acceptance

    return Acceptance(_bytes(arguments.session), str(arguments.session))


def live_worker(arguments: argparse.Namespace, *, record: bool = True) -> Worker:
    """The worker for the session's buses; nothing is opened yet.

    Raises:
        SessionError, SourceError, UsageError: the session, its buses or options are no good.
    """
    from mixmon.cli.live import live_buses
    from mixmon.live.buses import BusSource
    from mixmon.live.worker import Worker
    from mixmon.messages.bind import bind
    from mixmon.messages.find import load_databases
    from mixmon.session.load import load_session

    session = load_session(arguments.session)
    binding = bind(session, load_databases(session))
    buses = live_buses(arguments, session)
    keeper = _keeper(arguments, session, buses, record=record)
    return Worker(binding, BusSource(buses), keeper)


def _keeper(arguments: argparse.Namespace, session: Session, buses: Any, *, record: bool) -> Keeper:
    from mixmon.live.keeper import Keeper
    from mixmon.record.recorder import Recorder

    recorder = Recorder(
        arguments.folder or _folder(session),
        name=session.name,
        buses=buses,
        files=run_files(session),
        pre_trigger_s=session.recording.pre_trigger_s,
    )
    return Keeper(recorder, arm_rpm=arguments.arm, idle=not record)


def run_files(session: Session) -> dict[str, bytes]:
    """What is kept in every run beside the frames: the session file and its own message definitions.

    Raises:
        SourceError: one of them cannot be read.
    """
    from mixmon.messages.chain import shipped_database
    from mixmon.messages.find import database_path
    from mixmon.record.run_folder import SESSION

    if session.path is None:
        return {}
    files = {SESSION: _bytes(session.path)}
    for bus in session.buses:
        for written in bus.databases:
            path = database_path(written, session.path.parent)
            if path is not None and path != shipped_database(written):
                files.setdefault(path.name, _bytes(path))
    return files


def _folder(session: Session) -> Path:
    """The session's folder for runs, from where the session file lies."""
    return (session.path.parent if session.path is not None else Path()) / session.recording.folder


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise SourceError(f"{path}: {why}; expected a file that can be read; check its name") from error


def rpm(text: str) -> float:
    """A speed that is finite and above zero, for argparse."""
    value = options.number(text, "a speed in rpm, such as 500")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a speed above 0")
    return value


def why_unrecorded(worker: Worker) -> str:
    """Why nothing more is being recorded; empty if it is or need not be."""
    keeper = worker.keeper
    return "" if keeper is None or keeper.status.error is None else keeper.status.error
