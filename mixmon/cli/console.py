"""Results go to standard output, talk goes to standard error."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType, TracebackType
from typing import Self

from mixmon.errors import OutputError
from mixmon.report.text import printable

# ----------------------------------------------------------------------------------------------------
# Being asked to stop: the first signal is a wish, so that what is under way can be closed properly.
# ----------------------------------------------------------------------------------------------------

_SIGNALS = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)


class Stopping:
    """While it is entered, an interrupt, a termination or a hang-up only sets `asked`.

    first  is called in a thread of its own the first time
    """

    def __init__(self, first: Callable[[], None] = lambda: None) -> None:
        self.asked = False
        self._first = first
        self._before: dict[int, object] = {}

    def __enter__(self) -> Self:
        for number in _SIGNALS:
            self._before[number] = signal.signal(number, self._take_signal)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _take_signal(self, _number: int, _frame: FrameType | None) -> None:
        if not self.asked:
            self.asked = True
            threading.Thread(target=self._first, name="stopping", daemon=True).start()


def result(text: str) -> None:
    """Writes a result to standard output; its bytes do not depend on the platform's line ends.

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


_ATOMIC = 4096
"""A pipe takes so many bytes as a whole or not at all (POSIX asks for 512, Linux grants 4096)."""


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
    """The data cut after line ends, as near to `_ATOMIC` bytes as lines allow."""
    start = 0
    while start < len(data):
        end = data.rfind(b"\n", start, start + _ATOMIC) + 1 or start + _ATOMIC
        yield data[start:end]
        start = end


def flush_results() -> None:
    """Sees to it that every result has left; raises as `result` does."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise _output_error(error) from error


def _output_error(error: OSError) -> OutputError:
    why = error.strerror or error
    return OutputError(f"standard output: {why}; expected room for results; make room or send them elsewhere")


def conclude(text: str, status: int) -> int:
    """Writes the one result of a command, and gives its exit status, which stands though nobody reads on.

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
    """Sends off what is left on a way out that has its own complaint; what will not go is dropped.

    Otherwise the interpreter would try again at exit and complain on its own.
    """
    try:
        flush_results()
    except (OutputError, BrokenPipeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def talk(text: str, *, quiet: bool = False) -> None:
    """Says one line on standard error, unless asked to be quiet or nobody listens."""
    if quiet or sys.stderr is None:
        return
    try:
        sys.stderr.write(f"mixmon: {printable(' '.join(text.split()))}\n")
        sys.stderr.flush()
    except OSError:
        return
