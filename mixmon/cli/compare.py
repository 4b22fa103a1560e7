"""mixmon compare: two runs of one engine, before and after, and whether the trims took."""

from __future__ import annotations

import argparse
from pathlib import Path

from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.runs import log_status, opened_run
from mixmon.errors import UsageError
from mixmon.findings.proof.compare import (
    LARGEST_TRIM_PERCENT,
    USUAL_MARGIN_PERCENT,
    BeforeAfter,
    compare_runs,
)
from mixmon.report.balance import log_troubles
from mixmon.report.comparison import comparison_json, comparison_text
from mixmon.report.text import to_json
from mixmon.run import LogFacts, side_of_run


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
    parser.add_argument(
        "--margin",
        metavar="PCT",
        type=options.percent,
        default=USUAL_MARGIN_PERCENT,
        help="change of a need, percent of fuel, that counts as none (default: %(default)s)",
    )
    parser.add_argument(
        "--entered",
        metavar="CYL=PCT",
        nargs="+",
        action="extend",
        default=[],
        help="trims that the engine control held in AFTER, such as 4=5.5; default: [trims] now_percent of "
        "its session. Cylinders that are not named kept theirs",
    )
    options.add_leave_out(parser)
    options.add_window(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compares the runs."""
    arguments.log = [arguments.before, arguments.after]
    found, logs = _read_both(arguments)
    text = to_json(comparison_json(found, logs)) if arguments.json else comparison_text(found, logs)
    return conclude(text, log_status(arguments, [trouble for log in logs for trouble in log_troubles(log)]))


def _read_both(arguments: argparse.Namespace) -> tuple[BeforeAfter, list[LogFacts]]:
    """The comparison, and what became of both logs."""
    if arguments.before == arguments.after:
        raise UsageError(
            f"{arguments.before}: named twice; expected two runs; a run is always like itself: name another"
        )
    entered = trims_of(arguments.entered)
    sides, logs = [], []
    for when in ("before", "after"):
        session = getattr(arguments, f"session_{when}") or arguments.session
        one = argparse.Namespace(**{**vars(arguments), "log": [getattr(arguments, when)], "session": session})
        with opened_run(one) as opened:
            sides.append(side_of_run(opened))
            logs.append(opened.log)
    return compare_runs(sides[0], sides[1], arguments.margin, entered), logs


def trims_of(words: list[str]) -> dict[int, float] | None:
    """Trims by cylinder; None where none is given.

    Raises:
        UsageError: a word that is no trim, or a second one for a cylinder.
    """
    trims: dict[int, float] = {}
    for word in words:
        cylinder, equals, given = word.partition("=")
        try:
            number, trim = int(cylinder), float(given)
            fine = bool(equals) and abs(trim) <= LARGEST_TRIM_PERCENT
        except ValueError:
            fine = False
        if not fine:
            raise UsageError(
                f"--entered {word}: no trim; expected a cylinder and percent, such as 4=5.5; correct it"
            )
        if number in trims:
            raise UsageError(
                f"--entered {word}: cylinder {number} was given {trims[number]:g} % before it; expected one "
                "trim for a cylinder; correct it"
            )
        trims[number] = trim
    return trims or None
