"""Whether readings wander by themselves more slowly than neighbouring batches can tell.

The lag-1 formula of `stats` sees what is alike in neighbouring batches. A sensor that wanders with a
correlation time of many batches is hardly different from one batch to the next, and yet the whole dwell may
be off. It shows in what is slow: a visit bends by more than the noise of a second makes it, and two visits to
one cell differ by more. The bends are the first cosines of the visit, from half a wave on; a slow wander has
the more of them the longer they are. They are pooled over all nodes and cells, because one dwell holds few.

What the bends of a visit do not tell is how far a wander goes that takes longer than the visit. It is
taken for one that is alike by exp(-t / tau) (an Ornstein-Uhlenbeck process) with a tau of twice the visit,
and said to be taken so; several visits to a cell show it as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.stats import USUAL_RHO

_ALIKE_BATCHES = 4
"""Batches after which ordinary noise is no longer alike: our choice, one second."""

_FEWEST_HALF = 8
"""Batches of half a visit: our choice, two seconds, some correlation times of ordinary noise."""

_BENDS = 4
"""Cosines by which a visit may bend: our choice; of a slow wander the next hold next to nothing."""

_BEND_WEIGHTS = 1 / np.arange(1, _BENDS + 1)
"""Weights of their squares: our choice, between those that find a wander of long visits and of short ones."""

_BENDS_DEGREES = float(_BEND_WEIGHTS.sum() ** 2 / (_BEND_WEIGHTS**2).sum())
"""Degrees of freedom of their sum (from memory: Satterthwaite, Biometrics 2, 1946)."""

_KNOWN_SHARE = 0.75
"""Part of a mean's batches that must be there: our choice."""

_BENDS_TO_MEAN = 8.45
"""Variance of the mean of a visit over the sum of its bends' squares, of a wander whose correlation time is
twice the visit (computed)."""

_ALL_SURE, _NODE_SURE, _NODE_LIKELY = 3.8, 5.0, 4.3
"""Standard deviations by which what is slow in all nodes, and in one, must be larger than predicted: our
choice, so that noise alone hardly ever does: what it then adds to the interval is large. The last is for one
node where all that was heard is too short to show a slow wander: there it costs more to overlook it."""

_REST_SURE = 1.65
"""The same of all nodes but the one that has most, without which not all wander: our choice; noise does it in
one engine of twenty."""

_ALIKE_SHARE = 0.5
"""Part of the nodes that surely wander, and two at least, from which the rest is taken to wander as all do
together: our choice. Sensors of one chain are alike, and by chance one that wanders is quiet for a while."""

_FEWEST_VISITS = 6
"""Differences between visits that are enough to go by: our choice."""

WANTED_DWELLS = 10.0
"""A dwell that shows how far a wander goes is so many times as long as one whose bends only show that there
is one: our choice, five correlation times of the wander that is assumed."""

SHORT_LOG_S = 60.0
"""Less steady time than this, with no cell visited again, shows too little of a slow wander: our choice; a
sensor that takes tens of seconds to wander has then hardly left its place."""

_LEAST_VARIANCE = 1e-14
"""Of ln lambda; less is no noise: our choice."""


@dataclass(frozen=True, slots=True, eq=False)
class Differences:
    """Squares of what is slow in n nodes, in ln lambda squared.

    bends, visits          float64[n]  sums, of the bends of each visit and of each visit and the next
    bends_n, visits_n      float64[n]  degrees of freedom
    per_bends, per_visits  float64[n]  predicted for one degree
    visited               number of visits
    longest_s             seconds of the longest visit
    """

    bends: Floats
    visits: Floats
    bends_n: Floats
    visits_n: Floats
    per_bends: Floats
    per_visits: Floats
    visited: int
    longest_s: float


def differences(residual: Floats, joined: Bools, batch_s: float) -> Differences:
    """The differences in one cell.

    residual  float64[m, n]  batches less what all nodes share and less the nodes' levels; NaN where missing
    joined    bool[m - 1]    neighbours that belong to one visit
    """
    n = residual.shape[1]
    edges = [0, *(np.flatnonzero(~joined) + 1).tolist(), len(residual)]
    noise = _fast_noise(residual, np.concatenate([[0], np.cumsum(~joined)]))
    sums, counts, predicted = np.zeros((2, n)), np.zeros((2, n)), np.zeros((2, n))
    before: tuple[Floats, Floats] | None = None
    for begin, end in pairwise(edges):
        if (end - begin) // 2 < _FEWEST_HALF:
            continue
        whole = _mean(residual[begin:end]), noise / (end - begin)
        for bend, weight in zip(_bends(residual[begin:end] - whole[0]), _BEND_WEIGHTS.tolist(), strict=True):
            _add(0, bend, whole[1], (sums, counts, predicted), weight)
        if before is not None:
            _add(1, whole[0] - before[0], whole[1] + before[1], (sums, counts, predicted))
        before = whole
    counts[0] *= _BENDS_DEGREES / _BEND_WEIGHTS.sum()
    per = np.divide(predicted, counts, out=np.zeros(predicted.shape), where=counts > 0)
    lengths = np.diff(edges)
    visited = int(np.count_nonzero(lengths >= 2 * _FEWEST_HALF))
    return Differences(
        *(sums[0], sums[1], counts[0], counts[1], per[0], per[1]),
        visited=max(visited, 1),
        longest_s=float(lengths.max()) * batch_s,
    )


def _bends(x: Floats) -> Floats:
    """Amplitudes of the first cosines of each column about its mean, float64[_BENDS, n].

    So scaled that the square of each is the variance of the mean, if x is white noise. NaN as of `_mean`.
    """
    m = len(x)
    waves = np.sqrt(2) * np.cos(np.pi / m * np.outer(np.arange(1, _BENDS + 1), np.arange(m) + 0.5))
    return np.array([_mean(x * wave[:, None]) for wave in waves])


def _fast_noise(residual: Floats, visit: Ints) -> Floats:
    """Variance of a mean of many batches times their number, by what happens within a second, float64[n].

    From the mean squares D_k of what is k batches apart: D_4 / 2 is the variance of one batch, and
    1 - D_1 / D_4 the correlation of neighbours, taken from all nodes together and at least the usual one;
    then the lag-1 formula.
    """
    first, last = (_mean_square_apart(residual, visit, k) for k in (1, _ALIKE_BATCHES))
    whole = float(last.sum())
    rho = max(1 - float(first.sum()) / whole, USUAL_RHO) if whole > 0 else USUAL_RHO
    out: Floats = last / 2 * (1 + rho) / (1 - rho)
    return out


def _mean_square_apart(residual: Floats, visit: Ints, k: int) -> Floats:
    """Mean square of what batches of one visit differ by that are k apart, float64[n]."""
    apart = residual[k:] - residual[:-k]
    known = np.isfinite(apart) & (visit[k:] == visit[:-k])[:, None]
    square: Floats = np.where(known, apart**2, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    return square


def _add(
    line: int,
    apart: Floats,
    predicted: Floats,
    into: tuple[Floats, Floats, Floats],
    weight: float = 1.0,
) -> None:
    """Adds squares of differences about their median: what one node does would be in the mean of all."""
    known = np.isfinite(apart) & (predicted > _LEAST_VARIANCE)
    if known.any():
        apart = apart - np.median(apart[known])
    sums, counts, variances = into
    sums[line] += weight * np.where(known, apart**2, 0.0)
    counts[line] += weight * known
    variances[line] += weight * np.where(known, predicted, 0.0)


def _mean(x: Floats) -> Floats:
    """Mean of each column; NaN where too much is missing."""
    known = np.isfinite(x)
    count = known.sum(axis=0)
    enough = count >= _KNOWN_SHARE * len(x)
    mean: Floats = np.divide(
        np.where(known, x, 0.0).sum(axis=0), count, out=np.full(x.shape[1], np.nan), where=enough
    )
    return mean


# ----------------------------------------------------------------------------------------------------
# What the differences of all cells say.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Wander:
    """How much nodes wander by themselves.

    by_visits   whether it is known from several visits to a cell, not only from the bends of visits
    excess      float64[n]  part by which squared differences are larger than predicted; 0 where not surely.
                A node that is not sure has that of all, where all together or half of the nodes are
    predicted   float64[n]  what was predicted for one of them, mean of all cells, ln lambda squared
    longest_s   seconds of the longest visit
    steady_s    seconds of the longest visits to all cells
    again       whether any cell was visited again
    """

    by_visits: bool
    excess: Floats
    predicted: Floats
    longest_s: float
    steady_s: float
    again: bool

    @property
    def not_to_be_seen(self) -> bool:
        """Whether all that was heard is too short for a slow wander to show."""
        return not self.again and self.steady_s < SHORT_LOG_S

    @property
    def guessed(self) -> Bools:
        """Nodes whose wander is slower than their visits could show, bool[n]."""
        out: Bools = (self.excess > 0) & (not self.by_visits)
        return out

    def variance(self, cell: Differences) -> Floats:
        """Variance that the wander adds to the nodes' means in a cell, float64[n].

        A wander that is quicker than the visits adds the less to a visit the longer it is; a slower one adds
        the same to each. The larger of both is taken.
        """
        if self.by_visits:
            per = 0.5 * np.maximum(cell.per_visits, self.predicted)
        else:
            per = _BENDS_TO_MEAN * _BENDS_DEGREES * cell.per_bends
        return np.asarray(self.excess * per / cell.visited)


def pool(cells: Sequence[Differences], n: int) -> Wander:
    """What the differences in all cells say about n nodes."""
    visits_n = sum((c.visits_n for c in cells), np.zeros(n))
    by_visits = bool(visits_n.sum() >= _FEWEST_VISITS and all(c.visited > 1 for c in cells))
    if by_visits:
        found = [(c.visits, c.visits_n, c.per_visits) for c in cells]
    else:
        found = [(c.bends, c.bends_n, c.per_bends) for c in cells]
    sums, counts = (sum((f[k] for f in found), np.zeros(n)) for k in (0, 1))
    predicted = sum((f[1] * f[2] for f in found), np.zeros(n))
    excess = _sure_excess(sums, predicted, counts, _NODE_SURE)
    others, sure = excess == 0, np.count_nonzero(excess)  # one node that wanders says nothing of the rest
    common = float(_sure_excess(sums[others].sum(), predicted[others].sum(), counts[others].sum(), _ALL_SURE))
    if common:
        others[int(np.argmax(np.where(others, sums / np.maximum(predicted, _LEAST_VARIANCE), -1.0)))] = False
        rest = _sure_excess(sums[others].sum(), predicted[others].sum(), counts[others].sum(), _REST_SURE)
        common = common if rest else 0.0
    if not common and sure >= max(2, _ALIKE_SHARE * np.count_nonzero(counts)):
        common = max(float(sums.sum() / predicted.sum()) - 1, 0.0)
    excess = np.maximum(excess, common)
    lengths = [c.longest_s for c in cells]
    again = any(c.visited > 1 for c in cells)
    per = predicted / np.maximum(counts, 1.0)
    wander = Wander(by_visits, excess, per, max(lengths, default=0.0), float(np.sum(lengths)), again)
    if not wander.not_to_be_seen:
        return wander
    likely = _sure_excess(sums, predicted, counts, _NODE_LIKELY)
    return replace(wander, excess=np.maximum(wander.excess, likely))


def _sure_excess(
    sums: Floats | np.float64,
    predicted: Floats | np.float64,
    counts: Floats | np.float64,
    sure: float,
) -> Floats:
    """Squares over what was predicted, less one, where that is larger than chance makes it; else zero.

    The chance limit of chi square is that of a cube of a normal number (from memory: Wilson & Hilferty, Proc.
    Natl. Acad. Sci. 17, 1931).
    """
    some = np.maximum(counts, 1.0)
    mean, spread = sums / np.where(predicted > 0, predicted, 1.0), 2 / (9 * some)
    limit = (1 - spread + sure * np.sqrt(spread)) ** 3
    return np.where((counts > 0) & (mean > limit), mean - 1, 0.0)


def together(parts: Iterable[tuple[Sequence[int], Differences]], n: int) -> Differences:
    """The differences of sets of nodes of one cell, as those of all n nodes."""
    whole = np.zeros((6, n))
    visited, longest = 1, 0.0
    for nodes, one in parts:
        whole[:, list(nodes)] = (
            one.bends, one.visits, one.bends_n, one.visits_n, one.per_bends, one.per_visits
        )  # fmt: skip
        visited, longest = max(visited, one.visited), max(longest, one.longest_s)
    return Differences(*(whole[k] for k in range(6)), visited=visited, longest_s=longest)  # type: ignore[misc]
