"""The engine as alarm conditions see it: its signals, and the states that only their course tells.

tip_in   the throttle opens by more than `RISE` within a tenth of a second, or did so less than
         `HOLD_NS` ago. For so long a sensor shows the way to the new mixture, not the mixture: its
         lag hides a step of the target, and the wall film takes fuel. Manifold pressure tells
         where no throttle is known. Not known where the opening is not.

Kept: the last tenth of a second of the opening, and since when it has not been rising.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.latch import Delay, delayed
from mixmon.session.signals import ENGINE_STATES

Array = NDArray[np.float64]
Columns = Mapping[str, Array]

RISE = {"throttle": 5.0, "map_kpa": 15.0}
"""Percent or kPa in a tenth of a second: slower, the fuel keeps up; boost builds slower (our choice)."""

RISE_ROWS = 10

HOLD_NS = 600_000_000
"""Computed: a step of 0.10 behind lags of 0.085 and 0.020 s, and 6 % of film given back in 0.35 s."""


class EngineStates:
    """A stage: rows in, the engine's columns out, now and when the gas left its valve."""

    def __init__(self) -> None:
        self._opening: Array = np.full(RISE_ROWS, np.nan)
        self._stretch = np.full(RISE_ROWS, -1, np.int64)
        self._delay: Delay | None = None

    def feed(self, rows: CylinderBlock, broken: NDArray[np.bool_]) -> tuple[Columns, Columns]:
        """Columns float64[k, 1] of now, and with float64[k, n] of then laid over them.

        broken   bool[k]: rows with which a stretch of time begins
        """
        now = {name: column[:, np.newaxis] for name, column in rows.now.items()}
        signal = next((name for name in ENGINE_STATES["tip_in"] if name in rows.now), None)
        if signal is not None:
            now["tip_in"] = self._tip_in(rows, signal, broken)[:, np.newaxis]
        return now, now | dict(rows.shifted)

    def _tip_in(self, rows: CylinderBlock, signal: str, broken: NDArray[np.bool_]) -> Array:
        opening = np.concatenate([self._opening, rows.now[signal]])
        stretch = np.concatenate([self._stretch, rows.stretch])
        self._opening, self._stretch = opening[-RISE_ROWS:].copy(), stretch[-RISE_ROWS:].copy()
        together = stretch[RISE_ROWS:] == stretch[:-RISE_ROWS]
        rising = together & (opening[RISE_ROWS:] - opening[:-RISE_ROWS] > RISE[signal])
        held, _, self._delay = delayed(
            rising, rows.t, 0, HOLD_NS, before=self._delay, broken=broken, cut_short=broken
        )
        return np.where(np.isnan(rows.now[signal]), np.nan, held.astype(np.float64))
