"""One stream of samples, looked up at any time: the newest sample at or before it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.block import SignalBlock
from mixmon.messages.plan import Quality, Selector

_UNSEEN = np.int64(-1)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a quantity comes from and how its number is read.

    value = decoded * scale + offset, then turned into lambda by `unit` (phi, afr with its
    `stoich_afr`); with `equals`, 1.0 where the decoded value is one of those, else 0.0.
    `selectors` are those of the signal: signals under the same ones arrive together.
    """

    bus: int
    message: str
    signal: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    stoich_afr: float | None = None
    equals: tuple[float, ...] | None = None
    selectors: tuple[Selector, ...] = ()
    cycle_ns: int | None = None

    @property
    def stream(self) -> tuple[int, str, tuple[Selector, ...]]:
        """What identifies the stream of samples that carries it."""
        return (self.bus, self.message, self.selectors)

    def read(self, decoded: NDArray[np.float64]) -> NDArray[np.float64]:
        """The quantity from decoded values; NaN stays NaN."""
        if self.equals is not None:
            hit = np.isin(decoded, self.equals).astype(np.float64)
            return np.where(np.isnan(decoded), np.nan, hit)
        value = decoded * self.scale + self.offset if (self.scale, self.offset) != (1.0, 0.0) else decoded
        if self.unit == "phi":
            with np.errstate(divide="ignore"):
                return 1.0 / value
        if self.unit == "afr":
            return value / (self.stoich_afr or np.nan)
        return value


class Track:
    """Samples of the sources that arrive together, kept for as long as rows may ask for them.

    t        int64[m]       times, rising
    values   float64[q, m]  one row a source, NaN where the sample has no good value
    quality  uint8[q, m]    Quality
    """

    def __init__(self, sources: tuple[Source, ...]) -> None:
        self.sources = sources
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        q = len(self.sources)
        self.t = np.zeros(0, np.int64)
        self.values = np.zeros((q, 0))
        self.quality = np.zeros((q, 0), np.uint8)

    def add(self, block: SignalBlock) -> None:
        """Take the samples of a decoded message; rows that carry none of the sources are no samples."""
        rows = [block.names.index(source.signal) for source in self.sources]
        quality = block.quality[rows]
        values = np.stack([s.read(block.values[r]) for s, r in zip(self.sources, rows, strict=True)])
        t = block.t
        present = (quality != Quality.MISSING).any(axis=0)
        if not present.all():
            t, values, quality = t[present], values[:, present], quality[:, present]
        if len(self.t):
            t = np.concatenate([self.t, t])
            values = np.concatenate([self.values, values], axis=1)
            quality = np.concatenate([self.quality, quality], axis=1)
        self.t, self.values, self.quality = t, values, quality

    def index(self, times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Position of the newest sample at or before each time; -1 where there is none."""
        return np.searchsorted(self.t, times, side="right") - 1

    def age(self, index: NDArray[np.int64], times: NDArray[np.int64]) -> NDArray[np.int64]:
        """Nanoseconds from the sample to the time; -1 where there is no sample."""
        if not len(self.t):
            return np.full(times.shape, _UNSEEN)
        return np.where(index >= 0, times - self.t[index], _UNSEEN)

    def held(self, row: int, index: NDArray[np.int64]) -> NDArray[np.float64]:
        """Values of source `row` at the positions; NaN where there is no sample."""
        if not len(self.t):
            return np.full(index.shape, np.nan)
        return np.where(index >= 0, self.values[row, index], np.nan)

    def held_quality(self, row: int, index: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Quality at the positions; MISSING where there is no sample."""
        if not len(self.t):
            return np.full(index.shape, Quality.MISSING, np.uint8)
        return np.where(index >= 0, self.quality[row, index], np.uint8(Quality.MISSING))

    def forget(self, before: int) -> None:
        """Drop samples that no time at or after `before` can ask for."""
        first = int(np.searchsorted(self.t, before, side="right")) - 1
        if first > 0:
            self.t = self.t[first:].copy()
            self.values = self.values[:, first:].copy()
            self.quality = self.quality[:, first:].copy()
