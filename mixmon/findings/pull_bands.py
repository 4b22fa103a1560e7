"""Bands of speed into which pulls are tabulated, and the batches that a band is made of."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_BANDS = 12
BATCH_S = 0.25

_WIDTHS = (50.0, 100.0, 125.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0, 1000.0, 1500.0, 2000.0)
_STUB = 0.4
"""A band at an end that is covered by less than this part belongs to its neighbour."""

_MARGIN = 0.1  # of a band's width, for the noise of the first and the last speed

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bands:
    """Neighbouring bands of speed, named by their centres.

    Band i holds edges[i] <= rpm < edges[i + 1].
    """

    centres: tuple[float, ...]
    edges: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.centres)


def bands_over(from_rpm: float, to_rpm: float, most: int = MOST_BANDS) -> Bands:
    """Bands with round centres over a range of speed, as narrow as `most` of them allow.

    >>> bands_over(2480, 7900).centres
    (2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0, 7000.0, 7500.0)
    """
    for width in _WIDTHS:
        bands = _bands(from_rpm, to_rpm, width)
        if len(bands) <= most:
            break
    return bands


def _bands(from_rpm: float, to_rpm: float, width: float) -> Bands:
    first, last = (math.floor(rpm / width + 0.5) for rpm in (from_rpm, to_rpm))
    if last > first and (first + 0.5) * width - from_rpm < _STUB * width:
        first += 1
    if last > first and to_rpm - (last - 0.5) * width < _STUB * width:
        last -= 1
    inner = tuple((i + 0.5) * width for i in range(first, last))
    low = min(from_rpm - _MARGIN * width, (first - 0.5) * width)
    high = max(to_rpm + _MARGIN * width, (last + 0.5) * width)
    return Bands(tuple(i * width for i in range(first, last + 1)), (low, *inner, high))


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """m batches of n nodes in order of speed, each of about a quarter of a second.

    band    int64[m]       index of the band
    centre  float64[m]     speed at the middle
    y       float64[m, n]  mean ln lambda; NaN where too few readings were counted
    target  float64[m, n]  mean ln target of the same readings; NaN where not known
    rows    int64[m, n]    readings counted
    due     int64[m, n]    readings whose gas was burnt at such speeds, counted or not
    """

    band: NDArray[np.int64]
    centre: Floats
    y: Floats
    target: Floats
    rows: NDArray[np.int64]
    due: NDArray[np.int64]


def batches(bands: Bands, rate: float, rpm: Floats, y: Floats, target: Floats) -> Batches:
    """Sorts readings by speed.

    rate           rpm/s of the sweep
    rpm, y, target float64[k, n]; y is NaN where not counted, rpm where not known
    """
    band, edges = _parts(bands, rate)
    m, n = len(band), y.shape[1]
    place = np.searchsorted(edges, rpm, side="right") - 1
    inside = np.isfinite(rpm) & (place >= 0) & (place < m)
    cell = place * n + np.arange(n)
    counted = inside & np.isfinite(y)
    rows = _count(cell[counted], m, n)
    due = _count(cell[inside], m, n)
    enough = (rows > 0) & (2 * rows >= due)
    return Batches(
        band=band,
        centre=(edges[1:] + edges[:-1]) / 2,
        y=np.where(enough, _mean(cell[counted], y[counted], rows), np.nan),
        target=np.where(enough, _mean(cell[counted], target[counted], rows), np.nan),
        rows=np.where(enough, rows, 0),
        due=due,
    )


def _parts(bands: Bands, rate: float) -> tuple[NDArray[np.int64], Floats]:
    """Bands cut into batches: the band of each, and their edges."""
    numbers: list[int] = []
    edges: list[float] = []
    for i in range(len(bands)):
        low, high = bands.edges[i], bands.edges[i + 1]
        parts = max(1, round((high - low) / (rate * BATCH_S)))
        numbers += [i] * parts
        edges += np.linspace(low, high, parts, endpoint=False).tolist()
    return np.array(numbers, np.int64), np.array([*edges, bands.edges[-1]])


def _count(cell: NDArray[np.int64], m: int, n: int) -> NDArray[np.int64]:
    return np.bincount(cell, minlength=m * n).reshape(m, n)


def _mean(cell: NDArray[np.int64], values: Floats, rows: NDArray[np.int64]) -> Floats:
    total = np.bincount(cell, values, minlength=rows.size).reshape(rows.shape)
    mean: Floats = np.divide(total, rows, out=np.full(rows.shape, np.nan), where=rows > 0)
    return mean
