"""Logs of text for python-can's readers: lines of bounded length, and what those readers do not know, mended.

bytes -> text_lines -> asc_lines, trc_lines -> a reader of python-can, which takes lines from any iterator
"""

from __future__ import annotations

import io
import re
from codecs import getincrementaldecoder
from collections.abc import Generator, Iterable, Iterator
from itertools import chain
from typing import TextIO, cast

from mixmon.arrays import SECOND_NS
from mixmon.frames.account import ReadReport, Reason
from mixmon.frames.candump_line import LONGEST_LINE

_LINES_BYTES = 1 << 14  # our choice: lines that are made at once; more of them would leave the cache


def text_lines(pieces: Iterable[bytes], report: ReadReport) -> Iterator[str]:
    """The lines of a text that are not empty, without their ends; one that is too long is rejected.

    `report.skipped` counts all lines: see `take_frames_off`.
    """
    return filter(None, chain.from_iterable(_lists_of_lines(pieces, report)))


def _lists_of_lines(pieces: Iterable[bytes], report: ReadReport) -> Iterator[list[str]]:
    """All lines, some hundred at a time: whoever takes one by one pays for each level of generators."""
    decoder = io.IncrementalNewlineDecoder(getincrementaldecoder("utf-8-sig")("replace"), translate=True)
    rest = ""
    for part in _cut(pieces):
        *lines, rest = (rest + decoder.decode(part)).split("\n")
        report.skipped += len(lines)
        if max(map(len, lines), default=0) > LONGEST_LINE:
            lines = [line for line in lines if not _is_too_long(line, report)]
        yield lines
        rest = rest[: LONGEST_LINE + 1]  # of a longer line no more is needed to refuse it
    if rest := rest + decoder.decode(b"", final=True):
        report.skipped += 1
        if not _is_too_long(rest, report):
            yield [rest]


def take_frames_off(report: ReadReport) -> None:
    """Leaves in `report.skipped`, once the text has been read, the lines of which no frame was made."""
    report.skipped -= min(report.frames + report.rejected_lines, report.skipped)
    report.lines = report.frames + report.rejected_lines + report.skipped


def _cut(pieces: Iterable[bytes]) -> Iterator[bytes]:
    return (piece[at : at + _LINES_BYTES] for piece in pieces for at in range(0, len(piece), _LINES_BYTES))


def _is_too_long(line: str, report: ReadReport) -> bool:
    if len(line) <= LONGEST_LINE:
        return False
    report.lines += 1
    report.reject(report.lines, Reason.TOO_LONG, line)
    return True


# ASC.

_HEADER = re.compile(r"date\s|base\s|//", re.IGNORECASE)
_RELATIVE = re.compile(r"base\s+\w+\s+timestamps\s+relative", re.IGNORECASE)
_EVENTS = re.compile(r"(?:no)?\s*internal\s+events\s+logged", re.IGNORECASE)
_TRIGGER = re.compile(r"begin\s+triggerblock\s+\S", re.IGNORECASE)
_DATE = re.compile(r"date\s", re.IGNORECASE)
_ASC_STAMPED = re.compile(r"([0-9]{1,9})\.([0-9]{1,12})(\s.*)?")
_BLOCK_STARTS_BELOW_NS = SECOND_NS  # our choice, see `asc_lines`
_NO_DATE = "the date of the log is not understood; its stamps count from its start"


def asc_lines(lines: Iterable[str], report: ReadReport) -> Iterator[str]:
    """The lines of an ASC log as python-can's reader takes them for what they are.

    - Stamps that are relative to the line before are summed, over lines of every kind.
    - A date that the reader does not understand, at which it would stop, is left out and named.
    - The date of a trigger block counts where the stamps of the block begin near zero; in a block that
      begins later, they go on counting from the date before.
    - The reader drops the first line behind the header, unless that says whether internal events were
      logged: then such a line is put in.
    """
    left, relative = yield from _asc_header(iter(lines), report)
    total, waiting = 0, ""
    for each in left:
        line = each.strip()
        if line[:1].isdigit():
            if (relative or waiting) and (stamp := _ASC_STAMPED.fullmatch(line)):
                ns = int(stamp[1]) * SECOND_NS + int(stamp[2][:9].ljust(9, "0"))
                total = total + ns if relative else ns
                if waiting and total < _BLOCK_STARTS_BELOW_NS:
                    yield waiting
                waiting = ""
                line = f"{total // SECOND_NS}.{total % SECOND_NS:09d}{stamp[3] or ''}"
            yield line
        elif _TRIGGER.match(line) and _understands(line, report):
            waiting = line


def _asc_header(left: Iterator[str], report: ReadReport) -> Generator[str, None, tuple[Iterator[str], bool]]:
    """The header, and a line that ends it for the reader.

    Gives what is left, and whether stamps are relative.
    """
    relative = False
    for each in left:
        line = each.strip()
        if _RELATIVE.match(line):
            relative = True
        if _EVENTS.match(line):
            yield line
            break
        if line and not _HEADER.match(line):
            yield "internal events logged"
            return chain([line], left), relative
        if line and (not _DATE.match(line) or _understands(line, report)):
            yield line
    return left, relative


def _understands(line: str, report: ReadReport) -> bool:
    """Whether python-can's reader can read the date of this line; if not, the report says so."""
    from can import ASCReader

    lines = (each for each in (line, "no internal events logged", line, "0.0 1 1 Rx d 0"))
    try:
        if any(message.timestamp for message in ASCReader(cast("TextIO", lines), relative_timestamp=False)):
            return True
    except ValueError:
        pass
    if _NO_DATE not in report.faults:
        report.faults.append(_NO_DATE)
    return False


# TRC.

_TRC_VERSION = re.compile(r"\s*;\s*\$FILEVERSION\s*=\s*1\.2\s*")
_BEFORE_RESERVED = 5  # number, time, bus, type and identifier stand before that column


class TrcLines:
    """The lines of `trc_lines` as a file that python-can's reader closes."""

    def __init__(self, lines: Iterable[str]) -> None:
        self._lines = trc_lines(lines)

    def __iter__(self) -> Iterator[str]:
        return self._lines

    def close(self) -> None:
        """Nothing is left to be closed: the bytes belong to whoever opened them."""


def trc_lines(lines: Iterable[str]) -> Iterator[str]:
    """The lines of a TRC log; version 1.2, which python-can's reader does not know, as version 1.3.

    1.3 has one column more, `-` for what is reserved, between identifier and length (from memory).
    """
    return chain.from_iterable(_trc_parts(iter(lines)))


def _trc_parts(left: Iterator[str]) -> Iterator[Iterable[str]]:
    """The lines of the header, each by itself, and then all that follow."""
    old = False
    for line in left:
        if _TRC_VERSION.fullmatch(line):
            old = True
            yield [";$FILEVERSION=1.3"]
        elif line.lstrip().startswith(";"):
            yield [line]
        else:
            yield from ([_with_reserved(line)], map(_with_reserved, left)) if old else ([line], left)


def _with_reserved(line: str) -> str:
    """A line of version 1.2 with the column that 1.3 has more, unless it is there; comments as they are."""
    if line.lstrip().startswith(";"):
        return line
    columns = line.split(maxsplit=_BEFORE_RESERVED)
    if len(columns) > _BEFORE_RESERVED and not columns[-1].startswith("-"):
        columns.insert(_BEFORE_RESERVED, "-")
    return " ".join(columns)
