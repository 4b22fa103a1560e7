"""A device that gives the frames of one live bus, opened by python-can's names.

Nothing is ever sent on a bus. Listening only is asked of the adapter wherever it can be, unless
the options say that this bus is to be acknowledged.

Serial adapters ("slcan") and Linux' "socketcan" are read by code of the project instead of
python-can's, which reads the one a byte at a time and hides the losses of the other.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from mixmon.errors import MixmonError, SourceError, UsageError
from mixmon.frames.pythoncan import PythonCanReceiver
from mixmon.frames.receiver import Receiver
from mixmon.frames.stamps import HostClock
from mixmon.frames.unopened import why_unopened
from mixmon.session.model import Bus

DEEP_QUEUES = frozenset({"kvaser", "pcan", "socketcand", "udp_multicast", "vector", "virtual"})
"""Interfaces whose drivers or sockets queue thousands of frames (python-can's sources)."""

STAMP_WRAPS_NS = {"gs_usb": 1000 << 32, "serial": 1_000_000 << 32}
"""Interfaces with 32-bit device stamps, in microseconds and milliseconds (python-can's sources)."""

SLCAN_OPTIONS = frozenset({"rtscts", "sleep_after_open", "stamps", "tty_baudrate"})
"""python-can's words for serial adapters, and `stamps`: False leaves the adapter's stamps off."""

LISTEN_ONLY: Mapping[str, Mapping[str, Any]] = {
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "nixnet": {"listen_only": True},
    "pcan": {"state": "PASSIVE"},
    "seeedstudio": {"operation_mode": "silent"},
    "systec": {"state": "PASSIVE"},
    "vector": {"listen_only": True},
}
"""How python-can's interfaces are asked to acknowledge nothing; others cannot be asked."""


@dataclass(frozen=True, slots=True)
class BusOptions:
    """One live bus, in python-can's words.

    name         in logs, events and screens; one printable word
    interface    python-can's name of the interface; None: python-can's own configuration decides
    acknowledge  this program's adapter acknowledges what it receives; else it only listens, where it can
    options      further arguments of python-can's interface
    """

    name: str
    interface: str | None = None
    channel: str | None = None
    bitrate: int | None = None
    acknowledge: bool = False
    options: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def from_session(cls, bus: Bus) -> Self:
        """The live bus that a session declares.

        It is named as the session expects it in logs, so that a recorded run replays with the
        same session.
        """
        name = bus.name if bus.log_channel == "*" else bus.log_channel
        return cls(name, bus.interface, bus.channel, bus.bitrate, acknowledge=bus.role == "acknowledge")

    def __post_init__(self) -> None:
        if not (self.name.isascii() and self.name.isprintable() and self.name.split() == [self.name]):
            raise UsageError(f"bus name {self.name!r}: expected one word of printable ASCII; choose another")


def open_receiver(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> Receiver:
    """The open device that the options name.

    Raises:
        SourceError: it cannot be opened.
        UsageError: the options cannot mean anything.
    """
    opener = {"slcan": _open_slcan, "socketcan": _open_socketcan}.get(
        options.interface or "", _open_python_can
    )
    try:
        return opener(options, index, channels, clock)
    except MixmonError:
        raise
    except Exception as error:
        raise SourceError(
            f"{options.name}: {options.interface or 'configured'} channel {options.channel} does not open: "
            f"{why_unopened(options.interface, options.channel, error)}"
        ) from error


def _open_slcan(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> Receiver:
    from mixmon.frames.slcan_port import SlcanReceiver

    return SlcanReceiver(
        _channel(options),
        index,
        channels,
        clock,
        bitrate=options.bitrate,
        listen_only=not options.acknowledge,
        **_known(options, SLCAN_OPTIONS),
    )


def _open_socketcan(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> Receiver:
    from mixmon.frames.socketcan import SocketcanReceiver

    _known(options, frozenset())
    return SocketcanReceiver.open(
        _channel(options),
        index,
        channels,
        clock,
        bitrate=options.bitrate,
        listen_only=not options.acknowledge,
    )


def _open_python_can(
    options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock
) -> Receiver:
    import can

    if options.interface is not None and options.interface not in can.VALID_INTERFACES:
        raise UsageError(
            f"{options.name}: no interface {options.interface}; "
            f"expected one of {', '.join(sorted(can.VALID_INTERFACES))}; correct it"
        )
    logging.getLogger("can").addHandler(logging.NullHandler())  # what it says on import is said better below
    given = {"interface": options.interface, "channel": options.channel, "bitrate": options.bitrate}
    arguments = {key: value for key, value in given.items() if value is not None}
    asked = {} if options.acknowledge else LISTEN_ONLY.get(options.interface or "", {})
    silent = {key: can.BusState[value] if key == "state" else value for key, value in asked.items()}
    opened = can.Bus(
        **{**arguments, **silent, **options.options}, ignore_config=options.interface is not None
    )
    receiver = PythonCanReceiver(
        opened,
        index,
        channels,
        clock,
        deep_queue=options.interface in DEEP_QUEUES,
        wrap_ns=STAMP_WRAPS_NS.get(options.interface or ""),
    )
    receiver.listen_only = False if options.acknowledge else (True if asked else None)
    if not options.acknowledge and not asked:
        receiver.remarks.append(
            f"{options.interface} cannot be asked to listen only: it may acknowledge frames"
        )
    return receiver


def _channel(options: BusOptions) -> str:
    if not options.channel:
        raise UsageError(f"{options.name}: no channel; {options.interface} needs one; give --channel")
    return options.channel


def _known(options: BusOptions, known: frozenset[str]) -> Mapping[str, Any]:
    """The further options, all of which must be known."""
    unknown = sorted(set(options.options) - known)
    if unknown:
        raise UsageError(
            f"{options.name}: {options.interface} has no option {', '.join(unknown)}; "
            f"expected {', '.join(sorted(known)) or 'none'}; leave it out"
        )
    return options.options
