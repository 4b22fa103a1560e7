"""The stage behind every screen: rows and operator actions in, a Snapshot at any moment.

    observer = Observer(binding)
    for rows in pipeline.feed(frames):
        events = observer.feed(rows)     # every alarm record, each once
    shown = observer.snapshot()

Its results depend neither on how the rows were cut into blocks, nor on when a snapshot was taken.
Values, alarms and events are those of the newest row. Balance, pulls, history and the check list take rows
by the quarter of a second (`SLOW_ROWS`), counted from the first row of the stretch; the balance in a snapshot
is renewed every other second of data time. `balance` is exact.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType

import numpy as np

from mixmon.arrays import SECOND_NS, Bytes, Floats
from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.misfire import MisfireWatch
from mixmon.findings.alarms.records import AlarmEvent, OperatorAction
from mixmon.findings.balance.balance import Balance, BalanceStage, Dwelling
from mixmon.findings.balance.cells import CellFit
from mixmon.findings.balance.curve import with_curve_note
from mixmon.findings.balance.dwell import BATCH_ROWS, GUARD_BATCHES
from mixmon.findings.events.event import Event
from mixmon.findings.events.events import EventStage
from mixmon.findings.identity.guide import StepAction, StepGuide
from mixmon.findings.identity.identity import Identity
from mixmon.findings.identity.own import OwnSteps
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import ExcludedTime, PullNote, PullVerdict, Suggestion, around_misfires
from mixmon.findings.pulls.review import PullReview, review
from mixmon.findings.stats import (
    BATCH_S,
    FEWEST_EFFECTIVE,
    engine_lambda,
    mean_of_known,
    needs_percent,
    student_t95,
)
from mixmon.findings.trims.sheet import TrimSheet, make_sheet
from mixmon.messages.binding import Binding
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState, join_blocks
from mixmon.mixture.steady import NOWHERE, Cell, CellGrid
from mixmon.note import Note, note
from mixmon.session.charges import reference_weights
from mixmon.session.default_limits import limits_in_force
from mixmon.session.fuel_steps import FuelStep
from mixmon.session.keys import trim_quantity
from mixmon.session.model import Chain
from mixmon.watch.commissioning import CommissioningStage
from mixmon.watch.history import HistoryStage
from mixmon.watch.limits import MixtureRules
from mixmon.watch.snapshot import Cylinders, Holding, Snapshot, Strip, StripNeeds

SHOWN_EVENTS = 500
"""Our choice: more than anybody scrolls through; the run on disk keeps all."""

SHOWN_STRETCHES = 50
"""Our choice: more than any log of use has; beyond, what came in the oldest ones is sorted by its stamps."""

SHOWN_PULLS = 30
"""Our choice: a screen compares the latest ones; a report takes all."""

WANTED_PERCENT = 0.5
"""Half-width of the interval at which a dwell is long enough; our choice: half a trim step of 1 %."""

SLOW_ROWS = 25
"""Rows that stages take together of which nobody sees single rows: balance, pulls, history and what is like
them. Our choice: a quarter of a second; a block costs nearly the same however few rows it has."""

RENEWAL_NS = 2 * SECOND_NS
"""Our choice: a balance costs more than a hundred rows, and its numbers move slowly."""


class Observer:
    """A stage over CylinderBlocks, each of one stretch of time.

    left_out        cylinders to exclude
    wanted_percent  half-width of the interval at which a dwell is long enough
    steps           fuel steps that a file beside a log lists
    begin_s         seconds of the log before the first row

    t, stretch      of the newest row; None and 0 before the first
    engine          engine quantities then; replaced, never changed
    rows            rows taken
    origin_ns       stamp from which moments are counted: of the first frame, of the whole log where a part is
                    played; None: the first row's

    Raises:
        UsageError: a limit of the session cannot be watched as it is written.
    """

    def __init__(
        self,
        binding: Binding,
        *,
        left_out: frozenset[int] = frozenset(),
        wanted_percent: float = WANTED_PERCENT,
        steps: Sequence[FuelStep] | None = None,
        begin_s: float = 0.0,
    ) -> None:
        session = binding.session
        nodes = session.chain.nodes
        weights = reference_weights(session)
        self._session = session
        self._gaps = binding.gaps
        self._fuel, self._curve_assumed = binding.fuel, binding.curve_assumed
        self._wanted_percent = wanted_percent
        self._recent = RecentRows(weights)
        self._strip = StripStage(weights)
        self._history = HistoryStage()
        self._mixture_rules = MixtureRules(session)
        self._balance = BalanceStage(session, left_out)
        self._own_steps = OwnSteps(binding, steps, begin_s, left_out)
        self._excursions = EventStage(session, binding.fuel)
        misfires = MisfireWatch(nodes, binding.fuel, self._excursions.lags_at)
        self._alarms = Alarms(limits_in_force(session).alarms, nodes, misfires, self._excursions.paces_at)
        every = range(1, session.engine.cylinders + 1)
        reported = all(trim_quantity(cylinder) in binding.engine for cylinder in every)
        self._guide = StepGuide(session, reported=reported)
        self._commissioning = CommissioningStage(binding)
        self._pulls = PullStage(session)
        self._pulled: deque[Pull] = deque(maxlen=SHOWN_PULLS)
        self._review: PullReview | None = None
        self._review_due = False
        self._verdicts: dict[int, bool] = {}
        self._around_misfires: deque[ExcludedTime] = deque(maxlen=SHOWN_EVENTS)
        self._new: list[Event] = []
        self._happened: deque[Event] = deque(maxlen=SHOWN_EVENTS)
        self._events: deque[AlarmEvent] = deque(maxlen=SHOWN_EVENTS)
        self._holding: Holding | None = None
        self._holding_due = True
        self._held: list[CylinderBlock] = []
        self._held_events: list[Event] = []
        self._row_of_stretch = 0
        self.engine: dict[str, float] = {}
        self._balance_now: tuple[int, Balance | None] = (-1, None)
        self._sheet: TrimSheet | None = None
        self.t: int | None = None
        self.stretch = 0
        self.rows = 0
        self.origin_ns: int | None = None
        self._stretches: deque[tuple[int, int]] = deque(maxlen=SHOWN_STRETCHES)

    def feed(self, rows: CylinderBlock) -> tuple[AlarmEvent, ...]:
        """Takes rows; returns the alarm records that they caused."""
        if not len(rows):
            return ()
        self._recent.feed(rows)
        self._strip.feed(rows)
        self._feed_guide(rows)
        events = self._excursions.feed(rows)
        self._hold_rows(rows, events)
        self._note_events(events)
        self.engine = {name: float(column[-1]) for name, column in rows.now.items()}
        self._note_stretch(rows)
        self.t, self.stretch = int(rows.t[-1]), int(rows.stretch[-1])
        if self.origin_ns is None:
            self.origin_ns = int(rows.t[0])
        self.rows += len(rows)
        return self._keep_records(self._alarms.feed(rows, events))

    def _hold_rows(self, rows: CylinderBlock, events: Sequence[Event]) -> None:
        """Keep rows, and what was found in them, until `SLOW_ROWS` of them are there."""
        if not self.rows or self.stretch != rows.stretch[0]:
            self._work_held()
            self._row_of_stretch = 0
        self._held_events += events
        self._row_of_stretch += len(rows)
        due = len(rows) - self._row_of_stretch % SLOW_ROWS
        if due > 0:
            self._held.append(rows.take(slice(0, due)))
            self._work_held()
        if due < len(rows):
            self._held.append(rows.take(slice(max(due, 0), None)))

    def _work_held(self) -> None:
        """Give the rows held so far to the stages that nobody waits for."""
        if self._held:
            rows = join_blocks(self._held)
            self._held = []
            self._history.feed(rows)
            self._balance.feed(rows)
            self._own_steps.feed(rows)
            self._commissioning.feed(rows, self._excursions.cuts)
            self._add_pulls(self._pulls.feed(rows))
            self._holding_due = True
        self._exclude_events(self._held_events)
        self._held_events = []

    def _note_stretch(self, rows: CylinderBlock) -> None:
        """Keep from where to where the stretch of time reaches."""
        begin = int(rows.t[0])
        if self._stretches and int(rows.stretch[0]) == self.stretch:
            begin = self._stretches.pop()[0]
        self._stretches.append((begin, int(rows.t[-1])))

    def flush(self) -> tuple[AlarmEvent, ...]:
        """The end of the rows: the records of actions that are stamped behind the last one."""
        events = self._excursions.flush()
        self._held_events += events
        self._work_held()
        self._note_events(events)
        self._commissioning.take_cuts(self._excursions.cuts)
        self._add_pulls(self._pulls.flush())
        return self._keep_records(self._alarms.flush(events))

    def act(self, action: OperatorAction) -> OperatorAction:
        """The action as it must be recorded; its own records come from `result`, or with later rows.

        Raises:
            UsageError: there is no such alarm.
        """
        return self._alarms.act(action)

    def explain(self, cause: str, *, of_engine: bool = False) -> tuple[OperatorAction, ...]:
        """Says from now on why all nodes, or the engine, are silent; the actions as they must be recorded."""
        actions = self._alarms.explain(self.t or 0, cause, of_engine=of_engine)
        return tuple(self.act(action) for action in actions)

    def result(self) -> tuple[AlarmEvent, ...]:
        """The records of actions that wait for no row."""
        return self._keep_records(self._alarms.result())

    def judge_pull(self, begin: int, *, keep: bool) -> None:
        """Keeps or rejects the pull that began at that time, ns, against the suggestion."""
        self._verdicts[begin] = keep
        self._pulled = deque((self._apply_judgement(pull) for pull in self._pulled), SHOWN_PULLS)
        self._review_due = True

    def judge_cell(self, cell: Cell, *, keep: bool) -> None:
        """Excludes a cell from needs and trims, or counts it again."""
        self._balance.judge(cell, keep=keep)
        self._holding_due = True
        self._balance_now = (-1, self._balance_now[1])

    def act_on_steps(self, action: StepAction) -> StepAction:
        """The action on the test by fuel steps as it must be recorded.

        Raises:
            UsageError: it has no effect now.
        """
        return self._guide.act(action)

    def identity(self) -> Identity | None:
        """What the fuel steps so far say, exactly; None before the first."""
        return self._guide.identity()

    def _feed_guide(self, rows: CylinderBlock) -> None:
        """Gives rows to the test by fuel steps; a proof that was kept lifts the lock of the trims."""
        before = self._guide.evidence
        self._guide.feed(rows)
        if (evidence := self._guide.evidence) is not before and evidence is not None:
            self._own_steps.keep(evidence)
            self._balance_now = (-1, self._balance_now[1])

    def silences(self) -> tuple[OperatorAction, ...]:
        """The actions that would silence a new observer's alarms as the operator has silenced these."""
        return self._alarms.silences()

    def reset_peaks(self) -> None:
        """Starts the largest needs anew."""
        self._recent.reset_peaks()

    def balance(self, against: str = "peers", missing: tuple[Note, ...] = ()) -> Balance:
        """The balance of everything so far, exactly; `missing` are notes on messages that never came."""
        self._work_held()
        standing, on_labels = self._own_steps.result()
        self._balance.take_standing(standing)
        found = self._balance.result(against, (*self._gaps, *missing, *on_labels))
        return with_curve_note(found, self._fuel, assumed=self._curve_assumed)

    def pulls(self) -> tuple[Pull, ...]:
        """The latest pulls that have ended."""
        return tuple(self._pulled)

    def snapshot(self) -> Snapshot:
        """This moment, by the rows taken so far."""
        now, alarms = self._recent.now(), self._alarms.current()
        target = self.engine.get("target", float("nan"))
        balance = self._renew_balance()
        return Snapshot(
            t=self.t,
            elapsed_s=0.0 if self.t is None else (self.t - (self.origin_ns or 0)) / 1e9,
            engine=MappingProxyType(self.engine),
            target=target,
            all_vs_target=now.all_vs_target,
            spread=now.spread,
            valid=now.valid,
            leanest=now.leanest,
            cylinders=now.cylinders,
            strip=self._strip.strip(),
            history=self._history.history(),
            holding=self._renew_holding(),
            alarms=alarms,
            limits=self._mixture_rules.limits(self.engine, alarms.suppressed, target),
            balance=balance,
            sheet=self._sheet,
            identity=self._own_steps.lately(),
            pulls=self._review_pulls(),
            stretches=tuple(self._stretches),
            steps=self._guide.now(),
            commissioning=self._commissioning.result(),
            buses=(),
            alarm_events=tuple(self._events),
            happened=tuple(self._happened),
        )

    def _renew_holding(self) -> Holding | None:
        """The dwell under way, by the rows that the balance has."""
        if self._holding_due:
            self._holding_due = False
            self._holding = find_holding(
                self._balance.dwelling(),
                self._balance.grid,
                self._session.chain,
                self._session.validity.settle_s,
                self._wanted_percent,
            )
        return self._holding

    def _renew_balance(self) -> Balance | None:
        """The balance of these two seconds of data time."""
        second = (self.rows - 1) * GRID_NS // RENEWAL_NS
        if second != self._balance_now[0] and self._balance.counted:
            self._balance.take_standing(self._own_steps.lately())
            found = self._balance.quick_result(gaps=self._gaps)
            self._balance_now = second, found
            self._sheet = make_sheet(self._balance.session_held, found, by_cell=False)
        return self._balance_now[1]

    def happened(self) -> list[Event]:
        """Misfires, cuts, excursions and drop-outs found since the last call."""
        new, self._new = self._new, []
        return new

    def _add_pulls(self, pulls: Sequence[Pull]) -> None:
        if pulls:
            self._pulled.extend(map(self._apply_judgement, pulls))
            self._review_due = True

    def _review_pulls(self) -> PullReview | None:
        """The pulls side by side; what was read around misfires is not counted once they are known."""
        if self._review_due and self._pulled:
            self._review = review(self._session, tuple(self._pulled), tuple(self._around_misfires))
        self._review_due = False
        return self._review

    def _apply_judgement(self, pull: Pull) -> Pull:
        keep = self._verdicts.get(pull.begin)
        if keep is None:
            return pull
        suggestion = Suggestion.KEEP if keep else Suggestion.REJECT
        reasons = () if keep else (note(PullNote.REJECTED_BY_OPERATOR),)
        judged = PullVerdict(suggestion, reasons, pull.verdict.notes)
        return replace(pull, verdict=judged)

    def _exclude_events(self, events: Sequence[Event]) -> None:
        """What was read around events does not count, in rows that were fed or that follow."""
        self._balance.exclude(events)
        around = around_misfires(self._session, events)
        self._around_misfires.extend(around)
        if any(m.begin < pull.end and pull.begin < m.end for m in around for pull in self._pulled):
            self._review_due = True

    def _note_events(self, events: Sequence[Event]) -> None:
        self._new.extend(events)
        self._happened.extend(events)

    def _keep_records(self, events: tuple[AlarmEvent, ...]) -> tuple[AlarmEvent, ...]:
        self._events.extend(events)
        return events


# The newest two seconds of rows: the cylinders now, and the largest needs so far.

WHISKER_ROWS = 200
"""Two seconds; our choice: the range that a person still connects with the bar."""

QUARTER_ROWS = 25
"""A quarter of a second, as long as a batch; our choice: readings shown are as steady as those that count."""


@dataclass(frozen=True, slots=True, eq=False)
class EngineNow:
    """The cylinders, and the engine as a whole, as in Snapshot."""

    cylinders: Cylinders
    all_vs_target: float
    spread: float
    valid: int
    leanest: int | None


class RecentRows:
    """A stage: rows in; `now` gives the state of the cylinders from the newest rows.

    weights  float64[n], air that passes each node's sensor

    Only valid rows count. Needs are against the target; against the valid peers in a
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
        """Takes rows of one stretch of time; rows of an earlier stretch are dropped."""
        if self._newest is not None and self._newest.stretch[0] != rows.stretch[0]:
            self._need = self._lam = self._oxygen = self._target = self._none
        valid = rows.state == SampleState.VALID
        lam = np.where(valid, rows.lam, np.nan)
        like = np.where(valid, rows.comparable, np.nan)
        target = np.where(valid, rows.shifted["target"], np.nan) if "target" in rows.shifted else None
        if target is None:
            need = needs_percent(like, engine_lambda(like, self._weights)[:, None])
        else:
            need = needs_percent(lam, target)
        self._worst = np.fmax(self._worst, np.fmax.reduce(need, axis=0))
        self._need = _keep_last(self._need, need, WHISKER_ROWS)
        self._lam = _keep_last(self._lam, lam, QUARTER_ROWS)
        self._oxygen = _keep_last(self._oxygen, np.where(valid, rows.oxygen, np.nan), QUARTER_ROWS)
        wanted = np.full_like(lam, np.nan) if target is None else target
        self._target = _keep_last(self._target, wanted, QUARTER_ROWS)
        self._newest = rows.take(slice(-1, None))

    def reset_peaks(self) -> None:
        """Starts the largest needs anew."""
        self._worst = np.full(self._nodes, np.nan)

    def now(self) -> EngineNow:
        """The cylinders and the engine by the newest rows."""
        lam, target = mean_of_known(self._lam), mean_of_known(self._target)
        row = self._newest
        state = np.full(self._nodes, SampleState.SILENT, np.uint8) if row is None else row.state[0]
        usable = (state == SampleState.VALID) & np.isfinite(lam)
        own = 1.0 if row is None or "own_target" not in row.aux else row.aux["own_target"][0]
        engine = engine_lambda(np.where(usable, lam / own, np.nan), self._weights)
        vs_target, vs_peers = needs_percent(lam, target), needs_percent(lam / own, engine)
        wanted = engine_lambda(np.where(usable, target / own, np.nan), self._weights)
        return EngineNow(
            self._make_cylinders(row, state, lam, vs_target, vs_peers),
            float(needs_percent(engine, wanted)),
            _range_of(vs_peers[usable]),
            int((state == SampleState.VALID).sum()),
            _find_leanest(np.where(usable, vs_target, np.nan), np.where(usable, vs_peers, np.nan)),
        )

    def _make_cylinders(
        self,
        row: CylinderBlock | None,
        state: Bytes,
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


def _keep_last(before: Floats, more: Floats, rows: int) -> Floats:
    """The newest rows, as an array of its own."""
    if len(more) >= rows:
        return more[-rows:].copy()
    return np.concatenate([before[len(more) - rows :] if len(before) + len(more) > rows else before, more])


def _range_of(needs: Floats) -> float:
    return float(needs.max() - needs.min()) if len(needs) > 1 else float("nan")


def _find_leanest(vs_target: Floats, vs_peers: Floats) -> int | None:
    for needs in (vs_target, vs_peers):
        if np.isfinite(needs).any():
            return int(np.nanargmax(needs))
    return None


# The strip: twenty seconds back, ten points a second.

POINT_NS = 100_000_000
"""Our choice: ten points a second, as many as a screen draws."""

POINTS = 200
"""Our choice: twenty seconds, one pull."""


class StripStage:
    """A stage: rows in; one point for every tenth of a second that is over.

    A point belongs to its tenth of a second of data time, however the rows were cut into blocks.
    """

    def __init__(self, weights: Floats) -> None:
        self._weights = weights
        self._open: list[CylinderBlock] = []
        self._begin: int | None = None
        self._slot = -1
        self._points: deque[tuple[int, float, float, float]] = deque(maxlen=POINTS)
        self._drawn: tuple[int, Strip] | None = None

    def feed(self, rows: CylinderBlock) -> None:
        """Takes rows of one stretch of time; points of an earlier stretch are dropped."""
        if self._open and self._open[0].stretch[0] != rows.stretch[0]:
            self._open.clear()
            self._points.clear()
            self._begin = self._drawn = None
        if self._begin is None:
            self._begin = int(rows.t[0])
        oldest = int(rows.t[-1]) - (POINTS + 1) * POINT_NS
        if rows.t[0] < oldest:
            rows = rows.take(slice(int(np.searchsorted(rows.t, oldest)), None))
        slots = (rows.t - self._begin) // POINT_NS
        borders = [0, *(np.flatnonzero(np.diff(slots)) + 1).tolist(), len(rows)]
        for first, end in pairwise(borders):
            slot = int(slots[first])
            if self._open and slot != self._slot:
                self._close_point()
            self._slot = slot
            self._open.append(rows.take(slice(first, end)))

    def strip(self) -> Strip:
        """The points so far, oldest first; the same object until there is another one."""
        if self._drawn is None or self._drawn[0] != self._slot:
            self._drawn = self._slot, self._draw_points()
        return self._drawn[1]

    def _draw_points(self) -> Strip:
        table = np.array(self._points, np.float64).reshape(-1, 4)
        slot, target, engine, leanest = table.T
        seconds = (slot - self._slot) * (POINT_NS / 1e9)
        return make_strip(seconds, target, engine, leanest)

    def _close_point(self) -> None:
        lam = np.concatenate(
            [np.where(r.state == SampleState.VALID, r.comparable, np.nan) for r in self._open]
        )
        mean = mean_of_known(lam)
        now = [r.now["target"] for r in self._open if "target" in r.now]
        target = float(mean_of_known(np.concatenate(now))) if now else float("nan")
        leanest = float(np.fmax.reduce(mean))
        self._points.append((self._slot, target, float(engine_lambda(mean, self._weights)), leanest))
        self._open.clear()


def make_strip(t_s: Floats, target: Floats, engine: Floats, leanest: Floats) -> Strip:
    """The strip of lambdas at `t_s`: the target, all cylinders together, the leanest one."""
    return Strip(
        t_s,
        *(
            StripNeeds(_known_needs(engine, reference), _known_needs(leanest, reference))
            for reference in (target, engine)
        ),
    )


def _known_needs(lam: Floats, reference: Floats) -> Floats:
    """Needs against the reference, percent; NaN where the quotient is not a finite number."""
    with np.errstate(all="ignore"):  # a sender may report any number
        needs = 100.0 * (lam / reference - 1.0)
    return np.where(np.isfinite(needs), needs, np.nan)


# How long a dwell must still last until its needs are known well enough.
#
# A cylinder's interval shrinks with the number of its batches: half = t(e - 1) s / sqrt(e - 1), e the
# effective number of batches (see `findings.stats`), s their scatter. Scatter and correlation are
# taken as they were so far. Scatter from few batches is uncertain, so each cylinder's is averaged with
# that of all cylinders, which weighs as much as `_PRIOR_BATCHES` batches.

_SHOWN_ROWS = 50  # our choice: half a second of steady time before a dwell is shown
_PRIOR_BATCHES = 10.0  # our choice: from about 2.5 s on a cylinder's own scatter weighs more
_PRESENT_SHARE = 0.5  # our choice: a cylinder with less of the cell's time is not waited for

# Half-width over scatter for effective numbers from the fewest to a very long dwell, falling; 400 points keep
# the interpolation within a thousandth (computed at the midpoints).
_EFFECTIVE = np.geomspace(FEWEST_EFFECTIVE, 1e6, 400)
_WIDTH = np.array([student_t95(e - 1.0) / np.sqrt(e - 1.0) for e in _EFFECTIVE.tolist()])


def find_holding(
    dwelling: Dwelling, grid: CellGrid, chain: Chain, settle_s: float, wanted_percent: float = WANTED_PERCENT
) -> Holding | None:
    """The dwell under way; None while the engine is not steady."""
    if dwelling.cell == NOWHERE or dwelling.still < _SHOWN_ROWS:
        return None
    settle = max(0.0, settle_s - dwelling.still * GRID_NS / 1e9)
    cell, judged = grid.cell(dwelling.cell), dwelling.judged
    used = np.zeros(len(chain.nodes)) if judged is None else judged.usable_s
    present = used >= max(_PRESENT_SHARE * float(used.max()), BATCH_S)
    least = float(used[present].min()) if present.any() else 0.0
    left, worst = None, None
    if judged is not None and present.any():
        need = np.where(present, _batches_left(judged, wanted_percent), -np.inf)
        if not np.isnan(need).any():
            node = int(need.argmax())
            worst = chain.nodes[node].cylinders[0]
            left = _seconds_until(float(need[node]), dwelling.waiting) + settle if need[node] > 0 else 0.0
    return Holding(cell, settle, least, wanted_percent, left, worst)


def _batches_left(judged: CellFit, wanted_percent: float) -> Floats:
    """For every node, batches that are still needed, zero or less when there are enough; NaN: not known."""
    batches = judged.usable_s / BATCH_S
    effective, error = judged.effective, judged.errors
    variance = error**2 * (effective - 1.0)
    known = np.isfinite(variance)
    if not known.any():
        return np.full(len(batches), np.nan)
    least = 1e-12  # keeps a divisor above zero; far below any scatter or number of batches
    pooled = float(variance[known].mean())
    scatter = np.sqrt((effective * variance + _PRIOR_BATCHES * pooled) / (effective + _PRIOR_BATCHES))
    width = wanted_percent / 100.0 / np.maximum(scatter, least)
    wanted = np.interp(width, _WIDTH[::-1], _EFFECTIVE[::-1])
    half = np.array([student_t95(max(n - 1.0, 1.0)) for n in effective]) * error
    left: Floats = batches * (wanted / np.maximum(effective, least) - 1.0)
    return np.where(known, np.where(half <= wanted_percent / 100.0, 0.0, np.maximum(left, 1.0)), np.nan)


def _seconds_until(batches: float, waiting: int) -> float:
    """Seconds until that many more batches count; the last ones count only after others have followed."""
    rows = (np.ceil(batches) + GUARD_BATCHES) * BATCH_ROWS - waiting
    return max(float(rows), 0.0) * GRID_NS / 1e9
