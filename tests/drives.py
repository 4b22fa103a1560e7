"""Rows of an engine that is driven by hand: speed, throttle and mixture as the test wants them.

Made by other means than the package's simulator: the gas takes a fixed time, sensors are first-order
lags of the oxygen balance by scipy's filter.
"""

from __future__ import annotations

import numpy as np
import scipy.signal

from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import fuel_named
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import Axes, Chain, Engine, Node, Session, Trims

FUEL = fuel_named("gasoline")
GAS_ROWS = 4
TARGET = 0.88


def session(n: int, **more: object) -> Session:
    nodes = tuple(Node(i + 1, (i + 1,), f"S-{i + 1}") for i in range(n))
    made: dict[str, object] = {
        "axes": Axes(rpm=(1000.0, 8000.0), load=(10.0, 100.0)),
        "trims": Trims(identity="stated"),
    }
    return Session(Engine(n), Chain("chain", {}, nodes), (), **(made | more))  # type: ignore[arg-type]


def path(*legs: tuple[float, float]) -> np.ndarray:
    """Straight lines: (seconds, value) after (0, first value), 100 rows a second."""
    t = np.cumsum([0.0, *(seconds for seconds, _ in legs[1:])])
    return np.interp(np.arange(round(t[-1] * 100)) / 100, t, [value for _, value in legs])


def earlier(x: np.ndarray, rows: int) -> np.ndarray:
    """The same so many rows later, held at the beginning."""
    return np.concatenate([np.repeat(x[:1], rows, axis=0), x])[: len(x)]


def lagged(oxygen: np.ndarray, lag_s: float) -> np.ndarray:
    """First-order lag, settled at the beginning."""
    keep = np.exp(-0.01 / lag_s)
    start = oxygen[:1] * keep
    return scipy.signal.lfilter([1 - keep], [1, -keep], oxygen, axis=0, zi=start)[0]


def read(gas: np.ndarray, lag_s: list[float]) -> np.ndarray:
    """Lambda that sensors with these lags show of the gas [k, n] at their tips."""
    oxygen = np.stack([lagged(oxygen_balance(gas[:, j], FUEL), lag) for j, lag in enumerate(lag_s)], axis=1)
    return np.asarray(lambda_from_oxygen(oxygen, FUEL))


def rows(
    rpm: np.ndarray,
    throttle: np.ndarray,
    lam: np.ndarray,
    *,
    target: np.ndarray | float = TARGET,
    stretch: int = 0,
    load: str = "throttle",
    **engine: np.ndarray | float,
) -> CylinderBlock:
    """One block; `lam` is what the sensors show, the gas they see left its valve GAS_ROWS before."""
    k, n = lam.shape
    now = {"rpm": rpm, load: throttle, "load": throttle, "target": np.broadcast_to(target, k)}
    now |= {name: np.broadcast_to(np.asarray(values, np.float64), k) for name, values in engine.items()}
    return CylinderBlock(
        t=np.arange(k, dtype=np.int64) * GRID_NS,
        stretch=np.full(k, stretch, np.int64),
        lam=lam,
        oxygen=np.asarray(oxygen_balance(lam, FUEL)),
        age=np.zeros((k, n), np.int64),
        fresh=np.ones((k, n), np.bool_),
        state=np.zeros((k, n), np.uint8),
        shifted={name: np.repeat(earlier(x, GAS_ROWS)[:, None], n, axis=1) for name, x in now.items()},
        now=now,
        aux={},
    )
