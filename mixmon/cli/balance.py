"""mixmon balance: what every cylinder needs, and the trims."""

from __future__ import annotations

import argparse
import math

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import DONE, LIMIT_NOT_MET
from mixmon.cli.runs import add_against, add_run, log_status, opened_run
from mixmon.report.balance import balance_json, balance_text, log_troubles
from mixmon.report.text import to_json
from mixmon.report.units import unit_named


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
        unit = unit_named(arguments.units, opened.binding.fuel, opened.binding.stoich_afr)
        found = mixmon.balance(opened, arguments.against)
    if arguments.json:
        text = to_json(balance_json(found, opened))
    else:
        text = balance_text(found, opened, unit, every_cell=arguments.cells)
    in_order = log_status(arguments, log_troubles(opened.log))
    return conclude(text, max(in_order, _check_spread(found.spread.value, arguments.max_spread)))


def _check_spread(spread: float, limit: float | None) -> int:
    """The exit status: 1 if the spread is over the limit or not known."""
    if limit is None or spread <= limit:
        return DONE
    known = "the spread is not known" if math.isnan(spread) else f"spread {spread:.1f} %"
    talk(f"{known}; asked for at most {limit:g} %")
    return LIMIT_NOT_MET
