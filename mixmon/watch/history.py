"""The last minutes, row by row, for pictures of what has just happened.

Seconds of rows are frozen one by one: a snapshot holds them by reference, and nothing is copied when one
is taken. A second belongs to its hundred rows, however rows were cut into blocks. The second that is
not over yet is not in it: the screens show the newest moment in other ways.
"""

from __future__ import annotations

import zlib
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Bytes, Ints
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock

SECOND_ROWS: Final = SECOND_NS // GRID_NS

KEPT_SECONDS: Final = 300
"""Our choice: an alarm or an event is looked at within five minutes, or in a replay; 8 MiB at 16 nodes."""

Singles = NDArray[np.float32]
"""Values to be drawn: half of the memory, and seven digits."""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """k rows of n nodes, in order of time, of one stretch.

    t       int64[k]       ns
    lam     float32[k, n]  lambda of the newest sample, in whatever state; NaN if none
    oxygen  float32[k, n]  oxygen balance, percent; NaN if unknown
    target  float32[k, n]  lambda that was asked for when the gas left its valve; NaN if unknown
    state   uint8[k, n]    SampleState
    supply  float32[k, n]  volts; NaN if unknown
    rpm     float32[k]     NaN if unknown
    """

    t: Ints
    lam: Singles
    oxygen: Singles
    target: Singles
    state: Bytes
    supply: Singles
    rpm: Singles

    def __len__(self) -> int:
        return len(self.t)


class History:
    """The whole seconds that are kept, oldest first. Never changed."""

    __slots__ = ("seconds",)

    def __init__(self, seconds: tuple[Rows, ...] = ()) -> None:
        self.seconds = seconds

    def __repr__(self) -> str:
        """How many seconds, and a digest of all that is in them."""
        digest = 0
        for second in self.seconds:
            for field in fields(second):
                digest = zlib.crc32(np.ascontiguousarray(getattr(second, field.name)).tobytes(), digest)
        return f"History({len(self.seconds)} s, {digest:08x})"

    def between(self, first: int, last: int) -> tuple[Rows, ...]:
        """The seconds in which rows from `first` to `last`, ns, lie; a key for what is drawn of them."""
        begin = bisect_left(self.seconds, first, key=lambda s: int(s.t[-1]))
        end = bisect_right(self.seconds, last, key=lambda s: int(s.t[0]))
        return self.seconds[begin:end]

    def latest(self, count: int) -> tuple[Rows, ...]:
        """The newest seconds, at most `count`."""
        return self.seconds[-count:]


def join_rows(seconds: Sequence[Rows]) -> Rows:
    """Seconds as one; at least one."""
    return Rows(*(np.concatenate([getattr(s, field.name) for s in seconds]) for field in fields(Rows)))


class HistoryStage:
    """A stage: rows in; each hundred of a stretch becomes a frozen second."""

    def __init__(self) -> None:
        self._open: list[Rows] = []
        self._rows = 0
        self._stretch: int | None = None
        self._seconds: deque[Rows] = deque(maxlen=KEPT_SECONDS)
        self._history = History()

    def feed(self, rows: CylinderBlock) -> None:
        """Takes rows of one stretch of time; seconds of an earlier stretch are dropped."""
        if self._stretch != int(rows.stretch[0]):
            self._stretch = int(rows.stretch[0])
            self._open.clear()
            self._rows = 0
            self._seconds.clear()
            self._history = History()
        closed = False
        at = 0
        while at < len(rows):
            end = min(at + SECOND_ROWS - self._rows, len(rows))
            self._open.append(_frozen(rows, slice(at, end)))
            self._rows += end - at
            at = end
            if self._rows == SECOND_ROWS:
                self._seconds.append(join_rows(self._open))
                self._open.clear()
                self._rows = 0
                closed = True
        if closed:
            self._history = History(tuple(self._seconds))

    def history(self) -> History:
        """The seconds that are over."""
        return self._history


def _frozen(rows: CylinderBlock, part: slice) -> Rows:
    """Some of the rows, as arrays of their own."""
    k, n = rows.lam[part].shape
    unknown = np.full((k, n), np.nan, np.float32)
    rpm, target, supply = rows.now.get("rpm"), rows.shifted.get("target"), rows.aux.get("supply")
    return Rows(
        rows.t[part].copy(),
        _as_singles(rows.lam[part]),
        _as_singles(rows.oxygen[part]),
        unknown if target is None else _as_singles(target[part]),
        rows.state[part].copy(),
        unknown if supply is None else _as_singles(supply[part]),
        unknown[:, 0] if rpm is None else _as_singles(rpm[part]),
    )


def _as_singles(values: NDArray[np.float64]) -> Singles:
    with np.errstate(over="ignore"):  # a sender may report any number
        return values.astype(np.float32)
