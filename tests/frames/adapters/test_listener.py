"""What a listener tells of a controller that leaves the bus and comes back faster than it is read."""

from __future__ import annotations

import threading

import pytest

from mixmon.frames.adapters import interfaces
from mixmon.frames.adapters.interfaces import AdapterKind, BusOptions
from mixmon.frames.adapters.listener import Listener
from mixmon.frames.adapters.receiver import (
    BusCondition,
    Receiver,
    SourceEvent,
    SourceEventKind,
    numbered_channels,
)
from mixmon.frames.adapters.stamps import HostClock, StampKind
from mixmon.frames.block import FrameBlock, FrameFlag, FrameRow, block_of

BUS_OFF, RESTARTED = 0x40, 0x100  # linux/can/error.h
DEADLINE_S = 10.0


class Flapping(Receiver):
    """A controller that is bus off and restarted three times before it is read, and bus off later."""

    def __init__(self, channel: str, clock: HostClock) -> None:
        super().__init__(StampKind.HOST)
        self._clock, self._channel = clock, channel
        self._scripts = [[BUS_OFF, RESTARTED] * 3, [BUS_OFF]]

    def read(self, timeout_s: float) -> FrameBlock:
        self.through = self._clock.now()
        if not self._scripts:
            threading.Event().wait(timeout_s)
        found = self._scripts.pop(0) if self._scripts else []
        rows = [FrameRow(self.through, n, self._channel, 8, FrameFlag.ERROR, bytes(8)) for n in found]
        block = block_of(rows, numbered_channels((self._channel,)))
        self.follow_condition(block)
        return block

    def close(self) -> None:
        """Nothing is held."""


def open_device(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> Flapping:
    """The device of the kind "flapping"."""
    assert options.interface == "flapping"
    return Flapping(channels[index], clock)


class Told:
    """The events of a listener, and when two were about the controller."""

    def __init__(self) -> None:
        self.events: list[SourceEvent] = []
        self.both = threading.Event()

    def deliver(self, *_: object) -> int:
        """Frames are not looked at."""
        return 0

    def leave(self, index: int) -> None:
        """Nothing more will come."""

    def tell(self, event: SourceEvent) -> None:
        if event.kind is SourceEventKind.CONDITION:
            self.events.append(event)
            if len(self.events) == 2:
                self.both.set()


def listen_until_told(options: BusOptions, clock: HostClock, told: Told) -> Listener:
    """Listens until all has been told that is waited for; the listener, which has ended."""
    listener = Listener(options, 0, ("can0",), clock, told, silence_s=60.0)
    listener.open()
    listener.start()
    try:
        assert told.both.wait(DEADLINE_S)
    finally:
        listener.ask_to_stop()
        listener.join(DEADLINE_S)
    return listener


def test_bus_offs_between_two_reads_are_told_with_their_number(monkeypatch: pytest.MonkeyPatch) -> None:
    kind = AdapterKind("flapping", module=__name__, restarted_by="press the button of {channel}")
    monkeypatch.setitem(interfaces.ADAPTERS, "flapping", kind)
    told = Told()
    options = BusOptions("can0", "flapping", "the box")
    listener = listen_until_told(options, HostClock(), told)
    back, off = told.events
    assert back.text.startswith("the adapter's controller was bus off 3 times and is on the bus again")
    assert off.text.startswith("the adapter's controller is bus off")
    assert off.text.endswith("then press the button of the box")
    assert back.lost is off.lost is None
    assert listener.status.condition is BusCondition.BUS_OFF
    assert listener.status.interrupted


class SleptClock(HostClock):
    """A clock that goes on by what is added to `slept_ns`, as it does while a computer sleeps."""

    slept_ns = 0

    def now(self) -> int:
        return super().now() + self.slept_ns


class SleepsBetweenReads(Told):
    """The computer sleeps once for three seconds, while what was read is put away."""

    def __init__(self, clock: SleptClock) -> None:
        super().__init__()
        self._clock = clock
        self.stalled: list[str] = []

    def deliver(self, *_: object) -> int:
        """Frames are not looked at."""
        self._clock.slept_ns = 3_000_000_000
        return 0

    def tell(self, event: SourceEvent) -> None:
        if event.kind is SourceEventKind.STALLED:
            self.stalled.append(event.text)
            self.both.set()


def test_a_sleep_between_two_reads_is_told_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(interfaces.ADAPTERS, "flapping", AdapterKind("flapping", module=__name__))
    clock = SleptClock()
    told = SleepsBetweenReads(clock)
    options = BusOptions("can0", "flapping", "the box")
    listen_until_told(options, clock, told)
    assert [text.startswith("this computer was asleep or busy for 3") for text in told.stalled] == [True]
