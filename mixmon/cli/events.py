"""mixmon events: misfires, lean and rich excursions, cuts, tips, and what the nodes did."""

from __future__ import annotations

import argparse

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.runs import add_lag, add_run, lags_of, log_status, opened_run, unit_of_run
from mixmon.report.balance import log_troubles
from mixmon.report.events import events_text
from mixmon.report.text import to_json


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, the session, and what is known of the sensors' lags."""
    add_run(parser)
    add_lag(parser)
    options.add_units(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the log and prints what happened in it."""
    with opened_run(arguments) as opened:
        unit = unit_of_run(opened, arguments.units)
        known = mixmon.lags(opened, lags_of(arguments.lag, opened.session.engine.cylinders))
        found = mixmon.events(opened, known)
    text = to_json(found.to_dict()) if arguments.json else events_text(found, known, opened, unit)
    return conclude(text, log_status(arguments, log_troubles(opened.log)))
