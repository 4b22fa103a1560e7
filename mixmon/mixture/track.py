"""One stream of samples, looked up at any time: the newest sample at or before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Floats, Ints
from mixmon.messages.block import SignalBlock
from mixmon.messages.plan import Quality, Selector

NEVER_TOO_OLD = int(np.iinfo(np.int64).max)
"""In place of an age: a value does not become too old."""

_UNSEEN = np.int64(-1)
"""In place of an age where no sample came."""

_MISSING = np.uint8(Quality.MISSING)

_WORTH_FORGETTING = 64
"""Samples that are dropped at a time: our choice, so that arrays are not copied at every block."""


Rows = NDArray[np.intp] | slice
"""Rows of a table."""


def _as_slice(rows: Sequence[int]) -> Rows:
    """The rows as a slice where they follow each other, which costs no copy."""
    first = rows[0]
    together = list(rows) == list(range(first, first + len(rows)))
    return slice(first, first + len(rows)) if together else np.array(rows, np.intp)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a quantity comes from and how its number is read.

    value = decoded * scale + offset, then turned into lambda by `unit` (phi, afr with its
    `stoich_afr`); with `equals`, 1.0 where the decoded value is one of those, else 0.0.
    `selectors` are those of the signal: signals under the same ones arrive together. What lies outside
    `range` is not known. `old_ns`: how old a value may be; None: as its cycle time says.
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
    range: tuple[float, float] | None = None
    old_ns: int | None = None

    @property
    def stream(self) -> tuple[int, str, tuple[Selector, ...]]:
        """What identifies the stream of samples that carries it."""
        return (self.bus, self.message, self.selectors)

    @property
    def plain(self) -> bool:
        """The decoded number is the quantity."""
        same = (self.scale, self.offset) == (1.0, 0.0)
        return same and self.equals is None and self.unit not in {"phi", "afr"} and self.range is None

    def read(self, decoded: Floats) -> Floats:
        """The quantity from decoded values; NaN stays NaN."""
        if self.equals is not None:
            hit = np.where(np.isnan(decoded), np.nan, 0.0)
            for number in self.equals:
                hit[decoded == number] = 1.0
            return hit
        value = decoded * self.scale + self.offset if (self.scale, self.offset) != (1.0, 0.0) else decoded
        if self.unit == "phi":
            with np.errstate(divide="ignore"):
                return 1.0 / value
        if self.unit == "afr":
            return value / (self.stoich_afr or np.nan)
        return value


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """What a track held at some times, of any shape.

    index    int64[...]       position of the newest sample at or before each time; -1 where there is none
    age      int64[...]       nanoseconds since that sample; -1 where there is none
    values   float64[q, ...]  one a source; NaN where there is no sample, and where it is too old
    quality  uint8[q, ...]    Quality; MISSING where there is no sample
    """

    index: Ints
    age: Ints
    values: Floats
    quality: Bytes


class Track:
    """Samples of the sources that arrive together, kept for as long as rows may ask for them.

    sources  q of them
    old_ns   how old the value of each may be; NEVER_TOO_OLD: however old

    t        int64[m]       times, rising
    values   float64[q, m]  one row a source, NaN where the sample has no good value
    quality  uint8[q, m]    Quality
    samples  how many came
    outside  int64[q]       how many lay outside the range of their source
    """

    def __init__(self, sources: tuple[Source, ...], old_ns: tuple[int, ...]) -> None:
        self._sources = sources
        self._old_ns = np.array(old_ns, np.int64)
        self._soonest_old_ns = min(old_ns)
        self._read = [(i, s) for i, s in enumerate(sources) if not s.plain]
        self.samples = 0
        self.outside = np.zeros(len(sources), np.int64)
        self._names: tuple[str, ...] = ()
        self._rows: Rows = slice(0)
        self.clear()

    @property
    def shape(self) -> tuple[int, ...]:
        """Equal for tracks that `hold_alike` takes together."""
        return tuple(self._old_ns.tolist())

    def clear(self) -> None:
        """Forgets everything."""
        q = len(self._sources)
        self.t = np.zeros(0, np.int64)
        self.values = np.zeros((q, 0))
        self.quality = np.zeros((q, 0), np.uint8)

    def add(self, block: SignalBlock) -> None:
        """Takes the samples of a decoded message; rows that carry none of the sources are no samples."""
        if self._names != block.names:
            self._names = block.names
            self._rows = _as_slice([block.names.index(source.signal) for source in self._sources])
        t, values, quality = block.t, block.values[self._rows], block.quality[self._rows]
        if self._read:
            values = values.copy()
        for i, source in self._read:
            values[i] = source.read(values[i])
            if source.range is not None:
                beyond = (values[i] < source.range[0]) | (values[i] > source.range[1])
                values[i, beyond] = np.nan
                self.outside[i] += np.count_nonzero(beyond)
        self.samples += len(t)
        missing = quality == _MISSING
        if missing.any():
            present = ~missing.all(axis=0)
            t, values, quality = t[present], values[:, present], quality[:, present]
        if len(self.t):
            t = np.concatenate([self.t, t])
            values = np.concatenate([self.values, values], axis=1)
            quality = np.concatenate([self.quality, quality], axis=1)
        self.t, self.values, self.quality = t, values, quality

    def index(self, times: Ints) -> Ints:
        """Position of the newest sample at or before each time; -1 where there is none."""
        return self.t.searchsorted(times, side="right") - 1

    def at(self, times: Ints) -> Held:
        """What is held at times of any shape."""
        index = self.index(times)
        if not len(self.t):
            shape = (len(self._sources), *times.shape)
            missing = np.full(shape, Quality.MISSING, np.uint8)
            return Held(index, np.full(times.shape, _UNSEEN), np.full(shape, np.nan), missing)
        age = times - self.t[index]
        values, quality = self.values.take(index, axis=1), self.quality.take(index, axis=1)
        self.leave_out_old(index, age, values, quality)
        return Held(index, age, values, quality)

    def leave_out_old(self, index: Ints, age: Ints, values: Floats, quality: Bytes) -> None:
        """Clears what is too old and what no sample stands behind; `values` and `quality` are [q, ...]."""
        none = index < 0
        if none.any():
            age[none], values[:, none], quality[:, none] = _UNSEEN, np.nan, Quality.MISSING
        if age.max(initial=_UNSEEN) > self._soonest_old_ns:
            values[age > self._old_ns.reshape(-1, *[1] * age.ndim)] = np.nan

    def forget(self, before: int) -> None:
        """Drops samples that no time at or after `before` can ask for, once there are enough of them."""
        first = int(self.t.searchsorted(before, side="right")) - 1
        if first >= _WORTH_FORGETTING:
            self.t = self.t[first:].copy()
            self.values = self.values[:, first:].copy()
            self.quality = self.quality[:, first:].copy()


def hold_alike(tracks: Sequence[Track], times: Ints) -> Held:
    """What g tracks of one `shape` hold at times int64[k], as [g, k] and [q, g, k]; each as by `Track.at`."""
    q, g, k = len(tracks[0].shape), len(tracks), len(times)
    index, sampled = np.empty((g, k), np.int64), np.zeros((g, k), np.int64)
    values, quality = np.full((q, g, k), np.nan), np.full((q, g, k), Quality.MISSING, np.uint8)
    for i, track in enumerate(tracks):
        at = track.t.searchsorted(times, side="right")
        at -= 1
        index[i] = at
        if len(track.t):
            sampled[i] = track.t[at]
            values[:, i] = track.values.take(at, axis=1)
            quality[:, i] = track.quality.take(at, axis=1)
    age = times - sampled
    tracks[0].leave_out_old(index, age, values, quality)
    return Held(index, age, values, quality)
