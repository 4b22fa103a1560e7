"""Rows of an engine that stands in one cell after the other, with readings rounded, cut off or wandering.

Made by other means than the package's simulator: noise by scipy's filter, rounding by NumPy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import scipy.signal

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.gas.fuel import fuel_named
from mixmon.mixture.align import GRID_NS, AlignedRows
from mixmon.mixture.validity import NodeFacts, SampleJudge, Scale
from mixmon.session.model import Axes, Chain, Engine, Node, Session, SignalChoice

NODES = 8
CELLS = ((3000.0, 50.0), (6000.0, 100.0), (3000.0, 100.0), (6000.0, 50.0), (1100.0, 50.0))
AXES = Axes(rpm=(1100.0, 3000.0, 6000.0), load=(3.0, 50.0, 100.0))
FACTS = NodeFacts(
    cycle_ns=np.full(NODES, GRID_NS),
    digit=np.full(NODES, 1e-4),
    sends=(Scale.LAMBDA,) * NODES,
    fuel=fuel_named("gasoline"),
    reports_ready=np.ones(NODES, np.bool_),
    left_out=np.zeros(NODES, np.bool_),
)
Change = Callable[[np.random.Generator, np.ndarray], np.ndarray]


def session() -> Session:
    return Session(
        engine=Engine(NODES),
        chain=Chain("chain", {}, tuple(Node(i + 1, (i + 1,), f"S-{i + 1}") for i in range(NODES))),
        buses=(),
        axes=AXES,
        engine_signals={"rpm": SignalChoice("engine", "Engine_Fast", "Speed")},
    )


def correlated(rng: np.random.Generator, k: int, tau_s: float) -> np.ndarray:
    """Normal noise of standard deviation one, alike by exp(-t / tau), float64[k, NODES] at 100 Hz."""
    keep = np.exp(-0.01 / tau_s)
    white = np.sqrt(1 - keep**2) * rng.standard_normal((k, NODES))
    start = keep * rng.standard_normal((1, NODES))
    return np.asarray(scipy.signal.lfilter([1.0], [1.0, -keep], white, axis=0, zi=start)[0])


def rows(lam: np.ndarray, cell: tuple[float, float], first: int) -> AlignedRows:
    k = len(lam)
    now = {"rpm": np.full(k, cell[0]), "load": np.full(k, cell[1]), "target": np.full(k, 0.9)}
    return AlignedRows(
        t=(first + np.arange(k)) * GRID_NS,
        lam=lam,
        oxygen=np.zeros(lam.shape),
        age=np.zeros(lam.shape, np.int64),
        fresh=np.ones(lam.shape, np.bool_),
        quality=np.zeros(lam.shape, np.uint8),
        ready=np.ones(lam.shape),
        shifted={name: np.repeat(x[:, None], NODES, axis=1) for name, x in now.items()},
        now=now,
        aux={},
    )


def balance(
    seed: int,
    *,
    noise: float,
    shown: Change,
    cells: Sequence[tuple[float, float]] = CELLS[:1],
    offsets: np.ndarray | None = None,
) -> tuple[Balance, np.ndarray]:
    """The balance after two seconds of change and 13 seconds in each cell, and the true needs in percent.

    shown: what the controllers make of ln lambda with its noise, as lambda.
    """
    rng = np.random.default_rng(seed)
    own = rng.uniform(-0.05, 0.05, NODES) if offsets is None else offsets
    stage, judge, first = BalanceStage(session()), SampleJudge(session().validity, FACTS), 0
    for cell, base in [(CELLS[-1], np.linspace(1.0, 0.9, 200)), *((c, np.full(1300, 0.9)) for c in cells)]:
        fast = 0.8 * correlated(rng, len(base), 0.1) + 0.6 * rng.standard_normal((len(base), NODES))
        lam = shown(rng, np.log(base)[:, None] + own + noise / 0.9 * fast)
        stage.feed(judge.feed(rows(np.round(lam, 4), cell, first), 0))
        first += len(base)
    return stage.quick_result(), 100 * (np.exp(own) * np.mean(np.exp(-own)) - 1)


def count_held(results: Sequence[tuple[Balance, np.ndarray]]) -> tuple[int, int]:
    """How many intervals hold the truth, and how many there are."""
    looks = [
        (c.interval95_percent, true)
        for found, needs in results
        for c, true in zip(found.cylinders, needs, strict=True)
        if np.isfinite(c.needs_percent)
    ]
    return sum(low <= true <= high for (low, high), true in looks), len(looks)
