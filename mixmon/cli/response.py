"""mixmon response: how quickly every sensor follows, and the delay from fuel to reading."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import conclude
from mixmon.cli.runs import add_run, log_status, opened_run
from mixmon.errors import UsageError
from mixmon.findings.response.cuts import SensorTrace, TraceStage
from mixmon.findings.response.sensors import PairComparison, compare
from mixmon.findings.stage import feed_on_the_way, sum_up
from mixmon.frames.clock import clock_text
from mixmon.report.balance import log_text, log_troubles
from mixmon.report.response import pairs_text, response_json, response_text
from mixmon.report.text import title, to_json
from mixmon.run import Run, response_stage
from mixmon.session.model import Node

_MOST_NAMES = 4  # our choice: sensors named in an error message


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, what is known of controllers and air, and two sensors to compare."""
    add_run(parser)
    parser.add_argument(
        "--filter",
        metavar="S",
        type=options.seconds,
        help="filter of the controllers, seconds (default: estimated)",
    )
    parser.add_argument(
        "--air",
        metavar="C/RH[/KPA]",
        help="ambient air: degrees Celsius, relative humidity in percent, pressure in kPa (default 101.325), "
        "such as 25/60; sensors are then judged by the oxygen that it holds",
    )
    parser.add_argument(
        "--compare",
        metavar=("A", "B"),
        nargs=2,
        help="compare two sensors on every fuel cut: cylinder numbers or serials",
    )
    parser.add_argument(
        "--at",
        metavar="MM:SS",
        type=options.moment,
        help="with --compare: on the change at this moment instead, MM:SS or seconds from the first frame",
    )


def run(arguments: argparse.Namespace) -> int:
    """Reads the log and prints what was found in it."""
    _check_options(arguments)
    air = None if arguments.air is None else options.air_oxygen(arguments.air)
    with opened_run(arguments) as run_:
        nodes = run_.session.chain.nodes
        chosen = (
            None if arguments.compare is None else tuple(_node_named(w, nodes) for w in arguments.compare)
        )
        if chosen is not None and chosen[0] == chosen[1]:
            raise UsageError(
                f"--compare {' '.join(arguments.compare)}: one sensor twice; expected two; name another"
            )
        moment = None if arguments.at is None else TraceStage(arguments.at - arguments.begin)
        stage = response_stage(run_, arguments.filter, air, traces=chosen is not None)
        review = sum_up(stage, run_ if moment is None else feed_on_the_way(run_, moment))
    traces = (
        [t for cut in review.cuts for t in (cut.way_in, cut.way_out)] if moment is None else [moment.result()]
    )
    pairs = [] if chosen is None else _compare_traces(traces, *chosen)
    if arguments.json:
        text = to_json(response_json(review, pairs, run_))
    elif chosen is None:
        text = response_text(review, run_)
    else:
        text = _pairs_report(run_, pairs_text(pairs, run_))
    return conclude(text, log_status(arguments, log_troubles(run_.log)))


def _check_options(arguments: argparse.Namespace) -> None:
    """Refuses options that exclude each other, and impossible values.

    Raises:
        UsageError: with what is wrong.
    """
    if arguments.at is not None and arguments.compare is None:
        raise UsageError("--at: nothing to compare; expected --compare A B beside it; add it")
    if arguments.at is not None and arguments.at < arguments.begin:
        raise UsageError(
            f"--at {clock_text(arguments.at)}: before --from {clock_text(arguments.begin)}; "
            "expected a later moment"
        )


def _node_named(word: str, nodes: tuple[Node, ...]) -> int:
    """Index of the node that a cylinder number or a serial names.

    Raises:
        UsageError: it names none.
    """
    for j, node in enumerate(nodes):
        if word == node.sensor or word in map(str, node.cylinders):
            return j
    known = ", ".join(f"{'+'.join(map(str, n.cylinders))} ({n.sensor})" for n in nodes[:_MOST_NAMES])
    raise UsageError(
        f"--compare {word}: no such sensor; expected a cylinder or serial: {known} ...; correct it"
    )


def _compare_traces(traces: list[SensorTrace | None], a: int, b: int) -> list[PairComparison]:

    pairs = [compare(trace, a, b) for trace in traces if trace is not None]
    return [pair for pair in pairs if pair is not None]


def _pairs_report(run_: Run, text: str) -> str:

    return f"{title('RESPONSE OF TWO SENSORS', run_.session.name)}{log_text(run_.log)}\n{text}"
