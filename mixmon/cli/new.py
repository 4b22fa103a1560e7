"""mixmon new: a commented session file, from answers or from a log and its message definitions."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk, unwritable
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.output import check_places, open_new
from mixmon.cli.paths import is_file, is_folder, is_there
from mixmon.errors import MixmonError, UsageError
from mixmon.findings.plausible.notes import Level
from mixmon.gas.fuel import fuel_named
from mixmon.log import FrameLog
from mixmon.messages.chain import shipped_database
from mixmon.messages.database import Database, load_database
from mixmon.report.sessions.check import count_mistakes
from mixmon.report.sessions.new_session import (
    NewSession,
    ToldEngine,
    new_session,
    new_session_json,
    new_session_text,
)
from mixmon.session.keys import MOST_CYLINDERS
from mixmon.setup.propose import Proposal, propose

_NEW_FILE = Path("session.toml")

_USUAL_CYLINDERS = 4
"""In an answer that is left empty, where no log tells more: our choice."""


def configure(parser: argparse.ArgumentParser) -> None:
    """FILE, the log and its definitions, and every answer as an option."""
    parser.add_argument(
        "file",
        metavar="FILE",
        nargs="?",
        type=Path,
        default=_NEW_FILE,
        help=f"the session file to be made (default: {_NEW_FILE}); never written over",
    )
    parser.add_argument(
        "--from",
        dest="log",
        metavar="LOG",
        help="find nodes and signals in this log, by --database and by mixmon's own message layer",
    )
    parser.add_argument(
        "-d",
        "--database",
        metavar="DBC",
        nargs="+",
        action="extend",
        type=Path,
        default=[],
        help="message definitions of what is in the log",
    )
    for question in _QUESTIONS:
        parser.add_argument(
            question.option,
            metavar=question.metavar,
            dest=question.key,
            help=f"{question.asks}; {question.explains}",
        )
    parser.add_argument("--name", metavar="TEXT", help="name of the session")
    parser.add_argument(
        "--bitrate", metavar="BPS", type=options.bit_rate, help="bits a second of the buses; no log tells it"
    )
    parser.add_argument(
        "--yes", action="store_true", help="ask nothing: what is not given by options is left to be filled in"
    )
    options.add_json(parser)
    options.add_quiet(parser)


@dataclass(frozen=True, slots=True)
class _Question:
    """One answer of a person, asked on a terminal or given as an option.

    key       the field of `ToldEngine`
    asks      what is asked
    explains  what it is for
    read      the value of an answer
    """

    key: str
    metavar: str
    asks: str
    explains: str
    read: Callable[[str], Any]

    @property
    def option(self) -> str:
        """The option that answers it."""
        return "--" + self.key.removesuffix("_l").replace("_", "-")


def _read_cylinders(text: str) -> int:
    count = int(text) if text.isascii() and text.isdigit() else 0
    if not 1 <= count <= MOST_CYLINDERS:
        raise UsageError(f"{text}: expected a number of cylinders, 1 to {MOST_CYLINDERS}; correct it")
    return count


def _read_order(text: str) -> tuple[int, ...]:
    words = text.replace(",", " ").replace("-", " ").split()
    order = tuple(int(word) for word in words if word.isascii() and word.isdigit())
    if not order or sorted(order) != list(range(1, len(words) + 1)):
        raise UsageError(f"{text}: expected each cylinder once, such as 1,3,4,2; correct it")
    return order


def _read_litres(text: str) -> float:
    return options.number(text, "litres, such as 1.998")


def _read_fuel(text: str) -> str:
    fuel_named(text)
    return text


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise UsageError(f"{text}: expected {', '.join(words[:-1])} or {words[-1]}; choose one")
        return text

    return read


def _read_strokes(text: str) -> int:
    return int(_one_of("2", "4")(text))


_QUESTIONS = (
    _Question(
        "cylinders",
        "N",
        "cylinders",
        "as many as nodes are found in the log, where not told",
        _read_cylinders,
    ),
    _Question("firing_order", "ORDER", "firing order", "such as 1,3,4,2; orders the screens", _read_order),
    _Question("strokes", "2|4", "strokes", "2 or 4; 4 where not told", _read_strokes),
    _Question("displacement_l", "LITRES", "displacement", "litres, all cylinders together", _read_litres),
    _Question(
        "aspiration",
        "HOW",
        "aspiration",
        "natural, turbine or blower: which pressures are plausible",
        _one_of("natural", "turbine", "blower"),
    ),
    _Question(
        "throttles",
        "WHICH",
        "throttles",
        "single, one per cylinder, or other: whether pressure tells the load",
        _one_of("single", "one per cylinder", "other"),
    ),
    _Question(
        "timing",
        "HOW",
        "injection",
        "sequential, paired or batch: which cylinders can have trims",
        _one_of("sequential", "paired", "batch"),
    ),
    _Question("fuel", "NAME", "fuel", "such as gasoline, E10, E85 or methanol: what AFR means", _read_fuel),
)


def run(arguments: argparse.Namespace) -> int:
    """Makes the file, and prints what is in it and what to do next.

    BAD_INPUT if `verify` refuses the file; LIMIT_NOT_MET if no nodes were found, or the log contradicts it.
    """
    given = _given(arguments)  # a wrong option is refused before a log is read
    _refuse_place(arguments.file)  # and a place before anything is asked
    if _asks(arguments):
        _ask_for_log(arguments)
    databases = [_load(path) for path in arguments.database]
    inputs = [arguments.log, *arguments.database]
    check_places({"FILE": arguments.file}, inputs, session=None, force=False)
    if databases and arguments.log is None:
        raise UsageError("--database: is read with a log; expected --from LOG as well; give it")
    found = Proposal() if arguments.log is None else _read(arguments, databases)
    told = _ask(given, found) if _asks(arguments) else given
    if told.cylinders is None and not found.nodes:
        raise _nothing_known(arguments, found)
    _check_order(told, found)
    made = new_session(told, found, arguments.file)
    _write(arguments.file, made.text)
    return _tell(arguments, made, found)


def _refuse_place(path: Path) -> None:
    """Refuses a name that is taken, and a folder that is not there."""
    if is_file(path) or is_folder(path):
        raise UsageError(f"{path}: is there already; expected a new file; choose another name")
    if not is_folder(path.parent):
        raise UsageError(
            f"{path}: {path.parent} is no folder; expected one; make it, or choose another place"
        )


def _nothing_known(arguments: argparse.Namespace, found: Proposal) -> UsageError:
    """The refusal where neither a person nor a log tells how many cylinders there are."""
    if arguments.log is None:
        return UsageError(
            "mixmon new: no number of cylinders; expected --cylinders N, or --from LOG; give one"
        )
    unfit = "".join(f"; none of the messages of {path} is in it" for path in found.unfit)
    return UsageError(
        f"{arguments.log}: no node found{unfit}; expected --database with the messages of the nodes, or "
        "--cylinders N; give one (mixmon census LOG shows what is there)"
    )


def _given(arguments: argparse.Namespace) -> ToldEngine:
    """The answers that options gave."""
    told = ToldEngine(name=arguments.name, bitrate=arguments.bitrate)
    for question in _QUESTIONS:
        text = getattr(arguments, question.key)
        if text is None:
            continue
        try:
            told = replace(told, **{question.key: question.read(text.strip())})
        except (MixmonError, argparse.ArgumentTypeError) as error:
            raise UsageError(f"{question.option} {error}") from None
    return told


def _load(path: Path) -> Database:
    found = path if is_there(path) else shipped_database(str(path)) or path
    return load_database(found)


def _read(arguments: argparse.Namespace, databases: Sequence[Database]) -> Proposal:
    """What the log tells, which is read once for each file of definitions."""
    talk(f"reading {arguments.log}", quiet=arguments.quiet)
    return propose(FrameLog(arguments.log), databases)


def _asks(arguments: argparse.Namespace) -> bool:
    """Whether a person is there to answer."""
    return not (arguments.yes or arguments.json) and sys.stdin is not None and sys.stdin.isatty()


def _ask(told: ToldEngine, found: Proposal) -> ToldEngine:
    """Every question that no option answered; an empty answer takes the default."""
    for question in _QUESTIONS:
        if getattr(told, question.key) is not None:
            continue
        default = str(found.cylinders or _USUAL_CYLINDERS) if question.key == "cylinders" else ""
        answer = _ask_until_good(question, default)
        if answer is not None:
            told = replace(told, **{question.key: answer})
    return told


def _ask_until_good(question: _Question, default: str) -> Any:
    """The value of an answer that can be read; None where nothing was told and there is no default."""
    while True:
        text = _prompt(question.asks, question.explains, default or "not told") or default
        if not text:
            return None
        try:
            return question.read(text)
        except (MixmonError, argparse.ArgumentTypeError) as error:
            talk(str(error))


def _ask_for_log(arguments: argparse.Namespace) -> None:
    """Which log and which message definitions to look at, where no option says so."""
    talk("each question has a default, taken by return; Ctrl-C ends without a file")
    if arguments.log is None:
        arguments.log = _prompt("log", "nodes and signals are found in it; a file or a run", "none") or None
    if arguments.log is not None and not arguments.database:
        answer = _prompt(
            "message definitions", "DBC files of what is in the log, with blanks between", "own layer"
        )
        arguments.database = [Path(answer)] if is_file(answer) else [Path(word) for word in answer.split()]


def _prompt(asks: str, explains: str, default: str) -> str:
    """The answer to one question, empty for its default.

    Raises:
        UsageError: nothing more comes from the terminal.
    """
    sys.stderr.write(f"{asks} ({explains}) [{default}]: ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise UsageError(
            "mixmon new: the answers ended; expected one for each question; give them as options"
        )
    return line.strip()


def _check_order(told: ToldEngine, found: Proposal) -> None:
    cylinders = told.cylinders or found.cylinders
    if told.firing_order is not None and len(told.firing_order) != cylinders:
        raise UsageError(
            f"--firing-order: {len(told.firing_order)} cylinders; expected {cylinders}, each once; correct "
            "it, or "
            "give --cylinders"
        )


def _write(path: Path, text: str) -> None:
    """Writes the file, which must be new."""
    file = open_new(path, force=False)
    try:
        with file:
            file.write(text.encode())
    except OSError as error:
        if is_file(path):  # it was made here, and a half of it is of no use
            path.unlink()
        raise unwritable(path, error) from error


def _tell(arguments: argparse.Namespace, made: NewSession, found: Proposal) -> int:
    """The result, after the new file was checked as any other, and with the log; the exit status."""
    check = mixmon.verify(arguments.file, log=arguments.log)
    facts = (arguments.file, made, found, check)
    conclude(new_session_json(*facts) if arguments.json else new_session_text(*facts), DONE)
    if check.mistakes:
        talk(f"{arguments.file}: {count_mistakes(check.mistakes)}; mixmon verify lists them; correct them")
        return BAD_INPUT
    contradicted = any(one.level is Level.MISTAKE for one in check.implausible)
    return LIMIT_NOT_MET if contradicted or (found.log and not found.nodes) else DONE
