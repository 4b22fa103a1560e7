"""The entry point: finds the command, runs it, and turns what happened into an exit status.

0 done; 1 done, and a limit that was asked for is not met; 2 bad input or use, with one line on
standard error; 130 interrupted. A command is a module beside this one with NAME, HELP,
`configure(parser)` and `run(arguments) -> status`; it imports what it needs only when it runs,
so that help and the quick commands start quickly.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Sequence
from typing import Protocol, cast

from mixmon.cli.console import flush_results, release_results, result, talk
from mixmon.cli.parser import HelpAsked, Parser, nearest
from mixmon.errors import MixmonError, UsageError

DONE, LIMIT_NOT_MET, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130

COMMANDS = (
    "demo",
    "verify",
    "census",
    "watch",
    "record",
    "replay",
    "decode",
    "balance",
    "events",
    "pulls",
    "response",
    "simulate",
    "convert",
)
"""In the order in which the work is done; each is the name of a module in this folder."""


class Command(Protocol):
    """What a command's module holds."""

    NAME: str
    HELP: str

    @staticmethod
    def configure(parser: argparse.ArgumentParser) -> None:
        """Adds the command's arguments."""

    @staticmethod
    def run(arguments: argparse.Namespace) -> int:
        """Does the work and gives the exit status."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command line, the process's own by default, and gives its exit status."""
    try:
        status = _run(sys.argv[1:] if arguments is None else list(arguments))
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


def _run(arguments: list[str]) -> int:
    if arguments[:1] == ["help"]:
        arguments = [*arguments[1:2], "--help"]
    try:
        command = _command(arguments)
        parser = Parser(f"mixmon {command.NAME}", command.HELP)
        command.configure(parser)
        return command.run(parser.parse(arguments[1:]))
    except HelpAsked as asked:
        result(str(asked))
        return DONE


def _command(arguments: list[str]) -> Command:
    """The command that the first word names.

    Raises:
        UsageError: it names none.
        HelpAsked: it asks for help or for the version.
    """
    word = arguments[0] if arguments else ""
    if word in COMMANDS:
        return _load(word)
    if word in {"-h", "--help"}:
        raise HelpAsked(_help())
    if word == "--version":
        from importlib.metadata import version

        raise HelpAsked(f"mixmon {version('mixmon')}\n")
    found = f"no command {word}" if word else "no command given"
    if word.startswith("-"):
        found = f"option {word} before the command; expected mixmon COMMAND, then options"
    raise UsageError(f"mixmon: {found}; {nearest(word, COMMANDS)}mixmon --help lists the commands")


def _load(name: str) -> Command:
    return cast("Command", importlib.import_module(f"mixmon.cli.{name}"))


def _help() -> str:
    commands = [_load(name) for name in COMMANDS]
    column = max(len(c.NAME) for c in commands)
    listed = "".join(f"  {c.NAME:{column}}  {c.HELP}\n" for c in commands)
    return f"""\
mixmon: which cylinder needs how much fuel, from one oxygen sensor in every exhaust primary

usage: mixmon COMMAND [options]      mixmon COMMAND --help tells the options

{listed}
Results go to standard output, talk to standard error. Exit status: 0 done; 1 done, and a limit
that was asked for is not met; 2 bad input or use; 130 interrupted.
mixmon watches. It does not protect the engine.
"""
