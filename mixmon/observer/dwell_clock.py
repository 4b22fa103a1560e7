"""How long a cell must still be held until its needs are known well enough.

A cylinder's interval shrinks with the number of its batches: half = t(e - 1) s / sqrt(e - 1), e the
effective number of batches (see `findings.series`), s their scatter. Scatter and correlation are
taken as they were so far. Scatter from few batches says little, so each cylinder's is drawn
towards that of all, as if that were `_PRIOR` batches more.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.balance.balance import Dwelling
from mixmon.findings.balance.cells import CellResult
from mixmon.findings.balance.dwell import BATCH_ROWS, BATCH_S, GUARD_BATCHES
from mixmon.findings.stats import FEWEST_EFFECTIVE, student_t95
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.steady import NOWHERE, CellGrid
from mixmon.session.model import Chain
from mixmon.snapshot import Holding

WANTED_PERCENT = 0.5
"""Half-width of the interval that a dwell is held for."""

_SHOWN_ROWS = 50  # stillness that is worth calling a dwell
_PRIOR = 10.0
_PRESENT_SHARE = 0.5  # a cylinder with less of the cell's time than that is not waited for

Floats = NDArray[np.float64]

# Half-width over scatter for effective numbers from the fewest to a very long dwell, falling.
_EFFECTIVE = np.geomspace(FEWEST_EFFECTIVE, 1e6, 400)
_WIDTH = np.array([student_t95(e - 1.0) / np.sqrt(e - 1.0) for e in _EFFECTIVE.tolist()])


def holding(
    dwelling: Dwelling, grid: CellGrid, chain: Chain, settle_s: float, wanted_percent: float = WANTED_PERCENT
) -> Holding | None:
    """The dwell under way; None while nothing is still."""
    if dwelling.cell == NOWHERE or dwelling.still < _SHOWN_ROWS:
        return None
    settle = max(0.0, settle_s - dwelling.still * GRID_NS / 1e9)
    cell, judged = grid.cell(dwelling.cell), dwelling.judged
    used = np.zeros(len(chain.nodes)) if judged is None else judged.usable_s
    present = used >= max(_PRESENT_SHARE * float(used.max()), BATCH_S)
    least = float(used[present].min()) if present.any() else 0.0
    left, worst = None, None
    if judged is not None and present.any():
        need = np.where(present, _batches_left(judged, wanted_percent), -np.inf)
        if not np.isnan(need).any():
            node = int(need.argmax())
            worst = chain.nodes[node].cylinders[0]
            left = _seconds(float(need[node]), dwelling.waiting) + settle if need[node] > 0 else 0.0
    return Holding(cell, settle, least, wanted_percent, left, worst)


def _batches_left(judged: CellResult, wanted_percent: float) -> Floats:
    """For every node, batches that are still needed, zero or less when there are enough; NaN: not known."""
    batches = judged.usable_s / BATCH_S
    effective = np.array([e.effective for e in judged.peers])
    error = np.array([e.standard_error for e in judged.peers])
    variance = error**2 * (effective - 1.0)
    known = np.isfinite(variance)
    if not known.any():
        return np.full(len(batches), np.nan)
    pooled = float(variance[known].mean())
    scatter = np.sqrt((effective * variance + _PRIOR * pooled) / (effective + _PRIOR))
    width = wanted_percent / 100.0 / np.maximum(scatter, 1e-12)
    wanted = np.interp(width, _WIDTH[::-1], _EFFECTIVE[::-1])
    half = np.array([e.half for e in judged.peers])
    left: Floats = batches * (wanted / np.maximum(effective, 1e-12) - 1.0)
    return np.where(known, np.where(half <= wanted_percent / 100.0, 0.0, np.maximum(left, 1.0)), np.nan)


def _seconds(batches: float, waiting: int) -> float:
    """Until that many batches more are counted: the last ones count only once others have followed."""
    rows = (np.ceil(batches) + GUARD_BATCHES) * BATCH_ROWS - waiting
    return max(float(rows), 0.0) * GRID_NS / 1e9
