"""One line of a candump log, read strictly: the grammar, and the reason when a line is not in it.

The grammar is that of can-utils' `candump -l` (candump.c, lib.c), narrowed where those
accept what cannot have been on a bus. Speed matters less here than certainty: whole columns
of plain lines are read elsewhere, and whatever is read there must come out as it would here.
"""

from __future__ import annotations

import re
from binascii import Error as HexError
from binascii import unhexlify
from typing import NamedTuple

from mixmon.arrays import SECOND_NS
from mixmon.frames.account import Reason
from mixmon.frames.block import EXTENDED, FrameFlag, FrameRow

LONGEST_LINE = 8192
"""Bytes; the longest line that means anything (CAN XL, 2048 data bytes) has about 4200."""

LAST_SECOND = 4_499_999_999
"""The last whole second of a stamp: half of what int64 nanoseconds hold, less 3.6 years, so that no sum or
difference of stamps leaves int64. Our choice: in 2112."""

LAST_STAMP = (LAST_SECOND + 1) * SECOND_NS - 1
"""The same as the last stamp, ns."""

ERROR_BIT = 0x2000_0000
"""Bit of a logged identifier that marks an error frame (linux/can.h, CAN_ERR_FLAG)."""

LAST_STANDARD = 0x7FF  # 11 bits (ISO 11898-1)
LAST_EXTENDED = 0x1FFF_FFFF  # 29 bits (ISO 11898-1)

FD_SIZES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data bytes of a CAN FD frame by data length code (ISO 11898-1)."""

FD_FLAGS = (
    int(FrameFlag.FD),
    int(FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH),
    int(FrameFlag.FD | FrameFlag.ERROR_STATE),
    int(FrameFlag.FD | FrameFlag.BIT_RATE_SWITCH | FrameFlag.ERROR_STATE),
)
"""FrameFlag bits of a CAN FD frame by the two bits that are read of its flag digit."""

_BOM = b"\xef\xbb\xbf"
_LINE = re.compile(rb"[ \t]*\(([0-9]+)(?:\.([0-9]*))?\)[ \t]+([!-~]+)[ \t]+([!-~]+)(?:[ \t]+([RT]))?[ \t\r]*")
_ODD_BYTE = re.compile(rb"[^\t -~]")
_COLOUR = re.compile(rb"\x1b\[[0-9;]*m")
_SCREEN = re.compile(
    rb"(?:\([^)]*\)[ \t]+)?[!-~]+[ \t]+(?:[TR]X [-B] [-E][ \t]+)?[0-9A-Fa-f]{3,8}[ \t]+"
    rb"(?:\[[0-9]{1,2}\]|\{[0-9A-Fa-f]\})(?:[ \t]|$)"
)
_STAMPED = re.compile(rb"\(([^)]*)\)(.*)")
_TIME = re.compile(rb"[0-9]+(?:\.[0-9]*)?")
_LOSS = re.compile(
    rb"DROPCOUNT: dropped ([0-9]{1,18}) CAN frames? on '(.*)' socket \(total drops ([0-9]{1,18})\)"
)
_HEX_DIGITS = re.compile(rb"[0-9A-Fa-f]+")
_XL = re.compile(rb"[0-9A-Fa-f]{2}:[0-9A-Fa-f]{2}:[0-9A-Fa-f]{8}#.*")
_DOTTED = re.compile(rb"\.?[0-9A-Fa-f]{2}(?:\.?[0-9A-Fa-f]{2})*\.?")
_REMOTE = re.compile(rb"[Rr](?:([0-8])|8_([9A-Fa-f]))?")
_RAW_DLC = re.compile(rb"([0-9A-Fa-f.]*[0-9A-Fa-f])_([9A-Fa-f])")
_DIRECTION = {None: 0, b"R": int(FrameFlag.RECEIVED), b"T": int(FrameFlag.SENT)}
_FD_DLC = {size: dlc for dlc, size in enumerate(FD_SIZES)}


class LineLoss(NamedTuple):
    """A note of the recorder about frames it lost."""

    interface: str
    dropped: int
    total: int


class NoFrameError(Exception):
    """A frame field that is none, with the reason."""

    def __init__(self, why: Reason) -> None:
        super().__init__(why)
        self.why = why


def read_line(line: bytes, *, first: bool = False) -> FrameRow | LineLoss | Reason | None:
    r"""What one line of a log is, without its newline.

    Gives a frame, a note about lost frames, the reason why it is neither, or None for blank
    lines and comments. `first` marks line 1, which may open with a byte order mark.

        >>> read_line(b"(1436509052.249713) can0 123#1122").data
        b'\x11"'
        >>> read_line(b"(1436509052.249713) can0 123#112")
        <Reason.DATA: 'data'>
    """
    if first and line.startswith(_BOM):
        line = line[len(_BOM) :]
    if len(line) <= LONGEST_LINE and (match := _LINE.fullmatch(line)):
        try:
            return _read_frame(*match.groups())
        except NoFrameError as error:
            return error.why
    return _read_other_line(line)


def _read_frame(
    seconds: bytes, fraction: bytes | None, interface: bytes, field: bytes, direction: bytes | None
) -> FrameRow:
    """The frame of a line that has the shape of one.

    Raises:
        NoFrameError: a field is none; every reader of a field raises it likewise.
    """
    t = _read_stamp(seconds, fraction)
    digits, mark, body = field.partition(b"#")
    if not mark:
        # of two words without a frame among them, `123#11 R` lacks its interface
        raise NoFrameError(Reason.LAYOUT if b"#" in interface else Reason.IDENTIFIER)
    can_id, error = _read_identifier(digits, body)
    if error:
        dlc, flags, data = _read_error(body)
    elif body.startswith(b"#"):
        dlc, flags, data = _read_fd(body)
    elif body[:1] in (b"R", b"r"):
        dlc, flags, data = _read_remote(body)
    else:
        dlc, flags, data = _read_classic(body)
    return FrameRow(t, can_id, interface.decode("ascii"), dlc, flags | _DIRECTION[direction], data)


def _read_stamp(seconds: bytes, fraction: bytes | None) -> int:
    """The stamp in ns; digits behind the ninth are cut off."""
    whole = seconds.lstrip(b"0")
    if len(whole) > 10 or (len(whole) == 10 and int(whole) > LAST_SECOND):
        raise NoFrameError(Reason.TIME)
    return int(whole or b"0") * 1_000_000_000 + int((fraction or b"")[:9].ljust(9, b"0"))


def _read_identifier(digits: bytes, body: bytes) -> tuple[int, bool]:
    """Identifier as in FrameBlock, and whether it is that of an error frame."""
    if not _HEX_DIGITS.fullmatch(digits):
        raise NoFrameError(Reason.IDENTIFIER)
    if len(digits) == 5 and _XL.fullmatch(body):
        raise NoFrameError(Reason.CAN_XL)
    value = int(digits, 16)
    if len(digits) == 3 and value <= LAST_STANDARD:
        return value, False
    if len(digits) == 8 and value <= LAST_EXTENDED:
        return value | EXTENDED, False
    if len(digits) == 8 and value <= (ERROR_BIT | LAST_EXTENDED):
        return value & LAST_EXTENDED, True
    raise NoFrameError(Reason.IDENTIFIER)


def _read_hex(text: bytes) -> bytes:
    """The bytes that hex digits stand for, with dots between whole bytes only."""
    if b"." in text:
        if not _DOTTED.fullmatch(text):
            raise NoFrameError(Reason.DATA)
        text = text.replace(b".", b"")
    try:
        return unhexlify(text)
    except HexError:
        raise NoFrameError(Reason.DATA) from None


def _read_classic(body: bytes) -> tuple[int, int, bytes]:
    """Data length code, flags and data of 0 to 8 bytes, or of 8 bytes with a raw code 9 to 15."""
    if b"_" in body:
        match = _RAW_DLC.fullmatch(body)
        if not match or len(data := _read_hex(match[1])) != 8:
            raise NoFrameError(Reason.DATA)
        return int(match[2], 16), 0, data
    data = _read_hex(body)
    if len(data) > 8:
        raise NoFrameError(Reason.LENGTH)
    return len(data), 0, data


def _read_error(body: bytes) -> tuple[int, int, bytes]:
    """The same of an error frame, which is classic and has no raw code."""
    if body.startswith(b"#"):
        raise NoFrameError(Reason.IDENTIFIER)
    data = _read_hex(body)
    if len(data) > 8:
        raise NoFrameError(Reason.LENGTH)
    return len(data), int(FrameFlag.ERROR), data


def _read_remote(body: bytes) -> tuple[int, int, bytes]:
    """Data length code and flags of `R`, `R` CODE or `R8_` RAW CODE; a remote frame has no data."""
    match = _REMOTE.fullmatch(body)
    if not match:
        raise NoFrameError(Reason.DATA)
    return int(match[1] or match[2] or b"0", 16), int(FrameFlag.REMOTE), b""


def _read_fd(body: bytes) -> tuple[int, int, bytes]:
    """Data length code, flags and data of `#` FLAGS BYTES."""
    if not _HEX_DIGITS.fullmatch(body[1:2]):
        raise NoFrameError(Reason.DATA)
    data = _read_hex(body[2:])
    if len(data) not in _FD_DLC:
        raise NoFrameError(Reason.LENGTH)
    return _FD_DLC[len(data)], FD_FLAGS[int(body[1:2], 16) & 3], data


def _read_other_line(line: bytes) -> LineLoss | Reason | None:
    """What a line is that does not have the shape of a frame's."""
    if len(line) > LONGEST_LINE:
        return Reason.NOT_TEXT if _ODD_BYTE.search(line, 0, LONGEST_LINE) else Reason.TOO_LONG
    text = line.strip(b" \t\r")
    if not text or text.startswith(b"#"):
        return None
    if _ODD_BYTE.search(text):
        return Reason.SCREEN_FORMAT if _is_screen_line(_COLOUR.sub(b"", text).strip()) else Reason.NOT_TEXT
    if match := _LOSS.fullmatch(text):
        return LineLoss(match[2].decode("ascii"), int(match[1]), int(match[3]))
    if _is_screen_line(text):
        return Reason.SCREEN_FORMAT
    return _name_fault(text)


def _is_screen_line(text: bytes) -> bool:
    """Whether the line was copied from candump's screen, where identifiers and lengths are spaced out."""
    return _SCREEN.match(text) is not None


def _name_fault(text: bytes) -> Reason:
    """Why a line of plain text does not have the shape `(time) interface frame [R|T]`."""
    match = _STAMPED.fullmatch(text)
    if not match or match[2][:1] not in (b" ", b"\t"):
        return Reason.LAYOUT
    if not _TIME.fullmatch(match[1]):
        return Reason.TIME
    return Reason.LAYOUT if len(match[2].split()) < 2 else Reason.TRAILING_TEXT
