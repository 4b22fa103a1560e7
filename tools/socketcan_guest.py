"""What SocketCAN does with a real kernel: run as root in a machine that has it, see socketcan_rig.py.

Needs vcan0 (mtu 72, up), can0 (500 kbit/s, listening only) and can1 (500 kbit/s), both up and on
one bus. Prints a line a check and ends with status 1 if one failed.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import can

from mixmon.errors import SourceError
from mixmon.frames.adapters.adapters import Adapters
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import BusCondition, SourceEvent, SourceEventKind
from mixmon.frames.adapters.socketcan import Link, SocketcanReceiver, open_can, read_link
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import FrameBlock, FrameFlag, concat

PATIENCE_S = 15.0


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


def told(events: list[SourceEvent], kind: SourceEventKind) -> bool:
    return kind in {event.kind for event in events}


def links() -> bool:
    listening = Link(up=True, kind="can", bitrate=500_000, listen_only=True, state=0)
    acknowledging = Link(up=True, kind="can", bitrate=500_000, listen_only=False, state=0)
    found = [read_link(channel) for channel in ("can0", "can1", "vcan0")]
    return found == [listening, acknowledging, Link(up=True, kind="vcan")]


def no_such_link() -> bool:
    try:
        Adapters([BusOptions("v", "socketcan", "can9")]).start()
    except SourceError as error:
        return "does not open: no such interface; expected one of can0, can1, vcan0; plug" in str(error)
    return False


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


def none_lost() -> bool:
    with Adapters([BusOptions("v", "socketcan", "vcan0")]) as adapters, far_end("vcan0") as bus:
        for n in range(3000):
            bus.send(numbered(n))
        block = take(adapters, 3000)
    numbers: list[int] = block.data.copy().view(">u8")[:, 0].tolist()
    return numbers == list(range(3000))


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


CHECKS = (
    links,
    no_such_link,
    none_lost,
    kinds_and_condition,
    down_and_up,
    deleted_and_made_anew,
    drops_are_counted,
    controllers,
    two_at_once,
)


def main() -> int:
    failed = 0
    for check in CHECKS:
        good = check()
        failed += not good
        print(f"{'ok' if good else 'FAILED'} {check.__name__.replace('_', ' ')}", flush=True)
    print(f"checks failed: {failed}", flush=True)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
