"""The stage behind every screen: rows and operator actions in, a Snapshot at any moment.

    observer = Observer(binding)
    for rows in pipeline.feed(frames):
        events = observer.feed(rows)     # every alarm record, each once
    shown = observer.snapshot()

What it says does not depend on how the rows were cut into blocks, nor on when it was looked at.
The balance in a snapshot is renewed once a second of data time; `balance` is exact.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from mixmon.findings.alarms.alarms import Alarms
from mixmon.findings.alarms.records import AlarmEvent, OperatorAction
from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.events.event import Event
from mixmon.findings.events.events import Excursions
from mixmon.findings.pulls.pulls import Pull, PullStage
from mixmon.findings.pulls.quality import KEEP, REJECT, LeftOut, Verdict, around_misfires
from mixmon.findings.pulls.review import PullReview, review
from mixmon.messages.binding import Binding
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.steady import Cell
from mixmon.observer.dwell_clock import WANTED_PERCENT, holding
from mixmon.observer.strip import StripStage
from mixmon.observer.tail import Tail
from mixmon.session.default_limits import limits_in_force
from mixmon.snapshot import Snapshot

KEPT_EVENTS = 500
KEPT_PULLS = 30
"""A screen compares the latest ones; a report takes all."""

BY_OPERATOR = "the operator's decision"
"""Why a pull is rejected that was rejected by a person."""

RENEWAL_NS = 1_000_000_000


class Observer:
    """A stage over CylinderBlocks, each of one stretch of time.

    left_out        cylinders that shall not be counted
    wanted_percent  half-width of the interval that a dwell is held for

    t, stretch      of the newest row; None and 0 before the first
    engine          engine quantities then; replaced, never changed
    rows            rows taken

    Raises:
        UsageError: a limit of the session cannot be watched as it is written.
    """

    def __init__(
        self,
        binding: Binding,
        *,
        left_out: frozenset[int] = frozenset(),
        wanted_percent: float = WANTED_PERCENT,
    ) -> None:
        session = binding.session
        nodes = session.chain.nodes
        weights = np.array([float(len(node.cylinders)) for node in nodes])
        self._session = session
        self._gaps = binding.gaps
        self._wanted_percent = wanted_percent
        self._tail = Tail(weights)
        self._strip = StripStage(weights)
        self._alarms = Alarms(limits_in_force(session).alarms, nodes)
        self._balance = BalanceStage(session, left_out)
        self._excursions = Excursions(session, binding.fuel)
        self._pulls = PullStage(session)
        self._pulled: deque[Pull] = deque(maxlen=KEPT_PULLS)
        self._review: PullReview | None = None
        self._verdicts: dict[int, bool] = {}
        self._misfires: deque[LeftOut] = deque(maxlen=KEPT_EVENTS)
        self._new: list[Event] = []
        self._happened: deque[Event] = deque(maxlen=KEPT_EVENTS)
        self._events: deque[AlarmEvent] = deque(maxlen=KEPT_EVENTS)
        self.engine: dict[str, float] = {}
        self._glance: tuple[int, Balance | None] = (-1, None)
        self.t: int | None = None
        self.stretch = 0
        self.rows = 0

    def feed(self, rows: CylinderBlock) -> tuple[AlarmEvent, ...]:
        """Take rows; the alarm records that they brought."""
        if not len(rows):
            return ()
        self._tail.feed(rows)
        self._strip.feed(rows)
        self._balance.feed(rows)
        self._heed(self._excursions.feed(rows))
        self._compare(self._pulls.feed(rows))
        self.engine = {name: float(column[-1]) for name, column in rows.now.items()}
        self.t, self.stretch = int(rows.t[-1]), int(rows.stretch[-1])
        self.rows += len(rows)
        return self._keep(self._alarms.feed(rows))

    def flush(self) -> tuple[AlarmEvent, ...]:
        """The end of the rows: the records of actions that are stamped behind the last one."""
        self._heed(self._excursions.flush())
        self._compare(self._pulls.flush())
        return self._keep(self._alarms.flush())

    def act(self, action: OperatorAction) -> OperatorAction:
        """The action as it must be recorded; its own records come from `settle`, or with later rows.

        Raises:
            UsageError: there is no such alarm.
        """
        return self._alarms.act(action)

    def settle(self) -> tuple[AlarmEvent, ...]:
        """The records of actions that wait for no row."""
        return self._keep(self._alarms.settle())

    def judge_pull(self, begin: int, *, keep: bool) -> None:
        """Keep the pull that began at that time, ns, or reject it, whatever is suggested."""
        self._verdicts[begin] = keep
        self._pulled = deque((self._as_judged(pull) for pull in self._pulled), KEPT_PULLS)
        if self._pulled:
            self._review = self._compared()

    def judge_cell(self, cell: Cell, *, keep: bool) -> None:
        """Leave a cell out of needs and trims, or count it again."""
        self._balance.judge(cell, keep=keep)
        self._glance = (-1, self._glance[1])

    def silences(self) -> tuple[OperatorAction, ...]:
        """The actions that would silence a new observer's alarms as the operator has silenced these."""
        return self._alarms.silences()

    def reset_peaks(self) -> None:
        """Forget the worst needs so far."""
        self._tail.reset_peaks()

    def balance(self, against: str = "peers", absent: tuple[str, ...] = ()) -> Balance:
        """The balance of everything so far, exactly; `absent` names messages that never came."""
        return self._balance.result(against, (*self._gaps, *absent))

    def snapshot(self) -> Snapshot:
        """This moment, as far as rows tell it."""
        now = self._tail.now()
        return Snapshot(
            t=self.t,
            elapsed_s=max(self.rows - 1, 0) * GRID_NS / 1e9,
            engine=MappingProxyType(self.engine),
            target=self.engine.get("target", float("nan")),
            all_vs_target=now.all_vs_target,
            spread=now.spread,
            valid=now.valid,
            leanest=now.leanest,
            cylinders=now.cylinders,
            strip=self._strip.strip(),
            holding=holding(
                self._balance.dwelling(),
                self._balance.grid,
                self._session.chain,
                self._session.validity.settle_s,
                self._wanted_percent,
            ),
            alarms=self._alarms.current(),
            balance=self._renewed(),
            pulls=self._review,
            buses=(),
            alarm_events=tuple(self._events),
            happened=tuple(self._happened),
        )

    def _renewed(self) -> Balance | None:
        """The balance of this second of data time."""
        second = -1 if self.t is None else self.t // RENEWAL_NS
        if second != self._glance[0] and self._balance.counted:
            self._glance = second, self._balance.glance(gaps=self._gaps)
        return self._glance[1]

    def happened(self) -> list[Event]:
        """Misfires, cuts, excursions and drop-outs found since the last call."""
        new, self._new = self._new, []
        return new

    def _compare(self, pulls: Sequence[Pull]) -> None:
        if pulls:
            self._pulled.extend(map(self._as_judged, pulls))
            self._review = self._compared()

    def _compared(self) -> PullReview:
        """The pulls side by side; what was read around misfires is not counted once they are known."""
        return review(self._session, tuple(self._pulled), tuple(self._misfires))

    def _as_judged(self, pull: Pull) -> Pull:
        keep = self._verdicts.get(pull.begin)
        if keep is None:
            return pull
        judged = Verdict(KEEP if keep else REJECT, () if keep else (BY_OPERATOR,), pull.verdict.remarks)
        return replace(pull, verdict=judged)

    def _heed(self, events: Sequence[Event]) -> None:
        self._balance.heed(events)
        around = around_misfires(self._session, events)
        self._misfires.extend(around)
        if any(m.begin < pull.end and pull.begin < m.end for m in around for pull in self._pulled):
            self._review = self._compared()
        self._new.extend(events)
        self._happened.extend(events)

    def _keep(self, events: tuple[AlarmEvent, ...]) -> tuple[AlarmEvent, ...]:
        self._events.extend(events)
        return events
