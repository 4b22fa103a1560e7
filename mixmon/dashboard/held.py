"""Numbers that a person can read: renewed four times a second, the worst kept for a while.

A digit that flickers cannot be read, and a peak that stood for a tenth of a second would never be
seen. So numbers change at most every quarter second, and the leanest cylinder and the spread
stay at their worst for a second and a half. What is no longer known goes at once.

Keeps: when the numbers were last renewed, and the two worst values with their ends.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from mixmon.dashboard.view_scene import Digits
from mixmon.mixture.block import SampleState
from mixmon.snapshot import Snapshot

RENEW_S: Final = 0.25
HOLD_S: Final = 1.5


class DigitHold:
    """A stage: snapshots in, with the watcher's own seconds; numbers out."""

    def __init__(self) -> None:
        self._digits: Digits | None = None
        self._renewed = -np.inf
        self._leanest_until = -np.inf
        self._spread_until = -np.inf

    def feed(self, snapshot: Snapshot, now_s: float) -> Digits:
        """The numbers to show now."""
        before = self._digits
        if before is not None and now_s - self._renewed < RENEW_S and _stands(before, snapshot):
            return before
        self._renewed = now_s
        self._digits = self._renew(snapshot, now_s)
        return self._digits

    def _renew(self, snapshot: Snapshot, now_s: float) -> Digits:
        against = "target" if np.isfinite(snapshot.target) else "peers"
        leanest, need = self._leanest(snapshot, against, now_s)
        cylinders = snapshot.cylinders
        valid = cylinders.state == SampleState.VALID
        needs = cylinders.vs_target if against == "target" else cylinders.vs_peers
        return Digits(
            leanest=leanest,
            need=need,
            against=against,
            all_vs_target=snapshot.all_vs_target,
            spread=self._spread(snapshot, now_s),
            rpm=snapshot.engine.get("rpm", np.nan),
            target=snapshot.target,
            lam=tuple(np.where(valid, cylinders.lam, np.nan).tolist()),
            needs=tuple(np.where(valid, needs, np.nan).tolist()),
        )

    def _leanest(self, snapshot: Snapshot, against: str, now_s: float) -> tuple[int | None, float]:
        """The newly leanest if it is leaner than the held one, or the held one's time is over."""
        index, need = _leanest_of(snapshot, against)
        held = self._digits
        if held is not None and held.against == against and _stands(held, snapshot):
            kept = now_s < self._leanest_until and held.leanest is not None
            if kept and not need >= held.need:
                return held.leanest, held.need
        self._leanest_until = now_s + HOLD_S
        return index, need

    def _spread(self, snapshot: Snapshot, now_s: float) -> float:
        held = self._digits.spread if self._digits is not None else np.nan
        if now_s < self._spread_until and snapshot.spread < held:
            return held
        self._spread_until = now_s + HOLD_S
        return snapshot.spread


def _leanest_of(snapshot: Snapshot, against: str) -> tuple[int | None, float]:
    index = snapshot.leanest
    if index is None or snapshot.cylinders.state[index] != SampleState.VALID:
        return None, np.nan
    cylinders = snapshot.cylinders
    need = float((cylinders.vs_target if against == "target" else cylinders.vs_peers)[index])
    return (index, need) if np.isfinite(need) else (None, np.nan)


def _stands(digits: Digits, snapshot: Snapshot) -> bool:
    """Whether the cylinder that the numbers name is still known."""
    if digits.leanest is None or snapshot.failure:
        return not snapshot.failure
    return bool(snapshot.cylinders.state[digits.leanest] == SampleState.VALID)
