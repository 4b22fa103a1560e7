"""A run with two pulls, its true torque, and tables of it as other instruments write them.

The engine, its log and its tables are made by formulas of their own; only the run's folder is written by the
package, as recording does.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from own_bus import BY_LAMBDA, DEFINITIONS, SESSION, LogWriter
from run_folders import list_runs

import mixmon
from mixmon.record.recorder import Recorder

SECONDS = 44.0
EPOCH_S = 1_700_000_000.0


def speed_at(t: np.ndarray) -> np.ndarray:
    """2,000 rpm, and two pulls of different rates to 6,500 and 6,000 rpm."""
    return np.interp(
        t, [0, 5, 14, 17, 25, 32, 34.5, SECONDS], [2000, 2000, 6500, 2000, 2000, 6000, 2000, 2000]
    )


def torque_at(rpm: np.ndarray) -> np.ndarray:
    """Newton metres: highest, 400, at 4,500 rpm."""
    return 400 - 20 * ((rpm - 4500) / 1000) ** 2


def make_run(root: Path) -> Path:
    """The folder of the run."""
    log = LogWriter()
    t = np.arange(0.0, SECONDS, 0.02)
    rpm = speed_at(t)
    pulling = ((t > 4.8) & (t < 14)) | ((t > 24.8) & (t < 32))
    log.add("Engine", t, Speed=rpm, Throttle=np.where(pulling, 100.0, 20.0), Boost=1000.0)
    noise = 0.004 * np.random.default_rng(3).standard_normal((2, len(t)))
    log.add("Mix", t + 0.004, Lambda1=0.88 + noise[0], Lambda2=0.90 + noise[1])
    path = log.write_log(root / "made.log")
    files = {"session.toml": (SESSION + BY_LAMBDA).encode(), "own.dbc": DEFINITIONS.encode()}
    recorder = Recorder(root / "runs", name="two pulls", files=files)
    assert recorder.start("test")
    for block in mixmon.read_frames(path):
        recorder.write(block)
    recorder.close()
    [run] = list_runs(root / "runs")
    return run


def table(
    hz: float = 20.0, *, lag_s: float = 7.3, drift: float = 0.0, noise_rpm: float = 8.0, seed: int = 5
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times by the table's own clock, speed and torque; its time plus `lag_s` is the run's."""
    rng = np.random.default_rng(seed)
    t = np.arange(1.0, SECONDS - 1, 1 / hz)
    rpm = speed_at(t)
    shown = rpm + noise_rpm * rng.standard_normal(len(t))
    return (t - lag_s) * (1 + drift), shown, torque_at(rpm)


def csv_text(columns: dict[str, np.ndarray], units: list[str] | None = None, *, digits: int = 4) -> str:
    """Plain CSV with a line of names, and one of units where there are any."""
    lines = [",".join(columns)]
    lines += [",".join(units)] if units else []
    lines += [",".join(f"{x:.{digits}f}" for x in row) for row in zip(*columns.values(), strict=True)]
    return "\n".join(lines) + "\n"
