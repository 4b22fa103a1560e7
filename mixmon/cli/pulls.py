"""mixmon pulls: sweeps at full load by bands of speed, and tip-ins."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import mixmon
from mixmon.beside.beside import tables_beside
from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.runs import add_against, add_lag, add_run, lags_of, log_status, opened_run
from mixmon.errors import UsageError
from mixmon.findings.lags import NodeLag
from mixmon.report.balance import log_troubles
from mixmon.report.pulls import pulls_json, pulls_text
from mixmon.report.text import to_json
from mixmon.report.tips import tips_json, tips_text
from mixmon.run import Run


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, which pull, the reference, and what is known of the sensors' lags."""
    add_run(parser)
    add_against(parser)
    parser.add_argument("--pull", metavar="N", type=options.whole, help="show the table of pull N only")
    parser.add_argument(
        "--transients", action="store_true", help="list tip-ins and tip-outs instead of the pulls"
    )
    add_lag(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the log and prints what was found in it."""
    with opened_run(arguments) as opened:
        known = mixmon.lags(opened, lags_of(arguments.lag, opened.session.engine.cylinders))
        show = _tips_report if arguments.transients else _pulls_report
        text = show(opened, known, arguments)
    return conclude(text, log_status(arguments, log_troubles(opened.log)))


def _pulls_report(run_: Run, known: Sequence[NodeLag], arguments: argparse.Namespace) -> str:

    reviewed = mixmon.pulls(run_, known)
    chosen = _chosen_pulls(arguments.pull, len(reviewed.pulls))
    beside = tables_beside(arguments.log)
    if arguments.json:
        return to_json(pulls_json(reviewed, known, run_, chosen, beside))
    return pulls_text(reviewed, known, run_, chosen, arguments.against, beside=beside)


def _tips_report(run_: Run, known: Sequence[NodeLag], arguments: argparse.Namespace) -> str:

    found = mixmon.tips(run_, known)
    if arguments.json:
        return to_json(tips_json(found, known, run_))
    return tips_text(found, known, run_)


def _chosen_pulls(pull: int | None, count: int) -> Sequence[int]:
    """Indices of the pulls to show.

    Raises:
        UsageError: there is no such pull.
    """
    if pull is None:
        return range(count)
    if pull > count:
        expected = f"1 to {count}" if count else "none: the log holds no pull"
        raise UsageError(f"--pull {pull}: no such pull; expected {expected}; omit it to list all pulls")
    return (pull - 1,)
