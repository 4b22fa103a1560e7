"""Who is on the bus: nodes present and silent, unknown identifiers, duplicate nodes, load of each bus.

A stage: blocks of frames in, a report at any time. Blocks are cut where the stamps jump; each part goes to
`traffic` (what passes, by identifier and channel) and `nodes` (what each node of the chain sends). A report
puts what came beside what was expected; `wiring` reads the pattern of silent nodes, `duplicates` finds two
controllers with one identifier.

It takes frames as they arrived and needs no clock; what it keeps grows with the number of identifiers, not
with the length of the log.
"""

from __future__ import annotations

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.findings.census.nodes import Expected, ExpectedBus, ExpectedNode, NodeTraffic, NodeWatch
from mixmon.findings.census.records import (
    CensusBus,
    CensusId,
    CensusNode,
    CensusNote,
    CensusReport,
    DuplicateNode,
    MissingMessage,
)
from mixmon.findings.census.traffic import (
    PEAK_WINDOW_NS,
    Beat,
    ChannelTraffic,
    Rhythm,
    StretchCutter,
    Traffic,
)
from mixmon.findings.wiring import Diagnosis, Silence, diagnose
from mixmon.frames.block import FrameBlock
from mixmon.frames.clock import Jump
from mixmon.messages.binding import NO_BUS
from mixmon.messages.plan import MessagePlan
from mixmon.note import Note, note

_QUIET_CYCLES = 10
_QUIET_S = 1.0
"""Nothing for this many of its cycles, and this long, and a node is silent: common practice, no source."""

_COMBED_SHARE = 0.75
_FEWEST_COMBED_FRAMES = 100
"""An unknown identifier is suspected of two senders from so much of a comb and so many frames on.

Our choice: one sender with a jittering timer stays below 0.5.
"""

_FOREIGN_SHARE = 0.5
"""Without a session, a node with more wrong checksums than this share is not of the project's own layer.

Our choice: an unrelated message passes an 8-bit checksum once in 256 frames, a node on a bad cable mostly.
"""

_RATE_OFF = 0.01
"""Share by which a rate may differ from the expected one: common practice, no source."""

_LONG_GAP = 10
"""A gap of more than so many usual gaps is noted: common practice, no source."""

_LONE_LOAD_PERCENT = 80
"""Load from which one identifier fills the bus with repeats. Our choice: no cycle time gives it."""


class Census:
    """Counts frames of all buses. `feed` takes blocks, `report` says what was seen so far."""

    def __init__(self, expected: Expected) -> None:
        self._expected = expected
        self._stretches = StretchCutter()
        self._traffic = Traffic()
        self._nodes = NodeWatch(expected)

    def feed(self, block: FrameBlock) -> None:
        """Take frames in the order of their arrival."""
        for part in self._stretches.cut(block):
            if isinstance(part, Jump):
                self._traffic.pause(part)
                self._nodes.pause(part)
            else:
                self._traffic.feed(part)
                self._nodes.feed(part)

    def result(self, first_ns: int | None = None) -> CensusReport:
        """What has been seen so far.

        first_ns  stamp from which moments are counted, where only a part of a log was taken: that of the
                  log's first frame; None: the first frame taken
        """
        stretches = self._stretches
        end = stretches.newest or 0
        beats, channels = self._traffic.beats(end), self._traffic.channels()
        first = stretches.first if first_ns is None else first_ns
        facts = self._nodes.facts(end)
        return _Assembly(self._expected, stretches, beats, channels, facts, first=first).result()


class _Assembly:
    """What was expected and what came, put side by side."""

    def __init__(
        self,
        expected: Expected,
        stretches: StretchCutter,
        beats: tuple[Beat, ...],
        channels: tuple[ChannelTraffic, ...],
        facts: tuple[NodeTraffic, ...],
        *,
        first: int | None,
    ) -> None:
        self._expected, self._first = expected, first
        self._stretches = stretches
        self._beats = beats
        self._channels = channels
        names = [c.channel for c in channels]
        self._bus_of = dict(zip(names, expected.bus_of_channels(names).tolist(), strict=True))
        self._seen: dict[tuple[int, int], Beat] = {}
        for beat in beats:
            self._seen.setdefault(self._key_of(beat), beat)
        pairs = zip(expected.nodes, facts, strict=True)
        self._present = [(n, f) for n, f in pairs if expected.declared or _is_own_layer(f)]

    def _key_of(self, beat: Beat) -> tuple[int, int]:
        """Bus index and identifier of what sends so, the identifier as its message defines it."""
        index = self._bus_of[beat.channel]
        plan = None if index == NO_BUS else self._expected.buses[index].message(beat.can_id)
        return index, beat.can_id if plan is None else plan.can_id

    def result(self) -> CensusReport:
        """The report."""
        nodes = tuple(self._make_node(node, facts) for node, facts in self._present)
        ids = self._make_ids()
        duplicates = (*self._duplicate_nodes(), *_duplicate_ids(ids))
        return CensusReport(
            declared=self._expected.declared,
            frames=sum(c.frames for c in self._channels),
            duration_s=self._stretches.duration_ns / SECOND_NS,
            breaks=self._stretches.breaks,
            backward=self._stretches.backward,
            nodes=nodes,
            diagnoses=_diagnose_silences(nodes, ids, duplicates),
            ids=ids,
            duplicates=duplicates,
            buses=(*(self._make_bus(c, ids) for c in self._channels), *self._unseen_buses()),
            missing=self._missing_messages(),
        )

    def _since_first(self, t: int | None) -> float | None:
        return None if t is None or self._first is None else (t - self._first) / SECOND_NS

    def _make_node(self, node: ExpectedNode, facts: NodeTraffic) -> CensusNode:
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
            notes=_node_notes(facts, expected, silent=silent),
        )

    def _make_ids(self) -> tuple[CensusId, ...]:
        nodes = {(n.bus, plan.can_id): n.position for n, _ in self._present for plan in n.messages}
        return tuple(self._make_id(beat, nodes) for beat in self._beats)

    def _make_id(self, beat: Beat, nodes: dict[tuple[int, int], int]) -> CensusId:
        index = self._bus_of[beat.channel]
        bus = None if index == NO_BUS else self._expected.buses[index]
        plan = None if bus is None else bus.message(beat.can_id)
        node = nodes.get(self._key_of(beat))
        unused = (
            None if plan is None or node is not None else self._expected.unused_places.get((index, plan.name))
        )
        compared = bus is None or bool(bus.messages)
        return CensusId(
            beat=beat,
            bus=beat.channel if bus is None or not bus.name else bus.name,
            message=None if plan is None else plan.name,
            node=unused if node is None else node,
            expected_hz=np.nan if plan is None else _cycle_hz(plan),
            unknown=compared and (plan is None or unused is not None),
        )

    def _duplicate_nodes(self) -> tuple[DuplicateNode, ...]:
        return tuple(
            DuplicateNode(
                channel=self._channel_of(node),
                can_id=node.messages[0].can_id,
                position=node.position,
                rate_hz=facts.rhythm.rate_hz,
                expected_hz=_cycle_hz(node.messages[0]) if not node.in_turn else np.nan,
                since_s=self._since_first(facts.duplicate.since),
                signs=facts.duplicate,
            )
            for node, facts in self._present
            if facts.duplicate is not None
        )

    def _channel_of(self, node: ExpectedNode) -> str:
        return self._seen[node.bus, node.messages[0].can_id].channel

    def _make_bus(self, channel: ChannelTraffic, ids: tuple[CensusId, ...]) -> CensusBus:
        index = self._bus_of[channel.channel]
        bus = None if index == NO_BUS else self._expected.buses[index]
        load = _load_percent(channel.bits, bus, self._stretches.duration_ns)
        peak = _load_percent(channel.peak_bits, bus, PEAK_WINDOW_NS)
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
            notes=_bus_notes(load, sum(i.beat.channel == channel.channel for i in ids)),
        )

    def _unseen_buses(self) -> tuple[CensusBus, ...]:
        seen = set(self._bus_of.values())
        return tuple(
            CensusBus(bus.name, None, bus.bitrate, 0, 0, 0, {}, 0.0, 0.0, switched=False)
            for i, bus in enumerate(self._expected.buses)
            if i not in seen and self._expected.declared
        )

    def _missing_messages(self) -> tuple[MissingMessage, ...]:
        return tuple(
            MissingMessage(bus.name, plan.name, plan.can_id)
            for i, bus in enumerate(self._expected.buses)
            for plan in bus.messages
            if plan.name in bus.needed and (i, plan.can_id) not in self._seen
        )


def _diagnose_silences(
    nodes: tuple[CensusNode, ...], ids: tuple[CensusId, ...], duplicates: tuple[DuplicateNode, ...]
) -> tuple[Diagnosis, ...]:
    return diagnose(
        [n.position for n in nodes],
        [Silence(n.position, n.since_s) for n in nodes if n.silent],
        duplicates=[d.position for d in duplicates if d.position is not None],
        unexpected=sorted({i.node for i in ids if i.unknown and i.node is not None}),
    )


def _node_notes(facts: NodeTraffic, expected_hz: float, *, silent: bool) -> tuple[Note, ...]:
    """What is odd about a node that sends."""
    rhythm, notes = facts.rhythm, []
    if not silent and _is_off_rate(rhythm, expected_hz):
        notes.append(note(CensusNote.RATE_OFF, rate_hz=rhythm.rate_hz, expected_hz=expected_hz))
    if facts.echoed:
        notes.append(note(CensusNote.ECHOED))
    if rhythm.gap_max_s > _LONG_GAP * rhythm.gap_p50_s:
        notes.append(note(CensusNote.LONG_GAP, gap_max_s=rhythm.gap_max_s))
    if facts.resets:
        notes.append(note(CensusNote.RESETS, resets=facts.resets))
    return tuple(notes)


def _is_off_rate(rhythm: Rhythm, expected_hz: float) -> bool:
    """Whether a rate is further off than is allowed and than the first and last stamp leave unsure.

    What came for a second or two through an adapter that hands frames over in batches proves little.
    """
    if rhythm.first is None or rhythm.last is None or rhythm.last <= rhythm.first:
        return False
    unsure = 2.0 * rhythm.gap_p99_s / ((rhythm.last - rhythm.first) / SECOND_NS)
    return abs(rhythm.rate_hz / expected_hz - 1) > max(_RATE_OFF, unsure)


def _bus_notes(load_percent: float, identifiers: int) -> tuple[Note, ...]:
    """What is odd about a bus: a node that nobody acknowledges repeats its frame without end."""
    if load_percent > _LONE_LOAD_PERCENT and identifiers == 1:
        return (note(CensusNote.ONE_ID_FILLS_BUS),)
    return ()


def _is_own_layer(facts: NodeTraffic) -> bool:
    """Whether frames with a node's identifiers are a node of the project's own layer."""
    return facts.samples > 0 and facts.counts.checksum_errors <= _FOREIGN_SHARE * facts.counts.frames


def _is_silent(facts: NodeTraffic, expected_hz: float) -> bool:
    """Whether a node never sent, or nothing came of it for longer than it may be late."""
    cycle = 1 / expected_hz if np.isfinite(expected_hz) else facts.rhythm.gap_p50_s
    patience = np.fmax(_QUIET_S, _QUIET_CYCLES * cycle)
    return facts.samples == 0 or bool(facts.rhythm.silent_s > patience)


def _cycle_hz(plan: MessagePlan) -> float:
    """Frames a second by the definition; NaN where it does not say."""
    return SECOND_NS / plan.cycle_ns if plan.cycle_ns else np.nan


def _load_percent(bits: int, bus: ExpectedBus | None, duration_ns: int) -> float:
    """Share of the bus's time that the bits take, percent; NaN without a bit rate or without time."""
    if bus is None or bus.bitrate is None or duration_ns <= 0:
        return np.nan
    return 100.0 * bits * SECOND_NS / (bus.bitrate * duration_ns)


def _duplicate_ids(ids: tuple[CensusId, ...]) -> tuple[DuplicateNode, ...]:
    """Identifiers that no definition knows and that come in two interleaved combs."""
    return tuple(
        DuplicateNode(i.beat.channel, i.beat.can_id, None, i.beat.rhythm.rate_hz, np.nan, None, None)
        for i in ids
        if i.message is None and i.beat.frames >= _FEWEST_COMBED_FRAMES and i.beat.combed > _COMBED_SHARE
    )
