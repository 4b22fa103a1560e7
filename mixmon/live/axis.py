"""Where in a recording a frame is played: its time as it is spent by whoever watches.

Stamps of a recording may jump: logs joined end to end, a device that was reset. A jump ahead is
played as the longest silence that is played at all, a jump back as none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.frames.clock import BACKWARD_JUMP_NS, FORWARD_JUMP_NS

Stamps = NDArray[np.int64]


class Axis:
    """A stage: stamps in, places in ns from the first frame out; places never fall."""

    def __init__(self) -> None:
        self._newest: int | None = None
        self._offset = 0  # stamp less place

    def feed(self, t: Stamps) -> tuple[Stamps, Stamps]:
        """The place of every stamp of int64[n], and the largest stamp up to it in its stretch of time."""
        places, largest = np.empty(len(t), np.int64), np.empty(len(t), np.int64)
        done = 0
        while done < len(t):
            done = self._stretch(t, done, places, largest)
        return places, largest

    def _stretch(self, t: Stamps, first: int, places: Stamps, largest: Stamps) -> int:
        """Place the stamps up to the next jump; gives where that is."""
        start = int(t[first])
        if self._newest is None:
            self._offset = start
        elif start > self._newest + FORWARD_JUMP_NS:
            self._offset += start - self._newest - FORWARD_JUMP_NS
        elif start < self._newest - BACKWARD_JUMP_NS:
            self._offset += start - self._newest
        else:
            start = max(start, self._newest)
        risen = np.maximum.accumulate(np.concatenate([[start], t[first:]]))
        step = t[first:] - risen[:-1]
        jump = (step > FORWARD_JUMP_NS) | (step < -BACKWARD_JUMP_NS)
        count = int(jump.argmax()) if jump.any() else len(step)
        largest[first : first + count] = risen[1 : count + 1]
        places[first : first + count] = risen[1 : count + 1] - self._offset
        self._newest = int(risen[count])
        return first + count
