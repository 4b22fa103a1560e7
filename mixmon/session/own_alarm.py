"""An alarm of one's own: a rule written in Python that lives as the rules of the session file do."""

from __future__ import annotations

import math
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, TypedDict, Unpack

import numpy as np

from mixmon.arrays import Floats
from mixmon.errors import MixmonError, UsageError, check_kind, nearest
from mixmon.session.alarm_kinds import AlarmKind, MeasuredColumns
from mixmon.session.checks import check_condition
from mixmon.session.default_limits import limits_in_force
from mixmon.session.keys import CYLINDER_QUANTITIES, OWN_ALARM, trim_quantity
from mixmon.session.model import AlarmRule, Session
from mixmon.session.schema import MistakeReport, Number

OWN_KIND: Final = "own"
_ANY_LIMIT: Final = Number(-math.inf, math.inf, "")
_OF_ROWS: Final = {"lambda": "rows.lam", "oxygen": "rows.lam", "ready": "rows.lam"}
"""Quantities of a node that a rule sees as something else."""


@dataclass(frozen=True, slots=True)
class AlarmRows:
    """k rows of n nodes, in session order, as a rule of one's own sees them; NaN where not known.

    A sample that does not count (not ready, held, at the end of the range, ...) has no lambda here. Arrays
    are read-only, as other rules see the same ones.

    node_mapped, engine_mapped  quantities that signals of the session carry
    """

    columns: MeasuredColumns
    node_mapped: frozenset[str] = field(kw_only=True)
    engine_mapped: frozenset[str] = field(kw_only=True)

    @property
    def lam(self) -> Floats:
        """Lambda of each node, of valid samples alone; float64[k, n]."""
        return np.where(self.columns.valid, self.columns.lam, np.nan)

    @property
    def target(self) -> Floats:
        """Target lambda when the gas at each sensor left its valve; float64[k, n]."""
        return _read_only(self.columns.target)

    @property
    def spread(self) -> Floats:
        """Spread of the valid cylinders for which the rule is in force, percent; float64[k, 1]."""
        return _read_only(self.columns.spread)

    @property
    def age_s(self) -> Floats:
        """Seconds since the newest sample; float64[k, n]."""
        return _read_only(self.columns.age_s)

    def node(self, quantity: str) -> Floats:
        """A quantity of [chain.signals] such as supply; float64[k, n].

        Raises:
            UsageError: no signal of the session carries it, so that the alarm could never be raised.
        """
        _check_mapped(quantity, self.node_mapped, "[chain.signals]")
        return _read_only(self.columns.node(quantity))

    def engine(self, quantity: str) -> Floats:
        """A quantity of [engine_signals] such as rpm, or an own channel, when the row is; float64[k, 1].

        Raises:
            UsageError: no signal of the session carries it, so that the alarm could never be raised.
        """
        _check_mapped(quantity, self.engine_mapped, "[engine_signals] and [channels]")
        return _read_only(self.columns.engine(quantity))


def _read_only(values: Floats) -> Floats:
    seen = values.view()
    seen.flags.writeable = False
    return seen


def _check_mapped(quantity: str, mapped: Iterable[str], where: str) -> None:
    """Refuses a quantity that has no values.

    Raises:
        UsageError: with those that have.
    """
    if quantity not in mapped:
        instead = f"{_OF_ROWS[quantity]} is what counts of it; " if quantity in _OF_ROWS else ""
        known = ", ".join(sorted(mapped)) or "none"
        raise UsageError(
            f"{quantity}: no signal of {where} carries it; expected one of {known}; "
            f"{instead}{nearest(quantity, mapped)}correct the name, or map the signal"
        )


OwnValue = Callable[[AlarmRows], Floats]
"""The function of a rule of one's own."""


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
    check_kind(session, Session, "with_alarm", "a session, as load_session gives it")
    _check_rule(session, name, value, options | {"priority": priority}, limit)
    ask = _asker(session, name, value, per_node=per_node)
    kind = AlarmKind(
        words=name, unit=unit, limit=_ANY_LIMIT, value=ask, above=above, per_node=per_node, mixture=mixture
    )
    rule = AlarmRule(name, priority, OWN_KIND, float(limit), own=kind, **options)
    limits = limits_in_force(session)
    return replace(session, limits=replace(limits, alarms=(*limits.alarms, rule)))


def _engine_names(session: Session) -> Iterator[str]:
    """The quantities of the engine that rows of a session have."""
    yield "load"  # what the axes take for it
    for name in session.engine_signals:
        if name in CYLINDER_QUANTITIES:
            yield from map(trim_quantity, range(1, session.engine.cylinders + 1))
        else:
            yield name
    yield from session.channels


def _check_rule(session: Session, name: str, value: object, keys: dict[str, Any], limit: float) -> None:
    """Refuses a rule that cannot be watched, by what the session file allows.

    Raises:
        UsageError: with the first mistake.
    """
    if not name or any(rule.name == name for rule in limits_in_force(session).alarms):
        raise UsageError(f"alarm {name!r}: no name or one that is taken; expected a new one; choose another")
    if not callable(value):
        raise UsageError(f"alarm {name!r}: value {value!r}; expected a function of AlarmRows; write one")
    report = MistakeReport()
    given = {key: one for key, one in keys.items() if one is not None}
    clean = OWN_ALARM.read({"name": name, "limit": limit, **given}, "", report)
    mapped = {"engine_signals": session.engine_signals, "channels": session.channels}
    for key in ("when", "suppress_when"):
        if key in clean:
            check_condition(clean[key], key, mapped, report)
    if report.mistakes:
        raise UsageError(f"alarm {name!r}: {report.mistakes[0]}; correct it")


def _asker(
    session: Session, name: str, value: OwnValue, *, per_node: bool
) -> Callable[[MeasuredColumns], Floats]:
    """What asks the function of a rule, as the detector asks all kinds."""
    nodes = session.chain.nodes
    node_mapped = frozenset(
        {*session.chain.signals}.union(*(node.signals for node in nodes)) - _OF_ROWS.keys()
    )
    engine_mapped = frozenset(_engine_names(session))

    def ask(columns: MeasuredColumns) -> Floats:
        rows = AlarmRows(columns, node_mapped=frozenset(node_mapped), engine_mapped=engine_mapped)
        return _check_shape(name, _ask_function(name, value, rows), columns.lam.shape, per_node=per_node)

    return ask


def _ask_function(name: str, value: OwnValue, rows: AlarmRows) -> Floats:
    """What a function gives, as numbers.

    Raises:
        UsageError: the function failed, or gave no numbers.
    """
    try:
        given = value(rows)
        if np.iscomplexobj(given):
            raise TypeError("complex numbers")  # noqa: TRY301  # as any other value that is no number
        return np.asarray(given, np.float64)
    except MixmonError as error:
        raise UsageError(f"alarm {name!r}: {error}") from error
    except Exception as error:
        raise UsageError(
            f"alarm {name!r}: its function failed with {type(error).__name__}: {_first_line(error)} "
            f"({_place_of(error)}); expected numbers; correct the function"
        ) from error


def _check_shape(name: str, found: Floats, shape: tuple[int, ...], *, per_node: bool) -> Floats:
    """What a function gave, as the detector takes it.

    Raises:
        UsageError: its shape fits no alarm.
    """
    count, nodes = shape
    wanted = (count, nodes if per_node else 1)
    column = found[:, np.newaxis] if found.shape == (count,) else found
    if column.shape not in {wanted, (count, 1)}:
        raise UsageError(
            f"alarm {name!r}: its function gave an array of shape {found.shape}; expected {wanted}, "
            "one row for each row that it was given; correct the function"
        )
    return np.ascontiguousarray(np.broadcast_to(column, wanted))


def _first_line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), "no words")


def _place_of(error: Exception) -> str:
    """The innermost line of code that failed."""
    frames = traceback.extract_tb(error.__traceback__)
    return f"{Path(frames[-1].filename).name}, line {frames[-1].lineno}"
