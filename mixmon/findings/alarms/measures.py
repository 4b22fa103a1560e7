"""The columns of rows from which alarm kinds compute their values, and which values count.

The kinds stand in `session.alarm_kinds`; nothing here knows delays. Of mixture only VALID samples say
something about a limit, with one exception: a sensor at the lean end of its range for longer than
settling lasts proves that the gas is *at least* that lean. It can cross a lean limit, and can never
take the crossing back. The same holds on the rich side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import Bools, Floats, Times
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import SETTLE_NS, Delay, delayed
from mixmon.session.alarm_kinds import AlarmKind, Bound, kind_of
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


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRows:
    """The columns of some rows from which the value of an alarm kind is computed: `Measured` of one rule.

    in_force  where the rule's `when` is known to be true; bool[k, n or 1]
    """

    scene: Scene
    in_force: Bools

    @property
    def lam(self) -> Floats:
        """Lambda of each node; float64[k, n]."""
        return self.scene.rows.lam

    @property
    def target(self) -> Floats:
        """Target lambda when the gas at each sensor left its valve; float64[k, n]."""
        return self.scene.rows.shifted.get("target", self._unknown())

    @property
    def age_s(self) -> Floats:
        """Seconds since the newest sample; since the stretch began where there never was one."""
        rows = self.scene.rows
        waited = (rows.t - self.scene.stretch_start)[:, np.newaxis]
        age: Floats = np.where(rows.age >= 0, rows.age, waited) / 1e9
        return age

    @property
    def spread(self) -> Floats:
        """Range of the needs against peers in percent, over valid cylinders where the rule is in force.

        needs_i = 100 (lam_i / Lam - 1) with Lam = 1 / mean(1 / lam_i), equal air assumed; so the
        range is 100 (max - min) mean(1 / lam). NaN with fewer than two cylinders. float64[k, 1]
        """
        lam = self.scene.rows.lam
        usable = (self.scene.rows.state == SampleState.VALID) & (lam > 0) & self.in_force
        count = usable.sum(axis=1)
        leanest = np.where(usable, lam, -np.inf).max(axis=1)
        richest = np.where(usable, lam, np.inf).min(axis=1)
        inverse = np.where(usable, 1.0 / np.where(usable, lam, 1.0), 0.0).sum(axis=1) / np.maximum(count, 1)
        spread: Floats = np.full(len(count), np.nan)
        np.multiply(100.0 * inverse, leanest - richest, out=spread, where=count > 1)
        return spread[:, np.newaxis]

    def node(self, quantity: str) -> Floats:
        """A quantity of the nodes other than lambda; float64[k, n]."""
        return self.scene.rows.aux.get(quantity, self._unknown())

    def engine(self, quantity: str) -> Floats:
        """A quantity of the engine at the time of the row; float64[k, 1]."""
        return self.scene.now.get(quantity, self._unknown()[:, :1])

    def _unknown(self) -> Floats:
        return np.full(self.scene.rows.lam.shape, np.nan)


_STATE_AT: Mapping[Bound, SampleState] = {
    Bound.LEAN: SampleState.AT_LEAN_LIMIT,
    Bound.RICH: SampleState.AT_RICH_LIMIT,
}


def counted(kind: AlarmKind, scene: Scene, value: Floats) -> tuple[Bools, Bools]:
    """Where a value is known, and where it can at least prove a crossing; shaped as `value`."""
    there = ~np.isnan(value)
    if kind.bound is None:
        return there, there
    valid = there & (scene.rows.state == SampleState.VALID)
    at_bound = there & (scene.rows.state == _STATE_AT[kind.bound])
    return valid, valid | (at_bound & (scene.rows.t[:, np.newaxis] - scene.state_since >= SETTLE_NS))


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
    there.update(state for state, by in ENGINE_STATES.items() if there.intersection(by))
    wanted = (*kind_of(rule).needs, *(names(parse(rule.when)) if rule.when else ()))
    return tuple(name for name in dict.fromkeys(wanted) if name not in there)
