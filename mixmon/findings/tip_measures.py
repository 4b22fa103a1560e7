"""A tip in numbers, one set a cylinder: how far, how much, how long; and repeats taken together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.stats import student_t95
from mixmon.findings.tip_trace import LEVEL_ROWS, TipTrace
from mixmon.mixture.align import GRID_NS

BACK_WITHIN = 0.02
"""In lambda: nearer to its own settled mixture a cylinder counts as come back."""

_STAYS_ROWS = 20
_SMOOTH_ROWS = 5
_FEWEST_REPEATS = 3
_STEP_S = GRID_NS / 1e9

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TipMeasure:
    """One cylinder's excursion, lambda and seconds; lean is positive.

    Times count from the arrival of the new gas at the sensor and hold the lag to which all sensors
    were brought.

    peak         largest excursion, over 50 ms
    peak_s       when
    area         lambda times seconds, over the whole time; the sensor's lag does not change it
    back_s       when it is back within `BACK_WITHIN` to stay; 0 if it never left, NaN if it does not come
    over_target  highest lambda over the target, over 50 ms; NaN where no target is known
    noise        standard deviation of the same before the tip: a peak below three of these may be chance
    """

    peak: float
    peak_s: float
    area: float
    back_s: float
    over_target: float
    noise: float


@dataclass(frozen=True, slots=True)
class Repeated:
    """Repeats of a tip, averaged moment by moment and then measured.

    peak_half, area_half   half the 95 % interval by the scatter of the repeats; NaN for fewer than three
    """

    mean: TipMeasure
    repeats: int
    peak_half: float
    area_half: float


def measures(trace: TipTrace) -> tuple[TipMeasure | None, ...]:
    """One for each node; None where it could not be judged."""
    smooth = _smoothed(trace.excursion)
    over = _smoothed(trace.over_target)
    return tuple(
        _measure(trace.excursion[:, j], smooth[:, j], over[:, j], int(trace.arrival[j]))
        if np.isfinite(smooth[:, j]).all()
        else None
        for j in range(smooth.shape[1])
    )


def repeated(traces: Sequence[TipTrace]) -> tuple[Repeated | None, ...]:
    """Repeats taken together, one for each node; None where it could not be judged in any.

    The traces are cut to the shortest.
    """
    rows = min(len(trace.excursion) for trace in traces)
    excursions = np.array([trace.excursion[:rows] for trace in traces])
    over = np.array([trace.over_target[:rows] for trace in traces])
    arrival = np.rint(np.mean([trace.arrival for trace in traces], axis=0)).astype(np.int64)
    together = measures(TipTrace(_mean_over(excursions), _mean_over(over), arrival))
    single = [measures(trace) for trace in traces]
    return tuple(_repeat(mean, [s[j] for s in single]) for j, mean in enumerate(together))


def _repeat(mean: TipMeasure | None, single: Sequence[TipMeasure | None]) -> Repeated | None:
    known = [one for one in single if one is not None]
    if mean is None:
        return None
    return Repeated(mean, len(known), _half([one.peak for one in known]), _half([one.area for one in known]))


def _half(values: list[float]) -> float:
    n = len(values)
    if n < _FEWEST_REPEATS:
        return np.nan
    return student_t95(n - 1) * float(np.std(values, ddof=1)) / float(np.sqrt(n))


def _measure(raw: Floats, smooth: Floats, over: Floats, arrival: int) -> TipMeasure:
    after = smooth[arrival:]
    peak = int(np.argmax(np.abs(after)))
    return TipMeasure(
        peak=float(after[peak]),
        peak_s=peak * _STEP_S,
        area=float(raw[arrival:].sum()) * _STEP_S,
        back_s=_back_s(after, peak),
        over_target=float(over[arrival:].max()),
        noise=float(np.std(smooth[:LEVEL_ROWS])),
    )


def _back_s(after: Floats, peak: int) -> float:
    """Seconds until it is back within the band and stays there for a fifth of a second."""
    if abs(after[peak]) <= BACK_WITHIN:
        return 0.0
    inside = np.abs(after[peak:]) <= BACK_WITHIN
    held = np.convolve(inside, np.ones(_STAYS_ROWS), "valid") > _STAYS_ROWS - 0.5
    return (peak + int(np.argmax(held))) * _STEP_S if held.any() else np.nan


def _smoothed(x: Floats) -> Floats:
    """Centred mean over five rows, fewer at the ends, float64[k, n]."""
    half = _SMOOTH_ROWS // 2
    padded = np.pad(x, ((half, half), (0, 0)), constant_values=0.0)
    count = np.pad(np.ones((len(x), 1)), ((half, half), (0, 0)))
    total = sum(padded[i : i + len(x)] for i in range(_SMOOTH_ROWS))
    return np.asarray(total / sum(count[i : i + len(x)] for i in range(_SMOOTH_ROWS)))


def _mean_over(x: Floats) -> Floats:
    """Mean over the first axis, NaN left out; NaN where all are."""
    count = np.isfinite(x).sum(axis=0)
    mean: Floats = np.divide(np.nansum(x, axis=0), count, out=np.full(count.shape, np.nan), where=count > 0)
    return mean
