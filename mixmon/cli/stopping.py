"""Being asked to stop: the first signal is a wish, so that what is under way can be closed properly."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Self

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
            self._before[number] = signal.signal(number, self._ask)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _ask(self, _number: int, _frame: FrameType | None) -> None:
        if not self.asked:
            self.asked = True
            threading.Thread(target=self._first, name="stopping", daemon=True).start()
