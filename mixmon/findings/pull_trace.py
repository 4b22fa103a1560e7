"""The rows of one pull: each reading beside the speed and the target its gas was burnt at.

A reading is late by the way of its gas, which the rows have allowed for already, and by the
lag of its sensor, which they have not. On a ramp a first-order lag shows what was `lag_s` ago
(exactly so once the ramp has lasted a few lags), so a reading is laid beside the row of that
time. What the sensor still keeps from before the throttle was opened is not a ramp: readings
of the first `SETTLED_LAGS` lags of full opening are not counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.recent import Recent
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState

SETTLED_LAGS = 4.0
"""After this many time constants 98 % of a step are over (computed)."""

ARRIVING, EVENT, WILD = 100, 101, 102
"""Reasons for not counting a reading that SampleState does not know: what the sensor shows is still
of before the throttle was opened; an event is known there; it is far from all its neighbours."""

_WORDS = {ARRIVING: "opening", EVENT: "event", WILD: "wild sample"}
_KEPT_OPEN = 5.0  # percent below full that noise may reach

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PullTrace:
    """k rows, n nodes.

    t       int64[k]       time of the reading, ns
    rpm     float64[k, n]  speed when its gas left the valve; NaN where not known
    y       float64[k, n]  ln lambda; NaN where not counted
    target  float64[k, n]  ln target at the same moment; NaN where not known
    why     uint8[k, n]    0 counted, else a SampleState, ARRIVING, EVENT or WILD
    lag_s   float64[n]     the sensor lags that were allowed for
    """

    t: NDArray[np.int64]
    rpm: Floats
    y: Floats
    target: Floats
    why: NDArray[np.uint8]
    lag_s: Floats


def word(code: int) -> str:
    """A reason in words.

    >>> word(ARRIVING), word(SampleState.SILENT)
    ('opening', 'silent')
    """
    return _WORDS[code] if code in _WORDS else SampleState(code).word


def rows_before(lag_s: Floats) -> int:
    """How many rows before a pull its trace looks at."""
    return math.ceil(SETTLED_LAGS * float(lag_s.max(initial=0.0)) * 1e9 / GRID_NS) + 2


def pull_trace(recent: Recent, begin: int, end: int, lag_s: Floats, full_from: float) -> PullTrace:
    """The trace of the rows begin..end-1.

    recent     columns t, lam, state, and at_valve, rpm, target as they were at the valve
    full_from  percent of opening that counts as full
    """
    first = max(0, begin - rows_before(lag_s))
    skip = begin - first
    late = lag_s * 1e9 / GRID_NS
    open_ = recent.rows("at_valve", first, end) >= full_from - _KEPT_OPEN
    rpm = _earlier(recent.rows("rpm_at_valve", first, end), late)[skip:]
    lam, state = recent.rows("lam", begin, end), recent.rows("state", begin, end)
    why = np.where(_settled(open_, late)[skip:] & np.isfinite(rpm), 0, ARRIVING).astype(np.uint8)
    why = np.where(state == SampleState.VALID, why, state)
    return PullTrace(
        t=recent.rows("t", begin, end),
        rpm=rpm,
        y=np.log(np.where(why == 0, lam, np.nan)),
        target=np.log(_earlier(recent.rows("target", first, end), late)[skip:]),
        why=why,
        lag_s=lag_s,
    )


def _settled(open_: NDArray[np.bool_], late: Floats) -> NDArray[np.bool_]:
    """Rows by which the gas at each sensor has been of full opening for long enough, bool[k, n]."""
    row = np.arange(len(open_))[:, None]
    shut = np.maximum.accumulate(np.where(open_, -1, row), axis=0)
    return np.asarray(row - shut > SETTLED_LAGS * late)


def _earlier(x: Floats, late: Floats) -> Floats:
    """Each column as it was `late` rows before, float64[k, n]; NaN before the first row."""
    out = np.full(x.shape, np.nan)
    for j, rows in enumerate(late.tolist()):
        whole = math.floor(rows)
        share = rows - whole
        if whole + 1 < len(x):
            newer, older = x[1 : len(x) - whole, j], x[: len(x) - whole - 1, j]
            out[whole + 1 :, j] = newer + share * (older - newer) if share else newer
    return out
