"""A guided step test: fuel steps one after another, what each label answers to each, and the identity so far.

    guide = StepGuide(session)
    guide.act(StepAction(t, StepVerb.BEGIN))     # a person has typed the next step of the plan
    guide.feed(rows)
    guide.act(StepAction(t, StepVerb.END))       # and has taken it back
    guide.now()                                  # where the test stands

A person marks where each step begins and ends; where the engine control reports its trims, the steps are
taken from these, and nobody marks anything. A step during which speed or load left what they were counts for
no step of the plan, so the plan asks for it again. Where the stamps jump, the test begins anew.

Kept: the last ten seconds of rows, those since a step began, and what `IdentityStage` keeps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from mixmon.arrays import SECOND_NS, Floats
from mixmon.errors import UsageError
from mixmon.findings.identity.answers import STEP_SHARE
from mixmon.findings.identity.identity import Identity, IdentityStage
from mixmon.findings.identity.plan import USUAL_STEP_PERCENT, plan_steps
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.injectors import trimmed_together
from mixmon.session.keys import trim_quantity
from mixmon.session.model import IdentityEvidence, Session

Percents = tuple[tuple[int, float], ...]
"""Percent of fuel by cylinder; a cylinder that is not named keeps its fuel."""

RESULT_AFTER_S = 2.0
"""Seconds after a step in which its answer has come: the longest delay behind steps that a person typed."""

LONGEST_STEP_S = 60.0
"""Our choice: trims that stay for so long are no step but new trims; what moves later counts from them."""

_ROWS_BEFORE = 1000
"""Rows kept before a step: our choice, ten seconds; a window needs four, and a level one."""

_BEFORE_S = (2.0, 0.5)
"""The level before a step is the mean of this time before its mark: our choice; who types is half a second
late at times."""

_REPORTED_BEFORE_S = (0.5, 0.0)
"""The same where the engine control reports the moment: our choice, two batches."""

_TOGETHER_S = 0.5
"""Trims that move within so long are one step: our choice; each message brings some cylinders' trims."""

_AFTER_S = 1.5
"""Seconds of a step that its answer does not count: our choice, delay and lag of most sensors."""

_LATE_S = 0.5
"""Seconds at its end that its answer does not count: our choice, as before a step."""

_FEW_STEPS = 8
"""Of plans with more steps the result is renewed about so often: our choice; 32 single steps of sixteen
cylinders take most of a second to be judged."""

_SHOWN_S = 1.0
"""The answer of a step under way is the mean of so many seconds: our choice, what a person can follow."""


class StepVerb(StrEnum):
    """What is done to the test; the values stand in the notes of a run."""

    PLAN = "plan"
    BEGIN = "begin"
    END = "end"
    KEEP = "keep"


@dataclass(frozen=True, slots=True)
class StepAction:
    """One act of a person at data time `t`, ns.

    single, percent  PLAN: one group at a time, and the size of the steps; all steps so far are forgotten
    fuel             BEGIN: percent of fuel by cylinder
    evidence         KEEP: the proof that is in force from then on
    """

    t: int
    verb: StepVerb
    stretch: int = 0
    single: bool = False
    percent: float = USUAL_STEP_PERCENT
    fuel: Percents = ()
    evidence: IdentityEvidence | None = None


@dataclass(frozen=True, slots=True, eq=False)
class GuidedStep:
    """One step as it was made.

    place    of the plan's step, from 0; None where the plan has none like it
    begin, end  data time, ns; the end is None while the step is held
    answers  float64[n], percent of fuel by which each label's reading moved, + for more; NaN if not known
    moved    speed or load left what they were
    """

    place: int | None
    fuel: Percents
    begin: int
    end: int | None
    answers: Floats
    moved: bool

    @property
    def counts(self) -> bool:
        """Whether it is a step of the plan that is done: held long enough for an answer, in one state."""
        return self.place is not None and self.end is not None and not self.moved and self.answered

    @property
    def answered(self) -> bool:
        """Whether what any label answered is known."""
        return bool(np.isfinite(self.answers).any())


@dataclass(frozen=True, slots=True, eq=False)
class StepTest:
    """Where the test stands.

    reported  the steps are those of the engine control's trims; nobody marks them
    plan      percent of fuel by cylinder, a step each; empty where all cylinders have one trim
    steps     made so far, the last one may be held still
    next      place of the step that the plan asks for, or that is held; None: all are done
    held_s    for how long the step is held; since the last one ended; 0 before the first
    result    what the steps say, renewed two seconds after each; None before that
    waiting   the answer of the last step is still to come
    closed_loop  the engine control reports that it corrects by its own sensor now
    evidence  the proof that was kept while watching; None: none was
    """

    reported: bool
    single: bool
    percent: float
    plan: tuple[Percents, ...]
    steps: tuple[GuidedStep, ...] = ()
    next: int | None = None
    held_s: float = 0.0
    result: Identity | None = None
    waiting: bool = False
    closed_loop: bool = False
    evidence: IdentityEvidence | None = None

    @property
    def open(self) -> bool:
        """Whether a step is held now."""
        return bool(self.steps) and self.steps[-1].end is None


class StepGuide:
    """A stage: rows in, and acts of a person; see `StepTest`.

    Args:
        session: that the rows are of.
        reported: the trims of all cylinders are mapped.

    evidence  the proof that a person has kept; None: none was
    """

    def __init__(self, session: Session, *, reported: bool = False) -> None:
        self._session, self._reported = session, reported
        self._groups = trimmed_together(session)
        self._pending: deque[StepAction] = deque()
        self.evidence: IdentityEvidence | None = None
        self._stretch = self._t = -1
        self._any = self._closed_loop = False
        self._result: Identity | None = None
        self._result_at: int | None = None
        self._base: Floats | None = None
        self._trims: Floats | None = None
        self._set_plan(single=False, percent=USUAL_STEP_PERCENT)

    # --- What a person does. ---

    def act(self, action: StepAction) -> StepAction:
        """The action as it must be recorded: it takes effect with the first row after its time.

        Raises:
            UsageError: it has no effect now, or nothing was heard yet.
        """
        self._refuse(action)
        if self._any and (action.stretch, action.t) < (self._stretch, self._t):
            action = replace(action, stretch=self._stretch, t=self._t)
        if action.verb is StepVerb.BEGIN and not action.fuel:
            action = replace(action, fuel=self._plan[self._expected_place()])
        self._pending.append(action)
        return action

    def _refuse(self, action: StepAction) -> None:
        """Refuses what has no effect.

        Raises:
            UsageError: with what to do instead.
        """
        if action.verb not in (StepVerb.BEGIN, StepVerb.END) or action.fuel:
            return
        if self._reported:
            raise UsageError(
                "fuel step: the engine control reports its trims; expected them typed there alone; no key is "
                "needed"
            )
        is_open = self._will_be_open()
        if action.verb is StepVerb.END and not is_open:
            raise UsageError("fuel step: none is held; expected one that was begun; begin it first")
        if action.verb is StepVerb.BEGIN and is_open:
            raise UsageError("fuel step: one is held already; expected its end first; end it")
        if action.verb is StepVerb.BEGIN and not self._any:
            raise UsageError("fuel step: nothing has been heard yet; expected readings first; wait for them")
        if action.verb is StepVerb.BEGIN and self._next() is None:
            raise UsageError("fuel step: all steps are done, or there are none; p begins the test again")

    def _will_be_open(self) -> bool:
        """Whether a step is held once what waits has taken effect."""
        is_open = self._open
        for action in self._pending:
            if action.verb is not StepVerb.KEEP:
                is_open = action.verb is StepVerb.BEGIN
        return is_open

    def _expected_place(self) -> int:
        place = self._next()
        assert place is not None
        return place

    # --- Rows. ---

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, which lie within one stretch of time."""
        if not len(block):
            return
        if self._any and block.stretch[0] != self._stretch:
            self._set_plan(single=self._single, percent=self._percent)
        self._any, self._stretch = True, int(block.stretch[0])
        for action, rows in self._split_at_actions(block):
            if len(rows):
                self._take_rows(rows)
            if action is not None:
                self._carry_out(action)
        self._t = int(block.t[-1])

    def _split_at_actions(self, block: CylinderBlock) -> Iterator[tuple[StepAction | None, CylinderBlock]]:
        """Rows up to each action that is due, with the action behind them; at last the rest."""
        done = 0
        while self._pending:
            action = self._pending[0]
            if (action.stretch, action.t) >= (self._stretch, int(block.t[-1])):
                break
            self._pending.popleft()
            until = int(np.searchsorted(block.t, action.t, side="right"))
            until = max(until, done) if action.stretch == self._stretch else done
            yield action, block.take(slice(done, until))
            done = until
        yield None, block.take(slice(done, None))

    def _take_rows(self, rows: CylinderBlock) -> None:
        """Takes rows between two actions, up to each moment at which something falls due."""
        for part in _parts_of_trims(rows, self._trims_of(rows)) if self._reported else (rows,):
            self._meet_due(int(part.t[0]))
            if self._reported:
                self._follow_trims(part)
            left = part
            while len(left):
                due = self._due()
                until = len(left) if due is None else int(np.searchsorted(left.t, due, side="left"))
                self._keep_rows(left.take(slice(0, until)))
                left = left.take(slice(until, None))
                if len(left):
                    self._meet_due(int(left.t[0]))
        self._closed_loop = bool(rows.now["closed_loop"][-1] > 0) if "closed_loop" in rows.now else False

    def _keep_rows(self, rows: CylinderBlock) -> None:
        if self._stage is not None:
            self._stage.feed(rows)
        self._recent.append(rows)
        oldest = int(rows.t[-1]) - _ROWS_BEFORE * GRID_NS
        while self._recent[0].t[-1] < oldest and (
            not self._open or self._recent[0].t[-1] < self._steps[-1].begin
        ):
            self._recent.popleft()

    # --- What falls due. ---

    def _due(self) -> int | None:
        """The next moment, ns, at which something is done by itself."""
        moments = [] if self._result_at is None else [self._result_at]
        if self._open:
            moments.append(self._steps[-1].begin + round(LONGEST_STEP_S * SECOND_NS))
        return min(moments, default=None)

    def _meet_due(self, t: int) -> None:
        """Does what is due by a row at that time."""
        while (due := self._due()) is not None and due <= t:
            if due == self._result_at and self._stage is not None:
                if self._is_worth_it():
                    self._result = self._stage.result()
                self._result_at = None
            else:
                self._drop_step(due)

    def _is_worth_it(self) -> bool:
        """Whether the steps are looked at now: each of a few, of many some, and all at the end."""
        done = sum(step.counts for step in self._steps)
        return self._next() is None or done % max(len(self._plan) // _FEW_STEPS, 1) == 0

    def _drop_step(self, t: int) -> None:
        """What was taken for a step has stayed: it is where the trims are now."""
        self._steps[-1] = replace(self._steps[-1], moved=True)
        self._base = self._trims
        self._end_step(t)

    def _carry_out(self, action: StepAction) -> None:
        match action.verb:
            case StepVerb.PLAN:
                self._set_plan(single=action.single, percent=action.percent)
            case StepVerb.BEGIN if not self._open and not self._reported:
                self._begin_step(action.t + 1, action.fuel)
            case StepVerb.END if self._open and not self._reported:
                self._end_step(action.t + 1)
            case StepVerb.KEEP:
                self.evidence = action.evidence
            case _:
                pass

    def _set_plan(self, *, single: bool, percent: float) -> None:
        """A plan, with nothing done of it."""
        self._single, self._percent = single, percent
        self._plan = planned_fuel(self._groups, single=single, percent=percent)
        self._steps: list[GuidedStep] = []
        self._stage: IdentityStage | None = None
        self._result = self._result_at = None
        self._recent: deque[CylinderBlock] = deque()
        self._breaks = 0
        self._before = np.zeros(0)
        self._base = self._trims = None

    @property
    def _open(self) -> bool:
        return bool(self._steps) and self._steps[-1].end is None

    def _begin_step(self, t: int, fuel: Percents) -> None:
        if self._stage is None:
            self._stage = IdentityStage(self._session, None if self._reported else ())
            self._feed_recent(self._stage)
        if not self._reported:
            self._stage.begin_step(t, fuel)
        self._breaks = self._stage.breaks
        before = _REPORTED_BEFORE_S if self._reported else _BEFORE_S
        first, last = (round(s * SECOND_NS) for s in before)
        self._before = self._level(t - first, t - last)
        unknown = np.full(len(self._session.chain.nodes), np.nan)
        self._steps.append(GuidedStep(self._place_of(fuel), fuel, t, None, unknown, moved=False))

    def _feed_recent(self, stage: IdentityStage) -> None:
        """The last rows before the first step, as many as are wanted, however they came."""
        more = sum(map(len, self._recent)) - _ROWS_BEFORE
        for rows in self._recent:
            stage.feed(rows.take(slice(max(more, 0), None)))
            more -= len(rows)

    def _end_step(self, t: int) -> None:
        assert self._stage is not None
        if not self._reported:
            self._stage.end_step(t)
        step, late = self._steps[-1], 0 if self._reported else round(_LATE_S * SECOND_NS)
        answers = self._measure(step.begin + round(_AFTER_S * SECOND_NS), t - late)
        moved = step.moved or self._has_moved
        self._steps[-1] = replace(step, end=t, answers=answers, moved=moved)
        self._result_at = t + round(RESULT_AFTER_S * SECOND_NS)

    @property
    def _has_moved(self) -> bool:
        return self._stage is not None and self._stage.breaks > self._breaks

    def _place_of(self, fuel: Percents) -> int | None:
        """The step of the plan that moves the same cylinders the same way, one that is not done first."""
        signs = _signs(fuel)
        alike = [k for k, planned in enumerate(self._plan) if _signs(planned) == signs]
        done = {step.place for step in self._steps if step.counts}
        return min(alike, key=lambda k: (k in done, k), default=None)

    # --- Steps that the engine control reports. ---

    def _trims_of(self, rows: CylinderBlock) -> Floats:
        """Trims in percent, float64[k, c]."""
        every = range(1, self._session.engine.cylinders + 1)
        unknown = np.full(len(rows), np.nan)
        return np.stack([rows.now.get(trim_quantity(c), unknown) for c in every], axis=1)

    def _follow_trims(self, rows: CylinderBlock) -> None:
        """Begins or ends a step where the trims of these rows, which are all alike, ask for it."""
        trims, t = self._trims_of(rows.take(slice(0, 1)))[0], int(rows.t[0])
        if not np.isfinite(trims).all():
            return
        self._trims = trims
        if self._base is None:
            self._base = trims
        by = 100.0 * ((1.0 + trims / 100.0) / (1.0 + self._base / 100.0) - 1.0)
        fuel = tuple((c, float(x)) for c, x in enumerate(by, 1) if abs(x) > 100.0 * STEP_SHARE)
        if self._open and fuel != self._steps[-1].fuel:
            self._change_step(t, fuel)
        if fuel and not self._open:
            self._begin_step(t, fuel)

    def _change_step(self, t: int, fuel: Percents) -> None:
        """Ends the step, or puts it right where its trims come in several messages, one after another."""
        step = self._steps[-1]
        if t - step.begin >= round(_TOGETHER_S * SECOND_NS):
            self._end_step(t)
        elif fuel:
            self._steps[-1] = replace(step, fuel=fuel, place=self._place_of(fuel))
        else:
            self._steps.pop()

    # --- Answers. ---

    def _measure(self, begin: int, end: int) -> Floats:
        """Percent of fuel by which each label has moved from before the step to that time, float64[n]."""
        with np.errstate(over="ignore"):
            return np.asarray(100.0 * np.expm1(self._before - self._level(begin, end)))

    def _level(self, begin: int, end: int) -> Floats:
        """Mean ln lambda of each label in that time; NaN where it was not valid for half of it."""
        parts = [rows for rows in self._recent if rows.t[-1] >= begin and rows.t[0] < end]
        labels = len(self._session.chain.nodes)
        if not parts:
            return np.full(labels, np.nan)
        t = np.concatenate([rows.t for rows in parts])
        chosen = np.flatnonzero((t >= begin) & (t < end))
        lam = np.concatenate([rows.lam for rows in parts])[chosen]
        valid = np.concatenate([rows.state for rows in parts])[chosen] == SampleState.VALID
        with np.errstate(divide="ignore", invalid="ignore"):
            ln_lambda = np.log(lam)
        known = valid & np.isfinite(ln_lambda)
        count = known.sum(axis=0)
        total = np.where(known, ln_lambda, 0.0).sum(axis=0)
        enough = count * 2 > len(chosen)
        return np.asarray(np.divide(total, count, out=np.full(labels, np.nan), where=enough))

    # --- Where it stands. ---

    def _next(self) -> int | None:
        done = {step.place for step in self._steps if step.counts}
        return next((k for k in range(len(self._plan)) if k not in done), None)

    def identity(self) -> Identity | None:
        """What the steps so far say, exactly; None before the first."""
        return None if self._stage is None else self._stage.result()

    def now(self) -> StepTest:
        """The test by the rows so far."""
        steps, held = tuple(self._steps), 0.0
        at = self._steps[-1].begin if self._open else self._steps[-1].end if self._steps else None
        if at is not None:
            held = max(self._t + GRID_NS - at, 0) / SECOND_NS
        if self._open:
            so_far = self._measure(max(at or 0, self._t - round(_SHOWN_S * SECOND_NS)), self._t + 1)
            steps = (*steps[:-1], replace(steps[-1], answers=so_far, moved=self._has_moved))
        return StepTest(
            self._reported,
            self._single,
            self._percent,
            self._plan,
            steps,
            steps[-1].place if self._open else self._next(),
            held,
            self._result,
            self._result_at is not None,
            self._closed_loop,
            self.evidence,
        )


def planned_fuel(
    groups: tuple[tuple[int, ...], ...], *, single: bool, percent: float
) -> tuple[Percents, ...]:
    """The fuel of each step of a plan; none where all cylinders have one trim."""
    if len(groups) < 2:
        return ()
    return tuple(step.percent for step in plan_steps(groups, single=single, percent=percent))


def _signs(fuel: Percents) -> frozenset[tuple[int, bool]]:
    return frozenset((cylinder, percent > 0) for cylinder, percent in fuel)


def _parts_of_trims(rows: CylinderBlock, trims: Floats) -> Iterator[CylinderBlock]:
    """The rows, cut where the trims change."""
    alike = (trims[1:] == trims[:-1]) | (np.isnan(trims[1:]) & np.isnan(trims[:-1]))
    edges = [0, *(np.flatnonzero(~alike.all(axis=1)) + 1).tolist(), len(rows)]
    for k in range(len(edges) - 1):
        yield rows.take(slice(edges[k], edges[k + 1]))
