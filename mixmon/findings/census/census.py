"""Who is on the bus: nodes present and silent, strangers, twins, and how loaded each bus is.

A stage: blocks of frames in, a report at any time. It looks at frames as they arrived and needs
no clock; what it keeps grows with the number of identifiers, not with the length of the log.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.findings.census.nodes import Expected, ExpectedBus, ExpectedNode, NodeFacts, NodeWatch
from mixmon.findings.census.records import CensusBus, CensusId, CensusNode, CensusReport, Twin, Unheard
from mixmon.findings.census.traffic import PEAK_WINDOW_NS, Beat, Break, ChannelTraffic, Timeline, Traffic
from mixmon.findings.census.wiring import Diagnosis, Silence, diagnose
from mixmon.frames.block import FrameBlock
from mixmon.messages.binding import NO_BUS
from mixmon.messages.plan import MessagePlan

_QUIET_CYCLES = 10
_QUIET_S = 1.0
"""A node has fallen silent when it is quiet at the end for this many of its cycles, and this long."""

_COMBED = 0.75
_FEWEST_COMBED = 100
"""An unknown identifier with fewer frames, or less of a comb, is not suspected of a twin."""

_COINCIDENCE = 0.5
"""Without a session, a node whose checksums are wrong in more than this share is no node of ours."""


class Census:
    """The stage."""

    def __init__(self, expected: Expected) -> None:
        self._expected = expected
        self._timeline = Timeline()
        self._traffic = Traffic()
        self._nodes = NodeWatch(expected)

    def feed(self, block: FrameBlock) -> None:
        """Takes the frames, in the order of their arrival."""
        for part in self._timeline.cut(block):
            if isinstance(part, Break):
                self._traffic.pause(part)
                self._nodes.pause(part)
            else:
                self._traffic.feed(part)
                self._nodes.feed(part)

    def report(self) -> CensusReport:
        """What has been seen so far."""
        timeline = self._timeline
        end = timeline.newest or 0
        beats, channels = self._traffic.beats(end), self._traffic.channels()
        return _Assembly(self._expected, timeline, beats, channels, self._nodes.facts(end)).report()


class _Assembly:
    """What was expected and what came, put side by side."""

    def __init__(
        self,
        expected: Expected,
        timeline: Timeline,
        beats: tuple[Beat, ...],
        channels: tuple[ChannelTraffic, ...],
        facts: tuple[NodeFacts, ...],
    ) -> None:
        self._expected = expected
        self._timeline = timeline
        self._beats = beats
        self._channels = channels
        names = [c.channel for c in channels]
        self._bus_of = dict(zip(names, expected.bus_of_channels(names).tolist(), strict=True))
        self._seen = {(self._bus_of[b.channel], b.can_id): b for b in beats}
        pairs = zip(expected.nodes, facts, strict=True)
        self._present = [(n, f) for n, f in pairs if expected.declared or _is_ours(f)]

    def report(self) -> CensusReport:
        """The report."""
        nodes = tuple(self._node(node, facts) for node, facts in self._present)
        ids = self._ids()
        twins = (*self._node_twins(), *_unknown_twins(ids))
        return CensusReport(
            declared=self._expected.declared,
            frames=sum(c.frames for c in self._channels),
            duration_s=self._timeline.duration_ns / SECOND_NS,
            breaks=self._timeline.breaks,
            backward=self._timeline.backward,
            nodes=nodes,
            diagnoses=self._diagnoses(nodes, ids, [t.position for t in twins if t.position is not None]),
            ids=ids,
            twins=twins,
            buses=(*(self._bus(c) for c in self._channels), *self._unseen_buses()),
            unheard=self._unheard(),
        )

    def _since_first(self, t: int | None) -> float | None:
        return None if t is None or self._timeline.first is None else (t - self._timeline.first) / SECOND_NS

    def _node(self, node: ExpectedNode, facts: NodeFacts) -> CensusNode:
        expected = _cycle_hz(node.messages[0]) if not node.in_turn else np.nan
        own = [plan.can_id for plan in node.messages]
        seen = tuple(i for i in own if (node.bus, i) in self._seen)
        silent = _is_silent(facts, expected)
        return CensusNode(
            position=node.position,
            cylinders=node.cylinders,
            sensor=node.sensor,
            bus=self._expected.buses[node.bus].name,
            ids=seen,
            ids_missing=tuple(i for i in own if i not in seen),
            rhythm=facts.rhythm,
            expected_hz=expected,
            samples=facts.samples,
            share_ready=facts.share_ready,
            resets=facts.resets,
            checksum_errors=facts.counts.checksum_errors,
            counter_jumps=facts.counts.counter_jumps,
            lost=facts.counts.lost,
            repeats=facts.counts.repeats,
            echoed=facts.echoed,
            silent=silent,
            since_s=self._since_first(facts.rhythm.last) if silent else None,
        )

    def _diagnoses(
        self, nodes: tuple[CensusNode, ...], ids: tuple[CensusId, ...], twins: list[int]
    ) -> tuple[Diagnosis, ...]:
        silences = [Silence(n.position, n.since_s) for n in nodes if n.silent]
        spares = sorted({i.node for i in ids if i.stranger and i.node is not None})
        return diagnose([n.position for n in nodes], silences, twins=twins, strangers=spares)

    def _ids(self) -> tuple[CensusId, ...]:
        nodes = {(n.bus, plan.can_id): n.position for n, _ in self._present for plan in n.messages}
        return tuple(self._id(beat, nodes) for beat in self._beats)

    def _id(self, beat: Beat, nodes: dict[tuple[int, int], int]) -> CensusId:
        index = self._bus_of[beat.channel]
        bus = None if index == NO_BUS else self._expected.buses[index]
        plan = None if bus is None else bus.message(beat.can_id)
        node = nodes.get((index, beat.can_id))
        spare = None if plan is None or node is not None else self._expected.spares.get((index, plan.name))
        compared = bus is None or bool(bus.messages)
        return CensusId(
            beat=beat,
            bus=beat.channel if bus is None or not bus.name else bus.name,
            message=None if plan is None else plan.name,
            node=spare if node is None else node,
            expected_hz=np.nan if plan is None else _cycle_hz(plan),
            stranger=compared and (plan is None or spare is not None),
        )

    def _node_twins(self) -> tuple[Twin, ...]:
        return tuple(
            Twin(
                channel=self._channel_of(node),
                can_id=node.messages[0].can_id,
                position=node.position,
                rate_hz=facts.rhythm.rate_hz,
                expected_hz=_cycle_hz(node.messages[0]) if not node.in_turn else np.nan,
                since_s=self._since_first(facts.twin.since),
                signs=facts.twin,
            )
            for node, facts in self._present
            if facts.twin is not None
        )

    def _channel_of(self, node: ExpectedNode) -> str:
        return self._seen[node.bus, node.messages[0].can_id].channel

    def _bus(self, channel: ChannelTraffic) -> CensusBus:
        index = self._bus_of[channel.channel]
        bus = None if index == NO_BUS else self._expected.buses[index]
        load = _percent(channel.bits, bus, self._timeline.duration_ns)
        peak = _percent(channel.peak_bits, bus, PEAK_WINDOW_NS)
        return CensusBus(
            name=channel.channel if bus is None or not bus.name else bus.name,
            channel=channel.channel,
            bitrate=None if bus is None else bus.bitrate,
            frames=channel.frames,
            remote_frames=channel.remote_frames,
            error_frames=channel.error_frames,
            error_classes=channel.error_classes,
            load_percent=load,
            load_peak_percent=np.fmax(peak, load) if np.isfinite(load) else peak,
            switched=channel.switched_bits > 0,
        )

    def _unseen_buses(self) -> tuple[CensusBus, ...]:
        seen = set(self._bus_of.values())
        return tuple(
            CensusBus(bus.name, None, bus.bitrate, 0, 0, 0, {}, 0.0, 0.0, switched=False)
            for i, bus in enumerate(self._expected.buses)
            if i not in seen and self._expected.declared
        )

    def _unheard(self) -> tuple[Unheard, ...]:
        return tuple(
            Unheard(bus.name, plan.name, plan.can_id)
            for i, bus in enumerate(self._expected.buses)
            for plan in bus.messages
            if plan.name in bus.needed and (i, plan.can_id) not in self._seen
        )


def _is_ours(facts: NodeFacts) -> bool:
    """Whether frames with a node's identifiers are a node of the project's own layer."""
    return facts.samples > 0 and facts.counts.checksum_errors <= _COINCIDENCE * facts.counts.frames


def _is_silent(facts: NodeFacts, expected_hz: float) -> bool:
    cycle = 1 / expected_hz if np.isfinite(expected_hz) else facts.rhythm.gap_p50_s
    patience = np.fmax(_QUIET_S, _QUIET_CYCLES * cycle)
    return facts.samples == 0 or bool(facts.rhythm.silent_s > patience)


def _cycle_hz(plan: MessagePlan) -> float:
    return SECOND_NS / plan.cycle_ns if plan.cycle_ns else np.nan


def _percent(bits: int, bus: ExpectedBus | None, duration_ns: int) -> float:
    """Share of the wire's time that the bits take, in percent."""
    if bus is None or bus.bitrate is None or duration_ns <= 0:
        return np.nan
    return 100.0 * bits * SECOND_NS / (bus.bitrate * duration_ns)


def _unknown_twins(ids: tuple[CensusId, ...]) -> tuple[Twin, ...]:
    """Identifiers that no definition knows and that come in two interleaved combs."""
    return tuple(
        Twin(i.beat.channel, i.beat.can_id, None, i.beat.rhythm.rate_hz, np.nan, None, None)
        for i in ids
        if i.message is None and i.beat.frames >= _FEWEST_COMBED and i.beat.combed > _COMBED
    )
