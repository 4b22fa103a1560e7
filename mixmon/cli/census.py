"""mixmon census: who is on the bus."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import result, talk
from mixmon.cli.live import ListenWindow, live_buses
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.runs import Reading, log_status
from mixmon.findings.census.census import Census
from mixmon.findings.census.nodes import Expected, from_binding, from_own_layer
from mixmon.findings.census.records import CensusReport
from mixmon.findings.stage import sum_up
from mixmon.messages.bind import bind, load_databases
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
    session, expected = _load_expected(arguments)
    census = Census(expected)
    listening = _open_window(arguments, session)
    report, facts = _read_log(arguments, census) if listening is None else (sum_up(census, listening), None)
    troubles = () if listening is None else listening.troubles(expected)
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


def _load_expected(arguments: argparse.Namespace) -> tuple[Session | None, Expected]:

    if arguments.session is None:
        return None, from_own_layer(arguments.bitrate)

    session = load_session(arguments.session)
    return session, from_binding(bind(session, load_databases(session)))


def _open_window(arguments: argparse.Namespace, session: Session | None) -> ListenWindow | None:
    """The live buses; None where a log is counted.

    Raises:
        UsageError: neither is named.
    """
    if arguments.log is not None:
        return None

    return ListenWindow(live_buses(arguments, session), arguments.duration, quiet=arguments.quiet)


def _read_log(arguments: argparse.Namespace, census: Census) -> tuple[CensusReport, LogFacts]:
    """The census of the log, and the counts of its lines."""
    reading = Reading(arguments.log, options.window(arguments), quiet=arguments.quiet)
    for block in reading:
        census.feed(block)
    report = census.result(reading.first)
    corrupt = sum(node.checksum_errors + node.repeats for node in report.nodes)
    return report, reading.facts(corrupt)
