"""The delay from a change of fuel to the readings, measured while the engine is steady and its fuel moves.

Wants: dead time, lag and gain of every sensor at one speed and load, from any steps of fuel: a single one or
a random pattern.

Goals, in this order: no delay where none can be measured; errors that also cover what residuals do not show;
the same result however the rows are split into blocks.

Plan:

    1. `DelayStage` collects a window of rows, which lasts while speed and load stay near its first row.
    2. When the window ends, `command_of` looks for steps of the fuel command: of the target, else of the
       injector pulse width. Without steps nothing is fitted, because there is only noise to fit.
    3. `fit_pattern` carries the command to every sensor by dead time, lag and gain, and fits the readings.
    4. A window in closed loop, without valid readings, or in which most sensors do not follow, is refused
       with a code.

Kept: the rows of the current window, at most `LONGEST_WINDOW_ROWS`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Bools, Floats
from mixmon.findings.least_squares import Known, ParameterLimits, Samples, Solution, solve
from mixmon.findings.response.cuts import USUAL_PERIOD_S, Clock
from mixmon.findings.response.fit import ALIKE_ROWS
from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.stage import StretchStage
from mixmon.findings.stats import NORMAL_95
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import USUAL_FILTER_S, hold_gas, keep_apart, time_63
from mixmon.gas.transport import cycle_s
from mixmon.mixture.align import ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.recent import Recent
from mixmon.note import Note, note
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# The fuel command: the steps that the engine control makes in the target, or else in the injector pulse.
# ----------------------------------------------------------------------------------------------------

_STEP_ROWS = 5
"""Rows in which a change counts as one step: our choice, 50 ms, more than two periods of a usual engine
signal."""

_LEAST_COMMAND_STEP = 0.010
"""Least change of ln lambda that is a step: our choice, 1 %, above the ripple of a steady command."""


@dataclass(frozen=True, slots=True, eq=False)
class FuelCommand:
    """The fuel command over some rows at steady speed and load.

    signal      "target" or "pulse_ms"
    ln_lambda   float64[k], the ln lambda that it asks for, up to a constant
    moves       row of each step, and whether it asks for a leaner mixture
    """

    signal: str
    ln_lambda: Floats
    moves: tuple[tuple[int, bool], ...]

    @property
    def largest(self) -> float:
        """Largest change within a step's time, as a share."""
        return float(_change_in_step(self.ln_lambda).max(initial=0.0))

    @property
    def leaner(self) -> int:
        """Number of steps that ask for a leaner mixture."""
        return sum(rises for _, rises in self.moves)

    def part(self, begin: int, end: int) -> FuelCommand:
        """The command over the rows begin..end-1 alone."""
        moves = tuple((row - begin, rises) for row, rises in self.moves if begin <= row < end)
        return FuelCommand(self.signal, self.ln_lambda[begin:end], moves)

    def inner(self, before: int, after: int) -> tuple[int, int]:
        """First row and end of the part without steps in its first `before` and last `after` rows.

        Steps there belong to the way of the engine into these rows and out of them.
        """
        last = len(self.ln_lambda)
        early = [row for row, _ in self.moves if row < before]
        late = [row for row, _ in self.moves if row >= last - after]
        return (early[-1] + _STEP_ROWS if early else 0), (late[0] - _STEP_ROWS if late else last)


def command_of(signals: Mapping[str, Floats], dead_ms: float) -> FuelCommand:
    """The command by the target, if it has steps; else by the injector pulse.

    Args:
        signals: "target" (lambda) and "pulse_ms", float64[k] each.
        dead_ms: the injectors' dead time; only the pulse beyond it delivers fuel.
    """
    target = _find_steps("target", _log_or_nan(signals["target"]))
    if target.moves:
        return target
    return _find_steps("pulse_ms", -_log_or_nan(signals["pulse_ms"] - dead_ms))


def _log_or_nan(x: Floats) -> Floats:
    with np.errstate(all="ignore"):
        return np.asarray(np.log(x))


def _find_steps(signal: str, ln_lambda: Floats) -> FuelCommand:
    """The command with its steps: changes of `_LEAST_COMMAND_STEP` or more within `_STEP_ROWS`."""
    change = _change_in_step(ln_lambda)
    moving = change >= _LEAST_COMMAND_STEP
    begins = np.flatnonzero(np.diff(moving.astype(np.int8), prepend=0) > 0) + _STEP_ROWS
    later = np.minimum(begins + _STEP_ROWS, len(ln_lambda) - 1)
    rises = ln_lambda[later] > ln_lambda[begins - _STEP_ROWS]
    return FuelCommand(signal, ln_lambda, tuple(zip(begins.tolist(), rises.tolist(), strict=True)))


def _change_in_step(ln_lambda: Floats) -> Floats:
    """The change within `_STEP_ROWS`, float64[k - 5]; empty if a value is missing."""
    if not np.isfinite(ln_lambda).all():
        return np.zeros(0)
    return np.abs(ln_lambda[_STEP_ROWS:] - ln_lambda[:-_STEP_ROWS])


# ----------------------------------------------------------------------------------------------------
# The fit: how sensors follow a pattern of fuel, with errors.
#
# The command reaches each sensor after a dead time and passes the element's lag, which may differ between
# readings that rise and fall, and the controller's filter. Level and slow drift are free parameters.
# ----------------------------------------------------------------------------------------------------

_, _, _GAIN_ROW, _DEAD, _TAU, _UNEVEN = np.eye(6)
_NUDGE, _SMALL = 1e-3, 1e-4
"""Steps of numerical derivatives, in ln: our choice, small against any curvature, large against rounding."""

_EVEN = Known(_UNEVEN, 0.0, 0.25)
"""Half of ln(lean-going over rich-going): most elements are equally fast both ways (our choice: within a
factor of 1.6, so that one direction without steps does not run away)."""

_MOST_ROWS, _FEW_ROWS = 1200, 300
"""Most rows that are fitted, and that the search for a start uses: our choice. More samples add nothing,
because neighbours have the same noise."""

_LEAST_POWER = 1e-12
"""Keeps divisions by the power of a flat signal finite: our choice, far below any noise."""

_PLAUSIBLE_TAU_S, _TAU_SD = 0.08, 0.9
"""Time constant of an element before it is measured, s, and its standard deviation in ln: 50 to 100 ms are
published (Regitz & Collings, Meas. Sci. Technol. 19, 2008, 075201, abstract); a factor of 2.5 is our choice,
so that slow sensors are still found."""

_DEADS_S = np.arange(-0.2, 0.6, 0.02)
_PATTERN_TAUS_S = np.array([0.04, 0.08, 0.15, 0.28, 0.5])
"""The grid of starts: our choice, dense enough that the solver descends into the best minimum."""

_PATTERN_LIMITS = ParameterLimits(
    lowest=np.array([-np.inf, -np.inf, -np.inf, -0.3, np.log(0.01), -0.9]),
    highest=np.array([np.inf, np.inf, np.inf, 1.0, np.log(1.5), 0.9]),
    stride=np.array([np.inf, np.inf, np.inf, 0.05, 0.4, 0.3]),
)
"""Dead time up to 1 s, and below zero, which shows stamps that are late; time constants from 10 ms to 1.5 s,
ways that differ by a factor of 6: our choice, wider than any sensor in service. The strides keep a round
within the reach of its slopes."""


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
    carried = _CarriedCommand(command, late_s, t, filter_s)
    few = slice(None, None, -(-len(t) // _FEW_ROWS))
    start = _search_start(_CarriedCommand(command, late_s, t[few], filter_s), y[few], used[few])
    known = [_EVEN, Known(_TAU, float(np.log(_PLAUSIBLE_TAU_S)), _TAU_SD)]
    alike = -(-ALIKE_ROWS // thin.step)
    found = solve(carried.model, Samples(t, y, used), start, known, _PATTERN_LIMITS, alike=alike)
    spread = np.sqrt((_subtract_mean(y, used) ** 2).sum(axis=0) / np.maximum(used.sum(axis=0), 1))
    return _as_fit(found, filter_s, lean_share, np.maximum(spread, _LEAST_POWER))


class _CarriedCommand:
    """The command as sensors of any lag show it, exactly: both lags have a closed form between two steps."""

    def __init__(self, command: Floats, late_s: float, t: Floats, filter_s: float) -> None:
        moves = np.flatnonzero(np.diff(command)) + 1
        self._gas = np.concatenate([[0.0], command[moves] - command[0]])
        self._from = np.concatenate([[0.0], moves * ROW_S])
        self._t, self._filter = t + late_s, filter_s

    def model(self, theta: Floats) -> tuple[Floats, Floats]:
        """Readings [k, n] and slopes [k, n, 6]."""
        level, drift, gain, dead, tau, uneven = theta.T
        shape, by_dead = self.readings(dead, tau, uneven)
        by_tau = (self.readings(dead, tau + _NUDGE, uneven)[0] - shape) / _NUDGE
        by_uneven = (self.readings(dead, tau, uneven + _NUDGE)[0] - shape) / _NUDGE
        since = self._t / float(self._t[-1].max())
        reading = level + drift * since + gain * shape
        slopes = [np.ones_like(shape), since, shape, gain * by_dead, gain * by_tau, gain * by_uneven]
        return reading, np.stack(slopes, axis=2)

    def readings(self, dead_s: Floats, tau: Floats, uneven: Floats) -> tuple[Floats, Floats]:
        """The readings [k, n] at the samples, up to level and gain, and their slopes by the dead time."""
        lean_s, rich_s = (keep_apart(np.exp(way), self._filter) for way in (tau + uneven, tau - uneven))
        lags = (lean_s, rich_s, self._filter)
        elements, filters = self._at_moves(lags)
        late = np.maximum(self._t - dead_s, 0.0)
        move = np.searchsorted(self._from, late, "right") - 1
        column = np.arange(len(tau))
        element, readings = hold_gas(
            self._gas[move], elements[move, column], filters[move, column], late - self._from[move], lags
        )
        return readings, (readings - element) / self._filter

    def _at_moves(self, lags: tuple[Floats, Floats, float]) -> tuple[Floats, Floats]:
        """State of element and filter at every step of the command, [steps, n] each."""
        element = filtered = np.zeros(len(lags[0]))
        elements, filters = [element], [filtered]
        for gas, seconds in zip(self._gas[:-1].tolist(), np.diff(self._from).tolist(), strict=True):
            element, filtered = hold_gas(gas, element, filtered, seconds, lags)
            elements.append(element)
            filters.append(filtered)
        return np.array(elements), np.array(filters)


def _search_start(carried: _CarriedCommand, y: Floats, used: Bools) -> Floats:
    """The best start of a grid of dead times and lags that are equal both ways, [n, 6]."""
    n = y.shape[1]
    best, start = np.zeros(n), np.zeros((n, 6))
    clean = _subtract_mean(y, used)
    even = np.zeros(n)
    for tau, dead in itertools.product(np.log(_PATTERN_TAUS_S), _DEADS_S):
        shape = _subtract_mean(carried.readings(even + dead, even + tau, even)[0], used)
        power = np.maximum((shape * shape).sum(axis=0), _LEAST_POWER)
        match = (shape * clean).sum(axis=0)
        gained = match * np.abs(match) / power
        here = (even, even, match / power, even + dead, even + tau, even)
        start = np.where((gained > best)[:, None], np.stack(here, axis=1), start)
        best = np.maximum(best, gained)
    start[:, 0] = y.sum(axis=0) / np.maximum(used.sum(axis=0), 1)
    return start


def _subtract_mean(y: Floats, used: Bools) -> Floats:
    """The readings less each sensor's mean; zero where they do not count."""
    mean = np.where(used, y, 0.0).sum(axis=0) / np.maximum(used.sum(axis=0), 1)
    return np.where(used, y - mean, 0.0)


def _as_fit(found: Solution, filter_s: float, lean_share: float, spread: Floats) -> PatternFit:
    """The parameters by their names, with errors; `spread` is the deviation of each sensor's readings."""
    _, _, gain, dead, tau, uneven = found.theta.T
    lean, by_lean = _t63_with_slopes(tau + uneven, _TAU + _UNEVEN, filter_s)
    rich, by_rich = _t63_with_slopes(tau - uneven, _TAU - _UNEVEN, filter_s)
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
        gain_sd=found.sd(_GAIN_ROW),
        explained=1.0 - (found.rms / spread) ** 2,
    )


def _t63_with_slopes(ln_tau: Floats, row: Floats, filter_s: float) -> tuple[Floats, Floats]:
    """T63 [n] of elements, and its derivatives by the parameters [n, 6]."""
    t63 = time_63(np.exp(ln_tau), filter_s)
    slope = (time_63(np.exp(ln_tau + _SMALL), filter_s) - t63) / _SMALL
    return t63, slope[:, None] * row


# ----------------------------------------------------------------------------------------------------
# The stage: windows of steady speed and load.
# ----------------------------------------------------------------------------------------------------

LONGEST_WINDOW_ROWS = 6000
"""Our choice: a minute. A longer steady time is split, so that memory stays small."""

_SHORTEST_ROWS = 150
"""Our choice: 1.5 s, a step with the rows before and after it."""

_FITTED_BEFORE_ROWS, _FITTED_AFTER_ROWS = 150, 300
"""Rows fitted before the first step and after the last one: our choice, the level and ten usual lags."""

_LEAST_BEFORE_ROWS, _LEAST_AFTER_ROWS = 40, 80
"""The least of both: our choice. A step with fewer rows beside it is not used."""

_SPEED_SHARE = 0.03
"""Speed may move by this share where the session's band is narrower: our choice, the wander of an engine."""

_REST_ROWS, _REST_SHARE = 50, 0.3
"""In its first rows a window bears only this share of the bands: our choice, half a second, so that no
window begins on the way to the point at which the engine then stays."""

_SCAN_ROWS = 512
"""Rows looked at in one go: our choice, of speed alone; the result does not depend on it."""

_GAIN, _GAIN_SURE, _MOST_DELAY_SD = (0.4, 2.0), 4.0, 0.08
"""A sensor follows with a gain in this range, so many standard deviations from zero, and a delay known to
0.08 s: our choice. A reading that moves by chance fails at least one of them."""

_FEWEST_PATTERN_SAMPLES = 40
"""Our choice: some seven samples for each of the six parameters."""

_SLOPE_LAMBDA_SHARE = 0.03
"""Change of lambda over which the slope of oxygen is taken: our choice, the size of usual fuel steps."""

_FORM_S, _FORM_CYCLES = 0.003, 0.07
"""Gas arrives in pulses, not as the smooth flow of the fit: error of the mean dead time, s and cycles
(computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class DelayPoint:
    """The delay at one operating point, n sensors.

    t, seconds   first moment in ns, and length of what was fitted
    signal       "target" or "pulse_ms": what moved
    moves        steps of the command
    lean_moves, rich_moves   of them, those that made the readings rise and fall
    fit          NaN for sensors that did not follow
    dead_s, dead_sd   mean over the sensors
    """

    t: int
    seconds: float
    signal: str
    rpm: float
    load: float
    lean_moves: int
    rich_moves: int
    fit: PatternFit
    dead_s: float
    dead_sd: float

    @property
    def dead_half_s(self) -> float:
        """Half of the 95 % interval of the dead time."""
        return NORMAL_95 * self.dead_sd

    @property
    def delay_s(self) -> float:
        """From the command until 63 % of the step: median of the sensors that followed."""
        return float(np.median(self.fit.delay_s[self.followed]))

    @property
    def followed(self) -> Bools:
        """Sensors that followed, bool[n]."""
        return np.isfinite(self.fit.delay_s)

    @property
    def moves(self) -> int:
        """Steps of the command in all."""
        return self.lean_moves + self.rich_moves


@dataclass(frozen=True, slots=True)
class Refusal:
    """A window with steps that gives no delay: its first moment in ns, and the reason."""

    t: int
    why: Note


class DelayStage(StretchStage[DelayPoint]):
    """A stage: CylinderBlocks in, delays out. `flush` at the end of the data.

    refused    windows with steps but without a delay
    steady_s   time in windows that are long enough to be used
    largest    largest change of the command in them within a step's time, share

    Args:
        session: for bands of speed and load, and the injectors' dead time.
        fuel: that the engine burns.
        periods_s: seconds between samples of "target" and "pulse_ms", where known.
        filter_s: the controllers' filter.
    """

    def __init__(
        self,
        session: Session,
        fuel: Fuel,
        periods_s: Mapping[str, float] | None = None,
        filter_s: float | None = None,
    ) -> None:
        self._validity, self._fuel = session.validity, fuel
        self._dead_ms = session.injection.dead_time_ms or 0.0
        self._strokes = session.engine.strokes
        self._periods = periods_s or {}
        self._filter = USUAL_FILTER_S if filter_s is None else max(filter_s, 1e-3)
        self.refused: list[Refusal] = []
        self.steady_s = self.largest = 0.0
        super().__init__()

    def _restart(self) -> None:
        self._recent = Recent()
        self._begin = 0
        self._anchor: tuple[float, float] | None = None

    def _feed_rows(self, block: CylinderBlock) -> list[DelayPoint]:
        first, done = self._recent.end, list[DelayPoint]()
        columns = _step_columns(block)
        self._recent.add(columns, len(block))
        for row in self._find_breaks(columns["rpm"], columns["load"], first):
            done += self._close_window(row)
        self._recent.forget(self._begin)
        return done

    def flush(self) -> list[DelayPoint]:
        """The delay of the current window, if it has one. Call it once, at the end of the data."""
        done = self._close_window(self._recent.end) if self._anchor is not None else []
        self._anchor = None
        return done

    def _find_breaks(self, rpm: Floats, load: Floats, first: int) -> Iterable[int]:
        """Rows, numbered from `first`, at which a window ends; a new one begins there."""
        i, n = 0, len(rpm)
        known = np.append(np.flatnonzero(~np.isnan(rpm)), n)
        while i < n:
            if self._anchor is None:
                i = int(known[np.searchsorted(known, i)])  # no window begins at an unknown speed
                self._begin = first + i
                if i == n:
                    return
                self._anchor = (float(rpm[i]), float(load[i]))
            end = min(n, i + _SCAN_ROWS, self._begin + LONGEST_WINDOW_ROWS - first)
            away = np.flatnonzero(self._has_left(rpm[i:end], load[i:end], first + i))
            i = i + int(away[0]) if len(away) else end
            if len(away) or first + i - self._begin >= LONGEST_WINDOW_ROWS:
                yield first + i
                self._anchor = None
                i += first + i == self._begin

    def _has_left(self, rpm: Floats, load: Floats, first: int) -> Bools:
        """Rows, the first one numbered `first`, in which the engine has left the window's first point."""
        assert self._anchor is not None
        at_rpm, at_load = self._anchor
        share = np.where(first - self._begin + np.arange(len(rpm)) < _REST_ROWS, _REST_SHARE, 1.0)
        held = np.abs(rpm - at_rpm) <= share * max(self._validity.rpm_band, _SPEED_SHARE * at_rpm)
        if np.isfinite(at_load):
            held &= np.abs(load - at_load) <= share * self._validity.load_band
        return ~held

    def _close_window(self, end: int) -> list[DelayPoint]:
        """The delay of the window that ends before row `end`, in a list; empty if it has none."""
        begin = self._begin
        if end - begin < _SHORTEST_ROWS:
            return []
        self.steady_s += (end - begin) * 0.01  # seconds in a row
        signals = {name: self._recent.rows(name, begin, end) for name in ("target", "pulse_ms")}
        command = command_of(signals, self._dead_ms)
        inner, outer = command.inner(_LEAST_BEFORE_ROWS, _LEAST_AFTER_ROWS)
        command = command.part(inner, outer)
        self.largest = max(self.largest, command.largest)
        if not command.moves:
            return []
        first = max(command.moves[0][0] - _FITTED_BEFORE_ROWS, 0)
        last = min(command.moves[-1][0] + _FITTED_AFTER_ROWS, outer - inner)
        window = (begin + inner + first, begin + inner + last)
        if bool((self._recent.rows("closed_loop", *window) > 0).any()):
            return self._refuse_window(begin, ResponseNote.CLOSED_LOOP)
        return self._fit_window(*window, command.part(first, last))

    def _refuse_window(self, row: int, why: ResponseNote) -> list[DelayPoint]:
        self.refused.append(Refusal(int(self._recent.rows("t", row, row + 1)[0]), note(why)))
        return []

    def _fit_window(self, begin: int, end: int, command: FuelCommand) -> list[DelayPoint]:
        rows = {name: self._recent.rows(name, begin, end) for name in ("t", "age", "oxygen", "rpm", "load")}
        t = (rows["t"][:, None] - rows["age"] - rows["t"][0]) / 1e9
        valid = self._recent.rows("state", begin, end) == SampleState.VALID
        used = valid & self._recent.rows("fresh", begin, end) & (t > 0.0) & np.isfinite(rows["oxygen"])
        able = used.sum(axis=0) >= _FEWEST_PATTERN_SAMPLES
        if not able.any():
            return self._refuse_window(begin, ResponseNote.NO_VALID_READINGS)
        clock = Clock(self._periods.get(command.signal, USUAL_PERIOD_S))
        wanted = command.ln_lambda * self._oxygen_per_ln_lambda(rows["oxygen"][used])
        samples = Samples(t, rows["oxygen"], used & able)
        share = command.leaner / len(command.moves)
        fit = fit_pattern(wanted, clock.late_ns / 1e9, samples, self._filter, share)
        follows = able & (fit.gain > _GAIN[0]) & (fit.gain < _GAIN[1])
        follows &= (fit.gain > _GAIN_SURE * fit.gain_sd) & (fit.delay_sd < _MOST_DELAY_SD)
        if follows.sum() * 2 <= able.sum():
            return self._refuse_window(begin, ResponseNote.NOT_FOLLOWING)
        cycle = float(cycle_s(float(np.median(rows["rpm"])), self._strokes))
        return [
            self._make_point(
                rows, command, _with_moment_errors(fit, follows, cycle, clock, command), clock, cycle
            )
        ]

    def _oxygen_per_ln_lambda(self, oxygen: Floats) -> float:
        """Slope of oxygen percent by ln lambda at the median of the readings."""
        lam = float(lambda_from_oxygen(float(np.median(oxygen)), self._fuel))
        low, high = (
            float(oxygen_balance(lam * (1 + step), self._fuel))
            for step in (-_SLOPE_LAMBDA_SHARE, _SLOPE_LAMBDA_SHARE)
        )
        return (high - low) / (2 * _SLOPE_LAMBDA_SHARE)

    def _make_point(
        self,
        rows: Mapping[str, Floats],
        command: FuelCommand,
        fit: PatternFit,
        clock: Clock,
        cycle: float,
    ) -> DelayPoint:
        known = np.isfinite(fit.dead_s)
        each = float(np.sqrt(np.mean(fit.dead_sd[known] ** 2) / known.sum()))
        moves = len(command.moves)
        form = np.hypot(_FORM_S, _FORM_CYCLES * cycle)
        return DelayPoint(
            t=int(rows["t"][0]),
            seconds=(int(rows["t"][-1]) - int(rows["t"][0])) / 1e9,
            signal=command.signal,
            rpm=float(np.median(rows["rpm"])),
            load=float(np.median(rows["load"])),
            lean_moves=command.leaner,
            rich_moves=moves - command.leaner,
            fit=fit,
            dead_s=float(np.mean(fit.dead_s[known])),
            dead_sd=float(np.sqrt(each**2 + clock.sd**2 / moves + form**2)),
        )


def _with_moment_errors(
    fit: PatternFit, follows: Bools, cycle: float, clock: Clock, command: FuelCommand
) -> PatternFit:
    """The fit of the sensors that follow, else NaN; its errors include the wait for the next injection."""
    moves = len(command.moves)
    wait = float(np.hypot(cycle / np.sqrt(12.0), clock.sd)) / np.sqrt(moves)
    columns = {name: np.where(follows, getattr(fit, name), np.nan) for name in PatternFit.__slots__}
    for name in ("dead_sd", "delay_sd"):
        columns[name] = np.hypot(columns[name], wait)
    for name, count in (("lean", command.leaner), ("rich", moves - command.leaner)):
        if not count:
            columns[f"{name}_s"] = columns[f"{name}_sd"] = np.full(len(follows), np.nan)
    return replace(fit, **columns)


def _step_columns(block: CylinderBlock) -> Mapping[str, np.ndarray]:
    unknown = np.full(len(block), np.nan)
    now = {
        name: block.now.get(name, unknown) for name in ("rpm", "load", "target", "pulse_ms", "closed_loop")
    }
    return {
        **now,
        "t": block.t,
        "oxygen": block.oxygen,
        "age": block.age,
        "fresh": block.fresh,
        "state": block.state,
    }
