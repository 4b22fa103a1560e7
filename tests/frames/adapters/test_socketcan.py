"""Reading raw frames from a kernel socket, and what the kernel says about a CAN interface.

The kernel of a test machine may have no CAN. The reader is fed through UDP sockets, which share
the stamps, the buffer and the loss counter with CAN sockets (net/core/sock.c); the frames are
laid out by python-can, the replies about links were recorded from a Linux 6.1 with CAN.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from pathlib import Path

import can
import numpy as np
import pytest
from can.interfaces.socketcan.socketcan import build_can_frame

from mixmon.frames.adapters.receiver import BusCondition, DeviceLostError, condition_after
from mixmon.frames.adapters.socketcan import (
    BUFFER_BYTES,
    Link,
    SocketcanReceiver,
    buffer_remark,
    condition_of,
    decode,
    link_remarks,
    parse_link,
    prepare,
    read_link,
)
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag

CHANNELS = ("can0", "can1")
MS = 1_000_000

MESSAGES = {
    "11 bits": can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\1\2\3"),
    "no data": can.Message(arbitration_id=0x7FF, is_extended_id=False),
    "29 bits": can.Message(arbitration_id=0x123, is_extended_id=True, data=b"12345678"),
    "remote": can.Message(arbitration_id=0x123, is_extended_id=False, is_remote_frame=True, dlc=5),
    "error frame": can.Message(arbitration_id=0x4, is_error_frame=True, data=bytes([0, 4, 0, 0, 0, 0, 0, 0])),
    "FD": can.Message(arbitration_id=0x123, is_extended_id=False, is_fd=True, data=bytes(12)),
    "FD, fast, error passive": can.Message(
        arbitration_id=0x1ABCDEF0, is_fd=True, bitrate_switch=True, error_state_indicator=True, data=b"Z" * 64
    ),
}


def decoded(raw: bytes, *, local: bool = False) -> FrameBlock:
    return decode([raw], np.array([7], np.int64), np.array([local]), 1, CHANNELS)


@pytest.mark.parametrize("message", MESSAGES.values(), ids=MESSAGES)
def test_frame_as_python_can_lays_it_out(message: can.Message) -> None:
    block = decoded(build_can_frame(message))
    extended = message.is_extended_id and not message.is_error_frame
    flags = int(block.flags[0])
    assert block.can_id[0] == message.arbitration_id | (EXTENDED if extended else 0)
    assert bool(flags & FrameFlag.REMOTE) == message.is_remote_frame
    assert bool(flags & FrameFlag.ERROR) == message.is_error_frame
    assert bool(flags & FrameFlag.FD) == message.is_fd
    assert bool(flags & FrameFlag.BIT_RATE_SWITCH) == message.bitrate_switch
    assert bool(flags & FrameFlag.ERROR_STATE) == message.error_state_indicator
    assert bytes(block.data[0])[: block.size[0]] == bytes(message.data)
    assert block.dlc[0] == can.util.len2dlc(message.dlc)
    assert (block.t[0], block.bus[0], block.channels) == (7, 1, CHANNELS)


def test_bytes_beyond_the_length_are_cleared() -> None:
    block = decoded(struct.pack("=IB3x8s", 0x123, 2, b"ABCDEFGH"))
    assert bytes(block.data[0]) == b"AB\0\0\0\0\0\0"


def test_raw_length_code_above_eight_is_kept() -> None:
    """struct can_frame, len8_dlc (linux/can.h)."""
    block = decoded(struct.pack("=IBBBB8s", 0x123, 8, 0, 0, 13, b"ABCDEFGH"))
    assert (block.size[0], block.dlc[0]) == (8, 13)


def test_frame_of_this_host_is_marked_sent() -> None:
    assert decoded(build_can_frame(MESSAGES["29 bits"]), local=True).flags[0] == FrameFlag.SENT


def test_classic_and_fd_frames_share_a_block() -> None:
    raws = [build_can_frame(message) for message in MESSAGES.values()]
    n = len(raws)
    block = decode(raws, np.arange(n), np.zeros(n, bool), 0, CHANNELS)
    assert (len(block), block.width) == (n, 64)


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    """A prepared receiving socket and one that sends to it."""
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiving,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sending,
    ):
        prepare(receiving)
        receiving.bind(("127.0.0.1", 0))
        sending.connect(receiving.getsockname())
        yield receiving, sending


def numbered(n: int) -> bytes:
    return build_can_frame(can.Message(arbitration_id=0x100, is_extended_id=False, data=n.to_bytes(8, "big")))


def test_frames_carry_the_kernels_stamps(pair: tuple[socket.socket, socket.socket]) -> None:
    clock = HostClock()
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, clock)
    stamped_late = True
    while stamped_late:  # the kernel begins to stamp a little after it was asked to
        pair[1].send(numbered(0))
        sent = clock.now()
        stamped_late = receiver.read(1.0).t[0] > sent
    before = clock.now()
    for n in range(50):
        pair[1].send(numbered(n))
    after = clock.now()
    block = receiver.read(1.0)
    assert block.data[:, 7].tolist() == list(range(50))
    assert (np.diff(block.t) > 0).all()
    # 20 µs for two clocks read one after the other
    assert before - 20_000 <= block.t[0]
    assert block.t[-1] <= after + 20_000
    assert receiver.through >= block.t[-1]
    assert receiver.dropped == 0


def test_every_frame_is_read_or_counted_as_dropped(pair: tuple[socket.socket, socket.socket]) -> None:
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, HostClock())
    pair[0].setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 40_000)
    read = 0
    for _ in range(2):
        for n in range(2000):
            pair[1].send(numbered(n))
        read += len(receiver.read(0.1))
    pair[1].send(numbered(0))  # the counter rides on the next frame
    read += len(receiver.read(1.0))
    assert receiver.dropped is not None
    assert receiver.dropped > 1000
    assert read + receiver.dropped == 4001


def test_datagram_that_is_no_frame_is_counted(pair: tuple[socket.socket, socket.socket]) -> None:
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, HostClock())
    pair[1].send(b"x" * 30)
    pair[1].send(numbered(1))
    assert len(receiver.read(1.0)) == 1
    assert receiver.rejected.total() == 1


def test_error_frames_move_the_condition(pair: tuple[socket.socket, socket.socket]) -> None:
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, HostClock())
    pair[1].send(build_can_frame(can.Message(arbitration_id=0x40, is_error_frame=True, dlc=8, data=bytes(8))))
    receiver.read(1.0)
    assert receiver.condition is BusCondition.BUS_OFF


def test_a_controller_whose_buffer_ran_over_is_counted(pair: tuple[socket.socket, socket.socket]) -> None:
    """linux/can/error.h: CAN_ERR_CRTL (4) with CAN_ERR_CRTL_RX_OVERFLOW (1) in data byte 1; sending (2) is
    another buffer."""
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, HostClock())
    for detail in (1, 2, 1):
        overflow = can.Message(
            arbitration_id=0x4, is_error_frame=True, dlc=8, data=bytes([0, detail, *bytes(6)])
        )
        pair[1].send(build_can_frame(overflow))
    read = 0
    while read < 3:
        read += len(receiver.read(1.0))
    assert receiver.overflows == 2
    assert receiver.condition is BusCondition.UNKNOWN


def test_closed_socket_is_a_lost_device(pair: tuple[socket.socket, socket.socket]) -> None:
    receiver = SocketcanReceiver(pair[0], 0, CHANNELS, HostClock())
    receiver.close()
    with pytest.raises(DeviceLostError):
        receiver.read(0.0)


def test_buffer_is_as_large_as_the_system_grants(pair: tuple[socket.socket, socket.socket]) -> None:
    granted = pair[0].getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
    largest = int(Path("/proc/sys/net/core/rmem_max").read_text())
    assert granted >= 2 * min(largest, BUFFER_BYTES)  # socket(7): the kernel doubles what is asked for


def test_buffer_in_frames_and_time() -> None:
    """212,992 bytes held 278 frames when measured, 61.7 ms of 500 kbit/s at 111 bits a frame."""
    assert buffer_remark(212_992, 500_000) == "the kernel's buffer holds 278 frames, 61 ms of a full bus"


CONDITIONS = [
    (0x40, 0, BusCondition.BUS_OFF),
    (0x04, 0x04, BusCondition.WARNING),
    (0x04, 0x08, BusCondition.WARNING),
    (0x04, 0x10, BusCondition.PASSIVE),
    (0x04, 0x20, BusCondition.PASSIVE),
    (0x04, 0x40, BusCondition.ACTIVE),
    (0x100, 0, BusCondition.ACTIVE),
    (0x80, 0, BusCondition.UNKNOWN),
]


@pytest.mark.parametrize(("classes", "detail", "after"), CONDITIONS)
def test_condition_after_an_error_frame(classes: int, detail: int, after: BusCondition) -> None:
    """linux/can/error.h: CAN_ERR_BUSOFF, _CRTL with its details, _RESTARTED, _BUSERROR."""
    data = np.array([0, detail, 0, 0, 0, 0, 0, 0], np.uint8)
    assert condition_after(BusCondition.UNKNOWN, classes, data) is after


def recorded(channel: str) -> bytes:
    """A kernel's reply about an interface: `can0` set to 500 kbit/s, listen-only on, up; `vcan0` up."""
    lines = (Path(__file__).parent / "link_replies.txt").read_text().splitlines()
    return bytes.fromhex(dict(line.split() for line in lines)[channel])


def test_link_of_a_can_controller() -> None:
    link = parse_link(recorded("can0"))
    assert link == Link(up=True, kind="can", bitrate=500_000, listen_only=True, state=0)


def test_virtual_link_says_neither_bit_rate_nor_mode() -> None:
    assert parse_link(recorded("vcan0")) == Link(up=True, kind="vcan")


@pytest.mark.parametrize("length", [0, 16, 32, 33, 100, 600, 700])
def test_reply_that_is_cut_off_gives_what_is_there(length: int) -> None:
    whole = recorded("can0")
    link = parse_link(whole[:length])
    assert link.kind in {None, "can"}
    assert link.bitrate in {None, 500_000}


def test_link_of_this_machine() -> None:
    up = bool(int(Path("/sys/class/net/lo/flags").read_text(), 16) & 1)  # IFF_UP
    assert read_link("lo") == Link(up=up)


def test_no_such_link() -> None:
    with pytest.raises(OSError, match="no interface"):
        read_link("nothing0")


def test_links_remarks() -> None:
    acknowledging = Link(up=True, kind="can", bitrate=250_000, listen_only=False, state=0)
    wrong_rate, not_listening = link_remarks("can0", acknowledging, 500_000, listen_only=True)
    assert "runs at 250000 bit/s" in wrong_rate
    assert "ip link set can0 type can bitrate 500000 listen-only on" in not_listening
    assert link_remarks("can0", acknowledging, 250_000, listen_only=False) == []
    (silent,) = link_remarks("can0", Link(up=True, listen_only=True), None, listen_only=False)
    assert "acknowledges nothing" in silent
    (down,) = link_remarks("can0", Link(kind="vcan"), None, listen_only=True)
    assert "is down" in down


def test_condition_of_a_link() -> None:
    assert condition_of(Link(state=2)) is BusCondition.PASSIVE
    assert condition_of(Link(state=4)) is BusCondition.UNKNOWN
    assert condition_of(Link()) is BusCondition.UNKNOWN


def test_reply_that_describes_no_link() -> None:
    error = struct.pack("=IHHII", 36, 2, 0, 1, 0) + struct.pack("=i", -19) + bytes(16)
    assert parse_link(error) == Link()
