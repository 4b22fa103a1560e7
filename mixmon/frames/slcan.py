"""Serial-line CAN text -> frames: the line grammar of serial adapters, without any port.

One line a frame, ended by CR:

    t III L DD..          11-bit data          T IIIIIIII L DD..   29-bit (x too)
    r III L               11-bit remote        R IIIIIIII L
    d III L DD..          CAN FD               D IIIIIIII L DD..
    b III L DD..          FD, faster data      B IIIIIIII L DD..

L is one digit 0..8, or a hex length code for FD. Four hex digits more are a time stamp in
milliseconds. An empty line is "done" and BEL is "refused"; z, Z, F, V, v and N open answers.
The grammar is common practice of serial adapters and of Linux' slcan driver (drivers/net/can/slcan).

A line is a frame, an answer, or a counted reject. Two lines glued by a lost CR are never
guessed apart: both are lost, and counted as one.
"""

from __future__ import annotations

import re
from binascii import unhexlify
from collections import Counter
from enum import IntFlag, StrEnum

from mixmon.frames.block import FrameBlock, FrameFlag, FrameRow, block_of
from mixmon.frames.candump_line import FD_SIZES, LAST_EXTENDED, LAST_STANDARD
from mixmon.frames.receiver import identifier, numbered

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

NO_STAMP = -1
DONE = b""
REFUSED = b"\a"
LONGEST_LINE = 200
"""Bytes; the longest line that means anything, 29-bit FD with 64 bytes and a stamp, has 142."""

_FRAME = re.compile(rb"([trdb][0-9A-Fa-f]{3}|[TxRDB][0-9A-Fa-f]{8})([0-9A-Fa-f])([0-9A-Fa-f]*)")
_HEX = re.compile(rb"[0-9A-Fa-f]+")
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
               DONE is b"", REFUSED is BEL, others stand as they came
    rejected   lines that are neither, by reason
    """

    def __init__(self, bus: int = 0, channels: tuple[str, ...] = ("slcan",)) -> None:
        self._channel = channels[bus]
        self._interfaces = numbered(channels)
        self._rows: list[FrameRow] = []
        self._tail = b""
        self.answers: list[bytes] = []
        self.rejected: Counter[str] = Counter()

    def feed(self, data: bytes) -> FrameBlock:
        r"""Frames of the lines that `data` completes.

        `t` is the adapter's stamp in ns, 0 to a minute, or NO_STAMP.

            >>> lines = SlcanLines()
            >>> lines.feed(b"t1232AB").t, lines.feed(b"CD1000\r").t
            (array([], dtype=int64), array([4096000000]))
        """
        *lines, tail = (self._tail + data.replace(b"\a", b"\a\r")).split(b"\r")
        self._tail = tail.lstrip(b"\n")[: LONGEST_LINE + 1]
        for line in lines:
            self._line(line.lstrip(b"\n"))
        rows, self._rows = self._rows, []
        return block_of(rows, self._interfaces)

    def flush(self) -> None:
        """Counts what is left of a line whose end will not come."""
        if self._tail:
            self.rejected[SlcanReason.CUT] += 1
        self._tail = b""

    def _line(self, line: bytes) -> None:
        if line.endswith(REFUSED):
            self.answers.append(REFUSED)
            if line != REFUSED:
                self.rejected[SlcanReason.NOT_TEXT] += 1
        elif match := _FRAME.fullmatch(line):
            self._frame(*match.groups())
        elif not line or _ANSWER.fullmatch(line):
            self.answers.append(line)
        else:
            self.rejected[_why(line)] += 1

    def _frame(self, head: bytes, code: bytes, rest: bytes) -> None:
        number, extended = int(head[1:], 16), len(head) > 4
        if number > (LAST_EXTENDED if extended else LAST_STANDARD):
            self.rejected[SlcanReason.IDENTIFIER] += 1
            return
        flags = _FLAGS.get(head[:1].lower(), 0)
        dlc = int(code, 16)
        digits = 0 if flags & FrameFlag.REMOTE else 2 * FD_SIZES[dlc]
        stamp = NO_STAMP
        if len(rest) == digits + 4:
            stamp = int(rest[digits:], 16) * 1_000_000
        if (dlc > 8 and not flags & FrameFlag.FD) or (stamp == NO_STAMP and len(rest) != digits):
            self.rejected[SlcanReason.LENGTH] += 1
            return
        can_id = identifier(number, extended)
        self._rows.append(FrameRow(stamp, can_id, self._channel, dlc, int(flags), unhexlify(rest[:digits])))


def _why(line: bytes) -> SlcanReason:
    """Why a line has the shape of neither frame nor answer."""
    if len(line) > LONGEST_LINE:
        return SlcanReason.TOO_LONG
    if not line.isascii() or not line.decode("ascii").isprintable():
        return SlcanReason.NOT_TEXT
    if line[:1] not in b"trdbTxRDB":
        return SlcanReason.UNKNOWN
    digits = 3 if line[:1] in b"trdb" else 8
    if len(line) < 1 + digits + 1:
        return SlcanReason.LENGTH
    return SlcanReason.DATA if _HEX.fullmatch(line, 1, 1 + digits) else SlcanReason.IDENTIFIER
