"""What a view is drawn from: the session's lasting facts, one snapshot, and how it is to be shown."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Protocol

import numpy as np

from mixmon.dashboard.view_marks import ASCII, UNICODE, Marks
from mixmon.findings.alarm_measures import lacking
from mixmon.findings.alarm_records import Alarm
from mixmon.findings.alarm_states import AlarmFlag
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import CellGrid
from mixmon.session.default_limits import limits_in_force
from mixmon.session.model import AlarmRule, Node, Session
from mixmon.snapshot import Snapshot

SCALES: Final = (6.0, 12.0, 24.0)
"""What a rail can reach to either side, percent of fuel."""

ORDERS: Final = ("firing", "bank")


class Unit(Protocol):
    """How lambda is written; a ratio carries its stoichiometric ratio in the heading."""

    @property
    def name(self) -> str:
        """The unit's name."""

    @property
    def heading(self) -> str:
        """What stands over a column."""

    @property
    def decimals(self) -> int:
        """Usual decimals."""

    def of(self, lam: float) -> float:
        """The number to show for a lambda."""


class Setting:
    """What lasts as long as the session: orders, labels, rules.

    Positions in `firing` and `bank` and all node indexes count the nodes in session order.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.nodes: tuple[Node, ...] = session.chain.nodes
        limits = limits_in_force(session)
        self.rules: tuple[AlarmRule, ...] = limits.alarms
        self.placeholders = limits.source is None
        self.unwatched: tuple[tuple[AlarmRule, tuple[str, ...]], ...] = tuple(
            (rule, missing) for rule in self.rules if (missing := lacking(rule, session))
        )
        self.index_at = {node.position: index for index, node in enumerate(self.nodes)}
        self.grid = CellGrid(session.axes)

    def __len__(self) -> int:
        return len(self.nodes)

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
        return self._by_cylinders(order)

    @cached_property
    def banks(self) -> tuple[tuple[str, tuple[int, ...]], ...]:
        """Each bank's nodes; one nameless bank where none was declared."""
        banks = self.session.engine.banks
        if not banks:
            return (("", self._by_cylinders(range(1, self.session.engine.cylinders + 1))),)
        found = [(name, self._of(cylinders)) for name, cylinders in banks.items()]
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

    def _of(self, cylinders: tuple[int, ...]) -> tuple[int, ...]:
        found = (self.node_of(c) for c in cylinders)
        return tuple(dict.fromkeys(i for i in found if i is not None))

    def _by_cylinders(self, order: tuple[int, ...] | range) -> tuple[int, ...]:
        return tuple(dict.fromkeys((*self._of(tuple(order)), *range(len(self.nodes)))))


@dataclass(frozen=True, slots=True)
class ViewOptions:
    """How the user wants it shown.

    decimals  of lambda; None: as the unit has them
    scale     reach of the rails to either side, percent
    chosen    the cylinder that was picked; None: the leanest
    blink     the unaccepted priority-1 word blinks; otherwise it stands inverse
    """

    unit: Unit
    ascii: bool = False
    decimals: int | None = None
    scale: float = SCALES[1]
    order: str = ORDERS[0]
    peaks: bool = False
    chosen: int | None = None
    blink: bool = True

    @property
    def marks(self) -> Marks:
        """The characters to draw with."""
        return ASCII if self.ascii else UNICODE

    @property
    def lambda_decimals(self) -> int:
        """Decimals of a value in the unit."""
        return self.unit.decimals if self.decimals is None else self.decimals

    def zoomed(self, step: int) -> ViewOptions:
        """The rails one scale wider or narrower."""
        at = SCALES.index(self.scale) + step
        return replace(self, scale=SCALES[min(max(at, 0), len(SCALES) - 1)])


@dataclass(frozen=True, slots=True, eq=False)
class Digits:
    """The numbers that are to be read: four times a second, the worst held (see `held`).

    leanest  index of the node, None when none is known
    need     what it needs, percent; `against` says against what
    lam, needs  one a node, NaN where not known
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


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """One moment to be drawn.

    snapshot  the picture
    digits    its numbers
    stalled   seconds for which nothing has come from the worker that should be working, 0 if it works
    frozen    seconds for which the picture is held at the user's wish, 0 if it moves
    lit       the phase of what blinks
    notes     what the user wrote and marked, oldest first, (data time ns, words)
    paused    a recording that is being played was asked to hold
    """

    setting: Setting
    snapshot: Snapshot
    digits: Digits
    options: ViewOptions
    live: Snapshot
    stalled: float = 0.0
    frozen: float = 0.0
    lit: bool = True
    notes: tuple[tuple[int, str], ...] = ()
    paused: bool = False

    @property
    def marks(self) -> Marks:
        """The characters to draw with."""
        return self.options.marks

    def over(self) -> frozenset[int]:
        """Nodes that are over a priority-1 limit now, silenced or not."""
        found = (self.setting.index_at.get(a.position) for a in self.alarms() if is_over(a) and a.position)
        return frozenset(i for i in found if i is not None)

    def alarms(self) -> tuple[Alarm, ...]:
        """All alarms that are not normal, most pressing first."""
        return self.snapshot.alarms.alarms

    def order(self) -> tuple[int, ...]:
        """Nodes in the order in which they are drawn."""
        return self.setting.firing if self.options.order == "firing" else self.setting.by_bank

    def chosen(self) -> int | None:
        """Index of the node that was picked, or of the leanest."""
        if self.options.chosen is None:
            return self.digits.leanest
        return self.setting.node_of(self.options.chosen)

    def clock(self, t: int) -> str:
        """A moment as minutes and seconds since the first row.

        Counted back from now, as stamps may have jumped in between.
        """
        now = self.snapshot.t
        seconds = self.snapshot.elapsed_s - (now - t) / 1e9 if now is not None else 0.0
        return clock_text(seconds)

    @property
    def dead(self) -> bool:
        """Whether what is shown as now is no longer true: the worker has stopped or does not answer."""
        return not self.frozen and bool(self.live.failure or self.stalled)

    def state(self, index: int) -> SampleState:
        """State of the node's newest sample."""
        return SampleState.SILENT if self.dead else SampleState(int(self.snapshot.cylinders.state[index]))

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


def is_over(alarm: Alarm) -> bool:
    """Whether a priority-1 limit is crossed now, seen or silenced by the operator, not off by rule."""
    return alarm.rule.priority == 1 and alarm.active and AlarmFlag.SUPPRESSED not in alarm.flags


def clock_text(seconds: float) -> str:
    """Minutes, seconds and tenths; hours where there are any.

    >>> clock_text(251.64), clock_text(3725.0)
    ('04:11.6', '1:02:05')
    """
    tenths = max(round(10 * seconds), 0) if np.isfinite(seconds) else 0
    minutes, tenths = divmod(tenths, 600)
    if minutes >= 60:
        return f"{minutes // 60}:{minutes % 60:02d}:{tenths // 10:02d}"
    return f"{minutes:02d}:{tenths // 10:02d}.{tenths % 10}"


def signed(percent: float, decimals: int = 1) -> str:
    """A need with its sign, `--` where not known.

    >>> signed(5.32), signed(-0.04), signed(float("nan"))
    ('+5.3', '0.0', '--')
    """
    if not np.isfinite(percent):
        return "--"
    text = f"{percent:+.{decimals}f}"
    return text[1:] if float(text) == 0.0 else text


def tall_need(percent: float) -> str:
    """A need in at most four characters.

    >>> tall_need(5.31), tall_need(-12.3), tall_need(250.0)
    ('+5.3', '-12', '+99')
    """
    if not np.isfinite(percent) or abs(percent) < 9.95:
        return signed(percent)
    return f"{min(max(percent, -99.0), 99.0):+.0f}"


def number(value: float, decimals: int = 1) -> str:
    """A number without a sign, `--` where not known."""
    return f"{value:.{decimals}f}" if np.isfinite(value) else "--"


def age_text(age_ns: int) -> str:
    """How old, in few cells: milliseconds below one second, then seconds, minutes, hours.

    >>> age_text(8_000_000), age_text(2_400_000_000), age_text(-1)
    ('8 ms', '2.4 s', 'never')
    """
    if age_ns < 0:
        return "never"
    if age_ns < 999_500_000:
        return f"{age_ns / 1e6:.0f} ms"
    seconds = age_ns / 1e9
    if seconds < 100:
        return f"{seconds:.1f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.0f} h"


def side(percent: float) -> str:
    """L for lean, R for rich, blank within what rounds to nothing."""
    if not np.isfinite(percent) or abs(percent) < 0.05:
        return " "
    return "L" if percent > 0 else "R"
