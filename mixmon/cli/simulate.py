"""mixmon simulate: an engine with known faults, as a log and with its truth."""

from __future__ import annotations

import argparse
import gzip
import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from mixmon.cli import options
from mixmon.cli.console import conclude, result, result_bytes, talk, unwritable
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.output import check_places, new_file
from mixmon.cli.paths import is_there
from mixmon.errors import ScenarioError, UsageError
from mixmon.frames.candump_write import write_candump
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.binding import Binding
from mixmon.report.text import Column, table, to_json
from mixmon.session.load import load_session
from mixmon.simulate.load import load_scenario, scenario_names
from mixmon.simulate.scenario import Scenario
from mixmon.simulate.simulation import Simulation, session_toml, simulate
from mixmon.simulate.truth import truth_json

_FEWEST, _MOST = 4, 16
"""Cylinders: four, the fewest that the scenarios have firing orders for, to the sixteen nodes of a chain."""

_LEAST_TRIM, _GREATEST_TRIM = -90.0, 100.0
"""Percent of fuel; our choice: beyond them a cylinder does not burn, so the log would say nothing."""


def configure(parser: argparse.ArgumentParser) -> None:
    """The scenario, its seed, and where everything goes."""
    parser.add_argument(
        "--scenario",
        metavar="NAME|FILE",
        default="alder8",
        help="scenario to play: a name listed by --list, or a TOML file (default: alder8)",
    )
    parser.add_argument("--list", action="store_true", help="list the scenarios that come with mixmon")
    parser.add_argument(
        "--seed", metavar="N", type=_seed_number, default=1, help="seed of the random numbers (default: 1)"
    )
    parser.add_argument("--out", metavar="LOG", help="candump text; .gz packs it; - is standard output")
    parser.add_argument("--truth", metavar="FILE", type=Path, help="write the truth behind the log, as JSON")
    parser.add_argument(
        "--write-session", metavar="FILE", type=Path, help="write the session file that fits the log"
    )
    parser.add_argument(
        "-s",
        "--session",
        "--through",
        metavar="FILE",
        type=Path,
        help="session file to be read, whose message definitions the log uses instead of mixmon's own",
    )
    parser.add_argument(
        "--trims", metavar="PCT,...", help="trims in the engine control, one for each cylinder, percent"
    )
    parser.add_argument(
        "--cylinders",
        metavar="N",
        type=_cylinder_count,
        help=f"number of cylinders, {_FEWEST} to {_MOST}, for scenarios that name no single cylinder",
    )
    parser.add_argument(
        "--duration",
        metavar="S",
        type=options.seconds,
        help="length of the log, seconds (default: the scenario's)",
    )
    parser.add_argument(
        "--grade",
        action="store_true",
        help="run the analysis on the log and compare it with the truth; exit status 1 if an item is wrong",
    )
    parser.add_argument(
        "--naive",
        action="store_true",
        help="with --grade: also trim by labels that are not proved, and grade the effect in three more runs",
    )
    options.add_force(parser)
    options.add_json(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Plays the scenario, and writes each file that an option names; with --grade, prints the grading."""
    if arguments.list:
        names = scenario_names()
        columns = [Column("scenario", left=True), Column("what it has", left=True, wraps=True)]
        result(table(columns, [(name, load_scenario(name).about) for name in names]))
        return DONE
    try:
        simulation = _make_simulation(arguments)
    except ScenarioError as error:
        for mistake in error.mistakes:
            talk(f"{error.source}: {mistake}")
        return BAD_INPUT
    _write_files(simulation, arguments)
    return _grade_analysis(simulation, arguments) if arguments.grade else DONE


def _grade_analysis(simulation: Simulation, arguments: argparse.Namespace) -> int:
    """Grades the analysis; LIMIT_NOT_MET if an item is wrong."""
    # Grading needs every finding; a log without --grade is written without waiting for them.
    from mixmon.grade.grader import all_right, grade
    from mixmon.report.grade import grade_json, grade_text

    items = grade(simulation, naive=arguments.naive)
    name, seed = simulation.session.name, arguments.seed
    text = to_json(grade_json(items, name, seed)) if arguments.json else grade_text(items, name, seed)
    return conclude(text, DONE if all_right(items) else LIMIT_NOT_MET)


def _cylinder_count(text: str) -> int:
    """A number of cylinders that can be played, for argparse."""
    count = int(text) if text.isascii() and text.isdigit() else 0
    if not _FEWEST <= count <= _MOST:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a whole number from {_FEWEST} to {_MOST}")
    return count


def _seed_number(text: str) -> int:
    """A seed, for argparse."""
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a whole number from 0 on")
    return int(text)


def _make_simulation(arguments: argparse.Namespace) -> Simulation:

    _check_options(arguments)
    return simulate(
        _load_scenario(arguments.scenario, arguments.cylinders),
        seed=arguments.seed,
        duration=arguments.duration,
        trims=_parse_trims(arguments.trims),
        binding=_load_binding(arguments.session),
    )


def _load_scenario(name: str, cylinders: int | None) -> Scenario:
    """The scenario.

    Raises:
        ScenarioError: it has mistakes.
        UsageError: it is right, but not for so many cylinders.
    """
    try:
        return load_scenario(name, cylinders)
    except ScenarioError:
        if cylinders is None:
            raise
    own = load_scenario(name).engine.cylinders
    raise UsageError(
        f"--cylinders {cylinders}: scenario {name} names single ones of its {own} cylinders; expected one "
        "that names none, such as plain; choose another, or omit --cylinders"
    )


def _check_options(arguments: argparse.Namespace) -> None:
    """Refuses options that exclude each other.

    Raises:
        UsageError: two of them do, or nothing is asked for.
    """
    if arguments.grade and (arguments.session or arguments.out == "-"):
        raise UsageError(
            "--grade: it judges mixmon's own messages and prints to standard output; found --session or "
            "--out - beside it; expected neither; omit it"
        )
    if (arguments.naive or arguments.json) and not arguments.grade:
        raise UsageError(
            "--naive and --json: they are options of --grade; found no --grade; add it, or omit them"
        )
    if not (arguments.out or arguments.truth or arguments.write_session or arguments.grade):
        raise UsageError(
            "mixmon simulate: nothing to do; expected --out, --truth, --write-session or --grade; give one"
        )
    if arguments.session is not None and not is_there(arguments.session):
        raise UsageError(
            f"--session {arguments.session}: no such file; expected a session file to be read; "
            "--write-session writes one"
        )
    log = None if arguments.out in {None, "-"} else Path(arguments.out)
    places = {"--out": log, "--truth": arguments.truth, "--write-session": arguments.write_session}
    inputs = [arguments.scenario]
    check_places(places, inputs, session=arguments.session, force=arguments.force)


def _parse_trims(text: str | None) -> tuple[float, ...] | None:
    """The percentages of a list such as 0,-1.5,6.

    Raises:
        UsageError: one of them is no number, or no trim.
    """
    if text is None:
        return None
    try:
        trims = tuple(float(part) for part in text.split(","))
    except ValueError:
        trims = (math.nan,)
    if not all(math.isfinite(trim) for trim in trims):
        raise UsageError(f"--trims {text}: not percentages; expected a list such as 0,-1.5,6; correct it")
    beyond = [trim for trim in trims if not _LEAST_TRIM <= trim <= _GREATEST_TRIM]
    if beyond:
        raise UsageError(
            f"--trims {text}: {beyond[0]:g} %; expected trims from {_LEAST_TRIM:g} to {_GREATEST_TRIM:g} %; "
            "correct it"
        )
    return trims


def _load_binding(path: Path | None) -> Binding | None:

    if path is None:
        return None
    session = load_session(path)
    return bind(session, load_databases(session))


def _write_files(simulation: Simulation, arguments: argparse.Namespace) -> None:

    if arguments.truth:
        _write_text(arguments.truth, truth_json(simulation), force=arguments.force)
    if arguments.write_session:
        _write_text(arguments.write_session, session_toml(simulation.session), force=arguments.force)
    if arguments.out:
        frames = _write_log(simulation, arguments.out, force=arguments.force)
        talk(f"{frames} frames, {simulation.duration_s:g} s", quiet=arguments.quiet)


def _write_log(simulation: Simulation, out: str, *, force: bool) -> int:
    """Writes the log block by block; the number of frames."""
    frames = 0
    with _open_log(out, force=force) as write:
        for block in simulation:
            write(write_candump(block))
            frames += len(block)
    return frames


@contextmanager
def _open_log(out: str, *, force: bool) -> Iterator[Callable[[bytes], object]]:
    """A function that writes the log's bytes; a packed log holds no name and no time.

    Raises:
        OutputError: the file cannot be written.
    """
    if out == "-":
        yield result_bytes
        return
    try:
        with new_file(Path(out), force=force) as stream:
            if out.endswith(".gz"):
                with gzip.GzipFile("", "wb", fileobj=stream, mtime=0) as packed:
                    yield packed.write
            else:
                yield stream.write
    except OSError as error:
        raise unwritable(out, error) from error


def _write_text(path: Path, text: str, *, force: bool) -> None:
    try:
        with new_file(path, force=force) as file:
            file.write(text.encode())
    except OSError as error:
        raise unwritable(str(path), error) from error
