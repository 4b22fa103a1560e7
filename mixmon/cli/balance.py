"""mixmon balance: what every cylinder needs, and the trims."""

from __future__ import annotations

import argparse
import math

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import DONE, LIMIT_NOT_MET
from mixmon.cli.runs import add_against, add_run, log_status, opened_run, unit_of_run
from mixmon.findings.balance.balance import Spread
from mixmon.report.balance import balance_text, log_troubles
from mixmon.report.text import to_json


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG..., the reference, and limits to be checked."""
    add_run(parser, many=True)
    add_against(parser)
    parser.add_argument(
        "--max-spread",
        metavar="PCT",
        type=options.percent,
        help="exit status 1 if the spread is larger than this, or not known",
    )
    parser.add_argument("--cells", action="store_true", help="list every cylinder in every cell")
    options.add_units(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the logs and prints the balance; with --max-spread, also checks the spread."""
    with opened_run(arguments) as opened:
        unit = unit_of_run(opened, arguments.units)
        found = mixmon.balance(opened, arguments.against)
    if arguments.json:
        text = to_json(found.to_dict())
    else:
        text = balance_text(found, opened, unit, every_cell=arguments.cells)
    in_order = log_status(arguments, log_troubles(opened.log))
    return conclude(text, max(in_order, _check_spread(found.spread, arguments.max_spread)))


def _check_spread(spread: Spread, limit: float | None) -> int:
    """The exit status: 1 if the spread is over the limit or not known.

    The spread itself decides, as shown; that the sensors' own errors alone could make it, is said.
    """
    if limit is None or spread.value <= limit:
        return DONE
    known = "the spread is not known" if math.isnan(spread.value) else f"spread {spread.value:.1f} %"
    low, high = spread.total_interval95
    own = f"; with the sensors' own errors {low:.1f} to {high:.1f} %" if low <= limit else ""
    talk(f"{known}; asked for at most {limit:g} %{own}")
    return LIMIT_NOT_MET
