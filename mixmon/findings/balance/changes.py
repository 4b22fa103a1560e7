"""What is odd in the batches of one cell: outliers, which are left out, and changes, which last.

    batches -> sort_batches    both of these:
            -> even_out        what lasts: a changed level; both are moved to their middle, and told
            -> find_outliers   what is short: a burst, an electrical disturbance
            -> measure_ends    what stands at the end, and may be either

A reading that is far from its peers for a moment says nothing about fuel. One that stays there does: the
cylinder needs something else from then on, and neither the old need nor the mean of both is its need.

What a cylinder did last may be a change: nobody knows for how long it will do that.

Invariant: what lasts for `_LASTING` batches is never left out, unless fuel is stepped on many nodes.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.stats import (
    NORMAL_95,
    SIGMA_OF_MAD,
    USUAL_RHO,
    linked,
    median_with_holes,
    robust_deviation,
    rolling_median,
    two_way,
)

_OUTLIER_SCALE = 6.0
"""In robust standard deviations: our choice; of normal batches one in five hundred million is farther."""

_OUTLIER_FLOOR = 0.01
"""In ln lambda; nearer to its peers no batch is an outlier, however quiet the others are: our choice."""

_OUTLIER_ROUNDS = 4
"""Fits of the levels, each without the outliers of those before: our choice; three mostly change nothing."""

_LASTING = 8
"""Batches in a row that are no outliers any more but a change: our choice, two seconds; disturbances of a
sensor are shorter."""

_MOST_CHANGED = 1 / 3
"""Part of the nodes that change in one cell, above which steps of fuel are made to see which cylinder each
sensor sees: our choice."""

_MOST_CHANGES = 3
"""More changes of one node in one cell are a reading that wanders, of which `wander` tells: our choice."""

_NOISE_APART = 4
"""Batches apart of which the difference shows the noise, and no change: our choice, one second."""

_SHORTEST = 4
"""The same for the last batches of all, after which it may have stayed there: our choice, one second."""

_END_BATCHES = 12
"""The most last batches of a node that may be a change which is not certain: our choice, three seconds; a
change before them that is no change by `_search` moves the mean of a dwell by less than its error."""

_END_SCALE = 3.5
"""In standard deviations: our choice; by chance one end of some thousand is farther."""

_END_ROWS = 64
"""Batches by which ends are judged: our choice, sixteen seconds."""

_WINDOWS = (_LASTING, 2 * _LASTING)
"""Batches before and after a change that are compared: our choice; the longer ones see smaller changes, and
such as take some seconds."""

_CHANGE_SCALE = 5.0
"""In standard deviations: our choice; by chance one comparison in two million is farther."""

_ALL_MOVED = 0.5
"""Part of a change by which every one of the last batches must have moved: our choice."""


_NEARLY = 0.99
"""Part of a limit from which it may be passed: our choice, more than what is rounded off."""


@dataclass(frozen=True, slots=True, eq=False)
class SortedBatches:
    """Batches of one cell, sorted.

    even      float64[m, n]  with levels that changed moved to their middle
    far       bool[m, n]     outliers
    changes   in order of time
    ends      float64[n]     by how much, at most, the last batches of each node lie apart from those before,
                             ln lambda, where that may be a change; 0 where not
    """

    even: Floats
    far: Bools
    changes: tuple[Change, ...]
    ends: Floats


@dataclass(frozen=True, slots=True)
class Change:
    """From batch `row` of its cell on a node's level was another, by `moved` ± `half` (95 %) in ln lambda."""

    node: int
    row: int
    moved: float
    half: float


def sort_batches(y: Floats, step: Floats, visit: Ints) -> SortedBatches:
    """Changes, outliers and ends of the batches; y, step, visit: as of `find_outliers`."""
    even, changes = even_out(y, step, visit)
    stepped = changes is None
    far = find_outliers(even, step, visit, stepped=stepped)
    ends = np.zeros(y.shape[1]) if stepped else measure_ends(even, step)
    return SortedBatches(even, far, changes or (), ends)


def find_outliers(y: Floats, step: Floats, visit: Ints, *, stepped: bool = False) -> Bools:
    """Batches of a node that are far from its peers' common movement for less than two seconds, bool[m, n].

    The levels come from least squares over all that was heard together, so that nodes which are missing for
    a while bend nothing. Their outliers are left out and they are fitted again. What rounding moves is not
    far: a step of the node, and one of the middle. The middle of two moves with each of them, so of two
    nodes that is the outlier which is far from its own level too.

    y        float64[m, n], NaN where not known
    step     float64[n], of the readings; infinite where not known
    visit    int64[m]
    stepped  whether fuel is stepped on many nodes, so that what lasts is left out as well
    """
    pairs = np.isfinite(y).sum(axis=1, keepdims=True) < 3
    own = np.abs(y - median_with_holes(y, axis=0))
    far = np.zeros(y.shape, np.bool_)
    for _ in range(_OUTLIER_ROUNDS):
        residual = _residuals(y, ~far)
        residual -= median_with_holes(residual, axis=0)
        distance = np.abs(residual)
        limit = np.maximum(_OUTLIER_SCALE * SIGMA_OF_MAD * median_with_holes(distance, axis=0), _floor(step))
        before, far = far, (distance > limit) & (~pairs | (own > limit))
        far &= stepped | ~_lasting(far, residual, visit)
        if (far == before).all():
            break
    return far


def even_out(y: Floats, step: Floats, visit: Ints) -> tuple[Floats, tuple[Change, ...] | None]:
    """The batches with the levels of each node that changed moved to their middle, and the changes.

    None where so many nodes changed that somebody steps their fuel in turn: then nothing is moved. Nodes that
    change again and again count there, if not one alone does, and are not evened out.

    The node that changed most comes first: what it did is in what all share, and seems to be a change of
    the others.
    """
    even, found, restless = y.copy(), dict[int, list[Change]](), 0
    for _ in range(y.shape[1]):
        residual = _residuals(even, np.isfinite(even))
        floor = _floor(step)
        changes = [
            _changes_of_node(node, residual[:, node], float(floor[node]), visit)
            for node in np.flatnonzero(_may_change(residual, floor)).tolist()
            if node not in found
        ]
        few = [own for own in changes if len(own) <= _MOST_CHANGES]
        restless = len(changes) - len(few)
        most = max(few, key=lambda own: max((abs(one.moved) for one in own), default=0.0), default=[])
        if not most:
            break
        found[most[0].node] = most
        even[:, most[0].node] -= _about_middle(most, len(y))
    stepped = len(found) + (restless if restless > 1 else 0)
    if stepped > max(1, int(_MOST_CHANGED * y.shape[1])):
        return y.copy(), None
    told = sorted((one for own in found.values() for one in own), key=lambda one: (one.row, one.node))
    return even, tuple(told)


def measure_ends(even: Floats, step: Floats) -> Floats:
    """By how much each node's last batches lie apart from those before them, float64[n] in ln lambda.

    Zero where they do not, or by no more than noise and rounding make of so few. What changed before must
    have been evened out. Only what is heard to the end has one.
    """
    out = np.zeros(even.shape[1])
    x = even[-_END_ROWS:]
    if len(x) < 2 * _LASTING:
        return out
    x = x - median_with_holes(x, axis=0)
    x -= median_with_holes(x, axis=1)[:, None]
    heard = np.isfinite(x).sum(axis=0) >= 2 * _LASTING
    nodes = np.flatnonzero(heard & np.isfinite(x[-1]))
    if len(nodes):
        out[nodes] = _ends_of_nodes(x[:, nodes], _floor(step)[nodes])
    return out


def _ends_of_nodes(x: Floats, floor: Floats) -> Floats:
    """By how much the last batches of each node lie apart, at most: of the number that shows it best.

    x: float64[m, k], NaN where not heard; a number in the last row. floor: float64[k].
    """
    known = np.isfinite(x)
    count, missing = known.sum(axis=0), _END_BATCHES + 2 * _LASTING - len(x)
    if not known.all():
        x = np.take_along_axis(x, np.argsort(known, axis=0, kind="stable"), axis=0)
    if missing > 0:
        x = np.concatenate([np.full((missing, x.shape[1]), np.nan), x])
    noise = _noise_of_columns(x)
    length = np.arange(1, _END_BATCHES + 1)[:, None]
    inside = (np.arange(_END_BATCHES) >= _END_BATCHES - length)[:, :, None]
    newest = np.where(inside, x[-_END_BATCHES:], np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(x[:-1], 2 * _LASTING, axis=0)
    middle = median_with_holes(windows[-_END_BATCHES:][::-1], axis=2)
    moved = median_with_holes(newest, axis=1) - middle
    spread = _of_middles(np.minimum(count - length, 2 * _LASTING), length)
    over = np.abs(moved) / np.maximum(floor, _END_SCALE * spread * noise)
    part = (newest - middle[:, None]) / np.where(moved == 0, 1.0, moved)[:, None]
    sure = (over > 1.0) & (length <= count - _LASTING) & ((part > _ALL_MOVED) | ~inside).all(axis=1)
    best = np.where(sure, over, 0.0).argmax(axis=0)[None]
    apart = np.abs(moved) + NORMAL_95 * noise * spread
    return np.where(sure.any(axis=0), np.take_along_axis(apart, best, axis=0)[0], 0.0)


def range_of_changes(changes: tuple[Change, ...], nodes: int) -> Floats:
    """Largest less smallest level of each node, float64[n] in ln lambda; 0 where nothing changed."""
    out = np.zeros(nodes)
    for node in {one.node for one in changes}:
        out[node] = np.ptp(np.cumsum([0.0, *(one.moved for one in changes if one.node == node)]))
    return out


def _floor(step: Floats) -> Floats:
    """Least distance that is one, by node, float64[n]."""
    return np.maximum(np.where(np.isfinite(step), 2 * step, 0.0), _OUTLIER_FLOOR)


def _residuals(y: Floats, used: Bools) -> Floats:
    """Batches less their nodes' levels, which come from the `used` ones, and less the middle of the nodes."""
    out = np.full(y.shape, np.nan)
    for nodes in linked(np.isfinite(y) & used):
        _, levels = two_way(y[:, nodes], used[:, nodes].astype(np.float64))
        alike = y[:, nodes] - levels
        out[:, nodes] = alike - median_with_holes(alike, axis=1)[:, None]
    return out


def _lasting(far: Bools, residual: Floats, visit: Ints) -> Bools:
    """Which of the far batches stand in a row of such that is long, or all of a visit, on one side."""
    side = np.where(far, np.sign(residual), 0.0)
    out = np.zeros(far.shape, np.bool_)
    for node in np.flatnonzero(far.any(axis=0)).tolist():
        rows = np.flatnonzero(np.isfinite(residual[:, node]))
        own, whose = side[rows, node], visit[rows]
        edges = [0, *(np.flatnonzero(np.diff(own)) + 1).tolist(), len(rows)]
        for begin, end in pairwise(edges):
            alone = begin == 0 or whose[begin - 1] != whose[begin]
            alone &= end == len(rows) or whose[end] != whose[end - 1]
            out[rows[begin:end], node] = own[begin] != 0 and (
                end - begin >= _LASTING or (alone and end - begin >= _NOISE_APART)
            )
    return out


def _may_change(residual: Floats, floor: Floats) -> Bools:
    """Nodes of which `_changes_of_node` may find changes, bool[n]; all at once, as nearly all have none."""
    known = np.isfinite(residual)
    count = known.sum(axis=0)
    some: Bools = (count >= _LASTING + _SHORTEST) & (_range_of(residual) > floor)
    nodes = np.flatnonzero(some)
    if not len(nodes):
        return some
    x, floor, count = residual[:, nodes], floor[nodes], count[nodes]
    if not known[:, nodes].all():
        x = np.take_along_axis(x, np.argsort(~known[:, nodes], axis=0, kind="stable"), axis=0)
    noise = _noise_of_columns(x)
    found = _may_change_at_end(x, count, _least_apart(_LASTING, _LASTING - 1, floor, noise))
    for width in _WINDOWS:
        if len(x) >= 2 * width:
            middle = rolling_median(x, width)
            farthest = np.fmax.reduce(np.abs(middle[width:] - middle[:-width]), axis=0)
            found |= farthest > _least_apart(width, width, floor, noise)
    some[nodes] = found
    return some


def _noise_of_columns(x: Floats) -> Floats:
    """Standard deviation of single batches of each column, by those a second apart, float64[n]."""
    apart = np.abs(x[_NOISE_APART:] - x[:-_NOISE_APART])
    noise: Floats = SIGMA_OF_MAD * median_with_holes(apart, axis=0) / 2**0.5
    return noise


def _may_change_at_end(x: Floats, count: Ints, limit: Floats) -> Bools:
    """Columns for which `_search_end` may find a place, bool[n], by the range of what it looks at.

    count: int64[n], batches of each column, which come first.
    """
    rows = count - np.arange(2 * _LASTING - 1, 0, -1)[:, None]
    last = np.take_along_axis(x, np.maximum(rows, 0), axis=0)
    newest, low, high = last[-_SHORTEST:], last.min(axis=0), last.max(axis=0)
    moved = np.maximum(newest.min(axis=0) - low, high - newest.max(axis=0))
    may: Bools = (high - low > limit) & (moved > _NEARLY * _ALL_MOVED * limit)
    return may


def _range_of(x: Floats) -> Floats:
    """Largest less smallest number of each column; NaN where there is none."""
    out: Floats = np.fmax.reduce(x, axis=0) - np.fmin.reduce(x, axis=0)
    return out


def _least_apart(first: int, second: int, floor: Floats | float, noise: Floats | float) -> Floats:
    """How far apart medians of so many batches must be for a change, as many as there are floors."""
    return np.maximum(floor, _CHANGE_SCALE * _of_middles(first, second) * noise)


def _changes_of_node(node: int, residual: Floats, floor: float, visit: Ints) -> list[Change]:
    """The changes of one node, in order; more than `_MOST_CHANGES` where it wanders or is stepped."""
    rows = np.flatnonzero(np.isfinite(residual))
    x = residual[rows]
    noise = robust_deviation(x[_NOISE_APART:] - x[:-_NOISE_APART]) / 2**0.5
    at = max(_search(x, width, floor, noise) for width in _WINDOWS)[1] or _search_end(x, floor, noise)
    begins = np.flatnonzero(np.diff(visit[rows])) + 1
    edges = [0, *sorted({_begin_of_visit(k, begins) for k in at}), len(x)]
    parts = [x[begin:end] for begin, end in pairwise(edges)]
    moves = [float(np.median(b) - np.median(a)) for a, b in pairwise(parts)]
    if len(at) <= _MOST_CHANGES and any(abs(moved) <= floor for moved in moves):
        return []
    halves = [float(NORMAL_95 * noise * _of_middles(len(a), len(b))) for a, b in pairwise(parts)]
    return [Change(node, int(rows[k]), *one) for k, *one in zip(edges[1:-1], moves, halves, strict=True)]


def _of_middles(first: int | Ints, second: int | Ints) -> Floats:
    """Standard deviation of the difference of two medians of so many batches over that of one batch.

    A median has pi / 2 times the variance of a mean (normal noise, many values; any textbook of statistics).
    """
    out: Floats = np.sqrt(np.pi / 2 * (1 + USUAL_RHO) / (1 - USUAL_RHO) * (1 / first + 1 / second))
    return out


def _search(x: Floats, width: int, floor: float, noise: float) -> tuple[float, list[int]]:
    """Where medians of so many batches before and after differ, and by how many limits at most."""
    if len(x) < 2 * width:
        return 0.0, []
    middle = rolling_median(x, width)
    apart = np.abs(middle[width:] - middle[:-width])
    limit = float(_least_apart(width, width, floor, noise))
    return float(apart.max()) / limit, [_place(x, middle, k, width) for k in _peaks(apart, limit, width)]


def _place(x: Floats, middle: Floats, at: int, width: int) -> int:
    """The first batch after a change that the medians of the windows from `at` on show.

    Medians are the same some batches too early and too late; the distances from both levels are not.
    """
    begin, end = at + width - width // 2, at + width + width // 2
    part = x[begin:end]
    farther = np.cumsum(np.abs(part - middle[at]) - np.abs(part - middle[at + width]))
    return begin + int(np.concatenate([[0.0], farther]).argmin())


def _search_end(x: Floats, floor: float, noise: float) -> list[int]:
    """Where the last second or two are a level of their own, and nobody knows for how long."""
    best, places = 1.0, list[int]()
    for length in range(_SHORTEST, _LASTING):
        at = len(x) - length
        before = float(np.median(x[max(at - _LASTING, 0) : at]))
        moved = float(np.median(x[at:])) - before
        over = abs(moved) / float(_least_apart(_LASTING, length, floor, noise))
        if over > best and ((x[at:] - before) / moved > _ALL_MOVED).all():
            best, places = over, [at]
    return places


def _begin_of_visit(at: int, begins: Ints) -> int:
    """The begin of a visit, if one is next to it: that is where it changed."""
    near = begins[np.abs(begins - at) <= 1]
    return int(near[0]) if len(near) else at


def _peaks(apart: Floats, limit: float, width: int) -> list[int]:
    """Places of the largest values above the limit, none nearer than `width` to a larger one."""
    left, found = np.where(apart > limit, apart, 0.0), list[int]()
    while left.any():
        at = int(left.argmax())
        found.append(at)
        left[max(at - width + 1, 0) : at + width] = 0.0
    return sorted(found)


def _about_middle(changes: list[Change], rows: int) -> Floats:
    """One node's level less the middle of its levels, float64[m]."""
    levels = np.cumsum([0.0, *(one.moved for one in changes)])
    level = np.concatenate([[0], *[[one.row] for one in changes], [rows]])
    out: Floats = np.repeat(levels - (levels.min() + levels.max()) / 2, np.diff(level))
    return out
