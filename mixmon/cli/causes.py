"""mixmon causes: what else than fuel may explain the needs, and the next best test."""

from __future__ import annotations

import argparse

import mixmon
from mixmon.cli.console import conclude
from mixmon.cli.runs import add_run, log_status, opened_run
from mixmon.report.balance import log_troubles
from mixmon.report.causes import causes_text
from mixmon.report.text import to_json
from mixmon.session.split_pulses import load_split_pulses


def configure(parser: argparse.ArgumentParser) -> None:
    """LOGs with their session, and the times of half pulses."""
    add_run(parser, many=True)
    parser.add_argument(
        "--split-pulse",
        metavar="FILE",
        help="times in which the engine control gave two half pulses a cycle: TOML tables [[split_pulse]] "
        "with from_s, to_s and, where the log has none, pulse_ms",
    )


def run(arguments: argparse.Namespace) -> int:
    """Prints the causes of every cylinder, patterns, and the tests."""
    splits = load_split_pulses(arguments.split_pulse) if arguments.split_pulse else ()
    with opened_run(arguments) as opened:
        found = mixmon.causes(opened, splits)
    text = to_json(found.to_dict()) if arguments.json else causes_text(found, opened)
    return conclude(text, log_status(arguments, log_troubles(opened.log)))
