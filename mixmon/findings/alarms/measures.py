"""The columns of rows from which alarm kinds compute their values, and which values count.

The kinds are in `session.alarm_kinds`; nothing here knows delays. Of mixture only VALID samples say
something about a limit, with one exception: a sensor at the lean end of its range for longer than
settling lasts proves that the gas is *at least* that lean. It can cross a lean limit, and can never
take the crossing back. The same holds on the rich side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats, Times
from mixmon.findings.response.sensors import Paces
from mixmon.findings.wiring import SAME_MOMENT_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.validity import SETTLE_NS, Delay, delayed
from mixmon.session.alarm_kinds import AlarmKind, RangeEnd, kind_of
from mixmon.session.keys import ENGINE_STATES, OPERATING_POINT
from mixmon.session.model import AlarmRule, Session
from mixmon.session.when import Condition, names, parse, true_and_false

# ----------------------------------------------------------------------------------------------------
# The engine as alarm conditions see it: its signals, and the states that only their course shows.
# ----------------------------------------------------------------------------------------------------

Columns = Mapping[str, Floats]

TIP_IN_RISE = {"throttle": 5.0, "map_kpa": 15.0}
"""Percent or kPa in a tenth of a second: slower, the fuel keeps up; boost builds slower (our choice)."""

TIP_IN_ROWS = 10
"""Computed: a tenth of a second at 100 rows a second."""

TIP_IN_HOLD_NS = 600_000_000
"""Computed: a step of 0.10 behind lags of 0.085 and 0.020 s, and 6 % of film given back in 0.35 s."""


class EngineStates:
    """A stage: rows in, the columns of the engine out, now and when the gas left its valve.

    It adds the state `tip_in`: the throttle opens by more than `TIP_IN_RISE` within a tenth of a second, or
    did so less than `TIP_IN_HOLD_NS` ago. For so long a sensor shows the way to the new mixture and not the
    mixture: its lag hides a step of the target, and the wall film takes fuel. Where no throttle is mapped,
    manifold pressure decides. NaN where the opening is not known.

    Kept: the last tenth of a second of the opening, and since when it has not been rising.
    """

    def __init__(self) -> None:
        self._opening: Floats = np.full(TIP_IN_ROWS, np.nan)
        self._stretch = np.full(TIP_IN_ROWS, -1, np.int64)
        self._delay: Delay | None = None

    def feed(self, rows: CylinderBlock, broken: Bools) -> tuple[Columns, Columns]:
        """Columns float64[k, 1] of now, and with float64[k, n] of then laid over them.

        broken   bool[k]: rows with which a stretch of time begins
        """
        now = {name: column[:, np.newaxis] for name, column in rows.now.items()}
        signal = next((name for name in ENGINE_STATES["tip_in"] if name in rows.now), None)
        if signal is not None:
            now["tip_in"] = self._find_tip_in(rows, signal, broken)[:, np.newaxis]
        return now, now | dict(rows.shifted)

    def _find_tip_in(self, rows: CylinderBlock, signal: str, broken: Bools) -> Floats:
        opening = np.concatenate([self._opening, rows.now[signal]])
        stretch = np.concatenate([self._stretch, rows.stretch])
        self._opening, self._stretch = opening[-TIP_IN_ROWS:].copy(), stretch[-TIP_IN_ROWS:].copy()
        together = stretch[TIP_IN_ROWS:] == stretch[:-TIP_IN_ROWS]
        rising = together & (opening[TIP_IN_ROWS:] - opening[:-TIP_IN_ROWS] > TIP_IN_RISE[signal])
        held, _, self._delay = delayed(
            rising, rows.t, 0, TIP_IN_HOLD_NS, before=self._delay, broken=broken, cut_short=broken
        )
        return np.where(np.isnan(rows.now[signal]), np.nan, held.astype(np.float64))


SAME_MOMENT_NS = round(SAME_MOMENT_S * SECOND_NS)

_LONG_BEFORE = -(1 << 62)
"""Before all stamps: computed, its difference from any stamp fits into int64."""


class EngineSilence:
    """A stage: rows in, for how many seconds nothing of the operating point has been known.

    A chain that fell silent with the engine, or no later than `SAME_MOMENT_S`, has the one cause for both:
    while it is silent nothing is counted, and afterwards from its return on. A stretch of time begins anew.
    Before anything was known there is no value: an engine bus that was never there was not lost.

    Kept: the time from which it is counted, when it was known last or the stretch began, and whether a chain
    that is silent now fell silent with it.
    """

    def __init__(self) -> None:
        self._from: int | None = None
        self._known: int = 0
        self._with_chain: bool | None = None

    def feed(self, rows: CylinderBlock, broken: Bools) -> tuple[Floats, Floats]:
        """Twice float64[k]: what is counted, NaN for no value; and how much the chain's silence explains.

        broken   bool[k]: rows with which a stretch of time begins
        """
        points = [rows.now[name] for name in OPERATING_POINT if name in rows.now]
        known = np.logical_or.reduce([np.isfinite(column) for column in points]) if points else broken & False
        of_chain = rows.state == SampleState.SILENT
        silent = of_chain.any(axis=1) & (of_chain | (rows.state == SampleState.LEFT_OUT)).all(axis=1)
        if known.all() and not silent.any():
            self._from, self._known, self._with_chain = int(rows.t[-1]), int(rows.t[-1]), None
            return np.zeros(len(known)), np.zeros(len(known))
        anew = known | broken
        at = np.maximum.accumulate(np.where(anew, rows.t, _LONG_BEFORE))
        unknown = rows.t - np.where(at == _LONG_BEFORE, self._known, at)
        self._known = int(rows.t[-1] - unknown[-1])
        if self._from is None:
            anew[: int(known.argmax()) if known.any() else len(known)] = False
        common = self._find_common_silence(rows.t, anew, silent, broken)
        anew |= common
        explained = np.where(common, unknown / 1e9, 0.0)
        newest = np.maximum.accumulate(np.where(anew, np.arange(1, len(anew) + 1), 0))
        since = rows.t[newest - 1]
        if self._from is not None:
            since = np.where(newest > 0, since, self._from)
        elif not anew.any():
            return np.full(len(anew), np.nan), explained
        known_before = self._from is not None
        self._from = int(since[-1])
        return np.where((newest > 0) | known_before, (rows.t - since) / 1e9, np.nan), explained

    def _find_common_silence(self, t: Times, anew: Bools, silent: Bools, broken: Bools) -> Bools:
        """The rows in which the chain is silent that fell silent with the engine; `anew` begins the count."""
        common = np.zeros_like(silent)
        begins = silent.copy()
        begins[1:] &= ~silent[:-1] | broken[1:]
        begins[0] &= self._with_chain is None or broken[0]
        borders = np.unique(np.concatenate([[0], np.flatnonzero(begins), [len(silent)]]))
        for first, end in pairwise(borders.tolist()):
            if not silent[first]:
                self._with_chain = None
                continue
            if begins[first]:
                before = np.flatnonzero(anew[: first + 1] | common[: first + 1])
                since = int(t[before[-1]]) if len(before) else self._from
                self._with_chain = since is not None and t[first] - since <= SAME_MOMENT_NS
            length = int(silent[first:end].argmin()) or end - first
            common[first : first + length] = bool(self._with_chain)
            if length < end - first:
                self._with_chain = None
        return common


PacesAt = Callable[[int, int], Paces]
"""The pace of each node, as is known at t ns of a stretch; for rows that its stage has seen."""


def find_times_peers(rows: CylinderBlock, paces_at: PacesAt | None) -> Floats:
    """T63 of each node over its peers' as is known at each row, float64[k, n]; NaN where not measured.

    What is known changes with a fuel cut, and seldom: the rows between share one answer.
    """
    none = np.full((1, rows.lam.shape[1]), np.nan)
    if paces_at is None:
        return np.broadcast_to(none, rows.lam.shape)
    first, last = ((int(rows.stretch[i]), int(rows.t[i])) for i in (0, -1))
    moments = [first]
    if paces_at(*first) is not paces_at(*last):
        moments = list(zip(rows.stretch.tolist(), rows.t.tolist(), strict=True))
    known = [[np.nan if one is None else one.times_peers for one in paces_at(*moment)] for moment in moments]
    return np.broadcast_to(np.array(known), rows.lam.shape)


@dataclass(frozen=True, slots=True, eq=False)
class RuleRows:
    """k rows that all rules share: since when their states hold, and the truth of conditions over them.

    stretch_start  int64[k]     first row of the row's stretch of time, ns
    state_since    int64[k, n]  when the sample's state began, ns
    now, then      the columns of the engine, as `EngineStates` gives them
    unburnt        bool[k, n]    gas that no burnt charge leaves came lately, as `MisfireWatch` gives it
    engine_age_s   float64[k]    as `EngineSilence` gives it
    explained_s    float64[k]    for how long the engine has been unknown by the chain's silence
    times_peers    float64[k, n]  as `find_times_peers` gives it
    no_engine      bool[k]       whether an alarm says that nothing is known of the engine
    """

    rows: CylinderBlock
    stretch_start: Times
    state_since: Times
    now: Mapping[str, Floats]
    then: Mapping[str, Floats]
    unburnt: Bools
    engine_age_s: Floats
    explained_s: Floats
    times_peers: Floats
    no_engine: Bools
    _known: dict[tuple[Condition, bool], tuple[Bools, Bools]] = field(default_factory=dict)
    _anywhere: dict[tuple[Condition, bool], Bools] = field(default_factory=dict)

    def true_and_false(self, condition: Condition, *, mixture: bool) -> tuple[Bools, Bools]:
        """Where a condition is known to be true, and where to be false; bool[k, n or 1].

        Asked about the engine now, or for mixture as it was when the gas left its valve. The answers are
        kept, as rules share conditions.
        """
        found = self._known.get((condition, mixture))
        if found is None:
            true, false = true_and_false(condition, self.then if mixture else self.now)
            found = self._known[condition, mixture] = (
                _as_column(true, self.rows),
                _as_column(false, self.rows),
            )
        return found

    def holds_anywhere(self, condition: Condition, *, mixture: bool) -> Bools:
        """Where a condition is known to be true, now or for the gas at any sensor; bool[k], kept as well."""
        found = self._anywhere.get((condition, mixture))
        if found is None:
            claims = [self.true_and_false(condition, mixture=each)[0] for each in {False, mixture}]
            found = np.logical_or.reduce([claim.any(axis=1) for claim in claims])
            self._anywhere[condition, mixture] = found
        return found


def _as_column(claim: Bools, rows: CylinderBlock) -> Bools:
    """The claim as bool[k, n or 1]; a claim on no signal is the same in all rows."""
    return claim if np.ndim(claim) else np.broadcast_to(claim, (len(rows), 1))


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredRows:
    """The `MeasuredColumns` of one rule, from which the value of its kind is computed.

    in_force  where the rule's `when` is known to be true; bool[k, n or 1]
    """

    rule_rows: RuleRows
    in_force: Bools

    @property
    def lam(self) -> Floats:
        """Lambda of each node; float64[k, n]."""
        return self.rule_rows.rows.lam

    @property
    def valid(self) -> Bools:
        """Whether the sample of each node counts; bool[k, n]."""
        valid: Bools = self.rule_rows.rows.state == SampleState.VALID
        return valid

    @property
    def target(self) -> Floats:
        """Target lambda of its cylinders when the gas at each sensor left its valve; float64[k, n]."""
        return self.rule_rows.rows.shifted.get("target", self._unknown_values())

    @property
    def age_s(self) -> Floats:
        """Seconds since the newest sample; since the stretch began where there never was one."""
        rows = self.rule_rows.rows
        waited = (rows.t - self.rule_rows.stretch_start)[:, np.newaxis]
        age: Floats = np.where(rows.age >= 0, rows.age, waited) / 1e9
        return age

    @property
    def spread(self) -> Floats:
        """Range of the needs against peers in percent, over valid cylinders where the rule is in force.

        needs_i = 100 (lam_i / Lam - 1) with Lam = 1 / mean(1 / lam_i), equal air assumed, of lambdas over
        what each cylinder's own target is of the engine's; so the
        range is 100 (max - min) mean(1 / lam). NaN with fewer than two cylinders. float64[k, 1]
        """
        lam = self.rule_rows.rows.comparable
        usable = (self.rule_rows.rows.state == SampleState.VALID) & (lam > 0) & self.in_force
        count = usable.sum(axis=1)
        leanest = np.where(usable, lam, -np.inf).max(axis=1)
        richest = np.where(usable, lam, np.inf).min(axis=1)
        inverse = np.where(usable, 1.0 / np.where(usable, lam, 1.0), 0.0).sum(axis=1) / np.maximum(count, 1)
        spread: Floats = np.full(len(count), np.nan)
        np.multiply(100.0 * inverse, leanest - richest, out=spread, where=count > 1)
        return spread[:, np.newaxis]

    @property
    def engine_age_s(self) -> Floats:
        """Seconds for which nothing of the operating point has been known; float64[k, 1]."""
        return self.rule_rows.engine_age_s[:, np.newaxis]

    @property
    def controllers(self) -> Floats:
        """2 where two controllers take turns as one node, else 1; float64[k, n]."""
        return np.where(self.rule_rows.rows.state == SampleState.DUPLICATE_NODE, 2.0, 1.0)

    @property
    def times_peers(self) -> Floats:
        """T63 over the median of the peers', by the last fuel cuts; float64[k, n]."""
        return self.rule_rows.times_peers

    def node(self, quantity: str) -> Floats:
        """A quantity of the nodes other than lambda; float64[k, n]."""
        return self.rule_rows.rows.aux.get(quantity, self._unknown_values())

    def engine(self, quantity: str) -> Floats:
        """A quantity of the engine at the time of the row; float64[k, 1]."""
        return self.rule_rows.now.get(quantity, self._unknown_values()[:, :1])

    def _unknown_values(self) -> Floats:
        return np.full(self.rule_rows.rows.lam.shape, np.nan)


_STATE_AT: Mapping[RangeEnd, SampleState] = {
    RangeEnd.LEAN: SampleState.AT_LEAN_LIMIT,
    RangeEnd.RICH: SampleState.AT_RICH_LIMIT,
}


def counted(kind: AlarmKind, rule_rows: RuleRows, value: Floats) -> tuple[Bools, Bools]:
    """Where a value is known, and where it can at least prove a crossing; shaped as `value`."""
    there = ~np.isnan(value)
    if kind.bound is None:
        return there, there
    valid = there & (rule_rows.rows.state == SampleState.VALID)
    at_bound = there & (rule_rows.rows.state == _STATE_AT[kind.bound])
    return valid, valid | (at_bound & (rule_rows.rows.t[:, np.newaxis] - rule_rows.state_since >= SETTLE_NS))


def needs_engine(rule: AlarmRule) -> bool:
    """Whether a rule of mixture cannot be judged without the engine's operating point.

    >>> [needs_engine(AlarmRule("lean", 1, kind, 1.0)) for kind in ("over_target", "lambda_above")]
    [True, False]
    """
    kind = kind_of(rule)
    return kind.mixture and not {*_name_wanted(rule)}.isdisjoint((*OPERATING_POINT, *ENGINE_STATES))


def _name_wanted(rule: AlarmRule) -> tuple[str, ...]:
    """What a rule cannot do without: signals, and states of the engine."""
    return (*kind_of(rule).needs, *(names(parse(rule.when)) if rule.when else ()))


def lacking(rule: AlarmRule, session: Session) -> tuple[str, ...]:
    """The signals that a rule needs and the session does not map: why it cannot watch.

    Signals of `suppress_when` are not among them: without them nothing is suppressed.
    """
    there = {*session.engine_signals, *session.channels}
    if session.axes.load_signal in there:
        there.add("load")
    if session.targets is not None and {"rpm", "load"} <= there:
        there.add("target")
    there.update(*(node.signals for node in session.chain.nodes), session.chain.signals)
    there.update(state for state, by in ENGINE_STATES.items() if there.intersection(by))
    return tuple(name for name in dict.fromkeys(_name_wanted(rule)) if name not in there)
