"""Rows of dwells with known differences of the cylinders, made by other means than the package's simulator.

Every cycle's fuel varies by itself, and two first-order lags and white noise follow, by scipy's filter.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import scipy.signal

from mixmon.findings.balance.notes import BalanceNote
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.note import Note
from mixmon.session.model import Axes, Chain, Engine, Node, Session, Trims

AXES = Axes(rpm=(1100.0, 3000.0, 6000.0), load=(3.0, 50.0, 100.0))


def found(code: BalanceNote, notes: Iterable[Note]) -> list[dict[str, Any]]:
    """The values of the notes of that code."""
    return [dict(one.values) for one in notes if one.code is code]


def session(n: int, **more: object) -> Session:
    nodes = tuple(Node(i + 1, (i + 1,), f"S-{i + 1}") for i in range(n))
    made: dict[str, object] = {
        "axes": AXES,
        "engine": Engine(n),
        "buses": (),
        "trims": Trims(identity="stated"),
    }
    return Session(chain=Chain("chain", {}, nodes), **(made | more))  # type: ignore[arg-type]


def wander(
    rng: np.random.Generator, k: int, n: int, cycle_s: float = 0.04, lag_s: float = 0.085
) -> np.ndarray:
    """Noise of ln lambda, float64[k, n] at 100 Hz."""
    step = round(cycle_s * 1000)
    fuel = np.repeat(0.015 * rng.standard_normal(((k * 10 + 2000) // step + 1, n)), step, axis=0)
    for tau in (lag_s, 0.02):
        keep = np.exp(-0.001 / tau)
        fuel = scipy.signal.lfilter([1 - keep], [1, -keep], fuel, axis=0)
    return fuel[2000 : 2000 + 10 * k : 10] + 0.003 * rng.standard_normal((k, n))


def dwell(
    offsets: np.ndarray,
    rng: np.random.Generator,
    *,
    seconds: float = 13.0,
    rpm: float = 3000.0,
    load: float = 50.0,
    first: int = 0,
) -> CylinderBlock:
    """Rows of one dwell; `offsets` are ln lambda against the target 0.9."""
    k, n = round(seconds * 100), len(offsets)
    drift = 0.004 * np.sin(np.arange(k) / 250)[:, None]
    lam = 0.9 * np.exp(offsets + drift + wander(rng, k, n))
    return CylinderBlock(
        t=(first + np.arange(k)) * GRID_NS,
        stretch=np.zeros(k, np.int64),
        lam=lam,
        oxygen=np.zeros((k, n)),
        age=np.zeros((k, n), np.int64),
        fresh=np.ones((k, n), np.bool_),
        state=np.zeros((k, n), np.uint8),
        shifted={"target": np.full((k, n), 0.9)},
        now={"rpm": np.full(k, rpm), "load": np.full(k, load), "target": np.full(k, 0.9)},
        aux={},
    )


def needs_of(offsets: np.ndarray) -> np.ndarray:
    """True needs against peers, percent."""
    return 100 * (np.exp(offsets) * np.mean(np.exp(-offsets)) - 1)
