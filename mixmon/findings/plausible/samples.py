"""What a signal did over a whole log, in a room that does not grow with the log."""

from __future__ import annotations

import numpy as np

from mixmon.arrays import SECOND_NS, Bytes, Floats, Ints
from mixmon.messages.plan import Quality

_LEAST_KEPT = 8192
"""Samples that are kept at least, once there were so many. Our choice: a minute and more at 100 Hz."""

_MOST_VALUES = 32
"""Different values that are told apart. Our choice: more than a state has, less than a measured number."""

_LONGEST_STEP_NS = 5 * SECOND_NS
"""A longer time between two samples is a silence and no step. Our choice: identity frames come each 2 s."""


class SignalSamples:
    """Samples of one signal, block after block.

    Carry: counts, extremes, the different values while they are few, and every n-th good sample, where n
    doubles as the log goes on. So the same log gives the same samples however it is cut.

    frames, good     samples that came, and those with a good value
    values_seen      each different good value with its count; None where there are more than 32
    """

    def __init__(self) -> None:
        self.frames = self.good = 0
        self.values_seen: dict[float, int] | None = {}
        self._every = 1
        self._t = np.zeros(0, np.int64)
        self._values = np.zeros(0)
        self._newest: int | None = None
        self._steps = 0
        self._stepped_ns = 0

    def feed(self, t: Ints, values: Floats, quality: Bytes) -> None:
        """Take m samples: stamps int64[m] in ns, values float64[m], quality uint8[m]."""
        self._count_steps(t)
        self.frames += len(t)
        rows = np.flatnonzero((quality == Quality.GOOD) & np.isfinite(values))
        kept = rows[(np.arange(self.good, self.good + len(rows)) % self._every) == 0]
        self.good += len(rows)
        self._note_values(values[rows])
        self._t = np.concatenate([self._t, t[kept]])
        self._values = np.concatenate([self._values, values[kept]])
        while len(self._t) >= 2 * _LEAST_KEPT:
            self._t, self._values, self._every = self._t[::2], self._values[::2], 2 * self._every

    @property
    def t(self) -> Ints:
        """Stamps of the kept samples in their order of time, int64[k]."""
        return np.sort(self._t, kind="stable")

    @property
    def values(self) -> Floats:
        """Their values, float64[k]."""
        return self._values[np.argsort(self._t, kind="stable")]

    @property
    def step_s(self) -> float:
        """Mean time between two samples without silences; NaN where there are not two."""
        return self._stepped_ns / self._steps / SECOND_NS if self._steps else np.nan

    def _count_steps(self, t: Ints) -> None:
        if not len(t):
            return
        steps = np.diff(t, prepend=t[0] if self._newest is None else self._newest)
        usual = steps[(steps > 0) & (steps < _LONGEST_STEP_NS)]
        self._steps += len(usual)
        self._stepped_ns += int(usual.sum())
        self._newest = int(t[-1])

    def _note_values(self, values: Floats) -> None:
        if self.values_seen is None:
            return
        found, counts = np.unique(values, return_counts=True)
        if len(found) > _MOST_VALUES:
            self.values_seen = None
            return
        for value, count in zip(found.tolist(), counts.tolist(), strict=True):
            self.values_seen[value] = self.values_seen.get(value, 0) + count
        if len(self.values_seen) > _MOST_VALUES:
            self.values_seen = None
