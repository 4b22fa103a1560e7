"""The state of every sample: one reason each for not being counted.

Conditions on one row decide first; some linger, because what the sensor shows for a while
after them is still theirs: refill after a cut, the settling of a sensor that has just become
ready or come back. Where several hold, the one further down `_ORDER` is named.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.plan import Quality
from mixmon.mixture.align import Columns, Rows
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.latch import Run, run_start
from mixmon.session.model import Validity

SETTLE_NS = 1_000_000_000
"""How long a sensor's readings are not counted after a cut, a silence or warming: gas and
sensor need several of their time constants (common practice, no source)."""

FROZEN_NS = 1_500_000_000
"""A transmitting sensor whose value does not move by one digit for this long is suspect."""

_CYCLES_UNTIL_HELD = 2.5

Claims = dict[SampleState, NDArray[np.bool_]]

# Later entries win. A held sample that was never worth anything is not named held.
_ORDER = (
    SampleState.SETTLING,
    SampleState.AT_LEAN_LIMIT,
    SampleState.AT_RICH_LIMIT,
    SampleState.SPARK_CUT,
    SampleState.OVERRUN,
    SampleState.COLD,
    SampleState.HELD,
    SampleState.SUSPECT,
    SampleState.WARMING,
    SampleState.SILENT,
    SampleState.LEFT_OUT,
)
_LINGERING = (
    SampleState.SPARK_CUT,
    SampleState.OVERRUN,
    SampleState.WARMING,
    SampleState.SILENT,
)


@dataclass(frozen=True, slots=True, eq=False)
class NodeFacts:
    """What is known of the n nodes beforehand.

    cycle_ns  int64[n]  nominal time between samples; 0 where not known
    fine      bool[n]   the value is resolved finely enough that noise must move it
    tells     bool[n]   the node says whether it is ready; then not knowing is not being ready
    left_out  bool[n]   the user does not want it counted
    """

    cycle_ns: NDArray[np.int64]
    fine: NDArray[np.bool_]
    tells: NDArray[np.bool_]
    left_out: NDArray[np.bool_]


class Judge:
    """A stage: rows in, CylinderBlocks out. `restart` where time is broken."""

    def __init__(self, rules: Validity, facts: NodeFacts) -> None:
        self._rules = rules
        self._facts = facts
        self._stale_ns = round(rules.stale_s * 1e9)
        held = np.rint(_CYCLES_UNTIL_HELD * facts.cycle_ns).astype(np.int64)
        self._held_ns = np.where(facts.cycle_ns > 0, np.minimum(held, self._stale_ns), self._stale_ns)
        self.restart()

    def restart(self) -> None:
        """Forget what lingers."""
        self._trouble: NDArray[np.int64] | None = None
        self._constant: Run | None = None

    def feed(self, rows: Rows, stretch: int) -> CylinderBlock:
        """The same rows with a state for every sample."""
        claims = self._claims(rows)
        claims[SampleState.SETTLING] = self._settling(rows.t, claims)
        state = np.full(rows.lam.shape, SampleState.VALID, np.uint8)
        for reason in _ORDER:
            state[claims[reason]] = reason
        return CylinderBlock(
            t=rows.t,
            stretch=np.full(len(rows.t), stretch, np.int64),
            lam=rows.lam,
            oxygen=rows.oxygen,
            age=rows.age,
            fresh=rows.fresh,
            state=state,
            shifted=rows.shifted,
            now=rows.now,
            aux=rows.aux,
        )

    def _claims(self, rows: Rows) -> Claims:
        """Every state's own condition, bool[k, n]."""
        shape, rules = rows.lam.shape, self._rules
        silent = (rows.age < 0) | (rows.age > self._stale_ns)
        possible = rows.lam > 0
        unknown = self._facts.tells & np.isnan(rows.ready) & possible
        not_ready = (rows.ready == 0) | unknown | (rows.quality == Quality.NOT_AVAILABLE)
        at_rich, at_lean = possible & (rows.lam <= rules.rich_limit), rows.lam >= rules.lean_limit
        frozen = self._frozen(rows) & ~at_rich & ~at_lean
        return {
            SampleState.AT_LEAN_LIMIT: at_lean,
            SampleState.AT_RICH_LIMIT: at_rich,
            SampleState.SPARK_CUT: _flag(rows.shifted, "spark_cut", shape),
            SampleState.OVERRUN: self._overrun(rows.shifted, shape),
            SampleState.COLD: self._cold(rows.now, shape),
            SampleState.SUSPECT: (~possible & ~silent) | frozen,
            SampleState.WARMING: not_ready,
            SampleState.HELD: (rows.age > self._held_ns) & ~silent,
            SampleState.SILENT: silent,
            SampleState.LEFT_OUT: np.broadcast_to(self._facts.left_out, shape),
        }

    def _settling(self, t: NDArray[np.int64], claims: Claims) -> NDArray[np.bool_]:
        """True for a while after the last row of a trouble that lingers."""
        trouble = np.logical_or.reduce([claims[reason] for reason in _LINGERING])
        last = np.where(trouble, t[:, None], np.iinfo(np.int64).min // 2)
        if self._trouble is not None and len(t):
            np.maximum(last[0], self._trouble, out=last[0])
        np.maximum.accumulate(last, axis=0, out=last)
        if len(t):
            self._trouble = last[-1].copy()
        settling: NDArray[np.bool_] = (t[:, None] - last < SETTLE_NS) & ~trouble
        return settling

    def _frozen(self, rows: Rows) -> NDArray[np.bool_]:
        """The sample keeps coming and has not moved at all for too long, with the engine turning."""
        number = np.nan_to_num(rows.lam, nan=-1.0)
        since, self._constant = run_start(number, rows.t, before=self._constant)
        still = rows.t[:, None] - since >= FROZEN_NS
        turning = np.nan_to_num(rows.now["rpm"], nan=1.0) > 0 if "rpm" in rows.now else np.True_
        return still & (number > 0) & self._facts.fine & np.reshape(turning, (-1, 1))

    def _overrun(self, shifted: Columns, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        cut = _flag(shifted, "fuel_cut", shape)
        rule = self._rules.overrun
        if rule is not None and {"throttle", "rpm"} <= shifted.keys():
            cut = cut | (shifted["throttle"] < rule.throttle_below) & (shifted["rpm"] > rule.rpm_above)
        return cut

    def _cold(self, now: Columns, shape: tuple[int, ...]) -> NDArray[np.bool_]:
        if "coolant_c" not in now:
            return np.zeros(shape, np.bool_)
        return np.broadcast_to((now["coolant_c"] < self._rules.warm_coolant_c)[:, None], shape)


def _flag(columns: Columns, name: str, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """A claim of the engine's; false where it is not known."""
    column = columns.get(name)
    return np.zeros(shape, np.bool_) if column is None else np.nan_to_num(column) > 0
