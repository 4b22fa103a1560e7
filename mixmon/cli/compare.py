"""mixmon compare: two runs of one engine, before and after, and whether the trims took."""

from __future__ import annotations

import argparse
from pathlib import Path

from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.runs import log_status, opened_run, trims_of, unit_of_run
from mixmon.errors import UsageError
from mixmon.findings.proof.compare import USUAL_MARGIN_PERCENT, BeforeAfter
from mixmon.report.balance import log_troubles
from mixmon.report.comparison import comparison_text
from mixmon.report.text import to_json
from mixmon.report.units import Unit
from mixmon.run import LogFacts, compare_sides, side_of_run


def configure(parser: argparse.ArgumentParser) -> None:
    """BEFORE, AFTER, their sessions, the margin, and what was entered."""
    parser.add_argument("before", metavar="BEFORE", help="log or run of the engine as it was")
    parser.add_argument("after", metavar="AFTER", help="log or run of it after the change")
    options.add_session(parser)
    for when in ("before", "after"):
        parser.add_argument(
            f"--session-{when}",
            metavar="FILE",
            type=Path,
            help=f"session file of {when.upper()} alone; a run has its own",
        )
    options.add_margin(parser, USUAL_MARGIN_PERCENT)
    options.add_entered(
        parser,
        "trims that the engine control held in AFTER, such as 4=5.5; default: [trims] now_percent of "
        "its session, or what mixmon trims --entered has kept. Cylinders that are not named kept theirs",
    )
    options.add_leave_out(parser)
    options.add_window(parser)
    options.add_units(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compares the runs."""
    arguments.log = [arguments.before, arguments.after]
    found, logs, unit = _read_both(arguments)
    text = to_json(found.to_dict()) if arguments.json else comparison_text(found, logs, unit)
    return conclude(text, log_status(arguments, [trouble for log in logs for trouble in log_troubles(log)]))


def _read_both(arguments: argparse.Namespace) -> tuple[BeforeAfter, list[LogFacts], Unit]:
    """The comparison, what became of both logs, and the unit of lambda."""
    if arguments.before == arguments.after:
        raise UsageError(
            f"{arguments.before}: named twice; expected two runs; a run is always like itself: name another"
        )
    entered = trims_of(arguments.entered)
    sides, runs = [], []
    for when in ("before", "after"):
        session = getattr(arguments, f"session_{when}") or arguments.session
        one = argparse.Namespace(**{**vars(arguments), "log": [getattr(arguments, when)], "session": session})
        with opened_run(one) as opened:
            unit = unit_of_run(opened, arguments.units)
            sides.append(side_of_run(opened))
        runs.append(opened)
    found = compare_sides((runs[0], runs[1]), (sides[0], sides[1]), arguments.margin, entered)
    return found, [one.log for one in runs], unit
