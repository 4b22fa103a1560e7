"""mixmon events: misfires, lean and rich excursions, cuts, tips, and what the nodes did."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import result
from mixmon.cli.pulls import lags_of
from mixmon.cli.runs import add_run, opened_run

NAME = "events"
HELP = "misfires, lean excursions, cuts, drop-outs, with what speaks for each"


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, the session, and what is known of the sensors' lags."""
    add_run(parser)
    parser.add_argument(
        "--lag",
        metavar="S|CYL=S",
        nargs="+",
        action="extend",
        default=[],
        help="sensor lag in seconds, for all or of one cylinder (5=0.28), or lean-going and rich-going "
        "(5=0.32/0.24); default 0.105",
    )
    options.add_units(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the log and prints what happened in it."""
    import mixmon
    from mixmon.report.events import events_json, events_text
    from mixmon.report.json_out import to_json
    from mixmon.report.units import unit_named

    with opened_run(arguments) as opened:
        unit = unit_named(arguments.units, opened.binding.fuel, opened.binding.stoich_afr)
        found = mixmon.events(opened, lags_of(arguments.lag, opened.session.engine.cylinders))
    if arguments.json:
        result(to_json(events_json(found, opened)))
    else:
        result(events_text(found, opened, unit))
    return 0
