"""mixmon pulls: sweeps at full load by bands of speed, and tip-ins."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from mixmon.cli import options
from mixmon.cli.console import result
from mixmon.cli.runs import add_against, add_run, opened_run
from mixmon.errors import UsageError

if TYPE_CHECKING:
    from mixmon.findings.assumed_lag import Lag
    from mixmon.run import Run

NAME = "pulls"
HELP = "sweeps at full load, by bands of speed; --transients for tip-ins"


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, which pull, the reference, and what is known of the sensors' lags."""
    add_run(parser)
    add_against(parser)
    parser.add_argument("--pull", metavar="N", type=options.whole, help="show the table of pull N only")
    parser.add_argument(
        "--transients", action="store_true", help="tip-ins and tip-outs in place of the pulls"
    )
    parser.add_argument(
        "--lag",
        metavar="S|CYL=S",
        nargs="+",
        action="extend",
        default=[],
        help="sensor lag in seconds, for all or of one cylinder (5=0.28), or lean-going and rich-going "
        "(5=0.32/0.24); default 0.105",
    )


def run(arguments: argparse.Namespace) -> int:
    """Reads the log and prints what was found in it."""
    with opened_run(arguments) as opened:
        lags = lags_of(arguments.lag, opened.session.engine.cylinders)
        show = _transients if arguments.transients else _pulls
        text = show(opened, lags, arguments)
    result(text)
    return 0


def _pulls(run_: Run, lags: Mapping[int, Lag], arguments: argparse.Namespace) -> str:
    from mixmon.findings.pull_review import review
    from mixmon.findings.pulls import find_pulls
    from mixmon.report.json_out import to_json
    from mixmon.report.pulls import pulls_json, pulls_text

    reviewed = review(run_.session, find_pulls(run_.session, run_, lags))
    chosen = _chosen(arguments.pull, len(reviewed.pulls))
    if arguments.json:
        return to_json(pulls_json(reviewed, run_, chosen))
    return pulls_text(reviewed, run_, chosen, arguments.against)


def _transients(run_: Run, lags: Mapping[int, Lag], arguments: argparse.Namespace) -> str:
    from mixmon.findings.transients import find_transients
    from mixmon.report.json_out import to_json
    from mixmon.report.transients import transients_json, transients_text

    found = find_transients(run_.session, run_.binding.fuel, run_, lags)
    if arguments.json:
        return to_json(transients_json(found, run_))
    return transients_text(found, run_)


def _chosen(pull: int | None, count: int) -> Sequence[int]:
    """Indices of the pulls to show.

    Raises:
        UsageError: there is no such pull.
    """
    if pull is None:
        return range(count)
    if pull > count:
        expected = f"1 to {count}" if count else "none: the log holds no pull"
        raise UsageError(f"--pull {pull}: no such pull; expected {expected}; leave it away to list them")
    return (pull - 1,)


def lags_of(words: Iterable[str], cylinders: int) -> dict[int, Lag]:
    """The lag of every cylinder for which one is given, the last word winning.

    Raises:
        UsageError: a word that is no lag, or a cylinder that the engine does not have.
    """
    lags: dict[int, Lag] = {}
    for word in words:
        named, equals, given = word.rpartition("=")
        try:
            parts = tuple(float(part) for part in given.split("/"))
            numbers = [int(named)] if equals else list(range(1, cylinders + 1))
        except ValueError:
            parts, numbers = (), []
        if len(parts) not in {1, 2} or not numbers:
            raise UsageError(
                f"--lag {word}: no lag; expected seconds, such as 0.105 or 5=0.28 or 5=0.32/0.24; correct it"
            )
        if not 1 <= numbers[0] <= cylinders:
            raise UsageError(f"--lag {word}: no such cylinder; expected 1 to {cylinders}; correct it")
        lags |= dict.fromkeys(numbers, parts[0] if len(parts) == 1 else (parts[0], parts[1]))
    return lags
