"""Readings of engines whose cylinders are stepped: made with scipy alone, in bins of 50 ms.

Every sensor follows its own cylinder (or a mixture of cylinders) behind a delay, a lag and a filter of its
own. The noise of a reading is what is left of independent noise behind the same lag, so that neighbours
are alike as in a real one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import scipy.signal

from mixmon.findings.identity.answers import StepWindow
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.model import Chain, Engine, Node, Session

STEP_S = 0.01


def session(n: int, **more: object) -> Session:
    nodes = tuple(Node(i + 1, (i + 1,), f"S-{i + 1}") for i in range(n))
    made: dict[str, object] = {"chain": Chain("chain", {}, nodes)}
    return Session(engine=more.pop("engine", Engine(n)), buses=(), **(made | more))  # type: ignore[arg-type]


@dataclass
class Played:
    """Sensors on a stepped engine.

    sees   [n, c]: what share of its gas each sensor gets from each cylinder
    noise  sd of a reading, in ln lambda
    """

    steps: Sequence[FuelStep]
    sees: np.ndarray
    noise: float = 0.0045
    seed: int = 1
    gain: float = 1.0
    after_s: float = 8.0
    delays_s: tuple[float, float] = (0.05, 0.3)
    lags_s: tuple[float, float] = (0.06, 0.25)
    late_s: float = 0.0
    of_fuel: object = None
    fuel: np.ndarray = field(init=False)
    ln_lambda: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        labels, cylinders = self.sees.shape
        count = round((self.steps[-1].to_s + self.after_s if self.steps else 40.0) / STEP_S)
        t = np.arange(count) * STEP_S
        self.fuel = np.zeros((count, cylinders))
        for step in self.steps:
            for cylinder, percent in step.percent:
                self.fuel[(t >= step.from_s) & (t < step.to_s), cylinder - 1] = np.log1p(percent / 100)
        burnt = self.fuel if self.of_fuel is None else self.of_fuel(self.fuel)  # type: ignore[operator]
        gas = -self.gain * burnt @ self.sees.T
        out = []
        for j in range(labels):
            delay = round((rng.uniform(*self.delays_s) + self.late_s) / STEP_S)
            lag = rng.uniform(*self.lags_s)
            late = gas[np.clip(np.arange(count) - delay, 0, count - 1), j]
            out.append(_behind(late, lag) + self.noise * _unit(_behind(rng.standard_normal(count), lag)))
        self.ln_lambda = np.stack(out, axis=1) + rng.normal(0, 0.03, labels) - 0.02

    def windows(self) -> list[StepWindow]:
        bins = len(self.fuel) // 5 * 5
        return [
            StepWindow(
                *(x[:bins].reshape(-1, 5, x.shape[1]).mean(axis=1) for x in (self.ln_lambda, self.fuel))
            )
        ]


def _behind(x: np.ndarray, lag_s: float) -> np.ndarray:
    """Behind an element's lag and a controller's filter of 20 ms."""
    for tau in (lag_s, 0.02):
        keep = np.exp(-STEP_S / tau)
        x = scipy.signal.lfilter([1 - keep], [1, -keep], x, zi=[keep * x[0]])[0]
    return x


def _unit(x: np.ndarray) -> np.ndarray:
    return x / x.std()


def orders(n: int, order: Sequence[int]) -> np.ndarray:
    """Sensors of which the j-th sits in cylinder order[j] (from 0)."""
    return np.eye(n)[list(order)]
