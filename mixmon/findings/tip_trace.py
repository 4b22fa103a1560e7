"""What the mixture of each cylinder does after a tip, all sensors made equally slow.

A slow sensor shows a smaller and later excursion than a quick one of the same gas: compared as
they are, two such cylinders differ although their fuel does not. Making the slow one quick would
raise its noise. So each quicker one is made as slow as the slowest, in the oxygen balance, in
which sensors are linear:

    (1 + tau_j s) / (1 + tau s) = r + (1 - r) / (1 + tau s),  r = tau_j / tau <= 1,

which raises no frequency. For a sensor whose lag differs between lean-going and rich-going
readings the way of the reading is scaled by r of its direction, u = sum of r dx, and the result
is u + (x - u) / (1 + tau s); with one r this is the same.

The excursion is what remains when the expected path is taken away: the target when the gas left
its valve, times what this cylinder stands off it before the tip, going over into what it stands
off it once it has settled, lagged the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import FirstOrderLag
from mixmon.mixture.align import GRID_NS

LEVEL_ROWS = 50
"""Rows before the tip, and at the end, that tell where a cylinder stands."""

_DIRECTION_ROWS = 6
"""A reading rises where it is above what it was so long ago: noise changes its mind less often."""

_BEFORE_SHARE, _AFTER_SHARE = 0.8, 0.9

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TipRows:
    """k rows around a tip, n nodes.

    onset     row at which the throttle begins to move
    valid     bool[k, n]
    oxygen    float64[k, n]  percent
    target    float64[k, n]  lambda when the gas left its valve; NaN where not known
    at_valve  float64[k, n]  opening then, percent
    """

    onset: int
    valid: NDArray[np.bool_]
    oxygen: Floats
    target: Floats
    at_valve: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TipTrace:
    """From the onset's `LEVEL_ROWS` before on, k rows of n nodes, 100 a second.

    excursion    float64[k, n]  lambda less what is expected; NaN for nodes that could not be judged
    over_target  float64[k, n]  lambda less target, equally lagged; NaN where no target is known
    arrival      int64[n]       row at which the gas of the new opening reaches the sensor
    """

    excursion: Floats
    over_target: Floats
    arrival: NDArray[np.int64]


def equalised(oxygen: Floats, lag_s: Floats, slowest_s: float) -> Floats:
    """Each column as a sensor with the lag `slowest_s` would have shown it, float64[k, n].

    lag_s  float64[2, n]  lean-going and rich-going lag of the columns, none longer than that
    """
    if slowest_s <= 0.0:
        return oxygen
    lean, rich = lag_s / slowest_s
    before = np.concatenate([oxygen[:1].repeat(_DIRECTION_ROWS, axis=0), oxygen])[: len(oxygen)]
    share = np.where(oxygen >= before, lean, rich)
    quick = np.cumsum(share * np.diff(oxygen, axis=0, prepend=oxygen[:1]), axis=0)
    quick += lean * oxygen[:1]
    return np.asarray(quick + _lagged(oxygen - quick, slowest_s))


def tip_trace(rows: TipRows, from_to: tuple[float, float], lag_s: Floats, fuel: Fuel) -> TipTrace:
    """The excursion of every node; lag_s float64[2, n], lean-going and rich-going.

    from_to  opening before and after, percent
    """
    slowest = float(lag_s.max(initial=0.0))
    seen = equalised(_held(rows.oxygen, rows.valid), lag_s, slowest)
    target = np.where(np.isfinite(rows.target).all(axis=0), rows.target, 1.0)
    way = np.clip((rows.at_valve - from_to[0]) / (from_to[1] - from_to[0]), 0.0, 1.0)
    way = np.nan_to_num(way)
    lam = lambda_from_oxygen(seen, fuel)
    expected = np.exp(_off_target(rows.onset, lam, target, way)) * target
    path = _lagged(oxygen_balance(expected, fuel), slowest)
    first = rows.onset - LEVEL_ROWS
    judged = _judged(rows)
    aim = lambda_from_oxygen(_lagged(oxygen_balance(target, fuel), slowest), fuel)
    known = judged & np.isfinite(rows.target).all(axis=0)
    return TipTrace(
        excursion=np.where(judged, lam - lambda_from_oxygen(path, fuel), np.nan)[first:],
        over_target=np.where(known, lam - aim, np.nan)[first:],
        arrival=np.argmax(way[rows.onset :] >= 0.5, axis=0) + LEVEL_ROWS,
    )


def _off_target(onset: int, lam: Floats, target: Floats, way: Floats) -> Floats:
    """How far each node stands off the target, in ln lambda, on its way from before to after."""
    off = np.log(lam) - np.log(target)
    before = off[onset - LEVEL_ROWS : onset].mean(axis=0)
    after = off[-LEVEL_ROWS:].mean(axis=0)
    return np.asarray(before + (after - before) * way)


def _judged(rows: TipRows) -> NDArray[np.bool_]:
    """Nodes that were valid nearly all the time, bool[n]."""
    before = rows.valid[rows.onset - LEVEL_ROWS : rows.onset].mean(axis=0)
    after = rows.valid[rows.onset :].mean(axis=0)
    return np.asarray((before >= _BEFORE_SHARE) & (after >= _AFTER_SHARE))


def _held(x: Floats, valid: NDArray[np.bool_]) -> Floats:
    """The newest valid value of each column, the first one before there is any, 0 where none is."""
    known = valid & np.isfinite(x)
    row = np.where(known, np.arange(len(x))[:, None], -1)
    row = np.maximum.accumulate(row, axis=0)
    row = np.where(row < 0, np.argmax(known, axis=0), row)
    held = np.take_along_axis(x, row, axis=0)
    return np.where(known.any(axis=0), held, 0.0)


def _lagged(oxygen: Floats, lag_s: float) -> Floats:
    return FirstOrderLag(GRID_NS / 1e9, np.full(oxygen.shape[1], lag_s)).feed(oxygen)
