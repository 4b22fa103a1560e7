"""What SocketCAN does with a real kernel: run as root in a machine that has it, see socketcan_rig.py.

Needs vcan0 (mtu 72, up), can0 (500 kbit/s, listening only) and can1 (500 kbit/s), both up and on
one bus. Prints a row of a table for each case and ends with status 1 if one failed. Sets the system clock.
"""

from __future__ import annotations

import json
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import ClassVar, Self

import can
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from programs import Starter

from mixmon.errors import SourceError
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import BusCondition, SourceEvent, SourceEventKind
from mixmon.frames.adapters.socketcan import Link, SocketcanReceiver, open_can, read_link
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import FrameBlock, FrameFlag, concat
from mixmon.frames.logs import open_log
from mixmon.record.run_folder import open_run

PATIENCE_S = 60.0
SESSION = Path(__file__).parents[1] / "examples" / "alder8.toml"
HOUR_S = 3600


@dataclass(frozen=True)
class Case:
    """A row of the table: what is done on the bus, and what must be told and kept; `check`: whether it is."""

    name: str
    done: str
    must: str
    check: Callable[[], bool]


CASES: list[Case] = []


def case(name: str, done: str, must: str) -> Callable[[Callable[[], bool]], Callable[[], bool]]:
    """Adds a function as the check of a case."""

    def add(check: Callable[[], bool]) -> Callable[[], bool]:
        CASES.append(Case(name, done, must, check))
        return check

    return add


def ip(words: str) -> None:
    subprocess.run(["ip", *words.split()], check=True)


def cansend(frame: str, channel: str = "vcan0") -> None:
    subprocess.run(["cansend", channel, frame], check=True)


@contextmanager
def far_end(channel: str) -> Iterator[can.BusABC]:
    with can.Bus(interface="socketcan", channel=channel, ignore_config=True) as bus:
        yield bus


def numbered(n: int) -> can.Message:
    return can.Message(arbitration_id=0x100 + n % 16, is_extended_id=False, data=n.to_bytes(8, "big"))


def take(adapters: Adapters, count: int) -> FrameBlock:
    blocks: list[FrameBlock] = []
    until = time.monotonic() + PATIENCE_S
    while sum(map(len, blocks)) < count and time.monotonic() < until:
        blocks += adapters.take(0.2)
    return concat(blocks)


def events_until(adapters: Adapters, kind: SourceEventKind, poke: Callable[[], object]) -> list[SourceEvent]:
    seen: list[SourceEvent] = []
    until = time.monotonic() + PATIENCE_S
    while not told(seen, kind) and time.monotonic() < until:
        poke()
        adapters.take(0.1)
        seen += adapters.events()
    return seen


class Recording:
    """`mixmon record` on two interfaces, as a process of its own, forked: imports take long in emulation."""

    starter: ClassVar[Starter]

    def __init__(self, chain: str, engine: str) -> None:
        self._place = Path(tempfile.mkdtemp())
        words = ["-i", "socketcan", "-c", f"chain={chain}", "-c", f"engine={engine}", "--accept-caution"]
        words += ["-s", str(SESSION), "--folder", str(self._place / "runs")]
        self.program = self.starter.start("record", *words, place=self._place)

    def __enter__(self) -> Self:
        if not self.told("recording started"):
            print(self.words)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.program.signal(signal.SIGINT)
        self.program.wait(PATIENCE_S)

    @property
    def words(self) -> str:
        """All that it has said."""
        return self.program.err

    @property
    def result(self) -> str:
        """What it has written as its result."""
        return self.program.out

    @property
    def run(self) -> Path:
        """The folder of its only run."""
        (run,) = (self._place / "runs").iterdir()
        return run

    def told(self, pattern: str, times: int = 1) -> bool:
        """Whether it says so within the time that is waited."""
        return wait_for(lambda: len(re.findall(pattern, self.words)) >= times)

    def kept(self, lines: int) -> bool:
        """Whether it has so many lines of frames within the time that is waited."""
        return wait_for(lambda: (self.run / "frames.log").read_bytes().count(b"\n") >= lines)

    def frames(self) -> FrameBlock:
        """All that was kept; the run must be whole."""
        state = open_run(self.run)
        assert state.verified, f"{state.faults or 'cut off'}: {self.words[-500:]}"
        return concat(list(open_log(self.run)))

    def lost(self) -> int | None:
        """Frames that the run says were lost; None: not known."""
        found: int | None = json.loads((self.run / "run.json").read_text())["lost"]
        return found


def wait_for(true: Callable[[], object]) -> bool:
    until = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > until:
            return False
        time.sleep(0.05)
    return True


def data_numbers(block: FrameBlock) -> list[int]:
    """The running numbers of the data frames."""
    data = block.take((block.flags & FrameFlag.ERROR) == 0).data[:, :8]
    numbers: list[int] = data.copy().view(">u8")[:, 0].tolist()
    return numbers


def send_numbers(channel: str, first: int, count: int, pause_s: float = 0.002) -> None:
    with far_end(channel) as bus:
        for n in range(first, first + count):
            bus.send(numbered(n))
            time.sleep(pause_s)


def told(events: list[SourceEvent], kind: SourceEventKind) -> bool:
    return kind in {event.kind for event in events}


@case("links", "asked for at rest", "up, kind, bit rate and listening only, as they were set")
def links() -> bool:
    listening = Link(up=True, kind="can", bitrate=500_000, listen_only=True, state=0)
    acknowledging = Link(up=True, kind="can", bitrate=500_000, listen_only=False, state=0)
    found = [read_link(channel) for channel in ("can0", "can1", "vcan0")]
    return found == [listening, acknowledging, Link(up=True, kind="vcan")]


@case("no such interface", "can9 is opened", "refused, with the names of those that are there")
def no_such_link() -> bool:
    try:
        Adapters([BusOptions("v", "socketcan", "can9")]).start()
    except SourceError as error:
        return "does not open: no such interface; expected one of can0, can1, vcan0; plug" in str(error)
    return False


@case("two interfaces", "100 frames on each of vcan0 and a controller, by turns", "all, in order of time")
def two_at_once() -> bool:
    buses = [BusOptions("a", "socketcan", "vcan0"), BusOptions("b", "socketcan", "can0")]
    with Adapters(buses) as adapters, far_end("vcan0") as first, far_end("can1") as second:
        for n in range(100):
            first.send(numbered(2 * n))
            second.send(numbered(2 * n + 1))
            time.sleep(0.002)  # faster overruns the emulated controller
        block = take(adapters, 200)
    numbers: list[int] = block.data.copy().view(">u8")[:, 0].tolist()
    return sorted(numbers) == list(range(200)) and bool((block.t[1:] >= block.t[:-1]).all())


@case("plain traffic", "3,000 frames as fast as they go", "all, in order")
def none_lost() -> bool:
    with Adapters([BusOptions("v", "socketcan", "vcan0")]) as adapters, far_end("vcan0") as bus:
        for n in range(3000):
            bus.send(numbered(n))
        block = take(adapters, 3000)
    numbers: list[int] = block.data.copy().view(">u8")[:, 0].tolist()
    return numbers == list(range(3000))


@case(
    "kinds", "FD, error, remote and 29-bit frames", "each as what it is; the controller is in error warning"
)
def kinds_and_condition() -> bool:
    sent = ("123##7112233", "20000004#0004000000000000", "123#R5", "1234567F#AA")
    with Adapters([BusOptions("v", "socketcan", "vcan0")]) as adapters:
        for frame in sent:
            cansend(frame)
        block = take(adapters, 4)
        condition = adapters.status()[0].condition
    fd = FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH | FrameFlag.ERROR_STATE
    flags = [fd, FrameFlag.ERROR, FrameFlag.REMOTE, FrameFlag(0)]
    return (
        block.can_id.tolist() == [0x123, 0x4, 0x123, 0x9234567F]
        and block.flags.tolist() == [int(flag | FrameFlag.SENT) for flag in flags]
        and block.dlc.tolist() == [3, 8, 5, 1]
        and condition is BusCondition.WARNING
    )


@case("link down and up", "ip link set down, up", "device lost: Network is down; then the gap")
def down_and_up() -> bool:
    with Adapters([BusOptions("v", "socketcan", "vcan0")]) as adapters:
        cansend("100#01")
        take(adapters, 1)
        ip("link set vcan0 down")
        lost = events_until(adapters, SourceEventKind.LOST, lambda: None)
        ip("link set vcan0 up")
        back = events_until(adapters, SourceEventKind.GAP, lambda: cansend("100#02"))
    why = [event.text for event in lost if event.kind is SourceEventKind.LOST]
    return len(why) == 1 and "Network is down" in why[0] and told(back, SourceEventKind.GAP)


@case("link deleted", "ip link del, add", "refused while it is away; then the gap")
def deleted_and_made_anew() -> bool:
    with Adapters([BusOptions("v", "socketcan", "vcan0")]) as adapters:
        cansend("100#01")
        take(adapters, 1)
        ip("link del vcan0")
        refused = events_until(adapters, SourceEventKind.REFUSED, lambda: None)
        ip("link add dev vcan0 type vcan")
        ip("link set vcan0 mtu 72 up")
        back = events_until(adapters, SourceEventKind.GAP, lambda: cansend("100#02"))
    return told(refused, SourceEventKind.REFUSED) and told(back, SourceEventKind.GAP)


@case("kernel's buffer overflows", "2,001 frames into a buffer for 278", "read and dropped are 2,001")
def drops_are_counted() -> bool:
    sock = open_can("vcan0")
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 106_496)
    receiver = SocketcanReceiver(sock, 0, ("v",), HostClock())
    with far_end("vcan0") as bus:
        for n in range(2000):
            bus.send(numbered(n))
        read = len(receiver.read(0.1))
        bus.send(numbered(0))  # the counter rides on the next frame
        read += len(receiver.read(0.5))
    receiver.close()
    print(f"  a buffer of 212,992 bytes: {read} read, {receiver.dropped} dropped")
    return receiver.dropped is not None and receiver.dropped > 0 and read + receiver.dropped == 2001


@case(
    "controllers", "200 frames, 2 ms apart, wrong bit rate asked for", "all; bit rate and mode are remarked"
)
def controllers() -> bool:
    ip("link set can0 down")
    ip("link set can0 type can bitrate 500000 listen-only off")
    ip("link set can0 up")
    with Adapters([BusOptions("chain", "socketcan", "can0", 250_000)]) as adapters, far_end("can1") as bus:
        remarks = " ".join(event.text for event in adapters.events())
        for n in range(200):
            bus.send(numbered(n))
            time.sleep(0.002)  # faster overruns the emulated controller
        block = take(adapters, 200)
    return len(block) == 200 and "runs at 500000" in remarks and "listen-only on" in remarks


BUS_OFF, RESTARTED = "20000040#0000000000000000", "20000100#0000000000000000"
OVERFLOW = "20000004#0001000000000000"
"""Error frames (linux/can/error.h): CAN_ERR_BUSOFF, _RESTARTED, and _CRTL with _RX_OVERFLOW. No emulated
controller sends them."""


@case(
    "record: two interfaces, FD",
    "100 frames, FD, remote and 29-bit ones on vcan0; 100 frames on a controller",
    "all kept, 0 lost, checksums agree",
)
def record_of_two() -> bool:
    with Recording("vcan0", "can0") as recording:
        send_numbers("vcan0", 0, 100)
        for frame in ("123##7112233", "123#R5", "1234567F#AA"):
            cansend(frame)
        send_numbers("can1", 100, 100)
        recording.kept(203)
    block = recording.frames()
    fd, remote = (block.flags & FrameFlag.FD) != 0, (block.flags & FrameFlag.REMOTE) != 0
    rest = block.take(~fd & ~remote & (block.can_id != 0x9234567F))
    return (
        (len(block), int(fd.sum()), int(remote.sum())) == (203, 1, 1)
        and sorted(data_numbers(rest)) == list(range(200))
        and recording.lost() == 0
        and ", 0 lost\n" in recording.result
    )


@case(
    "record: bus off and restart",
    "100 frames, bus off, a second, restart, 100 frames (error frames on vcan0)",
    "both told with what to do; all frames kept, error frames too; losses not counted",
)
def bus_off_and_restart() -> bool:
    with Recording("vcan0", "can0") as recording:
        send_numbers("vcan0", 0, 100)
        cansend(BUS_OFF)
        off = recording.told("chain: the adapter's controller is bus off: .*ip link set vcan0 up")
        time.sleep(1.0)
        cansend(RESTARTED)
        back = recording.told("chain: the adapter's controller was bus off and is on the bus again")
        send_numbers("vcan0", 100, 100)
        recording.kept(202)
    block = recording.frames()
    return (
        off
        and back
        and data_numbers(block) == list(range(200))
        and block.can_id[(block.flags & FrameFlag.ERROR) != 0].tolist() == [0x40, 0x100]
        and recording.lost() is None
        and "losses not counted on chain\n" in recording.result
    )


@case(
    "record: bus off, then what is advised",
    "100 frames, bus off, ip link set vcan0 down, up, 100 frames",
    "bus off, the loss and the return told; all frames kept; losses not counted",
)
def bus_off_and_link_set_anew() -> bool:
    with Recording("vcan0", "can0") as recording:
        send_numbers("vcan0", 0, 100)
        cansend(BUS_OFF)
        off = recording.told("controller is bus off")
        ip("link set vcan0 down")
        gone = recording.told("chain: device lost: Network is down")
        ip("link set vcan0 up")
        back = recording.told("chain: open again after")
        send_numbers("vcan0", 100, 100)
        recording.kept(201)
    return (
        off
        and gone
        and back
        and data_numbers(recording.frames()) == list(range(200))
        and (recording.lost() is None)
    )


@case(
    "record: bus off again and again",
    "bus off and restart, 30 times, 0.1 s apart, a frame after each",
    "told once a second at most, with their number; all frames kept",
)
def bus_offs_by_themselves() -> bool:
    with Recording("vcan0", "can0") as recording:
        began = time.monotonic()
        with far_end("vcan0") as bus:
            for n in range(30):
                for classes in (0x40, 0x100):
                    bus.send(can.Message(arbitration_id=classes, is_error_frame=True, dlc=8, data=bytes(8)))
                bus.send(numbered(n))
                time.sleep(0.1)
        seconds = time.monotonic() - began
        recording.kept(90)
    texts = re.findall(r"controller (?:was|is) bus off.*", recording.words)
    return len(texts) <= 2 * (seconds + 2) and data_numbers(recording.frames()) == list(range(30))


@case(
    "record: the kernel's buffer overflows",
    "SIGSTOP, 50,000 frames on vcan0, SIGCONT, one frame",
    "the loss told; kept and lost are 50,001",
)
def stopped_record_counts() -> bool:
    with Recording("vcan0", "can0") as recording:
        recording.program.signal(signal.SIGSTOP)
        with far_end("vcan0") as bus:
            for n in range(50_000):
                bus.send(numbered(n))
        recording.program.signal(signal.SIGCONT)
        recording.told("asleep or busy for")
        time.sleep(2.0)
        with far_end("vcan0") as bus:
            bus.send(numbered(50_000))  # the counter rides on the next frame
        recording.told("frames lost in the adapter or the system")
    kept, lost = len(recording.frames()), recording.lost()
    print(f"  {kept} kept, {lost} lost")
    return lost is not None and lost > 0 and kept + lost == 50_001


@case(
    "record: a controller's buffer overflows",
    "100 frames, error frame of the overflow on vcan0, 100 frames",
    "overflow told, number of lost frames unknown; all frames kept; losses not counted",
)
def controller_overrun() -> bool:
    with Recording("vcan0", "can0") as recording:
        send_numbers("vcan0", 0, 100)
        cansend(OVERFLOW)
        send_numbers("vcan0", 100, 100)
        overflow = recording.told("chain: adapter buffer overflow; number of lost frames unknown")
        recording.kept(201)
    return overflow and data_numbers(recording.frames()) == list(range(200)) and recording.lost() is None


@case(
    "record: a controller unplugged",
    "100 frames on its bus, its device removed, back after 2 s, 100 frames",
    "device lost and open again told; all frames kept; losses not counted",
)
def controller_unplugged() -> bool:
    device = Path("/sys/class/net/can0/device").resolve()
    with Recording("vcan0", "can0") as recording:
        send_numbers("can1", 0, 100)
        recording.kept(100)
        (device / "remove").write_text("1")
        gone = recording.told("engine: device lost")
        time.sleep(2.0)
        Path("/sys/bus/pci/rescan").write_text("1")
        wait_for(Path("/sys/class/net/can0").exists)
        ip("link set can0 type can bitrate 500000 listen-only on")
        ip("link set can0 up")
        back = recording.told("engine: open again after")
        send_numbers("can1", 100, 100)
        recording.kept(200)
    return (
        gone and back and data_numbers(recording.frames()) == list(range(200)) and (recording.lost() is None)
    )


@case(
    "record: the system clock is set",
    "10,000 frames, 1 ms apart; clock an hour ahead after 2 s, an hour back after 5 s",
    "both told; all frames kept, in order of time, none more than 1 s after the one before",
)
def clock_is_set() -> bool:
    with Recording("vcan0", "can0") as recording:
        sender = threading.Thread(target=send_numbers, args=("vcan0", 0, 10_000, 0.001))
        sender.start()
        for pause_s, step_s in ((2.0, HOUR_S), (3.0, -HOUR_S)):
            time.sleep(pause_s)
            time.clock_settime(time.CLOCK_REALTIME, time.time() + step_s)
        sender.join()
        recording.kept(10_000)
    block = recording.frames()
    apart = np.diff(block.t)
    print(f"  {len(block)} frames; {apart.min() / 1e6:.3f} to {apart.max() / 1e6:.1f} ms apart")
    return (
        data_numbers(block) == list(range(10_000))
        and 0 <= apart.min() <= apart.max() < 1_000_000_000
        and "clock was set ahead by 36" in recording.words
        and "clock was set back by 36" in recording.words
    )


def main() -> int:
    chosen = [each for each in CASES if any(word in each.name for word in sys.argv[1:] or [""])]
    failed = 0
    print("ok | case | what is done | what must be told and kept |")
    with Starter() as Recording.starter:
        for each in chosen:
            try:
                good = each.check()
            except Exception as error:  # noqa: BLE001 - the others are still to be run
                print(f"  {type(error).__name__}: {error}")
                good = False
            failed += not good
            print(f"{'ok' if good else 'FAILED'} | {each.name} | {each.done} | {each.must} |", flush=True)
    print(f"cases failed: {failed}", flush=True)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
