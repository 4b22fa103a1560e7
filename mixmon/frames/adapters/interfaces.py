"""A device that gives the frames of one live bus, opened by python-can's names.

Nothing is ever sent on a bus. Listening only is asked of the adapter wherever it can be, unless
the options say that this bus is to be acknowledged.

Serial adapters ("slcan") and Linux' "socketcan" are read by code of the project instead of
python-can's, which reads the one a byte at a time and hides the losses of the other.
"""

from __future__ import annotations

import errno
import logging
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from mixmon.errors import MixmonError, SourceError, UsageError
from mixmon.frames.adapters.pythoncan import PythonCanReceiver
from mixmon.frames.adapters.receiver import Receiver
from mixmon.frames.adapters.stamps import HostClock
from mixmon.session.model import Bus

# ----------------------------------------------------------------------------------------------------
# Why a device does not open, in words: what was found, what was expected, what to do.
# ----------------------------------------------------------------------------------------------------

_ARPHRD_CAN = "280"  # linux/if_arp.h
_NOBODY_THERE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
_NO_LEAVE = frozenset({errno.EACCES, errno.EPERM})
_TAKEN = frozenset({errno.EBUSY, errno.EAGAIN})


def why_unopened(interface: str | None, channel: str | None, error: Exception) -> str:
    """What was found, what was expected and what to do, from the error of whoever tried to open it."""
    number = error.errno if isinstance(error, OSError) else None
    if interface == "socketcan":
        found = _socketcan(number)
    elif interface == "slcan" or "could not open port" in str(error):
        found = _serial(channel or "", number, error)
    else:
        found = _python_can(channel or "", number, error)
    return found or f"{_words(error)}; expected an adapter; check cable, name and rights"


def _serial(channel: str, number: int | None, error: Exception) -> str:
    name = type(error.__context__).__name__ + str(error)  # where pyserial gives no number, Windows' error
    if number in _NOBODY_THERE or "FileNotFoundError" in name:
        return f"no such port; expected {_listed(serial_ports())}; check cable and name"
    if number in _NO_LEAVE or "PermissionError" in name:
        return (
            f"permission denied; expected the right to read and write it{_group(channel)}; "
            "or another program holds it: close that"
        )
    if number in _TAKEN:
        return "another program holds it; expected a free port; close that program"
    if "configure port" in str(error):
        return f"it is no serial port; expected {_listed(serial_ports())}; check the name"
    return ""


def _socketcan(number: int | None) -> str:
    if number in _NOBODY_THERE:
        return (
            f"no such interface; expected {_listed(can_links())}; plug the adapter in, load its driver, "
            "or correct the name (ip link shows them)"
        )
    if number == errno.EAFNOSUPPORT:
        return (
            "this system knows no SocketCAN; expected a kernel with it; load it (modprobe can_raw), "
            "or choose another interface"
        )
    if number in _NO_LEAVE:
        return "permission denied; expected the right to open CAN sockets; ask whoever runs this system"
    return ""


def _python_can(channel: str, number: int | None, error: Exception) -> str:
    if _lacks_driver(error):
        return (
            f"{_words(error)}; expected the adapter's driver and its Python package; install what python-can "
            "names for this interface"
        )
    if number in _NO_LEAVE:
        return f"permission denied; expected the right to use it{_group(channel)}"
    return ""


def _lacks_driver(error: Exception) -> bool:
    """Whether the interface's library is missing: drivers say it in many ways."""
    text = str(error).lower()
    kind = type(error).__name__
    missing = isinstance(error, (ImportError, NameError)) or kind.endswith("NotImplementedError")
    return missing or ("not found" in text and ("library" in text or "driver" in text))


def _words(error: Exception) -> str:
    return " ".join(str(error).rstrip(".").split()) or type(error).__name__


def _group(channel: str) -> str:
    """The group that has the right, where the system tells."""
    try:
        group = Path(channel).group()
    except (OSError, KeyError, ValueError, NotImplementedError):
        return ""
    return f", which the group {group} has: sudo usermod -aG {group} $USER, then log in anew"


def serial_ports() -> list[str]:
    """Names of the serial ports that are there now."""
    from serial.tools.list_ports import comports

    return sorted(port.device for port in comports())


def can_links(root: Path = Path("/sys/class/net")) -> list[str]:
    """Names of the CAN interfaces that are there now."""
    return sorted(kind.parent.name for kind in root.glob("*/type") if _read(kind) == _ARPHRD_CAN)


def _read(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _listed(names: Iterable[str]) -> str:
    found = list(names)
    return f"one of {', '.join(found)}" if found else "one, but there is none"


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
    from mixmon.frames.adapters.slcan import SlcanReceiver

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
    from mixmon.frames.adapters.socketcan import SocketcanReceiver

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
