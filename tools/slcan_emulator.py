"""A serial CAN adapter on a pseudo-terminal: answers commands, sends frames, can be unplugged.

    python tools/slcan_emulator.py --rate 4000 --link /tmp/adapter

then watch it with `--interface slcan --channel /tmp/adapter`.
"""

from __future__ import annotations

import argparse
import math
import os
import select
import threading
import time
import tty
from collections import deque
from pathlib import Path

STAMP_WRAP_MS = 60_000


class SlcanEmulator:
    """The adapter's side of the line.

    link     a symbolic link that always names the present pseudo-terminal, as udev's names do
    end      how lines end: CR, or CR LF
    silent   answers nothing
    refuse   first letters of commands that are answered with BEL
    latency_s  answers come so much later than their commands; it can differ from command to command
    lost     so many commands are lost first, as while an adapter restarts
    noise    bytes on the line before every answer
    stale    bytes that come with the first command, as answers to another program do
    opened   set while the channel is open
    sent     monotonic time and frames sent by then, as `run` went on
    """

    def __init__(
        self,
        link: Path,
        *,
        end: bytes = b"\r",
        silent: bool = False,
        refuse: bytes = b"",
        latency_s: float = 0.0,
        lost: int = 0,
        noise: bytes = b"",
        stale: bytes = b"",
    ) -> None:
        self.link = link
        self.end, self.silent, self.refuse = end, silent, refuse
        self.latency_s, self.lost = latency_s, lost
        self.noise, self.stale = noise, stale
        self.status = 0
        self.stamps = False
        self.opened = threading.Event()
        self.commands: list[bytes] = []
        self.sent: list[tuple[float, int]] = []
        self._master = self._slave = -1
        self._thread: threading.Thread | None = None
        self._unplugged = threading.Event()
        self._written = threading.Lock()
        self._told = threading.Condition()

    def plug(self) -> None:
        """Appear on a new pseudo-terminal."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._unplugged.clear()
        fresh = self.link.with_name(self.link.name + ".new")
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.link)
        self._thread = threading.Thread(target=self._answer, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Vanish; whoever holds the port gets a hang-up."""
        self._unplugged.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self.opened.clear()
        self.link.unlink(missing_ok=True)
        with self._written:
            os.close(self._slave)
            os.close(self._master)

    def write(self, data: bytes) -> bool:
        """Put bytes on the line; False when the adapter was unplugged before all were taken."""
        with self._written:
            while data and not self._unplugged.is_set():
                if select.select([], [self._master], [], 0.1)[1]:
                    data = data[os.write(self._master, data) :]
        return not data

    def heard(self, command: bytes, timeout_s: float = 5.0) -> bool:
        """True once the last command heard is `command`."""
        with self._told:
            return self._told.wait_for(lambda: self.commands[-1:] == [command], timeout_s)

    def frame(self, can_id: int, data: bytes, *, extended: bool = False, ms: int | None = None) -> bytes:
        """The line of a data frame, stamped when stamps are on."""
        head = b"T%08X" % can_id if extended else b"t%03X" % can_id
        now = time.monotonic_ns() // 1_000_000 if ms is None else ms
        stamp = b"%04X" % (now % STAMP_WRAP_MS) if self.stamps else b""
        return head + b"%d" % len(data) + data.hex().upper().encode() + stamp + self.end

    def send(self, can_id: int, data: bytes) -> bool:
        """One 11-bit data frame."""
        return self.write(self.frame(can_id, data))

    def run(
        self, rate: float, count: int, *, nodes: int = 16, first_id: int = 0x100, step_s: float = 0.005
    ) -> None:
        """`count` frames at `rate` a second, a running number in their data; infinite: as they are taken."""
        began, sent = time.monotonic(), 0
        while sent < count and not self._unplugged.wait(step_s):
            due = count if rate == math.inf else min(count, int((time.monotonic() - began) * rate))
            lines = [self.frame(first_id + n % nodes, n.to_bytes(8, "big")) for n in range(sent, due)]
            sent = due
            if not self.write(b"".join(lines)):
                return
            self.sent.append((time.monotonic(), sent))

    def _answer(self) -> None:
        pending = b""
        due: deque[tuple[float, bytes]] = deque()
        while not self._unplugged.is_set():
            wait = min(0.02, max(0.0, due[0][0] - time.monotonic())) if due else 0.02
            heard = select.select([self._master], [], [], wait)[0]
            while due and due[0][0] <= time.monotonic():
                self.write(due.popleft()[1])
            if not heard:
                continue
            *commands, pending = (pending + os.read(self._master, 4096)).split(b"\r")
            for command in commands:
                self._apply_command(command, due)

    def _apply_command(self, command: bytes, due: deque[tuple[float, bytes]]) -> None:
        """Do what a command asks; its answer goes out at once, or is added to those that are due later."""
        with self._told:
            self.commands.append(command)
            self._told.notify_all()
        self.write(self.stale)
        self.stale = b""
        if self.lost:
            self.lost -= 1
            return
        if command[:1] in (b"O", b"L") and command[:1] not in self.refuse:
            self.opened.set()
        if command[:1] == b"C":
            self.opened.clear()
        if command[:1] == b"Z" and b"Z" not in self.refuse:
            self.stamps = command == b"Z1"
        if self.silent:
            return
        answer = self.noise + self._reply(command)
        if self.latency_s or due:
            due.append((time.monotonic() + self.latency_s, answer))
        else:
            self.write(answer)

    def _reply(self, command: bytes) -> bytes:
        kind = command[:1]
        if not kind or kind in self.refuse or kind not in b"CSOLVNFZY":
            return b"\a"
        texts = {b"V": b"V1013", b"N": b"N0001", b"F": b"F%02X" % self.status}
        return texts.get(kind, b"") + self.end


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rate", type=float, default=1000.0, help="frames a second")
    parser.add_argument("--count", type=int, default=1_000_000_000, help="frames in all")
    parser.add_argument("--link", type=Path, default=Path("slcan"), help="name to give the pseudo-terminal")
    parser.add_argument("--latency", type=float, default=0.0, metavar="S", help="how late answers come")
    parser.add_argument("--refuse", default="", metavar="LETTERS", help="commands that are refused, as SL")
    chosen = parser.parse_args()
    emulator = SlcanEmulator(chosen.link, latency_s=chosen.latency, refuse=chosen.refuse.encode())
    emulator.plug()
    print(f"{chosen.link}: waiting to be opened", flush=True)
    try:
        emulator.opened.wait()
        emulator.run(chosen.rate, chosen.count)
        threading.Event().wait()
    except KeyboardInterrupt:
        pass
    finally:
        emulator.unplug()


if __name__ == "__main__":
    main()
