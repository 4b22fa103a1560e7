"""The kinds of alarm: everything that is particular to one kind is in its entry of ALARM_KINDS.

The session's schema takes the key and the range of the limit from the entry, the session's checks
take what the kind needs, the detector takes how its value is computed, the screens take the unit and
the place on the lambda axis, and `alarm_kinds_markdown` prints the reference of the keys. A new kind
is one more entry.

The value of a kind is a function of columns that the session does not have: it runs over `MeasuredColumns`,
which the detector implements with rows. So the table can stand on the session's floor, below all that
reads it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from enum import Enum, StrEnum
from typing import Any, Final, Protocol

from mixmon.arrays import Bools, Floats
from mixmon.errors import UsageError
from mixmon.session.model import AlarmRule
from mixmon.session.schema import MistakeReport, Number


class MeasuredColumns(Protocol):
    """k rows of n nodes under one rule: the columns from which the value of a kind is computed.

    A value is NaN where the quantity is not known, or the session maps no signal for it.
    """

    @property
    def lam(self) -> Floats:
        """Lambda of each node; float64[k, n]."""

    @property
    def valid(self) -> Bools:
        """Whether the sample of each node counts; bool[k, n]."""

    @property
    def target(self) -> Floats:
        """Target lambda when the gas at each sensor left its valve; float64[k, n]."""

    @property
    def age_s(self) -> Floats:
        """Seconds since the newest sample, or since the stretch began without any; float64[k, n]."""

    @property
    def spread(self) -> Floats:
        """Spread in percent, of the valid cylinders for which the rule is in force; float64[k, 1]."""

    @property
    def engine_age_s(self) -> Floats:
        """Seconds for which nothing of the operating point has been known; float64[k, 1].

        Not counted while the chain is silent that fell silent with it; NaN before anything was known.
        """

    @property
    def controllers(self) -> Floats:
        """How many controllers send as each node, as far as their frames show it: 1 or 2; float64[k, n]."""

    @property
    def times_peers(self) -> Floats:
        """T63 of each sensor over the median of its peers', by the last fuel cuts; float64[k, n]."""

    def node(self, quantity: str) -> Floats:
        """A quantity of [chain.signals] other than lambda, such as supply; float64[k, n]."""

    def engine(self, quantity: str) -> Floats:
        """A quantity of [engine_signals] at the time of the row; float64[k, 1]."""


class RangeEnd(Enum):
    """One of the two ends of a sensor's range."""

    LEAN = "lean"
    RICH = "rich"


class LimitAxis(Enum):
    """What the limit of a kind is counted on, which says where it lies in lambda."""

    OWN = "own"
    LAMBDA = "lambda"
    OVER_TARGET = "lambda over the target"
    UNDER_TARGET = "lambda under the target"


@dataclass(frozen=True, slots=True)
class CommonAlarm:
    """The one alarm of what befalls all nodes at once: its name, a short one beside its cause, and words."""

    name: str
    short: str
    priority: int
    cause: str
    consequence: str
    response: str


@dataclass(frozen=True, slots=True)
class TailAlarm:
    """The one alarm of what befalls all nodes from one place of the chain on, with words for that place.

    first and before stand for the position of the first of these nodes, and of the last one before them.
    """

    name: str
    short: str
    cause: str
    consequence: str
    response: str

    def at(self, first: int, before: int) -> TailAlarm:
        """The words for one place."""
        return TailAlarm(
            *(getattr(self, one.name).format(first=first, before=before) for one in fields(self))
        )


class SilenceCause(StrEnum):
    """Why a whole bus is silent, as far as adapter and bus show it; the most certain first."""

    READER_FAILED = "reader failed"
    ADAPTER_LOST = "adapter lost"
    BUS_OFF = "adapter is bus off"
    WRONG_BIT_RATE = "errors, no data"
    FOREIGN_FRAMES = "none of the session's frames"
    BUS_SILENT = "bus silent"


SILENCE_WORDS: Final[dict[SilenceCause, tuple[str, str]]] = {
    SilenceCause.READER_FAILED: (
        "the program's reader of this bus ended by a mistake of its own",
        "end the pull by the builder's rule for lost readings; start the program again",
    ),
    SilenceCause.ADAPTER_LOST: (
        "the adapter is gone: unplugged, without power, or its driver failed",
        "end the pull by the builder's rule for lost readings; plug the adapter in: it is opened again",
    ),
    SilenceCause.BUS_OFF: (
        "the adapter's controller left the bus after too many errors: bit rate, wires, ends of the bus",
        "end the pull by the builder's rule for lost readings; mend the bus, then restart the controller",
    ),
    SilenceCause.WRONG_BIT_RATE: (
        "only errors come: the bit rate is wrong, or wires or ends of the bus are",
        "end the pull by the builder's rule for lost readings; check the bit rate, then the ends (60 ohm)",
    ),
    SilenceCause.FOREIGN_FRAMES: (
        "frames come, and none of those that the session names",
        "check which bus the adapter is on, and the definitions of the session",
    ),
    SilenceCause.BUS_SILENT: (
        "the adapter is there and no frame comes: supply or cable of {sender}",
        "end the pull by the builder's rule for lost readings; check supply and cable of {sender}",
    ),
}
"""Cause and response for each (common practice, no source); {sender} stands for what sends on the bus."""


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One kind of alarm.

    words     what the value is, for the reference of the keys
    unit      of the value and of the limit
    limit     which numbers the limit may be
    value     the value over rows: float64[k, n], or float64[k, 1] where not `per_node`; NaN where unknown
    above     the condition holds above the limit; otherwise below
    per_node  one alarm for each node; otherwise one for the engine
    needs     signals without which there is no value: names of [chain.signals] or [engine_signals];
              `target` may also come from [targets]
    mixture   the value rests on gas that left the valves earlier: only valid samples count, and the
              rule's `when` is asked about the engine as it was then
    bound     the end of the sensor's range at which a reading can still prove that the limit is crossed
    axis      what the limit is counted on
    lowest    the value is never below this; None where it has no such end
    grows     the value grows by itself, second by second, where no rows come any more
    common    the alarm where the value is beyond the limit for all nodes at once, which is one of its own and
              suppresses those of the nodes by design; None where it is not one thing for all
    tail      the same for the last nodes of the chain, two or more; given where `common` is
    no_engine  where the alarm says that nothing is known of the engine: a short name beside its cause. While
              it stands, rules of mixture that need the operating point are suppressed by design
    by_cuts   the value is from fuel cuts, of which the records tell what was measured
    """

    words: str
    unit: str
    limit: Number
    value: Callable[[MeasuredColumns], Floats]
    above: bool = True
    per_node: bool = True
    needs: tuple[str, ...] = ()
    mixture: bool = False
    bound: RangeEnd | None = None
    axis: LimitAxis = LimitAxis.OWN
    lowest: float | None = None
    grows: bool = False
    common: CommonAlarm | None = None
    tail: TailAlarm | None = None
    no_engine: str = ""
    by_cuts: bool = False

    # The schema of [[limits.alarm]] reads the entry itself as the kind of value that its limit is.

    @property
    def expected(self) -> str:
        """The range of the limit in words."""
        return self.limit.expected

    def takes(self, value: object) -> bool:
        """Whether the limit's type fits."""
        return self.limit.takes(value)

    def read(self, value: object, where: str, report: MistakeReport) -> Any:
        """The limit, or UNUSABLE after a report."""
        return self.limit.read(value, where, report)

    def lambda_at(self, limit: float, target: float) -> float | None:
        """The lambda at which a limit lies, given the target; None where it is not a limit of lambda.

        >>> ALARM_KINDS["over_target"].lambda_at(0.04, 0.87)
        0.91
        """
        match self.axis:
            case LimitAxis.LAMBDA:
                return limit
            case LimitAxis.OVER_TARGET:
                return target + limit
            case LimitAxis.UNDER_TARGET:
                return target - limit
            case LimitAxis.OWN:
                return None


# Ranges of limits are wide: they catch a wrong unit or a slip of the finger (common practice, no source).
_FROM_TARGET = Number(0, 1, "lambda", above=True)
_LAMBDA = Number(0.3, 10, "lambda")

ALARM_KINDS: Final[dict[str, AlarmKind]] = {
    "over_target": AlarmKind(
        words="lambda over the target",
        unit="lambda",
        limit=_FROM_TARGET,
        value=lambda rows: rows.lam - rows.target,
        needs=("target",),
        mixture=True,
        bound=RangeEnd.LEAN,
        axis=LimitAxis.OVER_TARGET,
    ),
    "under_target": AlarmKind(
        words="lambda under the target",
        unit="lambda",
        limit=_FROM_TARGET,
        value=lambda rows: rows.target - rows.lam,
        needs=("target",),
        mixture=True,
        bound=RangeEnd.RICH,
        axis=LimitAxis.UNDER_TARGET,
    ),
    "lambda_above": AlarmKind(
        words="lambda",
        unit="lambda",
        limit=_LAMBDA,
        value=lambda rows: rows.lam,
        mixture=True,
        bound=RangeEnd.LEAN,
        axis=LimitAxis.LAMBDA,
    ),
    "lambda_below": AlarmKind(
        words="lambda",
        unit="lambda",
        limit=_LAMBDA,
        value=lambda rows: rows.lam,
        above=False,
        mixture=True,
        bound=RangeEnd.RICH,
        axis=LimitAxis.LAMBDA,
    ),
    "spread_above": AlarmKind(
        words="highest need less lowest need, of the valid cylinders",
        unit="%",
        limit=Number(0, 100, "%", above=True),
        value=lambda rows: rows.spread,
        per_node=False,
        mixture=True,
        lowest=0.0,
    ),
    "age_s": AlarmKind(
        words="time since the newest sample",
        unit="s",
        limit=Number(0, 3600, "s", above=True),
        value=lambda rows: rows.age_s,
        lowest=0.0,
        grows=True,
        common=CommonAlarm(
            "no data from the chain",
            "no data",
            1,
            "supply or cable of the whole chain, its bus or its adapter, or this computer was busy",
            "nothing is known of any cylinder; last values are not shown",
            "go by the builder's rule for lost readings; check supply and cable, then the adapter",
        ),
        tail=TailAlarm(
            "silent from position {first} on: break in the chain after position {before}",
            "break after position {before}",
            "cable or connector from position {before} to {first}: both bus wires, supply and ground; "
            "in a star, what these nodes share",
            "nothing is known of the cylinders behind it; their last values are not shown",
            "count them as not known and go by the builder's rule for lost readings; "
            "check the cable from position {before} to {first} before any node",
        ),
    ),
    "engine_age_s": AlarmKind(
        words="time for which none of speed, load and target has been known",
        unit="s",
        limit=Number(0, 3600, "s", above=True),
        value=lambda rows: rows.engine_age_s,
        per_node=False,
        lowest=0.0,
        grows=True,
        no_engine="no engine data",
    ),
    "controllers_above": AlarmKind(
        words="controllers that send as this node",
        unit="controllers",
        limit=Number(1, 2, "controllers"),
        value=lambda rows: rows.controllers,
        lowest=1.0,
    ),
    "times_peers_above": AlarmKind(
        words="T63 over the median of the other sensors', the less of the last two fuel cuts",
        unit="times",
        limit=Number(1, 100, "times", above=True),
        value=lambda rows: rows.times_peers,
        lowest=0.0,
        by_cuts=True,
    ),
    "supply_below": AlarmKind(
        words="supply of the node",
        unit="V",
        limit=Number(0, 60, "V", above=True),
        value=lambda rows: rows.node("supply"),
        above=False,
        needs=("supply",),
    ),
}
"""All kinds by the key that gives the limit in [[limits.alarm]]; a rule has exactly one of these keys."""

MISFIRE_ADVICE: Final = (
    "charges that did not burn, which read lean: plug, coil or its wiring; or a mixture too lean to burn",
    "unburnt fuel and air in the exhaust: hot parts behind the engine; a cylinder without power",
    "find the spark first: plug, coil, wiring; never add fuel on this reading, it is no fuelling figure",
)
"""Cause, consequence and response where a lean alarm may be a misfire (common practice, no source)."""

MISFIRE_BESIDE_LEAN: Final = (
    "it was lean before; then charges came that did not burn: plug, coil or its wiring, or the lean mixture",
    "with unburnt fuel and air in the exhaust: hot parts behind the engine",
    "find the spark too: plug, coil, wiring; go by what it read before the misfire, never by the misfire",
)
"""What is added to the rule's own words where a misfire comes to a lean alarm that stands (our choice)."""

_DECIMALS: Final = {"lambda": 3, "%": 1, "s": 2, "V": 1, "controllers": 0, "times": 1}
"""Our choice: the last digit is about the noise of one reading."""


def kind_of(rule: AlarmRule) -> AlarmKind:
    """The entry of a rule's kind.

    Raises:
        UsageError: there is no such kind.
    """
    if isinstance(rule.own, AlarmKind):
        return rule.own
    if rule.kind not in ALARM_KINDS:
        raise UsageError(
            f"alarm {rule.name!r}: unknown kind {rule.kind!r}; expected one of {', '.join(ALARM_KINDS)}; "
            "correct the kind of the rule"
        )
    return ALARM_KINDS[rule.kind]


def unit_decimals(unit: str) -> int:
    """Decimals with which a value or a limit in this unit is shown."""
    return _DECIMALS.get(unit, 2)


_MOST_DECIMALS = 7
"""Our choice: alarms are raised by values at least a millionth beyond their limit."""


def limit_text(limit: float, unit: str) -> str:
    """A limit without its unit, with the decimals of its unit, or as many more as it was given with.

    >>> limit_text(0.04, "lambda"), limit_text(0.0405, "lambda")
    ('0.040', '0.0405')
    """
    decimals = unit_decimals(unit)
    while decimals < _MOST_DECIMALS and abs(round(limit, decimals) - limit) > abs(limit) * 1e-9:
        decimals += 1
    return f"{limit:.{decimals}f}"


def measured_text(value: float, limit: float, unit: str) -> str:
    """A value without its unit, with so many decimals that it stands on its own side of the limit.

    >>> measured_text(0.0412, 0.04, "lambda"), measured_text(0.04003, 0.04, "lambda")
    ('0.041', '0.04003')
    """
    decimals = unit_decimals(unit)
    while decimals < _MOST_DECIMALS and _side(round(value, decimals), limit) != _side(value, limit):
        decimals += 1
    return f"{value:.{decimals}f}"


def _side(value: float, limit: float) -> int:
    """1 above the limit, 0 at it, -1 below it."""
    return (value > limit) - (value < limit)


def alarm_kinds_markdown() -> str:
    """The reference of the kinds as the documentation prints it, one row for each key."""
    lines = ["| key | value | unit | alarm when | for each | limit | needs |", "| --- " * 7 + "|"]
    for key, kind in ALARM_KINDS.items():
        cells = (
            f"`{key}`",
            kind.words,
            kind.unit,
            "above" if kind.above else "below",
            "node" if kind.per_node else "engine",
            kind.expected,
            ", ".join(kind.needs) or "-",
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
