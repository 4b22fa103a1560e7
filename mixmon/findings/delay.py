"""The delay from a change of fuel to the reading, where the engine held still and its fuel moved.

How it works: a window of rows lasts as long as speed and load stay where they were at its first
row. When it ends and the fuel command (target, else injector pulse width) was stepped in it, the
steps are carried to every sensor by dead time and lag (`pattern_fit`). Without steps nothing is
fitted: there would be only noise to fit. Nor is anything where the engine control corrects by the
readings, or where the readings do not follow.

Kept: the rows of the window under way, at most `LONGEST_ROWS`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.command import Command, command_of
from mixmon.findings.least_squares import Samples
from mixmon.findings.pattern_fit import PatternFit, fit_pattern
from mixmon.findings.recent import Recent
from mixmon.findings.response_events import Clock
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.transport import cycle_s
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import Session

LONGEST_ROWS = 6000
USUAL_FILTER_S = 0.020

_SHORTEST_ROWS = 150
_BEFORE_ROWS, _AFTER_ROWS = 150, 300
_LEAST_BEFORE_ROWS, _LEAST_AFTER_ROWS = 40, 80
_SPEED_SHARE = 0.03
_REST_ROWS, _REST_SHARE = 50, 0.3
_LOOK_ROWS = 512
_GAIN, _GAIN_SURE, _MOST_DELAY_SD = (0.4, 2.0), 4.0, 0.08
_FEWEST_SAMPLES = 40
_FORM_S, _FORM_CYCLES = 0.003, 0.07
"""Gas comes in pushes, not as the smooth flow of the fit: error of the mean, s and cycles (computed)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class DelayPoint:
    """The delay at one operating point, n sensors.

    t, seconds   first moment in ns, and length of what was fitted
    signal       "target" or "pulse_ms"
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
    def moves(self) -> int:
        """Steps of the command in all."""
        return self.lean_moves + self.rich_moves


@dataclass(frozen=True, slots=True)
class Refusal:
    """A window in which the command moved and yet no delay can be told: its first moment in ns, and why."""

    t: int
    why: str


class DelayStage:
    """A stage: CylinderBlocks in, delays out. `flush` at the end of the data.

    refused    windows with a moving command that told nothing
    steady_s   time in windows long enough to tell something
    largest    largest move of the command in them, share

    Args:
        session: for bands of speed and load, and the injectors' dead time.
        fuel: as burnt.
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
        self._restart(None)

    def _restart(self, stretch: int | None) -> None:
        self._stretch = stretch
        self._recent = Recent()
        self._begin = 0
        self._anchor: tuple[float, float] | None = None

    def feed(self, block: CylinderBlock) -> list[DelayPoint]:
        """The delays of windows that end in the block, which lies within one stretch of time."""
        if not len(block):
            return []
        done = [] if block.stretch[0] == self._stretch else self.flush()
        if block.stretch[0] != self._stretch:
            self._restart(int(block.stretch[0]))
        first = self._recent.end
        columns = _columns(block)
        self._recent.add(columns, len(block))
        for row in self._breaks(columns["rpm"], columns["load"], first):
            done += self._close(row)
        self._recent.forget(self._begin)
        return done

    def flush(self) -> list[DelayPoint]:
        """The delay of the window under way, if it tells one; nothing follows it."""
        done = self._close(self._recent.end) if self._anchor is not None else []
        self._anchor = None
        return done

    def _breaks(self, rpm: Floats, load: Floats, first: int) -> Iterable[int]:
        """Rows, numbered from `first`, at which a window ends; a new one begins there."""
        i, n = 0, len(rpm)
        while i < n:
            if self._anchor is None:
                self._begin = first + i
                self._anchor = (float(rpm[i]), float(load[i]))
            end = min(n, i + _LOOK_ROWS, self._begin + LONGEST_ROWS - first)
            away = np.flatnonzero(self._away(rpm[i:end], load[i:end], first + i))
            i = i + int(away[0]) if len(away) else end
            if len(away) or first + i - self._begin >= LONGEST_ROWS:
                yield first + i
                self._anchor = None
                i += first + i == self._begin

    def _away(self, rpm: Floats, load: Floats, first: int) -> NDArray[np.bool_]:
        """Rows, of which the first is numbered `first`, that are away from where the window began."""
        assert self._anchor is not None
        at_rpm, at_load = self._anchor
        # narrow at first, so that no window is anchored on the way to where the engine then stays
        share = np.where(first - self._begin + np.arange(len(rpm)) < _REST_ROWS, _REST_SHARE, 1.0)
        held = np.abs(rpm - at_rpm) <= share * max(self._validity.rpm_band, _SPEED_SHARE * at_rpm)
        if np.isfinite(at_load):
            held &= np.abs(load - at_load) <= share * self._validity.load_band
        return ~held

    def _close(self, end: int) -> list[DelayPoint]:
        """What the window that ends before a row tells."""
        begin = self._begin
        if end - begin < _SHORTEST_ROWS:
            return []
        self.steady_s += (end - begin) * 0.01
        signals = {name: self._recent.rows(name, begin, end) for name in ("target", "pulse_ms")}
        command = command_of(signals, self._dead_ms)
        inner, outer = command.inner(_LEAST_BEFORE_ROWS, _LEAST_AFTER_ROWS)
        command = command.part(inner, outer)
        self.largest = max(self.largest, command.largest)
        if not command.moves:
            return []
        first = max(command.moves[0][0] - _BEFORE_ROWS, 0)
        last = min(command.moves[-1][0] + _AFTER_ROWS, outer - inner)
        window = (begin + inner + first, begin + inner + last)
        if bool((self._recent.rows("closed_loop", *window) > 0).any()):
            return self._refuse(begin, "the engine control corrects by its own sensor (closed loop)")
        return self._fit(*window, command.part(first, last))

    def _refuse(self, row: int, why: str) -> list[DelayPoint]:
        self.refused.append(Refusal(int(self._recent.rows("t", row, row + 1)[0]), why))
        return []

    def _fit(self, begin: int, end: int, command: Command) -> list[DelayPoint]:
        rows = {name: self._recent.rows(name, begin, end) for name in ("t", "age", "oxygen", "rpm", "load")}
        t = (rows["t"][:, None] - rows["age"] - rows["t"][0]) / 1e9
        valid = self._recent.rows("state", begin, end) == SampleState.VALID
        used = valid & self._recent.rows("fresh", begin, end) & (t > 0.0) & np.isfinite(rows["oxygen"])
        able = used.sum(axis=0) >= _FEWEST_SAMPLES
        if not able.any():
            return self._refuse(begin, "no valid readings")
        clock = Clock(self._periods.get(command.signal, 0.020))
        wanted = command.ln_lambda * self._slope(rows["oxygen"][used])
        samples = Samples(t, rows["oxygen"], used & able)
        share = command.leaner / len(command.moves)
        fit = fit_pattern(wanted, clock.late_ns / 1e9, samples, self._filter, share)
        follows = able & (fit.gain > _GAIN[0]) & (fit.gain < _GAIN[1])
        follows &= (fit.gain > _GAIN_SURE * fit.gain_sd) & (fit.delay_sd < _MOST_DELAY_SD)
        if follows.sum() * 2 <= able.sum():
            return self._refuse(begin, "the readings do not follow the fuel")
        cycle = float(cycle_s(float(np.median(rows["rpm"])), self._strokes))
        return [self._point(rows, command, _sure(fit, follows, cycle, clock, command), clock, cycle)]

    def _slope(self, oxygen: Floats) -> float:
        """Oxygen percent for a change of one in ln lambda, where the readings are."""
        lam = float(lambda_from_oxygen(float(np.median(oxygen)), self._fuel))
        low, high = (float(oxygen_balance(lam * (1 + step), self._fuel)) for step in (-0.03, 0.03))
        return (high - low) / 0.06

    def _point(
        self,
        rows: Mapping[str, NDArray[np.float64]],
        command: Command,
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


def _sure(
    fit: PatternFit, follows: NDArray[np.bool_], cycle: float, clock: Clock, command: Command
) -> PatternFit:
    """The fit of sensors that follow, with the errors of the moment: each step waits for an injection."""
    moves = len(command.moves)
    wait = float(np.hypot(cycle / np.sqrt(12.0), clock.sd)) / np.sqrt(moves)
    columns = {name: np.where(follows, getattr(fit, name), np.nan) for name in PatternFit.__slots__}
    for name in ("dead_sd", "delay_sd"):
        columns[name] = np.hypot(columns[name], wait)
    for name, count in (("lean", command.leaner), ("rich", moves - command.leaner)):
        if not count:
            columns[f"{name}_s"] = columns[f"{name}_sd"] = np.full(len(follows), np.nan)
    return replace(fit, **columns)


def _columns(block: CylinderBlock) -> Mapping[str, np.ndarray]:
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
