"""The buses as a screen shows them: rates and load, and what is wrong where nothing expected comes.

    frames -> Meter (rates, identifiers by channel) -> trouble (what is wrong, what to try) -> BusBoard

`Meter` and `trouble` serve a command without a session's worker as well.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Ints
from mixmon.frames.account import known_lost
from mixmon.frames.adapters.receiver import BusCondition, SourceState, SourceStatus
from mixmon.frames.bits import frame_bits
from mixmon.frames.block import FrameBlock, FrameFlag, identifier_text
from mixmon.live.source import FrameSource
from mixmon.messages.binding import NO_BUS, Binding
from mixmon.messages.integrity import MessageCounts
from mixmon.session.alarm_kinds import SilenceCause
from mixmon.session.keys import OPERATING_POINT
from mixmon.watch.snapshot import BusNow

RATE_WINDOW_NS = SECOND_NS
"""Rates are those of the last second; our choice: steady enough to read, quick enough to show a loss."""

BATCH_PATIENCE_NS = 200_000_000
"""Frames come in batches: a bus does not count as slower while a batch is on its way. Our choice: four of
the worker's 50 ms batches."""

MOST_IDENTIFIERS = 2048
"""Identifiers kept of one channel; our choice: all of 11 bits, and it bounds memory."""


@dataclass(frozen=True, slots=True)
class ChannelNow:
    """One channel: over the last second of data time, and since the beginning.

    frames_per_s, bits_per_s  over the last second
    newest    stamp of its newest frame; None before the first
    frames    data and remote frames so far
    errors    error frames so far
    """

    frames_per_s: float
    bits_per_s: float
    newest: int | None
    frames: int
    errors: int


UNHEARD = ChannelNow(0.0, 0.0, None, 0, 0)
"""A channel of which nothing has come."""


class Meter:
    """DecoderCounts frames as they arrive. `identifiers` holds those seen, by channel."""

    def __init__(self) -> None:
        self._channels: tuple[str, ...] = ()
        self._lately: deque[tuple[int, int, Ints, Ints]] = deque()  # first, last, frames, bits
        self._newest: dict[str, int] = {}
        self._frames: dict[str, int] = {}
        self._errors: dict[str, int] = {}
        self._last: int | None = None
        self.identifiers: dict[str, set[int]] = {}

    def feed(self, block: FrameBlock) -> None:
        """Take frames of one source; channels are numbered as they were, and more may join."""
        if not len(block):
            return
        self._channels = block.channels
        error = (block.flags & FrameFlag.ERROR) != 0
        self._count_channels(block, error)
        first, last = int(block.t[0]), int(block.t[-1])
        if self._last is not None and abs(last - self._last) > RATE_WINDOW_NS:
            self._lately.clear()  # a pause, or another clock: rates begin again
        self._last = last
        recent = block.take(slice(int(np.searchsorted(block.t, last - RATE_WINDOW_NS)), None))
        bits = frame_bits(recent).astype(np.float64)
        size = len(block.channels)
        sums = np.bincount(recent.bus, bits, size).astype(np.int64)
        self._lately.append((first, last, np.bincount(recent.bus, minlength=size), sums))
        while self._lately[0][1] <= last - RATE_WINDOW_NS:
            self._lately.popleft()

    def now(self, t: int) -> dict[str, ChannelNow]:
        """Every channel so far, at data time `t`."""
        frames, bits = np.zeros(len(self._channels)), np.zeros(len(self._channels))
        end = t if self._last is None or t - self._last > BATCH_PATIENCE_NS else self._last
        lately = [part for part in self._lately if part[1] > end - RATE_WINDOW_NS]
        for _, _, count, sums in lately:
            frames[: len(count)] += count
            bits[: len(sums)] += sums
        span = end - lately[0][0] if lately else RATE_WINDOW_NS
        seconds = min(max(span, BATCH_PATIENCE_NS), RATE_WINDOW_NS) / RATE_WINDOW_NS
        return {
            name: ChannelNow(
                float(frames[i]) / seconds,
                float(bits[i]) / seconds,
                self._newest.get(name),
                self._frames.get(name, 0),
                self._errors.get(name, 0),
            )
            for i, name in enumerate(self._channels)
        }

    def _count_channels(self, block: FrameBlock, error: Bools) -> None:
        for i in np.unique(block.bus).tolist():
            name, here = block.channels[i], block.bus == i
            errors = int(np.count_nonzero(error & here))
            self._newest[name] = int(block.t[here].max())
            self._errors[name] = self._errors.get(name, 0) + errors
            self._frames[name] = self._frames.get(name, 0) + int(np.count_nonzero(here)) - errors
            known = self.identifiers.setdefault(name, set())
            if len(known) < MOST_IDENTIFIERS:
                known.update(np.unique(block.can_id[here & ~error]).tolist())


# What is wrong with a bus on which nothing expected comes.

TROUBLE_AFTER_S = 3.0
"""Our choice: longer than the slowest message of most chains, shorter than a person waits before asking."""

USUAL_BITRATES = (125_000, 250_000, 500_000, 1_000_000)  # common practice, no source
_LISTED_IDENTIFIERS = 6  # our choice: they fit into one line
_CHECK_DATABASE = "check the bus and [[bus]] database"
_FAULTY = frozenset({BusCondition.WARNING, BusCondition.PASSIVE, BusCondition.BUS_OFF})


@dataclass(frozen=True, slots=True)
class Trouble:
    """`word` for a narrow line, `text` in full."""

    word: str
    text: str


@dataclass(frozen=True, slots=True)
class BusFacts:
    """What is known of one bus when it is judged.

    expected     identifiers that are looked for on it
    identifiers  those that came
    heard_s      how long it has been listened to
    condition    of the adapter's controller
    others       identifiers of the session's other buses, by name
    """

    name: str
    bitrate: int | None
    acknowledge: bool
    expected: Sequence[int]
    identifiers: Collection[int]
    heard_s: float
    condition: BusCondition = BusCondition.UNKNOWN
    others: Mapping[str, Collection[int]] = field(default_factory=dict)


def trouble(facts: BusFacts, seen: ChannelNow) -> Trouble | None:
    """What is wrong with a bus of which nothing that is expected came; None: nothing expected.

    >>> facts = BusFacts("chain", 500_000, True, [0x2A0], {0x123}, 3.0)
    >>> trouble(facts, ChannelNow(50.0, 6000.0, 5, 150, 0)).text
    "chain: 150 frames, none of the session's; found 123; expected 2A0; check the bus and [[bus]] database"
    """
    if not facts.expected:
        return None
    if seen.frames:
        return _none_of_ours(facts, seen.frames)
    if seen.errors or facts.condition in _FAULTY:
        return _errors_only(facts, seen.errors)
    return _no_frames(facts)


def _none_of_ours(facts: BusFacts, frames: int) -> Trouble:
    whose = [name for name, known in facts.others.items() if set(facts.identifiers).intersection(known)]
    hint = f"they are those of bus {whose[0]}: exchange the channels" if whose else _CHECK_DATABASE
    return Trouble(
        SilenceCause.FOREIGN_FRAMES,
        f"{facts.name}: {frames} frames, none of the session's; found "
        f"{_list_identifiers(facts.identifiers)}; "
        f"expected {_list_identifiers(facts.expected)}; {hint}",
    )


def _errors_only(facts: BusFacts, errors: int) -> Trouble:
    found = f"{errors} error frames" if errors else f"the adapter's controller is {facts.condition.value}"
    others = ", ".join(str(rate) for rate in USUAL_BITRATES if rate != facts.bitrate)
    set_to = "" if facts.bitrate is None else f" (set to {facts.bitrate})"
    return Trouble(
        SilenceCause.WRONG_BIT_RATE,
        f"{facts.name}: {found} and no data; expected frames; most likely the bit rate is wrong"
        f"{set_to}: try --bitrate {others}; then check the ends of the bus (60 ohm) and the wires' order",
    )


def _no_frames(facts: BusFacts) -> Trouble:
    alone = (
        ""
        if facts.acknowledge
        else "; this adapter only listens: a single controller needs another node that acknowledges "
        '(role = "acknowledge" or --acknowledge, on the sensor chain only)'
    )
    return Trouble(
        "no frames",
        f"{facts.name}: no frame in {facts.heard_s:.3g} s; expected {_list_identifiers(facts.expected)}; "
        f"check supply, wires, bit rate and channel{alone}",
    )


def _list_identifiers(identifiers: Collection[int]) -> str:
    """Some identifiers as a log writes them."""
    shown = sorted(identifiers)[:_LISTED_IDENTIFIERS]
    more = len(identifiers) - len(shown)
    words = ", ".join(map(identifier_text, shown))
    return f"{words} and {more} more" if more else words


DecoderCounts = Mapping[tuple[int, str], MessageCounts]

_FAULTLESS = frozenset({BusCondition.UNKNOWN, BusCondition.ACTIVE})
_DEVICE_WELL = frozenset({SourceState.WAITING, SourceState.LIVE})
_OPEN = frozenset({SourceState.WAITING, SourceState.LIVE, SourceState.SILENT})


class BusBoard:
    """Meters every channel and names it as the session does."""

    def __init__(
        self, binding: Binding, source: FrameSource, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._binding, self._source, self._clock = binding, source, clock
        self._meter = Meter()
        self._opened_at: float | None = None
        self._patience_s = TROUBLE_AFTER_S
        self._heard: set[int] = set()
        self._troubles: dict[str, Trouble] = {}
        self._news: list[str] = []

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong, in full."""
        return tuple(one.text for one in self._troubles.values())

    def silence_cause(self, *, of_engine: bool = False) -> str:
        """Why the chain, or else the engine, is silent, as far as adapter and bus show it.

        A `SilenceCause`, or nothing: also for an engine on the bus of the chain, which is told of the chain.
        """
        chain = self._binding.buses.index(self._binding.session.chain.bus)
        engine = {one.bus for name, one in self._binding.engine.items() if name in OPERATING_POINT} - {chain}
        for status in self._source.status():
            if self._bus_of(status.bus) in (engine if of_engine else {chain}):
                trouble = self._troubles.get(status.bus)
                cause = _find_cause(status, "" if trouble is None else trouble.word)
                if cause:
                    return cause
        return ""

    def opened(self) -> None:
        """The source is open: from now on frames can be expected."""
        self._opened_at = self._clock()

    def conclude(self) -> None:
        """Nothing more will come: what has not come by now is missing."""
        self._patience_s = 0.0

    def restart(self) -> None:
        """Forget all counts."""
        self._meter = Meter()
        self._heard.clear()

    def feed(self, frames: FrameBlock) -> None:
        """Frames as they came."""
        self._meter.feed(frames)

    def name(self, channel: str) -> str:
        """The session's name of a channel's bus; the channel's own where the session has none."""
        bus = self._bus_of(channel)
        return channel if bus is None else self._binding.buses[bus]

    def now(self, count: Callable[[], DecoderCounts]) -> tuple[BusNow, ...]:
        """The current state of every channel; `count` gives the decoder's counts."""
        channels = self._meter.now(self._source.now())
        statuses = {status.bus: status for status in self._source.status()}
        names = dict.fromkeys((*self._source.channels, *channels))
        if self._source.live and self._opened_at is not None:
            self._find_troubles(names, channels, statuses, count)
        return tuple(self._show_bus(name, channels.get(name, UNHEARD), statuses.get(name)) for name in names)

    def news(self) -> list[str]:
        """Troubles that have arisen since the last call, in full."""
        news, self._news = self._news, []
        return news

    def _show_bus(self, channel: str, seen: ChannelNow, status: SourceStatus | None) -> BusNow:
        bitrate = self._find_bitrate(channel)
        return BusNow(
            name=self.name(channel),
            load_percent=None if not bitrate else 100.0 * seen.bits_per_s / bitrate,
            frames_per_s=seen.frames_per_s,
            error_frames=seen.errors if status is None else status.error_frames,
            state=self._say_state(channel, status),
            newest_age_ns=-1 if seen.newest is None else max(self._source.now() - seen.newest, 0),
            lost=None if status is None else _count_lost(status),
            trouble=channel in self._troubles or (status is not None and status.state not in _DEVICE_WELL),
        )

    def _say_state(self, channel: str, status: SourceStatus | None) -> str:
        if status is None:
            return "active"
        if channel in self._troubles:
            return self._troubles[channel].word
        off = status.condition is BusCondition.BUS_OFF and status.state in _OPEN
        if status.state is SourceState.LIVE or off:
            return "active" if status.condition in _FAULTLESS else status.condition.value
        return status.state.value

    def _find_bitrate(self, channel: str) -> int | None:
        given, bus = self._source.bitrate(channel), self._bus_of(channel)
        return given if given or bus is None else self._binding.session.buses[bus].bitrate

    def _bus_of(self, channel: str) -> int | None:
        """Index of the session's bus that a channel is; None for none."""
        bus = int(self._binding.bus_of_channels((channel,))[0])
        return None if bus == NO_BUS else bus

    def _find_troubles(
        self,
        names: Iterable[str],
        channels: Mapping[str, ChannelNow],
        statuses: Mapping[str, SourceStatus],
        count: Callable[[], DecoderCounts],
    ) -> None:
        """Update the troubles, once every expected message has had time to come."""
        assert self._opened_at is not None
        heard_s = self._clock() - self._opened_at
        if heard_s < self._patience_s:
            return
        buses = {name: self._bus_of(name) for name in names}
        if not self._heard.issuperset(bus for bus in buses.values() if bus is not None):
            self._heard |= {bus for (bus, _), counted in count().items() if counted.frames}
        for name, bus in buses.items():
            found = None
            if bus is not None and bus not in self._heard:
                found = trouble(
                    self._gather_facts(name, bus, statuses.get(name), heard_s), channels.get(name, UNHEARD)
                )
            if found is None:
                self._troubles.pop(name, None)
            elif name not in self._troubles or self._troubles[name].word != found.word:
                self._troubles[name] = found
                self._news.append(found.text)

    def _gather_facts(self, channel: str, bus: int, status: SourceStatus | None, heard_s: float) -> BusFacts:
        return BusFacts(
            name=self.name(channel),
            bitrate=self._find_bitrate(channel),
            acknowledge=status is not None and status.listen_only is False,
            expected=sorted(plan.can_id for plan in self._binding.plans[bus]),
            identifiers=self._meter.identifiers.get(channel, set()),
            heard_s=heard_s,
            others={
                name: [plan.can_id for plan in self._binding.plans[index]]
                for index, name in enumerate(self._binding.buses)
                if index != bus
            },
            condition=BusCondition.UNKNOWN if status is None else status.condition,
        )


def _find_cause(status: SourceStatus, trouble: str) -> str:
    """Why no reading comes of a bus: by its adapter's state first, then by what comes instead."""
    if status.state is SourceState.FAILED:
        return SilenceCause.READER_FAILED
    if status.state is SourceState.LOST:
        return SilenceCause.ADAPTER_LOST
    if status.condition is BusCondition.BUS_OFF:
        return SilenceCause.BUS_OFF
    if trouble in {SilenceCause.WRONG_BIT_RATE, SilenceCause.FOREIGN_FRAMES}:
        return trouble
    return SilenceCause.BUS_SILENT if trouble or status.state is SourceState.SILENT else ""


def _count_lost(status: SourceStatus) -> int | None:
    """Frames lost before and in this program; None where none is known and not all would be."""
    counted = status.dropped is not None and not status.interrupted
    return known_lost((status.dropped or 0) + status.overflowed, counted=counted)
