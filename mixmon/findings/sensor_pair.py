"""Two sensors on one event: which lags, by how much, and what the slower one missed.

If both are first-order lags behind the same gas, the slower one's reading is

    slow = level + height [r fast + (1 - r) lagged fast],    r = tau_fast / tau_slow

where "lagged" is a lag of tau_slow, so the faster one predicts the slower one without the gas being
known. Time constant, shift, level and height are found by least squares over a grid; both orders
are tried, and that is taken in which the slower one lags. What the prediction leaves is what
differs in the gas of the two cylinders, and noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.sensor_trace import SensorTrace
from mixmon.gas.lag import FirstOrderLag

_STEP_S = 0.005
_TAUS_S = np.geomspace(0.010, 1.2, 30)
_SHIFTS_S = np.arange(-0.12, 0.241, 0.010)
_FINE_SHARES = np.geomspace(0.85, 1.18, 25)
_FINE_SHIFTS_S = np.arange(-0.010, 0.0101, 0.002)
_LEAST_LEVEL_S, _FEWEST, _NUDGE = 0.15, 25, 1e-3
_LEAST_HEIGHT_NOISES = 5.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PairComparison:
    """Sensor `slow` (index of a node) against `fast`, oxygen percent.

    lag_s, lag_sd   mean delay of the slow reading behind the fast one
    tau_s       time constant of the slow one by the fast one's account
    peak_fast, peak_slow   farthest from the level before
    recovered   peak_slow / peak_fast
    missed      largest difference of the two on the way, and its area, percent seconds
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
    """The comparison of nodes a and b; None where one of them shows nothing.

    The trace must begin before the event, while the readings stand at their level.
    """
    first, second = trace.of(a), trace.of(b)
    if min(len(first[0]), len(second[0])) < _FEWEST:
        return None
    if not (_moves(*first) and _moves(*second)):
        return None
    orders = [(_predict(first, second), a, b), (_predict(second, first), b, a)]
    found, fast, slow = min(orders, key=lambda one: (not one[0].lag_s >= 0.0, one[0].left))
    quick, late = (first, second) if fast == a else (second, first)
    peak_fast, peak_slow = _peak(*quick), _peak(*late)
    away = sum(found.weights) * (np.interp(late[0], *quick) - _level(*quick)) - (late[1] - _level(*late))
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
    """A prediction.

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


def _predict(fast: tuple[Floats, Floats], slow: tuple[Floats, Floats]) -> _Prediction:
    """The slow reading by the fast one, the best of a coarse grid and then of a fine one."""
    rough = _best(fast, slow, _TAUS_S, _SHIFTS_S)
    return _best(fast, slow, rough.tau_s * _FINE_SHARES, rough.shift_s + _FINE_SHIFTS_S)


def _best(
    fast: tuple[Floats, Floats], slow: tuple[Floats, Floats], taus: Floats, shifts: Floats
) -> _Prediction:
    """The best prediction over a grid of time constants and shifts."""
    lagged = _Lagged(*fast, taus)
    y = slow[1] - slow[1].mean()
    found = []
    for shift in shifts.tolist():
        direct, slower = lagged.at(slow[0] - shift)
        weights, left = _regress(y, direct, slower)
        i = int(np.argmin(left))
        residual = y - weights[0, i] * direct - weights[1, i] * slower[:, i]
        one, two = (float(weight) for weight in weights[:, i])
        lag = shift + float(taus[i]) * two / (one + two) if one + two > 0.0 else np.nan
        share = float(residual @ residual) / float(y @ y)
        found.append(_Prediction(share, lag, float(taus[i]), shift, (one, two), residual))
    return min(found, key=lambda one: one.left)


class _Lagged:
    """A reading and the same behind lags of each time constant, at any time."""

    def __init__(self, t: Floats, y: Floats, taus: Floats) -> None:
        self._grid = np.arange(t[0], t[-1], _STEP_S)
        self._reading = np.interp(self._grid, t, y)
        passed = 0.5 * (self._reading + np.concatenate([self._reading[:1], self._reading[:-1]]))
        lag = FirstOrderLag(_STEP_S, taus, start=np.full(len(taus), self._reading[0]))
        self._behind = lag.feed(np.repeat(passed[:, None], len(taus), axis=1))

    def at(self, t: Floats) -> tuple[Floats, Floats]:
        """Reading [k] and lagged readings [k, m], their means taken off."""
        place = np.clip((t - self._grid[0]) / _STEP_S, 0.0, len(self._grid) - 1.001)
        row = place.astype(np.int64)
        part = place - row
        direct = self._reading[row] * (1.0 - part) + self._reading[row + 1] * part
        behind = self._behind[row] * (1.0 - part)[:, None] + self._behind[row + 1] * part[:, None]
        return direct - direct.mean(), behind - behind.mean(axis=0)


def _regress(y: Floats, direct: Floats, lagged: Floats) -> tuple[Floats, Floats]:
    """Weights [2, m] of both parts, neither negative, and the sum of squares left, for m lags at once."""
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
    """Standard deviation of the lag, level, weights, shift and time constant all being free."""
    taus = found.tau_s * np.array([1.0, 1.0 + _NUDGE])
    lagged = _Lagged(*fast, taus)
    direct, behind = lagged.at(t - found.shift_s)
    sooner, behind_sooner = lagged.at(t - found.shift_s + _STEP_S)
    one, two = found.weights
    by_shift = (one * (direct - sooner) + two * (behind[:, 0] - behind_sooner[:, 0])) / _STEP_S
    by_tau = two * (behind[:, 1] - behind[:, 0]) / (found.tau_s * _NUDGE)
    slopes = np.stack([direct, behind[:, 0], by_shift, by_tau], axis=1)
    r = found.residual
    alike = max(float(r[1:] @ r[:-1]) / max(float(r @ r), 1e-12), 0.0)
    variance = float(r @ r) / len(r) * (1.0 + alike) / max(1.0 - alike, 0.02)
    height = one + two
    share = two / height
    by = np.array([-found.tau_s * share / height, found.tau_s * (1.0 - share) / height, 1.0, share])
    return float(np.sqrt(variance * (by @ np.linalg.pinv(slopes.T @ slopes) @ by)))


def _level(t: Floats, y: Floats) -> float:
    """The reading before the event."""
    return float(np.median(y[t <= t[0] + _LEAST_LEVEL_S]))


def _peak(t: Floats, y: Floats) -> float:
    """The largest departure from the level before, with its sign."""
    away = y - _level(t, y)
    return float(away[int(np.argmax(np.abs(away)))])


def _moves(t: Floats, y: Floats) -> bool:
    """Whether there is an event at all: more than noise makes of neighbouring readings."""
    noise = 1.4826 * float(np.median(np.abs(np.diff(y)))) / np.sqrt(2.0)
    return bool(abs(_peak(t, y)) > _LEAST_HEIGHT_NOISES * max(noise, 1e-6))
