"""How a command is asked to stop: by a signal, or because its terminal is gone; and that it then ends.

    with handled_signals():          # around a whole command line: a signal raises KeyboardInterrupt
        with Stopping(close) as stopping:      # around work that ends in its own way: it sets a flag
            while not stopping.asked: ...

The first signal asks; further ones change nothing, so that an impatient second Ctrl-C breaks no file that is
being closed. A command that has not ended `ENDS_WITHIN_S` after the first is ended.

A process goes through three times: while it loads, a signal ends it at once (`handle_for_good`); while it
works, a signal raises (`begin_work`); once its result is out, a signal changes no status (`end_work`).
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from types import FrameType, TracebackType
from typing import Final, NoReturn, Self

INTERRUPTED: Final = 130
"""The exit status of an interrupted command, as shells have it (128 + 2)."""

ENDS_WITHIN_S: Final = 4.0
"""Our choice: time to close a record on a slow disk, and less than the five seconds after which people and
supervisors begin to kill."""

SAY_S: Final = 0.3
"""Our choice: so long is tried to say that the command was ended."""

_SIGNALS: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)
)


def _raise_interrupt() -> NoReturn:
    raise KeyboardInterrupt


class _Request:
    """Whether this process was asked to stop. There is one, as there is one set of signals."""

    def __init__(self) -> None:
        self.asked = False
        self.handled = False
        self.react: Callable[[], object] = _raise_interrupt
        self._over = threading.Event()

    def ask(self) -> bool:
        """Ask; True the first time."""
        if self.asked:
            return False
        self.asked = True
        self._over = threading.Event()
        threading.Thread(target=_end_late, args=(self._over,), name="last resort", daemon=True).start()
        return True

    def forget(self) -> None:
        """The command line has ended: the next one begins unasked."""
        self._over.set()
        self.asked = False

    def take_signal(self, _number: int, _frame: FrameType | None) -> None:
        """A signal came."""
        if self.ask():
            self.react()


_request = _Request()


def _end_late(over: threading.Event) -> None:
    """Ends the process if it has not ended by itself in time: something in it waits and cannot be asked."""
    if over.wait(ENDS_WITHIN_S):
        return
    words = f"mixmon: interrupted; it did not end within {ENDS_WITHIN_S:g} s and was ended\n"
    last = threading.Thread(target=os.write, args=(2, words.encode()), daemon=True)
    last.start()
    last.join(SAY_S)
    os._exit(INTERRUPTED)


def _install_handlers() -> dict[int, object]:
    """Handles the signals from now on; what handled them before. A hang-up that nohup ignores stays so."""
    before: dict[int, object] = {}
    for number in _SIGNALS:
        if number == getattr(signal, "SIGHUP", None) and signal.getsignal(number) is signal.SIG_IGN:
            continue
        before[number] = signal.signal(number, _request.take_signal)
    return before


def handle_for_good() -> None:
    """Handles the signals as long as the process runs; until its work begins they end it at once.

    While modules are loaded there is nothing to close and nothing to tell, and an exception would come out of
    the middle of a library.
    """
    if not _request.handled:
        _request.handled = True
        _request.react = end_now
        _install_handlers()


def begin_work() -> None:
    """All is loaded: from now on a signal raises KeyboardInterrupt, or is noted by `Stopping`."""
    _request.react = _raise_interrupt


def end_work(status: int) -> None:
    """The result is out, and the interpreter clears up: a signal ends that at once, with the same status."""
    _request.react = partial(os._exit, status)


def end_now() -> NoReturn:
    """Ends the process as interrupted, without the interpreter's own clearing up.

    That takes a while, and near its end signals kill again: a second Ctrl-C would change the exit status.
    """
    os._exit(INTERRUPTED)


@contextmanager
def handled_signals() -> Iterator[None]:
    """Inside, the first signal raises KeyboardInterrupt in the main thread, and later ones do nothing.

    Does nothing in a thread that is not the main one, where signals cannot be handled.
    """
    if _request.handled or threading.current_thread() is not threading.main_thread():
        yield
        return
    _request.handled = True
    before = _install_handlers()
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
        _request.handled = False
        _request.forget()


class Stopping:
    """Inside its `with` block a signal, or `ask`, sets `asked` and raises nothing.

    first  called once, in a thread of its own, when first asked: also where the main thread waits for
           something that never comes
    """

    def __init__(self, first: Callable[[], object] = lambda: None) -> None:
        self.asked = False
        self._first = first

    def __enter__(self) -> Self:
        _request.react = self._note
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        _request.react = _raise_interrupt

    def ask(self) -> None:
        """Ask as a signal does; from any thread."""
        if _request.ask():
            self._note()

    def _note(self) -> None:
        self.asked = True
        threading.Thread(target=self._first, name="stopping", daemon=True).start()


def at_terminal() -> bool:
    """True if standard input and output are a terminal: someone can see the screen and press keys."""
    return not why_no_screen()


def why_no_screen() -> str:
    """Why no screen can be drawn, in words; empty where one can.

    A terminal that calls itself dumb has no cursor that could be moved, so no screen can be drawn on it.
    """
    if os.environ.get("TERM") == "dumb":
        return "the terminal is dumb (TERM=dumb): it has no cursor to move"
    for stream, name in ((sys.stdin, "input"), (sys.stdout, "output")):
        if stream is None or not stream.isatty():
            return f"no terminal: the {name} is a pipe or a file"
    return ""
