"""The kinds of interface through which a live bus is read: one table, and the way to open a device by it.

`ADAPTERS` has a row for each kind that mixmon treats in its own way. A row says which module opens
the device, which options it takes, how listening only is asked for and who confirms it, and what the
errors mean in words. A kind of python-can's that has no row gets `OTHER`. To add an adapter, write a
row and its module (see `DeviceModule`).

Nothing is ever sent on a bus. Listening only is asked of the adapter wherever it can be, unless the
options say that this bus is to be acknowledged.
"""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, Self, cast

from mixmon.errors import MixmonError, SourceError, UsageError
from mixmon.session.model import Bus

if TYPE_CHECKING:
    from mixmon.frames.adapters.receiver import Receiver
    from mixmon.frames.adapters.stamps import HostClock


@dataclass(frozen=True, slots=True)
class BusOptions:
    """One live bus, in python-can's words.

    name         in logs, events and screens; one printable word
    interface    python-can's name of the interface; None: python-can's own configuration decides
    acknowledge  this program's adapter acknowledges what it receives; else it only listens, where it can
    options      further arguments of the interface

    Raises:
        UsageError: the name is not one word of printable ASCII.
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


class DeviceModule(Protocol):
    """What the module of a row offers."""

    def open_device(
        self, options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock
    ) -> Receiver:
        """The open device of bus `index` of `channels`.

        Raises:
            MixmonError: the device or the options are refused, for a reason that is already in words.
            Exception: whatever the driver raises; the row's faults put it into words.
        """


@dataclass(frozen=True, slots=True)
class OpenFault:
    """One reason why a device does not open: how it is recognised, and the words for it.

    numbers  values of errno that mean it
    pattern  searched for, without regard to case, in the names of the error's classes and its text,
             where drivers give no number; empty: nothing is searched for
    words    what was found, what was expected, what to do. `{ports}` and `{links}` stand for the serial
             ports and CAN interfaces that are there now, `{group}` for the group that has the right to use
             the channel, `{error}` for the driver's text, `{install}` for what has to be installed
    """

    numbers: frozenset[int]
    pattern: str
    words: str


_NOBODY_THERE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
_NOT_ALLOWED = frozenset({errno.EACCES, errno.EPERM})
_IN_USE = frozenset({errno.EBUSY, errno.EAGAIN})
_NO_NUMBER: frozenset[int] = frozenset()

PORT_FAULTS = (
    OpenFault(
        _NOBODY_THERE, "FileNotFoundError", "no such port; expected {ports}; check the cable and the name"
    ),
    OpenFault(
        _NOT_ALLOWED,
        "PermissionError",  # on Windows this can also mean that the port is in use
        "permission denied; expected the right to read and write it{group}; "
        "if another program uses the port, close that program",
    ),
    OpenFault(_IN_USE, "", "another program uses the port; expected a free port; close that program"),
    OpenFault(_NO_NUMBER, "configure port", "not a serial port; expected {ports}; check the name"),
)
"""Serial ports. Where pyserial gives no number, the class of the system's error stands in its text."""

LINK_FAULTS = (
    OpenFault(
        _NOBODY_THERE,
        "",
        "no such interface; expected {links}; plug the adapter in, load its driver, or correct the name "
        "(ip link shows the interfaces)",
    ),
    OpenFault(
        frozenset({errno.EAFNOSUPPORT}),
        "",
        "this system does not support SocketCAN; expected a kernel that does; load its module "
        "(modprobe can_raw), or choose another interface",
    ),
    OpenFault(
        _NOT_ALLOWED,
        "",
        "permission denied; expected the right to open CAN sockets; ask the administrator of this system",
    ),
)
"""Network interfaces of Linux."""

DRIVER_FAULTS = (
    OpenFault(
        _NO_NUMBER,
        r"\b(ImportError|NameError)\b|NotImplementedError\b"
        r"|(library|driver).*not found|not found.*(library|driver)",
        "{error}; expected the adapter's driver and its Python package; install {install}",
    ),
    OpenFault(_NOT_ALLOWED, "", "permission denied; expected the right to use it{group}"),
)
"""Drivers behind python-can, which report a missing library in many ways."""

OTHER_FAULT = OpenFault(
    _NO_NUMBER, "", "{error}; expected an adapter; check the cable, the name and the permissions"
)
"""For what no fault of a row fits."""

PYTHON_CAN: Final = "mixmon.frames.adapters.pythoncan"


@dataclass(frozen=True, slots=True)
class AdapterKind:
    """A row of the table: one kind of interface.

    name           python-can's name of the kind
    module         module of its `open_device`; it is loaded when a device is opened, as drivers are slow to
                   load and may be missing
    options        names of the further options that it takes; None: any, python-can refuses what it does
                   not know
    needs_channel  it cannot be opened without a channel
    listen_only    arguments by which python-can's interface is asked to acknowledge nothing; empty where the
                   module asks in another way, or where nothing can be asked
    confirmed_by   who confirms that the device only listens; empty: it may acknowledge frames
    faults         reasons why it does not open; the first that fits gives the words
    install        what brings the driver's Python package; empty: not known
    deep_queue     its driver or socket queues thousands of frames, so frames may gather before they are read
    never_unplugged  silence never means that the device is gone, so it is not opened anew after one: that
                   would lose the frames that come meanwhile
    stamp_wrap_ns  after so many ns the device's stamps start again from 0; None: they do not
    counts_lost    frames that are lost before they reach this program are counted
    restarted_by   what brings a controller back that went off the bus; `{channel}` stands for the channel
    """

    name: str
    module: str = PYTHON_CAN
    options: frozenset[str] | None = None
    needs_channel: bool = False
    listen_only: Mapping[str, Any] = field(default_factory=dict)
    confirmed_by: str = ""
    faults: tuple[OpenFault, ...] = DRIVER_FAULTS
    install: str = ""
    deep_queue: bool = False
    never_unplugged: bool = False
    stamp_wrap_ns: int | None = None
    counts_lost: bool = False
    restarted_by: str = "unplug the adapter and plug it in again"

    @property
    def is_own(self) -> bool:
        """True when the project reads the device by its own code instead of python-can's."""
        return self.module != PYTHON_CAN


_BY_DRIVER = "the driver"
_WRAP_MS = 1_000_000 << 32  # computed: a 32-bit counter of milliseconds, in ns
_WRAP_US = 1_000 << 32  # computed: a 32-bit counter of microseconds, in ns

ADAPTERS: Final[dict[str, AdapterKind]] = {
    kind.name: kind
    for kind in (
        AdapterKind(
            "socketcan",  # by own code: python-can's hides lost frames
            "mixmon.frames.adapters.socketcan",
            options=frozenset(),
            needs_channel=True,
            confirmed_by="the kernel",
            faults=LINK_FAULTS,
            counts_lost=True,
            restarted_by="restart it: ip link set {channel} down; ip link set {channel} up",
        ),
        AdapterKind(
            "slcan",  # by own code: python-can's reads one byte at a time
            "mixmon.frames.adapters.slcan",
            # python-can's names, and `stamps`: False leaves the adapter's time stamps off
            options=frozenset({"data_bitrate", "fd", "rtscts", "sleep_after_open", "stamps", "tty_baudrate"}),
            needs_channel=True,
            confirmed_by="the adapter's answer",
            faults=PORT_FAULTS,
        ),
        # from here on arguments, packages, stamps and queues are read from python-can's sources
        AdapterKind(
            "cantact", listen_only={"monitor": True}, confirmed_by=_BY_DRIVER, install="python-can[cantact]"
        ),
        AdapterKind("gs_usb", install="python-can[gs-usb]", stamp_wrap_ns=_WRAP_US),
        AdapterKind("kvaser", listen_only={"driver_mode": False}, confirmed_by=_BY_DRIVER, deep_queue=True),
        AdapterKind(
            "nixnet", listen_only={"listen_only": True}, confirmed_by=_BY_DRIVER, install="python-can[nixnet]"
        ),
        AdapterKind("pcan", listen_only={"state": "PASSIVE"}, confirmed_by=_BY_DRIVER, deep_queue=True),
        AdapterKind(
            "seeedstudio",
            listen_only={"operation_mode": "silent"},
            confirmed_by=_BY_DRIVER,
            install="python-can[seeedstudio]",
        ),
        AdapterKind("serial", install="python-can[serial]", stamp_wrap_ns=_WRAP_MS),
        AdapterKind("socketcand", deep_queue=True),
        AdapterKind("systec", listen_only={"state": "PASSIVE"}, confirmed_by=_BY_DRIVER),
        AdapterKind("udp_multicast", install="python-can[multicast]", deep_queue=True),
        AdapterKind("vector", listen_only={"listen_only": True}, confirmed_by=_BY_DRIVER, deep_queue=True),
        AdapterKind("virtual", deep_queue=True, never_unplugged=True),
    )
}
"""Every kind that is treated in its own way, by name."""

OTHER: Final = AdapterKind("")
"""Any other interface of python-can."""


def kind_of(interface: str | None) -> AdapterKind:
    """The row of an interface; `OTHER` where it has none, or where python-can's configuration decides."""
    return ADAPTERS.get(interface or "", OTHER)


def own_kinds() -> list[str]:
    """Names of the kinds that the project reads by its own code."""
    return [kind.name for kind in ADAPTERS.values() if kind.is_own]


def open_receiver(options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock) -> Receiver:
    """The open device that the options name.

    Raises:
        SourceError: it cannot be opened.
        UsageError: the options cannot mean anything.
    """
    kind = kind_of(options.interface)
    _check_options(kind, options)
    module = cast("DeviceModule", import_module(kind.module))
    try:
        return module.open_device(options, index, channels, clock)
    except MixmonError:
        raise
    except Exception as error:
        raise SourceError(
            f"{options.name}: {options.interface or 'configured'} channel {options.channel} does not open: "
            f"{why_unopened(options.interface, options.channel, error)}"
        ) from error


def _check_options(kind: AdapterKind, options: BusOptions) -> None:
    """Refuse a missing channel and options that the kind does not take."""
    if kind.needs_channel and not options.channel:
        raise UsageError(f"{options.name}: no channel; {options.interface} needs one; give --channel")
    unknown = [] if kind.options is None else sorted(set(options.options) - kind.options)
    if unknown:
        raise UsageError(
            f"{options.name}: {options.interface} has no option {', '.join(unknown)}; "
            f"expected {', '.join(sorted(kind.options or ())) or 'none'}; omit it"
        )


def why_unopened(interface: str | None, channel: str | None, error: Exception) -> str:
    """What was found, what was expected and what to do, from the error of whoever tried to open it."""
    kind = kind_of(interface)
    # python-can's kinds on a serial port hand on what pyserial says
    faults = PORT_FAULTS if "could not open port" in str(error) else kind.faults
    words = next((fault for fault in faults if _matches_fault(fault, error)), OTHER_FAULT).words
    fillers: dict[str, Callable[[], str]] = {
        "ports": lambda: _one_of(serial_ports()),
        "links": lambda: _one_of(can_links()),
        "group": lambda: _name_group(channel or ""),
        "error": lambda: " ".join(str(error).rstrip(".").split()) or type(error).__name__,
        "install": lambda: kind.install or "what python-can names for this interface",
    }
    return re.sub(r"\{(\w+)\}", lambda match: fillers[match[1]](), words)


def _matches_fault(fault: OpenFault, error: Exception) -> bool:
    """Whether the error is this fault, by its number or by its classes and text."""
    if isinstance(error, OSError) and error.errno in fault.numbers:
        return True
    classes = [each.__name__ for each in (*type(error).__mro__, type(error.__context__))]
    evidence = f"{' '.join(classes)}: {error}"
    return bool(fault.pattern and re.search(fault.pattern, evidence, re.IGNORECASE | re.DOTALL))


def _name_group(channel: str) -> str:
    """The group that has the right to use the channel, and how to join it; empty where it is not known."""
    try:
        group = Path(channel).group()
    except (OSError, KeyError, ValueError, NotImplementedError):
        return ""
    return f", which the group {group} has: sudo usermod -aG {group} $USER, then log in again"


def serial_ports() -> list[str]:
    """Names of the serial ports that are there now."""
    from serial.tools.list_ports import comports

    return sorted(port.device for port in comports())


def can_links(root: Path = Path("/sys/class/net")) -> list[str]:
    """Names of the CAN interfaces that are there now."""
    arphrd_can = "280"  # linux/if_arp.h
    return sorted(kind.parent.name for kind in root.glob("*/type") if _read_line(kind) == arphrd_can)


def _read_line(path: Path) -> str:
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _one_of(names: Iterable[str]) -> str:
    found = list(names)
    return f"one of {', '.join(found)}" if found else "one, but there is none"
