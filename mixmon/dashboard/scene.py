"""What a screen is drawn from: the session's lasting facts, one snapshot, and the options of the view.

`Setting` lasts as long as the session, `ViewOptions` until the person changes them, `Scene` for one
picture. All are read only. A value that is not known now is NaN or None here, never an old number.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np

from mixmon.beside.beside import Beside
from mixmon.dashboard.text import ASCII, UNICODE, Marks, age_text
from mixmon.findings.alarms.measures import lacking
from mixmon.findings.alarms.records import Alarm
from mixmon.findings.alarms.states import AlarmFlag
from mixmon.frames.clock import clock_text
from mixmon.ledger.standing import SensorRecord
from mixmon.mixture.block import SampleState
from mixmon.report.units import Unit
from mixmon.session.alarm_kinds import kind_of
from mixmon.session.default_limits import limits_in_force
from mixmon.session.model import AlarmRule, Node, Session
from mixmon.watch.snapshot import Holding, Snapshot

# ----------------------------------------------------------------------------------------------------
# What lasts as long as the session.
# ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class KnownSensors:
    """What the ledger knows of sensors, by their serials; `fault`: why it cannot be read, in words."""

    records: Mapping[str, SensorRecord] = field(default_factory=dict)
    fault: str = ""


class Setting:
    """What lasts as long as the session: orders, labels, rules.

    Positions in `firing` and `bank` and all node indexes count the nodes in session order.

    known    what the ledger knew of the session's sensors when watching began
    beside   tables that were merged with the run that is replayed
    acts     whoever sees it may act: False for an onlooker, who is told of no keys that do
    """

    def __init__(
        self,
        session: Session,
        known: KnownSensors | None = None,
        *,
        acts: bool = True,
        beside: tuple[Beside, ...] = (),
    ) -> None:
        self.session = session
        self.acts = acts
        self.known = known or KnownSensors()
        self.beside = beside
        self.nodes: tuple[Node, ...] = session.chain.nodes
        limits = limits_in_force(session)
        self.rules: tuple[AlarmRule, ...] = limits.alarms
        self.has_mixture_rules = any(kind_of(rule).mixture for rule in self.rules)
        self.placeholders = limits.source is None
        self.unwatched: tuple[tuple[AlarmRule, tuple[str, ...]], ...] = tuple(
            (rule, missing) for rule in self.rules if (missing := lacking(rule, session))
        )
        self.index_at: dict[int | None, int] = {node.position: index for index, node in enumerate(self.nodes)}

    def __len__(self) -> int:
        return len(self.nodes)

    def record_of(self, index: int) -> SensorRecord | None:
        """What the ledger knows of a node's sensor; None: nothing."""
        serial = self.nodes[index].sensor
        return None if serial is None else self.known.records.get(serial)

    def limit(self, kind: str) -> float | None:
        """The limit of the first rule of a kind; None without such a rule."""
        return next((rule.limit for rule in self.rules if rule.kind == kind), None)

    @cached_property
    def labels(self) -> tuple[str, ...]:
        """The cylinder, or cylinders, that each node's sensor sees."""
        return tuple("+".join(map(str, node.cylinders)) for node in self.nodes)

    @cached_property
    def label_width(self) -> int:
        """Cells of the longest label, two at least so that columns stay when cylinders are many."""
        return max((len(label) for label in self.labels), default=1)

    @cached_property
    def firing(self) -> tuple[int, ...]:
        """Nodes in firing order, in cylinder order where none was given."""
        order = self.session.engine.firing_order or range(1, self.session.engine.cylinders + 1)
        return self._order_nodes(order)

    @cached_property
    def banks(self) -> tuple[tuple[str, tuple[int, ...]], ...]:
        """Each bank's nodes; one nameless bank where none was declared."""
        banks = self.session.engine.banks
        if not banks:
            return (("", self._order_nodes(range(1, self.session.engine.cylinders + 1))),)
        found = [(name, self._nodes_of(cylinders)) for name, cylinders in banks.items()]
        placed = {index for _, nodes in found for index in nodes}
        rest = tuple(i for i in range(len(self.nodes)) if i not in placed)
        return (*found, ("", rest)) if rest else tuple(found)

    @cached_property
    def by_bank(self) -> tuple[int, ...]:
        """Nodes bank after bank."""
        return tuple(dict.fromkeys(index for _, nodes in self.banks for index in nodes))

    @cached_property
    def sensorless(self) -> tuple[int, ...]:
        """Cylinders that no sensor sees."""
        seen = {c for node in self.nodes for c in node.cylinders}
        return tuple(c for c in range(1, self.session.engine.cylinders + 1) if c not in seen)

    def node_of(self, cylinder: int) -> int | None:
        """The node whose sensor sees the cylinder."""
        return next((i for i, node in enumerate(self.nodes) if cylinder in node.cylinders), None)

    def _nodes_of(self, cylinders: tuple[int, ...]) -> tuple[int, ...]:
        found = (self.node_of(c) for c in cylinders)
        return tuple(dict.fromkeys(i for i in found if i is not None))

    def _order_nodes(self, order: tuple[int, ...] | range) -> tuple[int, ...]:
        return tuple(dict.fromkeys((*self._nodes_of(tuple(order)), *range(len(self.nodes)))))


# ----------------------------------------------------------------------------------------------------
# How it is shown, and one moment of it.
# ----------------------------------------------------------------------------------------------------

_SAMPLE_STATES: Final = tuple(SampleState)
"""By number."""

SCALES: Final = (6.0, 12.0, 24.0)
"""Reach of a bar to either side, percent of fuel. Our choice: doubling; usual spreads fill the middle one."""

DISTANCES_M: Final = (0.2, 20.0)
SCREENS_INCH: Final = (5.0, 100.0)
"""From what to what a viewing distance and a screen may be. Our choice: more than any cell has."""

ORDERS: Final = ("firing", "bank", "worst")
"""In the order in which a key goes through them; worst: what needs the most change first."""

ORDER_WORDS: Final = {
    "firing": "cylinders in firing order",
    "bank": "cylinders bank by bank",
    "worst": "cylinders by need, the largest first",
}


@dataclass(frozen=True, slots=True)
class ViewOptions:
    """How the user wants it shown.

    decimals  of lambda; None: the unit's own
    scale     reach of the bars to either side, percent
    chosen    the cylinder that was picked; None: the leanest
    blink     the unacknowledged priority-1 word blinks; otherwise it stands inverse
    screen_inch, distance_m  diagonal of the screen, and from where its large digits are read
    """

    unit: Unit
    ascii: bool = False
    decimals: int | None = None
    scale: float = SCALES[1]
    order: str = ORDERS[0]
    peaks: bool = False
    chosen: int | None = None
    blink: bool = True
    screen_inch: float = 15.6
    distance_m: float = 2.0

    @property
    def marks(self) -> Marks:
        """The characters to draw with."""
        return ASCII if self.ascii else UNICODE

    @property
    def lambda_decimals(self) -> int:
        """Decimals of a value in the unit."""
        return self.unit.decimals if self.decimals is None else self.decimals

    def zoomed(self, step: int) -> ViewOptions:
        """The options with the bars one scale wider or narrower."""
        at = SCALES.index(self.scale) + step
        return replace(self, scale=SCALES[min(max(at, 0), len(SCALES) - 1)])


@dataclass(frozen=True, slots=True, eq=False)
class Digits:
    """The numbers that are to be read, of now, renewed four times a second (see `ReadoutHold`).

    leanest  index of the node, None when none is known
    need     what it needs, percent; `against` says against what
    lam, needs  one a node, NaN where not known
    worst, worst_need, worst_spread  the same at its worst of the last moments
    ranked  all nodes, what needs the most change first, those not known last; renewed less often
    """

    leanest: int | None
    need: float
    against: str
    all_vs_target: float
    spread: float
    rpm: float
    target: float
    lam: tuple[float, ...]
    needs: tuple[float, ...]
    worst: int | None
    worst_need: float
    worst_spread: float
    ranked: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Scene:
    """One moment to be drawn. What many rows ask of it is found once.

    snapshot  what is drawn
    digits    its numbers
    stalled   seconds for which nothing has come from the worker that should be working, 0 if it works
    live      the newest snapshot; `snapshot` is an older one while the screen is frozen
    frozen    seconds for which the user has frozen the screen, 0 if it moves
    lit       the phase of what blinks
    paused    the replay is paused
    speed     of the replay, multiples of real time; None: as fast as possible
    """

    setting: Setting
    snapshot: Snapshot
    digits: Digits
    options: ViewOptions
    live: Snapshot
    stalled: float = 0.0
    frozen: float = 0.0
    lit: bool = True
    paused: bool = False
    speed: float | None = 1.0

    @property
    def marks(self) -> Marks:
        """The characters to draw with."""
        return self.options.marks

    def over(self) -> frozenset[int]:
        """Nodes that are over a priority-1 limit now, silenced or not."""
        return self._over

    @cached_property
    def _over(self) -> frozenset[int]:
        at = self.setting.index_at
        return frozenset(at[a.position] for a in self.alarms() if is_over(a) and a.position in at)

    def off_target(self) -> frozenset[int]:
        """Nodes whose mixture is beyond a limit of any priority now: only these are drawn in colour."""
        return self._off_target

    @cached_property
    def _off_target(self) -> frozenset[int]:
        at = self.setting.index_at
        return frozenset(
            at[a.position]
            for a in self.alarms()
            if a.active and a.unit == "lambda" and AlarmFlag.SUPPRESSED not in a.flags and a.position in at
        )

    def alarms(self) -> tuple[Alarm, ...]:
        """All alarms that are not normal, most pressing first."""
        return self.snapshot.alarms.alarms

    def alarm_at(self, position: int) -> Alarm | None:
        """The most pressing alarm of the node at a place in the chain."""
        return self._alarms_at.get(position)

    @cached_property
    def _alarms_at(self) -> dict[int | None, Alarm]:
        return {alarm.position: alarm for alarm in reversed(self.alarms())}

    def order(self) -> tuple[int, ...]:
        """Nodes in the order in which they are drawn."""
        if self.options.order == "worst":
            return self.digits.ranked
        return self.setting.firing if self.options.order == "firing" else self.setting.by_bank

    def chosen(self) -> int | None:
        """Index of the node that was picked, or of the leanest."""
        return self._chosen

    @cached_property
    def _chosen(self) -> int | None:
        if self.options.chosen is None:
            return self.digits.leanest
        return self.setting.node_of(self.options.chosen)

    def exchanged(self, cylinders: Collection[int] | None = None) -> str:
        """Which labels see another cylinder, of those of `cylinders`; empty where none is known to."""
        return ", ".join(
            f"label {label} sees cylinder {seen}"
            for _, label, seen in self.snapshot.identity.odd
            if cylinders is None or label in cylinders
        )

    def clock(self, t: int) -> str:
        """A moment as minutes and seconds since the first frame: the one clock of screens, text and JSON."""
        return clock_text(self.clock_s(t))

    def clock_s(self, t: int) -> float:
        """A moment in seconds since the first frame; 0 as long as nothing is known."""
        for shown in (self.snapshot, self.live):
            if shown.t is not None:
                return shown.elapsed_s - (shown.t - t) / 1e9
        return 0.0

    @cached_property
    def dead(self) -> bool:
        """Whether what is shown as now is no longer true: the worker has stopped or does not answer."""
        return not self.frozen and bool(self.live.failure or self.stalled)

    @property
    def still_recording(self) -> bool:
        """Whether frames are still recorded although the analysis has stopped."""
        return bool(self.live.failure) and self.live.is_recording

    @property
    def holding(self) -> Holding | None:
        """The dwell under way; None where that is not known now."""
        return None if self.dead else self.snapshot.holding

    def state(self, index: int) -> SampleState | None:
        """State of the node's newest sample; None where the analysis has stopped."""
        return self._states[index]

    @cached_property
    def _states(self) -> tuple[SampleState | None, ...]:
        states = self.snapshot.cylinders.state.tolist()
        return (None,) * len(states) if self.dead else tuple(_SAMPLE_STATES[state] for state in states)

    def age(self, index: int) -> str:
        """Age of the node's newest sample in words; `--` where the analysis has stopped."""
        return "--" if self.dead else age_text(int(self.snapshot.cylinders.age_ns[index]))

    def counted(self, index: int) -> bool:
        """Whether the node's newest sample is valid; if not, no number of it is shown."""
        return self.state(index) is SampleState.VALID

    def lam(self, index: int) -> float:
        """Lambda to be read, NaN where not known now."""
        return self.digits.lam[index] if self.counted(index) else np.nan

    def need(self, index: int) -> float:
        """Need to be read, against what the digits say; NaN where not known now."""
        return self.digits.needs[index] if self.counted(index) else np.nan

    def leanest(self) -> tuple[int | None, float]:
        """The leanest node and what it needs; None and NaN where not known now."""
        if self.dead or self.digits.leanest is None:
            return None, np.nan
        return self.digits.leanest, self.digits.need

    def worst(self) -> tuple[int | None, float, float]:
        """The leanest node of the last moments, its need, and the spread; None and NaN where not known."""
        if self.dead or self.digits.worst is None or not self.counted(self.digits.worst):
            return None, np.nan, np.nan
        return self.digits.worst, self.digits.worst_need, self.digits.worst_spread


def is_over(alarm: Alarm) -> bool:
    """Whether a priority-1 limit of a cylinder or the engine is crossed, not suppressed by design."""
    return (
        alarm.rule.priority == 1
        and not alarm.says_unknown
        and alarm.active
        and AlarmFlag.SUPPRESSED not in alarm.flags
    )
