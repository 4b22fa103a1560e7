"""A live bus that python-can has opened, read message by message."""

from __future__ import annotations

import logging
import time
from contextlib import suppress
from typing import Any, Protocol

import numpy as np

from mixmon.arrays import Ints
from mixmon.errors import UsageError
from mixmon.frames.adapters.interfaces import BusOptions, kind_of, own_kinds
from mixmon.frames.adapters.receiver import (
    GATHER_S,
    MOST_FRAMES_A_READ,
    BusCondition,
    DeviceLostError,
    Receiver,
    numbered_channels,
    with_stamps,
)
from mixmon.frames.adapters.stamps import DeviceStamps, HostClock, StampKind
from mixmon.frames.block import FrameBlock, FrameFlag, FrameRow, block_of
from mixmon.frames.library import LibraryMessage, message_row

DRIVER_DELAY_NS = 20_000_000
"""Frames come this much after their stamps at most; our choice: as for serial adapters behind USB."""

NOT_RECEIVED = 0xFF & ~int(FrameFlag.RECEIVED)
"""Mask of flags: live frames are not marked as received, only frames of this host are marked."""


class OpenBus(Protocol):
    """The part of python-can's bus that is used."""

    @property
    def state(self) -> Any:
        """Bus state; real on few interfaces."""

    def recv(self, timeout: float | None = None) -> LibraryMessage | None:
        """The next message, or None."""

    def shutdown(self) -> None:
        """Close."""


def open_device(
    options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock
) -> PythonCanReceiver:
    """The bus that python-can opens by these options.

    Raises:
        UsageError: python-can has no such interface.
        Exception: whatever its driver raises.
    """
    import can

    if options.interface is not None and options.interface not in can.VALID_INTERFACES:
        raise UsageError(
            f"{options.name}: no interface {options.interface}; "
            f"expected one of {', '.join(sorted({*can.VALID_INTERFACES, *own_kinds()}))}; correct it"
        )
    logging.getLogger("can").addHandler(logging.NullHandler())  # the row's faults say it better
    kind = kind_of(options.interface)
    given = {"interface": options.interface, "channel": options.channel, "bitrate": options.bitrate}
    arguments = {key: value for key, value in given.items() if value is not None}
    asked = {} if options.acknowledge else kind.listen_only
    silent = {key: can.BusState[value] if key == "state" else value for key, value in asked.items()}
    opened = can.Bus(
        **{**arguments, **silent, **options.options}, ignore_config=options.interface is not None
    )
    receiver = PythonCanReceiver(
        opened, index, channels, clock, deep_queue=kind.deep_queue, wrap_ns=kind.stamp_wrap_ns
    )
    receiver.reports_loss = kind.never_unplugged
    receiver.listen_only = False if options.acknowledge else (True if asked else None)
    if not options.acknowledge and not asked:
        receiver.remarks.append(
            f"{options.interface} cannot be asked to listen only: it may acknowledge frames"
        )
    return receiver


class PythonCanReceiver(Receiver):
    """An open bus of python-can.

    deep_queue  the driver queues thousands of frames: let them gather, then take all at once.
                Others are read one at a time as they come, so that no small queue overflows.
    wrap_ns     where the device's time stamps start again from 0, None if they do not

    Messages whose stamps are all zero get the moment of the read.
    """

    def __init__(
        self,
        opened: OpenBus,
        bus: int,
        channels: tuple[str, ...],
        clock: HostClock,
        *,
        deep_queue: bool,
        wrap_ns: int | None = None,
    ) -> None:
        super().__init__(StampKind.DEVICE)
        self._opened = opened
        self._channel = channels[bus]
        self._interfaces = numbered_channels(channels)
        self._rows: list[FrameRow] = []
        self._clock = clock
        self._deep = deep_queue
        self._stamps: DeviceStamps | None = DeviceStamps(wrap_ns)
        self._heard = False
        self._failure: Exception | None = None
        self._was_off = False
        self.through = clock.now()

    def read(self, timeout_s: float) -> FrameBlock:
        """The frames that came; see `Receiver.read`."""
        through, emptied = self._clock.now(), True
        try:
            if self._failure is None:
                through, emptied = self._receive_messages(timeout_s)
                self._read_bus_state()
        except Exception as error:  # noqa: BLE001 - whatever a driver raises means the same here
            self._failure = error
        if self._failure is not None and not self._rows:  # what was received before goes out first
            why = str(self._failure) or type(self._failure).__name__
            raise DeviceLostError(why) from self._failure
        arrived = self._clock.now()
        rows, self._rows = self._rows, []
        block = block_of(rows, self._interfaces)
        self.follow_condition(block)
        if len(block) and not self._heard:
            self._heard = True
            self._choose_stamps(block.t)
        if self._stamps is None:
            self.through = through
            return with_stamps(block, np.full(len(block), arrived, np.int64))
        block = self.lay_along_host(block, self._stamps, arrived)
        if emptied:
            self.through = through - DRIVER_DELAY_NS
        elif len(block):  # what still waits may have been stamped right after the last of these
            self.through = min(through - DRIVER_DELAY_NS, int(block.t[-1]))
        return block

    def close(self) -> None:
        """Let go of the device."""
        with suppress(Exception):
            self._opened.shutdown()

    def _receive_messages(self, timeout_s: float) -> tuple[int, bool]:
        """Fill the rows; the time before the last look for more, and whether nothing more was there."""
        asked, began = self._clock.now(), time.monotonic()
        message = self._opened.recv(timeout_s)
        if message is None:
            # some unplugged devices give None at once, again and again
            time.sleep(max(0.0, began + timeout_s - time.monotonic()))
            return asked, True  # a frame may have come since, and this thread may have been held up
        self._add_message(message)
        if self._deep:
            time.sleep(GATHER_S)
        through = self._clock.now()
        until = time.monotonic() + (0.0 if self._deep else GATHER_S)
        for _ in range(MOST_FRAMES_A_READ):
            message = self._opened.recv(max(0.0, until - time.monotonic()))
            if message is None:
                return through, True
            self._add_message(message)
            if not self._deep and time.monotonic() > until:
                break
        return through, False

    def _read_bus_state(self) -> None:
        """Read bus-off from the driver; few drivers report it, the others always say active."""
        with suppress(NotImplementedError):
            off = getattr(self._opened.state, "name", "") == "ERROR"
            if off != self._was_off:
                self._was_off = off
                self.change_condition(BusCondition.BUS_OFF if off else BusCondition.UNKNOWN)

    def _add_message(self, message: LibraryMessage) -> None:
        """Add a row, or count why the message is none."""
        row = message_row(message, self._channel)
        if isinstance(row, FrameRow):
            self._rows.append(row._replace(flags=row.flags & NOT_RECEIVED))
        else:
            self.rejected[row.value] += 1

    def _choose_stamps(self, first: Ints) -> None:
        """Stay with the device's stamps, unless those of the first frames are all zero."""
        if not first.any():
            self._stamps, self.stamped_by = None, StampKind.HOST
