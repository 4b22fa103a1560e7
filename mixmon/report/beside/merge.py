"""A table beside a run, as text and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.beside.match import LEAST_CORRELATION, ClockMatch
from mixmon.beside.merge import Merged
from mixmon.report.text import counted, note_lines, paragraph, title
from mixmon.report.words import note_object


def merge_json(merged: Merged, folder: Path, kept: str) -> Mapping[str, Any]:
    """The fields of `mixmon merge --json`.

    run, table, kept     the folder, the table's name, and the file in the folder
    by                   "speed" or "stamps"
    lag_s, lag_interval95_s   seconds added to the table's times; null where the interval is not known
    drift_ppm, drift_half_interval_ppm   by how much the table's clock is slow
    correlation, correlation_needed, speed_off_percent, misfit_rpm, samples   of the engine's speeds; null
                         where they were not compared
    columns              name, unit (null where not told), known: rows with a value
    rows                 that were kept
    time                 how the column of time was read
    notes
    """
    beside = merged.beside
    low, high = beside.lag_interval95_s
    return {
        "run": folder,
        "table": beside.name,
        "kept": kept,
        "by": beside.by,
        "lag_s": beside.lag_s,
        "lag_interval95_s": [low, high] if np.isfinite(low) else None,
        "drift_ppm": 1e6 * beside.drift,
        "drift_half_interval_ppm": 1e6 * beside.drift_half,
        "correlation": beside.correlation,
        "correlation_needed": LEAST_CORRELATION,
        **_speeds_json(merged.match),
        "columns": [
            {"name": name, "unit": unit or None, "known": int(np.isfinite(beside.column(name)).sum())}
            for name, unit in zip(beside.names, beside.units, strict=True)
        ],
        "rows": len(beside.t),
        "time": str(beside.facts["time"]),
        "notes": [note_object(one) for one in merged.notes],
    }


def _speeds_json(match: ClockMatch | None) -> Mapping[str, Any]:
    """What the comparison of the speeds gave."""
    return {
        "speed_off_percent": None if match is None else match.off_percent,
        "misfit_rpm": None if match is None else match.misfit_rpm,
        "samples": None if match is None else match.samples,
    }


def merge_text(merged: Merged, folder: Path, kept: str) -> str:
    """Which columns are kept, how the clocks were laid over each other, and how sure that is."""
    beside = merged.beside
    columns = ", ".join(
        f"{name} ({unit})" if unit else name for name, unit in zip(beside.names, beside.units, strict=True)
    )
    seconds = (int(beside.t[-1]) - int(beside.t[0])) / SECOND_NS
    lines = [
        f"{columns}: {counted(len(beside.t), 'row')} over {seconds:.1f} s, kept as {kept}",
        _describe_lag(merged),
        f"time: {beside.facts['time']}",
    ]
    return (
        title("MERGE", f"{beside.name} beside {folder.name}")
        + "".join(map(paragraph, lines))
        + note_lines(list(merged.notes))
    )


def _describe_lag(merged: Merged) -> str:
    beside, match = merged.beside, merged.match
    if beside.by == "stamps" or match is None:
        known = np.isfinite(beside.half_s)
        sure = f"± {beside.half_s:.2f} s (95 %)" if known else "by clocks that were believed"
        return f"laid by its stamps, {sure}"
    return (
        f"its times plus {beside.lag_s:+.3f} s ± {beside.half_s:.3f} s (95 %) are the run's, by the engine's "
        f"speed: correlation {match.correlation:.4f} ({LEAST_CORRELATION:g} needed), misfit "
        f"{match.misfit_rpm:.0f} rpm; its clock loses {1e6 * beside.drift:.0f} ± "
        f"{1e6 * beside.drift_half:.0f} ppm"
    )
