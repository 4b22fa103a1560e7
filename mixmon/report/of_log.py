"""What reports tell of the log behind them: moments counted from its first frame, and what never came."""

from __future__ import annotations

from mixmon.run import Run


def since_first(t: int, run: Run) -> float:
    """Seconds from the log's first frame to a moment in ns."""
    return (t - (run.log.first_ns or 0)) / 1e9


def log_notes(run: Run) -> list[str]:
    """What could not be done for want of a signal, mapped or heard, in words."""
    return [*run.binding.gaps, *run.log.absent]
