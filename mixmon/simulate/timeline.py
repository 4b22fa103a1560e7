"""The profile laid out in time: speed and load, cuts, fuel steps, and where each part stands.

Speed and load are straight lines between points. Cuts are intervals; fuel steps hold from
their moment to the next one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.simulate.scenario import Part, Scenario, identity_codes, random_pattern

# ----------------------------------------------------------------------------------------------------
# The crankshaft: speed as straight lines between points, angle and time turned into each other exactly.
# ----------------------------------------------------------------------------------------------------

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


# ----------------------------------------------------------------------------------------------------
# The moments at which one sender sends: an even beat of its own clock.
# ----------------------------------------------------------------------------------------------------


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


_CRANKING_RPM, _CRANKING_S, _RUN_UP_S = 250.0, 0.7, 0.6
_OPENING_S = 0.15
_CLOSING_S = 0.10
_TIP_S = 0.08
_SAW_TOOTH_S = 0.10


@dataclass(frozen=True, slots=True)
class Window:
    """One part of the profile as played; `settled_s` is when its way in is over."""

    kind: str
    name: str
    from_s: float
    settled_s: float
    to_s: float
    rpm: float
    load: float


@dataclass(frozen=True, slots=True)
class FuelStep:
    """Fuel added to each cylinder, in percent, from this moment to the next step."""

    t_s: float
    percent: tuple[float, ...]
    what: str


@dataclass(slots=True)
class _Plan:
    """What the parts add to, one after another."""

    cylinders: int
    rng: np.random.Generator
    t: float = 0.0
    points: list[tuple[float, float, float]] = field(default_factory=lambda: [(0.0, 0.0, 0.0)])
    windows: list[Window] = field(default_factory=list)
    fuel_cuts: list[tuple[float, float]] = field(default_factory=list)
    spark_cuts: list[tuple[float, float]] = field(default_factory=list)
    openings: list[float] = field(default_factory=list)
    steps: list[FuelStep] = field(default_factory=list)
    started_s: float | None = None
    stopped_s: float | None = None

    def go(self, seconds: float, rpm: float, load: float) -> None:
        """A straight line to speed and load."""
        self.t += seconds
        self.points.append((self.t, rpm, load))

    def hold(self, until: float) -> None:
        """Nothing changes until then."""
        if until > self.t:
            self.go(until - self.t, *self.points[-1][1:])


class Timeline:
    """The whole profile, at least `duration` long if it may be repeated."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator, duration: float | None = None) -> None:
        plan = _Plan(scenario.engine.cylinders, rng)
        for part in _parts(scenario, duration):
            _play(part, plan)
        self.windows = tuple(plan.windows)
        self.steps = tuple(plan.steps)
        self.openings = tuple(plan.openings)
        self.started_s = plan.t if plan.started_s is None else plan.started_s
        self.stopped_s = plan.t if plan.stopped_s is None else plan.stopped_s
        self.duration_s = plan.t if duration is None else min(duration, plan.t)
        self.fuel_cuts, self.spark_cuts = tuple(plan.fuel_cuts), tuple(plan.spark_cuts)
        t, rpm, load = np.array(plan.points).T
        self._t, self._load = np.ascontiguousarray(t), np.ascontiguousarray(load)
        self.crank = Crank(self._t, np.ascontiguousarray(rpm))
        self._step_t = np.array([-np.inf, *(step.t_s for step in plan.steps)])
        nothing = (0.0,) * scenario.engine.cylinders
        self._step = np.array([nothing, *(step.percent for step in plan.steps)]) / 100

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
        return _inside(self.fuel_cuts, t) | (t < self.started_s) | (t >= self.stopped_s)

    def spark_cut(self, t: Floats) -> Bools:
        """Whether the limiter leaves out sparks."""
        return _inside(self.spark_cuts, t)

    def when(self, during: str, rpm: float, after_s: float) -> float:
        """The first moment in the named part at which the engine has reached rpm.

        Raises:
            KeyError: there is no such part, or the engine does not get there in it.
        """
        for window in self.windows:
            if window.name == during:
                first = window.from_s + after_s
                t = np.arange(first, window.to_s, 1e-3)
                there = np.flatnonzero(self.crank.rpm(t) >= rpm)
                if len(there):
                    return float(t[there[0]])
        raise KeyError(during)


def _parts(scenario: Scenario, duration: float | None) -> Iterator[Part]:
    """The parts as often as the duration needs."""
    yield from scenario.profile
    played = sum(part.seconds for part in scenario.profile)
    names = [part.name for part in scenario.profile]
    if scenario.repeat_from is None or duration is None:
        return
    again = scenario.profile[names.index(scenario.repeat_from) :]
    while played < duration:
        yield from again
        played += sum(part.seconds for part in again)


def _play(part: Part, plan: _Plan) -> None:
    """One part: its own player moves the plan, then the state holds until the part's time is up."""
    begins = plan.t
    settled = _PLAYERS[part.kind](part, plan)
    plan.hold(begins + part.seconds)
    plan.windows.append(Window(part.kind, part.name, begins, settled, plan.t, part.rpm, part.load))


def _off(_: Part, plan: _Plan) -> float:
    return plan.t


def _start(part: Part, plan: _Plan) -> float:
    plan.go(_TIP_S, _CRANKING_RPM, part.load)
    plan.hold(plan.t + _CRANKING_S)
    plan.started_s = plan.t - _CRANKING_S / 2
    plan.go(_RUN_UP_S, part.rpm, part.load)
    return plan.t


def _steady(part: Part, plan: _Plan) -> float:
    plan.go(part.ramp_s, part.rpm, part.load)
    return plan.t


def _sweep(part: Part, plan: _Plan) -> float:
    _, rpm, _ = plan.points[-1]
    plan.openings.append(plan.t)
    opened = rpm + (part.rpm - rpm) * _OPENING_S / part.seconds
    plan.go(_OPENING_S, opened, part.load)
    settled = plan.t
    plan.go(part.seconds - _OPENING_S, part.rpm, part.load)
    return settled


def _limiter(part: Part, plan: _Plan) -> float:
    ends, (begins, _, load) = plan.t + part.seconds, plan.points[-1]
    plan.spark_cuts.append((begins, ends))
    while plan.t + _SAW_TOOTH_S < ends:
        plan.go(_SAW_TOOTH_S / 2, part.rpm - part.drop_rpm, load)
        plan.go(_SAW_TOOTH_S / 2, part.rpm, load)
    return begins


def _overrun(part: Part, plan: _Plan) -> float:
    (begins, rpm, _), seconds = plan.points[-1], part.seconds
    plan.go(_CLOSING_S, rpm + (part.rpm - rpm) * _CLOSING_S / seconds, 0.0)
    plan.fuel_cuts.append((plan.t, begins + seconds))
    plan.go(seconds - _CLOSING_S, part.rpm, 0.0)
    return begins


def _identity(part: Part, plan: _Plan) -> float:
    settled = _steady(part, plan)
    t = settled + part.lead_s
    nothing = (0.0,) * plan.cylinders
    for code in identity_codes(plan.cylinders, part.method):
        plan.steps.append(FuelStep(t, tuple(part.percent * sign for sign in code), "identity"))
        plan.steps.append(FuelStep(t + part.step_s, nothing, "identity"))
        t += part.step_s + part.pause_s
    return settled


def _pattern(part: Part, plan: _Plan) -> float:
    settled = _steady(part, plan)
    for late, sign in random_pattern(plan.rng, part.seconds - part.ramp_s, part.hold_s):
        plan.steps.append(FuelStep(settled + late, (part.percent * sign,) * plan.cylinders, "pattern"))
    return settled


def _tip_in(part: Part, plan: _Plan) -> float:
    settled = _steady(part, plan)
    plan.hold(settled + part.lead_s)
    for _ in range(part.times):
        plan.openings.append(plan.t)
        plan.go(_TIP_S, part.rpm, part.to_load)
        plan.hold(plan.t + part.hold_s)
        plan.go(_TIP_S, part.rpm, part.load)
        plan.hold(plan.t + part.pause_s)
    return settled


def _stop(_: Part, plan: _Plan) -> float:
    plan.stopped_s = plan.t
    plan.go(1.0, 0.0, 0.0)
    return plan.t


_PLAYERS = {
    "off": _off,
    "start": _start,
    "steady": _steady,
    "sweep": _sweep,
    "limiter": _limiter,
    "overrun": _overrun,
    "identity": _identity,
    "pattern": _pattern,
    "tip-in": _tip_in,
    "stop": _stop,
}

KINDS = tuple(_PLAYERS)
"""Every kind of part."""


def shortest(part: Part, cylinders: int) -> float:
    """The least seconds in which a part can be played."""
    if part.kind == "identity":
        codes = len(identity_codes(cylinders, part.method))
        return part.ramp_s + part.lead_s + codes * (part.step_s + part.pause_s)
    if part.kind == "tip-in":
        return part.ramp_s + part.lead_s + part.times * (2 * _TIP_S + part.hold_s + part.pause_s)
    fixed = {
        "off": 0.0,
        "start": _TIP_S + _CRANKING_S + _RUN_UP_S,
        "sweep": 2 * _OPENING_S,
        "limiter": _SAW_TOOTH_S,
        "overrun": 2 * _CLOSING_S,
        "stop": 1.0,
    }
    return fixed.get(part.kind, part.ramp_s)


def _inside(intervals: tuple[tuple[float, float], ...], t: Floats) -> Bools:
    edges = np.array(intervals).ravel()
    return np.asarray(np.searchsorted(edges, t, "right") % 2 == 1)
