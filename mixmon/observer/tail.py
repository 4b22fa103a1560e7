"""The newest two seconds of rows, what they say of each cylinder now, and the worst so far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.stats import engine_lambda, mean_of_known, needs_percent
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.snapshot import Cylinders

WHISKER_ROWS = 200
QUARTER_ROWS = 25

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Now:
    """What the tail says: the cylinders, and the engine as a whole as in Snapshot."""

    cylinders: Cylinders
    all_vs_target: float
    spread: float
    valid: int
    leanest: int | None


class Tail:
    """A stage: rows in; `now` tells what the newest of them say.

    weights  float64[n], cylinders that each node speaks for

    Only valid rows say anything. Needs are against the target; against the valid peers in a
    session that has none.
    """

    def __init__(self, weights: Floats) -> None:
        self._weights = weights
        self._nodes = len(weights)
        self._worst: Floats = np.full(self._nodes, np.nan)
        self._none = np.zeros((0, self._nodes))
        self._need = self._lam = self._oxygen = self._target = self._none
        self._newest: CylinderBlock | None = None

    def feed(self, rows: CylinderBlock) -> None:
        """Take rows of one stretch of time; nothing of another stretch is shown beside them."""
        if self._newest is not None and self._newest.stretch[0] != rows.stretch[0]:
            self._need = self._lam = self._oxygen = self._target = self._none
        valid = rows.state == SampleState.VALID
        lam = np.where(valid, rows.lam, np.nan)
        target = np.where(valid, rows.shifted["target"], np.nan) if "target" in rows.shifted else None
        reference = engine_lambda(lam, self._weights)[:, None] if target is None else target
        need = needs_percent(lam, reference)
        self._worst = np.fmax(self._worst, np.fmax.reduce(need, axis=0))
        self._need = _last(self._need, need, WHISKER_ROWS)
        self._lam = _last(self._lam, lam, QUARTER_ROWS)
        self._oxygen = _last(self._oxygen, np.where(valid, rows.oxygen, np.nan), QUARTER_ROWS)
        wanted = np.full_like(lam, np.nan) if target is None else target
        self._target = _last(self._target, wanted, QUARTER_ROWS)
        self._newest = rows.take(slice(-1, None))

    def reset_peaks(self) -> None:
        """Forget the worst needs so far."""
        self._worst = np.full(self._nodes, np.nan)

    def now(self) -> Now:
        """What the newest rows say."""
        lam, target = mean_of_known(self._lam), mean_of_known(self._target)
        row = self._newest
        state = np.full(self._nodes, SampleState.SILENT, np.uint8) if row is None else row.state[0]
        usable = (state == SampleState.VALID) & np.isfinite(lam)
        counted = np.where(usable, lam, np.nan)
        engine = engine_lambda(counted, self._weights)
        vs_target, vs_peers = needs_percent(lam, target), needs_percent(lam, engine)
        wanted = engine_lambda(np.where(usable, target, np.nan), self._weights)
        return Now(
            self._cylinders(row, state, lam, vs_target, vs_peers),
            float(needs_percent(engine, wanted)),
            _range(vs_peers[usable]),
            int((state == SampleState.VALID).sum()),
            _leanest(np.where(usable, vs_target, np.nan), np.where(usable, vs_peers, np.nan)),
        )

    def _cylinders(
        self,
        row: CylinderBlock | None,
        state: NDArray[np.uint8],
        lam: Floats,
        vs_target: Floats,
        vs_peers: Floats,
    ) -> Cylinders:
        unknown = np.full(self._nodes, np.nan)
        aux = {} if row is None else {name: column[0] for name, column in row.aux.items()}
        return Cylinders(
            lam=lam,
            oxygen=mean_of_known(self._oxygen),
            vs_target=vs_target,
            vs_peers=vs_peers,
            low=np.fmin.reduce(self._need, axis=0) if len(self._need) else unknown,
            high=np.fmax.reduce(self._need, axis=0) if len(self._need) else unknown,
            worst=self._worst,
            state=state,
            age_ns=np.full(self._nodes, -1, np.int64) if row is None else row.age[0],
            supply=aux.get("supply", unknown),
            heater=aux.get("heater", unknown),
        )


def _last(before: Floats, more: Floats, rows: int) -> Floats:
    """The newest rows, as an array of its own."""
    if len(more) >= rows:
        return more[-rows:].copy()
    return np.concatenate([before[len(more) - rows :] if len(before) + len(more) > rows else before, more])


def _range(needs: Floats) -> float:
    return float(needs.max() - needs.min()) if len(needs) > 1 else float("nan")


def _leanest(vs_target: Floats, vs_peers: Floats) -> int | None:
    for needs in (vs_target, vs_peers):
        if np.isfinite(needs).any():
            return int(np.nanargmax(needs))
    return None
