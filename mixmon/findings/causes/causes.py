"""Causes: what else than fuel could explain the needs, what the data cannot separate, and the next best test.

    rows -> BalanceStage -> cells          needs by cell, as the balance computes them
         -> SplitPulseStage                dead times, where half pulses were tried
    cells -> shapes, weigh                 causes of each cylinder
    needs -> patterns                      patterns over the whole engine
    all of it -> next_test                 what to try next

`CausesStage` takes the rows; `Causes` and the records in it are the answer. Nothing here changes a trim: the
balance keeps trims away from the cells that a leak may spoil, and leaves suspects out of the mean by itself.

Many looks find something by chance: level and change of every cylinder are told as sure only after Holm's
step-down procedure over all of them (`LEVEL`), patterns likewise among themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.known import KnownBiases
from mixmon.findings.balance.needs import CellResult
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.unlike import CellsCompared, NeedTable
from mixmon.findings.causes.next_test import WRONG_LABEL, RatedTest, Suspect, rate_tests
from mixmon.findings.causes.notes import CauseNote, NextTest, PossibleCause
from mixmon.findings.causes.patterns import LEVEL, PatternTest, find_patterns
from mixmon.findings.causes.shapes import Shapes, all_known, conditions_of
from mixmon.findings.causes.split_pulse import DeadTimes, SplitPulseStage
from mixmon.findings.causes.weigh import (
    LEAST_SHARE,
    LEVEL_CAUSES,
    USUAL_CAUSES,
    ChangeExplanation,
    Weighed,
    weigh,
)
from mixmon.findings.events.event import Event
from mixmon.findings.stats import NORMAL_95_SIX_DECIMALS, median_with_holes
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import NOWHERE, Cell, Steady
from mixmon.note import Note, note
from mixmon.result import Result
from mixmon.session.evidence import IdentityStanding
from mixmon.session.model import Session
from mixmon.session.split_pulses import SplitPulse

CELLS_FOR_CHANGE = 3
"""Cells from which a change can be explained: our choice; through two points everything fits."""

_ODD_CELL_ERROR = 0.0015
"""Standard deviation by which a cylinder's need differs from cell to cell for no cause that we know, ln
lambda: our choice, after runners whose air changes a little with the speed."""

_OF_THE_BALANCE = frozenset(
    {
        BalanceNote.CELL_OR_TIME,
        BalanceNote.GROUPS_NOT_COMPARED,
        BalanceNote.LEAK_OR_RICH,
        BalanceNote.OF_INJECTION_STAGE,
        BalanceNote.REFERENCE_WITHOUT_SUSPECTS,
    }
)
"""Notes of the balance without which causes may be misread."""

_NS_PER_MS = 1_000_000

_MEDIAN_VARIANCE = 1.57
"""Variance of a median of normal numbers over that of their mean (computed: pi / 2)."""

_SOUND_DEAD_TIME_MS = 0.02
"""Dead times within this of the mean are alike: our choice, what the test finds them to."""


@dataclass(frozen=True, slots=True)
class CauseShare:
    """One cause of one cylinder.

    share  chance that the cylinder has it, by these data and what is usual; shares need not add up to one
    size   if it alone explained the change, with half of its 95 % interval: percent of fuel (of a leak and a
           throttle in the cell where it is largest), ms of a dead time where the pulse is known in ms; NaN
           for causes of a level and for a sensor's gain
    """

    cause: PossibleCause
    share: float
    size: float = np.nan
    half: float = np.nan


@dataclass(frozen=True, slots=True)
class CylinderCauses:
    """What may be wrong with one cylinder.

    level_percent, level_half    need that is the same in all cells, against the middle cylinder; 95 %
    change_percent  largest need less smallest over the cells, as explained; NaN where it is not sure
    causes         the likeliest first; empty where nothing is sure to differ
    not_separated  groups of these that the data cannot tell apart
    variance_inflation  of each cause of a change beside the others, from the cells alone
    dead_time_ms, dead_time_half  against the mean of all, by a split-pulse test; NaN without one
    tests          tests that can teach something of this cylinder, the most a minute first
    """

    cylinder: int
    position: int
    sensor: str | None
    level_percent: float
    level_half: float
    change_percent: float
    causes: tuple[CauseShare, ...]
    not_separated: tuple[tuple[PossibleCause, ...], ...]
    variance_inflation: Mapping[PossibleCause, float]
    dead_time_ms: float
    dead_time_half: float
    tests: tuple[RatedTest, ...]
    flags: tuple[Note, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Causes(Result):
    """What may explain the needs of each cylinder, what is not separated, and the next best test.

    cylinders  by number
    patterns   over the whole engine, the surest first
    tests      the best first; `next_test` is the first of them
    left_out_of_reference  cylinders that are left out of the mean of a cell because a leak is suspected
    cells      that were compared
    """

    cylinders: tuple[CylinderCauses, ...]
    patterns: tuple[PatternTest, ...]
    tests: tuple[RatedTest, ...]
    left_out_of_reference: tuple[int, ...]
    cells: int
    notes: tuple[Note, ...]
    balance: Balance

    @property
    def next_test(self) -> RatedTest | None:
        """The test that teaches most a minute; None where none teaches anything."""
        return self.tests[0] if self.tests else None


class CausesStage:
    """Takes every CylinderBlock of a run; `result` answers at the end, or meanwhile.

    Args:
        session: the session whose nodes the rows are of.
        left_out: cylinders that are not counted.
        splits: times in which the engine control gave half pulses; they count for nothing else.
        begin_s: seconds of the log before the first row.
    """

    def __init__(
        self,
        session: Session,
        left_out: frozenset[int] = frozenset(),
        splits: Sequence[SplitPulse] = (),
        begin_s: float = 0.0,
    ) -> None:
        self._session = session
        self._balance = BalanceStage(session, left_out)
        self._splits = SplitPulseStage(session, splits, begin_s)
        self._tried = bool(splits)
        self._steady = Steady(session.axes, session.validity, session.injection.staging)
        self._pulses: dict[int, tuple[int, int]] = {}

    def feed(self, block: CylinderBlock) -> None:
        """Takes rows of one stretch of time."""
        split = self._splits.feed(block)
        if split.any():
            state = np.where(split[:, None], np.uint8(SampleState.LEFT_OUT), block.state)
            block = replace(block, state=state)
        self._balance.feed(block)
        self._add_pulses(block, self._steady.feed(block), ~split)

    def take_standing(self, standing: IdentityStanding) -> None:
        """Takes what steps in the rows themselves say of the labels; see `BalanceStage.take_standing`."""
        self._balance.take_standing(standing)
        self._session = self._balance.session

    def exclude(self, events: Iterable[Event]) -> None:
        """Excludes what was read around misfires and cuts, counted already or still to come."""
        self._balance.exclude(events)

    def _add_pulses(self, block: CylinderBlock, cells: Ints, whole: Bools) -> None:
        pulse = block.now.get("pulse_ms")
        if pulse is None:
            return
        counted = whole & (cells != NOWHERE) & (pulse > 0)
        for cell in np.unique(cells[counted]).tolist():
            rows = pulse[counted & (cells == cell)]
            total, count = self._pulses.get(cell, (0, 0))
            # Whole nanoseconds: their sum is exact, so that it does not depend on where blocks are cut.
            total += int(np.rint(rows * _NS_PER_MS).astype(np.int64).sum())
            self._pulses[cell] = (total, count + len(rows))

    def result(self, gaps: tuple[Note, ...] = ()) -> Causes:
        """The causes by the rows so far; `gaps` are what could not be done, the first of the notes."""
        balance = self._balance.result("peers", gaps)
        cells, alone, compared = self._balance.compared()
        dead, notes = self._splits.result()
        pulse = np.array([self._mean_pulse(one.cell) for one in alone])
        return _Builder(
            self._session, balance, cells, alone, compared, pulse=pulse, dead=dead, tried=self._tried
        ).build((*gaps, *notes))

    def _mean_pulse(self, cell: int) -> float:
        total, count = self._pulses.get(cell, (0, 0))
        return total / count / _NS_PER_MS if count else np.nan


class _Builder:
    """Makes `Causes` of the cells: cylinders from nodes, percent from ln, flags and notes."""

    def __init__(
        self,
        session: Session,
        balance: Balance,
        cells: Sequence[Cell],
        alone: Sequence[CellResult],
        compared: CellsCompared,
        *,
        pulse: Floats,
        dead: DeadTimes,
        tried: bool,
    ) -> None:
        self._session, self._balance, self._compared = session, balance, compared
        self._nodes = session.chain.nodes
        lam = np.array([one.lam for one in alone])
        at, self._in_ms = conditions_of(session, cells, lam, pulse)
        self._known = all_known(at) & np.array([bool(c.measured.sum() > 1) for c in alone], np.bool_)
        self._known &= len(balance.groups) == 1  # needs of several groups have no common zero
        # Further injectors have errors of their own, which no law over the cells of one stage holds.
        self._known &= np.array([cell.injection_stage == balance.injection_stage for cell in cells], np.bool_)
        self._conditions = type(at)(*(column[self._known] for column in at))
        self._own_throttles = session.engine.throttles != "single"
        table = NeedTable.of([row for row, known in zip(compared.needs, self._known, strict=True) if known])
        self._y, self._variance = (
            _aligned(table) if self._known.any() else (np.zeros((0, 0)), np.zeros((0, 0)))
        )
        self._dead, self._tried = dead, tried
        self._bias_half = KnownBiases(session).half

    def build(self, notes: tuple[Note, ...]) -> Causes:
        weighed = [self._weigh(node) for node in range(len(self._nodes))]
        sure = _sure_of(weighed)
        wrong = WRONG_LABEL[self._balance.identity.value]
        suspects = [
            Suspect(node.cylinders[0], one, level, change, wrong)
            for node, one, (level, change) in zip(self._nodes, weighed, sure, strict=True)
        ]
        done = [NextTest.SPLIT] if self._tried and np.isfinite(self._dead.late).any() else []
        if not self._own_throttles:
            done.append(NextTest.STOP)
        left_out = {c for one in self._balance.whole_engine for c in one.reference.suspect}
        return Causes(
            cylinders=tuple(
                self._cylinder(cylinder, k, suspects[k], done=done, spared=cylinder in left_out)
                for cylinder, k in sorted(
                    (c, k) for k, node in enumerate(self._nodes) for c in node.cylinders
                )
            ),
            patterns=find_patterns(self._session, self._needs()),
            tests=rate_tests(suspects, done),
            left_out_of_reference=tuple(sorted(left_out)),
            cells=int(self._known.sum()),
            notes=(*notes, *self._notes()),
            balance=self._balance,
        )

    def _weigh(self, node: int) -> Weighed | None:
        """The causes of one node over the cells in which it has a need; None where there are too few."""
        if not self._known.any():
            return None
        has = np.isfinite(self._y[:, node]) & np.isfinite(self._variance[:, node])
        if has.sum() < CELLS_FOR_CHANGE:
            return None
        conditions = type(self._conditions)(*(column[has] for column in self._conditions))
        y, variance = self._y[has, node], self._variance[has, node].copy()
        late, error = float(self._dead.late[node]), float(self._dead.error[node])
        if np.isfinite(late) and self._in_ms:
            y = y - late / conditions.pulse
            variance += (error / conditions.pulse) ** 2
        shapes = Shapes.of(conditions, own_throttles=self._own_throttles)
        if np.isfinite(late):
            shapes = shapes.without(PossibleCause.DEAD_TIME)
        half = float(self._bias_half[node]) if len(self._bias_half) else np.nan
        known = half / 100 / NORMAL_95_SIX_DECIMALS if np.isfinite(half) else None
        return weigh(y, variance, shapes, known)

    def _needs(self) -> Floats:
        """Percent of each node over the cells; NaN where not known."""
        of = {one.cylinder: one.needs_percent for one in self._balance.cylinders}
        needs = np.array([of[node.cylinders[0]] for node in self._nodes])
        return needs if len(self._balance.groups) == 1 else np.full(len(needs), np.nan)

    def _cylinder(
        self, cylinder: int, node: int, suspect: Suspect, *, done: Sequence[NextTest], spared: bool
    ) -> CylinderCauses:
        weighed = suspect.weighed
        late, error = float(self._dead.late[node]), float(self._dead.error[node])
        causes = self._shares(suspect)
        named = {one.cause for one in causes}
        groups = () if weighed is None else weighed.not_separated
        together = tuple(part for group in groups if len(part := tuple(c for c in group if c in named)) > 1)
        half = np.nan if weighed is None else NORMAL_95_SIX_DECIMALS * weighed.level_error
        return CylinderCauses(
            cylinder=cylinder,
            position=self._nodes[node].position,
            sensor=self._nodes[node].sensor,
            level_percent=np.nan if weighed is None else 100 * float(np.expm1(weighed.level)),
            level_half=100 * half,
            change_percent=self._change_of(weighed) if weighed is not None and suspect.change else np.nan,
            causes=causes,
            not_separated=together,
            variance_inflation={} if weighed is None else weighed.inflation,
            dead_time_ms=late,
            dead_time_half=NORMAL_95_SIX_DECIMALS * error,
            tests=rate_tests([suspect], done),
            flags=tuple(self._flags(node, suspect, causes, spared=spared)),
        )

    def _shares(self, suspect: Suspect) -> tuple[CauseShare, ...]:
        weighed = suspect.weighed
        if weighed is None:
            return ()
        asked = [
            cause
            for cause in USUAL_CAUSES
            if (suspect.level if cause in LEVEL_CAUSES else suspect.change)
            and weighed.share(cause) >= LEAST_SHARE
        ]
        shares = [CauseShare(cause, weighed.share(cause), *self._size(cause, weighed)) for cause in asked]
        return tuple(sorted(shares, key=lambda one: -one.share))

    def _size(self, cause: PossibleCause, weighed: Weighed) -> tuple[float, float]:
        """How large a cause would be if it alone explained the change, with half of the interval."""
        alone = next((one for one in weighed.changes if one.causes == (cause,)), None)
        if (
            alone is None
            or cause is PossibleCause.GAIN
            or (cause is PossibleCause.DEAD_TIME and not self._in_ms)
        ):
            return np.nan, np.nan
        half = NORMAL_95_SIX_DECIMALS * alone.errors[0]
        if cause is PossibleCause.DEAD_TIME:
            return alone.sizes[0], half
        return 100 * float(np.expm1(alone.sizes[0])), 100 * half

    def _change_of(self, weighed: Weighed) -> float:
        """Range of what the likeliest explanation says of the change, percent."""
        best: ChangeExplanation = next((one for one in weighed.changes if one.causes), weighed.changes[0])
        shapes = Shapes.of(self._conditions, own_throttles=self._own_throttles)
        total = np.zeros(int(self._known.sum()))
        for cause, exponent, size in zip(best.causes, best.exponents, best.sizes, strict=True):
            total = total + size * shapes.find(cause, exponent)
        return 100 * float(np.ptp(total)) if len(total) else np.nan

    def _flags(
        self, node: int, suspect: Suspect, causes: Sequence[CauseShare], *, spared: bool
    ) -> Iterable[Note]:
        weighed = suspect.weighed
        if weighed is None:
            yield note(CauseNote.TOO_FEW_CELLS, wanted=CELLS_FOR_CHANGE)
        elif not suspect.level and not suspect.change:
            yield note(CauseNote.NOTHING_APART)
        if spared:
            yield note(CauseNote.LEFT_OUT_OF_REFERENCE, own_throttles=self._own_throttles)
        late, error = float(self._dead.late[node]), float(self._dead.error[node])
        if np.isfinite(late):
            half = NORMAL_95_SIX_DECIMALS * error
            apart = abs(late) > half and abs(late) + half > _SOUND_DEAD_TIME_MS
            code = CauseNote.DEAD_TIME_FOUND if apart else CauseNote.DEAD_TIME_ALIKE
            yield note(code, dead_time_ms=late, half_ms=half)
        elif any(one.cause is PossibleCause.DEAD_TIME for one in causes) and weighed is not None:
            yield note(
                CauseNote.DEAD_TIME_NOT_SEPARABLE,
                inflation=weighed.inflation[PossibleCause.DEAD_TIME],
            )
        if self._compared.moving[node]:
            yield note(CauseNote.DRIFTS)

    def _notes(self) -> Iterable[Note]:
        """What there is to know of the whole, with what the balance says of it that bears on causes."""
        yield from (
            one for one in (*self._balance.withheld, *self._balance.notes) if one.code in _OF_THE_BALANCE
        )
        if not self._in_ms and self._known.any():
            yield note(CauseNote.FLOW_BY_SPEED_AND_LOAD)
        elif self._known.any() and self._session.injection.dead_time_ms is None:
            yield note(CauseNote.DEAD_TIME_NOT_GIVEN)
        if self._compared.rich and not self._compared.suspects.any():
            cylinders = tuple(c for node in self._compared.rich for c in self._nodes[node].cylinders)
            yield note(CauseNote.OTHERS_MAY_LEAK, cylinders=cylinders)
        if self._session.injection.fuel_rails is None:
            yield note(CauseNote.RAIL_NOT_GIVEN)


def _aligned(table: NeedTable) -> tuple[Floats, Floats]:
    """Needs against the middle of the nodes, and the variances of their errors, float64[m, n].

    The middle is a median, of what all have in common in a cell and of levels: against the mean, one weak
    injector makes all others look rich. Its own error is added.
    """
    y = table.aligned()
    y -= median_with_holes(median_with_holes(y, axis=0), axis=0)
    own = np.where(np.isfinite(table.y), np.fmax(table.half / table.z, 0.0) ** 2, np.nan)
    count = np.isfinite(own).sum(axis=1, keepdims=True)
    middle = _MEDIAN_VARIANCE * np.nansum(own, axis=1, keepdims=True) / np.maximum(count, 1) ** 2
    return y, own + middle + _ODD_CELL_ERROR**2


def _sure_of(weighed: Sequence[Weighed | None]) -> list[tuple[bool, bool]]:
    """For each node, whether level and change are sure to be there, by Holm's procedure over all."""
    looks = [
        (p, node, part)
        for node, one in enumerate(weighed)
        if one is not None
        for part, p in enumerate((one.p_level, one.p_change))
    ]
    out = [[False, False] for _ in weighed]
    for k, (p, node, part) in enumerate(sorted(looks)):
        if p * (len(looks) - k) >= LEVEL:
            break
        out[node][part] = True
    return [(level, change) for level, change in out]
