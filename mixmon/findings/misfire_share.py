"""How much of a cylinder's counted time misfired, and whether its trims can still be trusted.

Misfire that is found is left out. What is not found stays, and there is more of it the more is
found. Unburnt charges in one percent of the cycles raise the mean reading by half to three
quarters of a percent at lambda 0.88 (computed, vapour 0.53 and 0.33 times as quick as oxygen):
from a share of the cycles on, no trim is offered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.findings.dwell import BATCH_NS, BATCH_S, BatchTable
from mixmon.findings.mask import Mask

OFTEN_EVENTS, OFTEN_SHARE, OFTEN_MASKED = 3, 0.005, 0.15
"""Misfire is frequent from so many events on, if they are at least so great a share of the cycles, or
what is left out around them is at least so great a share of the time."""

LEAN_PER_SHARE = (0.52, 0.75)
"""Relative rise of the mean lambda over the share of missed cycles: least and most."""


@dataclass(frozen=True, slots=True)
class MisfireShare:
    """Misfire of one node in the time that is used for trims.

    events, cycles  how often, and how many cycles were missed
    share           of the cycles
    masked_s        seconds left out around misfires and cuts
    steady_s        seconds that would have been used
    """

    node: int
    events: int
    cycles: int
    share: float
    masked_s: float
    steady_s: float

    @property
    def frequent(self) -> bool:
        """True where trims would rest on what was not found."""
        often = self.share >= OFTEN_SHARE or self.masked_s >= OFTEN_MASKED * self.steady_s
        return self.events >= OFTEN_EVENTS and often

    @property
    def lean_percent(self) -> tuple[float, float]:
        """By how much the missed cycles alone would raise the mean reading, if they were counted."""
        low, high = LEAN_PER_SHARE
        return (100.0 * low * self.share, 100.0 * high * self.share)


def misfire_shares(mask: Mask, tables: Sequence[BatchTable]) -> list[MisfireShare]:
    """The nodes that misfire in the batches of the cells used, in order."""
    if not tables or not mask.version:
        return []
    t = np.sort(np.concatenate([table.t for table in tables]))
    y = np.concatenate([table.y for table in tables])
    masked = np.concatenate([mask.covers(table.t, BATCH_NS) for table in tables])
    known = np.isfinite(y)
    shares = []
    for node in sorted({m.node for m in mask.moments if m.misses}):
        hits = [m for m in mask.moments if m.node == node and m.misses and _within(t, m.begin, m.end)]
        steady_s = float(known[:, node].sum() * BATCH_S)
        if not hits or not steady_s:
            continue
        cycles = sum(m.misses for m in hits)
        lost_s = float((masked & known)[:, node].sum() * BATCH_S)
        share = min(1.0, sum(m.misses * m.cycle_s for m in hits) / steady_s)
        shares.append(MisfireShare(node, len(hits), cycles, share, lost_s, steady_s))
    return shares


def _within(t: NDArray[np.int64], begin: int, end: int) -> bool:
    """Whether a batch that begins at one of the rising moments t meets [begin, end)."""
    at = int(np.searchsorted(t, end)) - 1
    return at >= 0 and int(t[at]) + BATCH_NS > begin
