"""All events of a run: misfires, lean and rich excursions, cuts, tips, silent and reset nodes.

    rows -> Baseline -> CutWatch -> BumpSearch   -> BumpClassifier -> infer_cut   one cylinder against others
                                 -> CommonSearch -> BumpClassifier -> infer_cut   all against the target
         -> TipStage                                                              the throttle
         -> NodeStage                                                             the nodes themselves

The lag of each sensor is the given or the usual one, until cuts in the rows show it: see `OnlineLags`.

Invariants: an event leaves a few seconds after it is over, because the slow parts of the readings are
known only then. The events depend on the rows alone, not on the blocks in which they came. For each
moment a bump gives one event at most, or two where a lean step has misfires in it. A rich bump that follows a
lean one of the same node gives none: it is the way back from the lean one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from mixmon.arrays import Floats, Ints
from mixmon.findings.events.baseline import Baseline, Settled
from mixmon.findings.events.bumps import Bump, BumpSearch, CommonSearch, at_top_speed, sparks_left_out
from mixmon.findings.events.cuts import CutWatch
from mixmon.findings.events.event import DoubtReason, Event, Kind, MisfireShape, Value, in_order
from mixmon.findings.events.inferred import CutPattern, infer_cut
from mixmon.findings.events.misfire import BumpClassifier, Verdict
from mixmon.findings.events.nodes import NodeStage
from mixmon.findings.events.tips import (
    LEVEL_ROWS,
    NOT_JUDGED,
    Tip,
    TipMeasure,
    TipReview,
    TipStage,
    group,
    without_misfires,
)
from mixmon.findings.lags import Lags, OnlineLags, node_lags
from mixmon.findings.response.cuts import MeasuredCut
from mixmon.findings.response.sensors import Paces
from mixmon.findings.stage import StretchStage, run_side_by_side, run_through
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import SensorLag
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.recent import Recent
from mixmon.session.model import Session

_TOGETHER_NS = 600_000_000
"""Omitted sparks nearer to each other than this belong to one cut. Our choice: a limiter omits the next one
sooner."""

_LONGEST_NS = 6_000_000_000
"""From the beginning of a bump to its report, counted in settled rows. Our choice: 5 s from what set it off
to its end, 0.6 s of fading, and a beat. The second by which a bump can begin before what set it off is left
out: a bump as long as that may come too late and be a cut of its own."""

_OVERSHOOT_NS, _OVERSHOOT_SHARE = 800_000_000, 0.4
"""A rich bump so soon after a lean one of the node, with so much less of its rise, is the way back from it.
Our choice: a slow sensor takes that long; a real rich bump is as high as the lean one."""

_BEHIND = 1.2
"""Depth of a rich bump, in parts of the common rise, up to which the cylinder only stays behind. Our choice:
by itself it is then richer by a fifth of that rise at most."""

_ON_AND_OFF, _ON_AND_OFF_NS = 3, 6_000_000_000
"""So many misfires of a node within so long a time: it misfires on and off. Our choice: the baseline looks
at eight seconds, and misfires that fill half of them raise it."""

_OVER, _NEARLY = 0.05, 0.9
"""Lambda by which an excursion is off what was expected at least (common practice, no source), and
the part of it that is enough for the gas. Our choice: the gas is known to some ten percent."""

_SMOOTH_ROWS, _SMOOTH_SHARE = 15, 0.25
"""A mixture must be off for so many rows on average, or so large a part of a long bump: the noise of a small
step of two seconds passes `_OVER` for a tenth of a second somewhere (computed)."""

_ROUGH_KINDS = frozenset({Kind.MISFIRE, Kind.RICH_EXCURSION, Kind.NOT_CLASSIFIED})
"""What single cylinders seem to have while sparks are left out in turn."""

_MIXTURES = frozenset({Kind.LEAN_EXCURSION, Kind.RICH_EXCURSION})
_MAY_BE_MIXTURES = _MIXTURES | {Kind.NOT_CLASSIFIED}

_MAY_MISS = frozenset({Kind.MISFIRE, Kind.NOT_CLASSIFIED})
"""What counts for misfire on and off: several doubtful bumps in a row are no single lean mixture."""

_MANY_LATELY, _MOST_LATELY = 15, 120
"""Bumps of all nodes in the minute before above which the next is explained in brief, and above which not at
all. Our choice: they bound the time that a minute of a log takes; most of so many have one cause."""

_BRIEF_ROWS = 100
"""Rows below which a bump of a node that misfires on and off is explained in brief. Our choice: within a
second no lean step with misfires in it is seen."""

_ROUGH, _UNEVEN = 5.0, 2.0
"""Movement of readings from row to row, in parts of what it was before, from which charges of all cylinders
are missed in turn, and from which that may be so. Computed: where every second or third charge has no spark
it is 10 to 40, behind noisy sensors 2 to 7; where all go lean, 0.6 to 1.5."""

_FADED_LAGS = 3.0
"""Lags after the gas of a misfire until its reading has faded: 5 % are left (computed: exp(-3))."""


class EventStage:
    """Finds every event of a run.

    Args:
        session: whose nodes the rows are of.
        fuel: as burnt.
        lag_s: sensor lag, element and filter together, for all cylinders or by cylinder; see
            `findings.lags`. Lags that are not given are learnt from fuel cuts.
        tips: whether to look for tips. Without them few lags are asked for, and these are measured then.

    Raises:
        UsageError: an impossible lag.
    """

    def __init__(self, session: Session, fuel: Fuel, lag_s: Lags | None = None, *, tips: bool = True) -> None:
        lags = tuple(SensorLag.of_total(*pair) for pair in node_lags(session.chain.nodes, lag_s).T.tolist())
        self._cylinders = tuple(node.cylinders for node in session.chain.nodes)
        self._fuel = fuel
        usual = float(np.median([lag.total_s for lag in lags]))
        strokes = session.engine.strokes
        self._baseline = Baseline(lags, fuel, strokes)
        self._cuts = CutWatch(self._cylinders, dict(session.engine.banks), usual)
        self._bumps, self._common = BumpSearch(len(lags)), CommonSearch(fuel)
        self._classifier = BumpClassifier(fuel, strokes)
        self._lags, self._stretch = OnlineLags(session.chain.nodes, lag_s, on_demand=not tips), 0
        self._tips = TipEventStage(session, fuel, self._lags) if tips else None
        self._nodes = NodeStage(self._cylinders)
        self._sparks: list[Event] = []
        self._lean: dict[int, Event] = {}
        self._misses = [deque[int](maxlen=_ON_AND_OFF) for _ in self._cylinders]
        self._likely: dict[int, SensorLag] = {}
        self._settled_t = 0

    @property
    def cuts(self) -> tuple[MeasuredCut, ...]:
        """The last fuel cuts, as the sensors saw them: what they say of response and delay."""
        return self._lags.cuts

    def feed(self, block: CylinderBlock) -> list[Event]:
        """Gives the events that are now certain. A block lies within one stretch of time."""
        if not len(block):
            return []
        self._lags.feed(block)
        found: list[Event] = []
        if block.stretch[0] != self._stretch:
            found += [event for settled in self._baseline.flush() for event in self._search(settled)]
            self._stretch = int(block.stretch[0])
        found += [event for settled in self._baseline.feed(block) for event in self._search(settled)]
        if self._tips is not None:
            found += self._tips.judge(self._tips.feed(block), found, self._settled_t)
        return sorted(found + self._nodes.feed(block), key=in_order)

    def flush(self) -> list[Event]:
        """Gives the events that are left when nothing follows."""
        found = [event for settled in self._baseline.flush() for event in self._search(settled)]
        if self._tips is not None:
            found += self._tips.judge(self._tips.flush(), found, None)
        self._lags.end()
        return sorted(found + self._nodes.flush(), key=in_order)

    def result(self) -> list[Event]:
        """Gives the events that `flush` would give if the rows ended here; leaves the stage unchanged."""
        return deepcopy(self).flush()

    def lags_at(self, stretch: int, t: int) -> Floats:
        """Lags for what begins at t ns, within the rows fed: s lean-going and rich-going, float64[2, n]."""
        return self._lags.at(stretch, t)

    def paces_at(self, stretch: int, t: int) -> Paces:
        """How slowly each sensor followed the last fuel cuts, as is known at t ns, within the rows fed."""
        return self._lags.paces_at(stretch, t)

    def _search(self, settled: Settled) -> Iterator[Event]:
        cut, cuts = self._cuts.feed(settled)
        yield from cuts
        for bump in self._bumps.feed(settled, cut):
            if not (bump.after_cut or bump.before_cut or bump.stopping):
                yield from self._classify_single(bump)
        for bump in self._common.feed(settled, cut):
            if not bump.stopping:
                yield from self._classify_common(bump)
        self._settled_t = int(settled.rows["t"][-1])
        yield from self._merge_sparks(self._settled_t, last=settled.last)

    def _classify_single(self, bump: Bump) -> Iterator[Event]:
        """Gives the events of one cylinder's bump, unless it is the way back from another, or too small."""
        known = bool(self._lags.known_at(self._stretch, int(bump.t[bump.begin]))[bump.node])
        lag = SensorLag.of_total(*self._lag_at_begin(bump)[:, bump.node].tolist())
        verdict = self._explain_single(bump, lag, known=known)
        verdict = self._reconsider(bump, lag, verdict, alone=True)
        for found in self._make_events(bump, verdict, (bump.node,)):
            event = found
            if event.kind is Kind.SPARK_CUT or (event.kind in _ROUGH_KINDS and self._is_in_spark_cut(event)):
                if event.kind is not Kind.RICH_EXCURSION:
                    self._sparks.append(replace(event, kind=Kind.SPARK_CUT))
                continue
            rough = self._is_misfiring_on_and_off(bump.node, event)
            if event.kind is Kind.RICH_EXCURSION:
                way_back = _is_way_back(self._lean.get(bump.node), event)
                if rough or way_back or _stays_behind(bump) or sparks_left_out(bump):
                    continue
            else:
                if rough and _may_be_misfire(event):
                    if event.kind not in _MAY_MISS:
                        self._misses[bump.node].append(event.t)
                    event = _as_misfire(event)
                self._lean[bump.node] = max(event, self._lean.get(bump.node, event), key=lambda e: e.end)
            yield event

    def _explain_single(self, bump: Bump, lag: SensorLag, *, known: bool) -> Verdict | None:
        """Classifies a bump, in brief or not at all where many came before it."""
        if bump.sign > 0 and bump.lately > _MOST_LATELY:
            return self._classifier.leave(bump)
        again = self._missed_lately(bump.node, int(bump.t[bump.begin]))
        if bump.lately > _MANY_LATELY or (again and bump.end - bump.begin < _BRIEF_ROWS):
            likely = lag if known else self._likely.get(bump.node, lag)
            return self._classifier.classify(bump, likely, lag_known=known, thorough=False)
        verdict = self._classifier.classify(bump, lag, lag_known=known)
        if verdict is not None and verdict.kind is Kind.MISFIRE:
            self._likely[bump.node] = verdict.lag
        return verdict

    def _is_misfiring_on_and_off(self, node: int, event: Event) -> bool:
        """True where the node misfires on and off: its baseline is raised, and other bumps mean nothing."""
        if event.kind in _MAY_MISS:
            self._misses[node].append(event.t)
        return self._missed_lately(node, event.t)

    def _missed_lately(self, node: int, t: int) -> bool:
        """True where the node has misfired so often in the seconds before t."""
        misses = self._misses[node]
        return len(misses) == _ON_AND_OFF and t - misses[0] < _ON_AND_OFF_NS

    def _classify_common(self, bump: Bump) -> Iterator[Event]:
        lean, usual = bump.sign > 0, np.median(self._lag_at_begin(bump), axis=1)
        lag = SensorLag.of_total(*usual.tolist())
        verdict = self._classifier.classify(bump, lag, alone=False)
        verdict = self._reconsider(bump, lag, verdict, alone=False)
        for event in self._make_events(bump, verdict, tuple(range(len(self._cylinders)))):
            if event.kind is Kind.FUEL_CUT:
                yield event
            elif event.kind is Kind.SPARK_CUT or (lean and (at_top_speed(bump) or bump.roughness > _ROUGH)):
                evidence = {**event.evidence, "speed_at_limit": at_top_speed(bump)}
                self._sparks.append(replace(event, kind=Kind.SPARK_CUT, evidence=evidence))
            elif lean and bump.roughness > _UNEVEN:
                evidence = {**event.evidence, "why": DoubtReason.ALL_UNEVEN}
                yield replace(event, kind=Kind.NOT_CLASSIFIED, evidence=evidence)
            else:
                yield replace(event, kind=Kind.LEAN_EXCURSION if lean else Kind.RICH_EXCURSION)

    def _is_in_spark_cut(self, event: Event) -> bool:
        """True where omitted sparks were seen so shortly before that the event belongs to them."""
        return any(cut.t <= event.t <= cut.end + _TOGETHER_NS for cut in self._sparks)

    def _lag_at_begin(self, bump: Bump) -> Floats:
        """Gives the lags of all nodes at its beginning, float64[2, n]."""
        return self._lags.at(self._stretch, int(bump.t[bump.begin]))

    def _make_events(self, bump: Bump, verdict: Verdict | None, nodes: tuple[int, ...]) -> Iterator[Event]:
        """Gives one event for each part of the bump; none for a mixture that did not go far enough."""
        if verdict is None:
            return
        expected = lambda_from_oxygen(bump.oxygen - bump.excess, self._fuel)
        before = float(np.nanmedian(expected[: bump.begin + 1]))
        for part, rows in zip(verdict.parts, _divide_rows(bump, verdict), strict=True):
            lam, off = bump.lam[rows], bump.sign * (bump.lam - expected)[rows]
            gas = part.evidence["pulse_lambda"]
            if part.kind in _MAY_BE_MIXTURES and not _is_far_enough(off, before, gas):
                continue
            begin = int(bump.t[0]) + round(part.begin_s * 1e9)
            yield Event(
                t=begin,
                kind=part.kind,
                nodes=nodes,
                cylinders=tuple(c for node in nodes for c in self._cylinders[node]),
                all_nodes=len(nodes) > 1,
                peak_lambda=float(np.nanmax(lam) if bump.sign > 0 else np.nanmin(lam)),
                duration_ns=max(int(bump.t[rows[-1]]) + GRID_NS - begin, GRID_NS),
                rpm=bump.valve_rpm,
                load=bump.valve_load,
                evidence={
                    "lambda_before": round(before, 3),
                    "beyond_0.05_lambda_s": round(int((off > _OVER).sum()) * GRID_NS / 1e9, 2),
                    **part.evidence,
                    **verdict.evidence,
                    **({"roughness": round(bump.roughness, 1)} if np.isfinite(bump.roughness) else {}),
                    "ended": not bump.open_end,
                },
            )

    def _reconsider(
        self, bump: Bump, lag: SensorLag, verdict: Verdict | None, *, alone: bool
    ) -> Verdict | None:
        """Gives the verdict on charges that did not burn as a cut, where all were cut or one had no fuel.

        What goes over into air within the bump is left to the cut that follows.
        """
        if verdict is None or verdict.unburnt is None or verdict.kind in _MIXTURES or bump.before_cut:
            return verdict
        if alone and verdict.kind is Kind.SPARK_CUT:
            return verdict
        kind, evidence = infer_cut(self._classifier, bump, lag, verdict)
        if alone and (kind is Kind.SPARK_CUT or evidence["could_be"]):
            return verdict
        told: dict[str, Value] = {"told_by_engine": False, "pattern": CutPattern.AT_ONCE}
        return verdict.as_cut(Kind.NO_FUEL if alone else kind, {**told, **evidence})

    def _merge_sparks(self, settled_t: int, *, last: bool) -> Iterator[Event]:
        """Gives omitted sparks of several cylinders as one cut, once no further one can join it."""
        while self._sparks:
            self._sparks.sort(key=in_order)
            group = [self._sparks[0]]
            for event in self._sparks[1:]:
                if event.t <= max(e.end for e in group) + _TOGETHER_NS:
                    group.append(event)
            if not last and max(e.end for e in group) + _TOGETHER_NS + _LONGEST_NS > settled_t:
                return
            self._sparks = self._sparks[len(group) :]
            yield _make_spark_cut(group)


def find_events(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> tuple[Event, ...]:
    """Finds all events of a run, in order of time.

    Args:
        session: as read.
        fuel: as burnt.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    return tuple(sorted(run_through(EventStage(session, fuel, lag_s), blocks), key=in_order))


def find_clean_tips(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> TipReview:
    """Finds all tips of a run, as `tips.find_tips`, without the cylinders that may have misfired in them."""
    stage = TipStage(session, fuel, lag_s)
    tips, events = run_side_by_side(stage, EventStage(session, fuel, lag_s), blocks)
    clean = without_misfires(tips, events)
    return TipReview(clean, group(clean), stage.too_short, stage.unjudged)


def _divide_rows(bump: Bump, verdict: Verdict) -> Iterator[Ints]:
    """Gives the rows of each part of a bump.

    Parts of one cause share all rows of the bump. Beside a lean step, a misfire ends when its reading has
    faded, and the step has the rows that are left, or all where none are.
    """
    begins = [int(bump.t[0]) + round(part.begin_s * 1e9) for part in verdict.parts]
    first = [int(np.searchsorted(bump.t, t)) for t in begins]
    if len({part.missed for part in verdict.parts}) == 1:
        edges = [bump.begin, *first[1:], bump.end]
        for low, high in pairwise(edges):
            yield np.arange(low, max(high, low + 1))
        return
    fading = round(_FADED_LAGS * verdict.lag.total_s * 1e9 / GRID_NS)
    missed = [
        np.arange(low, min(low + round((p.end_s - p.begin_s) * 1e9 / GRID_NS) + fading, bump.end) + 1)
        for low, p in zip(first[1:], verdict.parts[1:], strict=True)
    ]
    all_rows = np.arange(max(min(first[0], bump.begin), 0), bump.end)
    left = np.setdiff1d(all_rows, np.concatenate(missed))
    yield left if np.isfinite(bump.lam[left]).any() else all_rows
    yield from missed


def _may_be_misfire(event: Event) -> bool:
    """True for a lean bump that may be one of several misfires; a lean step with misfires in it is more."""
    if event.kind is Kind.LEAN_EXCURSION:
        return "missed_cycles_inside" not in event.evidence
    return event.kind is Kind.NOT_CLASSIFIED


def _is_far_enough(off: Floats, before: float, gas: Value) -> bool:
    """True where the gas was nearly `_OVER` off what was expected, or the reading was for a while."""
    if not isinstance(gas, float) or abs(gas - before) >= _NEARLY * _OVER:
        return True
    rows = max(_SMOOTH_ROWS, round(_SMOOTH_SHARE * len(off)))
    smooth = np.convolve(np.nan_to_num(off), np.full(rows, 1 / rows), "valid")
    return bool(len(smooth) and smooth.max() >= _OVER)


def _as_misfire(event: Event) -> Event:
    """Gives a lean bump among misfires of the same cylinder as one: they are too close to be separated."""
    cycles = event.evidence["area_in_missed_cycles"]
    assert isinstance(cycles, float)
    more: dict[str, Value] = {"shape": MisfireShape.ON_AND_OFF, "missed_cycles": max(1, round(cycles))}
    return replace(event, kind=Kind.MISFIRE, evidence={**event.evidence, **more})


def _is_way_back(lean: Event | None, rich: Event) -> bool:
    if lean is None or rich.t - lean.end > _OVERSHOOT_NS:
        return False
    risen, fallen = (e.evidence["rise_oxygen_percent"] for e in (lean, rich))
    assert isinstance(risen, float)
    assert isinstance(fallen, float)
    return abs(fallen) < _OVERSHOOT_SHARE * risen


def _stays_behind(bump: Bump) -> bool:
    """True for a rich bump of a cylinder that only does not go lean, or not yet, with all others."""
    return -float(np.nanmin(bump.excess[bump.begin : bump.end])) < _BEHIND * bump.common_rise


def _make_spark_cut(group: list[Event]) -> Event:
    first, nodes = group[0], sorted({i for event in group for i in event.nodes})
    cylinders = tuple(sorted({c for event in group for c in event.cylinders}))
    return Event(
        t=first.t,
        kind=Kind.SPARK_CUT,
        nodes=tuple(nodes),
        cylinders=cylinders,
        all_nodes=any(event.all_nodes for event in group),
        peak_lambda=max(event.peak_lambda for event in group),
        duration_ns=max(event.end for event in group) - first.t,
        rpm=first.rpm,
        load=first.load,
        evidence={
            "told_by_engine": False,
            "cylinders": cylinders,
            "missed_charges_seen": len(group),
            "speed_at_limit": any(e.evidence.get("speed_at_limit", True) for e in group),
            "roughness": next((e.evidence["roughness"] for e in group if "roughness" in e.evidence), None),
            **_pattern_of(group),
        },
    )


def _pattern_of(group: list[Event]) -> dict[str, Value]:
    """Gives how the charges followed each other: all at once, with the evidence for it, or in turn."""
    at_once = next((event for event in group if "misfit_as_air" in event.evidence), None)
    if at_once is None:
        return {"pattern": CutPattern.IN_TURN, "could_be": Kind.FUEL_CUT.value}
    return {name: at_once.evidence[name] for name in _OF_CUT}


_OF_CUT = (
    "pattern",
    "could_be",
    "highest_oxygen_percent",
    "unburnt_at_most_percent",
    "misfit_as_unburnt",
    "misfit_as_air",
)
"""Evidence of all charges at once, in its order."""


# Tip-ins and tip-outs as events: what the throttle did, and which mixture deviated most.

_KEPT_ROWS = 800
"""Rows of readings kept for the peak of a tip. Our choice: eight seconds; a tip is measured for three, and
its rows come up to a second later."""


_TIP_NS = 20_000_000_000
"""Misfires are kept for so long, for tips that are not measured yet. Our choice: longer than a tip, and than
it takes until it is measured."""


@dataclass(frozen=True, slots=True, eq=False)
class _SeenTip:
    """A tip, and lambda and load at the peak of each node; NaN where a node has none. float64[n]."""

    tip: Tip
    lam: Floats
    load: Floats

    @property
    def end(self) -> int:
        """Moment up to which it is looked at, ns."""
        return self.tip.t + round(self.tip.seconds * 1e9)


class TipEventStage(StretchStage[_SeenTip]):
    """Finds tips, each when it is measured, and judges them when all misfires within them are known.

    Keeps the readings of some seconds, the tips that are not judged, and the misfires that may be in them.
    The same rows must have been fed to `lags` before.
    """

    def __init__(self, session: Session, fuel: Fuel, lags: OnlineLags) -> None:
        self._stage = TipStage(session, fuel, learnt=lags)
        self._cylinders = tuple(node.cylinders for node in session.chain.nodes)
        self._waiting: list[_SeenTip] = []
        self._doubts: list[Event] = []
        super().__init__()

    def _restart(self) -> None:
        self._recent, self._first_t = Recent(), 0

    def _feed_rows(self, block: CylinderBlock) -> list[_SeenTip]:
        if not self._recent.end:
            self._first_t = int(block.t[0])
        self._recent.add(
            {"lam": block.lam, "load": block.shifted.get("load", np.full_like(block.lam, np.nan))}, len(block)
        )
        found = [self._see(tip) for tip in self._stage.feed(block)]
        self._recent.forget(self._recent.end - _KEPT_ROWS)
        return found

    def flush(self) -> list[_SeenTip]:
        """Gives the tips that nothing follows."""
        return [self._see(tip) for tip in self._stage.flush()]

    def judge(self, seen: Sequence[_SeenTip], events: Iterable[Event], settled_t: int | None) -> list[Event]:
        """Gives the tips whose misfires are all known, as events.

        Args:
            seen: tips that are new.
            events: that are new.
            settled_t: moment up to which all events have been found, ns; None at the end.
        """
        self._waiting += seen
        self._doubts += [event for event in events if event.kind in NOT_JUDGED]
        ready = [one for one in self._waiting if settled_t is None or one.end + _LONGEST_NS <= settled_t]
        self._waiting = [one for one in self._waiting if one not in ready]
        found = [self._make_tip_event(one) for one in ready]
        if settled_t is not None:
            oldest = min([settled_t, *(one.tip.t for one in self._waiting)]) - _TIP_NS
            self._doubts = [event for event in self._doubts if event.end > oldest]
        return found

    def _see(self, tip: Tip) -> _SeenTip:
        """Gives the tip with the readings at its peaks, before their rows are forgotten."""
        lam, load = np.full((2, len(self._cylinders)), np.nan)
        onset = (tip.t - self._first_t) // GRID_NS
        for i, measure in enumerate(tip.measures):
            if measure is not None:
                arrived = onset - LEVEL_ROWS + int(tip.trace.arrival[i])
                at = min(arrived + round(measure.peak_s * 1e9 / GRID_NS), self._recent.end - 1)
                lam[i], load[i] = (self._recent.rows(name, at, at + 1)[0, i] for name in ("lam", "load"))
        return _SeenTip(tip, lam, load)

    def _make_tip_event(self, seen: _SeenTip) -> Event:
        (tip,) = without_misfires([seen.tip], self._doubts)
        judged = {i: m for i, m in enumerate(tip.measures) if m is not None}
        worst = max(judged, key=lambda i: abs(judged[i].peak), default=None)
        evidence: dict[str, Value] = {
            "from_opening_percent": round(tip.from_opening, 1),
            "to_opening_percent": round(tip.to_opening, 1),
            "percent_per_s": round(tip.rate),
        }
        if worst is not None:
            evidence |= self._worst_of(worst, judged[worst])
        if tip.misfired:
            evidence["may_have_misfired"] = tuple(c for i in tip.misfired for c in self._cylinders[i])
        return Event(
            t=tip.t,
            kind=tip.kind,
            nodes=tuple(judged),
            cylinders=tuple(c for i in judged for c in self._cylinders[i]),
            all_nodes=True,
            peak_lambda=np.nan if worst is None else float(seen.lam[worst]),
            duration_ns=round(tip.seconds * 1e9),
            rpm=tip.from_rpm,
            load=np.nan if worst is None else float(seen.load[worst]),
            evidence=evidence,
        )

    def _worst_of(self, node: int, measure: TipMeasure) -> dict[str, Value]:
        """Gives the evidence of the node that deviated most of those that can be judged."""
        return {
            "worst_cylinder": self._cylinders[node][0],
            "worst_lambda_off": round(measure.peak, 3),
            "worst_lambda_s": round(measure.area, 4),
            "worst_over_target": round(measure.over_target, 3) if np.isfinite(measure.over_target) else None,
            "noise_lambda": round(measure.noise, 4),
        }
