"""The serial line grammar: every line is a frame, an answer, or a counted reject."""

from __future__ import annotations

import os
import select
import threading
import tty
from itertools import pairwise
from pathlib import Path

import can
import pytest
from can.interfaces.slcan import slcanBus
from hypothesis import given
from hypothesis import strategies as st
from slcan_emulator import SlcanEmulator

from mixmon.errors import SourceError
from mixmon.frames.adapters.slcan import (
    ANSWER_DONE,
    ANSWER_REFUSED,
    BITRATES,
    DATA_BITRATES,
    UNKNOWN_UNIT,
    UNSTAMPED,
    SlcanLines,
    SlcanReason,
    SlcanReceiver,
    read_plain_lines,
)
from mixmon.frames.adapters.stamps import HostClock
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag, concat

MS = 1_000_000
FD, BRS, REMOTE = FrameFlag.FD, FrameFlag.BIT_RATE_SWITCH, FrameFlag.REMOTE

FRAMES = {
    "no data": (b"t1230", 0x123, 0, 0, b"", UNSTAMPED),
    "eight bytes": (b"t7FF81122334455667788", 0x7FF, 0, 8, bytes.fromhex("1122334455667788"), UNSTAMPED),
    "lower case": (b"t0ab2cdef", 0x0AB, 0, 2, b"\xcd\xef", UNSTAMPED),
    "a stamp": (b"t1232AABBEA5F", 0x123, 0, 2, b"\xaa\xbb", 59_999 * MS),
    "a stamp of eight digits": (b"t1231AA00012345", 0x123, 0, 1, b"\xaa", UNKNOWN_UNIT),
    "no data but a stamp": (b"t12300010", 0x123, 0, 0, b"", 16 * MS),
    "29 bits": (b"T1FFFFFFF1FF", 0x1FFFFFFF | EXTENDED, 0, 1, b"\xff", UNSTAMPED),
    "29 bits, small number": (b"T000001230", 0x123 | EXTENDED, 0, 0, b"", UNSTAMPED),
    "29 bits, other letter": (b"x0000012311A", 0x123 | EXTENDED, 0, 1, b"\x1a", UNSTAMPED),
    "remote": (b"r1238", 0x123, REMOTE, 8, b"", UNSTAMPED),
    "remote, 29 bits, a stamp": (b"R1234567820001", 0x12345678 | EXTENDED, REMOTE, 2, b"", MS),
    "FD, 12 bytes": (b"d1239" + b"5A" * 12, 0x123, FD, 9, b"Z" * 12, UNSTAMPED),
    "FD, fast, 64 bytes": (b"b123F" + b"5A" * 64, 0x123, FD | BRS, 15, b"Z" * 64, UNSTAMPED),
    "FD, 29 bits": (b"D0000012320102", 0x123 | EXTENDED, FD, 2, b"\1\2", UNSTAMPED),
    "FD, 29 bits, fast": (b"B00000123101", 0x123 | EXTENDED, FD | BRS, 1, b"\1", UNSTAMPED),
}

REJECTS = {
    "a byte too few": (b"t12321", SlcanReason.LENGTH),
    "half a byte": (b"t1232112", SlcanReason.LENGTH),
    "a byte too many": (b"t1231AABB", SlcanReason.LENGTH),
    "a stamp of six digits": (b"t1231AA012345", SlcanReason.LENGTH),
    "length nine": (b"t1239" + b"00" * 9, SlcanReason.LENGTH),
    "identifier alone": (b"t12", SlcanReason.LENGTH),
    "identifier over 11 bits": (b"t8000", SlcanReason.IDENTIFIER),
    "identifier over 29 bits": (b"T200000000", SlcanReason.IDENTIFIER),
    "identifier that is no number": (b"t1G30", SlcanReason.IDENTIFIER),
    "length that is no number": (b"t123X", SlcanReason.DATA),
    "data that are no numbers": (b"t12320x11", SlcanReason.DATA),
    "underscore in a number": (b"t1_30", SlcanReason.IDENTIFIER),
    "two lines glued": (b"t12311122t1231AA", SlcanReason.DATA),
    "a remote frame with data": (b"r1231AA", SlcanReason.LENGTH),
    "byte over 7F": (b"t1231\xffA", SlcanReason.NOT_TEXT),
    "NUL": (b"t1231\0A", SlcanReason.NOT_TEXT),
    "unknown letter": (b"q1230", SlcanReason.UNKNOWN),
    "endless line": (b"t" * 5000, SlcanReason.TOO_LONG),
}


LINES = [case[0] for case in FRAMES.values()] + [case[0] for case in REJECTS.values()]


def read(data: bytes) -> tuple[FrameBlock, SlcanLines]:
    lines = SlcanLines()
    block = lines.feed(data)
    lines.flush()
    return block, lines


@pytest.mark.parametrize("case", FRAMES.values(), ids=FRAMES)
def test_frame(case: tuple[bytes, int, int, int, bytes, int]) -> None:
    line, *expected = case
    block, lines = read(line + b"\r")
    row = block.take(slice(0, 1))
    assert len(block) == 1
    assert [row.can_id[0], row.flags[0], row.dlc[0], bytes(row.data[0])[: row.size[0]], row.t[0]] == expected
    assert not lines.rejected
    assert not lines.answers


@pytest.mark.parametrize(("line", "why"), REJECTS.values(), ids=REJECTS)
def test_reject_is_counted_and_the_next_line_read(line: bytes, why: SlcanReason) -> None:
    block, lines = read(line + b"\rt1230\r")
    assert lines.rejected == {why: 1}
    assert block.can_id.tolist() == [0x123]


def test_answers() -> None:
    block, lines = read(b"\rz\rZ\rF2A\rV1013\r\at1230\rN12\r")
    assert lines.answers == [ANSWER_DONE, b"z", b"Z", b"F2A", b"V1013", ANSWER_REFUSED, b"N12"]
    assert len(block) == 1


def test_refusal_in_the_middle_of_a_line() -> None:
    block, lines = read(b"t12\at1230\r")
    assert lines.answers == [ANSWER_REFUSED]
    assert lines.rejected == {SlcanReason.NOT_TEXT: 1}
    assert len(block) == 1


def test_carriage_return_and_line_feed() -> None:
    block, lines = read(b"\r\nt1230\r\nt1240\r\nF00\r\n")
    assert block.can_id.tolist() == [0x123, 0x124]
    assert lines.answers == [ANSWER_DONE, b"F00"]
    assert not lines.rejected


def test_line_cut_by_the_end() -> None:
    block, lines = read(b"t1230\rt1231A")
    assert len(block) == 1
    assert lines.rejected == {SlcanReason.CUT: 1}


def test_lines_that_are_read_at_once_are_read_as_one_by_one() -> None:
    """An answer among them makes them be read one by one."""
    plain = [line + b"\r" for line, *_ in FRAMES.values() if read_plain_lines(line + b"\r", 0, ("slcan",))]
    at_once, _ = read(b"".join(plain))
    one_by_one, lines = read(b"z\r".join(plain))
    assert len(plain) == len(at_once) > 5
    assert len(lines.answers) == len(plain) - 1
    for name in ("t", "can_id", "bus", "size", "dlc", "flags", "data"):
        ours, theirs = getattr(at_once, name), getattr(one_by_one, name)
        assert (ours.dtype, ours.tolist()) == (theirs.dtype, theirs.tolist())


def test_lost_carriage_return_costs_both_frames_and_is_counted_once() -> None:
    block, lines = read(b"t1230\rt1232AABBt1242CCDD\rt1250\r")
    assert block.can_id.tolist() == [0x123, 0x125]
    assert lines.rejected.total() == 1


pieces = st.lists(
    st.one_of(
        st.sampled_from([line + b"\r" for line in LINES]),
        st.sampled_from([b"\r", b"\n", b"\a", b"F00\r", b"z\r", b"t123", b"\xff", b"\n" * 250]),
        st.binary(max_size=6),
    ),
    max_size=12,
).map(b"".join)


@given(data=pieces, cuts=st.lists(st.integers(0, 6000), max_size=8))
def test_any_split_of_the_bytes_gives_the_same(data: bytes, cuts: list[int]) -> None:
    whole, one = read(data)
    lines = SlcanLines()
    borders = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    blocks = [lines.feed(data[a:b]) for a, b in pairwise(borders)]
    lines.flush()
    parts = concat(blocks).widened(64)
    for name in ("t", "can_id", "size", "dlc", "flags", "data"):
        assert getattr(parts, name).tolist() == getattr(whole.widened(64), name).tolist()
    assert lines.rejected == one.rejected
    assert lines.answers == one.answers


@given(lines=st.lists(st.binary(max_size=30).filter(lambda b: not set(b) & set(b"\r\a")), max_size=20))
def test_no_line_disappears(lines: list[bytes]) -> None:
    block, reader = read(b"".join(line + b"\r" for line in lines))
    assert len(block) + len(reader.answers) + reader.rejected.total() == len(lines)


def test_frames_as_python_can_reads_them(tmp_path: Path) -> None:
    """Oracle: python-can's own serial reader on the same good lines."""
    good = [case[0] for case in FRAMES.values()]
    emulator = SlcanEmulator(tmp_path / "port", silent=True)
    emulator.plug()
    bus = can.Bus(interface="slcan", channel=str(tmp_path / "port"), sleep_after_open=0, ignore_config=True)
    try:
        emulator.write(b"".join(line + b"\r" for line in good))
        messages = [bus.recv(2.0) for _ in good]
    finally:
        bus.shutdown()
        emulator.unplug()
    block, _ = read(b"".join(line + b"\r" for line in good))
    for row, message in enumerate(messages):
        assert message is not None
        assert message.arbitration_id == int(block.can_id[row]) & ~EXTENDED
        assert message.is_extended_id == bool(int(block.can_id[row]) & EXTENDED)
        assert message.is_remote_frame == bool(block.flags[row] & REMOTE)
        assert message.is_fd == bool(block.flags[row] & FD)
        assert bytes(message.data) == bytes(block.data[row])[: block.size[row]]


def test_bit_rates_are_those_of_linux_slcan() -> None:
    """drivers/net/can/slcan/slcan-core.c, slcan_bitrate_const (from memory)."""
    rates = [10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000]
    assert {rate: b"S%d" % n for n, rate in enumerate(rates)} == BITRATES


def test_bit_rates_of_data_are_those_of_python_can() -> None:
    theirs = slcanBus._DATA_BITRATES
    assert {rate: text.encode() for rate, text in theirs.items() if rate} == DATA_BITRATES


def test_a_device_that_answers_without_end_is_refused() -> None:
    """A port that sends carriage returns, asked or not, is no adapter that waits for commands."""
    far, near = os.openpty()
    tty.setraw(near)
    ended = threading.Event()

    def chatter() -> None:
        while not ended.is_set():
            os.write(far, b"\r" * 16)
            if select.select([far], [], [], 0.002)[0]:
                os.read(far, 64)

    thread = threading.Thread(target=chatter, daemon=True)
    thread.start()
    try:
        with pytest.raises(SourceError, match="answers without end"):
            SlcanReceiver(os.ttyname(near), 0, ("can0",), HostClock(), bitrate=500_000)
    finally:
        ended.set()
        thread.join()
        os.close(near)
        os.close(far)
