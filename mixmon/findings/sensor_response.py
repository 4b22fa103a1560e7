"""What all events of a run together say of every sensor, and how it stands among its peers.

Several measures of one time are weighted by their errors; where they differ by more than these, the
interval is widened (Birge, Phys. Rev. 40, 1932; from memory). An error of shape, which all of them
share, is not averaged away.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.delay import DelayPoint
from mixmon.findings.response_events import LEAN, RICH, Cut, Going
from mixmon.findings.stats import student_t95
from mixmon.findings.step_fit import NOT_SHARP
from mixmon.session.model import Node

SLOW_RATIO = 2.0
"""Times its peers' T63 from which on a sensor is suspect (common practice, no source)."""

UNEVEN_RATIO = 1.15
AIR_PERCENT = 1.5
WARM_UP_RATIO = 1.4
"""When two ways differ, an air reading or a warm-up is named (own choice)."""

_UNEVEN_SURE = 1.5  # of the 95 % half-width: there are many sensors, and one of them always seems uneven
_KNOWN_DOF = 3  # what an event's own error is worth in events
_STRETCHED_DOF = 4
_PERCENT_FLOOR = 0.02

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Time:
    """A time of one sensor from several events: s, half of its 95 % interval, and from what.

    tau_s    time constant of the element alone; NaN where only fuel steps told
    cuts, steps   how many fuel cuts, and windows with fuel steps
    """

    t63_s: float = np.nan
    half_s: float = np.nan
    tau_s: float = np.nan
    cuts: int = 0
    steps: int = 0


@dataclass(frozen=True, slots=True)
class SensorResponse:
    """One sensor of the run; NaN where something is not known.

    position, cylinders, sensor   as in the session
    lean, rich     T63 of rising and of falling readings
    t63_s          mean of both, or the one that is known
    times_peers    t63_s over the median of the other sensors
    uneven         lean-going over rich-going, by the same of the others; uneven_half at 95 %
    air_percent    oxygen read in air, mean of all cuts; air_half_percent at 95 %
    air_to_peers_percent      reading over the median of the others, less one
    air_to_expected_percent   reading over the oxygen of the air, less one, where that was told
    warm_up_s, warm_up_times_peers
    left_out       reason to number of ways that could not be measured
    flags          in words
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None
    lean: Time
    rich: Time
    t63_s: float
    times_peers: float
    uneven: float
    uneven_half: float
    air_percent: float
    air_half_percent: float
    air_to_peers_percent: float
    air_to_expected_percent: float
    warm_up_s: float
    warm_up_times_peers: float
    left_out: Mapping[str, int]
    flags: tuple[str, ...]


def sensor_responses(
    nodes: Sequence[Node],
    cuts: Sequence[Cut],
    points: Sequence[DelayPoint],
    warm_up_s: Floats,
    expected_air: float | None = None,
) -> tuple[SensorResponse, ...]:
    """One result a node.

    Args:
        nodes: of the chain, in the order of the columns.
        cuts: all of the run.
        points: fuel steps of the run.
        warm_up_s: of each node.
        expected_air: oxygen of the air as it is, percent.
    """
    n = len(nodes)
    lean = [_time(_goings(cuts, LEAN), points, "lean", j) for j in range(n)]
    rich = [_time(_goings(cuts, RICH), points, "rich", j) for j in range(n)]
    t63 = np.array([_mean_of_known(a.t63_s, b.t63_s) for a, b in zip(lean, rich, strict=True)])
    times = t63 / _others(t63)
    ways = np.array([np.log(a.t63_s / b.t63_s) for a, b in zip(lean, rich, strict=True)])
    ways = ways - np.nan_to_num(_others(ways))
    ways_half = np.array(
        [np.hypot(a.half_s / a.t63_s, b.half_s / b.t63_s) for a, b in zip(lean, rich, strict=True)]
    )
    air, air_half = _air(cuts, n)
    to_peers = 100.0 * (air / _others(air) - 1.0)
    to_expected = 100.0 * (air / expected_air - 1.0) if expected_air else np.full(n, np.nan)
    warm = warm_up_s / _others(warm_up_s)
    return tuple(
        SensorResponse(
            position=node.position,
            cylinders=node.cylinders,
            sensor=node.sensor,
            lean=lean[j],
            rich=rich[j],
            t63_s=float(t63[j]),
            times_peers=float(times[j]),
            uneven=float(np.exp(ways[j])),
            uneven_half=float(np.exp(ways[j]) * ways_half[j]),
            air_percent=float(air[j]),
            air_half_percent=float(air_half[j]),
            air_to_peers_percent=float(to_peers[j]),
            air_to_expected_percent=float(to_expected[j]),
            warm_up_s=float(warm_up_s[j]),
            warm_up_times_peers=float(warm[j]),
            left_out=_left_out(cuts, j),
            flags=_flags(times[j], ways[j], ways_half[j], to_peers[j], warm[j]),
        )
        for j, node in enumerate(nodes)
    )


def _goings(cuts: Sequence[Cut], way: str) -> list[Going]:
    """One way of all cuts that have it."""
    return [going for cut in cuts if (going := cut.lean if way == LEAN else cut.rich) is not None]


def _time(goings: Sequence[Going], points: Sequence[DelayPoint], way: str, j: int) -> Time:
    """One way of one sensor from all events."""
    cut = [(g.fit.t63_s[j], g.fit.t63_sd[j], g.fit.tau_s[j]) for g in goings if np.isfinite(g.fit.t63_s[j])]
    names = (f"{way}_s", f"{way}_sd")
    step = [tuple(float(getattr(p.fit, name)[j]) for name in names) for p in points]
    step = [one for one in step if np.isfinite(one[0])]
    if not cut and not step:
        return Time()
    value = np.array([one[0] for one in (*cut, *step)])
    weight = np.array([one[1] for one in (*cut, *step)]) ** -2.0
    mean = float(weight @ value / weight.sum())
    chi2 = float(weight @ (value - mean) ** 2) / max(len(value) - 1, 1)
    error = float(np.sqrt(max(chi2, 1.0) / weight.sum()))
    error = float(np.hypot(error, 0.5 * NOT_SHARP * mean))
    own = weight[: len(cut)]
    tau = float(own @ np.array([one[2] for one in cut]) / own.sum()) if cut else np.nan
    half = student_t95(len(value) + _KNOWN_DOF) * error
    return Time(mean, half, tau, len(cut), len(step))


def _air(cuts: Sequence[Cut], n: int) -> tuple[Floats, Floats]:
    """Mean reading in air of each node, and half of its 95 % interval."""
    mean, half = np.full(n, np.nan), np.full(n, np.nan)
    for j in range(n):
        known = [(c.air.percent[j], c.air.sd[j]) for c in cuts if np.isfinite(c.air.percent[j])]
        if known:
            value, sd = np.array(known).T
            scatter = float(np.var(value, ddof=1)) if len(value) > 1 else 0.0
            variance = max(scatter, float(np.mean(sd**2)), _PERCENT_FLOOR**2) / len(value)
            mean[j] = value.mean()
            half[j] = student_t95(len(value) + _STRETCHED_DOF) * np.sqrt(variance)
    return mean, half


def _others(x: Floats) -> Floats:
    """For each number the median of the other known ones; NaN where there is none."""
    out = np.full(len(x), np.nan)
    for j in range(len(x)):
        others = np.delete(x, j)
        others = others[np.isfinite(others)]
        if len(others):
            out[j] = np.median(others)
    return out


def _mean_of_known(a: float, b: float) -> float:
    known = [x for x in (a, b) if np.isfinite(x)]
    return float(np.mean(known)) if known else np.nan


def _left_out(cuts: Sequence[Cut], j: int) -> Mapping[str, int]:
    """Why ways of node j were left out, and how often."""
    goings = [*_goings(cuts, LEAN), *_goings(cuts, RICH)]
    return dict(sorted(Counter(why for g in goings if (why := g.why[j]) is not None).items()))


def _flags(times: float, ways: float, ways_half: float, air: float, warm: float) -> tuple[str, ...]:
    flags = []
    if times >= SLOW_RATIO:
        flags.append("slow")
    if abs(ways) > np.log(UNEVEN_RATIO) and abs(ways) > _UNEVEN_SURE * ways_half:
        flags.append("slower lean-going" if ways > 0 else "slower rich-going")
    if abs(air) > AIR_PERCENT:
        flags.append("low in air" if air < 0 else "high in air")
    if warm >= WARM_UP_RATIO:
        flags.append("slow to warm up")
    return tuple(flags)
