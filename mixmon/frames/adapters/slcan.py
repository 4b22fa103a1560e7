"""Serial adapters: their line grammar, and the device that speaks it.

`SlcanLines` turns bytes into frames and answers, without any port. `SlcanReceiver` opens the port, gives
commands, lets bytes gather and asks for the adapter's status. Only commands to the adapter itself are
written (C, S, Z, L or O, F); no frame ever is.

One line a frame, ended by CR:

    t III L DD..          11-bit data          T IIIIIIII L DD..   29-bit (x too)
    r III L               11-bit remote        R IIIIIIII L
    d III L DD..          CAN FD               D IIIIIIII L DD..
    b III L DD..          FD, faster data      B IIIIIIII L DD..

L is one digit 0..8, or a hex length code for FD. Four hex digits more are a time stamp in
milliseconds. An empty line means "done" and BEL "refused"; z, Z, F, V, v and N begin answers.
The grammar is common practice of serial adapters and of Linux' slcan driver (drivers/net/can/slcan).

A line is a frame, an answer, or a counted reject. Two lines joined by a lost CR are not
separated by guess: both are lost, and counted as one.
"""

from __future__ import annotations

import re
import time
from binascii import unhexlify
from collections import Counter
from contextlib import suppress
from enum import IntFlag, StrEnum

import numpy as np
import serial

from mixmon.arrays import SECOND_NS, Ints
from mixmon.errors import SourceError, UsageError
from mixmon.frames.adapters.interfaces import BusOptions
from mixmon.frames.adapters.receiver import (
    GATHER_S,
    BusCondition,
    DeviceLostError,
    Receiver,
    identifier,
    numbered_channels,
    with_stamps,
)
from mixmon.frames.adapters.stamps import DeviceStamps, HostClock, StampKind
from mixmon.frames.block import FrameBlock, FrameFlag, FrameRow, block_of, concat
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_STANDARD

BITRATES = {
    10_000: b"S0",
    20_000: b"S1",
    50_000: b"S2",
    100_000: b"S3",
    125_000: b"S4",
    250_000: b"S5",
    500_000: b"S6",
    800_000: b"S7",  # 750 000 in some firmware
    1_000_000: b"S8",
}
"""Commands for the bit rates, as in Linux' slcan driver."""

STAMP_WRAP_MS = 60_000
"""Time stamps count 0..59999 ms."""

UNSTAMPED = -1  # our choice: no stamp is negative
ANSWER_DONE = b""
ANSWER_REFUSED = b"\a"
LONGEST_SERIAL_LINE = 200
"""Bytes; the longest line that means anything, 29-bit FD with 64 bytes and a stamp, has 142."""

_FRAME_LINE = re.compile(rb"([trdb][0-9A-Fa-f]{3}|[TxRDB][0-9A-Fa-f]{8})([0-9A-Fa-f])([0-9A-Fa-f]*)")
_HEX_TEXT = re.compile(rb"[0-9A-Fa-f]+")
_ANSWER = re.compile(rb"z|Z|F[0-9A-Fa-f]{2}|[VvN][ -~]*")
_FD = FrameFlag.FD
_FLAGS = {b"r": FrameFlag.REMOTE, b"d": _FD, b"b": _FD | FrameFlag.BIT_RATE_SWITCH}


class SlcanReason(StrEnum):
    """Why a line is neither frame nor answer."""

    NOT_TEXT = "not text"
    UNKNOWN = "unknown line"
    IDENTIFIER = "identifier"
    DATA = "data"
    LENGTH = "length"
    TOO_LONG = "too long"
    CUT = "cut short"


class SlcanStatus(IntFlag):
    """Bits of the answer to F. Firmware differs; these are the common ones."""

    RECEIVE_QUEUE_FULL = 1
    WARNING = 4
    OVERRUN = 8
    PASSIVE = 32
    BUS_ERROR = 128


class SlcanLines:
    """A stage: bytes in, frames out. Any split of the bytes gives the same.

    answers    lines that answer commands, oldest first; emptied by whoever asked.
               ANSWER_DONE is b"", ANSWER_REFUSED is BEL, others stand as they came
    rejected   lines that are neither, by reason
    """

    def __init__(self, bus: int = 0, channels: tuple[str, ...] = ("slcan",)) -> None:
        self._channel = channels[bus]
        self._interfaces = numbered_channels(channels)
        self._rows: list[FrameRow] = []
        self._tail = b""
        self.answers: list[bytes] = []
        self.rejected: Counter[str] = Counter()

    def feed(self, data: bytes) -> FrameBlock:
        r"""Frames of the lines that `data` completes.

        `t` is the adapter's stamp in ns, 0 to a minute, or UNSTAMPED.

            >>> lines = SlcanLines()
            >>> lines.feed(b"t1232AB").t, lines.feed(b"CD1000\r").t
            (array([], dtype=int64), array([4096000000]))
        """
        *lines, tail = (self._tail + data.replace(b"\a", b"\a\r")).split(b"\r")
        self._tail = tail.lstrip(b"\n")[: LONGEST_SERIAL_LINE + 1]
        for line in lines:
            self._read_serial_line(line.lstrip(b"\n"))
        rows, self._rows = self._rows, []
        return block_of(rows, self._interfaces)

    def flush(self) -> None:
        """Count an unfinished line as cut short."""
        if self._tail:
            self.rejected[SlcanReason.CUT] += 1
        self._tail = b""

    def _read_serial_line(self, line: bytes) -> None:
        """Add the frame or the answer of a line, or count why it is neither."""
        if line.endswith(ANSWER_REFUSED):
            self.answers.append(ANSWER_REFUSED)
            if line != ANSWER_REFUSED:
                self.rejected[SlcanReason.NOT_TEXT] += 1
        elif match := _FRAME_LINE.fullmatch(line):
            self._read_frame(*match.groups())
        elif not line or _ANSWER.fullmatch(line):
            self.answers.append(line)
        else:
            self.rejected[_name_fault(line)] += 1

    def _read_frame(self, head: bytes, code: bytes, rest: bytes) -> None:
        """Add the frame of a line, by its kind and identifier, length code and data, or count the reject."""
        number, extended = int(head[1:], 16), len(head) > 4
        if number > (LAST_EXTENDED if extended else LAST_STANDARD):
            self.rejected[SlcanReason.IDENTIFIER] += 1
            return
        flags = _FLAGS.get(head[:1].lower(), 0)
        dlc = int(code, 16)
        digits = 0 if flags & FrameFlag.REMOTE else 2 * FD_SIZES[dlc]
        stamp = UNSTAMPED
        if len(rest) == digits + 4:
            stamp = int(rest[digits:], 16) * 1_000_000
        if (dlc > 8 and not flags & FrameFlag.FD) or (stamp == UNSTAMPED and len(rest) != digits):
            self.rejected[SlcanReason.LENGTH] += 1
            return
        can_id = identifier(number, extended)
        self._rows.append(FrameRow(stamp, can_id, self._channel, dlc, int(flags), unhexlify(rest[:digits])))


def _name_fault(line: bytes) -> SlcanReason:
    """Why a line has the shape of neither frame nor answer."""
    if len(line) > LONGEST_SERIAL_LINE:
        return SlcanReason.TOO_LONG
    if not line.isascii() or not line.decode("ascii").isprintable():
        return SlcanReason.NOT_TEXT
    if line[:1] not in b"trdbTxRDB":
        return SlcanReason.UNKNOWN
    digits = 3 if line[:1] in b"trdb" else 8
    if len(line) < 1 + digits + 1:
        return SlcanReason.LENGTH
    return SlcanReason.DATA if _HEX_TEXT.fullmatch(line, 1, 1 + digits) else SlcanReason.IDENTIFIER


# The device.

ANSWER_S = 0.3
"""Wait for the answer to a command; our choice: ten times what a slow port needs."""

WAKE_S = 2.5
"""Wait for the first answer: some adapters restart when their port is opened, and do not answer for two
seconds (common practice, no source)."""

PORT_READ_S = 0.02
"""Wait for the first byte; our choice: short beside the 50 ms batches in which frames are worked."""

POLL_NS = SECOND_NS
"""The adapter's status is asked for so often; our choice."""

UNANSWERED_POLLS = 3
"""After so many the adapter is lost; our choice."""

USB_DELAY_NS = 20_000_000
"""USB serial drivers hold bytes back for up to 16 ms (common practice, no source)."""

_MS = 1_000_000  # ns
_LOST_FRAMES = SlcanStatus.RECEIVE_QUEUE_FULL | SlcanStatus.OVERRUN
_WARNINGS = SlcanStatus.WARNING | SlcanStatus.BUS_ERROR
"""A controller that only listens counts no errors (ISO 11898-1), then it reports the second alone."""


def open_device(
    options: BusOptions, index: int, channels: tuple[str, ...], clock: HostClock
) -> SlcanReceiver:
    """The serial adapter on the port `options.channel`; see `SlcanReceiver`."""
    return SlcanReceiver(
        options.channel or "",
        index,
        channels,
        clock,
        bitrate=options.bitrate,
        listen_only=not options.acknowledge,
        **options.options,
    )


class SlcanReceiver(Receiver):
    """An open serial adapter.

    `sleep_after_open` is the longest wait, in seconds, for the first answer. With stamps asked
    for and given, frames carry the adapter's milliseconds; else the moment of the read. One
    frame without a stamp, or one that counts past a minute, settles it for the host clock.

    Raises:
        UsageError: no command exists for the bit rate.
        SourceError: the adapter refuses the bit rate or the way of opening.
        OSError: there is no such port.
    """

    def __init__(
        self,
        port: str,
        bus: int,
        channels: tuple[str, ...],
        clock: HostClock,
        *,
        bitrate: int | None = None,
        listen_only: bool = True,
        stamps: bool = True,
        tty_baudrate: int = 115_200,
        rtscts: bool = False,
        sleep_after_open: float = WAKE_S,
    ) -> None:
        super().__init__(StampKind.HOST)
        self._clock = clock
        self._name = channels[bus]
        self._bus, self._channels = bus, channels
        self._lines = SlcanLines(bus, channels)
        self._stamps: DeviceStamps | None = None
        self._early: list[FrameBlock] = []
        self._unanswered = 0
        self._next_poll: int | None = None
        rate = _rate_command(self._name, bitrate)
        path, _, baudrate = port.partition("@")
        self._port = serial.serial_for_url(
            path,
            baudrate=int(baudrate or tty_baudrate),
            rtscts=rtscts,
            timeout=PORT_READ_S,
            write_timeout=0.5,
            exclusive=True,
        )
        try:
            if not self._wake_up(sleep_after_open):
                self.remarks.append("no answers: bit rate and way of opening cannot be confirmed")
            self._open_channel(rate, bitrate, stamps=stamps, listen_only=listen_only)
        except BaseException:
            self.close()
            raise
        self.rejected = self._lines.rejected
        self.through = clock.now()

    def read(self, timeout_s: float) -> FrameBlock:  # noqa: ARG002 - the port's own timeout is PORT_READ_S
        """The frames that came; see `Receiver.read`."""
        try:
            self._poll_status()
            data = self._port.read(1)
            if data:
                time.sleep(GATHER_S)
                data += self._port.read(self._port.in_waiting)
        except (OSError, TypeError, ValueError) as error:  # a port closed under pyserial raises either
            hung_up = "returned no data" in str(error)  # how pyserial words it
            raise DeviceLostError("the port hung up" if hung_up else str(error)) from error
        block = concat([*self._early, self._read_frames(data)])
        self._early.clear()
        self._read_answers()
        return block

    def close(self) -> None:
        """Let go of the device."""
        with suppress(OSError, TypeError, ValueError):
            self._port.write(b"C\rZ0\r" if self._stamps else b"C\r")
        with suppress(OSError, TypeError, ValueError):
            self._port.close()
        self._lines.flush()

    def _open_channel(
        self, rate: bytes | None, bitrate: int | None, *, stamps: bool, listen_only: bool
    ) -> None:
        """Set the bit rate and the stamps, then open the adapter's side of the bus.

        Raises:
            SourceError: the adapter refuses the bit rate or the way of opening.
        """
        self._lines = SlcanLines(self._bus, self._channels)
        if rate and self._ask_adapter(rate) == ANSWER_REFUSED:
            raise SourceError(
                f"{self._name}: the adapter refuses {bitrate} bit/s; expected a bit rate that its firmware "
                "knows; choose another or see its manual"
            )
        if stamps and self._ask_adapter(b"Z1") == ANSWER_DONE:
            self._stamps = DeviceStamps(STAMP_WRAP_MS * _MS)
            self.stamped_by = StampKind.DEVICE
        self._early.clear()
        opened = self._ask_adapter(b"L" if listen_only else b"O")
        if opened == ANSWER_REFUSED:
            raise SourceError(self._say_refused(listen_only=listen_only))
        self.listen_only = listen_only and (True if opened == ANSWER_DONE else None)
        status = self._ask_adapter(b"F")
        if status is not None and status.startswith(b"F"):
            self.reports_loss = True
            self._next_poll = self._clock.now() + POLL_NS

    def _say_refused(self, *, listen_only: bool) -> str:
        """Words for an adapter that does not open as asked."""
        if listen_only:
            return (
                f"{self._name}: the adapter refuses to listen only (L); expected an adapter that can; use "
                'another, or role = "acknowledge" if this program may acknowledge frames on this bus'
            )
        return (
            f"{self._name}: the adapter refuses to open (O); expected a free adapter; unplug it and try again"
        )

    def _wake_up(self, seconds: float) -> bool:
        """Ask for the channel to be closed until there is an answer; False when there is none in time.

        Questions that were not answered in time may still be: their answers are awaited too, or the next
        commands would be taken as answered by them.
        """
        deadline, unanswered = time.monotonic() + seconds, 0
        while time.monotonic() < deadline:
            if self._ask_adapter(b"C") is None:
                unanswered += 1
                continue
            while unanswered and self._await_answer(b"C") is not None:
                unanswered -= 1
            return True
        return False

    def _ask_adapter(self, command: bytes) -> bytes | None:
        """The answer to a command, None if there is none. Frames that come meanwhile are kept."""
        self._lines.answers.clear()
        self._port.write(command + b"\r")
        return self._await_answer(command)

    def _await_answer(self, command: bytes) -> bytes | None:
        """The next answer that can be one to the command, None if there is none in time."""
        deadline = time.monotonic() + ANSWER_S
        while time.monotonic() < deadline:
            data = self._port.read(1)
            self._early.append(self._read_frames(data + self._port.read(self._port.in_waiting)))
            while self._lines.answers:
                answer = self._lines.answers.pop(0)
                if _can_answer(command, answer):
                    return answer
        return None

    def _poll_status(self) -> None:
        """Ask for the status when it is time.

        Raises:
            DeviceLostError: the last questions were not answered.
        """
        now = self._clock.now()
        if self._next_poll is None or now < self._next_poll:
            return
        if self._unanswered >= UNANSWERED_POLLS:
            raise DeviceLostError("the adapter no longer answers")
        self._unanswered += 1
        self._next_poll = now + POLL_NS
        self._port.write(b"F\r")

    def _read_answers(self) -> None:
        for answer in self._lines.answers:
            if answer.startswith(b"F"):
                self._unanswered = 0
                self._apply_status(SlcanStatus(int(answer[1:], 16)))
        self._lines.answers.clear()

    def _apply_status(self, status: SlcanStatus) -> None:
        if status & _LOST_FRAMES:
            self.remarks.append("adapter buffer overflow; number of lost frames unknown")
        if status & SlcanStatus.PASSIVE:
            self.condition = BusCondition.PASSIVE
        elif status & _WARNINGS:
            self.condition = BusCondition.WARNING
        else:
            self.condition = BusCondition.ACTIVE

    def _read_frames(self, data: bytes) -> FrameBlock:
        """The frames that bytes read just now complete."""
        arrived = self._clock.now()
        block = self._lines.feed(data)
        if self._stamps and len(block) and not _are_stamps(block.t):
            self._stamps, self.stamped_by = None, StampKind.HOST
            self.remarks.append(
                "frames without proper time stamps: the moment of reading is used from here on"
            )
        if self._stamps:
            self.through = arrived - USB_DELAY_NS
            return self.lay_along_host(block, self._stamps, arrived)
        self.through = arrived
        return with_stamps(block, np.full(len(block), arrived, np.int64))


def _can_answer(command: bytes, answer: bytes) -> bool:
    """Whether this may answer the command: the status comes with its letter, all else is done or refused."""
    if answer == ANSWER_REFUSED:
        return True
    return answer.startswith(b"F") if command == b"F" else answer == ANSWER_DONE


def _are_stamps(t: Ints) -> bool:
    """Whether all frames carry a stamp, and none counts past a minute."""
    return bool(((t >= 0) & (t < STAMP_WRAP_MS * _MS)).all())


def _rate_command(name: str, bitrate: int | None) -> bytes | None:
    """The command for a bit rate; None where the adapter's setting is kept.

    Raises:
        UsageError: no command exists for it.
    """
    if bitrate is None:
        return None
    if bitrate not in BITRATES:
        known = ", ".join(str(rate) for rate in BITRATES)
        raise UsageError(f"{name}: bit rate {bitrate}; a serial adapter has {known}; choose one of them")
    return BITRATES[bitrate]
