"""The entry point: finds the command, runs it, and turns what happened into an exit status.

0 done; 1 done, and a limit that was asked for is not met; 2 bad input or use, with one line on
standard error; 130 interrupted. A command is a row of `COMMANDS` and a module of that name beside this
one, with `configure(parser)` and `run(arguments) -> status`; it is imported only when it is called, so
that help starts quickly.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys
from collections.abc import Sequence
from typing import Any, NoReturn, Protocol, cast

from mixmon.cli.console import flush_results, release_results, result, talk, tame_libraries
from mixmon.cli.stopping import INTERRUPTED, begin_work, end_now, end_work, handle_for_good, handled_signals
from mixmon.errors import MixmonError, UsageError, nearest
from mixmon.report.page import laid_for, page_of
from mixmon.report.text import paragraph

# The parser of a command: argparse, with one line for an error and a guess at what was meant.


class HelpAsked(Exception):  # noqa: N818  # not an error: the way out of a parser that was asked for help
    """The user asked for help; its text is the argument."""


class _Help(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        raise HelpAsked(parser.format_help())


class CommandParser(argparse.ArgumentParser):
    """The parser of one command.

    Options cannot be shortened: a script that says `--int` would break on the day when a second
    option begins that way.
    """

    def __init__(self, prog: str, description: str) -> None:
        super().__init__(prog=prog, description=description, add_help=False, allow_abbrev=False)
        # Which words are negative numbers and no options: argparse knows -1 and -.5, and not -1. and -1e-1.
        self._negative_number_matcher = re.compile(r"-[0-9.,][0-9.,eE+-]*")
        self.add_argument("-h", "--help", action=_Help, nargs=0, help="show this help")
        self._within: tuple[str, ...] = ()

    def carry(self, commands: Sequence[str], dest: str, help_text: str) -> None:
        """Takes one of these commands and all that stands behind it, as the list `dest`."""
        self._within = tuple(commands)
        words = f"{'|'.join(commands)} ..."
        self.add_argument(dest, metavar=words, nargs=argparse.REMAINDER, help=help_text)

    def parse(self, arguments: Sequence[str]) -> argparse.Namespace:
        """The arguments by name.

        Raises:
            UsageError: they cannot be understood.
            HelpAsked: help was asked for.
        """
        self._refuse_unknown_options(arguments)
        return self.parse_args(arguments)

    def actions(self) -> list[argparse.Action]:
        """Every argument in the order of the help, without `--help` itself."""
        return [action for action in self._actions if not isinstance(action, _Help)]

    def error(self, message: str) -> NoReturn:
        """Raises UsageError with what argparse found wrong."""
        raise UsageError(f"{self.prog}: {message}; {self.prog} --help lists what can be given")

    def _refuse_unknown_options(self, arguments: Sequence[str]) -> None:
        """Names a mistyped option before argparse takes its value for a file name."""
        known = [o for action in self._actions for o in action.option_strings]
        for argument in arguments:
            option = argument.partition("=")[0]
            if option == "--" or argument in self._within:
                return
            if option.startswith("--") and option not in known:
                raise UsageError(
                    f"{self.prog}: no option {option}; {nearest(option, known)}{self.prog} --help lists them"
                )


DONE, LIMIT_NOT_MET, BAD_INPUT = 0, 1, 2
"""Exit statuses: 1 as grep and diff have it, 2 as argparse; and INTERRUPTED."""

EXIT_STATUSES = {
    DONE: "done",
    LIMIT_NOT_MET: "done, and a limit that was asked for is not met",
    BAD_INPUT: "bad input or use",
    INTERRUPTED: "interrupted",
}
"""What each exit status means."""

COMMANDS = {
    "demo": "the demo engine, live in the dashboard; without a terminal, as text beside its truth",
    "new": "a commented session file, from answers, or from a log and its message definitions",
    "verify": "every mistake in a session file, by itself and by a log; or whether a run is unchanged",
    "census": "who is on the bus: rates, gaps, unknown identifiers, duplicate and silent nodes, load",
    "watch": "the dashboard on live buses, recording",
    "record": "live buses to a run on disk, without a screen",
    "replay": "the dashboard on a log, with a time line; without a terminal, its alarms and its balance",
    "serve": "the dashboard of watch, replay or demo for browsers, which only look",
    "decode": "signals of a log as CSV or Parquet, by a session or by any DBC file",
    "balance": "what every cylinder needs, spread, cells and new trims",
    "trims": "the trims to type, in the engine control's order, and what they will do; keeps what was typed",
    "rotate": "sensors' own errors apart from the cylinders' needs, by moving the sensors; --design plans it",
    "causes": "what else than fuel may explain the needs, what the data cannot separate, and the next best "
    "test",
    "compare": "two runs, before and after: what is shown to be the same, and whether the trims took",
    "events": "misfires, excursions, cuts, silent and reset nodes, with the evidence for each",
    "pulls": "pulls at full load, by bands of speed; --transients for tip-ins",
    "response": "lag of every sensor, from fuel cuts and steps; the delay of every cell",
    "identify": "which label is which cylinder, by fuel steps; --plan says what to type",
    "sensors": "the ledger: what is known of every sensor by its serial; --add enters what a log teaches",
    "simulate": "the demo engine, or another, to a log, with its truth; --grade grades the analysis",
    "merge": "a table of a dyno or of the engine control laid beside a run, by stamps or by speed",
    "export": "judged rows, frames, events, cells and trims as CSV, Parquet, MDF 4; frames as candump text",
    "report": "one run as one page to hand over: HTML that needs no other file, and PDF",
    "convert": "one mixture as lambda, phi, air-fuel ratio, oxygen and exhaust gas",
    "guide": "the guide, and every key, command, alarm condition and word, offline; completion, man page",
}
"""What each command gives, in the order of the work; each is a module in this folder."""


class CommandModule(Protocol):
    """What a command's module holds."""

    @staticmethod
    def configure(parser: argparse.ArgumentParser) -> None:
        """Adds the command's arguments."""

    @staticmethod
    def run(arguments: argparse.Namespace) -> int:
        """Does the work and returns the exit status."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command line and returns its exit status.

    None is the process's own command line; where that is interrupted the process ends here.
    """
    if arguments is not None:
        with handled_signals():
            return _conclude_command(list(arguments))
    handle_for_good()
    try:
        status = _conclude_command(sys.argv[1:])
    except KeyboardInterrupt:  # while an error was told
        end_now()
    if status == INTERRUPTED:
        end_now()
    end_work(status)
    return status


def _conclude_command(arguments: list[str]) -> int:
    """Runs the command, and turns whatever ended it into an exit status."""
    tame_libraries()
    try:
        status = _run_command(arguments)
        flush_results()
    except MixmonError as error:
        release_results()
        talk(str(error))
        return BAD_INPUT
    except KeyboardInterrupt:
        release_results()
        talk("interrupted; what had been written is whole")
        return INTERRUPTED
    except BrokenPipeError:
        release_results()
        return DONE
    return status


def _run_command(arguments: list[str]) -> int:
    if arguments[:1] == ["help"]:
        arguments = [*arguments[1:2], "--help"]
    try:
        name = _command_name(arguments)
        command = _load_command(name)
        begin_work()
        parser = _parser_for(name, command)
        with laid_for(page_of(sys.stdout, os.environ)):
            return command.run(parser.parse(arguments[1:]))
    except HelpAsked as asked:
        result(str(asked))
        return DONE


def _command_name(arguments: list[str]) -> str:
    """The command that the first word names.

    Raises:
        UsageError: it names none.
        HelpAsked: it asks for help or for the version.
    """
    word = arguments[0] if arguments else ""
    if word in COMMANDS:
        return word
    if word in {"-h", "--help"}:
        raise HelpAsked(_help_text())
    if word == "--version":
        from importlib.metadata import version  # slow to load, and needed here alone

        raise HelpAsked(f"mixmon {version('mixmon')}\n")
    found = f"no command {word}" if word else "no command given"
    if word.startswith("-"):
        found = f"option {word} before the command; expected mixmon COMMAND, then options"
    raise UsageError(f"mixmon: {found}; {nearest(word, COMMANDS)}mixmon --help lists the commands")


def parser_of(name: str) -> CommandParser:
    """The parser of a command, for whoever tells of its options."""
    return _parser_for(name, _load_command(name))


def _parser_for(name: str, command: CommandModule) -> CommandParser:
    parser = CommandParser(f"mixmon {name}", COMMANDS[name])
    command.configure(parser)
    return parser


def _load_command(name: str) -> CommandModule:
    return cast("CommandModule", importlib.import_module(f"mixmon.cli.{name}"))


def _help_text() -> str:
    column = max(map(len, COMMANDS))
    listed = "".join(f"  {name:{column}}  {gives}\n" for name, gives in COMMANDS.items())
    statuses = "; ".join(f"{status} {meaning}" for status, meaning in EXIT_STATUSES.items())
    told = paragraph(f"Results go to standard output, talk to standard error. Exit status: {statuses}.")
    return f"""\
mixmon: which cylinder needs how much fuel, from one oxygen sensor in every exhaust primary

usage: mixmon COMMAND [options]      mixmon COMMAND --help lists the options

{listed}
{told}mixmon watches. It does not protect the engine.
"""
