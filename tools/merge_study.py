"""How sure the lag of a merged table is: simulated pairs of records whose lag is known.

    python tools/merge_study.py [CASES]

Each case is an engine with one to four pulls at random rates, its run as rows have it, and a table with its
own rate (1 to 100 Hz), offset, drift, gain, correlated noise, rounding and gaps; then pairs that cannot tell.
The engine and its records are made here, by nothing of what is judged.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
from scipy.signal import lfilter

from mixmon.arrays import Floats
from mixmon.beside.match import SpeedRecord, match_clocks

RATES_HZ = (1, 2, 5, 10, 20, 50, 100)


def engine(rng: np.random.Generator, seconds: float, pulls: int) -> tuple[Floats, Floats]:
    """Times by the millisecond and speed: 2,200 rpm that wanders, and pulls."""
    t = np.arange(0, seconds, 0.001)
    rpm = np.full(len(t), 2200.0)
    for begin in rng.uniform(5, seconds - 20, pulls):
        rate, top = rng.uniform(350, 900), rng.uniform(5500, 7500)
        end = begin + (top - 2200) / rate
        rpm = np.where((t >= begin) & (t < end), np.maximum(rpm, 2200 + rate * (t - begin)), rpm)
        rpm = np.where(t >= end, np.maximum(rpm, top - 1500 * (t - end)), rpm)
    wander = lfilter([1], [1, -0.999], rng.standard_normal(len(t)))
    return t, rpm + rng.uniform(0.3, 1.0) * np.asarray(wander)


def as_rows(t: Floats, rpm: Floats) -> SpeedRecord:
    """The run: sent each 20 ms in quarters of a turn, held in rows."""
    sent = np.arange(0.003, t[-1], 0.02)
    values = np.round(np.interp(sent, t, rpm) * 4) / 4
    rows = np.arange(0.005, t[-1], 0.01)
    return SpeedRecord(rows, values[np.clip(np.searchsorted(sent, rows, side="right") - 1, 0, None)])


def as_table(rng: np.random.Generator, t: Floats, rpm: Floats) -> tuple[SpeedRecord, Floats]:
    """The table on its own clock, and the true times of its rows."""
    rate = float(rng.choice(RATES_HZ))
    true = np.arange(0, t[-1], 1 / rate)
    keep = np.exp(-1 / rate / 0.3)
    slow = lfilter([np.sqrt(1 - keep**2)], [1, -keep], 12 * rng.standard_normal(len(true)))
    shown = np.interp(true, t, rpm) * (1 + rng.normal(0, 0.004)) + np.asarray(slow)
    shown = np.round((shown + rng.normal(0, 4, len(true))) / 10) * 10
    if rng.random() < 0.4:
        first = rng.integers(0, len(shown))
        shown[first : first + max(1, len(shown) // 10)] = np.nan
    return SpeedRecord(true * (1 + rng.normal(0, 1e-4)) + rng.uniform(-300, 300), shown), true


def study_lags(cases: int) -> None:
    """Prints how many lags were found, and how many of their intervals hold the truth."""
    faults: Counter[str] = Counter()
    errors, halves, held = [], [], 0
    for seed in range(cases):
        rng = np.random.default_rng(seed)
        t, rpm = engine(rng, rng.uniform(40, 150), int(rng.integers(1, 5)))
        table, true = as_table(rng, t, rpm)
        match = match_clocks(as_rows(t, rpm), table)
        faults[str(match.fault or "found")] += 1
        if match.fault is None:
            error = abs(float(np.interp(match.middle_s, table.t, match.to_run(table.t) - true)))
            errors.append(error)
            halves.append(match.half_s)
            held += error <= match.half_s
    print(f"{cases} pairs: {dict(faults)}; {held} of {len(errors)} intervals hold the lag")
    print(
        f"error: median {np.median(errors):.4f} s, largest {max(errors):.4f} s; half interval: "
        f"median {np.median(halves):.3f} s, largest {max(halves):.3f} s"
    )


def study_refusals(cases: int) -> None:
    """Prints what is said of pairs that cannot tell a lag."""
    for name in ("another run", "steady", "thousandths", "repeating", "hunting", "three seconds"):
        faults: Counter[str] = Counter()
        for seed in range(cases):
            rng = np.random.default_rng(1000 + seed)
            t, rpm = engine(rng, 80.0, 2)
            if name == "steady":
                rpm = 3000 + rng.normal(0, 1, len(t))
            if name == "repeating":
                rpm = 2000 + 2000 * np.abs(t / 10 % 2 - 1)
            if name == "hunting":
                rpm = 1000 + 60 * np.sin(2 * np.pi * t / 3)
            other = engine(np.random.default_rng(9000 + seed), 80.0, 2)[1] if name == "another run" else rpm
            own = np.arange(30, 33, 0.1) if name == "three seconds" else np.arange(0, 80, 0.1)
            shown = np.interp(own, t, other) + rng.normal(0, 8, len(own))
            shown = shown / 1000 if name == "thousandths" else shown
            match = match_clocks(as_rows(t, rpm), SpeedRecord(own + 50, shown))
            faults[str(match.fault or "found")] += 1
        print(f"{name}: {dict(faults)}")


if __name__ == "__main__":
    asked = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    study_lags(asked)
    study_refusals(max(asked // 5, 5))
