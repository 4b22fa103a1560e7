"""Why a device does not open, in words: what was found, what was expected, what to do."""

from __future__ import annotations

import errno
from collections.abc import Iterable
from pathlib import Path

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
