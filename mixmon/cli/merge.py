"""mixmon merge: a table of a dyno or of the engine control laid beside a run."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import mixmon
from mixmon.beside.beside import keep_beside
from mixmon.beside.merge import MergeChoice, merge_table
from mixmon.beside.source import read_source
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import DONE
from mixmon.cli.runs import report_faults
from mixmon.errors import UsageError
from mixmon.frames.logs import is_run
from mixmon.record.run_folder import is_growing, load_kept_session
from mixmon.report.beside.merge import merge_json, merge_text
from mixmon.report.progress import Progress
from mixmon.report.text import to_json
from mixmon.session.model import Session


def configure(parser: argparse.ArgumentParser) -> None:
    """RUN, TABLE, its columns, and how the clocks are laid over each other."""
    parser.add_argument("run", metavar="RUN", type=Path, help="the folder of a run")
    parser.add_argument("table", metavar="TABLE", type=Path, help="CSV of any habit, or MDF (.mf4)")
    parser.add_argument(
        "--columns",
        metavar="[NEW=]NAME[:UNIT]",
        nargs="+",
        action="extend",
        default=[],
        help="what to keep, under which name and in which unit; without it all columns of numbers. Of two "
        "columns with one name: NAME#1, NAME#2",
    )
    parser.add_argument(
        "--time", metavar="NAME[:UNIT]", help="the column of time: s, ms, us, min, h, or clock times"
    )
    parser.add_argument(
        "--speed", metavar="NAME[:UNIT]", help="the column of the engine's speed: rpm, krpm, Hz, rad/s"
    )
    parser.add_argument(
        "--by",
        choices=("stamps", "speed"),
        help="how the clocks are laid over each other; without it by stamps that count from 1970 in both, "
        "checked by the engine's speed, else by the speed",
    )
    options.add_session(parser)
    options.add_json(parser)
    options.add_force(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Lays the table beside the run and keeps it there.

    Raises:
        UsageError, SourceError, SessionError: the run or the table cannot be used, or they do not match.
    """
    folder = arguments.run
    session = _session_of(folder, arguments.session)
    source = read_source(arguments.table, arguments.time)
    report_faults([str(folder)], quiet=arguments.quiet)
    opened = mixmon.read_run(session, str(folder))
    choice = MergeChoice(tuple(arguments.columns), arguments.speed, arguments.by)
    with Progress(sys.stderr, opened.total, quiet=arguments.quiet) as progress:
        opened.watcher = progress.advance
        merged = merge_table(opened, source, choice)
    path, summed = keep_beside(folder, merged.beside, force=arguments.force)
    if not summed:
        talk(f"{folder}: has no checksums, so {path.name} has none either", quiet=arguments.quiet)
    if arguments.json:
        return conclude(to_json(merge_json(merged, folder, path.name)), DONE)
    return conclude(merge_text(merged, folder, path.name), DONE)


def _session_of(folder: Path, told: Path | None) -> Session:
    """The session by which a run is read.

    Raises:
        UsageError: it is no run, is being recorded, or has none.
    """
    if not is_run(folder):
        raise UsageError(
            f"{folder}: no run; expected the folder of a run, as mixmon record makes it; name one"
        )
    if is_growing(folder, time.time()):
        raise UsageError(
            f"{folder}: is being recorded, and its checksums are written at its end; expected a run that has "
            "ended; merge then"
        )
    session = mixmon.load_session(told) if told else load_kept_session(folder)
    if session is None:
        raise UsageError(f"{folder}: no session in it; expected one; give --session")
    return session
