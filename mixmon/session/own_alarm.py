"""An alarm of one's own: a rule written in Python that lives as the rules of the session file do."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, TypedDict, Unpack

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import UsageError
from mixmon.session.alarm_kinds import AlarmKind, MeasuredColumns
from mixmon.session.default_limits import limits_in_force
from mixmon.session.model import AlarmRule, Session
from mixmon.session.schema import Number
from mixmon.session.when import ConditionError, parse

OWN_KIND: Final = "own"
_ANY_LIMIT: Final = Number(-math.inf, math.inf, "")


@dataclass(frozen=True, slots=True)
class AlarmRows:
    """k rows of n nodes, in session order, as a rule of one's own sees them; NaN where not known.

    A sample that does not count (not ready, held, at the end of the range, ...) has no lambda here.
    """

    columns: MeasuredColumns

    @property
    def lam(self) -> Floats:
        """Lambda of each node, of valid samples alone; float64[k, n]."""
        return np.where(self.columns.valid, self.columns.lam, np.nan)

    @property
    def target(self) -> Floats:
        """Target lambda when the gas at each sensor left its valve; float64[k, n]."""
        return self.columns.target

    @property
    def spread(self) -> Floats:
        """Spread of the valid cylinders for which the rule is in force, percent; float64[k, 1]."""
        return self.columns.spread

    @property
    def age_s(self) -> Floats:
        """Seconds since the newest sample; float64[k, n]."""
        return self.columns.age_s

    def node(self, quantity: str) -> Floats:
        """A quantity of [chain.signals] such as supply; float64[k, n]."""
        return self.columns.node(quantity)

    def engine(self, quantity: str) -> Floats:
        """A quantity of [engine_signals] such as rpm at the time of the row; float64[k, 1]."""
        return self.columns.engine(quantity)


class RuleOptions(TypedDict, total=False):
    """What else a rule of one's own may have; all as in the session file.

    when           condition of engine signals under which the rule is in force
    on_delay_s     seconds for which the condition must hold before the alarm is raised
    off_delay_s    seconds for which it must not hold before the alarm has returned to normal
    dead_band      how far behind the limit the value must fall back, in its unit
    latching       the alarm stays until it is reset
    re_alarm_s     seconds after which an acknowledged alarm that still holds is announced anew; None: never
    suppress_when  state of the engine that suppresses the rule by design
    cause, consequence, response  words for the operator
    """

    when: str | None
    on_delay_s: float
    off_delay_s: float
    dead_band: float
    latching: bool
    re_alarm_s: float | None
    suppress_when: str | None
    cause: str
    consequence: str
    response: str


def with_alarm(
    session: Session,
    name: str,
    value: Callable[[AlarmRows], Floats],
    limit: float,
    *,
    unit: str = "",
    above: bool = True,
    per_node: bool = True,
    mixture: bool = True,
    priority: int = 2,
    **options: Unpack[RuleOptions],
) -> Session:
    """The session with one more alarm, whose value a function computes; it lives as all others do.

    It is raised, acknowledged, shelved, suppressed by design and recorded as the rules of the session file
    are, in `alarms`, in `watch` and on the screens. A session without alarms has the placeholders beside it.

    >>> import mixmon
    >>> session = mixmon.load_session("examples/alder8.toml")
    >>> session = mixmon.with_alarm(session, "lean idle", lambda rows: rows.lam / rows.target, 1.05,
    ...                             when="rpm < 1400", on_delay_s=1.0)
    >>> found = mixmon.alarms(mixmon.read_run(session, "examples/alder8_short.log.gz", end_s=12.0))
    >>> {record.rule for record in found} >= {"lean idle"}
    True

    Args:
        session: from `load_session`.
        name: of the alarm; no other has it.
        value: takes `AlarmRows` of any number of rows and gives float64[k, n], or float64[k, 1] or [k] for
            the engine. Each row by itself: what came before must not count, as rows come in pieces of any
            size. NaN: not known.
        limit: in the unit of the value.
        unit: as it is shown.
        above: the condition holds above the limit; otherwise below.
        per_node: one alarm for each node; otherwise one for the engine.
        mixture: the value rests on gas that left the valves earlier; `when` is asked about the engine then.
        priority: 1 (highest) to 3.
        options: timing, conditions and words, see `RuleOptions`.

    Raises:
        UsageError: a name that is taken, a limit, priority, delay or condition that is none; from `alarms`
            and `watch`, a value of another shape.
    """
    limits = limits_in_force(session)
    _check_rule(session, name, limit, priority)
    _check_options(name, options)
    kind = AlarmKind(
        words=name,
        unit=unit,
        limit=_ANY_LIMIT,
        value=lambda columns: _checked(name, value(AlarmRows(columns)), columns.lam.shape, per_node=per_node),
        above=above,
        per_node=per_node,
        mixture=mixture,
    )
    rule = AlarmRule(name, priority, OWN_KIND, float(limit), own=kind, **options)
    return replace(session, limits=replace(limits, alarms=(*limits.alarms, rule)))


def _check_rule(session: Session, name: str, limit: float, priority: int) -> None:
    """Refuses a rule that cannot be watched.

    Raises:
        UsageError: with what is wrong.
    """
    if not name or any(rule.name == name for rule in limits_in_force(session).alarms):
        raise UsageError(f"alarm {name!r}: no name or one that is taken; expected a new one; choose another")
    if not math.isfinite(limit):
        raise UsageError(f"alarm {name!r}: limit {limit}; expected a finite number; correct it")
    if priority not in {1, 2, 3}:
        raise UsageError(f"alarm {name!r}: priority {priority}; expected 1, 2 or 3; correct it")


def _check_options(name: str, options: RuleOptions) -> None:
    """Refuses a condition that cannot be read, and a delay or dead band that is negative or no number.

    Raises:
        UsageError: with which.
    """
    for condition in (options.get("when"), options.get("suppress_when")):
        try:
            if condition is not None:
                parse(condition)
        except ConditionError as error:
            raise UsageError(f"alarm {name!r}: condition {condition!r}: {error}; correct it") from error
    for key in ("on_delay_s", "off_delay_s", "dead_band"):
        given = options.get(key, 0.0)
        if not (isinstance(given, int | float) and math.isfinite(given) and given >= 0):
            raise UsageError(f"alarm {name!r}: {key} {given}; expected 0 or more; correct it")


def _checked(name: str, value: Floats, shape: tuple[int, ...], *, per_node: bool) -> Floats:
    """What a function gave, as the detector takes it.

    Raises:
        UsageError: its shape fits no alarm.
    """
    rows, nodes = shape
    found = np.asarray(value, np.float64)
    if found.ndim == 1 and found.shape == (rows,):
        found = found[:, np.newaxis]
    wanted = (rows, nodes if per_node else 1)
    if found.ndim != 2 or found.shape not in {wanted, (rows, 1)}:
        raise UsageError(
            f"alarm {name!r}: its function gave an array of shape {np.shape(value)}; expected {wanted}, "
            "one row for each row that it was given; correct the function"
        )
    return np.ascontiguousarray(np.broadcast_to(found, wanted))
