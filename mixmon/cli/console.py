"""What a command writes.

Results go to standard output, talk goes to standard error. Results are bytes, whole lines at a time, so
that neither the platform nor an interruption changes them.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from mixmon.errors import OutputError, reason_of
from mixmon.report.text import printable


def result(text: str) -> None:
    """Writes a result to standard output; the platform's line ends do not change its bytes.

    Raises:
        OutputError: standard output takes no more.
        BrokenPipeError: nobody reads it any more.
    """
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    try:
        data = text.encode(encoding)
    except UnicodeEncodeError:
        data = text.replace("±", "+-").encode(encoding, "backslashreplace")
    result_bytes(data)


_WHOLE_WRITE_BYTES = 4096
"""A pipe takes so many bytes as a whole or not at all (POSIX, PIPE_BUF: at least 512; Linux: 4096)."""


def result_bytes(data: bytes) -> None:
    """Writes a result that is bytes already; raises as `result` does.

    In pieces of whole lines, so that an interruption leaves no half of one.
    """
    if sys.stdout is None:
        raise OutputError(
            "standard output: it is closed; expected a place for results; open it or use a file"
        )
    try:
        for piece in _split_at_lines(data):
            sys.stdout.buffer.write(piece)
            sys.stdout.buffer.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise _output_error(error) from error


def _split_at_lines(data: bytes) -> Iterator[bytes]:
    """The data cut after line ends, as near to `_WHOLE_WRITE_BYTES` bytes as lines allow."""
    start = 0
    while start < len(data):
        end = data.rfind(b"\n", start, start + _WHOLE_WRITE_BYTES) + 1 or start + _WHOLE_WRITE_BYTES
        yield data[start:end]
        start = end


def flush_results() -> None:
    """Writes out what is still buffered; raises as `result` does."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise _output_error(error) from error


def _output_error(error: OSError) -> OutputError:
    return OutputError(
        f"standard output: {reason_of(error)}; expected room for results; make room or send them elsewhere"
    )


def conclude(text: str, status: int) -> int:
    """Writes the one result of a command, and returns its exit status, also where nobody reads the result.

    Raises:
        OutputError: standard output takes no more.
    """
    try:
        result(text)
        flush_results()
    except BrokenPipeError:
        release_results()
    return status


def release_results() -> None:
    """Writes out what is still buffered before an error message; what cannot be written is dropped.

    Otherwise the interpreter would try again at exit and print a second error.
    """
    try:
        flush_results()
    except (OutputError, BrokenPipeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def talk(text: str, *, quiet: bool = False) -> None:
    """Writes one line on standard error; nothing if `quiet`, or if standard error is closed."""
    if quiet or sys.stderr is None:
        return
    try:
        sys.stderr.write(f"mixmon: {printable(' '.join(text.split()))}\n")
        sys.stderr.flush()
    except OSError:
        return


_LIBRARY_LINES = 5  # our choice: enough to see what it is about


class LibraryTalk(logging.Handler):
    """What libraries log, as talk: without control characters, and no more than a few lines."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._left = _LIBRARY_LINES

    def emit(self, record: logging.LogRecord) -> None:
        """Writes the line, if it is one of the first."""
        self._left -= 1
        if self._left >= 0:
            talk(f"{record.name.partition('.')[0]}: {record.getMessage()}")


def tame_libraries() -> None:
    """Sends what libraries log through `LibraryTalk`; lines of logs that python-can warns of are counted."""
    if not logging.getLogger().handlers:
        logging.getLogger().addHandler(LibraryTalk())
    logging.getLogger("can.io").setLevel(logging.CRITICAL)


def unwritable(path: Path | str | None, error: OSError | ValueError) -> OutputError:
    """The error of a file that cannot be written."""
    return OutputError(
        f"{path}: {reason_of(error)}; expected a place with room that can be written; choose another"
    )
