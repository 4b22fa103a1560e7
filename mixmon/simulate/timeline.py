"""The profile laid out in time: speed and load, cuts, fuel steps, and when each part is played.

Every kind of part has a player (`_PLAYERS`), which adds to one script: points of speed and load, cuts, fuel
steps. `Timeline` turns the script into columns that can be asked for any moment; `Crank` turns speed into
crank angle and back, exactly; `Ticks` gives the moments at which one sender sends.

Speed and load are straight lines between points. Cuts are intervals; a fuel step holds from its moment to
the next one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.simulate.scenario import Part, Scenario, identity_codes, random_pattern

# --- The crankshaft. ---

CYCLE_DEG = 720.0
"""Crank angle of one four-stroke cycle."""

_DEG_PER_S = 6.0
"""Degrees a second at one revolution a minute."""


class Crank:
    """Speed over time and the crank angle that follows from it.

    Between two points the speed is a straight line, so the angle is a parabola there and can be
    turned back without iteration. Before the first and after the last point the speed is constant.
    """

    def __init__(self, t: Floats, rpm: Floats) -> None:
        self._t = t
        self._rate = rpm * _DEG_PER_S
        steps = np.diff(t)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(steps > 0, np.diff(self._rate) / steps, 0.0)
        self._slope = np.append(slope, 0.0)
        area = (self._rate[1:] + self._rate[:-1]) / 2 * steps
        self._angle = np.concatenate([[0.0], np.cumsum(area)])

    def rpm(self, t: Floats) -> Floats:
        """Speed at times `t`."""
        return np.interp(t, self._t, self._rate / _DEG_PER_S)

    def angle(self, t: Floats) -> Floats:
        """Crank angle in degrees turned since the first point."""
        at = np.clip(np.searchsorted(self._t, t, "right") - 1, 0, None)
        late = t - self._t[at]
        return self._angle[at] + late * (self._rate[at] + self._slope[at] / 2 * late)

    def time(self, angle: Floats) -> Floats:
        """When the crank passes each angle; infinite where it never gets there.

        The root is written so that it keeps its digits when the speed hardly changes.
        """
        at = np.clip(np.searchsorted(self._angle, angle, "right") - 1, 0, None)
        left, rate, slope = angle - self._angle[at], self._rate[at], self._slope[at]
        root = np.sqrt(np.maximum(rate * rate + 2 * slope * left, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            late = np.where(left > 0, 2 * left / (rate + root), 0.0)
        return self._t[at] + late


class Ticks:
    """Moments `phase + k * period` in whole ns; each call gives those from the last call's end on."""

    def __init__(self, period_ns: float, phase_ns: int) -> None:
        self._period, self._phase, self._next = period_ns, phase_ns, 0

    def until(self, to_ns: int) -> Ints:
        """int64[k] moments before `to_ns` that have not been given yet."""
        end = max(self._next, math.ceil((to_ns - self._phase) / self._period))
        k = np.arange(self._next, end)
        self._next = end
        return np.asarray(np.rint(k * self._period), np.int64) + self._phase


# --- The profile. ---

# How an engine is driven. Our choice, after common practice, no source.
_CRANKING_RPM, _CRANKING_S = 250.0, 0.7
"""Speed of the starter, and how long it turns the engine until this runs by itself."""

_RUN_UP_S = 0.6
"""From the first firing to the speed of the part."""

_OPENING_S, _CLOSING_S = 0.15, 0.10
"""The throttle opens at the beginning of a sweep, and closes at that of an overrun."""

_TIP_S = 0.08
"""The throttle opens or closes in a tip-in; the starter takes hold in the same time."""

_SAW_TOOTH_S = 0.10
"""One fall and rise of speed at the limiter."""

_STOPPING_S = 1.0
"""From switching off until the engine stands."""

_SEARCH_STEP_S = 1e-3
"""Step in which the moment of a fault is searched: a hundredth of a cycle at 1,200 rpm."""


@dataclass(frozen=True, slots=True)
class PlayedPart:
    """One part of the profile as it was played; times in seconds from the start of the simulation.

    settled_s  when the way to the part's speed and load is over
    rpm, load  the point to which it goes
    """

    kind: str
    name: str
    from_s: float
    settled_s: float
    to_s: float
    rpm: float
    load: float


@dataclass(frozen=True, slots=True)
class PlayedStep:
    """Fuel added to each cylinder, in percent, from this moment to the next step."""

    t_s: float
    percent: tuple[float, ...]
    what: str


@dataclass(slots=True)
class _Script:
    """What the parts add to, one after another."""

    cylinders: int
    rng: np.random.Generator
    t: float = 0.0
    points: list[tuple[float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0)])
    windows: list[PlayedPart] = field(default_factory=list)
    fuel_cuts: list[tuple[float, float]] = field(default_factory=list)
    spark_cuts: list[tuple[float, float]] = field(default_factory=list)
    splits: list[tuple[float, float]] = field(default_factory=list)
    openings: list[float] = field(default_factory=list)
    steps: list[PlayedStep] = field(default_factory=list)
    started_s: float | None = None
    stopped_s: float | None = None

    def go(self, seconds: float, rpm: float, load: float) -> None:
        """Move to a speed and load on a straight line."""
        self.t += seconds
        self.points.append((self.t, rpm, load))

    def hold(self, until: float) -> None:
        """Keep speed and load until then."""
        if until > self.t:
            self.go(until - self.t, *self.points[-1][1:])


class Timeline:
    """The whole profile over time, `duration` seconds of it; it is repeated where the scenario allows it."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator, duration: float | None = None) -> None:
        script = _Script(scenario.engine.cylinders, rng)
        for part in _repeat_parts(scenario, duration):
            _play_part(part, script)
        self.windows = tuple(script.windows)
        self.steps = tuple(script.steps)
        self.openings = tuple(script.openings)
        self.started_s = script.t if script.started_s is None else script.started_s
        self.stopped_s = script.t if script.stopped_s is None else script.stopped_s
        self.duration_s = script.t if duration is None else min(duration, script.t)
        self.fuel_cuts, self.spark_cuts = tuple(script.fuel_cuts), tuple(script.spark_cuts)
        self.splits = tuple(script.splits)
        t, rpm, load = np.array(script.points).T
        self._t, self._load = np.ascontiguousarray(t), np.ascontiguousarray(load)
        self.crank = Crank(self._t, np.ascontiguousarray(rpm))
        self._step_t = np.array([-np.inf, *(step.t_s for step in script.steps)])
        nothing = (0.0,) * scenario.engine.cylinders
        self._step = np.array([nothing, *(step.percent for step in script.steps)]) / 100

    def load(self, t: Floats) -> Floats:
        """Load at times t."""
        return np.asarray(np.interp(t, self._t, self._load), np.float64)

    def step(self, i: int, t: Floats) -> Floats:
        """Fuel added to cylinder i (from 0) by steps, as a share."""
        return np.asarray(self._step[np.searchsorted(self._step_t, t, "right") - 1, i], np.float64)

    def common_step(self, t: Floats) -> Floats:
        """The same where all cylinders have the same step, else 0."""
        share = self._step[np.searchsorted(self._step_t, t, "right") - 1]
        return np.where((share == share[:, :1]).all(axis=1), share[:, 0], 0.0)

    def fuel_cut(self, t: Floats) -> Bools:
        """Whether fuel is cut, or the engine does not run."""
        return _is_inside(self.fuel_cuts, t) | (t < self.started_s) | (t >= self.stopped_s)

    def spark_cut(self, t: Floats) -> Bools:
        """Whether the limiter leaves out sparks."""
        return _is_inside(self.spark_cuts, t)

    def split_pulse(self, t: Floats) -> Bools:
        """Whether each injector gives two half pulses a cycle."""
        return _is_inside(self.splits, t)

    def when(self, during: str, rpm: float, after_s: float) -> float:
        """The first moment in the named part at which the engine has reached rpm.

        Raises:
            KeyError: there is no such part, or the engine does not get there in it.
        """
        for window in self.windows:
            if window.name == during:
                first = window.from_s + after_s
                t = np.arange(first, window.to_s, _SEARCH_STEP_S)
                there = np.flatnonzero(self.crank.rpm(t) >= rpm)
                if len(there):
                    return float(t[there[0]])
        raise KeyError(during)


def _repeat_parts(scenario: Scenario, duration: float | None) -> Iterator[Part]:
    """The parts as often as the duration needs."""
    yield from scenario.profile
    played = math.fsum(part.seconds for part in scenario.profile)
    names = [part.name for part in scenario.profile]
    if scenario.repeat_from is None or duration is None:
        return
    again = scenario.profile[names.index(scenario.repeat_from) :]
    while played < duration:
        yield from again
        played += math.fsum(part.seconds for part in again)


def _play_part(part: Part, script: _Script) -> None:
    """Play one part: its player adds to the script, then the point is kept until the part's time is over."""
    begins = script.t
    settled = _PLAYERS[part.kind](part, script)
    script.hold(begins + part.seconds)
    script.windows.append(PlayedPart(part.kind, part.name, begins, settled, script.t, part.rpm, part.load))


def _play_off(_: Part, script: _Script) -> float:
    return script.t


def _play_start(part: Part, script: _Script) -> float:
    script.go(_TIP_S, _CRANKING_RPM, part.load)
    script.hold(script.t + _CRANKING_S)
    script.started_s = script.t - _CRANKING_S / 2
    script.go(_RUN_UP_S, part.rpm, part.load)
    return script.t


def _play_steady(part: Part, script: _Script) -> float:
    script.go(part.ramp_s, part.rpm, part.load)
    return script.t


def _play_sweep(part: Part, script: _Script) -> float:
    _, rpm, _ = script.points[-1]
    script.openings.append(script.t)
    opened = rpm + (part.rpm - rpm) * _OPENING_S / part.seconds
    script.go(_OPENING_S, opened, part.load)
    settled = script.t
    script.go(part.seconds - _OPENING_S, part.rpm, part.load)
    return settled


def _play_limiter(part: Part, script: _Script) -> float:
    ends, (begins, _, load) = script.t + part.seconds, script.points[-1]
    script.spark_cuts.append((begins, ends))
    while script.t + _SAW_TOOTH_S < ends:
        script.go(_SAW_TOOTH_S / 2, part.rpm - part.drop_rpm, load)
        script.go(_SAW_TOOTH_S / 2, part.rpm, load)
    return begins


def _play_overrun(part: Part, script: _Script) -> float:
    (begins, rpm, _), seconds = script.points[-1], part.seconds
    script.go(_CLOSING_S, rpm + (part.rpm - rpm) * _CLOSING_S / seconds, 0.0)
    script.fuel_cuts.append((script.t, begins + seconds))
    script.go(seconds - _CLOSING_S, part.rpm, 0.0)
    return begins


def _play_identity(part: Part, script: _Script) -> float:
    settled = _play_steady(part, script)
    t = settled + part.lead_s
    nothing = (0.0,) * script.cylinders
    for code in identity_codes(script.cylinders, part.method):
        script.steps.append(PlayedStep(t, tuple(part.percent * sign for sign in code), "identity"))
        script.steps.append(PlayedStep(t + part.step_s, nothing, "identity"))
        t += part.step_s + part.pause_s
    return settled


def _play_pattern(part: Part, script: _Script) -> float:
    settled = _play_steady(part, script)
    for late, sign in random_pattern(script.rng, part.seconds - part.ramp_s, part.hold_s):
        script.steps.append(PlayedStep(settled + late, (part.percent * sign,) * script.cylinders, "pattern"))
    return settled


def _play_split_pulse(part: Part, script: _Script) -> float:
    settled = _play_steady(part, script)
    t = settled + part.lead_s
    for _ in range(part.times):
        script.splits.append((t, t + part.step_s))
        t += part.step_s + part.pause_s
    return settled


def _play_tip_in(part: Part, script: _Script) -> float:
    settled = _play_steady(part, script)
    script.hold(settled + part.lead_s)
    for _ in range(part.times):
        script.openings.append(script.t)
        script.go(_TIP_S, part.rpm, part.to_load)
        script.hold(script.t + part.hold_s)
        script.go(_TIP_S, part.rpm, part.load)
        script.hold(script.t + part.pause_s)
    return settled


def _play_stop(_: Part, script: _Script) -> float:
    script.stopped_s = script.t
    script.go(_STOPPING_S, 0.0, 0.0)
    return script.t


_PLAYERS = {
    "off": _play_off,
    "start": _play_start,
    "steady": _play_steady,
    "sweep": _play_sweep,
    "limiter": _play_limiter,
    "overrun": _play_overrun,
    "identity": _play_identity,
    "pattern": _play_pattern,
    "split-pulse": _play_split_pulse,
    "tip-in": _play_tip_in,
    "stop": _play_stop,
}

KINDS = tuple(_PLAYERS)
"""Every kind of part."""


def shortest(part: Part, cylinders: int) -> float:
    """The least seconds in which a part can be played."""
    if part.kind == "identity":
        codes = len(identity_codes(cylinders, part.method))
        return part.ramp_s + part.lead_s + codes * (part.step_s + part.pause_s)
    if part.kind == "split-pulse":
        return part.ramp_s + part.lead_s + part.times * (part.step_s + part.pause_s)
    if part.kind == "tip-in":
        return part.ramp_s + part.lead_s + part.times * (2 * _TIP_S + part.hold_s + part.pause_s)
    fixed = {
        "off": 0.0,
        "start": _TIP_S + _CRANKING_S + _RUN_UP_S,
        "sweep": 2 * _OPENING_S,
        "limiter": _SAW_TOOTH_S,
        "overrun": 2 * _CLOSING_S,
        "stop": _STOPPING_S,
    }
    return fixed.get(part.kind, part.ramp_s)


def _is_inside(intervals: tuple[tuple[float, float], ...], t: Floats) -> Bools:
    edges = np.array(intervals).ravel()
    return np.asarray(np.searchsorted(edges, t, "right") % 2 == 1)
