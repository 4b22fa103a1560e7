"""Rows of sensors in a gas that steps, made by scipy alone: known dead times, lags, filters and noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import scipy.signal

from mixmon.mixture.block import CylinderBlock, SampleState

FINE_S = 0.001
ROW_NS = 10_000_000
START_NS = 1_700_000_000_000_000_000
SHOP_AIR = 20.7


def lagged(gas: np.ndarray, tau_s: float) -> np.ndarray:
    """First-order lag of a gas given every FINE_S, exact for one that holds between; settled at the start."""
    (numerator,), denominator, _ = scipy.signal.cont2discrete(([1.0], [tau_s, 1.0]), FINE_S)
    start = scipy.signal.lfilter_zi(numerator, denominator) * gas[0]
    return scipy.signal.lfilter(numerator, denominator, gas, zi=start)[0]


def uneven(gas: np.ndarray, lean_s: float, rich_s: float) -> np.ndarray:
    """The same with a time constant for each way, step by step."""
    shares = [1.0 - np.exp(-FINE_S / tau) for tau in (lean_s, rich_s)]
    out, y = [], float(gas[0])
    for x in gas.tolist():
        out.append(y)
        y += shares[0 if x > y else 1] * (x - y)
    return np.array(out)


def t63(tau_s: float, filter_s: float) -> float:
    """Time until 63 % of a step, read off scipy's step response of two lags."""
    system = scipy.signal.TransferFunction([1.0], np.polymul([tau_s, 1.0], [filter_s, 1.0]))
    t, y = scipy.signal.step(system, T=np.linspace(0.0, 8.0 * (tau_s + filter_s), 20_001))
    return float(np.interp(1.0 - np.exp(-1.0), y, t))


def sampled(readings: Sequence[np.ndarray], rows: int, ages_ns: Sequence[int], every: int = 1) -> Mapping:
    """What rows hold of readings given every FINE_S: newest samples, ages, which are new."""
    row = np.arange(rows)
    newest = row // every * every
    oxygen, age, fresh = (np.empty((rows, len(readings)), kind) for kind in (np.float64, np.int64, np.bool_))
    for j, reading in enumerate(readings):
        at = newest * ROW_NS - ages_ns[j]
        oxygen[:, j] = np.interp(at / 1e9, np.arange(len(reading)) * FINE_S, reading)
        age[:, j] = row * ROW_NS - at
        fresh[:, j] = row % every == 0
    return {"oxygen": oxygen, "age": age, "fresh": fresh}


def block(
    held: Mapping[str, np.ndarray],
    now: Mapping[str, np.ndarray],
    *,
    state: np.ndarray | None = None,
    stretch: int = 0,
    heater: np.ndarray | None = None,
) -> CylinderBlock:
    """Rows as the pipeline would give them; lambda is of no interest here."""
    shape = held["oxygen"].shape
    return CylinderBlock(
        t=START_NS + np.arange(shape[0], dtype=np.int64) * ROW_NS,
        stretch=np.full(shape[0], stretch, np.int64),
        lam=np.full(shape, np.nan),
        oxygen=held["oxygen"],
        age=held["age"],
        fresh=held["fresh"],
        state=np.full(shape, SampleState.VALID, np.uint8) if state is None else state,
        shifted={},
        now=now,
        aux={} if heater is None else {"heater": heater},
    )


def commands(rows: int, steps: Sequence[tuple[float, float]], period_rows: int = 2) -> np.ndarray:
    """A signal as the log shows it: (seconds, value) from the beginning, sampled every few rows."""
    # the sender's beat falls between rows
    t = np.arange(rows) // period_rows * period_rows * ROW_NS / 1e9 - 0.005
    out = np.full(rows, steps[0][1])
    for at, value in steps[1:]:
        out[t >= at] = value
    return out


def gas(seconds: float, steps: Sequence[tuple[float, float]], late_s: float = 0.0) -> np.ndarray:
    """The gas at a sensor, every FINE_S: the steps, a dead time later."""
    t = np.arange(round(seconds / FINE_S)) * FINE_S
    out = np.full(len(t), steps[0][1])
    for at, value in steps[1:]:
        out[t >= at + late_s] = value
    return out
