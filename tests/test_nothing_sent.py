"""Nothing is sent: every send is recorded on every path of the program.

To its own adapter the program gives commands, never frames; of the kernel it asks how an interface is set.
"""

from __future__ import annotations

import ast
import inspect
import os
import re
import signal
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import can
import pytest
from beside_rig import csv_text, make_run, table
from can.interfaces import BACKENDS
from command_line import run_command
from live_rig import EXAMPLE, PATIENCE_S, Player, close_all, glimpse, keeper_in, until, virtual_worker
from sends import Send, WitnessBus, record_sends
from slcan_emulator import SlcanEmulator

from mixmon.cli.main import COMMANDS, DONE, INTERRUPTED
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import ADAPTERS, BusOptions
from mixmon.frames.adapters.socketcan import SocketcanReceiver, prepare, read_link
from mixmon.frames.adapters.stamps import HostClock
from mixmon.live.feed import Feed
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.watch.commands import Command, Quit

PACKAGE = Path("mixmon")
NAMES = ("unsent-chain", "unsent-engine")
LOG = ("examples/foreign.log.gz", "-s", "examples/foreign.toml", "--to", "2")
LIVE = ("-s", str(EXAMPLE), "-i", "virtual", "-c", f"chain={NAMES[0]}", "-c", f"engine={NAMES[1]}")

OFFLINE: dict[str, list[tuple[str, ...]]] = {
    "verify": [("verify", str(EXAMPLE))],
    "census": [("census", *LOG)],
    "replay": [("replay", *LOG)],
    "decode": [("decode", *LOG)],
    "balance": [("balance", *LOG)],
    "trims": [("trims", *LOG)],
    "causes": [("causes", *LOG)],
    "identify": [
        (
            "identify",
            "examples/alder8_short.log.gz",
            "-s",
            str(EXAMPLE),
            "--steps",
            "examples/alder8_steps.toml",
        ),
        ("identify", "--plan", "-s", str(EXAMPLE)),
    ],
    "rotate": [
        ("rotate", "examples/alder8_short.log.gz", "-s", str(EXAMPLE), "--to", "2"),
        ("rotate", "--design", "4"),
    ],
    "compare": [("compare", LOG[0], "examples/foreign_after.log.gz", *LOG[1:])],
    "events": [("events", *LOG)],
    "pulls": [("pulls", *LOG, "--transients")],
    "response": [("response", *LOG)],
    "sensors": [("sensors", "--add", LOG[0], *LOG[1:3], "--ledger", ":memory:")],
    "simulate": [
        ("simulate", "--scenario", "plain", "--duration", "3", "--out", "/dev/null"),
        ("simulate", "--list"),
    ],
    "export": [("export", *LOG, "--tables", "rows", "--to", "2")],
    "merge": [("merge", "PLACE/run", "PLACE/dyno.csv", "--columns", "torque=Torque")],
    "report": [("report", *LOG, "-o", "PLACE/page.html")],
    "convert": [("convert", "lambda", "0.88")],
}
LISTENING: dict[str, tuple[str, ...]] = {
    "census": ("census", *LIVE),
    "record": ("record", *LIVE, "--accept-caution", "--quiet"),
    "watch": ("watch", *LIVE, "--text", "--accept-caution", "--quiet"),
    "serve": ("serve", "--port", "0", "watch", *LIVE, "--accept-caution", "--quiet"),
}
WITHOUT_A_BUS = {"demo", "guide", "new"}

TO_THE_ADAPTER = re.compile(rb"(C|Z[01]|S[0-8]|Y[25]|L|F)\r")
"""Close, stamps, bit rates, listen, status: common practice of serial adapters, as in Linux' slcan driver."""


@pytest.fixture
def sends(monkeypatch: pytest.MonkeyPatch) -> list[Send]:
    return record_sends(monkeypatch)


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    WitnessBus.sent.clear()
    WitnessBus.opened.clear()
    yield
    close_all()


def heard_by(player: Player) -> list[can.Message]:
    """What the nodes that play the engine received: all that anybody else sent on their buses."""
    return [message for bus in player._buses for message in iter(lambda: bus.recv(0.0), None)]  # noqa: B023


def test_every_command_is_looked_at() -> None:
    assert {*OFFLINE, *LISTENING, *WITHOUT_A_BUS} == set(COMMANDS)


@pytest.mark.parametrize("words", [line for lines in OFFLINE.values() for line in lines], ids=" ".join)
def test_a_command_without_a_bus_sends_nothing(
    words: tuple[str, ...], sends: list[Send], tmp_path: Path
) -> None:
    if words[0] == "merge":
        t, rpm, torque = table()
        make_run(tmp_path).rename(tmp_path / "run")
        columns = {"Time": t, "Engine speed": rpm, "Torque": torque}
        (tmp_path / "dyno.csv").write_text(csv_text(columns, ["s", "rpm", "Nm"]))
    assert run_command(*(word.replace("PLACE", str(tmp_path)) for word in words)).status == DONE
    assert sends == []


def interrupt_after(player: Player) -> threading.Thread:
    """Ctrl-C when the engine has been played."""

    def wait() -> None:
        player.done.wait(PATIENCE_S)
        os.kill(os.getpid(), signal.SIGINT)

    thread = threading.Thread(target=wait)
    thread.start()
    return thread


@pytest.mark.parametrize("words", LISTENING.values(), ids=LISTENING)
def test_a_command_on_live_buses_sends_nothing(
    words: tuple[str, ...], sends: list[Send], tmp_path: Path
) -> None:
    folder = () if words[0] == "census" else ("--folder", str(tmp_path / "runs"))
    with Player(glimpse(2.0, 2.3), NAMES) as player:
        thread = interrupt_after(player)
        status = run_command(*words, *folder).status
        thread.join()
        assert (status, player.done.is_set()) == (INTERRUPTED, True)
        assert heard_by(player) == []
    assert sends == []


def example_of(annotation: str) -> Any:
    """A value of a field of a command."""
    known = {"str": "words", "float": 1.0, "int": 1, "bool": True, "tuple": ()}
    return known[re.split(r"\W", annotation)[0]]


def every_command() -> list[Any]:
    kinds = [kind for kind in get_args(Command) if kind is not Quit]
    return [
        kind(*(example_of(str(p.annotation)) for p in inspect.signature(kind).parameters.values()))
        for kind in kinds
    ]


def test_no_command_of_a_screen_sends_anything(sends: list[Send], tmp_path: Path) -> None:
    worker = virtual_worker(EXAMPLE, NAMES, keeper_in(tmp_path, EXAMPLE))
    worker.start()
    with Player(glimpse(2.0, 2.3), NAMES) as player:
        until(player.done.is_set, "the engine's frames")
        for command in [*every_command(), Quit()]:
            worker.send(command)
        until(worker.ended.is_set, "the worker's end")
        assert heard_by(player) == []
    assert sends == []


@pytest.mark.parametrize("acknowledge", [False, True], ids=["listening", "acknowledging"])
def test_a_serial_adapter_is_given_commands_and_no_frame(
    acknowledge: bool, sends: list[Send], tmp_path: Path
) -> None:
    emulator = SlcanEmulator(tmp_path / "adapter")
    emulator.plug()
    options = BusOptions("can0", "slcan", str(emulator.link), 500_000, acknowledge=acknowledge)
    with Adapters([options]) as adapters:
        for plugged_anew in (False, True):
            if plugged_anew:
                emulator.unplug()
                emulator.plug()
            emulator.opened.wait(10.0)
            emulator.send(0x123, b"\1")
            frames = adapters.status()[0].frames
            until(lambda: adapters.take(0.05) is not None and adapters.status()[0].frames > frames)  # noqa: B023
        until(lambda: emulator.commands[-1:] == [b"F"])
    assert emulator.heard(b"Z0")
    emulator.unplug()
    opening = b"O\r" if acknowledge else b"L\r"
    written = b"".join(send.given[0] for send in sends)
    assert {(send.module, send.door) for send in sends} == {("mixmon.frames.adapters.slcan", "Serial.write")}
    assert opening in written
    assert TO_THE_ADAPTER.sub(b"", written.replace(b"O\r", b"") if acknowledge else written) == b""


def through_python_can() -> list[str]:
    return sorted({kind.name for kind in ADAPTERS.values() if not kind.is_own} | {"neovi"})


@pytest.mark.parametrize("interface", through_python_can())
def test_no_interface_of_python_can_is_told_to_send(
    interface: str, sends: list[Send], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened, read, lost, opened again and closed; `neovi` stands for those without a row."""
    monkeypatch.setitem(BACKENDS, interface, ("sends", "WitnessBus"))
    roles = {"listens": False, "acknowledges": True}
    buses = [BusOptions(role, interface, role, acknowledge=yes) for role, yes in roles.items()]
    with Adapters(buses, silence_s=2 * PATIENCE_S) as adapters:  # silent for so long, a bus is opened again
        until(lambda: adapters.take(0.02) is not None and sum(s.frames for s in adapters.status()) == 9)
    assert len(WitnessBus.opened) == 3
    asked = set(ADAPTERS[interface].listen_only if interface in ADAPTERS else ())
    for arguments in WitnessBus.opened:
        assert asked & set(arguments) == (asked if arguments["channel"] == "listens" else set())
    assert (WitnessBus.sent, sends) == ([], [])


def test_a_can_socket_is_only_read_and_the_kernel_only_asked(sends: list[Send]) -> None:
    """By sockets that share their code with CAN's in the kernel; on CAN itself: tools/socketcan_rig.py."""
    mine, other = (socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(2))
    for each in (mine, other):
        each.bind(("127.0.0.1", 0))
    prepare(mine)
    other.setblocking(False)
    receiver = SocketcanReceiver(mine, 0, ("can0",), HostClock())
    other.sendto(bytes(16), mine.getsockname())
    assert len(receiver.read(1.0)) == 1
    read_link("lo")
    receiver.close()
    with pytest.raises(BlockingIOError):
        other.recv(100)
    other.close()
    assert [(send.module, send.door) for send in sends if send.module.startswith("mixmon.")] == [
        ("mixmon.frames.adapters.socketcan", "socket.send")
    ]
    (question,) = [send.given[0] for send in sends if send.module.startswith("mixmon.")]
    assert int.from_bytes(question[4:6], "little") == 18  # RTM_GETLINK, linux/rtnetlink.h


def test_the_demo_sends_nothing(sends: list[Send]) -> None:
    feed = Feed(simulate(load_scenario("plain"), seed=1, duration=0.1))
    feed.open()
    until(lambda: bool(feed.take()))
    feed.stop()
    assert sends == []


SENDING = re.compile(r"send\w*|write|write_\w+|connect|ioctl")
DEVICE_LIBRARIES = {
    "asyncio",
    "can",
    "ctypes",
    "fcntl",
    "http",
    "serial",
    "socket",
    "ssl",
    "termios",
    "urllib",
    "usb",
}
WHO_KNOWS_DEVICES = {
    "cli/serve.py": {"asyncio"},  # browsers
    "dashboard/browser.py": {"asyncio"},
    "dashboard/server.py": {"asyncio", "socket"},
    "frames/adapters/interfaces.py": {"serial"},  # the names of ports
    "frames/adapters/pythoncan.py": {"can"},
    "frames/blf.py": {"can"},
    "frames/adapters/slcan.py": {"serial"},
    "frames/adapters/socketcan.py": {"socket"},
    "frames/logs.py": {"can"},
    "frames/text_logs.py": {"can"},
}
WHO_SENDS = {
    "frames/adapters/slcan.py": ["self._port.write"] * 5,  # commands to the adapter
    "frames/logs.py": ["plain.write"],  # a log unpacked to a file
    "frames/adapters/socketcan.py": ["sock.send"],  # the question to the kernel
    "cli/serve.py": ["worker.send"],  # the accepted caution, to our own thread
    "dashboard/browser.py": ["self.send_message", "self.write", "self.write"],  # screens, to a browser
    "dashboard/server.py": ["self._answer.send_bytes", "self._answer.send_json"],  # the same
}


def device_libraries(text: str) -> set[str]:
    lines = re.findall(r"^ *(?:import|from) +([\w., ]+)", text, re.MULTILINE)
    return {word.split(".")[0] for line in lines for word in re.split(r"[, ]+", line)} & DEVICE_LIBRARIES


def sending_calls(text: str) -> list[str]:
    calls = [node.func for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
    return sorted(ast.unparse(f) for f in calls if isinstance(f, ast.Attribute) and SENDING.fullmatch(f.attr))


def test_no_other_module_knows_a_device_or_a_network() -> None:
    texts = {path: path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))}
    found = {path.relative_to(PACKAGE).as_posix(): device_libraries(text) for path, text in texts.items()}
    assert {path: names for path, names in found.items() if names} == WHO_KNOWS_DEVICES


@pytest.mark.parametrize("module", WHO_KNOWS_DEVICES)
def test_no_other_line_of_such_a_module_sends(module: str) -> None:
    calls = sending_calls((PACKAGE / module).read_text(encoding="utf-8"))
    assert calls == WHO_SENDS.get(module, [])
