"""What a table beside a run shows in the pulls: its columns by bands of speed.

Between two samples that are neighbours a straight line is taken; over longer gaps nothing is. A band whose
time is not covered by half has no value. The error of the lag moves the values along a sweep: half of the
difference between the earliest and the latest lag of its interval is told beside each value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Ints
from mixmon.beside.beside import Beside, lines_between
from mixmon.findings.pulls.bands import Bands
from mixmon.findings.pulls.pulls import Pull

_FINE_NS = SECOND_NS // 100
"""Step of the times over which a band's mean is taken: a row of a run."""

_LEAST_COVERED = 0.5
"""Part of a band's time that has to be known; our choice."""


@dataclass(frozen=True, slots=True, eq=False)
class BesideBands:
    """A table in one pull.

    mean     float64[b, c]  mean of each column over the band; NaN where not known
    half     float64[b, c]  by which the error of the lag may move it; NaN where that is not known
    samples  int64[b]       samples of the table in the band
    """

    mean: Floats
    half: Floats
    samples: Ints


def beside_in_pull(beside: Beside, pull: Pull, bands: Bands) -> BesideBands:
    """The columns of a table by the bands of a pull; speeds are the run's own."""
    t = np.arange(pull.begin, pull.end + 1, _FINE_NS, dtype=np.int64)
    shift = float(beside.half_at(t[len(t) // 2 :][:1])[0])
    rpm = lines_between(beside.t, beside.rpm, t, beside.longest_ns)
    place = np.searchsorted(bands.edges, rpm, side="right") - 1
    here = place[:, None] == np.arange(len(bands))
    shape = (len(bands), len(beside.names))
    mean, half = np.full(shape, np.nan), np.full(shape, np.nan)
    for c in range(len(beside.names)):
        mean[:, c] = _mean_in_bands(beside, c, t, here)
        if np.isfinite(shift):
            moved = round(shift * SECOND_NS)
            early, late = (_mean_in_bands(beside, c, t + by, here) for by in (-moved, moved))
            half[:, c] = np.abs(late - early) / 2
    inside = (beside.t >= pull.begin) & (beside.t <= pull.end)
    at = np.searchsorted(bands.edges, beside.rpm[inside], side="right") - 1
    samples = np.array([int((at == b).sum()) for b in range(len(bands))], np.int64)
    return BesideBands(mean, half, samples)


def _mean_in_bands(beside: Beside, column: int, t: Ints, here: Bools) -> Floats:
    """Mean of a column over the times of each band; NaN where less than half of them is known."""
    values = beside.at(column, t)
    known = here & np.isfinite(values)[:, None]
    count = known.sum(axis=0)
    enough = (count > 0) & (count >= _LEAST_COVERED * here.sum(axis=0))
    total = np.where(known, np.nan_to_num(values)[:, None], 0.0).sum(axis=0)
    return np.where(enough, total / np.maximum(count, 1), np.nan)
