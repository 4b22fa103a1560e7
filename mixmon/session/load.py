"""TOML to Session; every mistake reported at once, each with its key and what was expected.

Three passes over the file: each value by itself (`schema`, with the table in `keys`), then what
the keys ask of one another (the modules `check_*`), then the records (`build`). A value that a
pass has reported is left out of the next, so that one mistake is not told twice.

What the file may leave out:

- `[[bus]]` altogether: one bus, named as `chain.bus` says (or "chain"), on whatever channel the
  log has, with the chain's own message definitions;
- `chain.bus`, where one bus is declared;
- `[chain.signals]` and the chain's `database`, with the chain's own message definitions;
- `[[chain.node]]`: node i of the chain is then cylinder i.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from mixmon.errors import Mistake, SessionError, SourceError
from mixmon.session import check_chain, check_engine, check_limits
from mixmon.session.build import build
from mixmon.session.keys import SESSION
from mixmon.session.lines import key_lines, line_of
from mixmon.session.model import Session
from mixmon.session.schema import Report, shown

_CHECKS = (*check_engine.CHECKS, *check_chain.CHECKS, *check_limits.CHECKS)
_PLACE = re.compile(r" \(at (?:line (?P<line>\d+), column (?P<column>\d+)|(?P<end>end of document))\)$")


def load_session(path: Path | str) -> Session:
    """The session that a file describes.

    >>> load_session("examples/alder8.toml").engine.firing_order
    (1, 5, 3, 7, 4, 8, 2, 6)

    Raises:
        SessionError: the file has mistakes; all of them are in it.
        SourceError: the file cannot be read.
    """
    session, mistakes = read_session(path)
    if session is None or mistakes:
        raise SessionError(str(path), mistakes)
    return session


def read_session(path: Path | str) -> tuple[Session | None, list[Mistake]]:
    """The session as far as it could be understood, and every mistake, in file order.

    Only to be used when there are no mistakes; a partial one serves to look for more of them.
    None where not even the cylinders and the chain are known.

    Raises:
        SourceError: the file cannot be read.
    """
    path = Path(path)
    text = read_text(path)
    raw = _toml(text)
    if isinstance(raw, Mistake):
        return None, [raw]
    report = Report()
    clean = SESSION.read(raw, "", report)
    for check in _CHECKS:
        check(clean, report)
    session = build(clean, path, report)
    return session, placed(report.mistakes, text)


def placed(mistakes: list[Mistake], text: str) -> list[Mistake]:
    """The mistakes with their lines in the file's text, in file order."""
    lines = key_lines(text)
    found = [Mistake(m.where, m.found, m.expected, line_of(m.where, lines)) for m in mistakes]
    return sorted(found, key=lambda mistake: mistake.line or 0)


def read_text(path: Path, what: str = "a session file") -> str:
    """The file's text; a byte order mark, as some editors write it, is no part of it.

    what: that the file should be, for the error text.

    Raises:
        SourceError: there is no such file, it cannot be read, or it is not text.
    """
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"byte {error.start + 1} is not text"
        raise SourceError(f"{path}: {found}; expected {what}, TOML in UTF-8; save it as such") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise SourceError(f"{path}: {why}; expected {what}; check the path") from None


def _toml(text: str) -> dict[str, Any] | Mistake:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return _syntax(str(error), text)
    except RecursionError:
        return Mistake("the file", "brackets nested beyond all use", "plain tables, lists and values")
    except ValueError as error:  # a number with thousands of digits
        return Mistake("the file", str(error), "numbers of a sensible length")


def _syntax(message: str, text: str) -> Mistake:
    """What the parser says, with the place in front and the line shown."""
    lines = text.splitlines() or [""]
    place = _PLACE.search(message)
    line = int(place["line"]) if place and place["line"] else len(lines)
    column = f", column {place['column']}" if place and place["column"] else ""
    what = _PLACE.sub("", message)
    found = f"{what[:1].lower()}{what[1:]}, in {shown(lines[min(line, len(lines)) - 1].strip())}"
    return Mistake(f"line {line}{column}", found, "TOML: key = value, text in quotes, each key once")
