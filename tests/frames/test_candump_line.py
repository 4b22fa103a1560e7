"""Every kind of line that a candump log can hold, and what becomes of it.

The grammar is that of can-utils' candump.c and lib.c (`-l` output); the cases were collected from
its source and from runs of candump 2020.11.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from mixmon.frames.account import Loss
from mixmon.frames.block import EXTENDED, FrameFlag
from mixmon.frames.candump import CandumpReader

STAMP = "(1436509052.249713) can0 "
T = 1436509052_249713000
RAW8 = "1122334455667788"


@dataclass(frozen=True)
class Frame:
    """The row expected; `data` in hex."""

    can_id: int = 0x123
    data: str = ""
    dlc: int | None = None
    flags: int = 0
    t: int = T
    channel: str = "can0"


E11 = Frame(data="11")
FD = int(FrameFlag.FD)
BRS = FD | FrameFlag.BIT_RATE_SWITCH
ESI = FD | FrameFlag.ERROR_STATE
REMOTE = int(FrameFlag.REMOTE)
ERROR = int(FrameFlag.ERROR)


def stamp(text: str) -> str:
    return f"({text}) can0 123#11"


ACCEPTED = {
    "plain frame": (STAMP + "123#11", E11),
    "carriage return before the newline": (STAMP + "123#11\r", E11),
    "blanks before the bracket": ("  \t" + STAMP + "123#11", E11),
    "several blanks before a short interface name": ("(1436509052.249713)     can0 123#11", E11),
    "tabs between the fields": ("(1436509052.249713)\tcan0\t \t123#11\tR", Frame(data="11", flags=64)),
    "blanks after the frame": (STAMP + "123#11  ", E11),
    "no dot in the stamp": (stamp("7"), Frame(data="11", t=7_000_000_000)),
    "a dot and no fraction": (stamp("7."), Frame(data="11", t=7_000_000_000)),
    "one fraction digit is tenths": (stamp("0.5"), Frame(data="11", t=500_000_000)),
    "two fraction digits": (stamp("0.25"), Frame(data="11", t=250_000_000)),
    "three fraction digits": (stamp("1.001"), Frame(data="11", t=1_001_000_000)),
    "four fraction digits": (stamp("1.0001"), Frame(data="11", t=1_000_100_000)),
    "five fraction digits": (stamp("1.00001"), Frame(data="11", t=1_000_010_000)),
    "six fraction digits": (stamp("1.000001"), Frame(data="11", t=1_000_001_000)),
    "seven fraction digits": (stamp("1.0000001"), Frame(data="11", t=1_000_000_100)),
    "eight fraction digits": (stamp("1.00000001"), Frame(data="11", t=1_000_000_010)),
    "nine fraction digits": (stamp("1.000000001"), Frame(data="11", t=1_000_000_001)),
    "twelve fraction digits are cut to nanoseconds": (
        stamp("1.000000001999"),
        Frame(data="11", t=1_000_000_001),
    ),
    "zero-based log": (stamp("000.000000"), Frame(data="11", t=0)),
    "device clock padded with zeros": (
        stamp("0000775431.709973"),
        Frame(data="11", t=775431_709973000),
    ),
    "the last second that fits": (
        stamp("4499999999.999999999"),
        Frame(data="11", t=4499999999_999999999),
    ),
    "interface named 0": ("(1436509052.249713) 0 123#11", Frame(data="11", channel="0")),
    "interface with a long name": (
        "(1436509052.249713) a-very-long-interface-name.17 123#11",
        Frame(data="11", channel="a-very-long-interface-name.17"),
    ),
    "received mark": (STAMP + "123#11 R", Frame(data="11", flags=FrameFlag.RECEIVED)),
    "sent mark": (STAMP + "123#11 T", Frame(data="11", flags=FrameFlag.SENT)),
    "highest 11-bit identifier": (STAMP + "7FF#11", Frame(can_id=0x7FF, data="11")),
    "29-bit identifier": (STAMP + "18FEF100#11", Frame(can_id=0x18FEF100 | EXTENDED, data="11")),
    "29-bit identifier with a small number": (
        STAMP + "00000123#11",
        Frame(can_id=0x123 | EXTENDED, data="11"),
    ),
    "highest 29-bit identifier": (STAMP + "1FFFFFFF#11", Frame(can_id=0x1FFFFFFF | EXTENDED, data="11")),
    "bus error frame": (
        STAMP + "20000080#0000000000000000",
        Frame(can_id=0x80, data="00" * 8, flags=ERROR),
    ),
    "controller error frame": (
        STAMP + "20000004#0004000000000000",
        Frame(can_id=4, data="0004000000000000", flags=ERROR),
    ),
    "error frame without data": (STAMP + "20000080#", Frame(can_id=0x80, flags=ERROR)),
    "error frame with all class bits": (STAMP + "3FFFFFFF#1122", Frame(0x1FFFFFFF, "1122", flags=ERROR)),
    "no data bytes": (STAMP + "123#", Frame()),
    "eight data bytes": (STAMP + "123#" + RAW8, Frame(data=RAW8)),
    "lower-case hex": (STAMP + "1aBcDeF0#aAbBcCdDeEfF", Frame(0x1ABCDEF0 | EXTENDED, "AABBCCDDEEFF")),
    "dots between whole bytes": (STAMP + "123#11.22.33", Frame(data="112233")),
    "dots between some bytes": (STAMP + "123#11.2233", Frame(data="112233")),
    "a dot before the first byte": (STAMP + "123#.1122", Frame(data="1122")),
    "a dot after the last byte": (STAMP + "123#1122.", Frame(data="1122")),
    "remote frame": (STAMP + "123#R", Frame(flags=REMOTE, dlc=0)),
    "remote frame in lower case": (STAMP + "123#r", Frame(flags=REMOTE, dlc=0)),
    "remote frame of length 0": (STAMP + "123#R0", Frame(flags=REMOTE, dlc=0)),
    "remote frame of length 5": (STAMP + "123#R5", Frame(flags=REMOTE, dlc=5)),
    "remote frame of length 8": (STAMP + "12345678#r8", Frame(0x12345678 | EXTENDED, flags=REMOTE, dlc=8)),
    "remote frame with a raw length code": (STAMP + "123#R8_9", Frame(flags=REMOTE, dlc=9)),
    "remote frame with a lower-case raw code": (STAMP + "123#r8_f", Frame(flags=REMOTE, dlc=15)),
    "remote frame received": (STAMP + "123#R R", Frame(flags=REMOTE | FrameFlag.RECEIVED, dlc=0)),
    "raw length code 9": (STAMP + f"123#{RAW8}_9", Frame(data=RAW8, dlc=9)),
    "raw length code F": (STAMP + f"123#{RAW8}_F", Frame(data=RAW8, dlc=15)),
    "raw length code in lower case": (STAMP + f"123#{RAW8}_e", Frame(data=RAW8, dlc=14)),
    "raw length code after dotted bytes": (STAMP + "123#11.22.33.44.55.66.77.88_A", Frame(data=RAW8, dlc=10)),
    "CAN FD without data": (STAMP + "123##0", Frame(flags=FD)),
    "CAN FD, three bytes": (STAMP + "123##0112233", Frame(data="112233", flags=FD)),
    "CAN FD with bit-rate switch": (STAMP + "123##111", Frame(data="11", flags=BRS)),
    "CAN FD with error state": (STAMP + "123##211", Frame(data="11", flags=ESI)),
    "CAN FD with both": (STAMP + "123##311", Frame(data="11", flags=BRS | ESI)),
    "CAN FD with its own flag set": (STAMP + "123##7112233", Frame(data="112233", flags=BRS | ESI)),
    "CAN FD with all flag bits": (STAMP + "123##F11", Frame(data="11", flags=BRS | ESI)),
    "CAN FD with flag A": (STAMP + "123##a11", Frame(data="11", flags=ESI)),
    "CAN FD, dots": (STAMP + "123##0.11.22.", Frame(data="1122", flags=FD)),
    **{
        f"CAN FD of {size} bytes": (
            STAMP + "12345678##1" + "5A" * size,
            Frame(0x92345678, "5A" * size, dlc, BRS),
        )
        for dlc, size in enumerate((0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64))
    },
}

REJECTED = {
    "no blank after the bracket": ("(1436509052.249713)can0 123#11", "layout"),
    "no time and no interface": ("309#40", "layout"),
    "no interface": ("(1436509052.249713) 309#40", "layout"),
    "no interface, but a mark": ("(1436509052.249713) 309#40 R", "layout"),
    "no frame": ("(1436509052.249713) can0", "layout"),
    "no closing bracket": ("(1436509052.249713 can0 123#11", "layout"),
    "prose": ("starting the second pull", "layout"),
    "malformed note of losses": ("DROPCOUNT: dropped many CAN frames", "layout"),
    "screen format with calendar time": (
        " (2026-11-25 07:20:33.354863)  vcan0  123   [8]  11 22 33 44 55 66 77 88",
        "screen format",
    ),
    "screen format with direction": (
        " (000.062503)  vcan0  TX - -  12345678   [3]  remote request",
        "screen format",
    ),
    "screen format with direction and FD flags": (
        " (000.1)  vcan0  RX B E  123  [03]  11 22 33",
        "screen format",
    ),
    "screen format without time": ("  vcan0  123   [2]  11 22", "screen format"),
    "screen format of CAN FD": ("  vcan0       123  [03]  11 22 33", "screen format"),
    "screen format with a raw length code": (" vcan0  123   {9}  11 22 33 44 55 66 77 88", "screen format"),
    "screen format without data": ("  vcan0  123   [0]", "screen format"),
    "screen format in colour": ("  \x1b[31mvcan0\x1b[0m  123   [2]  11 22", "screen format"),
    "bytes beyond ASCII": (STAMP + "123#11 \xb0", "not text"),
    "control bytes": (STAMP + "123#1\x07", "not text"),
    "a block of NULs": ("\0" * 4096 + STAMP + "123#11", "not text"),
    "a block of NULs longer than any line": ("\0" * 20000 + STAMP + "123#11", "not text"),
    "a line over 8 KiB": (STAMP + "123#11" + " " * 8192, "too long"),
    "a negative stamp": (stamp("-1.5"), "time"),
    "a signed stamp": (stamp("+1.5"), "time"),
    "nan as a stamp": (stamp("nan"), "time"),
    "an exponent in the stamp": (stamp("1e3"), "time"),
    "an underscore in the stamp": (stamp("1_0"), "time"),
    "a decimal comma": (stamp("1,5"), "time"),
    "a calendar date": (stamp("2026-11-25 07:20:33.354863"), "time"),
    "an empty stamp": (stamp(""), "time"),
    "a stamp without seconds": (stamp(".5"), "time"),
    "two dots in the stamp": (stamp("1.5.5"), "time"),
    "blanks in the stamp": (stamp(" 1.5 "), "time"),
    "seconds of which sums could leave int64 nanoseconds": (stamp("4500000000.000000"), "time"),
    "seconds of twenty digits": (stamp("1" * 20), "time"),
    "seconds of five thousand digits": (stamp("1" * 5000), "time"),
    "a note after the frame": (STAMP + "123#11 lift here", "trailing text"),
    "a lower-case mark": (STAMP + "123#11 r", "trailing text"),
    "text after the mark": (STAMP + "123#11 R R", "trailing text"),
    "two lines glued by a lost newline": (STAMP + "123#11" + STAMP + "124#22", "trailing text"),
    "two whole lines on one": (STAMP + "123#11 " + STAMP + "124#22", "trailing text"),
    "three digits above 7FF": (STAMP + "800#00", "identifier"),
    "flag bit 31": (STAMP + "80000123#11", "identifier"),
    "flag bit 30": (STAMP + "40000123#11", "identifier"),
    "all bits": (STAMP + "FFFFFFFF#11", "identifier"),
    "five digits without the header of CAN XL": (STAMP + "12345#11", "identifier"),
    **{f"{n} digits": (STAMP + "1" * n + "#11", "identifier") for n in (0, 1, 2, 4, 6, 7, 9, 10, 16)},
    "no number sign": (STAMP + "12345678", "identifier"),
    "an identifier that is not hex": (STAMP + "12G#11", "identifier"),
    "an identifier with an underscore": (STAMP + "1_2#11", "identifier"),
    "CAN FD with the error bit": (STAMP + "20000080##011", "identifier"),
    "CAN FD, three digits above 7FF": (STAMP + "800##011", "identifier"),
    "remote frame, three digits above 7FF": (STAMP + "800#R", "identifier"),
    "a dot within a byte": (STAMP + "123#1.1", "data"),
    "two dots": (STAMP + "123#11..22", "data"),
    "a dot alone": (STAMP + "123#.", "data"),
    "an odd number of digits": (STAMP + "123#112", "data"),
    "one digit": (STAMP + "123#1", "data"),
    "data that are not hex": (STAMP + "123#1G", "data"),
    "data with an at sign": (STAMP + "123#1@", "data"),
    "nine bytes": (STAMP + f"123#{RAW8}99", "length"),
    "nine bytes in an error frame": (STAMP + f"20000080#{RAW8}99", "length"),
    "a mark without its blank": (STAMP + f"123#{RAW8}T", "data"),
    "sixty-five bytes of CAN FD": (STAMP + "123##0" + "11" * 65, "length"),
    "remote frame of length 9": (STAMP + "123#R9", "data"),
    "remote frame of length F": (STAMP + "123#RF", "data"),
    "remote frame with rubbish": (STAMP + "123#R5garbage", "data"),
    "remote frame of length 5 with a raw code": (STAMP + "123#R5_9", "data"),
    "remote frame with raw code 8": (STAMP + "123#R8_8", "data"),
    "remote error frame": (STAMP + "20000080#R", "data"),
    "raw length code 8": (STAMP + f"123#{RAW8}_8", "data"),
    "raw length code G": (STAMP + f"123#{RAW8}_G", "data"),
    "raw length code missing": (STAMP + f"123#{RAW8}_", "data"),
    "raw length code after two bytes": (STAMP + "123#1122_9", "data"),
    "raw length code on an error frame": (STAMP + f"20000080#{RAW8}_9", "data"),
    "raw length code on CAN FD": (STAMP + f"123##0{RAW8}_9", "data"),
    **{
        f"CAN FD of {size} bytes": (STAMP + "123##1" + "5A" * size, "length")
        for size in (9, 10, 11, 13, 15, 17, 23, 25, 31, 33, 47, 49, 63)
    },
    "CAN FD without flags": (STAMP + "123##", "data"),
    "CAN FD with flag G": (STAMP + "123##G11", "data"),
    "CAN FD remote": (STAMP + "123##R", "data"),
    "CAN FD, an odd number of digits": (STAMP + "123##0112", "data"),
    "CAN XL": (STAMP + "00123#81:00:12345678#11223344", "CAN XL"),
    "CAN XL of 2048 bytes": (STAMP + "45123#81:00:12345678#" + "11" * 2048, "CAN XL"),
}

SKIPPED = {
    "empty line": "",
    "line of blanks": " \t ",
    "carriage return alone": "\r",
    "comment": "# second pull, sensor 3 replaced",
    "comment in another alphabet": "# Zündung",
}


def read(text: str) -> tuple[CandumpReader, list[Frame]]:
    reader = CandumpReader()
    block = reader.feed(text.encode("latin-1"))
    return reader, [
        Frame(
            int(block.can_id[i]),
            block.data[i, : block.size[i]].tobytes().hex().upper(),
            int(block.dlc[i]),
            int(block.flags[i]),
            int(block.t[i]),
            block.channels[block.bus[i]],
        )
        for i in range(len(block))
    ]


def with_dlc(frame: Frame) -> Frame:
    dlc = len(frame.data) // 2 if frame.dlc is None else frame.dlc
    return Frame(frame.can_id, frame.data, dlc, int(frame.flags), frame.t, frame.channel)


# each line alone, and late in a log whose plain lines are read by whole columns
PLAIN = "".join(f"(1436509051.{i:06d}) can0 321#{i:08X}\n" for i in range(1000))


@pytest.mark.parametrize(("line", "frame"), ACCEPTED.values(), ids=ACCEPTED)
def test_this_line_is_a_frame(line: str, frame: Frame) -> None:
    reader, frames = read(line + "\n")
    assert frames == [with_dlc(frame)]
    assert reader.report.rejected == {}
    reader, frames = read(PLAIN + line + "\n" + PLAIN)
    assert (len(frames), frames[1000]) == (2001, with_dlc(frame))


@pytest.mark.parametrize(("line", "why"), REJECTED.values(), ids=REJECTED)
def test_this_line_is_rejected(line: str, why: str) -> None:
    for before in ("", PLAIN):
        reader, frames = read(before + line + "\n" + PLAIN)
        assert len(frames) == reader.report.lines - 1
        assert reader.report.rejected == {why: 1}
        reject = reader.report.first_rejected[0]
        assert (reject.line, reject.why) == (before.count("\n") + 1, why)


@pytest.mark.parametrize("line", SKIPPED.values(), ids=SKIPPED)
def test_this_line_is_skipped_and_counted(line: str) -> None:
    reader, frames = read(PLAIN + line + "\n")
    assert (len(frames), reader.report.skipped, reader.report.lines) == (1000, 1, 1001)
    assert reader.report.rejected == {}


def test_losses_are_kept_with_the_stamp_of_the_frame_before() -> None:
    note = "DROPCOUNT: dropped 2997 CAN frames on 'vcan0' socket (total drops 2997)\n"
    once = "DROPCOUNT: dropped 1 CAN frame on 'can1' socket (total drops 1)\n"
    reader, frames = read(note + PLAIN + once + STAMP + "123#11\n" + "rubbish\n" + once)
    assert len(frames) == 1001
    assert reader.report.losses == [
        Loss(1, "vcan0", 2997, 2997, None),
        Loss(1002, "can1", 1, 1, 1436509051_000999000),
        Loss(1005, "can1", 1, 1, T),
    ]


def test_of_very_many_losses_the_last_are_added_up() -> None:
    notes = "".join(
        f"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops {3 * (i + 1)})\n" for i in range(5000)
    )
    report = read(PLAIN + notes)[0].report
    assert (report.lines - report.frames, len(report.losses)) == (5000, 1000)
    assert sum(loss.dropped for loss in report.losses) == 15_000 == report.losses[-1].total
    assert report.losses[-1].line == 2000


def test_a_byte_order_mark_is_stripped_from_the_first_line_only() -> None:
    text = "\ufeff".encode() + (STAMP + "123#11\n").encode()
    reader = CandumpReader()
    assert len(reader.feed(text + text)) == 1
    assert reader.report.rejected == {"not text": 1}


def test_screen_format_comes_with_the_hint_what_to_do() -> None:
    reader, _ = read("  vcan0  123   [2]  11 22\n")
    assert "candump -l" in reader.report.hint
    reader, _ = read(PLAIN)
    assert reader.report.hint == ""


def test_the_last_line_without_newline_is_a_frame() -> None:
    reader = CandumpReader()
    assert len(reader.feed((STAMP + "123#1122").encode())) == 0
    assert len(reader.flush()) == 1


@pytest.mark.parametrize("cut", ["(143", STAMP, STAMP + "12", STAMP + "123#112", STAMP + "123#1122 x"])
def test_a_cut_last_line_is_rejected_as_truncated(cut: str) -> None:
    reader = CandumpReader()
    assert len(reader.feed(cut.encode())) == 0
    assert len(reader.flush()) == 0
    assert reader.report.rejected == {"truncated": 1}
    assert reader.report.first_rejected[0].line == 1


def test_nuls_after_a_power_cut_are_no_text() -> None:
    reader = CandumpReader()
    reader.feed((PLAIN + STAMP + "123#11" + "\0" * 100_000).encode())
    reader.flush()
    assert reader.report.rejected == {"not text": 1}


def test_stamps_are_never_reordered_or_mended() -> None:
    stamps = ["5.0", "5.0", "4.0", "0", "0", "6.5"]
    reader = CandumpReader()
    block = reader.feed("".join(stamp(text) + "\n" for text in stamps).encode())
    np.testing.assert_array_equal(block.t, [int(float(text) * 10**9) for text in stamps])


def test_interfaces_are_numbered_in_order_of_first_appearance() -> None:
    reader, frames = read(
        "(1.0) b 1#1\n(1.0) can1 123#11\n(1.0)  b 123#11\n(1.0) can1 123#22\n(1.0) a 123#R\n"
    )
    assert reader.channels == ("can1", "b", "a")
    assert [frame.channel for frame in frames] == ["can1", "b", "can1", "a"]


def test_more_interfaces_than_a_block_can_number_are_rejected() -> None:
    text = "".join(f"(1.0) if{i} 123#11\n" for i in range(300))
    reader, frames = read(text + text)
    assert len(reader.channels) == 256
    assert len(frames) == 512
    assert reader.report.rejected == {"too many interfaces": 88}


def test_the_counts_add_up() -> None:
    lines = [line for line, _ in (*ACCEPTED.values(), *REJECTED.values())] + list(SKIPPED.values())
    note = "DROPCOUNT: dropped 1 CAN frame on 'can1' socket (total drops 1)"
    reader, _ = read("\n".join([*lines, note, ""]))
    report = reader.report
    assert report.lines == len(lines) + 1
    assert report.lines == report.frames + report.skipped + report.rejected_lines + len(report.losses)
    assert (report.frames, report.rejected_lines, report.skipped) == (
        len(ACCEPTED),
        len(REJECTED),
        len(SKIPPED),
    )
    assert report.remote == sum(bool(frame.flags & REMOTE) for _, frame in ACCEPTED.values())
    assert report.error == sum(bool(frame.flags & ERROR) for _, frame in ACCEPTED.values())
    assert len(report.first_rejected) == 20
