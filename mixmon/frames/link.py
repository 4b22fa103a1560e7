"""What Linux says about a CAN interface: bit rate, listening only, condition (rtnetlink).

Only asked, never set: setting needs rights that a listener should not have.
Message layout from linux/rtnetlink.h, linux/if_link.h and linux/can/netlink.h.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Iterator
from dataclasses import dataclass

_NETLINK_ROUTE = 0
_RTM_NEWLINK = 16
_RTM_GETLINK = 18
_REQUEST = 1
_IFF_UP = 1
_IFLA_LINKINFO = 18
_INFO_KIND, _INFO_DATA = 1, 2
_CAN_BITTIMING, _CAN_STATE, _CAN_CTRLMODE = 1, 4, 5
_LISTEN_ONLY = 0x02
_TYPE_MASK = 0x3FFF
_HEADER = struct.Struct("=IHHII")  # nlmsghdr
_LINK = struct.Struct("=BBHiII")  # ifinfomsg
_ATTRIBUTE = struct.Struct("=HH")  # rtattr


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
    request = _LINK.pack(socket.AF_UNSPEC, 0, 0, index, 0, 0)
    header = _HEADER.pack(_HEADER.size + len(request), _RTM_GETLINK, _REQUEST, 1, 0)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, _NETLINK_ROUTE) as sock:
        sock.settimeout(1.0)
        sock.send(header + request)
        return parse_link(sock.recv(1 << 16))


def parse_link(reply: bytes) -> Link:
    """The interface in a kernel's reply; an empty Link if it is no description of one."""
    if len(reply) < _HEADER.size + _LINK.size:
        return Link()
    length, kind, *_ = _HEADER.unpack_from(reply)
    if kind != _RTM_NEWLINK:
        return Link()
    body = reply[_HEADER.size : length]
    flags = _LINK.unpack_from(body)[4]
    info = dict(_attributes(dict(_attributes(body[_LINK.size :])).get(_IFLA_LINKINFO, b"")))
    name = info.get(_INFO_KIND, b"").rstrip(b"\0").decode("ascii", "replace") or None
    details = dict(_attributes(info.get(_INFO_DATA, b""))) if name == "can" else {}
    return Link(
        bool(flags & _IFF_UP),
        name,
        _word(details.get(_CAN_BITTIMING), 0),
        None
        if _CAN_CTRLMODE not in details
        else bool((_word(details[_CAN_CTRLMODE], 4) or 0) & _LISTEN_ONLY),
        _word(details.get(_CAN_STATE), 0),
    )


def _word(payload: bytes | None, offset: int) -> int | None:
    """The 32-bit number at an offset, None where the attribute is missing or short."""
    if payload is None or len(payload) < offset + 4:
        return None
    number: int = struct.unpack_from("=I", payload, offset)[0]
    return number


def _attributes(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Number and payload of each attribute; what is cut off is left out."""
    at = 0
    while at + _ATTRIBUTE.size <= len(data):
        length, number = _ATTRIBUTE.unpack_from(data, at)
        if length < _ATTRIBUTE.size or at + length > len(data):
            return
        yield number & _TYPE_MASK, data[at + _ATTRIBUTE.size : at + length]
        at += (length + 3) & ~3
