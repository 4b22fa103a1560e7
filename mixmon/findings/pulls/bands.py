"""One pull by bands of speed: what each cylinder needs against its peers and against the target.

The way of the data: `bands_over` divides the range of speed of all pulls into bands. `pull_table` takes
the trace of one pull, excludes readings in events and outliers, sorts the others by the speed at which
their gas was burnt into batches of about a quarter of a second (`Batches`), estimates how noisy such
batches are (`SweepNoise`), and gives the needs of each band with their 95 % intervals (`PullTable`).

Invariants: a reading is in one band at most. A number is NaN where the pull does not support it;
`PullTable.why` gives the chief reason for readings that are not counted. Pulls that are
compared have the same bands.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.balance import Spread, spread
from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.quality import (
    ExcludedTime,
    Exclusion,
    PullTrace,
    exclusion_of,
    without_events,
    without_outliers,
)
from mixmon.findings.stats import (
    BATCH_S,
    CENSORED_SHARE,
    Estimate,
    engine_log_lambda,
    mean_of_known,
    student_t95,
    two_way,
)
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.session.charges import node_targets, reference_weights
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# Bands of speed, and the batches into which readings are sorted.
# ----------------------------------------------------------------------------------------------------

MOST_BANDS = 12
"""Our choice: as many columns as fit on a terminal of 80 characters."""

_BAND_WIDTHS_RPM = (50, 100, 125, 200, 250, 300, 400, 500, 600, 800, 1000, 1500, 2000)
"""Widths that give round centres: our choice."""

_LEAST_END_SHARE = 0.4
"""A band at an end that is covered by less than this part is joined to its neighbour: our choice."""

_EDGE_MARGIN = 0.1
"""Part of a band's width by which the outer edges are moved out: our choice; speed is noisy there too."""


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
    """Divides a range of speed into bands with round centres, as narrow as `most` of them allow.

    >>> bands_over(2480, 7900).centres
    (2500.0, 3000.0, 3500.0, 4000.0, 4500.0, 5000.0, 5500.0, 6000.0, 6500.0, 7000.0, 7500.0)
    """
    for width in map(float, _BAND_WIDTHS_RPM):
        bands = _lay_bands(from_rpm, to_rpm, width)
        if len(bands) <= most:
            break
    return bands


def _lay_bands(from_rpm: float, to_rpm: float, width: float) -> Bands:
    """The bands of one width that cover a range of speed."""
    first, last = (math.floor(rpm / width + 0.5) for rpm in (from_rpm, to_rpm))
    if last > first and (first + 0.5) * width - from_rpm < _LEAST_END_SHARE * width:
        first += 1
    if last > first and to_rpm - (last - 0.5) * width < _LEAST_END_SHARE * width:
        last -= 1
    inner = tuple((i + 0.5) * width for i in range(first, last))
    low = min(from_rpm - _EDGE_MARGIN * width, (first - 0.5) * width)
    high = max(to_rpm + _EDGE_MARGIN * width, (last + 0.5) * width)
    return Bands(tuple(i * width for i in range(first, last + 1)), (low, *inner, high))


@dataclass(frozen=True, slots=True, eq=False)
class Batches:
    """m batches of n nodes in order of speed, each of about a quarter of a second.

    band    int64[m]       index of the band
    centre  float64[m]     speed at the middle
    y       float64[m, n]  mean ln lambda; NaN where too few readings were counted
    target  float64[m, n]  mean ln target of the same readings; NaN where not known
    rows    int64[m, n]    readings counted
    due     int64[m, n]    readings whose gas was burnt at these speeds, counted or not
    """

    band: Ints
    centre: Floats
    y: Floats
    target: Floats
    rows: Ints
    due: Ints


def sort_into_batches(bands: Bands, rate: float, rpm: Floats, y: Floats, target: Floats) -> Batches:
    """Sorts readings by speed into batches.

    A batch of a node has a mean where at least half of its readings are counted.

    Args:
        bands: the bands that are cut into batches.
        rate: rpm/s of the sweep.
        rpm: float64[k, n], speed when the gas was burnt; NaN where not known.
        y: float64[k, n], ln lambda; NaN where not counted.
        target: float64[k, n], ln target; NaN where not known.
    """
    band, edges = _divide_bands(bands, rate)
    m, n = len(band), y.shape[1]
    place = np.searchsorted(edges, rpm, side="right") - 1
    inside = np.isfinite(rpm) & (place >= 0) & (place < m)
    cell = place * n + np.arange(n)
    counted = inside & np.isfinite(y)
    rows = _count_readings(cell[counted], m, n)
    due = _count_readings(cell[inside], m, n)
    enough = (rows > 0) & (2 * rows >= due)
    return Batches(
        band=band,
        centre=(edges[1:] + edges[:-1]) / 2,
        y=np.where(enough, _average_readings(cell[counted], y[counted], rows), np.nan),
        target=np.where(enough, _average_readings(cell[counted], target[counted], rows), np.nan),
        rows=np.where(enough, rows, 0),
        due=due,
    )


def _divide_bands(bands: Bands, rate: float) -> tuple[Ints, Floats]:
    """Cuts bands into batches: int64[m] the band of each, float64[m + 1] their edges in rpm."""
    numbers: list[int] = []
    edges: list[float] = []
    for i in range(len(bands)):
        low, high = bands.edges[i], bands.edges[i + 1]
        parts = max(1, round((high - low) / (rate * BATCH_S)))
        numbers += [i] * parts
        edges += np.linspace(low, high, parts, endpoint=False).tolist()
    return np.array(numbers, np.int64), np.array([*edges, bands.edges[-1]])


def _count_readings(cell: Ints, m: int, n: int) -> Ints:
    """Readings in each of m x n cells."""
    return np.bincount(cell, minlength=m * n).reshape(m, n)


def _average_readings(cell: Ints, values: Floats, rows: Ints) -> Floats:
    """Mean of the values in each cell; NaN where `rows` has none."""
    total = np.bincount(cell, values, minlength=rows.size).reshape(rows.shape)
    mean: Floats = np.divide(total, rows, out=np.full(rows.shape, np.nan), where=rows > 0)
    return mean


# ----------------------------------------------------------------------------------------------------
# The noise of batches.
#
# A band of a pull holds three or four batches: too few to estimate their scatter. So the scatter is
# estimated from second differences of neighbouring batches, which remove what changes smoothly with
# speed, and from many batches at once: neighbouring batches of all nodes show how noise changes along
# the pull (cycles are longer, and so fewer, at low speed), all batches of one node show how it differs
# from the others. The result is a density: variance of a mean = density / seconds, for means that are
# long against the lag.
#
# Noise behind a first-order lag tau has batch means of length T with
#
#     variance     S/T (1 - (1 - e) tau/T),  e = exp(-T/tau), S the density
#     correlation  (1 - e)^2 / (2 (T/tau - 1 + e)) between neighbours, times e for each further one
#
# (computed). White noise on top makes the intervals slightly too wide.
# ----------------------------------------------------------------------------------------------------

_SHARED_DIFFERENCES = 60
"""Second differences that are averaged to see how noise changes along the pull: our choice; their mean
has a standard error of 25 % (computed for white noise)."""

_FEWEST_DIFFERENCES = 8
"""With fewer of them no interval is given: our choice; the mean of eight has a standard
error of 70 % (computed for white noise)."""

_PRIOR_DIFFERENCES = 10
"""The mean of all nodes counts for a node as this many differences of its own: our choice."""

_SHORTEST_LAG_S = 0.02
"""Smaller lags count as this: our choice; a lag of 0 has no ratio to divide by."""


@dataclass(frozen=True, slots=True, eq=False)
class SweepNoise:
    """How noisy the means of m batches of n nodes are.

    density  float64[m, n]  variance times seconds; NaN where it cannot be estimated
    t95      float64[n]     half-width of a 95 % interval in standard errors
    lag_s    float64[n]     sensor lag
    """

    density: Floats
    t95: Floats
    lag_s: Floats

    def standard_error(self, batches: Bools, seconds: Floats) -> Floats:
        """Standard error of means over batches, float64[n].

        Args:
            batches: bool[m], the batches of the mean.
            seconds: float64[n], the time of their counted readings.
        """
        of_band = self.density[batches].mean(axis=0)
        counted = np.where(seconds > 0, seconds, np.nan)
        return np.asarray(np.sqrt(of_band / counted * _variance_factor(counted, self.lag_s)))


def sweep_noise(y: Floats, lag_s: Floats) -> SweepNoise:
    """Estimates the noise of batches from their means.

    Args:
        y: float64[m, n], means in order of speed, NaN where there is none. What all nodes do together
            counts as noise unless the caller has removed it.
        lag_s: float64[n], sensor lags.
    """
    lag = np.maximum(lag_s, _SHORTEST_LAG_S)
    bend = y[2:] - 2 * y[1:-1] + y[:-2]
    power = np.full(y.shape, np.nan)
    power[1:-1] = bend**2 * (_density_of_variance(lag) / _bend_of_variance(lag))
    known = np.isfinite(power)
    count = known.sum(axis=0)
    if count.sum() < _FEWEST_DIFFERENCES:
        nothing = np.full(y.shape[1], np.nan)
        return SweepNoise(np.full(y.shape, np.nan), nothing, lag)
    along = _average_neighbours(power, known)
    share = np.where(known, power / along[:, None], 0.0).sum(axis=0)
    own = (share + _PRIOR_DIFFERENCES) / (count + _PRIOR_DIFFERENCES)
    t95 = [student_t95(c / 2 + _PRIOR_DIFFERENCES / 2) for c in count.tolist()]
    return SweepNoise(along[:, None] * own, np.array(t95), lag)


def _average_neighbours(power: Floats, known: Bools) -> Floats:
    """Mean over all nodes and as many neighbouring batches as hold `_SHARED_DIFFERENCES`, float64[m]."""
    m = len(power)
    number = np.concatenate([[0], np.cumsum(known.sum(axis=1))])
    total = np.concatenate([[0.0], np.cumsum(np.where(known, power, 0.0).sum(axis=1))])
    out = np.empty(m)
    for i in range(m):
        half = 1
        while number[min(i + half + 1, m)] - number[max(i - half, 0)] < min(_SHARED_DIFFERENCES, number[-1]):
            half += 1
        low, high = max(i - half, 0), min(i + half + 1, m)
        out[i] = (total[high] - total[low]) / (number[high] - number[low])
    return np.maximum(out, np.finfo(np.float64).tiny)


def _variance_factor(seconds: Floats, lag: Floats) -> Floats:
    """Variance of a mean over that time as a multiple of density / seconds: below 1 for a slow sensor."""
    ratio = lag / seconds
    return np.asarray(1.0 - ratio * -np.expm1(-1.0 / ratio))


def _density_of_variance(lag: Floats) -> Floats:
    """Density as a multiple of the variance of a batch."""
    return np.asarray(BATCH_S / _variance_factor(np.full(lag.shape, BATCH_S), lag))


def _bend_of_variance(lag: Floats) -> Floats:
    """Mean square of second differences as a multiple of the variance of a batch."""
    ratio = BATCH_S / lag
    e = np.exp(-ratio)
    rho = (1 - e) ** 2 / (2 * (ratio - 1 + e))
    return np.asarray(6 - 8 * rho + 2 * rho * e)


# ----------------------------------------------------------------------------------------------------
# The table of one pull.
# ----------------------------------------------------------------------------------------------------

LEAST_COUNTED_SHARE = 0.5
"""A cylinder has a need in a band where at least this part of its readings there is counted: our choice."""

_LIMIT_STATES = (SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT)


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
    engine, engine_half  float64[b]     all together against the target; NaN where a cylinder is not known
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

    def mean_over_bands(self) -> tuple[Floats, Floats]:
        """Each node's mean need against the peers over its bands, and half the 95 % interval, float64[n]."""
        known = np.isfinite(self.peers)
        squares = mean_of_known(np.where(known, self.peers_half, np.nan) ** 2)
        half: Floats = np.sqrt(squares / np.maximum(known.sum(axis=0), 1))
        return mean_of_known(self.peers), half

    def spreads(self) -> tuple[Spread, ...]:
        """The spread of each band with its interval; each takes some milliseconds."""
        means, halves, errors = np.log1p(self.peers / 100), self.peers_half / 100, self.peers_error / 100
        return tuple(
            spread([Estimate(float(x), float(h), float(e), np.nan) for x, h, e in zip(*band, strict=True)])
            for band in zip(means, halves, errors, strict=True)
        )


def pull_table(session: Session, pull: Pull, bands: Bands, events: Sequence[ExcludedTime] = ()) -> PullTable:
    """Tabulates one pull.

    Args:
        session: as for the pull.
        pull: as found in the run.
        bands: from `bands_over`; the same for all pulls that are to be compared.
        events: misfires and other times at which a cylinder's readings are not counted.
    """
    cylinders = [node.cylinders for node in session.chain.nodes]
    trace = without_outliers(without_events(pull.trace, cylinders, events))
    sorted_ = sort_into_batches(bands, pull.rate, trace.rpm, trace.y, trace.target)
    return _Tabulator(bands, trace, sorted_, session).result()


@dataclass(frozen=True, slots=True, eq=False)
class _NeedsInBand:
    """One band in ln lambda, NaN where not known.

    rows    bool[m]     batches in the band
    known   bool[n]     nodes with a need
    peers   float64[n]  against the mean of the nodes
    target  float64[n]  against the target
    engine  all together against the target
    lam     lambda of all together
    """

    rows: Bools
    known: Bools
    peers: Floats
    target: Floats
    engine: float
    lam: float


class _Tabulator:
    """Compares the nodes in each band, then gives the intervals, which need all bands."""

    def __init__(self, bands: Bands, trace: PullTrace, sorted_: Batches, session: Session) -> None:
        self._bands, self._trace, self._batches = bands, trace, sorted_
        self._air = reference_weights(session)
        self._own_target = np.log(node_targets(session))
        self._cylinders = np.array([len(node.cylinders) for node in session.chain.nodes])
        self._all_cylinders = session.engine.cylinders
        self._seconds = self._sum_by_band(sorted_.rows) * (GRID_NS / 1e9)
        self._reasons = self._count_reasons()
        due = self._reasons.sum(axis=2) * (GRID_NS / 1e9)
        self._share = np.divide(self._seconds, due, out=np.full(due.shape, np.nan), where=due > 0)
        self._found = [self._compare_in_band(i) for i in range(len(bands))]

    def result(self) -> PullTable:
        """The table."""
        y, target = self._batches.y - self._own_target, self._batches.target - self._own_target
        lag_s = self._trace.lag_s
        common = two_way(y, np.ones_like(y))[0]
        found, known = self._found, np.array([b.known for b in self._found])
        mean_s = _mean_of_rows(np.where(known, self._seconds, np.nan))[:, None]
        apart, over, all_ = y - common[:, None], y - target, common - _mean_of_rows(target)
        peers = _estimate_needs(found, [b.peers for b in found], sweep_noise(apart, lag_s), self._seconds)
        against = _estimate_needs(found, [b.target for b in found], sweep_noise(over, lag_s), self._seconds)
        engine = _estimate_needs(
            found,
            [np.array([b.engine]) for b in found],
            sweep_noise(all_[:, None], lag_s.mean(keepdims=True)),
            mean_s,
        )
        return PullTable(
            bands=self._bands,
            peers=_needs_percent(peers),
            peers_half=_half_percent(peers),
            peers_error=100 * np.array([[e.standard_error for e in band] for band in peers]),
            target=_needs_percent(against),
            target_half=_half_percent(against),
            engine=_needs_percent(engine)[:, 0],
            engine_half=_half_percent(engine)[:, 0],
            lam=np.array([b.lam for b in self._found]),
            spread=_row_range(_needs_percent(peers)),
            counted_s=self._seconds,
            share=self._share,
            why=self._find_chief_exclusions(),
            valid=known @ self._cylinders,
            worst=tuple(self._find_worst_point(j, peers) for j in range(y.shape[1])),
            leanest=tuple(self._find_leanest_point(j) for j in range(y.shape[1])),
        )

    def _sum_by_band(self, counts: Ints) -> Floats:
        """Sums counts of batches by band, float64[b, n]."""
        out = np.zeros((len(self._bands), counts.shape[1]))
        np.add.at(out, self._batches.band, counts)
        return out

    def _count_reasons(self) -> Ints:
        """Readings by band, node and reason, int64[b, n, 256]."""
        b, n = self._seconds.shape
        rpm = self._trace.rpm
        band = np.searchsorted(self._bands.edges, rpm, side="right") - 1
        inside = np.isfinite(rpm) & (band >= 0) & (band < b)
        cell = (band * n + np.arange(n)) * 256 + self._trace.why
        return np.bincount(cell[inside], minlength=b * n * 256).reshape(b, n, 256)

    def _find_chief_exclusions(self) -> tuple[tuple[Exclusion | None, ...], ...]:
        bands, nodes = map(range, self._seconds.shape)
        return tuple(tuple(self._find_chief_exclusion(i, j) for j in nodes) for i in bands)

    def _find_chief_exclusion(self, i: int, j: int) -> Exclusion | None:
        """The chief reason for readings that are not counted."""
        counts = self._reasons[i, j]
        limit = next((code for code in _LIMIT_STATES if self._is_censored(counts, code)), None)
        if limit is not None:
            return limit
        chief = int(np.argmax(counts[1:])) + 1
        return exclusion_of(chief) if counts[chief] else None

    def _is_censored(self, counts: Ints, code: int) -> bool:
        """Whether too many readings are at that limit of the sensor."""
        return bool(counts[code] > CENSORED_SHARE * counts.sum())

    def _compare_in_band(self, i: int) -> _NeedsInBand:
        """The needs in band i."""
        rows = self._batches.band == i
        limited = [any(self._is_censored(c, code) for code in _LIMIT_STATES) for c in self._reasons[i]]
        known = (np.nan_to_num(self._share[i]) >= LEAST_COUNTED_SHARE) & ~np.array(limited)
        y = np.where(known, self._batches.y[rows] - self._own_target, np.nan)
        target = np.where(known, self._batches.target[rows] - self._own_target, np.nan)
        common, own = two_way(y, np.ones_like(y))
        known &= np.isfinite(own)
        nothing = np.full(len(known), np.nan)
        if not known.any():
            return _NeedsInBand(rows, known, nothing, nothing, np.nan, np.nan)
        # own is against the mean of ln lambda; the reference makes it one against the mean of fuel.
        reference = engine_log_lambda(own[known], self._air[known])
        together = common + reference
        whole = int(known @ self._cylinders) == self._all_cylinders
        return _NeedsInBand(
            rows=rows,
            known=known,
            peers=own - reference if known.sum() > 1 else nothing,
            target=mean_of_known(y - target),
            engine=float(mean_of_known(together - _mean_of_rows(target))) if whole else np.nan,
            lam=float(np.exp(mean_of_known(together))),
        )

    def _find_worst_point(self, j: int, peers: list[list[Estimate]]) -> Point | None:
        """The band in which node j is farthest from its peers."""
        needs = np.array([band[j].mean for band in peers])
        if not np.isfinite(needs).any():
            return None
        i = int(np.nanargmax(np.abs(np.expm1(needs))))
        over = float(self._over_target(j)[self._batches.band == i].mean())
        return Point(self._bands.centres[i], 100 * float(np.expm1(needs[i])), over)

    def _find_leanest_point(self, j: int) -> Point | None:
        """The batch in which node j is leanest against the target."""
        over = self._over_target(j)
        if not np.isfinite(over).any():
            return None
        k = int(np.nanargmax(over))
        needs = np.expm1(self._batches.y[k, j] - self._batches.target[k, j])
        return Point(float(self._batches.centre[k]), 100 * float(needs), float(over[k]))

    def _over_target(self, j: int) -> Floats:
        """Lambda less target of each batch."""
        return np.asarray(np.exp(self._batches.y[:, j]) - np.exp(self._batches.target[:, j]))


def _estimate_needs(
    found: list[_NeedsInBand], needs: list[Floats], noise: SweepNoise, seconds: Floats
) -> list[list[Estimate]]:
    """Needs of each band in ln lambda with their errors, for means over `seconds` float64[b, ...]."""
    out = []
    for band, need, counted in zip(found, needs, seconds, strict=True):
        error = np.where(np.isfinite(need), noise.standard_error(band.rows, counted), np.nan)
        columns = (need, noise.t95 * error, error, counted / BATCH_S)
        out.append([Estimate(*map(float, one)) for one in zip(*columns, strict=True)])
    return out


def _needs_percent(needs: list[list[Estimate]]) -> Floats:
    """Needs in percent of fuel."""
    return np.asarray(100 * np.expm1(np.array([[e.mean for e in band] for band in needs])))


def _half_percent(needs: list[list[Estimate]]) -> Floats:
    """Half-widths of the intervals in percent of fuel."""
    mean, half = (np.array([[getattr(e, name) for e in band] for band in needs]) for name in ("mean", "half"))
    return np.asarray(100 * np.exp(mean) * np.sinh(half))


def _row_range(x: Floats) -> Floats:
    """Largest less smallest of each row that has two numbers, else NaN."""
    known = np.isfinite(x)
    highest = np.where(known, x, -np.inf).max(axis=1)
    lowest = np.where(known, x, np.inf).min(axis=1)
    return np.where(known.sum(axis=1) > 1, highest - lowest, np.nan)


def _mean_of_rows(x: Floats) -> Floats:
    return mean_of_known(x.T)
