"""Linux SocketCAN through a raw socket of its own: the kernel's stamps, a large buffer, a count of losses.

python-can's socket leaves no room for the kernel's loss counter and keeps the default buffer,
which holds 278 classic frames (measured, Linux 6.1), 63 ms of a full 500 kbit/s bus.
Nothing is ever sent on the bus; only the kernel is asked about the interface.

The file goes from the interface (rtnetlink), through the receiver on its socket, to the columns of
a block and the remarks for the user.
"""

from __future__ import annotations

import select
import socket
import struct
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Bytes, Ints
from mixmon.errors import reason_of
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import (
    GATHER_S,
    MOST_FRAMES_A_READ,
    BusCondition,
    DeviceLostError,
    Receiver,
)
from mixmon.frames.adapters.stamps import HostClock, StampKind, SystemStamps
from mixmon.frames.block import CLASSIC_WIDTH, EXTENDED, FD_WIDTH, FrameBlock, FrameFlag
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_STANDARD

# The interface as the kernel describes it. It is only asked, never set: setting needs rights that a
# listener should not have. Layout: linux/rtnetlink.h, linux/if_link.h, linux/can/netlink.h.

_NETLINK_ROUTE = 0
_RTM_NEWLINK = 16
_RTM_GETLINK = 18
_REQUEST = 1
_IFF_UP = 1
_IFLA_LINKINFO = 18
_INFO_KIND, _INFO_DATA = 1, 2
_CAN_BITTIMING, _CAN_STATE, _CAN_CTRLMODE = 1, 4, 5
_CTRLMODE_LISTEN_ONLY = 0x02
_TYPE_MASK = 0x3FFF
_MESSAGE_HEADER = struct.Struct("=IHHII")  # nlmsghdr
_LINK_HEADER = struct.Struct("=BBHiII")  # ifinfomsg
_ATTRIBUTE_HEADER = struct.Struct("=HH")  # rtattr


@dataclass(frozen=True, slots=True)
class Link:
    """An interface. None means that the kernel does not say.

    kind         "can", "vcan", ...
    bitrate      bit/s
    listen_only  it acknowledges nothing
    state        0 error active, 1 warning, 2 passive, 3 bus off, 4 stopped, 5 sleeping
    """

    up: bool = False
    kind: str | None = None
    bitrate: int | None = None
    listen_only: bool | None = None
    state: int | None = None


def read_link(channel: str) -> Link:
    """The interface as the kernel describes it.

    Raises:
        OSError: there is no such interface.
    """
    index = socket.if_nametoindex(channel)
    request = _LINK_HEADER.pack(socket.AF_UNSPEC, 0, 0, index, 0, 0)
    header = _MESSAGE_HEADER.pack(_MESSAGE_HEADER.size + len(request), _RTM_GETLINK, _REQUEST, 1, 0)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _NETLINK_ROUTE) as sock:
        sock.settimeout(1.0)
        sock.send(header + request)
        return parse_link(sock.recv(1 << 16))


def parse_link(reply: bytes) -> Link:
    """The interface in a kernel's reply; an empty Link if it is no description of one."""
    if len(reply) < _MESSAGE_HEADER.size + _LINK_HEADER.size:
        return Link()
    length, kind, *_ = _MESSAGE_HEADER.unpack_from(reply)
    if kind != _RTM_NEWLINK:
        return Link()
    body = reply[_MESSAGE_HEADER.size : length]
    flags = _LINK_HEADER.unpack_from(body)[4]
    info = dict(_read_attributes(dict(_read_attributes(body[_LINK_HEADER.size :])).get(_IFLA_LINKINFO, b"")))
    name = info.get(_INFO_KIND, b"").rstrip(b"\0").decode("ascii", "replace") or None
    details = dict(_read_attributes(info.get(_INFO_DATA, b""))) if name == "can" else {}
    return Link(
        bool(flags & _IFF_UP),
        name,
        _read_word(details.get(_CAN_BITTIMING), 0),
        None
        if _CAN_CTRLMODE not in details
        else bool((_read_word(details[_CAN_CTRLMODE], 4) or 0) & _CTRLMODE_LISTEN_ONLY),
        _read_word(details.get(_CAN_STATE), 0),
    )


def _read_word(payload: bytes | None, offset: int) -> int | None:
    """The 32-bit number at an offset; None where the attribute is missing or too short."""
    if payload is None or len(payload) < offset + 4:
        return None
    number: int = struct.unpack_from("=I", payload, offset)[0]
    return number


def _read_attributes(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Number and payload of each whole attribute."""
    at = 0
    while at + _ATTRIBUTE_HEADER.size <= len(data):
        length, number = _ATTRIBUTE_HEADER.unpack_from(data, at)
        if length < _ATTRIBUTE_HEADER.size or at + length > len(data):
            return
        yield number & _TYPE_MASK, data[at + _ATTRIBUTE_HEADER.size : at + length]
        at += (length + 3) & ~3


# The socket and its frames: linux/can.h, linux/can/raw.h, asm-generic/socket.h.

_CAN_RAW_ERR_FILTER = 2
_CAN_RAW_FD_FRAMES = 5
_SOL_CAN_RAW = 101
_EVERY_ERROR = 0x1FFF_FFFF
_SO_RCVBUFFORCE = 33
_SO_TIMESTAMPNS = 35
_SO_RXQ_OVFL = 40
_EXTENDED_FLAG = 0x8000_0000
_REMOTE_FLAG = 0x4000_0000
_ERROR_FLAG = 0x2000_0000

CLASSIC_BYTES = 16  # size of struct can_frame (linux/can.h)
FD_BYTES = 72  # size of struct canfd_frame (linux/can.h)
_KERNEL_FRAME = np.dtype(
    [
        ("can_id", "=u4"),
        ("size", "u1"),
        ("fd_flags", "u1"),
        ("reserved", "u1"),
        ("raw_dlc", "u1"),
        ("data", "u1", FD_WIDTH),
    ]
)
"""struct canfd_frame; struct can_frame is its beginning (linux/can.h)."""

BUFFER_BYTES = 16 << 20
"""Asked for; our choice: two seconds and more of a full bus of 1 Mbit/s, if the system grants it."""

BYTES_A_FRAME = 766
"""What a frame takes in the kernel's buffer (measured, Linux 6.1, x86-64)."""

SHORTEST_FRAME_BITS = 111
"""An 8-byte 11-bit frame without a stuff bit (ISO 11898-1)."""

_CODES_BY_SIZE = np.zeros(FD_WIDTH + 1, np.uint8)
_CODES_BY_SIZE[list(FD_SIZES)] = range(len(FD_SIZES))


def open_device(
    options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock
) -> SocketcanReceiver:
    """A receiver on the network interface `options.channel`, with remarks on what only the system can set.

    Raises:
        OSError: no such interface, or no SocketCAN in this kernel.
    """
    channel = options.channel or ""
    sock = open_can(channel)
    link = read_link(channel)
    receiver = SocketcanReceiver(sock, index, channels, clock)
    granted = sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
    receiver.remarks.append(buffer_remark(granted, link.bitrate))
    receiver.remarks += link_remarks(channel, link, options.bitrate, listen_only=not options.acknowledge)
    receiver.listen_only = link.listen_only
    receiver.change_condition(condition_of(link))
    return receiver


class SocketcanReceiver(Receiver):
    """Frames of an open, bound datagram socket that `open_can` has prepared."""

    def __init__(self, sock: socket.socket, bus: int, channels: tuple[str, ...], clock: HostClock) -> None:
        super().__init__(StampKind.SYSTEM)
        self.reports_loss = True
        self.dropped = 0
        self._socket = sock
        self._bus, self._channels = bus, channels
        self._clock, self._stamps = clock, SystemStamps(clock)
        self._failure: OSError | None = None
        self._counter = 0  # of the kernel: modulo 2**32
        self._poll = select.poll()
        self._poll.register(sock, select.POLLIN)
        self.through = clock.now()

    def read(self, timeout_s: float) -> FrameBlock:
        """The frames that came; see `Receiver.read`."""
        if self._failure is not None:
            raise _say_lost(self._failure)
        try:
            if self._poll.poll(timeout_s * 1000):
                time.sleep(GATHER_S)
            through = self._clock.now()
            frames, stamps, local = self._drain_socket()
        except OSError as error:
            raise _say_lost(error) from error
        if self._failure is not None and not frames:
            raise _say_lost(self._failure)
        full = len(frames) == MOST_FRAMES_A_READ
        t = self._stamps.to_host(np.array(stamps, np.int64), emptied=not full)
        self._tell_steps()
        self.through = min(through, int(t[-1])) if full else through
        block = decode(frames, t, np.array(local, bool), self._bus, self._channels)
        self.rejected["not a classic or FD frame"] += len(frames) - len(block)
        self.follow_condition(block)
        return block

    def close(self) -> None:
        """Let go of the device."""
        with suppress(OSError):
            self._socket.close()

    def _tell_steps(self) -> None:
        """Remark that the system clock was stepped."""
        for step in self._stamps.steps_ns:
            self.remarks.append(
                f"the system clock was set {'ahead' if step > 0 else 'back'} by {abs(step) / 1e9:.2f} s; "
                "frames go on in the time that was begun with"
            )
        self._stamps.steps_ns.clear()

    def _drain_socket(self) -> tuple[list[bytes], list[int], list[bool]]:
        """Datagrams, their stamps (system clock, ns) and whether this host sent them."""
        frames: list[bytes] = []
        stamps: list[int] = []
        local: list[bool] = []
        receive = self._socket.recvmsg
        while len(frames) < MOST_FRAMES_A_READ:
            try:
                frame, control, flags, _ = receive(FD_BYTES + 1, 256, socket.MSG_DONTWAIT)
            except BlockingIOError:
                break
            except OSError as error:
                self._failure = error  # what was received before goes out first
                break
            frames.append(frame)
            local.append(bool(flags & socket.MSG_DONTROUTE))
            stamps.append(self._read_control(control))
        return frames, stamps, local

    def _read_control(self, control: list[tuple[int, int, bytes]]) -> int:
        """The stamp in the control messages of a datagram, ns; also counts the losses that they report."""
        stamp = None
        for level, kind, payload in control:
            if level == socket.SOL_SOCKET and kind == _SO_TIMESTAMPNS:
                seconds, nanoseconds = struct.unpack("@ll", payload)
                stamp = seconds * 1_000_000_000 + nanoseconds
            elif level == socket.SOL_SOCKET and kind == _SO_RXQ_OVFL:
                (counter,) = struct.unpack("@I", payload)
                assert self.dropped is not None
                self.dropped += (counter - self._counter) % (1 << 32)
                self._counter = counter
        return time.time_ns() if stamp is None else stamp


def _say_lost(error: OSError) -> DeviceLostError:
    """The loss of the device, in the system's words."""
    return DeviceLostError(reason_of(error))


def open_can(channel: str) -> socket.socket:
    """A raw socket that receives all frames of `channel`, error frames included.

    Raises:
        OSError: no such interface, or no SocketCAN in this kernel.
    """
    sock = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    try:
        sock.setsockopt(_SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, _EVERY_ERROR)
        sock.setsockopt(_SOL_CAN_RAW, _CAN_RAW_FD_FRAMES, 1)
        prepare(sock)
        sock.bind((channel,))
    except BaseException:
        sock.close()
        raise
    return sock


def prepare(sock: socket.socket) -> None:
    """Ask for stamps, loss counts and a large buffer."""
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, BUFFER_BYTES)
    except PermissionError:  # needs CAP_NET_ADMIN; the plain way is capped by net.core.rmem_max
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)


def decode(frames: list[bytes], t: Ints, local: Bools, bus: int, channels: tuple[str, ...]) -> FrameBlock:
    """Frames as the kernel hands them out -> a block; what is neither classic nor FD is left out."""
    lengths = np.array([len(frame) for frame in frames], np.int64)
    fits = (lengths == CLASSIC_BYTES) | (lengths == FD_BYTES)
    if not fits.any():
        return FrameBlock.empty(channels)
    rows = np.frombuffer(
        b"".join([f.ljust(FD_BYTES, b"\0") for f in frames if len(f) in (CLASSIC_BYTES, FD_BYTES)]),
        _KERNEL_FRAME,
    )
    t, local, fd = t[fits], local[fits], lengths[fits] == FD_BYTES
    flags = _frame_flags(rows, fd, local)
    raw = rows["can_id"]
    error, extended = (raw & _ERROR_FLAG) != 0, (raw & _EXTENDED_FLAG) != 0
    number = np.where(error | extended, raw & LAST_EXTENDED, raw & LAST_STANDARD)
    length = np.minimum(rows["size"], np.where(fd, FD_WIDTH, CLASSIC_WIDTH)).astype(np.uint8)
    size = np.where(flags & FrameFlag.REMOTE, 0, length).astype(np.uint8)
    beyond = ~fd & (length == CLASSIC_WIDTH) & (rows["raw_dlc"] > CLASSIC_WIDTH)
    width = FD_WIDTH if fd.any() else CLASSIC_WIDTH
    data = np.where(np.arange(width) < size[:, None], rows["data"][:, :width], 0).astype(np.uint8)
    return FrameBlock(
        t,
        np.where(extended & ~error, number | EXTENDED, number).astype(np.uint32),
        np.full(len(rows), bus, np.uint8),
        size,
        np.where(beyond, rows["raw_dlc"], _CODES_BY_SIZE[length]).astype(np.uint8),
        flags,
        data,
        channels,
    )


def _frame_flags(rows: NDArray[np.void], fd: Bools, local: Bools) -> Bytes:
    """FrameFlag bits of every row."""
    error = (rows["can_id"] & _ERROR_FLAG) != 0
    remote = ((rows["can_id"] & _REMOTE_FLAG) != 0) & ~fd & ~error
    flags = np.where(error, FrameFlag.ERROR, 0) | np.where(remote, FrameFlag.REMOTE, 0)
    flags |= np.where(local, FrameFlag.SENT, 0) | np.where(fd, FrameFlag.FD, 0)
    flags |= np.where(fd & ((rows["fd_flags"] & 1) != 0), FrameFlag.BIT_RATE_SWITCH, 0)
    flags |= np.where(fd & ((rows["fd_flags"] & 2) != 0), FrameFlag.ERROR_STATE, 0)
    return flags.astype(np.uint8)


def condition_of(link: Link) -> BusCondition:
    """The controller's condition by the state of the link."""
    known = (BusCondition.ACTIVE, BusCondition.WARNING, BusCondition.PASSIVE, BusCondition.BUS_OFF)
    return known[link.state] if link.state is not None and link.state < len(known) else BusCondition.UNKNOWN


def link_remarks(channel: str, link: Link, bitrate: int | None, *, listen_only: bool) -> list[str]:
    """What the user should know about an interface that only the system can set."""
    remarks = []
    if link.bitrate and bitrate and link.bitrate != bitrate:
        remarks.append(f"{channel} runs at {link.bitrate} bit/s; {bitrate} was asked for; set it outside")
    if link.listen_only is False and listen_only:
        rate = bitrate or link.bitrate or 500_000
        remarks.append(
            f"{channel} acknowledges frames: listening only must be set outside, with the link down: "
            f"ip link set {channel} type can bitrate {rate} listen-only on"
        )
    if link.listen_only and not listen_only:
        remarks.append(f"{channel} is set to listen only: this host acknowledges nothing")
    if not link.up:
        remarks.append(f"{channel} is down: ip link set {channel} up")
    return remarks


def buffer_remark(granted: int, bitrate: int | None) -> str:
    """What a receive buffer of `granted` bytes means in frames, and in time at a bit rate."""
    frames = granted // BYTES_A_FRAME
    ms = 1000 * frames * SHORTEST_FRAME_BITS // (bitrate or 1_000_000)
    return f"the kernel's buffer holds {frames} frames, {ms} ms of a full bus"
