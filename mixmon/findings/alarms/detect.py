"""From rows to edges: when each alarm's condition became true and when it became false.

In scalar words, for one rule and one node, row by row: above the limit the condition is true; at the
limit less the dead band, and below, it is false; in between, and without a value, it stays. Where the
rule's `when` is known to be false the condition is false; where `when` is unknown the condition cannot
become true and otherwise stays. The alarm is raised once the condition has been true for the on-delay and
the newest known value is above the limit (and not merely in the dead band): that value is announced. While
two controllers send as one node, no alarm of its mixture is raised. An alarm is cleared once the condition
has been false for the off-delay. Both delays begin anew where a stretch of time begins.

What befalls all nodes at once (their silence, `AlarmKind.common`) has one cause and is one alarm: the rule
watches the least of their values as well, and a node beyond the limit has a value of its own only where it is
so by itself: more than the limit above that least one, and not just after all of them were beyond the limit.
The last nodes of the chain that are beyond it together (`AlarmKind.tail`, by the census's rule) are one alarm
in the same way, once the node before them is not about to join them; and a node is alone only where those
behind it are heard.

While an alarm says that nothing is known of the engine (`AlarmKind.no_engine`), rules of mixture that need
its operating point cannot be judged: they go on as in a state of the engine that suppresses them. With the
row in which it is known again, a condition is true only where the row itself shows it. The book names that
alarm for them. Where it is not raised because the chain fell silent with the engine, edges of its own say so.

`suppress_when` gives edges of its own, one for the whole rule. For mixture it lasts while the engine is in
that state and while gas made in it is at a sensor. Detection goes on meanwhile, but what the state caused
must not be announced after it: until the state has ended, a condition that is false is cleared without its
off-delay; when it ends, a condition without a value becomes false.

The carry is one row deep: the state after the last row, one column for each node. Rows are worked in slices
that stay in the processor's cache; by the law of chunks that cannot change the result.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.findings.alarms.measures import (
    EngineSilence,
    EngineStates,
    MeasuredRows,
    PacesAt,
    RuleRows,
    counted,
    find_times_peers,
    needs_engine,
)
from mixmon.findings.alarms.misfire import MisfireWatch
from mixmon.findings.wiring import began_together, count_tail
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import Delay, EqualSpan, delayed, equal_since, latch
from mixmon.session.alarm_kinds import RangeEnd, kind_of
from mixmon.session.model import AlarmRule
from mixmon.session.when import Condition, parse

# ----------------------------------------------------------------------------------------------------
# Edges, as columns.
# ----------------------------------------------------------------------------------------------------

ENGINE_WIDE = -1
"""The node number of edges that concern the whole engine, or all of a rule's alarms. Where the last k nodes
of the chain are one alarm, its number is -k, with k from 2 to all nodes but one."""


class EdgeKind(IntEnum):
    """What happened, in the order in which the edges of one row are worked.

    So a condition that becomes true in the row in which its suppression begins is not announced, and one
    that becomes false in the row in which the suppression ends is not announced either. A lean alarm that may
    be a misfire is marked before it is raised.
    """

    SUPPRESS = 0
    CLEAR = 1
    MARK = 2
    RAISE = 3
    RELEASE = 4
    WITH_CHAIN = 5  # the engine is unknown for too long, and the chain that fell silent with it explains it
    WITHOUT_CHAIN = 6  # that is over


@dataclass(frozen=True, slots=True, eq=False)
class AlarmEdges:
    """e edges, ordered by row, then kind, rule and node.

    stretch  int64[e]    the unbroken stretch of time
    t        int64[e]    time of the row, ns
    kind     uint8[e]    EdgeKind
    rule     int64[e]    number of the rule, from 0
    node     int64[e]    number of the node in session order, from 0; ENGINE_WIDE for none; -k for the last k
    since    int64[e]    when the condition (or the suppressing engine state) began to be so, ns
    value    float64[e]  newest value known at the row, in the limit's unit; NaN if there is none
    """

    stretch: Ints
    t: Ints
    kind: Bytes
    rule: Ints
    node: Ints
    since: Ints
    value: Floats

    def __len__(self) -> int:
        return len(self.t)

    def take(self, rows: NDArray[np.intp] | slice) -> AlarmEdges:
        """The chosen edges, in the order given."""
        return AlarmEdges(*(getattr(self, field.name)[rows] for field in fields(self)))

    def ordered(self) -> AlarmEdges:
        """The same edges in the order of the class."""
        return self.take(np.lexsort((self.node, self.rule, self.kind, self.t, self.stretch)))


def join_edges(parts: Sequence[AlarmEdges]) -> AlarmEdges:
    """All edges of the parts, one part after the other."""
    if not parts:
        none = np.zeros(0, np.int64)
        return AlarmEdges(none, none, np.zeros(0, np.uint8), none, none, none, np.zeros(0))
    return AlarmEdges(
        *(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(AlarmEdges))
    )


# ----------------------------------------------------------------------------------------------------
# Detection.
# ----------------------------------------------------------------------------------------------------

SLICE_ROWS = 8192
"""Our choice, for speed alone: rows worked at a time, whose columns stay in the processor's cache."""

LEAST_EXCESS = 1e-6
"""By so much a value must lie beyond a limit, in the limit's unit: a difference of two numbers that equals
the limit on paper can exceed it by a rounding error. Our choice, finer than any signal."""


class AlarmDetector:
    """A stage: cylinder rows in, edges out.

    misfires  marks lean alarms that may be misfires; None: no alarm is marked
    paces_at  how slowly each sensor followed fuel cuts; None: not known

    Raises:
        UsageError: a rule of an unknown kind, or with a condition that cannot be read.
    """

    def __init__(
        self,
        rules: Sequence[AlarmRule],
        misfires: MisfireWatch | None = None,
        paces_at: PacesAt | None = None,
    ) -> None:
        self._watches = [_RuleWatch(number, rule) for number, rule in enumerate(rules)]
        self._of_engine = [watch for watch in self._watches if watch.of_engine]
        self._others = [watch for watch in self._watches if not watch.of_engine]
        self._misfires, self._paces_at = misfires, paces_at
        self._engine = EngineStates()
        self._engine_silence = EngineSilence()
        self._stretch: EqualSpan | None = None
        self._state: EqualSpan | None = None

    def feed(self, block: CylinderBlock) -> AlarmEdges:
        """The edges in these rows."""
        found = []
        for rows in _split_into_slices(block):
            rule_rows = self._make_rule_rows(rows)
            edges = []
            for watch in self._of_engine:
                edges += [*watch.find_explained(rule_rows), *watch.feed(rule_rows)]
                rule_rows.no_engine[:] |= watch.active_in_rows
            edges += [one for watch in self._others for one in watch.feed(rule_rows)]
            found.append(join_edges(edges).ordered())
        return join_edges(found)

    def latest(self) -> tuple[Floats, ...]:
        """The value of each rule in the newest row: float64[n], or float64[1] for an engine-wide rule.

        Where all nodes at once are one alarm, its value is one more at the end, and before it come those of
        the last n - 1 to 2 nodes. NaN where it is not known in that row; empty before the first row.
        """
        return tuple(watch.latest.copy() for watch in self._watches)

    def _make_rule_rows(self, rows: CylinderBlock) -> RuleRows:
        start, self._stretch = equal_since(rows.stretch, rows.t, before=self._stretch)
        broken = start == rows.t
        since, self._state = equal_since(rows.state, rows.t, before=self._state, broken=broken)
        none = np.zeros(rows.lam.shape, np.bool_)
        unburnt = none if self._misfires is None else self._misfires.feed(rows)
        now, then = self._engine.feed(rows, broken)
        engine_age_s, explained_s = self._engine_silence.feed(rows, broken)
        times_peers = find_times_peers(rows, self._paces_at)
        no_engine = np.zeros(len(rows), np.bool_)
        return RuleRows(
            rows, start, since, now, then, unburnt, engine_age_s, explained_s, times_peers, no_engine
        )


class _RuleWatch:
    """One rule over all nodes: its latch, its delays, its suppression."""

    def __init__(self, number: int, rule: AlarmRule) -> None:
        self._number = number
        self._kind, self._limit = kind_of(rule), rule.limit
        self._dead_band = rule.dead_band
        self._delays = round(rule.on_delay_s * 1e9), round(rule.off_delay_s * 1e9)
        self._when = parse(rule.when) if rule.when else None
        self._suppress = parse(rule.suppress_when) if rule.suppress_when else None
        self._condition: Bools = np.zeros(0, np.bool_)
        self._delay: Delay | None = None
        self._common: Delay | None = None
        self._tails: Delay | None = None
        self._active: Bools = np.zeros(0, np.bool_)
        self._marked: Bools = np.zeros(0, np.bool_)
        self._suppressed: EqualSpan | None = None
        self._needs_engine = needs_engine(rule)
        self._no_engine: Bools = np.zeros(1, np.bool_)
        self._with_chain: Bools = np.zeros((), np.bool_)
        self.of_engine = bool(self._kind.no_engine)
        self.active_in_rows: Bools = np.zeros(0, np.bool_)
        self._newest_known: Floats = np.zeros(0)
        self.latest: Floats = np.zeros(0)

    def feed(self, rule_rows: RuleRows) -> Iterator[AlarmEdges]:
        """Edges of these rows, suppression first, not yet in the order of rows."""
        in_suppression = released = np.zeros(len(rule_rows.rows), np.bool_)
        if self._suppress is not None:
            edges, in_suppression, released = self._find_suppression(rule_rows, self._suppress)
            yield from edges
        returned = self._find_return(rule_rows)
        in_suppression = in_suppression | returned | (rule_rows.no_engine & self._needs_engine)
        in_force, out_of_force = self._find_rows_in_force(rule_rows)
        value = self._kind.value(MeasuredRows(rule_rows, in_force))
        self.active_in_rows = np.zeros(len(rule_rows.rows), np.bool_)
        if self._kind.by_cuts and np.isnan(value).all() and self._is_quiet():
            self.latest = value[-1].copy()
            return
        if self._kind.common and value.shape[1] > 1:
            value = self._add_shared_columns(rule_rows, value)
        if not len(self._condition):
            self._condition = self._active = self._marked = np.zeros(value.shape[1], np.bool_)
            self._newest_known = np.full(value.shape[1], np.nan)
        if not self._kind.per_node:
            in_force = np.logical_or.reduce(in_force, axis=1, keepdims=True)
            out_of_force = np.logical_and.reduce(out_of_force, axis=1, keepdims=True)
        known, proves = counted(self._kind, rule_rows, value)
        over, under = self._compare_with_limit(value)
        on = over & proves & in_force
        before, self._newest_known = (
            self._newest_known,
            _newest_known_values(value, proves, self._newest_known),
        )
        self.latest = np.where(proves[-1], value[-1], np.nan)
        if on.any() or not self._is_quiet():
            off = (under & known) | out_of_force | (released[:, np.newaxis] & ~known)
            off = off | (returned[:, np.newaxis] & ~on)
            beyond = latch(over & proves, ~over & proves, self._compare_with_limit(before)[0])
            if self._kind.mixture and self._kind.per_node:
                beyond &= rule_rows.rows.state != SampleState.DUPLICATE_NODE
            active, since, row, column = self._run_delays(rule_rows, on, off, beyond, in_suppression)
            self.active_in_rows = np.logical_or.reduce(active, axis=1)
            if self._kind.bound is RangeEnd.LEAN and self._kind.per_node:
                yield self._find_marks(rule_rows, active, since)
            if len(row):
                newest = _newest_known_at(value, proves, before, row, column)
                kind = np.where(active[row, column], EdgeKind.RAISE, EdgeKind.CLEAR)
                node = np.where(column < self._count_nodes(rule_rows), column, column - value.shape[1])
                yield self._make_edges(
                    rule_rows.rows, row, kind=kind, node=node, since=since[row, column], value=newest
                )

    def _find_return(self, rule_rows: RuleRows) -> Bools:
        """The rows with which the engine is known again, for a rule that needs it."""
        if not self._needs_engine:
            return np.zeros(len(rule_rows.rows), np.bool_)
        lost = rule_rows.no_engine
        was, self._no_engine = self._no_engine, lost[-1:].copy()
        returned: Bools = _differs_from_row_before(lost, was) & ~lost
        return returned

    def _find_marks(self, rule_rows: RuleRows, active: Bools, since: Ints) -> AlarmEdges:
        """The edges that mark active alarms as what may be a misfire, each once while it is active."""
        was = self._marked
        marked = latch(active & rule_rows.unburnt, ~active, was)
        self._marked = marked[-1].copy()
        row, column = np.nonzero(_differs_from_row_before(marked, was) & marked)
        value = np.full(len(row), np.nan)
        kind = np.full(len(row), EdgeKind.MARK)
        return self._make_edges(
            rule_rows.rows, row, kind=kind, node=column, since=since[row, column], value=value
        )

    def _count_nodes(self, rule_rows: RuleRows) -> int:
        """How many columns are of one node each; a further one is of the engine, or of all nodes."""
        return rule_rows.rows.lam.shape[1] if self._kind.per_node else 0

    def _add_shared_columns(self, rule_rows: RuleRows, value: Floats) -> Floats:
        """The values, NaN for nodes that are not alone; a column for each tail; one of the least of all."""
        t, broken = rule_rows.rows.t, rule_rows.stretch_start == rule_rows.rows.t
        least = value.min(axis=1)
        hold_ns = round(self._limit * 1e9)
        returning, _, self._common = delayed(
            least > self._limit, t, 0, hold_ns, before=self._common, broken=broken, cut_short=broken
        )
        alone = (value - least[:, np.newaxis] > self._limit) & ~returning[:, np.newaxis]
        tails, with_others = self._find_tails(rule_rows, value, least, returning)
        single = np.where((value > self._limit) & (~alone | with_others), np.nan, value)
        return np.concatenate([single, tails, least[:, np.newaxis]], axis=1)

    def _find_tails(
        self, rule_rows: RuleRows, value: Floats, least: Floats, returning: Bools
    ) -> tuple[Floats, Bools]:
        """The value of each tail, the longest first, and which nodes may be in one.

        The value of a tail is the least of its nodes, 0 where no tail begins there, and NaN where that is not
        clear yet: the node before may be about to join, or nodes of a longer tail are just coming back.
        """
        k, n = value.shape
        if n < 3:
            return np.zeros((k, 0)), np.zeros((k, n), np.bool_)
        silent = value > self._limit
        if not silent.any() and (self._tails is None or not self._tails.active.any()):
            self._tails = None
            return np.zeros((k, n - 2)), silent
        of_all = least > self._limit
        first = n - np.where(of_all, 0, count_tail(silent, value))
        begins = first[:, np.newaxis] == np.arange(1, n - 1)
        held = self._hold_tails(rule_rows, begins)
        behind = np.minimum.accumulate(value[:, ::-1], axis=1)[:, ::-1]
        before = value[:, : n - 2]
        clear = (before > self._limit) | (behind[:, 1 : n - 1] - before > self._limit)
        longer = np.zeros_like(held)
        longer[:, 1:] = held[:, :-1]
        unclear = (begins & (~clear | longer | returning[:, np.newaxis])) | of_all[:, np.newaxis]
        tails = np.where(unclear, np.nan, np.where(begins, behind[:, 1 : n - 1], 0.0))
        return tails, self._find_nodes_in_tails(value, behind, held)

    def _hold_tails(self, rule_rows: RuleRows, begins: Bools) -> Bools:
        """Where a tail from a node or from one before it stands, or did less than the limit ago."""
        t, broken = rule_rows.rows.t, rule_rows.stretch_start == rule_rows.rows.t
        held, _, self._tails = delayed(
            begins, t, 0, round(self._limit * 1e9), before=self._tails, broken=broken, cut_short=broken
        )
        behind: Bools = np.logical_or.accumulate(held, axis=1)
        return behind

    def _find_nodes_in_tails(self, value: Floats, behind: Floats, held: Bools) -> Bools:
        """Nodes of a tail that stands or is just coming back, and those with which one may be beginning."""
        near = np.logical_and.accumulate(began_together(value)[:, ::-1], axis=1)[:, ::-1]
        rest = np.concatenate([behind[:, 1:], value[:, -2:-1]], axis=1)
        near = np.concatenate([near, near[:, -1:]], axis=1)
        beginning: Bools = near & (value - rest <= self._limit)
        beginning[:, 1:] |= np.concatenate([held, held[:, -1:]], axis=1)
        return beginning

    def _run_delays(
        self, rule_rows: RuleRows, on: Bools, off: Bools, beyond: Bools, in_suppression: Bools
    ) -> tuple[Bools, Ints, NDArray[np.intp], NDArray[np.intp]]:
        """Active or not, since when the condition is what it is, and row and node where active changed.

        beyond  where the newest known value is beyond the limit, and of one sensor: alarms rise only there
        """
        condition, was = latch(on, off, self._condition), self._active
        t, broken = rule_rows.rows.t, rule_rows.stretch_start == rule_rows.rows.t
        due, since, self._delay = delayed(
            condition, t, *self._delays, before=self._delay, broken=broken, cut_short=in_suppression
        )
        active = latch(due & beyond, ~due, was)
        self._condition, self._active = condition[-1].copy(), active[-1].copy()
        row, column = np.nonzero(_differs_from_row_before(active, was))
        return active, since, row, column

    def _is_quiet(self) -> bool:
        """Whether no condition is true and nothing is active: rows without a crossing then change nothing."""
        return not self._condition.any() and (self._delay is None or not self._delay.active.any())

    def _find_rows_in_force(self, rule_rows: RuleRows) -> tuple[Bools, Bools]:
        """Where `when` is known to be true, and where to be false; bool[k, n or 1]."""
        if self._when is None:
            shape = (len(rule_rows.rows), 1)
            return np.ones(shape, np.bool_), np.zeros(shape, np.bool_)
        return rule_rows.true_and_false(self._when, mixture=self._kind.mixture)

    def _compare_with_limit(self, value: Floats) -> tuple[Bools, Bools]:
        """Where the value is beyond the limit, and where it has left the dead band again.

        At the end of the dead band it has left it: a count, as of controllers, comes no further.
        """
        if self._kind.above:
            return value > self._limit + LEAST_EXCESS, value <= self._limit - self._dead_band
        return value < self._limit - LEAST_EXCESS, value >= self._limit + self._dead_band

    def _find_suppression(
        self, rule_rows: RuleRows, condition: Condition
    ) -> tuple[list[AlarmEdges], Bools, Bools]:
        """Edges of the engine state that suppresses; the rows until it has ended; those that end it."""
        rows = rule_rows.rows
        suppressed = rule_rows.holds_anywhere(condition, mixture=self._kind.mixture)
        was = self._suppressed.value if self._suppressed else np.zeros((), np.bool_)
        if self._suppressed is not None and not was and not suppressed.any():
            return [], suppressed, suppressed
        since, self._suppressed = equal_since(suppressed, rows.t, before=self._suppressed)
        changed = _differs_from_row_before(suppressed, was)
        row, released = np.flatnonzero(changed), changed & ~suppressed
        if not len(row):
            return [], suppressed, released
        kind = np.where(suppressed[row], EdgeKind.SUPPRESS, EdgeKind.RELEASE)
        all_nodes, nothing = np.full(len(row), ENGINE_WIDE), np.full(len(row), np.nan)
        edges = self._make_edges(rows, row, kind=kind, node=all_nodes, since=since[row], value=nothing)
        return [edges], suppressed | released, released

    def find_explained(self, rule_rows: RuleRows) -> Iterator[AlarmEdges]:
        """Edges where the chain's silence begins, or ceases, to explain that the engine is unknown."""
        explained = self._compare_with_limit(rule_rows.explained_s)[0]
        was, self._with_chain = self._with_chain, explained[-1].copy()
        row = np.flatnonzero(_differs_from_row_before(explained, was))
        if len(row):
            kind = np.where(explained[row], EdgeKind.WITH_CHAIN, EdgeKind.WITHOUT_CHAIN)
            node, nothing = np.full(len(row), ENGINE_WIDE), np.full(len(row), np.nan)
            t = rule_rows.rows.t[row]
            yield self._make_edges(rule_rows.rows, row, kind=kind, node=node, since=t, value=nothing)

    def _make_edges(
        self,
        rows: CylinderBlock,
        row: NDArray[np.intp],
        *,
        kind: Ints,
        node: Ints,
        since: Ints,
        value: Floats,
    ) -> AlarmEdges:
        rule = np.full(len(row), self._number, np.int64)
        return AlarmEdges(rows.stretch[row], rows.t[row], kind.astype(np.uint8), rule, node, since, value)


def _differs_from_row_before(state: Bools, was: Bools) -> Bools:
    """Where a row differs from the row before."""
    changed = np.empty_like(state)
    changed[0] = state[0] != was
    np.not_equal(state[1:], state[:-1], out=changed[1:])
    return changed


def _newest_known_values(value: Floats, known: Bools, before: Floats) -> Floats:
    """The newest known value down each column."""
    if known[-1].all():
        newest: Floats = value[-1].copy()
        return newest
    last = len(known) - 1 - known[::-1].argmax(axis=0)
    return np.where(known.any(axis=0), value[last, np.arange(value.shape[1])], before)


def _newest_known_at(
    value: Floats, known: Bools, before: Floats, row: NDArray[np.intp], column: NDArray[np.intp]
) -> Floats:
    """The newest known value at some places, `before` where there is none in these rows."""
    source = np.where(known, np.arange(1, len(value) + 1)[:, np.newaxis], 0)
    np.maximum.accumulate(source, axis=0, out=source)
    from_row = source[row, column]
    return np.where(from_row > 0, value[from_row - 1, column], before[column])


def _split_into_slices(block: CylinderBlock) -> Iterator[CylinderBlock]:
    for first in range(0, len(block), SLICE_ROWS):
        rows = slice(first, first + SLICE_ROWS)
        yield CylinderBlock(
            block.t[rows],
            block.stretch[rows],
            block.lam[rows],
            block.oxygen[rows],
            block.age[rows],
            block.fresh[rows],
            block.state[rows],
            {name: column[rows] for name, column in block.shifted.items()},
            {name: column[rows] for name, column in block.now.items()},
            {name: column[rows] for name, column in block.aux.items()},
        )
