"""What happened: misfires, lean and rich excursions, cuts, tips, and what the nodes did.

    rows -> Baseline -> CutWatch -> SpikeSearch -> Judge      one cylinder against the others
                                 -> CommonSearch -> Judge     all cylinders against the target
         -> TipStage                                          the throttle
         -> NodeStage                                         the nodes themselves

How slowly each sensor follows is taken as given or usual, until cuts in the rows tell it: see
`OnlineLags`.

An event leaves a few seconds after it is over, because the slow parts of the readings are known
only then. What is found depends on the rows alone, not on the blocks in which they came.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from copy import deepcopy
from dataclasses import replace

import numpy as np

from mixmon.arrays import Floats
from mixmon.findings.events.baseline import Baseline, Settled
from mixmon.findings.events.bumps import CommonSearch, Spike, SpikeSearch, at_top_speed
from mixmon.findings.events.cuts import CutWatch
from mixmon.findings.events.event import Event, Kind, Value, in_order
from mixmon.findings.events.misfire import Judge
from mixmon.findings.events.nodes import NodeStage
from mixmon.findings.events.tips import LEVEL_ROWS, TIP_IN, Tip, TipStage
from mixmon.findings.lags import Lags, OnlineLags, node_lags
from mixmon.findings.stage import StretchStage, run_through
from mixmon.gas.exhaust import lambda_from_oxygen
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import SensorLag
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock
from mixmon.mixture.recent import Recent
from mixmon.session.model import Session

# ----------------------------------------------------------------------------------------------------
# Tip-ins and tip-outs as events: what the throttle did, and which mixture answered worst.
# ----------------------------------------------------------------------------------------------------

_KEPT_ROWS = 800


class TipEventStage(StretchStage[Event]):
    """Finds tips as events, each when it is measured. Keeps the readings of some seconds.

    The lags must have been fed the same rows before.
    """

    def __init__(self, session: Session, fuel: Fuel, lags: OnlineLags) -> None:
        self._stage = TipStage(session, fuel, learnt=lags)
        self._cylinders = tuple(node.cylinders for node in session.chain.nodes)
        super().__init__()

    def _restart(self) -> None:
        self._recent, self._first_t = Recent(), 0

    def _feed_rows(self, block: CylinderBlock) -> list[Event]:
        if not self._recent.end:
            self._first_t = int(block.t[0])
        self._recent.add(
            {"lam": block.lam, "load": block.shifted.get("load", np.full_like(block.lam, np.nan))}, len(block)
        )
        found = [self._event(tip) for tip in self._stage.feed(block)]
        self._recent.forget(self._recent.end - _KEPT_ROWS)
        return found

    def flush(self) -> list[Event]:
        """Tips that nothing follows."""
        return [self._event(tip) for tip in self._stage.flush()]

    def _event(self, tip: Tip) -> Event:
        judged = {i: m for i, m in enumerate(tip.measures) if m is not None}
        worst = max(judged, key=lambda i: abs(judged[i].peak))
        measure = judged[worst]
        onset = (tip.t - self._first_t) // GRID_NS
        at = onset - LEVEL_ROWS + int(tip.trace.arrival[worst]) + round(measure.peak_s * 1e9 / GRID_NS)
        at = min(at, self._recent.end - 1)
        evidence: dict[str, Value] = {
            "from_opening_percent": round(tip.from_opening, 1),
            "to_opening_percent": round(tip.to_opening, 1),
            "percent_per_s": round(tip.rate),
            "worst_cylinder": self._cylinders[worst][0],
            "worst_lambda_off": round(measure.peak, 3),
            "worst_lambda_s": round(measure.area, 4),
            "worst_over_target": round(measure.over_target, 3) if np.isfinite(measure.over_target) else None,
            "noise_lambda": round(measure.noise, 4),
        }
        return Event(
            t=tip.t,
            kind=Kind.TIP_IN if tip.kind == TIP_IN else Kind.TIP_OUT,
            nodes=tuple(judged),
            cylinders=tuple(c for i in judged for c in self._cylinders[i]),
            all_nodes=True,
            peak_lambda=float(self._recent.rows("lam", at, at + 1)[0, worst]),
            duration_ns=round(tip.seconds * 1e9),
            rpm=tip.from_rpm,
            load=float(self._recent.rows("load", at, at + 1)[0, worst]),
            evidence=evidence,
        )


_TOGETHER_NS = 600_000_000
"""Left-out sparks nearer to each other than this belong to one cut."""

_LONGEST_NS = 6_000_000_000
"""From the beginning of a bump to its report, at most, counted in settled rows."""

_OVERSHOOT_NS, _OVERSHOOT_SHARE = 800_000_000, 0.4
"""A rich bump so soon after a lean one of the node, and so much smaller, is the way back from it."""

_ON_AND_OFF, _ON_AND_OFF_NS = 3, 6_000_000_000
"""So many misfires of a node within so long a time: it misfires on and off."""

_OVER, _NEARLY = 0.05, 0.9
"""How far in lambda a mixture must be from what was expected to be an excursion."""

_SMOOTH_ROWS, _SMOOTH_SHARE = 15, 0.25
"""Over so many rows, and over so large a part of a long one, a mixture must be off: the noise of a small
step of two seconds passes `_OVER` for a tenth of a second somewhere (computed)."""

_MIXTURES = frozenset({Kind.LEAN_EXCURSION, Kind.RICH_EXCURSION})


class EventStage:
    """Finds every event of a run.

    Args:
        session: whose nodes the rows are of.
        fuel: as burnt.
        lag_s: sensor lag, element and filter together, for all cylinders or by cylinder; see
            `assumed_lag`. What is not given is learnt from fuel cuts.

    Raises:
        UsageError: an impossible lag.
    """

    def __init__(self, session: Session, fuel: Fuel, lag_s: Lags | None = None) -> None:
        lags = tuple(SensorLag.of_total(*pair) for pair in node_lags(session.chain.nodes, lag_s).T.tolist())
        self._cylinders = tuple(node.cylinders for node in session.chain.nodes)
        self._fuel = fuel
        usual = float(np.median([lag.total_s for lag in lags]))
        strokes = session.engine.strokes
        self._baseline = Baseline(lags, fuel, strokes)
        self._cuts = CutWatch(self._cylinders, dict(session.engine.banks), usual)
        self._spikes, self._common = SpikeSearch(len(lags)), CommonSearch(fuel)
        self._judge = Judge(fuel, strokes)
        self._lags, self._stretch = OnlineLags(session.chain.nodes, lag_s), 0
        self._tips = TipEventStage(session, fuel, self._lags)
        self._nodes = NodeStage(self._cylinders)
        self._sparks: list[Event] = []
        self._lean: dict[int, Event] = {}
        self._misses: dict[int, deque[int]] = {}

    def feed(self, block: CylinderBlock) -> list[Event]:
        """The events that are now certain. A block lies within one stretch of time."""
        if not len(block):
            return []
        self._lags.feed(block)
        found: list[Event] = []
        if block.stretch[0] != self._stretch:
            found += [event for settled in self._baseline.flush() for event in self._settled(settled)]
            self._stretch = int(block.stretch[0])
        found += [event for settled in self._baseline.feed(block) for event in self._settled(settled)]
        return sorted(found + self._tips.feed(block) + self._nodes.feed(block), key=in_order)

    def flush(self) -> list[Event]:
        """The events that are left when nothing follows."""
        found = [event for settled in self._baseline.flush() for event in self._settled(settled)]
        return sorted(found + self._tips.flush() + self._nodes.flush(), key=in_order)

    def result(self) -> list[Event]:
        """The events that `flush` would give if the rows ended here; the stage goes on as if not asked."""
        return deepcopy(self).flush()

    def _settled(self, settled: Settled) -> Iterator[Event]:
        cut, cuts = self._cuts.feed(settled)
        yield from cuts
        for spike in self._spikes.feed(settled, cut):
            if not (spike.after_cut or spike.before_cut or spike.stopping):
                yield from self._alone(spike)
        for spike in self._common.feed(settled, cut):
            if not spike.stopping:
                yield from self._all(spike)
        yield from self._together(int(settled.rows["t"][-1]), last=settled.last)

    def _alone(self, spike: Spike) -> Iterator[Event]:
        """The events of one cylinder's bump, unless it is the way back from another, or too small."""
        for found in self._events(spike, self._lag(spike)[:, spike.node], (spike.node,)):
            event = found
            if event.kind is Kind.SPARK_CUT:
                self._sparks.append(event)
                continue
            rough = self._misses_on(spike.node, event)
            if event.kind is Kind.RICH_EXCURSION:
                if rough or _way_back(self._lean.get(spike.node), event):
                    continue
            else:
                if rough and event.kind is Kind.LEAN_EXCURSION:
                    event = _one_more_miss(event)
                    self._misses[spike.node].append(event.t)
                self._lean[spike.node] = event
            yield event

    def _misses_on(self, node: int, event: Event) -> bool:
        """The node misfires on and off: its usual level is then half way up, and bumps are no news."""
        misses = self._misses.setdefault(node, deque(maxlen=_ON_AND_OFF))
        if event.kind is Kind.MISFIRE:
            misses.append(event.t)
        return len(misses) == _ON_AND_OFF and event.t - misses[0] < _ON_AND_OFF_NS

    def _all(self, spike: Spike) -> Iterator[Event]:
        lean, usual = spike.sign > 0, np.median(self._lag(spike), axis=1)
        for event in self._events(spike, usual, tuple(range(len(self._cylinders)))):
            if lean and at_top_speed(spike):
                self._sparks.append(replace(event, kind=Kind.SPARK_CUT))
            else:
                yield replace(event, kind=Kind.LEAN_EXCURSION if lean else Kind.RICH_EXCURSION)

    def _lag(self, spike: Spike) -> Floats:
        """Lags of all nodes at its beginning, float64[2, n]."""
        return self._lags.at(self._stretch, int(spike.t[spike.begin]))

    def _events(self, spike: Spike, lag: Floats, nodes: tuple[int, ...]) -> Iterator[Event]:
        """One event for each part of the bump; none for a mixture that did not go far enough."""
        verdict = self._judge.verdict(spike, SensorLag.of_total(*lag.tolist()))
        if verdict is None:
            return
        expected = lambda_from_oxygen(spike.oxygen - spike.excess, self._fuel)
        off = spike.sign * (spike.lam - expected)
        before = float(np.nanmedian(expected[: spike.begin + 1]))
        begins = [int(spike.t[0]) + round(p[0].begin_s * 1e9) for p in verdict.parts]
        edges = [spike.begin, *(int(np.searchsorted(spike.t, t)) for t in begins[1:]), spike.end]
        for i, begin in enumerate(begins):
            inside = slice(edges[i], max(edges[i + 1], edges[i] + 1))
            lam, part = spike.lam[inside], verdict.of_parts[i]
            if verdict.kind in _MIXTURES and not _far_enough(off[inside], before, part["pulse_lambda"]):
                continue
            yield Event(
                t=begin,
                kind=verdict.kind,
                nodes=nodes,
                cylinders=tuple(c for node in nodes for c in self._cylinders[node]),
                all_nodes=len(nodes) > 1,
                peak_lambda=float(np.nanmax(lam) if spike.sign > 0 else np.nanmin(lam)),
                duration_ns=max(int(spike.t[inside.stop - 1]) + GRID_NS - begin, GRID_NS),
                rpm=spike.valve_rpm,
                load=spike.valve_load,
                evidence={
                    "lambda_before": round(before, 3),
                    "beyond_0.05_lambda_s": round(int((off[inside] > _OVER).sum()) * GRID_NS / 1e9, 2),
                    **part,
                    **verdict.evidence,
                    "ended": not spike.open_end,
                },
            )

    def _together(self, settled_t: int, *, last: bool) -> Iterator[Event]:
        """Left-out sparks of several cylinders as one cut, once no further one can join it."""
        while self._sparks:
            self._sparks.sort(key=in_order)
            group = [self._sparks[0]]
            for event in self._sparks[1:]:
                if event.t <= max(e.end for e in group) + _TOGETHER_NS:
                    group.append(event)
            if not last and max(e.end for e in group) + _TOGETHER_NS + _LONGEST_NS > settled_t:
                return
            self._sparks = self._sparks[len(group) :]
            yield _one_cut(group)


def _far_enough(off: Floats, before: float, gas: Value) -> bool:
    """The gas, or the reading for a while, was `_OVER` away from what was expected, nearly."""
    if not isinstance(gas, float) or abs(gas - before) >= _NEARLY * _OVER:
        return True
    rows = max(_SMOOTH_ROWS, round(_SMOOTH_SHARE * len(off)))
    smooth = np.convolve(np.nan_to_num(off), np.full(rows, 1 / rows), "valid")
    return bool(len(smooth) and smooth.max() >= _OVER)


def _one_more_miss(event: Event) -> Event:
    """A lean bump among misfires of the same cylinder, which are too many to be told apart."""
    cycles = event.evidence["area_in_missed_cycles"]
    assert isinstance(cycles, float)
    more: dict[str, Value] = {"shape": "on and off", "missed_cycles": max(1, round(cycles))}
    return replace(event, kind=Kind.MISFIRE, evidence={**event.evidence, **more})


def _way_back(lean: Event | None, rich: Event) -> bool:
    if lean is None or rich.t - lean.end > _OVERSHOOT_NS:
        return False
    risen, fallen = (e.evidence["rise_oxygen_percent"] for e in (lean, rich))
    assert isinstance(risen, float)
    assert isinstance(fallen, float)
    return abs(fallen) < _OVERSHOOT_SHARE * risen


def _one_cut(group: list[Event]) -> Event:
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
        evidence={"told_by_engine": False, "cylinders": cylinders, "missed_charges_seen": len(group)},
    )


def find_events(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> tuple[Event, ...]:
    """All events of a run, in order of time.

    Args:
        session: as read.
        fuel: as burnt.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    return tuple(sorted(run_through(EventStage(session, fuel, lag_s), blocks), key=in_order))
