"""mixmon balance: what every cylinder needs, and the trims."""

from __future__ import annotations

import argparse
import math
import sys

from mixmon.cli import options
from mixmon.cli.console import result, talk

NAME = "balance"
HELP = "what every cylinder needs, spread, cells and new trims"


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG..., the reference, and limits to be checked."""
    options.add_log(parser, many=True)
    options.add_session(parser, required=True)
    parser.add_argument(
        "--against",
        choices=("peers", "target"),
        default="peers",
        help="reference of the needs shown: the mean of the cylinders (the default), or the target",
    )
    parser.add_argument(
        "--leave-out",
        metavar="N",
        type=int,
        nargs="+",
        action="extend",
        default=[],
        help="cylinders that shall not be counted, nor be part of the reference",
    )
    parser.add_argument(
        "--max-spread",
        metavar="PCT",
        type=options.percent,
        help="exit status 1 if the spread is larger than this, or not known",
    )
    parser.add_argument("--cells", action="store_true", help="list every cylinder in every cell")
    options.add_units(parser)
    options.add_window(parser)
    options.add_json(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the logs, prints the balance, and checks the spread if asked to."""
    import mixmon
    from mixmon.report.balance import balance_json, balance_text
    from mixmon.report.json_out import to_json
    from mixmon.report.progress import Progress
    from mixmon.report.units import unit_named

    window = options.window(arguments)
    session = mixmon.load_session(arguments.session)
    run_ = mixmon.read_run(
        session,
        *arguments.log,
        begin_s=window.begin / 1e9,
        end_s=None if window.end is None else window.end / 1e9,
        leave_out=arguments.leave_out,
    )
    unit = unit_named(arguments.units, run_.binding.fuel, run_.binding.stoich_afr)
    with Progress(sys.stderr, run_.total, quiet=arguments.quiet) as progress:
        run_.watcher = progress.advance
        found = mixmon.balance(run_, arguments.against)
    if arguments.json:
        result(to_json(balance_json(found, run_)))
    else:
        result(balance_text(found, run_, unit, every_cell=arguments.cells))
    return _check(found.spread.value, arguments.max_spread)


def _check(spread: float, limit: float | None) -> int:
    """1 if the spread is not known to be within the limit."""
    if limit is None or spread <= limit:
        return 0
    known = "the spread is not known" if math.isnan(spread) else f"spread {spread:.1f} %"
    talk(f"{known}; asked for at most {limit:g} %")
    return 1
