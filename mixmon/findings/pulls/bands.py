"""One pull by bands of speed: every cylinder against its peers and against the target, and how sure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.balance import Spread, spread
from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.quality import (
    Exclusion,
    LeftOut,
    PullTrace,
    exclusion_of,
    without_events,
    without_wild,
)
from mixmon.findings.stats import BATCH_S, CENSORED_SHARE, Estimate, engine_log_lambda, student_t95, two_way
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# Bands of speed into which pulls are tabulated, and the batches that a band is made of.
# ----------------------------------------------------------------------------------------------------

MOST_BANDS = 12

_WIDTHS = (50.0, 100.0, 125.0, 200.0, 250.0, 300.0, 400.0, 500.0, 600.0, 800.0, 1000.0, 1500.0, 2000.0)
_STUB = 0.4
"""A band at an end that is covered by less than this part belongs to its neighbour."""

_MARGIN = 0.1  # of a band's width, for the noise of the first and the last speed


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

    band: Ints
    centre: Floats
    y: Floats
    target: Floats
    rows: Ints
    due: Ints


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
        y=np.where(enough, _mean_of_pull_bands(cell[counted], y[counted], rows), np.nan),
        target=np.where(enough, _mean_of_pull_bands(cell[counted], target[counted], rows), np.nan),
        rows=np.where(enough, rows, 0),
        due=due,
    )


def _parts(bands: Bands, rate: float) -> tuple[Ints, Floats]:
    """Bands cut into batches: the band of each, and their edges."""
    numbers: list[int] = []
    edges: list[float] = []
    for i in range(len(bands)):
        low, high = bands.edges[i], bands.edges[i + 1]
        parts = max(1, round((high - low) / (rate * BATCH_S)))
        numbers += [i] * parts
        edges += np.linspace(low, high, parts, endpoint=False).tolist()
    return np.array(numbers, np.int64), np.array([*edges, bands.edges[-1]])


def _count(cell: Ints, m: int, n: int) -> Ints:
    return np.bincount(cell, minlength=m * n).reshape(m, n)


def _mean_of_pull_bands(cell: Ints, values: Floats, rows: Ints) -> Floats:
    total = np.bincount(cell, values, minlength=rows.size).reshape(rows.shape)
    mean: Floats = np.divide(total, rows, out=np.full(rows.shape, np.nan), where=rows > 0)
    return mean


# ----------------------------------------------------------------------------------------------------
# How noisy means over parts of a sweep are, from the sweep itself.
#
# A band of a pull holds three or four quarter-second batches: too few to tell their own scatter.
# So the scatter is taken from second differences of neighbouring batches, which leave out what
# changes smoothly with speed, and is shared: over neighbouring batches of all nodes for how it
# changes along the pull (cycles are longer, and so fewer, at low speed), over the whole pull for how
# one node differs from the others. What comes out is a density: variance of a mean = density /
# seconds, for means long against the lag.
#
# Noise that went through a first-order lag tau has batch means of length T with
#
# variance     S/T (1 - (1 - e) tau/T),  e = exp(-T/tau), S the density
# correlation  (1 - e)^2 / (2 (T/tau - 1 + e)) between neighbours, times e for each further one
#
# (computed). White noise on top makes the intervals slightly too wide.
# ----------------------------------------------------------------------------------------------------

_POOL = 60
"""Second differences that are shared to tell how noise changes along the pull."""

_FEWEST = 8
_PRIOR = 10
_SHORTEST_LAG_S = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class SweepNoise:
    """What the means of m batches of n nodes are worth.

    density  float64[m, n]  variance times seconds; NaN where it cannot be told
    t95      float64[n]     half-width of a 95 % interval in standard errors
    lag_s    float64[n]
    """

    density: Floats
    t95: Floats
    lag_s: Floats

    def standard_error(self, batches: Bools, seconds: Floats) -> Floats:
        """Of means over `batches` bool[m] that hold float64[n] counted seconds: float64[n]."""
        of_band = self.density[batches].mean(axis=0)
        counted = np.where(seconds > 0, seconds, np.nan)
        return np.asarray(np.sqrt(of_band / counted * _smoothing(counted, self.lag_s)))


def sweep_noise(y: Floats, lag_s: Floats) -> SweepNoise:
    """Noise of batch means float64[m, n] in order of speed, NaN where there is none.

    What all nodes do together must have been taken out where it is not to count as noise.
    """
    lag = np.maximum(lag_s, _SHORTEST_LAG_S)
    bend = y[2:] - 2 * y[1:-1] + y[:-2]
    power = np.full(y.shape, np.nan)
    power[1:-1] = bend**2 * (_density_of_variance(lag) / _bend_of_variance(lag))
    known = np.isfinite(power)
    count = known.sum(axis=0)
    if count.sum() < _FEWEST:
        nothing = np.full(y.shape[1], np.nan)
        return SweepNoise(np.full(y.shape, np.nan), nothing, lag)
    along = _along(power, known)
    share = np.where(known, power / along[:, None], 0.0).sum(axis=0)
    own = (share + _PRIOR) / (count + _PRIOR)
    t95 = [student_t95(c / 2 + _PRIOR / 2) for c in count.tolist()]
    return SweepNoise(along[:, None] * own, np.array(t95), lag)


def _along(power: Floats, known: Bools) -> Floats:
    """Mean over all nodes and enough neighbouring batches, float64[m]."""
    m = len(power)
    number = np.concatenate([[0], np.cumsum(known.sum(axis=1))])
    total = np.concatenate([[0.0], np.cumsum(np.where(known, power, 0.0).sum(axis=1))])
    out = np.empty(m)
    for i in range(m):
        half = 1
        while number[min(i + half + 1, m)] - number[max(i - half, 0)] < min(_POOL, number[-1]):
            half += 1
        low, high = max(i - half, 0), min(i + half + 1, m)
        out[i] = (total[high] - total[low]) / (number[high] - number[low])
    return np.maximum(out, np.finfo(np.float64).tiny)


def _smoothing(seconds: Floats, lag: Floats) -> Floats:
    """Variance of a mean over that time, over density / seconds."""
    ratio = lag / seconds
    return np.asarray(1.0 - ratio * -np.expm1(-1.0 / ratio))


def _density_of_variance(lag: Floats) -> Floats:
    """Density over the variance of a batch."""
    return np.asarray(BATCH_S / _smoothing(np.full(lag.shape, BATCH_S), lag))


def _bend_of_variance(lag: Floats) -> Floats:
    """Mean square of second differences over the variance of a batch."""
    ratio = BATCH_S / lag
    e = np.exp(-ratio)
    rho = (1 - e) ** 2 / (2 * (ratio - 1 + e))
    return np.asarray(6 - 8 * rho + 2 * rho * e)


LEAST_SHARE = 0.5
"""A cylinder has a need in a band where at least this part of its readings there is counted."""

_LIMITS = (SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT)


@dataclass(frozen=True, slots=True)
class Point:
    """A cylinder's need at a speed, percent; over_target is in lambda, NaN where not known."""

    rpm: float
    needs_percent: float
    over_target: float


@dataclass(frozen=True, slots=True, eq=False)
class PullTable:
    """b bands, n nodes. Percent of fuel, positive = add fuel; NaN where not known.

    peers, peers_half    float64[b, n]  against the mean of the nodes, and half the 95 % interval
    peers_error          float64[b, n]  standard error of peers
    target, target_half  float64[b, n]  against the target
    engine, engine_half  float64[b]     all together against the target
    lam                  float64[b]     lambda of all together
    spread               float64[b]     largest need less smallest, against the peers
    counted_s            float64[b, n]  seconds of readings counted
    share                float64[b, n]  counted part of the readings; NaN where the pull has none
    why                  [b][n]         chief reason for what is not counted; None where all is
    valid                int64[b]       cylinders with a need
    worst    by node: where it is farthest from its peers; None where nothing is known
    leanest  by node: the quarter second in which it is leanest against the target
    """

    bands: Bands
    peers: Floats
    peers_half: Floats
    peers_error: Floats
    target: Floats
    target_half: Floats
    engine: Floats
    engine_half: Floats
    lam: Floats
    spread: Floats
    counted_s: Floats
    share: Floats
    why: tuple[tuple[Exclusion | None, ...], ...]
    valid: Ints
    worst: tuple[Point | None, ...]
    leanest: tuple[Point | None, ...]

    def spreads(self) -> tuple[Spread, ...]:
        """The spread of each band with its interval, which takes some milliseconds each."""
        means, errors = np.log1p(self.peers / 100), self.peers_error / 100
        return tuple(
            spread([Estimate(float(x), np.nan, float(e), np.nan) for x, e in zip(*band, strict=True)])
            for band in zip(means, errors, strict=True)
        )


def pull_table(session: Session, pull: Pull, bands: Bands, events: Sequence[LeftOut] = ()) -> PullTable:
    """The table of one pull.

    Args:
        session: as for the pull.
        pull: from `find_pulls`.
        bands: from `bands_over`; the same for all pulls that are to be compared.
        events: misfires and other times at which a cylinder shall not be counted.
    """
    cylinders = [node.cylinders for node in session.chain.nodes]
    trace = without_wild(without_events(pull.trace, cylinders, events))
    sorted_ = batches(bands, pull.rate, trace.rpm, trace.y, trace.target)
    return _Tabulator(bands, trace, sorted_, np.array([float(len(c)) for c in cylinders])).result()


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """One band: batches in it, nodes with a need, and their needs in ln lambda, float64[n]."""

    rows: Bools
    known: Bools
    peers: Floats
    target: Floats
    engine: float
    lam: float


class _Tabulator:
    """Bands one by one, then their intervals."""

    def __init__(self, bands: Bands, trace: PullTrace, sorted_: Batches, weights: Floats) -> None:
        self._bands, self._trace, self._batches, self._weights = bands, trace, sorted_, weights
        self._seconds = self._by_band(sorted_.rows) * (GRID_NS / 1e9)
        self._reasons = self._reasons_by_band()
        due = self._reasons.sum(axis=2) * (GRID_NS / 1e9)
        self._share = np.divide(self._seconds, due, out=np.full(due.shape, np.nan), where=due > 0)
        self._found = [self._band(i) for i in range(len(bands))]

    def result(self) -> PullTable:
        y, target, lag_s = self._batches.y, self._batches.target, self._trace.lag_s
        common = two_way(y, np.ones_like(y))[0]
        found, known = self._found, np.array([b.known for b in self._found])
        mean_s = _row_mean(np.where(known, self._seconds, np.nan))[:, None]
        apart, over, all_ = y - common[:, None], y - target, common - _row_mean(target)
        peers = _estimates(found, [b.peers for b in found], sweep_noise(apart, lag_s), self._seconds)
        against = _estimates(found, [b.target for b in found], sweep_noise(over, lag_s), self._seconds)
        engine = _estimates(
            found,
            [np.array([b.engine]) for b in found],
            sweep_noise(all_[:, None], lag_s.mean(keepdims=True)),
            mean_s,
        )
        return PullTable(
            bands=self._bands,
            peers=_percent(peers),
            peers_half=_half(peers),
            peers_error=100 * np.array([[e.standard_error for e in band] for band in peers]),
            target=_percent(against),
            target_half=_half(against),
            engine=_percent(engine)[:, 0],
            engine_half=_half(engine)[:, 0],
            lam=np.array([b.lam for b in self._found]),
            spread=_range(_percent(peers)),
            counted_s=self._seconds,
            share=self._share,
            why=self._chief_exclusions(),
            valid=(known @ self._weights).astype(np.int64),
            worst=tuple(self._worst(j, peers) for j in range(y.shape[1])),
            leanest=tuple(self._leanest(j) for j in range(y.shape[1])),
        )

    def _by_band(self, counts: Ints) -> Floats:
        out = np.zeros((len(self._bands), counts.shape[1]))
        np.add.at(out, self._batches.band, counts)
        return out

    def _reasons_by_band(self) -> Ints:
        """Readings by band, node and reason, int64[b, n, 256]."""
        b, n = self._seconds.shape
        rpm = self._trace.rpm
        band = np.searchsorted(self._bands.edges, rpm, side="right") - 1
        inside = np.isfinite(rpm) & (band >= 0) & (band < b)
        cell = (band * n + np.arange(n)) * 256 + self._trace.why
        return np.bincount(cell[inside], minlength=b * n * 256).reshape(b, n, 256)

    def _chief_exclusions(self) -> tuple[tuple[Exclusion | None, ...], ...]:
        bands, nodes = map(range, self._seconds.shape)
        return tuple(tuple(self._chief_exclusion(i, j) for j in nodes) for i in bands)

    def _chief_exclusion(self, i: int, j: int) -> Exclusion | None:
        """The chief reason for readings that are not counted."""
        counts = self._reasons[i, j]
        limit = next((code for code in _LIMITS if self._censored(counts, code)), None)
        if limit is not None:
            return limit
        chief = int(np.argmax(counts[1:])) + 1
        return exclusion_of(chief) if counts[chief] else None

    def _censored(self, counts: Ints, code: int) -> bool:
        return bool(counts[code] > CENSORED_SHARE * counts.sum())

    def _band(self, i: int) -> _Band:
        rows = self._batches.band == i
        limited = [any(self._censored(c, code) for code in _LIMITS) for c in self._reasons[i]]
        known = (np.nan_to_num(self._share[i]) >= LEAST_SHARE) & ~np.array(limited)
        y = np.where(known, self._batches.y[rows], np.nan)
        target = np.where(known, self._batches.target[rows], np.nan)
        common, own = two_way(y, np.ones_like(y))
        known &= np.isfinite(own)
        nothing = np.full(len(known), np.nan)
        if not known.any():
            return _Band(rows, known, nothing, nothing, np.nan, np.nan)
        # own: node against the mean of ln; reference turns it into the fuel-domain mean.
        reference = engine_log_lambda(own[known], self._weights[known])
        together = common + reference
        return _Band(
            rows=rows,
            known=known,
            peers=own - reference if known.sum() > 1 else nothing,
            target=_column_mean(y - target),
            engine=_mean(together - _row_mean(target)),
            lam=float(np.exp(_mean(together))),
        )

    def _worst(self, j: int, peers: list[list[Estimate]]) -> Point | None:
        needs = np.array([band[j].mean for band in peers])
        if not np.isfinite(needs).any():
            return None
        i = int(np.nanargmax(np.abs(np.expm1(needs))))
        over = float(self._over_target(j)[self._batches.band == i].mean())
        return Point(self._bands.centres[i], 100 * float(np.expm1(needs[i])), over)

    def _leanest(self, j: int) -> Point | None:
        over = self._over_target(j)
        if not np.isfinite(over).any():
            return None
        k = int(np.nanargmax(over))
        needs = np.expm1(self._batches.y[k, j] - self._batches.target[k, j])
        return Point(float(self._batches.centre[k]), 100 * float(needs), float(over[k]))

    def _over_target(self, j: int) -> Floats:
        """Lambda less target of each batch."""
        return np.asarray(np.exp(self._batches.y[:, j]) - np.exp(self._batches.target[:, j]))


def _estimates(
    found: list[_Band], needs: list[Floats], noise: SweepNoise, seconds: Floats
) -> list[list[Estimate]]:
    """Needs of each band, ln lambda, with what means over `seconds` float64[b, ...] are worth."""
    out = []
    for band, need, counted in zip(found, needs, seconds, strict=True):
        error = np.where(np.isfinite(need), noise.standard_error(band.rows, counted), np.nan)
        columns = (need, noise.t95 * error, error, counted / BATCH_S)
        out.append([Estimate(*map(float, one)) for one in zip(*columns, strict=True)])
    return out


def _percent(needs: list[list[Estimate]]) -> Floats:
    return np.asarray(100 * np.expm1(np.array([[e.mean for e in band] for band in needs])))


def _half(needs: list[list[Estimate]]) -> Floats:
    """Half-widths of the intervals in percent of fuel."""
    mean, half = (np.array([[getattr(e, name) for e in band] for band in needs]) for name in ("mean", "half"))
    return np.asarray(100 * np.exp(mean) * np.sinh(half))


def _range(x: Floats) -> Floats:
    """Largest less smallest of each row that has two numbers, else NaN."""
    known = np.isfinite(x)
    highest = np.where(known, x, -np.inf).max(axis=1)
    lowest = np.where(known, x, np.inf).min(axis=1)
    return np.where(known.sum(axis=1) > 1, highest - lowest, np.nan)


def _mean(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(known.mean()) if len(known) else np.nan


def _row_mean(x: Floats) -> Floats:
    return _column_mean(x.T)


def _column_mean(x: Floats) -> Floats:
    """Mean of each column, NaN left out; NaN where a column has none."""
    count = np.isfinite(x).sum(axis=0)
    mean: Floats = np.divide(np.nansum(x, axis=0), count, out=np.full(len(count), np.nan), where=count > 0)
    return mean
