"""Serial adapters: their line grammar, and the device that speaks it.

`SlcanLines` turns bytes into frames and answers, without any port. `SlcanReceiver` opens the port, gives
commands, lets bytes gather and asks for the adapter's status. Only commands to the adapter itself are
written (C, S, Y, Z, L or O, F); no frame ever is.

One line a frame, ended by CR:

    t III L DD..          11-bit data          T IIIIIIII L DD..   29-bit (x too)
    r III L               11-bit remote        R IIIIIIII L
    d III L DD..          CAN FD               D IIIIIIII L DD..
    b III L DD..          FD, faster data      B IIIIIIII L DD..

L is one digit 0..8, or a hex length code for FD. Four hex digits more are a time stamp in
milliseconds; eight are a stamp in a unit that is not known. An empty line means "done" and BEL "refused";
z, Z, F, V, v and N begin answers.
The grammar is common practice of serial adapters and of Linux' slcan driver (drivers/net/can/slcan).

An answer does not say which command it answers. So a command is given when the answer to the one before
has come, or can no longer come (`ANSWER_S`); before the first, all older answers are drained.

A line is a frame, an answer, or a counted reject. Two lines joined by a lost CR are not
separated by guess: both are lost, and counted as one.
"""

from __future__ import annotations

import re
import time
from binascii import unhexlify
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from enum import IntFlag, StrEnum
from itertools import compress

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
from mixmon.frames.block import (
    CLASSIC_WIDTH,
    EXTENDED,
    FrameBlock,
    FrameFlag,
    FrameRow,
    block_of,
    concat,
)
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

DATA_BITRATES = {2_000_000: b"Y2", 5_000_000: b"Y5"}
"""Commands for the bit rates of CAN FD data, as in python-can's slcan interface."""

STAMP_WRAP_MS = 60_000
"""Time stamps count 0..59999 ms."""

_MS = 1_000_000  # ns
UNSTAMPED = -1  # our choice, as the next: no stamp is negative
UNKNOWN_UNIT = -2
ANSWER_DONE = b""
ANSWER_REFUSED = b"\a"
LONGEST_SERIAL_LINE = 200
"""Bytes; the longest line that means anything, 29-bit FD with 64 bytes and a stamp, has 146."""

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
        self._channel, self._bus = channels[bus], bus
        self._interfaces = numbered_channels(channels)
        self._rows: list[FrameRow] = []
        self._tail = b""
        self.answers: list[bytes] = []
        self.rejected: Counter[str] = Counter()

    def feed(self, data: bytes) -> FrameBlock:
        r"""Frames of the lines that `data` completes.

        `t` is the adapter's stamp in ns, 0 to a minute, or UNSTAMPED, or UNKNOWN_UNIT.

            >>> lines = SlcanLines()
            >>> lines.feed(b"t1232AB").t, lines.feed(b"CD1000\r").t
            (array([], dtype=int64), array([4096000000]))
        """
        text = self._tail + data.replace(b"\a", b"\a\r")
        end = text.rfind(b"\r") + 1
        whole, tail = text[:end], text[end:]
        self._tail = tail.lstrip(b"\n")[: LONGEST_SERIAL_LINE + 1]
        plain = read_plain_lines(whole, self._bus, self._interfaces.names) if whole else None
        if plain is not None:
            return plain
        for line in whole.split(b"\r")[:-1]:
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
        stamp = _read_stamp(rest[digits:])
        if (dlc > 8 and not flags & FrameFlag.FD) or len(rest) < digits or stamp is None:
            self.rejected[SlcanReason.LENGTH] += 1
            return
        can_id = identifier(number, extended)
        self._rows.append(FrameRow(stamp, can_id, self._channel, dlc, int(flags), unhexlify(rest[:digits])))


def _read_stamp(digits: bytes) -> int | None:
    """The stamp, ns, that stands in the hex digits behind the data; None where they are no stamp.

    No two joined lines look like eight digits: the second would begin with b, d, B or D, and no line that
    begins so has eight characters.
    """
    if len(digits) == 4:
        return int(digits, 16) * _MS
    return {0: UNSTAMPED, 8: UNKNOWN_UNIT}.get(len(digits))


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


# Plain lines: classic data frames and nothing else, read all at once. What is read here comes out as it does
# line by line: the pattern holds what the grammar allows, and its matches must cover every byte.

_PLAIN_LINE = re.compile(rb"(?:t([0-7][0-9A-Fa-f]{2})|[Tx]([01][0-9A-Fa-f]{7}))([0-8])([0-9A-Fa-f]{0,20})\r")
_STANDARD_CHARS, _EXTENDED_CHARS = 6, 11  # computed: of a line without data and stamp, its end included
_ID_DIGITS, _DATA_DIGITS, _STAMP_DIGITS = 8, 2 * CLASSIC_WIDTH, 4


def read_plain_lines(text: bytes, bus: int, channels: tuple[str, ...]) -> FrameBlock | None:
    r"""Whole lines as the frames of one bus; None where not all of them are plain.

    >>> read_plain_lines(b"t1232AB02\rT1ABCDEF00\r", 0, ("can0",)).size
    array([2, 0], dtype=uint8)
    >>> read_plain_lines(b"t1232AB02\rz\r", 0, ("can0",))
    """
    lines = _PLAIN_LINE.findall(text)
    if not lines:
        return None
    standard, extended, codes, rests = zip(*lines, strict=True)
    short, n = extended.count(b""), len(lines)
    digits = np.fromiter(map(len, rests), np.int64, n)
    if len(text) != int(digits.sum()) + _STANDARD_CHARS * short + _EXTENDED_CHARS * (n - short):
        return None
    size = np.frombuffer(b"".join(codes), np.uint8) - np.uint8(ord("0"))
    stamps = digits - 2 * size.astype(np.int64)
    t = np.full(n, UNSTAMPED, np.int64)
    if stamps.any():
        stamped = stamps == _STAMP_DIGITS
        if not (stamped | (stamps == 0)).all():
            return None
        t[stamped] = [int(rest[-_STAMP_DIGITS:], 16) * _MS for rest in compress(rests, stamped)]
        rests = tuple(rest[: 2 * count] for rest, count in zip(rests, size.tolist(), strict=True))
    data = bytearray(unhexlify(b"".join([rest.ljust(_DATA_DIGITS, b"0") for rest in rests])))
    numbers = b"".join([(a or b).rjust(_ID_DIGITS, b"0") for a, b in zip(standard, extended, strict=True)])
    can_id = np.frombuffer(unhexlify(numbers), ">u4").astype(np.uint32)
    if short < n:
        can_id |= np.where([bool(b) for b in extended], np.uint32(EXTENDED), np.uint32(0))
    return FrameBlock(
        t,
        can_id,
        np.full(n, bus, np.uint8),
        size,
        size,
        np.zeros(n, np.uint8),
        np.frombuffer(data, np.uint8).reshape(n, CLASSIC_WIDTH),
        channels,
    )


# The device.

ANSWER_S = 2.5
"""Wait for the answer to a command, and for the first of all: some adapters restart when their port is
opened, and do not answer for two seconds (common practice, no source)."""

MUTE_S = 0.3
"""Wait for the answer of an adapter that has answered nothing yet, or to a question that not all know; our
choice."""

ASK_AGAIN_S = 0.3
"""The first question is asked again after so long, then after twice as long, as a restarting adapter loses
it; our choice."""
ASK_AT_LEAST_EACH_S = 1.2  # the longest of these pauses: so that one of them ends shortly after two seconds

NO_ANSWER_S = 0.05
"""No answer for so long means that none is on its way, where answers come at once; our choice, ten times what
a USB adapter needs."""

NO_ANSWER_TIMES = 2
"""The same where answers come late, in times of the slowest one so far; our choice."""

_MOST_DRAINED = 100
"""Answers to no command from which the device is no quiet adapter: our choice; a restart leaves a few."""

PORT_READ_S = 0.02
"""Wait for the first byte; our choice: short beside the 50 ms batches in which frames are worked."""

POLL_NS = SECOND_NS
"""The adapter's status is asked for so often; our choice."""

UNANSWERED_POLLS = 3
"""After so many the adapter is lost; our choice."""

USB_DELAY_NS = 20_000_000
"""USB serial drivers hold bytes back for up to 16 ms (common practice, no source)."""

_LOST_FRAMES = SlcanStatus.RECEIVE_QUEUE_FULL | SlcanStatus.OVERRUN
_WARNINGS = SlcanStatus.WARNING | SlcanStatus.BUS_ERROR
"""A controller that only listens counts no errors (ISO 11898-1), then it reports the second alone."""

_CLOSE, _STAMPS, _LISTEN, _OPEN, _STATUS = b"C", b"Z1", b"L", b"O", b"F"


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

    `sleep_after_open` is the longest wait, in seconds, for the first answer; it is `ANSWER_S` at least.
    With stamps asked for and given, frames carry the adapter's milliseconds; else the moment of the read.
    One frame without a stamp, or one that counts past a minute, settles it for the host clock.
    CAN FD frames are read wherever they come; `data_bitrate` sets the rate of their data.

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
        fd: bool = False,
        data_bitrate: int | None = None,
        tty_baudrate: int = 115_200,
        rtscts: bool = False,
        sleep_after_open: float = ANSWER_S,
    ) -> None:
        super().__init__(StampKind.HOST)
        self._clock = clock
        self._name = channels[bus]
        self._lines = SlcanLines(bus, channels)
        self.rejected = self._lines.rejected
        self._stamps: DeviceStamps | None = None
        self._early: list[tuple[FrameBlock, int]] = []  # with the moment of reading
        self._mute = self._unconfirmed = self._stamps_remarked = False
        self._slowest_s = 0.0
        self._unanswered = 0
        self._next_poll: int | None = None
        rates = _rate_commands(self._name, bitrate, data_bitrate)
        if fd and data_bitrate is None:
            self.remarks.append("CAN FD without a bit rate for data: the adapter's own setting stands")
        path, _, baudrate = port.partition("@")
        self._port = serial.serial_for_url(
            path,
            baudrate=int(baudrate or tty_baudrate),
            rtscts=rtscts,
            timeout=PORT_READ_S,
            write_timeout=0.5,
            exclusive=True,
        )
        commands = (*rates, *((_STAMPS,) if stamps else ()), _LISTEN if listen_only else _OPEN)
        try:
            self._wake_up(sleep_after_open)
            self._open_channel(commands)
        except BaseException:
            self.close()
            raise
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
        self._early.append((self._lines.feed(data), self._clock.now()))
        block = concat([self._lay_in_time(*each) for each in self._early])
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

    def _wake_up(self, seconds: float) -> None:
        """Ask for the channel to be closed until there is an answer, then drain all answers on their way.

        A question that is asked again may be answered twice, or once where the adapter was still restarting;
        answers to another program may come as well. None of them may be taken for the answer to a later
        command. Without any answer in time the adapter is taken as mute.
        """
        began, asked, pause = time.monotonic(), 0, ASK_AGAIN_S
        deadline = began + max(seconds, ANSWER_S)
        while (left := deadline - time.monotonic()) > 0:
            self._port.write(_CLOSE + b"\r")
            asked += 1
            if self._next_answer(min(pause, left)) is not None:
                self._slowest_s = time.monotonic() - began
                self._count_drained(self._drain_answers(asked - 1) - (asked - 1))
                return
            pause = min(2 * pause, ASK_AT_LEAST_EACH_S)
        self._count_drained(0)
        self._mute = True
        self.remarks.append("no answers: bit rate and way of opening cannot be confirmed")

    def _drain_answers(self, expected: int) -> int:
        """Read until no answer comes any more; how many came. `expected` are on their way, or were lost.

        Raises:
            SourceError: answers come without end.
        """
        drained = 0
        while self._next_answer(ANSWER_S if drained < expected else NO_ANSWER_S) is not None:
            drained += 1
            self._check_drained(drained)
        return drained

    def _check_drained(self, drained: int) -> None:
        if drained > _MOST_DRAINED:
            raise SourceError(
                f"{self._name}: answers without end, {drained} and more to no command; expected an "
                "adapter that is quiet until it is asked; check the port and its speed"
            )

    def _count_drained(self, answers: int) -> None:
        """Remark on what came before the first command, and forget it."""
        lines = max(answers, 0) + sum(len(block) for block, _ in self._early) + self.rejected.total()
        self._early.clear()
        self.rejected.clear()
        if lines:
            self.remarks.append(f"lines from before the adapter was opened, not used: {lines}")

    def _open_channel(self, commands: tuple[bytes, ...]) -> None:
        """Set rates and stamps, then open the adapter's side of the bus; `commands` in that order.

        Where more answers came than commands were given, answers may have been taken for those of later
        commands. Then, if any of them was a refusal, or if the adapter was taken as mute, all is given again,
        after all answers are drained: first for as long as answers took, then for as long as any can take.

        Raises:
            SourceError: the adapter refuses a bit rate or the way of opening.
        """
        for tries_left in (2, 1, 0):
            answers, surplus = self._give_commands(commands)
            doubtful = surplus and (self._mute or ANSWER_REFUSED in (*answers.values(), *surplus))
            if not doubtful or not tries_left:
                break
            self.remarks.append("answers came late; the commands were given again")
            drain_s = self._quiet_s() if tries_left == 2 and not self._mute else ANSWER_S
            self._mute = False
            self._port.write(_CLOSE + b"\r")
            drained = 0
            while self._next_answer(drain_s) is not None:
                drained += 1
                self._check_drained(drained)
        for command in commands:
            if command != _STAMPS and answers.get(command) == ANSWER_REFUSED:
                raise SourceError(f"{self._name}: {_say_refused(command)}")
        self._take_up(answers, commands[-1])

    def _give_commands(self, commands: tuple[bytes, ...]) -> tuple[dict[bytes, bytes | None], list[bytes]]:
        """The answers to the commands and to the question for the status, and the answers beyond these.

        Nothing more is given after a refusal, except after one of stamps.
        """
        answers: dict[bytes, bytes | None] = {}
        surplus: list[bytes] = []
        for command in (*commands, _STATUS):
            if command != _STATUS:
                self._early.clear()
            answers[command] = self._ask_adapter(command, surplus)
            if answers[command] == ANSWER_REFUSED and command != _STAMPS:
                break
        if ANSWER_REFUSED in answers.values():  # it may be a late one
            while (answer := self._next_answer(self._quiet_s())) is not None:
                surplus.append(answer)
        return answers, surplus

    def _quiet_s(self) -> float:
        """For how long, in seconds, no answer comes where none is on its way."""
        return max(NO_ANSWER_S, min(NO_ANSWER_TIMES * self._slowest_s, ANSWER_S))

    def _take_up(self, answers: Mapping[bytes, bytes | None], opening: bytes) -> None:
        """Act by what the adapter has confirmed."""
        if answers.get(_STAMPS) == ANSWER_DONE:
            self._stamps = DeviceStamps(STAMP_WRAP_MS * _MS)
            self.stamped_by = StampKind.DEVICE
        self.listen_only = opening == _LISTEN and (True if answers[opening] == ANSWER_DONE else None)
        silent = [command for command, answer in answers.items() if answer is None and command != _STATUS]
        self._unconfirmed = bool(silent)
        if silent and not self._mute:
            names = b", ".join(silent).decode()
            self.remarks.append(f"no answer to {names}: it cannot be confirmed that this took effect")
        if (answers[_STATUS] or b"").startswith(_STATUS):
            self.reports_loss = True
            self._next_poll = self._clock.now() + POLL_NS

    def _ask_adapter(self, command: bytes, others: list[bytes]) -> bytes | None:
        """The answer to a command, None if there is none; answers to others before it go to `others`.

        What a mute adapter says may answer anything, so only the status, which comes with its letter, counts.
        Some adapters do not know the question for the status; it is not waited for as long as the others.
        """
        self._port.write(command + b"\r")
        began = time.monotonic()
        wait = ANSWER_S
        if self._mute or command == _STATUS:
            wait = min(MUTE_S + self._quiet_s(), ANSWER_S)
        while (left := began + wait - time.monotonic()) > 0:
            answer = self._next_answer(left)
            if answer is None:
                break
            if _can_answer(command, answer) and (answer.startswith(_STATUS) or not self._mute):
                self._slowest_s = max(self._slowest_s, time.monotonic() - began)
                return answer
            others.append(answer)
        return None

    def _next_answer(self, wait_s: float) -> bytes | None:
        """The next answer within so many seconds, else None; frames that come before it are kept."""
        deadline = time.monotonic() + wait_s
        while not self._lines.answers and time.monotonic() < deadline:
            data = self._port.read(1)
            block = self._lines.feed(data + self._port.read(self._port.in_waiting))
            if len(block):
                self._early.append((block, self._clock.now()))
        return self._lines.answers.pop(0) if self._lines.answers else None

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
        # pyserial calls a write late that went out whole, where the computer stood still meanwhile. An
        # adapter that takes nothing answers nothing, which is counted.
        with suppress(serial.SerialTimeoutException):
            self._port.write(b"F\r")

    def _read_answers(self) -> None:
        """Take up what the adapter says while frames are read."""
        for answer in self._lines.answers:
            if answer.startswith(_STATUS):
                self._unanswered = 0
                self._apply_status(SlcanStatus(int(answer[1:], 16)))
            elif answer == ANSWER_REFUSED and self._unconfirmed:
                self.remarks.append(
                    "the adapter refused a command late: its bit rate or its way of opening is not as asked"
                )
        self._lines.answers.clear()

    def _apply_status(self, status: SlcanStatus) -> None:
        if status & _LOST_FRAMES:
            self.overflows += 1
        if status & SlcanStatus.PASSIVE:
            self.condition = BusCondition.PASSIVE
        elif status & _WARNINGS:
            self.condition = BusCondition.WARNING
        else:
            self.condition = BusCondition.ACTIVE

    def _lay_in_time(self, block: FrameBlock, arrived: int) -> FrameBlock:
        """The frames with data time instead of the adapter's stamps; `arrived` is the moment of reading."""
        if len(block) and not _are_stamps(block.t):
            self._give_up_stamps(unknown_unit=bool((block.t == UNKNOWN_UNIT).any()))
        if self._stamps:
            self.through = arrived - USB_DELAY_NS
            return self.lay_along_host(block, self._stamps, arrived)
        self.through = arrived
        return with_stamps(block, np.full(len(block), arrived, np.int64))

    def _give_up_stamps(self, *, unknown_unit: bool) -> None:
        """Use the moment of reading from here on; a remark says so, once, unless no stamps were asked for."""
        if not self._stamps_remarked and (self._stamps or unknown_unit):
            found = (
                "time stamps of eight digits, in a unit that is not known"
                if unknown_unit
                else ("frames without proper time stamps")
            )
            self.remarks.append(f"{found}: the moment of reading is used from here on")
            self._stamps_remarked = True
        self._stamps, self.stamped_by = None, StampKind.HOST


def _can_answer(command: bytes, answer: bytes) -> bool:
    """Whether this may answer the command: the status comes with its letter, all else is done or refused."""
    if answer == ANSWER_REFUSED:
        return True
    return answer.startswith(_STATUS) if command == _STATUS else answer == ANSWER_DONE


def _are_stamps(t: Ints) -> bool:
    """Whether all frames carry a stamp, and none counts past a minute."""
    return bool(((t >= 0) & (t < STAMP_WRAP_MS * _MS)).all())


def _rate_commands(name: str, bitrate: int | None, data_bitrate: int | None) -> tuple[bytes, ...]:
    """The commands for the bit rates; none where the adapter's setting is kept.

    Raises:
        UsageError: no command exists for one of them.
    """
    asked = (("bit rate", bitrate, BITRATES), ("bit rate of data", data_bitrate, DATA_BITRATES))
    for what, rate, table in asked:
        if rate is not None and rate not in table:
            known = ", ".join(str(each) for each in table)
            raise UsageError(f"{name}: {what} {rate}; a serial adapter has {known}; choose one of them")
    return tuple(table[rate] for _, rate, table in asked if rate is not None)


def _say_refused(command: bytes) -> str:
    """Words for an adapter that refuses a bit rate or its opening."""
    for rate, each in BITRATES.items():
        if command == each:
            return (
                f"the adapter refuses {rate} bit/s; expected a bit rate that its firmware knows; "
                "choose another or see its manual"
            )
    for rate, each in DATA_BITRATES.items():
        if command == each:
            return (
                f"the adapter refuses {rate} bit/s for the data of CAN FD; expected an adapter for CAN FD; "
                "use another, or omit the bit rate of data"
            )
    if command == _LISTEN:
        return (
            "the adapter refuses to listen only (L); expected an adapter that can; use "
            'another, or role = "acknowledge" if this program may acknowledge frames on this bus'
        )
    return "the adapter refuses to open (O); expected a free adapter; unplug it and try again"
