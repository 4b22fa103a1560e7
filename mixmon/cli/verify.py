"""mixmon verify: every mistake in a session file, at once."""

from __future__ import annotations

import argparse
import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from mixmon.cli import options
from mixmon.cli.console import result, talk
from mixmon.cli.main import BAD_INPUT, DONE
from mixmon.errors import Mistake

NAME = "verify"
HELP = "every mistake in a session file and in what it says of its message definitions"


def configure(parser: argparse.ArgumentParser) -> None:
    """SESSION."""
    parser.add_argument("session", metavar="SESSION", type=Path, help="session file (TOML)")
    options.add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Prints the mistakes, one a line; 2 if there are any."""
    from mixmon.messages.bind import verify

    mistakes = verify(arguments.session)
    result(_json(arguments.session, mistakes) if arguments.json else _text(arguments.session, mistakes))
    if mistakes:
        talk(f"{arguments.session}: {_count(mistakes)}; each is listed with its key; mend them")
        return BAD_INPUT
    return DONE


def _json(session: Path, mistakes: Sequence[Mistake]) -> str:
    from mixmon.report.json_out import to_json

    return to_json({"session": session, "mistakes": mistakes})


def _text(session: Path, mistakes: Sequence[Mistake]) -> str:
    from mixmon.report.text import printable

    if not mistakes:
        return f"{printable(str(session))}: no mistake found\n"
    return "".join(f"{printable(str(mistake))}\n" for mistake in mistakes) + f"{_count(mistakes)}\n"


def _count(mistakes: Sequence[Mistake]) -> str:
    """How many mistakes there are, by table of the file, in the order of the file."""
    from mixmon.report.text import counted

    tables = Counter(re.split(r"[.\[]", mistake.where, maxsplit=1)[0] for mistake in mistakes)
    total = counted(len(mistakes), "mistake")
    if len(tables) == 1:
        return total
    return f"{total} ({', '.join(f'{table} {count}' for table, count in tables.items())})"
