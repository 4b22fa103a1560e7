"""mixmon census: who is on the bus."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import mixmon
from mixmon.cli import options
from mixmon.cli.console import result, talk
from mixmon.cli.live import ListenWindow, live_buses
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.runs import log_status, opened_frames
from mixmon.findings.census.census import Census
from mixmon.findings.census.records import CensusReport
from mixmon.findings.stage import sum_up
from mixmon.log import expected_of
from mixmon.report.balance import log_json, log_troubles
from mixmon.report.census import census_json, census_text, limits_missed
from mixmon.report.text import to_json
from mixmon.run import LogFacts
from mixmon.session.load import load_session
from mixmon.session.model import Session

_LISTEN_S = 10.0
"""Our choice: long enough for ten frames of a message that comes once a second."""


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG or a live bus."""
    options.add_log(parser, optional=True)
    options.add_session(parser)
    options.add_window(parser)
    options.add_bus(parser)
    parser.add_argument(
        "--for",
        dest="duration",
        metavar="S",
        type=options.seconds,
        default=_LISTEN_S,
        help=f"how long to listen to a live bus, seconds ({_LISTEN_S:g} by default); Ctrl-C ends it earlier",
    )
    parser.add_argument(
        "--complete",
        action="store_true",
        help="exit status 1 if a node is silent, duplicate, or not in the session",
    )
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Counts and prints; with --complete, also checks that every node is there.

    Raises:
        KeyboardInterrupt: listening was interrupted; the result so far has been printed.
    """
    session = None if arguments.session is None else load_session(arguments.session)
    listening = _open_window(arguments, session)
    report, facts, troubles = (
        _listen(arguments, session, listening) if listening else _read_log(arguments, session)
    )
    name = "" if session is None else session.name or str(session.path or "")
    if arguments.json:
        more = {"troubles": troubles} if facts is None else {"log": log_json(facts)}
        result(to_json({"session": name or None, **more, **census_json(report)}))
    else:
        result(census_text(report, name, facts))
    for one in troubles:
        talk(one)
    if listening is not None and listening.interrupted:
        raise KeyboardInterrupt
    missed = limits_missed(report) if arguments.complete else []
    if missed:
        talk(f"the bus is not complete: {'; '.join(missed)}")
    if not report.frames:
        return BAD_INPUT
    in_order = DONE if facts is None else log_status(arguments, log_troubles(facts))
    return LIMIT_NOT_MET if missed else in_order


def _open_window(arguments: argparse.Namespace, session: Session | None) -> ListenWindow | None:
    """The live buses; None where a log is counted.

    Raises:
        UsageError: neither is named.
    """
    if arguments.log is not None:
        return None

    return ListenWindow(live_buses(arguments, session), arguments.duration, quiet=arguments.quiet)


def _listen(
    arguments: argparse.Namespace, session: Session | None, listening: ListenWindow
) -> tuple[CensusReport, None, Sequence[str]]:
    """The census of live buses, and what is not in order with them."""
    expected = expected_of(session, arguments.bitrate)
    return sum_up(Census(expected), listening), None, listening.troubles(expected)


def _read_log(
    arguments: argparse.Namespace, session: Session | None
) -> tuple[CensusReport, LogFacts, Sequence[str]]:
    """The census of the log, and the counts of its lines."""
    with opened_frames(arguments) as frames:
        report = mixmon.census(frames, session, bitrate=arguments.bitrate)
    return report, frames.log, ()
