"""What every open device offers (read, count, close), and the records of what happens to a live bus.

A receiver is one open device. It knows no thread and no policy: `read` waits a little and gives what
came; anything that means "this device is no longer there" is a `DeviceLostError`. `interfaces` opens
it, `listener` reads it in a thread and reports events and a status, which are defined here as well.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from mixmon.arrays import Bytes, Ints
from mixmon.frames.adapters.stamps import DeviceStamps, StampKind
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, Interfaces

GATHER_S = 0.010
"""After the first bytes or frames, this long for more to come: one wake-up for many frames. Our choice:
short beside the 50 ms batches in which frames are worked."""

MOST_FRAMES_A_READ = 4096
"""A read gives about so many at most; the rest waits for the next. Our choice: half a second of a bus."""

# Class bits and details of error frames (Linux, include/uapi/linux/can/error.h).
_CONTROLLER = 0x04
_BUS_OFF = 0x40
_RESTARTED = 0x100
_RAN_OVER = 0x01  # in data byte 1: the controller's buffer of received frames
_PASSIVE = 0x30  # in data byte 1, receiving or sending
_WARNING = 0x0C
_ACTIVE = 0x40


class DeviceLostError(OSError):
    """The device is gone, closed or broken; close the receiver and open a new one."""


class BusCondition(StrEnum):
    """Fault confinement of the adapter's own controller (ISO 11898-1), as far as it reports it."""

    UNKNOWN = "not reported"
    ACTIVE = "error active"
    WARNING = "error warning"
    PASSIVE = "error passive"
    BUS_OFF = "bus off"


class Receiver(ABC):
    """One open device.

    listen_only  True: asked for and confirmed; None: asked for, not confirmed; False: it acknowledges
    stamped_by   the one kind of stamp this source has
    through      data time: every frame stamped before it has been given (or lost)
    reports_loss   an unplugged device is distinguished from a silent bus
    dropped      frames lost before they reached this program; None: not counted
    overflows    times that the adapter's buffer ran over; nobody knows how many frames each of them cost
    bus_offs     times that the controller went off the bus; what passes until it is restarted is lost
    rejected     pieces of input that were no frames, by reason
    condition    of the controller
    remarks      what the user should know, in words; emptied by whoever shows it
    """

    def __init__(self, stamped_by: StampKind) -> None:
        self.stamped_by = stamped_by
        self.listen_only: bool | None = None
        self.through = 0
        self.reports_loss = False
        self.dropped: int | None = None
        self.overflows = self.bus_offs = 0
        self.rejected: Counter[str] = Counter()
        self.condition = BusCondition.UNKNOWN
        self.remarks: list[str] = []

    @abstractmethod
    def read(self, timeout_s: float) -> FrameBlock:
        """The frames that came; waits up to `timeout_s` for the first.

        Raises:
            DeviceLostError: the device is gone.
        """

    @abstractmethod
    def close(self) -> None:
        """Let go of the device; never raises."""

    def follow_condition(self, block: FrameBlock) -> None:
        """Update the controller's condition, and what it lost, by the error frames of a block."""
        for row in np.flatnonzero(block.flags & FrameFlag.ERROR):
            classes, data = int(block.can_id[row]), block.data[row]
            self.overflows += bool(classes & _CONTROLLER and data[1] & _RAN_OVER)
            self.change_condition(condition_after(self.condition, classes, data))

    def change_condition(self, condition: BusCondition) -> None:
        """The controller is in this condition from now on."""
        self.bus_offs += condition is not self.condition and condition is BusCondition.BUS_OFF
        self.condition = condition

    def lay_along_host(self, block: FrameBlock, stamps: DeviceStamps, arrived: int) -> FrameBlock:
        """The frames, which the device stamped, with data time instead; a jump of its clock is remarked."""
        jumps = stamps.jumps
        block = with_stamps(block, stamps.to_host(block.t, arrived))
        if stamps.jumps > jumps:
            self.remarks.append(
                "the adapter's clock jumped; its frames are aligned with the host clock again"
            )
        return block


def condition_after(before: BusCondition, classes: int, data: Bytes) -> BusCondition:
    """The controller's condition after an error frame with these class bits and data bytes."""
    if classes & _BUS_OFF:
        return BusCondition.BUS_OFF
    if classes & _RESTARTED:
        return BusCondition.ACTIVE
    if classes & _CONTROLLER:
        detail = int(data[1])
        if detail & _PASSIVE:
            return BusCondition.PASSIVE
        if detail & _WARNING:
            return BusCondition.WARNING
        if detail & _ACTIVE:
            return BusCondition.ACTIVE
    return before


def numbered_channels(channels: tuple[str, ...]) -> Interfaces:
    """Interfaces with the numbers that FrameBlocks with these channels use."""
    interfaces = Interfaces()
    for name in channels:
        interfaces.number(name)
    return interfaces


def with_stamps(block: FrameBlock, t: Ints) -> FrameBlock:
    """The same frames with other stamps."""
    return FrameBlock(
        t, block.can_id, block.bus, block.size, block.dlc, block.flags, block.data, block.channels
    )


def identifier(number: int, extended: bool) -> int:
    """An identifier as FrameBlock holds it."""
    return number | EXTENDED if extended else number


# What happens to a live bus: events for the log and the screen, a status to draw.


class SourceEventKind(StrEnum):
    """What happened."""

    OPENED = "opened"
    REMARK = "remark"
    SILENT = "silent"
    LOST = "lost"
    REFUSED = "refused"
    GAP = "gap"
    OVERFLOW = "overflow"
    DROPPED = "dropped"
    REJECTED = "rejected"
    ERROR_FRAMES = "error frames"
    CONDITION = "condition"
    STALLED = "stalled"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class SourceEvent:
    """One event: data time in ns, the bus's name, what happened, in words, and frames lost.

    None: frames were lost, or may have been, and nobody counted them.
    """

    t: int
    bus: str
    kind: SourceEventKind
    text: str
    lost: int | None = 0


class SourceState(StrEnum):
    """What a live bus does now."""

    WAITING = "open, no frames yet"
    LIVE = "live"
    SILENT = "silent"
    LOST = "device lost"
    FAILED = "reader failed"
    CLOSED = "closed"


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """A live bus at one moment.

    error_frames  error frames, which are among `frames` too
    dropped       frames lost before they reached this program; None: not counted
    overflowed    frames lost because they were not taken from the queue in time
    interrupted   frames were lost that nobody counts: the device was gone, opened again or off the bus, or
                  the adapter's buffer ran over
    rejected      pieces of input that were no frames, by reason
    listen_only   True: confirmed; None: asked for, not confirmed; False: it acknowledges
    """

    bus: str
    state: SourceState
    frames: int = 0
    error_frames: int = 0
    condition: BusCondition = BusCondition.UNKNOWN
    dropped: int | None = None
    overflowed: int = 0
    rejected: Mapping[str, int] | None = None
    listen_only: bool | None = None
    stamped_by: StampKind = StampKind.HOST
    interrupted: bool = False
