"""Every door by which bytes can leave this process towards a bus, a device or a network, watched in a test.

`record_sends` notes each call with the module that made it and lets it through. `WitnessBus` stands at the
far end of python-can's interfaces: it is opened in their place, gives frames, and keeps what it is given.
"""

from __future__ import annotations

import functools
import socket
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from types import FrameType
from typing import Any, ClassVar

import can
import pytest
import serial
from can.interfaces.virtual import VirtualBus

DOORS: tuple[tuple[type, str], ...] = (
    *((socket.socket, name) for name in ("send", "sendall", "sendfile", "sendmsg", "sendto", "connect")),
    (serial.Serial, "write"),
    (serial.Serial, "send_break"),
    (VirtualBus, "send"),
    (can.BusABC, "send_periodic"),
)

OTHER_SIDE = ("live_rig", "slcan_emulator", "sends")
"""Modules that stand for the bus and the device; what they send is what the program receives."""

_TO_ITSELF = socket.AF_UNIX
"""Pairs of sockets by which the threads of one process wake each other."""


@dataclass(frozen=True, slots=True)
class Send:
    """One call through a door: the module of the package that made it, the door, and what was given to it."""

    module: str
    door: str
    given: tuple[Any, ...]


def record_sends(monkeypatch: pytest.MonkeyPatch) -> list[Send]:
    """The sends from now on to the end of the test, without those of the other side, as they come."""
    sends: list[Send] = []
    for owner, name in DOORS:
        monkeypatch.setattr(owner, name, _watched(owner, name, sends))
    return sends


def _watched(owner: type, name: str, sends: list[Send]) -> Callable[..., Any]:
    through = getattr(owner, name)

    @functools.wraps(through)
    def call(door: Any, *given: Any, **more: Any) -> Any:
        module = _module_behind(sys._getframe(1))
        inside = isinstance(door, socket.socket) and door.family == _TO_ITSELF
        if module not in OTHER_SIDE and not inside:
            sends.append(Send(module, f"{owner.__name__}.{name}", given))
        return through(door, *given, **more)

    return call


def _module_behind(frame: FrameType | None) -> str:
    """The nearest module of the package or of the other side that called; else the outermost of all."""
    name = ""
    while frame is not None:
        name = str(frame.f_globals.get("__name__", ""))
        if name.split(".")[0] == "mixmon" or name in OTHER_SIDE:
            return name
        frame = frame.f_back
    return name


class WitnessBus(can.BusABC):
    """A bus of python-can's that gives frames, fails once, gives more, and keeps what it is told to send."""

    sent: ClassVar[list[can.Message]] = []
    opened: ClassVar[list[dict[str, Any]]] = []

    def __init__(self, channel: Any = None, **arguments: Any) -> None:
        super().__init__(channel, **arguments)
        self.opened.append({"channel": channel, **arguments})
        self._left = 3
        self._quiet = threading.Event()
        self._fails = len(self.opened) == 1

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._left:
            self._left -= 1
            return can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\1", timestamp=1.0), False
        if self._fails:
            raise can.CanOperationError("unplugged")
        self._quiet.wait(timeout)  # as a silent bus does; else the reader's thread is busy
        return None, False

    def send(self, msg: can.Message, timeout: float | None = None) -> None:  # noqa: ARG002
        self.sent.append(msg)
