"""The state of every sample: one reason each for not being counted.

Conditions on one row decide first; some linger, because what the sensor shows for a while
after them is still theirs: refill after a cut, the settling of a sensor that has just become
ready or come back. Where several hold, the one further down `_ORDER` is named.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Bools, Bytes, Floats, Ints, Times
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.messages.plan import Quality
from mixmon.mixture.align import AlignedRows, Columns
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.digits import LEAST_STEP, MOVES_KNOWN, MOVES_TOGETHER, EndSearch, RestSearch, StepSearch
from mixmon.session.model import Validity

# ----------------------------------------------------------------------------------------------------
# Set/reset latch and start of equal values: the two parts that rules over time are made of.
#
# Both work down the first axis of columns, [k] or [k, n], and continue from what they gave for the row
# before. Nothing is summed and nothing looks ahead, so any split of the rows gives the same bits.
# ----------------------------------------------------------------------------------------------------


def latch(on: Bools, off: Bools, before: Bools | bool = False) -> Bools:
    """State after each row: true where `on`, false where only `off`, else as the row before.

    Where both are true, `on` wins: a limit crossed is not hidden by the same row's reset.

    on, off   bool[k] or bool[k, n]
    before    bool or bool[n], the state before the first row

    >>> latch(np.array([False, True, False, False]), np.array([False, False, False, True])).tolist()
    [False, True, True, False]
    """
    # The last deciding row and what it decided travel in one number: 2 (row + 1) + on.
    code = 2 * _number_rows(on) + on
    decided = np.where(on | off, code, np.asarray(before).astype(code.dtype))
    np.maximum.accumulate(decided, axis=0, out=decided)
    return (decided & 1).astype(np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class EqualSpan:
    """The span of equal values that lasts to the last row: the value, and when it began, one a column."""

    value: NDArray[Any]
    start: Times


def equal_since(
    value: NDArray[Any], t: Times, *, before: EqualSpan | None = None, broken: Bools | None = None
) -> tuple[Times, EqualSpan | None]:
    """The time at which each row's span of equal values began, and the span to continue from.

    Times are only looked up, never compared, so a clock that was set back does no harm.

    value    [k] or [k, n], any type whose values equal themselves (not NaN)
    t        int64[k]
    before   the span that lasts to the row before the first; None: a span begins with the first row
    broken   bool[k]: rows where a span begins, whatever the values

    >>> starts, _ = equal_since(np.array([3, 3, 4, 4]), np.array([10, 20, 30, 40]))
    >>> starts.tolist()
    [10, 10, 30, 30]
    """
    if len(value) == 0:
        return np.zeros(value.shape, np.int64), before
    began = np.empty(value.shape, np.bool_)
    began[0] = True if before is None else value[0] != before.value
    np.not_equal(value[1:], value[:-1], out=began[1:])
    if broken is not None:
        began |= _shape_beside(broken, value.ndim)
    row = np.where(began, _number_rows(value), 0)
    np.maximum.accumulate(row, axis=0, out=row)
    start = t[row - 1]
    if before is not None:
        start = np.where(row == 0, before.start, start)
    return start, EqualSpan(value[-1].copy(), np.asarray(start[-1]).copy())


@dataclass(frozen=True, slots=True, eq=False)
class Delay:
    """What `delayed` continues from: how long the condition has been what it is, and whether it is active."""

    span: EqualSpan
    active: Bools


def delayed(
    condition: Bools,
    t: Times,
    on_ns: int,
    off_ns: int,
    *,
    before: Delay | None = None,
    broken: Bools | None = None,
    cut_short: Bools | None = None,
) -> tuple[Bools, Times, Delay | None]:
    """Whether each row is active, since when its condition has been what it is, and the carry.

    Active once the condition has been true for `on_ns`, inactive once it has been false for
    `off_ns`; in between, as before. Nothing is active before the first row.

    condition   bool[k] or bool[k, n]
    t           int64[k], ns
    on_ns, off_ns   ns of data time; 0 acts at once
    broken      bool[k]: rows before which time is unknown (a gap): both delays begin again there
    cut_short   bool[k]: rows that do not wait for `off_ns`

    >>> active, _, _ = delayed(np.array([True, True, True, False]), np.array([0, 10, 20, 30]), 15, 0)
    >>> active.tolist()
    [False, False, True, False]
    """
    since, span = equal_since(condition, t, before=before.span if before else None, broken=broken)
    if span is None or len(condition) == 0:
        return np.zeros(condition.shape, np.bool_), since, before
    held = _shape_beside(t, condition.ndim) - since
    over = held >= off_ns
    if cut_short is not None:
        over |= _shape_beside(cut_short, condition.ndim)
    active = latch(condition & (held >= on_ns), ~condition & over, before.active if before else False)
    return active, since, Delay(span, np.asarray(active[-1]).copy())


def _number_rows(like: NDArray[Any]) -> NDArray[Any]:
    """1, 2, ... down the first axis, shaped to go beside `like`; 32 bits: more rows than memory holds."""
    return _shape_beside(np.arange(1, len(like) + 1, dtype=np.int32), like.ndim)


def _shape_beside(column: NDArray[Any], ndim: int) -> NDArray[Any]:
    """A column [k] shaped [k, 1, ...], so that it goes beside columns [k, n]."""
    return column.reshape(-1, *[1] * (ndim - 1))


SETTLE_NS = SECOND_NS
"""How long a sensor's readings are not counted after a cut, a silence or warming: gas and
sensor need several of their time constants (common practice, no source)."""

FROZEN_NS = 1_500_000_000
"""A transmitting sensor whose value does not move by one digit for this long is suspect: our choice, fifteen
samples at ten a second, in which noise moves the last digit of a live sensor."""

_RESTING_NS = 250_000_000
"""How long a value has stood still when the others' movement is first looked at: our choice, some samples at
ten a second; live readings in fine steps never rest so long, and cost nothing."""

FINE_LAMBDA = 0.0025
"""Step in lambda up to which a live sensor's noise must move the value: our choice, that noise."""

_CYCLES_UNTIL_HELD = 2.5
"""Cycles of its message after which a sample is held: our choice; one lost sample is not enough."""

Claims = dict[SampleState, Bools]

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
    SampleState.DUPLICATE_NODE,
    SampleState.SILENT,
    SampleState.LEFT_OUT,
)
_LINGERING = (
    SampleState.SPARK_CUT,
    SampleState.OVERRUN,
    SampleState.WARMING,
    SampleState.SILENT,
)


class Scale(Enum):
    """A quantity in which readings are sent; of lambda and what is proportional to it, LAMBDA."""

    LAMBDA = "lambda"
    PHI = "phi"
    OXYGEN = "oxygen"


@dataclass(frozen=True, slots=True, eq=False)
class NodeFacts:
    """What is known of the n nodes beforehand.

    cycle_ns  int64[n]  nominal time between samples; 0 where not known
    digit     float64[n]  smallest step that the definition gives the value, in lambda; 0 for IEEE floats
    sends     the quantity in which each node's readings have equal steps
    fuel      by which oxygen is turned into lambda
    reports_ready  bool[n]   the node reports whether it is ready; where that is not known it is not ready
    left_out  bool[n]   the user excludes it
    rich_from, lean_from  float64[n]  lambda up to which, and from which on, a reading is at the end of its
              node's own range, as the points of an analog input tell it; -inf and inf where nothing does
    """

    cycle_ns: Ints
    digit: Floats
    sends: tuple[Scale, ...]
    fuel: Fuel
    reports_ready: Bools
    left_out: Bools
    rich_from: Floats = field(default_factory=lambda: np.array(-np.inf))
    lean_from: Floats = field(default_factory=lambda: np.array(np.inf))


class SampleJudge:
    """A stage: rows in, CylinderBlocks out. `restart` where time is broken."""

    def __init__(self, rules: Validity, facts: NodeFacts) -> None:
        self._rules = rules
        self._facts = facts
        self._stale_ns = round(rules.stale_s * 1e9)
        held = np.rint(_CYCLES_UNTIL_HELD * facts.cycle_ns).astype(np.int64)
        self._held_ns = np.where(facts.cycle_ns > 0, np.minimum(held, self._stale_ns), self._stale_ns)
        self._near = np.maximum(facts.digit / 2, LEAST_STEP)
        self._steps = StepSearch(len(facts.digit))
        self._rich_ends, self._lean_ends = EndSearch(len(facts.digit)), EndSearch(len(facts.digit))
        self.restart()

    def restart(self) -> None:
        """Forgets what lingers."""
        self._trouble: Ints | None = None
        self._constant: EqualSpan | None = None
        self._steps.restart()
        self._rests = RestSearch(len(self._facts.digit))

    def feed(self, rows: AlignedRows, stretch: int) -> CylinderBlock:
        """The same rows with a state for every sample, and what the readings tell about themselves.

        Columns that are added to `aux`, in lambda: `step` of the readings, infinite where not known;
        `rich_end` and `lean_end` of a range whose end was found in the readings, NaN where none was.
        """
        step = self._find_steps(rows)
        claims = self._find_claims(rows, step)
        claims[SampleState.SETTLING] = self._find_settling(rows.t, claims)
        state = np.full(rows.lam.shape, SampleState.VALID, np.uint8)
        for reason in _ORDER:
            state[claims[reason]] = reason
        ends = self._find_ends(rows.lam, state, step)
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
            aux={**rows.aux, "step": step, **ends},
        )

    def _find_steps(self, rows: AlignedRows) -> Floats:
        """The step of every reading in lambda, as known then; infinite where not.

        The nodes of a chain are alike: of one that has hardly moved, it is the smallest change of all nodes,
        once these have moved some times together; before that what a coarse definition says.
        """
        readings = rows.lam
        if any(sent is not Scale.LAMBDA for sent in self._facts.sends):
            readings = readings.copy()
            for node, sent in enumerate(self._facts.sends):
                if sent is not Scale.LAMBDA:
                    readings[:, node] = (
                        rows.oxygen[:, node] if sent is Scale.OXYGEN else 1 / rows.lam[:, node]
                    )
        steps, moves = self._steps.feed(readings)
        for node, sent in enumerate(self._facts.sends):
            if sent is not Scale.LAMBDA:
                steps = steps.copy() if steps.strides[0] == 0 else steps
                steps[:, node] = _step_in_lambda(readings[:, node], steps[:, node], sent, self._facts.fuel)
        own = moves >= MOVES_KNOWN
        if own.all():
            return steps
        together = moves.sum(axis=1, keepdims=True) >= MOVES_TOGETHER
        declared = np.where(self._facts.digit > FINE_LAMBDA, self._facts.digit, np.inf)
        common = np.where(together, np.maximum(steps.min(axis=1, keepdims=True), self._facts.digit), declared)
        return np.where(own, steps, common)

    def _find_ends(self, lam: Floats, state: Bytes, step: Floats) -> Columns:
        """The ends of the ranges that are found in the readings; samples at them change their state."""
        told = (state == SampleState.AT_RICH_LIMIT) | (state == SampleState.AT_LEAN_LIMIT)
        heard = np.where((state == SampleState.VALID) | told, lam, np.nan)
        rich, lean = -self._rich_ends.feed(-heard, step), self._lean_ends.feed(heard, step)
        for end, side, name in ((rich, -1, SampleState.AT_RICH_LIMIT), (lean, 1, SampleState.AT_LEAN_LIMIT)):
            if np.isfinite(end).any():
                # A reading that does not move is suspect, unless it stands where the range ends.
                counts = (state == SampleState.VALID) | (state == SampleState.SUSPECT) & (lam > 0)
                state[counts & (side * (lam - end) >= -LEAST_STEP)] = name
        return {"rich_end": rich, "lean_end": lean}

    def _find_claims(self, rows: AlignedRows, step: Floats) -> Claims:
        """Every state's own condition, bool[k, n]."""
        shape, rules = rows.lam.shape, self._rules
        silent = (rows.age < 0) | (rows.age > self._stale_ns)
        possible = rows.lam > 0
        unknown = self._facts.reports_ready & np.isnan(rows.ready) & possible
        not_ready = (rows.ready == 0) | unknown | (rows.quality == Quality.NOT_AVAILABLE)
        at_rich = possible & (rows.lam <= np.maximum(rules.rich_limit + self._near, self._facts.rich_from))
        at_lean = rows.lam >= np.minimum(rules.lean_limit - self._near, self._facts.lean_from)
        worthless = silent | not_ready | (rows.quality == Quality.TWO_SENDERS) | at_rich | at_lean
        frozen = self._find_frozen(rows, step, possible & ~worthless) & ~at_rich & ~at_lean
        return {
            SampleState.AT_LEAN_LIMIT: at_lean,
            SampleState.AT_RICH_LIMIT: at_rich,
            SampleState.SPARK_CUT: _read_flag(rows.shifted, "spark_cut", shape),
            SampleState.OVERRUN: self._find_overrun(rows.shifted, shape),
            SampleState.COLD: self._find_cold(rows.now, shape),
            SampleState.SUSPECT: (~possible & ~silent) | frozen,
            SampleState.WARMING: not_ready,
            SampleState.DUPLICATE_NODE: rows.quality == Quality.TWO_SENDERS,
            SampleState.HELD: (rows.age > self._held_ns) & ~silent,
            SampleState.SILENT: silent,
            SampleState.LEFT_OUT: np.broadcast_to(self._facts.left_out, shape),
        }

    def _find_settling(self, t: Ints, claims: Claims) -> Bools:
        """True for a while after the last row of a trouble that lingers."""
        trouble = np.logical_or.reduce([claims[reason] for reason in _LINGERING])
        last = np.where(trouble, t[:, None], np.iinfo(np.int64).min // 2)
        if self._trouble is not None and len(t):
            np.maximum(last[0], self._trouble, out=last[0])
        np.maximum.accumulate(last, axis=0, out=last)
        if len(t):
            self._trouble = last[-1].copy()
        settling: Bools = (t[:, None] - last < SETTLE_NS) & ~trouble
        return settling

    def _find_frozen(self, rows: AlignedRows, step: Floats, heard: Bools) -> Bools:
        """The sample keeps coming and has not moved at all for too long, with the engine turning.

        It would have moved with the others, or with its own noise where nobody moves and its step is fine;
        where no step is known either, nothing tells that it lives.

        heard: bool[k, n], samples that show how the mixture moves.
        """
        number = np.nan_to_num(rows.lam, nan=-1.0)
        since, self._constant = equal_since(number, rows.t, before=self._constant)
        rest = rows.t[:, None] - since
        still = rest >= FROZEN_NS
        fine, unknown = step <= FINE_LAMBDA, np.isinf(step)
        readings = np.where(heard, rows.lam, np.nan)
        outdone = self._rests.feed(readings, step, heard & (rest >= _RESTING_NS), fine)
        nobody_moves = ~(heard & ~still).any(axis=1, keepdims=True)
        stopped = rows.now["rpm"] <= 0 if "rpm" in rows.now else np.False_
        return still & (outdone | unknown | fine & nobody_moves) & ~np.reshape(stopped, (-1, 1))

    def _find_overrun(self, shifted: Columns, shape: tuple[int, ...]) -> Bools:
        """Fuel is cut, as the engine control says or by the rule on throttle and speed."""
        cut = _read_flag(shifted, "fuel_cut", shape)
        rule = self._rules.overrun
        if rule is not None and {"throttle", "rpm"} <= shifted.keys():
            cut = cut | (shifted["throttle"] < rule.throttle_below) & (shifted["rpm"] > rule.rpm_above)
        return cut

    def _find_cold(self, now: Columns, shape: tuple[int, ...]) -> Bools:
        """The coolant is colder than the rule asks for; false where there is none."""
        if "coolant_c" not in now:
            return np.zeros(shape, np.bool_)
        return np.broadcast_to((now["coolant_c"] < self._rules.warm_coolant_c)[:, None], shape)


def _step_in_lambda(reading: Floats, step: Floats, sent: Scale, fuel: Fuel) -> Floats:
    """Steps of float64[k] readings, turned into lambda around each of them; infinite stays infinite."""
    half = np.where(np.isinf(step), 0.0, step / 2)
    with np.errstate(divide="ignore"):
        low, high = (
            1 / x if sent is Scale.PHI else lambda_from_oxygen(x, fuel)
            for x in (reading - half, reading + half)
        )
    return np.where(np.isinf(step), np.inf, np.abs(high - low))


def _read_flag(columns: Columns, name: str, shape: tuple[int, ...]) -> Bools:
    """A flag that the engine control sends; false where it is not known."""
    column = columns.get(name)
    return np.zeros(shape, np.bool_) if column is None else np.nan_to_num(column) > 0
