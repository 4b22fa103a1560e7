"""Tip-ins and tip-outs as events: what the throttle did, and which mixture answered worst."""

from __future__ import annotations

import numpy as np

from mixmon.findings.event import Event, Kind, Value
from mixmon.findings.lags import LearntLags
from mixmon.findings.recent import Recent
from mixmon.findings.tip_trace import LEVEL_ROWS
from mixmon.findings.transients import TIP_IN, Tip, TransientStage
from mixmon.gas.fuel import Fuel
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.session.model import Session

_KEPT_ROWS = 800


class TipEvents:
    """A stage: CylinderBlocks in, tips out when they are measured. Keeps the readings of some seconds.

    The lags must have been fed the same rows before.
    """

    def __init__(self, session: Session, fuel: Fuel, lags: LearntLags) -> None:
        self._stage = TransientStage(session, fuel, learnt=lags)
        self._cylinders = tuple(node.cylinders for node in session.chain.nodes)
        self._recent = Recent()
        self._stretch: int | None = None
        self._first_t = 0

    def feed(self, block: CylinderBlock) -> list[Event]:
        """Tips that are complete with the block, which lies within one stretch of time."""
        if not len(block):
            return []
        found = [] if block.stretch[0] == self._stretch else self.flush()
        if block.stretch[0] != self._stretch:
            self._stretch, self._first_t, self._recent = int(block.stretch[0]), int(block.t[0]), Recent()
        self._recent.add(
            {"lam": block.lam, "load": block.shifted.get("load", np.full_like(block.lam, np.nan))}, len(block)
        )
        found += [self._event(tip) for tip in self._stage.feed(block)]
        self._recent.forget(self._recent.end - _KEPT_ROWS)
        return found

    def flush(self) -> list[Event]:
        """Tips that nothing follows."""
        return [self._event(tip) for tip in self._stage.flush()]

    def _event(self, tip: Tip) -> Event:
        judged = {i: m for i, m in enumerate(tip.measures) if m is not None}
        worst = max(judged, key=lambda i: abs(judged[i].peak))
        measure = judged[worst]
        onset = (tip.t - self._first_t) // GRID_NS
        at = onset - LEVEL_ROWS + int(tip.trace.arrival[worst]) + round(measure.peak_s * 1e9 / GRID_NS)
        at = min(at, self._recent.end - 1)
        evidence: dict[str, Value] = {
            "from_opening_percent": round(tip.from_opening, 1),
            "to_opening_percent": round(tip.to_opening, 1),
            "percent_per_s": round(tip.rate),
            "worst_cylinder": self._cylinders[worst][0],
            "worst_lambda_off": round(measure.peak, 3),
            "worst_lambda_s": round(measure.area, 4),
            "worst_over_target": round(measure.over_target, 3) if np.isfinite(measure.over_target) else None,
            "noise_lambda": round(measure.noise, 4),
        }
        return Event(
            t=tip.t,
            kind=Kind.TIP_IN if tip.kind == TIP_IN else Kind.TIP_OUT,
            nodes=tuple(judged),
            cylinders=tuple(c for i in judged for c in self._cylinders[i]),
            all_nodes=True,
            peak_lambda=float(self._recent.rows("lam", at, at + 1)[0, worst]),
            duration_ns=round(tip.seconds * 1e9),
            rpm=tip.from_rpm,
            load=float(self._recent.rows("load", at, at + 1)[0, worst]),
            evidence=evidence,
        )
