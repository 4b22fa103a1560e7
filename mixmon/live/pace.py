"""How fast a recording is played: places that are due, by the clock on the wall."""

from __future__ import annotations

import time
from collections.abc import Callable

EVER = 1 << 62


class Pace:
    """Speed, pause and haste.

    speed   1 as it was recorded; None as fast as it can be worked
    paused  held still
    """

    def __init__(self, speed: float | None, clock: Callable[[], int] = time.monotonic_ns) -> None:
        self.speed = speed
        self.paused = False
        self._clock = clock
        self._from = (clock(), 0)
        self._rush_to: int | None = None

    def due(self, place: int) -> int:
        """How far may be played now; `place` is how far it has been."""
        if self._rush_to is not None:
            if place < self._rush_to:
                return self._rush_to
            self._rush_to = None
            self.anchor(place)
        if self.paused:
            return place
        if self.speed is None:
            return EVER
        began, at = self._from
        return at + int((self._clock() - began) * self.speed)

    @property
    def hurried(self) -> bool:
        """True while there is nothing to wait for."""
        return self._rush_to is not None or (self.speed is None and not self.paused)

    def anchor(self, place: int) -> None:
        """Count from here and now."""
        self._from = (self._clock(), place)

    def rush(self, to: int) -> None:
        """Play up to that place without waiting, then as before."""
        self._rush_to = to
