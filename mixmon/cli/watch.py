"""mixmon watch: the dashboard on live buses, recording."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import flush_results, result, talk
from mixmon.cli.live import (
    Acceptance,
    Follower,
    acceptance_of,
    add_live,
    live_worker,
    require_acceptance,
    run_lines,
    why_unrecorded,
)
from mixmon.cli.main import DONE
from mixmon.cli.screen import add_screen, show, units_of
from mixmon.cli.stopping import Stopping, why_no_screen
from mixmon.errors import OutputError, UsageError
from mixmon.live.worker import Worker
from mixmon.report.alarms import alarm_line, moment_line
from mixmon.watch.commands import NoteText


def configure(parser: argparse.ArgumentParser) -> None:
    """The session, its buses, the record, and the screen."""
    add_live(parser)
    parser.add_argument("--no-record", action="store_true", help="record only when asked to, by the key r")
    parser.add_argument("--text", action="store_true", help="a line a second instead of the dashboard")
    add_screen(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Shows the dashboard, or prints lines.

    Raises:
        UsageError: there is no terminal.
        OutputError: the recording stopped before the end.
    """
    if not arguments.text and (why := why_no_screen()):
        raise UsageError(
            f"mixmon watch: {why}; expected a terminal to draw on, or --text for a line a second, "
            "or mixmon record"
        )
    worker, acceptance = live_worker(arguments, record=not arguments.no_record), acceptance_of(arguments)
    if arguments.text:
        status = _show_lines(worker, acceptance, arguments)
    else:
        if arguments.accept_caution and acceptance.at is None and (not_stored := acceptance.accept()):
            talk(not_stored)
        status = show(worker, arguments, acceptance)
    if failed := why_unrecorded(worker):
        raise OutputError(failed)
    return status


def _show_lines(worker: Worker, acceptance: Acceptance, arguments: argparse.Namespace) -> int:
    """Prints a line a second, and one for every alarm record.

    Raises:
        KeyboardInterrupt: it was interrupted.
    """
    require_acceptance(acceptance, accepted=arguments.accept_caution)
    unit = units_of(worker.binding, arguments.units)[0]

    def print_line(line: str) -> None:
        result(f"{line}\n")
        flush_results()

    follower = Follower(
        worker,
        quiet=arguments.quiet,
        on_alarm=lambda event: print_line(alarm_line(event, worker.first_ns or 0)),
        on_second=lambda: print_line(moment_line(worker.snapshot, worker.session, unit)),
    )
    with Stopping(worker.close) as stopping:
        worker.start()
        try:
            worker.send(NoteText(acceptance.words, standing=True))
            follower.follow(stopping, arguments.duration)
        finally:
            worker.close()
        follower.show_news(last=True)
        for line in run_lines(worker):
            talk(line, quiet=arguments.quiet)
    if stopping.asked:
        raise KeyboardInterrupt
    return DONE
