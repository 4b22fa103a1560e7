"""Cylinders without a need because they stood at a limit of their sensors, and what that does to the mean.

Nothing is known of such a cylinder but the side on which it lies, and how near it can be: where its readings
at the limit are counted as that limit. How far out it is has no bound. So the mean of the cylinders that are
known is off the engine's mean by at least what the nearest place gives, and a need against it may have the
wrong sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.cells import CellFit
from mixmon.findings.balance.dwell import BATCH_ROWS, BatchTable
from mixmon.findings.balance.needs import CellResult, Needs
from mixmon.findings.stats import engine_log_lambda, mean_of_known


@dataclass(frozen=True, slots=True, eq=False)
class Limited:
    """Nodes that have no need, and stood at a limit in a cell that counts.

    rich, lean  int64[k]  nodes that stood at that limit; a node may be in both
    least       ln lambda by which the reference moves at least once they are counted: below zero towards
                rich; NaN where the side is not known
    """

    rich: Ints
    lean: Ints
    least: float

    @property
    def any(self) -> bool:
        """Whether there are such nodes."""
        return bool(len(self.rich) or len(self.lean))


def at_limit(fit: CellFit) -> Bools:
    """Nodes of a cell that stood at a limit, and have no level there for it, bool[n]."""
    out: Bools = (fit.censored | fit.stuck) & (fit.at_rich + fit.at_lean > 0)
    return out


def nearest_levels(fit: CellFit, table: BatchTable, ends: Floats) -> Floats:
    """Mean ln lambda of every node of a cell with what was at a limit counted as that limit, float64[n].

    NaN where nothing was heard.

    ends: float64[2, n], ln lambda of the rich and the lean end of each node's range.
    """
    heard = table.rows.mean(axis=0) / BATCH_ROWS
    within = np.where(np.isfinite(table.y), table.y, np.nan)
    parts = np.array([heard, fit.at_rich, fit.at_lean])
    levels = np.array([np.nan_to_num(mean_of_known(within)), *ends])
    total = parts.sum(axis=0)
    out: Floats = np.divide(
        (parts * levels).sum(axis=0), total, out=np.full(len(total), np.nan), where=total > 0
    )
    return out


def find_limited(
    cells: Sequence[CellResult], nearest: Sequence[Floats], needs: Needs, counted: Bools, weights: Floats
) -> Limited:
    """The nodes without a need that stood at a limit, and what they do to the reference.

    cells    those that count for trims, and in which a node stood at a limit
    nearest  `nearest_levels` of each of them
    counted  bool[n], nodes that may be part of the reference
    weights  float64[n], air of each node
    """
    known = np.array([np.isfinite(e.half) for e in needs.peers])
    lost = [at_limit(c.fit) & counted & ~known for c in cells]
    at_rich, at_lean = np.zeros((2, len(known)), np.bool_)
    for at, cell in zip(lost, cells, strict=True):
        at_rich |= at & (cell.fit.at_rich > 0)
        at_lean |= at & (cell.fit.at_lean > 0)
    rich, lean = np.flatnonzero(at_rich), np.flatnonzero(at_lean)
    if bool(len(rich)) == bool(len(lean)) or len(needs.groups) != 1:
        return Limited(rich, lean, np.nan)
    away = [
        np.where(at, level - np.log(c.lam), np.nan) for at, level, c in zip(lost, nearest, cells, strict=True)
    ]
    return Limited(rich, lean, _least_shift(rich, lean, np.array(away), needs, weights))


def _least_shift(rich: Ints, lean: Ints, away: Floats, needs: Needs, weights: Floats) -> float:
    """By how much the reference moves at least, ln lambda; NaN where it may move to either side.

    away: float64[cells, n], how far the nodes are from the reference, at the nearest.
    """
    nodes, sign = (rich, -1.0) if len(rich) else (lean, 1.0)
    out = sign * away[:, nodes]
    if not np.isfinite(out).any(axis=0).all():
        return np.nan
    values = needs.means.copy()
    values[nodes] = sign * np.nanmin(out, axis=0)
    everyone = np.concatenate([needs.groups[0], nodes])
    shift = engine_log_lambda(values[everyone], weights[everyone])
    return shift if sign * shift > 0 else np.nan
