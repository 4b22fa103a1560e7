"""Rows of an engine in which events are planted, for the study of what is found of them.

Made by other means than the package's own simulator: gas as a column a millisecond, cycle by
cycle, sensors by scipy's filters. What is planted is kept as the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.signal

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.gas.reading import missed_charge_oxygen
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState

FUEL = fuel_named("gasoline")
MS = 0.001

_FREE_AIR, _LEANEST = 20.6, 4.0
_TRANSIT_CYCLES = 0.3
_CLOSED, _FILM = 2.0, 0.05


@dataclass
class Truth:
    """One planted event; node None is all of them."""

    kind: str
    t: float
    end: float
    node: int | None
    cycles: int = 0
    what: str = ""


@dataclass
class Engine:
    """An engine held at one speed and load for `seconds`. Plant what is to happen, then ask for `block`."""

    rng: np.random.Generator
    seconds: float
    nodes: int = 8
    rpm: float = 6000.0
    load: float = 100.0
    target: float = 0.87
    lags: list[tuple[float, float, float]] | None = None
    cycle_noise: float = 0.015
    white: float = 0.003
    truth: list[Truth] = field(default_factory=list)

    def __post_init__(self) -> None:
        k = round(self.seconds / MS)
        self.t = np.arange(k) * MS
        self.speed = np.full(k, float(self.rpm))
        self.throttle = np.full(k, float(self.load))
        self.wanted = np.full(k, float(self.target))
        self.offsets = self.rng.uniform(-0.04, 0.04, self.nodes)
        self.leaner = np.zeros((k, self.nodes))
        self.film = np.zeros(k)
        self.fuel_cut = np.zeros((k, self.nodes), np.bool_)
        self.spark_cut = np.zeros(k, np.bool_)
        self.unburnt = np.zeros(k)  # the part of vapour that is seen, where no charge burns
        self.strides = np.ones(k, np.int64)  # every so many-th charge of the engine
        self.limited = np.zeros(k)  # the same where charges are left out in turn; 1 without fuel
        self.stride = 3 if self.nodes % 3 else 5
        self.missed: list[dict[int, float]] = [{} for _ in range(self.nodes)]
        self.state = np.zeros((k // 10, self.nodes), np.uint8)
        self.silent_s = np.zeros((k // 10, self.nodes))
        self.told = True

    def _span(self, t: float, seconds: float) -> slice:
        return slice(round(t / MS), round((t + seconds) / MS))

    def cycles(self, node: int) -> np.ndarray:
        """Cycle number of a node at every millisecond, not whole; a whole number is a valve's opening."""
        return np.cumsum(self.speed) / 120 * MS - node / self.nodes

    def misfire(
        self, t: float, node: int, cycles: int, k_d: float, pattern: np.ndarray | None = None
    ) -> None:
        """That many cycles from t on do not burn; with a pattern, only those for which it is true."""
        turned = self.cycles(node)
        first = int(np.ceil(turned[round(t / MS)]))
        for i in range(cycles):
            if pattern is None or pattern[i]:
                self.missed[node][first + i] = k_d
        begin, end = (np.searchsorted(turned, first + i) * MS for i in (0, cycles))
        self.truth.append(Truth("misfire", float(begin), float(end), node, cycles, f"k_d {k_d:.2f}"))

    def mixture(self, t: float, node: int | None, seconds: float, share: float, shape: str) -> None:
        """The mixture of one node or all is leaner (richer if negative) by that share at its peak."""
        span = self._span(t, seconds)
        u = np.linspace(0, 1, span.stop - span.start, endpoint=False)
        course = {"box": np.ones_like(u), "sine": np.sin(np.pi * u), "ramp": u, "saw": 1 - u}[shape]
        self.leaner[span, slice(None) if node is None else node] += (share * course).reshape(
            -1, *[1] * (node is None)
        )
        kind = "lean excursion" if share > 0 else "rich excursion"
        self.truth.append(Truth(kind, t, t + seconds, node, what=f"{share:+.2f} {shape} {seconds:g} s"))

    def cut_fuel(self, t: float, seconds: float, nodes: list[int] | None, *, told: bool) -> None:
        """Throttle shut and no fuel; with `nodes`, only those lose their fuel and the throttle stays."""
        span = self._span(t, seconds)
        self.told = told
        if nodes is None:
            self.throttle[span] = 0.0
            fall = np.linspace(0, min(800 * seconds, 0.4 * self.rpm), span.stop - span.start)
            self.speed[span] -= fall
            back = self._span(t + seconds, 1.0)
            self.speed[back] -= np.linspace(fall[-1], 0, 1000)
        self.fuel_cut[span, slice(None) if nodes is None else nodes] = True
        self.truth.append(
            Truth("fuel cut", t, t + seconds, None if nodes is None else nodes[0], what=f"told {told}")
        )

    def cut_sparks(self, t: float, seconds: float, *, told: bool, stride: int | None = None) -> None:
        """A limiter at the engine's speed: every few sparks are left out in turn, speed saws below it."""
        span = self._span(t, seconds)
        self.told, self.spark_cut[span] = told, True
        self.stride = self.stride if stride is None else stride
        late = self.t[span] - t
        self.speed[span] -= 120 * np.abs((late / 0.1) % 1.0 * 2 - 1)
        self.truth.append(Truth("spark cut", t, t + seconds, None, what=f"told {told} stride {self.stride}"))

    def cut_all_sparks(self, t: float, seconds: float, k_d: float) -> None:
        """No charge burns, as between two gears at full throttle: speed has risen, and falls. Not told."""
        self._change_gear(t, seconds)
        self.unburnt[self._span(t, seconds)] = k_d
        self.truth.append(Truth("spark cut", t, t + seconds, None, what=f"all, k_d {k_d:.2f}"))

    def cut_all_fuel(self, t: float, seconds: float) -> None:
        """The same with fuel taken away in place of sparks."""
        self._change_gear(t, seconds)
        self.fuel_cut[self._span(t, seconds)] = True
        self.truth.append(Truth("fuel cut", t, t + seconds, None, what="all, throttle open"))

    def _change_gear(self, t: float, seconds: float) -> None:
        span, before, after = self._span(t, seconds), self._span(t - 2.0, 2.0), self._span(t + seconds, 2.0)
        self.told = False
        risen, fallen = 0.04 * self.rpm, -0.1 * self.rpm
        self.speed[before] += np.linspace(0, risen, 2000)
        self.speed[span] += np.linspace(risen, fallen, span.stop - span.start)
        self.speed[after] += np.linspace(fallen, 0, 2000)

    def limit(self, t: float, seconds: float, stride: int, k_d: float | None) -> None:
        """A limiter, not told: charges of the cylinders in turn have no spark or, with None, no fuel."""
        span = self._span(t, seconds)
        self.told = False
        self.limited[span], self.strides[span] = 1.0 if k_d is None else k_d, stride
        late = self.t[span] - t
        self.speed[span] -= 120 * np.abs((late / 0.1) % 1.0 * 2 - 1)
        kind = "fuel cut" if k_d is None else "spark cut"
        self.truth.append(Truth(kind, t, t + seconds, None, what=f"limiter, every {stride}th"))

    def shut_injector(self, t: float, seconds: float, node: int) -> None:
        """One cylinder pumps air; the others burn."""
        self.fuel_cut[self._span(t, seconds), node] = True
        self.told = False
        self.truth.append(Truth("no fuel", t, t + seconds, node, what=f"{seconds:.2f} s"))

    def be_quicker_at_first(self, seconds: float, share: float) -> None:
        """Speed is higher by that share at the beginning, and falls to the one asked for."""
        first = self._span(0.0, seconds)
        self.speed[first] *= np.linspace(1 + share, 1, first.stop)

    def tip(self, t: float, seconds: float, to: float, target: float) -> None:
        """The throttle opens to `to` in 80 ms and shuts again; a wall film takes fuel and gives it back."""
        span, opening = self._span(t, seconds), self._span(t, 0.08)
        held = self.load
        for rows, a, b in ((opening, held, to), (self._span(t + seconds, 0.08), to, held)):
            self.throttle[rows] = np.linspace(a, b, 80)
        self.throttle[opening.stop : span.stop] = to
        self.wanted[span] = np.interp(self.throttle[span], sorted((held, to)), [self.target, target])
        for begin, sign in ((t, 1), (t + seconds, -1)):
            late = self.t - begin
            self.film += np.where(late >= 0, sign * _FILM * np.exp(-np.maximum(late, 0) / 0.35), 0.0)
        self.truth.append(Truth("tip-in", t, t + seconds, None))
        self.truth.append(Truth("tip-out", t + seconds, t + seconds + 1.5, None))

    def node(self, t: float, node: int, seconds: float, kind: str) -> None:
        """A node that is silent, has lost its supply and warms again, or says that it is not ready."""
        begin, end = round(t * 100), round((t + seconds) * 100)
        self.truth.append(Truth(kind, t, t + seconds, node))
        if kind == "sensor drop-out":
            self.state[begin:end, node] = SampleState.WARMING
            return
        self.silent_s[begin:end, node] = np.arange(end - begin) / 100
        self.state[begin : begin + 3, node] = SampleState.HELD
        self.state[begin + 25 : end, node] = SampleState.SILENT
        self.state[begin + 3 : begin + 25, node] = SampleState.HELD
        if kind == "node reset":
            self.state[end : end + 200, node] = SampleState.WARMING
            self.truth[-1] = Truth(kind, t + seconds, t + seconds + 2.0, node)
            self.truth.append(Truth("node silent", t, t + seconds, node))

    def _gas(self, node: int) -> np.ndarray:
        """Oxygen at the node's sensor, a number a millisecond."""
        turned = self.cycles(node) - _TRANSIT_CYCLES
        cycle = np.floor(turned).astype(int) + 1
        count = int(cycle.max()) + 1
        opens = np.clip(np.searchsorted(turned + _TRANSIT_CYCLES, np.arange(count)), 0, len(self.t) - 1)
        noise = 1 + self.cycle_noise * self.rng.standard_normal(count)
        lam = (self.wanted * (1 + self.offsets[node]) * (1 + self.leaner[:, node]) * (1 + self.film))[opens]
        lam = lam / noise
        x = oxygen_balance(lam, FUEL)
        spark = self.spark_cut[opens] & ((np.arange(count) * self.nodes + node) % self.stride == 0)
        for c, k_d in {**dict.fromkeys(np.flatnonzero(spark).tolist(), 0.53), **self.missed[node]}.items():
            if 0 <= c < count:
                x[c] = missed_charge_oxygen(float(lam[c]), FUEL, k_d)
        turn = (np.arange(count) * self.nodes + node) % self.strides[opens] == 0
        for seen in (self.unburnt[opens], np.where(turn, self.limited[opens], 0.0)):
            for c in np.flatnonzero((seen > 0) & (seen < 1)).tolist():
                x[c] = missed_charge_oxygen(float(lam[c]), FUEL, float(seen[c]))
            x[seen == 1] = _FREE_AIR
        x[self.fuel_cut[opens, node]] = _FREE_AIR
        return x[np.clip(cycle - 1, 0, count - 1)]

    def block(self) -> CylinderBlock:
        """The rows, a hundred a second."""
        n, rows = self.nodes, len(self.t) // 10
        oxygen, age = np.empty((rows, n)), np.empty((rows, n), np.int64)
        lags = self.lags or [(0.085, 0.085, 0.020)] * n
        for i, (lean, rich, still) in enumerate(lags):
            element = _one_lag(self._gas(i), lean) if lean == rich else _two_lags(self._gas(i), lean, rich)
            sent = int(self.rng.integers(0, 10))
            oxygen[:, i] = _one_lag(element, still)[np.maximum(np.arange(rows) * 10 - sent, 0)]
            age[:, i] = sent * 1_000_000 + np.rint(self.silent_s[:, i] * 1e9).astype(np.int64)
        lam = lambda_from_oxygen(np.minimum(oxygen, 15.0), FUEL)
        slope = (oxygen_balance(lam + 5e-4, FUEL) - oxygen_balance(lam - 5e-4, FUEL)) / 1e-3
        oxygen += self.white * np.maximum(slope, 5.0) * self.rng.standard_normal(oxygen.shape)
        now = {
            "rpm": self.speed[::10] + 4 * self.rng.standard_normal(rows),
            "load": np.clip(self.throttle[::10] + 0.06 * self.rng.standard_normal(rows), 0, 100),
            "target": self.wanted[::10],
        }
        now["throttle"] = now["load"]
        if self.told:
            now["fuel_cut"] = self.fuel_cut[::10].any(axis=1).astype(float)
            now["spark_cut"] = self.spark_cut[::10].astype(float)
        lam = np.clip(lambda_from_oxygen(oxygen, FUEL), 0.6, _LEANEST)
        at_limit = (lam == _LEANEST) & (self.state == SampleState.VALID)
        return CylinderBlock(
            t=np.arange(rows) * GRID_NS,
            stretch=np.zeros(rows, np.int64),
            lam=lam,
            oxygen=oxygen,
            age=age,
            fresh=np.ones((rows, n), np.bool_),
            state=np.where(at_limit, np.uint8(SampleState.AT_LEAN_LIMIT), self.state),
            shifted={name: np.repeat(column[:, None], n, axis=1) for name, column in now.items()},
            now=now,
            aux={},
        )


def _one_lag(x: np.ndarray, tau: float) -> np.ndarray:
    keep = np.exp(-MS / tau)
    return scipy.signal.lfilter([1 - keep], [1, -keep], x, zi=[keep * x[0]])[0]


def _two_lags(x: np.ndarray, lean: float, rich: float) -> np.ndarray:
    out, y = np.empty_like(x), x[0]
    steps = -np.expm1(-MS / lean), -np.expm1(-MS / rich)
    for i, value in enumerate(x):
        y += (steps[0] if value > y else steps[1]) * (value - y)
        out[i] = y
    return out
