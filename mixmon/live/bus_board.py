"""The buses as a screen shows them, and what is wrong with those that should be heard and are not."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping

from mixmon.frames.adapters.receiver import BusCondition, SourceState, SourceStatus
from mixmon.frames.block import FrameBlock
from mixmon.live.meter import UNHEARD, ChannelNow, Meter
from mixmon.live.source import Source
from mixmon.live.trouble import PATIENCE_S, BusFacts, Trouble, trouble
from mixmon.messages.binding import NO_BUS, Binding
from mixmon.messages.integrity import MessageCounts
from mixmon.snapshot import BusNow

Counts = Mapping[tuple[int, str], MessageCounts]

_QUIET = frozenset({BusCondition.UNKNOWN, BusCondition.ACTIVE})


class BusBoard:
    """Meters every channel and names it as the session does."""

    def __init__(self, binding: Binding, source: Source, clock: Callable[[], float] = time.monotonic) -> None:
        self._binding, self._source, self._clock = binding, source, clock
        self._meter = Meter()
        self._opened_at: float | None = None
        self._patience_s = PATIENCE_S
        self._troubles: dict[str, Trouble] = {}
        self._news: list[str] = []

    @property
    def troubles(self) -> tuple[str, ...]:
        """What is wrong, in full."""
        return tuple(one.text for one in self._troubles.values())

    def opened(self) -> None:
        """The source is open: from now on frames can be expected."""
        self._opened_at = self._clock()

    def conclude(self) -> None:
        """Nothing more will come: what has not been heard by now is not heard."""
        self._patience_s = 0.0

    def restart(self) -> None:
        """Count anew."""
        self._meter = Meter()

    def feed(self, frames: FrameBlock) -> None:
        """Frames as they came."""
        self._meter.feed(frames)

    def name(self, channel: str) -> str:
        """The session's name of the bus that a channel is; the channel's own for strangers."""
        bus = self._bus_of(channel)
        return channel if bus is None else self._binding.buses[bus]

    def now(self, counts: Counts) -> tuple[BusNow, ...]:
        """Every channel as it stands; `counts` of the decoder."""
        channels = self._meter.now(self._source.now())
        stands = {status.bus: status for status in self._source.status()}
        names = dict.fromkeys((*self._source.channels, *channels))
        if self._source.live and self._opened_at is not None:
            self._judge(names, channels, stands, counts)
        return tuple(self._bus(name, channels.get(name, UNHEARD), stands.get(name)) for name in names)

    def news(self) -> list[str]:
        """Troubles that have arisen since the last call, in full."""
        news, self._news = self._news, []
        return news

    def _bus(self, channel: str, seen: ChannelNow, status: SourceStatus | None) -> BusNow:
        bitrate = self._bitrate(channel)
        return BusNow(
            name=self.name(channel),
            load_percent=None if not bitrate else 100.0 * seen.bits_per_s / bitrate,
            frames_per_s=seen.frames_per_s,
            error_frames=seen.errors if status is None else status.error_frames,
            state=self._words(channel, status),
            newest_age_ns=-1 if seen.newest is None else max(self._source.now() - seen.newest, 0),
            lost=None if status is None else _lost(status),
        )

    def _words(self, channel: str, status: SourceStatus | None) -> str:
        if status is None:
            return "active"
        if channel in self._troubles:
            return self._troubles[channel].word
        if status.state is SourceState.LIVE:
            return "active" if status.condition in _QUIET else status.condition.value
        return status.state.value

    def _bitrate(self, channel: str) -> int | None:
        told, bus = self._source.bitrate(channel), self._bus_of(channel)
        return told if told or bus is None else self._binding.session.buses[bus].bitrate

    def _bus_of(self, channel: str) -> int | None:
        """Index of the session's bus that a channel is; None for strangers."""
        bus = int(self._binding.bus_of_channels((channel,))[0])
        return None if bus == NO_BUS else bus

    def _judge(
        self,
        names: Iterable[str],
        channels: Mapping[str, ChannelNow],
        stands: Mapping[str, SourceStatus],
        counts: Counts,
    ) -> None:
        """Look for trouble once there has been time enough."""
        assert self._opened_at is not None
        heard_s = self._clock() - self._opened_at
        if heard_s < self._patience_s:
            return
        heard = {index for (index, _), count in counts.items() if count.frames}
        for name in names:
            bus, found = self._bus_of(name), None
            if bus is not None and bus not in heard:
                found = trouble(
                    self._facts(name, bus, stands.get(name), heard_s), channels.get(name, UNHEARD)
                )
            if found is None:
                self._troubles.pop(name, None)
            elif name not in self._troubles or self._troubles[name].word != found.word:
                self._troubles[name] = found
                self._news.append(found.text)

    def _facts(self, channel: str, bus: int, status: SourceStatus | None, heard_s: float) -> BusFacts:
        return BusFacts(
            name=self.name(channel),
            bitrate=self._bitrate(channel),
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


def _lost(status: SourceStatus) -> int | None:
    """Frames lost before or in this program; None where nobody counts the former and none were the latter."""
    if status.dropped is None and not status.overflowed:
        return None
    return (status.dropped or 0) + status.overflowed
