"""How sensors follow a pattern of fuel: delay, lag in both directions and gain, with their errors.

The command is carried to each sensor: it comes after a dead time, passes the element's lag, which
may differ between readings that rise and fall, and the controller's filter. Level and slow drift
are left free.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.lag_shape import time_63
from mixmon.findings.least_squares import Known, Limits, Samples, Solution, solve
from mixmon.mixture.align import GRID_NS

_ALIKE_ROWS = 40
_ROW_S = GRID_NS / 1e9
_, _, _GAIN, _DEAD, _TAU, _UNEVEN = np.eye(6)
_NUDGE, _SMALL = 1e-3, 1e-4
_EVEN = Known(_UNEVEN, 0.0, 0.25)
"""Elements are mostly alike both ways: ln of lean-going over rich-going, half of it."""

_MOST_ROWS, _FEW_ROWS = 1200, 300
"""More samples than that buy nothing: the noise of neighbours is the same."""

_LEAST_APART, _NOTHING = 1e-3, 1e-12
_PLAUSIBLE_TAU_S, _TAU_SD = 0.08, 0.9
_DEADS_S = np.arange(0.0, 0.6, 0.02)
_TAUS_S = np.array([0.04, 0.08, 0.15, 0.28, 0.5])
_LIMITS = Limits(
    lowest=np.array([-np.inf, -np.inf, -np.inf, 0.0, np.log(0.01), -0.9]),
    highest=np.array([np.inf, np.inf, np.inf, 1.0, np.log(1.5), 0.9]),
    stride=np.array([np.inf, np.inf, np.inf, 0.05, 0.4, 0.3]),
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class PatternFit:
    """The fits of n sensors, float64[n].

    dead_s      from the command to the first movement
    lean_s, rich_s   T63, element and filter, of readings that rise and fall
    delay_s     from the command until 63 %, mean of the steps
    gain        height of the reading's move over the command's
    explained   share of the readings' variance that the pattern explains
    *_sd        standard deviations
    """

    dead_s: Floats
    lean_s: Floats
    rich_s: Floats
    delay_s: Floats
    gain: Floats
    dead_sd: Floats
    lean_sd: Floats
    rich_sd: Floats
    delay_sd: Floats
    gain_sd: Floats
    explained: Floats


def fit_pattern(
    command: Floats, late_s: float, samples: Samples, filter_s: float, lean_share: float = 0.5
) -> PatternFit:
    """Fits a pattern to n sensors.

    Args:
        command: what the reading would be without any delay, up to level and gain: float64[k], a
            value a row of the grid, holding until the next row.
        late_s: how long after its moment each row shows the command.
        samples: the readings, with moments in s from the first row on.
        filter_s: the controllers' filter.
        lean_share: of the steps, those that make the readings rise.
    """
    thin = slice(None, None, -(-len(samples.t) // _MOST_ROWS))
    t, used = samples.t[thin], samples.used[thin]
    y = np.where(used, samples.y[thin], 0.0)
    played = _Played(command, late_s, t, filter_s)
    few = slice(None, None, -(-len(t) // _FEW_ROWS))
    start = _start(_Played(command, late_s, t[few], filter_s), y[few], used[few])
    known = [_EVEN, Known(_TAU, float(np.log(_PLAUSIBLE_TAU_S)), _TAU_SD)]
    alike = -(-_ALIKE_ROWS // thin.step)
    found = solve(played.model, Samples(t, y, used), start, known, _LIMITS, alike=alike)
    spread = np.sqrt((_centred(y, used) ** 2).sum(axis=0) / np.maximum(used.sum(axis=0), 1))
    return _as_fit(found, filter_s, lean_share, np.maximum(spread, _NOTHING))


class _Played:
    """The command as sensors of any lag show it: solved exactly, from one of its moves to the next.

    Between two moves the gas is constant, so an element goes one way only and both lags have a
    closed form.
    """

    def __init__(self, command: Floats, late_s: float, t: Floats, filter_s: float) -> None:
        moves = np.flatnonzero(np.diff(command)) + 1
        self._gas = np.concatenate([[0.0], command[moves] - command[0]])
        self._from = np.concatenate([[0.0], moves * _ROW_S])
        self._t, self._filter = t + late_s, filter_s

    def model(self, theta: Floats) -> tuple[Floats, Floats]:
        """Readings [k, n] and slopes [k, n, 6]."""
        level, drift, gain, dead, tau, uneven = theta.T
        shape, by_dead = self.shown(dead, tau, uneven)
        by_tau = (self.shown(dead, tau + _NUDGE, uneven)[0] - shape) / _NUDGE
        by_uneven = (self.shown(dead, tau, uneven + _NUDGE)[0] - shape) / _NUDGE
        since = self._t / float(self._t[-1].max())
        reading = level + drift * since + gain * shape
        slopes = [np.ones_like(shape), since, shape, gain * by_dead, gain * by_tau, gain * by_uneven]
        return reading, np.stack(slopes, axis=2)

    def shown(self, dead_s: Floats, tau: Floats, uneven: Floats) -> tuple[Floats, Floats]:
        """The readings at the samples, and their slope by the dead time."""
        lags = (_apart(np.exp(tau + uneven), self._filter), _apart(np.exp(tau - uneven), self._filter))
        elements, filters = self._at_moves(*lags)
        late = np.maximum(self._t - dead_s, 0.0)
        move = np.searchsorted(self._from, late, "right") - 1
        column = np.arange(len(tau))
        element, shown = self._later(
            self._gas[move], elements[move, column], filters[move, column], late - self._from[move], lags
        )
        return shown, (shown - element) / self._filter

    def _at_moves(self, lean_s: Floats, rich_s: Floats) -> tuple[Floats, Floats]:
        """Element and filter at every move of the command, [moves, n]."""
        element = filtered = np.zeros(len(lean_s))
        elements, filters = [element], [filtered]
        for gas, seconds in zip(self._gas[:-1].tolist(), np.diff(self._from).tolist(), strict=True):
            element, filtered = self._later(gas, element, filtered, seconds, (lean_s, rich_s))
            elements.append(element)
            filters.append(filtered)
        return np.array(elements), np.array(filters)

    def _later(
        self,
        gas: Floats | float,
        element: Floats,
        filtered: Floats,
        seconds: Any,
        lags: tuple[Floats, Floats],
    ) -> tuple[Floats, Floats]:
        """Element and filter some seconds later, the gas being constant."""
        away = element - gas
        tau = np.where(away < 0.0, *lags)
        stay, still = np.exp(-seconds / tau), np.exp(-seconds / self._filter)
        share = tau / (tau - self._filter)
        return gas + away * stay, gas + (filtered - gas) * still + away * share * (stay - still)


def _apart(tau: Floats, other: float) -> Floats:
    """Time constants, moved a little where they equal the other and the closed form were 0/0."""
    near = np.abs(tau / other - 1.0) < _LEAST_APART
    return np.where(near, other * (1.0 + _LEAST_APART), tau)


def _start(played: _Played, y: Floats, used: Bools) -> Floats:
    """The best of a grid of dead times and even lags, [n, 6]."""
    n = y.shape[1]
    best, start = np.zeros(n), np.zeros((n, 6))
    clean = _centred(y, used)
    even = np.zeros(n)
    for tau, dead in itertools.product(np.log(_TAUS_S), _DEADS_S):
        shape = _centred(played.shown(even + dead, even + tau, even)[0], used)
        power = np.maximum((shape * shape).sum(axis=0), _NOTHING)
        match = (shape * clean).sum(axis=0)
        gained = match * np.abs(match) / power
        here = (even, even, match / power, even + dead, even + tau, even)
        start = np.where((gained > best)[:, None], np.stack(here, axis=1), start)
        best = np.maximum(best, gained)
    start[:, 0] = y.sum(axis=0) / np.maximum(used.sum(axis=0), 1)
    return start


def _centred(y: Floats, used: Bools) -> Floats:
    mean = np.where(used, y, 0.0).sum(axis=0) / np.maximum(used.sum(axis=0), 1)
    return np.where(used, y - mean, 0.0)


def _as_fit(found: Solution, filter_s: float, lean_share: float, spread: Floats) -> PatternFit:
    _, _, gain, dead, tau, uneven = found.theta.T
    lean, by_lean = _t63(tau + uneven, _TAU + _UNEVEN, filter_s)
    rich, by_rich = _t63(tau - uneven, _TAU - _UNEVEN, filter_s)
    return PatternFit(
        dead_s=dead,
        lean_s=lean,
        rich_s=rich,
        delay_s=dead + lean_share * lean + (1.0 - lean_share) * rich,
        gain=gain,
        dead_sd=found.sd(_DEAD),
        lean_sd=found.sd(by_lean),
        rich_sd=found.sd(by_rich),
        delay_sd=found.sd(_DEAD + lean_share * by_lean + (1.0 - lean_share) * by_rich),
        gain_sd=found.sd(_GAIN),
        explained=1.0 - (found.rms / spread) ** 2,
    )


def _t63(ln_tau: Floats, row: Floats, filter_s: float) -> tuple[Floats, Floats]:
    """T63 [n] of elements, and its derivatives by the parameters [n, 6]."""
    t63 = time_63(np.exp(ln_tau), filter_s)
    slope = (time_63(np.exp(ln_tau + _SMALL), filter_s) - t63) / _SMALL
    return t63, slope[:, None] * row
