"""Sensors against their peers: two of them on one event, and each one over all events of a run.

`compare` predicts the slower of two readings by the faster one, and gives the lag between them. It needs
neither the gas nor a command.

`sensor_responses` puts together what all cuts and fuel steps of a run say of each sensor: T63 both ways,
the level in air, warm-up, each also against the other sensors, with notes on those that stand out. Several
measures of one time are weighted by their errors; where they differ by more than these, the interval is
widened (Birge, Phys. Rev. 40, 1932; from memory). An error of shape, which all measures share, is not
averaged away.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import fsum

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.response.cuts import CutEdge, MeasuredCut, SensorTrace, Way
from mixmon.findings.response.fit import NOT_SHARP
from mixmon.findings.response.notes import EdgeProblem, ResponseNote
from mixmon.findings.response.steps import DelayPoint
from mixmon.findings.stats import robust_deviation, student_t95
from mixmon.gas.lag import FirstOrderLag
from mixmon.note import Note, note
from mixmon.session.model import Node

# ----------------------------------------------------------------------------------------------------
# Two sensors on one event: their lag, and what the slower one missed.
#
# If both are first-order lags behind the same gas, the slower reading is
#
#     slow = level + height [r fast + (1 - r) lagged fast],    r = tau_fast / tau_slow
#
# where "lagged" is a lag of tau_slow. Time constant, shift, level and height are found by least squares over
# a grid. Both orders are tried; the one in which the slower sensor lags is taken. What the prediction
# leaves is noise and the difference between the gas of the two cylinders.
# ----------------------------------------------------------------------------------------------------

_PAIR_GRID_S = 0.005
"""Period at which the faster reading is lagged, s: our choice, half a row."""

_PAIR_TAUS_S = np.geomspace(0.010, 1.2, 30)
_SHIFTS_S = np.arange(-0.12, 0.241, 0.010)
_FINE_SHARES = np.geomspace(0.85, 1.18, 25)
_FINE_SHIFTS_S = np.arange(-0.010, 0.0101, 0.002)
"""Time constants and shifts that are tried, coarsely over all sensors in service and then near the best ones:
our choice. The last steps, 1 % and 2 ms, are below the error of the lag."""

_LEAST_LEVEL_S, _FEWEST, _NUDGE = 0.15, 25, 1e-3
"""Seconds at the start of a trace that give the level, fewest samples of a sensor, relative step of a
numerical derivative: our choice."""

_LEAST_HEIGHT_NOISES = 5.0
"""An event is higher than so many deviations of the noise: our choice, noise alone gets there rarely."""


@dataclass(frozen=True, slots=True)
class PairComparison:
    """The slower sensor against the faster one (`slow`, `fast`: indexes of nodes), oxygen percent.

    lag_s, lag_sd   mean delay of the slow reading behind the fast one
    tau_s       time constant of the slow one, by the prediction
    peak_fast, peak_slow   largest departures from the level before
    recovered   peak_slow / peak_fast
    missed      largest difference of the two; missed_area is its area, percent seconds
    residual    rms of what the prediction leaves
    explained   share of the slow reading's variance that is predicted
    """

    t: int
    fast: int
    slow: int
    lag_s: float
    lag_sd: float
    tau_s: float
    peak_fast: float
    peak_slow: float
    recovered: float
    missed: float
    missed_area: float
    residual: float
    explained: float


def compare(trace: SensorTrace, a: int, b: int) -> PairComparison | None:
    """The comparison of nodes a and b; None if one of them has too few samples or shows no event.

    The trace must begin before the event, while the readings stand at their level.
    """
    first, second = trace.of(a), trace.of(b)
    if min(len(first[0]), len(second[0])) < _FEWEST:
        return None
    if not (_has_event(*first) and _has_event(*second)):
        return None
    orders = [(_predict_slow(first, second), a, b), (_predict_slow(second, first), b, a)]
    found, fast, slow = min(orders, key=lambda one: (not one[0].lag_s >= 0.0, one[0].left))
    quick, late = (first, second) if fast == a else (second, first)
    peak_fast, peak_slow = _peak_from_level(*quick), _peak_from_level(*late)
    away = fsum(found.weights) * (np.interp(late[0], *quick) - _level_before(*quick)) - (
        late[1] - _level_before(*late)
    )
    return PairComparison(
        t=trace.t,
        fast=fast,
        slow=slow,
        lag_s=found.lag_s,
        lag_sd=_lag_sd(quick, late[0], found),
        tau_s=found.tau_s,
        peak_fast=peak_fast,
        peak_slow=peak_slow,
        recovered=peak_slow / peak_fast,
        missed=float(away[int(np.argmax(np.abs(away)))]),
        missed_area=float(np.trapezoid(away, late[0])),
        residual=float(np.sqrt(np.mean(found.residual**2))),
        explained=1.0 - found.left,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Prediction:
    """One prediction of the slow reading.

    left       share of the variance that it leaves
    lag_s      mean delay
    weights    of the faster reading and of the same lagged; their sum is the height
    """

    left: float
    lag_s: float
    tau_s: float
    shift_s: float
    weights: tuple[float, float]
    residual: Floats


def _predict_slow(fast: tuple[Floats, Floats], slow: tuple[Floats, Floats]) -> _Prediction:
    """The best prediction of the slow reading: over a coarse grid, then over a fine one."""
    rough = _search_grid(fast, slow, _PAIR_TAUS_S, _SHIFTS_S)
    return _search_grid(fast, slow, rough.tau_s * _FINE_SHARES, rough.shift_s + _FINE_SHIFTS_S)


def _search_grid(
    fast: tuple[Floats, Floats], slow: tuple[Floats, Floats], taus: Floats, shifts: Floats
) -> _Prediction:
    """The best prediction over a grid of time constants and shifts."""
    lagged = _Lagged(*fast, taus)
    y = slow[1] - slow[1].mean()
    found = []
    for shift in shifts.tolist():
        direct, slower = lagged.at(slow[0] - shift)
        weights, left = _regress_weights(y, direct, slower)
        i = int(np.argmin(left))
        residual = y - weights[0, i] * direct - weights[1, i] * slower[:, i]
        one, two = (float(weight) for weight in weights[:, i])
        lag = shift + float(taus[i]) * two / (one + two) if one + two > 0.0 else np.nan
        share = float(residual @ residual) / float(y @ y)
        found.append(_Prediction(share, lag, float(taus[i]), shift, (one, two), residual))
    return min(found, key=lambda one: one.left)


class _Lagged:
    """A reading, and the same reading behind a lag of each time constant, at any time."""

    def __init__(self, t: Floats, y: Floats, taus: Floats) -> None:
        self._grid = np.arange(t[0], t[-1], _PAIR_GRID_S)
        self._reading = np.interp(self._grid, t, y)
        passed = 0.5 * (self._reading + np.concatenate([self._reading[:1], self._reading[:-1]]))
        lag = FirstOrderLag(_PAIR_GRID_S, taus, start=np.full(len(taus), self._reading[0]))
        self._behind = lag.feed(np.repeat(passed[:, None], len(taus), axis=1))

    def at(self, t: Floats) -> tuple[Floats, Floats]:
        """Reading [k] and lagged readings [k, m] at times t, each less its mean."""
        place = np.clip((t - self._grid[0]) / _PAIR_GRID_S, 0.0, len(self._grid) - 1.001)
        row = place.astype(np.int64)
        part = place - row
        direct = self._reading[row] * (1.0 - part) + self._reading[row + 1] * part
        behind = self._behind[row] * (1.0 - part)[:, None] + self._behind[row + 1] * part[:, None]
        return direct - direct.mean(), behind - behind.mean(axis=0)


def _regress_weights(y: Floats, direct: Floats, lagged: Floats) -> tuple[Floats, Floats]:
    """Weights [2, m] of both parts, none negative, and the remaining sum of squares [m], for m lags."""
    dd, dy = float(direct @ direct), float(direct @ y)
    ll, dl, ly = (lagged * lagged).sum(axis=0), direct @ lagged, y @ lagged
    free = np.maximum(dd * ll - dl * dl, 1e-12 * dd * ll)
    both = np.stack([(ll * dy - dl * ly) / free, (dd * ly - dl * dy) / free])
    only_lagged = np.stack([np.zeros_like(ly), ly / np.maximum(ll, 1e-12)])
    only_direct = np.stack([np.full_like(ly, dy / max(dd, 1e-12)), np.zeros_like(ly)])
    weights = np.where(both[0] < 0.0, only_lagged, np.where(both[1] < 0.0, only_direct, both))
    matched = weights[0] * dy + weights[1] * ly
    power = weights[0] ** 2 * dd + 2 * weights[0] * weights[1] * dl + weights[1] ** 2 * ll
    return weights, y @ y - 2 * matched + power


def _lag_sd(fast: tuple[Floats, Floats], t: Floats, found: _Prediction) -> float:
    """Standard deviation of the lag with level, weights, shift and time constant free."""
    taus = found.tau_s * np.array([1.0, 1.0 + _NUDGE])
    lagged = _Lagged(*fast, taus)
    direct, behind = lagged.at(t - found.shift_s)
    sooner, behind_sooner = lagged.at(t - found.shift_s + _PAIR_GRID_S)
    one, two = found.weights
    by_shift = (one * (direct - sooner) + two * (behind[:, 0] - behind_sooner[:, 0])) / _PAIR_GRID_S
    by_tau = two * (behind[:, 1] - behind[:, 0]) / (found.tau_s * _NUDGE)
    slopes = np.stack([direct, behind[:, 0], by_shift, by_tau], axis=1)
    r = found.residual
    alike = max(float(r[1:] @ r[:-1]) / max(float(r @ r), 1e-12), 0.0)
    variance = float(r @ r) / len(r) * (1.0 + alike) / max(1.0 - alike, 0.02)
    height = one + two
    share = two / height
    by = np.array([-found.tau_s * share / height, found.tau_s * (1.0 - share) / height, 1.0, share])
    return float(np.sqrt(variance * (by @ np.linalg.pinv(slopes.T @ slopes) @ by)))


def _level_before(t: Floats, y: Floats) -> float:
    """The reading before the event."""
    return float(np.median(y[t <= t[0] + _LEAST_LEVEL_S]))


def _peak_from_level(t: Floats, y: Floats) -> float:
    """The largest departure from the level before, with its sign."""
    away = y - _level_before(t, y)
    return float(away[int(np.argmax(np.abs(away)))])


def _has_event(t: Floats, y: Floats) -> bool:
    """Whether the reading departs from its level by more than its noise explains."""
    noise = robust_deviation(np.diff(y)) / np.sqrt(2.0)
    return bool(abs(_peak_from_level(t, y)) > _LEAST_HEIGHT_NOISES * max(noise, 1e-6))


# ----------------------------------------------------------------------------------------------------
# The shape of the elements' response: two lags, or a porous layer.
#
# The first readings of sharp steps tell it, and hardly one alone; sensors of a chain are of one kind, so all
# edges of all sensors decide together. What they say is the odds of a layer, and T63 is the mean of both
# shapes by these odds. Gas that comes spread over some time makes two lags look like a layer, and never a
# layer like two lags: what speaks against a layer counts as it is, what speaks for one never excludes lags.
# ----------------------------------------------------------------------------------------------------


class ElementShape(StrEnum):
    """How elements answer a step; the values stand in JSON."""

    LAGS = "two lags"
    LAYER = "porous layer"
    OPEN = "two lags or porous layer"


_MOST_GAIN = 30.0
"""Most by which one edge counts for either shape: our choice, less than one clean step gives (computed)."""

_GAIN_OF_ODDS = 6.0
"""Gain that changes the odds of a layer by e: three times what white noise would ask for, as neighbouring
residuals are alike (our choice)."""

_AGAINST = 8.0
"""Gain against a layer, of all edges one way, from which on that way decides alone: our choice, two factors
of e in odds."""

_SURE = 0.95
"""Probability from which on a shape is taken as known: our choice, that of our intervals."""

_LAYER_LONGER = 0.16
"""Share by which T63 of a layer is longer than that of two lags which fit the same readings (computed)."""


def layer_probability(cuts: Sequence[MeasuredCut]) -> float:
    """Probability that the elements are porous layers, from the edges of all cuts and sensors.

    Only edges both ways can speak for a layer, because the gas of one way may come spread. Readings that clip
    do not count: the end of their step is assumed.
    """
    lean, rich = (_layer_gains(cuts, way) for way in (Way.LEAN, Way.RICH))
    ways = [float(np.clip(one, -_MOST_GAIN, _MOST_GAIN).sum()) for one in (lean, rich)]
    gain = min(ways) if min(ways) < -_AGAINST else sum(ways)
    if not len(lean) or not len(rich):
        gain = min(gain, 0.0)
    return float(1.0 / (1.0 + np.exp(-gain / _GAIN_OF_ODDS)))


def choose_shape(cuts: Sequence[MeasuredCut]) -> ElementShape:
    """The shape that the edges of all cuts and sensors show; open where they do not tell."""
    layer = layer_probability(cuts)
    if layer > _SURE:
        return ElementShape.LAYER
    return ElementShape.LAGS if layer < 1.0 - _SURE else ElementShape.OPEN


def _layer_gains(cuts: Sequence[MeasuredCut], way: Way) -> Floats:
    """How much better a layer fits the edges one way, of sensors that followed and did not clip."""
    edges = [(cut.edges[way], ~cut.clipped) for cut in cuts if way in cut.edges]
    return np.concatenate(
        [e.fit.layer_gain[e.followed & seen] for e, seen in edges if not e.rough] or [np.zeros(0)]
    )


def with_shape(cuts: Sequence[MeasuredCut]) -> tuple[MeasuredCut, ...]:
    """The same cuts, T63 and dead time by the shape that they show, or the mean of both by their odds.

    Dead time and T63 together are the same by either. While the shape is open, readings that clip, and those
    of a run without edges both ways, tell no odds: they are taken as two lags, and the error reaches the
    layer.
    """
    shape, layer = choose_shape(cuts), layer_probability(cuts)
    if shape is ElementShape.LAGS:
        return tuple(cuts)
    is_open = shape is ElementShape.OPEN
    if is_open and not all(len(_layer_gains(cuts, way)) for way in Way):
        layer = 0.0
    return tuple(
        replace(
            cut,
            lean=_blend_shapes(cut.lean, weight),
            rich=None if cut.rich is None else _blend_shapes(cut.rich, weight),
        )
        for cut in cuts
        for weight in [np.where(cut.clipped & is_open, 0.0, layer)]
    )


def _blend_shapes(edge: CutEdge, weight: Floats) -> CutEdge:
    """The edge with the mean of both shapes; `weight` is that of a layer, by sensor."""
    fit = edge.fit
    longer = fit.layer_s - fit.t63_s
    moved = replace(
        fit,
        dead_s=fit.dead_s - weight * longer,
        t63_s=fit.t63_s + weight * longer,
        shape_half_s=np.maximum(weight, 1.0 - weight) * np.abs(longer),
    )
    return replace(edge, fit=moved)


# ----------------------------------------------------------------------------------------------------
# Each sensor over all events of a run, and against its peers.
# ----------------------------------------------------------------------------------------------------

SLOW_RATIO = 2.0
"""A sensor is slow from so many times its peers' T63 on: common practice, no source."""

UNEVEN_RATIO = 1.15
"""Ratio of both ways from which on a sensor gets a note: our choice, well beyond the difference of good
ones."""

AIR_OFF_PERCENT = 1.5
"""Percent off the peers in air from which on a sensor gets a note: our choice, beyond the scatter of good
ones."""

WARM_UP_RATIO = 1.4
"""Times its peers' warm-up from which on a sensor gets a note: our choice, beyond the scatter of heaters."""

_UNEVEN_SURE = 1.5
"""Half intervals by which both ways must differ: our choice. Of many sensors one always seems uneven."""

_KNOWN_DOF = 3
"""Degrees of freedom that the errors of the events themselves are worth: our choice."""

_AIR_DOF = 4
"""The same for levels in air, whose errors rest on more samples: our choice."""

_PERCENT_FLOOR = 0.02
"""Least deviation of a level in air, oxygen percent: our choice, so that equal readings do not seem exact."""


@dataclass(frozen=True, slots=True)
class ResponseTime:
    """T63 of one sensor one way, from several events, with half of its 95 % interval, s.

    own_half_s   the same without the error by the shape, which all sensors and both ways share
    tau_s    time constant of the element alone; NaN where only fuel steps measured it
    cuts, steps   number of fuel cuts, and of windows with fuel steps
    """

    t63_s: float = np.nan
    half_s: float = np.nan
    own_half_s: float = np.nan
    tau_s: float = np.nan
    cuts: int = 0
    steps: int = 0


@dataclass(frozen=True, slots=True)
class SensorResponse:
    """One sensor over a run; NaN where a number is not known.

    position, cylinders, sensor   as in the session
    lean, rich     T63 of rising and of falling readings
    t63_s          mean of both, or the one that is known
    times_peers    t63_s over the median of the other sensors
    uneven         lean-going over rich-going, by the same of the others; uneven_half at 95 %
    air_percent    oxygen read in air, mean of all cuts; air_half_percent at 95 %
    air_to_peers_percent      reading over the median of the others, less one
    air_to_expected_percent   reading over the oxygen of the air, less one, where that was given
    warm_up_s, warm_up_times_peers
    left_out       number of edges that could not be measured, by reason
    flags          notes of what stands out
    """

    position: int
    cylinders: tuple[int, ...]
    sensor: str | None
    lean: ResponseTime
    rich: ResponseTime
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
    left_out: Mapping[EdgeProblem, int]
    flags: tuple[Note, ...]


def sensor_responses(
    nodes: Sequence[Node],
    cuts: Sequence[MeasuredCut],
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
    shape = choose_shape(cuts)
    cuts = with_shape(cuts)
    lean = [_combine_times(cuts, points, Way.LEAN, j, shape) for j in range(n)]
    rich = [_combine_times(cuts, points, Way.RICH, j, shape) for j in range(n)]
    t63 = np.array([_mean_of_known(a.t63_s, b.t63_s) for a, b in zip(lean, rich, strict=True)])
    times = t63 / _median_of_others(t63)
    ways = np.array([np.log(a.t63_s / b.t63_s) for a, b in zip(lean, rich, strict=True)])
    ways = ways - np.nan_to_num(_median_of_others(ways))
    ways_half = np.array(
        [np.hypot(a.own_half_s / a.t63_s, b.own_half_s / b.t63_s) for a, b in zip(lean, rich, strict=True)]
    )
    air, air_half = _combine_air(cuts, n)
    to_peers = 100.0 * (air / _median_of_others(air) - 1.0)
    to_expected = 100.0 * (air / expected_air - 1.0) if expected_air else np.full(n, np.nan)
    warm = warm_up_s / _median_of_others(warm_up_s)
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
            left_out=_count_left_out(cuts, j),
            flags=_make_flags(times[j], ways[j], ways_half[j], to_peers[j], warm[j]),
        )
        for j, node in enumerate(nodes)
    )


# ----------------------------------------------------------------------------------------------------
# The pace of each sensor now: its T63 over its peers' in the same cuts, the last ones.
#
# Each cut is judged by itself, so that a sensor that becomes slow is not hidden by what it was, and the least
# of two cuts counts, so that one odd cut says nothing.
# ----------------------------------------------------------------------------------------------------

PACE_CUTS = 2
"""Last cuts in which a sensor was measured that its pace rests on: our choice, one alone may be odd."""

_FEWEST_PEERS = 2
"""Fewest others that a cut must have measured, and half of them at least: our choice. Of two sensors nobody
knows which is the usual one."""


@dataclass(frozen=True, slots=True)
class SensorPace:
    """How slowly a sensor followed the last `cuts` fuel cuts in which it was measured.

    times_peers   T63 over the median of the other sensors', the least of these cuts
    t63_s, peers_s   mean of its T63 over these cuts, and of the others' median
    """

    times_peers: float
    t63_s: float
    peers_s: float
    cuts: int


Paces = tuple[SensorPace | None, ...]
"""The pace of each node; None where it was not measured often enough."""


def pace_in_cut(nodes: Sequence[Node], cut: MeasuredCut) -> Paces:
    """The pace of each node in one cut, by `sensor_responses`."""
    found = sensor_responses(nodes, (cut,), (), np.full(len(nodes), np.nan))
    measured = sum(np.isfinite(one.t63_s) for one in found)
    if measured - 1 < max(_FEWEST_PEERS, (len(nodes) - 1) / 2):
        return (None,) * len(nodes)
    return tuple(
        SensorPace(one.times_peers, one.t63_s, one.t63_s / one.times_peers, 1)
        if np.isfinite(one.times_peers)
        else None
        for one in found
    )


def sensor_paces(in_cuts: Sequence[Paces]) -> Paces:
    """The pace of each node by its last `PACE_CUTS` cuts.

    in_cuts  those of each cut, oldest first, one at least
    """
    known = [[pace for pace in column if pace is not None] for column in zip(*in_cuts, strict=True)]
    return tuple(_join_paces(one[-PACE_CUTS:]) if len(one) >= PACE_CUTS else None for one in known)


def _join_paces(paces: Sequence[SensorPace]) -> SensorPace:
    return SensorPace(
        min(one.times_peers for one in paces),
        fsum(one.t63_s for one in paces) / len(paces),
        fsum(one.peers_s for one in paces) / len(paces),
        len(paces),
    )


def _edges_one_way(cuts: Sequence[MeasuredCut], way: Way) -> list[CutEdge]:
    """The edges one way of all cuts that have it."""
    return [cut.edges[way] for cut in cuts if way in cut.edges]


def _combine_times(
    cuts: Sequence[MeasuredCut], points: Sequence[DelayPoint], way: Way, j: int, shape: ElementShape
) -> ResponseTime:
    """T63 of sensor j one way, from all events.

    Steps are fitted as two lags, and count where those hold, or where there are no cuts.
    """
    edges = _edges_one_way(cuts, way)
    fits = [g.fit for g in edges if np.isfinite(g.fit.t63_s[j])]
    cut = [(fit.t63_s[j], fit.t63_sd[j], fit.tau_s[j], fit.shape_half_s[j]) for fit in fits]
    names = (f"{way}_s", f"{way}_sd")
    step = [tuple(float(getattr(p.fit, name)[j]) for name in names) for p in points]
    step = [one for one in step if np.isfinite(one[0]) and not (cut and shape is not ElementShape.LAGS)]
    if not cut and not step:
        return ResponseTime()
    value = np.array([one[0] for one in (*cut, *step)])
    weight = np.array([one[1] for one in (*cut, *step)]) ** -2.0
    mean = float(weight @ value / weight.sum())
    chi2 = float(weight @ (value - mean) ** 2) / max(len(value) - 1, 1)
    error = float(np.sqrt(max(chi2, 1.0) / weight.sum()))
    error = float(np.hypot(error, 0.5 * NOT_SHARP * mean))
    own = weight[: len(cut)]
    tau, shape_half = own @ np.array(cut)[:, 2:] / own.sum() if cut else (np.nan, np.nan)
    own_half = student_t95(len(value) + _KNOWN_DOF) * error
    if not cut:
        shape_half = _LAYER_LONGER * mean if shape is ElementShape.OPEN else 0.0
    half = float(np.hypot(own_half, shape_half))
    return ResponseTime(mean, half, own_half, float(tau), len(cut), len(step))


def _combine_air(cuts: Sequence[MeasuredCut], n: int) -> tuple[Floats, Floats]:
    """Mean reading in air of each node, and half of its 95 % interval."""
    mean, half = np.full(n, np.nan), np.full(n, np.nan)
    for j in range(n):
        known = [(c.air.percent[j], c.air.sd[j]) for c in cuts if np.isfinite(c.air.percent[j])]
        if known:
            value, sd = np.array(known).T
            scatter = float(np.var(value, ddof=1)) if len(value) > 1 else 0.0
            variance = max(scatter, float(np.mean(sd**2)), _PERCENT_FLOOR**2) / len(value)
            mean[j] = value.mean()
            half[j] = student_t95(len(value) + _AIR_DOF) * np.sqrt(variance)
    return mean, half


def _median_of_others(x: Floats) -> Floats:
    """For each number the median of the other known ones; NaN where there is none."""
    out = np.full(len(x), np.nan)
    for j in range(len(x)):
        others = np.delete(x, j)
        others = others[np.isfinite(others)]
        if len(others):
            out[j] = np.median(others)
    return out


def _mean_of_known(a: float, b: float) -> float:
    """The mean of those that are known; NaN if none is."""
    known = [x for x in (a, b) if np.isfinite(x)]
    return float(np.mean(known)) if known else np.nan


def _count_left_out(cuts: Sequence[MeasuredCut], j: int) -> Mapping[EdgeProblem, int]:
    """Number of edges of node j that were not measured, by reason."""
    edges = [edge for way in Way for edge in _edges_one_way(cuts, way)]
    return dict(
        sorted(Counter(problem for edge in edges if (problem := edge.left_out[j]) is not None).items())
    )


def _make_flags(times: float, ways: float, ways_half: float, air: float, warm: float) -> tuple[Note, ...]:
    """The notes of one sensor; `ways` and its half interval are ln of lean-going over rich-going."""
    flags = []
    if times >= SLOW_RATIO:
        flags.append(note(ResponseNote.SLOW, times_peers=float(times)))
    if abs(ways) > np.log(UNEVEN_RATIO) and abs(ways) > _UNEVEN_SURE * ways_half:
        code = ResponseNote.SLOWER_LEAN_GOING if ways > 0 else ResponseNote.SLOWER_RICH_GOING
        flags.append(note(code, ratio=float(np.exp(abs(ways)))))
    if abs(air) > AIR_OFF_PERCENT:
        code = ResponseNote.LOW_IN_AIR if air < 0 else ResponseNote.HIGH_IN_AIR
        flags.append(note(code, to_peers_percent=float(air)))
    if warm >= WARM_UP_RATIO:
        flags.append(note(ResponseNote.SLOW_TO_WARM_UP, times_peers=float(warm)))
    return tuple(flags)
