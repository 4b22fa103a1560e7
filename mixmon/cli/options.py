"""The options that several commands share, and the types of their values.

An option means the same in every command. A value's type refuses what is impossible where it is read.
"""

from __future__ import annotations

import argparse
import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mixmon.arrays import SECOND_NS
from mixmon.errors import UsageError
from mixmon.frames.adapters.interfaces import own_kinds
from mixmon.frames.clock import clock_seconds, clock_text
from mixmon.gas.exhaust import STANDARD_KPA, free_air_oxygen
from mixmon.ledger.ledger import IN_MEMORY, PLACE_VARIABLE


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a log, in nanoseconds from its first frame: from `begin`, up to but without `end`."""

    begin: int = 0
    end: int | None = None

    @property
    def whole(self) -> bool:
        """True if nothing is cut off."""
        return self.begin <= 0 and self.end is None


def add_log(parser: argparse.ArgumentParser, *, many: bool = False, optional: bool = False) -> None:
    """LOG: one log, or several in order, or none where there is a live bus."""
    text = (
        "log: candump text, another format that python-can reads, packed or not, or the folder of a run; "
        "- is standard input"
    )
    parser.add_argument("log", metavar="LOG", nargs="+" if many else "?" if optional else None, help=text)


def add_bus(parser: argparse.ArgumentParser) -> None:
    """A live bus, by python-can's own options, and whether mixmon may acknowledge on it."""
    group = parser.add_argument_group("live bus", "in python-can's words; without them, the session's buses")
    group.add_argument(
        "-i",
        "--interface",
        metavar="NAME",
        help=f"{', '.join(own_kinds())}, or another that python-can knows",
    )
    group.add_argument(
        "-c",
        "--channel",
        metavar="[BUS=]NAME",
        action="append",
        help="such as can0, or a serial port; BUS is a bus of the session, without it the chain's",
    )
    group.add_argument("-b", "--bitrate", metavar="BPS", type=bit_rate, help="bits a second")
    group.add_argument("--fd", action="store_true", help="CAN FD")
    group.add_argument("--data-bitrate", metavar="BPS", type=bit_rate, help="bits a second of FD data")
    group.add_argument(
        "--bus-kwargs",
        metavar="KEY=VALUE",
        nargs="+",
        type=pair,
        default=[],
        help="further arguments of python-can's bus",
    )
    group.add_argument(
        "--acknowledge",
        action="store_true",
        help="let the adapter acknowledge frames, as a sensor chain may need; default: listen only",
    )


def add_session(parser: argparse._ActionsContainer, *, required: bool = False) -> None:
    """--session: the session file."""
    parser.add_argument(
        "-s",
        "--session",
        metavar="FILE",
        type=Path,
        required=required,
        help="session file: engine, chain, buses; mixmon verify checks it",
    )


def add_json(parser: argparse.ArgumentParser) -> None:
    """--json: one JSON object instead of text."""
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")


def add_ledger(parser: argparse.ArgumentParser) -> None:
    """--ledger: the file of the ledger."""
    parser.add_argument(
        "--ledger",
        metavar="FILE",
        type=Path,
        help=f"the ledger (default: {PLACE_VARIABLE}, else a file in the user's data folder); {IN_MEMORY} "
        "keeps nothing",
    )


def add_margin(parser: argparse.ArgumentParser, usual: float) -> None:
    """--margin: the change of a need that counts as none."""
    parser.add_argument(
        "--margin",
        metavar="PCT",
        type=percent,
        default=usual,
        help="change of a need, percent of fuel, that counts as none (default: %(default)s)",
    )


def add_units(parser: argparse.ArgumentParser) -> None:
    """--units: how lambda is shown."""
    parser.add_argument(
        "--units",
        choices=("lambda", "phi", "afr", "oxygen"),
        default="lambda",
        help="unit of mixture (default: lambda); afr needs the fuel of the session",
    )


def add_strict(parser: argparse.ArgumentParser) -> None:
    """--strict: a log that is not in order is a limit that is not met."""
    parser.add_argument(
        "--strict",
        action="store_true",
        help="exit status 1 if anything in the log is not in order, such as rejected lines or lost frames; "
        "identifiers that no definition knows are other traffic, and in order",
    )


def add_force(parser: argparse.ArgumentParser) -> None:
    """--force: files that are there are written over."""
    parser.add_argument(
        "--force", action="store_true", help="write over files that are there; without it, new files only"
    )


def add_quiet(parser: argparse.ArgumentParser) -> None:
    """--quiet: no talk."""
    parser.add_argument("--quiet", action="store_true", help="no progress and no notes on standard error")


def add_leave_out(parser: argparse.ArgumentParser) -> None:
    """--leave-out: cylinders to exclude."""
    parser.add_argument(
        "--leave-out",
        metavar="N",
        type=int,
        nargs="+",
        action="extend",
        default=[],
        help="cylinders to exclude from the result and from the reference",
    )


_WINDOW = "seconds or MM:SS from the log's first frame"


def add_window(parser: argparse.ArgumentParser) -> None:
    """--from and --to, from the log's first frame."""
    add_begin(parser)
    parser.add_argument(
        "--to", dest="end", metavar="S", type=moment, help=f"end of the part that is used, {_WINDOW}"
    )


def add_begin(parser: argparse.ArgumentParser) -> None:
    """--from alone."""
    parser.add_argument(
        "--from",
        dest="begin",
        metavar="S",
        type=moment,
        default=0.0,
        help=f"start of the part that is used, {_WINDOW}",
    )


def add_end_or_format(parser: argparse.ArgumentParser, formats: Sequence[str]) -> None:
    """--to for a command that has formats: one of them, or the end of the part; both may be given."""

    class EndOrFormat(argparse.Action):
        def __call__(self, _: Any, namespace: argparse.Namespace, value: Any, *__: Any) -> None:
            setattr(namespace, "to" if value in formats else "end", value)

    def read(text: str) -> str | float:
        if text in formats:
            return text
        value = clock_seconds(text)
        if value is None:
            raise argparse.ArgumentTypeError(
                f"found {text!r}; expected {', '.join(formats)}, or a time as of --from; correct it"
            )
        return value

    parser.set_defaults(to=None, end=None)
    parser.add_argument(
        "--to",
        metavar=f"{'|'.join(formats)}|S",
        type=read,
        action=EndOrFormat,
        help="format; default: by the end of --out, else csv. Or, as in every command, the end of the part "
        f"that is used, {_WINDOW}: --to csv --to 90",
    )


def window(arguments: argparse.Namespace) -> Window:
    """The part of the log that --from and --to choose.

    Raises:
        UsageError: it is empty.
    """
    begin, end = (
        round(arguments.begin * SECOND_NS),
        None if arguments.end is None else round(arguments.end * SECOND_NS),
    )
    if end is not None and end <= begin:
        raise UsageError(
            f"--to {clock_text(arguments.end)}: not after --from {clock_text(arguments.begin)}; "
            "expected a later moment; correct it"
        )
    return Window(begin, end)


def seconds(text: str) -> float:
    """A number of seconds that is finite and not negative, for argparse."""
    return number(text, "a number of seconds, such as 12.5")


def moment(text: str) -> float:
    """A time as the clock of the screens shows it, or in seconds, for argparse."""
    value = clock_seconds(text)
    if value is None:
        raise argparse.ArgumentTypeError(
            f"found {text!r}; expected seconds or MM:SS from the log's first frame, such as 90 or 01:30"
        )
    return value


def percent(text: str) -> float:
    """A percentage that is finite and not negative, for argparse."""
    return number(text, "a percentage, such as 3.5")


def air_oxygen(words: str) -> float:
    """Oxygen of the air described as C/RH[/KPA], percent.

    Raises:
        UsageError: these are not two or three numbers.
        RangeError: no such air.
    """
    try:
        numbers = [float(word) for word in words.split("/")]
    except ValueError:
        numbers = []
    if len(numbers) not in {2, 3}:
        raise UsageError(f"--air {words}: no air; expected C/RH or C/RH/KPA, such as 25/60/100.8; correct it")
    return free_air_oxygen(*[*numbers, STANDARD_KPA][:3])


def whole(text: str) -> int:
    """A whole number above zero, for argparse."""
    return _read_whole(text, "a whole number, 1 or more")


def bit_rate(text: str) -> int:
    """Bits a second, for argparse."""
    return _read_whole(text, "bits a second, such as 500000")


def _read_whole(text: str, expected: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text)):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected {expected}")
    return int(text)


def pair(text: str) -> tuple[str, bool | int | float | str]:
    """KEY=VALUE for python-can; true, false and numbers get their types, for argparse."""
    key, equals, value = text.partition("=")
    if not (key.isidentifier() and equals):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected KEY=VALUE")
    for read in ({"true": True, "false": False}.__getitem__, int, float):
        with contextlib.suppress(KeyError, ValueError):
            return key, read(value.lower())
    return key, value


def number(text: str, expected: str) -> float:
    """A number that is finite and not negative, for argparse; `expected` completes the message."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0):
        raise argparse.ArgumentTypeError(f"found {text!r}; expected {expected}")
    return value


def add_entered(parser: argparse._ActionsContainer, help_text: str) -> None:
    """--entered: trims by cylinder; see `cli.runs.trims_of`."""
    parser.add_argument(
        "--entered", metavar="CYL=PCT", nargs="+", action="extend", default=[], help=help_text
    )
