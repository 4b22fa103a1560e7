"""The table of adapters: what its rows say, what opens by them, and the words where nothing opens."""

from __future__ import annotations

import errno
import os
from argparse import ArgumentParser
from importlib import import_module
from importlib.util import find_spec
from inspect import signature
from pathlib import Path

import can
import pytest
from can.interfaces import BACKENDS
from toy_adapter import TOY

from mixmon.cli.options import add_bus
from mixmon.errors import SourceError, UsageError
from mixmon.frames.adapters import pythoncan
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import ADAPTERS, AdapterKind, BusOptions, can_links, why_unopened
from mixmon.session.model import Bus

NOBODY = 65534


@pytest.fixture
def toy(monkeypatch: pytest.MonkeyPatch) -> AdapterKind:
    """The toy's row in the table, for one test."""
    monkeypatch.setitem(ADAPTERS, TOY.name, TOY)
    return TOY


@pytest.mark.usefixtures("toy")
def test_adapter_is_added_by_one_row_and_one_module() -> None:
    with Adapters([BusOptions("can0", "toy", "box", options={"frames": 5})]) as adapters:
        while adapters.status()[0].frames < 5:
            adapters.take(0.05)
        assert "listening only, confirmed by the toy" in adapters.events()[0].text


@pytest.mark.usefixtures("toy")
@pytest.mark.parametrize(
    ("channel", "options", "kind", "text"),
    [
        (
            "unplugged",
            {},
            SourceError,
            "toy channel unplugged does not open: no toy there; expected one; buy a toy",
        ),
        (None, {}, UsageError, "no channel; toy needs one"),
        ("box", {"colour": "red"}, UsageError, "toy has no option colour; expected frames; omit it"),
    ],
)
def test_row_gives_the_checks_and_the_words(
    channel: str | None, options: dict[str, str], kind: type[Exception], text: str
) -> None:
    with pytest.raises(kind, match=text):
        Adapters([BusOptions("can0", "toy", channel, options=options)]).start()


@pytest.mark.usefixtures("toy")
def test_row_is_named_where_kinds_are_listed() -> None:
    parser = ArgumentParser()
    add_bus(parser)
    assert "socketcan, slcan, toy, or another" in " ".join(parser.format_help().split())
    with pytest.raises(UsageError, match=r"no interface no such; expected .*toy.*virtual"):
        Adapters([BusOptions("can0", "no such")]).start()


@pytest.mark.parametrize("kind", ADAPTERS.values(), ids=ADAPTERS)
def test_every_row_is_whole(kind: AdapterKind) -> None:
    """Its module opens as all do, python-can knows its name, and what is asked for is confirmed."""
    opener = import_module(kind.module).open_device
    assert list(signature(opener).parameters) == list(signature(pythoncan.open_device).parameters)
    assert kind.name in can.VALID_INTERFACES
    assert bool(kind.confirmed_by) == (kind.is_own or bool(kind.listen_only))
    assert kind.faults


@pytest.mark.parametrize(
    "kind", [kind for kind in ADAPTERS.values() if kind.listen_only], ids=lambda k: k.name
)
def test_python_can_knows_the_listen_only_argument(kind: AdapterKind) -> None:
    """The words are read in python-can's own sources; its drivers need hardware."""
    spec = find_spec(BACKENDS[kind.name][0])
    assert spec is not None
    assert spec.origin is not None
    files = Path(spec.origin).parent.glob("*.py") if spec.submodule_search_locations else [Path(spec.origin)]
    source = "".join(path.read_text() for path in files)
    for argument, value in kind.listen_only.items():
        assert argument in source
        assert not isinstance(value, str) or value in source


@pytest.mark.parametrize(
    "error",
    [
        ImportError("no module"),
        NameError("usb"),
        can.CanInterfaceNotImplementedError("library"),
        OSError("CAN library xy not found"),
    ],
    ids=repr,
)
def test_missing_driver_is_named_with_its_package(error: Exception) -> None:
    assert "install python-can[gs-usb]" in why_unopened("gs_usb", "0", error)
    assert "install what python-can names" in why_unopened("usb2can", "0", error)


MISTAKES = {
    "no such port": (
        BusOptions("can0", "slcan", "/nowhere/port"),
        SourceError,
        "/nowhere/port does not open: no such port; expected one",
    ),
    "no serial port": (
        BusOptions("can0", "slcan", "/dev/null"),
        SourceError,
        "not a serial port; expected one",
    ),
    "no port of another interface": (
        BusOptions("can0", "serial", "/nowhere/port"),
        SourceError,
        "no such port",
    ),
    "no such interface": (
        BusOptions("can0", "no such"),
        UsageError,
        "no interface no such; expected .*virtual",
    ),
    "no channel": (BusOptions("can0", "slcan"), UsageError, "no channel"),
    "odd bit rate": (BusOptions("can0", "slcan", "x", 123_456), UsageError, "bit rate 123456"),
    "unknown option": (BusOptions("can0", "slcan", "x", options={"speed": 1}), UsageError, "no option speed"),
    "no option at all": (
        BusOptions("can0", "socketcan", "x", options={"fd": True}),
        UsageError,
        "no option fd; expected none",
    ),
}


@pytest.mark.parametrize(("options", "kind", "text"), MISTAKES.values(), ids=MISTAKES)
def test_mistakes_in_the_options(options: BusOptions, kind: type[Exception], text: str) -> None:
    with pytest.raises(kind, match=text):
        Adapters([options]).start()


def test_a_port_without_the_right_to_open_it(tmp_path: Path) -> None:
    """As root nothing is forbidden: then for a moment as the user who may do nothing."""
    port = tmp_path / "port"
    port.touch(0o000)
    if root := os.geteuid() == 0:
        os.seteuid(NOBODY)
    try:
        with pytest.raises(SourceError, match="permission denied; expected the right to read and write it"):
            Adapters([BusOptions("can0", "slcan", str(port))]).start()
    finally:
        if root:
            os.seteuid(0)


def test_can_interfaces_are_those_that_the_kernel_calls_so(tmp_path: Path) -> None:
    """Types from linux/if_arp.h: 280 CAN, 1 Ethernet, 772 loopback."""
    for name, kind in {"can1": "280", "can0": "280", "eth0": "1", "lo": "772"}.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(f"{kind}\n")
    assert can_links(tmp_path) == ["can0", "can1"]
    assert can_links(tmp_path / "nothing") == []


NO_SOCKET = {
    errno.ENODEV: "no such interface; expected one",
    errno.EAFNOSUPPORT: "this system does not support SocketCAN; expected a kernel that does; load",
    errno.EPERM: "permission denied; expected the right",
    errno.ENOBUFS: "No buffer space available; expected an adapter; check the cable, the name",
}


@pytest.mark.parametrize(("number", "text"), NO_SOCKET.items())
def test_sockets_that_do_not_open(number: int, text: str) -> None:
    assert text in why_unopened("socketcan", "can0", OSError(number, os.strerror(number)))


@pytest.mark.parametrize("name", ["", "can 0", "λ", "can\n0"])
def test_bus_names_must_fit_into_logs(name: str) -> None:
    with pytest.raises(UsageError, match="one word"):
        BusOptions(name)


def test_bus_of_a_session_is_named_as_in_its_logs() -> None:
    chain = Bus("chain", "can0", "socketcan", "can3", 500_000, "acknowledge")
    assert BusOptions.from_session(chain) == BusOptions(
        "can0", "socketcan", "can3", 500_000, acknowledge=True
    )
    assert BusOptions.from_session(Bus("engine")) == BusOptions("engine")
