"""Live buses heard for a while: their frames, what happened to them, and why one was not heard."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from mixmon.cli.console import talk
from mixmon.cli.stopping import Stopping
from mixmon.findings.expected import Expected
from mixmon.frames.adapter import BusOptions
from mixmon.frames.adapters import Adapters
from mixmon.frames.block import FrameBlock
from mixmon.frames.source_event import SourceStatus
from mixmon.live.meter import UNHEARD, Meter
from mixmon.live.trouble import BusFacts, trouble
from mixmon.messages.binding import NO_BUS

_ASK_S = 0.05


class Hearing:
    """Blocks of what comes on the buses within that time, or until someone asks to stop.

    What happens to the buses is said as talk.

    interrupted  someone asked
    """

    def __init__(self, buses: Sequence[BusOptions], duration_s: float, *, quiet: bool) -> None:
        self._buses = buses
        self._duration_s = duration_s
        self._quiet = quiet
        self._meter = Meter()
        self._stands: tuple[SourceStatus, ...] = ()
        self._heard_s = 0.0
        self.interrupted = False

    def __iter__(self) -> Iterator[FrameBlock]:
        """The blocks.

        Raises:
            SourceError: a bus cannot be opened.
        """
        with Stopping() as stopping, Adapters(self._buses) as adapters:
            began = adapters.now()
            while not stopping.asked and self._heard_s < self._duration_s:
                yield from self._take(adapters, _ASK_S)
                self._heard_s = (adapters.now() - began) / 1e9
            adapters.close()
            yield from self._take(adapters, 0.0)
            self._stands = adapters.status()
            self.interrupted = stopping.asked

    def troubles(self, expected: Expected) -> tuple[str, ...]:
        """For each bus on which nothing came that was expected, what is wrong, in words.

        Without a session whatever comes will do.
        """
        seen = self._meter.now(0)
        found = []
        for bus, stand in zip(self._buses, self._stands, strict=True):
            heard, index = seen.get(bus.name, UNHEARD), int(expected.bus_of_channels([bus.name])[0])
            known = [] if index == NO_BUS else [plan.can_id for plan in expected.buses[index].messages]
            identifiers = self._meter.identifiers.get(bus.name, set())
            if not (identifiers.intersection(known) or (heard.frames and not expected.declared)):
                facts = BusFacts(
                    bus.name,
                    bus.bitrate,
                    stand.listen_only is False,
                    known,
                    identifiers,
                    self._heard_s,
                    stand.condition,
                    {
                        other.name: [plan.can_id for plan in other.messages]
                        for number, other in enumerate(expected.buses)
                        if number != index
                    },
                )
                found.append(trouble(facts, heard))
        return tuple(one.text for one in found if one is not None)

    def _take(self, adapters: Adapters, timeout_s: float) -> Iterator[FrameBlock]:
        for block in adapters.take(timeout_s):
            self._meter.feed(block)
            yield block
        for event in adapters.events():
            talk(f"{event.bus}: {event.text}", quiet=self._quiet)
