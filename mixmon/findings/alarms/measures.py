"""What each kind of limit measures: one column a node, or one for the whole engine.

A measure knows nothing of delays. Which samples say something about the limit is part of it:
for mixture only VALID ones, and one thing more. A sensor held at the lean end of its range for
longer than settling lasts proves that the gas is *at least* that lean: it can cross a lean
limit, and can never take the crossing back. The same on the rich side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Bools, Floats, Times
from mixmon.errors import UsageError
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import SETTLE_NS, Delay, delayed
from mixmon.session.keys import ENGINE_STATES
from mixmon.session.model import AlarmRule, Session
from mixmon.session.when import Condition, names, parse, true_and_false

# ----------------------------------------------------------------------------------------------------
# The engine as alarm conditions see it: its signals, and the states that only their course tells.
#
# tip_in   the throttle opens by more than `RISE` within a tenth of a second, or did so less than
# `HOLD_NS` ago. For so long a sensor shows the way to the new mixture, not the mixture: its
# lag hides a step of the target, and the wall film takes fuel. Manifold pressure tells
# where no throttle is known. Not known where the opening is not.
#
# Kept: the last tenth of a second of the opening, and since when it has not been rising.
# ----------------------------------------------------------------------------------------------------

Columns = Mapping[str, Floats]

RISE = {"throttle": 5.0, "map_kpa": 15.0}
"""Percent or kPa in a tenth of a second: slower, the fuel keeps up; boost builds slower (our choice)."""

RISE_ROWS = 10

HOLD_NS = 600_000_000
"""Computed: a step of 0.10 behind lags of 0.085 and 0.020 s, and 6 % of film given back in 0.35 s."""


class EngineStates:
    """A stage: rows in, the engine's columns out, now and when the gas left its valve."""

    def __init__(self) -> None:
        self._opening: Floats = np.full(RISE_ROWS, np.nan)
        self._stretch = np.full(RISE_ROWS, -1, np.int64)
        self._delay: Delay | None = None

    def feed(self, rows: CylinderBlock, broken: Bools) -> tuple[Columns, Columns]:
        """Columns float64[k, 1] of now, and with float64[k, n] of then laid over them.

        broken   bool[k]: rows with which a stretch of time begins
        """
        now = {name: column[:, np.newaxis] for name, column in rows.now.items()}
        signal = next((name for name in ENGINE_STATES["tip_in"] if name in rows.now), None)
        if signal is not None:
            now["tip_in"] = self._tip_in(rows, signal, broken)[:, np.newaxis]
        return now, now | dict(rows.shifted)

    def _tip_in(self, rows: CylinderBlock, signal: str, broken: Bools) -> Floats:
        opening = np.concatenate([self._opening, rows.now[signal]])
        stretch = np.concatenate([self._stretch, rows.stretch])
        self._opening, self._stretch = opening[-RISE_ROWS:].copy(), stretch[-RISE_ROWS:].copy()
        together = stretch[RISE_ROWS:] == stretch[:-RISE_ROWS]
        rising = together & (opening[RISE_ROWS:] - opening[:-RISE_ROWS] > RISE[signal])
        held, _, self._delay = delayed(
            rising, rows.t, 0, HOLD_NS, before=self._delay, broken=broken, cut_short=broken
        )
        return np.where(np.isnan(rows.now[signal]), np.nan, held.astype(np.float64))


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """k rows, since when what they show has been so, and what conditions make of them.

    stretch_start  int64[k]     first row of the row's stretch of time, ns
    state_since    int64[k, n]  when the sample's state began, ns
    now, then      the engine's columns, as `alarm_engine.EngineStates` gives them
    """

    rows: CylinderBlock
    stretch_start: Times
    state_since: Times
    now: Mapping[str, Floats]
    then: Mapping[str, Floats]
    _known: dict[tuple[Condition, bool], tuple[Bools, Bools]] = field(default_factory=dict)

    def true_and_false(self, condition: Condition, *, mixture: bool) -> tuple[Bools, Bools]:
        """Where a condition is known to be true, and where to be false; bool[k, n or 1].

        Of the engine now, or for mixture as it was when the gas left its valve. Rules share conditions.
        """
        found = self._known.get((condition, mixture))
        if found is None:
            true, false = true_and_false(condition, self.then if mixture else self.now)
            found = self._known[condition, mixture] = _column(true, self.rows), _column(false, self.rows)
        return found


def _column(claim: Bools, rows: CylinderBlock) -> Bools:
    """As it is, or one column where no engine signal gives it a shape."""
    return claim if np.ndim(claim) else np.broadcast_to(claim, (len(rows), 1))


@dataclass(frozen=True, slots=True)
class Measure:
    """How one kind of limit is measured.

    value     scene, where the rule is in force bool[k, n or 1] -> float64[k, n], or [k, 1] if
              not `per_node`; NaN where there is none
    unit      of the value and of its limit
    above     crossed above the limit; otherwise below
    per_node  one alarm a node; otherwise one for the engine
    mixture   rests on gas that left the valves earlier: on counted samples, and on the engine
              as it was then
    bound     the state at the end of a sensor's range that can prove a crossing
    """

    value: Callable[[Scene, Bools], Floats]
    unit: str
    above: bool = True
    per_node: bool = True
    mixture: bool = False
    bound: SampleState | None = None

    def counted(self, scene: Scene, value: Floats) -> tuple[Bools, Bools]:
        """Where the value is known, and where it can at least prove a crossing; as `value`."""
        there = ~np.isnan(value)
        if self.bound is None:
            return there, there
        valid = there & (scene.rows.state == SampleState.VALID)
        at_end = there & (scene.rows.state == self.bound)
        return valid, valid | (at_end & (scene.rows.t[:, np.newaxis] - scene.state_since >= SETTLE_NS))


def _over_target(scene: Scene, _: Bools) -> Floats:
    return scene.rows.lam - _target(scene)


def _under_target(scene: Scene, _: Bools) -> Floats:
    return _target(scene) - scene.rows.lam


def _target(scene: Scene) -> Floats:
    return scene.rows.shifted.get("target", np.full(scene.rows.lam.shape, np.nan))


def _lam(scene: Scene, _: Bools) -> Floats:
    return scene.rows.lam


def _spread(scene: Scene, in_force: Bools) -> Floats:
    """Range of the needs against peers in percent, over valid cylinders where the rule is in force.

    needs_i = 100 (lam_i / Lam - 1) with Lam = 1 / mean(1 / lam_i), equal air assumed; so the
    range is 100 (max - min) mean(1 / lam). NaN with fewer than two cylinders.
    """
    lam = scene.rows.lam
    usable = (scene.rows.state == SampleState.VALID) & (lam > 0) & in_force
    count = usable.sum(axis=1)
    leanest, richest = np.where(usable, lam, -np.inf).max(axis=1), np.where(usable, lam, np.inf).min(axis=1)
    inverse = np.where(usable, 1.0 / np.where(usable, lam, 1.0), 0.0).sum(axis=1) / np.maximum(count, 1)
    spread: Floats = np.full(len(count), np.nan)
    np.multiply(100.0 * inverse, leanest - richest, out=spread, where=count > 1)
    return spread[:, np.newaxis]


def _age(scene: Scene, _: Bools) -> Floats:
    """Seconds since the newest sample; since the stretch began where there never was one."""
    waited = (scene.rows.t - scene.stretch_start)[:, np.newaxis]
    age: Floats = np.where(scene.rows.age >= 0, scene.rows.age, waited) / 1e9
    return age


def _supply(scene: Scene, _: Bools) -> Floats:
    return scene.rows.aux.get("supply", np.full(scene.rows.lam.shape, np.nan))


_LEAN, _RICH = SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT

MEASURES: Mapping[str, Measure] = {
    "over_target": Measure(_over_target, "lambda", mixture=True, bound=_LEAN),
    "under_target": Measure(_under_target, "lambda", mixture=True, bound=_RICH),
    "lambda_above": Measure(_lam, "lambda", mixture=True, bound=_LEAN),
    "lambda_below": Measure(_lam, "lambda", above=False, mixture=True, bound=_RICH),
    "spread_above": Measure(_spread, "%", per_node=False, mixture=True),
    "age_s": Measure(_age, "s"),
    "supply_below": Measure(_supply, "V", above=False),
}
"""Kinds of limit by their key in the session file."""


def limit_of(rule: AlarmRule) -> tuple[str, float]:
    """The kind and the value of a rule's one limit.

    >>> limit_of(AlarmRule("node silent", 2, age_s=0.25))
    ('age_s', 0.25)

    Raises:
        UsageError: none is set, or more than one.
    """
    found = [(kind, limit) for kind in MEASURES if (limit := getattr(rule, kind)) is not None]
    if len(found) != 1:
        said = " and ".join(kind for kind, _ in found) or "no limit"
        raise UsageError(
            f"alarm {rule.name!r}: {said}; expected exactly one of {', '.join(MEASURES)}; "
            "make one alarm of each"
        )
    return found[0]


def lacking(rule: AlarmRule, session: Session) -> tuple[str, ...]:
    """The signals that a rule needs and the session does not map: why it cannot watch.

    Signals of `suppress_when` are not among them: without them nothing is suppressed.
    """
    there = set(session.engine_signals)
    if session.axes.load_signal in there:
        there.add("load")
    if session.targets is not None and {"rpm", "load"} <= there:
        there.add("target")
    there.update(*(node.signals for node in session.chain.nodes), session.chain.signals)
    kind, _ = limit_of(rule)
    needed = {"over_target": "target", "under_target": "target", "supply_below": "supply"}.get(kind)
    there.update(state for state, by in ENGINE_STATES.items() if there.intersection(by))
    wanted = (*([needed] if needed else []), *(names(parse(rule.when)) if rule.when else ()))
    return tuple(name for name in dict.fromkeys(wanted) if name not in there)
