"""Live buses from end to end: python-can's virtual buses, and serial adapters on pseudo-terminals."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import can
import numpy as np
import pytest
import serial
from slcan_emulator import SlcanEmulator

from mixmon.errors import SourceError, UsageError
from mixmon.frames.adapters import interfaces
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import AdapterKind, BusOptions, kind_of, open_receiver
from mixmon.frames.adapters.listener import Listener
from mixmon.frames.adapters.pythoncan import DRIVER_DELAY_NS, PythonCanReceiver
from mixmon.frames.adapters.receiver import (
    BusCondition,
    DeviceLostError,
    Receiver,
    SourceEvent,
    SourceEventKind,
    SourceState,
    SourceStatus,
    numbered_channels,
)
from mixmon.frames.adapters.slcan import UNANSWERED_POLLS
from mixmon.frames.adapters.stamps import HostClock, StampKind
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, FrameRow, block_of, concat

DEADLINE_S = 10.0
NOBODY = 65534


@contextmanager
def virtual(*channels: str) -> Iterator[list[can.BusABC]]:
    """The far ends of virtual buses."""
    buses = [can.Bus(interface="virtual", channel=channel, ignore_config=True) for channel in channels]
    try:
        yield buses
    finally:
        for bus in buses:
            bus.shutdown()


@pytest.fixture
def emulator(tmp_path: Path) -> Iterator[SlcanEmulator]:
    emulator = SlcanEmulator(tmp_path / "port")
    emulator.plug()
    yield emulator
    emulator.unplug()


def serial_bus(emulator: SlcanEmulator, *, acknowledge: bool = False, **options: object) -> BusOptions:
    return BusOptions(
        "can0",
        "slcan",
        str(emulator.link),
        500_000,
        acknowledge=acknowledge,
        options={"sleep_after_open": 0.1, **options},
    )


def message(number: int, can_id: int = 0x123) -> can.Message:
    return can.Message(arbitration_id=can_id, is_extended_id=False, data=number.to_bytes(8, "big"))


def test_stamps_are_whole_microseconds_as_a_run_keeps_them() -> None:
    with (
        virtual("whole-a", "whole-b") as far_ends,
        Adapters([BusOptions(name, "virtual", name) for name in ("whole-a", "whole-b")]) as adapters,
    ):
        for number in range(40):
            far_ends[number % 2].send(message(number))
        block = take(adapters, 40)
        assert not (block.t % 1000).any()
        assert (block.t <= adapters.now()).all()


def take(adapters: Adapters, count: int) -> FrameBlock:
    """The next `count` frames or more."""
    blocks: list[FrameBlock] = []
    deadline = time.monotonic() + DEADLINE_S
    while sum(map(len, blocks)) < count:
        assert time.monotonic() < deadline, f"{sum(map(len, blocks))} of {count} frames"
        blocks += adapters.take(0.1)
    return concat(blocks)


def wait_for(adapters: Adapters, kind: SourceEventKind, seen: list[SourceEvent]) -> SourceEvent:
    """The first event of a kind; all events that came are added to `seen`."""
    deadline = time.monotonic() + DEADLINE_S
    while True:
        adapters.take(0.02)
        new = adapters.events()
        seen += new
        if found := [event for event in new if event.kind is kind]:
            return found[0]
        assert time.monotonic() < deadline, [event.text for event in seen]


def wait_until(adapters: Adapters, holds: Callable[[SourceStatus], bool]) -> SourceStatus:
    """The status of the first bus, once `holds`; frames stay untaken."""
    deadline, pause = time.monotonic() + DEADLINE_S, threading.Event()
    while not holds(adapters.status()[0]):
        assert time.monotonic() < deadline, adapters.status()
        pause.wait(0.005)
    return adapters.status()[0]


def numbers(block: FrameBlock) -> list[int]:
    big_endian: list[int] = block.data.copy().view(">u8")[:, 0].tolist()
    return big_endian


def test_two_buses_none_lost_and_in_order_of_time() -> None:
    count = 3000
    options = [BusOptions("can0", "virtual", "order 0"), BusOptions("can1", "virtual", "order 1")]
    late = set()
    with virtual("order 0", "order 1") as ends, Adapters(options) as adapters:
        for n in range(count):
            for bus, can_id in enumerate((0x100, 0x200)):
                before = time.monotonic_ns()
                ends[bus].send(message(n, can_id))  # stamps it first, then hands it over
                if time.monotonic_ns() - before > DRIVER_DELAY_NS:
                    late.add((bus, n))  # this thread was held up between the two
        block = take(adapters, 2 * count)
        bus_time = adapters.bus_time
        assert bus_time <= adapters.now()
    assert block.channels == ("can0", "can1")
    in_time = [key not in late for key in zip(block.bus.tolist(), numbers(block), strict=True)]
    assert (np.diff(block.t[in_time]) >= 0).all()
    for bus, can_id in ((0, 0x100), (1, 0x200)):
        mine = block.take(block.bus == bus)
        assert numbers(mine) == list(range(count))
        assert set(mine.can_id.tolist()) == {can_id}


def test_stamps_lie_between_sending_and_taking() -> None:
    with virtual("stamps") as ends, Adapters([BusOptions("can0", "virtual", "stamps")]) as adapters:
        before = adapters.now()
        for n in range(20):
            ends[0].send(message(n))
        block = take(adapters, 20)
        assert before - 20_000_000 < block.t[0] <= block.t[-1] <= adapters.now()


def test_messages_without_stamps_get_the_moment_of_the_read() -> None:
    sender = can.Bus(interface="virtual", channel="bare", preserve_timestamps=True, ignore_config=True)
    with Adapters([BusOptions("can0", "virtual", "bare")]) as adapters:
        before = adapters.now()
        sender.send(message(1))
        block = take(adapters, 1)
        assert before <= block.t[0] <= adapters.now()
        assert wait_until(adapters, lambda s: s.frames == 1).stamped_by is StampKind.HOST
    sender.shutdown()


class DriverThatIsOff(can.BusABC):
    """A bus of python-can whose driver says bus off; it reads the number of messages given."""

    def __init__(self, messages: int) -> None:
        super().__init__(channel="off")
        self._left = messages

    @property
    def state(self) -> can.BusState:
        return can.BusState.ERROR

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise NotImplementedError

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:  # noqa: ARG002
        if self._left == 0:
            raise can.CanOperationError("the driver is gone")
        self._left -= 1
        return message(self._left), True

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002
        raise AssertionError("nothing is ever sent")


def test_driver_that_tells_bus_off_and_then_fails() -> None:
    with DriverThatIsOff(5000) as bus:
        receiver = PythonCanReceiver(bus, 0, ("can0",), HostClock(), deep_queue=True)
        assert len(receiver.read(0.02)) == 4097  # the rest waits for the next read
        assert receiver.condition is BusCondition.BUS_OFF
        assert len(receiver.read(0.02)) == 903  # before it fails
        with pytest.raises(DeviceLostError, match="the driver is gone"):
            receiver.read(0.02)


class Backlog(can.BusABC):
    """A bus of python-can whose driver has held back many messages, all of one moment."""

    def __init__(self, messages: int) -> None:
        super().__init__(channel="backlog")
        self._left = messages

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:  # noqa: ARG002
        self._left -= 1
        return (None if self._left < 0 else can.Message(timestamp=1.0, arbitration_id=1)), True

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002
        raise AssertionError("nothing is ever sent")


@pytest.mark.parametrize(("deep", "messages"), [(True, 25_000), (False, 25_000)])
def test_what_still_waits_in_a_driver_is_not_said_to_be_there(deep: bool, messages: int) -> None:
    with Backlog(messages) as bus:
        receiver = PythonCanReceiver(bus, 0, ("can0",), HostClock(), deep_queue=deep)
        read = 0
        while read < messages:
            claimed = receiver.through
            block = receiver.read(0.02)
            assert (block.t >= claimed).all()
            read += len(block)


def test_every_kind_of_frame_through_python_can() -> None:
    sent = [
        can.Message(arbitration_id=0x1234567, data=b"\1\2"),
        can.Message(arbitration_id=0x123, is_extended_id=False, is_remote_frame=True, dlc=5),
        can.Message(arbitration_id=0x80, is_error_frame=True, data=bytes(8)),
        can.Message(
            arbitration_id=0x123, is_extended_id=False, is_fd=True, bitrate_switch=True, data=bytes(64)
        ),
        can.Message(arbitration_id=0x800, is_extended_id=False),
        can.Message(arbitration_id=0x123, is_extended_id=False, dlc=8, data=b"\1\2"),
    ]
    with virtual("kinds") as ends, Adapters([BusOptions("can0", "virtual", "kinds")]) as adapters:
        for each in sent:
            ends[0].send(each)
        block = take(adapters, 4)
        status = wait_until(adapters, lambda s: bool(s.rejected))
    assert block.can_id.tolist() == [0x1234567 | EXTENDED, 0x123, 0x80, 0x123]
    assert block.flags.tolist() == [
        0,
        FrameFlag.REMOTE,
        FrameFlag.ERROR,
        FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH,
    ]
    assert block.dlc.tolist() == [2, 5, 8, 15]
    assert block.size.tolist() == [2, 0, 8, 64]
    assert status.rejected == {"identifier": 1, "length": 1}
    assert status.error_frames == 1


BUS_OFF = can.Message(arbitration_id=0x40, is_error_frame=True, data=bytes(8))
RESTARTED = can.Message(arbitration_id=0x100, is_error_frame=True, data=bytes(8))
"""Error frames of Linux (linux/can/error.h): CAN_ERR_BUSOFF and CAN_ERR_RESTARTED."""


def test_bus_off_and_restart_are_told_with_what_to_do() -> None:
    seen: list[SourceEvent] = []
    with virtual("off") as ends, Adapters([BusOptions("can0", "virtual", "off")]) as adapters:
        ends[0].send(message(0))
        ends[0].send(BUS_OFF)
        off = wait_for(adapters, SourceEventKind.CONDITION, seen)
        assert adapters.status()[0].condition is BusCondition.BUS_OFF
        assert adapters.status()[0].interrupted
        ends[0].send(RESTARTED)
        ends[0].send(message(1))
        back = wait_for(adapters, SourceEventKind.CONDITION, seen)
        status = wait_until(adapters, lambda s: s.frames == 4)
    assert off.text.startswith("the adapter's controller is bus off: it hears nothing until it is restarted")
    assert off.text.endswith("then unplug the adapter and plug it in again")
    assert back.text.startswith("the adapter's controller was bus off and is on the bus again")
    assert off.lost is back.lost is None
    assert (status.condition, status.error_frames) == (BusCondition.ACTIVE, 2)


def test_a_link_that_is_bus_off_is_restarted_by_the_system() -> None:
    """The command: ip-link(8)."""
    words = kind_of("socketcan").restarted_by.format(channel="can0")
    assert words == "restart it: ip link set can0 down; ip link set can0 up"


def test_silence_is_told_the_device_opened_anew_and_the_gap_told(emulator: SlcanEmulator) -> None:
    seen: list[SourceEvent] = []
    emulator.refuse = b"F"  # so that an unplugged adapter looks like a silent bus
    with Adapters([serial_bus(emulator)], silence_s=0.1) as adapters:
        emulator.send(0x123, b"\0")
        take(adapters, 1)
        wait_for(adapters, SourceEventKind.SILENT, seen)
        assert wait_until(adapters, lambda _: emulator.commands.count(b"L") > 1).state is SourceState.SILENT
        while not any(event.kind is SourceEventKind.GAP for event in seen):
            emulator.send(0x123, b"\1")  # again, as it is lost where the adapter is just opened once more
            adapters.take(0.02)
            seen += adapters.events()
        (gap,) = [event for event in seen if event.kind is SourceEventKind.GAP]
        assert gap.bus == "can0"
        assert float(gap.text.split()[3]) > 0.1
        assert gap.text.endswith(
            "; the device was opened again meanwhile, frames lost by that are not counted"
        )
        assert adapters.status()[0].state is SourceState.LIVE


def test_a_virtual_bus_is_silent_without_being_opened_anew() -> None:
    seen: list[SourceEvent] = []
    with (
        virtual("calm") as ends,
        Adapters([BusOptions("can0", "virtual", "calm")], silence_s=0.02) as adapters,
    ):
        ends[0].send(message(0))
        assert numbers(take(adapters, 1)) == [0]
        wait_for(adapters, SourceEventKind.SILENT, seen)
        until = adapters.bus_time + 200_000_000
        while adapters.bus_time < until:
            adapters.take(0.02)
        ends[0].send(message(1))
        assert numbers(take(adapters, 1)) == [1]
        assert "opened" not in wait_for(adapters, SourceEventKind.GAP, seen).text


class JumpingClock(HostClock):
    """A host clock by which the program can be held up for as long as a test wants."""

    def __init__(self) -> None:
        super().__init__()
        self.held_up_ns = 0

    def now(self) -> int:
        return super().now() + self.held_up_ns


class HeldUpReceiver(Receiver):
    """A device with a queue. Behind its second read the program is held up, and frames come meanwhile."""

    def __init__(self, channel: str, clock: JumpingClock) -> None:
        super().__init__(StampKind.HOST)
        self._clock, self._channel = clock, channel
        self._queue = [0]
        self._reads = 0

    def read(self, timeout_s: float) -> FrameBlock:  # noqa: ARG002 - it has something, or is held up
        found, self._queue = self._queue, []
        self._reads += 1
        if self._reads == 2:
            self._clock.held_up_ns += 5_000_000_000
            self._queue = [1, 2, 3]
        self.through = self._clock.now()
        rows = [FrameRow(self.through, 0x123, self._channel, 8, 0, n.to_bytes(8, "big")) for n in found]
        return block_of(rows, numbered_channels((self._channel,)))

    def close(self) -> None:
        self._queue = []


def open_device(
    options: BusOptions, index: int, channels: tuple[str, ...], clock: JumpingClock
) -> HeldUpReceiver:
    """The device of the kind "held up"."""
    assert options.interface == "held up"
    return HeldUpReceiver(channels[index], clock)


class Delivered:
    """What a listener gave, and when it had given four frames."""

    def __init__(self) -> None:
        self.frames: list[int] = []
        self.complete = threading.Event()

    def deliver(self, index: int, block: FrameBlock, through: int) -> int:  # noqa: ARG002 - one bus
        self.frames += numbers(block)
        if len(self.frames) >= 4:
            self.complete.set()
        return 0

    def leave(self, index: int) -> None:
        """Nothing more will come."""

    def tell(self, event: SourceEvent) -> None:
        """Events are not looked at."""


def test_frames_that_wait_while_the_program_is_held_up_are_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(interfaces.ADAPTERS, "held up", AdapterKind("held up", module=__name__))
    sink, options = Delivered(), BusOptions("can0", "held up")
    listener = Listener(options, 0, ("can0",), JumpingClock(), sink, silence_s=2.0)
    listener.open()
    listener.start()
    try:
        assert sink.complete.wait(DEADLINE_S), sink.frames
    finally:
        listener.ask_to_stop()
        listener.join(DEADLINE_S)
    assert sink.frames == [0, 1, 2, 3]


def test_bus_time_goes_on_while_the_bus_is_silent() -> None:
    with virtual("quiet"), Adapters([BusOptions("can0", "virtual", "quiet")]) as adapters:
        times = [adapters.bus_time]
        deadline = adapters.now() + 300_000_000
        while times[-1] < deadline:
            adapters.take(0.05)
            times.append(adapters.bus_time)
            assert times[-2] <= times[-1] <= adapters.now()


def test_what_finds_no_room_is_counted_and_told() -> None:
    seen: list[SourceEvent] = []
    options = [BusOptions("can0", "virtual", "room")]
    with virtual("room") as ends, Adapters(options, queue_frames=100) as adapters:
        for part in range(20):
            for n in range(50):
                ends[0].send(message(n))
            wait_until(adapters, lambda s, read=50 * (part + 1): s.frames == read)  # type: ignore[misc]
        status = adapters.status()[0]
        block = take(adapters, 1)
        wait_for(adapters, SourceEventKind.OVERFLOW, seen)
    assert len(block) <= 100
    assert len(block) + status.overflowed == 1000


def test_reader_thread_ends_with_close() -> None:
    with virtual("threads"), Adapters([BusOptions("can0", "virtual", "threads")]) as adapters:
        assert "bus can0" in {thread.name for thread in threading.enumerate()}
    assert "bus can0" not in {thread.name for thread in threading.enumerate()}
    assert adapters.status()[0].state is SourceState.CLOSED


def test_serial_adapter_listens_and_sends_no_frame(emulator: SlcanEmulator) -> None:
    with Adapters([serial_bus(emulator)]) as adapters:
        emulator.run(4000, 1000)
        block = take(adapters, 1000)
        status = adapters.status()[0]
    assert numbers(block) == list(range(1000))
    assert status.listen_only is True
    assert status.stamped_by is StampKind.DEVICE
    assert emulator.commands[:5] == [b"C", b"S6", b"Z1", b"L", b"F"]
    assert emulator.heard(b"Z0")
    assert emulator.commands[-2:] == [b"C", b"Z0"]
    assert {command[:1] for command in emulator.commands} <= {b"C", b"S", b"Z", b"L", b"F"}


class LateAnswer(SlcanEmulator):
    """An adapter whose answer to the command before the question for its status comes with the status."""

    def _reply(self, command: bytes) -> bytes:
        late = self.end if command[:1] == b"F" else b""
        return late + super()._reply(command)


def test_a_late_answer_is_not_taken_for_the_status(tmp_path: Path) -> None:
    emulator = LateAnswer(tmp_path / "late")
    emulator.plug()
    try:
        with closing(open_receiver(serial_bus(emulator), 0, ("can0",), HostClock())) as receiver:
            assert receiver.reports_loss
    finally:
        emulator.unplug()


def test_serial_adapter_that_is_to_acknowledge(emulator: SlcanEmulator) -> None:
    with Adapters([serial_bus(emulator, acknowledge=True)]) as adapters:
        assert adapters.status()[0].bus == "can0"
        assert b"O" in emulator.commands
        assert b"L" not in emulator.commands


def test_device_stamps_keep_their_distances(emulator: SlcanEmulator) -> None:
    """200 frames, 10 ms apart by the adapter's clock across its wrap, all on the line at once."""
    with Adapters([serial_bus(emulator)]) as adapters:
        emulator.write(b"".join(emulator.frame(0x100, bytes(8), ms=59_000 + 10 * n) for n in range(200)))
        block = take(adapters, 200)
    apart = np.diff(block.t)
    assert np.median(apart) == 10_000_000
    assert (apart >= 0).all()


def test_serial_adapter_without_stamps_gets_the_moment_of_the_read(emulator: SlcanEmulator) -> None:
    emulator.refuse = b"Z"
    with Adapters([serial_bus(emulator)]) as adapters:
        before = adapters.now()
        emulator.send(0x123, b"\1")
        block = take(adapters, 1)
        assert before <= block.t[0] <= adapters.now()
        assert wait_until(adapters, lambda s: s.frames == 1).stamped_by is StampKind.HOST


def test_stamps_past_a_minute_settle_it_for_the_host_clock(emulator: SlcanEmulator) -> None:
    seen: list[SourceEvent] = []
    with Adapters([serial_bus(emulator)]) as adapters:
        emulator.write(b"t1230EA60\r")
        before = adapters.now() - 100_000_000
        assert take(adapters, 1).t[0] > before
        assert "moment of reading" in wait_for(adapters, SourceEventKind.REMARK, seen).text


def test_noise_glued_and_split_lines_are_counted_and_cost_only_themselves(emulator: SlcanEmulator) -> None:
    emulator.end = b"\r\n"
    with Adapters([serial_bus(emulator, stamps=False)]) as adapters:
        emulator.write(b"\xff\x80\r\n")
        emulator.write(b"t1231")
        first = b"AA\r\n" + b"t1232AABBt1242CCDD\r\n" + b"t12345\r\n"
        emulator.write(first)
        emulator.send(0x125, b"\2")
        block = take(adapters, 2)
        status = wait_until(adapters, lambda s: s.rejected is not None and sum(s.rejected.values()) >= 3)
    assert block.can_id.tolist() == [0x123, 0x125]
    assert status.rejected == {"not text": 1, "data": 1, "length": 1}


def test_closing_in_the_middle_of_a_line(emulator: SlcanEmulator) -> None:
    with Adapters([serial_bus(emulator, stamps=False)]) as adapters:
        emulator.write(b"t1230\rt1238AA")
        assert len(take(adapters, 1)) == 1
    assert adapters.status()[0].rejected == {"cut short": 1}


def test_unplugged_and_plugged_in_again(emulator: SlcanEmulator) -> None:
    seen: list[SourceEvent] = []
    with Adapters([serial_bus(emulator)]) as adapters:
        emulator.send(0x100, b"\1")
        take(adapters, 1)
        emulator.unplug()
        wait_for(adapters, SourceEventKind.LOST, seen)
        wait_for(adapters, SourceEventKind.REFUSED, seen)
        assert adapters.status()[0].state is SourceState.LOST
        before = adapters.bus_time
        emulator.plug()
        assert emulator.opened.wait(DEADLINE_S)
        emulator.send(0x101, b"\2")
        gap = wait_for(adapters, SourceEventKind.GAP, seen)
        assert adapters.bus_time > before
        assert gap.t <= adapters.now()
    kinds = [event.kind for event in seen]
    assert kinds.count(SourceEventKind.LOST) == 1
    assert kinds.count(SourceEventKind.REFUSED) == 1
    assert kinds.index(SourceEventKind.LOST) < kinds.index(SourceEventKind.GAP)


def test_other_bus_goes_on_while_one_is_lost(emulator: SlcanEmulator) -> None:
    seen: list[SourceEvent] = []
    options = [serial_bus(emulator), BusOptions("can1", "virtual", "other")]
    with virtual("other") as ends, Adapters(options) as adapters:
        emulator.unplug()
        wait_for(adapters, SourceEventKind.LOST, seen)
        for n in range(100):
            ends[0].send(message(n))
        assert numbers(take(adapters, 100)) == list(range(100))
        emulator.plug()


class FastClock(HostClock):
    """Twenty seconds pass in one: for what happens once a second."""

    def __init__(self) -> None:
        super().__init__()
        self._began = super().now()

    def now(self) -> int:
        return self._began + 20 * (super().now() - self._began)


def test_adapter_that_ran_out_of_room_says_so(emulator: SlcanEmulator) -> None:
    receiver = open_receiver(serial_bus(emulator), 0, ("can0",), FastClock())
    emulator.status = 0x08 | 0x04
    deadline = time.monotonic() + DEADLINE_S
    while not receiver.overflows and time.monotonic() < deadline:
        receiver.read(0.02)
    receiver.close()
    assert receiver.overflows > 0
    assert receiver.condition is BusCondition.WARNING


def read_for_ever(receiver: Receiver) -> None:
    while True:
        receiver.read(0.02)


def test_adapter_that_no_longer_answers_is_lost(emulator: SlcanEmulator) -> None:
    receiver = open_receiver(serial_bus(emulator), 0, ("can0",), FastClock())
    assert receiver.reports_loss
    emulator.silent = True
    with pytest.raises(DeviceLostError, match="no longer answers"):
        read_for_ever(receiver)
    receiver.close()


def test_a_question_that_the_computer_wrote_late_loses_no_adapter(
    emulator: SlcanEmulator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pyserial raises that too where the program stood still after the bytes had gone out."""
    receiver = open_receiver(serial_bus(emulator), 0, ("can0",), FastClock())
    write, asked = serial.Serial.write, len(emulator.commands)

    def write_late(port: serial.Serial, data: bytes) -> None:
        write(port, data)
        raise serial.SerialTimeoutException("Write timeout")

    with monkeypatch.context() as late:
        late.setattr(serial.Serial, "write", write_late)
        deadline = time.monotonic() + DEADLINE_S
        while len(emulator.commands) < asked + 2 * UNANSWERED_POLLS and time.monotonic() < deadline:
            receiver.read(0.02)
    receiver.close()
    assert emulator.commands[asked : asked + 2 * UNANSWERED_POLLS] == [b"F"] * (2 * UNANSWERED_POLLS)


def test_adapter_without_answers_is_read_and_remarked(emulator: SlcanEmulator) -> None:
    emulator.silent = True
    with Adapters([serial_bus(emulator)]) as adapters:
        assert any("no answers" in event.text for event in adapters.events())
        assert adapters.status()[0].listen_only is None
        emulator.send(0x123, b"\1")
        assert len(take(adapters, 1)) == 1


REFUSALS = {
    "bit rate": (b"S", False, "refuses 500000 bit/s"),
    "listening only": (b"L", False, "refuses to listen only"),
    "opening": (b"O", True, "refuses to open"),
}


@pytest.mark.parametrize(("letter", "acknowledge", "text"), REFUSALS.values(), ids=REFUSALS)
def test_refusals_are_errors(emulator: SlcanEmulator, letter: bytes, acknowledge: bool, text: str) -> None:
    emulator.refuse = letter
    with pytest.raises(SourceError, match=text):
        Adapters([serial_bus(emulator, acknowledge=acknowledge)]).start()


STALE = {"latency_s": 0.1}
REFUSING: dict[str, tuple[bytes, str, dict[str, Any]]] = {
    "the bit rate, late": (b"S", "refuses 500000 bit/s", {"latency_s": 0.4}),
    "listening only, late": (b"LF", "refuses to listen only", {"latency_s": 0.2}),
    "the bit rate, behind an answer to another program": (b"S", "refuses 500000", STALE | {"stale": b"\r"}),
    "listening only, behind one": (b"LF", "refuses to listen only", STALE | {"stale": b"\r"}),
    "listening only, behind a refusal": (b"L", "refuses to listen only", STALE | {"stale": b"\a"}),
    "listening only, with noise": (b"L", "refuses to listen only", {"noise": b"\xff\x80\rt12\r"}),
}


@contextmanager
def plugged(path: Path, **behaviour: Any) -> Iterator[SlcanEmulator]:
    emulator = SlcanEmulator(path / "port", **behaviour)
    emulator.plug()
    try:
        yield emulator
    finally:
        emulator.unplug()


@pytest.mark.parametrize(("letters", "text", "behaviour"), REFUSING.values(), ids=REFUSING)
def test_a_refusal_is_noticed_however_the_answers_come(
    tmp_path: Path, letters: bytes, text: str, behaviour: dict[str, Any]
) -> None:
    with (
        plugged(tmp_path, refuse=letters, **behaviour) as emulator,
        pytest.raises(SourceError, match=text),
    ):
        open_receiver(serial_bus(emulator), 0, ("can0",), HostClock())


class Uneven(SlcanEmulator):
    """An adapter that answers some commands at once and others late."""

    def _reply(self, command: bytes) -> bytes:
        self.latency_s = 0.25 if command[:1] in b"SL" else 0.0
        return super()._reply(command)


def test_a_late_answer_is_never_taken_for_that_of_a_later_command(tmp_path: Path) -> None:
    """Only the stamps are refused, between two late answers."""
    emulator = Uneven(tmp_path / "port", refuse=b"Z")
    emulator.plug()
    try:
        with closing(open_receiver(serial_bus(emulator), 0, ("can0",), HostClock())) as receiver:
            assert receiver.listen_only is True
            assert receiver.stamped_by is StampKind.HOST
            assert receiver.reports_loss
            assert not receiver.remarks
    finally:
        emulator.unplug()


def test_lines_from_before_the_opening_are_counted(tmp_path: Path) -> None:
    with (
        plugged(tmp_path, stale=b"t1231AA\rgarbage\r\r") as emulator,
        closing(open_receiver(serial_bus(emulator), 0, ("can0",), HostClock())) as receiver,
    ):
        assert receiver.remarks == ["lines from before the adapter was opened, not used: 3"]
        assert not receiver.rejected
        assert not len(receiver.read(0.02))


def test_stamps_of_a_form_that_is_not_known(emulator: SlcanEmulator) -> None:
    with closing(open_receiver(serial_bus(emulator), 0, ("can0",), HostClock())) as receiver:
        emulator.write(b"t1231AA00012345\r" * 2)
        arrived = [receiver.read(0.02).t for _ in range(2)]
        assert np.ptp(np.concatenate(arrived)) < 2_000_000_000
        assert receiver.stamped_by is StampKind.HOST
        assert len(receiver.remarks) == 1
        assert "eight digits" in receiver.remarks[0]


def test_can_fd_is_opened_and_read(emulator: SlcanEmulator) -> None:
    bus = serial_bus(emulator, fd=True, data_bitrate=2_000_000)
    with Adapters([bus]) as adapters:
        assert emulator.commands[:5] == [b"C", b"S6", b"Y2", b"Z1", b"L"]
        emulator.write(b"b1239" + b"5A" * 12 + b"0010\r")
        block = take(adapters, 1)
    assert block.flags.tolist() == [FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH]
    assert bytes(block.data[0, :12]) == b"Z" * 12


def test_an_adapter_without_can_fd_says_so(emulator: SlcanEmulator) -> None:
    emulator.refuse = b"Y"
    with pytest.raises(SourceError, match="refuses 5000000 bit/s for the data of CAN FD"):
        Adapters([serial_bus(emulator, data_bitrate=5_000_000)]).start()
    with pytest.raises(UsageError, match="bit rate of data 3000000"):
        Adapters([serial_bus(emulator, data_bitrate=3_000_000)]).start()


def test_a_port_that_another_program_holds(emulator: SlcanEmulator) -> None:
    with (
        Adapters([serial_bus(emulator)]),
        pytest.raises(SourceError, match="another program uses the port; expected a free port"),
    ):
        Adapters([serial_bus(emulator)]).start()


def test_no_code_sends_on_a_bus() -> None:
    """Only the question to the kernel about a link is sent anywhere."""
    sources = Path(interfaces.__file__).parents[1].rglob("*.py")
    assert [path.name for path in sources if ".send" in path.read_text()] == ["socketcan.py"]


def test_bus_names_must_differ() -> None:
    with pytest.raises(UsageError, match="its own name"):
        Adapters([BusOptions("can0"), BusOptions("can0")])
    with pytest.raises(UsageError, match="one or more"):
        Adapters([])
