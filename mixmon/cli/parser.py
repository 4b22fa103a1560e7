"""argparse with the project's manners: one line of complaint, and a guess at what was meant."""

from __future__ import annotations

import argparse
import difflib
from collections.abc import Iterable, Sequence
from typing import Any, NoReturn

from mixmon.errors import UsageError


class HelpAsked(Exception):  # noqa: N818  # not an error: the way out of a parser that was asked for help
    """The user asked for help; its text is the argument."""


class _Help(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        raise HelpAsked(parser.format_help())


class Parser(argparse.ArgumentParser):
    """The parser of one command.

    Options cannot be shortened: a script that says `--int` would break on the day when a second
    option begins that way.
    """

    def __init__(self, prog: str, description: str) -> None:
        super().__init__(prog=prog, description=description, add_help=False, allow_abbrev=False)
        self.add_argument("-h", "--help", action=_Help, nargs=0, help="show this")

    def parse(self, arguments: Sequence[str]) -> argparse.Namespace:
        """The arguments, understood.

        Raises:
            UsageError: they cannot be.
            HelpAsked: help was asked for.
        """
        self._refuse_unknown_options(arguments)
        return self.parse_args(arguments)

    def error(self, message: str) -> NoReturn:
        """Raises UsageError with what argparse found wrong."""
        raise UsageError(f"{self.prog}: {message}; {self.prog} --help lists what can be given")

    def _refuse_unknown_options(self, arguments: Sequence[str]) -> None:
        """Names a mistyped option before argparse takes its value for a file name."""
        known = [o for action in self._actions for o in action.option_strings]
        for argument in arguments:
            option = argument.partition("=")[0]
            if option == "--":
                return
            if option.startswith("--") and option not in known:
                raise UsageError(
                    f"{self.prog}: no option {option}; {nearest(option, known)}{self.prog} --help lists them"
                )


def nearest(word: str, known: Iterable[str]) -> str:
    """`did you mean ...? ` for the known words that look most like it, or nothing.

    >>> nearest("censsus", ["verify", "census"])
    'did you mean census? '
    """
    close = difflib.get_close_matches(word, list(known), n=3, cutoff=0.6)
    return f"did you mean {' or '.join(close)}? " if close else ""
