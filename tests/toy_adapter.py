"""A kind of adapter as anyone might add it: one row, and this module."""

from __future__ import annotations

import errno
import time

from mixmon.frames.adapters.interfaces import AdapterKind, BusOptions, OpenFault
from mixmon.frames.adapters.receiver import Receiver
from mixmon.frames.adapters.stamps import HostClock, StampKind
from mixmon.frames.block import FrameBlock, FrameRow, Interfaces, block_of

TOY = AdapterKind(
    "toy",
    module=__name__,
    options=frozenset({"frames"}),
    needs_channel=True,
    confirmed_by="the toy",
    faults=(OpenFault(frozenset({errno.ENODEV}), "", "no toy there; expected one; buy {install}"),),
    install="a toy",
)


class ToyReceiver(Receiver):
    """Gives a frame a read, until there are no more."""

    def __init__(self, channel: str, clock: HostClock, frames: int) -> None:
        super().__init__(StampKind.HOST)
        self.listen_only = True
        self._interfaces = Interfaces()
        self._interfaces.number(channel)
        self._channel = channel
        self._clock = clock
        self._left = frames

    def read(self, timeout_s: float) -> FrameBlock:
        """One frame, or none after the time-out."""
        self.through = self._clock.now()
        if not self._left:
            time.sleep(timeout_s)
            return block_of([], self._interfaces)
        self._left -= 1
        row = FrameRow(self.through, 0x123, self._channel, 1, 0, bytes([self._left]))
        return block_of([row], self._interfaces)

    def close(self) -> None:
        """Nothing is held."""


def open_device(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> ToyReceiver:
    """The toy, which is on every channel but one."""
    if options.channel == "unplugged":
        raise OSError(errno.ENODEV, "not there")
    return ToyReceiver(channels[index], clock, options.options.get("frames", 3))
