"""One sensor and its controller: what it would say at each moment, from key-on to key-off.

Gas arrives at the sensor (`engine.Cylinder`), passes the element's lag and the controller's filter
(`ElementLag`), gets noise and the limits of what the controller can say, and is shown, held or hidden by the
controller's state (`SimulatedNode`).

A controller that is not ready may still send a number, and the number may look good: after a
loss of supply it repeats its last reading, and while it settles it reads lean and comes down.
Only its state says so.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.messages.chain import NodeState
from mixmon.simulate.engine import ArrivingGas, Cylinder
from mixmon.simulate.health import SETTLING_S, Health, NodeHealth, States
from mixmon.simulate.world import World

# --- The element's lag and the controller's filter: two first-order lags in a row, solved exactly. ---
#
# The gas at the tip is constant between two arrivals, so the state of both lags at any later moment has a
# closed form; no time step is chosen and none can be too coarse. The lags act on the oxygen balance, in
# which the element is linear. The element's lag may differ between readings that rise (lean-going) and fall
# (rich-going); the direction cannot change between two arrivals, so the closed form still holds. The
# simulator keeps this model of its own, so that an error in the analysis' model cannot hide in both.

_LEAST_DISTANCE = 1e-4
"""Least relative distance of the two time constants: equal ones make the closed form 0/0. Our choice."""


class ElementLag:
    """One element and its controller's filter; keeps both states and the gas at the tip between calls."""

    def __init__(self, lean_s: float, rich_s: float, filter_s: float, oxygen: float) -> None:
        self._filter = filter_s
        self._lean = _keep_apart(lean_s, filter_s)
        self._rich = _keep_apart(rich_s, filter_s)
        self._gas = self._element = self._output = oxygen
        self._t = -math.inf

    def run(self, arrivals: Floats, gas: Floats, samples: Floats) -> Floats:
        """Filter output at each sample time.

        arrivals, gas    float64[a]  rising times in s and the oxygen balance that arrives then
        samples          float64[k]  rising times in s
        """
        t = np.concatenate([arrivals, samples])
        order = np.argsort(t, kind="stable")
        t = t[order]
        first = self._t if math.isfinite(self._t) else (t[0] if len(t) else 0.0)
        steps = np.diff(t, prepend=first)
        self._t = float(t[-1]) if len(t) else self._t
        new_gas = np.concatenate([gas, np.full(len(samples), np.nan)])[order]
        out = self._run_lags(steps, new_gas)
        return out[order >= len(arrivals)]

    def _run_lags(self, steps: Floats, new_gas: Floats) -> Floats:
        """Both lags over each step, in which the gas is still the one from before the step's end."""
        kept = [np.exp(-steps / tau).tolist() for tau in (self._lean, self._rich, self._filter)]
        lean_share = self._lean / (self._lean - self._filter)
        rich_share = self._rich / (self._rich - self._filter)
        gas, element, output = self._gas, self._element, self._output
        out: list[float] = []
        for lean, rich, still, arrives in zip(*kept, new_gas.tolist(), strict=True):
            away = element - gas
            stay, share = (lean, lean_share) if away < 0 else (rich, rich_share)
            output = gas + (output - gas) * still + away * share * (stay - still)
            element = gas + away * stay
            if arrives == arrives:  # noqa: PLR0124 - NaN marks a sample, at which no gas arrives
                gas = arrives
            out.append(output)
        self._gas, self._element, self._output = gas, element, output
        return np.array(out, np.float64)


def step_time_s(tau: float, filter_s: float, share: float = 1 - math.exp(-1)) -> float:
    """Seconds until both lags have covered that share of a step, by bisection.

    >>> round(step_time_s(0.085, 0.020), 4)
    0.1075
    """
    tau = _keep_apart(tau, filter_s)
    low, high = 0.0, _LONGEST_LAGS * (tau + filter_s)
    while high - low > _BISECTION_S:
        t = (low + high) / 2
        left = (tau * math.exp(-t / tau) - filter_s * math.exp(-t / filter_s)) / (tau - filter_s)
        low, high = (t, high) if left > 1 - share else (low, t)
    return high


def _keep_apart(tau: float, other: float) -> float:
    """The time constant, moved away from the other one where the closed form would divide by zero."""
    return tau if abs(tau / other - 1) > _LEAST_DISTANCE else other * (1 + _LEAST_DISTANCE)


_BISECTION_S = 1e-9
"""Where the bisection for the time of a step ends: a nanosecond, finer than any stamp."""

_LONGEST_LAGS = 50.0
"""The bisection starts from so many times both lags:

what is left of a step then is below 1e-20 (computed).
"""

_SETTLING_ERROR = 0.25
"""By how much a reading is too lean when the controller begins to send it: common practice, no source."""

_SLOPE_STEP = 5e-4
"""Step in lambda over which the slope of the oxygen balance is taken: our choice, far below the noise."""

_LEAST_SLOPE = 5.0
"""Least slope in percent of oxygen per lambda: in very lean gas the balance hardly moves. Our choice."""

_NEARLY_AIR = 15.0
"""Oxygen above which lambda is no measure any more, percent: noise stays as it is there. Our choice."""


class Readings(NamedTuple):
    """k rows: lam and oxygen (percent) float64[k] with NaN for no value, state uint8[k] (NodeState)."""

    lam: Floats
    oxygen: Floats
    state: Bytes


class SimulatedNode:
    """The node at one position (from 1), with the sensor and the cylinders that it really hangs on."""

    def __init__(self, world: World, position: int, cylinders: tuple[int, ...] | None = None) -> None:
        """`cylinders` (from 0) are those before the sensor, if not the one of its position."""
        cylinders = cylinders or (world.cylinder_of[position - 1],)
        scenario, sensor = world.scenario, cylinders[0]
        self._world = world
        self.serial = serial_number(scenario.sensors.serial[sensor])
        self._states = States(world, position)
        self._health = NodeHealth(world, position, self._states)
        self._cylinders = [Cylinder(world, i, sensor, world.leaks.get(i)) for i in cylinders]
        lean, rich = scenario.sensors.lean_s[sensor], scenario.sensors.rich_s[sensor]
        self._lag = ElementLag(lean, rich, scenario.controllers.filter_s, scenario.free_air)
        self._white = world.rng("white", position)
        self._held = np.nan

    def silent(self, t: Ints) -> Bools:
        """Whether the node has no supply at t int64[k] ns."""
        return self._states.silent(t / SECOND_NS)

    def health(self, t: Ints) -> Health:
        """What the node knows of itself at rising moments t int64[k] ns."""
        return self._health.rows(t)

    def readings(self, from_ns: int, to_ns: int, t: Ints) -> Readings:
        """The readings at rising moments t int64[k] in [from_ns, to_ns); calls follow one another."""
        gas = self._collect_gas(from_ns / SECOND_NS, to_ns / SECOND_NS)
        seconds, fuel = t / SECOND_NS, self._world.fuel
        oxygen = self._lag.run(gas.t, gas.oxygen, seconds)
        oxygen = oxygen + self._white_noise(oxygen)
        state = self._states.at(seconds)
        lam = self._while_not_ready(self._limit_lambda(lambda_from_oxygen(oxygen, fuel)), state, seconds)
        in_air = (state == NodeState.READY) & (oxygen > 0)
        return Readings(lam, np.where(in_air, oxygen, oxygen_balance(lam, fuel)), state)

    def _collect_gas(self, from_s: float, to_s: float) -> ArrivingGas:
        """The gas at the sensor, of all cylinders before it."""
        gas = [cylinder.run(from_s, to_s) for cylinder in self._cylinders]
        t = np.concatenate([g.t for g in gas])
        order = np.argsort(t, kind="stable")
        return ArrivingGas(t[order], np.concatenate([g.oxygen for g in gas])[order])

    def _white_noise(self, oxygen: Floats) -> Floats:
        """Noise in the oxygen balance that is the wanted noise in lambda around the reading."""
        fuel, sigma = self._world.fuel, self._world.scenario.noise.lambda_white
        lam = lambda_from_oxygen(np.minimum(oxygen, _NEARLY_AIR), fuel)
        rise = oxygen_balance(lam + _SLOPE_STEP, fuel) - oxygen_balance(lam - _SLOPE_STEP, fuel)
        slope = np.maximum(rise / (2 * _SLOPE_STEP), _LEAST_SLOPE)
        return self._white.standard_normal(len(oxygen)) * sigma * slope

    def _limit_lambda(self, lam: Floats) -> Floats:
        """Lambda within what the controller can say."""
        controllers = self._world.scenario.controllers
        return np.clip(lam, controllers.lowest, controllers.highest)

    def _while_not_ready(self, lam: Floats, state: Bytes, t: Floats) -> Floats:
        """Nothing before the first reading, the last one after a loss of supply, a drift while settling."""
        if len(lam) == 0:
            return lam
        ready = state == NodeState.READY
        good = ready & ~self._states.silent(t)
        newest = np.maximum.accumulate(np.where(good, np.arange(len(t)), -1))
        held = np.where(newest >= 0, lam[newest], self._held)
        self._held = float(held[-1])
        drift = 1 + _SETTLING_ERROR * (1 - self._states.since(t) / SETTLING_S)
        settling = self._limit_lambda(lam * drift)
        return np.where(ready, lam, np.where(state == NodeState.SETTLING, settling, held))


def serial_number(text: str) -> int:
    """The digits of a serial such as S-101; none is 0.

    >>> serial_number("S-088")
    88
    """
    return int("".join(character for character in text if character.isdigit()) or 0) % 2**32
